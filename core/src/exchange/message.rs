//! What goes over the wire: one parcel there, one parcel back. Every size has a limit.

use serde::{Deserialize, Serialize};
use serde_bytes::ByteBuf;

use super::Error;
use crate::log::chain::{Held, Link, Mark, Tip};
use crate::log::columns;
use crate::log::id::{Arrival, DeviceId, LogbookId, Seq, StoreId};
use crate::log::seal::{Keys, Seal};
use crate::log::sheaf::Sheaf;
use crate::log::stamp::WallMs;
use crate::log::terse;
use crate::store::Bookmark;

/// The version of the exchange that this code speaks. Parcels of version 1 are read: they have another
/// shape of entries, and each seal by itself.
pub const PROTOCOL: u8 = 2;
/// The largest parcel that is read.
pub const MAX_PARCEL_BYTES: usize = 1024 * 1024;
/// How many bytes of entries, before they are packed, a parcel carries at most; the rest is room
/// for heads.
pub const MAX_ENTRY_BYTES: usize = 700 * 1024;
/// How many bytes the entries of one parcel may unpack to: what is sent, and one entry over.
pub(super) const MAX_UNPACKED_BYTES: usize = MAX_ENTRY_BYTES * 2;

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
        batch: Batch,
    },
    /// The answer to news: they are on disk, and this came to the answerer since.
    Taken {
        /// Up to where the caller will have read with this batch.
        read: Bookmark,
        /// Everything that the answerer holds, as a digest.
        held: Held,
        /// What the caller lacks.
        batch: Batch,
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
    /// The caller's: entries that are damaged in its store, and wanted again.
    Damaged {
        /// In which logbook.
        logbook: LogbookId,
        /// Which entries.
        marks: Vec<Mark>,
    },
    /// The answer to that: those that the answerer holds whole, as many as there is room for.
    Again {
        /// The entries' bytes.
        entries: Vec<Vec<u8>>,
    },
}

/// Entries, and how far their devices vouch for them: spelled out, or told to one who holds those before
/// them.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Batch {
    /// The entries' bytes, each after those that its writer had seen.
    pub entries: Vec<Vec<u8>>,
    /// The seals of their devices. One may reach farther than the entries, where those are cut off.
    pub seals: Vec<Seal>,
    /// Entries as they are told: nobody can tell what they say without the store for which they were
    /// packed. Then none is spelled out.
    pub told: Vec<Vec<u8>>,
    /// The seals of their devices, as the entries are told.
    pub told_seals: Vec<u8>,
}

impl Batch {
    /// Whether it brings no entries.
    pub const fn is_empty(&self) -> bool {
        self.entries.is_empty() && self.told.is_empty()
    }

    /// Returns how many entries it says that it brings; one that came from version 1 may not say.
    pub fn count(&self) -> u64 {
        let told = self.told.iter().map(|batch| terse::count(batch));
        told.fold(self.entries.len() as u64, u64::saturating_add)
    }
}

/// The end of one chain.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct End {
    /// Its last entry.
    pub last: Mark,
    /// The chain up to it.
    pub link: Link,
    /// Where the listener holds other entries of that device under these numbers: some marks before
    /// the last, from which it can tell where the branches part.
    pub before: Vec<(Seq, Tip)>,
}

/// What one side says of one logbook.
#[derive(Debug, Clone, PartialEq)]
pub struct Part {
    /// The logbook.
    pub logbook: LogbookId,
    /// What the speaker holds of it, on disk, in the order of the marks.
    pub ends: Vec<End>,
    /// Entries that the speaker believes the listener lacks.
    pub batch: Batch,
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
    /// Some bytes are no entry of that logbook.
    #[error("an entry could not be read there: {0}")]
    Unreadable(String),
    /// An entry came without its device's seal.
    #[error(
        "an entry of device {0} came without that device's seal: let that device exchange itself"
    )]
    Unsealed(DeviceId),
    /// This caller may not write in this logbook.
    #[error("this device may not write in that logbook: ask the dispatcher")]
    NotAllowed,
}

impl More {
    /// Says whether there is more.
    pub const fn is_to_come(more: bool) -> Self {
        if more { Self::ToCome } else { Self::Nothing }
    }
}

/// Shapes on the wire, apart from the types that the code works with.
#[derive(Serialize, Deserialize)]
struct ParcelWire<B> {
    store: [u8; 16],
    device: [u8; 16],
    at: u64,
    says: SaysWire<B>,
}

type BookmarkWire = (u64, [u8; 8]);

#[derive(Serialize, Deserialize)]
enum SaysWire<B> {
    News {
        since: BookmarkWire,
        covers: [u8; 16],
        batch: B,
    },
    Taken {
        read: BookmarkWire,
        held: [u8; 32],
        batch: B,
        more: bool,
    },
    Compare,
    Holdings {
        parts: Vec<PartWire<B>>,
        end: BookmarkWire,
    },
    Damaged {
        logbook: [u8; 16],
        marks: Vec<([u8; 16], MarkWire)>,
    },
    Again {
        entries: Vec<u8>,
    },
}

/// Entries packed in columns, batches of entries as they are told, and sheaves of seals.
type BatchWire = (ByteBuf, Vec<ByteBuf>, ByteBuf);
/// Version 1: entries packed in columns, which may be shortened, and seals: logbook, key, seq, link,
/// signature in two halves.
type BatchWire1 = (Vec<u8>, Vec<SealWire>);
type SealWire = ([u8; 16], [u8; 32], u64, [u8; 32], [u8; 32], [u8; 32]);
type MarkWire = (u64, [u8; 8]);

/// One chain's end: device, last mark, link, marks before it.
type EndWire = ([u8; 16], MarkWire, [u8; 32], Vec<MarkWire>);

#[derive(Serialize, Deserialize)]
struct PartWire<B> {
    logbook: [u8; 16],
    ends: Vec<EndWire>,
    batch: B,
    more: bool,
    refused: Option<RefusalWire>,
}

#[derive(Serialize, Deserialize)]
enum RefusalWire {
    Unreadable(String),
    Unsealed([u8; 16]),
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
        match version {
            1 => Self::from_wire(rest, batch_of_1),
            PROTOCOL => Self::from_wire(rest, unpacked),
            _ => Err(Error::OtherVersion { theirs: version }),
        }
    }

    fn from_wire<'a, B: Deserialize<'a>>(bytes: &'a [u8], batch: OfWire<B>) -> Result<Self, Error> {
        let wire: ParcelWire<B> = match postcard::take_from_bytes(bytes) {
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
            says: wire_says(wire.says, batch)?,
        })
    }
}

/// How a version's batch is read; what its entries unpack to is taken off what the parcel's may.
type OfWire<B> = fn(B, &mut usize) -> Result<Batch, Error>;

fn says_wire(says: &Says) -> SaysWire<BatchWire> {
    let mark = |bookmark: &Bookmark| (bookmark.arrival.0, bookmark.check);
    match says {
        Says::News {
            since,
            covers,
            batch,
        } => SaysWire::News {
            since: mark(since),
            covers: *covers,
            batch: packed(batch),
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
        Says::Damaged { logbook, marks } => {
            let wire = |mark: &Mark| (*mark.device.bytes(), (mark.seq.get(), mark.tip.0));
            SaysWire::Damaged {
                logbook: *logbook.bytes(),
                marks: marks.iter().map(wire).collect(),
            }
        }
        Says::Again { entries } => SaysWire::Again {
            entries: packed_entries(entries),
        },
    }
}

fn wire_says<B>(wire: SaysWire<B>, of_wire: OfWire<B>) -> Result<Says, Error> {
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
        } => Says::News {
            since: mark(since),
            covers,
            batch: of_wire(batch, &mut left)?,
        },
        SaysWire::Taken {
            read,
            held,
            batch,
            more,
        } => Says::Taken {
            read: mark(read),
            held: Held(held),
            batch: of_wire(batch, &mut left)?,
            more: More::is_to_come(more),
        },
        SaysWire::Compare => Says::Compare,
        SaysWire::Holdings { parts, end } => Says::Holdings {
            parts: parts
                .into_iter()
                .map(|part| wire_part(part, &mut left, of_wire))
                .collect::<Result<_, _>>()?,
            end: mark(end),
        },
        SaysWire::Damaged { logbook, marks } => {
            let mark = |(device, mark)| {
                let (seq, tip) = wire_mark(mark)?;
                let device = DeviceId::from_bytes(device);
                Ok(Mark { device, seq, tip })
            };
            Says::Damaged {
                logbook: LogbookId::from_bytes(logbook),
                marks: marks.into_iter().map(mark).collect::<Result<_, Error>>()?,
            }
        }
        SaysWire::Again { entries } => Says::Again {
            entries: unpacked_entries(&entries, &mut left)?,
        },
    })
}

fn part_wire(part: &Part) -> PartWire<BatchWire> {
    let end = |end: &End| {
        let before = end.before.iter().map(|(seq, tip)| (seq.get(), tip.0));
        let last = (end.last.seq.get(), end.last.tip.0);
        (
            *end.last.device.bytes(),
            last,
            *end.link.bytes(),
            before.collect(),
        )
    };
    PartWire {
        logbook: *part.logbook.bytes(),
        ends: part.ends.iter().map(end).collect(),
        batch: packed(&part.batch),
        more: part.more == More::ToCome,
        refused: part.refused.as_ref().map(|refusal| match refusal {
            Refusal::Unreadable(why) => RefusalWire::Unreadable(why.clone()),
            Refusal::Unsealed(device) => RefusalWire::Unsealed(*device.bytes()),
            Refusal::NotAllowed => RefusalWire::NotAllowed,
        }),
    }
}

fn wire_part<B>(wire: PartWire<B>, left: &mut usize, of_wire: OfWire<B>) -> Result<Part, Error> {
    let refused = wire.refused.map(|refused| match refused {
        RefusalWire::Unreadable(why) => Refusal::Unreadable(why),
        RefusalWire::Unsealed(device) => Refusal::Unsealed(DeviceId::from_bytes(device)),
        RefusalWire::NotAllowed => Refusal::NotAllowed,
    });
    Ok(Part {
        logbook: LogbookId::from_bytes(wire.logbook),
        ends: wire
            .ends
            .into_iter()
            .map(wire_end)
            .collect::<Result<_, _>>()?,
        batch: of_wire(wire.batch, left)?,
        more: More::is_to_come(wire.more),
        refused,
    })
}

fn wire_end((device, last, link, before): EndWire) -> Result<End, Error> {
    let (seq, tip) = wire_mark(last)?;
    Ok(End {
        last: Mark {
            device: DeviceId::from_bytes(device),
            seq,
            tip,
        },
        link: Link::from_bytes(link),
        before: before
            .into_iter()
            .map(wire_mark)
            .collect::<Result<_, _>>()?,
    })
}

fn wire_mark((seq, tip): MarkWire) -> Result<(Seq, Tip), Error> {
    Ok((place(seq)?, Tip(tip)))
}

fn place(seq: u64) -> Result<Seq, Error> {
    Seq::new(seq).ok_or(Error::Garbled("it names an entry's place as zero"))
}

/// No entries take no bytes.
fn packed_entries(entries: &[Vec<u8>]) -> Vec<u8> {
    if entries.is_empty() {
        Vec::new()
    } else {
        columns::pack(entries)
    }
}

/// Unpacks entries and takes their size off what the parcel's may still unpack to.
fn unpacked_entries(packed: &[u8], left: &mut usize) -> Result<Vec<Vec<u8>>, Error> {
    if packed.is_empty() {
        return Ok(Vec::new());
    }
    let entries = columns::unpack(packed, *left);
    let entries = entries.map_err(|_| Error::Garbled("its entries do not unpack"))?;
    *left -= entries.iter().map(Vec::len).sum::<usize>();
    Ok(entries)
}

fn packed(batch: &Batch) -> BatchWire {
    let seals = if batch.told.is_empty() {
        Sheaf::write(&Sheaf::gather(&batch.seals, |_| false), &[])
    } else {
        batch.told_seals.clone()
    };
    let told = batch.told.iter().cloned().map(ByteBuf::from);
    (
        packed_entries(&batch.entries).into(),
        told.collect(),
        seals.into(),
    )
}

fn unpacked((entries, told, seals): BatchWire, left: &mut usize) -> Result<Batch, Error> {
    let mut batch = Batch {
        entries: unpacked_entries(&entries, left)?,
        told: told.into_iter().map(ByteBuf::into_vec).collect(),
        ..Batch::default()
    };
    if batch.told.is_empty() {
        batch.seals = spelled_out(&seals)?;
    } else {
        batch.told_seals = seals.into_vec();
    }
    Ok(batch)
}

/// Reads seals that are spelled out.
fn spelled_out(bytes: &[u8]) -> Result<Vec<Seal>, Error> {
    const ODD: Error = Error::Garbled("its seals do not unpack");
    let (mut seals, mut keys) = (Vec::new(), Keys::default());
    for sheaf in Sheaf::read(bytes, &[]).map_err(|_| ODD)? {
        // What nobody's key has sealed is nobody's seal, which whoever checks it finds.
        let nobody = DeviceId::from_bytes([0; 16]);
        let device = keys.device(&sheaf.key).unwrap_or(nobody);
        seals.extend(sheaf.seals(device, |_| Err(ODD))?);
    }
    Ok(seals)
}

fn batch_of_1((entries, seals): BatchWire1, left: &mut usize) -> Result<Batch, Error> {
    let mut batch = Batch::default();
    for (logbook, key, seq, link, one, other) in seals {
        let mut signature = [0; 64];
        signature[..32].copy_from_slice(&one);
        signature[32..].copy_from_slice(&other);
        batch.seals.push(Seal {
            logbook: LogbookId::from_bytes(logbook),
            key,
            seq: place(seq)?,
            link: Link::from_bytes(link),
            path: Vec::new(),
            signature,
        });
    }
    if columns::is_shortened(&entries) {
        batch.told_seals = Sheaf::write(&Sheaf::gather(&batch.seals, |_| false), &[]);
        batch.seals.clear();
        batch.told.push(entries);
    } else {
        batch.entries = unpacked_entries(&entries, left)?;
    }
    Ok(batch)
}
