//! What a client's letter counts: what was done on the last day, what is to be decided, what the
//! zones get against what they need.

use std::collections::BTreeSet;

use chrono::{Datelike, NaiveDate};

use super::show::{Show, capital};
use super::words as w;
use super::{Facts, words};
use crate::log::id::ThingId;
use crate::log::stamp::Stamp;
use crate::site::estimate::{Estimate, Line, Standing};
use crate::site::fields::{self, any};
use crate::site::finding::{Severity, Status};
use crate::site::kind::ThingKind;
use crate::site::money::Money;
use crate::site::plan::{SitePlan, Stretch, ZonePlan};
use crate::site::programs::ProgramSet;
use crate::site::things::{Controller, Finding, Site, Thing, Zone};
use crate::site::visit::{VisitState, ZoneDone};
use crate::water::units::{Fraction, Gallons};

/// What the crews did on the last day that they were there.
pub(super) struct Done<'s> {
    /// That day.
    pub(super) on: NaiveDate,
    /// Zones that were run and looked at.
    pub(super) walked: BTreeSet<ThingId>,
    /// Heads of those zones.
    pub(super) heads: usize,
    /// What was mended that day.
    pub(super) fixed: Vec<Finding<'s>>,
}

impl<'s> Done<'s> {
    /// Looks at the last day of visits up to the day that is asked about.
    pub(super) fn of(facts: &Facts<'s>) -> Option<Self> {
        let site = facts.site;
        let visits = site.visits();
        let dated = visits.iter().filter_map(|visit| {
            let day = visit.day(&fields::visit::DATE).ok()?.value;
            let counts = day <= facts.on && visit.state() != VisitState::Abandoned;
            counts.then_some((day, visit))
        });
        let dated: Vec<_> = dated.collect();
        let on = dated.iter().map(|(day, _)| *day).max()?;
        let mut walked = BTreeSet::new();
        let mut heads = 0;
        for (_, visit) in dated.iter().filter(|(day, _)| *day == on) {
            for (zone, done) in visit.zones(site) {
                if done == ZoneDone::Walked && walked.insert(zone.id) {
                    heads += zone.heads().len();
                }
            }
        }
        let fixed = site.findings().into_iter();
        let fixed = fixed.filter(|finding| mended_on(finding, facts) == Some(on));
        Some(Self {
            on,
            walked,
            heads,
            fixed: fixed.collect(),
        })
    }
}

/// The day on which a finding was called fixed, where it is.
fn mended_on(finding: &Finding<'_>, facts: &Facts<'_>) -> Option<NaiveDate> {
    let status = finding.choice::<Status>(&fields::finding::STATUS).ok()?;
    (status.value == Status::Fixed).then(|| day_of(status.stamp, facts))
}

/// The day of a stamp, as told where the paper is made.
pub(super) fn day_of(stamp: Stamp, facts: &Facts<'_>) -> NaiveDate {
    stamp.wall().date_at(facts.utc_offset_min)
}

/// Something that the client has to decide.
pub(super) struct Pending<'s> {
    /// What was found.
    pub(super) finding: Finding<'s>,
    /// How soon it matters.
    pub(super) severity: Severity,
    /// The price that the client was given, where one was.
    pub(super) price: Option<Money>,
    /// The last day of its price; past, where it has ended.
    pub(super) until: Option<NaiveDate>,
}

/// Returns what the client has to decide, the most urgent first, then in the order of the walk.
pub(super) fn pending<'s>(facts: &Facts<'s>) -> Vec<Pending<'s>> {
    let estimates = facts.site.estimates();
    let findings = facts.site.findings().into_iter();
    let open = findings.filter(|it| matches!(it.status(), Status::ToQuote | Status::Quoted));
    let mut pending: Vec<Pending<'s>> = open
        .map(|finding| {
            let line = line_of(&estimates, finding.id, facts.on);
            Pending {
                severity: finding.severity().unwrap_or(Severity::Routine),
                price: line
                    .and_then(|(line, _)| Some(line.quoted.as_ref().ok()?.value.total()))
                    .or_else(|| Some(finding.quoted().ok()?.value)),
                until: line.and_then(|(_, until)| until),
                finding,
            }
        })
        .collect();
    pending.sort_by_key(|it| it.severity);
    pending
}

/// The newest line about a finding that is still open, or has ended without an answer.
fn line_of<'e, 's>(
    estimates: &'e [Estimate<'s>],
    finding: ThingId,
    on: NaiveDate,
) -> Option<(&'e Line<'s>, Option<NaiveDate>)> {
    let lines = estimates.iter().rev().flat_map(|estimate| {
        let lines = estimate.lines.iter();
        lines.map(|line| (line, estimate.valid_until))
    });
    let mut about = lines.filter(|(line, _)| {
        let open = matches!(line.standing(on), Standing::Open | Standing::Expired);
        open && line.finding.as_ref().is_some_and(|it| it.id == finding)
    });
    about.next()
}

/// A week's water, over the zones of which all three figures are known.
pub(super) struct Water {
    pub(super) found: Gallons,
    pub(super) left: Gallons,
    pub(super) need: Gallons,
    pub(super) zones: usize,
}

impl Water {
    pub(super) fn of(plan: &SitePlan) -> Self {
        let mut water = Self {
            found: Gallons::ZERO,
            left: Gallons::ZERO,
            need: Gallons::ZERO,
            zones: 0,
        };
        for zone in &plan.zones {
            let found = zone.as_found.gallons.value();
            let left = zone.as_left.gallons.value();
            // Where the programs as found were not taken down, what was left is all there is.
            let (Some(left), Some(need)) = (left, zone.gallons.value()) else {
                continue;
            };
            water.found = water.found + found.unwrap_or(left);
            water.left = water.left + left;
            water.need = water.need + need;
            water.zones += 1;
        }
        water
    }
}

/// How the heads of a zone stand.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct HeadCount {
    pub(super) good: usize,
    pub(super) adjusted: usize,
    pub(super) open: usize,
}

impl HeadCount {
    pub(super) fn of(zone: &Zone<'_>, done: Option<&Done<'_>>) -> Self {
        let mended: BTreeSet<ThingId> = done
            .iter()
            .flat_map(|done| done.fixed.iter().filter_map(|fixed| fixed.part_of()))
            .collect();
        let mut count = Self {
            good: 0,
            adjusted: 0,
            open: 0,
        };
        for head in zone.heads() {
            let open = head.findings_here();
            if open.iter().any(|finding| !finding.status().is_closed()) {
                count.open += 1;
            } else if mended.contains(&head.id) {
                count.adjusted += 1;
            } else {
                count.good += 1;
            }
        }
        count
    }
}

/// The programs as they stand: as left, else as found last.
pub(super) fn programs(controller: &Controller<'_>) -> Option<ProgramSet> {
    let left = controller.as_left().ok().map(|left| left.value);
    left.or_else(|| Some(controller.as_found().pop()?.value))
}

/// On how many days a week a zone runs, as left.
pub(super) fn days_a_week(zone: &Zone<'_>) -> Option<f64> {
    let set = programs(&zone.controller()?)?;
    let station = zone.station()?;
    let running = set.programs.values();
    let running = running.filter(|program| program.minutes_a_run(station).get() > 0.0);
    let days: f64 = running.map(|program| program.days.days_a_week()).sum();
    (days > 0.0).then_some(days.min(7.0))
}

/// The plan of a zone.
pub(super) fn planned<'p>(plan: &'p SitePlan, zone: &Zone<'_>) -> Option<&'p ZonePlan> {
    plan.zones.iter().find(|planned| planned.zone == zone.id)
}

/// The year up to the day, as far as its weather is recorded.
pub(super) fn stretch(facts: &Facts<'_>) -> Option<Stretch> {
    let days = facts.weather.days.iter().map(|day| day.date);
    let days: Vec<NaiveDate> = days.filter(|day| *day <= facts.on).collect();
    let (first, to) = (days.iter().min()?, days.iter().max()?);
    let year_before = to.with_year(to.year() - 1).unwrap_or(*first);
    Some(Stretch {
        from: *first.max(&year_before),
        to: *to,
        months: 1..=12,
        allowed_short: Fraction::new(ALLOWED_SHORT),
    })
}

/// The share of their need that plants may go short of on the percent dial; common practice, no
/// source.
const ALLOWED_SHORT: f64 = 0.05;

/// Findings by the year in which they were written down.
pub(super) fn findings_by_year(facts: &Facts<'_>) -> Vec<(i32, usize)> {
    let mut years: std::collections::BTreeMap<i32, usize> = std::collections::BTreeMap::new();
    for finding in facts.site.findings() {
        if let Some(kind) = finding.register(&any::KIND) {
            let day = day_of(kind.in_force().stamp, facts);
            *years.entry(day.year()).or_default() += 1;
        }
    }
    years.into_iter().collect()
}

/// The middle age of things of a kind, and of how many it is known.
pub(super) fn middle_age(years: impl Iterator<Item = i64>, on: NaiveDate) -> Option<(i64, usize)> {
    let mut ages: Vec<i64> = years.map(|year| i64::from(on.year()) - year).collect();
    ages.sort_unstable();
    let middle = ages.get(ages.len() / 2)?;
    Some((*middle, ages.len()))
}

/// What a finding is, in the reader's words; with the crew's own where they say more.
pub(super) fn what(finding: &Finding<'_>, show: Show) -> String {
    let kind = finding.what().ok().map(|kind| kind.value);
    let told = kind.and_then(|kind| words::finding_words(kind.word));
    let cause = finding.words(&fields::finding::CAUSE).ok();
    let cause = cause.map(|cause| cause.value);
    match (kind, told) {
        (Some(kind), Some(_)) if kind.word == "other" => {
            let remedy = finding.words(&fields::finding::REMEDY).ok();
            let said = cause.or(remedy.map(|remedy| remedy.value));
            capital(&said.unwrap_or_else(|| show.words(w::NOT_DESCRIBED).to_owned()))
        }
        (_, Some(told)) => show.words(told.what).to_owned(),
        _ => capital(&cause.unwrap_or_else(|| show.words(w::NOT_DESCRIBED).to_owned())),
    }
}

/// What mends a finding: the crew's word, else what usually does.
pub(super) fn remedy(finding: &Finding<'_>, show: Show) -> String {
    let own = finding.words(&fields::finding::REMEDY).ok();
    let kind = finding.what().ok().map(|kind| kind.value);
    let usual = kind.and_then(|kind| words::finding_words(kind.word));
    own.map_or_else(
        || {
            usual
                .map_or("", |usual| show.words(usual.remedy))
                .to_owned()
        },
        |own| own.value,
    )
}

/// What happens if nothing is done about a finding.
pub(super) fn if_not(finding: &Finding<'_>, show: Show) -> &'static str {
    let kind = finding.what().ok().map(|kind| kind.value);
    let told = kind.and_then(|kind| words::finding_words(kind.word));
    told.map_or("", |told| show.words(told.if_not))
}

/// Where something is, in a reader's words.
pub(super) fn place(site: &Site<'_>, of: Option<ThingId>, show: Show) -> String {
    let Some(thing) = of.and_then(|id| site.thing(id)) else {
        return show.words(w::THE_SITE).to_owned();
    };
    let address = site.address(thing);
    let bare = |word: &str| {
        let bare = address.strip_prefix(word).unwrap_or(&address);
        bare.trim_start_matches('-').to_owned()
    };
    match thing.kind {
        Some(ThingKind::Head) => w::AT_HEAD.with(show.language, &[&bare("head")]),
        Some(ThingKind::Valve) => w::AT_VALVE.with(show.language, &[&bare("valve")]),
        Some(ThingKind::Zone) => zone_name(site, thing, show),
        Some(ThingKind::Controller) => show.words(w::THE_CONTROLLER).to_owned(),
        Some(ThingKind::Supply) => show.words(w::THE_SUPPLY).to_owned(),
        Some(ThingKind::Spot) => thing
            .words(&fields::spot::NEAR)
            .map_or_else(|_| address.clone(), |near| near.value),
        Some(ThingKind::Site) => show.words(w::THE_SITE).to_owned(),
        _ => address,
    }
}

/// A zone by number and name.
pub(super) fn zone_name(site: &Site<'_>, zone: Thing<'_>, show: Show) -> String {
    let address = site.address(zone);
    let number = address.strip_prefix("zone-").unwrap_or(&address);
    let named = zone.words(&fields::zone::NAME);
    named.map_or_else(
        |_| w::AT_ZONE.with(show.language, &[number]),
        |name| {
            format!(
                "{} {}",
                w::AT_ZONE.with(show.language, &[number]),
                name.value
            )
        },
    )
}
