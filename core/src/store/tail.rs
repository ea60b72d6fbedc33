//! What came last and lies in no block yet. Most of it is only told and laid out, and gone in the evening:
//! its bytes lie one behind the other, and an entry is taken apart when somebody asks what it says.

use std::sync::{Arc, OnceLock};

use super::filed::{Filed, Lying};
use crate::log::id::{Arrival, LogbookId};
use crate::log::raws::Raws;
use crate::log::stamp::WallMs;
use crate::log::view::View;

/// Entries in order of arrival.
#[derive(Debug, Clone, Default)]
pub(super) struct Tail {
    entries: Raws,
    came: Vec<Came>,
}

#[derive(Debug, Clone)]
struct Came {
    arrival: Arrival,
    arrived: WallMs,
    filed: OnceLock<Arc<Filed>>,
}

impl Tail {
    pub(super) const fn len(&self) -> usize {
        self.came.len()
    }

    pub(super) const fn is_empty(&self) -> bool {
        self.came.is_empty()
    }

    /// Puts an entry behind the others.
    pub(super) fn push(&mut self, entry: &View<'_>, arrival: Arrival, arrived: WallMs) {
        self.entries.push(entry);
        self.came.push(Came {
            arrival,
            arrived,
            filed: OnceLock::new(),
        });
    }

    #[inline]
    fn at(&self, nth: usize) -> Lying<'_> {
        let came = &self.came[nth];
        Lying {
            arrival: came.arrival,
            arrived: came.arrived,
            raw: self.entries.get(nth),
        }
    }

    /// Returns an entry, by its number from zero.
    pub(super) fn get(&self, nth: usize) -> Option<Lying<'_>> {
        (nth < self.len()).then(|| self.at(nth))
    }

    pub(super) fn iter(&self) -> impl DoubleEndedIterator<Item = Lying<'_>> {
        (0..self.len()).map(|nth| self.at(nth))
    }

    /// Those that came after an arrival.
    pub(super) fn after(&self, arrival: Arrival) -> impl Iterator<Item = Lying<'_>> {
        let from = self.came.partition_point(|came| came.arrival <= arrival);
        (from..self.len()).map(|nth| self.at(nth))
    }

    /// Those of a logbook, taken apart.
    pub(super) fn of(&self, logbook: LogbookId) -> impl Iterator<Item = &Arc<Filed>> {
        let all = self.came.iter().enumerate();
        let of_it = all.filter(move |(nth, _)| self.entries.get(*nth).logbook() == logbook);
        of_it.map(|(nth, came)| {
            let apart = || Arc::new(self.at(nth).filed().expect("it was read before"));
            came.filed.get_or_init(apart)
        })
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::log::codec::{self, tests::entry};
    use crate::log::written::Written;

    proptest! {
        #[test]
        fn what_came_is_found_in_its_order_whole_by_its_logbook_and_after_an_arrival(
            entries in prop::collection::vec((entry(), 1_u64..4), 0..8),
            after in 0_u64..20,
        ) {
            let (mut tail, mut filed, mut arrival) = (Tail::default(), Vec::new(), 0);
            for (entry, later) in &entries {
                arrival += later;
                let raw = codec::encode(entry).unwrap();
                let view = View::read(&raw).unwrap();
                tail.push(&view, Arrival(arrival), WallMs::new(arrival * 7));
                filed.push(Filed {
                    arrival: Arrival(arrival),
                    arrived: WallMs::new(arrival * 7),
                    written: Written::of(&view).unwrap(),
                });
            }
            prop_assert_eq!((tail.len(), tail.is_empty()), (filed.len(), filed.is_empty()));
            let here = tail.iter().map(|lying| lying.filed().unwrap());
            prop_assert!(here.eq(filed.iter().cloned()));
            prop_assert!(tail.get(filed.len()).is_none());
            let found = tail.after(Arrival(after)).map(|lying| lying.arrival);
            let came_after = filed.iter().filter(|filed| filed.arrival.0 > after);
            prop_assert!(found.eq(came_after.map(|filed| filed.arrival)));
            for one in &filed {
                let logbook = one.written.entry.logbook;
                let of_it = filed.iter().filter(|filed| filed.written.entry.logbook == logbook);
                // Taken apart once, and there the next time.
                for _ in 0..2 {
                    prop_assert!(tail.of(logbook).map(|filed| &**filed).eq(of_it.clone()));
                }
            }
        }
    }
}
