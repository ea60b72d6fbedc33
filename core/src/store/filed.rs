//! An entry as this store holds it: what was written, and when it came.

use super::{Bookmark, tables};
use crate::log::id::Arrival;
use crate::log::stamp::WallMs;
use crate::log::written::Written;

/// An entry and its place in the order in which entries came.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Filed {
    pub(super) arrival: Arrival,
    pub(super) arrived: WallMs,
    pub(super) written: Written,
}

impl Filed {
    /// Returns the bookmark that says: read up to and including this one.
    pub(super) fn bookmark(&self) -> Bookmark {
        Bookmark {
            arrival: self.arrival,
            check: tables::entry_check(self.arrival, self.arrived, &self.written.raw),
        }
    }
}
