//! Entries and state out. Whatever is read is held against its check before it is used.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Deref;
use std::sync::Arc;

use super::filed::{Filed, Lying};
use super::first_seen::FirstSeen;
use super::ledger::Ledger;
use super::live::Live;
use super::reading::Reading;
use super::said::{Asked, Named};
use super::{Bookmark, Error, Store};
use crate::log::chain::Held;
use crate::log::columns::{Found, Short};
use crate::log::id::{Arrival, ChainId, DeviceId, FieldNumber, LogbookId, Place, ThingId};
use crate::log::stamp::{Stamp, WallMs};
use crate::log::vector::VersionVector;
use crate::merge::register::Register;
use crate::merge::replay::{self, Placed, State};

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

impl Store {
    /// Returns the logbooks of which at least one entry is held.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn logbooks(&self) -> Result<Vec<LogbookId>, Error> {
        Ok(self.reading()?.logbooks()?.into_iter().collect())
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
        let mut take = |news: &mut News, lying: &Lying<'_>| {
            let raw = lying.raw.bytes;
            bytes += raw.len();
            if bytes > max_bytes && !news.batch.is_empty() {
                news.more = true;
                return false;
            }
            news.batch.push(raw.to_vec());
            news.read = lying.bookmark();
            true
        };
        let of_these = Some(covered).filter(|covered| !covered.is_empty());
        let all = reading.since(after, of_these, wanted, |lying| take(&mut news, lying))?;
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
pub(super) struct Walked {
    pub(super) ledger: Ledger,
    pub(super) placed: Vec<(Place, VersionVector)>,
    pub(super) entries: Vec<Filed>,
}

impl Reading<'_> {
    /// Reads and walks them.
    pub(super) fn walked(&self, logbook: LogbookId) -> Result<Walked, Error> {
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
        let mut kept: Vec<Kept> = if self.ledger(logbook)?.branches().is_empty() {
            let entries = self.shelves.of(logbook).entries()?;
            self.all_there(logbook, entries.len() as u64)?;
            entries.into_iter().map(Kept::of_one_chain).collect()
        } else {
            self.kept_on_branches(logbook)?
        };
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

    /// The same of a logbook in which chains have branches, each as far as it tells by itself.
    fn kept_on_branches(&self, logbook: LogbookId) -> Result<Vec<Kept>, Error> {
        let Walked {
            placed, entries, ..
        } = self.walked(logbook)?;
        let names = Named::by_mark(&placed, &entries);
        let kept = entries.into_iter().zip(placed);
        Ok(kept
            .map(|(filed, placed)| Kept::of(filed, placed, &names))
            .collect())
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
}
