//! Labels to things: which thing of which logbook a line means, and the entry that it becomes.

use std::collections::BTreeMap;

use headwalk_core::log::entry::{Change, Draft};
use headwalk_core::log::id::{DeviceId, LogbookId, StoreId, ThingId};
use headwalk_core::log::stamp::WallMs;
use headwalk_core::log::value::HowKnown;
use headwalk_core::site::fields::{self, Recordable, Shape, seen};
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::unit::UnitSystem;

use super::UTC_OFFSET_MIN;
use super::lines::{Typed, Writing};

/// Ids that are the same in every run.
#[derive(Debug, Default)]
pub struct Ids {
    given: u64,
}

/// What stands in the place of chance in every id of the demonstration.
const INVENTED: [u8; 2] = [0xde, 0x30];

impl Ids {
    /// Begins with the ids after so many.
    pub const fn after(given: u64) -> Self {
        Self { given }
    }

    fn chance(&mut self) -> [u8; 10] {
        self.given += 1;
        let mut bytes = [0; 10];
        let (mark, count) = bytes.split_at_mut(2);
        mark.copy_from_slice(&INVENTED);
        count.copy_from_slice(&self.given.to_be_bytes());
        bytes
    }

    /// Gives the next thing's id.
    pub fn thing(&mut self, at: WallMs) -> ThingId {
        ThingId::fresh(at.get(), self.chance())
    }

    /// Gives the next logbook's id.
    pub fn logbook(&mut self, at: WallMs) -> LogbookId {
        LogbookId::fresh(at.get(), self.chance())
    }

    /// Gives the next device's id.
    pub fn device(&mut self, at: WallMs) -> DeviceId {
        DeviceId::fresh(at.get(), self.chance())
    }

    /// Gives the next store's id.
    pub fn store(&mut self, at: WallMs) -> StoreId {
        StoreId::fresh(at.get(), self.chance())
    }
}

/// Which label of which logbook is which thing.
#[derive(Debug, Default)]
pub struct Names {
    ids: Ids,
    books: Vec<(String, LogbookId)>,
    things: BTreeMap<(LogbookId, String), (ThingId, ThingKind)>,
    /// What was outside the usual, and was kept.
    pub asked: Vec<String>,
}

/// How a line names the thing that its logbook is about.
const ROOTS: [(&str, ThingKind); 3] = [
    ("site", ThingKind::Site),
    ("firm", ThingKind::Company),
    ("station", ThingKind::Station),
];

impl Names {
    /// Returns the logbooks, in the order in which they were begun.
    pub fn books(&self) -> &[(String, LogbookId)] {
        &self.books
    }

    /// Makes the entry of a line; things that it names for the first time get an id.
    pub fn draft(&mut self, writing: &Writing, at: WallMs, by: &str) -> Result<Draft, String> {
        let book = self.book(&writing.book, at);
        for (label, fields) in &writing.write {
            self.begin(book, label, fields.get("kind"), at)?;
        }
        let mut changes = Vec::new();
        for (label, fields) in &writing.write {
            let (thing, kind) = self.thing(book, label)?;
            if fields.contains_key("kind") && thing != ThingId::root(book) {
                changes.push(self.change(book, (thing, kind), "label", label, writing.how)?);
            }
            for (name, typed) in fields {
                for text in typed.texts() {
                    let change = self.change(book, (thing, kind), name, text, writing.how);
                    changes.push(change.map_err(|why| format!("{label}: {why}"))?);
                }
            }
        }
        let visit = writing.visit.as_ref();
        let visit = visit.map(|label| self.thing(book, label)).transpose()?;
        Ok(draft(book, by, visit.map(|(thing, _)| thing), changes))
    }

    /// Makes the entry that takes in days of weather.
    pub fn weather_draft(&mut self, days: &[String], by: &str) -> Result<Draft, String> {
        let stations = self.things.iter();
        let mut stations = stations.filter(|(_, (_, kind))| *kind == ThingKind::Station);
        let ((book, _), station) = stations.next().ok_or("no station")?;
        let (book, station) = (*book, *station);
        let name = seen::WEATHER_DAY.name;
        let changes = days
            .iter()
            .map(|day| self.change(book, station, name, day, HowKnown::Read))
            .collect::<Result<_, _>>()?;
        Ok(draft(book, by, None, changes))
    }

    fn book(&mut self, name: &str, at: WallMs) -> LogbookId {
        if let Some((_, book)) = self.books.iter().find(|(known, _)| known == name) {
            return *book;
        }
        let book = self.ids.logbook(at);
        self.books.push((name.to_owned(), book));
        book
    }

    /// Knows a thing from here on, if the line says what it is.
    fn begin(
        &mut self,
        book: LogbookId,
        label: &str,
        kind: Option<&Typed>,
        at: WallMs,
    ) -> Result<(), String> {
        let Some([kind]) = kind.map(Typed::texts) else {
            return Ok(());
        };
        let kind = ThingKind::of_word(kind).ok_or_else(|| format!("no kind `{kind}`"))?;
        let thing = match ROOTS.iter().find(|root| root.0 == label) {
            Some((_, root)) if *root == kind => ThingId::root(book),
            _ => self.ids.thing(at),
        };
        match self.things.insert((book, label.to_owned()), (thing, kind)) {
            None => Ok(()),
            Some(_) => Err(format!("`{label}` is there twice")),
        }
    }

    fn thing(&self, book: LogbookId, label: &str) -> Result<(ThingId, ThingKind), String> {
        let known = self.things.get(&(book, label.to_owned()));
        known
            .copied()
            .ok_or_else(|| format!("no `{label}` in this logbook yet"))
    }

    /// Makes one change of what was typed, by the table of fields.
    fn change(
        &mut self,
        book: LogbookId,
        (thing, kind): (ThingId, ThingKind),
        name: &str,
        text: &str,
        how: HowKnown,
    ) -> Result<Change, String> {
        let told = |error: fields::FieldError| error.to_string();
        let recordable = fields::recordable(kind, name).map_err(told)?;
        let parsed = match recordable {
            // A line names another thing by its label, the table takes an id.
            Recordable::Field(field) if matches!(field.shape, Shape::Thing(_)) => {
                let (other, _) = self.thing(book, text)?;
                field.parse(&other.to_string(), UnitSystem::Us)
            }
            Recordable::Field(field) => field.parse(text, UnitSystem::Us),
            Recordable::Observation(seen) => seen.parse(text, UnitSystem::Us),
        };
        let parsed = parsed.map_err(told)?;
        self.asked.extend(parsed.ask);
        let value = parsed.value;
        Ok(match recordable {
            Recordable::Field(field) => Change::Set {
                thing,
                field: field.number,
                value,
                how: HowKnown::Unstated,
            },
            Recordable::Observation(seen) => Change::Observe {
                thing,
                what: seen.number,
                value,
                how,
            },
        })
    }
}

fn draft(logbook: LogbookId, by: &str, visit: Option<ThingId>, changes: Vec<Change>) -> Draft {
    Draft {
        logbook,
        by: by.to_owned(),
        utc_offset_min: UTC_OFFSET_MIN,
        visit,
        changes,
    }
}
