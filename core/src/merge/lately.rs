//! What was written since a balance, by thing: each write with what its writer had, so that whoever goes
//! on with one thing need not fold the others.

use std::collections::HashMap;

use foldhash::fast::RandomState;

use super::balance::Chain;
use super::fold::{At, Number, Open};
use crate::log::id::{FieldNumber, ThingId};
use crate::log::stamp::Stamp;

/// The writes that came since a balance and count.
#[derive(Debug, Default)]
pub(crate) struct Lately {
    /// The chains of the balance, in their order, and those that began since.
    pub(crate) chains: Vec<Chain>,
    things: HashMap<ThingId, Vec<Late>, RandomState>,
    had: Vec<Box<[u64]>>,
}

/// One of them.
#[derive(Debug)]
pub(crate) struct Late {
    pub(super) field: FieldNumber,
    pub(super) write: Open,
    // Which of the lists above says what its writer had.
    had: Number,
}

impl Lately {
    /// None, in a logbook of these chains.
    pub(crate) fn none(chains: Vec<Chain>) -> Self {
        Self {
            chains,
            ..Self::default()
        }
    }

    /// Counts them.
    pub(crate) fn len(&self) -> usize {
        self.things.values().map(Vec::len).sum()
    }

    /// Returns the things that they are of, in order.
    pub(crate) fn things(&self) -> Vec<ThingId> {
        let mut things: Vec<_> = self.things.keys().copied().collect();
        things.sort_unstable();
        things
    }

    /// Returns those of a thing, in the order in which they came.
    pub(crate) fn of(&self, thing: ThingId) -> &[Late] {
        self.things.get(&thing).map_or(&[], Vec::as_slice)
    }

    /// Returns the least of the stamps that order those of a thing.
    pub(crate) fn earliest(&self, thing: ThingId) -> Option<Stamp> {
        self.of(thing).iter().map(|late| late.write.stamp).min()
    }

    /// Whether the writer of one of them had an entry before it.
    pub(super) fn saw(&self, late: &Late, of: At) -> bool {
        let had = &self.had[late.had as usize];
        late.write.at.follows(of, had)
    }
}

/// Such writes on their way, by the numbers of a fold.
#[derive(Debug, Default)]
pub(super) struct Gathering {
    things: Vec<Vec<Late>>,
    had: Vec<Box<[u64]>>,
    // Which of them is what the writer of each chain has now, if it is there.
    now: Vec<Option<Number>>,
}

impl Gathering {
    /// The writer of a chain came to have more.
    pub(super) fn gained(&mut self, chain: Number) {
        if let Some(now) = self.now.get_mut(chain as usize) {
            *now = None;
        }
    }

    /// The last entry of a chain, whose writer has so much, sets a field of a thing.
    pub(super) fn set(&mut self, thing: Number, field: FieldNumber, write: Open, knows: &[u64]) {
        let (chain, thing) = (write.at.chain as usize, thing as usize);
        if self.now.len() <= chain {
            self.now.resize(chain + 1, None);
        }
        let had = *self.now[chain].get_or_insert_with(|| {
            self.had.push(knows.into());
            self.had.len() as Number - 1
        });
        if self.things.len() <= thing {
            self.things.resize_with(thing + 1, Vec::new);
        }
        self.things[thing].push(Late { field, write, had });
    }

    /// Returns them by the things whose ids these are.
    pub(super) fn done(self, chains: Vec<Chain>, ids: impl Iterator<Item = ThingId>) -> Lately {
        let things = ids.zip(self.things);
        Lately {
            chains,
            things: things.filter(|(_, list)| !list.is_empty()).collect(),
            had: self.had,
        }
    }
}
