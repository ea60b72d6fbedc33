//! The side that answers. It keeps nothing between parcels.

use std::collections::{BTreeMap, BTreeSet};

use super::message::{Batch, MAX_ENTRY_BYTES, More, Parcel, Part, Refusal, Says};
use super::{Error, Shelf, parts};
use crate::log::chain::Mark;
use crate::log::id::{DeviceId, LogbookId};
use crate::log::stamp::WallMs;
use crate::store::{Bookmark, Clocks, Sealing, Taking};

/// How a store answers one caller.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answering {
    clocks: ClockRule,
    sealing: Sealing,
    route: Route,
    writes: Writes,
    /// Ids that the caller's device had before.
    earlier: BTreeSet<DeviceId>,
    /// Devices whose access was taken back.
    held_back: BTreeSet<DeviceId>,
    /// Devices that have no say over others' entries.
    no_say: BTreeSet<DeviceId>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum ClockRule {
    Judge,
    TakeAsTold,
}

#[derive(Debug, Clone, PartialEq, Eq)]
enum Route {
    Everything,
    Only(BTreeSet<LogbookId>),
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Writes {
    Taken,
    Refused,
}

impl Answering {
    /// Answers as a hub: it judges the caller's clock and gives receipts where it must, and takes no
    /// entry for which its device does not vouch.
    pub const fn as_hub() -> Self {
        Self {
            clocks: ClockRule::Judge,
            sealing: Sealing::Demanded,
            route: Route::Everything,
            writes: Writes::Taken,
            earlier: BTreeSet::new(),
            held_back: BTreeSet::new(),
            no_say: BTreeSet::new(),
        }
    }

    /// Answers as another device: it takes stamps as they are.
    pub const fn as_peer() -> Self {
        Self {
            clocks: ClockRule::TakeAsTold,
            sealing: Sealing::Welcome,
            route: Route::Everything,
            writes: Writes::Taken,
            earlier: BTreeSet::new(),
            held_back: BTreeSet::new(),
            no_say: BTreeSet::new(),
        }
    }

    /// Brings the caller these logbooks and no others. It may bring a new one.
    pub fn on_route(self, route: BTreeSet<LogbookId>) -> Self {
        Self {
            route: Route::Only(route),
            ..self
        }
    }

    /// Knows the caller's device under these ids, too: those that it had before it took a new one.
    pub fn known_as(self, earlier: BTreeSet<DeviceId>) -> Self {
        Self { earlier, ..self }
    }

    /// Holds back the entries of these devices, whoever brings them: their access was taken back.
    pub fn holding_back(self, held_back: BTreeSet<DeviceId>) -> Self {
        Self { held_back, ..self }
    }

    /// Takes no entry by which one of these devices orders, holds back or admits others' entries.
    pub fn without_say(self, no_say: BTreeSet<DeviceId>) -> Self {
        Self { no_say, ..self }
    }

    /// Takes no entries from this caller.
    pub fn reading_only(self) -> Self {
        Self {
            writes: Writes::Refused,
            ..self
        }
    }

    /// The logbooks that this store holds and brings to the caller.
    fn logbooks(&self, shelf: &impl Shelf, caller: DeviceId) -> Result<BTreeSet<LogbookId>, Error> {
        let mut brought = BTreeSet::new();
        for logbook in shelf.logbooks()? {
            if self.is_on_route(shelf, logbook, caller)? {
                brought.insert(logbook);
            }
        }
        Ok(brought)
    }

    /// Whether the caller carries this logbook: it is on the route, or nobody else has written in
    /// it, as when the caller just began it.
    fn is_on_route(
        &self,
        shelf: &impl Shelf,
        logbook: LogbookId,
        caller: DeviceId,
    ) -> Result<bool, Error> {
        let Route::Only(route) = &self.route else {
            return Ok(true);
        };
        let own =
            |device| device == caller || device == shelf.device() || self.earlier.contains(&device);
        Ok(route.contains(&logbook) || shelf.heads(logbook)?.iter().all(|head| own(head.device)))
    }

    fn takes(&self, shelf: &impl Shelf, logbook: LogbookId, by: DeviceId) -> Result<bool, Error> {
        Ok(self.writes == Writes::Taken && self.is_on_route(shelf, logbook, by)?)
    }
}

/// Answers one parcel: takes its entries, and returns what is held then and what the caller
/// lacks. Everything that the answer acknowledges is on disk when this returns.
///
/// # Errors
/// [`Error::Itself`]; [`Error::Garbled`] for a parcel that only an answerer sends; or
/// [`Error::Store`] where the own store fails. What else the caller did wrong is told in the
/// answer, logbook by logbook.
pub fn answer(
    shelf: &impl Shelf,
    parcel: &Parcel,
    answering: &Answering,
    now: WallMs,
) -> Result<Parcel, Error> {
    if parcel.from.store == shelf.id() {
        return Err(Error::Itself(shelf.id()));
    }
    let clocks = match answering.clocks {
        ClockRule::TakeAsTold => Clocks::TakenAsTold,
        ClockRule::Judge => Clocks::Judged {
            sender: parcel.from.device,
            behind_ms: now.since(parcel.from.at),
        },
    };
    let answerer = Answerer {
        shelf,
        parcel,
        answering,
        taking: Taking {
            clocks,
            sealing: answering.sealing,
            held_back: answering.held_back.clone(),
            no_say: answering.no_say.clone(),
        },
        now,
    };
    let says = match &parcel.says {
        Says::News {
            since,
            covers,
            batch,
        } => answerer.news(*since, *covers, batch)?,
        Says::Holdings { parts, .. } => answerer.holdings(parts)?,
        Says::Damaged { logbook, marks } => answerer.again(*logbook, marks)?,
        Says::Taken { .. } | Says::Compare | Says::Again { .. } => {
            return Err(Error::Garbled("it is an answer where a question belongs"));
        }
    };
    Ok(Parcel {
        from: parts::sender(shelf, now),
        says,
    })
}

struct Answerer<'a, S> {
    shelf: &'a S,
    parcel: &'a Parcel,
    answering: &'a Answering,
    taking: Taking,
    now: WallMs,
}

impl<S: Shelf> Answerer<'_, S> {
    /// Where anything does not fit, nothing is taken and both sides compare.
    fn news(&self, since: Bookmark, covers: [u8; 16], batch: &Batch) -> Result<Says, Error> {
        let mut covered = self
            .answering
            .logbooks(self.shelf, self.parcel.from.device)?;
        if !self.shelf.made_bookmark(since)? || parts::covers(&covered) != covers {
            return Ok(Says::Compare);
        }
        let Some(batch) = parts::understood(self.shelf, batch)? else {
            return Ok(Says::Compare);
        };
        let both_hold = covered.clone();
        let came = batch.came.by_logbook();
        for &logbook in came.keys() {
            if !self.takes(logbook)? {
                return Ok(Says::Compare);
            }
            covered.insert(logbook);
        }
        if !came.is_empty() && parts::append(self.shelf, batch, self.now, &self.taking)?.is_err() {
            return Ok(Says::Compare);
        }
        // A device has its own entries; one that lost them finds out by the digest.
        let wanted = (Some(&covered), Some(self.parcel.from.device));
        let told = self
            .shelf
            .tell(since.arrival, &both_hold, wanted, &covered, MAX_ENTRY_BYTES)?;
        Ok(Says::Taken {
            read: told.read,
            held: told.held,
            more: More::is_to_come(told.more),
            batch: parts::told(told),
        })
    }

    /// Gives entries again to one whose own are damaged, if it carries their logbook.
    fn again(&self, logbook: LogbookId, marks: &[Mark]) -> Result<Says, Error> {
        let caller = self.parcel.from.device;
        let entries = if self.answering.is_on_route(self.shelf, logbook, caller)? {
            self.shelf.entries_of(logbook, marks, MAX_ENTRY_BYTES)?
        } else {
            Vec::new()
        };
        Ok(Says::Again { entries })
    }

    fn takes(&self, logbook: LogbookId) -> Result<bool, Error> {
        self.answering
            .takes(self.shelf, logbook, self.parcel.from.device)
    }

    fn holdings(&self, theirs: &[Part]) -> Result<Says, Error> {
        let mut refusals = BTreeMap::new();
        for part in theirs {
            let refusal = if part.batch.entries.is_empty() {
                None
            } else if self.takes(part.logbook)? {
                parts::take(self.shelf, part, self.now, &self.taking)?
            } else {
                Some(Refusal::NotAllowed)
            };
            refusals.extend(refusal.map(|refusal| (part.logbook, refusal)));
        }
        let told: BTreeMap<_, _> = theirs.iter().map(|part| (part.logbook, part)).collect();
        // The end is read before the entries: what comes meanwhile lies beyond it.
        let end = self.shelf.last_bookmark()?;
        let mut room = MAX_ENTRY_BYTES;
        let mut answer = Vec::new();
        let brought = self
            .answering
            .logbooks(self.shelf, self.parcel.from.device)?;
        for logbook in told
            .keys()
            .copied()
            .chain(brought.iter().copied())
            .collect::<BTreeSet<_>>()
        {
            let theirs = told.get(&logbook).map_or(&[][..], |part| &part.ends);
            let refused = refusals.remove(&logbook);
            // Of a logbook off the route nothing is told, not even what is held of it.
            let spoken = brought.contains(&logbook) || refused.is_some() || self.takes(logbook)?;
            if spoken {
                answer.push(parts::part(
                    self.shelf, logbook, theirs, &mut room, refused,
                )?);
            }
        }
        Ok(Says::Holdings { parts: answer, end })
    }
}
