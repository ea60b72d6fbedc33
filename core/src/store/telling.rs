//! What is told to another store that holds what came before, and what is understood of it.

use std::cell::RefCell;
use std::collections::btree_map::Entry;
use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::sync::Arc;

use foldhash::fast::RandomState;

use super::batches::{self, Spans};
use super::filed::Lying;
use super::ledger::Ledger;
use super::reading::Reading;
use super::{Bookmark, Error, Met, Store};
use crate::log::chain::{Held, Tip};
use crate::log::codec::CodecError;
use crate::log::columns::{self, Short};
use crate::log::id::{Arrival, ChainId, DeviceId, LogbookId, Place, Seq, StoreId};
use crate::log::raws::Raws;
use crate::log::seal::Seal;
use crate::log::sheaf::Sheaf;
use crate::log::terse::{self, Holder, Listener, Told, Unpacking};

/// As many entries as a device writes on a day, about.
const A_DAYS: u64 = 512;

/// What is told to a store of what came here after a bookmark.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Telling {
    /// The entries, in the order in which they came, in batches that are packed for that store.
    pub batches: Vec<Vec<u8>>,
    /// Their devices' seals; where the link at the end of a chain follows from the entries, it is left
    /// out.
    pub seals: Vec<Sheaf>,
    /// How many entries of which logbook.
    pub entries: BTreeMap<LogbookId, u64>,
    /// Up to where that reads.
    pub read: Bookmark,
    /// Whether there is more.
    pub more: bool,
    /// A digest of everything that is held, as of the same moment.
    pub held: Held,
}

/// How much is held of a logbook.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Count {
    /// How many entries.
    pub entries: u64,
    /// How many chains a device has, where that is more than one.
    pub branched: BTreeMap<DeviceId, usize>,
}

/// Which entries are told: of these logbooks if they are named, and not of this device if it is.
pub type Wanted<'a> = (Option<&'a BTreeSet<LogbookId>>, Option<DeviceId>);

/// Entries that another store told.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Came {
    /// The entries, in order.
    pub entries: Raws,
    /// The batches in which they came: the bytes of each, and how many entries it holds.
    pub batches: Vec<(Vec<u8>, usize)>,
    pub(super) spans: Spans,
}

impl Came {
    /// Reads entries that are spelled out, for a store that takes them in later: one thread may read while
    /// another writes.
    ///
    /// # Errors
    /// [`CodecError`] where one is none.
    pub fn read<R: AsRef<[u8]>>(batch: &[R]) -> Result<Self, CodecError> {
        let mut entries = Raws::default();
        entries.read(batch)?;
        Ok(Self::of(entries, Vec::new()))
    }

    /// These entries, in these batches if they came in some.
    pub(crate) fn of(entries: Raws, batches: Vec<(Vec<u8>, usize)>) -> Self {
        let mut spans = Spans::new();
        batches::note(&mut spans, entries.raws());
        Self {
            entries,
            batches,
            spans,
        }
    }

    /// Counts the entries by logbook.
    pub fn by_logbook(&self) -> BTreeMap<LogbookId, u64> {
        let mut counts = BTreeMap::new();
        for ((logbook, _), (many, _)) in &self.spans {
            *counts.entry(*logbook).or_default() += many;
        }
        counts
    }
}

/// A meeting under way, to be remembered with what came of it.
#[derive(Debug, Clone, Copy)]
pub struct Meeting<'a> {
    /// The other store.
    pub peer: StoreId,
    /// What is remembered of it, but for how much it was told: all that is here, or
    pub met: &'a Met,
    /// up to this arrival, if something came after it before the answer, or
    pub sent: Arrival,
    /// if there was not room for everything.
    pub more: bool,
}

impl Meeting<'_> {
    /// Returns what is to be remembered if the last arrival was this one before the answer, and is that
    /// one now.
    pub(crate) fn met(&self, before: Arrival, now: Arrival) -> Met {
        let all = !self.more && before <= self.sent;
        Met {
            told: if all { now } else { self.sent },
            ..self.met.clone()
        }
    }
}

/// To whom something is told.
struct Hearer<'r> {
    reading: &'r Reading<'r>,
    /// The logbooks of which it holds all that came here up to an arrival,
    shared: &'r BTreeSet<LogbookId>,
    /// which is this one.
    up_to: Arrival,
    ledgers: RefCell<Ledgers>,
}

/// Ledgers that were looked up, and the one that was asked last: mostly the next one, too.
#[derive(Default)]
struct Ledgers {
    all: BTreeMap<LogbookId, Arc<Ledger>>,
    latest: Option<(LogbookId, Arc<Ledger>)>,
}

impl Ledgers {
    fn of(&mut self, logbook: LogbookId, reading: &Reading<'_>) -> Result<&Ledger, Error> {
        let latest = self.latest.as_ref();
        if latest.is_none_or(|(latest, _)| *latest != logbook) {
            let ledger = match self.all.entry(logbook) {
                Entry::Occupied(known) => known.into_mut(),
                Entry::Vacant(place) => place.insert(reading.ledger_and_ids(logbook)?),
            };
            self.latest = Some((logbook, Arc::clone(ledger)));
        }
        let latest = self.latest.as_ref();
        Ok(latest.map(|(_, ledger)| ledger).expect("it was just put"))
    }
}

impl Hearer<'_> {
    /// Whether the ledger says so; one that cannot be read says nothing, so that all is spelled out.
    fn says(&self, logbook: LogbookId, so: impl FnOnce(&Ledger) -> bool) -> bool {
        let mut ledgers = self.ledgers.borrow_mut();
        ledgers.of(logbook, self.reading).is_ok_and(so)
    }
}

impl Listener for Hearer<'_> {
    fn holds(&self, logbook: LogbookId) -> bool {
        let told = columns::short(logbook.bytes());
        let alike = |other: &&LogbookId| columns::short(other.bytes()) == told;
        self.shared.contains(&logbook) && self.shared.iter().filter(alike).count() == 1
    }

    fn knows(&self, logbook: LogbookId, id: &[u8; 16]) -> bool {
        self.says(logbook, |ledger| {
            let ids = ledger.ids();
            ids.is_some_and(|ids| ids.know(id, self.up_to))
        })
    }

    fn follows(&self, logbook: LogbookId) -> bool {
        self.says(logbook, |ledger| ledger.branches().is_empty())
    }
}

impl Store {
    /// Returns what came here after `after`, for a store that holds whatever came here up to then of
    /// the logbooks `shared`: entries of the logbooks that are `wanted` and, if it is named, not of its
    /// own device; up to `max_bytes`, but at least one. Beside it, as of the same moment, what is held of
    /// the logbooks `covered`.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read, or an entry is not what was written.
    pub fn tell(
        &self,
        after: Arrival,
        shared: &BTreeSet<LogbookId>,
        (wanted, not_of): Wanted<'_>,
        covered: &BTreeSet<LogbookId>,
        max_bytes: usize,
    ) -> Result<Telling, Error> {
        // One moment: what others append meanwhile is in neither part of the answer.
        let reading = self.reading()?;
        let end = reading.last;
        let kept = self.live().batches.within(after, end.arrival);
        let mut told = Tells {
            hearer: Hearer {
                reading: &reading,
                shared,
                up_to: after,
                ledgers: RefCell::default(),
            },
            wanted,
            not_of,
            room: Some(max_bytes),
            batches: Vec::new(),
            spans: Spans::new(),
            up_to: after,
            read: reading.bookmark_at(after)?.unwrap_or(Bookmark::START),
        };
        for batch in kept {
            if not_of.is_some_and(|device| batch.is_all_of(device)) {
                told.gap(batch.first)?;
                told.pass_over(batch.end);
            } else if batch.is_for(shared, not_of) {
                told.gap(batch.first)?;
                told.as_it_is(&batch);
            }
        }
        told.gap(Arrival(end.arrival.0 + 1))?;
        let more = told.room.is_none();
        let Tells {
            batches,
            spans,
            read,
            ..
        } = told;
        let mut entries = BTreeMap::new();
        for ((logbook, _), (many, _)) in &spans {
            *entries.entry(*logbook).or_default() += many;
        }
        Ok(Telling {
            batches,
            seals: self.sheaves(&reading, &spans)?,
            entries,
            read: if more { read } else { end },
            more,
            held: reading.held(covered)?,
        })
    }

    /// Returns how many entries are held of each of these logbooks, and which devices' chains there have
    /// branches.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn counts(&self, logbooks: &BTreeSet<LogbookId>) -> Result<Vec<(LogbookId, Count)>, Error> {
        let (reading, mut counts) = (self.reading()?, Vec::with_capacity(logbooks.len()));
        for logbook in logbooks {
            let ledger = reading.ledger(*logbook)?;
            let count = Count {
                entries: ledger.entries(),
                branched: ledger.branches().branched(),
            };
            counts.push((*logbook, count));
        }
        Ok(counts)
    }

    /// The seals of those who wrote these entries.
    fn sheaves(&self, reading: &Reading<'_>, spans: &Spans) -> Result<Vec<Sheaf>, Error> {
        let seals = self.seals_of(reading, spans.keys().copied())?;
        let mut follows = HashSet::with_capacity_and_hasher(seals.len(), RandomState::default());
        for seals in seals.chunk_by(|(one, _), (next, _)| one.0 == next.0) {
            let ((logbook, _), _) = seals[0];
            if !reading.ledger(logbook)?.branches().is_empty() {
                continue;
            }
            for (of, seal) in seals {
                let told = spans.get(of);
                if told.is_some_and(|(_, last)| *last == seal.seq) {
                    follows.insert((logbook, seal.key, seal.seq));
                }
            }
        }
        let follow = |seal: &Seal| follows.contains(&(seal.logbook, seal.key, seal.seq));
        Ok(Sheaf::gather(seals.iter().map(|(_, seal)| &**seal), follow))
    }

    /// Understands what another store told in these batches, all together at most `max_bytes` of
    /// entries. None where it does not mean the same here: then both compare what they hold.
    ///
    /// # Errors
    /// [`Error::Codec`] for bytes that are no batch; [`Error`] where the file cannot be read.
    pub fn understand(&self, batches: &[Vec<u8>], max_bytes: usize) -> Result<Option<Came>, Error> {
        let mut unpacking = Unpacking::into_at_most(max_bytes);
        let counts = batches.iter().map(|batch| terse::count(batch));
        unpacking.expect(counts.fold(0, u64::saturating_add));
        let mut came = Vec::new();
        let mut here = Here {
            reading: self.reading()?,
            logbooks: None,
            ledgers: Ledgers::default(),
        };
        for batch in batches {
            let before = unpacking.entries.len();
            if batch.first() == Some(&terse::VERSION) {
                if !unpacking.unpack::<Error>(batch, &mut here)? {
                    return Ok(None);
                }
            } else if columns::is_shortened(batch) {
                let find = |logbook, wanted: &BTreeSet<Short>| {
                    self.find_ids(logbook, Arrival(u64::MAX), wanted)
                };
                let Some(raws) = columns::unpack_with(batch, unpacking.left(), find)? else {
                    return Ok(None);
                };
                unpacking.take(&raws)?;
            } else {
                unpacking.take(&columns::unpack(batch, unpacking.left())?)?;
            }
            let many = unpacking.entries.len() - before;
            came.push((batch.clone(), many));
        }
        Ok(Some(Came::of(unpacking.entries, came)))
    }
}

/// A telling under way.
struct Tells<'r> {
    hearer: Hearer<'r>,
    wanted: Option<&'r BTreeSet<LogbookId>>,
    not_of: Option<DeviceId>,
    /// For how many more bytes of entries there is room; none once there was not enough.
    room: Option<usize>,
    batches: Vec<Vec<u8>>,
    spans: Spans,
    /// Up to where it has come,
    up_to: Arrival,
    /// and the bookmark there.
    read: Bookmark,
}

impl Tells<'_> {
    /// Whether there is room for so many bytes more, as there always is for the first.
    fn has_room(&mut self, bytes: usize, is_first: bool) -> bool {
        let Some(room) = self.room else { return false };
        self.room = match room.checked_sub(bytes) {
            None if is_first => Some(0),
            left => left,
        };
        self.room.is_some()
    }

    fn as_it_is(&mut self, batch: &batches::Batch) {
        if self.has_room(batch.entry_bytes, self.batches.is_empty()) {
            self.batches.push(batch.bytes.clone());
            for (of, (many, last)) in &batch.spans {
                let span = self.spans.entry(*of).or_insert((0, *last));
                *span = (span.0 + many, span.1.max(*last));
            }
            self.pass_over(batch.end);
        }
    }

    fn pass_over(&mut self, to: Bookmark) {
        if self.room.is_some() {
            (self.up_to, self.read) = (to.arrival, to);
        }
    }

    /// Tells what came before an arrival and was not told yet.
    fn gap(&mut self, before: Arrival) -> Result<(), Error> {
        let after = self.up_to;
        if self.room.is_none() || after.0 + 1 >= before.0 {
            return Ok(());
        }
        let (wanted, not_of) = (self.wanted, self.not_of);
        let is_wanted = |_, device: DeviceId| Some(device) != not_of;
        let (mut entries, mut last) = (Raws::default(), None);
        let reading = self.hearer.reading;
        reading.since(after, wanted, &is_wanted, |lying| {
            let is_first = self.batches.is_empty() && entries.is_empty();
            if lying.arrival >= before || !self.has_room(lying.raw.bytes.len(), is_first) {
                return false;
            }
            if entries.is_empty() {
                let many = (before.0 - lying.arrival.0).min(A_DAYS) as usize;
                entries.reserve(many, many * terse::ABOUT);
            }
            entries.push(&lying.view());
            last = Some((lying.arrival, lying.arrived));
            true
        })?;
        if let Some((arrival, arrived)) = last {
            let last = Lying {
                arrival,
                arrived,
                raw: entries.get(entries.len() - 1),
            };
            (self.up_to, self.read) = (arrival, last.bookmark());
            batches::note(&mut self.spans, entries.raws());
            self.batches.push(terse::pack(entries.iter(), &self.hearer));
        }
        Ok(())
    }
}

/// What this store holds, for understanding what it is told.
struct Here<'s> {
    reading: Reading<'s>,
    logbooks: Option<BTreeMap<Short, Option<LogbookId>>>,
    ledgers: Ledgers,
}

impl Holder<Error> for Here<'_> {
    fn logbook(&mut self, told: Short) -> Result<Option<LogbookId>, Error> {
        if self.logbooks.is_none() {
            let mut logbooks = BTreeMap::new();
            for logbook in self.reading.logbooks()? {
                let alike = logbooks.entry(columns::short(logbook.bytes()));
                // Of several nobody knows which is meant.
                alike.and_modify(|one| *one = None).or_insert(Some(logbook));
            }
            self.logbooks = Some(logbooks);
        }
        let logbooks = self.logbooks.as_ref();
        Ok(logbooks.and_then(|all| all.get(&told).copied().flatten()))
    }

    fn id(&mut self, logbook: LogbookId, told: Told) -> Result<Option<[u8; 16]>, Error> {
        let ledger = self.ledgers.of(logbook, &self.reading)?;
        Ok(ledger.ids().and_then(|ids| ids.find(told)))
    }

    fn tip(
        &mut self,
        logbook: LogbookId,
        device: DeviceId,
        seq: Seq,
    ) -> Result<Option<Tip>, Error> {
        let ledger = self.ledgers.of(logbook, &self.reading)?;
        let mut chain = ChainId::of(device);
        let branches = ledger.branches();
        if !branches.is_empty() {
            let holds = |chain: &ChainId| {
                let is_begun = branches.first(*chain) <= seq;
                is_begun && ledger.head(*chain).is_some_and(|head| seq <= head.seq)
            };
            let mut chains = branches.chains_of(device).filter(holds);
            // Of several nobody knows which is meant.
            chain = match (chains.next(), chains.next()) {
                (Some(one), None) => one,
                _ => return Ok(None),
            };
        }
        let place = Place { chain, seq };
        ledger.tip_at(place, &self.reading.shelves.of(logbook))
    }
}
