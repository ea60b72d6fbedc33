//! What the controller should run: a schedule from what a site is and what the weather was, with
//! a reason for every figure, beside what was found and what was left.
//!
//! [`plan_site`] is the entry point. It is a pure function; it never fails. What cannot be
//! reckoned is an [`Unknown`] that says why and what to do next, never zero and never a number
//! that is not one.

mod coefficient;
mod days;
mod demand;
mod figure;
mod nights;
mod proposal;
mod rules;
mod season;
mod settings;
mod soil;
mod supply;
mod teach;
mod unknown;
mod why;
mod zone;

pub use days::{Allowed, Clock, WaterDays};
pub use figure::Figure;
pub use nights::ZoneStart;
pub use proposal::{DialLimits, Proposal, StationRun, propose};
pub use rules::{From, HouseRules, Rule, Valves};
pub use season::{Kept, SiteSeason, Stretch, ZoneSeason, season, season_under, volume};
pub use settings::Setting;
pub use unknown::Unknown;
pub use why::{Why, say};
pub use zone::{AsSet, ZonePlan};

use chrono::NaiveDate;

use super::things::Site;
use super::weather::Record;
use crate::water::units::{Gallons, Inches};
use crate::water::window::Window;

/// A site's schedule, with what it rests on.
#[derive(Debug, Clone, PartialEq)]
pub struct SitePlan {
    /// The day for which it was made; the weather of the seven days before it counts.
    pub on: NaiveDate,
    /// Reference evapotranspiration of those seven days.
    pub eto: Figure<Inches>,
    /// All the rain of those days.
    pub rain: Figure<Inches>,
    /// When water may run.
    pub window: Figure<Window>,
    /// On which days.
    pub allowed: Figure<Allowed>,
    /// Each zone, by number.
    pub zones: Vec<ZonePlan>,
    /// Water of all zones in a week, as planned; unknown where one zone's is.
    pub gallons: Figure<Gallons>,
    /// The same, as found.
    pub gallons_as_found: Figure<Gallons>,
    /// The same, as left.
    pub gallons_as_left: Figure<Gallons>,
}

/// Returns a site's schedule for the week that begins on a day.
///
/// `weather` may hold any days in any order; those of the week before `on` count, and where they are
/// too few the month's normals. Of two records of one day the last in the list counts. Notes of the
/// year before may move the plants' coefficients, which asks for the weather before each of them.
#[must_use]
pub fn plan_site(site: &Site<'_>, weather: &Record, on: NaiveDate, rules: &HouseRules) -> SitePlan {
    let lessons = teach::Lessons::of(site, &weather.days, on, rules);
    plan_of(site, demand::Week::of(site, weather, on), rules, &lessons)
}

/// A plan as if the water were on.
fn plan_running(
    site: &Site<'_>,
    weather: &Record,
    on: NaiveDate,
    rules: &HouseRules,
    lessons: &teach::Lessons<'_>,
) -> SitePlan {
    let mut week = demand::Week::of(site, weather, on);
    week.off = None;
    plan_of(site, week, rules, lessons)
}

fn plan_of(
    site: &Site<'_>,
    week: demand::Week,
    rules: &HouseRules,
    lessons: &teach::Lessons<'_>,
) -> SitePlan {
    let on = week.on;
    let limits = days::Limits::of(site, on, rules);
    let mut zones: Vec<ZonePlan> = site
        .zones()
        .into_iter()
        .map(|zone| zone::plan(site, zone, &week, &limits, rules, lessons))
        .collect();
    nights::give_starts(site, &mut zones, &limits, rules);
    let total = |figure: fn(&ZonePlan) -> &Figure<Gallons>| {
        let zones = zones.iter().map(|zone| (zone.name.as_str(), figure(zone)));
        figure::sum(zones)
    };
    SitePlan {
        on,
        eto: week.eto.clone(),
        rain: week.rain.clone(),
        window: limits.window.clone(),
        allowed: limits.allowed.clone(),
        gallons: total(|zone| &zone.gallons),
        gallons_as_found: total(|zone| &zone.as_found.gallons),
        gallons_as_left: total(|zone| &zone.as_left.gallons),
        zones,
    }
}

#[cfg(test)]
pub(super) mod tests;
