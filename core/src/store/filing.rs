//! Entries put into blocks, and the blocks into groups.

use std::collections::BTreeMap;

use redb::{Table, WriteTransaction};

use super::block::{self, Making, Packing};
use super::filed::Lying;
use super::tables::{self, BLOCKS, GROUPS, Group};
use super::{Bookmark, Error};
use crate::log::id::{Arrival, LogbookId};
use crate::log::stamp::WallMs;

type BlocksWrite<'txn> = Table<'txn, &'static [u8; 24], &'static [u8]>;

/// Blocks under way: those of one stretch of arrivals, logbook by logbook.
pub(super) struct Filing<'txn> {
    pub(super) blocks: BlocksWrite<'txn>,
    packing: Packing,
    making: Making,
    written: Vec<(Arrival, Arrival, LogbookId)>,
    // The last entry of each block, and when it came.
    lasts: BTreeMap<Arrival, (Bookmark, WallMs)>,
}

impl<'txn> Filing<'txn> {
    pub(super) fn begin(txn: &'txn WriteTransaction, packing: Packing) -> Result<Self, Error> {
        Ok(Self {
            blocks: txn.open_table(BLOCKS)?,
            packing,
            making: Making::default(),
            written: Vec::new(),
            lasts: BTreeMap::new(),
        })
    }

    /// Writes entries of one logbook, in order of arrival.
    pub(super) fn write(&mut self, logbook: LogbookId, entries: &[Lying<'_>]) -> Result<(), Error> {
        block::each(
            logbook,
            entries,
            self.packing,
            &mut self.making,
            |entries, row| {
                let (first, last) = (entries[0].arrival, entries[entries.len() - 1]);
                self.blocks.insert(&block::key(logbook, first), row)?;
                self.written.push((first, last.arrival, logbook));
                let last = (last.bookmark(), last.arrived);
                self.lasts.insert(last.0.arrival, last);
                Ok(())
            },
        )
    }

    /// Writes the groups into which these blocks fall.
    pub(super) fn finish(self, txn: &WriteTransaction) -> Result<(), Error> {
        let mut groups = txn.open_table(GROUPS)?;
        for stretch in block::stretches(self.written) {
            let (end, arrived) = self.lasts[&stretch.end];
            let group = Group {
                end,
                arrived,
                logbooks: stretch.logbooks.into_iter().collect(),
            };
            groups.insert(end.arrival.0, tables::group_row(&group).as_slice())?;
        }
        Ok(())
    }
}
