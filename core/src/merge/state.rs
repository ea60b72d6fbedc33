//! What a logbook says at a moment: registers and observations, found by thing.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::bundle::Bundle;
use super::gathered::List;
use super::register::Register;
use super::seen::Seen;
use crate::log::id::{FieldNumber, ObservationNumber, Place, ThingId};
use crate::log::stamp::Stamp;
use crate::log::value::{HowKnown, Value};

/// What a logbook says: each field's open writes, and every observation.
///
/// Observations of long ago may be packed in it, and are made when somebody asks for them.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct State {
    registers: BTreeMap<(ThingId, FieldNumber), Register>,
    observations: BTreeMap<(ThingId, ObservationNumber), Seen>,
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

impl Observation {
    pub(super) fn rank(&self) -> (Stamp, Place, u16) {
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
    /// Puts in a register.
    pub(crate) fn keep(&mut self, thing: ThingId, field: FieldNumber, register: Register) {
        self.registers.insert((thing, field), register);
    }

    /// Puts in an observation, at its place in time; one already there stays as it is.
    pub(crate) fn observe(&mut self, thing: ThingId, what: ObservationNumber, seen: Observation) {
        let list = self.observations.entry((thing, what)).or_default();
        list.put(seen);
    }

    /// Puts together what was folded elsewhere.
    pub(crate) fn made_of(
        registers: impl IntoIterator<Item = ((ThingId, FieldNumber), Register)>,
        observations: impl IntoIterator<Item = ((ThingId, ObservationNumber), Vec<Observation>)>,
    ) -> Self {
        Self {
            registers: registers.into_iter().collect(),
            observations: observations
                .into_iter()
                .map(|(about, list)| (about, Seen::of(list)))
                .collect(),
        }
    }

    /// Puts together what was folded, with its observations as they were folded.
    pub(super) fn folded(
        registers: impl Iterator<Item = ((ThingId, FieldNumber), Register)>,
        observations: impl Iterator<Item = ((ThingId, ObservationNumber), List)>,
    ) -> Self {
        Self {
            registers: registers.collect(),
            observations: observations
                .map(|(about, list)| (about, Seen::folded(list)))
                .collect(),
        }
    }

    /// Puts in observations that are packed, other than those that it has: of one thing only and up to a
    /// moment, if they are named.
    pub(crate) fn put_bundle(
        &mut self,
        bundle: &Bundle,
        of: Option<ThingId>,
        until: Option<Stamp>,
    ) {
        for (about, packed) in bundle.lists() {
            if of.is_none_or(|of| of == about.0)
                && let Some(packed) = packed.up_to(until)
            {
                let list = self.observations.entry(about).or_default();
                list.put_packed(packed);
            }
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
            .map_or(&[], Seen::list)
    }

    /// How much memory it takes, in registers and observations that are made.
    pub(crate) fn weight(&self) -> usize {
        let observations = self.observations.values().map(Seen::weight);
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
        self.lists()
            .flat_map(|(thing, what, list)| list.iter().map(move |seen| (thing, what, seen)))
    }

    /// Returns the lists of observations, by thing and kind, each oldest first.
    pub(crate) fn lists(
        &self,
    ) -> impl Iterator<Item = (ThingId, ObservationNumber, &[Observation])> {
        let lists = self.observations.iter();
        lists.map(|(&(thing, what), seen)| (thing, what, seen.list()))
    }

    /// Returns those of the lists in which a value may be absent.
    pub(crate) fn lists_with_blanks(
        &self,
    ) -> impl Iterator<Item = (ThingId, ObservationNumber, &[Observation])> {
        let lists = self
            .observations
            .iter()
            .filter(|(_, seen)| seen.may_be_blank());
        lists.map(|(&(thing, what), seen)| (thing, what, seen.list()))
    }

    /// Returns the lists of one kind, by thing.
    pub(crate) fn lists_of(
        &self,
        what: ObservationNumber,
    ) -> impl Iterator<Item = (ThingId, &[Observation])> {
        let lists = self.observations.iter();
        let lists = lists.filter(move |((_, of), _)| *of == what);
        lists.map(|(&(thing, _), seen)| (thing, seen.list()))
    }

    /// Puts a list, in order, in the place of the one that is there.
    pub(crate) fn replace(
        &mut self,
        thing: ThingId,
        what: ObservationNumber,
        list: Vec<Observation>,
    ) {
        match list.is_empty() {
            true => self.observations.remove(&(thing, what)),
            false => self.observations.insert((thing, what), Seen::of(list)),
        };
    }

    /// Returns the things that something was observed of, each as often as it was in another way.
    pub(crate) fn observed(&self) -> impl Iterator<Item = ThingId> {
        self.observations.keys().map(|(thing, _)| *thing)
    }
}
