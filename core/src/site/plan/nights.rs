//! When each cycle of each zone starts, so that all of them fit the nights of a week.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{Weekday, WeekdaySet};

use super::days::{Limits, spread};
use super::{Allowed, AsSet, Figure, HouseRules, Unknown, Valves, WaterDays, Why, ZonePlan};
use crate::site::programs::DayRule;
use crate::site::things::Site;
use crate::water::units::Gpm;
use crate::water::window::{self, Job, Packing, Proof, Start, Supply, TimeOfDay, Window};

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
}

/// Why a zone has no starts.
type Refused = BTreeMap<usize, Unknown>;

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
    let (starts, refused) = night(&thirsty, window, supply);
    let too_long = |reason: &Unknown| matches!(reason, Unknown::DoesNotFit { .. });
    if refused.values().any(too_long)
        && let Some(Allowed::Weekdays(allowed)) = limits.allowed.value()
    {
        let days = spread_out(zones, &thirsty, allowed);
        let (starts, refused) = week(&thirsty, &days, window, supply);
        for (&zone, &set) in &days {
            if let Some(plan) = zones.get_mut(zone) {
                move_days(plan, set);
            }
        }
        return put(zones, &thirsty, &starts, &refused, supply, limits);
    }
    put(zones, &thirsty, &starts, &refused, supply, limits);
}

fn supply(site: &Site<'_>, zones: &[ZonePlan], rules: &HouseRules) -> Supply {
    let limit = site.supply().and_then(|supply| supply.flow_limit().ok());
    // Where one flow is unknown, nobody can say what fits beside it.
    let all_known = zones.iter().all(|zone| zone.flow.value().is_some());
    match (rules.valves, limit) {
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
            (cycles > 0).then_some(Thirsty { zone, job })
        })
        .collect()
}

/// Packs one night; what cannot be packed is told by zone.
fn night(thirsty: &[Thirsty], window: Window, supply: Supply) -> (Vec<Placed>, Refused) {
    let jobs: Vec<Job> = thirsty.iter().map(|thirsty| thirsty.job).collect();
    let zone = |job: usize| thirsty.get(job).map_or(usize::MAX, |thirsty| thirsty.zone);
    let by_zone = |starts: Vec<Start>| {
        starts
            .into_iter()
            .map(|start| (zone(start.job), start, None))
            .collect()
    };
    match window::pack(&jobs, window, supply) {
        Err(fault) => {
            let all = thirsty.iter().map(|thirsty| thirsty.zone);
            (
                Vec::new(),
                all.map(|zone| (zone, Unknown::Impossible(fault.clone())))
                    .collect(),
            )
        }
        Ok(Packing::Fits { starts, .. }) => (by_zone(starts), Refused::new()),
        Ok(Packing::DoesNotFit {
            starts,
            overrun,
            jobs,
            proof,
        }) => {
            let certain = proof == Proof::NoOrderFits;
            let late = jobs.into_iter().map(zone);
            let late = late.map(|zone| (zone, Unknown::DoesNotFit { overrun, certain }));
            (by_zone(starts), late.collect())
        }
        Ok(Packing::OverSupply { jobs }) => {
            let over: BTreeSet<usize> = jobs.into_iter().map(zone).collect();
            let rest: Vec<Thirsty> = thirsty
                .iter()
                .filter(|thirsty| !over.contains(&thirsty.zone))
                .copied()
                .collect();
            let (starts, mut refused) = night(&rest, window, supply);
            refused.extend(over.into_iter().map(|zone| (zone, Unknown::OverSupply)));
            (starts, refused)
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
    for Thirsty { zone, job } in order {
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

/// Packs each night of the week by itself.
fn week(
    thirsty: &[Thirsty],
    days: &BTreeMap<usize, WeekdaySet>,
    window: Window,
    supply: Supply,
) -> (Vec<Placed>, Refused) {
    let (mut starts, mut refused) = (Vec::new(), Refused::new());
    for day in WeekdaySet::ALL.iter(Weekday::Mon) {
        let tonight = |thirsty: &&Thirsty| {
            days.get(&thirsty.zone)
                .is_some_and(|days| days.contains(day))
        };
        let tonight: Vec<Thirsty> = thirsty.iter().filter(tonight).copied().collect();
        let (packed, late) = night(&tonight, window, supply);
        starts.extend(
            packed
                .into_iter()
                .map(|(zone, start, _)| (zone, start, Some(day))),
        );
        refused.extend(late);
    }
    (starts, refused)
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
    starts: &[Placed],
    refused: &Refused,
    supply: Supply,
    limits: &Limits,
) {
    let differ = starts.iter().any(|(.., day)| day.is_some());
    for Thirsty { zone, .. } in thirsty {
        let Some(plan) = zones.get_mut(*zone) else {
            continue;
        };
        if let Some(reason) = refused.get(zone) {
            plan.starts = Figure::unknown(reason.clone());
            continue;
        }
        let own = starts.iter().copied().filter(|(of, ..)| of == zone);
        let own = own.map(|(_, start, day)| ZoneStart {
            day,
            cycle: start.cycle,
            at: start.at,
            minutes: start.minutes,
        });
        let together = matches!(supply, Supply::UpTo(_));
        plan.starts = Figure::known(own.collect(), Why::Packed { together })
            .and_all(differ.then_some(Why::NightsDiffer))
            .and_all(limits.window.why().iter().cloned());
    }
}

#[cfg(test)]
pub(super) mod tests;
