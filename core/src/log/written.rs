//! An entry together with the bytes that its author made, read once and handed on.

use super::chain::{Mark, Tip};
use super::codec::{self, CodecError};
use super::entry::Entry;

/// An entry, its exact bytes, and the tip that follows from them.
#[derive(Debug, Clone)]
pub struct Written {
    /// What the bytes say.
    pub entry: Entry,
    /// What its author made, for ever.
    pub raw: Vec<u8>,
    /// The entry's tip.
    pub tip: Tip,
    // Whether the bytes were made of the entry here, so that they follow from it.
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
    pub(super) fn follows(&self, room: &mut Vec<u8>) -> bool {
        if self.is_made_here {
            return true;
        }
        room.clear();
        codec::encode_into(&self.entry, room).is_ok() && *room == self.raw
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

    /// Returns the mark by which everyone knows the entry.
    pub fn mark(&self) -> Mark {
        Mark {
            device: self.entry.device,
            seq: self.entry.seq,
            tip: self.tip,
        }
    }
}
