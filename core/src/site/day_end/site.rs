//! What one site has to be decided about, whatever the day: each line says from when it is listed.

use chrono::NaiveDate;

use super::record::{Decided, next};
use super::versions::{self, Named};
use super::{Act, Asks, Line, LineKey, Matter, Offer, Subject, basis};
use crate::log::id::{LogbookId, Place};
use crate::log::value::Value;
use crate::site::fields::{self, FieldDef, seen};
use crate::site::finding::{FindingKind, Severity, Status};
use crate::site::sight::{Book, visit_called};
use crate::site::things::{Controller, Finding, Site, Supply, Thing, Visit, Zone};
use crate::site::unit::UnitSystem;
use crate::site::visit::{VisitState, ZoneDone};
use crate::site::words::{Season, Vocabulary, plain};

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
/// How long before its day a backflow test is listed: common practice, no source.
const BACKFLOW_NOTICE_DAYS: i64 = 30;
/// How often a finding makes one look at the cause: the third re-aim of a head means a bad body
/// or a mower's line. Common practice, no source.
const OFTEN: usize = 3;
/// Within how many days: a season, roughly.
const OFTEN_WITHIN_DAYS: i64 = 365;

/// A site as the day's end sees it: worked out once for as long as its logbook does not change.
#[derive(Debug, Clone, PartialEq)]
pub struct SiteDigest {
    /// Its logbook.
    pub logbook: LogbookId,
    /// Its name.
    pub name: String,
    /// What there is to decide, from whatever day.
    pub lines: Vec<Line>,
    /// What was decided.
    pub(super) decided: Vec<Decided>,
    /// The days on which it was visited, with the crew where that was written down.
    pub(super) visited: Vec<(NaiveDate, Option<String>)>,
    /// The parts that work with a day takes.
    pub(super) planned: Vec<(NaiveDate, String)>,
}

impl SiteDigest {
    /// Works it out. Where [`super::asks_for_entries`] says so, the logbook's entries are needed
    /// beside the state: who wrote a version, and what they had seen, stands there.
    #[must_use]
    pub fn of(site: &Site<'_>, name: &str, entries: Option<&Book<'_>>, named: &Named<'_>) -> Self {
        let logbook = LogbookId::of_root(site.root().id);
        let decided = Decided::all(site.state(), logbook);
        let maker = Maker {
            site,
            name,
            logbook,
            decided: &decided,
            system: UnitSystem::Us,
        };
        let mut lines = Vec::new();
        let (mut visited, mut planned) = (Vec::new(), Vec::new());
        let findings = site.findings();
        for finding in &findings {
            lines.extend(maker.finding(finding));
            let day = finding.day(&fields::finding::SCHEDULED).ok();
            if let (Some(day), Status::Scheduled) = (day, finding.status()) {
                let parts = finding.parts().into_iter();
                planned.extend(parts.map(|part| (day.value, part)));
            }
        }
        for visit in site.visits() {
            let day = visit.day(&fields::visit::DATE).ok();
            let crew = visit.words(&fields::visit::CREW).ok();
            visited.extend(day.map(|day| (day.value, crew.map(|crew| crew.value))));
            lines.extend(maker.visit(&visit));
        }
        lines.extend(maker.repeated(&findings));
        lines.extend(site.supply().and_then(|supply| maker.backflow(&supply)));
        for controller in site.controllers() {
            lines.extend(maker.summer(&controller));
            lines.extend(maker.changed(&controller));
        }
        if let Some(book) = entries {
            lines.extend(versions::in_two(book, name, named));
            lines.extend(versions::pairs(book, name, named));
        }
        Self {
            logbook,
            name: name.to_owned(),
            lines,
            decided,
            visited,
            planned,
        }
    }
}

/// What makes the lines of one site.
struct Maker<'a> {
    site: &'a Site<'a>,
    name: &'a str,
    logbook: LogbookId,
    decided: &'a [Decided],
    system: UnitSystem,
}

impl Maker<'_> {
    fn line(&self, matter: Matter, thing: Thing<'_>, basis: String, head: String) -> Line {
        Line {
            key: LineKey::of(matter, self.logbook, thing.id.to_string()),
            basis,
            severity: None,
            from: None,
            site: self.name.to_owned(),
            place: self.site.address(thing),
            about: thing.id,
            head,
            more: Vec::new(),
            caution: None,
            sides: Vec::new(),
            offers: Vec::new(),
            subject: Subject::Nothing,
        }
    }

    /// A finding that leaks, waits for a price, or waits for a day. One line each: where water
    /// leaks, that is the line.
    fn finding(&self, finding: &Finding<'_>) -> Option<Line> {
        let what = finding.what().ok()?;
        let status = finding.status();
        let severity = finding.severity().ok();
        let leaks = WATER.contains(&what.value.word) && severity != Some(Severity::Watch);
        let matter = match status {
            Status::Fixed | Status::Checked | Status::Accepted => return None,
            // What has a day is waited for until then.
            Status::Scheduled if leaks => Matter::WaterRunning,
            Status::Scheduled => Matter::ToSchedule,
            Status::Quoted if !leaks || severity != Some(Severity::Urgent) => return None,
            _ if leaks => Matter::WaterRunning,
            Status::ToQuote => Matter::ToQuote,
            Status::Approved => Matter::ToSchedule,
            _ => return None,
        };
        let places = [
            &fields::finding::STATUS,
            &fields::finding::WHAT,
            &fields::finding::SEVERITY,
            &fields::finding::SCHEDULED,
        ];
        let head = format!("{}, {}", what.value.plain(), plain(status.word()));
        let mut line = self.line(matter, **finding, in_force(finding, &places), head);
        line.place = self.place_of(finding);
        line.severity = severity;
        line.caution = what.value.caution.map(|caution| caution.sentence());
        line.more = self.about_finding(finding, what.value);
        line.subject = Subject::Finding(finding.id);
        if status == Status::Scheduled {
            let day = finding.day(&fields::finding::SCHEDULED).ok()?.value;
            line.from = day.succ_opt();
            line.head = format!("{}, was to be done on {day}", what.value.plain());
        }
        line.offers = vec![
            Offer::new(Act::Schedule, 's', "Crew does it on", Asks::Day),
            Offer::new(Act::Fixed, 'f', "Fixed by", Asks::Who),
        ];
        if matches!(
            status,
            Status::ToQuote | Status::Described | Status::Flagged
        ) {
            let quoted = Offer::new(Act::Quoted, 'q', "Client told the price", Asks::Price);
            line.offers.push(quoted);
        }
        line.offers
            .push(Offer::new(Act::Accept, 'x', "Stays as it is", Asks::Why));
        line.offers.push(Offer::later());
        Some(line)
    }

    fn about_finding(&self, finding: &Finding<'_>, kind: &FindingKind) -> Vec<String> {
        let mut more = Vec::new();
        let fields = [
            &fields::finding::CAUSE,
            &fields::finding::BEFORE,
            &fields::finding::DESCRIPTION,
        ];
        for field in fields {
            let words = finding.words(field).ok().map(|words| words.value);
            more.extend(words.filter(|words| !words.is_empty()).map(sentence));
        }
        let remedy = finding.words(&fields::finding::REMEDY).ok();
        let remedy = remedy.map_or_else(|| kind.remedy.to_owned(), |remedy| remedy.value);
        let mut does = format!("Usual remedy: {remedy}");
        if let Some(minutes) = finding.show(&fields::finding::MINUTES, self.system) {
            does = format!("{does}, {minutes}");
        }
        more.push(format!("{does}."));
        let parts = finding.parts();
        if !parts.is_empty() {
            more.push(format!("Parts: {}.", parts.join(", ")));
        }
        more
    }

    /// Where a finding is: what it belongs to.
    fn place_of(&self, finding: &Finding<'_>) -> String {
        let whole = finding.part_of().and_then(|id| self.site.thing(id));
        whole.map_or_else(|| "site".to_owned(), |whole| self.site.address(whole))
    }

    /// A visit that is open, or that skipped something.
    fn visit(&self, visit: &Visit<'_>) -> Option<Line> {
        let state = visit.state();
        if !matches!(state, VisitState::Open | VisitState::FinishedWithSkips) {
            return None;
        }
        let people = visit.show(&fields::visit::PEOPLE, self.system);
        let mut more = self.skipped(visit);
        if state == VisitState::FinishedWithSkips && (more.is_empty() || self.ended_here(visit)) {
            return None;
        }
        let head = match state {
            VisitState::Open => {
                let lacks = visit.lacks(self.site);
                more.extend(lacks.iter().map(|lacks| format!("{lacks}.")));
                "not finished".to_owned()
            }
            _ => "finished, with zones skipped".to_owned(),
        };
        let why = visit.words(&fields::visit::STATE_WHY).ok();
        more.extend(why.map(|why| sentence(why.value)));
        let note = visit.seen(&seen::NOTE).last();
        more.extend(note.map(|note| format!("\"{}\"", seen::NOTE.show(&note.value, self.system))));
        let basis = format!(
            "{}+{}",
            in_force(visit, &[&fields::visit::STATE]),
            more.len()
        );
        let mut line = self.line(Matter::VisitOpen, **visit, basis, head);
        let people = people.map_or_else(String::new, |people| format!(" ({people})"));
        line.place = format!("{}{people}", visit_called(self.site, visit.id));
        line.more = more;
        line.subject = Subject::Visit(visit.id);
        line.offers = match state {
            VisitState::Open => vec![
                Offer::new(Act::EndVisit, 'e', "It is over", Asks::Why),
                Offer::later(),
            ],
            _ => vec![
                Offer::new(Act::Leave, 'x', "Nobody goes back", Asks::Why),
                Offer::later(),
            ],
        };
        Some(line)
    }

    /// The zones that a visit skipped and nobody walked since.
    fn skipped(&self, visit: &Visit<'_>) -> Vec<String> {
        let ended = visit.register(&fields::visit::STATE);
        let ended = ended.map(|state| state.in_force().stamp);
        let since = |zone: &Zone<'_>| {
            let ran = [&seen::ZONE_RAN, &seen::HEADS_GOOD, &seen::CATCH_CANS];
            let ran = ran.into_iter().filter_map(|what| zone.seen(what).last());
            ran.map(|ran| ran.stamp).max() > ended
        };
        let zones = visit.zones(self.site).into_iter();
        let skipped = zones.filter_map(|(zone, done)| match done {
            ZoneDone::Skipped(why) if !since(&zone) => {
                Some(format!("{} skipped: {why}.", self.site.address(*zone)))
            }
            _ => None,
        });
        skipped.collect()
    }

    /// Whether the office ended it, knowing what it lacks.
    fn ended_here(&self, visit: &Visit<'_>) -> bool {
        let state = visit.register(&fields::visit::STATE);
        let place = state.map(|state| state.in_force().place);
        let mut decided = self.decided.iter();
        decided.any(|decided| decided.act == Act::EndVisit && Some(decided.place) == place)
    }

    /// The same finding on the same thing, again and again.
    fn repeated(&self, findings: &[Finding<'_>]) -> Vec<Line> {
        let mut lines = Vec::new();
        for (at, finding) in findings.iter().enumerate() {
            let (Ok(what), Some(whole)) = (finding.what(), finding.part_of()) else {
                continue;
            };
            let alike = |other: &&Finding<'_>| {
                other.part_of() == Some(whole)
                    && other.what().is_ok_and(|kind| kind.value == what.value)
            };
            let kin: Vec<_> = findings.iter().filter(alike).collect();
            let first = findings.iter().position(|other| alike(&other)) == Some(at);
            if !first || kin.len() < OFTEN {
                continue;
            }
            let mut stamps: Vec<_> = kin
                .iter()
                .filter_map(|kin| Some(kin.what().ok()?.stamp))
                .collect();
            stamps.sort();
            let (Some(last), Some(early)) = (stamps.last(), stamps.get(stamps.len() - OFTEN))
            else {
                continue;
            };
            if last.wall().since(early.wall()) > OFTEN_WITHIN_DAYS * 24 * 60 * 60 * 1_000 {
                continue;
            }
            let Some(thing) = self.site.thing(whole) else {
                continue;
            };
            let places = kin.iter().filter_map(|kin| Some(kin.what().ok()?.place));
            let head = format!("{}, {} times within a year", what.value.plain(), kin.len());
            let mut line = self.line(Matter::Repeated, thing, basis(places), head);
            line.key.subject = format!("{}-{}", thing.id, what.value.word);
            line.more = vec!["The cause may lie deeper than what was mended each time.".to_owned()];
            line.offers = vec![Offer::leave(), Offer::later()];
            lines.push(line);
        }
        lines
    }

    fn backflow(&self, supply: &Supply<'_>) -> Option<Line> {
        let due = supply.day(&fields::supply::BACKFLOW_DUE).ok()?;
        let head = format!("the backflow test is due on {}", due.value);
        let mut line = self.line(Matter::Due, **supply, basis([due.place]), head);
        line.from = due
            .value
            .checked_sub_signed(chrono::TimeDelta::days(BACKFLOW_NOTICE_DAYS));
        line.more = vec!["A certified tester does it, by local rule.".to_owned()];
        let kind = supply.show(&fields::supply::BACKFLOW_KIND, self.system);
        let serial = supply.show(&fields::supply::BACKFLOW_SERIAL, self.system);
        if let Some(kind) = kind {
            let serial = serial.map_or_else(String::new, |serial| format!(", serial {serial}"));
            line.more.push(format!("{}{serial}.", plain(&kind)));
        }
        line.key.subject = format!("{}-backflow", supply.id);
        line.offers = vec![
            Offer::new(Act::Later, 's', "Tester comes on", Asks::Day),
            Offer::leave(),
            Offer::later(),
        ];
        Some(line)
    }

    /// Programs that were last set before the autumn, where the need falls to about half of
    /// July's: common practice, no source.
    fn summer(&self, controller: &Controller<'_>) -> Option<Line> {
        let left = controller.as_left().ok()?;
        if self
            .site
            .season()
            .is_ok_and(|season| season.value != Season::Running)
        {
            return None;
        }
        let latitude = self.site.root().show(&fields::site::LATITUDE, self.system);
        let southern = latitude.is_some_and(|latitude| latitude.starts_with('-'));
        let set = left.stamp.wall().date_at(0);
        let from = next(if southern { 3 } else { 9 }, 15, set)?;
        let head = format!("the programs still stand as they were set on {set}");
        let mut line = self.line(Matter::Due, **controller, basis([left.place]), head);
        line.key.subject = format!("{}-season", controller.id);
        line.from = Some(from);
        line.more = vec!["Autumn needs much less water than July.".to_owned()];
        line.offers = vec![
            Offer::new(Act::Later, 's', "Crew sets it on", Asks::Day),
            Offer::leave(),
            Offer::later(),
        ];
        Some(line)
    }

    /// Programs that were found as nobody of the firm had left them, and not set again.
    fn changed(&self, controller: &Controller<'_>) -> Option<Line> {
        let left = controller.as_left().ok()?;
        let found = controller.as_found().pop()?;
        if found.by.stamp <= left.stamp || found.value == left.value {
            return None;
        }
        let visit_goes_on = found.by.visit.and_then(|id| self.site.thing(id));
        let visit_goes_on = visit_goes_on.and_then(|thing| Visit::of(self.site, thing));
        if visit_goes_on.is_some_and(|visit| visit.state() == VisitState::Open) {
            return None; // what it lacks says so
        }
        let head = "the programs were changed since we left, and not set again".to_owned();
        let basis = basis([left.place, found.by.place]);
        let mut line = self.line(Matter::Due, **controller, basis, head);
        line.key.subject = format!("{}-changed", controller.id);
        line.more = vec![
            format!("Left: {}.", left.value),
            format!("Found by {}: {}.", found.by.by, found.value),
        ];
        line.offers = vec![
            Offer::new(Act::Later, 's', "Crew sets it on", Asks::Day),
            Offer::leave(),
            Offer::later(),
        ];
        Some(line)
    }
}

/// Names the writes in force of some fields of a thing.
pub(super) fn in_force(thing: &Thing<'_>, of: &[&FieldDef]) -> String {
    let places = of.iter().filter_map(|field| thing.register(field));
    let places: Vec<Place> = places.map(|register| register.in_force().place).collect();
    basis(places)
}

/// Makes a sentence of words that somebody typed.
fn sentence(words: String) -> String {
    let words = words.trim();
    let mut letters = words.chars();
    let first = letters.next().map(char::to_uppercase);
    let rest = letters.as_str();
    let first: String = first.into_iter().flatten().collect();
    match words.ends_with(['.', '!', '?']) {
        true => format!("{first}{rest}"),
        false => format!("{first}{rest}."),
    }
}

/// Reads the list that a field holds.
pub(super) fn list(thing: &Thing<'_>, field: &FieldDef) -> Vec<Value> {
    let list = thing.raw(field).and_then(Value::as_list);
    list.unwrap_or_default().to_vec()
}
