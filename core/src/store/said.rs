//! What a logbook says: its entries folded, as they are read.

use std::collections::BTreeMap;

use super::Error;
use super::filed::Filed;
use super::histories::Histories;
use super::reading::Reading;
use crate::log::chain::Mark;
use crate::log::columns::{Listener, Told};
use crate::log::entry::Change;
use crate::log::id::{
    Arrival, ChainId, DeviceId, FieldNumber, LogbookId, ObservationNumber, Place, Seq, ThingId,
};
use crate::log::stamp::Stamp;
use crate::log::value::{HowKnown, Value};
use crate::log::vector::VersionVector;
use crate::merge::balance::Balance;
use crate::merge::fold::{At, Fold, Now, Number, Visit};
use crate::merge::replay::{self, State, Verdict};

/// What is asked of a logbook.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Asked {
    /// The fields of one thing only.
    pub(super) thing: Option<ThingId>,
    /// Only what was written up to a moment, by the stamps that order it.
    pub(super) until: Option<Stamp>,
}

impl Reading<'_> {
    /// Folds a logbook's entries.
    pub(super) fn state_of(&self, logbook: LogbookId, asked: Asked) -> Result<State, Error> {
        let ledger = self.ledger(logbook)?;
        if !ledger.branches().is_empty() {
            let kept = self.kept(logbook)?.into_iter();
            let placed: Vec<_> = kept.map(|kept| kept.placed).collect();
            return Ok(match asked.until {
                Some(until) => State::as_of(&placed, until),
                None => Fold::of(placed),
            });
        }
        let archive = self.shelves.of(logbook);
        // A table that is opened is a page read.
        let histories = asked
            .until
            .map(|until| Ok::<_, Error>((Histories::open(&self.txn)?, until)));
        let histories = histories.transpose()?;
        let then = histories
            .as_ref()
            .map(|(histories, until)| (histories, *until));
        let balanced = match asked.thing {
            Some(thing) => self.shelves.balanced_thing(logbook, thing, asked.until)?,
            None => self.shelves.balanced(logbook, then)?,
        };
        if let Some(balanced) = balanced {
            let since = ledger.entries().saturating_sub(balanced.entries());
            let tell = |hearing: &mut Hearing| balanced.tell_since(&archive, since, hearing);
            if let Some(Heard { told, fold }) = Heard::since(&balanced.base, asked, tell)? {
                self.all_there(logbook, balanced.entries() + told)?;
                let mut state = fold.done();
                balanced.put_observations(asked, &mut state);
                return Ok(state);
            }
        }
        let all = ledger.entries();
        let tell = |hearing: &mut Hearing| archive.tell(Arrival(0), all, hearing);
        let Heard { told, fold } = Heard::all(asked, tell)?;
        self.all_there(logbook, told)?;
        Ok(fold.done())
    }
}

/// Entries that were folded.
pub(super) struct Heard {
    /// How many they were.
    pub(super) told: u64,
    pub(super) fold: Fold,
}

impl Heard {
    /// Folds what `tell` tells, all of a logbook's entries from the first on. It may tell it twice.
    pub(super) fn all(
        asked: Asked,
        mut tell: impl FnMut(&mut Hearing) -> Result<u64, Error>,
    ) -> Result<Self, Error> {
        let heard = Self::since(&Balance::default(), asked, |hearing| {
            tell(hearing).map(Some)
        })?;
        Ok(heard.expect("all of it was told"))
    }

    /// Folds what `tell` tells, all that came after a balance and counts, on from there; none where `tell`
    /// says that going on from there does not do. It may tell it twice.
    pub(super) fn since(
        balance: &Balance,
        asked: Asked,
        mut tell: impl FnMut(&mut Hearing) -> Result<Option<u64>, Error>,
    ) -> Result<Option<Self>, Error> {
        let resumed = || {
            let mut fold = Fold::resume(match asked.thing {
                Some(thing) => balance.of_thing(thing),
                None => balance.clone(),
            });
            fold.stop_after(asked.until);
            fold
        };
        let mut hearing = Hearing::begin(asked.thing, resumed());
        let Some(told) = tell(&mut hearing)? else {
            return Ok(None);
        };
        if !hearing.words.is_empty() {
            // What they are about came before them: once more, knowing them.
            let mut fold = resumed();
            hearing.words.tell(&mut fold);
            hearing = Hearing::begin(asked.thing, fold);
            tell(&mut hearing)?;
        }
        let fold = hearing.fold;
        Ok(Some(Self { told, fold }))
    }
}

/// Folds what it is told of a logbook in which every device has one chain.
pub(super) struct Hearing {
    of: Option<ThingId>,
    pub(super) fold: Fold,
    // Whether observations are of use.
    observes: bool,
    words: Words,
    // What is told by numbers, and the numbers that the fold has for it.
    ids: Vec<[u8; 16]>,
    chains: Vec<Option<Number>>,
    things: Vec<Option<Number>>,
    visits: Vec<Option<Visit>>,
    people: Vec<Number>,
}

/// What hubs and dispatchers say of entries.
#[derive(Default)]
struct Words {
    receipts: Receipts,
    verdicts: Verdicts,
}

impl Words {
    fn is_empty(&self) -> bool {
        self.receipts.is_empty() && self.verdicts.is_empty()
    }

    /// Lets a fold know of them before the entries come.
    fn tell(self, fold: &mut Fold) {
        let receipts = replay::earliest(self.receipts.into_iter());
        fold.learn(receipts, replay::not_counting(self.verdicts.into_iter()));
    }
}

impl Hearing {
    /// Keeps what is written from here on, and nothing else.
    pub(super) fn keep_only_lately(&mut self) {
        self.fold.keep_only_lately();
        self.observes = false;
    }

    /// The entries about which hubs and dispatchers said something.
    pub(super) fn spoken_of(&self) -> impl Iterator<Item = Place> {
        let receipts = self.words.receipts.iter().map(|(of, _)| *of);
        let verdicts = self.words.verdicts.iter().map(|(of, _)| *of);
        receipts.chain(verdicts)
    }

    fn begin(of: Option<ThingId>, fold: Fold) -> Self {
        Self {
            of,
            fold,
            observes: of.is_none(),
            words: Words::default(),
            ids: Vec::new(),
            chains: Vec::new(),
            things: Vec::new(),
            visits: Vec::new(),
            people: Vec::new(),
        }
    }

    fn chain(&mut self, device: usize) -> Number {
        *self.chains[device].get_or_insert_with(|| {
            let device = DeviceId::from_bytes(self.ids[device]);
            self.fold.chain(ChainId::of(device))
        })
    }

    fn visit(&mut self, visit: usize) -> Option<Visit> {
        if self.visits[visit].is_none() {
            let id = ThingId::from_bytes(self.ids[visit]);
            self.visits[visit] = self.fold.visit(id);
        }
        self.visits[visit]
    }

    fn thing(&mut self, thing: usize) -> Number {
        *self.things[thing].get_or_insert_with(|| {
            let thing = ThingId::from_bytes(self.ids[thing]);
            self.fold.thing(thing)
        })
    }
}

impl Listener for Hearing {
    fn begin(&mut self, ids: &[[u8; 16]], names: &[&str]) {
        self.ids.clear();
        self.ids.extend_from_slice(ids);
        for numbers in [&mut self.chains, &mut self.things] {
            numbers.clear();
            numbers.resize(ids.len(), None);
        }
        self.visits.clear();
        self.visits.resize(ids.len(), None);
        let people = names.iter().map(|name| self.fold.person(name));
        self.people.clear();
        self.people.extend(people);
    }

    fn entry(&mut self, told: Told) {
        let now = Now {
            at: At {
                chain: self.chain(told.device),
                seq: told.seq,
            },
            stamp: told.stamp,
            utc_offset_min: told.utc_offset_min,
            by: self.people[told.by],
            visit: told.visit.and_then(|visit| self.visit(visit)),
        };
        self.fold.entry(now);
    }

    fn gained(&mut self, device: usize, seq: Seq) {
        let chain = self.chain(device);
        self.fold.gained(chain, seq);
    }

    fn wants(&self, thing: usize) -> bool {
        self.of.is_none_or(|of| *of.bytes() == self.ids[thing])
    }

    fn set(&mut self, thing: usize, field: FieldNumber, value: Value, how: HowKnown) {
        let thing = self.thing(thing);
        self.fold.set(thing, field, value, how);
    }

    fn observe(
        &mut self,
        nth: usize,
        thing: usize,
        what: ObservationNumber,
        value: Value,
        how: HowKnown,
    ) {
        if self.observes {
            let thing = self.thing(thing);
            self.fold.observe(nth, thing, what, value, how);
        }
    }

    fn other(&mut self, change: &Change) {
        let (receipts, verdicts) = Named::ByNumber.words(core::slice::from_ref(change));
        self.words.receipts.extend(receipts);
        self.words.verdicts.extend(verdicts);
    }
}

type Receipts = Vec<(Place, Stamp)>;
type Verdicts = Vec<(Place, Verdict)>;

/// Where the entries of a logbook stand that others name.
pub(super) enum Named {
    /// Every device has one chain.
    ByNumber,
    ByMark(BTreeMap<Mark, Place>),
}

impl Named {
    pub(super) fn by_mark(placed: &[(Place, VersionVector)], entries: &[Filed]) -> Self {
        let marks = entries.iter().map(|filed| filed.written.mark());
        let places = placed.iter().map(|(place, _)| *place);
        Self::ByMark(marks.zip(places).collect())
    }

    fn place(&self, mark: Mark) -> Option<Place> {
        match self {
            Self::ByNumber => Some(Place::on_only_chain(mark.device, mark.seq)),
            Self::ByMark(places) => places.get(&mark).copied(),
        }
    }

    /// The receipts and verdicts among an entry's changes, by the places that they name.
    pub(super) fn words(&self, changes: &[Change]) -> (Receipts, Verdicts) {
        let (mut receipts, mut verdicts) = (Vec::new(), Vec::new());
        for change in changes {
            let Some(place) = change.of().and_then(|of| self.place(of)) else {
                continue;
            };
            match change {
                Change::Receipt { stamp, .. } => receipts.push((place, *stamp)),
                Change::HoldBack { .. } => verdicts.push((place, Verdict::HeldBack)),
                Change::Admit { .. } => verdicts.push((place, Verdict::Admitted)),
                Change::Set { .. } | Change::Observe { .. } | Change::Unknown { .. } => {}
            }
        }
        (receipts, verdicts)
    }
}
