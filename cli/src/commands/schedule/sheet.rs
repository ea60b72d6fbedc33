//! The schedule as it is printed: for people two tables, for programs every figure with its
//! reasons. Start at [`Sheet::of`].

use serde::Serialize;
use serde_json::{Value as Json, json};

use headwalk_core::log::id::ThingId;
use headwalk_core::site::fields;
use headwalk_core::site::plan::{Figure, Setting, SitePlan, Why, ZonePlan, propose};
use headwalk_core::site::things::{Site, Zone};
use headwalk_core::site::unit::UnitSystem;
use headwalk_core::site::words::Vocabulary;
use headwalk_core::water::units::{Inches, Minutes};

use super::dial::ToDial;
use super::figure::{self, Shown, starts_json};
use super::programs::{Check, Runs};
use super::weather::From;
use super::why::{self, Class};

/// `{"site": .., "logbook": ID, "on": DATE, "weather": .., "eto": FIGURE, .., "zones": [..]}`; a
/// figure is `{"value": .., "unit": .., "shown": .., "why": [..]}`, and where it is not known its
/// value is null and `unknown` and `next` say why and what to do.
#[derive(Serialize)]
pub struct Sheet {
    pub site: String,
    logbook: String,
    /// The first day of the planned week.
    pub on: String,
    pub weather: From,
    /// Reference evapotranspiration of the seven days before.
    pub eto: Shown,
    /// Their rain.
    pub rain: Shown,
    pub window: Shown,
    pub days_allowed: Shown,
    /// By number.
    pub zones: Vec<Row>,
    /// Of all zones in the week.
    pub gallons: Shown,
    pub gallons_as_found: Shown,
    pub gallons_as_left: Shown,
    /// What to dial in at each clock.
    pub programs: Vec<ToDial>,
    /// What is wrong with the programs as they stand.
    pub program_check: Vec<Check>,
    /// What was taken for granted, and for which zones.
    pub assumed: Vec<OfZones>,
    /// What a person should look at, and for which zones.
    pub warnings: Vec<OfZones>,
    pub cautions: [&'static str; 2],
    #[serde(skip)]
    pub system: UnitSystem,
}

/// One zone.
#[derive(Serialize)]
pub struct Row {
    pub zone: String,
    #[serde(skip)]
    pub id: ThingId,
    /// How the crew finds it: `zone-3`.
    pub address: String,
    /// What it waters, in the crew's words.
    pub name: Option<String>,
    station: Option<u16>,
    pub plants: Option<String>,
    pub coefficient: Shown,
    pub effective_rain: Shown,
    pub need: Shown,
    pub rate: Shown,
    pub uniformity: Shown,
    pub flow: Shown,
    pub storage: Shown,
    pub days: Shown,
    pub minutes_a_week: Shown,
    pub minutes_a_day: Shown,
    pub cycles: Shown,
    /// Minutes on one of its days, as they are to be set.
    pub minutes_to_set: Shown,
    /// The depth that falls in a week of them.
    pub depth_to_set: Shown,
    /// Minutes in the week as they are to be set, less what does not fit the nights.
    pub minutes_set: Shown,
    pub starts: Shown,
    pub gallons: Shown,
    pub as_found: Set,
    pub as_left: Set,
}

/// A setting of the controller.
#[derive(Serialize)]
pub struct Set {
    /// How long one run is, where all of them are the same.
    pub minutes_a_run: Option<f64>,
    /// How many there are in a week, where all of them are the same.
    pub runs_a_week: Option<f64>,
    pub minutes_a_week: Shown,
    pub depth_a_week: Shown,
    pub gallons: Shown,
    /// How far above the plan's minutes it is.
    pub against_plan: Shown,
}

/// Something that holds for some zones.
#[derive(Serialize)]
pub struct OfZones {
    pub what: String,
    /// Their addresses.
    pub zones: Vec<String>,
}

const CAUTIONS: [&str; 2] = [
    "This is a proposal. Local watering days, hours and drought stages win over it; so does what \
     you see on the ground.",
    "Controller covers stay on: line voltage is for a qualified person.",
];

impl Sheet {
    /// Puts a plan on paper.
    pub fn of(
        name: &str,
        site: &Site<'_>,
        plan: &SitePlan,
        weather: From,
        system: UnitSystem,
    ) -> Self {
        let zones = plan.zones.iter().map(|zone| Row::of(site, zone, system));
        Self {
            site: name.to_owned(),
            logbook: site.root().id.to_string(),
            on: plan.on.to_string(),
            weather,
            eto: Shown::measure(&plan.eto, system),
            rain: Shown::measure(&plan.rain, system),
            window: Shown {
                value: plan.window.value().map_or(Json::Null, |window| {
                    json!({"opens": window.opens.to_string(), "closes": window.closes.to_string()})
                }),
                ..Shown::of(&plan.window, system, |window| {
                    format!("{} to {}", window.opens, window.closes)
                })
            },
            days_allowed: Shown::of(&plan.allowed, system, |allowed| figure::days(*allowed)),
            zones: zones.collect(),
            gallons: Shown::measure(&plan.gallons, system),
            gallons_as_found: Shown::measure(&plan.gallons_as_found, system),
            gallons_as_left: Shown::measure(&plan.gallons_as_left, system),
            programs: propose(site, plan)
                .iter()
                .map(|proposal| ToDial::of(name, proposal, system))
                .collect(),
            program_check: super::programs::check(site, plan),
            assumed: gathered(plan, Class::Assumed, system),
            warnings: gathered(plan, Class::Warning, system),
            cautions: CAUTIONS,
            system,
        }
    }
}

impl Row {
    fn of(site: &Site<'_>, plan: &ZonePlan, system: UnitSystem) -> Self {
        let thing = site.thing(plan.zone);
        let zone = thing.and_then(|thing| Zone::of(site, thing));
        let plants = zone.and_then(|zone| zone.plants().ok());
        let name = thing.and_then(|thing| thing.words(&fields::zone::NAME).ok());
        let to_set = minutes_to_set(plan);
        Self {
            zone: plan.zone.to_string(),
            id: plan.zone,
            address: plan.name.clone(),
            name: name.map(|name| name.value),
            station: plan.station.map(|station| station.get()),
            plants: plants.map(|plants| plants.value.plain()),
            coefficient: Shown::share(&plan.coefficient, system),
            effective_rain: Shown::measure(&plan.effective_rain, system),
            need: Shown::measure(&plan.need, system),
            rate: Shown::measure(&plan.rate, system),
            uniformity: Shown::share(&plan.uniformity, system),
            flow: Shown::measure(&plan.flow, system),
            storage: Shown::measure(&plan.storage, system),
            days: Shown {
                value: plan.days.value().map_or(Json::Null, |days| {
                    json!({"rule": days.rule.to_string(), "a_week": days.a_week})
                }),
                ..Shown::of(&plan.days, system, |days| days.rule.to_string())
            },
            minutes_a_week: Shown::measure(&plan.minutes_a_week, system),
            minutes_a_day: Shown::measure(&plan.minutes_a_day, system),
            cycles: Shown {
                value: plan.cycles.value().map_or(Json::Null, |set| {
                    json!({"cycles": set.cycles, "minutes": set.minutes, "soak_minutes": set.soak})
                }),
                ..Shown::of(&plan.cycles, system, figure::cycles)
            },
            depth_to_set: Shown::measure(&depth_to_set(plan), system),
            minutes_to_set: Shown::measure(&to_set, system),
            minutes_set: Shown::measure(&plan.minutes_set, system),
            starts: Shown {
                value: plan
                    .starts
                    .get()
                    .map_or(Json::Null, |starts| starts_json(starts)),
                ..Shown::of(&plan.starts, system, |starts| figure::starts(starts))
            },
            gallons: Shown::measure(&plan.gallons, system),
            as_found: Set::of(&plan.as_found, Runs::found(zone), system),
            as_left: Set::of(&plan.as_left, Runs::left(zone), system),
        }
    }

    /// What people call it.
    pub fn called(&self) -> String {
        match &self.name {
            Some(name) => format!("{} {name}", self.address),
            None => self.address.clone(),
        }
    }
}

/// Cycles x minutes of one day.
fn minutes_to_set(plan: &ZonePlan) -> Figure<Minutes> {
    match (plan.cycles.get(), plan.minutes_a_day.value()) {
        (Ok(set), Some(exact)) => {
            let minutes = Minutes::new(f64::from(set.water()));
            Figure::known(minutes, Why::WholeMinutes { exact })
        }
        (Err(reason), _) => Figure::unknown(reason),
        (_, None) => plan.minutes_a_day.clone(),
    }
}

/// The depth of a week as it is to be set.
fn depth_to_set(plan: &ZonePlan) -> Figure<Inches> {
    let known = || {
        let minutes = *plan.minutes_set.get()?;
        if minutes <= Minutes::ZERO {
            return Ok(Figure::known(Inches::ZERO, Why::NothingToDo));
        }
        let rate = *plan.rate.get()?;
        let depth = Inches::new(rate.get() * minutes.get() / 60.0);
        Ok(Figure::known(depth, Why::DepthOf { minutes, rate }))
    };
    known().unwrap_or_else(Figure::unknown)
}

impl Set {
    fn of(setting: &Setting, runs: Option<Runs>, system: UnitSystem) -> Self {
        Self {
            minutes_a_run: runs.map(|runs| runs.minutes.get()),
            runs_a_week: runs.map(|runs| runs.a_week),
            minutes_a_week: Shown::measure(&setting.minutes_a_week, system),
            depth_a_week: Shown::measure(&setting.depth_a_week, system),
            gallons: Shown::measure(&setting.gallons, system),
            against_plan: Shown::measure(&setting.against_plan, system),
        }
    }

    /// How long one run is, for a table.
    pub fn a_run(&self) -> String {
        match self.minutes_a_run {
            Some(minutes) => format!("{minutes:.0}"),
            None => "-".to_owned(),
        }
    }
}

/// Gathers the reasons of a class with the zones that rest on them, in the order of the
/// calculation.
fn gathered(plan: &SitePlan, class: Class, system: UnitSystem) -> Vec<OfZones> {
    let mut all: Vec<OfZones> = Vec::new();
    let of_site = [plan.eto.why(), plan.rain.why(), plan.window.why()].concat();
    for why in of_site.iter().filter(|why| Class::of(why) == Some(class)) {
        let what = why.sentence(system);
        let zones = plan.zones.iter().map(|zone| zone.name.clone()).collect();
        all.push(OfZones { what, zones });
    }
    for zone in &plan.zones {
        for why in why::all_of(zone).filter(|why| Class::of(why) == Some(class)) {
            let what = why.sentence(system);
            match all.iter_mut().find(|said| said.what == what) {
                Some(said) if said.zones.contains(&zone.name) => {}
                Some(said) => said.zones.push(zone.name.clone()),
                None => all.push(OfZones {
                    what,
                    zones: vec![zone.name.clone()],
                }),
            }
        }
    }
    all
}
