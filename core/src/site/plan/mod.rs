//! What the controller should run: a schedule from what a site is and what the weather was, with
//! a reason for every figure, beside what was found and what was left.
//!
//! [`plan_site`] is the entry point. It is a pure function; it never fails. What cannot be
//! reckoned is an [`Unknown`] that says why and what to do next, never zero and never a number
//! that is not one.

mod days;
mod demand;
mod figure;
mod nights;
mod rules;
mod settings;
mod soil;
mod supply;
mod unknown;
mod why;
mod zone;

pub use days::{Allowed, WaterDays};
pub use figure::Figure;
pub use nights::ZoneStart;
pub use rules::{From, HouseRules, Rule, Valves};
pub use settings::Setting;
pub use unknown::Unknown;
pub use why::{Why, say};
pub use zone::{AsSet, ZonePlan};

use chrono::NaiveDate;

use super::things::Site;
use super::weather::WeatherDay;
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
/// `weather` may hold any days in any order; those of the week before `on` count. Of two records
/// of one day the last in the list counts.
#[must_use]
pub fn plan_site(
    site: &Site<'_>,
    weather: &[WeatherDay],
    on: NaiveDate,
    rules: &HouseRules,
) -> SitePlan {
    let week = demand::Week::of(site, weather, on);
    let limits = days::Limits::of(site, on, rules);
    let mut zones: Vec<ZonePlan> = site
        .zones()
        .into_iter()
        .map(|zone| zone::plan(site, zone, &week, &limits, rules))
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
mod tests;
