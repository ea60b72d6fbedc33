//! The files of the season as text: one JSON object a line, and tables with a heading row.

use std::collections::BTreeMap;

use chrono::{DateTime, FixedOffset, NaiveDate, NaiveDateTime};
use serde::Deserialize;

use headwalk_core::log::stamp::WallMs;
use headwalk_core::log::value::HowKnown;
use headwalk_core::site::kind::ThingKind;

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
    Weather {
        book: String,
        from: NaiveDate,
        through: NaiveDate,
    },
}

/// What is written of which things, as it was typed.
#[derive(Debug, Clone)]
pub struct Writing {
    /// Where it stands, for errors.
    pub place: String,
    /// The logbook, by name.
    pub book: String,
    /// The label of the visit.
    pub visit: Option<String>,
    /// How readings are known.
    pub how: HowKnown,
    // By the thing's label, by the name of a field or an observation.
    write: BTreeMap<String, BTreeMap<String, Typed>>,
}

/// What was typed for one field: once, or for an observation several times.
#[derive(Debug, Clone, Deserialize)]
#[serde(untagged)]
enum Typed {
    Once(String),
    Each(Vec<String>),
}

impl Typed {
    fn texts(&self) -> &[String] {
        match self {
            Self::Once(text) => std::slice::from_ref(text),
            Self::Each(texts) => texts,
        }
    }
}

impl Writing {
    /// Returns the labels of the things that it is about.
    pub fn labels(&self) -> impl Iterator<Item = &str> {
        self.write.keys().map(String::as_str)
    }

    /// Returns what is typed about a thing, by field or observation.
    pub fn fields(&self, label: &str) -> impl Iterator<Item = (&str, &[String])> {
        let fields = self.write.get(label).into_iter().flatten();
        fields.map(|(name, typed)| (name.as_str(), typed.texts()))
    }

    /// Returns what is typed for one field of a thing.
    pub fn typed(&self, label: &str, name: &str) -> &[String] {
        let typed = self.write.get(label).and_then(|fields| fields.get(name));
        typed.map_or(&[], Typed::texts)
    }

    /// Returns the labels of the things that begin here, and what each is.
    pub fn begins(&self) -> impl Iterator<Item = (&str, Result<ThingKind, String>)> {
        self.labels().filter_map(|label| {
            let word = self.typed(label, "kind").first()?;
            let kind = ThingKind::of_word(word);
            Some((label, kind.ok_or_else(|| format!("no kind `{word}`"))))
        })
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
    pub fn parse(place: &str, text: &str) -> Result<Self, String> {
        let raw: Raw = serde_json::from_str(text).map_err(|why| why.to_string())?;
        let by = raw.by.clone();
        let does = match &raw.act {
            None => Does::Write(raw.writing(place)?),
            Some(RawAct::Enrol) => Does::Enrol,
            Some(RawAct::Exchange) => Does::Exchange,
            Some(RawAct::Import) => Does::Import {
                file: needed(raw.file, "file")?,
            },
            Some(RawAct::Weather) => Does::Weather {
                book: needed(raw.book, "book")?,
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
    fn writing(&self, place: &str) -> Result<Writing, String> {
        Ok(Writing {
            place: place.to_owned(),
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
    place: String,
    cells: BTreeMap<String, String>,
}

/// Reads a table with a heading row.
pub fn rows(file: &str, text: &str) -> Result<Vec<Row>, String> {
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let rows = reader.deserialize().enumerate().map(|(at, row)| {
        let cells: BTreeMap<String, String> = row.map_err(|why: csv::Error| why.to_string())?;
        Ok(Row {
            place: format!("{file}, row {}", at + 2),
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
            place: self.place.clone(),
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
