//! What goes over the wire: one parcel there, one parcel back. Every size has a limit.

use serde::{Deserialize, Serialize};

use super::Error;
use crate::log::chain::Link;
use crate::log::id::{DeviceId, LogbookId, Seq, StoreId};
use crate::log::stamp::WallMs;
use crate::log::vector::VersionVector;
use crate::store::Head;

/// The version of the exchange that this code speaks.
pub const PROTOCOL: u8 = 1;
/// The largest parcel that is read.
pub const MAX_PARCEL_BYTES: usize = 1024 * 1024;
/// How many bytes of entries a parcel carries at most; the rest is room for heads.
pub const MAX_ENTRY_BYTES: usize = 700 * 1024;

/// Everything that one side says at one time.
#[derive(Debug, Clone, PartialEq)]
pub struct Parcel {
    /// Who speaks.
    pub from: Sender,
    /// One part for each logbook.
    pub parts: Vec<Part>,
}

/// Who speaks, and when by their clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Sender {
    /// The store.
    pub store: StoreId,
    /// The device that writes in it.
    pub device: DeviceId,
    /// Its wall clock as the parcel was made.
    pub at: WallMs,
}

/// What one side says of one logbook.
#[derive(Debug, Clone, PartialEq)]
pub struct Part {
    /// The logbook.
    pub logbook: LogbookId,
    /// What the speaker holds of it, on disk.
    pub heads: Vec<(DeviceId, Head)>,
    /// Entries that the speaker believes the listener lacks, each after those that its writer had
    /// seen.
    pub entries: Vec<Vec<u8>>,
    /// Whether there are more such entries than this parcel has room for.
    pub more: More,
    /// Why the listener's own entries were not taken.
    pub refused: Option<Refusal>,
}

/// Whether a parcel holds all that there was to send.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum More {
    /// It does.
    Nothing,
    /// Ask again.
    ToCome,
}

/// Why entries were not taken.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Refusal {
    /// A device has two different entries in one place.
    #[error("device {device} has two different entries {seq}: its store was copied or restored")]
    Fork {
        /// Whose.
        device: DeviceId,
        /// The place with two contents, or one after it.
        seq: Seq,
    },
    /// Some bytes are no entry.
    #[error("an entry could not be read there: {0}")]
    Unreadable(String),
}

impl Part {
    /// Returns what the speaker holds, as a version vector.
    pub fn vector(&self) -> VersionVector {
        self.heads
            .iter()
            .map(|(device, head)| (*device, head.seq))
            .collect()
    }
}

#[derive(Serialize, Deserialize)]
struct ParcelWire<'a> {
    store: [u8; 16],
    device: [u8; 16],
    at: u64,
    #[serde(borrow)]
    parts: Vec<PartWire<'a>>,
}

#[derive(Serialize, Deserialize)]
struct PartWire<'a> {
    logbook: [u8; 16],
    heads: Vec<([u8; 16], u64, [u8; 32])>,
    #[serde(borrow)]
    entries: Vec<&'a [u8]>,
    more: bool,
    #[serde(borrow)]
    refused: Option<RefusalWire<'a>>,
}

#[derive(Serialize, Deserialize)]
enum RefusalWire<'a> {
    Fork([u8; 16], u64),
    Unreadable(&'a str),
}

impl Parcel {
    /// Returns the parcel's bytes: the version, then postcard.
    pub fn to_bytes(&self) -> Vec<u8> {
        let wire = ParcelWire {
            store: *self.from.store.bytes(),
            device: *self.from.device.bytes(),
            at: self.from.at.get(),
            parts: self.parts.iter().map(part_wire).collect(),
        };
        postcard::to_extend(&wire, vec![PROTOCOL]).expect("a vector takes any parcel")
    }

    /// Returns the parcel that these bytes are.
    ///
    /// # Errors
    /// [`Error::OtherVersion`] or [`Error::Garbled`].
    pub fn from_bytes(bytes: &[u8]) -> Result<Self, Error> {
        if bytes.len() > MAX_PARCEL_BYTES {
            return Err(Error::Garbled("it is larger than a parcel may be"));
        }
        let (&version, rest) = bytes.split_first().ok_or(Error::Garbled("it is empty"))?;
        if version != PROTOCOL {
            return Err(Error::OtherVersion { theirs: version });
        }
        let wire: ParcelWire<'_> = match postcard::take_from_bytes(rest) {
            Ok((wire, [])) => wire,
            Ok(_) => return Err(Error::Garbled("there is more after its end")),
            Err(_) => return Err(Error::Garbled("it is cut short or in another shape")),
        };
        let parts = wire.parts.iter().map(wire_part).collect::<Option<_>>();
        Ok(Self {
            from: Sender {
                store: StoreId::from_bytes(wire.store),
                device: DeviceId::from_bytes(wire.device),
                at: WallMs::new(wire.at),
            },
            parts: parts.ok_or(Error::Garbled("it names an entry's place as zero"))?,
        })
    }
}

fn part_wire(part: &Part) -> PartWire<'_> {
    PartWire {
        logbook: *part.logbook.bytes(),
        heads: part
            .heads
            .iter()
            .map(|(device, head)| (*device.bytes(), head.seq.get(), *head.link.bytes()))
            .collect(),
        entries: part.entries.iter().map(Vec::as_slice).collect(),
        more: part.more == More::ToCome,
        refused: part.refused.as_ref().map(|refusal| match refusal {
            Refusal::Fork { device, seq } => RefusalWire::Fork(*device.bytes(), seq.get()),
            Refusal::Unreadable(why) => RefusalWire::Unreadable(why),
        }),
    }
}

fn wire_part(wire: &PartWire<'_>) -> Option<Part> {
    let head = |&(device, seq, link): &([u8; 16], u64, [u8; 32])| {
        let head = Head {
            seq: Seq::new(seq)?,
            link: Link::from_bytes(link),
        };
        Some((DeviceId::from_bytes(device), head))
    };
    let refused = match &wire.refused {
        None => None,
        Some(RefusalWire::Fork(device, seq)) => Some(Refusal::Fork {
            device: DeviceId::from_bytes(*device),
            seq: Seq::new(*seq)?,
        }),
        Some(RefusalWire::Unreadable(why)) => Some(Refusal::Unreadable((*why).to_owned())),
    };
    Some(Part {
        logbook: LogbookId::from_bytes(wire.logbook),
        heads: wire.heads.iter().map(head).collect::<Option<_>>()?,
        entries: wire.entries.iter().map(|raw| raw.to_vec()).collect(),
        more: if wire.more {
            More::ToCome
        } else {
            More::Nothing
        },
        refused,
    })
}
