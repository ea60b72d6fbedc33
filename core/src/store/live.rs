//! What an open store remembers beside its file: what came last, and what the chains of the logbooks
//! in use come to. All of it follows from the file, and nothing in it is ever ahead of the file.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use redb::{ReadTransaction, ReadableTable};

use super::archive::{self, Shelves};
use super::at_hand::AtHand;
use super::batches::Batches;
use super::bunch::Bunched;
use super::bundles::Pages;
use super::db::Db;
use super::filed::Lying;
use super::first_seen::FirstSeen;
use super::ledger::{self, Ledger};
use super::tables::{self, ENTRIES, GROUPS, IDENTITY};
use super::tail::Tail;
use super::unsorted::Unsorted;
use super::{Bookmark, Error, Kept};
use crate::log::chain::Held;
use crate::log::id::{Arrival, DeviceId, LogbookId, ThingId};
use crate::log::seal::Keys;
use crate::log::stamp::{Clock, Stamp, WallMs};
use crate::merge::lately::Lately;
use crate::merge::replay::State;

/// How many entries lie in no block at most: reading them is part of opening the store.
pub(super) const MOST_LOOSE: usize = 512;
/// How many logbooks' ledgers are kept at hand.
const MOST_LEDGERS: usize = 2_048;
/// Of how many ids it is kept at hand where they first occur.
const MOST_IDS: usize = 200_000;
/// How many entries of logbooks are kept at hand.
const MOST_KEPT: usize = 20_000;
/// How many fields and observations of logbooks are kept at hand.
const MOST_SAID: usize = 250_000;
/// Of how many things it is kept at hand what is said of them alone.
const MOST_ABOUT: usize = 2_048;
/// How many writes that came since balances are kept at hand.
pub(super) const MOST_LATELY: usize = 65_536;

#[derive(Debug)]
pub(super) struct Live {
    pub(super) tail: Arc<Tail>,
    /// What lies in bunches.
    pub(super) bunched: Arc<Bunched>,
    /// Entries of the tail that are not what was written.
    pub(super) damaged: Vec<Arrival>,
    pub(super) last: Last,
    pages: Pages,
    pub(super) clock: Clock,
    /// How many entries may lie in no block.
    pub(super) most_loose: usize,
    keeps_little: bool,
    /// What the chains of logbooks come to.
    ledgers: AtHand<LogbookId, Arc<Ledger>>,
    /// What logbooks say.
    pub(super) states: AtHand<LogbookId, Arc<State>>,
    /// What they said at the moment that was last asked for.
    pub(super) then: AtHand<LogbookId, (Stamp, Arc<State>)>,
    /// What they say of things whose fields were asked for one by one.
    pub(super) about: AtHand<LogbookId, BTreeMap<ThingId, Arc<State>>>,
    /// Another one when balances are brought up,
    pub(super) balances: Arc<()>,
    /// and what was written since.
    pub(super) lately: AtHand<LogbookId, Arc<Lately>>,
    /// All their entries, in order of arrival.
    pub(super) books: AtHand<LogbookId, Arc<[Kept]>>,
    /// Where each id first occurs in them.
    pub(super) ids: AtHand<LogbookId, Arc<FirstSeen>>,
    /// All logbooks of which anything is held, if that was asked.
    pub(super) logbooks: Option<BTreeSet<LogbookId>>,
    /// A digest of what is held of the logbooks that were last asked for.
    pub(super) held: Option<(BTreeSet<LogbookId>, Held)>,
    /// Batches as they came, to be given on as they are.
    pub(super) batches: Batches,
    /// The seals that are not sorted, once they were read.
    pub(super) unsorted: Option<Arc<Unsorted>>,
    /// The public keys by which seals were checked last.
    pub(super) keys: Keys,
}

/// The last entry of all.
#[derive(Debug, Clone, Copy)]
pub(super) struct Last {
    pub(super) bookmark: Bookmark,
    pub(super) arrived: WallMs,
}

impl Live {
    /// Reads what came last.
    pub(super) fn load(db: &Db, own: DeviceId) -> Result<Self, Error> {
        let txn = db.begin_read()?;
        let (tail, damaged) = archive::tail_of(&txn.open_table(ENTRIES)?)?;
        let mut last = Last {
            bookmark: Bookmark::START,
            arrived: WallMs::new(0),
        };
        if let Some(row) = txn.open_table(GROUPS)?.last()? {
            let group = tables::group(row.0.value(), row.1.value())?;
            last = Last {
                bookmark: group.end,
                arrived: group.arrived,
            };
        }
        let mut clock = tables::clock(&txn.open_table(IDENTITY)?)?;
        for lying in tail.iter() {
            let entry = lying.view();
            if entry.device == own && entry.stamp > clock.last() {
                clock = Clock::resume(entry.stamp);
            }
            clock.witness(entry.stamp, lying.arrived);
        }
        if let Some(lying) = tail.iter().next_back() {
            last = Last {
                bookmark: lying.bookmark(),
                arrived: lying.arrived,
            };
        }
        if let Some(&damaged) = damaged.last()
            && damaged > last.bookmark.arrival
        {
            // Whatever its check was, no bookmark stands there until it is mended.
            last.bookmark = Bookmark {
                arrival: damaged,
                check: [0; 8],
            };
        }
        Ok(Self {
            tail: Arc::new(tail),
            bunched: Arc::new(Bunched::read(&txn)?),
            damaged,
            last,
            pages: db.pages(),
            clock,
            most_loose: MOST_LOOSE,
            keeps_little: false,
            ledgers: AtHand::up_to(MOST_LEDGERS, |_| 1),
            states: AtHand::up_to(MOST_SAID, |state| state.weight()),
            then: AtHand::up_to(MOST_SAID, |(_, state)| state.weight()),
            about: AtHand::up_to(MOST_ABOUT, BTreeMap::len),
            balances: Arc::default(),
            lately: AtHand::up_to(MOST_LATELY, |lately| 1 + lately.len()),
            books: AtHand::up_to(MOST_KEPT, |book| book.len()),
            ids: AtHand::up_to(MOST_IDS, |ids| ids.len()),
            logbooks: None,
            held: None,
            batches: Batches::default(),
            unsorted: None,
            keys: Keys::default(),
        })
    }

    /// Reads it again, after more than an append.
    pub(super) fn reload(&mut self, db: &Db, own: DeviceId) -> Result<(), Error> {
        let (most_loose, keeps_little) = (self.most_loose, self.keeps_little);
        *self = Self::load(db, own)?;
        self.most_loose = most_loose;
        if keeps_little {
            self.keep_little();
        }
        Ok(())
    }

    /// Keeps only the last of what logbooks say at hand, whatever its size, for whoever goes from one to the
    /// next and does not come back.
    pub(super) fn keep_little(&mut self) {
        self.keeps_little = true;
        self.states.keep_up_to(0);
        self.then.keep_up_to(0);
        self.about.keep_up_to(0);
        self.lately.keep_up_to(0);
        self.books.keep_up_to(0);
        self.ids.keep_up_to(0);
    }

    /// Returns all that is held, as a transaction sees it that nothing was written since.
    pub(super) fn shelves(&self, txn: &Arc<ReadTransaction>) -> Shelves {
        let (tail, bunched) = (Arc::clone(&self.tail), Arc::clone(&self.bunched));
        Shelves::open(txn, tail, bunched, self.pages)
    }

    /// Sees to it that everything that came last is whole: which logbook a damaged entry is of, nobody
    /// can tell.
    pub(super) fn whole(&self) -> Result<(), Error> {
        match self.damaged.first() {
            Some(&arrival) => Err(Error::DamagedEntry { arrival }),
            None => Ok(()),
        }
    }

    /// Returns what a logbook's chains come to, its last entries included.
    pub(super) fn ledger(
        &mut self,
        logbook: LogbookId,
        shelves: &Shelves,
        rows: &ledger::Kept,
    ) -> Result<Arc<Ledger>, Error> {
        self.whole()?;
        if let Some(ledger) = self.ledgers.get(&logbook) {
            return Ok(Arc::clone(ledger));
        }
        let ledger = Arc::new(ledger_of(logbook, shelves, rows)?);
        self.ledgers.keep(logbook, Arc::clone(&ledger));
        Ok(ledger)
    }

    /// Returns the same, with the ids that the entries name.
    pub(super) fn ledger_and_ids(
        &mut self,
        logbook: LogbookId,
        shelves: &Shelves,
        rows: &ledger::Kept,
    ) -> Result<Arc<Ledger>, Error> {
        let mut ledger = self.ledger(logbook, shelves, rows)?;
        if !ledger.tells_ids() {
            // Or it would be copied.
            self.ledgers.remove(&logbook);
            tell_ids(Arc::make_mut(&mut ledger), logbook, shelves)?;
            self.ledgers.keep(logbook, Arc::clone(&ledger));
        }
        Ok(ledger)
    }

    /// Takes a ledger that is at hand, for changing it.
    pub(super) fn take(&mut self, logbook: LogbookId) -> Option<Arc<Ledger>> {
        self.ledgers.remove(&logbook)
    }

    /// Learns the ids of entries that were appended, where those before them are at hand.
    pub(super) fn learn_ids<'a>(&mut self, entries: impl Iterator<Item = Lying<'a>>) {
        if self.ids.is_empty() {
            return;
        }
        for lying in entries {
            let entry = lying.view();
            self.ids.change(&entry.logbook, |ids| {
                Arc::make_mut(ids).learn(&entry, lying.arrival);
            });
        }
    }

    /// Keeps what a logbook's chains come to now, and forgets what it said before.
    pub(super) fn moved_on(&mut self, logbook: LogbookId, ledger: Arc<Ledger>) {
        if ledger.entries() > 0
            && let Some(logbooks) = &mut self.logbooks
        {
            logbooks.insert(logbook);
        }
        self.ledgers.keep(logbook, ledger);
        self.held = None;
        self.states.remove(&logbook);
        self.then.remove(&logbook);
        self.about.remove(&logbook);
        self.lately.remove(&logbook);
        self.books.remove(&logbook);
    }

    /// Forgets what was written since balances that are brought up.
    pub(super) fn balanced(&mut self) {
        self.balances = Arc::default();
        self.lately.clear();
    }

    /// Forgets everything that follows from the file but is not read at once.
    pub(super) fn forget(&mut self) {
        self.ledgers.clear();
        self.states.clear();
        self.then.clear();
        self.about.clear();
        self.balanced();
        self.books.clear();
        self.ids.clear();
        self.logbooks = None;
        self.held = None;
        self.batches = Batches::default();
    }
}

/// Reads what a logbook's chains come to.
pub(super) fn ledger_of(
    logbook: LogbookId,
    shelves: &Shelves,
    rows: &ledger::Kept,
) -> Result<Ledger, Error> {
    let ledger = rows.get(logbook)?.unwrap_or_else(Ledger::beginning);
    with_tail(ledger, logbook, shelves)
}

/// Lets a ledger know which ids a logbook's entries name: it says something to those who tell and are told
/// entries, and to nobody else.
pub(super) fn tell_ids(
    ledger: &mut Ledger,
    logbook: LogbookId,
    shelves: &Shelves,
) -> Result<(), Error> {
    let archive = shelves.of(logbook);
    match shelves.ids(logbook)? {
        Some(ids) => ledger.tell_ids(ids),
        None => ledger.learn_ids(archive.settled()?.iter()),
    }
    for filed in archive.tail() {
        ledger.learn_ids_of(&filed.written.view(), filed.arrival);
    }
    Ok(())
}

/// Brings the ledger of a logbook's blocks up to its last entries.
fn with_tail(mut ledger: Ledger, logbook: LogbookId, shelves: &Shelves) -> Result<Ledger, Error> {
    let archive = shelves.of(logbook);
    if !ledger.is_gone_on_with(archive.tail().map(|filed| &filed.written)) {
        return walked(logbook, shelves);
    }
    for filed in archive.tail() {
        let written = &filed.written;
        let place = ledger.place_of(written)?;
        let view = written.view();
        let gained = ledger.causes(&view, &archive)?;
        ledger.go_on(&view, place, &gained, filed.arrival);
    }
    Ok(ledger)
}

/// Makes a ledger from all entries of a logbook.
fn walked(logbook: LogbookId, shelves: &Shelves) -> Result<Ledger, Error> {
    let entries = shelves.of(logbook).entries()?;
    Ok(Ledger::walk(logbook, entries.iter())?.ledger)
}
