//! Maps by ids that are found quickly: ids are chance for the most part, and need little more mixing. What
//! is mixed in is the map's own, so that nobody makes ids that all land in one place.

use std::collections::HashMap;
use std::hash::{BuildHasher, Hasher, RandomState};

/// Values by the bytes of ids, read as one number.
pub(crate) type ById<V> = HashMap<u128, V, Keyed>;

/// Returns the key of an id.
pub(crate) const fn key(id: &[u8; 16]) -> u128 {
    u128::from_le_bytes(*id)
}

/// What one map mixes in.
#[derive(Debug, Clone)]
pub(crate) struct Keyed([u64; 2]);

impl Default for Keyed {
    fn default() -> Self {
        let chance = RandomState::new();
        Self([chance.hash_one(0), chance.hash_one(1)])
    }
}

impl BuildHasher for Keyed {
    type Hasher = Mixing;

    fn build_hasher(&self) -> Mixing {
        Mixing {
            keys: self.0,
            mixed: 0,
        }
    }
}

/// Mixes one number.
#[derive(Debug)]
pub(crate) struct Mixing {
    keys: [u64; 2],
    mixed: u64,
}

impl Hasher for Mixing {
    fn finish(&self) -> u64 {
        self.mixed
    }

    fn write(&mut self, bytes: &[u8]) {
        for byte in bytes {
            self.write_u128(u128::from(self.mixed) << 8 | u128::from(*byte));
        }
    }

    /// Both halves with a key each, multiplied in full; then the product's halves.
    #[inline]
    fn write_u128(&mut self, number: u128) {
        let [low, high] = self.keys;
        let (low, high) = (number as u64 ^ low, (number >> 64) as u64 ^ high);
        let product = u128::from(low) * u128::from(high);
        self.mixed = product as u64 ^ (product >> 64) as u64;
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    #[test]
    fn ids_that_differ_in_one_byte_land_apart_and_another_map_puts_them_elsewhere() {
        let ids = (0..16).flat_map(|at| (0..=255).map(move |byte| (at, byte)));
        let ids = ids.map(|(at, byte)| {
            let mut id = [7; 16];
            id[at] = byte;
            key(&id)
        });
        let ids: BTreeSet<u128> = ids.collect();
        let (one, other) = (Keyed::default(), Keyed::default());
        // The map tells places apart by the lowest bits.
        let places = |keyed: &Keyed| -> Vec<u64> {
            ids.iter().map(|id| keyed.hash_one(id) & 0xFFFF).collect()
        };
        let apart: BTreeSet<_> = places(&one).into_iter().collect();
        assert!(
            apart.len() > ids.len() * 9 / 10,
            "{} of {}",
            apart.len(),
            ids.len()
        );
        assert_ne!(places(&one), places(&other));
    }
}
