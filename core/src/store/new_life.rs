//! A new life for a device whose store was copied or put back: what it wrote after the copy is set
//! aside, and entered again under a new device id once the other branch is here.
//!
//! Two stores with one device id sooner or later write two different entries in one place. The
//! branch that the hub has stays as it is. The other device takes a new id, so that places are
//! its own again; nothing that it wrote is lost, and nothing that both branches share is entered
//! twice.

use std::collections::{BTreeMap, BTreeSet};

use redb::ReadableTable;

use super::fold::{Slot, Tables};
use super::tables::{self, IDENTITY, PEERS, SET_ASIDE, WAITING};
use super::{Error, Store, rebuild};
use crate::log::chain;
use crate::log::codec;
use crate::log::entry::{Change, Entry};
use crate::log::id::{Arrival, DeviceId, LogbookId, Place, Seq};
use crate::log::stamp::WallMs;
use crate::log::vector::VersionVector;

/// For each logbook with a fork, the last entry of this store's device on which both branches
/// agree.
pub type Agreed = BTreeMap<LogbookId, Option<Seq>>;

/// What became of the entries that were set aside.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct ReentryOutcome {
    /// Entered again under the new device id.
    pub entered: usize,
    /// Turned out to be in the other branch, too.
    pub shared: usize,
    /// Still waiting for entries that are not here yet.
    pub waiting: usize,
}

/// The ids of a new life.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct NewLife {
    /// The device that writes from now on.
    pub device: DeviceId,
    /// The device under which the former life's work is entered again: one of its own, since what
    /// is written meanwhile had not seen it, nor it that.
    pub former_work: DeviceId,
}

impl Store {
    /// Begins a new life under another device id: sets aside what this store's device wrote after
    /// the branches part, and whatever had seen that. Returns how many entries were set aside.
    ///
    /// # Errors
    /// [`Error`] where the file fails; then nothing has changed.
    pub fn begin_new_life(&mut self, new: NewLife, agreed: &Agreed) -> Result<usize, Error> {
        let txn = self.db.begin_write()?;
        let mut moved = 0;
        {
            let mut tables = Tables::open(&txn)?;
            let mut aside = txn.open_table(SET_ASIDE)?;
            let mut waiting = txn.open_table(WAITING)?;
            let mut number = aside.last()?.map_or(0, |(key, _)| key.value());
            let mut tainted = BTreeSet::new();
            let mut from = 0;
            while let Some((arrival, row)) = tables.entry_from(from)? {
                from = arrival.0 + 1;
                let (arrived, raw) = tables::entry_parts(arrival, &row)?;
                let entry = codec::decode(raw)?;
                if !self.parts_ways(&entry, agreed, &mut tainted) {
                    continue;
                }
                number += 1;
                let row = tables::entry_row(Arrival(number), arrived, raw);
                aside.insert(number, row.as_slice())?;
                waiting.insert(number, ())?;
                tables.take_out(arrival)?;
                moved += 1;
            }
        }
        rebuild::refold(&txn)?;
        // Arrivals have moved, so no mark of a peer stands any more.
        txn.delete_table(PEERS)?;
        txn.open_table(PEERS)?;
        {
            let mut identity = txn.open_table(IDENTITY)?;
            let former = identity.get("former")?.map(|row| row.value().to_vec());
            let mut former = former.unwrap_or_default();
            former.extend_from_slice(self.device.bytes());
            former.extend_from_slice(new.former_work.bytes());
            identity.insert("former", former.as_slice())?;
            identity.insert("device", new.device.bytes().as_slice())?;
        }
        txn.commit()?;
        self.device = new.device;
        Ok(moved)
    }

    /// Whether an entry belongs to the branch that is set aside: this device's own from where the
    /// branches part, and each other device's from where it had seen one of those.
    fn parts_ways(
        &self,
        entry: &Entry,
        agreed: &Agreed,
        tainted: &mut BTreeSet<(LogbookId, DeviceId)>,
    ) -> bool {
        let Some(last) = agreed.get(&entry.logbook) else {
            return false;
        };
        let beyond = |seq: Seq| last.is_none_or(|last| seq > last);
        let own = entry.device == self.device && beyond(entry.seq);
        if entry.gained.last(self.device).is_some_and(beyond) {
            tainted.insert((entry.logbook, entry.device));
        }
        own || tainted.contains(&(entry.logbook, entry.device))
    }

    /// Enters again what was set aside of this store's former lives, each entry with the time, the
    /// person and the knowledge that it had; and takes back others' entries as far as all that
    /// they had seen is here. To be called after an exchange that brought the other branch.
    ///
    /// # Errors
    /// [`Error`] where the file fails; then nothing has changed.
    pub fn reenter(&self, now: WallMs) -> Result<ReentryOutcome, Error> {
        let txn = self.db.begin_write()?;
        let mut outcome = ReentryOutcome::default();
        {
            let former = txn.open_table(IDENTITY)?;
            let former = former
                .get("former")?
                .map(|row| row.value().to_vec())
                .unwrap_or_default();
            let ids = former.as_chunks::<16>().0;
            let pair = |pair: &[[u8; 16]; 2]| pair.map(DeviceId::from_bytes).into();
            let former = ids.as_chunks::<2>().0.iter().map(pair).collect();
            let mut reentry = Reentry {
                former,
                tables: Tables::open(&txn)?,
                knew: BTreeMap::new(),
                held_up: BTreeSet::new(),
                now,
            };
            let aside = txn.open_table(SET_ASIDE)?;
            let mut waiting = txn.open_table(WAITING)?;
            // All of them, since what a device knew is the sum over its entries.
            for row in aside.iter()? {
                let (number, row) = row?;
                let (_, raw) = tables::entry_parts(Arrival(number.value()), row.value())?;
                let entry = codec::decode(raw)?;
                let knew = reentry.knowledge_of(&entry)?;
                if waiting.get(number.value())?.is_none() {
                    continue;
                }
                match reentry.one(&entry, raw, knew)? {
                    Fate::Entered => outcome.entered += 1,
                    Fate::Shared => outcome.shared += 1,
                    Fate::Waits => {
                        outcome.waiting += 1;
                        continue;
                    }
                }
                waiting.remove(number.value())?;
            }
            reentry.tables.finish()?;
        }
        txn.commit()?;
        Ok(outcome)
    }
}

enum Fate {
    Entered,
    Shared,
    Waits,
}

struct Reentry<'txn> {
    // Each former device, and the one under which its work is entered again.
    former: BTreeMap<DeviceId, DeviceId>,
    tables: Tables<'txn>,
    // What each former device knew up to the entry that was last looked at.
    knew: BTreeMap<(LogbookId, DeviceId), VersionVector>,
    // Chains of which an entry waits: those after it wait, too.
    held_up: BTreeSet<(LogbookId, DeviceId)>,
    now: WallMs,
}

impl Reentry<'_> {
    /// What the writer of an own entry knew, the entries that both branches share among it; of
    /// another device's entry it need not be known.
    fn knowledge_of(&mut self, entry: &Entry) -> Result<Option<VersionVector>, Error> {
        if !self.former.contains_key(&entry.device) {
            return Ok(None);
        }
        let chain = (entry.logbook, entry.device);
        if !self.knew.contains_key(&chain) {
            // The first that was set aside: all before it are shared.
            let mut knew = VersionVector::new();
            if let Some(seq) = entry.seq.previous() {
                let place = Place {
                    device: entry.device,
                    seq,
                };
                knew = self.tables.knowledge_at(entry.logbook, place)?;
                knew.learn(entry.device, seq);
            }
            self.knew.insert(chain, knew);
        }
        let knew = self.knew.get_mut(&chain).expect("it was just put there");
        knew.learn_all(&entry.gained);
        Ok(Some(knew.clone()))
    }

    fn one(
        &mut self,
        entry: &Entry,
        raw: &[u8],
        knew: Option<VersionVector>,
    ) -> Result<Fate, Error> {
        let chain = (entry.logbook, entry.device);
        let fate = match (self.tables.slot(entry, raw), knew) {
            _ if self.held_up.contains(&chain) => Fate::Waits,
            (Ok(Slot::Same), _) => Fate::Shared,
            (Ok(Slot::Next), None) => self.append(entry, raw)?,
            (Err(Error::Gap { .. } | Error::MissingCause { .. } | Error::Fork { .. }), None) => {
                Fate::Waits
            }
            // Its old place is taken, or would be by the other branch's next entry.
            (
                Ok(Slot::Next)
                | Err(Error::Gap { .. } | Error::MissingCause { .. } | Error::Fork { .. }),
                Some(knew),
            ) => self.again(entry, raw, &knew)?,
            (Err(error), _) => return Err(error),
        };
        if matches!(fate, Fate::Waits) {
            self.held_up.insert(chain);
        }
        Ok(fate)
    }

    fn append(&mut self, entry: &Entry, raw: &[u8]) -> Result<Fate, Error> {
        let (arrival, not_before) = self.tables.next_arrival()?;
        self.tables
            .append(arrival, self.now.max(not_before), entry, raw)?;
        Ok(Fate::Entered)
    }

    fn again(&mut self, entry: &Entry, raw: &[u8], knew: &VersionVector) -> Result<Fate, Error> {
        let device = *self
            .former
            .get(&entry.device)
            .expect("only own work is entered again");
        let head = self.tables.head(entry.logbook, device)?;
        let (seq, told) = head.map_or((Seq::FIRST, VersionVector::new()), |head| {
            (head.seq.next(), head.knew)
        });
        let mut changes = entry.changes.clone();
        if !changes
            .iter()
            .any(|change| matches!(change, Change::Reentered { .. }))
        {
            changes.push(Change::Reentered {
                place: entry.place(),
                check: chain::check(&[raw]),
            });
        }
        let gained = knew.gained_since(&told);
        let again = Entry {
            device,
            seq,
            gained,
            changes,
            ..entry.clone()
        };
        let raw = codec::encode(&again)?;
        match self.tables.slot(&again, &raw) {
            Ok(Slot::Next) => {
                let (arrival, not_before) = self.tables.next_arrival()?;
                self.tables
                    .append(arrival, self.now.max(not_before), &again, &raw)?;
                Ok(Fate::Entered)
            }
            // It had seen an entry that has not come back yet.
            Err(Error::MissingCause { .. }) => Ok(Fate::Waits),
            Ok(Slot::Same) => Ok(Fate::Shared),
            Err(error) => Err(error),
        }
    }
}
