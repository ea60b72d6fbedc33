//! How changes come to a state: put on a [`Pile`] in any order by who knows what their writers had
//! seen, or by a [`Fold`], which finds that out as it goes, where each entry comes after all that its
//! writer had.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

use super::register::{Register, Write};
use super::replay::{self, Observation, Placed, State};
use crate::log::entry::Change;
use crate::log::id::{ChainId, FieldNumber, ObservationNumber, Place, Seq, ThingId};
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

/// What the entries so far come to, each of which came after all that its writer had.
#[derive(Debug, Default)]
pub(crate) struct Fold {
    receipts: BTreeMap<Place, Stamp>,
    held_back: BTreeSet<Place>,
    chains: Vec<Chain>,
    by_id: BTreeMap<ChainId, usize>,
    // Where the last entry's chain stands: most entries come after one of the same chain.
    latest: usize,
    // Of the last entry.
    said: Option<Said>,
    pile: Pile,
}

/// One chain, and how far its writer has each of the others.
#[derive(Debug)]
struct Chain {
    id: ChainId,
    // By where the other stands; zero is nothing.
    knows: Vec<u64>,
}

impl Fold {
    /// Begins with what hubs and dispatchers say of entries that may come: of one who bears a receipt
    /// the stamp that orders it, and which do not count.
    pub(crate) fn with(receipts: BTreeMap<Place, Stamp>, held_back: BTreeSet<Place>) -> Self {
        Self {
            receipts,
            held_back,
            ..Self::default()
        }
    }

    /// Folds entries that are in such an order.
    pub(crate) fn of(entries: Vec<Placed>) -> State {
        let receipts = replay::receipts(&entries);
        let mut fold = Self::with(receipts, replay::held_back(&entries));
        for Placed {
            place,
            gained,
            entry,
            ..
        } in entries
        {
            let said = Said {
                place,
                stamp: entry.stamp,
                utc_offset_min: entry.utc_offset_min,
                by: fold.person(&entry.by),
                visit: entry.visit,
            };
            fold.entry(said, gained.iter());
            for (index, change) in entry.changes.into_iter().enumerate() {
                fold.change(index, change);
            }
        }
        fold.done()
    }

    /// Returns one name for all entries of a person.
    pub(crate) fn person(&mut self, by: &str) -> Arc<str> {
        match &self.said {
            Some(said) if *said.by == *by => Arc::clone(&said.by),
            _ => self.pile.person(by),
        }
    }

    /// Goes on with an entry, said with its writer's own stamp, whose writer came to hold all up to
    /// these of other chains.
    pub(crate) fn entry(
        &mut self,
        mut said: Said,
        gained: impl IntoIterator<Item = (ChainId, Seq)>,
    ) {
        let place = said.place;
        let at = self.chain(place.chain);
        for (of, seq) in gained {
            let of = self.chain(of);
            let knows = &mut self.chains[at].knows;
            if knows.len() <= of {
                knows.resize(of + 1, 0);
            }
            knows[of] = knows[of].max(seq.get());
        }
        self.latest = at;
        if !self.receipts.is_empty()
            && let Some(stamp) = self.receipts.get(&place)
        {
            said.stamp = *stamp;
        }
        self.said = Some(said);
    }

    /// Takes in a change of the entry that came last.
    pub(crate) fn change(&mut self, index: usize, change: Change) {
        let Some(said) = &self.said else { return };
        let place = said.place;
        if !self.held_back.is_empty() && self.held_back.contains(&place) {
            return;
        }
        let (knows, by_id) = (&self.chains[self.latest].knows, &self.by_id);
        let had = |of: Place| {
            if of.chain == place.chain {
                return of.seq < place.seq;
            }
            let known = by_id.get(&of.chain).and_then(|at| knows.get(*at));
            known.is_some_and(|known| *known >= of.seq.get())
        };
        // Nobody who wrote before had this entry.
        let saw = |by: Place, of: Place| by == place && had(of);
        self.pile.take(said, index, change, saw);
    }

    /// Returns what they came to.
    pub(crate) fn done(self) -> State {
        self.pile.done()
    }

    fn chain(&mut self, id: ChainId) -> usize {
        match self.chains.get(self.latest) {
            Some(chain) if chain.id == id => self.latest,
            _ => *self.by_id.entry(id).or_insert_with(|| {
                let knows = Vec::new();
                self.chains.push(Chain { id, knows });
                self.chains.len() - 1
            }),
        }
    }
}
