//! The invented season: read from its files, with every value held against the table of fields.
//!
//! The files are part of the program, so that the demonstration needs nothing beside it. Their
//! format is told in `fixtures/README.md`. Ids come from a counter, so that two runs write the
//! same entries. Start at [`Scenario::load`].

mod lines;
mod names;

use chrono::NaiveDate;

use headwalk_core::log::entry::Draft;
use headwalk_core::log::id::LogbookId;
use headwalk_core::log::stamp::WallMs;

use crate::error::{Error, Kind};
use lines::{Line, Row};

use names::Names;

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
    /// The logbooks, by name, in the order in which they were begun.
    pub books: Vec<(String, LogbookId)>,
    /// What the table of fields would have asked about, and the people kept.
    pub asked: Vec<String>,
}

/// Something that happens on one device.
#[derive(Debug)]
pub struct Event {
    /// When, truly; the device's own clock may say otherwise.
    pub at: WallMs,
    /// On which device.
    pub on: DeviceName,
    /// What.
    pub act: Act,
}

/// What happens.
#[derive(Debug)]
pub enum Act {
    /// The device gets its store, and its place at the hub by a one-time code.
    Enrol {
        /// Who writes on it.
        by: String,
    },
    /// The device meets the hub.
    Exchange,
    /// From here on the device's clock is so many minutes ahead of the truth.
    PhoneClock {
        /// Below zero if it is behind.
        ahead_min: i64,
    },
    /// Somebody writes something down.
    Record(Vec<Draft>),
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
}

impl Scenario {
    /// Reads the season that is part of this program.
    ///
    /// # Errors
    /// The first line that does not read or does not fit the table of fields.
    pub fn load() -> Result<Self, Error> {
        Self::read(SEASON, &TABLES, WEATHER)
    }

    fn read(season: &str, tables: &[(&str, &str)], weather: &str) -> Result<Self, Error> {
        let mut reader = Reader {
            names: Names::default(),
            tables,
            weather,
            events: Vec::new(),
        };
        for (number, text) in (1..).zip(season.lines()) {
            let at = format!("season.jsonl, line {number}");
            let line = Line::parse(text).map_err(|why| broken(&at, why))?;
            reader.take(line).map_err(|why| broken(&at, why))?;
        }
        reader.events.sort_by_key(|event| event.at);
        Ok(Self {
            events: reader.events,
            books: reader.names.books().to_vec(),
            asked: reader.names.asked,
        })
    }
}

struct Reader<'t> {
    names: Names,
    tables: &'t [(&'t str, &'t str)],
    weather: &'t str,
    events: Vec<Event>,
}

impl Reader<'_> {
    fn take(&mut self, line: Line) -> Result<(), String> {
        let at = line.at();
        let (on, by) = (line.on, line.by.clone());
        let act = match line.does {
            lines::Does::Enrol => Act::Enrol { by },
            lines::Does::Exchange => Act::Exchange,
            lines::Does::SetPhoneClock { ahead_min } => Act::PhoneClock { ahead_min },
            lines::Does::Write(writing) => {
                let draft = self.names.draft(&writing, at, &by)?;
                Act::Record(vec![draft])
            }
            lines::Does::Import { file } => Act::Record(self.import(&file, at, &by)?),
            lines::Does::Weather { from, through } => {
                Act::Record(vec![self.weather(from, through, &by)?])
            }
        };
        self.events.push(Event { at, on, act });
        Ok(())
    }

    /// One draft a row, so that each thing has its own entry.
    fn import(&mut self, file: &str, at: WallMs, by: &str) -> Result<Vec<Draft>, String> {
        let table = self.tables.iter().find(|(name, _)| *name == file);
        let (_, text) = table.ok_or_else(|| format!("no table {file}"))?;
        let kind = match file {
            "valves.csv" => "valve",
            "zones.csv" => "zone",
            _ => "head",
        };
        let mut drafts = Vec::new();
        for row in lines::rows(text)? {
            let writing = row.writing(kind)?;
            let draft = self.names.draft(&writing, at, by);
            drafts.push(draft.map_err(|why| format!("{file}, {}: {why}", row.place))?);
        }
        Ok(drafts)
    }

    fn weather(&mut self, from: NaiveDate, through: NaiveDate, by: &str) -> Result<Draft, String> {
        let rows = lines::rows(self.weather)?;
        let days = rows.iter().filter(|row| {
            let date = row.cell("date").parse::<NaiveDate>();
            date.is_ok_and(|date| (from..=through).contains(&date))
        });
        let days: Vec<_> = days.map(Row::weather_day).collect();
        let expected = through.signed_duration_since(from).num_days() + 1;
        if i64::try_from(days.len()) != Ok(expected) {
            return Err(format!("{} days of weather, not {expected}", days.len()));
        }
        self.names.weather_draft(&days, by)
    }
}

fn broken(at: &str, why: String) -> Error {
    Error::new(Kind::Bug, format!("{at}: {why}"))
}

#[cfg(test)]
mod tests;
