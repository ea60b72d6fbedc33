//! Damaged entries, got again from whoever holds them whole.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use redb::ReadTransaction;

use super::archive::Shelves;
use super::balances::Balancing;
use super::block::{self, Packing};
use super::filed::Filed;
use super::filing::Filing;
use super::ledger::{self, Ledger};
use super::live::Live;
use super::tables::{self, ENTRIES, GROUPS};
use super::{Error, Store, bunch, rebuild};
use crate::log::chain::{Mark, Tip};
use crate::log::codec;
use crate::log::id::{Arrival, LogbookId};
use crate::log::stamp::WallMs;
use crate::log::written::Written;

impl Store {
    /// Returns the entries that are not what was written, by logbook. Where only its number is known
    /// of one, its tip is [`Tip::NONE`], and whatever bears the number is meant.
    ///
    /// # Errors
    /// [`Error::DamagedIndex`] where it cannot be told which they are; [`Error`] where the file cannot
    /// be read.
    pub fn damaged(&self) -> Result<BTreeMap<LogbookId, Vec<Mark>>, Error> {
        let live = self.live();
        let txn = self.db.begin_read()?;
        let shelves = live.shelves(&txn);
        let mut damaged: BTreeMap<LogbookId, Vec<Mark>> = BTreeMap::new();
        let rows = ledger::Kept::of(&txn);
        for logbook in super::reading::logbooks(&rows, &shelves)? {
            let wreck = Wreck::of(logbook, &rows, &shelves)?;
            let missing = wreck.missing(&BTreeMap::new()).0;
            if !missing.is_empty() {
                damaged.insert(logbook, missing);
            }
        }
        for (logbook, mark, _) in damaged_tail(&live, &txn)?.into_values() {
            damaged.entry(logbook).or_default().push(mark);
        }
        Ok(damaged)
    }

    /// Returns the bytes of those of these entries that are held whole, up to `max_bytes` (but at
    /// least one).
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn entries_of(
        &self,
        logbook: LogbookId,
        marks: &[Mark],
        max_bytes: usize,
    ) -> Result<Vec<Vec<u8>>, Error> {
        let reading = self.reading()?;
        let exact: BTreeSet<_> = marks.iter().copied().collect();
        let under = marks.iter().filter(|mark| mark.tip == Tip::NONE);
        let under: BTreeSet<_> = under.map(|mark| (mark.device, mark.seq)).collect();
        let asked = |filed: &Filed| {
            let mark = filed.written.mark();
            exact.contains(&mark) || under.contains(&(mark.device, mark.seq))
        };
        let (mut found, mut bytes) = (Vec::new(), 0);
        let mut take = |filed: &Filed| {
            if asked(filed) && (found.is_empty() || bytes < max_bytes) {
                bytes += filed.written.raw.len();
                if bytes <= max_bytes || found.is_empty() {
                    found.push(filed.written.raw.clone());
                }
            }
        };
        let archive = reading.shelves.of(logbook);
        archive.each_block(|block| {
            let Ok(block) = block else { return Ok(()) };
            if marks
                .iter()
                .any(|mark| block.may_hold(mark.device, mark.seq))
            {
                block.entries().iter().flatten().for_each(&mut take);
            }
            Ok(())
        })?;
        archive.tail().for_each(|filed| take(filed));
        Ok(found)
    }

    /// Puts whole entries in the places of damaged ones; returns how many. What is no such entry is
    /// passed over. When it came is lost with the damage: it is told as when the one before it came.
    ///
    /// # Errors
    /// [`Error::DamagedIndex`] where it cannot be told what is damaged; [`Error`] where the file fails.
    /// Then nothing has changed.
    pub fn mend(&self, logbook: LogbookId, raws: &[Vec<u8>]) -> Result<usize, Error> {
        let offered = raws.iter().filter(|raw| {
            let of = codec::peek(raw).map(|(logbook, _)| logbook);
            of.is_ok_and(|of| of == logbook)
        });
        let offered: BTreeMap<Mark, Written> = offered
            .filter_map(|raw| Written::read(raw.clone()).ok())
            .map(|written| (written.mark(), written))
            .collect();
        let mended = self.mend_tail(logbook, &offered)?;
        Ok(mended + self.mend_blocks(logbook, &offered)?)
    }

    fn mend_tail(
        &self,
        logbook: LogbookId,
        offered: &BTreeMap<Mark, Written>,
    ) -> Result<usize, Error> {
        let mut live = self.live();
        let txn = self.db.begin_read()?;
        let damaged = damaged_tail(&live, &txn)?;
        let txn = self.db.begin_write()?;
        let mut mended = 0;
        {
            let mut entries = txn.open_table(ENTRIES)?;
            for (arrival, (of, mark, row)) in damaged {
                if of != logbook {
                    continue;
                }
                let told = told(&row);
                let under = offered.values().filter(|written| {
                    (written.entry.device, written.entry.seq) == (mark.device, mark.seq)
                });
                // The row's own check says which it was; where that is damaged, too, its neighbours do.
                let fits = |written: &&Written| match told {
                    Some((arrived, check)) => {
                        tables::entry_check(arrival, arrived, &written.raw) == check
                    }
                    None => false,
                };
                let by_check = under.clone().find(fits);
                let by_neighbours = || { under }.find(|written| follows(&live, written));
                let Some(written) = by_check.or_else(by_neighbours) else {
                    continue;
                };
                let arrived = match (by_check, told) {
                    (Some(_), Some((arrived, _))) => arrived,
                    _ => arrived_before(&live, arrival),
                };
                let row = tables::entry_row(arrival, arrived, &written.raw);
                entries.insert(arrival.0, row.as_slice())?;
                mended += 1;
            }
        }
        if mended == 0 {
            txn.abort()?;
            return Ok(0);
        }
        txn.commit()?;
        live.reload(&self.db, self.device())?;
        Ok(mended)
    }

    fn mend_blocks(
        &self,
        logbook: LogbookId,
        offered: &BTreeMap<Mark, Written>,
    ) -> Result<usize, Error> {
        let mut live = self.live();
        let mut read = self.db.begin_read()?;
        let mut shelves = live.shelves(&read);
        let mut wreck = Wreck::of(logbook, &ledger::Kept::of(&read), &shelves)?;
        if !live.bunched.is_empty() && !wreck.missing(offered).1.is_empty() {
            // What is put in the place of another block is a block of its own.
            let txn = self.db.begin_write()?;
            bunch::scatter(&txn)?;
            txn.commit()?;
            live.bunched = Arc::default();
            read = self.db.begin_read()?;
            shelves = live.shelves(&read);
            wreck = Wreck::of(logbook, &ledger::Kept::of(&read), &shelves)?;
        }
        let (still_missing, found) = wreck.missing(offered);
        if found.is_empty() {
            return Ok(0);
        }
        let free = wreck.free(&read, &shelves)?;
        let mut found = in_order(found);
        if free.len() < found.len() {
            return Err(Error::damaged_index("groups"));
        }
        let arrivals = match still_missing.is_empty() {
            true => &free[..found.len()],
            // Those that are not found yet came before them.
            false => &free[free.len() - found.len()..],
        };
        let mended: Vec<Filed> = found
            .drain(..)
            .zip(arrivals)
            .map(|(written, &(arrival, arrived))| Filed {
                arrival,
                arrived,
                written: written.clone(),
            })
            .collect();
        let txn = self.db.begin_write()?;
        {
            // It may be told as having come otherwise from now on.
            Balancing::begin(&txn)?.forget(logbook)?;
            let mut filing = Filing::begin(&txn, Packing::Loose)?;
            if still_missing.is_empty() {
                for key in &wreck.damaged {
                    filing.blocks.remove(key)?;
                }
            }
            // One each where others came between, so that the order of arrivals stays one of blocks.
            let mended: Vec<_> = mended.iter().map(Filed::lying).collect();
            for run in mended.chunk_by(|one, next| next.arrival.0 == one.arrival.0 + 1) {
                filing.write(logbook, run)?;
            }
            if still_missing.is_empty() && all_whole(&filing.blocks)? {
                rebuild::regroup(&txn, &filing.blocks)?;
            }
        }
        txn.commit()?;
        live.reload(&self.db, self.device())?;
        Ok(mended.len())
    }
}

/// Whether every block is whole.
fn all_whole(
    blocks: &impl redb::ReadableTable<&'static [u8; 24], &'static [u8]>,
) -> Result<bool, Error> {
    for row in blocks.iter()? {
        let (key, row) = row?;
        if block::Block::read(key.value(), row.value()).is_err() {
            return Ok(false);
        }
    }
    Ok(true)
}

/// What is left of a logbook's blocks.
struct Wreck {
    logbook: LogbookId,
    /// What its chains came to.
    ledger: Ledger,
    whole: BTreeMap<Mark, Written>,
    arrivals: BTreeSet<Arrival>,
    damaged: Vec<[u8; 24]>,
}

impl Wreck {
    fn of(logbook: LogbookId, rows: &ledger::Kept, shelves: &Shelves) -> Result<Self, Error> {
        let ledger = rows.get(logbook)?;
        let mut wreck = Self {
            logbook,
            ledger: ledger.unwrap_or_default(),
            whole: BTreeMap::new(),
            arrivals: BTreeSet::new(),
            damaged: Vec::new(),
        };
        shelves.of(logbook).each_block(|block| {
            match block.and_then(|block| block.entries()) {
                Ok(entries) => {
                    for filed in entries {
                        wreck.arrivals.insert(filed.arrival);
                        wreck.whole.insert(filed.written.mark(), filed.written);
                    }
                }
                Err(Error::DamagedEntry { arrival }) => {
                    wreck.damaged.push(block::key(logbook, arrival));
                }
                Err(other) => return Err(other),
            }
            Ok(())
        })?;
        Ok(wreck)
    }

    /// Walks every chain back from its end: returns the entries that are missing, and those of the
    /// offered ones that stand in their places, as each entry's follower says.
    fn missing<'a>(
        &self,
        offered: &'a BTreeMap<Mark, Written>,
    ) -> (Vec<Mark>, BTreeMap<Mark, &'a Written>) {
        let (mut missing, mut found) = (Vec::new(), BTreeMap::new());
        for (chain, head) in self.ledger.heads() {
            let branches = self.ledger.branches();
            let (device, first) = (branches.device_of(chain), branches.first(chain));
            // Which entry it must be, as far as what follows it tells.
            let mut tip = Some(head.tip);
            let mut at = Some(head.seq);
            while let Some(seq) = at.filter(|seq| *seq >= first) {
                let mark = tip.map(|tip| Mark { device, seq, tip });
                let under = || {
                    let all = |tip| Mark { device, seq, tip };
                    let range = all(Tip([0; 8]))..=all(Tip([u8::MAX; 8]));
                    self.whole.range(range).next().map(|(_, written)| written)
                };
                let whole = match mark {
                    Some(mark) => self.whole.get(&mark),
                    None => under(),
                };
                let again = mark.and_then(|mark| offered.get(&mark));
                tip = match (whole, again) {
                    (Some(written), _) => Some(written.entry.prev),
                    (None, Some(written)) => {
                        found.insert(written.mark(), written);
                        Some(written.entry.prev)
                    }
                    (None, None) => {
                        let tip = tip.unwrap_or(Tip::NONE);
                        missing.push(Mark { device, seq, tip });
                        None
                    }
                };
                at = seq.previous();
            }
        }
        (missing, found)
    }

    /// The arrivals that no entry has, where damaged blocks lie.
    fn free(
        &self,
        txn: &ReadTransaction,
        shelves: &Shelves,
    ) -> Result<Vec<(Arrival, WallMs)>, Error> {
        let groups = txn.open_table(GROUPS)?;
        let mut free = BTreeMap::new();
        for key in &self.damaged {
            let (_, first) = block::ids(key);
            let group = groups.range(first.0..)?.next().transpose()?;
            let (last, row) = group.ok_or(Error::damaged_index("groups"))?;
            let group = tables::group(last.value(), row.value())?;
            let mut taken = self.arrivals.clone();
            for logbook in &group.logbooks {
                if *logbook == self.logbook {
                    continue;
                }
                shelves.of(*logbook).each_block(|block| {
                    // Of one that is damaged nobody can tell which it had.
                    let block = block.ok().filter(|block| block.first <= group.end.arrival);
                    let arrivals = block.iter().flat_map(|block| &block.arrivals);
                    taken.extend(arrivals.map(|(arrival, _)| *arrival));
                    Ok(())
                })?;
            }
            let next = self.damaged.iter().map(|key| block::ids(key).1);
            let end = { next }.filter(|next| *next > first).min();
            let end = end.map_or(group.end.arrival.0, |next| next.0 - 1);
            let end = end.min(group.end.arrival.0);
            let here = (first.0..=end).map(Arrival);
            free.extend(
                here.filter(|arrival| !taken.contains(arrival))
                    .map(|arrival| (arrival, group.arrived)),
            );
        }
        Ok(free.into_iter().collect())
    }
}

/// Puts entries into an order in which each follows what its writer had seen.
fn in_order(mut left: BTreeMap<Mark, &Written>) -> Vec<&Written> {
    let mut order = Vec::with_capacity(left.len());
    while !left.is_empty() {
        let ready = left.values().find(|written| {
            let entry = &written.entry;
            let before = entry.seq.previous().map(|seq| Mark {
                device: entry.device,
                seq,
                tip: entry.prev,
            });
            let named = entry.changes.iter().filter_map(|change| change.of());
            let mut causes = before.into_iter().chain(entry.gained.iter().copied());
            !causes.any(|cause| left.contains_key(&cause))
                && !{ named }.any(|named| left.contains_key(&named))
        });
        let Some(next) = ready.map(|written| written.mark()) else {
            break; // hashes make no circles
        };
        order.extend(left.remove(&next));
    }
    order
}

/// What a damaged row of the last entries still says of which it was: logbook and mark without tip;
/// and the row.
type Remains = (LogbookId, Mark, Vec<u8>);

fn damaged_tail(live: &Live, txn: &ReadTransaction) -> Result<BTreeMap<Arrival, Remains>, Error> {
    let entries = txn.open_table(ENTRIES)?;
    let mut remains = BTreeMap::new();
    for &arrival in &live.damaged {
        let row = entries.get(arrival.0)?;
        let Some(row) = row.map(|row| row.value().to_vec()) else {
            continue;
        };
        let raw = row.get(16..).unwrap_or_default();
        let (Ok((logbook, _)), Ok(mark)) = (codec::peek(raw), codec::mark(raw)) else {
            return Err(Error::damaged_index("entries"));
        };
        let tip = Tip::NONE;
        remains.insert(arrival, (logbook, Mark { tip, ..mark }, row));
    }
    Ok(remains)
}

/// When a row says that its entry came, and its check.
fn told(row: &[u8]) -> Option<(WallMs, [u8; 8])> {
    let (arrived, rest) = row.split_first_chunk::<8>()?;
    let (check, _) = rest.split_first_chunk::<8>()?;
    Some((WallMs::new(u64::from_be_bytes(*arrived)), *check))
}

/// Whether one of the last entries says of itself that it follows this one.
fn follows(live: &Live, written: &Written) -> bool {
    let entry = &written.entry;
    live.tail.iter().any(|lying| {
        let next = lying.view();
        next.logbook == entry.logbook
            && next.device == entry.device
            && next.seq == entry.seq.next()
            && next.prev == written.tip
    })
}

fn arrived_before(live: &Live, arrival: Arrival) -> WallMs {
    let before = live.tail.iter().rev();
    let before = { before }.find(|lying| lying.arrival < arrival);
    before.map_or(WallMs::new(0), |lying| lying.arrived)
}
