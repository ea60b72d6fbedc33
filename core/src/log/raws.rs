//! Entries one behind the other in one piece of memory.

use super::chain::Tip;
use super::codec::{self, CodecError};
use super::id::{DeviceId, LogbookId, Seq};
use super::view::{Outline, View};

/// The bytes of entries, each read once, in order.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Raws {
    bytes: Vec<u8>,
    ends: Vec<End>,
}

/// Where an entry ends, and what is known of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct End {
    at: usize,
    tip: Tip,
    outline: Outline,
}

/// The bytes of an entry that was read, and what is known of it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Raw<'a> {
    pub(crate) bytes: &'a [u8],
    pub(crate) tip: Tip,
    pub(crate) known: Known<'a>,
}

/// What is known of an entry that was read, beside its bytes.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Known<'a> {
    /// What was found of it, as it was kept.
    Outline(&'a Outline),
    /// Only whether this version writes these very bytes of what they say.
    IsPlain(bool),
}

impl<'a> Raw<'a> {
    /// Returns its logbook, and reads no more.
    #[inline]
    pub(crate) fn logbook(&self) -> LogbookId {
        codec::peek(self.bytes).expect("it was read before").0
    }

    /// Returns its logbook, its device and its number, and reads no more.
    #[inline(always)]
    pub(crate) fn place(&self) -> (LogbookId, DeviceId, Seq) {
        let place = match self.known {
            Known::Outline(outline) => {
                codec::peek(self.bytes).map(|(logbook, device)| (logbook, device, outline.seq))
            }
            Known::IsPlain(_) => codec::place(self.bytes),
        };
        place.expect("it was read before")
    }

    /// Sees what it says.
    #[inline]
    pub(crate) fn view(&self) -> View<'a> {
        match self.known {
            Known::Outline(outline) => View::along(self.bytes, self.tip, outline),
            Known::IsPlain(is_plain) => View::again(self.bytes, self.tip, is_plain),
        }
    }
}

impl Raws {
    /// Counts the entries.
    pub const fn len(&self) -> usize {
        self.ends.len()
    }

    /// Returns whether there are none.
    pub const fn is_empty(&self) -> bool {
        self.ends.is_empty()
    }

    /// Makes room for so many entries of so many bytes.
    pub(crate) fn reserve(&mut self, entries: usize, bytes: usize) {
        self.ends.reserve(entries);
        self.bytes.reserve(bytes);
    }

    /// Counts the bytes of all entries.
    pub const fn bytes(&self) -> usize {
        self.bytes.len()
    }

    /// Puts an entry behind the others.
    #[inline]
    pub fn push(&mut self, entry: &View<'_>) {
        self.put(entry.raw, entry.tip, entry.outline());
    }

    /// Puts the bytes of an entry, of which this was found, behind the others.
    #[inline]
    pub(super) fn put(&mut self, raw: &[u8], tip: Tip, outline: Outline) {
        self.bytes.extend_from_slice(raw);
        self.ends.push(End {
            at: self.bytes.len(),
            tip,
            outline,
        });
    }

    /// Puts the tip of an entry that was put without it.
    #[inline]
    pub(super) fn settle(&mut self, nth: usize, tip: Tip) {
        self.ends[nth].tip = tip;
    }

    /// Writes the tip of the entry that this one goes on from into its bytes.
    #[inline]
    pub(super) fn go_on_from(&mut self, nth: usize, tip: Tip) {
        let at = self.begin(nth) + usize::from(self.ends[nth].outline.prev_at);
        self.bytes[at..at + tip.0.len()].copy_from_slice(&tip.0);
    }

    /// Whether what is known of an entry is what would be found in its bytes.
    pub(super) fn is_as_read(&self, nth: usize) -> bool {
        let end = &self.ends[nth];
        let read = View::read(self.get(nth).bytes);
        read.is_ok_and(|read| (read.tip, read.outline()) == (end.tip, end.outline))
    }

    /// Reads entries, and puts them behind the others.
    ///
    /// # Errors
    /// [`CodecError`] where the bytes of one are none.
    pub fn read<R: AsRef<[u8]>>(&mut self, raws: &[R]) -> Result<(), CodecError> {
        self.reserve(raws.len(), raws.iter().map(|raw| raw.as_ref().len()).sum());
        for view in View::read_all(raws) {
            self.push(&view?);
        }
        Ok(())
    }

    /// Returns the tips of the entries from one on.
    pub fn tips(&self, from: usize) -> impl Iterator<Item = Tip> {
        self.ends.iter().skip(from).map(|end| end.tip)
    }

    #[inline]
    fn begin(&self, nth: usize) -> usize {
        let before = nth.checked_sub(1);
        before.map_or(0, |before| self.ends[before].at)
    }

    /// Returns an entry, by its number from zero.
    #[inline]
    pub(crate) fn get(&self, nth: usize) -> Raw<'_> {
        let end = &self.ends[nth];
        Raw {
            bytes: &self.bytes[self.begin(nth)..end.at],
            tip: end.tip,
            known: Known::Outline(&end.outline),
        }
    }

    /// Returns all of them, in order.
    pub(crate) fn raws(&self) -> impl Iterator<Item = Raw<'_>> {
        (0..self.len()).map(|nth| self.get(nth))
    }

    /// Sees all of them, in order.
    pub fn iter(&self) -> impl Iterator<Item = View<'_>> + Clone {
        (0..self.len()).map(|nth| self.get(nth).view())
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::codec::{self, tests::entry};
    use super::*;

    proptest! {
        #[test]
        fn what_was_put_in_is_seen_in_its_order(entries in prop::collection::vec(entry(), 0..5)) {
            let written: Vec<_> =
                entries.iter().map(|entry| codec::encode(entry).unwrap()).collect();
            let mut raws = Raws::default();
            raws.read(&written).unwrap();
            prop_assert!(raws.read(&[[codec::FORMAT]]).is_err());
            prop_assert_eq!(raws.len(), written.len());
            prop_assert!(raws.iter().map(|view| view.raw).eq(&written));
            prop_assert!(raws.iter().map(|view| view.tip).eq(written.iter().map(|raw| Tip::of(raw))));
        }
    }
}
