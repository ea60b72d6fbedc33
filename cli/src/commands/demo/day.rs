//! The day's end: what the dispatcher's own store says once everybody has met the hub.
//!
//! Everything here is read out of that store; nothing is carried over from the scenario. What a
//! command of its own prints (two versions, the schedule, a history) is that command's output.

mod causes;
mod machines;
mod next;
mod open;
mod parts;
mod programs;
mod story;

use std::path::Path;
use std::sync::Arc;

use serde::Serialize;

use headwalk_core::log::id::LogbookId;
use headwalk_core::log::stamp::WallMs;
use headwalk_core::merge::replay::State;
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::things::Site;
use headwalk_core::store::Store;

use super::checked::Checked;
use super::fleet::Fleet;
use super::scenario::{DeviceName, Event, Scenario, UTC_OFFSET_MIN};
use super::shown::Shown;
use crate::error::Error;
use crate::logbook::state_of;
use crate::output::{Page, Report, counted};
use crate::roots::Roots;
use crate::told::rfc3339;

use causes::Causes;
use machines::Machines;
use next::Next;
use open::Open;
pub use programs::Programs;
use story::Story;

/// What the dispatcher reads before going home.
#[derive(Serialize)]
pub struct DayEnd {
    played: Played,
    date: String,
    sites: Vec<String>,
    /// Fields of the sites that stand in two versions.
    in_two_versions: usize,
    #[serde(flatten)]
    machines: Machines,
    #[serde(flatten)]
    open: Open,
    #[serde(flatten)]
    causes: Causes,
    story: Option<Story>,
    #[serde(flatten)]
    next: Next,
    #[serde(flatten)]
    extras: Option<Extras>,
}

/// What comes from commands of their own, once every store is closed.
#[derive(Serialize)]
pub struct Extras {
    /// Fields that stand in two versions.
    pub versions: Shown,
    /// What is wrong with the controllers' programs as they stand.
    #[serde(flatten)]
    pub programs: Programs,
    /// What one site's controller should run.
    pub schedule: Shown,
    /// The reasons of one of its zones.
    pub reasons: Shown,
    /// Whether the stores are what was written.
    pub checked: Checked,
}

/// What was played, and where.
#[derive(Serialize)]
pub struct Played {
    from: String,
    to: String,
    entries: u64,
    exchanges: usize,
    /// The folder that was kept, if one was.
    folder: Option<String>,
}

impl Played {
    /// Sums a season up.
    pub fn of(scenario: &Scenario, fleet: &Fleet, kept: Option<&Path>) -> Result<Self, Error> {
        let day = |event: Option<&Event>| {
            event.map_or_else(String::new, |event| {
                let date = event.at.date_at(UTC_OFFSET_MIN);
                date.format("%-d %B %Y").to_string()
            })
        };
        let desk = fleet.store(DeviceName::Desk);
        let mut entries = 0;
        for book in desk.logbooks()? {
            entries += desk.vector(book)?.entries();
        }
        Ok(Self {
            from: day(scenario.events.first()),
            to: day(scenario.events.last()),
            entries,
            exchanges: fleet.met.len(),
            folder: kept.map(|path| path.display().to_string()),
        })
    }
}

/// The logbook of one site, as the dispatcher's store holds it.
pub struct Book {
    /// Its name.
    pub name: String,
    /// Which.
    pub id: LogbookId,
    state: Arc<State>,
}

impl Book {
    /// Reads the logbooks of the sites, by name.
    pub fn sites(store: &Store) -> Result<Vec<Self>, Error> {
        let roots = Roots::of(store)?;
        let sites = roots.of_kind(ThingKind::Site).map(|root| {
            Ok(Self {
                name: root.name.clone(),
                id: root.id,
                state: state_of(store, root.id)?,
            })
        });
        sites.collect()
    }

    fn in_two_versions(&self) -> usize {
        let registers = self.state.registers();
        registers
            .filter(|(.., register)| register.stands_in_two_versions())
            .count()
    }

    /// Returns its things.
    pub fn site(&self) -> Site<'_> {
        Site::of(&self.state, self.id)
    }
}

impl DayEnd {
    /// Reads the end of the day on which `now` falls.
    pub fn read(
        fleet: &Fleet,
        played: Played,
        kept: Option<&Path>,
        now: WallMs,
    ) -> Result<Self, Error> {
        let store = fleet.store(DeviceName::Desk);
        let books = Book::sites(store)?;
        let date = now.date_at(UTC_OFFSET_MIN);
        Ok(Self {
            played,
            date: date.format("%A %-d %B %Y").to_string(),
            sites: books.iter().map(|book| book.name.clone()).collect(),
            in_two_versions: books.iter().map(Book::in_two_versions).sum(),
            machines: Machines::read(fleet, &books, date)?,
            open: Open::read(&books, date),
            causes: Causes::read(&books),
            story: Story::read(store, &books, date)?,
            next: Next::of(kept, &rfc3339(now, UTC_OFFSET_MIN)),
            extras: None,
        })
    }

    /// Returns the names of the sites.
    pub fn sites(&self) -> &[String] {
        &self.sites
    }

    /// Adds what other commands say.
    pub fn with(mut self, extras: Extras) -> Self {
        self.extras = Some(extras);
        self
    }
}

impl Report for DayEnd {
    fn write(&self, page: &mut Page) {
        let played = &self.played;
        page.line(format!(
            "{} to {} on a desk, two crews' phones and a hub: {}, {}.",
            played.from,
            played.to,
            counted(played.entries, "entry", "entries"),
            counted(played.exchanges as u64, "exchange", "exchanges"),
        ));
        page.line(
            "Firm, people, places and weather are invented; the stores and the hub are real.",
        );
        page.line("");
        page.line(format!("THE DAY'S END, {}", self.date));
        let counts = self.open.counts();
        let versions = counted(self.in_two_versions as u64, "field", "fields");
        page.line(format!(
            "{}; {}; {versions} in two versions; {}; {}.",
            counts.water,
            self.machines.count(),
            counts.unfinished,
            counts.to_quote
        ));
        page.line("");
        self.open.write_water(page);
        self.machines.write(page);
        if let Some(extras) = &self.extras {
            page.line("TWO VERSIONS TO CHOOSE FROM");
            extras.versions.write(page);
        }
        self.open.write_rest(page);
        self.causes.write(page);
        if let Some(story) = &self.story {
            story.write(page);
        }
        if let Some(extras) = &self.extras {
            extras.programs.write(page);
            page.line("WHAT ONE CONTROLLER SHOULD RUN");
            extras.schedule.write(page);
            extras.reasons.write(page);
        }
        self.open.write_cautions(page);
        if let Some(extras) = &self.extras {
            extras.checked.write(page);
        }
        self.next.write(page);
    }
}
