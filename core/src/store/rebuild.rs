//! What follows from the entries, made again from them.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use redb::{ReadableTable, WriteTransaction};

use super::balances::Balancing;
use super::block::{self, Block, Reach};
use super::bunch;
use super::filed::Filed;
use super::ledger::{self, Ledger};
use super::tables::{self, BALANCES, BLOCKS, GROUPS, Group, HISTORIES, IDENTITY};
use super::unsorted::Unsorted;
use super::{Error, Store};
use crate::log::chain::Link;
use crate::log::id::{Arrival, DeviceId, LogbookId};

/// What a rebuild went through.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Rebuilt {
    /// Entries replayed.
    pub entries: u64,
    /// Fields that hold a value afterwards.
    pub fields: u64,
    /// Observations kept afterwards.
    pub observations: u64,
}

impl Store {
    /// Throws away everything that follows from the entries and makes it again, in one transaction.
    ///
    /// # Errors
    /// [`Error::DamagedEntry`] where an entry is not what was written; [`Error`] where the file
    /// fails. Then nothing has changed.
    pub fn rebuild(&self) -> Result<Rebuilt, Error> {
        self.rebuild_rows()?;
        let mut rebuilt = Rebuilt {
            entries: 0,
            fields: 0,
            observations: 0,
        };
        for logbook in self.logbooks()? {
            rebuilt.entries += self.count(logbook)?;
            let state = self.state(logbook)?;
            rebuilt.fields += state.registers().count() as u64;
            rebuilt.observations += state.all_observations().count() as u64;
        }
        Ok(rebuilt)
    }

    fn rebuild_rows(&self) -> Result<(), Error> {
        let mut live = self.live();
        live.whole()?;
        let txn = self.db.begin_write()?;
        ledger::Rows::forget_all(&txn)?;
        txn.delete_table(BALANCES)?;
        bunch::scatter(&txn)?;
        txn.delete_table(HISTORIES)?;
        Unsorted::sort_all(&txn)?;
        let rows = txn.open_table(BLOCKS)?;
        let groups = regroup(&txn, &rows)?;
        {
            let mut ledgers = ledger::Rows::open(&txn)?;
            let mut balancing = Balancing::begin(&txn)?;
            let pressed = tables::word_if_any(&txn.open_table(IDENTITY)?, "pressed")?;
            let pressed = Arrival(pressed.unwrap_or(0));
            // Blocks that are packed tight stay as they are.
            let blocks = live.shelves(&self.db.begin_read()?);
            let logbooks = groups.iter().flat_map(|group| &group.logbooks);
            for logbook in logbooks.collect::<BTreeSet<_>>() {
                let mut ledger = ledger_of(&rows, *logbook)?;
                ledgers.keep(*logbook, &mut ledger)?;
                if ledger.branches().is_empty() {
                    balancing.bring_up(*logbook, &blocks, pressed)?;
                }
            }
        }
        drop(rows);
        txn.commit()?;
        live.bunched = Arc::default();
        live.unsorted = Some(Arc::default());
        live.forget();
        Ok(())
    }
}

/// Makes the table of groups again.
pub(super) fn regroup(
    txn: &WriteTransaction,
    rows: &impl ReadableTable<&'static [u8; 24], &'static [u8]>,
) -> Result<Vec<Group>, Error> {
    txn.delete_table(GROUPS)?;
    let groups = groups(|with| each_of(rows, with))?;
    let mut table = txn.open_table(GROUPS)?;
    for group in &groups {
        table.insert(group.end.arrival.0, tables::group_row(group).as_slice())?;
    }
    Ok(groups)
}

/// What takes a block's key and row, and where the stretch begins that came with it.
pub(super) type Taker<'t> = dyn FnMut(Arrival, &[u8; 24], &[u8]) -> Result<(), Error> + 't;

/// Does `with` each block of a table.
pub(super) fn each_of(
    rows: &impl ReadableTable<&'static [u8; 24], &'static [u8]>,
    with: &mut Taker<'_>,
) -> Result<(), Error> {
    for row in rows.iter()? {
        let (key, row) = row?;
        let (_, first) = block::ids(key.value());
        with(first, key.value(), row.value())?;
    }
    Ok(())
}

/// The groups into which the blocks fall that `each` tells. It does so twice: which block ends a group shows
/// when all are known, and only of those the last entry is unpacked.
pub(super) fn groups(
    each: impl Fn(&mut Taker<'_>) -> Result<(), Error>,
) -> Result<Vec<Group>, Error> {
    let mut blocks = Vec::new();
    each(&mut |from, key, row| {
        blocks.push(Reach::read(from, key, row)?);
        Ok(())
    })?;
    let stretches = block::grouped(blocks);
    let last_blocks = stretches
        .iter()
        .map(|stretch| block::key(stretch.of_last, stretch.first_of_last));
    let mut lasts: BTreeMap<_, Option<Filed>> = last_blocks.map(|key| (key, None)).collect();
    each(&mut |_, key, row| {
        if let Some(last) = lasts.get_mut(key) {
            *last = Block::read(key, row)?.entries()?.pop();
        }
        Ok(())
    })?;
    stretches
        .into_iter()
        .map(|stretch| {
            let key = block::key(stretch.of_last, stretch.first_of_last);
            let last = lasts.remove(&key).flatten();
            let last = last.ok_or(Error::damaged_index("blocks"))?;
            Ok(Group {
                end: last.bookmark(),
                arrived: last.arrived,
                logbooks: stretch.logbooks.into_iter().collect(),
            })
        })
        .collect()
}

/// What the entries of a logbook's blocks come to.
fn ledger_of(
    rows: &impl ReadableTable<&'static [u8; 24], &'static [u8]>,
    logbook: LogbookId,
) -> Result<Ledger, Error> {
    let mut links: BTreeMap<DeviceId, Link> = BTreeMap::new();
    let mut ledger = Ledger::beginning();
    let mut goes_on = true;
    each_settled(rows, logbook, |block| {
        if !goes_on {
            return Ok(());
        }
        for filed in block.entries()? {
            let device = filed.written.entry.device;
            let link = links
                .entry(device)
                .or_insert_with(|| Link::origin(logbook, device));
            *link = link.after(&filed.written.raw);
            let taken = ledger.take_next(&filed.written.view(), filed.arrival, *link);
            goes_on = goes_on && matches!(taken, Ok(true));
        }
        Ok(())
    })?;
    if goes_on {
        return Ok(ledger);
    }
    // Where chains have branches, or an entry is missing, all of them are walked together.
    Ok(Ledger::walk(logbook, settled(rows, logbook)?.iter())?.ledger)
}

/// The entries of a logbook's blocks, in order of arrival.
pub(super) fn settled(
    rows: &impl ReadableTable<&'static [u8; 24], &'static [u8]>,
    logbook: LogbookId,
) -> Result<Vec<Filed>, Error> {
    let mut all = Vec::new();
    each_settled(rows, logbook, |block| {
        all.append(&mut block.entries()?);
        Ok(())
    })?;
    Ok(all)
}

fn each_settled(
    rows: &impl ReadableTable<&'static [u8; 24], &'static [u8]>,
    logbook: LogbookId,
    mut with: impl FnMut(Block<'_>) -> Result<(), Error>,
) -> Result<(), Error> {
    let (from, to) = tables::range::<24>(&[logbook.bytes()]);
    for row in rows.range::<&[u8; 24]>(&from..=&to)? {
        let (key, row) = row?;
        with(Block::read(key.value(), row.value())?)?;
    }
    Ok(())
}
