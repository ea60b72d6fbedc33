//! What both sides do with one logbook.

use std::collections::BTreeSet;

use super::message::{Batch, End, MAX_UNPACKED_BYTES, More, Part, Refusal, Sender};
use super::{Error, Shelf};
use crate::log::chain::Mark;
use crate::log::codec::CodecError;
use crate::log::id::{Arrival, ChainId, DeviceId, LogbookId, Place, Seq};
use crate::log::sheaf::Sheaf;
use crate::log::stamp::WallMs;
use crate::log::vector::VersionVector;
use crate::store::{self, Appended, Came, Head, Meeting, Taking, Telling};

/// Says who speaks.
pub(super) fn sender(shelf: &impl Shelf, now: WallMs) -> Sender {
    Sender {
        store: shelf.id(),
        device: shelf.device(),
        at: now,
    }
}

/// Returns the digest of a set of logbooks.
pub(super) fn covers(logbooks: &BTreeSet<LogbookId>) -> [u8; 16] {
    let mut hasher = blake3::Hasher::new_derive_key("headwalk 2026 covered logbooks v1");
    for logbook in logbooks {
        hasher.update(logbook.bytes());
    }
    let mut digest = [0; 16];
    hasher.finalize_xof().fill(&mut digest);
    digest
}

/// Puts the seals to entries that go out.
pub(super) fn sealed(shelf: &impl Shelf, entries: Vec<Vec<u8>>) -> Result<Batch, Error> {
    let seals = shelf.seals(&entries)?;
    Ok(Batch {
        entries,
        seals,
        ..Batch::default()
    })
}

/// Makes a batch of what is told.
pub(super) fn told(telling: Telling) -> Batch {
    let logbooks: Vec<_> = telling.entries.into_keys().collect();
    Batch {
        told_seals: Sheaf::write(&telling.seals, &logbooks),
        told: telling.batches,
        ..Batch::default()
    }
}

/// Entries that came, and the seals of their devices.
pub(super) struct Understood {
    pub(super) came: Came,
    seals: Vec<Sheaf>,
}

/// Understands a batch. None where it does not mean the same here, or holds what is no entry: then both
/// sides compare, and everything is spelled out.
pub(super) fn understood(shelf: &impl Shelf, batch: &Batch) -> Result<Option<Understood>, Error> {
    if batch.told.is_empty() {
        return Ok(spelled_out(batch).ok());
    }
    const ODD: Error = Error::Garbled("its entries do not unpack");
    let came = match shelf.understand(&batch.told, MAX_UNPACKED_BYTES) {
        Ok(Some(came)) => came,
        Ok(None) => return Ok(None),
        Err(store::Error::Codec(_)) => return Err(ODD),
        Err(error) => return Err(error.into()),
    };
    let logbooks: Vec<_> = came.by_logbook().into_keys().collect();
    let seals = Sheaf::read(&batch.told_seals, &logbooks).map_err(|_| ODD)?;
    Ok(Some(Understood { came, seals }))
}

/// Reads a batch that is spelled out.
fn spelled_out(batch: &Batch) -> Result<Understood, CodecError> {
    Ok(Understood {
        came: Came::read(&batch.entries)?,
        seals: Sheaf::gather(&batch.seals, |_| false),
    })
}

/// Appends a batch; says why it was not taken, if it was not. One that does not fit what is held
/// changes nothing.
pub(super) fn append(
    shelf: &impl Shelf,
    batch: Understood,
    now: WallMs,
    taking: &Taking,
) -> Result<Result<Appended, Unfit>, Error> {
    fit(shelf.append_told(batch.came, &batch.seals, taking, now))
}

/// Appends a batch as [`append`] does, and remembers the meeting; returns how much the other side was
/// told.
pub(super) fn append_met(
    shelf: &impl Shelf,
    batch: Understood,
    now: WallMs,
    taking: &Taking,
    meeting: Meeting<'_>,
) -> Result<Result<Arrival, Unfit>, Error> {
    fit(shelf.append_met(batch.came, &batch.seals, taking, meeting, now))
}

fn fit<T>(appended: Result<T, store::Error>) -> Result<Result<T, Unfit>, Error> {
    match appended {
        Ok(appended) => Ok(Ok(appended)),
        Err(store::Error::Gap { .. } | store::Error::MissingCause { .. }) => Ok(Err(Unfit::Early)),
        Err(store::Error::Codec(error)) => {
            Ok(Err(Unfit::For(Refusal::Unreadable(error.to_string()))))
        }
        Err(error @ store::Error::ForgedSeal { .. }) => {
            Ok(Err(Unfit::For(Refusal::Unreadable(error.to_string()))))
        }
        Err(store::Error::Unsealed { device, .. }) => {
            Ok(Err(Unfit::For(Refusal::Unsealed(device))))
        }
        Err(store::Error::NoSay(_)) => Ok(Err(Unfit::For(Refusal::NotAllowed))),
        Err(other) => Err(other.into()),
    }
}

/// Why a batch was not taken.
pub(super) enum Unfit {
    /// Something that it needs is not here yet: comparing tells where to begin.
    Early,
    /// It will not be taken.
    For(Refusal),
}

/// What the other side holds of a logbook, as far as this side can tell.
pub(super) struct Theirs {
    /// By this store's names.
    pub(super) known: VersionVector,
    /// Devices of which each side holds entries that the other does not know under these numbers.
    pub(super) parted: BTreeSet<DeviceId>,
    /// Whether it must still be found where their branches part; until then nothing can be sent.
    pub(super) unsure: bool,
}

/// Tells what the other side holds from the ends of its chains.
pub(super) fn theirs(
    shelf: &impl Shelf,
    logbook: LogbookId,
    ends: &[End],
    ours: &[Head],
) -> Result<Theirs, Error> {
    let marks: Vec<_> = ends.iter().map(|end| end.last).collect();
    let (known, unknown) = shelf.known(logbook, &marks)?;
    let mut theirs = Theirs {
        known,
        parted: BTreeSet::new(),
        unsure: false,
    };
    for end in ends {
        let device = end.last.device;
        let is_known = !unknown.contains(&end.last);
        if !end.before.is_empty() {
            theirs.parted.insert(device);
            if !is_known {
                let before = end.before.iter();
                let before = before.map(|&(seq, tip)| Mark { device, seq, tip });
                let (shared, _) = shelf.known(logbook, &before.collect::<Vec<_>>())?;
                theirs.known.learn_all(&shared);
            }
            continue;
        }
        if is_known {
            continue;
        }
        let chains: Vec<_> = ours.iter().filter(|head| head.device == device).collect();
        let last = chains.iter().map(|head| head.seq).max();
        if last.is_some_and(|last| end.last.seq <= last) {
            theirs.parted.insert(device);
            // Before a first entry there is nothing to find.
            theirs.unsure |= end.last.seq > Seq::FIRST;
        } else if let [one] = chains.as_slice() {
            // Theirs is longer than ours: most likely ours and more. If not, they will say so.
            theirs.known.learn(one.chain, one.seq);
        }
    }
    Ok(theirs)
}

/// Returns the places of entries that are held here, of a logbook with these ends: where each device has one
/// chain they follow from the marks.
pub(super) fn places(
    shelf: &impl Shelf,
    logbook: LogbookId,
    marks: &[Mark],
    ours: &[Head],
) -> Result<Vec<Place>, Error> {
    let has_branches = ours
        .iter()
        .any(|head| head.chain != ChainId::of(head.device));
    if has_branches {
        return Ok(shelf.places(logbook, marks)?);
    }
    let places = marks.iter();
    Ok(places
        .map(|mark| Place::on_only_chain(mark.device, mark.seq))
        .collect())
}

/// Says what is held of a logbook, and as much of what the listener lacks as there is room for.
pub(super) fn part(
    shelf: &impl Shelf,
    logbook: LogbookId,
    theirs: &[End],
    room: &mut usize,
    refused: Option<Refusal>,
) -> Result<Part, Error> {
    let heads = shelf.heads(logbook)?;
    let known = self::theirs(shelf, logbook, theirs, &heads)?;
    let ours: VersionVector = heads.iter().map(|head| (head.chain, head.seq)).collect();
    let (mut entries, mut more) = (Vec::new(), known.unsure);
    if !known.unsure && !known.known.includes_all(&ours) && refused.is_none() {
        if *room == 0 {
            more = true;
        } else {
            (entries, more) = shelf.entries_beyond(logbook, &known.known, *room)?;
            let bytes: usize = entries.iter().map(Vec::len).sum();
            // A parcel that is full stays full: the next logbook waits for the next parcel.
            *room = if more { 0 } else { room.saturating_sub(bytes) };
        }
    }
    Ok(Part {
        logbook,
        ends: ends(shelf, logbook, &heads, &known.parted)?,
        batch: sealed(shelf, entries)?,
        more: More::is_to_come(more),
        refused,
    })
}

/// The ends of our chains, for one who holds other branches of these devices' chains.
pub(super) fn ends(
    shelf: &impl Shelf,
    logbook: LogbookId,
    heads: &[Head],
    parted: &BTreeSet<DeviceId>,
) -> Result<Vec<End>, Error> {
    let mut ends = Vec::new();
    for head in heads {
        let before = if parted.contains(&head.device) {
            shelf.ancestors(logbook, *head)?
        } else {
            Vec::new()
        };
        ends.push(End {
            last: Mark {
                device: head.device,
                seq: head.seq,
                tip: head.tip,
            },
            link: head.link,
            before,
        });
    }
    ends.sort_by_key(|end| end.last);
    Ok(ends)
}

/// Whether these are the same chains up to the same entries.
pub(super) fn same(ours: &[End], theirs: &[End]) -> bool {
    let chains = |ends: &[End]| {
        let chains = ends.iter().map(|end| (end.last, *end.link.bytes()));
        chains.collect::<BTreeSet<_>>()
    };
    chains(ours) == chains(theirs)
}

/// Takes a part's entries, or says why none was taken. A batch that begins too late is not
/// refused: the ends that go back tell where to begin.
pub(super) fn take(
    shelf: &impl Shelf,
    part: &Part,
    now: WallMs,
    taking: &Taking,
) -> Result<Option<Refusal>, Error> {
    if part.batch.entries.is_empty() {
        return Ok(None);
    }
    let batch = match spelled_out(&part.batch) {
        Ok(batch) => batch,
        Err(error) => return Ok(Some(Refusal::Unreadable(error.to_string()))),
    };
    let mut entries = batch.came.entries.iter();
    let other = entries.find(|entry| entry.logbook != part.logbook);
    let other = other.map(|entry| entry.logbook);
    drop(entries);
    if let Some(other) = other {
        let why = format!("it belongs to logbook {other}");
        return Ok(Some(Refusal::Unreadable(why)));
    }
    Ok(match append(shelf, batch, now, taking)? {
        Ok(_) | Err(Unfit::Early) => None,
        Err(Unfit::For(refusal)) => Some(refusal),
    })
}
