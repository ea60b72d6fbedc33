//! What goes over the wire: one parcel there, one parcel back. Every size has a limit.

use serde::{Deserialize, Serialize};

use super::Error;
use crate::log::chain::{Held, Link};
use crate::log::columns;
use crate::log::id::{Arrival, DeviceId, LogbookId, Seq, StoreId};
use crate::log::stamp::WallMs;
use crate::log::vector::VersionVector;
use crate::store::{Bookmark, Head};

/// The version of the exchange that this code speaks.
pub const PROTOCOL: u8 = 1;
/// The largest parcel that is read.
pub const MAX_PARCEL_BYTES: usize = 1024 * 1024;
/// How many bytes of entries, before they are packed, a parcel carries at most; the rest is room
/// for heads.
pub const MAX_ENTRY_BYTES: usize = 700 * 1024;
/// How many bytes the entries of one parcel may unpack to: what is sent, and one entry over.
const MAX_UNPACKED_BYTES: usize = MAX_ENTRY_BYTES * 2;

/// Everything that one side says at one time.
#[derive(Debug, Clone, PartialEq)]
pub struct Parcel {
    /// Who speaks.
    pub from: Sender,
    /// What is said.
    pub says: Says,
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

/// What one side says.
#[derive(Debug, Clone, PartialEq)]
pub enum Says {
    /// The caller's: what came to it since the two last met.
    News {
        /// Up to where it has read the answerer's arrivals.
        since: Bookmark,
        /// The logbooks for which that bookmark stands, as a digest.
        covers: [u8; 16],
        /// Its new entries, of whatever logbook.
        batch: Vec<Vec<u8>>,
        /// Whether there are more.
        more: More,
    },
    /// The answer to news: they are on disk, and this came to the answerer since.
    Taken {
        /// Up to where the caller will have read with this batch.
        read: Bookmark,
        /// Everything that the answerer holds, as a digest.
        held: Held,
        /// What the caller lacks.
        batch: Vec<Vec<u8>>,
        /// Whether there is more.
        more: More,
    },
    /// The answer to news that do not fit: compare what both hold, logbook by logbook.
    Compare,
    /// What the speaker holds of each logbook, and what the listener lacks.
    Holdings {
        /// One part for each logbook.
        parts: Vec<Part>,
        /// The end of the speaker's arrivals.
        end: Bookmark,
    },
    /// The caller's, after a fork: its chain of that device, to find where the branches part.
    Trace {
        /// In which logbook.
        logbook: LogbookId,
        /// Whose chain.
        device: DeviceId,
        /// The first eight bytes of each link, first to last.
        links: Vec<[u8; 8]>,
    },
    /// The answer to a trace. Where the answerer's branch had to make way, it has.
    Traced {
        /// In which logbook.
        logbook: LogbookId,
        /// Whose chain.
        device: DeviceId,
        /// The last entry on which both agree.
        last: Option<Seq>,
        /// Whose branch makes way.
        yields: Yields,
    },
}

/// Which side's branch makes way: that whose first link is larger.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Yields {
    /// The caller's.
    Caller,
    /// The answerer's.
    Answerer,
    /// There is one branch only.
    Neither,
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
    pub batch: Vec<Vec<u8>>,
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
    /// Some bytes are no entry of that logbook.
    #[error("an entry could not be read there: {0}")]
    Unreadable(String),
    /// This caller may not write in this logbook.
    #[error("this device may not write in that logbook: ask the dispatcher")]
    NotAllowed,
}

impl Part {
    /// Returns what the speaker holds, as a version vector.
    pub fn vector(&self) -> VersionVector {
        vector(&self.heads)
    }
}

/// Returns what these heads come to.
pub(super) fn vector(heads: &[(DeviceId, Head)]) -> VersionVector {
    heads
        .iter()
        .map(|(device, head)| (*device, head.seq))
        .collect()
}

impl More {
    /// Says whether there is more.
    pub const fn is_to_come(more: bool) -> Self {
        if more { Self::ToCome } else { Self::Nothing }
    }
}

/// Shapes on the wire, apart from the types that the code works with.
#[derive(Serialize, Deserialize)]
struct ParcelWire {
    store: [u8; 16],
    device: [u8; 16],
    at: u64,
    says: SaysWire,
}

type BookmarkWire = (u64, [u8; 8]);

#[derive(Serialize, Deserialize)]
enum SaysWire {
    News {
        since: BookmarkWire,
        covers: [u8; 16],
        batch: Vec<u8>,
        more: bool,
    },
    Taken {
        read: BookmarkWire,
        held: [u8; 32],
        batch: Vec<u8>,
        more: bool,
    },
    Compare,
    Holdings {
        parts: Vec<PartWire>,
        end: BookmarkWire,
    },
    Trace {
        logbook: [u8; 16],
        device: [u8; 16],
        links: Vec<[u8; 8]>,
    },
    Traced {
        logbook: [u8; 16],
        device: [u8; 16],
        last: u64,
        yields: u8,
    },
}

#[derive(Serialize, Deserialize)]
struct PartWire {
    logbook: [u8; 16],
    heads: Vec<([u8; 16], u64, [u8; 32])>,
    batch: Vec<u8>,
    more: bool,
    refused: Option<RefusalWire>,
}

#[derive(Serialize, Deserialize)]
enum RefusalWire {
    Fork([u8; 16], u64),
    Unreadable(String),
    NotAllowed,
}

impl Parcel {
    /// Returns the parcel's bytes: the version, then postcard, entries packed in columns.
    pub fn to_bytes(&self) -> Vec<u8> {
        let wire = ParcelWire {
            store: *self.from.store.bytes(),
            device: *self.from.device.bytes(),
            at: self.from.at.get(),
            says: says_wire(&self.says),
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
        let wire: ParcelWire = match postcard::take_from_bytes(rest) {
            Ok((wire, [])) => wire,
            Ok(_) => return Err(Error::Garbled("there is more after its end")),
            Err(_) => return Err(Error::Garbled("it is cut short or in another shape")),
        };
        let from = Sender {
            store: StoreId::from_bytes(wire.store),
            device: DeviceId::from_bytes(wire.device),
            at: WallMs::new(wire.at),
        };
        Ok(Self {
            from,
            says: wire_says(wire.says)?,
        })
    }
}

fn says_wire(says: &Says) -> SaysWire {
    let mark = |bookmark: &Bookmark| (bookmark.arrival.0, bookmark.check);
    match says {
        Says::News {
            since,
            covers,
            batch,
            more,
        } => SaysWire::News {
            since: mark(since),
            covers: *covers,
            batch: packed(batch),
            more: *more == More::ToCome,
        },
        Says::Taken {
            read,
            held,
            batch,
            more,
        } => SaysWire::Taken {
            read: mark(read),
            held: held.0,
            batch: packed(batch),
            more: *more == More::ToCome,
        },
        Says::Compare => SaysWire::Compare,
        Says::Holdings { parts, end } => SaysWire::Holdings {
            parts: parts.iter().map(part_wire).collect(),
            end: mark(end),
        },
        Says::Trace {
            logbook,
            device,
            links,
        } => SaysWire::Trace {
            logbook: *logbook.bytes(),
            device: *device.bytes(),
            links: links.clone(),
        },
        Says::Traced {
            logbook,
            device,
            last,
            yields,
        } => SaysWire::Traced {
            logbook: *logbook.bytes(),
            device: *device.bytes(),
            last: last.map_or(0, Seq::get),
            yields: match yields {
                Yields::Neither => 0,
                Yields::Caller => 1,
                Yields::Answerer => 2,
            },
        },
    }
}

fn wire_says(wire: SaysWire) -> Result<Says, Error> {
    let mark = |(arrival, check)| Bookmark {
        arrival: Arrival(arrival),
        check,
    };
    let mut left = MAX_UNPACKED_BYTES;
    Ok(match wire {
        SaysWire::News {
            since,
            covers,
            batch,
            more,
        } => Says::News {
            since: mark(since),
            covers,
            batch: unpacked(&batch, &mut left)?,
            more: More::is_to_come(more),
        },
        SaysWire::Taken {
            read,
            held,
            batch,
            more,
        } => Says::Taken {
            read: mark(read),
            held: Held(held),
            batch: unpacked(&batch, &mut left)?,
            more: More::is_to_come(more),
        },
        SaysWire::Compare => Says::Compare,
        SaysWire::Holdings { parts, end } => Says::Holdings {
            parts: parts
                .into_iter()
                .map(|part| wire_part(part, &mut left))
                .collect::<Result<_, _>>()?,
            end: mark(end),
        },
        SaysWire::Trace {
            logbook,
            device,
            links,
        } => Says::Trace {
            logbook: LogbookId::from_bytes(logbook),
            device: DeviceId::from_bytes(device),
            links,
        },
        SaysWire::Traced {
            logbook,
            device,
            last,
            yields,
        } => Says::Traced {
            logbook: LogbookId::from_bytes(logbook),
            device: DeviceId::from_bytes(device),
            last: Seq::new(last),
            yields: match yields {
                0 => Yields::Neither,
                1 => Yields::Caller,
                2 => Yields::Answerer,
                _ => return Err(Error::Garbled("it says of nobody that they make way")),
            },
        },
    })
}

fn part_wire(part: &Part) -> PartWire {
    let head =
        |(device, head): &(DeviceId, Head)| (*device.bytes(), head.seq.get(), *head.link.bytes());
    PartWire {
        logbook: *part.logbook.bytes(),
        heads: part.heads.iter().map(head).collect(),
        batch: packed(&part.batch),
        more: part.more == More::ToCome,
        refused: part.refused.as_ref().map(|refusal| match refusal {
            Refusal::Fork { device, seq } => RefusalWire::Fork(*device.bytes(), seq.get()),
            Refusal::Unreadable(why) => RefusalWire::Unreadable(why.clone()),
            Refusal::NotAllowed => RefusalWire::NotAllowed,
        }),
    }
}

fn wire_part(wire: PartWire, left: &mut usize) -> Result<Part, Error> {
    let place = |seq| Seq::new(seq).ok_or(Error::Garbled("it names an entry's place as zero"));
    let head = |(device, seq, link)| {
        let head = Head {
            seq: place(seq)?,
            link: Link::from_bytes(link),
        };
        Ok((DeviceId::from_bytes(device), head))
    };
    let refused = match wire.refused {
        None => None,
        Some(RefusalWire::Fork(device, seq)) => Some(Refusal::Fork {
            device: DeviceId::from_bytes(device),
            seq: place(seq)?,
        }),
        Some(RefusalWire::Unreadable(why)) => Some(Refusal::Unreadable(why)),
        Some(RefusalWire::NotAllowed) => Some(Refusal::NotAllowed),
    };
    Ok(Part {
        logbook: LogbookId::from_bytes(wire.logbook),
        heads: wire
            .heads
            .into_iter()
            .map(head)
            .collect::<Result<_, Error>>()?,
        batch: unpacked(&wire.batch, left)?,
        more: More::is_to_come(wire.more),
        refused,
    })
}

/// No entries take no bytes.
fn packed(batch: &[Vec<u8>]) -> Vec<u8> {
    if batch.is_empty() {
        Vec::new()
    } else {
        columns::pack(batch)
    }
}

/// Unpacks one batch and takes its size off what the parcel's batches may still unpack to.
fn unpacked(bytes: &[u8], left: &mut usize) -> Result<Vec<Vec<u8>>, Error> {
    if bytes.is_empty() {
        return Ok(Vec::new());
    }
    let batch = columns::unpack(bytes, *left);
    let batch = batch.map_err(|_| Error::Garbled("its entries do not unpack"))?;
    *left -= batch.iter().map(Vec::len).sum::<usize>();
    Ok(batch)
}
