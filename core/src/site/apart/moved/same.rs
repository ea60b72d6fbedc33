//! Which thing of the right site stands for which of the wrong one.

use std::collections::{BTreeMap, BTreeSet};

use crate::log::entry::Change;
use crate::log::id::ThingId;
use crate::log::value::Value;
use crate::site::fields::{any, zone};
use crate::site::things::{Site, Thing, set};

/// Returns the thing of the same name and kind at the other site: the site for the site.
pub(super) fn counterpart(thing: ThingId, from: &Site<'_>, to: &Site<'_>) -> Option<ThingId> {
    if thing == from.root().id {
        return Some(to.root().id);
    }
    // One that an earlier move entered there.
    if to.thing(thing).is_some_and(|thing| thing.kind.is_some()) {
        return Some(thing);
    }
    let here = from.thing(from.kept(thing))?;
    let there = to.find(&from.address(here)).ok()?;
    (there.kind == here.kind).then_some(there.id)
}

/// Which thing of the right site stands for which of the wrong one.
#[derive(Debug, Default)]
pub(super) struct Map {
    /// By the thing of the wrong site.
    pub(super) there: BTreeMap<ThingId, ThingId>,
    /// What has no counterpart.
    pub(super) without: Vec<ThingId>,
}

impl Map {
    fn get(&self, thing: ThingId) -> ThingId {
        self.there.get(&thing).copied().unwrap_or(thing)
    }

    /// Enters at the right site what has no counterpart there, with its wholes, under its own id.
    pub(super) fn enter(&mut self, from: &Site<'_>, to: &Site<'_>) -> Vec<Change> {
        let mut changes = Vec::new();
        let mut todo = self.without.clone();
        let mut done = BTreeSet::new();
        while let Some(thing) = todo.pop() {
            let Some(here) = from.thing(thing).filter(|_| done.insert(thing)) else {
                continue;
            };
            let whole = here.part_of().unwrap_or(from.root().id);
            if !self.there.contains_key(&whole) && !done.contains(&whole) {
                match counterpart(whole, from, to) {
                    Some(there) => {
                        self.there.insert(whole, there);
                    }
                    None => {
                        self.without.push(whole);
                        todo.push(whole);
                    }
                }
            }
            changes.extend(self.entered(here, whole));
        }
        self.without.sort_unstable();
        self.without.dedup();
        changes
    }

    fn entered(&self, here: Thing<'_>, whole: ThingId) -> Vec<Change> {
        let fields = [&any::KIND, &any::LABEL, &any::ORDER, &zone::NUMBER];
        let said = fields
            .iter()
            .filter_map(|field| Some(set(here.id, field, here.raw(field)?.clone())));
        let part_of = Value::Thing(self.get(whole));
        let part_of = set(here.id, &any::PART_OF, part_of);
        said.chain([part_of]).collect()
    }

    /// Says the same of the counterparts.
    pub(super) fn moved(&self, change: &Change) -> Change {
        let mut change = change.clone();
        if let Change::Set { thing, value, .. } | Change::Observe { thing, value, .. } = &mut change
        {
            *thing = self.get(*thing);
            self.rename(value);
        }
        change
    }

    fn rename(&self, value: &mut Value) {
        match value {
            Value::Thing(thing) => *thing = self.get(*thing),
            Value::List(items) => items.iter_mut().for_each(|item| self.rename(item)),
            Value::Record(parts) => parts.values_mut().for_each(|part| self.rename(part)),
            _ => {}
        }
    }
}

/// Adds the things that a value names.
pub(super) fn things_in(value: &Value, into: &mut BTreeSet<ThingId>) {
    match value {
        Value::Thing(thing) => {
            into.insert(*thing);
        }
        Value::List(items) => items.iter().for_each(|item| things_in(item, into)),
        Value::Record(parts) => parts.values().for_each(|part| things_in(part, into)),
        _ => {}
    }
}
