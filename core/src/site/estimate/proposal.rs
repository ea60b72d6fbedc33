//! Findings as lines with prices, and what has no price yet.

use std::collections::BTreeMap;
use std::fmt;

use super::{NoPrice, PartLine, PriceBook, Quoted};
use crate::log::id::ThingId;
use crate::site::fields::{self, FieldDef};
use crate::site::finding::{FindingKind, Severity};
use crate::site::measure::Measure;
use crate::site::money;
use crate::site::things::{Finding, Site};
use crate::water::units::{Degrees, Inches};

/// What an estimate would say.
#[derive(Debug, Clone, PartialEq)]
pub struct Proposal {
    /// Each finding that has a price, the most urgent first, then in the order of the walk.
    pub lines: Vec<Draft>,
    /// Each that has none, and why.
    pub gaps: Vec<Gap>,
}

/// A line that is not in the log yet.
#[derive(Debug, Clone, PartialEq)]
pub struct Draft {
    /// The finding.
    pub finding: ThingId,
    /// What was found.
    pub kind: &'static FindingKind,
    /// Where its labour is from.
    pub minutes_from: MinutesFrom,
    /// The price.
    pub quoted: Quoted,
}

/// Where the labour of a line is from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MinutesFrom {
    /// The crew wrote it down.
    Finding,
    /// The price book.
    Book,
    /// The most that this finding usually takes; common practice, no source.
    Usual,
}

/// Why a finding has no price.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Gap {
    /// Nobody said what was found.
    NoKind(ThingId),
    /// The firm charges nothing for an hour.
    NoRate(ThingId),
    /// Nobody said how long it takes, and this finding has no usual time.
    NoMinutes(ThingId, &'static str),
    /// A part has no price.
    Part(ThingId, NoPrice),
    /// More than any amount can be.
    TooMuch(ThingId),
}

impl Gap {
    /// Returns the finding.
    #[must_use]
    pub const fn finding(&self) -> ThingId {
        match self {
            Self::NoKind(id)
            | Self::NoRate(id)
            | Self::NoMinutes(id, _)
            | Self::Part(id, _)
            | Self::TooMuch(id) => *id,
        }
    }
}

impl fmt::Display for Gap {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoKind(_) => f.write_str("nobody said what it is: note what"),
            Self::NoRate(_) => {
                f.write_str("the firm has no labour rate: headwalk price terms labour-rate $78")
            }
            Self::NoMinutes(_, word) => write!(
                f,
                "nobody said how long it takes: note minutes, or headwalk price work {word} 60min"
            ),
            Self::Part(_, why) => write!(f, "{why}"),
            Self::TooMuch(_) => f.write_str("it comes to more than any amount can be"),
        }
    }
}

/// Returns what an estimate of these findings would say.
#[must_use]
pub fn propose(site: &Site<'_>, findings: &[Finding<'_>], book: &PriceBook) -> Proposal {
    let mut proposal = Proposal {
        lines: Vec::new(),
        gaps: Vec::new(),
    };
    for finding in findings {
        match draft(site, finding, book) {
            Ok(line) => proposal.lines.push(line),
            Err(gaps) => proposal.gaps.extend(gaps),
        }
    }
    proposal.lines.sort_by_key(|line| line.quoted.severity);
    proposal
}

fn draft(site: &Site<'_>, finding: &Finding<'_>, book: &PriceBook) -> Result<Draft, Vec<Gap>> {
    let id = finding.id;
    let kind = finding.what().map_err(|_| vec![Gap::NoKind(id)])?.value;
    let mut gaps = Vec::new();
    if book.rate.is_none() {
        gaps.push(Gap::NoRate(id));
    }
    let work = book.work.get(kind.word);
    let said = finding.minutes().ok();
    let said = said.map(|minutes| (minutes.value, MinutesFrom::Finding));
    let booked = work.and_then(|work| Some((work.minutes?, MinutesFrom::Book)));
    let minutes = said.or(booked).or_else(|| usual(kind));
    if minutes.is_none() {
        gaps.push(Gap::NoMinutes(id, kind.word));
    }
    let parts = parts(site, finding, book).unwrap_or_else(|missing| {
        gaps.extend(missing.into_iter().map(|why| Gap::Part(id, why)));
        Vec::new()
    });
    let (Some(rate), Some((minutes, minutes_from)), []) = (book.rate, minutes, gaps.as_slice())
    else {
        return Err(gaps);
    };
    let severity = finding.severity().unwrap_or(Severity::Routine);
    let tax = book.tax.unwrap_or_default();
    let mut quoted = Quoted::begin(severity, rate, tax, book.tax_on);
    quoted.work = finding
        .words(&fields::finding::REMEDY)
        .ok()
        .map(|it| it.value);
    quoted.parts = parts;
    quoted.minutes = minutes;
    quoted.charge = work.map(|work| work.charge).unwrap_or_default();
    Ok(Draft {
        finding: id,
        kind,
        minutes_from,
        quoted: quoted.reckon().ok_or_else(|| vec![Gap::TooMuch(id)])?,
    })
}

/// The most that a finding usually takes, so that nobody pays more than was quoted.
fn usual(kind: &FindingKind) -> Option<(money::Minutes, MinutesFrom)> {
    let (_, most) = kind.minutes?;
    // The table holds whole minutes, up to four hours.
    Some((money::Minutes::whole(most.get() as u32), MinutesFrom::Usual))
}

/// The parts of a finding with their prices, those of one name together.
fn parts(
    site: &Site<'_>,
    finding: &Finding<'_>,
    book: &PriceBook,
) -> Result<Vec<PartLine>, Vec<NoPrice>> {
    let on = finding.part_of().and_then(|on| site.thing(on));
    fn of<T: Measure>(on: Option<crate::site::things::Thing<'_>>, field: &FieldDef) -> Option<T> {
        Some(on?.measure::<T>(field).ok()?.value)
    }
    let arc = of::<Degrees>(on, &fields::head::ARC);
    let pop_up = of::<Inches>(on, &fields::head::POP_UP);
    let mut counts: BTreeMap<String, u32> = BTreeMap::new();
    let mut names: Vec<String> = Vec::new();
    for name in finding.parts() {
        let count = counts.entry(name.clone()).or_insert(0);
        *count += 1;
        if *count == 1 {
            names.push(name);
        }
    }
    let (mut parts, mut missing) = (Vec::new(), Vec::new());
    for name in names {
        match book.part(&name, arc, pop_up) {
            Ok((part, each)) => parts.push(PartLine {
                name: part.description.clone(),
                count: counts.get(&name).copied().unwrap_or(1),
                each,
            }),
            Err(why) => missing.push(why),
        }
    }
    if missing.is_empty() {
        Ok(parts)
    } else {
        Err(missing)
    }
}
