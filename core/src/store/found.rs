//! Entries of a logbook, found without reading all others.

use std::collections::{BTreeMap, BTreeSet};

use super::filed::Filed;
use super::query::Kept;
use super::reading::Reading;
use super::said::Named;
use super::{Error, Store};
use crate::log::columns::{Listener, Told};
use crate::log::entry::Change;
use crate::log::id::{Arrival, ChainId, FieldNumber, LogbookId, ObservationNumber, Place, Seq};
use crate::log::stamp::Stamp;
use crate::log::value::{HowKnown, Value};
use crate::log::vector::VersionVector;
use crate::merge::replay::{self, Placed, Verdict};

impl Reading<'_> {
    /// Returns the entries at these places of a logbook in which no chain has branches, in no order; none for
    /// a place that no entry has: reads the blocks in which they lie, and of those after the first of them
    /// what hubs and dispatchers say.
    ///
    /// # Errors
    /// [`Error::DamagedEntry`] where an entry there, or one after it, is not what was written.
    pub(super) fn kept_at(&self, logbook: LogbookId, places: &[Place]) -> Result<Vec<Kept>, Error> {
        let ledger = self.ledger(logbook)?;
        let is_there = |place: &Place| {
            let head = ledger.head(place.chain);
            head.is_some_and(|head| place.seq <= head.seq)
        };
        let device = |place: &Place| (ledger.branches().device_of(place.chain), place.seq);
        let there = places.iter().filter(|place| is_there(place));
        let wanted: BTreeSet<_> = there.map(device).collect();
        let many = wanted.len();
        let mut spoken = Spoken::default();
        let archive = self.shelves.of(logbook);
        let found = archive.entries_and_since(wanted, &mut spoken)?;
        if found.len() < many {
            return Err(Error::damaged_index("ledgers"));
        }
        let (stamps, held_back) = spoken.words();
        let kept = found.into_iter().map(|filed| {
            let mut kept = Kept::of_one_chain(filed);
            if let Some(stamp) = stamps.get(&kept.place) {
                kept.stamp = *stamp;
            }
            kept.held_back = held_back.contains(&kept.place);
            kept
        });
        Ok(kept.collect())
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
        let place = Place {
            chain: ChainId::of(entry.device),
            seq: entry.seq,
        };
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
        Ok(!replay::not_counting(spoken.verdicts.into_iter()).is_empty())
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

    /// The stamps that receipts give to entries, and the entries that do not count.
    fn words(self) -> (BTreeMap<Place, Stamp>, BTreeSet<Place>) {
        let stamps = replay::earliest(self.receipts.into_iter());
        let held_back = replay::not_counting(self.verdicts.into_iter());
        (stamps, held_back)
    }
}

impl Listener for Spoken {
    fn begin(&mut self, _: &[[u8; 16]], _: &[&str]) {}

    fn entry(&mut self, _: Told) {}

    fn gained(&mut self, _: usize, _: Seq) {}

    fn wants(&self, _: usize) -> bool {
        false
    }

    fn set(&mut self, _: usize, _: FieldNumber, _: Value, _: HowKnown) {}

    fn observe(&mut self, _: usize, _: usize, _: ObservationNumber, _: Value, _: HowKnown) {}

    fn other(&mut self, change: &Change) {
        self.hear(core::slice::from_ref(change));
    }
}
