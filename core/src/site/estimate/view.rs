//! Estimates as a site's logbook says they are.

use chrono::NaiveDate;

use super::Quoted;
use crate::log::stamp::Stamp;
use crate::log::value::Value;
use crate::site::fields::{estimate, line, seen};
use crate::site::kind::ThingKind;
use crate::site::money::Money;
use crate::site::things::{Finding, Known, Parts, Site, Thing};
use crate::site::words::vocabularies;

vocabularies! {
    /// What a client says to a line.
    Decision {
        /// Yes.
        Approved = "approved",
        /// No.
        Declined = "declined",
    }
}

/// What a client said, who, when and how.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answer {
    /// Yes or no.
    pub decision: Decision,
    /// Who said it.
    pub who: Option<String>,
    /// When.
    pub on: Option<NaiveDate>,
    /// How: as stored, such as `phone` or `signed`.
    pub how: Option<String>,
}

impl Answer {
    /// Reads a stored answer.
    #[must_use]
    pub fn read(value: &Value) -> Option<Self> {
        let parts = Parts::of(&line::ANSWER, value);
        let words = |name| parts.words(name).map(str::to_owned);
        Some(Self {
            decision: crate::site::words::Vocabulary::read(parts.get("decision")?)?,
            who: words("who"),
            on: parts.get("on").and_then(crate::site::things::read_day),
            how: words("how"),
        })
    }
}

/// What the client was offered on one day.
#[derive(Debug, Clone)]
pub struct Estimate<'s> {
    /// The thing.
    pub thing: Thing<'s>,
    /// What it is called.
    pub name: String,
    /// When its prices were given.
    pub quoted_on: Option<NaiveDate>,
    /// The last day on which they hold.
    pub valid_until: Option<NaiveDate>,
    /// Its lines, in their order.
    pub lines: Vec<Line<'s>>,
}

/// A line of an estimate.
#[derive(Debug, Clone)]
pub struct Line<'s> {
    /// The thing.
    pub thing: Thing<'s>,
    /// What it is called.
    pub name: String,
    /// The finding that it mends.
    pub finding: Option<Finding<'s>>,
    /// Its price as it was given.
    pub quoted: Known<Quoted>,
    /// What the client said last.
    pub answer: Known<Answer>,
    /// Everything that the client ever said to it, oldest first.
    pub said: Vec<(Stamp, Answer)>,
    valid_until: Option<NaiveDate>,
}

/// How a line stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Standing {
    /// The client has not said anything yet.
    Open,
    /// Nor until the price ended.
    Expired,
    /// Yes.
    Approved,
    /// No.
    Declined,
}

/// What lines come to.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Totals {
    /// How many lines.
    pub lines: usize,
    /// Their parts.
    pub parts: Money,
    /// Their labour.
    pub labour: Money,
    /// What is charged beside.
    pub charges: Money,
    /// Their tax.
    pub tax: Money,
    /// All of it.
    pub total: Money,
}

impl Totals {
    /// Adds up lines; `None` where it does not fit.
    #[must_use]
    pub fn of<'q>(lines: impl IntoIterator<Item = &'q Quoted>) -> Option<Self> {
        let lines: Vec<&Quoted> = lines.into_iter().collect();
        let sum = |part: fn(&Quoted) -> Money| Money::sum(lines.iter().map(|line| part(line)));
        Some(Self {
            lines: lines.len(),
            parts: sum(Quoted::parts_total)?,
            labour: sum(Quoted::labour)?,
            charges: sum(|line| line.charge)?,
            tax: sum(Quoted::tax)?,
            total: sum(Quoted::total)?,
        })
    }
}

impl Line<'_> {
    /// Returns how it stands on that day.
    #[must_use]
    pub fn standing(&self, on: NaiveDate) -> Standing {
        match &self.answer {
            Ok(answer) if answer.value.decision == Decision::Approved => Standing::Approved,
            Ok(_) => Standing::Declined,
            Err(_) if self.valid_until.is_some_and(|until| on > until) => Standing::Expired,
            Err(_) => Standing::Open,
        }
    }

    /// Returns whether the client once said the other thing, or two people heard different answers.
    #[must_use]
    pub fn changed_mind(&self) -> bool {
        let two = self.answer.as_ref().is_ok_and(|answer| answer.two_versions);
        let mut said = self.said.iter().map(|(_, answer)| answer.decision);
        let first = said.next();
        two || said.any(|decision| Some(decision) != first)
    }
}

impl Estimate<'_> {
    /// Returns what the lines come to that stand so on that day; `None` where that does not fit.
    #[must_use]
    pub fn totals(&self, wanted: &[Standing], on: NaiveDate) -> Option<Totals> {
        let lines = self.lines.iter();
        let lines = lines.filter(|line| wanted.contains(&line.standing(on)));
        Totals::of(lines.filter_map(|line| Some(&line.quoted.as_ref().ok()?.value)))
    }
}

impl Site<'_> {
    /// Returns the estimates that stand, oldest first.
    #[must_use]
    pub fn estimates(&self) -> Vec<Estimate<'_>> {
        let there = |thing: &Thing<'_>| !thing.is_removed() && self.kept(thing.id) == thing.id;
        let things = self.parts(self.root().id).filter(there);
        let things = things.filter(|thing| thing.kind == Some(ThingKind::Estimate));
        let mut estimates: Vec<_> = things.map(|thing| self.estimate(thing)).collect();
        estimates.sort_by_key(|estimate| (estimate.quoted_on, estimate.thing.id));
        estimates
    }

    fn estimate<'s>(&'s self, thing: Thing<'s>) -> Estimate<'s> {
        let day = |field| thing.day(field).ok().map(|day| day.value);
        let valid_until = day(&estimate::VALID_UNTIL);
        let lines = self
            .parts(thing.id)
            .filter(|line| line.kind == Some(ThingKind::Line) && !line.is_removed());
        Estimate {
            thing,
            name: name_of(self, thing),
            quoted_on: day(&estimate::QUOTED_ON),
            valid_until,
            lines: lines.map(|line| self.line(line, valid_until)).collect(),
        }
    }

    fn line<'s>(&'s self, thing: Thing<'s>, valid_until: Option<NaiveDate>) -> Line<'s> {
        let finding = thing.other(&line::FINDING).ok();
        let finding = finding.and_then(|id| Finding::of(self, self.thing(id.value)?));
        let said = thing.seen(&seen::ANSWERED).iter();
        let said = said.filter_map(|seen| Some((seen.stamp, Answer::read(&seen.value)?)));
        Line {
            thing,
            name: name_of(self, thing),
            finding,
            quoted: thing.read(&line::QUOTED, Quoted::read),
            answer: thing.read(&line::ANSWER, Answer::read),
            said: said.collect(),
            valid_until,
        }
    }
}

/// What people call it: its label without its kind.
fn name_of(site: &Site<'_>, thing: Thing<'_>) -> String {
    thing
        .label()
        .map_or_else(|| site.address(thing), str::to_owned)
}
