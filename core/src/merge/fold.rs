//! How changes come to a state as they are read, each entry once and after all that its writer had: who
//! had seen what follows from that, in one pass.

use core::cmp::Reverse;
use core::num::NonZeroU32;
use std::collections::btree_map::Entry;
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

use foldhash::fast::RandomState;

use super::balance::{Balance, Chain};
use super::gathered::{List, Names, Noted};
use super::lately::{Gathering, Lately};
use super::register::{Register, Write};
use super::replay::{self, Placed, State};
use crate::log::entry::Change;
use crate::log::id::{ChainId, FieldNumber, ObservationNumber, Place, Seq, ThingId};
use crate::log::stamp::Stamp;
use crate::log::value::{HowKnown, Value};

/// What the entries so far come to. Chains, people and things have numbers here, so that whoever tells
/// many entries looks each of them up once.
#[derive(Debug, Default)]
pub(crate) struct Fold {
    receipts: BTreeMap<Place, Stamp>,
    held_back: BTreeSet<Place>,
    // What is ordered after it does not count.
    until: Option<Stamp>,
    chains: Vec<Chain>,
    chain_numbers: BTreeMap<ChainId, Number>,
    people_numbers: BTreeMap<Arc<str>, Number>,
    names: Names,
    things: Vec<Thing>,
    thing_numbers: HashMap<ThingId, Number, RandomState>,
    fields: Vec<Field>,
    // How many lists of observations there are, and what is on them, in the order in which it came.
    lists: Number,
    noted: Vec<Noted>,
    // What was written since, if that is asked; and whether nothing else is, so that no field needs be
    // folded.
    lately: Option<Gathering>,
    only_lately: bool,
    // The chain of the last entry, and that entry if it counts.
    chain: Number,
    now: Option<Now>,
}

/// Where one of many stands; that many do not fit a memory.
pub(crate) type Number = u32;
/// One more than that.
pub(crate) type Visit = NonZeroU32;

/// A thing, with the numbers of its fields and of its lists of observations.
#[derive(Debug)]
struct Thing {
    id: ThingId,
    fields: BTreeMap<FieldNumber, Number>,
    lists: BTreeMap<ObservationNumber, Number>,
}

/// What stands in an entry before its changes.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Now {
    pub(crate) at: At,
    /// Its writer's own.
    pub(crate) stamp: Stamp,
    pub(crate) utc_offset_min: i16,
    pub(crate) by: Number,
    pub(crate) visit: Option<Visit>,
}

/// Which entry of which chain.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct At {
    pub(crate) chain: Number,
    pub(crate) seq: Seq,
}

/// A field's open writes: nearly always one.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Field {
    open: Open,
    others: Vec<Open>,
}

/// A write of a field that no other has seen.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Open {
    pub(super) at: At,
    pub(super) stamp: Stamp,
    pub(super) value: Value,
    pub(super) how: HowKnown,
}

impl At {
    /// Whether it came after an entry that its writer had, who had so much of each chain.
    #[inline]
    pub(super) fn follows(self, of: Self, knows: &[u64]) -> bool {
        if of.chain == self.chain {
            return of.seq < self.seq;
        }
        let known = knows.get(of.chain as usize);
        known.is_some_and(|known| *known >= of.seq.get())
    }
}

impl Fold {
    /// Goes on from what entries before came to; of observations it knows none.
    pub(crate) fn resume(balance: Balance) -> Self {
        let mut fold = Self::default();
        for chain in balance.chains {
            fold.chain_numbers
                .insert(chain.id, fold.chains.len() as Number);
            fold.chains.push(chain);
        }
        for ((thing, number), field) in balance.fields {
            fold.fields.push(field);
            let thing = fold.thing(thing) as usize;
            let field = last(&fold.fields);
            fold.things[thing].fields.insert(number, field);
        }
        fold
    }

    /// Learns what hubs and dispatchers say of entries that may come: of one who bears a receipt the stamp
    /// that orders it, and which do not count.
    pub(crate) fn learn(&mut self, receipts: BTreeMap<Place, Stamp>, held_back: BTreeSet<Place>) {
        (self.receipts, self.held_back) = (receipts, held_back);
    }

    /// Lets entries count only up to a moment, by the stamps that order them.
    pub(crate) fn stop_after(&mut self, until: Option<Stamp>) {
        self.until = until;
    }

    /// Folds entries that are in such an order, each of them once.
    pub(crate) fn of(entries: Vec<Placed>) -> State {
        let receipts = replay::receipts(&entries);
        let mut fold = Self::default();
        fold.learn(receipts, replay::held_back(&entries));
        fold.take(entries);
        fold.done()
    }

    /// Takes in entries that come after those so far.
    pub(crate) fn take(&mut self, entries: Vec<Placed>) {
        for Placed {
            place,
            gained,
            entry,
            ..
        } in entries
        {
            let now = Now {
                at: At {
                    chain: self.chain(place.chain),
                    seq: place.seq,
                },
                stamp: entry.stamp,
                utc_offset_min: entry.utc_offset_min,
                by: self.person(&entry.by),
                visit: entry.visit.and_then(|visit| self.visit(visit)),
            };
            self.entry(now);
            for (chain, seq) in gained.iter() {
                let chain = self.chain(chain);
                self.gained(chain, seq);
            }
            for (index, change) in entry.changes.into_iter().enumerate() {
                self.change(index, change);
            }
        }
    }

    /// Returns the number of a chain.
    pub(crate) fn chain(&mut self, id: ChainId) -> Number {
        *self.chain_numbers.entry(id).or_insert_with(|| {
            let knows = Vec::new();
            self.chains.push(Chain {
                id,
                last: None,
                knows,
            });
            last(&self.chains)
        })
    }

    /// Returns the number of a person.
    pub(crate) fn person(&mut self, by: &str) -> Number {
        if let Some(number) = self.people_numbers.get(by) {
            return *number;
        }
        let new = Arc::<str>::from(by);
        self.names.people.push(Arc::clone(&new));
        let number = last(&self.names.people);
        self.people_numbers.insert(new, number);
        number
    }

    /// Returns the number of a visit, which may have several.
    pub(crate) fn visit(&mut self, id: ThingId) -> Option<Visit> {
        let visits = &mut self.names.visits;
        if visits.last() != Some(&id) {
            visits.push(id);
        }
        Visit::new(visits.len() as Number)
    }

    /// Returns the number of a thing.
    pub(crate) fn thing(&mut self, id: ThingId) -> Number {
        *self.thing_numbers.entry(id).or_insert_with(|| {
            self.things.push(Thing {
                id,
                fields: BTreeMap::new(),
                lists: BTreeMap::new(),
            });
            last(&self.things)
        })
    }

    /// Goes on with an entry.
    #[inline]
    pub(crate) fn entry(&mut self, now: Now) {
        self.chain = now.at.chain;
        self.chains[self.chain as usize].last = Some(now.at.seq);
        self.now = Some(now);
        if !self.receipts.is_empty() || !self.held_back.is_empty() || self.until.is_some() {
            self.heed(now);
        }
    }

    /// Heeds what hubs and dispatchers say of the last entry, and up to when entries count.
    fn heed(&mut self, mut now: Now) {
        let place = place(&self.chains, now.at);
        now.stamp = self.receipts.get(&place).copied().unwrap_or(now.stamp);
        let is_after = self.until.is_some_and(|until| now.stamp > until);
        let counts = !is_after && !self.held_back.contains(&place);
        self.now = counts.then_some(now);
    }

    /// The writer of the last entry came to hold all of a chain up to this entry.
    pub(crate) fn gained(&mut self, of: Number, seq: Seq) {
        let knows = &mut self.chains[self.chain as usize].knows;
        let of = of as usize;
        if knows.len() <= of {
            knows.resize(of + 1, 0);
        }
        knows[of] = knows[of].max(seq.get());
        if let Some(lately) = &mut self.lately {
            lately.gained(self.chain);
        }
    }

    /// Takes in a change of the last entry.
    pub(crate) fn change(&mut self, index: usize, change: Change) {
        match change {
            Change::Set {
                thing,
                field,
                value,
                how,
            } => {
                let thing = self.thing(thing);
                self.set(thing, field, value, how);
            }
            Change::Observe {
                thing,
                what,
                value,
                how,
            } => {
                let thing = self.thing(thing);
                self.observe(index, thing, what, value, how);
            }
            Change::Receipt { .. }
            | Change::HoldBack { .. }
            | Change::Admit { .. }
            | Change::Unknown { .. } => {}
        }
    }

    /// The last entry sets a field.
    pub(crate) fn set(&mut self, thing: Number, field: FieldNumber, value: Value, how: HowKnown) {
        let Some(Now { at, stamp, .. }) = self.now else {
            return;
        };
        let write = Open {
            at,
            stamp,
            value,
            how,
        };
        if let Some(lately) = &mut self.lately {
            let knows = &self.chains[at.chain as usize].knows;
            if self.only_lately {
                return lately.set(thing, field, write, knows);
            }
            lately.set(thing, field, write.clone(), knows);
        }
        match self.things[thing as usize].fields.entry(field) {
            Entry::Vacant(new) => {
                self.fields.push(Field::of(write));
                new.insert(last(&self.fields));
            }
            Entry::Occupied(known) => {
                let knows = &self.chains[at.chain as usize].knows;
                let field = &mut self.fields[*known.get() as usize];
                field.absorb(write, |of| at.follows(of, knows));
            }
        }
    }

    /// The last entry's change of this number is an observation.
    pub(crate) fn observe(
        &mut self,
        index: usize,
        thing: Number,
        what: ObservationNumber,
        value: Value,
        how: HowKnown,
    ) {
        let Some(now) = self.now else { return };
        let lists = &mut self.things[thing as usize].lists;
        let list = *lists.entry(what).or_insert_with(|| {
            self.lists += 1;
            self.lists - 1
        });
        self.noted.push(Noted {
            list,
            index: index as u16, // an entry has no room for more
            now,
            value,
            how,
        });
    }

    /// Returns from where to go on.
    pub(crate) fn balance(&self) -> Balance {
        let fields = self.things.iter().flat_map(|thing| {
            let fields = thing.fields.iter();
            fields.map(|(number, field)| {
                let mut field = self.fields[*field as usize].clone();
                field.put_in_order(&self.chains);
                ((thing.id, *number), field)
            })
        });
        let mut fields: Vec<_> = fields.collect();
        fields.sort_unstable_by_key(|(of, _)| *of);
        Balance {
            chains: self.chains.clone(),
            fields,
        }
    }

    /// Keeps from here on what is written, for [`Self::take_lately`].
    pub(crate) fn keep_lately(&mut self) {
        self.lately = Some(Gathering::default());
    }

    /// The same where nobody asks what the fields come to.
    pub(crate) fn keep_only_lately(&mut self) {
        self.keep_lately();
        self.only_lately = true;
    }

    /// Returns what was written since that was asked.
    pub(crate) fn take_lately(&mut self) -> Lately {
        let lately = self.lately.take().unwrap_or_default();
        let ids = self.things.iter().map(|thing| thing.id);
        lately.done(self.chains.clone(), ids)
    }

    /// Returns what they came to.
    pub(crate) fn done(self) -> State {
        let Self {
            chains,
            mut names,
            mut things,
            fields,
            noted,
            lists,
            ..
        } = self;
        let registers = fields.into_iter().map(|field| field.register(&chains));
        let mut by_field: Vec<_> = registers.collect();
        names.chains = chains.iter().map(|chain| chain.id).collect();
        let by_list = List::all(names, noted, lists);
        // In the order of a state's own, in which it is made with little work.
        things.sort_unstable_by_key(|thing| thing.id);
        let registers = things.iter().flat_map(|thing| {
            let fields = thing.fields.iter();
            fields.map(|(field, number)| ((thing.id, *field), *number))
        });
        let registers = registers.filter_map(|(of, number)| {
            let register = by_field[number as usize].take();
            register.map(|register| (of, register))
        });
        let observations = things.iter().flat_map(|thing| {
            let lists = thing.lists.iter();
            lists.map(|(what, number)| ((thing.id, *what), *number))
        });
        let observations = observations.map(|(of, number)| (of, by_list[number as usize].clone()));
        State::folded(registers, observations)
    }
}

fn last<T>(list: &[T]) -> Number {
    list.len() as Number - 1
}

fn place(chains: &[Chain], at: At) -> Place {
    Place {
        chain: chains[at.chain as usize].id,
        seq: at.seq,
    }
}

impl Field {
    /// Begins with a field's first write.
    pub(super) const fn of(write: Open) -> Self {
        Self {
            open: write,
            others: Vec::new(),
        }
    }

    /// Puts another open write beside those that are there.
    pub(super) fn put(&mut self, write: Open) {
        self.others.push(write);
    }

    /// Returns its open writes.
    pub(super) fn open(&self) -> impl Iterator<Item = &Open> {
        core::iter::once(&self.open).chain(&self.others)
    }

    /// Puts its writes in the order of a register.
    pub(super) fn put_in_order(&mut self, chains: &[Chain]) {
        let rank = |open: &Open| Reverse((open.stamp, place(chains, open.at)));
        for other in &mut self.others {
            if rank(other) < rank(&self.open) {
                core::mem::swap(other, &mut self.open);
            }
        }
        self.others.sort_unstable_by_key(rank);
    }

    /// Takes in a write that nobody who wrote before had; `had` tells which entries its writer had.
    pub(super) fn absorb(&mut self, write: Open, had: impl Fn(At) -> bool) {
        let is_it = |open: &Open| open.at == write.at;
        if is_it(&self.open) || self.others.iter().any(is_it) {
            return;
        }
        self.others.retain(|open| !had(open.at));
        if had(self.open.at) {
            self.open = write;
        } else {
            self.others.push(write);
        }
    }

    pub(super) fn register(self, chains: &[Chain]) -> Option<Register> {
        let mut open = Vec::with_capacity(1 + self.others.len());
        for one in core::iter::once(self.open).chain(self.others) {
            open.push(Write {
                place: place(chains, one.at),
                stamp: one.stamp,
                value: one.value,
                how: one.how,
            });
        }
        Register::of_open(open)
    }
}
