//! Everything as it stood at one moment, whatever is written meanwhile.

use std::collections::BTreeSet;
use std::sync::Arc;

use redb::ReadTransaction;

use super::archive::Shelves;
use super::filed::{Filed, Lying};
use super::ledger::{self, Ledger};
use super::live::{self, Live};
use super::tables::{self, GROUPS, Group, SHEAVES};
use super::unsorted::Unsorted;
use super::{Bookmark, Error, Store};
use crate::log::chain::{self, Held};
use crate::log::id::{Arrival, DeviceId, LogbookId, Seq};
use crate::log::stamp::WallMs;

/// Everything as it stood at one moment.
pub(super) struct Reading<'s> {
    store: &'s Store,
    pub(super) txn: Arc<ReadTransaction>,
    pub(super) shelves: Shelves,
    rows: ledger::Kept,
    pub(super) last: Bookmark,
    pub(super) balances: Arc<()>,
    unsorted: Option<Arc<Unsorted>>,
}

impl Store {
    pub(super) fn reading(&self) -> Result<Reading<'_>, Error> {
        let live = self.live();
        live.whole()?;
        let txn = self.db.begin_read()?;
        Ok(Reading {
            store: self,
            shelves: live.shelves(&txn),
            rows: ledger::Kept::of(&txn),
            last: live.last.bookmark,
            balances: Arc::clone(&live.balances),
            unsorted: live.unsorted.clone(),
            txn,
        })
    }
}

impl Reading<'_> {
    /// Returns what a logbook's chains come to.
    pub(super) fn ledger(&self, logbook: LogbookId) -> Result<Arc<Ledger>, Error> {
        let mut live = self.store.live();
        if live.last.bookmark == self.last {
            return live.ledger(logbook, &self.shelves, &self.rows);
        }
        drop(live);
        // Something was written since: the ledger as it was then.
        live::ledger_of(logbook, &self.shelves, &self.rows).map(Arc::new)
    }

    /// Returns the same, with the ids that the entries name.
    pub(super) fn ledger_and_ids(&self, logbook: LogbookId) -> Result<Arc<Ledger>, Error> {
        let mut live = self.store.live();
        if live.last.bookmark == self.last {
            return live.ledger_and_ids(logbook, &self.shelves, &self.rows);
        }
        drop(live);
        let mut ledger = live::ledger_of(logbook, &self.shelves, &self.rows)?;
        if !ledger.tells_ids() {
            live::tell_ids(&mut ledger, logbook, &self.shelves)?;
        }
        Ok(Arc::new(ledger))
    }

    /// Returns the seals that are not sorted.
    pub(super) fn unsorted(&self) -> Result<Arc<Unsorted>, Error> {
        match &self.unsorted {
            Some(unsorted) => Ok(Arc::clone(unsorted)),
            None => Ok(Arc::new(Unsorted::read(&self.txn.open_table(SHEAVES)?)?)),
        }
    }

    /// Returns the stretches of arrivals that begin after this one, and the arrival before each; the
    /// first of them may have begun earlier.
    fn groups(
        &self,
        after: Arrival,
    ) -> Result<impl Iterator<Item = Result<(Arrival, Group), Error>>, Error> {
        let groups = self.txn.open_table(GROUPS)?;
        let before = groups.range(..=after.0)?.next_back().transpose()?;
        let mut before = Arrival(before.map_or(0, |(last, _)| last.value()));
        let rows = groups.range(after.0 + 1..)?;
        Ok(rows.map(move |row| {
            let (last, row) = row?;
            let group = tables::group(last.value(), row.value())?;
            Ok((core::mem::replace(&mut before, group.end.arrival), group))
        }))
    }

    /// Does `with` each entry that came after an arrival and is wanted, in order, until it says no;
    /// returns whether it never did. Of logbooks that are not `covered`, if some are, none is looked at.
    pub(super) fn since(
        &self,
        after: Arrival,
        covered: Option<&BTreeSet<LogbookId>>,
        wanted: &dyn Fn(LogbookId, DeviceId) -> bool,
        mut with: impl FnMut(&Lying<'_>) -> bool,
    ) -> Result<bool, Error> {
        let is_covered =
            |logbook: &LogbookId| covered.is_none_or(|covered| covered.contains(logbook));
        for group in self.groups(after)? {
            let (before, group) = group?;
            let mut came = Vec::new();
            for logbook in group.logbooks.iter().filter(|logbook| is_covered(logbook)) {
                let within = (before, group.end.arrival);
                self.shelves
                    .of(*logbook)
                    .each_block_within(within, |block| {
                        let of_anyone =
                            |(device, ..): &(DeviceId, Seq, Seq)| wanted(*logbook, *device);
                        if block.last() > after && block.spans.iter().any(of_anyone) {
                            let wanted = block.entries()?.into_iter().filter(|filed| {
                                let entry = &filed.written.entry;
                                filed.arrival > after && wanted(entry.logbook, entry.device)
                            });
                            came.extend(wanted);
                        }
                        Ok(())
                    })?;
            }
            came.sort_unstable_by_key(|filed| filed.arrival);
            if !came.iter().all(|filed| with(&filed.lying())) {
                return Ok(false);
            }
        }
        let mut tail = self.shelves.tail().after(after).filter(|lying| {
            let (logbook, device, _) = lying.raw.place();
            is_covered(&logbook) && wanted(logbook, device)
        });
        Ok(tail.all(|lying| with(&lying)))
    }

    /// Returns all logbooks of which anything is held.
    pub(super) fn logbooks(&self) -> Result<BTreeSet<LogbookId>, Error> {
        let is_now = |live: &Live| live.last.bookmark == self.last;
        let live = self.store.live();
        if let Some(logbooks) = live.logbooks.as_ref().filter(|_| is_now(&live)) {
            return Ok(logbooks.clone());
        }
        drop(live);
        let logbooks = logbooks(&self.rows, &self.shelves)?;
        let mut live = self.store.live();
        if is_now(&live) {
            live.logbooks = Some(logbooks.clone());
        }
        Ok(logbooks)
    }

    /// Returns the bookmark at an arrival, if an entry came then.
    pub(super) fn bookmark_at(&self, arrival: Arrival) -> Result<Option<Bookmark>, Error> {
        let Some(before) = arrival.0.checked_sub(1).map(Arrival) else {
            return Ok(None);
        };
        let next = self.shelves.tail().after(before).next();
        if let Some(found) = next.filter(|next| next.arrival == arrival) {
            return Ok(Some(found.bookmark()));
        }
        let Some((after, group)) = self.groups(before)?.next().transpose()? else {
            return Ok(None);
        };
        if group.end.arrival == arrival {
            return Ok(Some(group.end));
        }
        let mut found = None;
        for logbook in &group.logbooks {
            let within = (after, group.end.arrival);
            self.shelves
                .of(*logbook)
                .each_block_within(within, |block| {
                    let is_here = |(at, _): &(Arrival, WallMs)| *at == arrival;
                    if block.arrivals.iter().any(is_here) {
                        let entries = block.entries()?;
                        let here = entries.iter().find(|filed| filed.arrival == arrival);
                        found = here.map(Filed::bookmark);
                    }
                    Ok(())
                })?;
            if found.is_some() {
                break;
            }
        }
        Ok(found)
    }

    /// Returns a digest of what is held of these logbooks. The last one is at hand: of those who meet, many
    /// bring nothing new and carry the same.
    pub(super) fn held(&self, covered: &BTreeSet<LogbookId>) -> Result<Held, Error> {
        let is_now = |live: &Live| live.last.bookmark == self.last;
        let live = self.store.live();
        if let Some((of, held)) = live.held.as_ref().filter(|_| is_now(&live))
            && of == covered
        {
            return Ok(*held);
        }
        drop(live);
        let mut ledgers = Vec::with_capacity(covered.len());
        for logbook in covered {
            ledgers.push(self.ledger(*logbook)?);
        }
        let many = ledgers.iter().map(|ledger| ledger.heads().len()).sum();
        let mut chains = Vec::with_capacity(many);
        for (logbook, ledger) in covered.iter().zip(&ledgers) {
            for (chain, head) in ledger.heads() {
                let mut ids = [0; 32];
                ids[..16].copy_from_slice(logbook.bytes());
                ids[16..].copy_from_slice(chain.bytes());
                // A link follows from all entries before it, so device and link say everything.
                chains.push((ids, head.link));
            }
        }
        let held = chain::held(&chains);
        let mut live = self.store.live();
        if is_now(&live) && !covered.is_empty() {
            live.held = Some((covered.clone(), held));
        }
        Ok(held)
    }

    /// Sees to it that no entry of a logbook is missing: a row that is gone has no check.
    pub(super) fn all_there(&self, logbook: LogbookId, found: u64) -> Result<(), Error> {
        let expected = self.ledger(logbook)?.entries();
        if expected == found {
            Ok(())
        } else {
            Err(Error::damaged_index("ledgers"))
        }
    }
}

/// All logbooks of which at least one entry is held.
pub(super) fn logbooks(
    rows: &ledger::Kept,
    shelves: &Shelves,
) -> Result<BTreeSet<LogbookId>, Error> {
    let tail = shelves.tail().iter();
    let mut logbooks: BTreeSet<_> = tail.map(|lying| lying.logbook()).collect();
    for logbook in rows.logbooks()? {
        logbooks.insert(logbook?);
    }
    Ok(logbooks)
}
