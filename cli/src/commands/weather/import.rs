//! A table of a station's records, one a line, into the log: all of it or nothing.

use std::path::Path;

use serde::Serialize;

use headwalk_core::log::entry::{Change, Draft};
use headwalk_core::log::id::ThingId;
use headwalk_core::log::value::{HowKnown, Value};
use headwalk_core::site::fields::{FieldError, ObservationDef, Parsed, Part, Shape};
use headwalk_core::site::unit::UnitSystem;
use headwalk_core::store::Store;

use crate::call::Call;
use crate::error::Error;
use crate::output::{Page, Report, counted};
use crate::roots::Root;
use crate::table_file::{Column, Faults, Row, TableFile};

/// `{"file": .., "lines": N, "added": N, "as_before": N, "ask": [..]}`
#[derive(Serialize)]
pub struct Imported {
    file: String,
    lines: usize,
    added: usize,
    /// Lines that say what is recorded already.
    as_before: usize,
    pub ask: Vec<String>,
}

/// How many records one entry holds: a year of all readings is far below what an entry may be.
const RECORDS_AN_ENTRY: usize = 366;

/// Where a table goes.
pub struct Importing<'a> {
    pub file: &'a Path,
    pub store: &'a Store,
    pub root: &'a Root,
    pub call: &'a Call,
    /// What each line is.
    pub of: &'static ObservationDef,
    /// The key of a record with some value, for trying the other cells alone.
    pub example: &'static str,
    /// Its name.
    pub key: &'static str,
}

/// Gives columns the headings that the user says, and takes out those that are no readings.
pub fn renamed(table: TableFile, named: &[String], skip: &[String]) -> Result<TableFile, Error> {
    let TableFile { mut columns, rows } = table;
    for pair in named {
        let (heading, reading) = pair.split_once('=').ok_or_else(|| {
            Error::input(format!("`{pair}` does not say what a heading is"))
                .field("column")
                .hint("write it like precipitation=rain_mm.")
        })?;
        let column = columns
            .iter_mut()
            .find(|column| column.heading == heading.trim())
            .ok_or_else(|| no_heading("column", heading))?;
        let read = Column::read(reading);
        *column = Column {
            heading: column.heading.clone(),
            ..read
        };
    }
    for heading in skip {
        if !columns
            .iter()
            .any(|column| column.heading == heading.trim())
        {
            return Err(no_heading("skip", heading));
        }
    }
    let kept: Vec<bool> = columns
        .iter()
        .map(|column| !skip.iter().any(|skip| skip.trim() == column.heading))
        .collect();
    let keep = |at: usize| kept.get(at) == Some(&true);
    let columns = columns.into_iter().enumerate();
    let rows = rows.into_iter().map(|row| Row {
        line: row.line,
        cells: row
            .cells
            .into_iter()
            .enumerate()
            .filter(|(at, _)| keep(*at))
            .map(|(_, cell)| cell)
            .collect(),
    });
    Ok(TableFile {
        columns: columns
            .filter(|(at, _)| keep(*at))
            .map(|(_, column)| column)
            .collect(),
        rows: rows.collect(),
    })
}

fn no_heading(flag: &'static str, heading: &str) -> Error {
    Error::input(format!("the table has no column `{heading}`"))
        .field(flag)
        .hint("write the heading as it stands in the first line.")
}

impl Importing<'_> {
    /// Records every line that is not there already.
    pub fn take(
        &self,
        table: &TableFile,
        is_there: impl Fn(&Value) -> bool,
    ) -> Result<Imported, Error> {
        self.known_columns(table)?;
        let mut faults = Faults::default();
        let (mut changes, mut ask, mut as_before) = (Vec::new(), Vec::new(), 0);
        for row in &table.rows {
            let Some(parsed) = self.record_of(table, row, &mut faults) else {
                continue;
            };
            ask.extend(parsed.ask.map(|ask| format!("line {}: {ask}", row.line)));
            if is_there(&parsed.value) {
                as_before += 1;
            } else {
                changes.push(Change::Observe {
                    thing: ThingId::root(self.root.id),
                    what: self.of.number,
                    value: parsed.value,
                    how: HowKnown::Unstated,
                });
            }
        }
        faults.none_or(self.file)?;
        let added = changes.len();
        let by = self.call.by(self.store)?;
        let draft = |changes: &[Change]| Draft {
            logbook: self.root.id,
            by: by.clone(),
            utc_offset_min: self.call.now().utc_offset_min,
            visit: None,
            changes: changes.to_vec(),
        };
        let drafts: Vec<_> = changes.chunks(RECORDS_AN_ENTRY).map(draft).collect();
        if !drafts.is_empty() {
            self.store.record(&drafts, self.call.now().wall)?;
        }
        Ok(Imported {
            file: self.file.display().to_string(),
            lines: table.rows.len(),
            added,
            as_before,
            ask,
        })
    }

    /// Refuses a heading that names no reading, or a number without its unit.
    fn known_columns(&self, table: &TableFile) -> Result<(), Error> {
        let parts = parts_of(self.of);
        let names: Vec<_> = parts.iter().map(|part| part.name).collect();
        for column in &table.columns {
            let Some(part) = parts.iter().find(|part| part.name == column.name) else {
                return Err(
                    Error::input(format!("the column `{}` is no reading", column.heading))
                        .field(&*column.heading)
                        .hint(format!(
                            "the readings are {}; --column says which one it is, --skip leaves it \
                             out.",
                            names.join(", ")
                        )),
                );
            };
            if let (Shape::Quantity(quantity), None) = (part.shape, column.unit) {
                let heading = &column.heading;
                let with_unit = |system| {
                    let symbol = quantity.unit.in_system(system).symbol();
                    format!("`{heading} ({symbol})`")
                };
                let (us, si) = (with_unit(UnitSystem::Us), with_unit(UnitSystem::Si));
                return Err(
                    Error::input(format!("the column `{heading}` does not say its unit"))
                        .field(&**heading)
                        .hint(match us == si {
                            true => format!("call it {us}."),
                            false => format!("call it {us} or {si}."),
                        }),
                );
            }
        }
        Ok(())
    }

    /// Reads a line; what is wrong with it goes to the faults.
    fn record_of(&self, table: &TableFile, row: &Row, faults: &mut Faults) -> Option<Parsed> {
        let cells = table.columns.iter().zip(&row.cells);
        let cells: Vec<_> = cells.filter(|(_, cell)| !cell.is_empty()).collect();
        let said = |(column, cell): &(&Column, &String)| {
            let text = match column.name.as_str() {
                "date" => dashed(cell).unwrap_or_else(|| (*cell).clone()),
                _ => column.with_unit(cell),
            };
            format!("{}={text}", column.name)
        };
        let text: Vec<_> = cells.iter().map(said).collect();
        let parsed = |text: &str| self.of.parse(text, UnitSystem::Us);
        let error = match parsed(&text.join("; ")) {
            Ok(parsed) => return Some(parsed),
            Err(error) => error,
        };
        // Each cell is tried alone, so that every one that is wrong is named.
        let before = faults.count();
        for cell in &cells {
            let alone = if cell.0.name == self.key {
                said(cell)
            } else {
                format!("{}; {}", self.example, said(cell))
            };
            if let Err(error) = parsed(&alone) {
                faults.cell(row.line, cell.0, &self.plainly(&error, &cell.0.name));
            }
        }
        if faults.count() == before {
            faults.line(row.line, &self.plainly(&error, ""));
        }
        None
    }

    /// Says an error without repeating which record and which reading it is about.
    fn plainly(&self, error: &FieldError, reading: &str) -> String {
        let told = error.to_string();
        let told = told.strip_prefix(&self.of.title()).unwrap_or(&told);
        let told = told.trim_start_matches([':', ' ']);
        let told = told.strip_prefix(reading).unwrap_or(told);
        told.trim_start_matches([':', ' ']).to_owned()
    }
}

/// A day written with strokes, or with nothing between its digits, as the table of days writes it.
pub fn dashed(date: &str) -> Option<String> {
    let digits: String = date.chars().filter(char::is_ascii_digit).collect();
    let others = date.chars().filter(|c| !c.is_ascii_digit());
    let (year, rest) = digits.split_at_checked(4)?;
    let (month, day) = rest.split_at_checked(2)?;
    let year_first = date.starts_with(year);
    let plain = others.clone().all(|c| c == '/' || c == '-');
    (day.len() == 2 && year_first && plain).then(|| format!("{year}-{month}-{day}"))
}

/// The parts of a kind of record.
pub fn parts_of(of: &ObservationDef) -> &'static [Part] {
    match of.shape {
        Shape::Record(parts) => parts,
        _ => &[],
    }
}

impl Report for Imported {
    fn write(&self, page: &mut Page) {
        let lines = counted(self.lines as u64, "line", "lines");
        let Self {
            file,
            added,
            as_before,
            ..
        } = self;
        page.line(format!(
            "{lines} of {file}: {added} added, {as_before} as before."
        ));
        for ask in &self.ask {
            page.line(format!("Please check: {ask}"));
        }
    }
}
