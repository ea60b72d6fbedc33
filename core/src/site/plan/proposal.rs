//! The programs that a clock can be set to: what the zones need, brought down to a few programs
//! with a few start times each.
//!
//! [`propose`] is the entry point. A program runs all its stations one after the other at each of
//! its starts, on the same days. So zones of like days and cycles share one; a zone gets the days of
//! its program, and as many cycles.

use std::collections::BTreeMap;

use chrono::{Weekday, WeekdaySet};

use super::days::{longest_wait, spread};
use super::{Allowed, Figure, SitePlan, Unknown, Why, ZonePlan};
use crate::log::id::ThingId;
use crate::site::fields;
use crate::site::programs::{DayRule, LONGEST_RUN, Letter, Program, ProgramSet, Station};
use crate::site::things::{Controller, Site, Zone};
use crate::water::soak::{self, RunOffLimit};
use crate::water::units::{InchesPerHour, Minutes, Percent};
use crate::water::window::{TimeOfDay, Window};

/// What a controller can be set to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DialLimits {
    /// How many programs it has.
    pub programs: usize,
    /// How many start times each takes.
    pub starts: u32,
    /// The longest run of a station, whole minutes.
    pub longest_run: u32,
    /// Whether all of that was recorded.
    pub recorded: bool,
}

/// Three programs of four starts: what a capable controller has; common practice, no source.
const USUAL: DialLimits = DialLimits {
    programs: 3,
    starts: 4,
    longest_run: 240,
    recorded: false,
};

/// What to dial in at one controller.
#[derive(Debug, Clone, PartialEq)]
pub struct Proposal {
    /// Which controller.
    pub controller: ThingId,
    /// How the crew finds it.
    pub name: String,
    /// The programs, with their reasons.
    pub programs: Figure<ProgramSet>,
    /// What each station then runs, beside what was planned.
    pub stations: Vec<StationRun>,
}

/// What a station runs under the proposed programs.
#[derive(Debug, Clone, PartialEq)]
pub struct StationRun {
    /// Its zone.
    pub zone: ThingId,
    /// What the zone is called.
    pub name: String,
    /// Minutes a week, as planned exactly.
    pub planned: Minutes,
    /// Minutes a week, as proposed; less where all does not fit.
    pub proposed: Minutes,
}

/// A zone that is to be dialled in.
#[derive(Debug, Clone, Copy)]
struct Wanted<'p> {
    plan: &'p ZonePlan,
    station: Station,
    week: Minutes,
    days: u32,
    cycles: u32,
    /// The longest cycle, whole minutes.
    limit: u32,
    rate: InchesPerHour,
    intake: InchesPerHour,
}

/// One program while it is being made.
#[derive(Debug, Clone)]
struct Group<'p> {
    zones: Vec<(Wanted<'p>, u32)>,
    days_a_week: f64,
    days: DayRule,
    cycles: u32,
    /// From one start to the next, at least.
    apart: u32,
}

/// Returns the programs to dial in at each controller that is a clock.
#[must_use]
pub fn propose(site: &Site<'_>, plan: &SitePlan) -> Vec<Proposal> {
    let controllers = site.controllers();
    let proposals = controllers.iter().map(|controller| {
        let own = |zone: &&ZonePlan| {
            let zone = site
                .thing(zone.zone)
                .and_then(|thing| Zone::of(site, thing));
            let of = zone.and_then(|zone| Some(zone.controller()?.id));
            of == Some(controller.id)
        };
        let zones: Vec<&ZonePlan> = plan.zones.iter().filter(own).collect();
        of_controller(controller, &zones, plan)
    });
    proposals.collect()
}

impl DialLimits {
    /// Reads what is recorded of a controller, over what is usual.
    #[must_use]
    pub fn of(controller: &Controller<'_>) -> Self {
        let count = |field| controller.count(field).ok().map(|fact| fact.value);
        let programs = count(&fields::controller::PROGRAM_COUNT);
        let starts = count(&fields::controller::STARTS_EACH);
        let longest = controller.measure::<Minutes>(&fields::controller::LONGEST_RUN);
        let longest = longest.ok().map(|longest| longest.value);
        Self {
            recorded: programs.is_some() && starts.is_some() && longest.is_some(),
            programs: programs
                .and_then(|count| usize::try_from(count).ok())
                .unwrap_or(USUAL.programs),
            starts: starts
                .and_then(|count| u32::try_from(count).ok())
                .unwrap_or(USUAL.starts),
            longest_run: longest.map_or(USUAL.longest_run, |longest| longest.get() as u32),
        }
    }
}

fn of_controller(controller: &Controller<'_>, zones: &[&ZonePlan], plan: &SitePlan) -> Proposal {
    let limits = DialLimits::of(controller);
    let mut stations = Vec::new();
    let programs = Figure::reckon(|| {
        let (window, allowed) = (*plan.window.get()?, *plan.allowed.get()?);
        let wanted = wanted(zones, limits)?;
        if wanted.is_empty() {
            return Ok(Figure::known(ProgramSet::default(), Why::NothingToDo));
        }
        let dial = Dial {
            limits,
            window,
            allowed,
        };
        let (groups, starts, share) = dial.best(&wanted);
        let set = dial.set(&groups, starts);
        for (zone, _) in groups.iter().flat_map(|group| &group.zones) {
            stations.push(StationRun {
                zone: zone.plan.zone,
                name: zone.plan.name.clone(),
                planned: zone.week,
                proposed: set.minutes_a_week(zone.station),
            });
        }
        Ok(Figure::known(
            set,
            Why::Dialled {
                programs: limits.programs,
                starts: limits.starts,
                recorded: limits.recorded,
            },
        )
        .and_all((share < 100).then_some(Why::DialledShort { percent: share })))
    });
    stations.sort_by_key(|run| zones.iter().position(|zone| zone.zone == run.zone));
    Proposal {
        controller: controller.id,
        name: controller.address(),
        programs,
        stations,
    }
}

/// The zones that have something to run. One without its figures is left out of the programs; one
/// without a station cannot be.
fn wanted<'p>(zones: &[&'p ZonePlan], limits: DialLimits) -> Result<Vec<Wanted<'p>>, Unknown> {
    let mut wanted = Vec::new();
    for plan in zones {
        let (Some(week), Some(days), Some(cycles)) = (
            plan.minutes_a_week.value(),
            plan.days.value(),
            plan.cycles.value(),
        ) else {
            continue;
        };
        if week <= Minutes::ZERO || cycles.cycles == 0 {
            continue;
        }
        let station = plan.station.ok_or_else(|| Unknown::OfZone {
            zone: plan.name.clone(),
            reason: Box::new(Unknown::NoStation),
        })?;
        let (rate, intake) = (*plan.rate.get()?, *plan.intake.get()?);
        let limit = match *plan.run_off.get()? {
            RunOffLimit::None => limits.longest_run,
            RunOffLimit::After(limit) => (limit.get() + 1e-9).floor() as u32,
        };
        wanted.push(Wanted {
            plan,
            station,
            week,
            days: days.a_week.ceil() as u32,
            cycles: cycles.cycles,
            limit: limit.clamp(1, limits.longest_run),
            rate,
            intake,
        });
    }
    wanted.sort_by_key(|zone| (zone.days, zone.cycles, zone.station));
    Ok(wanted)
}

/// What programs have to keep to.
#[derive(Clone, Copy)]
struct Dial {
    limits: DialLimits,
    window: Window,
    allowed: Allowed,
}

/// The starts of each program, minutes after the window opens.
type Starts = Vec<Vec<u32>>;

impl Dial {
    /// The grouping that fits with the least starts and the least water too much; where none fits,
    /// the one that fits with the largest share of the minutes, and that share in percent.
    fn best<'p>(&self, wanted: &[Wanted<'p>]) -> (Vec<Group<'p>>, Starts, u32) {
        let cuts = cuts(wanted, self.limits.programs);
        let mut best: Option<(u64, Vec<Group<'p>>, Starts)> = None;
        let mut share = 100;
        // Of all shares the largest at which any grouping fits.
        while best.is_none() && share > 0 {
            for cut in &cuts {
                let Some((groups, starts)) = self.groups(wanted, cut, share) else {
                    continue;
                };
                let cost = cost(&groups);
                if best.as_ref().is_none_or(|(least, ..)| cost < *least) {
                    best = Some((cost, groups, starts));
                }
            }
            if best.is_none() {
                share -= if share > 50 { 2 } else { 5 };
            }
        }
        let (_, groups, starts) = best.unwrap_or_default();
        (groups, starts, share)
    }

    /// Makes a program of each stretch of zones. Where they do not fit, the one with the fullest
    /// night gets a day more, as long as there are more days.
    fn groups<'p>(
        &self,
        wanted: &[Wanted<'p>],
        cut: &[usize],
        share: u32,
    ) -> Option<(Vec<Group<'p>>, Starts)> {
        let mut stretches = Vec::new();
        let mut from = 0;
        for &to in cut.iter().chain(std::iter::once(&wanted.len())) {
            let zones = wanted.get(from..to).unwrap_or(&[]);
            if !zones.is_empty() {
                stretches.push((zones, 1));
            }
            from = to;
        }
        loop {
            let groups = stretches.iter();
            let mut groups: Vec<Group<'p>> = groups
                .map(|(zones, least)| self.group(zones, *least, share))
                .collect();
            self.choose_days(&mut groups);
            if let Some(starts) = self.starts(&groups) {
                return Some((groups, starts));
            }
            let most = self.allowed.days_a_week();
            let fullest = groups
                .iter()
                .enumerate()
                .filter(|(_, group)| group.days_a_week + 1.0 <= most)
                .max_by_key(|(_, group)| group.lasts() * group.cycles);
            let (at, group) = fullest?;
            let more = group.days_a_week as u32 + 1;
            if let Some((_, least)) = stretches.get_mut(at) {
                *least = more;
            }
        }
    }

    fn group<'p>(&self, zones: &[Wanted<'p>], least: u32, share: u32) -> Group<'p> {
        let most_days = self.allowed.days_a_week();
        let fixed = !matches!(self.allowed, Allowed::Weekdays(_));
        let least_days = zones
            .iter()
            .map(|zone| zone.days)
            .max()
            .unwrap_or(1)
            .max(least);
        let mut days_a_week = if fixed {
            most_days
        } else {
            f64::from(least_days).min(most_days)
        };
        // More days, then no more cycles than the dial has starts.
        let cycles = loop {
            let enough = |cycles: &u32| {
                zones
                    .iter()
                    .all(|zone| each(zone.week, days_a_week, *cycles, share) <= zone.limit)
            };
            if let Some(cycles) = (1..=self.limits.starts).find(enough) {
                break cycles;
            }
            if fixed || days_a_week + 1.0 > most_days {
                break self.limits.starts.max(1);
            }
            days_a_week += 1.0;
        };
        let zones: Vec<(Wanted<'p>, u32)> = zones
            .iter()
            .map(|zone| {
                let minutes = each(zone.week, days_a_week, cycles, share).min(zone.limit);
                (*zone, minutes)
            })
            .collect();
        let lasts: u32 = zones.iter().map(|(_, minutes)| minutes).sum();
        let soaks = zones.iter().map(|(zone, minutes)| {
            let soak = soak::soak(Minutes::new(f64::from(*minutes)), zone.rate, zone.intake);
            let soak = soak.map_or(0.0, Minutes::get);
            minutes + (soak - 1e-9).ceil().max(0.0) as u32
        });
        Group {
            apart: soaks.max().unwrap_or(0).max(lasts),
            zones,
            days_a_week,
            days: match self.allowed {
                Allowed::Weekdays(days) => DayRule::Weekdays(days),
                Allowed::Odd(_) => DayRule::Odd,
                Allowed::Even(_) => DayRule::Even,
            },
            cycles,
        }
    }

    /// Gives each program days of the week that leave the fullest night as empty as can be.
    fn choose_days(&self, groups: &mut [Group<'_>]) {
        let Allowed::Weekdays(allowed) = self.allowed else {
            return;
        };
        let mut order: Vec<usize> = (0..groups.len()).collect();
        let load = |group: &Group<'_>| group.lasts() * group.cycles;
        order.sort_by_key(|at| groups.get(*at).map(|group| std::cmp::Reverse(load(group))));
        let mut nights: BTreeMap<Weekday0, u32> = BTreeMap::new();
        for at in order {
            let Some(group) = groups.get_mut(at) else {
                continue;
            };
            let choices = spread(allowed, group.days_a_week as u32);
            let fullest = |set: &WeekdaySet| {
                let loads = set.iter(Weekday::Mon).map(|day| {
                    nights
                        .get(&day.num_days_from_monday())
                        .copied()
                        .unwrap_or(0)
                });
                loads.fold((0, 0), |(most, all): (u32, u32), one| {
                    (most.max(one), all + one)
                })
            };
            let chosen = choices.into_iter().min_by_key(fullest).unwrap_or(allowed);
            let load = load(group);
            for day in chosen.iter(Weekday::Mon) {
                *nights.entry(day.num_days_from_monday()).or_default() += load;
            }
            group.days = DayRule::Weekdays(chosen);
        }
    }

    /// The earliest starts at which no two programs of one night overlap, trying each order of the
    /// programs; `None` where no order fits the window.
    fn starts(&self, groups: &[Group<'_>]) -> Option<Starts> {
        let all: Vec<usize> = (0..groups.len()).collect();
        let orders = orders(&all);
        orders
            .into_iter()
            .find_map(|order| self.starts_in(groups, &order))
    }

    fn starts_in(&self, groups: &[Group<'_>], order: &[usize]) -> Option<Starts> {
        let open = self.window.minutes();
        let mut starts: Starts = vec![Vec::new(); groups.len()];
        let mut placed: Vec<(&Group<'_>, u32)> = Vec::new();
        for &at in order {
            let group = groups.get(at)?;
            let lasts = group.lasts();
            let mut ready = 0;
            for _ in 0..group.cycles {
                let ends = placed.iter().map(|(other, from)| from + other.lasts());
                let moments = std::iter::once(ready).chain(ends.filter(|end| *end > ready));
                let free = |from: &u32| {
                    !placed
                        .iter()
                        .any(|(other, begin)| self.clash((group, *from), (other, *begin)))
                };
                let from = moments.filter(free).min()?;
                if from + lasts > open {
                    return None;
                }
                starts.get_mut(at)?.push(from);
                placed.push((group, from));
                ready = from + group.apart;
            }
        }
        Some(starts)
    }

    /// Whether two starts ever run at once. A start after midnight belongs to the day that has
    /// begun, which is how a clock counts its days.
    fn clash(&self, one: (&Group<'_>, u32), other: (&Group<'_>, u32)) -> bool {
        let begins = |(group, from): (&Group<'_>, u32)| -> Vec<u32> {
            let at = u32::from(self.window.opens.plus(from).minute_of_day());
            let days = match group.days {
                DayRule::Weekdays(days) => days,
                _ => WeekdaySet::ALL,
            };
            let days = days.iter(Weekday::Mon);
            days.map(|day| day.num_days_from_monday() * DAY + at)
                .collect()
        };
        let (ones, others) = (begins(one), begins(other));
        let (lasts, other_lasts) = (one.0.lasts(), other.0.lasts());
        ones.iter().any(|begin| {
            others.iter().any(|other| {
                let after = (other + WEEK - begin) % WEEK;
                let before = (begin + WEEK - other) % WEEK;
                after < lasts || before < other_lasts
            })
        })
    }

    fn set(&self, groups: &[Group<'_>], starts: Starts) -> ProgramSet {
        let programs = groups.iter().zip(starts).zip('A'..='Z');
        let programs = programs.filter_map(|((group, starts), letter)| {
            let mut starts: Vec<TimeOfDay> = starts
                .iter()
                .map(|after| self.window.opens.plus(*after))
                .collect();
            starts.sort_unstable();
            let run = group.zones.iter().filter(|(_, minutes)| *minutes > 0);
            let program = Program {
                starts,
                days: group.days,
                percent: Percent::new(100.0),
                run: run
                    .map(|(zone, minutes)| (zone.station, Minutes::new(f64::from(*minutes))))
                    .collect(),
            };
            Some((Letter::new(letter)?, program))
        });
        ProgramSet {
            programs: programs.collect(),
        }
    }
}

/// Minutes in a day and in a week.
const DAY: u32 = 1_440;
const WEEK: u32 = 7 * DAY;

/// A day of the week as a number from Monday.
type Weekday0 = u32;

impl Group<'_> {
    /// Minutes of one start.
    fn lasts(&self) -> u32 {
        self.zones.iter().map(|(_, minutes)| minutes).sum()
    }
}

/// Whole minutes of one cycle, a share of them in percent.
fn each(week: Minutes, days: f64, cycles: u32, share: u32) -> u32 {
    let minutes = week.get() * f64::from(share) / 100.0 / days / f64::from(cycles.max(1));
    let longest = LONGEST_RUN.get();
    let whole = if share < 100 {
        minutes.floor()
    } else {
        (minutes - 1e-9).ceil()
    };
    whole.clamp(if share < 100 { 0.0 } else { 1.0 }, longest) as u32
}

/// What speaks against a grouping: water off the plan in percent of it, zones that wait longer than
/// their soil lasts or are watered more often than it asks, and starts that a person has to dial in.
fn cost(groups: &[Group<'_>]) -> u64 {
    let mut cost = 0.0;
    for group in groups {
        for (zone, minutes) in &group.zones {
            let week = f64::from(minutes * group.cycles) * group.days_a_week;
            cost += 100.0 * (week / zone.week.get() - 1.0).abs();
            if let DayRule::Weekdays(days) = group.days
                && f64::from(zone.days) * f64::from(longest_wait(days)) > 8.0
            {
                cost += 20.0;
            }
            // Roots that are watered too often stay near the surface.
            cost += 6.0 * (group.days_a_week - f64::from(zone.days)).max(0.0);
        }
        cost += 10.0 * f64::from(group.cycles);
    }
    (cost * 1_000.0) as u64
}

/// The ways to cut a sorted list into so many stretches at most, cutting only where zones differ.
fn cuts(wanted: &[Wanted<'_>], programs: usize) -> Vec<Vec<usize>> {
    let places: Vec<usize> = wanted
        .windows(2)
        .zip(1..)
        .filter(|(pair, _)| match pair {
            [one, other] => (one.days, one.cycles) != (other.days, other.cycles),
            _ => false,
        })
        .map(|(_, at)| at)
        .collect();
    let mut cuts: Vec<Vec<usize>> = vec![Vec::new()];
    let mut longest = cuts.clone();
    for _ in 1..programs.max(1) {
        let mut longer = Vec::new();
        for cut in &longest {
            let after = cut.last().copied().unwrap_or(0);
            let more = places.iter().filter(|place| **place > after);
            longer.extend(more.map(|place| [cut.as_slice(), &[*place]].concat()));
        }
        cuts.extend(longer.iter().cloned());
        longest = longer;
        if cuts.len() > CUTS_MOST {
            break;
        }
    }
    cuts.truncate(CUTS_MOST);
    cuts
}

/// More ways are not tried: a person would not tell them apart at the dial.
const CUTS_MOST: usize = 600;

/// Every order of a few programs; of many only the one given and its reverse.
fn orders(of: &[usize]) -> Vec<Vec<usize>> {
    if of.len() > 4 {
        return vec![of.to_vec(), of.iter().rev().copied().collect()];
    }
    let Some((first, rest)) = of.split_first() else {
        return vec![Vec::new()];
    };
    let mut all = Vec::new();
    for order in orders(rest) {
        for at in 0..=order.len() {
            let mut longer = order.clone();
            longer.insert(at, *first);
            all.push(longer);
        }
    }
    all
}

#[cfg(test)]
mod tests;
