//! A visit that was written to the wrong site, and moved whole to the right one.
//!
//! No entry is edited. The right site's logbook gets the visit again, an entry for an entry, each
//! saying which it repeats ([`Moving`]); and the visit in the wrong logbook says by an ordinary
//! field, `moved-to`, where it went. While it says so, nothing of the visit counts there but what
//! is said of the visit itself, so the history of both sites tells of the move. Moving it back is
//! the same act the other way round. Entries of the visit that arrive after the move wait to be
//! carried by the same command; [`whereabouts`] finds them, and visits that count at two sites or
//! at none.

mod origin;
mod plan;
mod same;

use std::borrow::Borrow;
use std::collections::{BTreeMap, BTreeSet};

pub use origin::Origin;
pub use plan::{Carried, MoveError, Moving, OfNoName, Plan, Side};

use crate::log::entry::{Change, Entry};
use crate::log::id::{LogbookId, ThingId};
use crate::log::value::Value;
use crate::merge::replay::{Placed, State, held_back};
use crate::site::fields::{any, visit};
use crate::site::things::Thing;

/// What of a logbook counts at another site: visits that were moved there, and what they entered.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Elsewhere {
    visits: BTreeSet<ThingId>,
    entered: BTreeSet<ThingId>,
}

impl Elsewhere {
    /// Finds what was moved away, in a state of which everything counts and its entries.
    pub(super) fn of(state: &State, entries: &[Placed]) -> Self {
        let visits = moved(state).map(|(visit, _)| visit).collect();
        Self::with(visits, entries)
    }

    /// What these visits entered belongs to them, whoever edits it later, unless somebody else
    /// entered it, too.
    fn with(visits: BTreeSet<ThingId>, entries: &[Placed]) -> Self {
        if visits.is_empty() {
            return Self::default();
        }
        let held_back = held_back(entries);
        let (mut entered, mut by_others) = (BTreeSet::new(), BTreeSet::new());
        for placed in entries.iter().filter(|one| !held_back.contains(&one.place)) {
            let during = placed.entry.visit.is_some_and(|one| visits.contains(&one));
            let into = if during { &mut entered } else { &mut by_others };
            into.extend(placed.entry.changes.iter().filter_map(begun));
        }
        let is_ours = |thing: &ThingId| !by_others.contains(thing) && !visits.contains(thing);
        let entered = entered.into_iter().filter(is_ours).collect();
        Self { visits, entered }
    }

    pub(super) fn is_empty(&self) -> bool {
        self.visits.is_empty()
    }

    /// Returns whether a change counts in the logbook in which it was written.
    pub(super) fn counts_here(&self, entry: &Entry, change: &Change) -> bool {
        match change.thing() {
            Some(thing) if self.visits.contains(&thing) => true,
            _ => !self.is_of_them(entry, change),
        }
    }

    /// Returns whether a change was made during one of the visits, or to them, or to what they
    /// entered.
    fn is_of_them(&self, entry: &Entry, change: &Change) -> bool {
        let during = entry
            .visit
            .is_some_and(|visit| self.visits.contains(&visit));
        let of = |thing| self.visits.contains(&thing) || self.entered.contains(&thing);
        change.thing().is_some_and(|thing| during || of(thing))
    }
}

/// Returns whether a state says of any visit that it was moved away.
pub(super) fn anything_moved(state: &State) -> bool {
    moved(state).next().is_some()
}

/// Returns the visits that were moved away, each with what it says of where.
fn moved(state: &State) -> impl Iterator<Item = (ThingId, LogbookId)> {
    let said = state
        .registers()
        .filter(|(_, field, _)| *field == visit::MOVED_TO.number);
    said.filter_map(|(visit, _, register)| Some((visit, logbook(&register.in_force().value)?)))
}

/// Returns the logbook to which a visit was moved, if it was.
#[must_use]
pub fn moved_to(visit: &Thing<'_>) -> Option<LogbookId> {
    visit.raw(&visit::MOVED_TO).and_then(logbook)
}

/// Returns the thing that a change says is of some kind: so it is entered.
fn begun(change: &Change) -> Option<ThingId> {
    match change {
        Change::Set { thing, field, .. } if *field == any::KIND.number => Some(*thing),
        _ => None,
    }
}

/// Reads which logbook a record names.
fn logbook(value: &Value) -> Option<LogbookId> {
    let named = value.as_record()?.get(&2)?.as_text()?;
    named.parse().ok()
}

fn named(logbook: LogbookId, site: &str) -> Value {
    let parts = [
        (1, Value::text(site)),
        (2, Value::text(logbook.to_string())),
    ];
    Value::Record(parts.into())
}

/// Something about a moved visit that somebody must look at.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Astray {
    /// It counts at several sites, or at none.
    Counts {
        /// The visit.
        visit: ThingId,
        /// Where its work lies, in the order of the logbooks' ids.
        lies: Vec<LogbookId>,
        /// Where it counts.
        counts: Vec<LogbookId>,
    },
    /// Some of what was written to the wrong site is not at the right one yet.
    Waiting {
        /// The visit.
        visit: ThingId,
        /// Where it was written.
        from: LogbookId,
        /// Where it counts.
        to: LogbookId,
        /// How many entries wait to be carried.
        entries: usize,
    },
}

/// Returns what is not in order about moved visits, of all logbooks that a store holds: for each
/// its id and its plain state, and a way to its entries, asked for only where a visit was moved.
///
/// # Errors
/// What reading entries gives.
pub fn whereabouts<E>(
    states: &[(LogbookId, impl Borrow<State>)],
    entries: impl Fn(LogbookId) -> Result<Vec<Placed>, E>,
) -> Result<Vec<Astray>, E> {
    let mut lies: BTreeMap<ThingId, BTreeMap<LogbookId, bool>> = BTreeMap::new();
    for (id, state) in states {
        let state = state.borrow();
        let moved: BTreeSet<_> = moved(state).map(|(visit, _)| visit).collect();
        let concerned = state.registers().filter(|(_, field, _)| {
            [visit::MOVED_TO.number, visit::MOVED_FROM.number].contains(field)
        });
        for (visit, ..) in concerned {
            let at = lies.entry(visit).or_default();
            at.insert(*id, !moved.contains(&visit));
        }
    }
    let mut astray = Vec::new();
    for (visit, at) in lies {
        let counts: Vec<_> = at.iter().filter(|at| *at.1).map(|at| *at.0).collect();
        let [to] = counts[..] else {
            // One whose other site this store does not hold is in order, as far as it can tell.
            if at.len() > 1 {
                let lies = at.into_keys().collect();
                astray.push(Astray::Counts {
                    visit,
                    lies,
                    counts,
                });
            }
            continue;
        };
        let there = entries(to)?;
        for from in at.into_keys().filter(|from| *from != to) {
            let here = entries(from)?;
            let waiting = plan::waiting(visit, Side::of(from, &here), Side::of(to, &there));
            if waiting > 0 {
                astray.push(Astray::Waiting {
                    visit,
                    from,
                    to,
                    entries: waiting,
                });
            }
        }
    }
    Ok(astray)
}

#[cfg(test)]
mod tests;
