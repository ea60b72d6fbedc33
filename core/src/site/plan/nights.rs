//! When each cycle of each zone starts, so that all of them fit the nights of a week.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{Weekday, WeekdaySet};

use super::days::{Limits, spread};
use super::{
    Allowed, AsSet, Figure, HouseRules, Unknown, Valves, WaterDays, Why, ZonePlan, settings,
};
use crate::site::fields;
use crate::site::programs::DayRule;
use crate::site::things::Site;
use crate::site::words::Planting;
use crate::water::units::{Gpm, Minutes, Percent};
use crate::water::window::{self, Job, Loses, Start, Supply, TimeOfDay, Window};

/// One cycle of a zone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ZoneStart {
    /// On which day of the week; `None` for every day on which the zone is watered.
    pub day: Option<Weekday>,
    /// Which cycle, from 1.
    pub cycle: u32,
    /// When it starts.
    pub at: TimeOfDay,
    /// Whole minutes.
    pub minutes: u32,
}

/// A zone that has something to run.
#[derive(Clone, Copy)]
struct Thirsty {
    /// Its place in the list of zones.
    zone: usize,
    job: Job,
    loses: Loses,
}

/// A zone, one of its cycles, and the day; `None` for every day on which the zone is watered.
type Placed = (usize, Start, Option<Weekday>);

/// Gives every zone its starts: all zones in one night where that fits, so that one setting does
/// for every night; else spread over the days of the week.
pub(super) fn give_starts(
    site: &Site<'_>,
    zones: &mut [ZonePlan],
    limits: &Limits,
    rules: &HouseRules,
) {
    for zone in zones.iter_mut() {
        zone.starts = match (zone.cycles.get(), limits.window.get()) {
            (Ok(AsSet { cycles: 0, .. }), _) => Figure::known(Vec::new(), Why::NothingToDo),
            (Ok(_), Ok(_)) => continue,
            (Err(reason), _) | (_, Err(reason)) => Figure::unknown(reason),
        };
    }
    let Some(window) = limits.window.value() else {
        return;
    };
    let supply = supply(site, zones, rules);
    let thirsty = thirsty(zones);
    let nights = Nights { window, supply };
    let one = nights.all_in_one(&thirsty);
    match limits.allowed.value() {
        Some(Allowed::Weekdays(allowed)) if !one.lost.is_empty() => {
            let days = spread_out(zones, &thirsty, allowed);
            let week = nights.each(&thirsty, &days);
            for (&zone, &set) in &days {
                if let Some(plan) = zones.get_mut(zone) {
                    move_days(plan, set);
                }
            }
            put(zones, &thirsty, week, supply, limits);
        }
        _ => put(zones, &thirsty, one, supply, limits),
    }
}

fn supply(site: &Site<'_>, zones: &[ZonePlan], rules: &HouseRules) -> Supply {
    let limit = site.supply().and_then(|supply| supply.flow_limit().ok());
    // Where one flow is unknown, nobody can say what fits beside it.
    let all_known = zones.iter().all(|zone| zone.flow.value().is_some());
    // A controller that may do so says it; the house's rule stands for those that say nothing.
    let said = site.controllers().into_iter().filter_map(|controller| {
        let together = controller.yes(&fields::controller::ZONES_TOGETHER).ok()?;
        Some(together.value)
    });
    let valves = match said.reduce(|one, other| one || other) {
        Some(true) => Valves::AsTheSupplyCarries,
        Some(false) => Valves::OneAtATime,
        None => rules.valves,
    };
    match (valves, limit) {
        (Valves::AsTheSupplyCarries, Some(limit)) if all_known && limit.value > Gpm::ZERO => {
            Supply::UpTo(limit.value)
        }
        _ => Supply::OneValve,
    }
}

fn thirsty(zones: &[ZonePlan]) -> Vec<Thirsty> {
    let zones = zones.iter().enumerate();
    zones
        .filter_map(|(zone, plan)| {
            let AsSet {
                cycles,
                minutes,
                soak,
            } = plan.cycles.value()?;
            let flow = plan.flow.value().unwrap_or(Gpm::ZERO);
            let job = Job {
                cycles,
                minutes,
                soak,
                flow,
            };
            let loses = match plan.plants {
                // Their roots cannot wait for a better night.
                Some(Planting::NewTurf | Planting::Annuals | Planting::Vegetables) => Loses::Last,
                _ => Loses::WithTheOthers,
            };
            (cycles > 0).then_some(Thirsty { zone, job, loses })
        })
        .collect()
}

/// What the nights of a week can hold.
#[derive(Clone, Copy)]
struct Nights {
    window: Window,
    supply: Supply,
}

/// What was placed, and what was not.
#[derive(Default)]
struct Packed {
    starts: Vec<Placed>,
    /// Why a zone has no starts.
    refused: BTreeMap<usize, Unknown>,
    /// Minutes that a zone lost on each night that was too short for it.
    lost: BTreeMap<usize, Vec<u32>>,
}

impl Nights {
    /// Packs one night; of what does not fit, as much as does.
    fn all_in_one(self, thirsty: &[Thirsty]) -> Packed {
        self.night(thirsty, None)
    }

    /// Packs each night of the week by itself.
    fn each(self, thirsty: &[Thirsty], days: &BTreeMap<usize, WeekdaySet>) -> Packed {
        let mut week = Packed::default();
        for day in WeekdaySet::ALL.iter(Weekday::Mon) {
            let tonight = |thirsty: &&Thirsty| {
                days.get(&thirsty.zone)
                    .is_some_and(|days| days.contains(day))
            };
            let tonight: Vec<Thirsty> = thirsty.iter().filter(tonight).copied().collect();
            let packed = self.night(&tonight, Some(day));
            week.starts.extend(packed.starts);
            week.refused.extend(packed.refused);
            for (zone, lost) in packed.lost {
                week.lost.entry(zone).or_default().extend(lost);
            }
        }
        week
    }

    fn night(self, thirsty: &[Thirsty], day: Option<Weekday>) -> Packed {
        let jobs: Vec<Job> = thirsty.iter().map(|thirsty| thirsty.job).collect();
        let loses = |job: usize| thirsty.get(job).map_or(Loses::Last, |zone| zone.loses);
        let zone = |job: usize| thirsty.get(job).map_or(usize::MAX, |thirsty| thirsty.zone);
        let most = match window::pack_most(&jobs, loses, self.window, self.supply) {
            Ok(most) => most,
            Err(fault) => {
                let all = thirsty.iter().map(|thirsty| thirsty.zone);
                let refused = all.map(|zone| (zone, Unknown::Impossible(fault.clone())));
                return Packed {
                    refused: refused.collect(),
                    ..Packed::default()
                };
            }
        };
        let over: BTreeSet<usize> = most.over_supply.iter().copied().collect();
        let lost = jobs.iter().zip(&most.run).enumerate();
        let lost = lost.filter_map(|(at, (asked, run))| {
            let lost = asked.cycles * asked.minutes - run.cycles * run.minutes;
            (lost > 0 && !over.contains(&at)).then(|| (zone(at), vec![lost]))
        });
        let starts = most.starts.iter();
        Packed {
            starts: starts.map(|start| (zone(start.job), *start, day)).collect(),
            lost: lost.collect(),
            refused: over
                .iter()
                .map(|at| (zone(*at), Unknown::OverSupply))
                .collect(),
        }
    }
}

/// Gives each zone the days that leave the fullest night as empty as can be, longest first.
fn spread_out(
    zones: &[ZonePlan],
    thirsty: &[Thirsty],
    allowed: WeekdaySet,
) -> BTreeMap<usize, WeekdaySet> {
    let mut order: Vec<&Thirsty> = thirsty.iter().collect();
    let water = |job: &Job| job.cycles.saturating_mul(job.minutes);
    order.sort_by_key(|thirsty| (std::cmp::Reverse(water(&thirsty.job)), thirsty.zone));
    let mut load: BTreeMap<u32, u32> = BTreeMap::new();
    let mut days = BTreeMap::new();
    for Thirsty { zone, job, .. } in order {
        let plan = zones.get(*zone).and_then(|plan| plan.days.value());
        let Some(DayRule::Weekdays(set)) = plan.map(|days: WaterDays| days.rule) else {
            continue;
        };
        let fullest = |set: &WeekdaySet| {
            let days = set.iter(Weekday::Mon).map(|day| day.num_days_from_monday());
            let loads = days.map(|day| load.get(&day).copied().unwrap_or(0));
            let (most, all) = loads.fold((0, 0), |(most, all): (u32, u32), one| {
                (most.max(one), all.saturating_add(one))
            });
            (most, all)
        };
        let choices = spread(allowed, u32::from(set.len()));
        let chosen = choices.into_iter().min_by_key(fullest).unwrap_or(set);
        for day in chosen.iter(Weekday::Mon) {
            let night = load.entry(day.num_days_from_monday()).or_default();
            *night = night.saturating_add(water(job));
        }
        days.insert(*zone, chosen);
    }
    days
}

fn move_days(plan: &mut ZonePlan, set: WeekdaySet) {
    let Some(days) = plan.days.value() else {
        return;
    };
    let why = plan.days.why().to_vec();
    let moved = WaterDays {
        rule: DayRule::Weekdays(set),
        ..days
    };
    plan.days = Figure::known(moved, Why::NightsDiffer).and_all(why);
}

fn put(
    zones: &mut [ZonePlan],
    thirsty: &[Thirsty],
    packed: Packed,
    supply: Supply,
    limits: &Limits,
) {
    let differ = packed.starts.iter().any(|(.., day)| day.is_some());
    for Thirsty { zone, .. } in thirsty {
        let Some(plan) = zones.get_mut(*zone) else {
            continue;
        };
        if let Some(reason) = packed.refused.get(zone) {
            plan.starts = Figure::unknown(reason.clone());
            plan.minutes_set = Figure::unknown(reason.clone());
            plan.gallons = Figure::unknown(reason.clone());
            continue;
        }
        let own = packed.starts.iter().copied();
        let own = own
            .filter(|(of, ..)| of == zone)
            .map(|(_, start, day)| ZoneStart {
                day,
                cycle: start.cycle,
                at: start.at,
                minutes: start.minutes,
            });
        let shortened = packed.lost.get(zone).and_then(|lost| shorten(plan, lost));
        let together = matches!(supply, Supply::UpTo(_));
        plan.starts = Figure::known(own.collect(), Why::Packed { together })
            .and_all(shortened)
            .and_all(differ.then_some(Why::NightsDiffer))
            .and_all(limits.window.why().iter().cloned());
    }
}

/// Takes from a zone's week what does not fit its nights, and says so.
fn shorten(plan: &mut ZonePlan, lost: &[u32]) -> Option<Why> {
    let (set, days) = (plan.minutes_set.value()?, plan.days.value()?);
    // One setting for every night loses the same on each of them.
    let nights = if lost.len() == 1 && !plan.days.why().contains(&Why::NightsDiffer) {
        days.a_week
    } else {
        1.0
    };
    let lost_minutes: u32 = lost.iter().sum();
    let lost_minutes = Minutes::new(f64::from(lost_minutes) * nights);
    let why = Why::Shortened {
        lost: lost_minutes,
        percent: Percent::new(100.0 * (lost_minutes / set)),
        nights: lost.len(),
    };
    let left = Figure::known(set - lost_minutes, why.clone());
    plan.gallons = settings::water(&left, &plan.flow);
    plan.minutes_set = left;
    Some(why)
}

#[cfg(test)]
pub(super) mod tests;
