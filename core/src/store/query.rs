//! Entries and state out. Whatever is read is held against its check before it is used.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Deref;
use std::sync::Arc;

use redb::{ReadTransaction, ReadableTable};

use super::archive::Shelves;
use super::filed::Filed;
use super::first_seen::FirstSeen;
use super::ledger::Ledger;
use super::live::{self, Ledgers, Live};
use super::said::{Asked, Named};
use super::tables::{self, GROUPS, Group};
use super::{Bookmark, Error, Store};
use crate::log::chain::{self, Held, Link, Mark, Tip};
use crate::log::columns::{Found, Short};
use crate::log::id::{Arrival, ChainId, DeviceId, FieldNumber, LogbookId, Place, Seq, ThingId};
use crate::log::stamp::{Stamp, WallMs};
use crate::log::vector::VersionVector;
use crate::merge::register::Register;
use crate::merge::replay::{self, Placed, State};

/// What is held of one chain of a logbook.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Head {
    /// Which chain, in this store's names.
    pub chain: ChainId,
    /// Whose entries.
    pub device: DeviceId,
    /// The first entry: a branch's, where it leaves another chain.
    pub first: Seq,
    /// The last entry.
    pub seq: Seq,
    /// Its tip.
    pub tip: Tip,
    /// The chain up to it.
    pub link: Link,
}

impl Head {
    /// Counts the chain's entries.
    pub const fn entries(&self) -> u64 {
        self.seq.get() + 1 - self.first.get()
    }
}

/// Two branches of one device's chain, as far as they are held.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Branched {
    /// The branch's id.
    pub chain: ChainId,
    /// Whose store was copied or put back.
    pub device: DeviceId,
    /// The branch's first entry's number.
    pub from: Seq,
    /// Its last one's.
    pub to: Seq,
    /// The chain that it leaves.
    pub leaves: ChainId,
}

/// An entry as this store keeps it.
#[derive(Debug, Clone, PartialEq)]
pub struct Kept {
    /// Its place in the order in which entries came here.
    pub arrival: Arrival,
    /// When it came here.
    pub arrived: WallMs,
    /// The stamp that orders it: its own, or a receipt's.
    pub stamp: Stamp,
    /// Whether it does not count: its device's access had been taken back when it came to a hub, and
    /// nobody has admitted it.
    pub held_back: bool,
    /// The entry, and where it stands in its logbook.
    pub placed: Placed,
}

/// An entry as kept is above all the entry.
impl Deref for Kept {
    type Target = Placed;

    fn deref(&self) -> &Placed {
        &self.placed
    }
}

/// What came to a store after a bookmark.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct News {
    /// The entries' bytes, in the order in which they came.
    pub batch: Vec<Vec<u8>>,
    /// Up to where that reads.
    pub read: Bookmark,
    /// Whether there is more.
    pub more: bool,
    /// A digest of everything that is held, as of the same moment.
    pub held: Held,
}

/// Everything as it stood at one moment.
pub(super) struct Reading<'s> {
    store: &'s Store,
    pub(super) txn: Arc<ReadTransaction>,
    pub(super) shelves: Shelves,
    rows: Ledgers,
    pub(super) last: Bookmark,
    pub(super) balances: Arc<()>,
}

impl Store {
    pub(super) fn reading(&self) -> Result<Reading<'_>, Error> {
        let live = self.live();
        live.whole()?;
        let txn = self.db.begin_read()?;
        Ok(Reading {
            store: self,
            shelves: live.shelves(&txn)?,
            rows: live::ledgers(&txn)?,
            last: live.last.bookmark,
            balances: Arc::clone(&live.balances),
            txn,
        })
    }
}

impl Reading<'_> {
    /// Returns what a logbook's chains come to.
    pub(super) fn ledger(&self, logbook: LogbookId) -> Result<Arc<Ledger>, Error> {
        let mut live = self.store.live();
        if live.last.bookmark == self.last {
            return live.ledger(logbook, &self.shelves, &self.rows);
        }
        drop(live);
        // Something was written since: the ledger as it was then.
        live::ledger_of(logbook, &self.shelves, &self.rows).map(Arc::new)
    }

    /// Returns the same, with the ids that the entries name.
    pub(super) fn ledger_and_ids(&self, logbook: LogbookId) -> Result<Arc<Ledger>, Error> {
        let mut live = self.store.live();
        if live.last.bookmark == self.last {
            return live.ledger_and_ids(logbook, &self.shelves, &self.rows);
        }
        drop(live);
        let mut ledger = live::ledger_of(logbook, &self.shelves, &self.rows)?;
        if !ledger.tells_ids() {
            live::tell_ids(&mut ledger, logbook, &self.shelves)?;
        }
        Ok(Arc::new(ledger))
    }

    /// Returns the stretches of arrivals that begin after this one, and the arrival before each; the
    /// first of them may have begun earlier.
    fn groups(
        &self,
        after: Arrival,
    ) -> Result<impl Iterator<Item = Result<(Arrival, Group), Error>>, Error> {
        let groups = self.txn.open_table(GROUPS)?;
        let before = groups.range(..=after.0)?.next_back().transpose()?;
        let mut before = Arrival(before.map_or(0, |(last, _)| last.value()));
        let rows = groups.range(after.0 + 1..)?;
        Ok(rows.map(move |row| {
            let (last, row) = row?;
            let group = tables::group(last.value(), row.value())?;
            Ok((core::mem::replace(&mut before, group.end.arrival), group))
        }))
    }

    /// Does `with` each entry that came after an arrival and is wanted, in order, until it says no;
    /// returns whether it never did. Of logbooks that are not `covered`, if some are, none is looked at.
    pub(super) fn since(
        &self,
        after: Arrival,
        covered: Option<&BTreeSet<LogbookId>>,
        wanted: &dyn Fn(LogbookId, DeviceId) -> bool,
        mut with: impl FnMut(&Arc<Filed>) -> bool,
    ) -> Result<bool, Error> {
        let is_covered =
            |logbook: &LogbookId| covered.is_none_or(|covered| covered.contains(logbook));
        for group in self.groups(after)? {
            let (before, group) = group?;
            let mut came = Vec::new();
            for logbook in group.logbooks.iter().filter(|logbook| is_covered(logbook)) {
                let within = (before, group.end.arrival);
                self.shelves
                    .of(*logbook)
                    .each_block_within(within, |block| {
                        let of_anyone =
                            |(device, ..): &(DeviceId, Seq, Seq)| wanted(*logbook, *device);
                        if block.last() > after && block.spans.iter().any(of_anyone) {
                            let wanted = block.entries()?.into_iter().filter(|filed| {
                                let entry = &filed.written.entry;
                                filed.arrival > after && wanted(entry.logbook, entry.device)
                            });
                            came.extend(wanted.map(Arc::new));
                        }
                        Ok(())
                    })?;
            }
            came.sort_unstable_by_key(|filed| filed.arrival);
            if !came.iter().all(&mut with) {
                return Ok(false);
            }
        }
        let tail = self.shelves.tail().iter();
        let mut tail = tail.filter(|filed| {
            let entry = &filed.written.entry;
            filed.arrival > after
                && is_covered(&entry.logbook)
                && wanted(entry.logbook, entry.device)
        });
        Ok(tail.all(with))
    }

    /// Returns all logbooks of which anything is held.
    pub(super) fn logbooks(&self) -> Result<BTreeSet<LogbookId>, Error> {
        let is_now = |live: &Live| live.last.bookmark == self.last;
        let live = self.store.live();
        if let Some(logbooks) = live.logbooks.as_ref().filter(|_| is_now(&live)) {
            return Ok(logbooks.clone());
        }
        drop(live);
        let logbooks = logbooks(&self.rows, &self.shelves)?;
        let mut live = self.store.live();
        if is_now(&live) {
            live.logbooks = Some(logbooks.clone());
        }
        Ok(logbooks)
    }

    /// Returns the bookmark at an arrival, if an entry came then.
    pub(super) fn bookmark_at(&self, arrival: Arrival) -> Result<Option<Bookmark>, Error> {
        let tail = self.shelves.tail();
        if let Ok(at) = tail.binary_search_by_key(&arrival, |filed| filed.arrival) {
            return Ok(Some(tail[at].bookmark()));
        }
        let Some(before) = arrival.0.checked_sub(1).map(Arrival) else {
            return Ok(None);
        };
        let Some((after, group)) = self.groups(before)?.next().transpose()? else {
            return Ok(None);
        };
        if group.end.arrival == arrival {
            return Ok(Some(group.end));
        }
        let mut found = None;
        for logbook in &group.logbooks {
            let within = (after, group.end.arrival);
            self.shelves
                .of(*logbook)
                .each_block_within(within, |block| {
                    let is_here = |(at, _): &(Arrival, WallMs)| *at == arrival;
                    if block.arrivals.iter().any(is_here) {
                        let entries = block.entries()?;
                        let here = entries.iter().find(|filed| filed.arrival == arrival);
                        found = here.map(Filed::bookmark);
                    }
                    Ok(())
                })?;
            if found.is_some() {
                break;
            }
        }
        Ok(found)
    }
}

/// All logbooks of which at least one entry is held.
pub(super) fn logbooks(rows: &Ledgers, shelves: &Shelves) -> Result<BTreeSet<LogbookId>, Error> {
    let tail = shelves.tail().iter();
    let mut logbooks: BTreeSet<_> = tail.map(|filed| filed.written.entry.logbook).collect();
    for row in rows.iter()? {
        logbooks.insert(LogbookId::from_bytes(*row?.0.value()));
    }
    Ok(logbooks)
}

impl Store {
    /// Returns the logbooks of which at least one entry is held.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn logbooks(&self) -> Result<Vec<LogbookId>, Error> {
        Ok(self.reading()?.logbooks()?.into_iter().collect())
    }

    /// Returns what is held of each chain of a logbook.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn heads(&self, logbook: LogbookId) -> Result<Vec<Head>, Error> {
        let ledger = self.reading()?.ledger(logbook)?;
        let branches = ledger.branches();
        let heads = ledger.heads().map(|(chain, head)| Head {
            chain,
            device: branches.device_of(chain),
            first: branches.first(chain),
            seq: head.seq,
            tip: head.tip,
            link: head.link,
        });
        Ok(heads.collect())
    }

    /// Returns the branches in a logbook: each shows that a store was copied or put back.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn branched(&self, logbook: LogbookId) -> Result<Vec<Branched>, Error> {
        let ledger = self.reading()?.ledger(logbook)?;
        let branches = ledger.branches().begun();
        branches
            .map(|(chain, branch)| {
                let head = ledger.head(chain);
                Ok(Branched {
                    chain,
                    device: branch.device,
                    from: branch.from,
                    to: head.ok_or(Error::damaged_index("ledgers"))?.seq,
                    leaves: branch.of,
                })
            })
            .collect()
    }

    /// Returns everything that is held of a logbook, as a version vector.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn vector(&self, logbook: LogbookId) -> Result<VersionVector, Error> {
        Ok(self.reading()?.ledger(logbook)?.vector())
    }

    /// Returns, of these marks, those that are held: each with all that its chain branches off from,
    /// as a vector; and those that are not.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn known(
        &self,
        logbook: LogbookId,
        marks: &[Mark],
    ) -> Result<(VersionVector, Vec<Mark>), Error> {
        let reading = self.reading()?;
        let (ledger, archive) = (reading.ledger(logbook)?, reading.shelves.of(logbook));
        let (mut held, mut unknown) = (VersionVector::new(), Vec::new());
        for mark in marks {
            match ledger.find(*mark, &archive)? {
                Some(place) => ledger.branches().learn(&mut held, place),
                None => unknown.push(*mark),
            }
        }
        Ok((held, unknown))
    }

    /// Returns the places of those of these entries that are held.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn places(&self, logbook: LogbookId, marks: &[Mark]) -> Result<Vec<Place>, Error> {
        let reading = self.reading()?;
        let (ledger, archive) = (reading.ledger(logbook)?, reading.shelves.of(logbook));
        let found = marks.iter().map(|mark| ledger.find(*mark, &archive));
        found.filter_map(Result::transpose).collect()
    }

    /// Returns the marks of entries that are held.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read, or a place is not held.
    pub fn marks(&self, logbook: LogbookId, places: &[Place]) -> Result<Vec<Mark>, Error> {
        let reading = self.reading()?;
        let (ledger, archive) = (reading.ledger(logbook)?, reading.shelves.of(logbook));
        let places = places.iter();
        places.map(|place| ledger.mark(*place, &archive)).collect()
    }

    /// Returns marks of entries before a chain's last one, ever farther apart: enough for another
    /// store to find where its own branch leaves.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn ancestors(&self, logbook: LogbookId, head: Head) -> Result<Vec<(Seq, Tip)>, Error> {
        let reading = self.reading()?;
        let (ledger, archive) = (reading.ledger(logbook)?, reading.shelves.of(logbook));
        let branches = ledger.branches();
        let (mut found, mut step, mut chain) = (Vec::new(), 1, head.chain);
        let mut number = head.seq.get();
        loop {
            number = number.saturating_sub(step);
            step *= 2;
            let Some(seq) = Seq::new(number) else {
                return Ok(found);
            };
            while seq < branches.first(chain) {
                chain = branches
                    .leaves(chain)
                    .ok_or(Error::damaged_index("ledgers"))?
                    .chain;
            }
            let tip = ledger.tip_at(Place { chain, seq }, &archive)?;
            found.push((seq, tip.ok_or(Error::damaged_index("ledgers"))?));
        }
    }

    /// Returns the chain's link at each entry of a logbook.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read, or an entry is not what was written.
    pub fn links(&self, logbook: LogbookId) -> Result<BTreeMap<Place, Link>, Error> {
        let walked = self.reading()?.walked(logbook)?;
        let branches = walked.ledger.branches();
        let mut links = BTreeMap::new();
        for (filed, (place, _)) in walked.entries.iter().zip(&walked.placed) {
            let before = if place.seq == branches.first(place.chain) {
                branches.leaves(place.chain)
            } else {
                place.seq.previous().map(|seq| Place { seq, ..*place })
            };
            let link = match before {
                Some(before) => *links.get(&before).ok_or(Error::damaged_index("ledgers"))?,
                None => Link::origin(logbook, branches.device_of(place.chain)),
            };
            links.insert(*place, link.after(&filed.written.raw));
        }
        Ok(links)
    }

    /// Returns the bytes of entries that are held beyond `known`, in the order in which they came
    /// here, up to `max_bytes` (but at least one entry); and whether there are more.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read, or an entry is not what was written.
    pub fn entries_beyond(
        &self,
        logbook: LogbookId,
        known: &VersionVector,
        max_bytes: usize,
    ) -> Result<(Vec<Vec<u8>>, bool), Error> {
        let reading = self.reading()?;
        let (ledger, archive) = (reading.ledger(logbook)?, reading.shelves.of(logbook));
        let lacks = |place: Place| !known.includes(place.chain, place.seq);
        let (mut batch, mut bytes, mut more) = (Vec::new(), 0, false);
        let mut take = |filed: &Filed| -> Result<(), Error> {
            let written = &filed.written;
            let place = ledger.place_of(written)?;
            if more || !lacks(place) {
                return Ok(());
            }
            bytes += written.raw.len();
            if bytes > max_bytes && !batch.is_empty() {
                more = true;
            } else {
                batch.push(written.raw.clone());
            }
            Ok(())
        };
        let branches = ledger.branches();
        archive.each_block(|block| {
            let block = block?;
            let mut spans = block.spans.iter();
            let may_lack = spans.any(|(device, _, to)| {
                !branches.is_empty() || !known.includes(ChainId::of(*device), *to)
            });
            if may_lack {
                block.entries()?.iter().try_for_each(&mut take)?;
            }
            Ok(())
        })?;
        archive.tail().try_for_each(|filed| take(filed))?;
        Ok((batch, more))
    }

    /// Returns the bookmark at the end of this store's arrivals.
    ///
    /// # Errors
    /// [`Error`] where the last entry is not what was written.
    pub fn last_bookmark(&self) -> Result<Bookmark, Error> {
        let live = self.live();
        live.whole()?;
        Ok(live.last.bookmark)
    }

    /// Returns whether a bookmark was made in this store, as it is now.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read, or the entry there is not what was written.
    pub fn made_bookmark(&self, bookmark: Bookmark) -> Result<bool, Error> {
        if bookmark == Bookmark::START || bookmark == self.last_bookmark()? {
            return Ok(true);
        }
        let here = self.reading()?.bookmark_at(bookmark.arrival)?;
        Ok(here == Some(bookmark))
    }

    /// Returns the entries that arrived after `after` and are `wanted`, in order, up to `max_bytes`
    /// (but at least one), and at the same moment what is held of the logbooks `covered`. Where some
    /// are, the entries are of those.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read, or an entry is not what was written.
    pub fn news(
        &self,
        after: Arrival,
        wanted: &dyn Fn(LogbookId, DeviceId) -> bool,
        covered: &BTreeSet<LogbookId>,
        max_bytes: usize,
    ) -> Result<News, Error> {
        // One moment: what others append meanwhile is in neither part of the answer.
        let reading = self.reading()?;
        let mut news = News {
            batch: Vec::new(),
            read: reading.bookmark_at(after)?.unwrap_or(Bookmark::START),
            more: false,
            held: reading.held(covered)?,
        };
        let mut bytes = 0;
        let mut take = |news: &mut News, filed: &Filed| {
            let raw = &filed.written.raw;
            bytes += raw.len();
            if bytes > max_bytes && !news.batch.is_empty() {
                news.more = true;
                return false;
            }
            news.batch.push(raw.clone());
            news.read = filed.bookmark();
            true
        };
        let of_these = Some(covered).filter(|covered| !covered.is_empty());
        let all = reading.since(after, of_these, wanted, |filed| take(&mut news, filed))?;
        if all {
            news.read = reading.last;
        }
        Ok(news)
    }

    /// Returns those of the wanted ids that occur in a logbook's entries that came up to an arrival: of
    /// things, visits and devices. The answer follows from the entries and their arrivals alone.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read, or an entry is not what was written.
    pub fn find_ids(
        &self,
        logbook: LogbookId,
        up_to: Arrival,
        wanted: &BTreeSet<Short>,
    ) -> Result<Found, Error> {
        let ids = self.at_hand(
            |live| live.ids.get(&logbook).map(Arc::clone),
            |reading| reading.ids(logbook).map(Arc::new),
            |live, ids| live.ids.keep(logbook, Arc::clone(ids)),
        )?;
        Ok(ids.found(up_to, wanted))
    }

    /// Returns a digest of what is held of these logbooks: equal for two stores exactly when they
    /// hold the same entries of them.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn held(&self, covered: &BTreeSet<LogbookId>) -> Result<Held, Error> {
        self.reading()?.held(covered)
    }

    /// Returns one entry.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read, or the entry is not what was written.
    pub fn entry(&self, logbook: LogbookId, place: Place) -> Result<Option<Kept>, Error> {
        let at_hand = self.live().books.get(&logbook).map(Arc::clone);
        let book = match at_hand {
            Some(book) => book,
            None => {
                let reading = self.reading()?;
                if reading.ledger(logbook)?.branches().is_empty() {
                    return reading.kept_at(logbook, place);
                }
                self.book(logbook)?
            }
        };
        let mut entries = book.iter();
        Ok(entries.find(|kept| kept.place == place).cloned())
    }

    /// Returns all entries of a logbook, in the order in which they came here.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read, or an entry is not what was written.
    pub fn entries(&self, logbook: LogbookId) -> Result<Vec<Kept>, Error> {
        let at_hand = self.live().books.get(&logbook).map(Arc::clone);
        match at_hand {
            Some(book) => Ok(book.to_vec()),
            None => self.reading()?.kept(logbook),
        }
    }

    /// Returns all entries of a logbook, which may be at hand.
    fn book(&self, logbook: LogbookId) -> Result<Arc<[Kept]>, Error> {
        self.at_hand(
            |live| live.books.get(&logbook).map(Arc::clone),
            |reading| reading.kept(logbook).map(Arc::from),
            |live, book| live.books.keep(logbook, Arc::clone(book)),
        )
    }

    /// Returns what is at hand, if `find` finds it; else what `make` makes, which is kept unless
    /// something was written meanwhile.
    fn at_hand<T>(
        &self,
        find: impl FnOnce(&Live) -> Option<T>,
        make: impl FnOnce(&Reading<'_>) -> Result<T, Error>,
        keep: impl FnOnce(&mut Live, &T),
    ) -> Result<T, Error> {
        let live = self.live();
        live.whole()?;
        if let Some(found) = find(&live) {
            return Ok(found);
        }
        drop(live);
        let reading = self.reading()?;
        let made = make(&reading)?;
        let mut live = self.live();
        if live.last.bookmark == reading.last {
            keep(&mut live, &made);
        }
        Ok(made)
    }

    /// Returns one field's register.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn register(
        &self,
        logbook: LogbookId,
        thing: ThingId,
        field: FieldNumber,
    ) -> Result<Option<Register>, Error> {
        let of_thing = self.at_hand(
            |live| {
                let about = || live.about.get(&logbook)?.get(&thing);
                live.states.get(&logbook).or_else(about).map(Arc::clone)
            },
            |reading| {
                let asked = Asked {
                    thing: Some(thing),
                    ..Asked::default()
                };
                reading.state_of(logbook, asked).map(Arc::new)
            },
            |live, of_thing| {
                if live.about.get(&logbook).is_none() {
                    live.about.keep(logbook, BTreeMap::new());
                }
                live.about.change(&logbook, |about| {
                    about.insert(thing, Arc::clone(of_thing));
                });
            },
        )?;
        Ok(of_thing.register(thing, field).cloned())
    }

    /// Returns what a logbook says now.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn state(&self, logbook: LogbookId) -> Result<Arc<State>, Error> {
        self.at_hand(
            |live| live.states.get(&logbook).map(Arc::clone),
            |reading| reading.state_of(logbook, Asked::default()).map(Arc::new),
            |live, state| live.states.keep(logbook, Arc::clone(state)),
        )
    }

    /// Returns what a logbook said at a moment: what was written up to it, by the stamps that order it. The
    /// last moment that was asked for is at hand, since whoever asks of one thing goes on to the next.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn state_as_of(&self, logbook: LogbookId, until: Stamp) -> Result<Arc<State>, Error> {
        self.at_hand(
            |live| match live.then.get(&logbook) {
                Some((then, state)) if *then == until => Some(Arc::clone(state)),
                _ => None,
            },
            |reading| {
                let asked = Asked {
                    until: Some(until),
                    ..Asked::default()
                };
                reading.state_of(logbook, asked).map(Arc::new)
            },
            |live, state| live.then.keep(logbook, (until, Arc::clone(state))),
        )
    }

    /// Counts a logbook's entries.
    pub(super) fn count(&self, logbook: LogbookId) -> Result<u64, Error> {
        Ok(self.reading()?.ledger(logbook)?.entries())
    }
}

/// All entries of a logbook, each with its place and what its writer gained.
struct Walked {
    ledger: Ledger,
    placed: Vec<(Place, VersionVector)>,
    entries: Vec<Filed>,
}

impl Reading<'_> {
    /// Returns a digest of what is held of these logbooks. The last one is at hand: of those who meet, many
    /// bring nothing new and carry the same.
    pub(super) fn held(&self, covered: &BTreeSet<LogbookId>) -> Result<Held, Error> {
        let is_now = |live: &Live| live.last.bookmark == self.last;
        let live = self.store.live();
        if let Some((of, held)) = live.held.as_ref().filter(|_| is_now(&live))
            && of == covered
        {
            return Ok(*held);
        }
        drop(live);
        let mut chains = Vec::new();
        for logbook in covered {
            for (chain, head) in self.ledger(*logbook)?.heads() {
                let mut ids = [0; 32];
                ids[..16].copy_from_slice(logbook.bytes());
                ids[16..].copy_from_slice(chain.bytes());
                // A link follows from all entries before it, so device and link say everything.
                chains.push((ids, head.link));
            }
        }
        let held = chain::held(&chains);
        let mut live = self.store.live();
        if is_now(&live) && !covered.is_empty() {
            live.held = Some((covered.clone(), held));
        }
        Ok(held)
    }

    fn walked(&self, logbook: LogbookId) -> Result<Walked, Error> {
        let entries = self.shelves.of(logbook).entries()?;
        self.all_there(logbook, entries.len() as u64)?;
        let walk = Ledger::walk(logbook, entries.iter())?;
        Ok(Walked {
            ledger: walk.ledger,
            placed: walk.placed,
            entries,
        })
    }

    /// Reads all entries of a logbook.
    pub(super) fn kept(&self, logbook: LogbookId) -> Result<Vec<Kept>, Error> {
        let Walked {
            ledger,
            placed,
            entries,
        } = self.walked(logbook)?;
        let names = Named::of(&ledger, &placed, &entries);
        let mut kept: Vec<_> = entries
            .into_iter()
            .zip(placed)
            .map(|(filed, (place, gained))| {
                let entry = filed.written.entry;
                let (receipts, verdicts) = names.words(&entry.changes);
                Kept {
                    arrival: filed.arrival,
                    arrived: filed.arrived,
                    stamp: entry.stamp,
                    held_back: false,
                    placed: Placed {
                        place,
                        gained,
                        receipts,
                        verdicts,
                        entry,
                    },
                }
            })
            .collect();
        let all = || kept.iter().map(|kept| &kept.placed);
        let (receipts, held_back) = (replay::receipts(all()), replay::held_back(all()));
        for kept in &mut kept {
            if let Some(stamp) = receipts.get(&kept.placed.place) {
                kept.stamp = *stamp;
            }
            kept.held_back = held_back.contains(&kept.placed.place);
        }
        Ok(kept)
    }

    /// Reads where each id first occurs in a logbook.
    fn ids(&self, logbook: LogbookId) -> Result<FirstSeen, Error> {
        let (archive, mut ids) = (self.shelves.of(logbook), FirstSeen::default());
        archive.each_block(|block| {
            let block = block?;
            for (arrival, id) in block.first_named()? {
                ids.learn_id(&id, arrival);
            }
            Ok(())
        })?;
        for filed in archive.tail() {
            ids.learn(&filed.written.view(), filed.arrival);
        }
        Ok(ids)
    }

    /// Sees to it that no entry of a logbook is missing: a row that is gone has no check.
    pub(super) fn all_there(&self, logbook: LogbookId, found: u64) -> Result<(), Error> {
        let expected = self.ledger(logbook)?.entries();
        if expected == found {
            Ok(())
        } else {
            Err(Error::damaged_index("ledgers"))
        }
    }
}
