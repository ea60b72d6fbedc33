//! What was written since a balance, by thing: each write with what its writer had, so that whoever goes
//! on with one thing need not fold the others.

use core::ops::Range;

use super::balance::Chain;
use super::fold::{At, Number, Open};
use super::gathered;
use crate::log::id::{FieldNumber, ThingId};
use crate::log::stamp::Stamp;

/// The writes that came since a balance and count.
#[derive(Debug, Default)]
pub(crate) struct Lately {
    /// The chains of the balance, in their order, and those that began since.
    pub(crate) chains: Vec<Chain>,
    // In the order in which they came,
    all: Vec<Late>,
    // and where those of each thing stand among them, thing after thing.
    order: Vec<Number>,
    things: Vec<(ThingId, Range<usize>)>,
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
        self.all.len()
    }

    /// Returns the things that they are of, in order.
    pub(crate) fn things(&self) -> impl Iterator<Item = ThingId> {
        self.things.iter().map(|(thing, _)| *thing)
    }

    /// Whether any is of a thing.
    pub(crate) fn is_of(&self, thing: ThingId) -> bool {
        self.place(thing).is_some()
    }

    fn place(&self, thing: ThingId) -> Option<Range<usize>> {
        let at = self.things.binary_search_by_key(&thing, |(of, _)| *of);
        self.things.get(at.ok()?).map(|(_, place)| place.clone())
    }

    /// Returns those of a thing, in the order in which they came.
    pub(crate) fn of(&self, thing: ThingId) -> impl Iterator<Item = &Late> {
        let order = self.order[self.place(thing).unwrap_or_default()].iter();
        order.map(|number| &self.all[*number as usize])
    }

    /// Returns the least of the stamps that order those of a thing.
    pub(crate) fn earliest(&self, thing: ThingId) -> Option<Stamp> {
        self.of(thing).map(|late| late.write.stamp).min()
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
    all: Vec<Late>,
    // Of which thing each is.
    things: Vec<Number>,
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
        let chain = write.at.chain as usize;
        if self.now.len() <= chain {
            self.now.resize(chain + 1, None);
        }
        let had = *self.now[chain].get_or_insert_with(|| {
            self.had.push(knows.into());
            self.had.len() as Number - 1
        });
        self.all.push(Late { field, write, had });
        self.things.push(thing);
    }

    /// Returns them by the things whose ids these are.
    pub(super) fn done(
        self,
        chains: Vec<Chain>,
        ids: impl ExactSizeIterator<Item = ThingId>,
    ) -> Lately {
        let (order, places) = gathered::by_list(ids.len(), self.things.iter().copied());
        let things = ids.zip(places).filter(|(_, place)| !place.is_empty());
        let mut things: Vec<_> = things.collect();
        things.sort_unstable_by_key(|(thing, _)| *thing);
        Lately {
            chains,
            all: self.all,
            order,
            things,
            had: self.had,
        }
    }
}
