//! Entries to state: everything now, or all that was written up to a moment.

use std::collections::{BTreeMap, BTreeSet};

use super::knowledge::Knowledge;
use super::pile::{Pile, Said};
pub use super::state::{Observation, State};
use crate::log::entry::{Change, Entry};
use crate::log::id::Place;
use crate::log::stamp::Stamp;
use crate::log::vector::VersionVector;

/// An entry among the others of its logbook: where it stands, and what it names by their places.
#[derive(Debug, Clone, PartialEq)]
pub struct Placed {
    /// Where it stands.
    pub place: Place,
    /// What its device came to hold since its entry before, and with it all that these chains
    /// branch off from; a branch's first entry also has what its device knew before.
    pub gained: VersionVector,
    /// The receipts that it gives: for which entry, and the stamp that orders it.
    pub receipts: Vec<(Place, Stamp)>,
    /// The entries that it holds back or admits.
    pub verdicts: Vec<(Place, Verdict)>,
    /// The entry.
    pub entry: Entry,
}

impl Placed {
    /// Places an entry whose writer saw nobody else, in a logbook without branches.
    pub fn alone(entry: Entry) -> Self {
        Self {
            place: Place::on_only_chain(entry.device, entry.seq),
            gained: VersionVector::new(),
            receipts: Vec::new(),
            verdicts: Vec::new(),
            entry,
        }
    }
}

/// Whether an entry counts, where somebody had to say so.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// It does not: its device's access had been taken back when it came.
    HeldBack,
    /// It does after all.
    Admitted,
}

impl State {
    /// Replays these entries of one logbook, in whatever order and however often they come.
    pub fn of(entries: &[Placed]) -> Self {
        Self::of_which(entries, None, |_, _| true)
    }

    /// Replays those of the entries that were written up to `until`, by the stamps that order
    /// them: a hub's receipt counts for an entry even where it was written later.
    pub fn as_of(entries: &[Placed], until: Stamp) -> Self {
        Self::of_which(entries, Some(until), |_, _| true)
    }

    /// Replays of those entries only the changes that `counts` lets count.
    pub fn of_which(
        entries: &[Placed],
        until: Option<Stamp>,
        counts: impl Fn(&Entry, &Change) -> bool,
    ) -> Self {
        let knowledge = Knowledge::of(entries);
        let (receipts, held_back) = (receipts(entries), held_back(entries));
        let mut pile = Pile::default();
        for Placed { place, entry, .. } in entries {
            let stamp = receipts.get(place).copied().unwrap_or(entry.stamp);
            if until.is_some_and(|until| stamp > until) || held_back.contains(place) {
                continue;
            }
            let said = Said {
                place: *place,
                stamp,
                utc_offset_min: entry.utc_offset_min,
                by: pile.person(&entry.by),
                visit: entry.visit,
            };
            let changes = entry.changes.iter().enumerate();
            for (index, change) in changes.filter(|(_, change)| counts(entry, change)) {
                pile.take(&said, index, change.clone(), |a, b| knowledge.saw(a, b));
            }
        }
        pile.done()
    }
}

/// Returns the stamp that orders each entry for which a hub gave a receipt.
pub fn receipts<'a>(entries: impl IntoIterator<Item = &'a Placed>) -> BTreeMap<Place, Stamp> {
    let receipts = entries.into_iter().flat_map(|placed| &placed.receipts);
    earliest(receipts.copied())
}

/// Returns the entries that do not count.
pub fn held_back<'a>(entries: impl IntoIterator<Item = &'a Placed>) -> BTreeSet<Place> {
    let verdicts = entries.into_iter().flat_map(|placed| &placed.verdicts);
    not_counting(verdicts.copied())
}

/// Of several receipts for an entry the earliest, so that stores agree whichever they got first.
pub(crate) fn earliest(given: impl Iterator<Item = (Place, Stamp)>) -> BTreeMap<Place, Stamp> {
    let mut receipts: BTreeMap<Place, Stamp> = BTreeMap::new();
    for (place, stamp) in given {
        let earliest = receipts.entry(place).or_insert(stamp);
        *earliest = stamp.min(*earliest);
    }
    receipts
}

/// Those that are held back, and admitted by nobody.
pub(crate) fn not_counting(given: impl Iterator<Item = (Place, Verdict)>) -> BTreeSet<Place> {
    let (mut held_back, mut admitted) = (BTreeSet::new(), BTreeSet::new());
    for (of, verdict) in given {
        match verdict {
            Verdict::HeldBack => held_back.insert(of),
            Verdict::Admitted => admitted.insert(of),
        };
    }
    held_back.retain(|of| !admitted.contains(of));
    held_back
}

#[cfg(test)]
mod tests;
