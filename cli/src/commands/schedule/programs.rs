//! The programs as they stand at the controllers: how long a zone runs, and what is wrong.

use std::collections::BTreeMap;

use chrono::WeekdaySet;
use serde::Serialize;

use headwalk_core::site::plan::{Allowed, SitePlan, ZonePlan};
use headwalk_core::site::programs::{DayRule, Expected, Letter, ProgramSet};
use headwalk_core::site::things::{Controller, Site, Zone};
use headwalk_core::water::units::{Minutes, Percent};

/// A zone's runs, where all of them are the same.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Runs {
    /// Minutes of one, the percent included.
    pub minutes: Minutes,
    /// How many a week.
    pub a_week: f64,
}

impl Runs {
    /// Of the programs that were found last.
    pub fn found(zone: Option<Zone<'_>>) -> Option<Self> {
        let zone = zone?;
        let controller = zone.controller()?;
        let found = controller.as_found().into_iter().next_back()?;
        Self::of(zone, &found.value)
    }

    /// Of the programs as they were left.
    pub fn left(zone: Option<Zone<'_>>) -> Option<Self> {
        let zone = zone?;
        Self::of(zone, &zone.controller()?.as_left().ok()?.value)
    }

    fn of(zone: Zone<'_>, set: &ProgramSet) -> Option<Self> {
        let station = zone.station()?;
        let runs = set.programs.values().map(|program| Self {
            minutes: program.minutes_a_run(station),
            a_week: program.starts.len() as f64 * program.days.days_a_week(),
        });
        let mut runs = runs.filter(|runs| runs.minutes > Minutes::ZERO && runs.a_week > 0.0);
        match (runs.next(), runs.next()) {
            (Some(only), None) => Some(only),
            _ => None,
        }
    }
}

/// What is wrong with the programs of one controller.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Check {
    /// Its address.
    controller: String,
    /// Which programs: `as left`, else `as found`.
    programs: &'static str,
    /// One sentence each; none where all is well.
    faults: Vec<String>,
}

impl Check {
    /// Returns the row that people read.
    pub fn row(&self) -> [String; 3] {
        let faults = match self.faults.as_slice() {
            [] => "nothing wrong".to_owned(),
            faults => faults.join("; "),
        };
        [self.controller.clone(), self.programs.to_owned(), faults]
    }
}

/// Holds each controller's programs against the site's hours and days and its heads.
pub fn check(site: &Site<'_>, plan: &SitePlan) -> Vec<Check> {
    let controllers = site.controllers();
    let checks = controllers.iter().filter_map(|controller| {
        let (programs, set) = standing(controller)?;
        let faults = set.faults(&expected(site, plan, controller, &set));
        Some(Check {
            controller: controller.address(),
            programs,
            faults: faults.iter().map(ToString::to_string).collect(),
        })
    });
    checks.collect()
}

/// The programs as they stand, as far as anybody wrote them down.
fn standing(controller: &Controller<'_>) -> Option<(&'static str, ProgramSet)> {
    if let Ok(left) = controller.as_left() {
        return Some(("as left", left.value));
    }
    let found = controller.as_found().into_iter().next_back()?;
    Some(("as found", found.value))
}

fn expected(
    site: &Site<'_>,
    plan: &SitePlan,
    controller: &Controller<'_>,
    set: &ProgramSet,
) -> Expected {
    let own = |zone: &Zone<'_>| zone.controller().is_some_and(|own| own.id == controller.id);
    let zones = site.zones().into_iter().filter(own);
    let emission = zones.filter_map(|zone| Some((zone.station()?, zone.emission().ok()?.value)));
    let dry = plan.allowed.value().map(|allowed| match allowed {
        Allowed::Weekdays(days) | Allowed::Odd(days) | Allowed::Even(days) => {
            WeekdaySet::ALL.difference(days)
        }
    });
    let limit = site.supply().and_then(|supply| supply.flow_limit().ok());
    let own = plan.zones.iter().filter(|zone| {
        let zone = site
            .thing(zone.zone)
            .and_then(|thing| Zone::of(site, thing));
        zone.and_then(|zone| Some(zone.controller()?.id)) == Some(controller.id)
    });
    let own: Vec<&ZonePlan> = own.collect();
    let flow = own
        .iter()
        .filter_map(|zone| Some((zone.station?, zone.flow.value()?)));
    Expected {
        window: plan.window.value(),
        dry_days: dry,
        dates: plan.allowed.value().and_then(|allowed| match allowed {
            Allowed::Weekdays(_) => None,
            Allowed::Odd(_) => Some(DayRule::Odd),
            Allowed::Even(_) => Some(DayRule::Even),
        }),
        percent: percents(&own, set),
        flow_limit: limit.map(|limit| limit.value),
        flow: flow.collect(),
        emission: emission.collect::<BTreeMap<_, _>>(),
    }
}

/// What each program's percent would have to be for its stations to run what is planned.
fn percents(zones: &[&ZonePlan], set: &ProgramSet) -> BTreeMap<Letter, Percent> {
    let programs = set.programs.iter().filter_map(|(letter, program)| {
        let (mut planned, mut runs) = (Minutes::ZERO, Minutes::ZERO);
        for station in program.run.keys() {
            let zone = zones.iter().find(|zone| zone.station == Some(*station))?;
            planned = planned + zone.minutes_a_week.value()?;
            runs = runs + program.minutes_a_week(*station);
        }
        let percent = program.percent.get() * (planned / runs);
        (runs > Minutes::ZERO).then(|| (*letter, Percent::new(percent)))
    });
    programs.collect()
}
