//! What somebody typed becomes entries: by the same builders as `headwalk add` and `note`, held
//! against what the writer's own device knows at that moment.

use std::collections::BTreeMap;

use headwalk_core::log::entry::{Change, Draft};
use headwalk_core::log::id::{DeviceId, LogbookId, ThingId};
use headwalk_core::log::stamp::WallMs;
use headwalk_core::log::value::HowKnown;
use headwalk_core::site::fields::{self, FieldDef, Recordable, Shape, seen};
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::things::{NewThing, Site};
use headwalk_core::site::unit::UnitSystem;
use headwalk_core::store::Store;

use super::ids::Ids;
use super::scenario::{Days, UTC_OFFSET_MIN, Writing, broken};
use crate::error::Error;

/// Who writes, and when.
#[derive(Debug, Clone, Copy)]
pub struct Pen<'p> {
    /// The person.
    pub by: &'p str,
    /// The true time, which ids are made of.
    pub at: WallMs,
    /// The time by the device's clock.
    pub now: WallMs,
}

/// Writes lines of the season into stores.
#[derive(Debug, Default)]
pub struct Writer {
    /// Gives ids that are the same in every run.
    pub ids: Ids,
    /// The logbooks, by name, in the order in which they were begun.
    pub books: Vec<(String, LogbookId)>,
    /// What was outside the usual, asked about once, and kept.
    pub asked: Vec<String>,
    /// The devices that are enrolled, by the word for each.
    pub devices: BTreeMap<&'static str, DeviceId>,
}

/// What a batch begins: which label is which thing.
type Begun = BTreeMap<String, (ThingId, ThingKind)>;

impl Writer {
    /// Writes lines in a store, those of one logbook at a time: first the things that are new,
    /// then what is noted about them and about others.
    ///
    /// # Errors
    /// The line and what is wrong with it, or a store that fails.
    pub fn write(&mut self, store: &Store, lines: &[Writing], pen: Pen<'_>) -> Result<(), Error> {
        for lines in lines.chunk_by(|one, next| one.book == next.book) {
            let Some(first) = lines.first() else { continue };
            let book = self.book(&first.book, pen.at);
            let mut begun = Begun::new();
            let drafts = self.beginnings(store, book, lines, pen, &mut begun)?;
            store.record(&drafts, pen.now)?;
            let drafts = self.notes(store, book, lines, pen, &begun)?;
            store.record(&drafts, pen.now)?;
        }
        Ok(())
    }

    /// Writes days of weather in the station's logbook.
    ///
    /// # Errors
    /// The day and what is wrong with it, or a store that fails.
    pub fn weather(&mut self, store: &Store, days: &Days, pen: Pen<'_>) -> Result<(), Error> {
        let book = self.book(&days.station, pen.at);
        let state = store.state(book)?;
        let site = Site::of(&state, book);
        let mut changes = Vec::new();
        for day in &days.days {
            let name = seen::WEATHER_DAY.name;
            let noted = site.note(site.root(), name, day, HowKnown::Read, UnitSystem::Us);
            let noted = noted.map_err(|why| broken("weather.csv", &why.to_string()))?;
            self.asked.extend(noted.ask);
            changes.push(noted.change);
        }
        store.record(&[draft(book, pen, None, changes)], pen.now)?;
        Ok(())
    }

    fn book(&mut self, name: &str, at: WallMs) -> LogbookId {
        if let Some((_, book)) = self.books.iter().find(|(known, _)| known == name) {
            return *book;
        }
        let book = self.ids.logbook(at);
        self.books.push((name.to_owned(), book));
        book
    }

    /// An entry for each line that begins something, with the fields of what it begins.
    fn beginnings(
        &mut self,
        store: &Store,
        book: LogbookId,
        lines: &[Writing],
        pen: Pen<'_>,
        begun: &mut Begun,
    ) -> Result<Vec<Draft>, Error> {
        let state = store.state(book)?;
        let site = Site::of(&state, book);
        let mut drafts = Vec::new();
        for line in lines {
            let told = |why: String| broken(&line.place, &why);
            let mut changes = Vec::new();
            for (label, kind) in line.begins() {
                let kind = kind.map_err(told)?;
                let root = matches!(
                    kind,
                    ThingKind::Site | ThingKind::Company | ThingKind::Station
                );
                let id = if root {
                    ThingId::root(book)
                } else {
                    self.ids.thing(pen.at)
                };
                begun.insert(label.to_owned(), (id, kind));
            }
            for (label, _) in line.begins() {
                let new = self.new_thing(&site, line, label, begun).map_err(told)?;
                self.asked.extend_from_slice(new.asks());
                changes.extend(new.changes());
            }
            if !changes.is_empty() {
                let visit = visit(&site, line, begun).map_err(told)?;
                drafts.push(draft(book, pen, visit, changes));
            }
        }
        Ok(drafts)
    }

    fn new_thing(
        &self,
        site: &Site<'_>,
        line: &Writing,
        label: &str,
        begun: &Begun,
    ) -> Result<NewThing, String> {
        let (id, kind) = *begun.get(label).ok_or("it begins nothing")?;
        let whole = line.typed(label, "part-of").first();
        let mut new = match whole {
            None => NewThing::new(id, kind),
            Some(whole) => {
                let new = site.add(id, kind, meant(site, begun, whole)?);
                new.label(label)
            }
        };
        for (name, texts) in line.fields(label) {
            if matches!(name, "kind" | "part-of") {
                continue;
            }
            let Some(field) = fields::field(kind, name) else {
                continue; // observations are noted once the thing is there
            };
            for text in texts {
                let text = self.with_id(field, site, begun, text)?;
                let said = new.say(name, &text, UnitSystem::Us);
                new = said.map_err(|why| format!("{label}: {why}"))?;
            }
        }
        Ok(new)
    }

    /// Puts an id in the place of a label where a field names another thing, or a device.
    fn with_id(
        &self,
        field: &FieldDef,
        site: &Site<'_>,
        begun: &Begun,
        text: &str,
    ) -> Result<String, String> {
        if field.number == fields::device::DEVICE_ID.number {
            let device = self.devices.get(text);
            let device = device.ok_or_else(|| format!("no device `{text}` is enrolled"))?;
            return Ok(device.to_string());
        }
        match field.shape {
            Shape::Thing(_) => Ok(meant(site, begun, text)?.to_string()),
            _ => Ok(text.to_owned()),
        }
    }

    /// An entry for each line that notes something.
    fn notes(
        &mut self,
        store: &Store,
        book: LogbookId,
        lines: &[Writing],
        pen: Pen<'_>,
        begun: &Begun,
    ) -> Result<Vec<Draft>, Error> {
        let state = store.state(book)?;
        let site = Site::of(&state, book);
        let mut drafts = Vec::new();
        for line in lines {
            let told = |why: String| broken(&line.place, &why);
            let mut changes = Vec::new();
            for label in line.labels() {
                let id = meant(&site, begun, label).map_err(told)?;
                let thing = site
                    .thing(id)
                    .ok_or_else(|| told(format!("no `{label}`")))?;
                for (name, texts) in line.fields(label) {
                    let observed = |kind| {
                        let what = fields::recordable(kind, name);
                        matches!(what, Ok(Recordable::Observation(_)))
                    };
                    if begun.contains_key(label) && !thing.kind.is_some_and(observed) {
                        known(thing.kind, name).map_err(told)?;
                        continue; // that was said as it began
                    }
                    for text in texts {
                        let noted = site.note(thing, name, text, line.how, UnitSystem::Us);
                        let noted = noted.map_err(|why| told(format!("{label}: {why}")))?;
                        self.asked.extend(noted.ask);
                        changes.push(noted.change);
                    }
                }
            }
            if !changes.is_empty() {
                let visit = visit(&site, line, begun).map_err(told)?;
                drafts.push(draft(book, pen, visit, changes));
            }
        }
        Ok(drafts)
    }
}

/// Refuses a name that stands neither for a field nor for an observation.
fn known(kind: Option<ThingKind>, name: &str) -> Result<(), String> {
    let kind = kind.ok_or("a thing without a kind")?;
    fields::recordable(kind, name)
        .map(drop)
        .map_err(|why| why.to_string())
}

/// Returns the thing that a label means: one of this line, or one that the store holds.
fn meant(site: &Site<'_>, begun: &Begun, label: &str) -> Result<ThingId, String> {
    if let Some((id, _)) = begun.get(label) {
        return Ok(*id);
    }
    let found = site.find(label).map_err(|why| why.to_string())?;
    Ok(found.id)
}

fn visit(site: &Site<'_>, line: &Writing, begun: &Begun) -> Result<Option<ThingId>, String> {
    let visit = line.visit.as_ref();
    visit.map(|label| meant(site, begun, label)).transpose()
}

fn draft(book: LogbookId, pen: Pen<'_>, visit: Option<ThingId>, changes: Vec<Change>) -> Draft {
    Draft {
        logbook: book,
        by: pen.by.to_owned(),
        utc_offset_min: UTC_OFFSET_MIN,
        visit,
        changes,
    }
}

#[cfg(test)]
mod tests;
