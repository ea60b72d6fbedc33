//! The only place that prints: text for people, or one JSON document with `--json`.
//!
//! Results go to standard output. An error goes to standard error as `Error:` and `Hint:`; with
//! `--json` it is also the document on standard output, so that whoever reads that stream always
//! finds exactly one: `{"error": .., "kind": .., "details": [..], "hint": .., "field": ..}`, the
//! last three only where there are any.

use std::env;
use std::io::{self, Seek, Write};
use std::process;

use serde::Serialize;

use crate::error::{Error, Kind};

/// What a command found or did: the same values for people and, as JSON, for programs.
pub trait Report: Serialize {
    /// Writes it for people.
    fn write(&self, page: &mut Page);
}

/// How much of a result is held in memory until it is printed, in bytes; more lies in a file without a name.
const IN_MEMORY: usize = 1 << 20;

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

    /// Prints reports that come one by one: for people with a blank line between two, as JSON an object with
    /// one list of this name. None is printed until all have come, and few are held in memory.
    pub fn one_by_one<R: Report>(
        self,
        name: &str,
        reports: impl Iterator<Item = Result<R, Error>>,
    ) -> Result<(), Error> {
        let mut all = tempfile::spooled_tempfile(IN_MEMORY);
        let mut keep = |text: &str| {
            all.write_all(text.as_bytes()).map_err(|error| {
                let message = format!("the result cannot be kept until it is printed: {error}");
                Error::new(Kind::Machine, message)
            })
        };
        if self == Self::Json {
            keep(&format!("{{\n  \"{name}\": ["))?;
        }
        let mut many = 0;
        for report in reports {
            let report = report?;
            let text = match self {
                Self::Text => {
                    let mut page = Page::default();
                    report.write(&mut page);
                    format!("{}{}", if many == 0 { "" } else { "\n" }, page.text)
                }
                Self::Json => {
                    let text = json(&report)?;
                    let text = text.trim_end().replace('\n', "\n    ");
                    format!("{}\n    {text}", if many == 0 { "" } else { "," })
                }
            };
            keep(&text)?;
            many += 1;
        }
        if self == Self::Json {
            keep(if many == 0 { "]\n}\n" } else { "\n  ]\n}\n" })?;
        }
        let mut out = io::stdout().lock();
        let copied = all.rewind().and_then(|()| io::copy(&mut all, &mut out));
        printed(copied.and_then(|_| out.flush()))
    }

    /// Prints what `write` writes while it writes it.
    pub fn as_it_comes(
        self,
        write: impl FnOnce(&mut dyn Write) -> Result<io::Result<()>, Error>,
    ) -> Result<(), Error> {
        let mut out = io::BufWriter::new(io::stdout().lock());
        let written = write(&mut out)?;
        printed(written.and_then(|()| out.flush()))
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

    /// Adds a sentence or more, broken into lines at the page's width.
    pub fn paragraph(&mut self, text: &str) {
        for line in folded(text, PAGE_WIDTH) {
            self.line(line);
        }
    }

    /// Adds rows under a heading row, in columns as wide as they need to be. Where that is more
    /// than the page, the widest columns are folded.
    pub fn table<const N: usize>(&mut self, heading: [&str; N], rows: &[[String; N]]) {
        let mut all = vec![heading.map(str::to_owned)];
        all.extend_from_slice(rows);
        self.rows(0, &all);
    }

    /// Adds rows like those of a table, without a heading and so many characters in.
    pub fn rows<const N: usize>(&mut self, indent: usize, rows: &[[String; N]]) {
        let mut widths: [usize; N] = std::array::from_fn(|at| {
            let cells = rows.iter().map(|row| width(&row[at]));
            cells.max().unwrap_or(0)
        });
        shrink(
            &mut widths,
            PAGE_WIDTH.saturating_sub(indent + GAP * (N - 1)),
        );
        let folded: Vec<[Vec<String>; N]> = rows
            .iter()
            .map(|row| std::array::from_fn(|at| folded(&row[at], widths[at].max(1))))
            .collect();
        let widths: [usize; N] = std::array::from_fn(|at| {
            let lines = folded.iter().flat_map(|row| &row[at]);
            lines.map(|line| width(line)).max().unwrap_or(0)
        });
        for row in &folded {
            let height = row.iter().map(Vec::len).max().unwrap_or(0);
            for line in 0..height {
                let mut text = " ".repeat(indent);
                for (cell, &wide) in row.iter().zip(&widths) {
                    let words = cell.get(line).map_or("", String::as_str);
                    text.push_str(words);
                    let rest = wide.saturating_sub(width(words)) + GAP;
                    text.extend(std::iter::repeat_n(' ', rest));
                }
                self.line(text);
            }
        }
    }
}

/// How wide a page may be, in characters.
const PAGE_WIDTH: usize = 100;
/// Characters between two columns.
const GAP: usize = 2;
/// The narrowest that a folded column gets, though the page grows too wide by it.
const NARROWEST: usize = 12;

/// Narrows the widest columns until all fit in `room`.
fn shrink(widths: &mut [usize], room: usize) {
    while widths.iter().sum::<usize>() > room {
        match widths.iter_mut().max() {
            Some(widest) if *widest > NARROWEST => *widest -= 1,
            _ => return,
        }
    }
}

fn width(text: &str) -> usize {
    text.chars().count()
}

/// Breaks text into lines of at most so many characters, between words; a longer word is broken.
fn folded(text: &str, room: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split_whitespace() {
        let letters: Vec<char> = word.chars().collect();
        for piece in letters.chunks(room) {
            let piece: String = piece.iter().collect();
            let line = lines.last_mut().expect("it begins with a line");
            if line.is_empty() {
                *line = piece;
            } else if width(line) + 1 + width(&piece) <= room {
                line.push(' ');
                line.push_str(&piece);
            } else {
                lines.push(piece);
            }
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
    printed(out.write_all(text.as_bytes()).and_then(|()| out.flush()))
}

fn printed(written: io::Result<()>) -> Result<(), Error> {
    match written {
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
    fn a_table_lines_up_and_folds_its_widest_column_at_the_page_width() {
        let mut page = Page::default();
        let long = "word ".repeat(25);
        let rows = [["3-07".to_owned(), long, "ft²".to_owned()]];
        page.table(["head", "why", "unit"], &rows);
        let lines: Vec<_> = page.text.lines().collect();
        assert!(lines[0].starts_with("head  why "), "{}", lines[0]);
        assert!(lines[1].starts_with("3-07  word word"), "{}", lines[1]);
        assert!(lines[1].ends_with("word  ft²"), "{}", lines[1]);
        assert!(lines[2].starts_with("      word word"), "{}", lines[2]);
        assert!(lines.iter().all(|line| width(line) <= PAGE_WIDTH));
    }

    #[test]
    fn a_word_longer_than_its_column_is_broken() {
        assert_eq!(folded("ab cdefgh", 3), ["ab", "cde", "fgh"]);
    }
}
