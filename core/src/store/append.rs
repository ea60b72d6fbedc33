//! Entries in: one's own, and a peer's.

use std::collections::BTreeMap;

use redb::WriteTransaction;

use super::fold::{Slot, Tables};
use super::tables::{self, IDENTITY};
use super::{Error, Store};
use crate::log::codec;
use crate::log::entry::{Change, Draft, Entry};
use crate::log::id::{Arrival, DeviceId, LogbookId, Place, Seq};
use crate::log::stamp::{BELIEVED_AHEAD_MS, Clock, Stamp, WallMs};

/// One of the store's own entries, on disk.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Recorded {
    /// Which entry of its logbook it became.
    pub place: Place,
    /// The stamp it was given.
    pub stamp: Stamp,
    /// When it came to this store, in the store's own order.
    pub arrival: Arrival,
}

/// What became of a peer's batch, on disk.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Appended {
    /// Entries that the store did not have.
    pub new: usize,
    /// Entries that it had already.
    pub held: usize,
    /// Entries whose stamps could not be believed and got a receipt.
    pub receipts: usize,
}

/// What to make of the stamps in a peer's batch.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Clocks {
    /// Take them as they are: this store judges nobody's clock.
    TakenAsTold,
    /// Judge them as a hub does: an entry whose stamp cannot be believed gets a receipt, which is
    /// an entry of this store's own device.
    Judged {
        /// The device that is sending, whose clock was just compared.
        sender: DeviceId,
        /// How far its clock stands behind this store's wall, in milliseconds; negative if ahead.
        behind_ms: i64,
    },
}

impl Store {
    /// Appends actions of this store's own device: all of them or none. They are on disk when
    /// this returns. Each gets its place, its stamp and what the device had gained.
    ///
    /// # Errors
    /// [`Error::Codec`] where a draft cannot be an entry; [`Error`] where the file fails. Then
    /// nothing was recorded.
    pub fn record(&self, drafts: &[Draft], now: WallMs) -> Result<Vec<Recorded>, Error> {
        let txn = self.db.begin_write()?;
        let mut recorded = Vec::with_capacity(drafts.len());
        let mut clock = clock_of(&txn)?;
        let mut tables = Tables::open(&txn)?;
        let (mut arrival, not_before) = tables.next_arrival()?;
        let arrived = now.max(not_before);
        for draft in drafts {
            let entry = self.placed(&tables, draft, clock.next(now))?;
            let raw = codec::encode(&entry)?;
            tables.append(arrival, arrived, &entry, &raw)?;
            recorded.push(Recorded {
                place: entry.place(),
                stamp: entry.stamp,
                arrival,
            });
            arrival = Arrival(arrival.0 + 1);
        }
        tables.finish()?;
        keep_clock(&txn, clock)?;
        txn.commit()?;
        Ok(recorded)
    }

    /// Gives a draft its place among the device's entries, and what the device knew.
    fn placed(&self, tables: &Tables<'_>, draft: &Draft, stamp: Stamp) -> Result<Entry, Error> {
        let head = tables.head(draft.logbook, self.device())?;
        let others = tables.vector(draft.logbook)?.without(self.device());
        let (seq, gained) = match head {
            Some(head) => (head.seq.next(), others.gained_since(&head.knew)),
            None => (Seq::FIRST, others),
        };
        Ok(Entry {
            logbook: draft.logbook,
            device: self.device(),
            seq,
            stamp,
            utc_offset_min: draft.utc_offset_min,
            by: draft.by.clone(),
            visit: draft.visit,
            gained,
            changes: draft.changes.clone(),
        })
    }

    /// Appends a peer's entries, of one logbook or several: all that are new, or none. They are on
    /// disk when this returns. Entries must come in an order in which each follows those that its
    /// writer had seen; one that is held already is passed over.
    ///
    /// # Errors
    /// [`Error::Gap`], [`Error::MissingCause`], [`Error::Fork`] or [`Error::Codec`] for a batch
    /// that does not fit what is held; [`Error`] where the file fails. Then nothing was taken.
    pub fn append<R: AsRef<[u8]>>(
        &self,
        batch: &[R],
        now: WallMs,
        clocks: Clocks,
    ) -> Result<Appended, Error> {
        let txn = self.db.begin_write()?;
        let mut appended = Appended::default();
        let mut clock = clock_of(&txn)?;
        let mut tables = Tables::open(&txn)?;
        let (mut arrival, not_before) = tables.next_arrival()?;
        let arrived = now.max(not_before);
        let mut receipts: BTreeMap<LogbookId, Vec<Change>> = BTreeMap::new();
        for raw in batch {
            let raw = raw.as_ref();
            let entry = codec::decode(raw)?;
            match tables.slot(&entry, raw)? {
                Slot::Same => {
                    appended.held += 1;
                    continue;
                }
                Slot::Next => appended.new += 1,
            }
            tables.append(arrival, arrived, &entry, raw)?;
            arrival = Arrival(arrival.0 + 1);
            clock.witness(entry.stamp, now);
            if let Some(stamp) = clocks.instead_of(&entry, &mut clock, now) {
                let receipt = Change::Receipt {
                    place: entry.place(),
                    stamp,
                };
                receipts.entry(entry.logbook).or_default().push(receipt);
            }
        }
        for (logbook, changes) in receipts {
            appended.receipts += changes.len();
            for changes in changes.chunks(RECEIPTS_AN_ENTRY) {
                let draft = receipt_draft(logbook, changes.to_vec());
                let entry = self.placed(&tables, &draft, clock.next(now))?;
                tables.append(arrival, arrived, &entry, &codec::encode(&entry)?)?;
                arrival = Arrival(arrival.0 + 1);
            }
        }
        if appended.new == 0 {
            drop(tables);
            txn.abort()?;
            return Ok(appended);
        }
        tables.finish()?;
        keep_clock(&txn, clock)?;
        txn.commit()?;
        Ok(appended)
    }
}

/// Keeps an entry of receipts well under the size that an entry may have.
const RECEIPTS_AN_ENTRY: usize = 500;

fn receipt_draft(logbook: LogbookId, changes: Vec<Change>) -> Draft {
    Draft {
        logbook,
        by: "hub".to_owned(),
        utc_offset_min: 0,
        visit: None,
        changes,
    }
}

impl Clocks {
    /// Returns the stamp that must order an entry instead of its own, if its own cannot be
    /// believed. Order among one sender's entries stays as it was.
    fn instead_of(self, entry: &Entry, clock: &mut Clock, now: WallMs) -> Option<Stamp> {
        let Self::Judged { sender, behind_ms } = self else {
            return None;
        };
        let told = entry.stamp;
        let off = entry.device == sender && behind_ms.unsigned_abs() > BELIEVED_AHEAD_MS;
        if off {
            let wall = told.wall().shifted(behind_ms);
            if wall <= now {
                return Some(Stamp::new(wall, told.tick()));
            }
        }
        let ahead = told.wall().get() > now.get().saturating_add(BELIEVED_AHEAD_MS);
        (off || ahead).then(|| clock.next(now))
    }
}

fn clock_of(txn: &WriteTransaction) -> Result<Clock, Error> {
    tables::clock(&txn.open_table(IDENTITY)?)
}

fn keep_clock(txn: &WriteTransaction, clock: Clock) -> Result<(), Error> {
    let mut identity = txn.open_table(IDENTITY)?;
    identity.insert("clock", clock.last().bits().to_be_bytes().as_slice())?;
    Ok(())
}
