//! Who had seen what: each entry's knowledge, summed from what its device gained.

use std::collections::BTreeMap;

use super::replay::Placed;
use crate::log::id::{ChainId, Place, Seq};
use crate::log::vector::VersionVector;

/// For one logbook, what the writers of every chain knew at each of their entries.
#[derive(Debug, Clone, Default)]
pub struct Knowledge {
    // Chain -> the entry with which its writer's knowledge grew -> all that they then knew.
    grown: BTreeMap<ChainId, BTreeMap<Seq, VersionVector>>,
}

impl Knowledge {
    /// Sums up the knowledge of these entries, in whatever order they come.
    pub fn of<'a>(entries: impl IntoIterator<Item = &'a Placed>) -> Self {
        let mut grown: BTreeMap<ChainId, BTreeMap<Seq, VersionVector>> = BTreeMap::new();
        for Placed { place, gained, .. } in entries {
            if !gained.is_empty() {
                let steps = grown.entry(place.chain).or_default();
                steps.insert(place.seq, gained.clone());
            }
        }
        for steps in grown.values_mut() {
            let mut sum = VersionVector::new();
            for gained in steps.values_mut() {
                sum.learn_all(gained);
                *gained = sum.clone();
            }
        }
        Self { grown }
    }

    /// Returns whether the writer of entry `by` had entry `other` before them.
    pub fn saw(&self, by: Place, other: Place) -> bool {
        if by.chain == other.chain {
            return other.seq < by.seq;
        }
        self.grown
            .get(&by.chain)
            .and_then(|steps| steps.range(..=by.seq).next_back())
            .is_some_and(|(_, known)| known.includes(other.chain, other.seq))
    }
}
