//! A write: what it appends goes on from what the store remembers, and the store remembers it once it
//! is on disk.

use core::iter;
use core::num::NonZeroU32;
use core::ops::Range;
use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, MutexGuard};

use redb::WriteTransaction;

use super::archive::{Archive, Shelves};
use super::batches::{Batch, Spans};
use super::block::{self, Packing};
use super::bunch::{Arrivals, Bunched};
use super::filed::Lying;
use super::filing::Filing;
use super::ledger::{self, Ledger, Slot};
use super::live::{Last, Live};
use super::tables::{self, ENTRIES, IDENTITY, SHEAVES};
use super::tail::Tail;
use super::unsorted::Unsorted;
use super::{Error, Recorded, Store, Writer};
use crate::log::chain::{Link, Mark, Tip};
use crate::log::codec::CodecError;
use crate::log::entry::{Draft, Entry};
use crate::log::id::{Arrival, ChainId, LogbookId, Place, Seq};
use crate::log::raws::{Known, Raw};
use crate::log::seal::Keys;
use crate::log::stamp::{Clock, Stamp, WallMs};
use crate::log::vector::VersionVector;
use crate::log::view::{Outline, View};
use crate::log::written::Written;

/// How many entries one group holds at most, so that whoever reads on from a bookmark need not unpack
/// more at once.
const MOST_A_GROUP: usize = 8_192;
/// How many times as many entries as may lie in no block have come together when they go into bunches: a
/// logbook is looked for in each stretch of them.
const MANY: usize = 2;

/// A write transaction over the log.
pub(super) struct Writing<'s> {
    live: MutexGuard<'s, Live>,
    pub(super) txn: WriteTransaction,
    before: Before<'s>,
    ledgers: Ledgers,
    // Whether some links do not lead over all entries of their chains yet.
    has_open_links: bool,
    new: New<'s>,
    batches: Vec<Batch>,
    // Taken from what is remembered when they change, and given back with the commit.
    unsorted: Option<Arc<Unsorted>>,
    pub(super) clock: Clock,
    /// When what is appended next arrives.
    pub(super) arrived: WallMs,
}

/// What a write appends, from its first arrival on without a gap.
struct New<'s> {
    first: Arrival,
    entries: Vec<NewEntry<'s>>,
}

/// An entry that a write appends: a peer's lies where it came, one's own here.
struct NewEntry<'s> {
    bytes: Cow<'s, [u8]>,
    tip: Tip,
    outline: Outline,
    arrived: WallMs,
    /// The number of the next one on the same chain, if the links of both were left open. The first entry of
    /// a write follows none.
    follower: Option<NonZeroU32>,
}

impl New<'_> {
    fn len(&self) -> usize {
        self.entries.len()
    }

    fn next(&self) -> Arrival {
        Arrival(self.first.0 + self.len() as u64)
    }

    fn get(&self, nth: usize) -> Lying<'_> {
        let entry = &self.entries[nth];
        Lying {
            arrival: Arrival(self.first.0 + nth as u64),
            arrived: entry.arrived,
            raw: Raw {
                bytes: &entry.bytes,
                tip: entry.tip,
                known: Known::Outline(&entry.outline),
            },
        }
    }

    fn last(&self) -> Option<Lying<'_>> {
        self.len().checked_sub(1).map(|last| self.get(last))
    }

    fn iter(&self) -> impl Iterator<Item = Lying<'_>> {
        (0..self.len()).map(|nth| self.get(nth))
    }

    /// Those of a logbook.
    fn of(&self, logbook: LogbookId) -> impl Iterator<Item = Lying<'_>> {
        self.iter().filter(move |entry| entry.logbook() == logbook)
    }
}

/// The ledgers that a write has looked at, as it has made them so far. Most entries come after one of the
/// same logbook.
#[derive(Default)]
struct Ledgers {
    all: Vec<Looked>,
    places: BTreeMap<LogbookId, usize>,
    // Where the one stands that was looked for last.
    latest: usize,
}

struct Looked {
    logbook: LogbookId,
    ledger: Ledger,
    /// Where it goes back to, so that nothing is given away and asked for again with each write.
    home: Arc<Ledger>,
    /// Whether there are entries of it that lie in no block.
    is_loose: bool,
}

impl Ledgers {
    fn at(&mut self, logbook: LogbookId) -> Option<&mut Looked> {
        let latest = self.all.get(self.latest);
        if latest.is_none_or(|latest| latest.logbook != logbook) {
            self.latest = *self.places.get(&logbook)?;
        }
        self.all.get_mut(self.latest)
    }

    fn get(&mut self, logbook: LogbookId) -> Option<&mut Ledger> {
        self.at(logbook).map(|looked| &mut looked.ledger)
    }

    /// Puts one that was not looked at before.
    fn put(&mut self, logbook: LogbookId, mut home: Arc<Ledger>) {
        let ledger = match Arc::get_mut(&mut home) {
            Some(ledger) => core::mem::take(ledger),
            // Somebody reads in it.
            None => Arc::unwrap_or_clone(core::mem::take(&mut home)),
        };
        self.places.insert(logbook, self.all.len());
        self.all.push(Looked {
            logbook,
            ledger,
            home,
            is_loose: false,
        });
    }
}

/// What was there before the write, opened when it is needed.
struct Before<'s> {
    store: &'s Store,
    open: Option<(Shelves, ledger::Kept)>,
}

impl Before<'_> {
    fn open(&mut self, live: &Live) -> Result<&(Shelves, ledger::Kept), Error> {
        if self.open.is_none() {
            let txn = self.store.db.begin_read()?;
            let shelves = live.shelves(&txn);
            self.open = Some((shelves, ledger::Kept::of(&txn)));
        }
        Ok(self.open.as_ref().expect("it was just opened"))
    }
}

impl<'s> Writing<'s> {
    /// Begins to write; what arrives, arrives at `now`, or when the last entry did if that is later.
    pub(super) fn begin(store: &'s Store, now: WallMs) -> Result<Self, Error> {
        // In this order everywhere: whoever writes has the memory before the file.
        let live = store.live();
        let txn = store.begin_behind()?;
        live.whole()?;
        Ok(Self {
            txn,
            before: Before { store, open: None },
            ledgers: Ledgers::default(),
            has_open_links: false,
            new: New {
                first: Arrival(live.last.bookmark.arrival.0 + 1),
                entries: Vec::new(),
            },
            batches: Vec::new(),
            unsorted: None,
            clock: live.clock,
            arrived: now.max(live.last.arrived),
            live,
        })
    }

    /// Returns the arrival of what is appended next.
    pub(super) fn next_arrival(&self) -> Arrival {
        self.new.next()
    }

    /// Makes room for so many entries.
    pub(super) fn expect(&mut self, entries: usize) {
        self.new.entries.reserve(entries);
    }

    /// Keeps batches as they came, once what came in them is on disk: each its bytes and how many
    /// entries it holds, all of them new and appended in this order from an arrival on; `spans` is what
    /// they come to.
    pub(super) fn keep_batches(
        &mut self,
        first: Arrival,
        batches: Vec<(Vec<u8>, usize)>,
        spans: Spans,
    ) {
        let mut from = (first.0 - self.new.first.0) as usize;
        let mut of_all = Some(spans).filter(|_| batches.len() == 1);
        for (bytes, many) in batches {
            let entries = (from..from + many).map(|nth| self.new.get(nth));
            self.batches
                .extend(Batch::of(bytes, entries, of_all.take()));
            from += many;
        }
    }

    /// Returns a logbook's ledger as this write has made it so far, and its entries before the write.
    fn ledger(&mut self, logbook: LogbookId) -> Result<(&mut Ledger, Archive<'_>), Error> {
        if self.ledgers.get(logbook).is_none() {
            let at_hand = self.live.take(logbook);
            let ledger = match at_hand.filter(|ledger| ledger.tells_ids()) {
                Some(ledger) => ledger,
                None => {
                    let (shelves, rows) = self.before.open(&self.live)?;
                    self.live.ledger_and_ids(logbook, shelves, rows)?
                }
            };
            self.ledgers.put(logbook, ledger);
        }
        let (shelves, _) = self.before.open(&self.live)?;
        let ledger = self.ledgers.get(logbook);
        Ok((ledger.expect("it was just put there"), shelves.of(logbook)))
    }

    /// Returns the ledger of a logbook, for looking only.
    pub(super) fn look(&mut self, logbook: LogbookId) -> Result<&Ledger, Error> {
        self.link();
        Ok(self.ledger(logbook)?.0)
    }

    /// Leads the links of all chains over the entries that came: each waits for the one before it, but the
    /// chains go side by side.
    fn link(&mut self) {
        if !core::mem::take(&mut self.has_open_links) {
            return;
        }
        let entries = &self.new.entries;
        let follower = |nth: &usize| entries[*nth].follower.map(|nth| nth.get() as usize);
        let ledgers = self.ledgers.all.iter_mut();
        let open = ledgers.flat_map(|looked| looked.ledger.open_links());
        Link::all_after(open.map(|(link, first)| {
            let of_chain = iter::successors(Some(first), follower);
            (link, of_chain.map(|nth| &*entries[nth].bytes))
        }));
    }

    /// Returns the seals that are not sorted, for looking only.
    pub(super) fn look_at_unsorted(&mut self) -> Result<(&Unsorted, &WriteTransaction), Error> {
        let unsorted = match &mut self.unsorted {
            None => &mut self.live.unsorted,
            changed => changed,
        };
        let unsorted = match unsorted {
            Some(unsorted) => unsorted,
            none => none.insert(Arc::new(Unsorted::read(&self.txn.open_table(SHEAVES)?)?)),
        };
        Ok((unsorted, &self.txn))
    }

    /// Returns the same, to be changed in what is remembered and in the file.
    pub(super) fn unsorted(&mut self) -> Result<(&mut Unsorted, &WriteTransaction), Error> {
        self.look_at_unsorted()?;
        let unsorted = &mut self.unsorted;
        if unsorted.is_none() {
            *unsorted = self.live.unsorted.take();
        }
        let unsorted = unsorted.as_mut().expect("it was just looked at");
        Ok((Arc::make_mut(unsorted), &self.txn))
    }

    /// Lends the keys by which seals were checked before.
    pub(super) fn lend_keys(&mut self) -> Keys {
        core::mem::take(&mut self.live.keys)
    }

    /// Takes back what [`Self::lend_keys`] lent.
    pub(super) fn give_back(&mut self, mut keys: Keys) {
        keys.forget();
        self.live.keys = keys;
    }

    /// Returns all logbooks of which anything is held.
    pub(super) fn logbooks(&mut self) -> Result<BTreeSet<LogbookId>, Error> {
        let (shelves, rows) = self.before.open(&self.live)?;
        let mut logbooks = super::reading::logbooks(rows, shelves)?;
        logbooks.extend(self.new.iter().map(|entry| entry.logbook()));
        Ok(logbooks)
    }

    /// Finds whether an entry is here; if it is new, it may follow.
    pub(super) fn slot(&mut self, entry: &View<'_>) -> Result<Slot, Error> {
        // Nearly always it goes on with a chain that was looked at before, and nothing else is to be found.
        if let Some(ledger) = self.ledgers.get(entry.logbook)
            && let Some(place) = ledger.next(entry)
            && !entry.names_others()
        {
            return Ok(Slot::Next(place, VersionVector::new()));
        }
        let (ledger, archive) = self.ledger(entry.logbook)?;
        let slot = ledger.slot(entry, &archive)?;
        if let Slot::Same = slot {
            let mut new = self.new.of(entry.logbook);
            let here = new.find(|new| new.raw.tip == entry.tip);
            let same = match here {
                Some(here) => here.raw.bytes == entry.raw,
                None => {
                    let (shelves, _) = self.before.open(&self.live)?;
                    is_held(&shelves.of(entry.logbook), entry)?
                }
            };
            if !same {
                return Err(CodecError::Shape("another entry bears the same tip").into());
            }
        }
        Ok(slot)
    }

    /// Appends a new entry where [`Self::slot`] said.
    pub(super) fn append(&mut self, entry: &View<'s>, slot: &Slot) -> Result<Arrival, Error> {
        self.put(entry, Cow::Borrowed(entry.raw), slot)
    }

    /// Appends an entry whose bytes these are.
    fn put(
        &mut self,
        entry: &View<'_>,
        bytes: Cow<'s, [u8]>,
        slot: &Slot,
    ) -> Result<Arrival, Error> {
        let logbook = entry.logbook;
        let (arrival, nth) = (self.new.next(), self.new.len());
        self.new.entries.push(NewEntry {
            bytes,
            tip: entry.tip,
            outline: entry.outline(),
            arrived: self.arrived,
            follower: None,
        });
        let looked = self.ledgers.at(logbook);
        let looked = looked.expect("its slot was asked for");
        looked.is_loose = true;
        if let Slot::Next(place, gained) = slot {
            let ledger = &mut looked.ledger;
            let before = ledger.go_on_open(entry, *place, gained, arrival, nth);
            if let Some(before) = before {
                self.new.entries[before].follower = NonZeroU32::new(nth as u32);
            }
            self.has_open_links = true;
        } else {
            // What is new may take names from what was there: all are named again.
            let (shelves, _) = self.before.open(&self.live)?;
            let mut all = shelves.of(logbook).entries()?;
            for new in self.new.of(logbook) {
                all.push(new.filed()?);
            }
            looked.ledger = Ledger::walk(logbook, all.iter())?.ledger;
        }
        Ok(arrival)
    }

    /// Records actions of the store's own device.
    pub(super) fn write_down(
        &mut self,
        drafts: &[Draft],
        now: WallMs,
    ) -> Result<Vec<Recorded>, Error> {
        let mut recorded = Vec::with_capacity(drafts.len());
        for draft in drafts {
            let stamp = self.clock.next(now);
            let (place, arrival) = self.append_own(draft, stamp)?;
            recorded.push(Recorded {
                place,
                stamp,
                arrival,
            });
        }
        Ok(recorded)
    }

    /// Returns what has been appended so far.
    pub(super) fn new_entries(&self) -> impl Iterator<Item = View<'_>> {
        self.new.iter().map(|entry| entry.view())
    }

    /// Gives a draft its place among the device's entries, and what the device knew; appends it.
    pub(super) fn append_own(
        &mut self,
        draft: &Draft,
        stamp: Stamp,
    ) -> Result<(Place, Arrival), Error> {
        let device = self.before.store.own_device()?;
        let chain = ChainId::of(device);
        let logbook = draft.logbook;
        let (ledger, archive) = self.ledger(logbook)?;
        let own = ledger.head(chain);
        let (seq, prev) = own.map_or((Seq::FIRST, Tip::NONE), |own| (own.seq.next(), own.tip));
        let knew = |of, seq| own.is_some_and(|own| own.knew.includes(of, seq));
        let others = ledger.heads().filter(|(of, _)| *of != chain);
        let gained = others.filter(|(of, head)| !knew(*of, head.seq));
        let mut marks: Vec<Mark> = gained
            .map(|(of, head)| Mark {
                device: ledger.branches().device_of(of),
                seq: head.seq,
                tip: head.tip,
            })
            .collect();
        marks.sort_unstable();
        let entry = Entry {
            logbook,
            device,
            seq,
            prev,
            stamp,
            utc_offset_min: draft.utc_offset_min,
            by: draft.by.clone(),
            visit: draft.visit,
            gained: marks,
            changes: draft.changes.clone(),
        };
        let written = Written::make(entry)?;
        let entry = written.view();
        let gained = ledger.causes(&entry, &archive)?;
        if seq == Seq::FIRST && left(&self.txn, logbook)?.is_some() {
            return Err(Error::Dropped(logbook));
        }
        let place = Place { chain, seq };
        let bytes = Cow::Owned(written.raw.clone());
        let arrival = self.put(&entry, bytes, &Slot::Next(place, gained))?;
        Ok((place, arrival))
    }

    /// Commits, and writes as `writer` from then on if one is given; where that fails, all stays as it
    /// was.
    pub(super) fn commit(self, writer: Option<Writer>) -> Result<(), Error> {
        let loose = self.live.tail.len() + self.new.len();
        // What came in batches is given on as it came, and need not be at hand.
        let told: u64 = self.batches.iter().map(Batch::entries).sum();
        let most = self.live.most_loose;
        self.commit_to(writer, loose > most || told > most as u64 / 2)
    }

    /// Puts everything into blocks, and commits.
    pub(super) fn settle(self) -> Result<(), Error> {
        self.commit_to(None, true)
    }

    fn commit_to(mut self, writer: Option<Writer>, settles: bool) -> Result<(), Error> {
        self.link();
        let is_linked = |looked: &Looked| looked.ledger.is_linked();
        debug_assert!(
            self.ledgers.all.iter().all(is_linked),
            "links are made first"
        );
        let last = self.new.last().map_or(self.live.last, |last| Last {
            bookmark: last.bookmark(),
            arrived: last.arrived,
        });
        let mut bunched = None;
        if settles {
            bunched = Some(self.write_blocks()?);
        } else {
            let mut rows = self.txn.open_table(ENTRIES)?;
            for new in self.new.iter() {
                let row = tables::entry_row(new.arrival, new.arrived, new.raw.bytes);
                rows.insert(new.arrival.0, row.as_slice())?;
            }
        }
        let store = self.before.store;
        match writer {
            Some(writer) => store.commit_as(self.txn, writer)?,
            None => self.txn.commit()?,
        }
        let mut live = self.live;
        live.clock = self.clock;
        live.last = last;
        self.batches
            .into_iter()
            .for_each(|batch| live.batches.keep(batch));
        if self.unsorted.is_some() {
            live.unsorted = self.unsorted;
        }
        live.learn_ids(self.new.iter());
        // Before the tail: what still reads the old one would make it be copied.
        drop(self.before.open);
        match bunched {
            Some(bunched) => {
                live.tail = Arc::default();
                live.bunched = Arc::new(bunched);
            }
            None => {
                let tail = Arc::make_mut(&mut live.tail);
                for new in self.new.iter() {
                    tail.push(&new.view(), new.arrival, new.arrived);
                }
            }
        }
        for looked in self.ledgers.all {
            let (mut ledger, mut home) = (looked.ledger, looked.home);
            ledger.forget_tips();
            match Arc::get_mut(&mut home) {
                Some(place) => *place = ledger,
                None => home = Arc::new(ledger),
            }
            live.moved_on(looked.logbook, home);
        }
        Ok(())
    }

    /// Writes what lies in no block, and what is new, into blocks, and their ledgers with them; returns what
    /// lies in bunches then.
    fn write_blocks(&mut self) -> Result<Bunched, Error> {
        let tail = Arc::clone(&self.live.tail);
        let tail_books = tail.iter().map(|lying| lying.logbook());
        for logbook in tail_books.collect::<BTreeSet<_>>() {
            self.ledger(logbook)?;
            let looked = self.ledgers.at(logbook);
            looked.expect("it was just looked at").is_loose = true;
        }
        {
            let mut rows = ledger::Rows::open(&self.txn)?;
            let loose = self.ledgers.all.iter_mut();
            for looked in loose.filter(|looked| looked.is_loose) {
                rows.keep(looked.logbook, &mut looked.ledger)?;
            }
        }
        let loose = Loose {
            tail: &tail,
            new: &self.new,
        };
        let mut bunched = Bunched::clone(&self.live.bunched);
        for from in (0..loose.len()).step_by(MOST_A_GROUP) {
            let group = from..loose.len().min(from + MOST_A_GROUP);
            let came_together = group.len() >= MANY * self.live.most_loose.max(1);
            bunched.extend(write_group(&self.txn, &loose, group, came_together)?);
        }
        if bunched != *self.live.bunched {
            bunched.keep(&self.txn)?;
        }
        if !tail.is_empty() {
            self.txn.delete_table(ENTRIES)?;
            self.txn.open_table(ENTRIES)?;
        }
        let mut identity = self.txn.open_table(IDENTITY)?;
        let clock = self.clock.last().bits().to_be_bytes();
        identity.insert("clock", clock.as_slice())?;
        Ok(bunched)
    }
}

/// What lies in no block, and what is new, in order of arrival.
struct Loose<'a> {
    tail: &'a Tail,
    new: &'a New<'a>,
}

impl Loose<'_> {
    fn len(&self) -> usize {
        self.tail.len() + self.new.len()
    }

    #[inline]
    fn get(&self, nth: usize) -> Lying<'_> {
        match self.tail.get(nth) {
            Some(lying) => lying,
            None => self.new.get(nth - self.tail.len()),
        }
    }
}

/// Writes some of these entries into blocks, logbook by logbook, and into groups. Where many came
/// together, but few of each logbook, the blocks lie in bunches: returns the stretch.
fn write_group(
    txn: &WriteTransaction,
    loose: &Loose<'_>,
    group: Range<usize>,
    came_together: bool,
) -> Result<Option<Arrivals>, Error> {
    let mut runs: Vec<(LogbookId, Range<usize>)> = Vec::with_capacity(group.len());
    for nth in group.clone() {
        let logbook = loose.get(nth).logbook();
        match runs.last_mut() {
            Some((last, run)) if *last == logbook => run.end = nth + 1,
            _ => runs.push((logbook, nth..nth + 1)),
        }
    }
    // Runs of one logbook stay in their order.
    runs.sort_by_key(|(logbook, _)| *logbook);
    let by_logbook = || {
        let runs = runs.chunk_by(|(one, _), (next, _)| one == next);
        runs.map(|runs| {
            let entries = runs.iter().flat_map(|(_, run)| run.clone());
            (runs[0].0, entries.map(|nth| loose.get(nth)))
        })
    };
    let are_small = || by_logbook().all(|(_, entries)| block::are_few(entries));
    let mut filing = match came_together && are_small() {
        true => {
            let [first, last] = [group.start, group.end - 1].map(|nth| loose.get(nth).arrival);
            Filing::begin_bunches(txn, Arrivals::between(first, last))?
        }
        false => Filing::begin(txn, Packing::Loose)?,
    };
    let mut here = Vec::new();
    for (logbook, entries) in by_logbook() {
        here.clear();
        here.extend(entries);
        filing.write(logbook, &here)?;
    }
    filing.finish(txn)
}

/// Whether the very bytes of an entry are held.
fn is_held(archive: &Archive<'_>, entry: &View<'_>) -> Result<bool, Error> {
    let found = archive.entries_under(entry.device, entry.seq)?;
    let mut found = found.iter().filter(|filed| filed.written.tip == entry.tip);
    Ok(found.any(|filed| filed.written.raw == entry.raw))
}

/// How far the store's own device wrote in a logbook before that was dropped.
pub(super) fn left(txn: &WriteTransaction, logbook: LogbookId) -> Result<Option<Seq>, Error> {
    let left = tables::word_if_any(&txn.open_table(IDENTITY)?, &tables::left_key(logbook))?;
    Ok(left.and_then(Seq::new))
}
