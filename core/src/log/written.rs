//! An entry together with the bytes that its author made, read once and handed on.

use super::chain::{Mark, Tip};
use super::codec::{self, CodecError};
use super::entry::Entry;
use super::raws::{Known, Raw};
use super::view::View;

/// An entry, its exact bytes, and the tip that follows from them.
#[derive(Debug, Clone)]
pub struct Written {
    /// What the bytes say.
    pub entry: Entry,
    /// What its author made, for ever.
    pub raw: Vec<u8>,
    /// The entry's tip.
    pub tip: Tip,
    // Whether the bytes are known to be those that this version makes of the entry.
    is_made_here: bool,
}

/// How one came by an entry makes no other of it.
impl PartialEq for Written {
    fn eq(&self, other: &Self) -> bool {
        (self.tip, &self.raw, &self.entry) == (other.tip, &other.raw, &other.entry)
    }
}

impl Written {
    /// Makes the bytes of an entry.
    ///
    /// # Errors
    /// [`CodecError`] where the entry cannot be bytes.
    pub fn make(entry: Entry) -> Result<Self, CodecError> {
        let raw = codec::encode(&entry)?;
        Ok(Self {
            tip: Tip::of(&raw),
            entry,
            raw,
            is_made_here: true,
        })
    }

    /// Whether this version makes these bytes of the entry: another version's may be others.
    pub(crate) fn is_plain(&self) -> bool {
        self.is_made_here || View::looked_through(&self.raw).is_ok_and(|view| view.is_plain)
    }

    /// Returns its bytes.
    pub(crate) fn raw(&self) -> Raw<'_> {
        Raw {
            bytes: &self.raw,
            tip: self.tip,
            known: Known::IsPlain(self.is_plain()),
        }
    }

    /// Sees it as its bytes.
    pub fn view(&self) -> View<'_> {
        self.raw().view()
    }

    /// Reads an entry.
    ///
    /// # Errors
    /// [`CodecError`] where the bytes are none.
    pub fn read(raw: Vec<u8>) -> Result<Self, CodecError> {
        Ok(Self {
            entry: codec::decode(&raw)?,
            tip: Tip::of(&raw),
            raw,
            is_made_here: false,
        })
    }

    /// Makes an entry of its own of one that was read in place.
    ///
    /// # Errors
    /// None but for bytes that are no entry, of which there is no view.
    pub(crate) fn of(view: &View<'_>) -> Result<Self, CodecError> {
        Ok(Self {
            entry: codec::decode(view.raw)?,
            raw: view.raw.to_vec(),
            tip: view.tip,
            is_made_here: view.is_plain,
        })
    }

    /// Returns the mark by which everyone knows the entry.
    pub fn mark(&self) -> Mark {
        Mark {
            device: self.entry.device,
            seq: self.entry.seq,
            tip: self.tip,
        }
    }
}
