//! What dry and wet notes teach about a zone's need, and which of them teach nothing because a
//! fault explains them.

use std::collections::BTreeMap;

use chrono::{Days, NaiveDate};

use super::supply::Applied;
use super::{HouseRules, Why};
use crate::log::stamp::Stamp;
use crate::site::fields;
use crate::site::finding::Status;
use crate::site::programs::ProgramSet;
use crate::site::things::{Finding, Moisture, Site, Zone};
use crate::site::weather::{Standing, WeatherDay, standing_of_site};
use crate::site::words::Weeping;
use crate::water::learn::{self, How, Note, Published, Sign};
use crate::water::rain;
use crate::water::runtime;
use crate::water::units::{Fraction, Inches};

/// How far back notes count: a planting changes in a year.
const NOTES_DAYS: u64 = 365;
/// The soil answers for about so many days before a note; common practice, no source.
const BEFORE_DAYS: u64 = 28;
/// Of them so many must have weather.
const LEAST_DAYS: usize = 14;
/// A fault that is found so soon after a note was there already; common practice, no source.
const FOUND_WITHIN_MS: i64 = 3 * 24 * 3_600 * 1_000;

/// What the notes of a site are weighed by.
pub(super) struct Lessons<'a> {
    weather: BTreeMap<NaiveDate, &'a WeatherDay>,
    elsewhere: Option<Standing>,
    on: NaiveDate,
    rules: &'a HouseRules,
}

/// A dry or wet note as it stands in the log.
struct Noted {
    date: NaiveDate,
    stamp: Stamp,
    sign: Sign,
    how: How,
    /// What it came of, if somebody wrote that down.
    cause: Option<String>,
}

impl<'a> Lessons<'a> {
    pub(super) fn of(
        site: &Site<'_>,
        weather: &'a [WeatherDay],
        on: NaiveDate,
        rules: &'a HouseRules,
    ) -> Self {
        Self {
            weather: weather.iter().map(|day| (day.date, day)).collect(),
            elsewhere: standing_of_site(site.root()),
            on,
            rules,
        }
    }

    /// Returns by how much the notes move a zone's coefficient, of which `published` says the range
    /// on the day of the plan and `figure` the published one of any day; and what is to be said.
    pub(super) fn taught(
        &self,
        zone: Zone<'_>,
        published: Published,
        figure: impl Fn(NaiveDate) -> Option<Fraction>,
    ) -> (Fraction, Vec<Why>) {
        let mut why = Vec::new();
        let mut notes = Vec::new();
        let mut dates: BTreeMap<Sign, Vec<NaiveDate>> = BTreeMap::new();
        for noted in self.notes(zone) {
            let Noted { date, sign, .. } = noted;
            let word = said(sign);
            if let Some(reason) = self.explained(zone, &noted) {
                why.push(Why::NoteExplained { date, word, reason });
                continue;
            }
            let Some(supplied) = figure(date).and_then(|figure| self.supplied(zone, date, figure))
            else {
                why.push(Why::NoteNotWeighed { date, word });
                continue;
            };
            if sign == Sign::Dry && supplied.get() < STARVED {
                why.push(Why::NoteOfThirst { date, supplied });
            }
            notes.push(Note {
                sign,
                how: noted.how,
                supplied,
            });
            dates.entry(sign).or_default().push(date);
        }
        if notes.is_empty() {
            return (Fraction::new(1.0), why);
        }
        let Ok(learned) = learn::learned(published, &notes) else {
            return (Fraction::new(1.0), why);
        };
        let count = |sign: Sign| dates.get(&sign).map_or(0, Vec::len);
        why.insert(
            0,
            Why::Learned {
                from: published.figure,
                to: learned.coefficient,
                dry: count(Sign::Dry),
                wet: count(Sign::Wet),
                right: count(Sign::Right),
                range: (published.low, published.high),
            },
        );
        (Fraction::new(learned.coefficient / published.figure), why)
    }

    /// The notes on a zone, its spots and its findings, one a day and sign, oldest first; where a
    /// probe and an eye say the same on one day, the probe.
    fn notes(&self, zone: Zone<'_>) -> Vec<Noted> {
        let mut all: Vec<Noted> = Vec::new();
        for probe in zone.probes() {
            if let Some(moisture) = probe.value.moisture {
                all.push(Noted {
                    date: probe.by.stamp.wall().date_at(probe.by.utc_offset_min),
                    stamp: probe.by.stamp,
                    sign: sign(moisture),
                    how: How::Probed,
                    cause: None,
                });
            }
        }
        for spot in zone.spots() {
            let moisture = spot.read(&fields::spot::MOISTURE, |value| {
                Moisture::of_word(value.as_text()?)
            });
            let Ok(moisture) = moisture else { continue };
            let probed = spot.probes().into_iter().rev();
            let probed = probed.filter_map(|probe| probe.value.moisture).next();
            let cause = spot
                .words(&fields::spot::CAUSE)
                .ok()
                .map(|cause| cause.value);
            let moist_below = matches!(
                (moisture.value, probed),
                (Moisture::Dry, Some(Moisture::Moist | Moisture::Wet))
            );
            all.push(Noted {
                date: moisture.stamp.wall().date_at(0),
                stamp: moisture.stamp,
                sign: sign(moisture.value),
                how: if probed == Some(moisture.value) {
                    How::Probed
                } else {
                    How::Seen
                },
                cause: cause.or_else(|| {
                    moist_below.then(|| "the probe brought up moist soil below it".to_owned())
                }),
            });
        }
        for finding in zone.findings() {
            let Ok(what) = finding.what() else { continue };
            let sign = match what.value.word {
                "dry-area" => Sign::Dry,
                "wet-area" => Sign::Wet,
                _ => continue,
            };
            all.push(Noted {
                date: what.stamp.wall().date_at(0),
                stamp: what.stamp,
                sign,
                how: How::Seen,
                cause: finding
                    .words(&fields::finding::CAUSE)
                    .ok()
                    .map(|cause| cause.value),
            });
        }
        let oldest = self
            .on
            .checked_sub_days(Days::new(NOTES_DAYS))
            .unwrap_or(self.on);
        all.retain(|noted| (oldest..=self.on).contains(&noted.date));
        all.sort_by_key(|noted| (noted.date, noted.sign, noted.how == How::Seen, noted.stamp));
        all.dedup_by_key(|noted| (noted.date, noted.sign));
        all
    }

    /// The fault that explains a note, if there is one.
    fn explained(&self, zone: Zone<'_>, noted: &Noted) -> Option<String> {
        if let Some(cause) = &noted.cause {
            return Some(cause.clone());
        }
        let explains = match noted.sign {
            Sign::Dry => EXPLAINS_DRY,
            Sign::Wet => EXPLAINS_WET,
            Sign::Right => return None,
        };
        let there = |finding: &Finding<'_>| {
            let Ok(what) = finding.what() else {
                return false;
            };
            let found_in_time = what.stamp.wall().since(noted.stamp.wall()) <= FOUND_WITHIN_MS;
            let mended_before = finding
                .choice::<Status>(&fields::finding::STATUS)
                .is_ok_and(|status| status.value.is_closed() && status.stamp < noted.stamp);
            explains.contains(&what.value.word) && found_in_time && !mended_before
        };
        let findings = zone.findings();
        if let Some(fault) = findings.iter().find(|finding| there(finding)) {
            let what = fault.what().ok()?.value.plain();
            return Some(what);
        }
        let weeps = zone.valve().and_then(|valve| valve.weeping().ok());
        let weeps = weeps.filter(|weeping| weeping.value == Weeping::Yes);
        (noted.sign == Sign::Wet && weeps.is_some()).then(|| "its valve weeps".to_owned())
    }

    /// Water that the drier half had in the weeks before, as a share of what the published figure
    /// asks for; `None` where that is not known.
    fn supplied(&self, zone: Zone<'_>, date: NaiveDate, figure: Fraction) -> Option<Fraction> {
        let from = date.checked_sub_days(Days::new(BEFORE_DAYS))?;
        let share = Fraction::from(self.rules.effective_rain.value);
        let (mut eto, mut counted, mut days) = (Inches::ZERO, Inches::ZERO, 0);
        for day in self.weather.range(from..date).map(|(_, day)| day) {
            let Ok(of_day) = day.eto(self.elsewhere) else {
                continue;
            };
            eto = eto + of_day.eto;
            days += 1;
            let rain = day
                .rain
                .and_then(|rain| rain::above_a_fifth(rain, of_day.eto).ok());
            counted = counted + rain.unwrap_or(Inches::ZERO) * share.get();
        }
        if days < LEAST_DAYS || eto <= Inches::ZERO {
            return None;
        }
        let need = eto * figure.get();
        let applied = Applied::of(zone);
        let running = self.running_before(zone, date)?;
        let minutes = running.minutes_a_week(zone.station()?);
        let (rate, even) = (applied.rate.value()?, applied.uniformity.value()?);
        let drier = 1.0 / runtime::multiplier(even).ok()?.get();
        let weeks = days as f64 / 7.0;
        let depth = Inches::new(rate.get() * minutes.get() / 60.0) * (drier * weeks);
        Some(Fraction::new((depth + counted) / need))
    }

    /// The programs that ran before a note: those found last until then, else those left.
    fn running_before(&self, zone: Zone<'_>, date: NaiveDate) -> Option<ProgramSet> {
        let controller = zone.controller()?;
        let found = controller.as_found().into_iter().rev();
        let mut found =
            found.filter(|found| found.by.stamp.wall().date_at(found.by.utc_offset_min) <= date);
        if let Some(found) = found.next() {
            return Some(found.value);
        }
        let left = controller.as_left().ok()?;
        (left.stamp.wall().date_at(0) <= date).then_some(left.value)
    }
}

/// A dry note in a zone with less than this of its water tells of thirst, not of plants.
const STARVED: f64 = 0.7;

const EXPLAINS_DRY: &[&str] = &[
    "arc-off-dry-edge",
    "radius-short",
    "nozzle-wrong",
    "nozzle-worn",
    "nozzle-missing",
    "nozzle-clogged",
    "head-tilted",
    "head-low",
    "blocked-by-plants",
    "will-not-rise",
    "not-turning",
    "head-broken",
    "head-missing",
    "spacing-too-wide",
    "mixed-kinds",
    "pressure-high",
    "pressure-low",
    "lateral-break",
    "valve-will-not-open",
    "wire-open",
    "wire-short",
    "run-off",
    "emitter-missing",
    "drip-line-cut",
    "drip-filter-dirty",
];
const EXPLAINS_WET: &[&str] = &[
    "nozzle-wrong",
    "nozzle-missing",
    "seal-leaking",
    "will-not-retract",
    "head-broken",
    "head-missing",
    "low-head-drainage",
    "lateral-break",
    "mainline-leak",
    "valve-weeping",
    "valve-stuck-open",
    "starts-duplicate",
    "run-off",
    "drip-line-cut",
    "changed-since-we-left",
];

const fn sign(moisture: Moisture) -> Sign {
    match moisture {
        Moisture::Dry => Sign::Dry,
        Moisture::Moist => Sign::Right,
        Moisture::Wet => Sign::Wet,
    }
}

const fn said(sign: Sign) -> &'static str {
    match sign {
        Sign::Dry => "dry",
        Sign::Right => "moist",
        Sign::Wet => "wet",
    }
}

#[cfg(test)]
mod tests;
