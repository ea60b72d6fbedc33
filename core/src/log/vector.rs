//! Version vectors: what a store holds of one logbook, or what a device knew when it wrote.

use core::cmp::Reverse;

use super::id::{ChainId, Seq};

/// For how many chains more there is room where one comes for which there is none.
const MORE: usize = 8;

/// For each chain, the last entry held; with it every earlier one, since places have no gaps.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct VersionVector(
    // In the order of the chains, which are few.
    Vec<(ChainId, Seq)>,
);

impl VersionVector {
    /// Holds nothing.
    pub const fn new() -> Self {
        Self(Vec::new())
    }

    /// Holds nothing, with room for so many chains.
    pub fn with_capacity(chains: usize) -> Self {
        Self(Vec::with_capacity(chains))
    }

    fn at(&self, chain: ChainId) -> Result<usize, usize> {
        self.0.binary_search_by_key(&chain, |(of, _)| *of)
    }

    /// Returns the last entry held of this chain.
    pub fn last(&self, chain: ChainId) -> Option<Seq> {
        self.at(chain).ok().map(|at| self.0[at].1)
    }

    /// Returns whether that entry is held.
    pub fn includes(&self, chain: ChainId, seq: Seq) -> bool {
        self.last(chain).is_some_and(|last| last >= seq)
    }

    /// Returns whether everything that `other` holds is held.
    pub fn includes_all(&self, other: &Self) -> bool {
        other.iter().all(|(chain, seq)| self.includes(chain, seq))
    }

    /// Holds this entry and all before it; never forgets.
    pub fn learn(&mut self, chain: ChainId, seq: Seq) {
        match self.at(chain) {
            Ok(at) => self.0[at].1 = seq.max(self.0[at].1),
            Err(at) => {
                if self.0.len() == self.0.capacity() {
                    self.0.reserve_exact(MORE);
                }
                self.0.insert(at, (chain, seq));
            }
        }
    }

    /// Holds all that `other` holds.
    pub fn learn_all(&mut self, other: &Self) {
        for (chain, seq) in other.iter() {
            self.learn(chain, seq);
        }
    }

    /// Returns chains and their last entries, by chain.
    pub fn iter(&self) -> impl Iterator<Item = (ChainId, Seq)> + '_ {
        self.0.iter().copied()
    }

    /// Returns whether nothing is held.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// Returns of how many chains anything is held.
    pub fn len(&self) -> usize {
        self.0.len()
    }

    /// Returns how many entries are held in all.
    pub fn entries(&self) -> u64 {
        self.0.iter().map(|(_, seq)| seq.get()).sum()
    }
}

impl FromIterator<(ChainId, Seq)> for VersionVector {
    fn from_iter<I: IntoIterator<Item = (ChainId, Seq)>>(pairs: I) -> Self {
        let mut vector = Self(pairs.into_iter().collect());
        // Of each chain the last first; where they come in order this only looks them through.
        let in_order = |&(chain, seq): &(ChainId, Seq)| (chain, Reverse(seq));
        vector.0.sort_unstable_by_key(in_order);
        vector.0.dedup_by_key(|(chain, _)| *chain);
        vector
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use proptest::prelude::*;

    use super::*;

    fn vector(pairs: &[(u8, u64)]) -> VersionVector {
        pairs
            .iter()
            .map(|&(d, s)| (ChainId::from_bytes([d; 16]), Seq::new(s).unwrap()))
            .collect()
    }

    proptest! {
        #[test]
        fn of_each_chain_the_last_is_held_in_whatever_order_they_come(
            pairs in prop::collection::vec((0_u8..6, 1_u64..9), 0..12),
        ) {
            let mut last = BTreeMap::new();
            for (chain, seq) in &pairs {
                let last = last.entry(*chain).or_insert(*seq);
                *last = (*last).max(*seq);
            }
            let last: Vec<_> = last.into_iter().collect();
            let held = vector(&pairs);
            prop_assert_eq!(held.len(), last.len());
            prop_assert!(held.iter().eq(vector(&last).iter()));
            for (chain, seq) in &last {
                prop_assert_eq!(held.last(ChainId::from_bytes([*chain; 16])), Seq::new(*seq));
            }
            let mut learned = VersionVector::new();
            let by_two = pairs.chunks(2).map(vector);
            by_two.for_each(|some| learned.learn_all(&some));
            prop_assert_eq!(learned, held);
        }
    }

    #[test]
    fn learning_never_forgets() {
        let mut held = vector(&[(1, 5)]);
        held.learn_all(&vector(&[(1, 2)]));
        assert_eq!(held, vector(&[(1, 5)]));
    }
}
