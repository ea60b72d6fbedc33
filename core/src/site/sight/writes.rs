//! The writes of one field, sorted so that those which a writer had seen, and those which neither saw, are
//! found without going through all of them.

use std::collections::BTreeMap;

use super::{Said, Sight, What};
use crate::log::id::{ChainId, FieldNumber, Place, ThingId};
use crate::log::value::Value;
use crate::merge::knowledge::Knowledge;

/// All writes of a field of a thing's records, in the order of their stamps.
pub(super) struct Writes<'a> {
    all: Vec<(ThingId, Said<'a>)>,
    // Those of each record in each chain, in its order: whoever saw one saw those before it.
    runs: BTreeMap<(ThingId, ChainId), Vec<usize>>,
    knowledge: &'a Knowledge,
}

impl<'a> Writes<'a> {
    pub(super) fn of(sight: &Sight<'a>, field: FieldNumber) -> Self {
        let mut all: Vec<(ThingId, Said<'a>)> = Vec::new();
        for by in sight.counting() {
            for change in &by.placed.entry.changes {
                let Some((what, record, value, how)) = What::of(change) else {
                    continue;
                };
                if what == What::Field(field) && sight.records.contains(&record) {
                    let value = value.clone();
                    let said = Said {
                        what,
                        value,
                        how,
                        by,
                    };
                    all.push((record, said));
                }
            }
        }
        all.sort_by_key(|(_, said)| (said.by.stamp, said.by.place));
        // What one entry said of several records counts once.
        all.dedup_by(|(_, one), (_, other)| {
            one.by.place == other.by.place && one.value == other.value
        });
        let mut runs: BTreeMap<_, Vec<usize>> = BTreeMap::new();
        for (at, (record, said)) in all.iter().enumerate() {
            let run = runs.entry((*record, said.by.place.chain)).or_default();
            run.push(at);
        }
        for run in runs.values_mut() {
            run.sort_by_key(|at| all[*at].1.by.place.seq);
        }
        Self {
            all,
            runs,
            knowledge: sight.book.knowledge,
        }
    }

    /// Returns the record of which an entry writes.
    pub(super) fn record_of(&self, own: Place) -> Option<ThingId> {
        let own = self.all.iter().find(|(_, said)| said.by.place == own);
        own.map(|(record, _)| *record)
    }

    /// Returns the values that an entry's write of a record took the place of, its writer having seen them
    /// and nobody else in between.
    pub(super) fn replaced(&self, record: ThingId, own: Place) -> Vec<Said<'a>> {
        let runs = self.runs.iter().filter(|((of, _), _)| *of == record);
        let last_seen = runs.filter_map(|(_, run)| {
            let seen = run.partition_point(|at| self.saw(own, self.place(*at)));
            seen.checked_sub(1).map(|last| run[last])
        });
        let last_seen: Vec<usize> = last_seen.collect();
        let between = |other: usize| {
            let mut others = last_seen.iter();
            others.any(|at| *at != other && self.saw(self.place(*at), self.place(other)))
        };
        let replaced = last_seen.iter().copied().filter(|at| !between(*at));
        self.said(replaced.collect())
    }

    /// Returns the writes of which an entry's writer did not know, nor they of it.
    pub(super) fn apart(&self, own: Place, wanted: impl Fn(&Value) -> bool) -> Vec<Said<'a>> {
        let apart = self.runs.values().flat_map(|run| {
            let from = run.partition_point(|at| self.saw(own, self.place(*at)));
            let rest = run[from..].iter().copied();
            let apart = rest.take_while(|at| !self.saw(self.place(*at), own));
            apart.filter(|at| self.place(*at) != own && wanted(&self.all[*at].1.value))
        });
        self.said(apart.collect())
    }

    fn said(&self, mut of: Vec<usize>) -> Vec<Said<'a>> {
        of.sort_unstable();
        of.into_iter().map(|at| self.all[at].1.clone()).collect()
    }

    fn place(&self, at: usize) -> Place {
        self.all[at].1.by.place
    }

    fn saw(&self, by: Place, other: Place) -> bool {
        self.knowledge.saw(by, other)
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use proptest::prelude::*;

    use super::super::{Book, Written};
    use super::*;
    use crate::log::entry::Change;
    use crate::log::stamp::WallMs;
    use crate::merge::crews::{self, THING};
    use crate::merge::replay::{self, Placed, State};
    use crate::site::fields::any;
    use crate::site::things::Site;

    const SECOND: ThingId = ThingId::from_bytes([7; 16]);

    /// Lets some writes be of a second record, and some removals.
    fn of_two_records(mut placed: Vec<Placed>) -> Vec<Placed> {
        for change in placed
            .iter_mut()
            .flat_map(|placed| &mut placed.entry.changes)
        {
            if let Change::Set {
                thing,
                field,
                value,
                ..
            } = change
            {
                match field.0 {
                    1 => (*thing, *field) = (SECOND, FieldNumber(0)),
                    2 => {
                        let removes = *value == Value::Int(1);
                        (*field, *value) = (any::REMOVED.number, Value::Bool(removes));
                    }
                    _ => {}
                }
            }
        }
        placed
    }

    proptest! {
        /// Held against going through all writes, one against the other.
        #[test]
        fn what_was_replaced_and_what_stands_apart_is_what_all_writes_say(steps in crews::steps()) {
            let placed = of_two_records(crews::play(&steps).told());
            let held_back = replay::held_back(&placed);
            let stamps = replay::receipts(&placed);
            let state = State::of(&placed);
            let site = Site::of(&state, crews::LOGBOOK);
            let knowledge = Knowledge::of(&placed);
            let entries = placed.iter().map(|placed| {
                let stamp = stamps.get(&placed.place).copied();
                let written = Written {
                    placed,
                    stamp: stamp.unwrap_or(placed.entry.stamp),
                    arrived: WallMs::new(0),
                    held_back: held_back.contains(&placed.place),
                };
                (placed.place, written)
            });
            let book = Book::of(&site, entries.collect(), &knowledge);
            let records = BTreeSet::from([THING, SECOND]);
            let sight = Sight::over(&book, records);
            for field in [FieldNumber(0), FieldNumber(3), any::REMOVED.number] {
                let writes = Writes::of(&sight, field);
                let saw = |by: Place, other: Place| knowledge.saw(by, other);
                let told = |said: Vec<Said<'_>>| -> Vec<_> {
                    said.into_iter().map(|said| (said.by.place, said.value)).collect()
                };
                for own in placed.iter().map(|placed| placed.place) {
                    for record in [THING, SECOND] {
                        let of_record = || {
                            let all = writes.all.iter().filter(|(of, _)| *of == record);
                            all.map(|(_, said)| (said.by.place, said.value.clone()))
                        };
                        let between = |other: Place| {
                            of_record().any(|(at, _)| {
                                at != other && saw(own, at) && saw(at, other)
                            })
                        };
                        let replaced = of_record().filter(|(at, _)| saw(own, *at) && !between(*at));
                        prop_assert_eq!(
                            told(writes.replaced(record, own)),
                            replaced.collect::<Vec<_>>()
                        );
                    }
                    let all = writes.all.iter();
                    let apart = all.filter(|(_, said)| {
                        let at = said.by.place;
                        at != own && !saw(own, at) && !saw(at, own)
                    });
                    let apart = apart.map(|(_, said)| (said.by.place, said.value.clone()));
                    prop_assert_eq!(told(writes.apart(own, |_| true)), apart.collect::<Vec<_>>());
                }
            }
        }
    }
}
