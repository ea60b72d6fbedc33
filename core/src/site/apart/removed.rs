//! A thing that one crew removed while another, which did not know, edited or observed it.
//!
//! The edit says that the thing is there, and it wins: nobody's work is hidden by someone who did
//! not know of it. Both stand as two versions of the field `removed`, the edit in force, until
//! somebody who saw both writes that field. An edit whose writer had seen the removal says
//! nothing against it, and a removal whose writer had seen the edit stands.

use std::collections::{BTreeMap, BTreeSet};

use super::moved::Elsewhere;
use crate::log::entry::Change;
use crate::log::id::{ChainId, Place, ThingId};
use crate::log::stamp::Stamp;
use crate::log::value::{HowKnown, Value};
use crate::merge::knowledge::Knowledge;
use crate::merge::register::{Register, Write};
use crate::merge::replay::{Placed, State, held_back, receipts};
use crate::site::fields::any;

/// Returns whether a state says of anything that it was removed.
#[must_use]
pub fn anything_removed(state: &State) -> bool {
    state
        .registers()
        .any(|(_, field, register)| field == any::REMOVED.number && !removals(register).is_empty())
}

/// Puts beside each removal the edits that did not know of it, before it.
pub(super) fn brought_back(
    mut state: State,
    entries: &[Placed],
    until: Option<Stamp>,
    elsewhere: &Elsewhere,
) -> State {
    for (thing, register) in contradicted(&state, entries, until, elsewhere) {
        state.keep(thing, any::REMOVED.number, register);
    }
    state
}

/// Returns the new register of `removed` of each thing whose removal does not stand alone.
fn contradicted(
    state: &State,
    entries: &[Placed],
    until: Option<Stamp>,
    elsewhere: &Elsewhere,
) -> Vec<(ThingId, Register)> {
    let removed: BTreeMap<ThingId, Vec<Place>> = state
        .registers()
        .filter(|(_, field, _)| *field == any::REMOVED.number)
        .map(|(thing, _, register)| (thing, removals(register)))
        .filter(|(_, places)| !places.is_empty())
        .collect();
    if removed.is_empty() {
        return Vec::new();
    }
    let edits = edits(state, entries, until, elsewhere, &removed);
    let removed = removed.into_keys().filter_map(|thing| {
        let open = state.register(thing, any::REMOVED.number)?.open();
        let edits = edits.get(&thing).into_iter().flat_map(BTreeMap::values);
        Some((thing, there_first(open.iter().chain(edits).cloned())?))
    });
    removed.collect()
}

/// Makes a register of `removed` in which those who say that the thing is there come first.
pub(super) fn there_first(writes: impl Iterator<Item = Write>) -> Option<Register> {
    let (removals, there) = writes.partition(|write| write.value == Value::Bool(true));
    let there: Vec<Write> = there;
    Some(
        match (Register::of_open(there), Register::of_open(removals)) {
            (Some(there), Some(removals)) => there.before(&removals),
            (one, other) => one.or(other)?,
        },
    )
}

fn removals(register: &Register) -> Vec<Place> {
    let open = register.open().iter();
    let removals = open.filter(|write| write.value == Value::Bool(true));
    removals.map(|write| write.place).collect()
}

/// Returns, for each removed thing, the latest edit of each chain that neither saw any of its
/// removals nor was seen by one, as a write that says that the thing is there.
fn edits(
    state: &State,
    entries: &[Placed],
    until: Option<Stamp>,
    elsewhere: &Elsewhere,
    removed: &BTreeMap<ThingId, Vec<Place>>,
) -> BTreeMap<ThingId, BTreeMap<ChainId, Write>> {
    let knowledge = Knowledge::of(entries);
    let (receipts, held_back) = (receipts(entries), held_back(entries));
    let mut edits: BTreeMap<ThingId, BTreeMap<ChainId, Write>> = BTreeMap::new();
    for placed in entries {
        let place = placed.place;
        let stamp = receipts.get(&place).copied();
        let stamp = stamp.unwrap_or(placed.entry.stamp);
        if until.is_some_and(|until| stamp > until) || held_back.contains(&place) {
            continue;
        }
        let apart = |removal: &Place| {
            place != *removal && !knowledge.saw(place, *removal) && !knowledge.saw(*removal, place)
        };
        let changes = placed.entry.changes.iter();
        let here = changes.filter(|change| elsewhere.counts_here(&placed.entry, change));
        for thing in touched(state, here) {
            if !removed.get(&thing).is_some_and(|all| all.iter().all(apart)) {
                continue;
            }
            let write = Write {
                place,
                stamp,
                value: Value::Bool(false),
                how: HowKnown::Unstated,
            };
            let of_chain = edits.entry(thing).or_default().entry(place.chain);
            let latest = of_chain.or_insert_with(|| write.clone());
            if (latest.stamp, latest.place) < (stamp, place) {
                *latest = write;
            }
        }
    }
    edits
}

/// Returns the things that changes speak of as being there: what was edited or observed, that of
/// which something was made a part or a second record, and the wholes of all these.
fn touched<'c>(state: &State, changes: impl Iterator<Item = &'c Change>) -> BTreeSet<ThingId> {
    let mut touched = BTreeSet::new();
    for change in changes {
        if let Some((thing, other)) = spoken_of(change) {
            for one in [Some(thing), other].into_iter().flatten() {
                with_wholes(state, one, &mut touched);
            }
        }
    }
    touched
}

/// Returns the thing that a change speaks of as being there, and the other that it names so.
pub fn spoken_of(change: &Change) -> Option<(ThingId, Option<ThingId>)> {
    match change {
        Change::Set { field, .. } if *field == any::REMOVED.number => None,
        Change::Set {
            thing,
            field,
            value,
            ..
        } if *field == any::PART_OF.number || *field == any::SAME_AS.number => {
            Some((*thing, value.as_thing()))
        }
        Change::Set { thing, .. } | Change::Observe { thing, .. } => Some((*thing, None)),
        Change::Receipt { .. }
        | Change::HoldBack { .. }
        | Change::Admit { .. }
        | Change::Unknown { .. } => None,
    }
}

fn with_wholes(state: &State, thing: ThingId, into: &mut BTreeSet<ThingId>) {
    let mut next = Some(thing);
    // Two crews can each put one thing into the other; nobody goes round for ever.
    while let Some(thing) = next.filter(|thing| into.insert(*thing)) {
        let whole = state.value(thing, any::PART_OF.number);
        next = whole.and_then(Value::as_thing);
    }
}
