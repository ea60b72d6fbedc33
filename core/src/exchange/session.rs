//! The side that calls.
//!
//! A usual call is one round trip: the caller sends what came to it since the two last met, with a
//! bookmark into the answerer's arrivals; the answerer takes it, and sends back what came to it
//! after the bookmark and a digest of all that it holds. Where the bookmark is void, the route has
//! changed or the digests differ, the two compare what they hold, logbook by logbook.

use std::collections::{BTreeMap, BTreeSet};

use super::message::{MAX_ENTRY_BYTES, More, Parcel, Part, Refusal, Says, Yields};
use super::{Error, Shelf, message, parts};
use crate::log::chain::Held;
use crate::log::codec;
use crate::log::id::{Arrival, DeviceId, LogbookId, Seq, StoreId};
use crate::log::stamp::WallMs;
use crate::log::vector::VersionVector;
use crate::store::{Bookmark, Clocks, Met};

pub use super::answer::{Answering, answer};

/// Round trips without progress after which a caller gives up.
const MAX_IDLE_TRIPS: u32 = 4;

/// Forks that one call sees to; what is left waits for the next.
const MAX_TRACES: u32 = 16;

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
    /// Each logbook of which entries went either way, or which could not be brought up to date.
    pub logbooks: BTreeMap<LogbookId, Carried>,
    /// Answers received.
    pub round_trips: u32,
    /// Chains that had two branches, each with the last entry on which both agree. One branch has
    /// made way: nothing is lost, but somebody copied or put back a store.
    pub forks: BTreeMap<(LogbookId, DeviceId), Option<Seq>>,
    /// Whether both sides hold the same now of every logbook that they share, chains compared.
    pub equal: bool,
}

/// What an exchange came to for one logbook.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Carried {
    /// Entries that the other side came to hold.
    pub sent: u64,
    /// Entries that this side came to hold.
    pub received: u64,
    /// Why entries were not taken, here or there.
    pub refused: Option<Refusal>,
}

/// One call, from its first parcel to its end.
#[derive(Debug)]
pub struct Caller {
    peer: Option<StoreId>,
    way: Way,
    summary: Summary,
    idle_trips: u32,
    traces: u32,
}

/// How the two bring each other up to date.
#[derive(Debug)]
enum Way {
    /// By bookmarks.
    News { met: Met, sent: Sent },
    /// By comparing what both hold.
    Comparing {
        // What the other side holds, as last heard; empty before it was heard.
        theirs: BTreeMap<LogbookId, VersionVector>,
        // What this side held as it last spoke.
        told: BTreeMap<LogbookId, VersionVector>,
    },
    /// By finding where the branches of a device's chain part.
    Tracing {
        logbook: LogbookId,
        device: DeviceId,
    },
}

/// The news under way.
#[derive(Debug)]
struct Sent {
    up_to: Arrival,
    more: bool,
    entries: BTreeMap<LogbookId, u64>,
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
        let met = peer.map(|peer| shelf.met(peer)).transpose()?.flatten();
        let way = Way::comparing();
        let mut caller = Self {
            peer,
            way,
            summary: Summary::default(),
            idle_trips: 0,
            traces: 0,
        };
        let parcel = match met {
            // A store that was put back to an earlier copy of itself has told more than it holds.
            Some(met) if met.told <= shelf.last_bookmark()?.arrival => {
                caller.news(shelf, met, now)?
            }
            _ => caller.holdings(shelf, now)?.0,
        };
        Ok((caller, parcel))
    }

    /// Takes in an answer: its entries are on disk when this returns.
    ///
    /// # Errors
    /// [`Error::Itself`], [`Error::Garbled`], [`Error::Stuck`], or [`Error::Store`] where the own
    /// store fails.
    pub fn receive(
        &mut self,
        shelf: &impl Shelf,
        answer: &Parcel,
        now: WallMs,
    ) -> Result<Next, Error> {
        if answer.from.store == shelf.id() {
            return Err(Error::Itself(shelf.id()));
        }
        self.summary.round_trips += 1;
        let another = self.peer.is_some_and(|peer| peer != answer.from.store);
        self.peer = Some(answer.from.store);
        let way = core::mem::replace(&mut self.way, Way::comparing());
        match (way, &answer.says) {
            (Way::News { .. }, Says::Compare) => self.compare(shelf, now),
            (Way::News { .. }, Says::Taken { .. }) if another => self.compare(shelf, now),
            (
                Way::News { met, sent },
                Says::Taken {
                    read,
                    held,
                    batch,
                    more,
                },
            ) => {
                let taken = Taken {
                    read: *read,
                    held: *held,
                    batch,
                    more: *more,
                };
                self.receive_news(shelf, answer.from.store, met, sent, taken, now)
            }
            (way @ Way::Comparing { .. }, Says::Holdings { parts, end }) => {
                self.way = way;
                self.receive_holdings(shelf, answer.from.store, parts, *end, now)
            }
            (
                Way::Tracing { logbook, device },
                Says::Traced {
                    logbook: of,
                    device: whose,
                    last,
                    yields,
                },
            ) if (logbook, device) == (*of, *whose) => {
                if *yields == Yields::Caller {
                    shelf.make_way(logbook, device, *last, now)?;
                }
                self.summary.forks.insert((logbook, device), *last);
                if let Some(carried) = self.summary.logbooks.get_mut(&logbook) {
                    carried.refused = None;
                }
                self.compare(shelf, now)
            }
            _ => Err(Error::Garbled("the answer does not fit what was asked")),
        }
    }

    /// Makes a parcel of news.
    fn news(&mut self, shelf: &impl Shelf, met: Met, now: WallMs) -> Result<Parcel, Error> {
        let news = shelf.news(met.told, &|_, _| true, &BTreeSet::new(), MAX_ENTRY_BYTES)?;
        let sent = Sent {
            up_to: news.read.arrival,
            more: news.more,
            entries: by_logbook(&news.batch)?,
        };
        let says = Says::News {
            since: met.read,
            covers: parts::covers(&met.covers),
            batch: news.batch,
            more: More::is_to_come(news.more),
        };
        self.way = Way::News { met, sent };
        Ok(Parcel {
            from: parts::sender(shelf, now),
            says,
        })
    }

    fn receive_news(
        &mut self,
        shelf: &impl Shelf,
        peer: StoreId,
        mut met: Met,
        sent: Sent,
        taken: Taken<'_>,
        now: WallMs,
    ) -> Result<Next, Error> {
        met.covers.extend(sent.entries.keys());
        for (logbook, entries) in sent.entries {
            self.summary.logbooks.entry(logbook).or_default().sent += entries;
        }
        if !taken.batch.is_empty() {
            let came = by_logbook(taken.batch)?;
            let before = count(shelf, came.keys())?;
            if !parts::fits(shelf, taken.batch, now, Clocks::TakenAsTold)? {
                return self.compare(shelf, now);
            }
            for (logbook, after) in count(shelf, came.keys())? {
                let received = after - before.get(&logbook).copied().unwrap_or(0);
                self.summary.logbooks.entry(logbook).or_default().received += received;
            }
            met.covers.extend(came.keys());
        }
        met.read = taken.read;
        // What was sent was taken; what came since came from there, unless more is to be sent.
        met.told = if sent.more {
            sent.up_to
        } else {
            shelf.last_bookmark()?.arrival
        };
        shelf.remember_met(peer, &met)?;
        if sent.more || taken.more == More::ToCome {
            return Ok(Next::Send(self.news(shelf, met, now)?));
        }
        if shelf.held(&met.covers)? != taken.held {
            return self.compare(shelf, now);
        }
        self.summary.equal = true;
        Ok(Next::Done(self.summary.clone()))
    }

    /// Begins to compare.
    fn compare(&mut self, shelf: &impl Shelf, now: WallMs) -> Result<Next, Error> {
        self.way = Way::comparing();
        Ok(Next::Send(self.holdings(shelf, now)?.0))
    }

    /// Makes a parcel that tells what is held; says whether it carries any entries.
    fn holdings(&mut self, shelf: &impl Shelf, now: WallMs) -> Result<(Parcel, bool), Error> {
        let end = shelf.last_bookmark()?;
        let Way::Comparing { theirs, told } = &mut self.way else {
            unreachable!("news are not compared");
        };
        let (mut room, mut parts) = (MAX_ENTRY_BYTES, Vec::new());
        let heard = !theirs.is_empty();
        for logbook in shelf.logbooks()? {
            let refused = self
                .summary
                .logbooks
                .get(&logbook)
                .and_then(|c| c.refused.as_ref());
            if refused.is_some() {
                continue; // what was refused once is not sent again in this exchange
            }
            let known = match theirs.get(&logbook) {
                Some(known) => known.clone(),
                None if heard => continue, // the other side does not speak of it
                // Nothing is sent before it is known what the other side lacks.
                None => vector(shelf, logbook)?,
            };
            let part = parts::part(shelf, logbook, &known, &mut room, None)?;
            told.insert(logbook, part.vector());
            parts.push(part);
        }
        let sends = parts.iter().any(|part| !part.batch.is_empty());
        let says = Says::Holdings { parts, end };
        Ok((
            Parcel {
                from: parts::sender(shelf, now),
                says,
            },
            sends,
        ))
    }

    fn receive_holdings(
        &mut self,
        shelf: &impl Shelf,
        peer: StoreId,
        answer: &[Part],
        end: Bookmark,
        now: WallMs,
    ) -> Result<Next, Error> {
        let (mut progress, mut more, mut equal) = (false, false, true);
        for part in answer {
            let (moved, same) = self.receive_part(shelf, part, now)?;
            progress |= moved;
            equal &= same;
            more |= part.more == More::ToCome;
        }
        self.idle_trips = if progress { 0 } else { self.idle_trips + 1 };
        let covers: BTreeSet<_> = answer.iter().map(|part| part.logbook).collect();
        let own = shelf.logbooks()?;
        let (parcel, sends) = self.holdings(shelf, now)?;
        if sends || more {
            if self.idle_trips >= MAX_IDLE_TRIPS {
                return Err(Error::Stuck(self.summary.round_trips));
            }
            return Ok(Next::Send(parcel));
        }
        self.summary.equal = equal;
        if equal {
            let told = shelf.last_bookmark()?.arrival;
            // A logbook that the other side does not speak of is neither told nor read.
            let spoken = own.iter().all(|logbook| covers.contains(logbook));
            let met = Met {
                read: end,
                told: if spoken { told } else { Arrival(0) },
                covers,
            };
            shelf.remember_met(peer, &met)?;
        }
        self.trace_fork(shelf, now)
    }

    /// Asks where the branches of a fork part, if there is one left; else is done.
    fn trace_fork(&mut self, shelf: &impl Shelf, now: WallMs) -> Result<Next, Error> {
        let fork =
            self.summary
                .logbooks
                .iter()
                .find_map(|(logbook, carried)| match carried.refused {
                    Some(Refusal::Fork { device, .. }) => Some((*logbook, device)),
                    _ => None,
                });
        let Some((logbook, device)) = fork.filter(|_| self.traces < MAX_TRACES) else {
            return Ok(Next::Done(self.summary.clone()));
        };
        self.traces += 1;
        self.way = Way::Tracing { logbook, device };
        let links = parts::trace(shelf, logbook, device)?;
        let says = Says::Trace {
            logbook,
            device,
            links,
        };
        Ok(Next::Send(Parcel {
            from: parts::sender(shelf, now),
            says,
        }))
    }

    /// Returns whether either side came to hold more, and whether both hold the same now.
    fn receive_part(
        &mut self,
        shelf: &impl Shelf,
        part: &Part,
        now: WallMs,
    ) -> Result<(bool, bool), Error> {
        let Way::Comparing { theirs, told } = &mut self.way else {
            unreachable!("news are not compared");
        };
        let had = vector(shelf, part.logbook)?.entries();
        let taken = parts::take(shelf, part, now, Clocks::TakenAsTold)?;
        let fork = parts::fork(shelf, part)?;
        let ours = shelf.heads(part.logbook)?;
        let received = message::vector(&ours).entries() - had;
        let (told, now_theirs) = (told.get(&part.logbook), part.vector());
        let before = theirs.insert(part.logbook, now_theirs.clone());
        let sent = match (told, &before) {
            (Some(told), Some(before)) => {
                common(told, &now_theirs).saturating_sub(common(told, before))
            }
            _ => 0,
        };
        let refused = taken.err().or(fork).or_else(|| part.refused.clone());
        let same = {
            let mut heads = part.heads.clone();
            heads.sort_by_key(|(device, _)| *device); // ours come in that order
            heads == ours && refused.is_none()
        };
        if sent > 0 || received > 0 || refused.is_some() {
            let carried = self.summary.logbooks.entry(part.logbook).or_default();
            carried.sent += sent;
            carried.received += received;
            carried.refused = refused.or(carried.refused.take());
        }
        Ok((received > 0 || before.as_ref() != Some(&now_theirs), same))
    }
}

/// An answer to news.
struct Taken<'a> {
    read: Bookmark,
    held: Held,
    batch: &'a [Vec<u8>],
    more: More,
}

impl Way {
    const fn comparing() -> Self {
        Self::Comparing {
            theirs: BTreeMap::new(),
            told: BTreeMap::new(),
        }
    }
}

/// Counts the entries that both vectors hold.
fn common(one: &VersionVector, other: &VersionVector) -> u64 {
    one.iter()
        .filter_map(|(device, seq)| Some(other.last(device)?.min(seq).get()))
        .sum()
}

fn vector(shelf: &impl Shelf, logbook: LogbookId) -> Result<VersionVector, Error> {
    Ok(message::vector(&shelf.heads(logbook)?))
}

/// Counts the entries held of each of these logbooks.
fn count<'a>(
    shelf: &impl Shelf,
    logbooks: impl Iterator<Item = &'a LogbookId>,
) -> Result<BTreeMap<LogbookId, u64>, Error> {
    logbooks
        .map(|logbook| Ok((*logbook, vector(shelf, *logbook)?.entries())))
        .collect()
}

/// Counts a batch's entries by logbook.
fn by_logbook(batch: &[Vec<u8>]) -> Result<BTreeMap<LogbookId, u64>, Error> {
    let mut counts = BTreeMap::new();
    for raw in batch {
        let (logbook, _) = codec::peek(raw).map_err(|error| Error::Store(error.into()))?;
        *counts.entry(logbook).or_default() += 1;
    }
    Ok(counts)
}

#[cfg(test)]
mod tests;
