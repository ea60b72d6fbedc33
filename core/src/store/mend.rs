//! Damaged entries, got again from whoever holds them whole.

use std::collections::BTreeMap;

use redb::{ReadableDatabase, ReadableTable};

use super::tables::{self, ENTRIES, ORIGIN};
use super::{Error, Store, query};
use crate::log::chain::{Mark, Tip};
use crate::log::codec;
use crate::log::id::{Arrival, LogbookId};
use crate::log::stamp::WallMs;

impl Store {
    /// Returns the entries that are not what was written, by logbook, as far as the index of their
    /// origin still tells which they are.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn damaged(&self) -> Result<BTreeMap<LogbookId, Vec<Mark>>, Error> {
        let txn = self.db.begin_read()?;
        let entries = txn.open_table(ENTRIES)?;
        let last = entries.last()?.map(|(key, _)| key.value());
        let mut damaged: BTreeMap<LogbookId, Vec<Mark>> = BTreeMap::new();
        for row in txn.open_table(ORIGIN)?.iter()? {
            let (key, row) = row?;
            let (arrival, tip) = tables::origin_parts(row.value());
            let kept = entries.get(arrival.0)?;
            match kept.map(|row| held(arrival, row.value(), tip)) {
                Some(Held::Whole) => continue,
                Some(Held::Another) => return Err(Error::damaged_index("origin")),
                None if last.is_none_or(|last| arrival.0 > last) => {
                    return Err(Error::damaged_index("origin"));
                }
                Some(Held::Damaged) | None => {}
            }
            let (logbook, place) = tables::origin_ids(key.value())?;
            let device = query::branches(&txn, logbook)?.device_of(place.chain);
            damaged.entry(logbook).or_default().push(Mark {
                device,
                seq: place.seq,
                tip,
            });
        }
        Ok(damaged)
    }

    /// Returns the bytes of those of these entries that are held whole, up to `max_bytes` (but at
    /// least one).
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn entries_of(
        &self,
        logbook: LogbookId,
        marks: &[Mark],
        max_bytes: usize,
    ) -> Result<Vec<Vec<u8>>, Error> {
        let txn = self.db.begin_read()?;
        let reader = query::Reader::open(&txn, logbook)?;
        let (mut found, mut bytes) = (Vec::new(), 0);
        for mark in marks {
            let Some(place) = reader.chains().find(*mark)? else {
                continue;
            };
            match reader.chains().raw(place) {
                Ok((_, raw)) => {
                    bytes += raw.len();
                    if bytes > max_bytes && !found.is_empty() {
                        break;
                    }
                    found.push(raw);
                }
                Err(Error::DamagedEntry { .. }) => {}
                Err(other) => return Err(other),
            }
        }
        Ok(found)
    }

    /// Puts whole entries in the places of damaged ones; returns how many. What is no such entry is
    /// passed over. When it came is lost with the damage: it is told as when the one before it came.
    ///
    /// # Errors
    /// [`Error::DamagedIndex`] where it is not the entries that are damaged, or not they alone: rebuild
    /// first; [`Error`] where the file fails. Then nothing has changed.
    pub fn mend(&self, logbook: LogbookId, raws: &[Vec<u8>]) -> Result<usize, Error> {
        let damaged = self.damaged()?.remove(&logbook).unwrap_or_default();
        let txn = self.db.begin_write()?;
        let mut mended = 0;
        {
            let (mut entries, origin) = (txn.open_table(ENTRIES)?, txn.open_table(ORIGIN)?);
            let mut places = BTreeMap::new();
            let (from, to) = tables::range(&[logbook.bytes()]);
            for row in origin.range::<&[u8; 40]>(&from..=&to)? {
                let (arrival, tip) = tables::origin_parts(row?.1.value());
                places.insert(tip, arrival);
            }
            for raw in raws {
                let Ok(mark) = codec::mark(raw) else { continue };
                let Some(arrival) = places.get(&mark.tip).copied() else {
                    continue;
                };
                if !damaged.contains(&mark) || codec::peek(raw)?.0 != logbook {
                    continue;
                }
                let before = arrival.0.checked_sub(1).map(Arrival);
                let arrived = before.and_then(|before| {
                    let row = entries.get(before.0).ok()??;
                    Some(tables::entry_parts(before, row.value()).ok()?.0)
                });
                let arrived = arrived.unwrap_or(WallMs::new(0));
                let row = tables::entry_row(arrival, arrived, raw);
                entries.insert(arrival.0, row.as_slice())?;
                mended += 1;
            }
        }
        txn.commit()?;
        Ok(mended)
    }
}

/// What lies where an index says that an entry lies.
enum Held {
    /// That entry.
    Whole,
    /// Another one, whole: it is the index that is damaged, and nothing may be written there.
    Another,
    /// What is no entry any more.
    Damaged,
}

fn held(arrival: Arrival, row: &[u8], tip: Tip) -> Held {
    match tables::entry_parts(arrival, row) {
        Ok((_, raw)) if Tip::of(raw) == tip => Held::Whole,
        Ok(_) => Held::Another,
        Err(_) => Held::Damaged,
    }
}
