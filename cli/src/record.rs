//! Changes into the log, and the report of what was recorded.

use serde::Serialize;
use serde_json::Value as Json;

use headwalk_core::log::entry::{Change, Draft};
use headwalk_core::log::id::{LogbookId, ThingId};
use headwalk_core::merge::replay::State;
use headwalk_core::site::apart::joined;
use headwalk_core::site::things::Site;
use headwalk_core::site::unit::UnitSystem;
use headwalk_core::store::Store;

use crate::call::Call;
use crate::error::Error;
use crate::logbook::state_of;
use crate::output::{Page, Report};
use crate::roots::Root;
use crate::said::{Saying, What, called};
use crate::told;

/// The name under which a store keeps the open visit: logbook and visit, with a blank between.
const VISIT: &str = "visit";

/// What was recorded, on disk.
#[derive(Debug, Serialize)]
pub struct Recorded {
    /// The logbook.
    pub logbook: String,
    /// Its name.
    pub site: String,
    /// The thing that it is about.
    pub thing: String,
    /// What that is called.
    pub name: String,
    pub by: String,
    /// When, in RFC 3339.
    pub at: String,
    /// Which entry: the device, and its number among that device's entries.
    pub entry: EntryJson,
    /// The visit during which it was recorded.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub visit: Option<String>,
    pub changes: Vec<Line>,
    /// What to look at once more: values that are possible but not usual.
    pub ask: Vec<String>,
}

/// Which entry.
#[derive(Debug, Serialize)]
pub struct EntryJson {
    pub device: String,
    pub seq: u64,
}

/// One change.
#[derive(Debug, Serialize)]
pub struct Line {
    /// The field or observation.
    pub what: String,
    pub value: Json,
    /// The value that was in force before, if there was one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub was: Option<Json>,
    #[serde(skip)]
    shown: String,
}

/// Changes to one logbook that land together, as one entry.
pub struct Action {
    /// The thing that they are about.
    pub about: ThingId,
    /// The changes.
    pub changes: Vec<Change>,
    /// What to ask the person once.
    pub ask: Vec<String>,
}

/// Records one action, and says what it changed.
pub fn record(call: &Call, store: &Store, root: &Root, action: Action) -> Result<Recorded, Error> {
    let recorded = record_all(call, store, root, vec![action])?;
    Ok(recorded
        .into_iter()
        .next()
        .expect("one action makes one entry"))
}

/// Records several actions, each as its own entry: all of them or none.
pub fn record_all(
    call: &Call,
    store: &Store,
    root: &Root,
    actions: Vec<Action>,
) -> Result<Vec<Recorded>, Error> {
    let now = call.now();
    let (by, visit) = (call.by(store)?, open_visit(store, root)?);
    let before = state_of(store, root.id)?;
    let site_before = Site::of(&before, root.id);
    let draft = |action: &Action| Draft {
        logbook: root.id,
        by: by.clone(),
        utc_offset_min: now.utc_offset_min,
        visit,
        changes: joined::of_every_record(&site_before, &action.changes),
    };
    let drafts: Vec<_> = actions.iter().map(draft).collect();
    let places = store.record(&drafts, now.wall)?;
    let after = state_of(store, root.id)?;
    let site = Site::of(&after, root.id);
    let recorded = actions
        .into_iter()
        .zip(places)
        .map(|(action, placed)| Recorded {
            logbook: root.id.to_string(),
            site: root.name.clone(),
            thing: action.about.to_string(),
            name: called(&site, action.about),
            by: by.clone(),
            at: told::rfc3339(placed.stamp.wall(), now.utc_offset_min),
            entry: EntryJson {
                device: store.device().to_string(),
                seq: placed.place.seq.get(),
            },
            visit: visit.map(|visit| visit.to_string()),
            changes: Line::all(&action, &before, &site, call.units()),
            ask: action.ask,
        });
    Ok(recorded.collect())
}

/// Returns the visit that is going on here, if it is one of this site.
pub fn open_visit(store: &Store, root: &Root) -> Result<Option<ThingId>, Error> {
    Ok(visit_anywhere(store)?.and_then(|(logbook, visit)| (logbook == root.id).then_some(visit)))
}

/// Returns the visit that is going on here, and its logbook.
pub fn visit_anywhere(store: &Store) -> Result<Option<(LogbookId, ThingId)>, Error> {
    let Some(kept) = store.setting(VISIT)? else {
        return Ok(None);
    };
    let ids = kept.split_once(' ');
    Ok(ids.and_then(|(logbook, visit)| Some((logbook.parse().ok()?, visit.parse().ok()?))))
}

/// Keeps which visit is going on here; none ends it.
pub fn keep_visit(store: &Store, visit: Option<(&Root, ThingId)>) -> Result<(), Error> {
    let kept = visit.map_or_else(String::new, |(root, visit)| format!("{} {visit}", root.id));
    Ok(store.keep_settings(&[(VISIT, &kept)])?)
}

impl Line {
    fn all(action: &Action, before: &State, site: &Site<'_>, system: UnitSystem) -> Vec<Self> {
        let line = |change: &Change| {
            let (what, thing, value, _) = What::of(change)?;
            let was = match what {
                What::Field(field) => before.value(thing, field),
                What::Seen(_) => None,
            };
            let whose = if thing == action.about {
                String::new()
            } else {
                format!("{} ", called(site, thing))
            };
            let shown = what.show(site, value, system);
            let replaced = was.filter(|was| *was != value);
            let replaced = replaced.map(|was| format!(" (was {})", what.show(site, was, system)));
            Some(Self {
                what: what.name(),
                value: what.json(value),
                was: was.map(|was| what.json(was)),
                shown: format!(
                    "{whose}{} {shown}{}",
                    what.name(),
                    replaced.unwrap_or_default()
                ),
            })
        };
        action.changes.iter().filter_map(line).collect()
    }
}

impl Recorded {
    /// Writes it as something new: what was said about it, without how it stands in the log.
    pub fn write_added(&self, page: &mut Page) {
        let plumbing = ["kind", "part-of", "order", "label", "number"];
        let said = self
            .changes
            .iter()
            .filter(|line| !plumbing.contains(&line.what.as_str()));
        let said: Vec<_> = said.map(|line| line.shown.as_str()).collect();
        let said = if said.is_empty() {
            String::new()
        } else {
            format!(": {}", said.join(", "))
        };
        page.line(format!("Added {} at {}{said}.", self.name, self.site));
        self.write_asks(page);
    }

    fn write_asks(&self, page: &mut Page) {
        for ask in &self.ask {
            page.line(format!("Please check: {ask}"));
        }
    }
}

impl Report for Recorded {
    fn write(&self, page: &mut Page) {
        let changes: Vec<_> = self
            .changes
            .iter()
            .map(|line| line.shown.as_str())
            .collect();
        page.line(format!(
            "{} at {}: {}.",
            self.name,
            self.site,
            changes.join(", ")
        ));
        self.write_asks(page);
    }
}
