//! The invented season, read from its files: who does what on which device, and when.
//!
//! The files are part of the program, so that the demonstration needs nothing beside it. Their
//! format is told in `fixtures/README.md`. What was typed is still text here: the writer's own
//! device holds it against the table of fields. Start at [`Scenario::load`].

mod lines;

use chrono::NaiveDate;

use headwalk_core::log::stamp::WallMs;

use crate::error::{Error, Kind};
pub use lines::Writing;
use lines::{Line, Row};

const SEASON: &str = include_str!("../../../../fixtures/demo/season.jsonl");
const TABLES: [(&str, &str); 3] = [
    (
        "valves.csv",
        include_str!("../../../../fixtures/demo/valves.csv"),
    ),
    (
        "zones.csv",
        include_str!("../../../../fixtures/demo/zones.csv"),
    ),
    (
        "heads.csv",
        include_str!("../../../../fixtures/demo/heads.csv"),
    ),
];
const WEATHER: &str = include_str!("../../../../fixtures/demo/weather.csv");

/// Minutes east of UTC in the town of the season, all summer long.
pub const UTC_OFFSET_MIN: i16 = -300;

/// Everything that happens, in the order in which it happens.
#[derive(Debug)]
pub struct Scenario {
    /// The events, by their true time.
    pub events: Vec<Event>,
}

/// Something that happens on one device.
#[derive(Debug)]
pub struct Event {
    /// When, truly; the device's own clock may say otherwise.
    pub at: WallMs,
    /// On which device.
    pub on: DeviceName,
    /// Who; nobody where a device does it by itself.
    pub by: String,
    /// What.
    pub act: Act,
}

/// What happens.
#[derive(Debug)]
pub enum Act {
    /// The device gets its store, and its place at the hub by a one-time code.
    Enrol,
    /// The device meets the hub.
    Exchange,
    /// From here on the device's clock is so many minutes ahead of the truth.
    PhoneClock {
        /// Below zero if it is behind.
        ahead_min: i64,
    },
    /// Somebody writes something down, line by line.
    Write(Vec<Writing>),
    /// Somebody takes in days of weather.
    Weather(Days),
}

/// Days of weather, each as it is typed.
#[derive(Debug)]
pub struct Days {
    /// The station's logbook, by name.
    pub station: String,
    /// Each day.
    pub days: Vec<String>,
}

/// A device of the firm.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DeviceName {
    /// The dispatcher's machine.
    Desk,
    /// The first crew's phone.
    #[serde(rename = "crew-1")]
    Crew1,
    /// The second crew's phone.
    #[serde(rename = "crew-2")]
    Crew2,
}

impl DeviceName {
    /// Every device.
    pub const ALL: [Self; 3] = [Self::Desk, Self::Crew1, Self::Crew2];

    /// Returns the word for it, as in the scenario.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Desk => "desk",
            Self::Crew1 => "crew-1",
            Self::Crew2 => "crew-2",
        }
    }

    /// Returns the name of its store's file.
    pub fn file(self) -> String {
        format!("{}.redb", self.word())
    }
}

impl Scenario {
    /// Reads the season that is part of this program.
    ///
    /// # Errors
    /// The first line that does not read.
    pub fn load() -> Result<Self, Error> {
        Self::read(SEASON, &TABLES, WEATHER)
    }

    /// Reads a season; tables by the names that its lines give them.
    ///
    /// # Errors
    /// The first line that does not read.
    pub fn read(season: &str, tables: &[(&str, &str)], weather: &str) -> Result<Self, Error> {
        let files = Files { tables, weather };
        let mut events = Vec::new();
        for (number, text) in (1..).zip(season.lines()) {
            let place = format!("season.jsonl, line {number}");
            let event = Line::parse(&place, text).and_then(|line| files.event(line));
            events.push(event.map_err(|why| broken(&place, &why))?);
        }
        events.sort_by_key(|event| event.at);
        Ok(Self { events })
    }
}

/// What the lines of a season refer to.
struct Files<'t> {
    tables: &'t [(&'t str, &'t str)],
    weather: &'t str,
}

impl Files<'_> {
    fn event(&self, line: Line) -> Result<Event, String> {
        let (at, on, by) = (line.at(), line.on, line.by);
        let act = match line.does {
            lines::Does::Enrol => Act::Enrol,
            lines::Does::Exchange => Act::Exchange,
            lines::Does::SetPhoneClock { ahead_min } => Act::PhoneClock { ahead_min },
            lines::Does::Write(writing) => Act::Write(vec![writing]),
            lines::Does::Import { file } => Act::Write(self.import(&file)?),
            lines::Does::Weather {
                book,
                from,
                through,
            } => Act::Weather(self.weather(book, from, through)?),
        };
        Ok(Event { at, on, by, act })
    }

    /// One line a row, so that each thing has its own entry.
    fn import(&self, file: &str) -> Result<Vec<Writing>, String> {
        let table = self.tables.iter().find(|(name, _)| *name == file);
        let (_, text) = table.ok_or_else(|| format!("no table {file}"))?;
        let kind = match file {
            "valves.csv" => "valve",
            "zones.csv" => "zone",
            _ => "head",
        };
        let rows = lines::rows(file, text)?;
        rows.iter().map(|row| row.writing(kind)).collect()
    }

    fn weather(
        &self,
        station: String,
        from: NaiveDate,
        through: NaiveDate,
    ) -> Result<Days, String> {
        let rows = lines::rows("weather.csv", self.weather)?;
        let days = rows.iter().filter(|row| {
            let date = row.cell("date").parse::<NaiveDate>();
            date.is_ok_and(|date| (from..=through).contains(&date))
        });
        let days: Vec<_> = days.map(Row::weather_day).collect();
        let expected = through.signed_duration_since(from).num_days() + 1;
        if i64::try_from(days.len()) != Ok(expected) {
            return Err(format!("{} days of weather, not {expected}", days.len()));
        }
        Ok(Days { station, days })
    }
}

/// Says where the season is wrong: our own mistake, since it is part of the program.
pub fn broken(place: &str, why: &str) -> Error {
    Error::new(Kind::Bug, format!("{place}: {why}"))
}

#[cfg(test)]
mod tests;
