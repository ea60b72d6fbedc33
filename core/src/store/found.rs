//! Entries of a logbook, found without reading all others.

use std::collections::{BTreeMap, BTreeSet};

use super::filed::Filed;
use super::query::Kept;
use super::reading::Reading;
use super::said::Named;
use super::{Error, Store};
use crate::log::columns::{self, Listener, Told};
use crate::log::entry::Change;
use crate::log::id::{Arrival, ChainId, DeviceId, LogbookId, Place, Seq};
use crate::log::stamp::{Stamp, WallMs};
use crate::log::vector::VersionVector;
use crate::merge::replay::{self, Placed, Verdict};

impl Reading<'_> {
    /// Returns one entry of a logbook in which no chain has branches: reads the block in which it lies, and of
    /// those after it what hubs and dispatchers say.
    ///
    /// # Errors
    /// [`Error::DamagedEntry`] where the entry, or one after it, is not what was written.
    pub(super) fn kept_at(&self, logbook: LogbookId, place: Place) -> Result<Option<Kept>, Error> {
        let ledger = self.ledger(logbook)?;
        let head = ledger.head(place.chain);
        if head.is_none_or(|head| head.seq < place.seq) {
            return Ok(None);
        }
        let device = ledger.branches().device_of(place.chain);
        let mut spoken = Spoken::default();
        let archive = self.shelves.of(logbook);
        let found = archive.entry_and_since(device, place.seq, &mut spoken)?;
        let mut kept = Kept::of_one_chain(found.ok_or(Error::damaged_index("ledgers"))?);
        kept.stamp = spoken.stamps().get(&place).copied().unwrap_or(kept.stamp);
        kept.held_back = spoken.held_back().contains(&place);
        Ok(Some(kept))
    }

    /// Returns the last entries of the chains of a logbook in which none has branches. Reads what came last,
    /// as far back as it takes to find all of them, and makes entries of none of it.
    fn last_of_chains(&self, logbook: LogbookId) -> Result<Vec<LastWritten>, Error> {
        let ledger = self.ledger(logbook)?;
        let ends = ledger.heads().map(|(chain, head)| {
            let device = ledger.branches().device_of(chain);
            (device, head.seq)
        });
        let mut lasts = Lasts {
            wanted: ends.collect(),
            ..Lasts::default()
        };
        let archive = self.shelves.of(logbook);
        for filed in archive.tail() {
            lasts.arrivals = vec![filed.arrived];
            columns::tell(&filed.written.entry, &mut lasts);
        }
        if !lasts.wanted.is_empty() {
            archive.each_block_backwards(|block| {
                let arrivals = block.arrivals.iter();
                lasts.arrivals = arrivals.map(|(_, arrived)| *arrived).collect();
                block.tell(&mut lasts)?;
                Ok(lasts.wanted.is_empty())
            })?;
        }
        if !lasts.wanted.is_empty() {
            return Err(Error::damaged_index("ledgers"));
        }
        let stamps = lasts.spoken.stamps();
        let found = lasts.found.into_iter().map(|(place, last)| {
            let stamp = stamps.get(&place);
            LastWritten {
                stamp: stamp.copied().unwrap_or(last.stamp),
                ..last
            }
        });
        Ok(found.collect())
    }
}

/// The last entry of a device's chain, as far as it tells who wrote when.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LastWritten {
    /// The device.
    pub device: DeviceId,
    /// The person who wrote.
    pub by: String,
    /// The stamp that orders it: its own, or a receipt's.
    pub stamp: Stamp,
    /// Minutes east of UTC where the device was.
    pub utc_offset_min: i16,
    /// When it came to this store.
    pub arrived: WallMs,
}

/// Hears the last entries of chains, and what hubs and dispatchers say.
#[derive(Default)]
struct Lasts {
    wanted: BTreeMap<DeviceId, Seq>,
    found: Vec<(Place, LastWritten)>,
    spoken: Spoken,
    // Of the block that is heard: its ids and names, when its entries came, and how many were heard.
    ids: Vec<[u8; 16]>,
    names: Vec<String>,
    arrivals: Vec<WallMs>,
    heard: usize,
}

impl Listener for Lasts {
    fn begin(&mut self, ids: &[[u8; 16]], names: &[&str]) {
        self.ids = ids.to_vec();
        self.names = names.iter().map(|name| (*name).to_owned()).collect();
        self.heard = 0;
    }

    fn entry(&mut self, told: Told) {
        let device = DeviceId::from_bytes(self.ids[told.device]);
        // One that no arrival is told of is no entry of the block, which is found damaged at its end.
        let arrived = self.arrivals.get(self.heard).copied();
        self.heard += 1;
        if let Some(arrived) = arrived
            && self.wanted.get(&device) == Some(&told.seq)
        {
            self.wanted.remove(&device);
            let last = LastWritten {
                device,
                by: self.names[told.by].clone(),
                stamp: told.stamp,
                utc_offset_min: told.utc_offset_min,
                arrived,
            };
            let place = Place::on_only_chain(device, told.seq);
            self.found.push((place, last));
        }
    }

    fn other(&mut self, change: &Change) {
        self.spoken.other(change);
    }
}

impl Kept {
    /// An entry as far as it tells by itself, with its place and what its writer gained.
    pub(super) fn of(filed: Filed, (place, gained): (Place, VersionVector), names: &Named) -> Self {
        let entry = filed.written.entry;
        let (receipts, verdicts) = names.words(&entry.changes);
        Self {
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
    }

    /// The same of a logbook in which every device has one chain.
    pub(super) fn of_one_chain(filed: Filed) -> Self {
        let entry = &filed.written.entry;
        let place = Place::on_only_chain(entry.device, entry.seq);
        let gained = entry.gained.iter();
        let gained = gained.map(|mark| (ChainId::of(mark.device), mark.seq));
        let gained = gained.collect();
        Self::of(filed, (place, gained), &Named::ByNumber)
    }
}

impl Store {
    /// Returns whether an entry of a logbook is held back. It reads what hubs and dispatchers say, and no
    /// more.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read, or an entry is not what was written.
    pub fn holds_back(&self, logbook: LogbookId) -> Result<bool, Error> {
        let reading = self.reading()?;
        if !reading.ledger(logbook)?.branches().is_empty() {
            return Ok(reading.kept(logbook)?.iter().any(|kept| kept.held_back));
        }
        let mut spoken = Spoken::default();
        let archive = reading.shelves.of(logbook);
        let told = archive.tell(Arrival(0), u64::MAX, &mut spoken)?;
        reading.all_there(logbook, told)?;
        Ok(!spoken.held_back().is_empty())
    }

    /// Returns the last entry of each chain of a logbook, in no order.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read, or an entry is not what was written.
    pub fn last_written(&self, logbook: LogbookId) -> Result<Vec<LastWritten>, Error> {
        let reading = self.reading()?;
        let ledger = reading.ledger(logbook)?;
        if ledger.branches().is_empty() {
            return reading.last_of_chains(logbook);
        }
        let is_last = |kept: &Kept| {
            let head = ledger.head(kept.place.chain);
            head.is_some_and(|head| head.seq == kept.place.seq)
        };
        let kept = reading.kept(logbook)?.into_iter().filter(is_last);
        let last = kept.map(|kept| LastWritten {
            device: kept.entry.device,
            stamp: kept.stamp,
            utc_offset_min: kept.entry.utc_offset_min,
            arrived: kept.arrived,
            by: kept.placed.entry.by,
        });
        Ok(last.collect())
    }
}

/// Hears what hubs and dispatchers say of entries, and nothing else.
#[derive(Default)]
pub(super) struct Spoken {
    receipts: Vec<(Place, Stamp)>,
    verdicts: Vec<(Place, Verdict)>,
}

impl Spoken {
    /// Hears what an entry's changes say.
    pub(super) fn hear(&mut self, changes: &[Change]) {
        let (receipts, verdicts) = Named::ByNumber.words(changes);
        self.receipts.extend(receipts);
        self.verdicts.extend(verdicts);
    }

    /// The stamps that receipts give to entries.
    fn stamps(&self) -> BTreeMap<Place, Stamp> {
        replay::earliest(self.receipts.iter().copied())
    }

    /// The entries that do not count.
    fn held_back(&self) -> BTreeSet<Place> {
        replay::not_counting(self.verdicts.iter().copied())
    }
}

impl Listener for Spoken {
    fn other(&mut self, change: &Change) {
        self.hear(core::slice::from_ref(change));
    }
}
