//! Entries put into blocks, and the blocks into groups.

use std::collections::BTreeMap;

use redb::{Table, WriteTransaction};

use super::block::{self, Making, Packing, Reach};
use super::bunch::{Arrivals, Bunching};
use super::filed::Lying;
use super::tables::{self, BLOCKS, GROUPS, Group};
use super::{Bookmark, Error};
use crate::log::id::{Arrival, LogbookId};
use crate::log::stamp::WallMs;

type BlocksWrite<'txn> = Table<'txn, &'static [u8; 24], &'static [u8]>;

/// Blocks under way: those of one stretch of arrivals, logbook by logbook.
pub(super) struct Filing<'txn> {
    pub(super) blocks: BlocksWrite<'txn>,
    bunching: Option<Bunching<'txn>>,
    packing: Packing,
    making: Making,
    written: Vec<Reach>,
    // The last entry of each block, and when it came.
    lasts: BTreeMap<Arrival, (Bookmark, WallMs)>,
}

impl<'txn> Filing<'txn> {
    pub(super) fn begin(txn: &'txn WriteTransaction, packing: Packing) -> Result<Self, Error> {
        Ok(Self {
            blocks: txn.open_table(BLOCKS)?,
            bunching: None,
            packing,
            making: Making::default(),
            written: Vec::new(),
            lasts: BTreeMap::new(),
        })
    }

    /// Begins loose blocks of a stretch, each in a bunch.
    pub(super) fn begin_bunches(
        txn: &'txn WriteTransaction,
        stretch: Arrivals,
    ) -> Result<Self, Error> {
        Ok(Self {
            bunching: Some(Bunching::begin(txn, stretch)?),
            ..Self::begin(txn, Packing::Loose)?
        })
    }

    /// Writes entries of one logbook, in order of arrival; where they go into bunches, logbook by logbook.
    pub(super) fn write(&mut self, logbook: LogbookId, entries: &[Lying<'_>]) -> Result<(), Error> {
        block::each(
            logbook,
            entries,
            self.packing,
            &mut self.making,
            |entries, row| {
                let (first, last) = (entries[0].arrival, entries[entries.len() - 1]);
                match &mut self.bunching {
                    Some(bunching) => bunching.put(logbook, first, row)?,
                    None => drop(self.blocks.insert(&block::key(logbook, first), row)?),
                }
                let from = self.bunching.as_ref().map_or(first, Bunching::from);
                self.written.push(Reach {
                    from,
                    last: last.arrival,
                    first,
                    logbook,
                });
                let last = (last.bookmark(), last.arrived);
                self.lasts.insert(last.0.arrival, last);
                Ok(())
            },
        )
    }

    /// Writes the groups into which these blocks fall; returns the stretch that lies in bunches, if one does.
    pub(super) fn finish(self, txn: &WriteTransaction) -> Result<Option<Arrivals>, Error> {
        let bunched = self.bunching.map(Bunching::finish).transpose()?;
        let mut groups = txn.open_table(GROUPS)?;
        for stretch in block::grouped(self.written) {
            let (end, arrived) = self.lasts[&stretch.end];
            let group = Group {
                end,
                arrived,
                logbooks: stretch.logbooks.into_iter().collect(),
            };
            groups.insert(end.arrival.0, tables::group_row(&group).as_slice())?;
        }
        Ok(bunched)
    }
}
