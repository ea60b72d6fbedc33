//! The two sides of an exchange.
//!
//! The caller sends what it holds of each logbook and the entries that the answerer had not
//! acknowledged when they last met; the answerer takes them, and sends back what it then holds
//! and the entries that the caller lacks. That is one round trip; more follow only where a
//! parcel had no room, or where the answerer holds less than the caller remembered.

use std::collections::{BTreeMap, BTreeSet};

use super::message::{MAX_ENTRY_BYTES, More, Parcel, Part, Refusal, Sender};
use super::{Error, Shelf};
use crate::log::id::{DeviceId, LogbookId, Place, Seq, StoreId};
use crate::log::stamp::WallMs;
use crate::log::vector::VersionVector;
use crate::store::{self, Clocks, Head};

/// How a store answers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Answering {
    /// As a hub: it judges clocks, and gives receipts where it must.
    AsHub,
    /// As another device: it takes stamps as they are.
    AsPeer,
}

/// Round trips without progress after which a caller gives up.
const MAX_IDLE_TRIPS: u32 = 3;

/// What a caller does next.
#[derive(Debug)]
pub enum Next {
    /// Send this and bring the answer.
    Send(Parcel),
    /// Nothing is left to say.
    Done(Summary),
}

/// What an exchange came to.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Summary {
    /// Each logbook that was spoken of.
    pub logbooks: BTreeMap<LogbookId, Carried>,
    /// Answers received.
    pub round_trips: u32,
}

/// What an exchange came to for one logbook.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Carried {
    /// Entries that the other side came to hold.
    pub sent: u64,
    /// Entries that this side came to hold.
    pub received: u64,
    /// Whether both sides hold the same now, chains compared.
    pub equal: bool,
    /// Why entries were not taken, here or there.
    pub refused: Option<Refusal>,
}

impl Summary {
    /// Returns whether both sides hold the same of every logbook.
    pub fn all_equal(&self) -> bool {
        self.logbooks.values().all(|carried| carried.equal)
    }
}

/// The side that calls.
#[derive(Debug)]
pub struct Caller {
    peer: Option<StoreId>,
    // What the other side holds, as last heard or remembered.
    theirs: BTreeMap<LogbookId, VersionVector>,
    // What this side held as it last spoke.
    told: BTreeMap<LogbookId, VersionVector>,
    summary: Summary,
    idle_trips: u32,
}

impl Caller {
    /// Begins an exchange with the store `peer`, if it is known which one will answer; returns the
    /// first parcel to send.
    ///
    /// # Errors
    /// [`Error::Store`] where the own store cannot be read.
    pub fn begin(
        shelf: &impl Shelf,
        peer: Option<StoreId>,
        now: WallMs,
    ) -> Result<(Self, Parcel), Error> {
        let mut theirs = BTreeMap::new();
        for logbook in shelf.logbooks()? {
            let known = match peer {
                Some(peer) => shelf.acknowledged(peer, logbook)?,
                // Not a word is sent before it is known what the other side lacks.
                None => shelf_vector(shelf, logbook)?,
            };
            theirs.insert(logbook, known);
        }
        let (told, summary) = (BTreeMap::new(), Summary::default());
        let mut caller = Self {
            peer,
            theirs,
            told,
            summary,
            idle_trips: 0,
        };
        let (parcel, _) = caller.parcel(shelf, now)?;
        Ok((caller, parcel))
    }

    /// Takes in an answer: its entries are on disk when this returns.
    ///
    /// # Errors
    /// [`Error::Itself`], [`Error::Stuck`], or [`Error::Store`] where the own store fails.
    pub fn receive(
        &mut self,
        shelf: &impl Shelf,
        answer: &Parcel,
        now: WallMs,
    ) -> Result<Next, Error> {
        if answer.from.store == shelf.id() {
            return Err(Error::Itself(shelf.id()));
        }
        if self.peer.is_some_and(|peer| peer != answer.from.store) {
            self.theirs.clear(); // another store answers than the one that was remembered
        }
        self.peer = Some(answer.from.store);
        self.summary.round_trips += 1;
        let (mut progress, mut more) = (false, false);
        for part in &answer.parts {
            progress |= self.receive_part(shelf, part, now)?;
            more |= part.more == More::ToCome;
        }
        let acknowledged: Vec<_> = self
            .theirs
            .iter()
            .map(|(logbook, theirs)| (*logbook, theirs.clone()))
            .collect();
        shelf.remember_acknowledged(answer.from.store, &acknowledged)?;
        self.idle_trips = if progress { 0 } else { self.idle_trips + 1 };
        let (parcel, sends) = self.parcel(shelf, now)?;
        if !sends && !more {
            return Ok(Next::Done(self.summary.clone()));
        }
        if self.idle_trips >= MAX_IDLE_TRIPS {
            return Err(Error::Stuck(self.summary.round_trips));
        }
        Ok(Next::Send(parcel))
    }

    /// Returns whether either side came to hold more.
    fn receive_part(
        &mut self,
        shelf: &impl Shelf,
        part: &Part,
        now: WallMs,
    ) -> Result<bool, Error> {
        let told = self.told.get(&part.logbook).cloned().unwrap_or_default();
        let before = self
            .theirs
            .get(&part.logbook)
            .cloned()
            .unwrap_or_else(|| told.clone());
        let taken = take(shelf, part, now, Clocks::TakenAsTold)?;
        let (theirs, ours) = (part.vector(), shelf.heads(part.logbook)?);
        let carried = self.summary.logbooks.entry(part.logbook).or_default();
        carried.refused = part.refused.clone().or(carried.refused.take());
        let mut received = 0;
        match taken {
            Ok(new) => received = new,
            Err(refusal) => carried.refused = Some(refusal),
        }
        if let Some(fork) = fork(shelf, part)? {
            carried.refused = Some(fork);
        }
        carried.received += received;
        carried.sent += common(&told, &theirs).saturating_sub(common(&told, &before));
        let mut sorted = part.heads.clone();
        sorted.sort_by_key(|(device, _)| *device);
        carried.equal = sorted == ours;
        let moved = received > 0 || theirs != before;
        self.theirs.insert(part.logbook, theirs);
        Ok(moved)
    }

    /// Makes the next parcel; says whether it carries any entries.
    fn parcel(&mut self, shelf: &impl Shelf, now: WallMs) -> Result<(Parcel, bool), Error> {
        let mut room = MAX_ENTRY_BYTES;
        let mut parts = Vec::new();
        for logbook in shelf.logbooks()? {
            let refused = self
                .summary
                .logbooks
                .get(&logbook)
                .and_then(|c| c.refused.as_ref());
            let heads = shelf.heads(logbook)?;
            if refused.is_some() {
                continue; // what was refused once is not sent again in this exchange
            }
            let unknown = VersionVector::new();
            let theirs = self.theirs.get(&logbook).unwrap_or(&unknown);
            let part = part(shelf, logbook, heads, theirs, &mut room, None)?;
            self.told.insert(logbook, part.vector());
            parts.push(part);
        }
        let sends = parts.iter().any(|part| !part.entries.is_empty());
        Ok((
            Parcel {
                from: sender(shelf, now),
                parts,
            },
            sends,
        ))
    }
}

/// Answers one parcel: takes its entries, and returns what is held then and what the caller
/// lacks. Everything acknowledged is on disk when this returns.
///
/// # Errors
/// [`Error::Itself`], or [`Error::Store`] where the own store fails. What the caller did wrong is
/// told in the answer, logbook by logbook.
pub fn answer(
    shelf: &impl Shelf,
    parcel: &Parcel,
    answering: Answering,
    now: WallMs,
) -> Result<Parcel, Error> {
    if parcel.from.store == shelf.id() {
        return Err(Error::Itself(shelf.id()));
    }
    let clocks = match answering {
        Answering::AsPeer => Clocks::TakenAsTold,
        Answering::AsHub => Clocks::Judged {
            sender: parcel.from.device,
            behind_ms: now.since(parcel.from.at),
        },
    };
    let mut refusals = BTreeMap::new();
    for part in &parcel.parts {
        if let Err(refusal) = take(shelf, part, now, clocks)? {
            refusals.insert(part.logbook, refusal);
        } else if let Some(fork) = fork(shelf, part)? {
            refusals.insert(part.logbook, fork);
        }
    }
    let told: BTreeMap<_, _> = parcel
        .parts
        .iter()
        .map(|part| (part.logbook, part))
        .collect();
    let spoken: BTreeSet<_> = told.keys().copied().chain(shelf.logbooks()?).collect();
    let mut room = MAX_ENTRY_BYTES;
    let mut parts = Vec::new();
    for logbook in spoken {
        let theirs = told
            .get(&logbook)
            .map(|part| part.vector())
            .unwrap_or_default();
        let heads = shelf.heads(logbook)?;
        parts.push(part(
            shelf,
            logbook,
            heads,
            &theirs,
            &mut room,
            refusals.remove(&logbook),
        )?);
    }
    Ok(Parcel {
        from: sender(shelf, now),
        parts,
    })
}

/// Counts the entries that both vectors hold.
fn common(one: &VersionVector, other: &VersionVector) -> u64 {
    let both = |(device, seq): (DeviceId, Seq)| other.last(device).map_or(0, |s| s.min(seq).get());
    one.iter().map(both).sum()
}

fn sender(shelf: &impl Shelf, now: WallMs) -> Sender {
    Sender {
        store: shelf.id(),
        device: shelf.device(),
        at: now,
    }
}

fn shelf_vector(shelf: &impl Shelf, logbook: LogbookId) -> Result<VersionVector, Error> {
    Ok(shelf
        .heads(logbook)?
        .into_iter()
        .map(|(device, head)| (device, head.seq))
        .collect())
}

/// Says what is held of a logbook, and as much of what the listener lacks as there is room for.
fn part(
    shelf: &impl Shelf,
    logbook: LogbookId,
    heads: Vec<(DeviceId, Head)>,
    theirs: &VersionVector,
    room: &mut usize,
    refused: Option<Refusal>,
) -> Result<Part, Error> {
    let ours: VersionVector = heads
        .iter()
        .map(|(device, head)| (*device, head.seq))
        .collect();
    let lacks = !theirs.includes_all(&ours);
    let (mut entries, mut more) = (Vec::new(), More::Nothing);
    if lacks && refused.is_none() {
        if *room == 0 {
            more = More::ToCome;
        } else {
            let (batch, rest) = shelf.entries_beyond(logbook, theirs, *room)?;
            let bytes: usize = batch.iter().map(Vec::len).sum();
            // A parcel that is full stays full, so that a small logbook does not squeeze in front.
            *room = if rest { 0 } else { room.saturating_sub(bytes) };
            more = if rest { More::ToCome } else { More::Nothing };
            entries = batch;
        }
    }
    Ok(Part {
        logbook,
        heads,
        entries,
        more,
        refused,
    })
}

/// Takes a part's entries; says how many were new, or why none was taken. A batch that begins too
/// late is not refused: the heads that go back tell where to begin.
fn take(
    shelf: &impl Shelf,
    part: &Part,
    now: WallMs,
    clocks: Clocks,
) -> Result<Result<u64, Refusal>, Error> {
    if part.entries.is_empty() {
        return Ok(Ok(0));
    }
    match shelf.append(part.logbook, &part.entries, now, clocks) {
        Ok(appended) => Ok(Ok(appended.new as u64)),
        Err(store::Error::Gap { .. } | store::Error::MissingCause { .. }) => Ok(Ok(0)),
        Err(store::Error::Fork { device, seq }) => Ok(Err(Refusal::Fork { device, seq })),
        Err(error @ (store::Error::Codec(_) | store::Error::OtherLogbook { .. })) => {
            Ok(Err(Refusal::Unreadable(error.to_string())))
        }
        Err(other) => Err(other.into()),
    }
}

/// Compares the speaker's chains with ours where both hold the entry.
fn fork(shelf: &impl Shelf, part: &Part) -> Result<Option<Refusal>, Error> {
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

#[cfg(test)]
mod tests;
