//! Reads the published check tables in `fixtures/tables/`, for tests only.

use std::{collections::BTreeMap, path::Path};

/// One check: a line of a table.
pub(crate) struct Row {
    cells: BTreeMap<String, String>,
}

/// Returns every line of a table; panics on an empty one, so that no check passes unread.
pub(crate) fn rows(table: &str) -> Vec<Row> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../fixtures/tables")
        .join(table);
    rows_at(&path)
}

/// Returns every line of a comma-separated file with a header.
pub(crate) fn rows_at(path: &Path) -> Vec<Row> {
    let mut reader = csv::Reader::from_path(path).unwrap();
    let rows: Vec<Row> = reader
        .deserialize()
        .map(|cells| Row {
            cells: cells.unwrap(),
        })
        .collect();
    assert!(!rows.is_empty(), "{} has no checks", path.display());
    rows
}

impl Row {
    pub(crate) fn text(&self, column: &str) -> &str {
        let cell = self.cells.get(column);
        cell.unwrap_or_else(|| panic!("no column {column}"))
            .as_str()
    }

    /// The number in a column, or none where the cell is empty.
    pub(crate) fn find(&self, column: &str) -> Option<f64> {
        let cell = self.text(column);
        let number = || cell.parse().unwrap_or_else(|_| panic!("{column}: {cell}"));
        (!cell.is_empty()).then(number)
    }

    pub(crate) fn get(&self, column: &str) -> f64 {
        self.find(column)
            .unwrap_or_else(|| panic!("{} has no {column}", self.text("id")))
    }

    pub(crate) fn count(&self, column: &str) -> u32 {
        self.text(column).parse().unwrap()
    }

    /// Numbers separated by spaces.
    pub(crate) fn list(&self, column: &str) -> Vec<f64> {
        self.text(column)
            .split_whitespace()
            .map(|cell| cell.parse().unwrap())
            .collect()
    }

    /// Asserts a column, within half a unit of the last digit printed there.
    ///
    /// A cell `3.88~0.01` carries its own tolerance. An empty cell expects nothing.
    pub(crate) fn close(&self, column: &str, got: f64) {
        let cell = self.text(column);
        if cell.is_empty() {
            return;
        }
        let (printed, tolerance) = match cell.split_once('~') {
            Some((printed, tolerance)) => (printed, tolerance.parse().unwrap()),
            None => (cell, half_of_last_digit(cell)),
        };
        let what = format!("{} {column}", self.text("id"));
        close(&what, got, printed.parse().unwrap(), tolerance);
    }
}

/// Asserts that a value is within a tolerance of what a source says.
pub(crate) fn close(what: &str, got: f64, expected: f64, tolerance: f64) {
    // A hair more than the tolerance, so that a value exactly half a digit off still rounds.
    let slack = tolerance + 1e-9 * expected.abs();
    assert!(
        (got - expected).abs() <= slack,
        "{what}: got {got}, expected {expected} ±{tolerance}"
    );
}

/// Half a unit in the last place of a printed number: `0.82` gives 0.005.
fn half_of_last_digit(printed: &str) -> f64 {
    let decimals = printed
        .split_once('.')
        .map_or(0, |(_, digits)| digits.len());
    0.5 * 10f64.powi(-i32::try_from(decimals).unwrap())
}

#[test]
fn the_last_printed_digit_sets_the_tolerance() {
    assert_eq!(half_of_last_digit("0.82"), 0.005);
    assert_eq!(half_of_last_digit("13"), 0.5);
}
