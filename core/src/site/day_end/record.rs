//! How a decision stands in the log: an observation of the logbook's root, in the same entry as
//! the change that it made.

use std::collections::BTreeMap;

use chrono::{Datelike, NaiveDate};

use super::{Act, LineKey};
use crate::log::entry::{Change, Entry};
use crate::log::id::{LogbookId, Place, ThingId};
use crate::log::stamp::Stamp;
use crate::log::value::{HowKnown, Value};
use crate::merge::replay::{Observation, State};
use crate::site::fields::seen;
use crate::site::things::Parts;
use crate::site::words::Vocabulary;

/// How many letters of a line are written down with its decision.
const WORDS: usize = 160;

/// A decision that stands, as the log has it.
#[derive(Debug, Clone, PartialEq)]
pub struct Decided {
    /// The logbook of its entry.
    pub logbook: LogbookId,
    /// Its entry.
    pub place: Place,
    /// When, by the stamp that orders it.
    pub stamp: Stamp,
    /// Minutes east of UTC where it was decided.
    pub utc_offset_min: i16,
    /// Who.
    pub by: String,
    /// What was decided.
    pub act: Act,
    /// About which line; none where the text names none of this version.
    pub line: Option<LineKey>,
    /// The line as it was read, and the decision.
    pub words: String,
    /// What the line rested on.
    pub basis: String,
    /// Until when it holds, if it comes back.
    pub until: Option<NaiveDate>,
    /// Why, where that was said.
    pub why: Option<String>,
}

impl Decided {
    /// Reads the decisions of a logbook, oldest first.
    pub(super) fn all(state: &State, logbook: LogbookId) -> Vec<Self> {
        let what = &seen::OFFICE_DECISION;
        let decisions = state.observations(ThingId::root(logbook), what.number);
        let decisions = decisions.iter();
        decisions
            .filter_map(|seen| Self::read(seen, logbook))
            .collect()
    }

    fn read(seen: &Observation, logbook: LogbookId) -> Option<Self> {
        let parts = Parts::of(&seen::OFFICE_DECISION, &seen.value);
        let words = |part| parts.get(part).and_then(Value::as_text).map(str::to_owned);
        Some(Self {
            logbook,
            place: seen.place,
            stamp: seen.stamp,
            utc_offset_min: seen.utc_offset_min,
            by: seen.by.to_string(),
            act: Act::of_word(&words("act")?)?,
            line: words("line").and_then(|line| line.parse().ok()),
            words: words("words").unwrap_or_default(),
            basis: words("basis").unwrap_or_default(),
            until: parts.get("until").and_then(day),
            why: words("why"),
        })
    }

    /// Returns when, for people: `17:42`.
    #[must_use]
    pub fn time(&self) -> String {
        let at = self.stamp.wall().at_offset(self.utc_offset_min);
        at.format("%H:%M").to_string()
    }
}

/// A day that was closed.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Closing {
    pub(super) date: NaiveDate,
    pub(super) holes: Vec<(LineKey, String)>,
    pub(super) why: Option<String>,
    pub(super) by: String,
    pub(super) stamp: Stamp,
    pub(super) place: Place,
    pub(super) logbook: LogbookId,
    pub(super) utc_offset_min: i16,
}

impl Closing {
    /// Reads the days that were closed, oldest first.
    pub(super) fn all(state: &State, logbook: LogbookId) -> Vec<Self> {
        let closings = state.observations(ThingId::root(logbook), seen::DAY_CLOSED.number);
        let closings = closings.iter().filter_map(|seen| {
            let parts = Parts::of(&seen::DAY_CLOSED, &seen.value);
            let holes = parts.get("open").and_then(Value::as_list);
            let hole = |hole: &Value| {
                let (key, words) = hole.as_text()?.split_once(' ')?;
                Some((key.parse().ok()?, words.to_owned()))
            };
            Some(Self {
                date: parts.get("date").and_then(day)?,
                holes: holes.unwrap_or_default().iter().filter_map(hole).collect(),
                why: parts.get("why").and_then(Value::as_text).map(str::to_owned),
                by: seen.by.to_string(),
                stamp: seen.stamp,
                place: seen.place,
                logbook,
                utc_offset_min: seen.utc_offset_min,
            })
        });
        closings.collect()
    }

    /// The closing as the decision that it is.
    pub(super) fn decided(&self) -> Decided {
        let words = match self.holes.len() {
            0 => "the day is closed".to_owned(),
            1 => "the day is closed with 1 known hole".to_owned(),
            holes => format!("the day is closed with {holes} known holes"),
        };
        Decided {
            logbook: self.logbook,
            place: self.place,
            stamp: self.stamp,
            utc_offset_min: self.utc_offset_min,
            by: self.by.clone(),
            act: Act::Close,
            line: None,
            words,
            basis: String::new(),
            until: None,
            why: self.why.clone(),
        }
    }
}

/// What is said of a decision in the log.
pub(super) struct Saying<'a> {
    pub(super) line: &'a LineKey,
    pub(super) basis: &'a str,
    pub(super) act: Act,
    pub(super) words: &'a str,
    pub(super) until: Option<NaiveDate>,
    pub(super) why: Option<&'a str>,
}

impl Saying<'_> {
    /// Returns the observation of the root of the line's logbook.
    pub(super) fn change(&self) -> Change {
        let words: String = self.words.chars().take(WORDS).collect();
        let mut parts = BTreeMap::from([
            (1, Value::text(self.line.to_string())),
            (2, self.act.value()),
            (3, Value::text(words)),
            (6, Value::text(self.basis)),
        ]);
        parts.extend(self.until.map(|until| (4, date(until))));
        parts.extend(self.why.map(|why| (5, Value::text(why))));
        Change::Observe {
            thing: ThingId::root(self.line.logbook),
            what: seen::OFFICE_DECISION.number,
            value: Value::Record(parts),
            how: HowKnown::Unstated,
        }
    }
}

/// Returns the observation that closes a day.
pub(super) fn closed(
    office: LogbookId,
    day: NaiveDate,
    open: &[(LineKey, &str)],
    why: Option<&str>,
) -> Change {
    let hole = |(key, words): &(LineKey, &str)| {
        let words: String = words.chars().take(WORDS).collect();
        Value::text(format!("{key} {words}"))
    };
    let mut parts = BTreeMap::from([(1, date(day))]);
    if !open.is_empty() {
        parts.insert(2, Value::List(open.iter().map(hole).collect()));
    }
    parts.extend(why.map(|why| (3, Value::text(why))));
    Change::Observe {
        thing: ThingId::root(office),
        what: seen::DAY_CLOSED.number,
        value: Value::Record(parts),
        how: HowKnown::Unstated,
    }
}

/// Returns whether an entry takes a decision back: it holds that decision's entry back, and says
/// so. What a device without access wrote is held back without such words.
#[must_use]
pub fn is_taken_back(by: &Entry) -> bool {
    let act = |change: &Change| match change {
        Change::Observe { what, value, .. } if *what == seen::OFFICE_DECISION.number => {
            Parts::of(&seen::OFFICE_DECISION, value)
                .get("act")
                .and_then(Act::read)
        }
        _ => None,
    };
    by.changes
        .iter()
        .filter_map(act)
        .any(|act| act == Act::TakeBack)
}

/// Returns a calendar day as it is stored.
pub(super) fn date(day: NaiveDate) -> Value {
    Value::Date(day.to_epoch_days())
}

fn day(value: &Value) -> Option<NaiveDate> {
    match value {
        Value::Date(days) => NaiveDate::from_epoch_days(*days),
        _ => None,
    }
}

/// Returns the next time that a day of the year comes after a date.
pub(super) fn next(month: u32, day: u32, after: NaiveDate) -> Option<NaiveDate> {
    let of = |year| NaiveDate::from_ymd_opt(year, month, day);
    of(after.year())
        .filter(|on| *on > after)
        .or_else(|| of(after.year() + 1))
}
