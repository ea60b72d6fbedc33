//! A season under each setting: as found, as left, April's kept, July's kept, and the computed one
//! made anew each week, over the weather that was.
//!
//! [`season`] is the entry point. Each setting is run through the soil's daily account of
//! [`crate::water::season`], zone by zone; what a zone lacks for that is its [`Unknown`].

use std::collections::BTreeMap;
use std::ops::RangeInclusive;

use chrono::{Datelike, Days, NaiveDate};

use super::coefficient::coefficient;
use super::days::Limits;
use super::demand::{Week, month};
use super::soil::capacity;
use super::teach::Lessons;
use super::{HouseRules, SitePlan, Unknown, Why, ZonePlan, nights, plan_running, zone};
use crate::log::id::ThingId;
use crate::site::fields;
use crate::site::programs::{DayRule, ProgramSet, Station};
use crate::site::things::{Site, Zone};
use crate::site::weather::{FilledDay, Record, WeatherDay, filled, standing_of_site};
use crate::site::words::{Planting, RainSensor};
use crate::water::balance::Ease;
use crate::water::plant::Turf;
use crate::water::season::{self, Best, Day, Dialled, Ground, Run, Start, Sum, best_percents};
use crate::water::soil;
use crate::water::units::{
    Fraction, Gallons, Inches, Millimetres, Minutes, OutOfRange, Percent, SquareFeet,
};

/// A setting that is run over the season.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kept {
    /// The programs that were found last, all season.
    AsFound,
    /// The programs as left, all season.
    AsLeft,
    /// What April's usual weather asks for, all season.
    April,
    /// What July's usual weather asks for, all season.
    July,
    /// July's, with the percent dial at each month's best place.
    Dial,
    /// The computed schedule, made anew each week from the week before.
    Computed,
}

impl Kept {
    /// All of them, in the order in which they are told.
    pub const ALL: [Self; 6] = [
        Self::AsFound,
        Self::AsLeft,
        Self::April,
        Self::July,
        Self::Dial,
        Self::Computed,
    ];

    /// Returns its name.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::AsFound => "as found",
            Self::AsLeft => "as left",
            Self::April => "April's kept",
            Self::July => "July's kept",
            Self::Dial => "July's with the percent dial",
            Self::Computed => "computed each week",
        }
    }
}

/// What a season is asked of.
#[derive(Debug, Clone, PartialEq)]
pub struct Stretch {
    /// The first day.
    pub from: NaiveDate,
    /// The last day.
    pub to: NaiveDate,
    /// The months in which the water is on, such as 4 to 10.
    pub months: RangeInclusive<u32>,
    /// The share of their need that plants may go short of on the percent dial.
    pub allowed_short: Fraction,
}

/// A site's season.
#[derive(Debug, Clone, PartialEq)]
pub struct SiteSeason {
    /// Of which stretch.
    pub stretch: Stretch,
    /// Its days, each with where its weather comes from.
    pub weather: Vec<FilledDay>,
    /// Each zone, by number.
    pub zones: Vec<ZoneSeason>,
    /// The best place of the percent dial over July's setting in each month, all zones together.
    pub dial: Vec<Best>,
    /// The same over the programs as left, which is all that a crew without time can do.
    pub dial_as_left: Vec<Best>,
    /// What it rests on.
    pub why: Vec<Why>,
}

/// One zone's season.
#[derive(Debug, Clone, PartialEq)]
pub struct ZoneSeason {
    /// Which zone.
    pub zone: ThingId,
    /// What it is called.
    pub name: String,
    /// The ground it wets: what it draws over how fast it waters.
    pub area: Option<SquareFeet>,
    /// Water that may be used between two waterings, of the total; where stress begins.
    pub ground: Result<Ground, Unknown>,
    /// Each setting's season, or why there is none.
    pub seasons: BTreeMap<Kept, Result<season::Season, Unknown>>,
}

impl ZoneSeason {
    /// Returns what a setting's season comes to.
    #[must_use]
    pub fn total(&self, kept: Kept) -> Option<Sum> {
        let season = self.seasons.get(&kept)?.as_ref().ok()?;
        Some(season.total)
    }
}

impl SiteSeason {
    /// Returns the zones of which every setting is known that any zone knows, so that sums of
    /// settings compare.
    #[must_use]
    pub fn comparable(&self) -> Vec<&ZoneSeason> {
        let told: Vec<Kept> = Kept::ALL
            .into_iter()
            .filter(|kept| self.zones.iter().any(|zone| zone.total(*kept).is_some()))
            .collect();
        let zones = self.zones.iter();
        zones
            .filter(|zone| told.iter().all(|kept| zone.total(*kept).is_some()))
            .collect()
    }
}

/// Volume of a depth on the ground that a zone wets.
#[must_use]
pub fn volume(depth: Millimetres, area: SquareFeet) -> Gallons {
    crate::water::balance::gallons(Inches::from(depth), area).unwrap_or(Gallons::ZERO)
}

/// Returns a site's season under each setting.
///
/// # Errors
/// [`Unknown`] where the weather has a gap that nothing can fill.
pub fn season(
    site: &Site<'_>,
    record: &Record,
    stretch: &Stretch,
    rules: &HouseRules,
) -> Result<SiteSeason, Unknown> {
    season_under(&Kept::ALL, site, record, stretch, rules)
}

/// Returns a site's season under these settings only, which is sooner done: the computed one plans
/// every week anew. The dial's is reckoned where July's is.
///
/// # Errors
/// As [`season`].
pub fn season_under(
    asked: &[Kept],
    site: &Site<'_>,
    record: &Record,
    stretch: &Stretch,
    rules: &HouseRules,
) -> Result<SiteSeason, Unknown> {
    let elsewhere = standing_of_site(site.root());
    let weather = filled(record, stretch.from, stretch.to, elsewhere);
    let weather = weather.map_err(|day| Unknown::NoWeatherOn { day })?;
    let seasons = Seasons {
        site,
        record,
        stretch,
        rules,
        weather: &weather,
    };
    let runs = seasons.runs(asked);
    let mut zones = Vec::new();
    let (mut on_dial, mut on_dial_as_left) = (Vec::new(), Vec::new());
    for zone in site.zones() {
        let plants = seasons.plants(zone);
        let ground = seasons.ground(zone);
        let days = |kept: Kept| -> Result<Vec<Day>, Unknown> {
            let runs = runs.of(kept, zone.id)?;
            seasons.days(&plants, runs)
        };
        let of = |kept: Kept| -> Result<season::Season, Unknown> {
            Ok(season::run(&ground.clone()?, Start::FULL, &days(kept)?)?)
        };
        if let (Ok(ground), Ok(days)) = (&ground, days(Kept::July)) {
            let ground = *ground;
            on_dial.push((zone.id, Dialled { ground, days }));
        }
        if let (Ok(ground), Ok(days)) = (&ground, days(Kept::AsLeft)) {
            let ground = *ground;
            let days = seasons.at_full_percent(zone, days);
            on_dial_as_left.push(Dialled { ground, days });
        }
        let kept = asked.iter().copied().filter(|kept| *kept != Kept::Dial);
        zones.push(ZoneSeason {
            zone: zone.id,
            name: zone.address(),
            area: ground
                .as_ref()
                .ok()
                .map(|ground| SquareFeet::new(96.25 * ground.flow.get() / ground.rate.get())),
            seasons: kept.map(|kept| (kept, of(kept))).collect(),
            ground,
        });
    }
    let places: Vec<Dialled> = on_dial.iter().map(|(_, zone)| zone.clone()).collect();
    let dial = best_percents(&places, stretch.allowed_short)?;
    for (id, zone) in on_dial {
        let season = run_at(&zone, &dial);
        if let Some(told) = zones.iter_mut().find(|told| told.zone == id) {
            told.seasons
                .insert(Kept::Dial, season.map_err(Unknown::from));
        }
    }
    Ok(SiteSeason {
        dial_as_left: best_percents(&on_dial_as_left, stretch.allowed_short)?,
        stretch: stretch.clone(),
        why: seasons.why(),
        zones,
        dial,
        weather,
    })
}

/// A zone's season with the dial at its places.
fn run_at(zone: &Dialled, dial: &[Best]) -> Result<season::Season, OutOfRange> {
    let days: Vec<Day> = zone
        .days
        .iter()
        .map(|day| {
            let best = dial.iter().find(|best| best.month == day.date.month());
            let share = best.map_or(0.0, |best| best.percent.get() / 100.0);
            let run = Run {
                minutes: day.run.minutes * share,
                cycle: day.run.cycle * share,
            };
            Day { run, ..*day }
        })
        .collect();
    season::run(&zone.ground, Start::FULL, &days)
}

/// What all settings of a season share.
struct Seasons<'a> {
    site: &'a Site<'a>,
    record: &'a Record,
    stretch: &'a Stretch,
    rules: &'a HouseRules,
    weather: &'a [FilledDay],
}

/// What each zone runs on each day under each setting.
#[derive(Default)]
struct Runs {
    by_setting: BTreeMap<Kept, BTreeMap<ThingId, Result<Vec<Run>, Unknown>>>,
}

impl Runs {
    fn of(&self, kept: Kept, zone: ThingId) -> Result<&[Run], Unknown> {
        let runs = self
            .by_setting
            .get(&kept)
            .and_then(|zones| zones.get(&zone));
        match runs {
            Some(Ok(runs)) => Ok(runs),
            Some(Err(reason)) => Err(reason.clone()),
            None => Err(Unknown::NoZones),
        }
    }
}

impl Seasons<'_> {
    fn runs(&self, asked: &[Kept]) -> Runs {
        let mut runs = Runs::default();
        let programs = [
            (Kept::AsFound, as_found as fn(Zone<'_>) -> _),
            (Kept::AsLeft, as_left),
        ];
        for (kept, read) in programs
            .into_iter()
            .filter(|(kept, _)| asked.contains(kept))
        {
            let zones = self.site.zones().into_iter();
            let zones = zones.map(|zone| (zone.id, self.of_programs(zone, read(zone))));
            runs.by_setting.insert(kept, zones.collect());
        }
        let months = [(Kept::April, 4), (Kept::July, 7)];
        for (kept, month) in months.into_iter().filter(|(kept, _)| asked.contains(kept)) {
            runs.by_setting.insert(kept, self.of_month(month));
        }
        if asked.contains(&Kept::Computed) {
            runs.by_setting.insert(Kept::Computed, self.of_weeks());
        }
        runs
    }

    /// A set of programs, kept all season.
    fn of_programs(
        &self,
        zone: Zone<'_>,
        set: Result<ProgramSet, Unknown>,
    ) -> Result<Vec<Run>, Unknown> {
        let (set, station) = (set?, zone.station().ok_or(Unknown::NoStation)?);
        let runs = self.weather.iter().enumerate().map(|(at, day)| {
            self.unless_off(zone, at, || {
                run_of(&set, station, day.date, self.stretch.from)
            })
        });
        Ok(runs.collect())
    }

    /// The setting that a month's mean evapotranspiration asks for, kept all season.
    fn of_month(&self, of: u32) -> BTreeMap<ThingId, Result<Vec<Run>, Unknown>> {
        let month: Vec<&FilledDay> = self
            .weather
            .iter()
            .filter(|day| day.date.month() == of)
            .collect();
        let Some(last) = month.last() else {
            let none = Unknown::MonthNotRecorded { month: of };
            let zones = self.site.zones().into_iter();
            return zones.map(|zone| (zone.id, Err(none.clone()))).collect();
        };
        let total: Inches = month.iter().map(|day| day.eto).sum();
        let years = month.iter().filter(|day| day.date.day() == 15).count();
        let why = Why::UsualOfMonth { years };
        let week = Week::dry(last.date, total / month.len() as f64, why);
        let limits = Limits::of(self.site, last.date, self.rules);
        let lessons = self.lessons();
        let zones = self.site.zones().into_iter();
        let mut plans: Vec<ZonePlan> = zones
            .map(|zone| zone::plan(self.site, zone, &week, &limits, self.rules, &lessons))
            .collect();
        nights::give_starts(self.site, &mut plans, &limits, self.rules);
        let all = |plan: &ZonePlan| {
            let zone = self.zone(plan.zone)?;
            let runs = self.weather.iter().enumerate().map(|(at, day)| {
                let run = run_of_plan(plan, day.date)?;
                Ok(self.unless_off(zone, at, || run))
            });
            runs.collect::<Result<Vec<Run>, Unknown>>()
        };
        plans.iter().map(|plan| (plan.zone, all(plan))).collect()
    }

    /// The computed schedule, made anew each week.
    fn of_weeks(&self) -> BTreeMap<ThingId, Result<Vec<Run>, Unknown>> {
        let mut runs: BTreeMap<ThingId, Result<Vec<Run>, Unknown>> = BTreeMap::new();
        for (nth, week) in self.weather.chunks(7).enumerate() {
            let Some(first) = week.first() else { continue };
            let running = week.iter().any(|day| self.on(day.date));
            let plan = running.then(|| self.plan(first.date));
            for zone in self.site.zones() {
                let planned = plan
                    .as_ref()
                    .and_then(|plan| plan.zones.iter().find(|plan| plan.zone == zone.id));
                let entry = runs.entry(zone.id).or_insert_with(|| Ok(Vec::new()));
                let Ok(so_far) = entry else { continue };
                for (at, day) in (nth * 7..).zip(week) {
                    match planned.map_or(Ok(Run::OFF), |plan| run_of_plan(plan, day.date)) {
                        Ok(run) => so_far.push(self.unless_off(zone, at, || run)),
                        Err(reason) => {
                            *entry = Err(reason);
                            break;
                        }
                    }
                }
            }
        }
        runs
    }

    /// The plan of a week, its weather filled where it has gaps.
    fn plan(&self, on: NaiveDate) -> SitePlan {
        let before = on.checked_sub_days(Days::new(7)).unwrap_or(on);
        // The first week has none before it and goes by its own.
        let back = if before < self.stretch.from { 7 } else { 0 };
        let days = self.weather.iter().filter_map(|day| {
            let date = day.date.checked_sub_days(Days::new(back))?;
            (before..on).contains(&date).then(|| WeatherDay {
                et: Some(day.eto),
                rain: Some(day.rain),
                ..WeatherDay::on(date)
            })
        });
        let record = Record::of_days(days.collect());
        plan_running(self.site, &record, on, self.rules, &self.lessons())
    }

    fn lessons(&self) -> Lessons<'_> {
        Lessons::of(self.site, &self.record.days, self.stretch.to, self.rules)
    }

    fn zone(&self, id: ThingId) -> Result<Zone<'_>, Unknown> {
        let thing = self.site.thing(id).ok_or(Unknown::NoZones)?;
        Zone::of(self.site, thing).ok_or(Unknown::NoZones)
    }

    fn on(&self, date: NaiveDate) -> bool {
        self.stretch.months.contains(&date.month())
    }

    /// Nothing runs in winter, nor on the day after rain that a working sensor stops at.
    fn unless_off(&self, zone: Zone<'_>, at: usize, run: impl FnOnce() -> Run) -> Run {
        let today = self.weather.get(at);
        if !today.is_some_and(|day| self.on(day.date)) {
            return Run::OFF;
        }
        let rained = at
            .checked_sub(1)
            .and_then(|before| self.weather.get(before));
        let stopped = rained
            .zip(set_point(zone))
            .is_some_and(|(day, set_point)| day.rain >= set_point);
        if stopped { Run::OFF } else { run() }
    }

    /// The plants' share of evapotranspiration, month by month.
    fn plants(&self, zone: Zone<'_>) -> BTreeMap<u32, Result<Fraction, Unknown>> {
        let lessons = self.lessons();
        (1..=12)
            .filter_map(|number| {
                let first = NaiveDate::from_ymd_opt(self.stretch.to.year(), number, 1)?;
                let figure = coefficient(zone, month(first), self.rules, &lessons);
                Some((number, figure.get().copied()))
            })
            .collect()
    }

    fn ground(&self, zone: Zone<'_>) -> Result<Ground, Unknown> {
        let held = capacity(zone, self.rules)?;
        // What is applied and how the ground takes it is the plan's own.
        let week = Week::dry(self.stretch.to, Inches::new(0.1), Why::NothingToDo);
        let limits = Limits::of(self.site, self.stretch.to, self.rules);
        let plan = zone::plan(self.site, zone, &week, &limits, self.rules, &self.lessons());
        let ease = match zone.plants().ok().map(|plants| plants.value) {
            Some(Planting::CoolSeasonTurf | Planting::NewTurf) => {
                soil::turf_depletion_fraction(Turf::CoolSeason)
            }
            Some(Planting::WarmSeasonTurf) => soil::turf_depletion_fraction(Turf::WarmSeason),
            _ => OTHER_PLANTS_EASE,
        };
        Ok(Ground {
            total: Millimetres::from(held.total),
            ease: Ease::Adjusted(ease),
            du_lq: *plan.uniformity.get()?,
            rate: *plan.rate.get()?,
            intake: *plan.intake.get()?,
            run_off: *plan.run_off.get()?,
            flow: *plan.flow.get()?,
        })
    }

    fn days(
        &self,
        plants: &BTreeMap<u32, Result<Fraction, Unknown>>,
        runs: &[Run],
    ) -> Result<Vec<Day>, Unknown> {
        let days = self.weather.iter().zip(runs).map(|(day, run)| {
            let coefficient = plants.get(&day.date.month()).ok_or(Unknown::NoZones)?;
            Ok(Day {
                date: day.date,
                eto: Millimetres::from(day.eto),
                coefficient: coefficient.clone()?,
                rain: Millimetres::from(day.rain),
                run: *run,
            })
        });
        days.collect()
    }

    /// The same days with each program's percent taken off.
    fn at_full_percent(&self, zone: Zone<'_>, days: Vec<Day>) -> Vec<Day> {
        let full = as_left(zone).map(|set| {
            let programs = set.programs.into_iter();
            let programs = programs.map(|(letter, mut program)| {
                if program.percent > Percent::ZERO {
                    program.percent = Percent::new(100.0);
                }
                (letter, program)
            });
            ProgramSet {
                programs: programs.collect(),
            }
        });
        let Ok(runs) = self.of_programs(zone, full) else {
            return days;
        };
        let days = days.into_iter().zip(runs);
        days.map(|(day, run)| Day { run, ..day }).collect()
    }

    fn why(&self) -> Vec<Why> {
        let mut origins = BTreeMap::new();
        for day in self.weather {
            *origins.entry((Figure::Et, day.eto_from)).or_insert(0) += 1;
            *origins.entry((Figure::Rain, day.rain_from)).or_insert(0) += 1;
        }
        let filled = origins
            .into_iter()
            .map(|((figure, origin), days)| Why::SeasonWeather {
                what: match figure {
                    Figure::Et => "evapotranspiration",
                    Figure::Rain => "rain",
                },
                origin,
                days,
            });
        filled.collect()
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Figure {
    Et,
    Rain,
}

/// Where stress begins in plants other than turf: the middle of FAO-56 table 22's woody plants.
const OTHER_PLANTS_EASE: Fraction = Fraction::new(0.5);

fn set_point(zone: Zone<'_>) -> Option<Inches> {
    let controller = zone.controller()?;
    let sensor: RainSensor = controller
        .choice(&fields::controller::RAIN_SENSOR)
        .ok()?
        .value;
    if sensor != RainSensor::Working {
        return None;
    }
    let set_point = controller
        .measure(&fields::controller::RAIN_SET_POINT)
        .ok()?;
    Some(set_point.value)
}

fn as_found(zone: Zone<'_>) -> Result<ProgramSet, Unknown> {
    let controller = zone.controller().ok_or(Unknown::NoController)?;
    let found = controller.as_found().into_iter().next_back();
    Ok(found.ok_or(Unknown::NeverFound)?.value)
}

fn as_left(zone: Zone<'_>) -> Result<ProgramSet, Unknown> {
    let controller = zone.controller().ok_or(Unknown::NoController)?;
    Ok(controller.as_left().map_err(Unknown::NotLeft)?.value)
}

/// What a set of programs runs on a day; days that are counted from nobody knows when are counted
/// from the first day.
fn run_of(set: &ProgramSet, station: Station, date: NaiveDate, first: NaiveDate) -> Run {
    let mut run = Run::OFF;
    for program in set.programs.values() {
        let rule = match program.days {
            DayRule::Every { days, from: None } => DayRule::Every {
                days,
                from: Some(first),
            },
            rule => rule,
        };
        let each = program.minutes_a_run(station);
        if rule.runs_on(date) == Some(true) && each > Minutes::ZERO {
            let minutes = run.minutes + each * program.starts.len() as f64;
            run = Run {
                minutes: Minutes::new(minutes.get().min(1_440.0)),
                cycle: if each > run.cycle { each } else { run.cycle },
            };
        }
    }
    run
}

/// What a plan runs on a day, less what does not fit its nights.
fn run_of_plan(plan: &ZonePlan, date: NaiveDate) -> Result<Run, Unknown> {
    let (days, cycles) = (*plan.days.get()?, *plan.cycles.get()?);
    if cycles.cycles == 0 || days.rule.runs_on(date) != Some(true) {
        return Ok(Run::OFF);
    }
    let asked = Minutes::new(f64::from(cycles.water()) * days.a_week);
    let kept = *plan.minutes_set.get()? / asked;
    Ok(Run {
        minutes: Minutes::new(f64::from(cycles.water())) * kept,
        cycle: Minutes::new(f64::from(cycles.minutes)),
    })
}

#[cfg(test)]
mod tests;
