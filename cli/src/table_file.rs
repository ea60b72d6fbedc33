//! A table in a CSV file: its columns with their units, its rows with their line numbers, and all
//! that is wrong with it, line by line.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use headwalk_core::site::unit::Unit;

use crate::error::{Error, Kind};
use crate::output::counted;

/// A table as it was read, every cell still text.
pub struct TableFile {
    /// The columns, in order.
    pub columns: Vec<Column>,
    /// The rows, in order; each has a cell for each column.
    pub rows: Vec<Row>,
}

/// One column.
#[derive(Debug, Clone, PartialEq)]
pub struct Column {
    /// The heading as it stands in the file.
    pub heading: String,
    /// Its name, in lower case with hyphens, without the unit.
    pub name: String,
    /// The unit of bare numbers in it: `area (sqft)`, `area_sqft`, `wind_m_s`.
    pub unit: Option<Unit>,
}

/// One row.
pub struct Row {
    /// The line in the file on which it begins.
    pub line: u64,
    /// Its cells.
    pub cells: Vec<String>,
}

/// What is wrong with a table: one sentence for each cell that is, by line.
#[derive(Default)]
pub struct Faults(BTreeSet<(u64, String)>);

impl TableFile {
    /// Reads a table.
    ///
    /// # Errors
    /// An input error where the file is not there, is no table, or has a row of another length
    /// than its heading.
    pub fn read(path: &Path) -> Result<Self, Error> {
        Self::of_text(&read_text(path)?, path)
    }

    /// Reads a table that was in this file.
    ///
    /// # Errors
    /// As [`Self::read`], but for a file that is not there.
    pub fn of_text(text: &str, path: &Path) -> Result<Self, Error> {
        let mut reader = csv::ReaderBuilder::new()
            .flexible(true)
            .from_reader(text.as_bytes());
        let headings = reader.headers().map_err(|error| no_table(path, &error))?;
        let columns: Vec<_> = headings.iter().map(Column::read).collect();
        let (mut rows, mut faults) = (Vec::new(), Faults::default());
        for record in reader.records() {
            let record = record.map_err(|error| no_table(path, &error))?;
            let line = record.position().map_or(0, csv::Position::line);
            if record.len() != columns.len() {
                let has = counted(record.len() as u64, "cell", "cells");
                let wants = columns.len();
                faults.line(line, &format!("it has {has}, and the heading has {wants}"));
                continue;
            }
            let cells = record.iter().map(|cell| cell.trim().to_owned()).collect();
            rows.push(Row { line, cells });
        }
        faults.none_or(path)?;
        Ok(Self { columns, rows })
    }

    /// Makes a table of rows from elsewhere, counted from one; short rows are filled up.
    pub fn of(headings: &[String], rows: Vec<Vec<String>>) -> Self {
        let columns: Vec<Column> = headings
            .iter()
            .map(|heading| Column::read(heading))
            .collect();
        let rows = (1..).zip(rows).map(|(line, mut cells)| {
            cells.resize(columns.len(), String::new());
            Row { line, cells }
        });
        let rows = rows.collect();
        Self { columns, rows }
    }

    /// Returns where the column of one of these names is.
    pub fn column(&self, names: &[&str]) -> Option<usize> {
        self.columns
            .iter()
            .position(|column| names.contains(&column.name.as_str()))
    }
}

impl Column {
    /// Takes a heading apart.
    pub fn read(heading: &str) -> Self {
        let plain = |name: &str| name.trim().to_lowercase().replace([' ', '_'], "-");
        let whole = Self {
            heading: heading.trim().to_owned(),
            name: plain(heading),
            unit: None,
        };
        let with_unit = |name: &str, unit: &str| {
            let unit =
                Unit::of_symbol(unit).or_else(|| Unit::of_symbol(&unit.replace('_', "/")))?;
            Some(Self {
                heading: whole.heading.clone(),
                name: plain(name),
                unit: Some(unit),
            })
        };
        if let Some((name, unit)) = heading
            .trim()
            .strip_suffix(')')
            .and_then(|h| h.split_once('('))
        {
            return with_unit(name, unit).unwrap_or(whole);
        }
        // The name is as short as it can be: `wind_m_s` is a wind in m/s.
        let parts = heading.match_indices('_');
        let mut parts = parts.filter_map(|(at, _)| heading.get(..at).zip(heading.get(at + 1..)));
        parts
            .find_map(|(name, unit)| with_unit(name, unit))
            .unwrap_or(whole)
    }

    /// Returns a cell with the column's unit behind it, if it is a bare number.
    pub fn with_unit(&self, cell: &str) -> String {
        match self.unit {
            Some(unit) if cell.parse::<f64>().is_ok() => format!("{cell} {unit}"),
            _ => cell.to_owned(),
        }
    }
}

impl Faults {
    /// Adds what is wrong with a column as a whole.
    pub fn column(&mut self, column: &Column, why: &str) {
        self.0
            .insert((1, format!("line 1, column `{}`: {why}", column.heading)));
    }

    /// Adds what is wrong with a cell.
    pub fn cell(&mut self, line: u64, column: &Column, why: &str) {
        self.0.insert((
            line,
            format!("line {line}, column `{}`: {why}", column.heading),
        ));
    }

    /// Adds what is wrong with a whole line.
    pub fn line(&mut self, line: u64, why: &str) {
        self.0.insert((line, format!("line {line}: {why}")));
    }

    /// Returns how many there are.
    pub fn count(&self) -> usize {
        self.0.len()
    }

    /// Ends the work if anything is wrong.
    ///
    /// # Errors
    /// An input error with all of them.
    pub fn none_or(self, path: &Path) -> Result<(), Error> {
        if self.0.is_empty() {
            return Ok(());
        }
        let message = format!("{} was not taken, not one line of it", path.display());
        Err(Error::input(message)
            .details(self.0.into_iter().map(|(_, fault)| fault).collect())
            .hint("mend these lines and import it again."))
    }
}

/// Reads a file of text.
///
/// # Errors
/// An input error where it is not there or no text, a machine's where it cannot be read.
pub fn read_text(path: &Path) -> Result<String, Error> {
    let text = fs::read_to_string(path).map_err(|error| unreadable(path, &error))?;
    // Some spreadsheets write a mark of byte order, which is no part of the first heading.
    Ok(match text.strip_prefix('\u{feff}') {
        Some(rest) => rest.to_owned(),
        None => text,
    })
}

fn unreadable(path: &Path, error: &std::io::Error) -> Error {
    let path = path.display();
    match error.kind() {
        std::io::ErrorKind::NotFound => {
            Error::input(format!("there is no file {path}")).field("file")
        }
        std::io::ErrorKind::InvalidData => Error::input(format!("{path} is not text in UTF-8"))
            .field("file")
            .hint("save it as CSV in UTF-8."),
        _ => Error::new(Kind::Machine, format!("{path} cannot be read: {error}")),
    }
}

fn no_table(path: &Path, error: &csv::Error) -> Error {
    Error::input(format!("{} is not a table: {error}", path.display()))
        .field("file")
        .hint("the first line names the columns; cells are parted by commas.")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_heading_names_its_unit_in_either_way() {
        let check = |heading: &str, name: &str, unit: Option<Unit>| {
            let column = Column::read(heading);
            assert_eq!(
                (column.name.as_str(), column.unit),
                (name, unit),
                "{heading}"
            );
        };
        check("area (sqft)", "area", Some(Unit::SquareFoot));
        check("area_sqft", "area", Some(Unit::SquareFoot));
        check("wind_m_s", "wind", Some(Unit::MetrePerSecond));
        check("humidity_min_pct", "humidity-min", Some(Unit::Percent));
        check("tmax_c", "tmax", Some(Unit::Celsius));
        check("Head Kind", "head-kind", None);
        check("head_kind", "head-kind", None);
        check("area (acres)", "area-(acres)", None);
    }

    #[test]
    fn only_bare_numbers_take_the_columns_unit() {
        let column = Column::read("area_sqft");
        assert_eq!(column.with_unit("850"), "850 ft²");
        assert_eq!(column.with_unit("80 m2"), "80 m2");
        assert_eq!(column.with_unit("not checked"), "not checked");
    }
}
