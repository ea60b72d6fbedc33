//! What is kept in memory because it may be asked for again.

use std::collections::BTreeMap;

/// Values by their keys, up to a size; where there is no more room, all of them go.
#[derive(Debug)]
pub(super) struct AtHand<K, V> {
    kept: BTreeMap<K, V>,
    size: usize,
    most: usize,
    size_of: fn(&V) -> usize,
}

impl<K: Ord, V> AtHand<K, V> {
    /// Keeps nothing yet, and later values of so much size, each as `size_of` says.
    pub(super) fn up_to(most: usize, size_of: fn(&V) -> usize) -> Self {
        Self {
            kept: BTreeMap::new(),
            size: 0,
            most,
            size_of,
        }
    }

    /// Keeps no more than so much from now on.
    pub(super) fn keep_up_to(&mut self, most: usize) {
        self.most = most;
        if self.size > most {
            self.clear();
        }
    }

    pub(super) fn is_empty(&self) -> bool {
        self.kept.is_empty()
    }

    pub(super) fn get(&self, key: &K) -> Option<&V> {
        self.kept.get(key)
    }

    pub(super) fn keep(&mut self, key: K, value: V) {
        self.remove(&key);
        let size = (self.size_of)(&value);
        if self.size + size > self.most {
            self.clear();
        }
        self.size += size;
        self.kept.insert(key, value);
    }

    /// Changes a value, if it is kept.
    pub(super) fn change(&mut self, key: &K, change: impl FnOnce(&mut V)) {
        if let Some(value) = self.kept.get_mut(key) {
            self.size -= (self.size_of)(value);
            change(value);
            self.size += (self.size_of)(value);
        }
    }

    /// Takes a value out.
    pub(super) fn remove(&mut self, key: &K) -> Option<V> {
        let value = self.kept.remove(key)?;
        self.size -= (self.size_of)(&value);
        Some(value)
    }

    pub(super) fn clear(&mut self) {
        self.kept.clear();
        self.size = 0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_more_is_kept_than_there_is_room_for_whatever_is_changed_replaced_or_taken_out() {
        let mut kept: AtHand<u8, Vec<u8>> = AtHand::up_to(10, Vec::len);
        kept.keep(1, vec![0; 4]);
        kept.keep(1, vec![0; 6]);
        kept.keep(2, vec![0; 4]);
        assert_eq!((kept.get(&1).map(Vec::len), kept.size), (Some(6), 10));
        kept.change(&1, |value| value.truncate(3));
        kept.keep(3, vec![0; 3]);
        assert_eq!((kept.get(&2).map(Vec::len), kept.size), (Some(4), 10));
        assert_eq!(kept.remove(&2).map(|value| value.len()), Some(4));
        kept.keep(4, vec![0; 5]);
        assert_eq!((kept.get(&1), kept.get(&4).map(Vec::len)), (None, Some(5)));
        assert_eq!(kept.size, 5);
        kept.keep_up_to(0);
        assert_eq!(kept.get(&4), None);
        for key in [5, 6] {
            kept.keep(key, vec![0; 7]);
        }
        let left = [5, 6].map(|key| kept.get(&key).map(Vec::len));
        assert_eq!(
            left,
            [None, Some(7)],
            "the last one is at hand whatever its size"
        );
    }
}
