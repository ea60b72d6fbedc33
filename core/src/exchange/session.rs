//! The side that calls.
//!
//! A usual call is one round trip: the caller sends what came to it since the two last met, with a
//! bookmark into the answerer's arrivals; the answerer takes it, and sends back what came to it
//! after the bookmark and a digest of all that it holds. Where the bookmark is void, the route has
//! changed or the digests differ, the two compare what they hold, logbook by logbook.

use std::collections::{BTreeMap, BTreeSet};

use super::message::{Batch, End, MAX_ENTRY_BYTES, More, Parcel, Part, Refusal, Says};
use super::parts::Understood;
use super::{Error, Shelf, parts};
use crate::log::chain::{Held, Mark};
use crate::log::codec;
use crate::log::id::{Arrival, DeviceId, LogbookId, Place, StoreId};
use crate::log::stamp::WallMs;
use crate::store::{Bookmark, Clocks, Count, Meeting, Met, Taking};

pub use super::answer::{Answering, answer};

/// Round trips without progress after which a caller gives up.
const MAX_IDLE_TRIPS: u32 = 4;

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
    /// Devices of whose chain another branch came to light, by logbook: nothing is lost, but somebody
    /// copied or put back a store.
    pub branched: BTreeSet<(LogbookId, DeviceId)>,
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
}

/// How the two bring each other up to date.
#[derive(Debug)]
enum Way {
    /// By bookmarks.
    News { met: Met, sent: Sent },
    /// By comparing what both hold.
    Comparing {
        // The ends of the other side's chains, as last heard; empty before they were heard.
        theirs: BTreeMap<LogbookId, Vec<End>>,
        // What this side sent last.
        sent: BTreeMap<LogbookId, Vec<Mark>>,
    },
}

/// The news under way.
#[derive(Debug)]
struct Sent {
    up_to: Arrival,
    more: bool,
    entries: BTreeMap<LogbookId, u64>,
}

/// A caller judges nobody's clock, and takes what it is given.
static TAKING: Taking = Taking::everything(Clocks::TakenAsTold);

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
        };
        let parcel = match met {
            // A store that was put back to an earlier copy of itself has told more than it holds.
            Some(met) if met.told <= shelf.last_bookmark()?.arrival => {
                caller.news(shelf, met, now)?
            }
            _ => caller.holdings(shelf, now)?,
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
                let Some(batch) = parts::understood(shelf, batch)? else {
                    return self.compare(shelf, now);
                };
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
            _ => Err(Error::Garbled("the answer does not fit what was asked")),
        }
    }

    /// Makes a parcel of news.
    fn news(&mut self, shelf: &impl Shelf, met: Met, now: WallMs) -> Result<Parcel, Error> {
        let everything = (None, None);
        let nothing = BTreeSet::new();
        let told = shelf.tell(met.told, &met.covers, everything, &nothing, MAX_ENTRY_BYTES)?;
        let sent = Sent {
            up_to: told.read.arrival,
            more: told.more,
            entries: told.entries.clone(),
        };
        let says = Says::News {
            since: met.read,
            covers: parts::covers(&met.covers),
            batch: parts::told(told),
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
        taken: Taken,
        now: WallMs,
    ) -> Result<Next, Error> {
        met.covers.extend(sent.entries.keys());
        for (logbook, entries) in sent.entries {
            self.summary.logbooks.entry(logbook).or_default().sent += entries;
        }
        let came = taken.batch.came.by_logbook();
        met.covers.extend(came.keys());
        met.read = taken.read;
        // What was sent was taken, and what came since came from there; but a phone goes on recording while
        // a parcel is on its way.
        let meeting = Meeting {
            peer,
            met: &met,
            sent: sent.up_to,
            more: sent.more,
        };
        met.told = if came.is_empty() {
            let last = shelf.last_bookmark()?.arrival;
            let met = meeting.met(last, last);
            shelf.remember_met(peer, &met)?;
            met.told
        } else {
            let before = shelf.counts(&came.keys().copied().collect())?;
            match parts::append_met(shelf, taken.batch, now, &TAKING, meeting)? {
                Ok(told) => {
                    self.count_received(shelf, &before)?;
                    told
                }
                Err(_) => return self.compare(shelf, now),
            }
        };
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
        Ok(Next::Send(self.holdings(shelf, now)?))
    }

    /// Makes a parcel that tells what is held.
    fn holdings(&mut self, shelf: &impl Shelf, now: WallMs) -> Result<Parcel, Error> {
        let bookmark = shelf.last_bookmark()?;
        let Way::Comparing { theirs, sent } = &mut self.way else {
            unreachable!("news are not compared");
        };
        let (mut room, mut parts) = (MAX_ENTRY_BYTES, Vec::new());
        sent.clear();
        for logbook in shelf.logbooks()? {
            let carried = self.summary.logbooks.get(&logbook);
            if carried.is_some_and(|carried| carried.refused.is_some()) {
                continue; // what was refused once is not sent again in this exchange
            }
            let part = match theirs.get(&logbook) {
                Some(ends) => parts::part(shelf, logbook, ends, &mut room, None)?,
                None if !theirs.is_empty() => continue, // the other side does not speak of it
                // Nothing is sent before it is known what the other side lacks.
                None => Part {
                    logbook,
                    ends: parts::ends(shelf, logbook, &shelf.heads(logbook)?, &BTreeSet::new())?,
                    batch: Batch::default(),
                    more: More::Nothing,
                    refused: None,
                },
            };
            let marks = part.batch.entries.iter().map(|raw| codec::mark(raw));
            let marks = marks.collect::<Result<Vec<_>, _>>();
            sent.insert(logbook, marks.map_err(|error| Error::Store(error.into()))?);
            parts.push(part);
        }
        Ok(Parcel {
            from: parts::sender(shelf, now),
            says: Says::Holdings {
                parts,
                end: bookmark,
            },
        })
    }

    fn receive_holdings(
        &mut self,
        shelf: &impl Shelf,
        peer: StoreId,
        answer: &[Part],
        end: Bookmark,
        now: WallMs,
    ) -> Result<Next, Error> {
        let before = shelf.counts(&answer.iter().map(|part| part.logbook).collect())?;
        let (mut progress, mut more, mut equal) = (false, false, true);
        for part in answer {
            let (moved, same) = self.receive_part(shelf, part, now)?;
            progress |= moved;
            equal &= same;
            more |= part.more == More::ToCome;
        }
        progress |= self.count_received(shelf, &before)?;
        self.idle_trips = if progress { 0 } else { self.idle_trips + 1 };
        let covers: BTreeSet<_> = answer.iter().map(|part| part.logbook).collect();
        let own = shelf.logbooks()?;
        let parcel = self.holdings(shelf, now)?;
        let Says::Holdings { parts, .. } = &parcel.says else {
            unreachable!("what is held was just told");
        };
        let has_to_say = |part: &Part| part.more == More::ToCome || !part.batch.entries.is_empty();
        if more || parts.iter().any(has_to_say) {
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
        Ok(Next::Done(self.summary.clone()))
    }

    /// Takes what one part says; returns whether the other side moved, and whether both hold the same
    /// now.
    fn receive_part(
        &mut self,
        shelf: &impl Shelf,
        part: &Part,
        now: WallMs,
    ) -> Result<(bool, bool), Error> {
        let Way::Comparing { theirs, sent } = &mut self.way else {
            unreachable!("news are not compared");
        };
        let logbook = part.logbook;
        let taken = parts::take(shelf, part, now, &TAKING)?;
        let heads = shelf.heads(logbook)?;
        let ours = parts::ends(shelf, logbook, &heads, &BTreeSet::new())?;
        let before = theirs.insert(logbook, part.ends.clone());
        // Of what was sent, what they hold now and did not hold before.
        let mut arrived = 0;
        if let Some(marks) = sent.remove(&logbook).filter(|marks| !marks.is_empty()) {
            let had = before.as_deref().unwrap_or_default();
            let had = parts::theirs(shelf, logbook, had, &heads)?.known;
            let has = parts::theirs(shelf, logbook, &part.ends, &heads)?.known;
            let new = |place: &Place| {
                has.includes(place.chain, place.seq) && !had.includes(place.chain, place.seq)
            };
            let places = parts::places(shelf, logbook, &marks, &heads)?;
            arrived = places.iter().filter(|place| new(place)).count() as u64;
        }
        let refused = taken.or_else(|| part.refused.clone());
        let same = parts::same(&ours, &part.ends) && refused.is_none();
        if arrived > 0 || refused.is_some() {
            let carried = self.summary.logbooks.entry(logbook).or_default();
            carried.sent += arrived;
            carried.refused = refused.or(carried.refused.take());
        }
        Ok((before.as_ref() != Some(&part.ends), same))
    }

    /// Counts what came since, and tells which branches came to light; says whether anything did.
    fn count_received(
        &mut self,
        shelf: &impl Shelf,
        before: &[(LogbookId, Count)],
    ) -> Result<bool, Error> {
        let logbooks = before.iter().map(|(logbook, _)| *logbook);
        let now = shelf.counts(&logbooks.collect())?;
        let mut any = false;
        for ((logbook, before), (_, now)) in before.iter().zip(now) {
            let received = now.entries.saturating_sub(before.entries);
            if received > 0 {
                self.summary.logbooks.entry(*logbook).or_default().received += received;
                any = true;
            }
            for (device, chains) in now.branched {
                if chains > before.branched.get(&device).copied().unwrap_or(1) {
                    self.summary.branched.insert((*logbook, device));
                }
            }
        }
        Ok(any)
    }
}

/// An answer to news.
struct Taken {
    read: Bookmark,
    held: Held,
    batch: Understood,
    more: More,
}

impl Way {
    const fn comparing() -> Self {
        Self::Comparing {
            theirs: BTreeMap::new(),
            sent: BTreeMap::new(),
        }
    }
}

#[cfg(test)]
mod tests;
