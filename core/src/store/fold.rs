//! One entry into every table: the single place where the log becomes state. Appending and
//! rebuilding both come through here, so that they cannot differ.

use std::collections::btree_map::Entry;
use std::collections::{BTreeMap, BTreeSet};

use redb::{ReadableTable, Table, WriteTransaction};

use super::Error;
use super::chains::{self, Chains};
use super::tables::{self, HeadRow};
use super::touches::{self, Touches};
use crate::log::chain::{Link, Mark, Tip};
use crate::log::codec::{self, CodecError};
use crate::log::entry::{self as log, Change};
use crate::log::id::{
    Arrival, ChainId, FieldNumber, LogbookId, ObservationNumber, Place, Seq, ThingId,
};
use crate::log::stamp::{Stamp, WallMs};
use crate::log::vector::VersionVector;
use crate::merge::branches::{Branch, Branches, Standing};
use crate::merge::register::{Register, Write};
use crate::merge::replay::{Observation, Verdict};

type EntriesWrite<'txn> = Table<'txn, u64, &'static [u8]>;
type OriginWrite<'txn> = Table<'txn, &'static [u8; 40], &'static [u8; 16]>;

/// The tables of one write transaction, the heads that it has moved, and the branches it has met.
pub(super) struct Tables<'txn> {
    entries: EntriesWrite<'txn>,
    origin: OriginWrite<'txn>,
    heads: Table<'txn, &'static [u8; 32], &'static [u8]>,
    begun: Table<'txn, &'static [u8; 32], &'static [u8; 40]>,
    partings: Table<'txn, &'static [u8; 48], &'static [u8; 8]>,
    registers: Table<'txn, &'static [u8; 34], &'static [u8]>,
    observations: Table<'txn, &'static [u8; 26], &'static [u8]>,
    touches: Table<'txn, &'static [u8; 40], &'static [u8]>,
    receipts: Table<'txn, &'static [u8; 40], u64>,
    verdicts: Table<'txn, &'static [u8; 40], u8>,
    // Heads as they stand after the entries folded so far; written by `finish`.
    moved: BTreeMap<(LogbookId, ChainId), HeadRow>,
    // The last row of each thing touched so far; written by `finish`, in the order of their keys.
    touched: BTreeMap<(LogbookId, ThingId), Touches>,
    branches: BTreeMap<LogbookId, Branches>,
}

/// Where an entry goes.
pub(super) enum Slot {
    /// The very same entry is here.
    Same,
    /// It goes on with a chain.
    Next(Place),
    /// It begins a branch.
    Begins(ChainId, Branch),
    /// It takes a chain's id from a branch, so that the logbook's places get new names.
    TakesOver,
}

impl<'txn> Tables<'txn> {
    pub(super) fn open(txn: &'txn WriteTransaction) -> Result<Self, Error> {
        Ok(Self {
            entries: txn.open_table(tables::ENTRIES)?,
            origin: txn.open_table(tables::ORIGIN)?,
            heads: txn.open_table(tables::HEADS)?,
            begun: txn.open_table(tables::BRANCHES)?,
            partings: txn.open_table(tables::PARTINGS)?,
            registers: txn.open_table(tables::REGISTERS)?,
            observations: txn.open_table(tables::OBSERVATIONS)?,
            touches: txn.open_table(tables::TOUCHES)?,
            receipts: txn.open_table(tables::RECEIPTS)?,
            verdicts: txn.open_table(tables::VERDICTS)?,
            moved: BTreeMap::new(),
            touched: BTreeMap::new(),
            branches: BTreeMap::new(),
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

    /// Returns what a chain comes to.
    pub(super) fn head(
        &self,
        logbook: LogbookId,
        chain: ChainId,
    ) -> Result<Option<HeadRow>, Error> {
        if let Some(moved) = self.moved.get(&(logbook, chain)) {
            return Ok(Some(moved.clone()));
        }
        let row = self.heads.get(&tables::chain_key(logbook, chain))?;
        row.map(|row| tables::head_parts(row.value())).transpose()
    }

    /// Returns the last entry of a chain: its number and its tip.
    fn end(&self, logbook: LogbookId, chain: ChainId) -> Result<Option<(Seq, Tip)>, Error> {
        if let Some(moved) = self.moved.get(&(logbook, chain)) {
            return Ok(Some((moved.seq, moved.tip)));
        }
        let Some(row) = self.heads.get(&tables::chain_key(logbook, chain))? else {
            return Ok(None);
        };
        let (seq, tip, _) = tables::head_end(row.value())?;
        Ok(Some((seq, tip)))
    }

    /// Returns everything that is held of a logbook.
    pub(super) fn vector(&self, logbook: LogbookId) -> Result<VersionVector, Error> {
        let (from, to) = tables::range(&[logbook.bytes()]);
        let mut vector = VersionVector::new();
        for row in self.heads.range::<&[u8; 32]>(&from..=&to)? {
            let (key, row) = row?;
            let (_, chain) = tables::chain_ids(key.value());
            vector.learn(chain, tables::head_end(row.value())?.0);
        }
        for (&(of, chain), head) in &self.moved {
            if of == logbook {
                vector.learn(chain, head.seq);
            }
        }
        Ok(vector)
    }

    /// Returns the logbooks of which anything is held.
    pub(super) fn logbooks(&self) -> Result<BTreeSet<LogbookId>, Error> {
        let mut logbooks: BTreeSet<_> = self.moved.keys().map(|(logbook, _)| *logbook).collect();
        for row in self.heads.iter()? {
            logbooks.insert(tables::chain_ids(row?.0.value()).0);
        }
        Ok(logbooks)
    }

    /// Returns the marks of the last entries in a vector, in order.
    pub(super) fn marks(
        &mut self,
        logbook: LogbookId,
        vector: &VersionVector,
    ) -> Result<Vec<Mark>, Error> {
        let chains = self.chains(logbook)?;
        let places = vector.iter().map(|(chain, seq)| Place { chain, seq });
        let mut marks = places
            .map(|place| chains.mark(place))
            .collect::<Result<Vec<_>, _>>()?;
        marks.sort_unstable();
        Ok(marks)
    }

    fn branches(&mut self, logbook: LogbookId) -> Result<&mut Branches, Error> {
        Ok(match self.branches.entry(logbook) {
            Entry::Occupied(known) => known.into_mut(),
            Entry::Vacant(unknown) => {
                let branches = chains::branches(&self.begun, &self.partings, logbook)?;
                unknown.insert(branches)
            }
        })
    }

    pub(super) fn chains(
        &mut self,
        logbook: LogbookId,
    ) -> Result<Chains<'_, EntriesWrite<'txn>, OriginWrite<'txn>>, Error> {
        self.branches(logbook)?;
        Ok(Chains {
            entries: &self.entries,
            origin: &self.origin,
            branches: &self.branches[&logbook],
            logbook,
        })
    }

    /// Finds where an entry goes: it must follow one that is here, and all that its writer had seen
    /// must be here, too.
    pub(super) fn slot(&mut self, entry: &log::Entry, raw: &[u8]) -> Result<Slot, Error> {
        let (logbook, device) = (entry.logbook, entry.device);
        let trunk = ChainId::of(device);
        let without_branches = self.branches(logbook)?.is_empty();
        let next = match self.end(logbook, trunk)? {
            Some((last, tip)) => (last.next(), tip),
            None => (Seq::FIRST, Tip::NONE),
        };
        // Nearly always: the device's next, in a logbook where nobody's store was copied.
        if without_branches && (entry.seq, entry.prev) == next {
            self.causes(entry)?;
            return Ok(Slot::Next(Place {
                chain: trunk,
                seq: entry.seq,
            }));
        }
        let new = Mark {
            device,
            seq: entry.seq,
            tip: Tip::of(raw),
        };
        let chains = self.chains(logbook)?;
        if let Some(place) = chains.find(new)? {
            return if chains.raw(place)?.1 == raw {
                Ok(Slot::Same)
            } else {
                Err(CodecError::Shape("another entry bears the same tip").into())
            };
        }
        let chain = match entry.seq.previous() {
            Some(seq) => {
                let before = Mark {
                    device,
                    seq,
                    tip: entry.prev,
                };
                let found = chains.find(before)?;
                let seq = entry.seq;
                found.ok_or(Error::Gap { device, seq })?.chain
            }
            None if entry.prev == Tip::NONE => trunk,
            None => return Err(CodecError::Shape("a first entry follows another").into()),
        };
        let here = Place {
            chain,
            seq: entry.seq,
        };
        let taken = chains.at(here)?.map(|(_, tip)| tip);
        self.causes(entry)?;
        let parting = (device, entry.seq, entry.prev);
        let branches = self.branches(logbook)?;
        let standing = branches.standing(logbook, new, entry.prev, chain, taken);
        if let Some(chosen) = branches.chosen_at(parting) {
            let key = tables::parting_key(logbook, parting);
            self.partings.insert(&key, &chosen.0)?;
        }
        Ok(match standing {
            Standing::GoesOn => Slot::Next(here),
            Standing::Begins(id, branch) => Slot::Begins(id, branch),
            Standing::TakesOver => Slot::TakesOver,
        })
    }

    /// Sees to it that all that an entry had seen is here, and all that it names.
    fn causes(&mut self, entry: &log::Entry) -> Result<(), Error> {
        self.here(entry, entry.gained.iter().copied())?;
        self.named(entry)
    }

    /// Sees to it that the entries are here which an entry orders, holds back or admits.
    pub(super) fn named(&mut self, entry: &log::Entry) -> Result<(), Error> {
        self.here(entry, entry.changes.iter().filter_map(Change::of))
    }

    fn here(&mut self, entry: &log::Entry, marks: impl Iterator<Item = Mark>) -> Result<(), Error> {
        let chains = self.chains(entry.logbook)?;
        for mark in marks {
            if chains.find(mark)?.is_none() {
                return Err(Error::MissingCause {
                    by: entry.device,
                    device: mark.device,
                    seq: mark.seq,
                });
            }
        }
        Ok(())
    }

    /// Writes a new entry and folds it into every index, where [`Self::slot`] said.
    pub(super) fn append(
        &mut self,
        arrival: Arrival,
        arrived: WallMs,
        entry: &log::Entry,
        raw: &[u8],
        slot: &Slot,
    ) -> Result<(), Error> {
        let row = tables::entry_row(arrival, arrived, raw);
        self.entries.insert(arrival.0, row.as_slice())?;
        self.fold(arrival, entry, raw, slot)
    }

    /// Folds an entry that is in the table of entries into every index.
    pub(super) fn fold(
        &mut self,
        arrival: Arrival,
        entry: &log::Entry,
        raw: &[u8],
        slot: &Slot,
    ) -> Result<(), Error> {
        let logbook = entry.logbook;
        match *slot {
            Slot::Same => Ok(()),
            Slot::Next(place) => {
                // Taken out, not copied: it goes back when it has moved.
                let head = match self.moved.remove(&(logbook, place.chain)) {
                    Some(moved) => Some(moved),
                    None => self.head(logbook, place.chain)?,
                };
                let head = head.map(|head| (head.link, head.knew));
                self.fold_at(arrival, place, head, entry, raw)
            }
            Slot::Begins(id, branch) => {
                let before = branch.from.previous().map(|seq| Place {
                    chain: branch.of,
                    seq,
                });
                let chains = self.chains(logbook)?;
                let head = before.map(|before| {
                    let (link, mut knew) = chains.walk(before)?;
                    chains.branches.learn(&mut knew, before);
                    Ok::<_, Error>((link, knew))
                });
                let head = head.transpose()?;
                self.branches(logbook)?.begin(id, branch);
                let key = tables::chain_key(logbook, id);
                self.begun.insert(&key, &tables::branch_row(&branch))?;
                let place = Place {
                    chain: id,
                    seq: entry.seq,
                };
                self.fold_at(arrival, place, head, entry, raw)
            }
            Slot::TakesOver => self.name_anew(logbook, arrival),
        }
    }

    /// Folds a whole logbook again, with one more entry: which tips go on with which ids is known
    /// now, so that each entry finds its name at once.
    fn name_anew(&mut self, logbook: LogbookId, with: Arrival) -> Result<(), Error> {
        let (from, to) = tables::range(&[logbook.bytes()]);
        let mut arrivals = vec![with];
        for row in self.origin.range::<&[u8; 40]>(&from..=&to)? {
            arrivals.push(tables::origin_parts(row?.1.value()).0);
        }
        arrivals.sort_unstable();
        macro_rules! clear {
            ($($table:ident: $length:literal;)*) => {$(
                let (from, to) = tables::range::<$length>(&[logbook.bytes()]);
                self.$table.retain_in::<&[u8; $length], _>(&from..=&to, |_, _| false)?;
            )*};
        }
        clear! {
            origin: 40; heads: 32; begun: 32; registers: 34; observations: 26; touches: 40;
            receipts: 40; verdicts: 40;
        }
        self.moved.retain(|(of, _), _| *of != logbook);
        self.touched.retain(|(of, _), _| *of != logbook);
        self.branches(logbook)?.forget_names();
        for arrival in arrivals {
            let (entry, raw) = self.entry_at(arrival)?;
            let slot = self.slot(&entry, &raw)?;
            debug_assert!(!matches!(slot, Slot::TakesOver), "every parting is known");
            self.fold(arrival, &entry, &raw, &slot)?;
        }
        Ok(())
    }

    /// Folds an entry in at its place. `head` is what its chain came to before it.
    fn fold_at(
        &mut self,
        arrival: Arrival,
        place: Place,
        head: Option<(Link, VersionVector)>,
        entry: &log::Entry,
        raw: &[u8],
    ) -> Result<(), Error> {
        let logbook = entry.logbook;
        let head = self.moved_head(arrival, place, head, entry, raw)?;
        let knew = &head.knew;
        let stamp = self.stamp_of(place, entry)?;
        for (index, change) in (0_u16..).zip(&entry.changes) {
            if let Some(thing) = change.thing() {
                self.touch(logbook, thing, arrival)?;
            }
            match change {
                Change::Set {
                    thing,
                    field,
                    value,
                    how,
                } => {
                    let value = value.clone();
                    let write = Write {
                        place,
                        stamp,
                        value,
                        how: *how,
                    };
                    self.set(logbook, *thing, *field, write, knew)?;
                }
                Change::Observe {
                    thing,
                    what,
                    value,
                    how,
                } => {
                    let seen = Observation::of((place, entry), index, stamp, value.clone(), *how);
                    self.keep_observation(logbook, *thing, *what, arrival, &seen)?;
                }
                Change::Receipt { of, stamp } => {
                    let of = self.chains(logbook)?.find(*of)?;
                    let of = of.ok_or(Error::damaged_index("origin"))?;
                    self.receive(logbook, of, *stamp)?;
                }
                Change::HoldBack { of } => self.judge(logbook, *of, Verdict::HeldBack)?,
                Change::Admit { of } => self.judge(logbook, *of, Verdict::Admitted)?,
                Change::Unknown { .. } => {}
            }
        }
        self.moved.insert((logbook, place.chain), head);
        Ok(())
    }

    /// Notes that the entry which came at this arrival touches a thing.
    fn touch(&mut self, logbook: LogbookId, thing: ThingId, arrival: Arrival) -> Result<(), Error> {
        let row = match self.touched.entry((logbook, thing)) {
            Entry::Occupied(row) => row.into_mut(),
            Entry::Vacant(none) => match Touches::last(&self.touches, logbook, thing)? {
                Some(row) => none.insert(row),
                None => {
                    none.insert(Touches::begin(arrival));
                    return Ok(());
                }
            },
        };
        if let Some(next) = row.add(arrival) {
            row.write(&mut self.touches, logbook, thing)?;
            *row = next;
        }
        Ok(())
    }

    /// Files the entry's origin; returns the chain's head as it is from this entry on, with what the
    /// entry's writer knew of other chains.
    fn moved_head(
        &mut self,
        arrival: Arrival,
        place: Place,
        head: Option<(Link, VersionVector)>,
        entry: &log::Entry,
        raw: &[u8],
    ) -> Result<HeadRow, Error> {
        let (logbook, tip) = (entry.logbook, Tip::of(raw));
        let (link, mut knew) = head.unwrap_or_else(|| {
            let origin = Link::origin(logbook, entry.device);
            (origin, VersionVector::new())
        });
        if !entry.gained.is_empty() {
            knew.learn_all(&self.chains(logbook)?.gained(entry)?);
        }
        let key = tables::origin_key(logbook, place);
        self.origin
            .insert(&key, &tables::origin_row(arrival, tip))?;
        Ok(HeadRow {
            seq: entry.seq,
            tip,
            link: link.after(raw),
            knew,
        })
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
            by == new && (by.chain == other.chain || knew.includes(other.chain, other.seq))
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
        let key = tables::observation_key(logbook, arrival, seen.index);
        self.observations
            .insert(&key, tables::observation_row(thing, what, seen).as_slice())?;
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
        if self.is_held_back(logbook, place)? {
            return Ok(()); // should it be admitted, it is ordered so then
        }
        let (arrival, raw) = self.chains(logbook)?.raw(place)?;
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
                    let seen = Observation::of((place, &entry), index, stamp, value.clone(), *how);
                    self.keep_observation(logbook, *thing, *what, arrival, &seen)?;
                }
                Change::Receipt { .. }
                | Change::HoldBack { .. }
                | Change::Admit { .. }
                | Change::Unknown { .. } => {}
            }
        }
        Ok(())
    }

    fn is_held_back(&self, logbook: LogbookId, place: Place) -> Result<bool, Error> {
        let verdict = self.verdicts.get(&tables::origin_key(logbook, place))?;
        Ok(verdict.is_some_and(|verdict| tables::is_held_back(verdict.value())))
    }

    /// Takes in a verdict: what the entry set and observed counts no more, or counts after all. That
    /// somebody admitted it is final.
    fn judge(&mut self, logbook: LogbookId, of: Mark, verdict: Verdict) -> Result<(), Error> {
        let place = self.chains(logbook)?.find(of)?;
        let place = place.ok_or(Error::damaged_index("origin"))?;
        let key = tables::origin_key(logbook, place);
        let before = self.verdicts.get(&key)?.map(|verdict| verdict.value());
        let now = tables::verdict(verdict).max(before.unwrap_or(0));
        if before == Some(now) {
            return Ok(());
        }
        self.verdicts.insert(&key, now)?;
        let (arrival, raw) = self.chains(logbook)?.raw(place)?;
        let entry = codec::decode(&raw)?;
        let stamp = self.stamp_of(place, &entry)?;
        for (index, change) in (0_u16..).zip(&entry.changes) {
            match change {
                Change::Set { thing, field, .. } => self.count_again(logbook, *thing, *field)?,
                Change::Observe {
                    thing,
                    what,
                    value,
                    how,
                } if verdict == Verdict::Admitted => {
                    let seen = Observation::of((place, &entry), index, stamp, value.clone(), *how);
                    self.keep_observation(logbook, *thing, *what, arrival, &seen)?;
                }
                Change::Observe { .. } => {
                    let key = tables::observation_key(logbook, arrival, index);
                    self.observations.remove(&key)?;
                }
                Change::Receipt { .. }
                | Change::HoldBack { .. }
                | Change::Admit { .. }
                | Change::Unknown { .. } => {}
            }
        }
        Ok(())
    }

    /// Makes a field's register again from all entries that touch the thing.
    fn count_again(
        &mut self,
        logbook: LogbookId,
        thing: ThingId,
        field: FieldNumber,
    ) -> Result<(), Error> {
        self.registers
            .remove(&tables::register_key(logbook, thing, field))?;
        if let Some(row) = self.touched.get(&(logbook, thing)) {
            row.write(&mut self.touches, logbook, thing)?;
        }
        for arrival in touches::of_thing(&self.touches, logbook, thing)? {
            let (entry, raw) = self.entry_at(arrival)?;
            let place = self.chains(logbook)?.place_of(&entry, &raw)?;
            if self.is_held_back(logbook, place)? {
                continue;
            }
            let stamp = self.stamp_of(place, &entry)?;
            for change in entry.changes {
                match change {
                    Change::Set {
                        thing: of,
                        field: what,
                        value,
                        how,
                    } if (of, what) == (thing, field) => {
                        let (_, knew) = self.chains(logbook)?.walk(place)?;
                        let write = Write {
                            place,
                            stamp,
                            value,
                            how,
                        };
                        self.set(logbook, thing, field, write, &knew)?;
                    }
                    _ => {}
                }
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
            let entry = codec::decode(raw)?;
            let slot = self.slot(&entry, raw)?;
            self.fold(arrival, &entry, raw, &slot)?;
            (folded, next) = (folded + 1, arrival.0 + 1);
        }
        Ok(folded)
    }

    /// Returns the entry that came at this arrival, and its bytes.
    fn entry_at(&self, arrival: Arrival) -> Result<(log::Entry, Vec<u8>), Error> {
        let row = self.entries.get(arrival.0)?;
        let row = row.ok_or(Error::DamagedEntry { arrival })?;
        let (_, raw) = tables::entry_parts(arrival, row.value())?;
        Ok((codec::decode(raw)?, raw.to_vec()))
    }

    /// Returns the stamp that orders an entry: a receipt's, or its own.
    fn stamp_of(&self, place: Place, entry: &log::Entry) -> Result<Stamp, Error> {
        let receipt = self
            .receipts
            .get(&tables::origin_key(entry.logbook, place))?;
        Ok(receipt.map_or(entry.stamp, |bits| Stamp::from_bits(bits.value())))
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

    /// Writes the heads that have moved and the things touched. Without it the transaction must not be committed.
    pub(super) fn finish(mut self) -> Result<(), Error> {
        for ((logbook, chain), head) in &self.moved {
            let key = tables::chain_key(*logbook, *chain);
            self.heads.insert(&key, tables::head_row(head).as_slice())?;
        }
        for ((logbook, thing), row) in &self.touched {
            row.write(&mut self.touches, *logbook, *thing)?;
        }
        Ok(())
    }
}
