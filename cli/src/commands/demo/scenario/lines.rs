//! The files of the season as text: one JSON object a line, and tables with a heading row.

use std::collections::BTreeMap;

use chrono::{DateTime, FixedOffset, NaiveDate, NaiveDateTime};
use serde::Deserialize;

use headwalk_core::log::stamp::WallMs;
use headwalk_core::log::value::HowKnown;

use super::{DeviceName, UTC_OFFSET_MIN};

/// One line of the season.
#[derive(Debug)]
pub struct Line {
    at: DateTime<FixedOffset>,
    /// On which device.
    pub on: DeviceName,
    /// Who.
    pub by: String,
    /// What they do.
    pub does: Does,
}

/// What somebody does.
#[derive(Debug)]
pub enum Does {
    /// Enrols the device.
    Enrol,
    /// Exchanges with the hub.
    Exchange,
    /// Lets the phone's clock go wrong.
    SetPhoneClock { ahead_min: i64 },
    /// Writes one entry.
    Write(Writing),
    /// Takes in a table.
    Import { file: String },
    /// Takes in days of weather.
    Weather { from: NaiveDate, through: NaiveDate },
}

/// One entry to be: what is written of which things.
#[derive(Debug, Clone)]
pub struct Writing {
    /// The logbook, by name.
    pub book: String,
    /// The label of the visit.
    pub visit: Option<String>,
    /// How readings are known.
    pub how: HowKnown,
    /// By the thing's label, by the name of a field or an observation: what was typed.
    pub write: BTreeMap<String, BTreeMap<String, Typed>>,
}

/// What was typed for one field: once, or for an observation several times.
#[derive(Debug, Clone, Deserialize)]
#[serde(untagged)]
pub enum Typed {
    /// Once.
    Once(String),
    /// Several times.
    Each(Vec<String>),
}

impl Typed {
    /// Returns every text.
    pub fn texts(&self) -> &[String] {
        match self {
            Self::Once(text) => std::slice::from_ref(text),
            Self::Each(texts) => texts,
        }
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Raw {
    at: String,
    on: DeviceName,
    by: Option<String>,
    #[serde(rename = "do")]
    act: Option<RawAct>,
    book: Option<String>,
    visit: Option<String>,
    how: Option<RawHow>,
    write: Option<BTreeMap<String, BTreeMap<String, Typed>>>,
    file: Option<String>,
    from: Option<String>,
    through: Option<String>,
    minutes: Option<i64>,
}

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case")]
enum RawAct {
    Enrol,
    Exchange,
    Import,
    Weather,
    SetPhoneClock,
}

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case")]
enum RawHow {
    Measured,
    Read,
    Estimated,
}

impl Line {
    /// Reads one line; the error says what is missing or wrong.
    pub fn parse(text: &str) -> Result<Self, String> {
        let raw: Raw = serde_json::from_str(text).map_err(|why| why.to_string())?;
        let by = raw.by.clone();
        let does = match &raw.act {
            None => Does::Write(raw.writing()?),
            Some(RawAct::Enrol) => Does::Enrol,
            Some(RawAct::Exchange) => Does::Exchange,
            Some(RawAct::Import) => Does::Import {
                file: needed(raw.file, "file")?,
            },
            Some(RawAct::Weather) => Does::Weather {
                from: day(&needed(raw.from, "from")?)?,
                through: day(&needed(raw.through, "through")?)?,
            },
            Some(RawAct::SetPhoneClock) => Does::SetPhoneClock {
                ahead_min: needed(raw.minutes, "minutes")?,
            },
        };
        let anybody = matches!(does, Does::Exchange | Does::SetPhoneClock { .. });
        Ok(Self {
            at: moment(&raw.at)?,
            on: raw.on,
            by: if anybody {
                String::new()
            } else {
                needed(by, "by")?
            },
            does,
        })
    }

    /// Returns when, truly.
    pub fn at(&self) -> WallMs {
        WallMs::new(u64::try_from(self.at.timestamp_millis()).unwrap_or(0))
    }
}

impl Raw {
    fn writing(&self) -> Result<Writing, String> {
        Ok(Writing {
            book: needed(self.book.clone(), "book")?,
            visit: self.visit.clone(),
            how: match self.how {
                None => HowKnown::Unstated,
                Some(RawHow::Measured) => HowKnown::Measured,
                Some(RawHow::Read) => HowKnown::Read,
                Some(RawHow::Estimated) => HowKnown::Estimated,
            },
            write: needed(self.write.clone(), "write")?,
        })
    }
}

fn needed<T>(part: Option<T>, name: &str) -> Result<T, String> {
    part.ok_or_else(|| format!("`{name}` is missing"))
}

fn day(text: &str) -> Result<NaiveDate, String> {
    text.parse()
        .map_err(|_| format!("`{text}` is not a day such as 2026-07-14"))
}

/// Reads `2026-07-14 07:30`, on the clocks of the town.
fn moment(text: &str) -> Result<DateTime<FixedOffset>, String> {
    let told = NaiveDateTime::parse_from_str(text, "%Y-%m-%d %H:%M");
    let offset = FixedOffset::east_opt(i32::from(UTC_OFFSET_MIN) * 60).expect("less than a day");
    told.ok()
        .and_then(|told| told.and_local_timezone(offset).single())
        .ok_or_else(|| format!("`{text}` is not a moment such as 2026-07-14 07:30"))
}

/// One row of a table, by the words of its heading.
#[derive(Debug)]
pub struct Row {
    /// Which row, for errors.
    pub place: String,
    cells: BTreeMap<String, String>,
}

/// Reads a table with a heading row.
pub fn rows(text: &str) -> Result<Vec<Row>, String> {
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let rows = reader.deserialize().enumerate().map(|(at, row)| {
        let cells: BTreeMap<String, String> = row.map_err(|why: csv::Error| why.to_string())?;
        Ok(Row {
            place: format!("row {}", at + 2),
            cells,
        })
    });
    rows.collect()
}

impl Row {
    /// Returns a cell, empty where there is none.
    pub fn cell(&self, name: &str) -> &str {
        self.cells.get(name).map_or("", String::as_str)
    }

    /// Returns the row as a thing to write down: its site, its label, and a field for each cell
    /// that is not empty.
    pub fn writing(&self, kind: &str) -> Result<Writing, String> {
        let fields = self
            .cells
            .iter()
            .filter(|(name, cell)| !matches!(name.as_str(), "site" | "label") && !cell.is_empty());
        let fields = fields.map(|(name, cell)| (name.clone(), Typed::Once(cell.clone())));
        let kind = ("kind".to_owned(), Typed::Once(kind.to_owned()));
        let label = needed(self.cells.get("label").cloned(), "label")?;
        Ok(Writing {
            book: self.cell("site").to_owned(),
            visit: None,
            how: HowKnown::Unstated,
            write: BTreeMap::from([(label, fields.chain([kind]).collect())]),
        })
    }

    /// Returns a day of weather as it is typed.
    pub fn weather_day(&self) -> String {
        let cell = |name| self.cell(name);
        format!(
            "date={}; tmin={} C; tmax={} C; rain={} mm; wind={} m/s; humidity={}%",
            cell("date"),
            cell("tmin_c"),
            cell("tmax_c"),
            cell("rain_mm"),
            cell("wind_m_s"),
            cell("humidity_pct")
        )
    }
}
