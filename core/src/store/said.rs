//! What a logbook says: its entries folded, as they are read.

use std::collections::BTreeMap;

use super::Error;
use super::filed::Filed;
use super::ledger::Ledger;
use super::query::Reading;
use crate::log::chain::Mark;
use crate::log::columns::{Head, Listener};
use crate::log::entry::Change;
use crate::log::id::{ChainId, LogbookId, Place, ThingId};
use crate::log::stamp::Stamp;
use crate::log::vector::VersionVector;
use crate::merge::fold::{Fold, Said};
use crate::merge::replay::{self, State, Verdict};

impl Reading<'_> {
    /// Folds a logbook's entries; of one thing only, if one is named.
    pub(super) fn state_of(
        &self,
        logbook: LogbookId,
        thing: Option<ThingId>,
    ) -> Result<State, Error> {
        if !self.ledger(logbook)?.branches().is_empty() {
            let kept = self.kept(logbook)?.into_iter();
            return Ok(Fold::of(kept.map(|kept| kept.placed).collect()));
        }
        let archive = self.shelves.of(logbook);
        let mut hearing = Hearing::begin(thing, Fold::default());
        self.all_there(logbook, archive.tell(&mut hearing)?)?;
        if !hearing.receipts.is_empty() || !hearing.verdicts.is_empty() {
            // What they are about came before them: once more, knowing them.
            let receipts = replay::earliest(hearing.receipts.into_iter());
            let held_back = replay::not_counting(hearing.verdicts.into_iter());
            hearing = Hearing::begin(thing, Fold::with(receipts, held_back));
            archive.tell(&mut hearing)?;
        }
        Ok(hearing.fold.done())
    }
}

/// Folds what it is told of a logbook in which every device has one chain.
struct Hearing {
    of: Option<ThingId>,
    fold: Fold,
    receipts: Receipts,
    verdicts: Verdicts,
}

impl Hearing {
    fn begin(of: Option<ThingId>, fold: Fold) -> Self {
        Self {
            of,
            fold,
            receipts: Vec::new(),
            verdicts: Vec::new(),
        }
    }
}

impl Listener for Hearing {
    fn entry(&mut self, head: &Head<'_>) {
        let said = Said {
            place: Place {
                chain: ChainId::of(head.device),
                seq: head.seq,
            },
            stamp: head.stamp,
            utc_offset_min: head.utc_offset_min,
            by: self.fold.person(head.by),
            visit: head.visit,
        };
        let gained = head.gained.iter();
        let gained = gained.map(|mark| (ChainId::of(mark.device), mark.seq));
        self.fold.entry(said, gained);
    }

    fn wants(&self, thing: ThingId) -> bool {
        self.of.is_none_or(|of| of == thing)
    }

    fn change(&mut self, nth: usize, change: Change) {
        if change.of().is_some() {
            let (receipts, verdicts) = Named::ByNumber.words(&[change]);
            self.receipts.extend(receipts);
            self.verdicts.extend(verdicts);
        } else {
            self.fold.change(nth, change);
        }
    }
}

type Receipts = Vec<(Place, Stamp)>;
type Verdicts = Vec<(Place, Verdict)>;

/// Where the entries of a logbook stand that others name.
pub(super) enum Named {
    /// Every device has one chain.
    ByNumber,
    ByMark(BTreeMap<Mark, Place>),
}

impl Named {
    pub(super) fn of(
        ledger: &Ledger,
        placed: &[(Place, VersionVector)],
        entries: &[Filed],
    ) -> Self {
        if ledger.branches().is_empty() {
            return Self::ByNumber;
        }
        let marks = entries.iter().map(|filed| filed.written.mark());
        let places = placed.iter().map(|(place, _)| *place);
        Self::ByMark(marks.zip(places).collect())
    }

    fn place(&self, mark: Mark) -> Option<Place> {
        match self {
            Self::ByNumber => Some(Place {
                chain: ChainId::of(mark.device),
                seq: mark.seq,
            }),
            Self::ByMark(places) => places.get(&mark).copied(),
        }
    }

    /// The receipts and verdicts among an entry's changes, by the places that they name.
    pub(super) fn words(&self, changes: &[Change]) -> (Receipts, Verdicts) {
        let (mut receipts, mut verdicts) = (Vec::new(), Vec::new());
        for change in changes {
            let Some(place) = change.of().and_then(|of| self.place(of)) else {
                continue;
            };
            match change {
                Change::Receipt { stamp, .. } => receipts.push((place, *stamp)),
                Change::HoldBack { .. } => verdicts.push((place, Verdict::HeldBack)),
                Change::Admit { .. } => verdicts.push((place, Verdict::Admitted)),
                Change::Set { .. } | Change::Observe { .. } | Change::Unknown { .. } => {}
            }
        }
        (receipts, verdicts)
    }
}
