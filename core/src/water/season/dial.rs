//! The best place of a percent dial in each month.

use std::collections::BTreeMap;

use chrono::Datelike;

use super::{Day, Ground, Halves, Run, Start, Sum};
use crate::water::units::{Allowed, Fraction, Minutes, OutOfRange, Percent};

/// A zone on the dial: its days, with what its program runs at 100 %.
#[derive(Debug, Clone, PartialEq)]
pub struct Dialled {
    /// The zone.
    pub ground: Ground,
    /// Whole years or parts of them, oldest day first.
    pub days: Vec<Day>,
}

/// Where the dial should stand in a month.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Best {
    /// From 1.
    pub month: u32,
    /// The place.
    pub percent: Percent,
    /// What the month then comes to, over all zones and years.
    pub sum: Sum,
    /// Whether plants go shorter than is allowed even so: the dial has no higher place that helps.
    pub too_little: bool,
}

/// The dial's places: in steps of 5, up to the 200 % that common controllers end at; common
/// practice, no source.
const STEP: u32 = 5;
const HIGHEST: u32 = 200;
/// No dial makes a day longer.
const DAY_MIN: f64 = 1_440.0;

/// Returns the least percent for each month of the days at which the zones together go short of no
/// more than a share of their need, every year's month taken together.
///
/// Months follow one another: the soil is full at the start of each year, and a month begins as the
/// best place of the one before left it. Zones count by the water they need.
///
/// # Errors
/// Those of [`super::run`], and [`OutOfRange`] naming `allowed_short` outside 0 to 1.
pub fn best_percents(zones: &[Dialled], allowed_short: Fraction) -> Result<Vec<Best>, OutOfRange> {
    let allowed = Allowed::Between(0.0, 1.0).check("allowed_short", allowed_short.get())?;
    let mut strips = Vec::new();
    for zone in zones {
        let halves = Halves::of(&zone.ground)?;
        strips.push((halves, by_month(&zone.days)));
    }
    // How dry each zone is, year by year.
    let mut now: Vec<BTreeMap<i32, Start>> = vec![BTreeMap::new(); strips.len()];
    let mut best = Vec::new();
    for month in 1..=12 {
        let runs = strips.iter().any(|(_, months)| {
            months
                .iter()
                .any(|((_, of), days)| *of == month && ever_runs(days))
        });
        if !runs {
            // No water by the program: the soil goes on, and the dial does not matter.
            now = month_at(&strips, &now, month, 0)?.1;
            continue;
        }
        let mut kept = None;
        for percent in (0..=HIGHEST).step_by(STEP as usize) {
            let (sum, end) = month_at(&strips, &now, month, percent)?;
            let enough = sum.short <= sum.need * allowed;
            let less_short = kept.as_ref().is_none_or(|(_, best, _): &(u32, Sum, _)| {
                sum.short.get() < best.short.get() - 1e-9
            });
            if less_short {
                kept = Some((percent, sum, end));
            }
            if enough {
                break;
            }
        }
        let (percent, sum, end) = kept.expect("the first place is always less short than none");
        now = end;
        best.push(Best {
            month,
            percent: Percent::new(f64::from(percent)),
            sum,
            too_little: sum.short > sum.need * allowed,
        });
    }
    Ok(best)
}

/// A zone's days by year and month.
type Months<'d> = BTreeMap<(i32, u32), Vec<&'d Day>>;

fn by_month(days: &[Day]) -> Months<'_> {
    let mut months = Months::new();
    for day in days {
        let key = (day.date.year(), day.date.month());
        months.entry(key).or_default().push(day);
    }
    months
}

fn ever_runs(days: &[&Day]) -> bool {
    days.iter().any(|day| day.run != Run::OFF)
}

/// One month of every year at a place of the dial: what it comes to, and how dry it ends.
fn month_at(
    strips: &[(Halves<'_>, Months<'_>)],
    now: &[BTreeMap<i32, Start>],
    month: u32,
    percent: u32,
) -> Result<(Sum, Vec<BTreeMap<i32, Start>>), OutOfRange> {
    let share = f64::from(percent) / 100.0;
    let mut all = Sum::NOTHING;
    let mut ends = now.to_vec();
    for ((halves, months), ends) in strips.iter().zip(&mut ends) {
        for ((year, _), days) in months.iter().filter(|((_, of), _)| *of == month) {
            let mut start = ends.get(year).copied().unwrap_or(Start::FULL);
            for day in days {
                let run = Run {
                    minutes: Minutes::new((day.run.minutes.get() * share).min(DAY_MIN)),
                    cycle: day.run.cycle * share,
                };
                let (sum, end) = halves.day(start, &Day { run, ..**day })?;
                all = all.and(sum);
                start = end;
            }
            ends.insert(*year, start);
        }
    }
    Ok((all, ends))
}
