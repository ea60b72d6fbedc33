//! The only place that prints: text for people, or one JSON document with `--json`.
//!
//! Results go to standard output. An error goes to standard error as `Error:` and `Hint:`; with
//! `--json` it is also the document on standard output, so that whoever reads that stream always
//! finds exactly one: `{"error": .., "kind": .., "details": [..], "hint": .., "field": ..}`, the
//! last three only where there are any.

use std::env;
use std::io::{self, Write};
use std::process;

use serde::Serialize;

use crate::error::{Error, Kind};

/// What a command found or did: the same values for people and, as JSON, for programs.
pub trait Report: Serialize {
    /// Writes it for people.
    fn write(&self, page: &mut Page);
}

/// How results are printed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Output {
    /// Text for people.
    Text,
    /// One JSON document.
    Json,
}

impl Output {
    /// Finds out how to print before the arguments are known to be good.
    pub fn of_raw_arguments() -> Self {
        Self::of(env::args_os().any(|word| word == "--json"))
    }

    /// Prints JSON where it is asked for.
    pub const fn of(json: bool) -> Self {
        if json { Self::Json } else { Self::Text }
    }

    /// Prints a report.
    pub fn print(self, report: &impl Report) -> Result<(), Error> {
        match self {
            Self::Text => {
                let mut page = Page::default();
                report.write(&mut page);
                to_stdout(&page.text)
            }
            Self::Json => to_stdout(&json(report)?),
        }
    }

    /// Prints lines that are the same for people and programs, such as an export.
    pub fn lines(self, text: &str) -> Result<(), Error> {
        to_stdout(text)
    }

    /// Prints what went wrong.
    pub fn fail(self, error: &Error) {
        let mut text = format!("Error: {}\n", sentence(error.message()));
        for detail in error.one_by_one() {
            text.push_str(&format!("  {detail}\n"));
        }
        if let Some(hint) = error.next_step() {
            text.push_str(&format!("Hint: {}\n", sentence(hint)));
        }
        // Where neither stream can be written there is nobody left to tell.
        let _ = io::stderr().write_all(text.as_bytes());
        if self == Self::Json {
            let object = ErrorJson {
                error: error.message(),
                kind: error.kind().word(),
                details: error.one_by_one(),
                hint: error.next_step(),
                field: error.field_at_fault(),
            };
            let _ = json(&object).and_then(|text| to_stdout(&text));
        }
    }
}

#[derive(Serialize)]
struct ErrorJson<'a> {
    error: &'a str,
    kind: &'a str,
    #[serde(skip_serializing_if = "<[String]>::is_empty")]
    details: &'a [String],
    #[serde(skip_serializing_if = "Option::is_none")]
    hint: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    field: Option<&'a str>,
}

/// Prints the help or version that was asked for and ends the program: 0 if it was asked for, 2
/// if it stands in for a command that is missing.
pub fn help(asked: &clap::Error) -> ! {
    // A closed pipe is the reader's way to say that it has read enough.
    let _ = asked.print();
    process::exit(asked.exit_code());
}

/// Lines of text as they are put together.
#[derive(Debug, Default)]
pub struct Page {
    text: String,
}

impl Page {
    /// Adds a line.
    pub fn line(&mut self, line: impl AsRef<str>) {
        self.text.push_str(line.as_ref().trim_end());
        self.text.push('\n');
    }

    /// Adds rows under a heading row, in columns as wide as they need to be. Where that is more
    /// than 100 characters, the last column is folded.
    pub fn table<const N: usize>(&mut self, heading: [&str; N], rows: &[[String; N]]) {
        let widths: [usize; N] = std::array::from_fn(|at| {
            let cells = rows.iter().map(|row| width(&row[at]));
            cells.chain([width(heading[at])]).max().unwrap_or(0)
        });
        let heading = heading.map(str::to_owned);
        for row in std::iter::once(&heading).chain(rows) {
            self.row(row, &widths);
        }
    }

    fn row<const N: usize>(&mut self, row: &[String; N], widths: &[usize; N]) {
        let mut line = String::new();
        let mut indent = 0;
        for (at, (cell, &wide)) in row.iter().zip(widths).enumerate() {
            if at + 1 < N {
                line.push_str(cell);
                line.extend(std::iter::repeat_n(' ', wide - width(cell) + 2));
                indent += wide + 2;
                continue;
            }
            let room = PAGE_WIDTH.saturating_sub(indent).max(NARROWEST);
            let mut folded = folded(cell, room).into_iter();
            line.push_str(&folded.next().unwrap_or_default());
            self.line(&line);
            for rest in folded {
                self.line(format!("{:indent$}{rest}", ""));
            }
        }
    }
}

/// How wide a page may be, in characters.
const PAGE_WIDTH: usize = 100;
/// The narrowest that a folded column gets, though the page grows too wide by it.
const NARROWEST: usize = 20;

fn width(text: &str) -> usize {
    text.chars().count()
}

/// Breaks text into lines of at most so many characters, between words.
fn folded(text: &str, room: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split_whitespace() {
        let line = lines.last_mut().expect("it begins with a line");
        if line.is_empty() {
            line.push_str(word);
        } else if width(line) + 1 + width(word) <= room {
            line.push(' ');
            line.push_str(word);
        } else {
            lines.push(word.to_owned());
        }
    }
    lines
}

/// Returns a count with its word: `1 entry`, `2 entries`.
pub fn counted(count: u64, one: &str, many: &str) -> String {
    format!("{count} {}", if count == 1 { one } else { many })
}

fn sentence(words: &str) -> String {
    let ends = words.ends_with(['.', '?', '!']);
    format!("{words}{}", if ends { "" } else { "." })
}

fn json(value: &impl Serialize) -> Result<String, Error> {
    let text = serde_json::to_string_pretty(value)
        .map_err(|error| Error::new(Kind::Bug, format!("this cannot be JSON: {error}")))?;
    Ok(text + "\n")
}

fn to_stdout(text: &str) -> Result<(), Error> {
    let mut out = io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        // A closed pipe is the reader's way to say that it has read enough.
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        written => written.map_err(|error| {
            Error::new(
                Kind::Machine,
                format!("the result cannot be printed: {error}"),
            )
            .hint("what was recorded is recorded; only telling it failed.")
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_table_lines_up_and_folds_its_last_column_at_the_page_width() {
        let mut page = Page::default();
        let long = "word ".repeat(20);
        let rows = [["3-07".to_owned(), "ft²".to_owned(), long]];
        page.table(["head", "unit", "why"], &rows);
        let lines: Vec<_> = page.text.lines().collect();
        assert_eq!(lines[0], "head  unit  why");
        assert!(
            lines[1].starts_with("3-07  ft²   word word"),
            "{}",
            lines[1]
        );
        assert_eq!(lines[2], "            word word word");
        assert!(lines.iter().all(|line| width(line) <= PAGE_WIDTH));
    }
}
