//! Where each id first occurs in a logbook, so that it need not be spelled out to one who holds that
//! entry.

use std::collections::{BTreeMap, BTreeSet};

use crate::log::columns::{self, Found, Short};
use crate::log::id::Arrival;
use crate::log::view::View;

/// The ids of one logbook's entries: of things, visits and devices.
#[derive(Debug, Clone, Default)]
pub(super) struct FirstSeen(BTreeMap<Short, ([u8; 16], Arrival)>);

impl FirstSeen {
    /// Learns the ids of an entry, which came after all those learned before.
    pub(super) fn learn(&mut self, entry: &View<'_>, arrival: Arrival) {
        columns::each_id(entry, |id| self.learn_id(id, arrival));
    }

    /// Learns an id that occurs in an entry.
    pub(super) fn learn_id(&mut self, id: &[u8; 16], arrival: Arrival) {
        let first = self.0.entry(columns::short(id));
        let first = first.or_insert((*id, arrival));
        if first.0 == *id {
            first.1 = first.1.min(arrival);
        }
    }

    /// Returns those of the wanted ones that occur in entries that came up to an arrival. Of two that are
    /// told alike the first is known; whoever is told the other sees that the batch is not right.
    pub(super) fn found(&self, up_to: Arrival, wanted: &BTreeSet<Short>) -> Found {
        let found = wanted.iter().filter_map(|short| {
            let (id, first) = self.0.get(short)?;
            (*first <= up_to).then_some((*short, *id))
        });
        found.collect()
    }

    pub(super) fn len(&self) -> usize {
        self.0.len()
    }
}
