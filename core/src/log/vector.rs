//! Version vectors: what a store holds of one logbook, or what a device knew when it wrote.

use std::collections::BTreeMap;

use super::id::{ChainId, Seq};

/// For each chain, the last entry held; with it every earlier one, since places have no gaps.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct VersionVector(BTreeMap<ChainId, Seq>);

impl VersionVector {
    /// Holds nothing.
    pub const fn new() -> Self {
        Self(BTreeMap::new())
    }

    /// Returns the last entry held of this chain.
    pub fn last(&self, chain: ChainId) -> Option<Seq> {
        self.0.get(&chain).copied()
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
        let last = self.0.entry(chain).or_insert(seq);
        *last = seq.max(*last);
    }

    /// Holds all that `other` holds.
    pub fn learn_all(&mut self, other: &Self) {
        for (chain, seq) in other.iter() {
            self.learn(chain, seq);
        }
    }

    /// Returns chains and their last entries, by chain.
    pub fn iter(&self) -> impl Iterator<Item = (ChainId, Seq)> + '_ {
        self.0.iter().map(|(&chain, &seq)| (chain, seq))
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
        self.0.values().map(|seq| seq.get()).sum()
    }
}

impl FromIterator<(ChainId, Seq)> for VersionVector {
    fn from_iter<I: IntoIterator<Item = (ChainId, Seq)>>(pairs: I) -> Self {
        let mut vector = Self::new();
        for (chain, seq) in pairs {
            vector.learn(chain, seq);
        }
        vector
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn vector(pairs: &[(u8, u64)]) -> VersionVector {
        pairs
            .iter()
            .map(|&(d, s)| (ChainId::from_bytes([d; 16]), Seq::new(s).unwrap()))
            .collect()
    }

    #[test]
    fn learning_never_forgets() {
        let mut held = vector(&[(1, 5)]);
        held.learn_all(&vector(&[(1, 2)]));
        assert_eq!(held, vector(&[(1, 5)]));
    }
}
