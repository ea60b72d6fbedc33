//! What both sides do with one logbook.

use std::collections::BTreeSet;

use super::message::{More, Part, Refusal, Sender, vector};
use super::{Error, Shelf};
use crate::log::codec;
use crate::log::id::{DeviceId, LogbookId, Place};
use crate::log::stamp::WallMs;
use crate::log::vector::VersionVector;
use crate::store::{self, Clocks};

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

/// Returns a device's chain as a trace tells it: the beginning of each link.
pub(super) fn trace(
    shelf: &impl Shelf,
    logbook: LogbookId,
    device: DeviceId,
) -> Result<Vec<[u8; 8]>, Error> {
    let links = shelf.chain(logbook, device)?;
    Ok(links
        .iter()
        .map(|link| *link.bytes().first_chunk().expect("32 bytes hold 8"))
        .collect())
}

/// Appends a batch; says whether it fitted what is held. One that does not changes nothing.
pub(super) fn fits(
    shelf: &impl Shelf,
    batch: &[Vec<u8>],
    now: WallMs,
    clocks: Clocks,
) -> Result<bool, Error> {
    match shelf.append(batch, now, clocks) {
        Ok(_) => Ok(true),
        Err(
            store::Error::Gap { .. }
            | store::Error::MissingCause { .. }
            | store::Error::Fork { .. }
            | store::Error::Codec(_),
        ) => Ok(false),
        Err(error) => Err(error.into()),
    }
}

/// Says what is held of a logbook, and as much of what the listener lacks as there is room for.
pub(super) fn part(
    shelf: &impl Shelf,
    logbook: LogbookId,
    theirs: &VersionVector,
    room: &mut usize,
    refused: Option<Refusal>,
) -> Result<Part, Error> {
    let heads = shelf.heads(logbook)?;
    let ours = vector(&heads);
    let (mut batch, mut more) = (Vec::new(), false);
    if !theirs.includes_all(&ours) && refused.is_none() {
        if *room == 0 {
            more = true;
        } else {
            (batch, more) = shelf.entries_beyond(logbook, theirs, *room)?;
            let bytes: usize = batch.iter().map(Vec::len).sum();
            // A parcel that is full stays full: the next logbook waits for the next parcel.
            *room = if more { 0 } else { room.saturating_sub(bytes) };
        }
    }
    Ok(Part {
        logbook,
        heads,
        batch,
        more: More::is_to_come(more),
        refused,
    })
}

/// Takes a part's entries, or says why none was taken. A batch that begins too late is not
/// refused: the heads that go back tell where to begin.
pub(super) fn take(
    shelf: &impl Shelf,
    part: &Part,
    now: WallMs,
    clocks: Clocks,
) -> Result<Result<(), Refusal>, Error> {
    if part.batch.is_empty() {
        return Ok(Ok(()));
    }
    for raw in &part.batch {
        match codec::peek(raw) {
            Ok((logbook, _)) if logbook == part.logbook => {}
            Ok((other, _)) => {
                let why = format!("it belongs to logbook {other}");
                return Ok(Err(Refusal::Unreadable(why)));
            }
            Err(error) => return Ok(Err(Refusal::Unreadable(error.to_string()))),
        }
    }
    match shelf.append(&part.batch, now, clocks) {
        Ok(_) | Err(store::Error::Gap { .. } | store::Error::MissingCause { .. }) => Ok(Ok(())),
        Err(store::Error::Fork { device, seq }) => Ok(Err(Refusal::Fork { device, seq })),
        Err(store::Error::Codec(error)) => Ok(Err(Refusal::Unreadable(error.to_string()))),
        Err(other) => Err(other.into()),
    }
}

/// Compares the speaker's chains with ours where both hold the entry.
pub(super) fn fork(shelf: &impl Shelf, part: &Part) -> Result<Option<Refusal>, Error> {
    for (device, head) in &part.heads {
        let place = Place {
            device: *device,
            seq: head.seq,
        };
        if shelf
            .link(part.logbook, place)?
            .is_some_and(|link| link != head.link)
        {
            return Ok(Some(Refusal::Fork {
                device: *device,
                seq: head.seq,
            }));
        }
    }
    Ok(None)
}
