//! Daily files of the Global Historical Climatology Network (GHCN-Daily, NOAA), as CSV.
//!
//! Two forms go round. One value a line, without a heading: station, day, element, value, and the
//! flags of measurement, quality and source. One day a line, with a heading: STATION, DATE and so
//! on, each element with its `_ATTRIBUTES`, which are the same three flags. Both count temperatures
//! in tenths of a degree Celsius, rain in tenths of a millimetre and wind in tenths of a metre a
//! second. The elements and their units are written from memory of the archive's readme.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use super::import::dashed;
use crate::error::Error;
use crate::output::counted;
use crate::table_file::{Column, Row, TableFile, read_text};

/// An element, the heading that it becomes, and how many of it are one.
const ELEMENTS: &[(&str, &str, f64)] = &[
    ("TMIN", "tmin_c", 10.0),
    ("TMAX", "tmax_c", 10.0),
    ("PRCP", "rain_mm", 10.0),
    ("AWND", "wind_m_s", 10.0),
    ("RHMN", "humidity_min_pct", 1.0),
    ("RHMX", "humidity_max_pct", 1.0),
    ("RHAV", "humidity_pct", 1.0),
    ("ADPT", "dewpoint_c", 10.0),
    ("TSUN", "sunshine_min", 1.0),
];

/// What stands for a value that is missing.
const MISSING: &str = "-9999";

/// One value of a station's day.
struct Reading {
    line: u64,
    station: String,
    date: String,
    element: usize,
    value: String,
    /// The letter of the check that it failed; blank where it failed none.
    quality: String,
}

/// Reads a file of either form as a table of days, and says what was left out of it.
///
/// # Errors
/// An input error where it is no such file, or holds several stations and nobody said which.
pub fn read(path: &Path, id: Option<&str>) -> Result<(TableFile, Option<String>), Error> {
    let text = read_text(path)?;
    let mut records = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .from_reader(text.as_bytes());
    let mut lines = Vec::new();
    for record in records.records() {
        let record = record.map_err(|error| {
            Error::input(format!("{} is not a table: {error}", path.display())).field("file")
        })?;
        let line = record.position().map_or(0, csv::Position::line);
        let cells: Vec<String> = record.iter().map(|cell| cell.trim().to_owned()).collect();
        lines.push((line, cells));
    }
    let is_heading = |cells: &[String]| cells.iter().any(|cell| cell == "DATE");
    let readings = match lines.split_first() {
        Some(((_, heading), days)) if is_heading(heading) => of_days(heading, days),
        _ => of_values(&lines),
    };
    let readings = readings.ok_or_else(|| {
        Error::input(format!("{} is no file of GHCN-Daily", path.display()))
            .field("file")
            .hint(
                "it has one value a line (station, day, element, value, flags), or a heading with \
                 STATION, DATE and elements such as TMIN.",
            )
    })?;
    let readings = one_station(readings, id)?;
    let (good, failed): (Vec<Reading>, Vec<Reading>) = readings
        .into_iter()
        .partition(|reading| reading.quality.is_empty());
    let left_out = (!failed.is_empty()).then(|| {
        format!(
            "{} failed the archive's own checks and {} left out, the first on {}",
            counted(failed.len() as u64, "value", "values"),
            if failed.len() == 1 { "was" } else { "were" },
            failed.first().map_or("", |reading| reading.date.as_str()),
        )
    });
    Ok((table(good), left_out))
}

/// One value a line.
fn of_values(lines: &[(u64, Vec<String>)]) -> Option<Vec<Reading>> {
    let mut readings = Vec::new();
    for (line, cells) in lines {
        let [station, date, element, value, rest @ ..] = cells.as_slice() else {
            return None;
        };
        let is_element = element.len() == 4 && element.chars().all(|c| c.is_ascii_alphanumeric());
        if !is_element {
            return None;
        }
        let Some(element) = ELEMENTS.iter().position(|(name, ..)| name == element) else {
            continue;
        };
        readings.push(Reading {
            line: *line,
            station: station.clone(),
            date: dashed(date)?,
            element,
            value: value.clone(),
            quality: rest.get(1).cloned().unwrap_or_default(),
        });
    }
    Some(readings)
}

/// One day a line.
fn of_days(heading: &[String], lines: &[(u64, Vec<String>)]) -> Option<Vec<Reading>> {
    let at = |name: &str| heading.iter().position(|heading| heading == name);
    let (station, date) = (at("STATION")?, at("DATE")?);
    let columns: Vec<(usize, usize, Option<usize>)> = ELEMENTS
        .iter()
        .enumerate()
        .filter_map(|(element, (name, ..))| {
            Some((element, at(name)?, at(&format!("{name}_ATTRIBUTES"))))
        })
        .collect();
    let mut readings = Vec::new();
    for (line, cells) in lines {
        let cell = |at: usize| cells.get(at).cloned().unwrap_or_default();
        for (element, value, flags) in &columns {
            let flags = flags.map(cell).unwrap_or_default();
            readings.push(Reading {
                line: *line,
                station: cell(station),
                date: dashed(&cell(date))?,
                element: *element,
                value: cell(*value),
                quality: flags
                    .split(',')
                    .nth(1)
                    .unwrap_or_default()
                    .trim()
                    .to_owned(),
            });
        }
    }
    Some(readings)
}

fn one_station(readings: Vec<Reading>, id: Option<&str>) -> Result<Vec<Reading>, Error> {
    let stations: BTreeSet<&str> = readings.iter().map(|reading| &*reading.station).collect();
    let known: Vec<&str> = stations.iter().copied().take(5).collect();
    match id {
        Some(id) if !stations.contains(id) => {
            Err(Error::input(format!("the file has no station `{id}`"))
                .field("id")
                .hint(format!("it has {}.", known.join(", "))))
        }
        None if stations.len() > 1 => Err(Error::input(format!(
            "the file holds {} stations",
            stations.len()
        ))
        .field("id")
        .hint(format!(
            "say which with --id, such as {}.",
            known.join(", ")
        ))),
        _ => Ok(readings
            .into_iter()
            .filter(|reading| id.is_none_or(|id| reading.station == id))
            .collect()),
    }
}

/// The readings as a table with a column for each element that there is.
fn table(readings: Vec<Reading>) -> TableFile {
    let elements: BTreeSet<usize> = readings.iter().map(|reading| reading.element).collect();
    let mut days: BTreeMap<String, (u64, BTreeMap<usize, String>)> = BTreeMap::new();
    for reading in readings {
        let (_, day) = days
            .entry(reading.date)
            .or_insert_with(|| (reading.line, BTreeMap::new()));
        if !reading.value.is_empty() && reading.value != MISSING {
            let of_one = ELEMENTS.get(reading.element).map_or(1.0, |(.., of)| *of);
            let value = reading.value.parse::<f64>();
            // What is no number is left as it is, for the table's own check to name it.
            let value = value.map_or(reading.value, |value| (value / of_one).to_string());
            day.insert(reading.element, value);
        }
    }
    let headings = elements.iter().filter_map(|element| ELEMENTS.get(*element));
    let headings = std::iter::once("date").chain(headings.map(|(_, heading, _)| *heading));
    let rows = days
        .into_iter()
        .filter(|(_, (_, values))| !values.is_empty());
    TableFile {
        columns: headings.map(Column::read).collect(),
        rows: rows
            .map(|(date, (line, values))| {
                let cells = elements.iter();
                let cells = cells.map(|element| values.get(element).cloned().unwrap_or_default());
                Row {
                    line,
                    cells: std::iter::once(date).chain(cells).collect(),
                }
            })
            .collect(),
    }
}
