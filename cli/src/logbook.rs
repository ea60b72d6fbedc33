//! One logbook as a command reads it: its entries by place, and what they say at a moment.

use std::collections::BTreeMap;
use std::sync::Arc;

use headwalk_core::log::id::{LogbookId, Place};
use headwalk_core::log::stamp::{Stamp, WallMs};
use headwalk_core::merge::knowledge::Knowledge;
use headwalk_core::merge::replay::State;
use headwalk_core::site::apart;
use headwalk_core::site::sight::{Book, Written};
use headwalk_core::site::things::Site;
use headwalk_core::store::{Kept, Store};

use crate::error::Error;

/// Returns what a logbook says now, as people should be told it.
pub fn state_of(store: &Store, id: LogbookId) -> Result<Arc<State>, Error> {
    Ok(headwalk_sync_server::office::told(store, id)?)
}

/// Which moment of a logbook is wanted.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Moment {
    /// What was true then: only what was written up to it, by corrected clocks.
    pub as_of: Option<WallMs>,
    /// What this store held then: only what had reached it by then.
    pub as_known: Option<WallMs>,
}

/// Returns what a logbook says at a moment, for who asks no more than that: it reads no entry unless
/// something was removed or moved, or only what was here by a moment is wanted.
pub fn state_at(store: &Store, id: LogbookId, moment: Moment) -> Result<Arc<State>, Error> {
    match (moment.as_of, moment.as_known) {
        (None, None) => state_of(store, id),
        (Some(until), None) => {
            let until = Stamp::end_of(until);
            apart::told_then(store.state_as_of(id, until)?, until, || {
                let kept = store.entries(id)?.into_iter();
                Ok(kept.map(|kept| kept.placed).collect())
            })
        }
        (_, Some(_)) => Ok(Logbook::read(store, id, moment)?.state),
    }
}

/// A logbook at a moment.
pub struct Logbook {
    /// Which.
    pub id: LogbookId,
    /// Its entries, by who wrote them and in their order.
    pub entries: BTreeMap<Place, Kept>,
    /// What they say.
    pub state: Arc<State>,
    /// Who had seen what when they wrote.
    pub knowledge: Knowledge,
}

impl Logbook {
    /// Reads a logbook as it was at a moment; now, if none is named.
    pub fn read(store: &Store, id: LogbookId, moment: Moment) -> Result<Self, Error> {
        if moment == Moment::default() {
            return Self::now(store, id, state_of(store, id)?);
        }
        let mut kept = store.entries(id)?;
        kept.retain(|kept| moment.as_known.is_none_or(|known| kept.arrived <= known));
        let knowledge = Knowledge::of(kept.iter().map(|kept| &kept.placed));
        // A receipt counts for the entry that it names, whenever it was written; so the entries
        // of before are chosen by replay, which knows the receipts.
        let entries: Vec<_> = kept.iter().map(|kept| kept.placed.clone()).collect();
        let until = moment.as_of.map(Stamp::end_of);
        kept.retain(|kept| until.is_none_or(|until| kept.stamp <= until));
        let state = Arc::new(apart::told(&entries, until));
        Ok(Self::of(id, kept, state, knowledge))
    }

    /// Reads the entries of a logbook that says this now, as [`state_of`] has it.
    pub fn now(store: &Store, id: LogbookId, state: Arc<State>) -> Result<Self, Error> {
        let kept = store.entries(id)?;
        let knowledge = Knowledge::of(kept.iter().map(|kept| &kept.placed));
        Ok(Self::of(id, kept, state, knowledge))
    }

    fn of(id: LogbookId, kept: Vec<Kept>, state: Arc<State>, knowledge: Knowledge) -> Self {
        let entries = kept.into_iter();
        Self {
            id,
            entries: entries.map(|kept| (kept.place, kept)).collect(),
            state,
            knowledge,
        }
    }

    /// Returns it with its entries at hand, for who asks what their writers had seen.
    pub fn book<'a>(&'a self, site: &'a Site<'a>) -> Book<'a> {
        let entries = self.entries.iter();
        let entries = entries.map(|(place, kept)| (*place, written(kept)));
        Book::of(site, entries.collect(), &self.knowledge)
    }

    /// Returns the entry at a place that a register or an observation names.
    pub fn entry(&self, place: Place) -> Result<&Kept, Error> {
        self.entries.get(&place).ok_or_else(|| {
            Error::new(
                crate::error::Kind::Damaged,
                format!("entry {} of chain {} is not there", place.seq, place.chain),
            )
            .hint("`headwalk verify` says what else is damaged.")
        })
    }
}

/// Returns an entry and how this store holds it.
pub const fn written(kept: &Kept) -> Written<'_> {
    Written {
        placed: &kept.placed,
        stamp: kept.stamp,
        arrived: kept.arrived,
        held_back: kept.held_back,
    }
}
