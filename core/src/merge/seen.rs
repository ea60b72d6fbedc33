//! The observations of one kind of one thing, of which those of long ago are packed until somebody asks.

use std::sync::OnceLock;

use super::bundle::Packed;
use super::state::Observation;
use crate::log::value::Value;

/// Observations in the order of their stamps.
#[derive(Debug, Clone, Default)]
pub(super) struct Seen {
    packed: Vec<Packed>,
    // In order, and none of them packed.
    since: Vec<Observation>,
    // All of them, once somebody asked.
    all: OnceLock<Vec<Observation>>,
}

impl Seen {
    /// Of observations that are in order.
    pub(super) fn of(list: Vec<Observation>) -> Self {
        Self {
            since: list,
            ..Self::default()
        }
    }

    /// Returns all of them.
    pub(super) fn list(&self) -> &[Observation] {
        if self.packed.is_empty() {
            return &self.since;
        }
        self.all.get_or_init(|| {
            let mut all = Vec::with_capacity(self.len());
            for seen in self.packed.iter().flat_map(Packed::unpacked) {
                Observation::put(&mut all, seen);
            }
            for seen in &self.since {
                Observation::put(&mut all, seen.clone());
            }
            all
        })
    }

    /// Counts them.
    pub(super) fn len(&self) -> usize {
        self.packed.iter().map(Packed::len).sum::<usize>() + self.since.len()
    }

    /// Whether the value of one of them may be absent.
    pub(super) fn may_be_blank(&self) -> bool {
        let is_blank = |seen: &Observation| matches!(seen.value, Value::Absent(_));
        self.packed.iter().any(Packed::has_blanks) || self.since.iter().any(is_blank)
    }

    /// Puts one at its place in time; one already there stays as it is.
    pub(super) fn put(&mut self, seen: Observation) {
        if !self.packed.is_empty() {
            let all = self.list().to_vec();
            *self = Self::of(all);
        }
        Observation::put(&mut self.since, seen);
    }

    /// Puts in those that are packed, none of which are here.
    pub(super) fn put_packed(&mut self, packed: Packed) {
        self.packed.push(packed);
        self.all = OnceLock::new();
    }
}

/// Packed or not, they are the same.
impl PartialEq for Seen {
    fn eq(&self, other: &Self) -> bool {
        self.list() == other.list()
    }
}
