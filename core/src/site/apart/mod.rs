//! What crews leave behind who worked apart: a thing removed here and edited there, one thing
//! entered twice, a visit written to the wrong site.
//!
//! Nothing here edits an entry. [`told`] replays a logbook as people should be told it: a visit
//! that was moved away does not count, a thing that somebody edited without having seen its
//! removal is there, and two records that were joined are told as one. It depends on the set of
//! entries alone, so that every store tells the same.

pub mod joined;
pub mod pairs;
pub mod removed;

use crate::log::stamp::Stamp;
use crate::merge::replay::{Placed, State};

/// Returns what a logbook's entries say, now or up to a moment, as people should be told it.
#[must_use]
pub fn told(entries: &[Placed], until: Option<Stamp>) -> State {
    let state = match until {
        Some(until) => State::as_of(entries, until),
        None => State::of(entries),
    };
    joined::as_one(removed::brought_back(state, entries, until))
}

/// Returns the same from a state that a store kept, where that needs no look into the entries;
/// gives the state back where it does.
///
/// # Errors
/// The state as it came: read the entries, and ask [`told`].
pub fn told_of(state: State) -> Result<State, Box<State>> {
    if removed::anything_removed(&state) {
        Err(Box::new(state))
    } else {
        Ok(joined::as_one(state))
    }
}

#[cfg(test)]
mod tests;
