//! A write: what it appends goes on from what the store remembers, and the store remembers it once it
//! is on disk.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, MutexGuard};

use redb::WriteTransaction;

use super::archive::{Archive, Shelves};
use super::batches::Batch;
use super::block::Packing;
use super::filed::Filed;
use super::filing::Filing;
use super::ledger::{Ledger, Slot};
use super::live::{self, Last, Ledgers, Live};
use super::tables::{self, ENTRIES, IDENTITY, IDS, LEDGERS};
use super::{Error, Recorded, Store, Writer};
use crate::log::chain::{Mark, Tip};
use crate::log::codec::CodecError;
use crate::log::entry::{Draft, Entry};
use crate::log::id::{Arrival, ChainId, LogbookId, Place, Seq};
use crate::log::stamp::{Clock, Stamp, WallMs};
use crate::log::written::Written;

/// How many entries one group holds at most, so that whoever reads on from a bookmark need not unpack
/// more at once.
const MOST_A_GROUP: usize = 8_192;

/// A write transaction over the log.
pub(super) struct Writing<'s> {
    live: MutexGuard<'s, Live>,
    pub(super) txn: WriteTransaction,
    before: Before<'s>,
    ledgers: BTreeMap<LogbookId, Ledger>,
    new: Vec<Arc<Filed>>,
    batches: Vec<Batch>,
    pub(super) clock: Clock,
    next: Arrival,
    /// When what is appended next arrives.
    pub(super) arrived: WallMs,
}

/// What was there before the write, opened when it is needed.
struct Before<'s> {
    store: &'s Store,
    open: Option<(Shelves, Ledgers)>,
}

impl Before<'_> {
    fn open(&mut self, live: &Live) -> Result<&(Shelves, Ledgers), Error> {
        if self.open.is_none() {
            let txn = self.store.db.begin_read()?;
            let shelves = Shelves::open(&txn, Arc::clone(&live.tail))?;
            self.open = Some((shelves, live::ledgers(&txn)?));
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
            ledgers: BTreeMap::new(),
            new: Vec::new(),
            batches: Vec::new(),
            clock: live.clock,
            next: Arrival(live.last.bookmark.arrival.0 + 1),
            arrived: now.max(live.last.arrived),
            live,
        })
    }

    /// Returns the arrival of what is appended next.
    pub(super) const fn next_arrival(&self) -> Arrival {
        self.next
    }

    /// Keeps batches as they came, once what came in them is on disk: each its bytes and how many
    /// entries it holds, all of them new and appended in this order from an arrival on.
    pub(super) fn keep_batches(&mut self, first: Arrival, batches: Vec<(Vec<u8>, usize)>) {
        let mut new = self.new.iter().skip_while(|filed| filed.arrival < first);
        for (bytes, many) in batches {
            let entries = new.by_ref().take(many);
            self.batches
                .extend(Batch::of(bytes, entries.map(AsRef::as_ref)));
        }
    }

    /// Returns a logbook's ledger as this write has made it so far, and its entries before the write.
    fn ledger(&mut self, logbook: LogbookId) -> Result<(&mut Ledger, Archive<'_>), Error> {
        if !self.ledgers.contains_key(&logbook) {
            let ledger = match self.live.take(logbook) {
                Some(ledger) => ledger,
                None => {
                    let (shelves, rows) = self.before.open(&self.live)?;
                    Arc::unwrap_or_clone(self.live.ledger(logbook, shelves, rows)?)
                }
            };
            self.ledgers.insert(logbook, ledger);
        }
        let (shelves, _) = self.before.open(&self.live)?;
        let ledger = self.ledgers.get_mut(&logbook);
        Ok((ledger.expect("it was just put there"), shelves.of(logbook)))
    }

    /// Returns the ledger of a logbook, for looking only.
    pub(super) fn look(&mut self, logbook: LogbookId) -> Result<&Ledger, Error> {
        Ok(self.ledger(logbook)?.0)
    }

    /// Returns all logbooks of which anything is held.
    pub(super) fn logbooks(&mut self) -> Result<BTreeSet<LogbookId>, Error> {
        let (shelves, rows) = self.before.open(&self.live)?;
        let mut logbooks = super::query::logbooks(rows, shelves)?;
        let new = self.new.iter();
        logbooks.extend(new.map(|filed| filed.written.entry.logbook));
        Ok(logbooks)
    }

    /// Finds whether an entry is here; if it is new, it may follow.
    pub(super) fn slot(&mut self, written: &Written) -> Result<Slot, Error> {
        let logbook = written.entry.logbook;
        let (ledger, archive) = self.ledger(logbook)?;
        let slot = ledger.slot(written, &archive)?;
        if let Slot::Same = slot {
            let new = self.new.iter();
            let here = new
                .filter(|filed| filed.written.entry.logbook == logbook)
                .find(|filed| filed.written.tip == written.tip)
                .map(|filed| filed.written.raw == written.raw);
            let same = match here {
                Some(same) => same,
                None => {
                    let (shelves, _) = self.before.open(&self.live)?;
                    is_held(&shelves.of(logbook), written)?
                }
            };
            if !same {
                return Err(CodecError::Shape("another entry bears the same tip").into());
            }
        }
        Ok(slot)
    }

    /// Appends a new entry where [`Self::slot`] said.
    pub(super) fn append(&mut self, written: Written, slot: &Slot) -> Result<Arrival, Error> {
        let logbook = written.entry.logbook;
        let arrival = self.next;
        let filed = Filed {
            arrival,
            arrived: self.arrived,
            written,
        };
        if let Slot::Next(place, gained) = slot {
            let ledger = self.ledgers.get_mut(&logbook);
            let ledger = ledger.expect("its slot was asked for");
            ledger.go_on(logbook, *place, gained, &filed);
            self.push(filed);
        } else {
            self.push(filed);
            // What is new may take names from what was there: all are named again.
            let (shelves, _) = self.before.open(&self.live)?;
            let before = shelves.of(logbook).entries()?;
            let new = self.new.iter().map(AsRef::as_ref);
            let new = new.filter(|filed: &&Filed| filed.written.entry.logbook == logbook);
            let all = before.iter().chain(new);
            let ledger = Ledger::walk(logbook, all)?.ledger;
            self.ledgers.insert(logbook, ledger);
        }
        Ok(arrival)
    }

    fn push(&mut self, filed: Filed) {
        self.next = Arrival(filed.arrival.0 + 1);
        self.new.push(Arc::new(filed));
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
    pub(super) fn new_entries(&self) -> impl Iterator<Item = &Written> {
        self.new.iter().map(|filed| &filed.written)
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
        let gained = ledger.causes(&entry, &archive)?;
        if seq == Seq::FIRST && left(&self.txn, logbook)?.is_some() {
            return Err(Error::Dropped(logbook));
        }
        let place = Place { chain, seq };
        let written = Written::make(entry)?;
        let arrival = self.append(written, &Slot::Next(place, gained))?;
        Ok((place, arrival))
    }

    /// Commits, and writes as `writer` from then on if one is given; where that fails, all stays as it
    /// was.
    pub(super) fn commit(self, writer: Option<Writer>) -> Result<(), Error> {
        let loose = self.live.tail.len() + self.new.len();
        let settles = loose > self.live.most_loose;
        self.commit_to(writer, settles)
    }

    /// Puts everything into blocks, and commits.
    pub(super) fn settle(self) -> Result<(), Error> {
        self.commit_to(None, true)
    }

    fn commit_to(mut self, writer: Option<Writer>, settles: bool) -> Result<(), Error> {
        let last = self.new.last().map_or(self.live.last, |filed| Last {
            bookmark: filed.bookmark(),
            arrived: filed.arrived,
        });
        if settles {
            self.write_blocks()?;
        } else {
            let mut rows = self.txn.open_table(ENTRIES)?;
            for filed in &self.new {
                let row = tables::entry_row(filed.arrival, filed.arrived, &filed.written.raw);
                rows.insert(filed.arrival.0, row.as_slice())?;
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
        for filed in &self.new {
            live.learn_ids(filed);
        }
        // Before the tail: what still reads the old one would make it be copied.
        drop(self.before.open);
        if settles {
            live.tail = Arc::default();
        } else {
            Arc::make_mut(&mut live.tail).extend(self.new);
        }
        for (logbook, mut ledger) in self.ledgers {
            ledger.forget_tips();
            live.moved_on(logbook, ledger);
        }
        Ok(())
    }

    /// Writes what lies in no block, and what is new, into blocks, and their ledgers with them.
    fn write_blocks(&mut self) -> Result<(), Error> {
        let tail = Arc::clone(&self.live.tail);
        let loose: Vec<_> = tail.iter().chain(&self.new).map(Arc::clone).collect();
        let touched: BTreeSet<_> = loose
            .iter()
            .map(|filed| filed.written.entry.logbook)
            .collect();
        for logbook in &touched {
            self.ledger(*logbook)?;
        }
        {
            let mut ledgers = self.txn.open_table(LEDGERS)?;
            let mut ids = self.txn.open_table(IDS)?;
            for logbook in &touched {
                let ledger = self.ledgers.get_mut(logbook).expect("it was looked at");
                ledgers.insert(logbook.bytes(), ledger.row(*logbook).as_slice())?;
                if let Some(row) = ledger.new_ids(*logbook) {
                    ids.insert(logbook.bytes(), row.as_slice())?;
                }
            }
        }
        for group in loose.chunks(MOST_A_GROUP) {
            write_group(&self.txn, group)?;
        }
        if !tail.is_empty() {
            self.txn.delete_table(ENTRIES)?;
            self.txn.open_table(ENTRIES)?;
        }
        let mut identity = self.txn.open_table(IDENTITY)?;
        let clock = self.clock.last().bits().to_be_bytes();
        identity.insert("clock", clock.as_slice())?;
        Ok(())
    }
}

/// Writes entries, in order of arrival, into blocks, logbook by logbook, and into groups.
fn write_group(txn: &WriteTransaction, entries: &[Arc<Filed>]) -> Result<(), Error> {
    let mut of_logbook: BTreeMap<LogbookId, Vec<&Filed>> = BTreeMap::new();
    for filed in entries {
        let logbook = filed.written.entry.logbook;
        of_logbook.entry(logbook).or_default().push(filed);
    }
    let mut filing = Filing::begin(txn, Packing::Loose)?;
    for (logbook, entries) in of_logbook {
        filing.write(logbook, &entries)?;
    }
    filing.finish(txn)
}

/// Whether the very bytes of an entry are held.
fn is_held(archive: &Archive<'_>, written: &Written) -> Result<bool, Error> {
    let mark = written.mark();
    let found = archive.entries_under(mark.device, mark.seq)?;
    let mut found = found.iter().filter(|filed| filed.written.tip == mark.tip);
    Ok(found.any(|filed| filed.written.raw == written.raw))
}

/// How far the store's own device wrote in a logbook before that was dropped.
pub(super) fn left(txn: &WriteTransaction, logbook: LogbookId) -> Result<Option<Seq>, Error> {
    let left = tables::word_if_any(&txn.open_table(IDENTITY)?, &tables::left_key(logbook))?;
    Ok(left.and_then(Seq::new))
}
