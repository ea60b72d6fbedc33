//! One field: the write in force and the writes beside it that nobody has seen.

use crate::log::id::Place;
use crate::log::stamp::Stamp;
use crate::log::value::{HowKnown, Value};

/// One write of one field.
#[derive(Debug, Clone, PartialEq)]
pub struct Write {
    /// The entry that made it.
    pub place: Place,
    /// The stamp that orders it: the writer's, or that of a hub's receipt.
    pub stamp: Stamp,
    /// What was written.
    pub value: Value,
    /// How that was known.
    pub how: HowKnown,
}

impl Write {
    fn rank(&self) -> (Stamp, Place) {
        (self.stamp, self.place)
    }
}

/// A field's open writes: those that no other write saw. Never empty; the first is in force.
#[derive(Debug, Clone, PartialEq)]
pub struct Register {
    // Latest first, by stamp, then chain, then number.
    open: Vec<Write>,
}

impl Register {
    /// Begins with a field's first write.
    pub fn of(write: Write) -> Self {
        Self { open: vec![write] }
    }

    /// Makes a register of open writes that came from one; none if there are none.
    pub(crate) fn of_open(mut open: Vec<Write>) -> Option<Self> {
        open.sort_by_key(|write| core::cmp::Reverse(write.rank()));
        if open.is_empty() {
            None
        } else {
            Some(Self { open })
        }
    }

    /// Puts this register's writes before those of another, whatever their stamps.
    pub(crate) fn before(mut self, other: &Self) -> Self {
        self.open.extend_from_slice(&other.open);
        self
    }

    /// Returns the write in force.
    pub fn in_force(&self) -> &Write {
        self.open
            .first()
            .expect("a register is made with a write and never left without one")
    }

    /// Returns every open write, the one in force first.
    pub fn open(&self) -> &[Write] {
        &self.open
    }

    /// Returns whether the field stands in two versions: somebody wrote another value without
    /// having seen the one in force. Two people who wrote the same agree.
    pub fn stands_in_two_versions(&self) -> bool {
        self.open
            .iter()
            .any(|write| write.value != self.in_force().value)
    }

    /// Takes in a write. `saw(a, b)` tells whether the writer of entry `a` had entry `b` before
    /// them; it must hold for all that `b` had seen, too.
    pub fn absorb(&mut self, write: Write, saw: impl Fn(Place, Place) -> bool) {
        let known = |open: &Write| open.place == write.place || saw(open.place, write.place);
        if self.open.iter().any(known) {
            return;
        }
        self.open.retain(|open| !saw(write.place, open.place));
        let after = self.open.partition_point(|open| open.rank() > write.rank());
        self.open.insert(after, write);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::log::id::{ChainId, Seq};
    use crate::log::stamp::WallMs;

    fn write(device: u8, wall: u64, words: &str) -> Write {
        Write {
            place: Place {
                chain: ChainId::from_bytes([device; 16]),
                seq: Seq::FIRST,
            },
            stamp: Stamp::new(WallMs::new(wall), 0),
            value: Value::text(words),
            how: HowKnown::Unstated,
        }
    }

    fn words(register: &Register) -> Vec<&str> {
        register
            .open()
            .iter()
            .filter_map(|write| write.value.as_text())
            .collect()
    }

    #[test]
    fn two_who_did_not_see_each_other_stand_beside_each_other_latest_first() {
        let mut register = Register::of(write(1, 10, "quarter"));
        register.absorb(write(2, 20, "half"), |_, _| false);
        assert_eq!(words(&register), ["half", "quarter"]);
        assert!(register.stands_in_two_versions());
    }

    #[test]
    fn a_write_that_saw_the_other_wins_though_its_clock_is_behind() {
        let mut register = Register::of(write(1, 99_999, "quarter"));
        let later = write(2, 20, "half");
        let (by, of) = (later.place, register.in_force().place);
        register.absorb(later, |a, b| a == by && b == of);
        assert_eq!(words(&register), ["half"]);
    }

    #[test]
    fn two_who_wrote_the_same_agree() {
        let mut register = Register::of(write(1, 10, "half"));
        register.absorb(write(2, 20, "half"), |_, _| false);
        assert!(!register.stands_in_two_versions());
    }

    #[test]
    fn equal_stamps_are_ordered_by_chain_whichever_came_first() {
        let mut one = Register::of(write(1, 10, "a"));
        one.absorb(write(2, 10, "b"), |_, _| false);
        let mut other = Register::of(write(2, 10, "b"));
        other.absorb(write(1, 10, "a"), |_, _| false);
        assert_eq!(one, other);
        assert_eq!(words(&one), ["b", "a"]);
    }
}
