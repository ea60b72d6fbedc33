//! An entry as this store holds it: what was written, and when it came.

use super::{Bookmark, Error, tables};
use crate::log::id::{Arrival, LogbookId};
use crate::log::raws::Raw;
use crate::log::stamp::WallMs;
use crate::log::view::View;
use crate::log::written::Written;

/// An entry and its place in the order in which entries came.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Filed {
    pub(super) arrival: Arrival,
    pub(super) arrived: WallMs,
    pub(super) written: Written,
}

/// The same where its bytes lie elsewhere, as for putting it into a block.
#[derive(Debug, Clone, Copy)]
pub(super) struct Lying<'a> {
    pub(super) arrival: Arrival,
    pub(super) arrived: WallMs,
    pub(super) raw: Raw<'a>,
}

impl Filed {
    /// Returns the bookmark that says: read up to and including this one.
    pub(super) fn bookmark(&self) -> Bookmark {
        bookmark(self.arrival, self.arrived, &self.written.raw)
    }

    pub(super) fn lying(&self) -> Lying<'_> {
        Lying {
            arrival: self.arrival,
            arrived: self.arrived,
            raw: self.written.raw(),
        }
    }
}

impl<'a> Lying<'a> {
    /// Returns the bookmark that says: read up to and including this one.
    pub(super) fn bookmark(&self) -> Bookmark {
        bookmark(self.arrival, self.arrived, self.raw.bytes)
    }

    /// Makes an entry of its own of it.
    pub(super) fn filed(&self) -> Result<Filed, Error> {
        Ok(Filed {
            arrival: self.arrival,
            arrived: self.arrived,
            written: Written::of(&self.view())?,
        })
    }

    /// Returns the logbook it belongs to.
    pub(super) fn logbook(&self) -> LogbookId {
        self.raw.logbook()
    }

    /// Sees what it says.
    pub(super) fn view(&self) -> View<'a> {
        self.raw.view()
    }
}

fn bookmark(arrival: Arrival, arrived: WallMs, raw: &[u8]) -> Bookmark {
    Bookmark {
        arrival,
        check: tables::entry_check(arrival, arrived, raw),
    }
}
