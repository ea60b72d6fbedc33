//! What crews leave behind who worked apart: a thing removed here and edited there, one thing
//! entered twice, a visit written to the wrong site.
//!
//! Nothing here edits an entry. [`told`] replays a logbook as people should be told it: a visit
//! that was moved away does not count, a thing that somebody edited without having seen its
//! removal is there, two records that were joined are told as one, and an observation that its
//! writer took back is not told. It depends on the set of entries alone, so that every store tells
//! the same.

pub mod joined;
pub mod moved;
pub mod pairs;
pub mod removed;
mod taken_back;

use std::sync::Arc;

use self::moved::Elsewhere;
use crate::log::stamp::Stamp;
use crate::merge::replay::{Placed, State};

/// Returns what a logbook's entries say, now or up to a moment, as people should be told it.
#[must_use]
pub fn told(entries: &[Placed], until: Option<Stamp>) -> State {
    let plain = State::of_which(entries, until, |_, _| true);
    let elsewhere = Elsewhere::of(&plain, entries);
    let state = match elsewhere.is_empty() {
        true => plain,
        false => State::of_which(entries, until, |entry, change| {
            elsewhere.counts_here(entry, change)
        }),
    };
    let state = removed::brought_back(state, entries, until, &elsewhere);
    let state = joined::as_one(&state).unwrap_or(state);
    taken_back::left_out(&state).unwrap_or(state)
}

/// Returns the same of now, from a state that a store kept; the entries are asked for only where
/// somebody's not having seen something counts.
///
/// # Errors
/// What asking for the entries gives.
pub fn told_now<E>(
    state: Arc<State>,
    entries: impl FnOnce() -> Result<Vec<Placed>, E>,
) -> Result<Arc<State>, E> {
    told_of(state, None, entries)
}

/// Returns the same of a moment, from what a store says of it.
///
/// # Errors
/// What asking for the entries gives.
pub fn told_then<E>(
    state: Arc<State>,
    until: Stamp,
    entries: impl FnOnce() -> Result<Vec<Placed>, E>,
) -> Result<Arc<State>, E> {
    told_of(state, Some(until), entries)
}

fn told_of<E>(
    state: Arc<State>,
    until: Option<Stamp>,
    entries: impl FnOnce() -> Result<Vec<Placed>, E>,
) -> Result<Arc<State>, E> {
    if removed::anything_removed(&state) || moved::anything_moved(&state) {
        return Ok(Arc::new(told(&entries()?, until)));
    }
    let state = joined::as_one(&state).map_or(state, Arc::new);
    Ok(taken_back::left_out(&state).map_or(state, Arc::new))
}

/// Returns a state without the observations that their writer took back, and with everything else
/// as it stands there: also what counts elsewhere now.
#[must_use]
pub fn without_taken_back(state: Arc<State>) -> Arc<State> {
    taken_back::left_out(&state).map_or(state, Arc::new)
}

#[cfg(test)]
mod tests;
