//! Entries and state out. Every entry is held against its check before it is used.

use std::collections::BTreeSet;

use redb::{ReadableDatabase, ReadableTable};

use super::tables::{self, ENTRIES, HEADS, OBSERVATIONS, ORIGIN, RECEIPTS, REGISTERS, TOUCHES};
use super::{Bookmark, Error, Store};
use crate::log::chain::{self, Held, Link};
use crate::log::codec;
use crate::log::entry::Entry;
use crate::log::id::{Arrival, DeviceId, FieldNumber, LogbookId, Place, Seq, ThingId};
use crate::log::stamp::{Stamp, WallMs};
use crate::log::vector::VersionVector;
use crate::merge::register::Register;
use crate::merge::replay::State;

/// What is held of one device's entries in a logbook.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Head {
    /// The last entry.
    pub seq: Seq,
    /// The chain up to it.
    pub link: Link,
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
    /// The entry.
    pub entry: Entry,
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
            let (logbook, _) = tables::head_ids(row?.0.value());
            logbooks.push(logbook);
            let (_, last) = tables::range::<32>(&[logbook.bytes()]);
            from = last;
        }
        logbooks.dedup();
        Ok(logbooks)
    }

    /// Returns what is held of each device's entries in a logbook.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn heads(&self, logbook: LogbookId) -> Result<Vec<(DeviceId, Head)>, Error> {
        let heads = self.db.begin_read()?.open_table(HEADS)?;
        let (from, to) = tables::range(&[logbook.bytes()]);
        heads
            .range::<&[u8; 32]>(&from..=&to)?
            .map(|row| {
                let (key, row) = row?;
                let head = tables::head_parts(row.value())?;
                let (_, device) = tables::head_ids(key.value());
                Ok((
                    device,
                    Head {
                        seq: head.seq,
                        link: head.link,
                    },
                ))
            })
            .collect()
    }

    /// Returns everything that is held of a logbook, as a version vector.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn vector(&self, logbook: LogbookId) -> Result<VersionVector, Error> {
        Ok(self
            .heads(logbook)?
            .into_iter()
            .map(|(device, head)| (device, head.seq))
            .collect())
    }

    /// Returns the chain up to an entry that is held.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn link(&self, logbook: LogbookId, place: Place) -> Result<Option<Link>, Error> {
        let origin = self.db.begin_read()?.open_table(ORIGIN)?;
        let row = origin.get(&tables::origin_key(logbook, place))?;
        Ok(row.map(|row| tables::origin_parts(row.value()).1))
    }

    /// Returns the links of a device's entries in a logbook, first to last.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn chain(&self, logbook: LogbookId, device: DeviceId) -> Result<Vec<Link>, Error> {
        let origin = self.db.begin_read()?.open_table(ORIGIN)?;
        let (from, to) = tables::range(&[logbook.bytes(), device.bytes()]);
        origin
            .range::<&[u8; 40]>(&from..=&to)?
            .map(|row| Ok(tables::origin_parts(row?.1.value()).1))
            .collect()
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
        for (device, head) in self.heads(logbook)? {
            let next = known.last(device).map_or(Seq::FIRST, Seq::next);
            if next > head.seq {
                continue;
            }
            let from = tables::origin_key(logbook, Place { device, seq: next });
            let to = tables::origin_key(
                logbook,
                Place {
                    device,
                    seq: head.seq,
                },
            );
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
            let (_, raw) = tables::entry_parts(arrival, row.value())?;
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
            tables::bookmark(self.writer().epoch, Arrival(key.value()), row.value())
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
        Ok(tables::bookmark(self.writer().epoch, bookmark.arrival, row.value())? == bookmark)
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
            Some(row) => tables::bookmark(self.writer().epoch, after, row.value())?,
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
            let arrival = Arrival(key.value());
            let (_, raw) = tables::entry_parts(arrival, row.value())?;
            let (logbook, device) = codec::peek(raw)?;
            if wanted(logbook, device) {
                bytes += raw.len();
                if bytes > max_bytes && !news.batch.is_empty() {
                    news.more = true;
                    return Ok(news);
                }
                news.batch.push(raw.to_vec());
            }
            news.read = tables::bookmark(self.writer().epoch, arrival, row.value())?;
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
        let txn = self.db.begin_read()?;
        let origin = txn.open_table(ORIGIN)?;
        let Some(row) = origin.get(&tables::origin_key(logbook, place))? else {
            return Ok(None);
        };
        let (arrival, _) = tables::origin_parts(row.value());
        let entries = txn.open_table(ENTRIES)?;
        kept(&entries, &txn.open_table(RECEIPTS)?, arrival).map(Some)
    }

    /// Returns the entries that touch a thing, in the order in which they came here.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read, or an entry is not what was written.
    pub fn touching(&self, logbook: LogbookId, thing: ThingId) -> Result<Vec<Kept>, Error> {
        let txn = self.db.begin_read()?;
        let (entries, receipts) = (txn.open_table(ENTRIES)?, txn.open_table(RECEIPTS)?);
        let (from, to) = tables::range(&[logbook.bytes(), thing.bytes()]);
        txn.open_table(TOUCHES)?
            .range::<&[u8; 40]>(&from..=&to)?
            .map(|row| kept(&entries, &receipts, tables::touch_arrival(row?.0.value())))
            .collect()
    }

    /// Returns all entries of a logbook, in the order in which they came here.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read, or an entry is not what was written.
    pub fn entries(&self, logbook: LogbookId) -> Result<Vec<Kept>, Error> {
        let txn = self.db.begin_read()?;
        let (entries, receipts) = (txn.open_table(ENTRIES)?, txn.open_table(RECEIPTS)?);
        let (from, to) = tables::range(&[logbook.bytes()]);
        let mut arrivals = txn
            .open_table(ORIGIN)?
            .range::<&[u8; 40]>(&from..=&to)?
            .map(|row| Ok(tables::origin_parts(row?.1.value()).0))
            .collect::<Result<Vec<_>, Error>>()?;
        arrivals.sort_unstable();
        arrivals
            .into_iter()
            .map(|arrival| kept(&entries, &receipts, arrival))
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
            .range::<&[u8; 44]>(&from..=&to)?
        {
            let (key, row) = row?;
            let (thing, what) = tables::observation_ids(key.value());
            state.observe(thing, what, tables::observation(row.value())?);
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
            chains.push((*key.value(), tables::head_parts(row.value())?.link));
        }
    }
    Ok(chain::held(&chains))
}

fn kept(
    entries: &impl ReadableTable<u64, &'static [u8]>,
    receipts: &impl ReadableTable<&'static [u8; 40], u64>,
    arrival: Arrival,
) -> Result<Kept, Error> {
    let row = entries
        .get(arrival.0)?
        .ok_or(Error::DamagedEntry { arrival })?;
    let (arrived, raw) = tables::entry_parts(arrival, row.value())?;
    let entry = codec::decode(raw)?;
    let receipt = receipts.get(&tables::origin_key(entry.logbook, entry.place()))?;
    let stamp = receipt.map_or(entry.stamp, |bits| Stamp::from_bits(bits.value()));
    Ok(Kept {
        arrival,
        arrived,
        stamp,
        entry,
    })
}
