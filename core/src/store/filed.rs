//! An entry as this store holds it: what was written, and when it came.

use std::collections::BTreeMap;

use super::{Bookmark, Error, tables};
use crate::log::id::{Arrival, LogbookId, Seq};
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

/// Sums up the numbers of entries by who wrote them, each sum begun with the first number and gone on with
/// from there. Most entries come after one of the same writer, so a sum is looked up once a run.
pub(super) fn gather<K: Ord + Copy, V: Copy>(
    sums: &mut BTreeMap<K, V>,
    entries: impl Iterator<Item = (K, Seq)>,
    begin: impl Fn(Seq) -> V,
    go_on: impl Fn(V, Seq) -> V,
) {
    let mut run: Option<(K, &mut V)> = None;
    for (writer, seq) in entries {
        let sum = match run.take() {
            Some((of, sum)) if of == writer => sum,
            _ => sums.entry(writer).or_insert_with(|| begin(seq)),
        };
        *sum = go_on(*sum, seq);
        run = Some((writer, sum));
    }
}
