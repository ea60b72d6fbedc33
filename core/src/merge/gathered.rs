//! Observations as a fold came by them: found by their list, and made one list at a time when somebody
//! asks.

use std::sync::Arc;

use super::fold::{At, Now, Number};
use super::state::Observation;
use crate::log::id::{ChainId, Place, ThingId};
use crate::log::value::{HowKnown, Value};

/// An observation and the number of the list on which it is.
#[derive(Debug)]
pub(super) struct Noted {
    pub(super) list: Number,
    pub(super) index: u16,
    pub(super) now: Now,
    pub(super) value: Value,
    pub(super) how: HowKnown,
}

/// What observations name by its number.
#[derive(Debug, Default)]
pub(super) struct Names {
    pub(super) chains: Vec<ChainId>,
    pub(super) people: Vec<Arc<str>>,
    pub(super) visits: Vec<ThingId>,
}

#[derive(Debug)]
struct Gathered {
    names: Names,
    // In the order in which they came,
    noted: Vec<Noted>,
    // and where those of each list stand, list after list.
    order: Vec<Number>,
}

/// The observations of one kind of one thing.
#[derive(Debug, Clone)]
pub(super) struct List {
    gathered: Arc<Gathered>,
    from: usize,
    to: usize,
}

impl List {
    /// Returns so many lists of these observations, by their numbers.
    pub(super) fn all(names: Names, noted: Vec<Noted>, lists: Number) -> Vec<Self> {
        // Where each list ends, and until it is filled where its next one goes.
        let mut ends = vec![0_usize; lists as usize + 1];
        for one in &noted {
            ends[one.list as usize + 1] += 1;
        }
        for list in 1..ends.len() {
            ends[list] += ends[list - 1];
        }
        let mut order = vec![0; noted.len()];
        for (number, one) in (0..).zip(&noted) {
            let next = &mut ends[one.list as usize];
            order[*next] = number;
            *next += 1;
        }
        let gathered = Arc::new(Gathered {
            names,
            noted,
            order,
        });
        let mut from = 0;
        let ends = ends.into_iter().take(lists as usize);
        let lists = ends.map(|to| Self {
            gathered: Arc::clone(&gathered),
            from: core::mem::replace(&mut from, to),
            to,
        });
        lists.collect()
    }

    fn noted(&self) -> impl Iterator<Item = &Noted> {
        let order = self.gathered.order[self.from..self.to].iter();
        order.map(|number| &self.gathered.noted[*number as usize])
    }

    /// Counts its observations.
    pub(super) const fn len(&self) -> usize {
        self.to - self.from
    }

    /// Whether the value of one of them is absent.
    pub(super) fn has_blanks(&self) -> bool {
        self.noted()
            .any(|noted| matches!(noted.value, Value::Absent(_)))
    }

    /// Makes its observations, which have no order.
    pub(super) fn made(&self) -> impl Iterator<Item = Observation> {
        let names = &self.gathered.names;
        self.noted().map(|noted| {
            let Now { at, visit, .. } = noted.now;
            Observation {
                place: names.place(at),
                index: noted.index,
                stamp: noted.now.stamp,
                utc_offset_min: noted.now.utc_offset_min,
                by: Arc::clone(&names.people[noted.now.by as usize]),
                visit: visit.map(|visit| names.visits[visit.get() as usize - 1]),
                value: noted.value.clone(),
                how: noted.how,
            }
        })
    }
}

impl Names {
    fn place(&self, at: At) -> Place {
        Place {
            chain: self.chains[at.chain as usize],
            seq: at.seq,
        }
    }
}
