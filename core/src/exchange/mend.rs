//! Damaged entries, asked for again: the caller's side. Whoever answers needs to know nothing of it.

use super::message::{Parcel, Says};
use super::{Error, Shelf, parts};
use crate::log::chain::Mark;
use crate::log::id::LogbookId;
use crate::log::stamp::WallMs;

/// How many entries are asked for at once, so that the question stays small.
const AT_ONCE: usize = 1_000;

/// Makes a parcel that asks for damaged entries again: as many of `marks` as one may hold.
pub fn ask(shelf: &impl Shelf, logbook: LogbookId, marks: &[Mark], now: WallMs) -> Parcel {
    let marks = marks.iter().take(AT_ONCE).copied().collect();
    Parcel {
        from: parts::sender(shelf, now),
        says: Says::Damaged { logbook, marks },
    }
}

/// Takes the answer in: returns how many entries are whole again. They are on disk then.
///
/// # Errors
/// [`Error::Garbled`] for another answer; [`Error::Store`] where the own store fails.
pub fn take(shelf: &impl Shelf, logbook: LogbookId, answer: &Parcel) -> Result<usize, Error> {
    match &answer.says {
        Says::Again { entries } => Ok(shelf.mend(logbook, entries)?),
        _ => Err(Error::Garbled("the answer does not fit what was asked")),
    }
}
