//! What was typed: the flags that every command has, and the command.

use std::ffi::OsString;
use std::path::PathBuf;

use clap::error::{ContextKind, ContextValue, ErrorKind};
use clap::{Parser, ValueEnum};

use headwalk_core::site::unit::UnitSystem;

use crate::commands::Command;
use crate::edge::Now;
use crate::error::Error;
use crate::logbook::Moment;
use crate::output;

/// Field records for irrigation crews: record, exchange, rebuild, schedule, replay.
///
/// Every change is an entry in a site's logbook. Entries are never edited and never deleted, so
/// crews who worked apart end with the same record, and any past day can be replayed.
#[derive(Debug, Parser)]
#[command(
    name = "headwalk",
    version,
    max_term_width = 100,
    disable_help_subcommand = true,
    after_help = "Exit codes: 0 done, 1 the work failed, 2 the input was wrong.\n\
                  With --json an error is a JSON object on standard output, too: error, kind, \
                  and hint and field where there are any."
)]
pub struct Args {
    /// Flags of every command.
    #[command(flatten)]
    pub global: Global,
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// Flags of every command.
#[derive(Debug, clap::Args)]
#[command(next_help_heading = "Flags of every command")]
pub struct Global {
    /// The store: the file that holds the logbooks.
    #[arg(
        long,
        global = true,
        value_name = "PATH",
        env = "HEADWALK_STORE",
        default_value = "headwalk.redb",
        hide_env_values = true
    )]
    pub store: PathBuf,
    /// Print one JSON document instead of text.
    #[arg(long, global = true)]
    pub json: bool,
    /// The units to print, and the units of a bare number; us, if none are named.
    #[arg(long, global = true, value_enum)]
    pub units: Option<Units>,
    /// Who is writing; else the person that the store was begun for.
    #[arg(
        long,
        global = true,
        value_name = "NAME",
        env = "HEADWALK_BY",
        hide_env_values = true
    )]
    pub by: Option<String>,
}

/// Which units to print.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Units {
    /// US customary: gallons, psi, inches, feet.
    Us,
    /// Metric: litres, kPa, millimetres, metres.
    Si,
}

/// Which moment is wanted, for commands that replay.
#[derive(Debug, clap::Args)]
pub struct MomentArgs {
    /// What was true then: a day (its end), or a moment such as 2026-07-14T07:30.
    #[arg(long, value_name = "WHEN")]
    as_of: Option<String>,
    /// What this store held then.
    #[arg(long, value_name = "WHEN")]
    as_known: Option<String>,
}

impl MomentArgs {
    /// Reads both, as told at this place.
    pub fn moment(&self, now: Now) -> Result<Moment, Error> {
        let read = |flag: &str, text: &Option<String>| {
            let text = text.as_deref();
            text.map(|text| now.read(text).map_err(|error| error.field(flag)))
                .transpose()
        };
        Ok(Moment {
            as_of: read("as-of", &self.as_of)?,
            as_known: read("as-known", &self.as_known)?,
        })
    }
}

impl From<Units> for UnitSystem {
    fn from(units: Units) -> Self {
        match units {
            Units::Us => Self::Us,
            Units::Si => Self::Si,
        }
    }
}

/// Reads the command line. Help and the version are printed here and end the program.
///
/// # Errors
/// An input error that says what was wrong and which help to read.
pub fn parse() -> Result<Args, Error> {
    Args::try_parse_from(std::env::args_os().map(value_with_minus)).map_err(|error| {
        match error.kind() {
            ErrorKind::DisplayHelp
            | ErrorKind::DisplayVersion
            | ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand => output::help(&error),
            _ => told_plainly(&error),
        }
    })
}

/// Marks a value such as `-5sqft` as one: no flag of ours begins with a digit, but clap takes what
/// follows a minus for flags unless it is a bare number. Whoever reads a value trims it.
fn value_with_minus(word: OsString) -> OsString {
    let is_value = word
        .to_str()
        .and_then(|text| text.strip_prefix('-'))
        .is_some_and(|rest| rest.starts_with(|first: char| first.is_ascii_digit() || first == '.'));
    if !is_value {
        return word;
    }
    let mut marked = OsString::from(" ");
    marked.push(word);
    marked
}

/// Turns clap's paragraphs into our one sentence and one hint.
fn told_plainly(error: &clap::Error) -> Error {
    let text = error.to_string();
    let what = text.split("\n\n").next().unwrap_or_default();
    let what = what.strip_prefix("error: ").unwrap_or(what);
    let words: Vec<_> = what.split_whitespace().collect();
    let plain = Error::input(words.join(" ").replace('\'', "`"));
    let meant = [
        ContextKind::SuggestedSubcommand,
        ContextKind::SuggestedArg,
        ContextKind::SuggestedValue,
    ];
    let meant = meant.into_iter().find_map(|kind| error.get(kind));
    let usage = text.lines().find_map(|line| line.strip_prefix("Usage: "));
    match (meant, usage) {
        (Some(meant), _) => plain.hint(format!("did you mean {}?", quoted(meant))),
        (None, Some(usage)) => plain.hint(format!("usage: {usage}; --help says more.")),
        (None, None) => plain.hint("--help says what it takes."),
    }
}

/// Lists what was meant, each in backticks.
fn quoted(meant: &ContextValue) -> String {
    let words = match meant {
        ContextValue::Strings(words) => words.clone(),
        other => vec![other.to_string()],
    };
    let quoted: Vec<_> = words.iter().map(|word| format!("`{word}`")).collect();
    quoted.join(" or ")
}
