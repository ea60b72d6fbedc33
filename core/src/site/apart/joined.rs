//! Two records of one thing, told as one: everything that was said of either.
//!
//! That a record is the second of another is an ordinary field of it, `same-as`, so it can be
//! taken back, and two crews who join differently leave it in two versions like any other field.
//! Chains and rings are followed to one record that stays, the same on every store.

use std::collections::{BTreeMap, BTreeSet};

use super::removed::there_first;
use crate::log::entry::Change;
use crate::log::id::{FieldNumber, ThingId};
use crate::log::value::Value;
use crate::merge::register::{Register, Write};
use crate::merge::replay::{Observation, State};
use crate::site::fields::any;
use crate::site::things::Site;

/// Fields that stay with each record: they say how records stand to each other, or to the walk.
const OF_THE_RECORD: [FieldNumber; 3] = [
    any::SAME_AS.number,
    any::TOLD_APART.number,
    any::ORDER.number,
];
/// Fields that a second record keeps beside the first, so that it is still found by its name.
const KEPT_ON_BOTH: [FieldNumber; 3] = [any::KIND.number, any::PART_OF.number, any::LABEL.number];

/// Returns the record that stays for a thing: itself, unless it was joined to another.
///
/// A second record whose first is not in the logbook stands for itself. Where records are each
/// said to be the other, the one with the least id stays.
#[must_use]
pub fn kept(state: &State, thing: ThingId) -> ThingId {
    let mut chain = vec![thing];
    let mut now = thing;
    while let Some(next) = first_of(state, now) {
        if let Some(at) = chain.iter().position(|seen| *seen == next) {
            return chain.split_off(at).into_iter().min().unwrap_or(thing);
        }
        chain.push(next);
        now = next;
    }
    now
}

fn first_of(state: &State, thing: ThingId) -> Option<ThingId> {
    let first = state.value(thing, any::SAME_AS.number)?.as_thing()?;
    let is_here = state.registers_of(first).next().is_some();
    is_here.then_some(first)
}

/// Tells every joined thing as one: the first record has the open writes of all, by the rule of
/// the merge, and all observations; whatever named a second record names the first. None where
/// nothing was joined.
pub(super) fn as_one(state: &State) -> Option<State> {
    let said = state.registers().filter(|(_, field, register)| {
        *field == any::SAME_AS.number && register.in_force().value.as_thing().is_some()
    });
    let seconds: BTreeMap<ThingId, ThingId> = said
        .map(|(thing, ..)| (thing, kept(state, thing)))
        .filter(|(second, first)| second != first)
        .collect();
    if seconds.is_empty() {
        return None;
    }
    let first = |thing: ThingId| seconds.get(&thing).copied().unwrap_or(thing);
    let mut one = State::default();
    let mut writes: BTreeMap<(ThingId, FieldNumber), Vec<Write>> = BTreeMap::new();
    for (thing, field, register) in state.registers() {
        if OF_THE_RECORD.contains(&field) {
            one.keep(thing, field, register.clone());
            continue;
        }
        let open = || register.open().iter().map(|write| renamed(write, &first));
        if thing != first(thing) && KEPT_ON_BOTH.contains(&field) {
            one.keep(thing, field, in_one(field, open().collect()));
        }
        writes
            .entry((first(thing), field))
            .or_default()
            .extend(open());
    }
    let there = still_there(state, &seconds);
    for ((thing, field), open) in writes {
        let is_there = field == any::REMOVED.number && there.contains(&thing);
        if !is_there || open.iter().any(|write| write.value != Value::Bool(true)) {
            one.keep(thing, field, in_one(field, open));
        }
    }
    for (thing, what, seen) in state.all_observations() {
        let visit = seen.visit.map(first);
        let seen = Observation {
            visit,
            ..seen.clone()
        };
        one.observe(first(thing), what, seen);
    }
    Some(one)
}

/// Returns the joined things of which at least one record was not removed: those are there.
fn still_there(state: &State, seconds: &BTreeMap<ThingId, ThingId>) -> BTreeSet<ThingId> {
    let removed =
        |thing: ThingId| state.value(thing, any::REMOVED.number) == Some(&Value::Bool(true));
    let records = seconds
        .iter()
        .flat_map(|(&second, &first)| [(second, first), (first, first)]);
    let there = records.filter(|(record, _)| !removed(*record));
    there.map(|(_, first)| first).collect()
}

fn renamed(write: &Write, first: &impl Fn(ThingId) -> ThingId) -> Write {
    let mut write = write.clone();
    if let Value::Thing(thing) = write.value {
        write.value = Value::Thing(first(thing));
    }
    write
}

/// Makes one register of the open writes of all records; what one entry said of two counts once.
fn in_one(field: FieldNumber, open: Vec<Write>) -> Register {
    let mut once: Vec<Write> = Vec::new();
    for write in open {
        if !once.contains(&write) {
            once.push(write);
        }
    }
    let register = if field == any::REMOVED.number {
        there_first(once.into_iter())
    } else {
        Register::of_open(once)
    };
    register.expect("a register has an open write, and so has what it became")
}

/// Says of every record of a joined thing what changes say of one, so that a write that saw the
/// join settles all of them, and stays said of each where the join is taken back.
#[must_use]
pub fn of_every_record(site: &Site<'_>, changes: &[Change]) -> Vec<Change> {
    let mut all = changes.to_vec();
    for change in changes {
        if let Change::Set {
            thing,
            field,
            value,
            how,
        } = change
            && *field != any::KIND.number
            && !OF_THE_RECORD.contains(field)
        {
            all.extend(site.joined(*thing).into_iter().map(|second| Change::Set {
                thing: second.id,
                field: *field,
                value: value.clone(),
                how: *how,
            }));
        }
    }
    all
}
