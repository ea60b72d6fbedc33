//! An entry together with the bytes that its author made, read once and handed on.

use super::chain::{Mark, Tip};
use super::codec::{self, CodecError};
use super::entry::Entry;

/// An entry, its exact bytes, and the tip that follows from them.
#[derive(Debug, Clone, PartialEq)]
pub struct Written {
    /// What the bytes say.
    pub entry: Entry,
    /// What its author made, for ever.
    pub raw: Vec<u8>,
    /// The entry's tip.
    pub tip: Tip,
}

impl Written {
    /// Reads an entry.
    ///
    /// # Errors
    /// [`CodecError`] where the bytes are none.
    pub fn read(raw: Vec<u8>) -> Result<Self, CodecError> {
        Ok(Self {
            entry: codec::decode(&raw)?,
            tip: Tip::of(&raw),
            raw,
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
