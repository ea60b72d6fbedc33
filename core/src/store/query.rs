//! Entries and state out. Every entry is held against its check before it is used.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Deref;

use redb::{ReadOnlyTable, ReadTransaction, ReadableDatabase, ReadableTable};

use super::chains::{self, Chains};
use super::tables::{
    self, BRANCHES, ENTRIES, HEADS, OBSERVATIONS, ORIGIN, PARTINGS, RECEIPTS, REGISTERS, TOUCHES,
    VERDICTS,
};
use super::{Bookmark, Error, Store, touches};
use crate::log::chain::{self, Held, Link, Mark, Tip};
use crate::log::codec;
use crate::log::id::{Arrival, ChainId, DeviceId, FieldNumber, LogbookId, Place, Seq, ThingId};
use crate::log::stamp::{Stamp, WallMs};
use crate::log::vector::VersionVector;
use crate::merge::branches::Branches;
use crate::merge::register::Register;
use crate::merge::replay::{Placed, State};

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

impl Store {
    /// Returns the logbooks of which at least one entry is held.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn logbooks(&self) -> Result<Vec<LogbookId>, Error> {
        let heads = self.db.begin_read()?.open_table(HEADS)?;
        let mut logbooks = Vec::new();
        let mut from = [0; 32];
        // One step a logbook, not one a device: past the last key that a logbook can have.
        while let Some(row) = heads.range::<&[u8; 32]>(&from..)?.next() {
            let (logbook, _) = tables::chain_ids(row?.0.value());
            logbooks.push(logbook);
            let (_, last) = tables::range::<32>(&[logbook.bytes()]);
            from = last;
        }
        logbooks.dedup();
        Ok(logbooks)
    }

    /// Returns what is held of each chain of a logbook.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn heads(&self, logbook: LogbookId) -> Result<Vec<Head>, Error> {
        let txn = self.db.begin_read()?;
        let branches = branches(&txn, logbook)?;
        let heads = txn.open_table(HEADS)?;
        let (from, to) = tables::range(&[logbook.bytes()]);
        heads
            .range::<&[u8; 32]>(&from..=&to)?
            .map(|row| {
                let (key, row) = row?;
                let (seq, tip, link) = tables::head_end(row.value())?;
                let (_, chain) = tables::chain_ids(key.value());
                Ok(Head {
                    chain,
                    device: branches.device_of(chain),
                    first: branches.first(chain),
                    seq,
                    tip,
                    link,
                })
            })
            .collect()
    }

    /// Returns the branches in a logbook: each shows that a store was copied or put back.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn branched(&self, logbook: LogbookId) -> Result<Vec<Branched>, Error> {
        let txn = self.db.begin_read()?;
        let heads = txn.open_table(HEADS)?;
        branches(&txn, logbook)?
            .begun()
            .map(|(chain, branch)| {
                let row = heads.get(&tables::chain_key(logbook, chain))?;
                let row = row.ok_or(Error::damaged_index("heads"))?;
                Ok(Branched {
                    chain,
                    device: branch.device,
                    from: branch.from,
                    to: tables::head_end(row.value())?.0,
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
        let heads = self.heads(logbook)?.into_iter();
        Ok(heads.map(|head| (head.chain, head.seq)).collect())
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
        let reader = Reader::open(&self.db.begin_read()?, logbook)?;
        let chains = reader.chains();
        let (mut held, mut unknown) = (VersionVector::new(), Vec::new());
        for mark in marks {
            match chains.find(*mark)? {
                Some(place) => reader.branches.learn(&mut held, place),
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
        let reader = Reader::open(&self.db.begin_read()?, logbook)?;
        let chains = reader.chains();
        let found = marks.iter().map(|mark| chains.find(*mark));
        found.filter_map(Result::transpose).collect()
    }

    /// Returns the marks of entries that are held.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read, or a place is not held.
    pub fn marks(&self, logbook: LogbookId, places: &[Place]) -> Result<Vec<Mark>, Error> {
        let reader = Reader::open(&self.db.begin_read()?, logbook)?;
        let chains = reader.chains();
        places.iter().map(|place| chains.mark(*place)).collect()
    }

    /// Returns marks of entries before a chain's last one, ever farther apart: enough for another
    /// store to find where its own branch leaves.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn ancestors(&self, logbook: LogbookId, head: Head) -> Result<Vec<(Seq, Tip)>, Error> {
        let txn = self.db.begin_read()?;
        let origin = txn.open_table(ORIGIN)?;
        let branches = branches(&txn, logbook)?;
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
                    .ok_or(Error::damaged_index("branches"))?
                    .chain;
            }
            let row = origin.get(&tables::origin_key(logbook, Place { chain, seq }))?;
            let row = row.ok_or(Error::damaged_index("origin"))?;
            found.push((seq, tables::origin_parts(row.value()).1));
        }
    }

    /// Returns the chain's link at each entry of a logbook.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read, or an entry is not what was written.
    pub fn links(&self, logbook: LogbookId) -> Result<BTreeMap<Place, Link>, Error> {
        let txn = self.db.begin_read()?;
        let reader = Reader::open(&txn, logbook)?;
        let (from, to) = tables::range(&[logbook.bytes()]);
        let mut links = BTreeMap::new();
        // Parents come before their branches.
        let mut arrivals = BTreeMap::new();
        for row in reader.origin.range::<&[u8; 40]>(&from..=&to)? {
            let (key, row) = row?;
            let (_, place) = tables::origin_ids(key.value())?;
            arrivals.insert(tables::origin_parts(row.value()).0, place);
        }
        for place in arrivals.into_values() {
            let before = if place.seq == reader.branches.first(place.chain) {
                reader.branches.leaves(place.chain)
            } else {
                place.seq.previous().map(|seq| Place { seq, ..place })
            };
            let link = match before {
                Some(before) => *links.get(&before).ok_or(Error::damaged_index("origin"))?,
                None => Link::origin(logbook, reader.branches.device_of(place.chain)),
            };
            let (_, raw) = reader.chains().raw(place)?;
            links.insert(place, link.after(&raw));
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
        let txn = self.db.begin_read()?;
        let (origin, entries) = (txn.open_table(ORIGIN)?, txn.open_table(ENTRIES)?);
        let mut arrivals = Vec::new();
        for Head { chain, seq, .. } in self.heads(logbook)? {
            let first = known.last(chain).map_or(Seq::FIRST, Seq::next);
            if first > seq {
                continue;
            }
            let key = |seq| tables::origin_key(logbook, Place { chain, seq });
            let (from, to) = (key(first), key(seq));
            for row in origin.range::<&[u8; 40]>(&from..=&to)? {
                arrivals.push(tables::origin_parts(row?.1.value()).0);
            }
        }
        arrivals.sort_unstable();
        let (mut batch, mut bytes) = (Vec::new(), 0);
        for arrival in arrivals {
            let row = entries
                .get(arrival.0)?
                .ok_or(Error::DamagedEntry { arrival })?;
            let (_, raw) = tables::entry_of(logbook, arrival, row.value())?;
            bytes += raw.len();
            if bytes > max_bytes && !batch.is_empty() {
                return Ok((batch, true));
            }
            batch.push(raw.to_vec());
        }
        Ok((batch, false))
    }

    /// Returns the bookmark at the end of this store's arrivals.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read, or the last entry is not what was written.
    pub fn last_bookmark(&self) -> Result<Bookmark, Error> {
        let entries = self.db.begin_read()?.open_table(ENTRIES)?;
        let last = entries.last()?;
        last.map_or(Ok(Bookmark::START), |(key, row)| {
            tables::bookmark(Arrival(key.value()), row.value())
        })
    }

    /// Returns whether a bookmark was made in this store, as it is now.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read, or the entry there is not what was written.
    pub fn made_bookmark(&self, bookmark: Bookmark) -> Result<bool, Error> {
        if bookmark == Bookmark::START {
            return Ok(true);
        }
        let entries = self.db.begin_read()?.open_table(ENTRIES)?;
        let Some(row) = entries.get(bookmark.arrival.0)? else {
            return Ok(false);
        };
        Ok(tables::bookmark(bookmark.arrival, row.value())? == bookmark)
    }

    /// Returns the entries that arrived after `after` and are `wanted`, in order, up to `max_bytes`
    /// (but at least one), and at the same moment what is held of the logbooks `covered`.
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
        // One read transaction: what others append meanwhile is in neither part of the answer.
        let txn = self.db.begin_read()?;
        let entries = txn.open_table(ENTRIES)?;
        let held = held(&txn.open_table(HEADS)?, covered)?;
        let read = match entries.get(after.0)? {
            Some(row) => tables::bookmark(after, row.value())?,
            None => Bookmark::START,
        };
        let mut news = News {
            batch: Vec::new(),
            read,
            more: false,
            held,
        };
        let mut bytes = 0;
        for row in entries.range(after.0 + 1..)? {
            let (key, row) = row?;
            let (read, raw) = tables::marked(Arrival(key.value()), row.value())?;
            let (logbook, device) = codec::peek(raw)?;
            if wanted(logbook, device) {
                bytes += raw.len();
                if bytes > max_bytes && !news.batch.is_empty() {
                    news.more = true;
                    return Ok(news);
                }
                news.batch.push(raw.to_vec());
            }
            news.read = read;
        }
        Ok(news)
    }

    /// Returns a digest of what is held of these logbooks: equal for two stores exactly when they
    /// hold the same entries of them.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn held(&self, covered: &BTreeSet<LogbookId>) -> Result<Held, Error> {
        held(&self.db.begin_read()?.open_table(HEADS)?, covered)
    }

    /// Returns one entry.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read, or the entry is not what was written.
    pub fn entry(&self, logbook: LogbookId, place: Place) -> Result<Option<Kept>, Error> {
        let reader = Reader::open(&self.db.begin_read()?, logbook)?;
        let Some((arrival, _)) = reader.chains().at(place)? else {
            return Ok(None);
        };
        reader.kept(arrival).map(Some)
    }

    /// Returns the entries that touch a thing, in the order in which they came here.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read, or an entry is not what was written.
    pub fn touching(&self, logbook: LogbookId, thing: ThingId) -> Result<Vec<Kept>, Error> {
        let txn = self.db.begin_read()?;
        let reader = Reader::open(&txn, logbook)?;
        touches::of_thing(&txn.open_table(TOUCHES)?, logbook, thing)?
            .into_iter()
            .map(|arrival| reader.kept(arrival))
            .collect()
    }

    /// Returns all entries of a logbook, in the order in which they came here.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read, or an entry is not what was written.
    pub fn entries(&self, logbook: LogbookId) -> Result<Vec<Kept>, Error> {
        let txn = self.db.begin_read()?;
        let reader = Reader::open(&txn, logbook)?;
        let (from, to) = tables::range(&[logbook.bytes()]);
        let mut arrivals = reader
            .origin
            .range::<&[u8; 40]>(&from..=&to)?
            .map(|row| Ok(tables::origin_parts(row?.1.value()).0))
            .collect::<Result<Vec<_>, Error>>()?;
        arrivals.sort_unstable();
        arrivals
            .into_iter()
            .map(|arrival| reader.kept(arrival))
            .collect()
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
        let registers = self.db.begin_read()?.open_table(REGISTERS)?;
        let row = registers.get(&tables::register_key(logbook, thing, field))?;
        row.map(|row| tables::register(row.value())).transpose()
    }

    /// Returns what a logbook says now.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn state(&self, logbook: LogbookId) -> Result<State, Error> {
        let txn = self.db.begin_read()?;
        let mut state = State::default();
        let (from, to) = tables::range(&[logbook.bytes()]);
        for row in txn.open_table(REGISTERS)?.range::<&[u8; 34]>(&from..=&to)? {
            let (key, row) = row?;
            let (thing, field) = tables::register_ids(key.value());
            state.keep(thing, field, tables::register(row.value())?);
        }
        let (from, to) = tables::range(&[logbook.bytes()]);
        for row in txn
            .open_table(OBSERVATIONS)?
            .range::<&[u8; 26]>(&from..=&to)?
        {
            let (thing, what, seen) = tables::observation(row?.1.value())?;
            state.observe(thing, what, seen);
        }
        Ok(state)
    }
}

fn held(
    heads: &impl ReadableTable<&'static [u8; 32], &'static [u8]>,
    covered: &BTreeSet<LogbookId>,
) -> Result<Held, Error> {
    let mut chains = Vec::new();
    for logbook in covered {
        let (from, to) = tables::range(&[logbook.bytes()]);
        for row in heads.range::<&[u8; 32]>(&from..=&to)? {
            let (key, row) = row?;
            // A link follows from all entries before it, so device and link say everything.
            chains.push((*key.value(), tables::head_end(row.value())?.2));
        }
    }
    Ok(chain::held(&chains))
}

pub(super) fn branches(txn: &ReadTransaction, logbook: LogbookId) -> Result<Branches, Error> {
    chains::branches(
        &txn.open_table(BRANCHES)?,
        &txn.open_table(PARTINGS)?,
        logbook,
    )
}

pub(super) type EntriesRead = ReadOnlyTable<u64, &'static [u8]>;
pub(super) type OriginRead = ReadOnlyTable<&'static [u8; 40], &'static [u8; 16]>;

/// What it takes to read the entries of one logbook.
pub(super) struct Reader {
    entries: EntriesRead,
    origin: OriginRead,
    // None where the logbook has none, as nearly always.
    receipts: Option<ReadOnlyTable<&'static [u8; 40], u64>>,
    verdicts: Option<ReadOnlyTable<&'static [u8; 40], u8>>,
    branches: Branches,
    logbook: LogbookId,
}

impl Reader {
    pub(super) fn open(txn: &ReadTransaction, logbook: LogbookId) -> Result<Self, Error> {
        Ok(Self {
            entries: txn.open_table(ENTRIES)?,
            origin: txn.open_table(ORIGIN)?,
            receipts: if_any(txn.open_table(RECEIPTS)?, logbook)?,
            verdicts: if_any(txn.open_table(VERDICTS)?, logbook)?,
            branches: branches(txn, logbook)?,
            logbook,
        })
    }

    pub(super) fn chains(&self) -> Chains<'_, EntriesRead, OriginRead> {
        Chains {
            entries: &self.entries,
            origin: &self.origin,
            branches: &self.branches,
            logbook: self.logbook,
        }
    }

    fn kept(&self, arrival: Arrival) -> Result<Kept, Error> {
        let row = self.entries.get(arrival.0)?;
        let row = row.ok_or(Error::DamagedEntry { arrival })?;
        let (arrived, raw) = tables::entry_of(self.logbook, arrival, row.value())?;
        let entry = codec::decode(raw)?;
        let place = self.chains().place_of(&entry, raw)?;
        let key = tables::origin_key(self.logbook, place);
        let receipt = self.receipts.as_ref().map(|table| table.get(&key));
        let receipt = receipt.transpose()?.flatten();
        let verdict = self.verdicts.as_ref().map(|table| table.get(&key));
        let verdict = verdict.transpose()?.flatten();
        let stamp = receipt.map_or(entry.stamp, |bits| Stamp::from_bits(bits.value()));
        Ok(Kept {
            arrival,
            arrived,
            stamp,
            held_back: verdict.is_some_and(|row| tables::is_held_back(row.value())),
            placed: self.chains().placed(place, entry)?,
        })
    }
}

/// A table of places, if it has any of this logbook.
fn if_any<V: redb::Value + 'static>(
    table: ReadOnlyTable<&'static [u8; 40], V>,
    logbook: LogbookId,
) -> Result<Option<ReadOnlyTable<&'static [u8; 40], V>>, Error> {
    let (from, to) = tables::range(&[logbook.bytes()]);
    let any = table.range::<&[u8; 40]>(&from..=&to)?.next().transpose()?;
    Ok(any.is_some().then_some(table))
}
