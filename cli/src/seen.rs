//! What the writer of a value had before their eyes, and what they could not know of.

use std::collections::{BTreeMap, BTreeSet};

use headwalk_core::log::id::{FieldNumber, Place, ThingId};
use headwalk_core::log::value::{HowKnown, Value};
use headwalk_core::site::apart::removed;
use headwalk_core::site::fields::any;
use headwalk_core::site::things::Site;
use headwalk_core::site::unit::UnitSystem;
use headwalk_core::store::Kept;

use crate::logbook::Logbook;
use crate::said::{Said, What};

/// One thing with all its records, in its logbook.
pub struct Sight<'a> {
    pub logbook: &'a Logbook,
    pub site: &'a Site<'a>,
    /// The thing, and the second records that were joined to it.
    pub records: BTreeSet<ThingId>,
    pub units: UnitSystem,
}

/// One write of a field.
struct Written<'a> {
    record: ThingId,
    value: &'a Value,
    how: HowKnown,
    kept: &'a Kept,
}

impl<'a> Sight<'a> {
    /// Looks at a thing and the records that were joined to it.
    pub fn of(logbook: &'a Logbook, site: &'a Site<'a>, thing: ThingId, units: UnitSystem) -> Self {
        let joined = site.joined(thing).into_iter().map(|second| second.id);
        Self {
            logbook,
            site,
            records: joined.chain([thing]).collect(),
            units,
        }
    }

    /// The entries that count.
    fn counting(&self) -> impl Iterator<Item = &'a Kept> {
        let entries = self.logbook.entries.values();
        entries.filter(|kept| !kept.held_back)
    }

    fn saw(&self, by: Place, other: Place) -> bool {
        self.logbook.knowledge.saw(by, other)
    }

    fn apart(&self, one: Place, other: Place) -> bool {
        one != other && !self.saw(one, other) && !self.saw(other, one)
    }

    /// Returns the values that a write of a record's field took the place of, its writer having
    /// seen them and nobody else in between.
    pub fn replaced(&self, record: ThingId, field: FieldNumber, own: Place) -> Vec<Said> {
        let mut writes = self.writes(field);
        writes.retain(|other| other.record == record && other.kept.place != own);
        let between = |other: &Written<'_>| {
            writes.iter().any(|between| {
                let between = between.kept.place;
                between != other.kept.place
                    && self.saw(own, between)
                    && self.saw(between, other.kept.place)
            })
        };
        let replaced = writes
            .iter()
            .filter(|other| self.saw(own, other.kept.place) && !between(other));
        replaced.map(|other| self.said(field, other)).collect()
    }

    /// Returns what the writer of an open write had seen and replaced, whichever record it was of.
    pub fn had_seen(&self, field: FieldNumber, own: Place) -> Vec<Said> {
        let writes = self.writes(field).into_iter();
        let own_write = writes.into_iter().find(|write| write.kept.place == own);
        own_write.map_or_else(Vec::new, |write| self.replaced(write.record, field, own))
    }

    /// Returns other values of a field, of any record, where neither writer had seen the other's;
    /// of a removal, the edits that did not know of it.
    pub fn unseen(&self, field: FieldNumber, value: &Value, own: Place) -> Vec<Said> {
        let mut unseen: Vec<Said> = Vec::new();
        for other in self.writes(field) {
            if other.value != value && self.apart(own, other.kept.place) {
                unseen.push(self.said(field, &other));
            }
        }
        if field == any::REMOVED.number && *value == Value::Bool(true) {
            let there = Value::Bool(false);
            for kept in self.edits_apart(own) {
                let what = What::Field(field);
                unseen.push(what.said(self.site, &there, HowKnown::Unstated, kept, self.units));
            }
        }
        unseen
    }

    /// Returns the removals of which the writer of an edit did not know, nor they of it.
    pub fn removals_unseen(&self, own: Place) -> Vec<Said> {
        let field = any::REMOVED.number;
        let mut removals = self.writes(field);
        removals.retain(|removal| {
            *removal.value == Value::Bool(true) && self.apart(own, removal.kept.place)
        });
        removals
            .iter()
            .map(|removal| self.said(field, removal))
            .collect()
    }

    /// The entries apart from a removal that speak of the thing as being there, the latest of
    /// each chain.
    fn edits_apart(&self, removal: Place) -> Vec<&'a Kept> {
        let of_this = |thing: &ThingId| self.records.contains(thing);
        let speaks = |kept: &&Kept| {
            let mut spoken_of = kept.entry.changes.iter().filter_map(removed::spoken_of);
            spoken_of.any(|(thing, other)| of_this(&thing) || other.iter().any(of_this))
        };
        let entries = self.counting().filter(speaks);
        let apart = entries.filter(|kept| self.apart(removal, kept.place));
        let latest: BTreeMap<_, _> = apart.map(|kept| (kept.place.chain, kept)).collect();
        latest.into_values().collect()
    }

    fn said(&self, field: FieldNumber, written: &Written<'_>) -> Said {
        let what = What::Field(field);
        what.said(
            self.site,
            written.value,
            written.how,
            written.kept,
            self.units,
        )
    }

    /// Returns all writes of a field of the thing's records, in the order of their stamps.
    fn writes(&self, field: FieldNumber) -> Vec<Written<'a>> {
        let mut writes: Vec<Written<'a>> = Vec::new();
        for kept in self.counting() {
            for change in &kept.entry.changes {
                let Some((what, record, value, how)) = What::of(change) else {
                    continue;
                };
                if what == What::Field(field) && self.records.contains(&record) {
                    writes.push(Written {
                        record,
                        value,
                        how,
                        kept,
                    });
                }
            }
        }
        // What one entry said of several records counts once.
        writes.sort_by_key(|write| (write.kept.stamp, write.kept.place));
        writes
            .dedup_by(|one, other| one.kept.place == other.kept.place && one.value == other.value);
        writes
    }
}
