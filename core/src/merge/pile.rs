//! What changes come to that are put on a pile in any order, by who knows what their writers had seen.

use std::collections::{BTreeSet, HashMap};
use std::sync::Arc;

use super::register::{Register, Write};
use super::replay::{Observation, State};
use crate::log::entry::Change;
use crate::log::id::{FieldNumber, ObservationNumber, Place, ThingId};
use crate::log::stamp::Stamp;

/// Who says what a change says, when and where it stands.
#[derive(Debug, Clone)]
pub(crate) struct Said {
    pub(crate) place: Place,
    /// The stamp that orders it.
    pub(crate) stamp: Stamp,
    pub(crate) utc_offset_min: i16,
    pub(crate) by: Arc<str>,
    pub(crate) visit: Option<ThingId>,
}

/// What changes come to that were put on it, in any order.
#[derive(Debug, Default)]
pub(crate) struct Pile {
    people: BTreeSet<Arc<str>>,
    registers: HashMap<(ThingId, FieldNumber), Register>,
    observations: HashMap<(ThingId, ObservationNumber), Vec<Observation>>,
}

impl Pile {
    /// Returns one name for all entries of a person.
    pub(crate) fn person(&mut self, by: &str) -> Arc<str> {
        if let Some(known) = self.people.get(by) {
            return Arc::clone(known);
        }
        let new: Arc<str> = by.into();
        self.people.insert(Arc::clone(&new));
        new
    }

    /// Puts an entry's change of this number on it. `saw(a, b)` tells whether the writer of entry `a`
    /// had entry `b` before them.
    pub(crate) fn take(
        &mut self,
        said: &Said,
        index: usize,
        change: Change,
        saw: impl Fn(Place, Place) -> bool,
    ) {
        let (place, stamp) = (said.place, said.stamp);
        match change {
            Change::Set {
                thing,
                field,
                value,
                how,
            } => {
                let write = Write {
                    place,
                    stamp,
                    value,
                    how,
                };
                match self.registers.get_mut(&(thing, field)) {
                    Some(register) => register.absorb(write, saw),
                    None => drop(self.registers.insert((thing, field), Register::of(write))),
                }
            }
            Change::Observe {
                thing,
                what,
                value,
                how,
            } => {
                let seen = Observation {
                    place,
                    index: index as u16, // an entry has no room for more
                    stamp,
                    utc_offset_min: said.utc_offset_min,
                    by: Arc::clone(&said.by),
                    visit: said.visit,
                    value,
                    how,
                };
                let list = self.observations.entry((thing, what)).or_default();
                Observation::put(list, seen);
            }
            Change::Receipt { .. }
            | Change::HoldBack { .. }
            | Change::Admit { .. }
            | Change::Unknown { .. } => {}
        }
    }

    /// Returns what they came to.
    pub(crate) fn done(self) -> State {
        State::made_of(self.registers, self.observations)
    }
}
