//! One entry of a logbook, found without reading the others.

use super::query::Kept;
use super::reading::Reading;
use super::said::Named;
use super::{Error, Store};
use crate::log::columns::{Listener, Told};
use crate::log::entry::Change;
use crate::log::id::{Arrival, ChainId, FieldNumber, LogbookId, ObservationNumber, Place, Seq};
use crate::log::stamp::Stamp;
use crate::log::value::{HowKnown, Value};
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
        let filed = found.ok_or(Error::damaged_index("ledgers"))?;
        let entry = filed.written.entry;
        let (receipts, verdicts) = Named::ByNumber.words(&entry.changes);
        let gained = entry.gained.iter();
        let gained = gained.map(|mark| (ChainId::of(mark.device), mark.seq));
        Ok(Some(Kept {
            arrival: filed.arrival,
            arrived: filed.arrived,
            stamp: spoken.stamp(place).unwrap_or(entry.stamp),
            held_back: spoken.is_held_back(place),
            placed: Placed {
                place,
                gained: gained.collect(),
                receipts,
                verdicts,
                entry,
            },
        }))
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

    fn stamp(&self, place: Place) -> Option<Stamp> {
        let receipts = replay::earliest(self.receipts.iter().copied());
        receipts.get(&place).copied()
    }

    fn is_held_back(&self, place: Place) -> bool {
        replay::not_counting(self.verdicts.iter().copied()).contains(&place)
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
