//! Entries to state: everything now, or all that was written up to a moment.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use super::knowledge::Knowledge;
use super::pile::{Pile, Said};
use super::register::Register;
use crate::log::entry::{Change, Entry};
use crate::log::id::{ChainId, FieldNumber, ObservationNumber, Place, ThingId};
use crate::log::stamp::Stamp;
use crate::log::value::{HowKnown, Value};
use crate::log::vector::VersionVector;

/// What a logbook says: each field's open writes, and every observation.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct State {
    registers: BTreeMap<(ThingId, FieldNumber), Register>,
    // Each list is in the order of its observations' stamps.
    observations: BTreeMap<(ThingId, ObservationNumber), Vec<Observation>>,
}

/// One thing seen or measured at one moment.
#[derive(Debug, Clone, PartialEq)]
pub struct Observation {
    /// The entry that holds it.
    pub place: Place,
    /// Which of the entry's changes it is, from zero.
    pub index: u16,
    /// The stamp that orders it.
    pub stamp: Stamp,
    /// Minutes east of UTC where it was seen.
    pub utc_offset_min: i16,
    /// Who saw it.
    pub by: Arc<str>,
    /// During which visit.
    pub visit: Option<ThingId>,
    /// What was seen.
    pub value: Value,
    /// How that is known.
    pub how: HowKnown,
}

/// An entry among the others of its logbook: where it stands, and what it names by their places.
#[derive(Debug, Clone, PartialEq)]
pub struct Placed {
    /// Where it stands.
    pub place: Place,
    /// What its device came to hold since its entry before, and with it all that these chains
    /// branch off from; a branch's first entry also has what its device knew before.
    pub gained: VersionVector,
    /// The receipts that it gives: for which entry, and the stamp that orders it.
    pub receipts: Vec<(Place, Stamp)>,
    /// The entries that it holds back or admits.
    pub verdicts: Vec<(Place, Verdict)>,
    /// The entry.
    pub entry: Entry,
}

impl Placed {
    /// Places an entry whose writer saw nobody else, in a logbook without branches.
    pub fn alone(entry: Entry) -> Self {
        Self {
            place: Place {
                chain: ChainId::of(entry.device),
                seq: entry.seq,
            },
            gained: VersionVector::new(),
            receipts: Vec::new(),
            verdicts: Vec::new(),
            entry,
        }
    }
}

/// Whether an entry counts, where somebody had to say so.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// It does not: its device's access had been taken back when it came.
    HeldBack,
    /// It does after all.
    Admitted,
}

impl Observation {
    fn rank(&self) -> (Stamp, Place, u16) {
        (self.stamp, self.place, self.index)
    }

    /// Puts one at its place in time; one already there stays as it is.
    pub(crate) fn put(list: &mut Vec<Self>, seen: Self) {
        // Most come in their order.
        if list.last().is_none_or(|last| last.rank() < seen.rank()) {
            list.push(seen);
        } else if let Err(at) = list.binary_search_by_key(&seen.rank(), Self::rank) {
            list.insert(at, seen);
        }
    }
}

impl State {
    /// Replays these entries of one logbook, in whatever order and however often they come.
    pub fn of(entries: &[Placed]) -> Self {
        Self::of_which(entries, None, |_, _| true)
    }

    /// Replays those of the entries that were written up to `until`, by the stamps that order
    /// them: a hub's receipt counts for an entry even where it was written later.
    pub fn as_of(entries: &[Placed], until: Stamp) -> Self {
        Self::of_which(entries, Some(until), |_, _| true)
    }

    /// Replays of those entries only the changes that `counts` lets count.
    pub fn of_which(
        entries: &[Placed],
        until: Option<Stamp>,
        counts: impl Fn(&Entry, &Change) -> bool,
    ) -> Self {
        let knowledge = Knowledge::of(entries);
        let (receipts, held_back) = (receipts(entries), held_back(entries));
        let mut pile = Pile::default();
        for Placed { place, entry, .. } in entries {
            let stamp = receipts.get(place).copied().unwrap_or(entry.stamp);
            if until.is_some_and(|until| stamp > until) || held_back.contains(place) {
                continue;
            }
            let said = Said {
                place: *place,
                stamp,
                utc_offset_min: entry.utc_offset_min,
                by: pile.person(&entry.by),
                visit: entry.visit,
            };
            let changes = entry.changes.iter().enumerate();
            for (index, change) in changes.filter(|(_, change)| counts(entry, change)) {
                pile.take(&said, index, change.clone(), |a, b| knowledge.saw(a, b));
            }
        }
        pile.done()
    }

    /// Puts in a register.
    pub(crate) fn keep(&mut self, thing: ThingId, field: FieldNumber, register: Register) {
        self.registers.insert((thing, field), register);
    }

    /// Puts in an observation, at its place in time; one already there stays as it is.
    pub(crate) fn observe(&mut self, thing: ThingId, what: ObservationNumber, seen: Observation) {
        Observation::put(self.observations.entry((thing, what)).or_default(), seen);
    }

    /// Puts together what was folded elsewhere.
    pub(crate) fn made_of(
        registers: impl IntoIterator<Item = ((ThingId, FieldNumber), Register)>,
        observations: impl IntoIterator<Item = ((ThingId, ObservationNumber), Vec<Observation>)>,
    ) -> Self {
        Self {
            registers: registers.into_iter().collect(),
            observations: observations.into_iter().collect(),
        }
    }

    /// Returns a field's register.
    pub fn register(&self, thing: ThingId, field: FieldNumber) -> Option<&Register> {
        self.registers.get(&(thing, field))
    }

    /// Returns a field's value in force.
    pub fn value(&self, thing: ThingId, field: FieldNumber) -> Option<&Value> {
        self.register(thing, field)
            .map(|register| &register.in_force().value)
    }

    /// Returns a thing's observations of one kind, oldest first.
    pub fn observations(&self, thing: ThingId, what: ObservationNumber) -> &[Observation] {
        self.observations
            .get(&(thing, what))
            .map_or(&[], Vec::as_slice)
    }

    /// Counts the registers and observations.
    pub(crate) fn len(&self) -> usize {
        let observations = self.observations.values().map(Vec::len);
        self.registers.len() + observations.sum::<usize>()
    }

    /// Returns all registers, by thing and field.
    pub fn registers(&self) -> impl Iterator<Item = (ThingId, FieldNumber, &Register)> {
        self.registers
            .iter()
            .map(|(&(thing, field), register)| (thing, field, register))
    }

    /// Returns the registers of one thing, by field.
    pub fn registers_of(&self, thing: ThingId) -> impl Iterator<Item = (FieldNumber, &Register)> {
        let fields = (thing, FieldNumber(0))..=(thing, FieldNumber(u16::MAX));
        self.registers
            .range(fields)
            .map(|(&(_, field), register)| (field, register))
    }

    /// Returns all observations, by thing and kind, each kind's oldest first.
    pub fn all_observations(
        &self,
    ) -> impl Iterator<Item = (ThingId, ObservationNumber, &Observation)> {
        self.observations
            .iter()
            .flat_map(|(&(thing, what), list)| list.iter().map(move |seen| (thing, what, seen)))
    }
}

/// Returns the stamp that orders each entry for which a hub gave a receipt.
pub fn receipts<'a>(entries: impl IntoIterator<Item = &'a Placed>) -> BTreeMap<Place, Stamp> {
    let receipts = entries.into_iter().flat_map(|placed| &placed.receipts);
    earliest(receipts.copied())
}

/// Returns the entries that do not count.
pub fn held_back<'a>(entries: impl IntoIterator<Item = &'a Placed>) -> BTreeSet<Place> {
    let verdicts = entries.into_iter().flat_map(|placed| &placed.verdicts);
    not_counting(verdicts.copied())
}

/// Of several receipts for an entry the earliest, so that stores agree whichever they got first.
pub(crate) fn earliest(given: impl Iterator<Item = (Place, Stamp)>) -> BTreeMap<Place, Stamp> {
    let mut receipts: BTreeMap<Place, Stamp> = BTreeMap::new();
    for (place, stamp) in given {
        let earliest = receipts.entry(place).or_insert(stamp);
        *earliest = stamp.min(*earliest);
    }
    receipts
}

/// Those that are held back, and admitted by nobody.
pub(crate) fn not_counting(given: impl Iterator<Item = (Place, Verdict)>) -> BTreeSet<Place> {
    let (mut held_back, mut admitted) = (BTreeSet::new(), BTreeSet::new());
    for (of, verdict) in given {
        match verdict {
            Verdict::HeldBack => held_back.insert(of),
            Verdict::Admitted => admitted.insert(of),
        };
    }
    held_back.retain(|of| !admitted.contains(of));
    held_back
}

#[cfg(test)]
mod tests;
