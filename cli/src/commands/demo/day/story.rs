//! The story of a valve that let water by: every reading of it, what was done, and what its
//! neighbours in the same box did in the weeks that followed.

use std::collections::BTreeMap;

use chrono::{Datelike, NaiveDate};
use serde::Serialize;

use headwalk_core::log::id::ThingId;
use headwalk_core::log::value::Value;
use headwalk_core::site::fields::{self, seen};
use headwalk_core::site::things::{Finding, Parts, Site, Valve, Zone};
use headwalk_core::site::unit::UnitSystem;
use headwalk_core::store::{Kept, Store};
use headwalk_core::water::leak;
use headwalk_core::water::units::{Millilitres, Seconds};

use super::Book;
use crate::error::Error;
use crate::output::Page;
use crate::said::What;
use crate::told;

/// One valve's story.
#[derive(Serialize)]
pub struct Story {
    site: String,
    valve: String,
    installed: Option<i64>,
    /// Years since, as of the day.
    age_years: Option<i64>,
    neighbours: Vec<String>,
    told: Vec<Line>,
    /// What was caught at its lowest head comes to so much.
    leak_gallons_a_day: Option<f64>,
}

/// One entry of it.
#[derive(Serialize)]
struct Line {
    at: String,
    by: String,
    about: String,
    what: String,
}

impl Story {
    /// Tells the story of the first valve of a site that was found to weep; none where none was.
    pub fn read(store: &Store, books: &[Book], date: NaiveDate) -> Result<Option<Self>, Error> {
        for book in books {
            let site = book.site();
            if let Some(valve) = first_weeping(&site) {
                return Self::of(store, book, &site, valve, date).map(Some);
            }
        }
        Ok(None)
    }

    fn of(
        store: &Store,
        book: &Book,
        site: &Site<'_>,
        valve: Valve<'_>,
        date: NaiveDate,
    ) -> Result<Self, Error> {
        let valves = site.valves();
        let place = |valve: &Valve<'_>| valve.show(&fields::valve::BOX_PLACE, UnitSystem::Us);
        let beside: Vec<_> = valves
            .iter()
            .filter(|other| other.id != valve.id && place(other) == place(&valve))
            .collect();
        // The valve and its zone with all their readings; of the neighbours, what was found.
        let mut about: BTreeMap<ThingId, String> = BTreeMap::new();
        about.insert(valve.id, site.address(*valve));
        let zones = site.zones();
        let zone = zones
            .iter()
            .find(|zone| zone.valve().is_some_and(|own| own.id == valve.id));
        about.extend(zone.map(|zone| (zone.id, site.address(**zone))));
        for whole in beside.iter().copied().chain([&valve]) {
            for finding in site.findings_under(whole.id) {
                about.insert(finding.id, site.address(**whole));
            }
        }
        let mut kept = store.entries(book.id)?;
        kept.sort_by_key(|kept| (kept.stamp, kept.place));
        let mut lines: Vec<Line> = Vec::new();
        for kept in &kept {
            lines.extend(told_in(site, kept, &about));
        }
        let installed = valve.installed().ok().map(|year| year.value);
        Ok(Self {
            site: book.name.clone(),
            valve: site.address(*valve),
            installed,
            age_years: installed.map(|year| i64::from(date.year()) - year),
            neighbours: beside.iter().map(|other| site.address(***other)).collect(),
            told: lines,
            leak_gallons_a_day: zone.and_then(|zone| caught(zone)),
        })
    }

    /// Writes the story.
    pub fn write(&self, page: &mut Page) {
        let year = self.installed.zip(self.age_years);
        let year = year.map_or_else(String::new, |(year, age)| {
            format!(", installed {year}, {age} years old")
        });
        page.line(format!(
            "A VALVE THAT WEPT: {} at {}{year}",
            self.valve, self.site
        ));
        page.line(format!(
            "In one box with it: {}.",
            self.neighbours.join(", ")
        ));
        let rows: Vec<_> = self
            .told
            .iter()
            .map(|line| {
                let (at, by) = (line.at.clone(), line.by.clone());
                [at, by, line.about.clone(), line.what.clone()]
            })
            .collect();
        page.rows(0, &rows);
        if let Some(gallons) = self.leak_gallons_a_day {
            page.line(format!(
                "What was caught at its lowest head comes to {gallons:.0} gallons a day."
            ));
        }
        page.line("");
    }
}

/// The valve of the oldest finding of a weeping valve that was mended since.
fn first_weeping<'s>(site: &'s Site<'s>) -> Option<Valve<'s>> {
    let weeps = |finding: &Finding<'_>| {
        let what = finding.what().map(|what| what.value.word);
        what == Ok("valve-weeping") && finding.status().is_closed()
    };
    let findings = site.findings().into_iter().filter(weeps);
    let oldest = findings.min_by_key(|finding| finding.id)?;
    Valve::of(site, site.thing(oldest.part_of()?)?)
}

/// What one entry says of these things, in a few words for each.
fn told_in(site: &Site<'_>, kept: &Kept, about: &BTreeMap<ThingId, String>) -> Vec<Line> {
    let mut said: BTreeMap<&str, Vec<(usize, String)>> = BTreeMap::new();
    for change in &kept.entry.changes {
        let Some((what, thing, value, _)) = What::of(change) else {
            continue;
        };
        let told = about.get(&thing).zip(words(site, what, value));
        if let Some((name, words)) = told {
            said.entry(name).or_default().push(words);
        }
    }
    said.into_iter()
        .map(|(name, mut list)| {
            list.sort_by_key(|(rank, _)| *rank);
            let list: Vec<_> = list.into_iter().map(|(_, words)| words).collect();
            Line {
                at: told::plain(kept.stamp, kept.entry.utc_offset_min),
                by: kept.entry.by.clone(),
                about: name.to_owned(),
                what: list.join("; "),
            }
        })
        .collect()
}

/// What a change says for people, and its place in the sentence; nothing for what does not belong
/// in the story.
fn words(site: &Site<'_>, what: What, value: &Value) -> Option<(usize, String)> {
    let rank = STORY.iter().position(|(told, _)| *told == what)?;
    let (_, style) = STORY.get(rank)?;
    let shown = what.show(site, value, UnitSystem::Us);
    let first = || shown.split(';').next().unwrap_or_default().to_owned();
    let words = match style {
        Style::Bare => first(),
        Style::Whole => shown,
        Style::Quoted => format!("\"{shown}\""),
        Style::After(word) => format!("{word} {}", first()),
    };
    Some((rank, words))
}

/// How a value stands in the story.
enum Style {
    /// Its first part.
    Bare,
    /// All of it.
    Whole,
    /// In the writer's own words.
    Quoted,
    /// Its first part, after a word.
    After(&'static str),
}

/// What belongs in the story, in the order of the sentence.
const STORY: [(What, Style); 18] = [
    (What::Field(fields::finding::WHAT.number), Style::Bare),
    (What::Field(fields::finding::STATUS.number), Style::Bare),
    (What::Field(fields::finding::CAUSE.number), Style::Bare),
    (
        What::Field(fields::finding::BEFORE.number),
        Style::After("before:"),
    ),
    (
        What::Field(fields::finding::AFTER.number),
        Style::After("after:"),
    ),
    (What::Field(fields::finding::QUOTE.number), Style::Bare),
    (
        What::Field(fields::finding::APPROVAL.number),
        Style::After("the client:"),
    ),
    (
        What::Field(fields::finding::SCHEDULED.number),
        Style::After("for"),
    ),
    (
        What::Seen(seen::PART_USED.number),
        Style::After("part used:"),
    ),
    (
        What::Field(fields::valve::WEEPING.number),
        Style::After("weeping:"),
    ),
    (
        What::Seen(seen::WEEPING_SEEN.number),
        Style::After("seen to weep:"),
    ),
    (
        What::Seen(seen::VALVE_CLOSES.number),
        Style::After("closes in"),
    ),
    (
        What::Seen(seen::SOLENOID_OHMS.number),
        Style::After("solenoid"),
    ),
    (
        What::Seen(seen::STATION_VOLTS.number),
        Style::After("station"),
    ),
    (What::Seen(seen::PRESSURE.number), Style::After("pressure")),
    (What::Seen(seen::FLOW.number), Style::Whole),
    (What::Seen(seen::EVIDENCE.number), Style::Whole),
    (What::Seen(seen::NOTE.number), Style::Quoted),
];

/// Gallons a day by the last flow that was caught in a vessel.
fn caught(zone: &Zone<'_>) -> Option<f64> {
    let last = zone.seen(&seen::FLOW).last()?;
    let parts = Parts::of(&seen::FLOW, &last.value);
    let volume: Millilitres = parts.measure("volume")?;
    let time: Seconds = parts.measure("time")?;
    let leak = leak::caught(volume, time).ok()?;
    Some(leak.per_day.get())
}
