//! All that was ever said of a thing, and what each writer had before their eyes: which values
//! they replaced, and which they could not know of. Start at [`Sight::lines`].

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::ops::Deref;

use foldhash::fast::RandomState;

use super::apart::removed;
use super::day_end::is_taken_back;
use super::fields::{self, Shape, UNKNOWN, any, seen, show_any};
use super::photo::Photo;
use super::things::{Parts, Site};
use super::unit::UnitSystem;
use super::words::plain;
use crate::log::entry::Change;
use crate::log::id::{FieldNumber, ObservationNumber, Place, ThingId};
use crate::log::stamp::{Stamp, WallMs};
use crate::log::value::{HowKnown, Value};
use crate::merge::knowledge::Knowledge;
use crate::merge::replay::{Placed, Verdict};

mod writes;

use writes::Writes;

/// What is said something of: a field that can be corrected, or an observation.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum What {
    /// A field.
    Field(FieldNumber),
    /// A kind of observation.
    Seen(ObservationNumber),
}

impl What {
    /// Returns what a change says something of, and the value; none for what is about no thing.
    #[must_use]
    pub fn of(change: &Change) -> Option<(Self, ThingId, &Value, HowKnown)> {
        match change {
            Change::Set {
                thing,
                field,
                value,
                how,
            } => Some((Self::Field(*field), *thing, value, *how)),
            Change::Observe {
                thing,
                what,
                value,
                how,
            } => Some((Self::Seen(*what), *thing, value, *how)),
            Change::Receipt { .. }
            | Change::HoldBack { .. }
            | Change::Admit { .. }
            | Change::Unknown { .. } => None,
        }
    }

    /// Returns the name, as typed.
    #[must_use]
    pub fn name(self) -> String {
        let known = match self {
            Self::Field(number) => fields::field_by_number(number).map(|field| field.name),
            Self::Seen(number) => fields::observation_by_number(number).map(|seen| seen.name),
        };
        let number = match self {
            Self::Field(number) => format!("field {}", number.0),
            Self::Seen(number) => format!("observation {}", number.0),
        };
        known.map_or_else(|| format!("{number} ({UNKNOWN})"), str::to_owned)
    }

    /// Returns what it may hold; none where this version does not know it.
    #[must_use]
    pub fn shape(self) -> Option<Shape> {
        match self {
            Self::Field(number) => fields::field_by_number(number).map(|field| field.shape),
            Self::Seen(number) => fields::observation_by_number(number).map(|seen| seen.shape),
        }
    }

    /// Returns a value for people; another thing by what it is called.
    #[must_use]
    pub fn show(self, site: &Site<'_>, value: &Value, system: UnitSystem) -> String {
        if let Value::Thing(thing) = value {
            return called(site, *thing);
        }
        if let Some(decided) = decision_words(self, value) {
            return decided;
        }
        if self == Self::Seen(seen::PHOTO.number)
            && let Some(photo) = Photo::read(value)
        {
            return photo.words();
        }
        let shown = match self {
            Self::Field(number) => {
                fields::field_by_number(number).map(|field| field.show(value, system))
            }
            Self::Seen(number) => {
                fields::observation_by_number(number).map(|seen| seen.show(value, system))
            }
        };
        shown.unwrap_or_else(|| show_any(value, system))
    }
}

/// A decision of the office reads by its words; which line it was is for programs.
fn decision_words(what: What, value: &Value) -> Option<String> {
    let def = [&seen::OFFICE_DECISION, &seen::DAY_CLOSED]
        .into_iter()
        .find(|def| what == What::Seen(def.number))?;
    let parts = Parts::of(def, value);
    let words = |part| parts.get(part).and_then(Value::as_text);
    if let Some(decided) = words("words") {
        return Some(decided.to_owned());
    }
    let open = parts.get("open").and_then(Value::as_list);
    let open = open.unwrap_or_default().iter().filter_map(Value::as_text);
    let open: Vec<_> = open
        .filter_map(|line| Some(line.split_once(' ')?.1))
        .collect();
    let date = parts
        .get("date")
        .map(|date| show_any(date, UnitSystem::Us))?;
    let why = words("why").map_or_else(String::new, |why| format!(" ({why})"));
    Some(match open.len() {
        0 => format!("{date}, nothing left"),
        _ => format!("{date}, left open{why}: {}", open.join("; ")),
    })
}

/// An entry, and how a store holds it.
#[derive(Debug, Clone, Copy)]
pub struct Written<'a> {
    /// The entry, and where it stands in its logbook.
    pub placed: &'a Placed,
    /// The stamp that orders it: its own, or a receipt's.
    pub stamp: Stamp,
    /// When it came to that store.
    pub arrived: WallMs,
    /// Whether it does not count.
    pub held_back: bool,
}

impl Deref for Written<'_> {
    type Target = Placed;

    fn deref(&self) -> &Placed {
        self.placed
    }
}

impl Written<'_> {
    /// Returns when it was written, for people, on the writer's own clock: `2026-07-14 07:30`.
    #[must_use]
    pub fn when(&self) -> String {
        let at = self.stamp.wall().at_offset(self.entry.utc_offset_min);
        at.format("%Y-%m-%d %H:%M").to_string()
    }
}

/// A logbook with its entries at hand.
#[derive(Debug)]
pub struct Book<'a> {
    /// What it says.
    pub site: &'a Site<'a>,
    /// Its entries, by place.
    pub entries: BTreeMap<Place, Written<'a>>,
    /// Who had seen what when they wrote.
    pub knowledge: &'a Knowledge,
    // The entries that speak of each thing, in their order.
    about: HashMap<ThingId, Vec<Place>, RandomState>,
}

impl<'a> Book<'a> {
    /// Puts the entries of a site's logbook at hand, by thing as well.
    #[must_use]
    pub fn of(
        site: &'a Site<'a>,
        entries: BTreeMap<Place, Written<'a>>,
        knowledge: &'a Knowledge,
    ) -> Self {
        let mut about: HashMap<ThingId, Vec<Place>, RandomState> = HashMap::default();
        for (place, by) in &entries {
            let mut spoken_of = |thing: ThingId| {
                let entries = about.entry(thing).or_default();
                if entries.last() != Some(place) {
                    entries.push(*place);
                }
            };
            for change in &by.placed.entry.changes {
                change.thing().into_iter().for_each(&mut spoken_of);
                if let Some((_, Some(other))) = removed::spoken_of(change) {
                    spoken_of(other);
                }
            }
        }
        Self {
            site,
            entries,
            knowledge,
            about,
        }
    }

    /// Returns the entry by which the office took back the decision that an entry was; none where it
    /// was held back for another reason, or counts.
    #[must_use]
    pub fn taken_back(&self, place: Place) -> Option<Written<'a>> {
        let takes_back = |by: &Written<'_>| {
            by.verdicts.contains(&(place, Verdict::HeldBack)) && is_taken_back(&by.entry)
        };
        self.entries.values().copied().find(takes_back)
    }
}

/// One value, and who said it.
#[derive(Debug, Clone)]
pub struct Said<'a> {
    /// The field or observation.
    pub what: What,
    /// The value.
    pub value: Value,
    /// How that was known.
    pub how: HowKnown,
    /// The entry that says it.
    pub by: Written<'a>,
}

impl Said<'_> {
    /// Returns the value for people. Of a removal that an edit did not know of, says what was
    /// edited.
    #[must_use]
    pub fn shown(&self, site: &Site<'_>, system: UnitSystem) -> String {
        if self.is_there_by_an_edit() {
            format!("no, {}", edit(site, self.by, system))
        } else {
            self.what.show(site, &self.value, system)
        }
    }

    /// Returns who and when, for a sentence: `Ana Ruiz, 2026-07-14 07:30`.
    #[must_use]
    pub fn by_and_when(&self) -> String {
        format!("{}, {}", self.by.entry.by, self.by.when())
    }

    /// Whether nobody wrote this value of `removed`: an edit that did not know of the removal says
    /// that the thing is there.
    fn is_there_by_an_edit(&self) -> bool {
        let removed = any::REMOVED.number;
        let says =
            |change: &Change| matches!(change, Change::Set { field, .. } if *field == removed);
        self.what == What::Field(removed)
            && self.value == Value::Bool(false)
            && !self.by.entry.changes.iter().any(says)
    }
}

/// How many changes of an edit are told where it stands against a removal.
const TOLD_OF_AN_EDIT: usize = 2;

/// Says in short what an entry wrote: `wrote head-3-02 arc 120°`.
fn edit(site: &Site<'_>, by: Written<'_>, system: UnitSystem) -> String {
    let plumbing = |name: &str| matches!(name, "kind" | "part-of" | "order");
    let changes = by.entry.changes.iter().filter_map(What::of);
    let said: Vec<String> = changes
        .filter(|(what, ..)| !plumbing(&what.name()))
        .map(|(what, thing, value, _)| {
            let (thing, name) = (called(site, thing), what.name());
            format!("{thing} {name} {}", what.show(site, value, system))
        })
        .collect();
    let more = said.len().saturating_sub(TOLD_OF_AN_EDIT);
    let mut told = said.into_iter().take(TOLD_OF_AN_EDIT).collect::<Vec<_>>();
    if more > 0 {
        told.push(format!("{more} more"));
    }
    format!("wrote {}", told.join(", "))
}

/// Returns what a thing is called in its site.
#[must_use]
pub fn called(site: &Site<'_>, thing: ThingId) -> String {
    site.thing(thing)
        .map_or_else(|| thing.to_string(), |thing| site.address(thing))
}

/// Returns what a visit is called, for people: its purpose and day.
#[must_use]
pub fn visit_called(site: &Site<'_>, visit: ThingId) -> String {
    let Some(thing) = site.thing(visit) else {
        return visit.to_string();
    };
    let purpose = thing.words(&fields::visit::PURPOSE);
    let day = thing.day(&fields::visit::DATE);
    match (purpose, day) {
        (Ok(purpose), Ok(day)) => format!("{} {}", plain(&purpose.value), day.value),
        _ => site.address(thing),
    }
}

/// One thing with all its records, in its logbook.
#[derive(Debug)]
pub struct Sight<'a> {
    /// The logbook.
    pub book: &'a Book<'a>,
    /// The thing, and the second records that were joined to it.
    pub records: BTreeSet<ThingId>,
    // The entries that speak of any of them, by place.
    entries: Vec<Written<'a>>,
}

/// One thing said, and how it stands to what others said.
#[derive(Debug, Clone)]
pub struct Line<'a> {
    /// What was said.
    pub said: Said<'a>,
    /// The record of which it was said.
    pub record: ThingId,
    /// The values that the writer had before their eyes and replaced.
    pub replaced: Vec<Said<'a>>,
    /// Other values, where neither writer had seen the other's.
    pub unseen: Vec<Said<'a>>,
    /// Removals of the thing, where neither writer had seen the other's entry: the edit wins.
    pub removed_unseen: Vec<Said<'a>>,
    /// The entry by which the office took this decision back, if it did.
    pub taken_back: Option<Written<'a>>,
}

/// The writes of fields that were looked at.
type ByField<'a> = BTreeMap<FieldNumber, Writes<'a>>;

impl<'a> Sight<'a> {
    /// Looks at a thing and the records that were joined to it.
    #[must_use]
    pub fn of(book: &'a Book<'a>, thing: ThingId) -> Self {
        let joined = book.site.joined(thing).into_iter().map(|second| second.id);
        Self::over(book, joined.chain([thing]).collect())
    }

    fn over(book: &'a Book<'a>, records: BTreeSet<ThingId>) -> Self {
        let about = records.iter().filter_map(|record| book.about.get(record));
        let places: BTreeSet<Place> = about.flatten().copied().collect();
        let entries = places.iter().map(|place| book.entries[place]);
        Self {
            book,
            entries: entries.collect(),
            records,
        }
    }

    /// Returns all that was said of the thing and its second records, or one field or observation
    /// of it, in the order of the stamps.
    #[must_use]
    pub fn lines(&self, only: Option<What>) -> Vec<Line<'a>> {
        let mut entries = self.entries.clone();
        entries.sort_by_key(|by| (by.stamp, by.place));
        let mut written = BTreeMap::new();
        let mut lines = Vec::new();
        for by in entries {
            let mut told: Vec<(What, &Value)> = Vec::new();
            for change in &by.placed.entry.changes {
                let Some((what, record, value, how)) = What::of(change) else {
                    continue;
                };
                let wanted = only.is_none_or(|only| only == what);
                // What is written of a joined thing is written of each of its records.
                if !wanted || !self.records.contains(&record) || told.contains(&(what, value)) {
                    continue;
                }
                let said = Said {
                    what,
                    value: value.clone(),
                    how,
                    by,
                };
                let mut line = self.line(said, record, &mut written);
                if told.is_empty() && !by.held_back && what != What::Field(any::REMOVED.number) {
                    line.removed_unseen = match removed::spoken_of(change) {
                        Some(_) => self.removals_unseen(by.place, &mut written),
                        None => Vec::new(),
                    };
                }
                told.push((what, value));
                lines.push(line);
            }
        }
        lines
    }

    fn line(&self, said: Said<'a>, record: ThingId, written: &mut ByField<'a>) -> Line<'a> {
        let said_by = said.by;
        let own = said_by.place;
        let (replaced, unseen) = match said.what {
            What::Field(field) => {
                let writes = self.writes(field, written);
                let replaced = writes.replaced(record, own);
                (replaced, self.unseen(writes, field, &said.value, own))
            }
            What::Seen(_) => (Vec::new(), Vec::new()),
        };
        Line {
            said,
            record,
            replaced,
            unseen,
            removed_unseen: Vec::new(),
            taken_back: match said_by.held_back {
                true => self.book.taken_back(own),
                false => None,
            },
        }
    }

    fn writes<'w>(&self, field: FieldNumber, written: &'w mut ByField<'a>) -> &'w Writes<'a> {
        let writes = written.entry(field);
        writes.or_insert_with(|| Writes::of(self, field))
    }

    /// Returns what the writer of an open write had seen and replaced, whichever record it was of.
    #[must_use]
    pub fn had_seen(&self, field: FieldNumber, own: Place) -> Vec<Said<'a>> {
        let writes = Writes::of(self, field);
        let record = writes.record_of(own);
        record.map_or_else(Vec::new, |record| writes.replaced(record, own))
    }

    /// Other values of a field, of any record, where neither writer had seen the other's; of a
    /// removal, the edits that did not know of it.
    fn unseen(
        &self,
        writes: &Writes<'a>,
        field: FieldNumber,
        value: &Value,
        own: Place,
    ) -> Vec<Said<'a>> {
        let mut unseen = writes.apart(own, |other| other != value);
        if field == any::REMOVED.number && *value == Value::Bool(true) {
            unseen.extend(self.edits_apart(own).into_iter().map(|by| Said {
                what: What::Field(field),
                value: Value::Bool(false),
                how: HowKnown::Unstated,
                by,
            }));
        }
        unseen
    }

    /// The removals of which the writer of an edit did not know, nor they of it.
    fn removals_unseen(&self, own: Place, written: &mut ByField<'a>) -> Vec<Said<'a>> {
        let removals = self.writes(any::REMOVED.number, written);
        removals.apart(own, |value| *value == Value::Bool(true))
    }

    /// The entries apart from a removal that speak of the thing as being there, the latest of
    /// each chain.
    fn edits_apart(&self, removal: Place) -> Vec<Written<'a>> {
        let of_this = |thing: &ThingId| self.records.contains(thing);
        let speaks = |by: &Written<'_>| {
            let mut spoken_of = by.entry.changes.iter().filter_map(removed::spoken_of);
            spoken_of.any(|(thing, other)| of_this(&thing) || other.iter().any(of_this))
        };
        let entries = self.counting().filter(speaks);
        let apart = entries.filter(|by| self.apart(removal, by.place));
        let latest: BTreeMap<_, _> = apart.map(|by| (by.place.chain, by)).collect();
        latest.into_values().collect()
    }

    /// The entries that count.
    fn counting(&self) -> impl Iterator<Item = Written<'a>> {
        let entries = self.entries.iter();
        entries.copied().filter(|by| !by.held_back)
    }

    fn apart(&self, one: Place, other: Place) -> bool {
        let saw = |by, other| self.book.knowledge.saw(by, other);
        one != other && !saw(one, other) && !saw(other, one)
    }
}
