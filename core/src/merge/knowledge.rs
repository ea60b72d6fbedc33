//! Who had seen what: each entry's knowledge, summed from what its device gained.

use std::collections::BTreeMap;

use crate::log::entry::Entry;
use crate::log::id::{DeviceId, Place, Seq};
use crate::log::vector::VersionVector;

/// For one logbook, what every device knew at each of its entries.
#[derive(Debug, Clone, Default)]
pub struct Knowledge {
    // Device -> the entry with which its knowledge grew -> all that it then knew of others.
    grown: BTreeMap<DeviceId, BTreeMap<Seq, VersionVector>>,
}

impl Knowledge {
    /// Sums up the knowledge of these entries, in whatever order they come.
    pub fn of<'a>(entries: impl IntoIterator<Item = &'a Entry>) -> Self {
        let mut grown: BTreeMap<DeviceId, BTreeMap<Seq, VersionVector>> = BTreeMap::new();
        for entry in entries {
            if !entry.gained.is_empty() {
                grown
                    .entry(entry.device)
                    .or_default()
                    .insert(entry.seq, entry.gained.clone());
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
        if by.device == other.device {
            return other.seq < by.seq;
        }
        self.grown
            .get(&by.device)
            .and_then(|steps| steps.range(..=by.seq).next_back())
            .is_some_and(|(_, known)| known.includes(other.device, other.seq))
    }
}
