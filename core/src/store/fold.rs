//! One entry into every table: the single place where the log becomes state. Appending and
//! rebuilding both come through here, so that they cannot differ.

use std::collections::BTreeMap;

use redb::{ReadableTable, Table, WriteTransaction};

use super::Error;
use super::tables::{self, HeadRow};
use crate::log::chain::Link;
use crate::log::codec;
use crate::log::entry::{Change, Entry};
use crate::log::id::{
    Arrival, DeviceId, FieldNumber, LogbookId, ObservationNumber, Place, Seq, ThingId,
};
use crate::log::stamp::{Stamp, WallMs};
use crate::log::vector::VersionVector;
use crate::merge::register::{Register, Write};
use crate::merge::replay::Observation;

/// The tables of one write transaction, and the heads that it has moved.
pub(super) struct Tables<'txn> {
    entries: Table<'txn, u64, &'static [u8]>,
    origin: Table<'txn, &'static [u8; 40], &'static [u8; 40]>,
    heads: Table<'txn, &'static [u8; 32], &'static [u8]>,
    registers: Table<'txn, &'static [u8; 34], &'static [u8]>,
    observations: Table<'txn, &'static [u8; 44], &'static [u8]>,
    touches: Table<'txn, &'static [u8; 40], ()>,
    receipts: Table<'txn, &'static [u8; 40], u64>,
    // Heads as they stand after the entries folded so far; written by `finish`.
    moved: BTreeMap<(LogbookId, DeviceId), HeadRow>,
}

/// What the store holds where an entry wants to go.
pub(super) enum Slot {
    /// It is the next of its device.
    Next,
    /// The very same entry is there.
    Same,
}

impl<'txn> Tables<'txn> {
    pub(super) fn open(txn: &'txn WriteTransaction) -> Result<Self, Error> {
        Ok(Self {
            entries: txn.open_table(tables::ENTRIES)?,
            origin: txn.open_table(tables::ORIGIN)?,
            heads: txn.open_table(tables::HEADS)?,
            registers: txn.open_table(tables::REGISTERS)?,
            observations: txn.open_table(tables::OBSERVATIONS)?,
            touches: txn.open_table(tables::TOUCHES)?,
            receipts: txn.open_table(tables::RECEIPTS)?,
            moved: BTreeMap::new(),
        })
    }

    /// Returns the arrival number that comes next, and the time before which nothing may arrive.
    pub(super) fn next_arrival(&self) -> Result<(Arrival, WallMs), Error> {
        let Some((key, row)) = self.entries.last()? else {
            return Ok((Arrival(1), WallMs::new(0)));
        };
        let last = Arrival(key.value());
        let (arrived, _) = tables::entry_parts(last, row.value())?;
        Ok((Arrival(last.0 + 1), arrived))
    }

    /// Returns what a device's entries in this logbook come to.
    pub(super) fn head(
        &self,
        logbook: LogbookId,
        device: DeviceId,
    ) -> Result<Option<HeadRow>, Error> {
        if let Some(moved) = self.moved.get(&(logbook, device)) {
            return Ok(Some(moved.clone()));
        }
        let row = self.heads.get(&tables::head_key(logbook, device))?;
        row.map(|row| tables::head_parts(row.value())).transpose()
    }

    /// Returns everything that is held of a logbook.
    pub(super) fn vector(&self, logbook: LogbookId) -> Result<VersionVector, Error> {
        let (from, to) = tables::range(&[logbook.bytes()]);
        let mut vector = VersionVector::new();
        for row in self.heads.range::<&[u8; 32]>(&from..=&to)? {
            let (key, row) = row?;
            vector.learn(
                tables::head_ids(key.value()).1,
                tables::head_parts(row.value())?.seq,
            );
        }
        for (&(of, device), head) in &self.moved {
            if of == logbook {
                vector.learn(device, head.seq);
            }
        }
        Ok(vector)
    }

    /// Finds where an entry goes: a place that is taken must hold the very same bytes.
    pub(super) fn slot(&self, entry: &Entry, raw: &[u8]) -> Result<Slot, Error> {
        let last = self.head(entry.logbook, entry.device)?.map(|head| head.seq);
        let expected = last.map_or(Seq::FIRST, Seq::next);
        if entry.seq > expected {
            return Err(Error::Gap {
                device: entry.device,
                expected,
                got: entry.seq,
            });
        }
        if entry.seq < expected {
            let (_, held) = self.raw_at(entry.logbook, entry.place())?;
            let fork = Error::Fork {
                device: entry.device,
                seq: entry.seq,
            };
            return if held == raw {
                Ok(Slot::Same)
            } else {
                Err(fork)
            };
        }
        for (device, seq) in entry.gained.iter() {
            let held = self.head(entry.logbook, device)?;
            if held.is_none_or(|head| head.seq < seq) {
                return Err(Error::MissingCause {
                    by: entry.device,
                    device,
                    seq,
                });
            }
        }
        Ok(Slot::Next)
    }

    fn raw_at(&self, logbook: LogbookId, place: Place) -> Result<(Arrival, Vec<u8>), Error> {
        let damaged = || Error::damaged_index("origin");
        let row = self
            .origin
            .get(&tables::origin_key(logbook, place))?
            .ok_or_else(damaged)?;
        let (arrival, _) = tables::origin_parts(row.value());
        let row = self.entries.get(arrival.0)?.ok_or_else(damaged)?;
        let (_, raw) = tables::entry_parts(arrival, row.value())?;
        Ok((arrival, raw.to_vec()))
    }

    /// Writes a new entry and folds it into every index. [`Self::slot`] must have said
    /// [`Slot::Next`].
    pub(super) fn append(
        &mut self,
        arrival: Arrival,
        arrived: WallMs,
        entry: &Entry,
        raw: &[u8],
    ) -> Result<(), Error> {
        let row = tables::entry_row(arrival, arrived, raw);
        self.entries.insert(arrival.0, row.as_slice())?;
        self.fold(arrival, entry, raw)
    }

    /// Folds an entry that is in the table of entries into every index.
    pub(super) fn fold(
        &mut self,
        arrival: Arrival,
        entry: &Entry,
        raw: &[u8],
    ) -> Result<(), Error> {
        let logbook = entry.logbook;
        let knew = self.move_head(arrival, entry, raw)?;
        let receipt = self
            .receipts
            .get(&tables::origin_key(logbook, entry.place()))?;
        let stamp = receipt.map_or(entry.stamp, |bits| Stamp::from_bits(bits.value()));
        for (index, change) in (0_u16..).zip(&entry.changes) {
            if let Some(thing) = change.thing() {
                self.touches
                    .insert(&tables::touch_key(logbook, thing, arrival), ())?;
            }
            match change {
                Change::Set {
                    thing,
                    field,
                    value,
                    how,
                } => {
                    let (value, place) = (value.clone(), entry.place());
                    let write = Write {
                        place,
                        stamp,
                        value,
                        how: *how,
                    };
                    self.set(logbook, *thing, *field, write, &knew)?;
                }
                Change::Observe {
                    thing,
                    what,
                    value,
                    how,
                } => {
                    let seen = Observation::of(entry, index, stamp, value.clone(), *how);
                    self.keep_observation(logbook, *thing, *what, arrival, &seen)?;
                }
                Change::Receipt { place, stamp } => self.receive(logbook, *place, *stamp)?,
                Change::Reentered { .. } | Change::Unknown { .. } => {}
            }
        }
        Ok(())
    }

    /// Moves the device's head on to this entry; returns what the device knew of others by then.
    fn move_head(
        &mut self,
        arrival: Arrival,
        entry: &Entry,
        raw: &[u8],
    ) -> Result<VersionVector, Error> {
        let (link, mut knew) = match self.head(entry.logbook, entry.device)? {
            Some(head) => (head.link, head.knew),
            None => (
                Link::origin(entry.logbook, entry.device),
                VersionVector::new(),
            ),
        };
        let link = link.after(raw);
        knew.learn_all(&entry.gained);
        let key = tables::origin_key(entry.logbook, entry.place());
        self.origin
            .insert(&key, &tables::origin_row(arrival, link))?;
        let head = HeadRow {
            seq: entry.seq,
            link,
            knew: knew.clone(),
        };
        self.moved.insert((entry.logbook, entry.device), head);
        Ok(knew)
    }

    fn set(
        &mut self,
        logbook: LogbookId,
        thing: ThingId,
        field: FieldNumber,
        write: Write,
        knew: &VersionVector,
    ) -> Result<(), Error> {
        let key = tables::register_key(logbook, thing, field);
        let kept = self.register(&key)?;
        let new = write.place;
        // An entry comes after all that its writer had seen, so no kept write can have seen the
        // new one.
        let saw = |by: Place, other: Place| {
            by == new && (by.device == other.device || knew.includes(other.device, other.seq))
        };
        let register = match kept {
            Some(mut register) => {
                register.absorb(write, saw);
                register
            }
            None => Register::of(write),
        };
        self.keep_register(&key, &register)
    }

    fn register(&self, key: &[u8; 34]) -> Result<Option<Register>, Error> {
        let row = self.registers.get(key)?;
        row.map(|row| tables::register(row.value())).transpose()
    }

    fn keep_register(&mut self, key: &[u8; 34], register: &Register) -> Result<(), Error> {
        self.registers
            .insert(key, tables::register_row(register).as_slice())?;
        Ok(())
    }

    fn keep_observation(
        &mut self,
        logbook: LogbookId,
        thing: ThingId,
        what: ObservationNumber,
        arrival: Arrival,
        seen: &Observation,
    ) -> Result<(), Error> {
        let key = tables::observation_key(logbook, thing, what, arrival, seen.index);
        self.observations
            .insert(&key, tables::observation_row(seen).as_slice())?;
        Ok(())
    }

    /// Takes in a hub's receipt: the entry that it names is ordered by its stamp from now on.
    fn receive(&mut self, logbook: LogbookId, place: Place, stamp: Stamp) -> Result<(), Error> {
        let key = tables::origin_key(logbook, place);
        let earlier = self
            .receipts
            .get(&key)?
            .map(|bits| Stamp::from_bits(bits.value()));
        if earlier.is_some_and(|earlier| earlier <= stamp) {
            return Ok(());
        }
        self.receipts.insert(&key, stamp.bits())?;
        if self.origin.get(&key)?.is_none() {
            return Ok(()); // it will be ordered so when it comes
        }
        let (arrival, raw) = self.raw_at(logbook, place)?;
        let entry = codec::decode(&raw)?;
        for (index, change) in (0_u16..).zip(&entry.changes) {
            match change {
                Change::Set { thing, field, .. } => {
                    let key = tables::register_key(logbook, *thing, *field);
                    let kept = self.register(&key)?;
                    let mut register = kept.ok_or(Error::damaged_index("registers"))?;
                    register.restamp(place, stamp);
                    self.keep_register(&key, &register)?;
                }
                Change::Observe {
                    thing,
                    what,
                    value,
                    how,
                } => {
                    let seen = Observation::of(&entry, index, stamp, value.clone(), *how);
                    self.keep_observation(logbook, *thing, *what, arrival, &seen)?;
                }
                Change::Receipt { .. } | Change::Reentered { .. } | Change::Unknown { .. } => {}
            }
        }
        Ok(())
    }

    /// Folds every entry that the table of entries holds; the derived tables must be empty.
    pub(super) fn fold_all(&mut self) -> Result<u64, Error> {
        let (mut folded, mut next) = (0, 0);
        // Row by row, since folding one reads and writes the same transaction.
        while let Some((arrival, row)) = self.entry_from(next)? {
            let (_, raw) = tables::entry_parts(arrival, &row)?;
            self.fold(arrival, &codec::decode(raw)?, raw)?;
            (folded, next) = (folded + 1, arrival.0 + 1);
        }
        Ok(folded)
    }

    /// Returns the first entry's row from this arrival on.
    pub(super) fn entry_from(&self, from: u64) -> Result<Option<(Arrival, Vec<u8>)>, Error> {
        let row = self.entries.range(from..)?.next().transpose()?;
        Ok(row.map(|(key, row)| (Arrival(key.value()), row.value().to_vec())))
    }

    /// Takes an entry's row out of the table of entries. The derived tables still hold it.
    pub(super) fn take_out(&mut self, arrival: Arrival) -> Result<(), Error> {
        self.entries.remove(arrival.0)?;
        Ok(())
    }

    /// Returns what the writer of an entry knew of others: all that their device had gained by
    /// then.
    pub(super) fn knowledge_at(
        &self,
        logbook: LogbookId,
        place: Place,
    ) -> Result<VersionVector, Error> {
        let mut knew = VersionVector::new();
        let mut seq = Seq::FIRST;
        while seq <= place.seq {
            let (_, raw) = self.raw_at(logbook, Place { seq, ..place })?;
            knew.learn_all(&codec::decode(&raw)?.gained);
            seq = seq.next();
        }
        Ok(knew)
    }

    /// Writes the heads that have moved. Without it the transaction must not be committed.
    pub(super) fn finish(mut self) -> Result<(), Error> {
        for ((logbook, device), head) in &self.moved {
            let key = tables::head_key(*logbook, *device);
            self.heads.insert(&key, tables::head_row(head).as_slice())?;
        }
        Ok(())
    }
}
