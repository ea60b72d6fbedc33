//! Entries to state: everything now, or all that was written up to a moment.

use std::collections::BTreeMap;

use super::knowledge::Knowledge;
use super::register::{Register, Write};
use crate::log::entry::{Change, Entry};
use crate::log::id::{FieldNumber, ObservationNumber, Place, ThingId};
use crate::log::stamp::Stamp;
use crate::log::value::{HowKnown, Value};

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
    pub by: String,
    /// During which visit.
    pub visit: Option<ThingId>,
    /// What was seen.
    pub value: Value,
    /// How that is known.
    pub how: HowKnown,
}

impl Observation {
    fn rank(&self) -> (Stamp, Place, u16) {
        (self.stamp, self.place, self.index)
    }

    /// Makes the observation that change number `index` of `entry` holds.
    pub(crate) fn of(entry: &Entry, index: u16, stamp: Stamp, value: Value, how: HowKnown) -> Self {
        Self {
            place: entry.place(),
            index,
            stamp,
            utc_offset_min: entry.utc_offset_min,
            by: entry.by.clone(),
            visit: entry.visit,
            value,
            how,
        }
    }
}

impl State {
    /// Replays these entries of one logbook, in whatever order and however often they come.
    pub fn of(entries: &[Entry]) -> Self {
        Self::of_those(entries, |_, _| true)
    }

    /// Replays those of the entries that were written up to `until`, by the stamps that order
    /// them: a hub's receipt counts for an entry even where it was written later.
    pub fn as_of(entries: &[Entry], until: Stamp) -> Self {
        Self::of_those(entries, |_, stamp| stamp <= until)
    }

    fn of_those(entries: &[Entry], counts: impl Fn(&Entry, Stamp) -> bool) -> Self {
        let knowledge = Knowledge::of(entries);
        let receipts = receipts(entries);
        let mut state = Self::default();
        for entry in entries {
            let stamp = receipts.get(&entry.place()).copied().unwrap_or(entry.stamp);
            if counts(entry, stamp) {
                state.absorb(entry, stamp, &knowledge);
            }
        }
        state
    }

    fn absorb(&mut self, entry: &Entry, stamp: Stamp, knowledge: &Knowledge) {
        for (index, change) in (0_u16..).zip(&entry.changes) {
            match change {
                Change::Set {
                    thing,
                    field,
                    value,
                    how,
                } => {
                    let write = Write {
                        place: entry.place(),
                        stamp,
                        value: value.clone(),
                        how: *how,
                    };
                    self.registers
                        .entry((*thing, *field))
                        .and_modify(|register| {
                            register.absorb(write.clone(), |a, b| knowledge.saw(a, b));
                        })
                        .or_insert_with(|| Register::of(write));
                }
                Change::Observe {
                    thing,
                    what,
                    value,
                    how,
                } => {
                    let seen = Observation::of(entry, index, stamp, value.clone(), *how);
                    self.observe(*thing, *what, seen);
                }
                Change::Receipt { .. } | Change::Reentered { .. } | Change::Unknown { .. } => {}
            }
        }
    }

    /// Puts in a register that a store kept.
    pub(crate) fn keep(&mut self, thing: ThingId, field: FieldNumber, register: Register) {
        self.registers.insert((thing, field), register);
    }

    /// Puts in an observation, at its place in time; one already there stays as it is.
    pub(crate) fn observe(&mut self, thing: ThingId, what: ObservationNumber, seen: Observation) {
        let list = self.observations.entry((thing, what)).or_default();
        if let Err(at) = list.binary_search_by_key(&seen.rank(), Observation::rank) {
            list.insert(at, seen);
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

/// Returns the stamp that orders each entry for which a hub gave a receipt: of several, the
/// earliest, so that stores agree whichever receipt they got first.
pub fn receipts(entries: &[Entry]) -> BTreeMap<Place, Stamp> {
    let mut receipts: BTreeMap<Place, Stamp> = BTreeMap::new();
    for change in entries.iter().flat_map(|entry| &entry.changes) {
        if let Change::Receipt { place, stamp } = change {
            let earliest = receipts.entry(*place).or_insert(*stamp);
            *earliest = (*stamp).min(*earliest);
        }
    }
    receipts
}

#[cfg(test)]
mod tests;
