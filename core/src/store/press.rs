//! What came long ago, out of many small blocks into few that are packed tight: about a quarter of the
//! bytes. The entries stay what they are, and are read, verified and given on as before.

use std::collections::BTreeSet;
use std::sync::Arc;

use redb::ReadableTable;

use super::archive::Shelves;
use super::balances::Balancing;
use super::block::{self, Packing};
use super::bunch::{self, Bunched};
use super::filed::Filed;
use super::filing::Filing;
use super::ledger;
use super::live::Live;
use super::tables::{self, GROUPS, IDENTITY};
use super::unsorted::Unsorted;
use super::writing::Writing;
use super::{Error, Store};
use crate::log::id::{Arrival, LogbookId};
use crate::log::stamp::WallMs;

/// How many entries are packed at once. Whoever reads on from a bookmark among them unpacks all.
const AT_ONCE: u64 = 32_768;
/// The same at the end of a season: fewer and fuller blocks, and few bookmarks among them.
const A_SEASON: u64 = 8 * AT_ONCE;
/// How many entries stay as they are: peers that call now and then have their bookmarks there.
const LATELY: u64 = 16_384;
/// How many logbooks are balanced in one transaction.
const BALANCED: usize = 16;

impl Store {
    /// Packs tight what came long ago, once there is enough of it. Returns how many entries it was.
    ///
    /// # Errors
    /// [`Error::DamagedEntry`] where an entry is not what was written; [`Error`] where the file fails.
    /// Then nothing that anyone is told has changed.
    pub fn press(&self) -> Result<u64, Error> {
        let mut pressed = 0;
        loop {
            match self.press_once(LATELY, AT_ONCE, AT_ONCE)? {
                0 => return Ok(pressed),
                more => pressed += more,
            }
        }
    }

    /// Packs tight everything that came so far, as when a season ends. Returns how many entries it
    /// was.
    ///
    /// # Errors
    /// Those of [`Self::press`].
    pub fn press_all(&self) -> Result<u64, Error> {
        if !self.live().tail.is_empty() {
            Writing::begin(self, WallMs::new(0))?.settle()?;
        }
        let mut pressed = 0;
        loop {
            match self.press_once(0, 1, A_SEASON)? {
                0 => return Ok(pressed),
                more => pressed += more,
            }
        }
    }

    /// Gives room in the file that nothing needs any more back to the disk.
    ///
    /// # Errors
    /// [`Error`] where the file fails. Then nothing is lost.
    pub fn give_back_room(&mut self) -> Result<(), Error> {
        self.db.for_writing()?.compact()?;
        Ok(())
    }

    /// Packs the groups that follow those packed before: up to `most` entries, but none of the last
    /// `keep`, and only if at least so many came since.
    pub(super) fn press_once(&self, keep: u64, least: u64, most: u64) -> Result<u64, Error> {
        let mut live = self.live(); // and nobody else writes meanwhile
        let read = self.db.begin_read()?;
        let pressed = tables::word_if_any(&read.open_table(IDENTITY)?, "pressed")?;
        let groups = read.open_table(GROUPS)?;
        let before = groups.range(..=pressed.unwrap_or(0))?.next_back();
        let pressed = before.transpose()?.map_or(0, |(end, _)| end.value());
        let (mut logbooks, mut ends, mut end) = (BTreeSet::new(), Vec::new(), pressed);
        let last = groups.last()?.map_or(0, |(last, _)| last.value());
        if last.saturating_sub(pressed + keep) < least {
            return Ok(0);
        }
        for row in groups.range(pressed + 1..)? {
            let (to, row) = row?;
            let to = to.value();
            let too_many = to - pressed > most && !ends.is_empty();
            if too_many || to + keep > last {
                break;
            }
            logbooks.extend(tables::group(to, row.value())?.logbooks);
            ends.push(to);
            end = to;
        }
        if end == pressed {
            return Ok(0);
        }
        let shelves = live.shelves(&read);
        let txn = self.db.begin_write()?;
        let mut packed = 0;
        let bunched = {
            let mut filing = Filing::begin(&txn, Packing::Tight)?;
            for logbook in &logbooks {
                let entries = take_out(&mut filing.blocks, &shelves, *logbook, (pressed, end))?;
                packed += entries.len() as u64;
                filing.write(
                    *logbook,
                    &entries.iter().map(Filed::lying).collect::<Vec<_>>(),
                )?;
            }
            let mut groups = txn.open_table(GROUPS)?;
            for end in ends {
                groups.remove(end)?;
            }
            drop(groups);
            filing.finish(&txn)?;
            let mut identity = txn.open_table(IDENTITY)?;
            identity.insert("pressed", end.to_be_bytes().as_slice())?;
            drop(identity);
            Unsorted::sort_all(&txn)?;
            match live.bunched.is_empty() {
                true => Bunched::default(),
                false => bunch::forget(&txn, &live.bunched, Arrival(end))?,
            }
        };
        txn.commit()?;
        live.bunched = Arc::new(bunched);
        live.unsorted = Some(Arc::default());
        // By itself, so that the room of what was packed is free again.
        drop((shelves, groups, read));
        self.balance(&mut live, &logbooks, Arrival(end))?;
        Ok(packed)
    }

    /// Brings the balances of these logbooks up to an arrival up to which all is packed tight: some at a
    /// time, so that what one transaction leaves is room for the next. Where that fails, or is cut off, they
    /// are brought up with what is packed next, and are right until then.
    fn balance(
        &self,
        live: &mut Live,
        logbooks: &BTreeSet<LogbookId>,
        to: Arrival,
    ) -> Result<(), Error> {
        let logbooks: Vec<_> = logbooks.iter().copied().collect();
        for some in logbooks.chunks(BALANCED) {
            let read = self.db.begin_read()?;
            let shelves = live.shelves(&read);
            let rows = ledger::Kept::of(&read);
            let txn = self.db.begin_write()?;
            {
                let mut balancing = Balancing::begin(&txn)?;
                for &logbook in some {
                    match live.ledger(logbook, &shelves, &rows)?.branches().is_empty() {
                        true => balancing.bring_up(logbook, &shelves, to)?,
                        false => balancing.forget(logbook)?,
                    }
                }
            }
            txn.commit()?;
            live.balanced();
        }
        Ok(())
    }
}

/// Takes a logbook's blocks of this stretch of arrivals, as they are before the write, out of the table;
/// returns what is in them and in bunches.
fn take_out(
    blocks: &mut redb::Table<'_, &'static [u8; 24], &'static [u8]>,
    before: &Shelves,
    logbook: LogbookId,
    (after, to): (u64, u64),
) -> Result<Vec<Filed>, Error> {
    let mut entries = Vec::new();
    let within = (Arrival(after), Arrival(to));
    before.of(logbook).each_block_within(within, |block| {
        entries.append(&mut block.entries()?);
        Ok(())
    })?;
    let (from, to) = (
        block::key(logbook, Arrival(after + 1)),
        block::key(logbook, Arrival(to)),
    );
    blocks.retain_in::<&[u8; 24], _>(&from..=&to, |_, _| false)?;
    Ok(entries)
}
