//! How long a firm's valves and heads last, from its own logbooks: lives for [`crate::water::wear`],
//! days on which anybody looked, and what one dig serves.
//!
//! A life begins in the middle of the year of installing, and is watched from the day the valve or
//! head came into the log. It ends with the first finding that says that it wore out; one that was
//! mended begins anew, as what wears in it is new: an assumption, and said so. What was driven over
//! or stolen ended by accident: until then it worked. One without a year is left out and named.

use std::collections::BTreeMap;

use chrono::{Datelike, NaiveDate};

use super::fields;
use super::finding::Status;
use super::map::LeftOut;
use super::things::{Head, Site, Thing, Valve, Zone};
use super::words::Emission;
use crate::log::id::ThingId;
use crate::log::stamp::Stamp;
use crate::water::units::{Days, Failures, Fraction, OutOfRange, Psi, Years};
use crate::water::wear::cascade::{Cascade, Deals, Look, cascade, weight};
use crate::water::wear::rate::{Band, Rate, Ratio, by_age, rate, ratio};
use crate::water::wear::renewal::{Dug, Expected, plan};
use crate::water::wear::{End, Life, Lifetimes, Weibull, lifetimes};

/// Which parts' lives are asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Part {
    /// Valves; one box is one dig.
    Valves,
    /// Heads, all of them or of one kind; one zone is one dig.
    Heads(Option<Emission>),
}

impl Part {
    /// Findings that say that such a part wore out.
    #[must_use]
    pub const fn failures(self) -> &'static [&'static str] {
        match self {
            Self::Valves => &FAILURES,
            Self::Heads(_) => &[
                "nozzle-worn",
                "will-not-rise",
                "will-not-retract",
                "seal-leaking",
                "not-turning",
            ],
        }
    }

    /// Findings that say that it ended by accident.
    const fn accidents(self) -> &'static [&'static str] {
        match self {
            Self::Valves => &[],
            Self::Heads(_) => &["head-broken", "head-missing"],
        }
    }
}

/// Findings that say that a valve failed.
pub const FAILURES: [&str; 4] = [
    "valve-weeping",
    "valve-stuck-open",
    "valve-will-not-open",
    "valve-old",
];

/// What is assumed about lives; print it beside them.
pub const ASSUMED: &str = "a life begins in the middle of the year of installing, counts from the \
     day the part came into the log, and begins anew when it is mended";

/// One valve or head as the log knows it.
#[derive(Debug, Clone, PartialEq)]
pub struct PartLife {
    /// Which.
    pub thing: ThingId,
    /// What it is called.
    pub name: String,
    /// Its lives: those that ended, and the one that goes on.
    pub lives: Vec<Life>,
    /// The days on which it was found failed.
    pub failed_on: Vec<NaiveDate>,
    /// How old it is today, since it was installed or last mended.
    pub age: Years,
    /// Whether it works today, as far as the log knows; one that failed waits to be mended.
    pub at_work: bool,
    /// What one dig serves it with: a valve's box, in the crew's words; a head's zone.
    pub place: Option<String>,
}

/// The valves or the heads of one site.
#[derive(Debug, Clone, PartialEq)]
pub struct SiteLives {
    /// The site's name.
    pub site: String,
    /// Its valves or heads.
    pub parts: Vec<PartLife>,
    /// Days on which anybody was there, with how many of them were found failed.
    pub days: BTreeMap<NaiveDate, u32>,
    /// Pressure with every zone off.
    pub static_pressure: Option<Psi>,
    /// Those without a year.
    pub left_out: Vec<LeftOut>,
}

impl SiteLives {
    /// Reads a site's valves or heads as they are on a day; moments are told as days at a place so
    /// many minutes east of UTC.
    #[must_use]
    pub fn of(
        name: &str,
        site: &Site<'_>,
        which: Part,
        today: NaiveDate,
        utc_offset_min: i16,
    ) -> Self {
        let day = |stamp: Stamp| stamp.wall().date_at(utc_offset_min).min(today);
        let mut days: BTreeMap<NaiveDate, u32> = BTreeMap::new();
        for visit in site.visits() {
            if let Ok(date) = visit.day(&fields::visit::DATE)
                && date.value <= today
            {
                days.entry(date.value).or_default();
            }
        }
        let (mut parts, mut without) = (Vec::new(), Vec::new());
        for begun in began(site, which) {
            match life(site, &begun, which, today, &day) {
                Some(life) => {
                    for date in &life.failed_on {
                        *days.entry(*date).or_default() += 1;
                    }
                    parts.push(life);
                }
                None => without.push(site.address(begun.thing)),
            }
        }
        let pressure = site
            .supply()
            .and_then(|supply| supply.static_pressure().ok());
        Self {
            site: name.to_owned(),
            parts,
            days,
            static_pressure: pressure.map(|pressure| pressure.value),
            left_out: without_a_year(which, without),
        }
    }
}

/// A valve or a head, and when it was put in as far as anybody wrote that.
struct Begun<'a> {
    thing: Thing<'a>,
    year: Option<i64>,
    place: Option<String>,
}

fn began<'a>(site: &'a Site<'a>, which: Part) -> Vec<Begun<'a>> {
    let of_kind = |head: &Head<'_>| match which {
        Part::Heads(Some(kind)) => head.head_kind().is_ok_and(|own| own.value == kind),
        _ => true,
    };
    match which {
        Part::Valves => {
            let begun = |valve: Valve<'a>| Begun {
                thing: *valve,
                year: valve.installed().ok().map(|year| year.value),
                place: valve
                    .words(&fields::valve::BOX_PLACE)
                    .ok()
                    .map(|it| it.value),
            };
            site.valves().into_iter().map(begun).collect()
        }
        Part::Heads(_) => {
            let of_zone = |zone: Zone<'a>| {
                let heads = zone.heads().into_iter().filter(of_kind);
                heads.map(move |head| Begun {
                    thing: *head,
                    year: head
                        .count(&fields::head::INSTALLED)
                        .ok()
                        .map(|year| year.value),
                    place: Some(zone.address()),
                })
            };
            site.zones().into_iter().flat_map(of_zone).collect()
        }
    }
}

/// Valves are named one by one; nobody reads a list of sixty heads.
fn without_a_year(which: Part, names: Vec<String>) -> Vec<LeftOut> {
    let why = "nobody wrote the year of installing; note it, or its decade".to_owned();
    let names = match (which, names.len()) {
        (Part::Heads(_), several @ 4..) => vec![format!("{several} heads")],
        _ => names,
    };
    let left_out = names.into_iter().map(|name| LeftOut {
        name,
        why: why.clone(),
    });
    left_out.collect()
}

fn life(
    site: &Site<'_>,
    begun: &Begun<'_>,
    which: Part,
    today: NaiveDate,
    day: &dyn Fn(Stamp) -> NaiveDate,
) -> Option<PartLife> {
    let thing = begun.thing;
    let year = i32::try_from(begun.year?).ok()?;
    let mut began = NaiveDate::from_ymd_opt(year, 7, 1)?.min(today);
    let watched = thing.register(&fields::any::KIND);
    let watched = watched.map_or(today, |register| day(register.in_force().stamp));
    let mut watched = watched.max(began);
    let mut ends: Vec<(NaiveDate, bool, End)> = site
        .findings_under(thing.id)
        .iter()
        .filter_map(|finding| {
            let what = finding.what().ok()?;
            let mended = matches!(finding.status(), Status::Fixed | Status::Checked);
            let end = match what.value.word {
                word if which.failures().contains(&word) => End::Failed,
                word if which.accidents().contains(&word) => End::Working,
                _ => return None,
            };
            Some((day(what.stamp), mended, end))
        })
        .collect();
    ends.sort_unstable_by_key(|(date, mended, end)| (*date, *mended, *end == End::Working));
    let (mut lives, mut failed_on) = (Vec::new(), Vec::new());
    let mut at_work = true;
    for (date, mended, end) in ends {
        if at_work && date > watched {
            lives.push(Life {
                entered: age(began, watched),
                age: age(began, date),
                end,
            });
        }
        if at_work && end == End::Failed {
            failed_on.push(date);
        }
        at_work = mended;
        if mended {
            (began, watched) = (date, date);
        }
    }
    if at_work && today > watched {
        lives.push(Life {
            entered: age(began, watched),
            age: age(began, today),
            end: End::Working,
        });
    }
    Some(PartLife {
        thing: thing.id,
        name: site.address(thing),
        lives,
        failed_on,
        age: age(began, today),
        at_work,
        place: begun.place.clone(),
    })
}

fn age(from: NaiveDate, to: NaiveDate) -> Years {
    Years::new(f64::from(to.num_days_from_ce() - from.num_days_from_ce()).max(0.0) / 365.25)
}

/// What a firm's logbooks say of wear.
#[derive(Debug, Clone, PartialEq)]
pub struct Wear {
    /// All lives together; none where nothing was watched for a day.
    pub lives: Option<Lifetimes>,
    /// The law that they follow, or a sentence that says why none is stated.
    pub law: Result<Weibull, String>,
    /// Failures a year of service, by age.
    pub bands: Vec<Band>,
    /// All ages together.
    pub overall: Option<Rate>,
    /// Whether failures follow repairs.
    pub cascade: Cascade,
    /// Sites above the middle static pressure against those at it or below.
    pub pressure: Option<PressureShare>,
    /// Digs in the order in which they save most.
    pub plan: Vec<DigPlan>,
    /// What has no year, by site.
    pub left_out: Vec<LeftOut>,
}

/// Pressure's part in it, as far as a comparison can show one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PressureShare {
    /// The pressure that parts the sites.
    pub above: Psi,
    /// Sites above it.
    pub high: Rate,
    /// The others.
    pub low: Rate,
    /// The first over the second.
    pub ratio: Ratio,
}

/// What one dig serves, and what to expect of it.
#[derive(Debug, Clone, PartialEq)]
pub struct DigPlan {
    /// The site.
    pub site: String,
    /// The box, in the crew's words, or the zone; none where nobody wrote where it is.
    pub place: Option<String>,
    /// The valves or heads.
    pub parts: Vec<String>,
    /// Those of them that failed and wait to be mended: not counted among what is to be expected.
    pub waiting: Vec<String>,
    /// What to expect of those at work.
    pub expected: Expected,
}

/// Ages of five years each: fewer failures make wider bands, and none is stated without failures.
const BAND: Years = Years::new(5.0);
/// The while after a repair that crews speak of; common practice, no source.
pub const WHILE_AFTER: Days = Days::new(60.0);
/// A look after a winter, or the first one, looks back on no more days of water than this: our
/// choice.
const LOOKS_BACK_MOST: f64 = 45.0;

/// Fewer failures than this, and no law is stated: a fit to a handful of parts of one age says
/// nothing but their age. Our choice.
pub const FAILURES_FOR_A_LAW: usize = 8;

fn law(found: Option<&Lifetimes>) -> Result<Weibull, String> {
    let found = found.ok_or("nothing was watched for a day")?;
    let law = found.weibull.map_err(|why| why.to_string())?;
    if found.failures < FAILURES_FOR_A_LAW {
        let failures = found.failures;
        return Err(format!(
            "{failures} failures are too few for one; it takes {FAILURES_FOR_A_LAW}"
        ));
    }
    Ok(law)
}

/// Returns what a firm's sites say of wear together.
///
/// # Errors
/// [`OutOfRange`] of the maths, where the log holds dates that make no sense.
pub fn wear(sites: &[SiteLives], horizon: Years, deals: Deals) -> Result<Wear, OutOfRange> {
    let lives: Vec<Life> = sites.iter().flat_map(lives_of).collect();
    let found = match lives.is_empty() {
        true => None,
        false => Some(lifetimes(&lives)?),
    };
    let bands = match lives.is_empty() {
        true => Vec::new(),
        false => by_age(&lives, BAND)?,
    };
    let law = law(found.as_ref());
    let shape = law.as_ref().map_or(Fraction::new(1.0), |law| law.shape);
    let looks: Vec<Vec<Look>> = sites.iter().map(|site| looks(site, shape)).collect();
    Ok(Wear {
        overall: overall(&lives)?,
        bands: bands.clone(),
        lives: found,
        law,
        cascade: cascade(&looks, WHILE_AFTER, deals)?,
        pressure: pressure_share(sites)?,
        plan: dig_plans(sites, &bands, horizon)?,
        left_out: left_out(sites),
    })
}

fn lives_of(site: &SiteLives) -> impl Iterator<Item = Life> + '_ {
    site.parts
        .iter()
        .flat_map(|part| part.lives.iter().copied())
}

fn overall(lives: &[Life]) -> Result<Option<Rate>, OutOfRange> {
    let service: Years = lives.iter().map(|life| life.age - life.entered).sum();
    if service <= Years::ZERO {
        return Ok(None);
    }
    let failed = lives.iter().filter(|life| life.end == End::Failed).count();
    Ok(Some(rate(Failures::new(failed as f64), service)?))
}

/// The days on which anybody looked, each with what it looked back on.
fn looks(site: &SiteLives, shape: Fraction) -> Vec<Look> {
    let Some(first) = site.days.keys().next().copied() else {
        return Vec::new();
    };
    let last = site.days.keys().next_back().copied().unwrap_or(first);
    let ages = site.parts.iter().map(|part| part.age.get());
    let oldest = ages.fold(1.0, f64::max);
    let mut before: Option<f64> = None;
    let each = site.days.iter().map(|(date, found)| {
        let day = f64::from(date.num_days_from_ce() - first.num_days_from_ce());
        let covers = before.map_or(LOOKS_BACK_MOST, |last| (day - last).min(LOOKS_BACK_MOST));
        before = Some(day);
        let since = f64::from(last.num_days_from_ce() - date.num_days_from_ce()) / 365.25;
        Look {
            day: Days::new(day),
            weight: weight(Days::new(covers), Years::new(oldest - since), shape),
            found: Failures::new(f64::from(*found)),
        }
    });
    each.collect()
}

fn pressure_share(sites: &[SiteLives]) -> Result<Option<PressureShare>, OutOfRange> {
    let mut pressures: Vec<f64> = sites
        .iter()
        .filter_map(|site| site.static_pressure.map(Psi::get))
        .collect();
    pressures.sort_by(f64::total_cmp);
    let Some(middle) = pressures.get(pressures.len().saturating_sub(1) / 2) else {
        return Ok(None);
    };
    let above = Psi::new(*middle);
    let of = |high: bool| {
        let sites = sites.iter().filter(|site| {
            let pressure = site.static_pressure;
            pressure.is_some_and(|pressure| (pressure > above) == high)
        });
        overall(&sites.flat_map(lives_of).collect::<Vec<_>>())
    };
    let (Some(high), Some(low)) = (of(true)?, of(false)?) else {
        return Ok(None);
    };
    let ratio = ratio(&high, &low)?;
    Ok(Some(PressureShare {
        above,
        high,
        low,
        ratio,
    }))
}

fn dig_plans(
    sites: &[SiteLives],
    bands: &[Band],
    horizon: Years,
) -> Result<Vec<DigPlan>, OutOfRange> {
    let mut digs: BTreeMap<(usize, Option<&str>), Vec<&PartLife>> = BTreeMap::new();
    for (at, site) in sites.iter().enumerate() {
        for part in &site.parts {
            let key = (at, part.place.as_deref());
            digs.entry(key).or_default().push(part);
        }
    }
    // Where all wait to be mended nothing is left to expect.
    let at_work = |parts: &[&PartLife]| parts.iter().any(|part| part.at_work);
    let keyed: Vec<_> = digs
        .into_iter()
        .filter(|(_, parts)| at_work(parts))
        .collect();
    let dug: Vec<Dug> = keyed
        .iter()
        .map(|(_, parts)| {
            let working = parts.iter().filter(|part| part.at_work);
            Dug {
                ages: working.map(|part| part.age).collect(),
            }
        })
        .collect();
    let plans = plan(&dug, bands, horizon)?;
    let named = plans.into_iter().filter_map(|expected| {
        let ((site, place), parts) = keyed.get(expected.at)?;
        let waiting = parts.iter().filter(|part| !part.at_work);
        Some(DigPlan {
            site: sites.get(*site)?.site.clone(),
            place: place.map(str::to_owned),
            parts: parts.iter().map(|part| part.name.clone()).collect(),
            waiting: waiting.map(|part| part.name.clone()).collect(),
            expected,
        })
    });
    Ok(named.collect())
}

fn left_out(sites: &[SiteLives]) -> Vec<LeftOut> {
    let each = sites.iter().flat_map(|site| {
        site.left_out.iter().map(|it| LeftOut {
            name: format!("{} at {}", it.name, site.site),
            why: it.why.clone(),
        })
    });
    each.collect()
}

#[cfg(test)]
mod tests;
