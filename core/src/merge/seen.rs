//! The observations of one kind of one thing, which are packed, or as they were folded, until somebody
//! asks.

use std::sync::OnceLock;

use super::bundle::Packed;
use super::gathered::List;
use super::state::Observation;
use crate::log::value::Value;

/// Observations in the order of their stamps.
#[derive(Debug, Clone, Default)]
pub(super) struct Seen {
    packed: Vec<Packed>,
    folded: Option<List>,
    // In order, and none of them among the others.
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

    /// Of observations as they were folded.
    pub(super) fn folded(list: List) -> Self {
        Self {
            folded: Some(list),
            ..Self::default()
        }
    }

    /// Whether all of them are made.
    fn is_made(&self) -> bool {
        self.packed.is_empty() && self.folded.is_none()
    }

    /// Returns all of them.
    pub(super) fn list(&self) -> &[Observation] {
        if self.is_made() {
            return &self.since;
        }
        self.all.get_or_init(|| {
            let mut all = Vec::with_capacity(self.len());
            let folded = self.folded.iter().flat_map(List::made);
            for seen in self.packed.iter().flat_map(Packed::unpacked).chain(folded) {
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
        let packed: usize = self.packed.iter().map(Packed::len).sum();
        packed + self.folded.as_ref().map_or(0, List::len) + self.since.len()
    }

    /// How much memory they take, in observations that are made: eight that are packed take as much as one.
    pub(super) fn weight(&self) -> usize {
        let packed: usize = self.packed.iter().map(Packed::len).sum();
        self.len() - packed + packed / 8
    }

    /// Whether the value of one of them may be absent.
    pub(super) fn may_be_blank(&self) -> bool {
        let is_blank = |seen: &Observation| matches!(seen.value, Value::Absent(_));
        self.packed.iter().any(Packed::has_blanks)
            || self.folded.iter().any(List::has_blanks)
            || self.since.iter().any(is_blank)
    }

    /// Puts one at its place in time; one already there stays as it is.
    pub(super) fn put(&mut self, seen: Observation) {
        if !self.is_made() {
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

/// Made or not, they are the same.
impl PartialEq for Seen {
    fn eq(&self, other: &Self) -> bool {
        self.list() == other.list()
    }
}
