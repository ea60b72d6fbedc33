//! What is open at the end of the day: water that runs, walks that are not finished, what the
//! client has to decide, and the parts for it.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use serde::Serialize;

use headwalk_core::site::fields::{self, seen};
use headwalk_core::site::finding::{Severity, Status};
use headwalk_core::site::things::{Finding, Site, Thing, Visit};
use headwalk_core::site::unit::UnitSystem;
use headwalk_core::site::visit::{Lacks, VisitState, ZoneDone};
use headwalk_core::site::words::{Vocabulary, plain};

use super::super::scenario::UTC_OFFSET_MIN;
use super::Book;
use super::parts::{PartCount, parts_used, write_parts};
use crate::output::{Page, counted};

/// Everything that is open.
#[derive(Serialize)]
pub struct Open {
    water_now: Vec<FindingLine>,
    unfinished: Vec<VisitLine>,
    to_quote: Vec<FindingLine>,
    fixed_today: Vec<FindingLine>,
    parts_to_quote: Vec<PartCount>,
    parts_used: Vec<PartCount>,
    accepted: Vec<AcceptedLine>,
    cautions: Vec<CautionLine>,
}

/// A finding as one line.
#[derive(Debug, Clone, Serialize)]
struct FindingLine {
    site: String,
    place: String,
    what: String,
    severity: &'static str,
    status: &'static str,
    why: Option<String>,
    description: Option<String>,
    after: Option<String>,
    parts: Vec<String>,
    minutes: Option<String>,
}

/// A visit that is not simply finished.
#[derive(Serialize)]
struct VisitLine {
    site: String,
    visit: String,
    people: String,
    state: &'static str,
    why: Option<String>,
    left: Vec<String>,
}

/// Something that stays as it is.
#[derive(Serialize)]
struct AcceptedLine {
    site: String,
    place: String,
    what: String,
    reason: String,
}

/// What can hurt, and where.
#[derive(Serialize)]
struct CautionLine {
    caution: &'static str,
    places: Vec<String>,
}

/// Findings with which water goes where it should not, as long as they are open.
const WATER: [&str; 11] = [
    "head-missing",
    "head-broken",
    "seal-leaking",
    "low-head-drainage",
    "lateral-break",
    "mainline-leak",
    "valve-weeping",
    "valve-stuck-open",
    "backflow-leaking",
    "backflow-cracked",
    "wet-area",
];

/// How much is open, in words.
pub struct Counts {
    pub water: String,
    pub unfinished: String,
    pub to_quote: String,
}

impl Open {
    /// Returns how much is open.
    pub fn counts(&self) -> Counts {
        let count = |count: usize, one, many| counted(count as u64, one, many);
        Counts {
            water: count(self.water_now.len(), "place leaks", "places leak"),
            unfinished: count(
                self.unfinished.len(),
                "visit not finished",
                "visits not finished",
            ),
            to_quote: format!("{} to quote", self.to_quote.len()),
        }
    }

    /// Reads what is open at these sites on that day.
    pub fn read(books: &[Book], date: NaiveDate) -> Self {
        let mut open = Self {
            water_now: Vec::new(),
            unfinished: Vec::new(),
            to_quote: Vec::new(),
            fixed_today: Vec::new(),
            parts_to_quote: Vec::new(),
            parts_used: Vec::new(),
            accepted: Vec::new(),
            cautions: Vec::new(),
        };
        let mut cautions: BTreeMap<&'static str, Vec<String>> = BTreeMap::new();
        for book in books {
            let site = book.site();
            for finding in site.findings() {
                open.take(book, &site, &finding, date, &mut cautions);
            }
            for visit in site.visits() {
                open.unfinished.extend(visit_line(book, &site, &visit));
            }
            open.parts_used.extend(parts_used(book, &site, date));
        }
        open.water_now.sort_by_key(rank);
        open.to_quote.sort_by_key(rank);
        open.cautions = cautions
            .into_iter()
            .map(|(caution, places)| CautionLine { caution, places })
            .collect();
        open
    }

    fn take(
        &mut self,
        book: &Book,
        site: &Site<'_>,
        finding: &Finding<'_>,
        date: NaiveDate,
        cautions: &mut BTreeMap<&'static str, Vec<String>>,
    ) {
        let Ok(what) = finding.what() else { return };
        let line = finding_line(book, site, finding);
        let status = finding.status();
        if status == Status::Accepted
            && let Ok(accepted) = finding.accepted()
        {
            self.accepted.push(AcceptedLine {
                site: book.name.clone(),
                place: line.place.clone(),
                what: line.what.clone(),
                reason: accepted.value.reason,
            });
        }
        if status == Status::Fixed && changed_on(finding, date) {
            self.fixed_today.push(line.clone());
        }
        if status.is_closed() {
            return;
        }
        if let Some(caution) = what.value.caution {
            let place = format!("{} {}", book.name, line.place);
            let places = cautions.entry(caution.sentence()).or_default();
            if !places.contains(&place) {
                places.push(place);
            }
        }
        if WATER.contains(&what.value.word) {
            self.water_now.push(line.clone());
        }
        if status == Status::ToQuote {
            for part in &line.parts {
                let (site, part) = (book.name.clone(), part.clone());
                self.parts_to_quote.push(PartCount {
                    part,
                    count: 1,
                    site,
                });
            }
            self.to_quote.push(line);
        }
    }

    /// Writes what cannot wait.
    pub fn write_water(&self, page: &mut Page) {
        page.line("WATER RUNNING OR LEAKING NOW");
        let rows: Vec<_> = self
            .water_now
            .iter()
            .map(|line| {
                let told = [&line.why, &line.description].into_iter().flatten();
                let told: Vec<_> = told.map(String::as_str).collect();
                let what = format!("{}, {}: {}", line.what, plain(line.status), told.join(". "));
                [
                    line.severity.to_owned(),
                    line.site.clone(),
                    line.place.clone(),
                    what,
                ]
            })
            .collect();
        page.table(["how soon", "site", "where", "what"], &rows);
        page.line("");
    }

    /// Writes everything else.
    pub fn write_rest(&self, page: &mut Page) {
        page.line("NOT FINISHED");
        let rows: Vec<_> = self.unfinished.iter().map(VisitLine::row).collect();
        page.table(["site", "visit", "people", "what is left"], &rows);
        page.line("");
        page.line("TO QUOTE");
        let rows: Vec<_> = self.to_quote.iter().map(FindingLine::quote_row).collect();
        let heading = ["how soon", "site", "where", "minutes", "what"];
        page.table(heading, &rows);
        page.line("");
        write_parts(page, "PARTS FOR THAT", &self.parts_to_quote);
        page.line("FIXED TODAY");
        let rows: Vec<_> = self
            .fixed_today
            .iter()
            .map(FindingLine::fixed_row)
            .collect();
        page.table(["site", "where", "what", "minutes"], &rows);
        page.line("");
        write_parts(page, "PARTS USED TODAY", &self.parts_used);
        page.line("STAYS AS IT IS");
        let rows: Vec<_> = self
            .accepted
            .iter()
            .map(|line| {
                let what = format!("{}: {}", line.what, line.reason);
                [line.site.clone(), line.place.clone(), what]
            })
            .collect();
        page.table(["site", "where", "what, and why"], &rows);
        page.line("");
    }

    /// Writes what can hurt where somebody will have to work.
    pub fn write_cautions(&self, page: &mut Page) {
        page.line("BEFORE ANYBODY STARTS ON THESE");
        let rows: Vec<_> = self
            .cautions
            .iter()
            .map(|line| [line.places.join(", "), line.caution.to_owned()])
            .collect();
        page.table(["where", "caution"], &rows);
        page.line("");
    }
}

impl VisitLine {
    fn row(&self) -> [String; 4] {
        let mut left = self.left.join("; ");
        if let ("open", Some(why)) = (self.state, &self.why) {
            left = format!("{left}. \"{why}\"");
        }
        let visit = format!("{}, {}", self.visit, plain(self.state));
        [self.site.clone(), visit, self.people.clone(), left]
    }
}

impl FindingLine {
    fn fixed_row(&self) -> [String; 4] {
        let why = self
            .why
            .as_deref()
            .map_or_else(String::new, |why| format!(": {why}"));
        let after = self.after.as_deref();
        let after = after.map_or_else(String::new, |after| format!("; now {after}"));
        let minutes = self.minutes.clone().unwrap_or_default();
        let what = format!("{}{why}{after}", self.what);
        [self.site.clone(), self.place.clone(), what, minutes]
    }

    fn quote_row(&self) -> [String; 5] {
        let why = self.why.as_deref().unwrap_or("");
        let parts = self.parts.join(", ");
        let what = match self.what.as_str() {
            "other" => format!("{why}. Parts: {parts}"),
            what => format!("{what}: {why}. Parts: {parts}"),
        };
        let minutes = self.minutes.clone().unwrap_or_default();
        [
            self.severity.to_owned(),
            self.site.clone(),
            self.place.clone(),
            minutes,
            what,
        ]
    }
}

/// Whether a finding got its status on that day, where it was written.
fn changed_on(finding: &Finding<'_>, date: NaiveDate) -> bool {
    let status = finding.choice::<Status>(&fields::finding::STATUS);
    status.is_ok_and(|status| status.stamp.wall().date_at(UTC_OFFSET_MIN) == date)
}

/// Sorts by how soon a finding matters.
fn rank(line: &FindingLine) -> Option<Severity> {
    Severity::of_word(line.severity)
}

fn finding_line(book: &Book, site: &Site<'_>, finding: &Finding<'_>) -> FindingLine {
    let us = UnitSystem::Us;
    let what = finding.what();
    let words = |field| finding.words(field).ok().map(|words| words.value);
    let before = words(&fields::finding::BEFORE);
    FindingLine {
        site: book.name.clone(),
        place: place(site, finding),
        what: what.map_or_else(|_| "a finding".to_owned(), |what| what.value.plain()),
        severity: finding.severity().map_or("", Severity::word),
        status: finding.status().word(),
        why: words(&fields::finding::CAUSE).or(before),
        description: words(&fields::finding::DESCRIPTION),
        after: words(&fields::finding::AFTER),
        parts: finding.parts(),
        minutes: finding.show(&fields::finding::MINUTES, us),
    }
}

/// Returns where a finding is: the label of what it belongs to.
fn place(site: &Site<'_>, finding: &Thing<'_>) -> String {
    let whole = finding.part_of().and_then(|id| site.thing(id));
    whole.map_or_else(
        || "site".to_owned(),
        |whole| {
            whole
                .label()
                .map_or_else(|| site.address(whole), str::to_owned)
        },
    )
}

fn visit_line(book: &Book, site: &Site<'_>, visit: &Visit<'_>) -> Option<VisitLine> {
    let state = visit.state();
    if state == VisitState::Finished {
        return None;
    }
    let us = UnitSystem::Us;
    let last_note = visit.seen(&seen::NOTE).last();
    let note = last_note.map(|note| seen::NOTE.show(&note.value, us));
    let skipped = visit
        .zones(site)
        .into_iter()
        .filter_map(|(zone, done)| match done {
            ZoneDone::Skipped(why) => Some(format!("{} skipped, {why}", site.address(*zone))),
            ZoneDone::Walked | ZoneDone::NotYet => None,
        });
    let lacks = visit.lacks(site).into_iter().map(|lacks| match lacks {
        Lacks::Zone { name, .. } => format!("{name} not seen"),
        Lacks::AsFound { name, .. } => format!("{name}: as found not written down"),
        Lacks::AsLeft { name, .. } => format!("{name}: as left not written down"),
        other => other.to_string(),
    });
    Some(VisitLine {
        site: book.name.clone(),
        visit: visit.label().unwrap_or("a visit").to_owned(),
        people: visit.show(&fields::visit::PEOPLE, us).unwrap_or_default(),
        state: state.word(),
        why: visit.show(&fields::visit::STATE_WHY, us).or(note),
        left: skipped.chain(lacks).collect(),
    })
}
