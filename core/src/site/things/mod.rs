//! A site as its logbook says it is: things found by kind and by place, read as typed values.
//!
//! [`Site::of`] looks through a state once and keeps where everything belongs; the views beside
//! it read their fields when they are asked. Nothing here fails on what is missing: a value that
//! is not there is a [`Missing`] that says why.

mod address;
mod draft;
mod readings;
mod thing;
mod views;
mod zone;

pub use address::AddressError;
pub use draft::{NewThing, Noted, observe, set};
pub use readings::{CatchCans, Flow, Moisture, Ohms, Parts, Pressure, Probe, Seen, Taken};
pub(in crate::site) use thing::day as read_day;
pub use thing::{Fact, Known, Missing, Thing};
pub use views::{Controller, Finding, Head, Spot, Supply, Valve, Visit, Zone};

use std::collections::{BTreeMap, BTreeSet};

use super::apart::joined;
use super::fields::any;
use super::kind::ThingKind;
use crate::log::id::{LogbookId, ThingId};
use crate::log::value::Value;
use crate::merge::replay::State;

/// A logbook's things and where each belongs. Serves the company's and a station's too.
#[derive(Debug, Clone)]
pub struct Site<'a> {
    state: &'a State,
    root: ThingId,
    kinds: BTreeMap<ThingId, Option<ThingKind>>,
    parts: BTreeMap<ThingId, Vec<ThingId>>,
    astray: Vec<ThingId>,
}

impl<'a> Site<'a> {
    /// Looks through what a logbook says.
    #[must_use]
    pub fn of(state: &'a State, logbook: LogbookId) -> Self {
        let root = ThingId::root(logbook);
        let mut kinds: BTreeMap<ThingId, Option<ThingKind>> = BTreeMap::new();
        kinds.insert(root, None);
        for (thing, ..) in state.registers() {
            kinds.entry(thing).or_insert(None);
        }
        for thing in state.observed() {
            kinds.entry(thing).or_insert(None);
        }
        for (&thing, kind) in &mut kinds {
            let word = state
                .value(thing, any::KIND.number)
                .and_then(Value::as_text);
            *kind = word.and_then(ThingKind::of_word);
        }
        // A root that nobody named yet is a site: the other logbooks are begun with their kind.
        if let Some(kind @ None) = kinds.get_mut(&root) {
            *kind = Some(ThingKind::Site);
        }
        let mut site = Self {
            state,
            root,
            kinds,
            parts: BTreeMap::new(),
            astray: Vec::new(),
        };
        site.place_things();
        site
    }

    /// Puts each thing under what it belongs to, in the order of the walk.
    fn place_things(&mut self) {
        let mut parts: BTreeMap<ThingId, Vec<Thing<'a>>> = BTreeMap::new();
        for (&id, &kind) in &self.kinds {
            let thing = Thing::new(self.state, id, kind);
            match thing.part_of() {
                Some(whole) if id != self.root && self.kinds.contains_key(&whole) => {
                    parts.entry(whole).or_default().push(thing);
                }
                // Whatever says nothing else belongs to the site.
                None if id != self.root => parts.entry(self.root).or_default().push(thing),
                _ => {}
            }
        }
        for things in parts.values_mut() {
            things.sort_by_cached_key(Thing::place_in_walk);
        }
        self.parts = parts
            .into_iter()
            .map(|(whole, things)| (whole, things.iter().map(|thing| thing.id).collect()))
            .collect();
        let reached: BTreeSet<ThingId> = self.under(self.root).map(|thing| thing.id).collect();
        let lost = |id: &&ThingId| **id != self.root && !reached.contains(*id);
        self.astray = self.kinds.keys().filter(lost).copied().collect();
    }

    /// Returns the state that it was made of.
    #[must_use]
    pub fn state(&self) -> &'a State {
        self.state
    }

    /// Returns what the logbook is about.
    #[must_use]
    pub fn root(&self) -> Thing<'a> {
        let kind = self.kinds.get(&self.root).copied().flatten();
        Thing::new(self.state, self.root, kind)
    }

    /// Returns a thing that the logbook mentions.
    #[must_use]
    pub fn thing(&self, id: ThingId) -> Option<Thing<'a>> {
        let kind = self.kinds.get(&id)?;
        Some(Thing::new(self.state, id, *kind))
    }

    /// Returns everything that the logbook mentions, removed or not, by id.
    pub fn things(&self) -> impl Iterator<Item = Thing<'a>> + '_ {
        let things = self.kinds.iter();
        things.map(|(&id, &kind)| Thing::new(self.state, id, kind))
    }

    /// Returns what belongs to a thing, removed or not, in the order of the walk.
    pub fn parts(&self, of: ThingId) -> impl Iterator<Item = Thing<'a>> + '_ {
        let parts = self.parts.get(&of).map_or(&[][..], Vec::as_slice);
        parts.iter().filter_map(|&id| self.thing(id))
    }

    /// Returns what belongs to a thing and to its parts, whole before part; not the thing itself.
    pub fn under(&self, of: ThingId) -> impl Iterator<Item = Thing<'a>> + '_ {
        let mut seen = BTreeSet::from([of]);
        let mut todo: Vec<Thing<'a>> = self.parts(of).collect();
        todo.reverse();
        std::iter::from_fn(move || {
            let thing = todo.pop()?;
            // Two crews can each put one thing into the other; nobody goes round for ever.
            if seen.insert(thing.id) {
                let at = todo.len();
                todo.extend(self.parts(thing.id).filter(|part| !seen.contains(&part.id)));
                todo.get_mut(at..).unwrap_or_default().reverse();
            }
            Some(thing)
        })
    }

    /// Returns the things that belong to nothing in this logbook: their whole is not here, or
    /// each belongs to the other.
    pub fn astray(&self) -> impl Iterator<Item = Thing<'a>> + '_ {
        self.astray.iter().filter_map(|&id| self.thing(id))
    }

    /// Returns the thing of which this one is a second record, or the thing itself.
    #[must_use]
    pub fn kept(&self, id: ThingId) -> ThingId {
        joined::kept(self.state, id)
    }

    /// Returns the second records of a thing, by id.
    #[must_use]
    pub fn joined(&self, id: ThingId) -> Vec<Thing<'a>> {
        let second = |thing: &Thing<'a>| thing.id != id && self.kept(thing.id) == id;
        self.things().filter(second).collect()
    }

    /// Returns the parts of one kind that are there: not removed, not second records.
    fn present(&self, of: ThingId, kind: ThingKind) -> impl Iterator<Item = Thing<'a>> + '_ {
        self.parts(of).filter(move |thing| {
            thing.kind == Some(kind) && !thing.is_removed() && self.kept(thing.id) == thing.id
        })
    }
}

#[cfg(test)]
pub(crate) mod tests;
