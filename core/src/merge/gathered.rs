//! Observations as a fold came by them: found by their list, and made one list at a time when somebody
//! asks.

use core::ops::Range;
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
        let (order, places) = by_list(lists as usize, noted.iter().map(|one| one.list));
        let gathered = Arc::new(Gathered {
            names,
            noted,
            order,
        });
        let lists = places.into_iter().map(|place| Self {
            gathered: Arc::clone(&gathered),
            from: place.start,
            to: place.end,
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

/// Sorts what is on so many lists, of each of which it is told on which: returns the numbers of those on list
/// after list, each in the order in which it came, and where those of each list stand.
pub(super) fn by_list(
    lists: usize,
    on: impl Iterator<Item = Number> + Clone,
) -> (Vec<Number>, Vec<Range<usize>>) {
    // Where each list ends, and until it is filled where its next one goes.
    let mut ends = vec![0_usize; lists + 1];
    for list in on.clone() {
        ends[list as usize + 1] += 1;
    }
    for list in 1..ends.len() {
        ends[list] += ends[list - 1];
    }
    let mut order = vec![0; ends[lists]];
    for (number, list) in (0..).zip(on) {
        let next = &mut ends[list as usize];
        order[*next] = number;
        *next += 1;
    }
    let mut from = 0;
    let ends = ends.into_iter().take(lists);
    let places = ends.map(|to| core::mem::replace(&mut from, to)..to);
    (order, places.collect())
}

impl Names {
    fn place(&self, at: At) -> Place {
        Place {
            chain: self.chains[at.chain as usize],
            seq: at.seq,
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::log::id::Seq;
    use crate::log::stamp::{Stamp, WallMs};
    use crate::log::value::Absence;

    proptest! {
        #[test]
        fn each_list_has_its_own_in_the_order_in_which_they_came(
            lists in prop::collection::vec((0_u32..6, any::<bool>()), 0..60),
        ) {
            let noted = lists.iter().zip(1_u64..).map(|(&(list, is_blank), number)| Noted {
                list,
                index: 0,
                now: Now {
                    at: At { chain: 0, seq: Seq::new(number).unwrap() },
                    stamp: Stamp::new(WallMs::new(number), 0),
                    utc_offset_min: -60,
                    by: (number % 2) as Number,
                    visit: core::num::NonZeroU32::new((number % 3) as Number),
                },
                value: if is_blank {
                    Value::Absent(Absence::Cleared)
                } else {
                    Value::Int(number as i64)
                },
                how: HowKnown::Measured,
            });
            let names = Names {
                chains: vec![ChainId::from_bytes([1; 16])],
                people: vec!["R. Ash".into(), "T. Birch".into()],
                visits: vec![ThingId::from_bytes([2; 16]), ThingId::from_bytes([3; 16])],
            };
            let all = List::all(names, noted.collect(), 7);
            prop_assert_eq!(all.len(), 7);
            for (number, list) in (0..).zip(&all) {
                let here = lists.iter().zip(1_u64..).filter(|((of, _), _)| *of == number);
                let blanks = here.clone().any(|((_, is_blank), _)| *is_blank);
                let right: Vec<_> = here.map(|(_, number)| number).collect();
                let made: Vec<_> = list.made().collect();
                let told = made.iter().map(|seen| seen.place.seq.get());
                prop_assert_eq!(told.collect::<Vec<_>>(), right);
                prop_assert_eq!((list.len(), list.has_blanks()), (made.len(), blanks));
                for seen in made {
                    let number = seen.place.seq.get();
                    let visit = [None, Some(2), Some(3)][(number % 3) as usize];
                    prop_assert_eq!(&*seen.by, ["R. Ash", "T. Birch"][(number % 2) as usize]);
                    prop_assert_eq!(seen.visit, visit.map(|id| ThingId::from_bytes([id; 16])));
                    prop_assert_eq!(seen.stamp.wall().get(), number);
                }
            }
        }
    }
}
