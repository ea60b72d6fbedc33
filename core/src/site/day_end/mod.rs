//! The day's end: everything that the office has to decide before it goes home, in one list, the
//! worst first. Empty means go home.
//!
//! Each line is one decision, and each decision is one entry in the logbook that it is about: the
//! change, and with it an observation that says which line was decided, how and why. So the list
//! follows from the logbooks alone, every store comes to the same, and whoever takes a decision
//! back holds back its entry, and the line stands again as it stood.
//!
//! Nothing here reads a store or a clock. A caller digests each logbook once for as long as it does
//! not change ([`SiteDigest::of`], [`OfficeDigest::of`]) and puts the digests together for a day
//! ([`DayEnd::of`]); [`decide`] makes the changes of a decision.

mod decide;
mod list;
mod office;
mod record;
mod site;
mod versions;

pub use decide::{Answer, CannotDecide, closing, decide, taking_back};
pub use list::{DayEnd, Hole, Listed, PutOff, Today};
pub use office::{DeviceHeard, OfficeDigest};
pub use record::{Decided, is_taken_back};
pub use site::SiteDigest;
pub use versions::{Side, SideRow, asks_for_entries};

use std::fmt;
use std::str::FromStr;

use chrono::NaiveDate;

use super::finding::Severity;
use super::words::{Vocabulary, vocabularies};
use crate::log::id::{FieldNumber, LogbookId, Place, ThingId};
use crate::log::value::Value;

vocabularies! {
    /// What a line is about, the worst first.
    Matter {
        /// Water runs or leaks where it should not.
        WaterRunning = "water",
        /// A device of which nothing came.
        DeviceQuiet = "device",
        /// Something that stands in two versions.
        TwoVersions = "versions",
        /// A visit that nobody ended.
        VisitOpen = "visit",
        /// One thing that was entered twice.
        MaybeOne = "maybe-one",
        /// Something that the client has to be told the price of.
        ToQuote = "quote",
        /// Something that the client wants done, and has no day.
        ToSchedule = "schedule",
        /// A part that tomorrow's work takes and that is not there.
        PartShort = "part",
        /// The same thing found again and again.
        Repeated = "repeated",
        /// Something that is due by a date.
        Due = "due",
    }
    /// What can be decided.
    Act {
        /// This version counts.
        Choose = "choose",
        /// The two records are of one thing.
        Join = "join",
        /// They are of two things.
        ToldApart = "told-apart",
        /// A crew does it on that day.
        Schedule = "schedule",
        /// It is mended.
        Fixed = "fixed",
        /// It stays as it is.
        Accept = "accept",
        /// The client was told a price.
        Quoted = "quoted",
        /// The visit is over, with what it lacks.
        EndVisit = "end-visit",
        /// The device is not expected any more.
        Retire = "retire",
        /// Parts came in.
        CountIn = "count-in",
        /// Not today: the line comes back on that day, before all others.
        Later = "later",
        /// Nothing is to be done about it.
        Leave = "leave",
        /// A decision is taken back.
        TakeBack = "take-back",
        /// The day is closed.
        Close = "close",
    }
}

impl Matter {
    /// Returns the heading above such lines.
    #[must_use]
    pub const fn heading(self) -> &'static str {
        match self {
            Self::WaterRunning => "Water running or leaking now",
            Self::DeviceQuiet => "Not heard from",
            Self::TwoVersions => "Two versions to choose from",
            Self::VisitOpen => "Visits not finished",
            Self::MaybeOne => "Entered twice?",
            Self::ToQuote => "To quote",
            Self::ToSchedule => "Approved, and no day yet",
            Self::PartShort => "Parts short for tomorrow",
            Self::Repeated => "Found again and again",
            Self::Due => "Due",
        }
    }
}

/// Which line: the same from day to day and in every store, as long as it is about the same.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct LineKey {
    /// What it is about.
    pub matter: Matter,
    /// The logbook in which it is decided.
    pub logbook: LogbookId,
    /// What exactly, in letters, digits and hyphens.
    pub subject: String,
}

impl LineKey {
    fn of(matter: Matter, logbook: LogbookId, subject: impl Into<String>) -> Self {
        Self {
            matter,
            logbook,
            subject: subject.into(),
        }
    }
}

impl fmt::Display for LineKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let matter = self.matter.word();
        write!(f, "{matter}.{}.{}", self.logbook, self.subject)
    }
}

/// Text that names no line.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{0}` names no line of a day's end")]
pub struct NotALine(String);

impl FromStr for LineKey {
    type Err = NotALine;

    fn from_str(text: &str) -> Result<Self, NotALine> {
        let read = || {
            let (matter, rest) = text.split_once('.')?;
            let (logbook, subject) = rest.split_once('.')?;
            let (matter, logbook) = (Matter::of_word(matter)?, logbook.parse().ok()?);
            Some(Self::of(matter, logbook, subject))
        };
        read().ok_or_else(|| NotALine(text.to_owned()))
    }
}

/// One thing to decide.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// Which.
    pub key: LineKey,
    /// What it rests on. Whoever decides says which basis they had before them: where it is
    /// another by then, somebody decided before them, or there is news.
    pub basis: String,
    /// How soon it matters, where that was recorded.
    pub severity: Option<Severity>,
    /// The day from which it is listed; none for at once.
    pub from: Option<NaiveDate>,
    /// The name of the site, or of the firm.
    pub site: String,
    /// Where there: a head, a valve, a zone.
    pub place: String,
    /// The thing that it is about, for its history.
    pub about: ThingId,
    /// What it is, in one sentence.
    pub head: String,
    /// What else there is to know, a sentence each.
    pub more: Vec<String>,
    /// What can hurt whoever does the work.
    pub caution: Option<&'static str>,
    /// The versions, where it stands in several; the one in force first.
    pub sides: Vec<Side>,
    /// What can be decided.
    pub offers: Vec<Offer>,
    subject: Subject,
}

/// What a line is about, for the changes that decide it.
#[derive(Debug, Clone, PartialEq)]
enum Subject {
    Finding(ThingId),
    Visit(ThingId),
    Device(ThingId),
    Part(ThingId),
    /// Each version's values, field by field.
    Versions(ThingId, Vec<Vec<(FieldNumber, Value)>>),
    Pair {
        first: ThingId,
        second: ThingId,
        told_apart: Vec<Value>,
    },
    Nothing,
}

/// Something that can be decided about a line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Offer {
    /// What.
    pub act: Act,
    /// Which version, where it is to choose one.
    pub version: Option<usize>,
    /// The key that decides it.
    pub key: char,
    /// What is decided, as a person reads it on a button.
    pub label: String,
    /// What has to be said with it.
    pub asks: Asks,
}

/// What has to be said with a decision.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Asks {
    /// Nothing.
    Nothing,
    /// Why.
    Why,
    /// Who did it.
    Who,
    /// On which day.
    Day,
    /// The price, in dollars.
    Price,
    /// How many.
    Count,
}

impl Offer {
    fn new(act: Act, key: char, label: &str, asks: Asks) -> Self {
        Self {
            act,
            version: None,
            key,
            label: label.to_owned(),
            asks,
        }
    }

    fn version(nth: usize) -> Self {
        let letter = LETTERS.chars().nth(nth).unwrap_or('z');
        Self {
            act: Act::Choose,
            version: Some(nth),
            key: letter.to_ascii_lowercase(),
            label: format!("{letter} counts"),
            asks: Asks::Nothing,
        }
    }

    fn later() -> Self {
        Self::new(Act::Later, 'l', "Not today", Asks::Nothing)
    }

    fn leave() -> Self {
        Self::new(Act::Leave, 'x', "Leave it", Asks::Why)
    }

    /// Returns what is decided with it, in one phrase with what was said.
    #[must_use]
    pub fn told(&self, words: &str) -> String {
        match self.asks {
            Asks::Nothing => self.label.clone(),
            Asks::Who | Asks::Day => format!("{} {words}", self.label),
            Asks::Why | Asks::Price | Asks::Count => format!("{}: {words}", self.label),
        }
    }

    /// Returns the word by which a command names it: the version's letter, else the act.
    #[must_use]
    pub fn word(&self) -> String {
        match self.version {
            Some(_) => self.key.to_ascii_uppercase().to_string(),
            None => self.act.word().to_owned(),
        }
    }
}

/// What the versions of a thing are called, the one in force first.
pub const LETTERS: &str = "ABCDEFGHIJKLMNOPQRSTUVWXYZ";

/// Names the entries that a line rests on, so that another entry gives another name.
fn basis(places: impl IntoIterator<Item = Place>) -> String {
    let mut names: Vec<String> = places
        .into_iter()
        .map(|place| {
            let chain = place.chain.to_string();
            let end = chain.get(chain.len().saturating_sub(6)..);
            format!("{}-{}", end.unwrap_or_default(), place.seq)
        })
        .collect();
    names.sort();
    names.dedup();
    names.join("+")
}

#[cfg(test)]
mod tests;
