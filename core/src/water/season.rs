//! A season of one zone under any setting: the soil's daily account over recorded weather.
//!
//! [`run`] is the entry point; [`best_percents`] finds what a controller's percent dial should
//! stand at in each month.
//!
//! Sprinklers water unevenly, so a zone is kept as two halves, the drier and the wetter. The drier
//! one gets 0.4 + 0.6 DU of the average depth and the wetter one the rest, which is the relation
//! behind the run-time multiplier: minutes with the multiplier just meet the need of the drier half.
//! Stress is judged on the drier half; what drains is the mean of both. Rain is even.
//!
//! Daily rain has no intensity, so no rain is taken to run off; of irrigation, what falls in a
//! cycle after the run-off limit faster than the soil takes it in does.
//!
//! ```
//! use headwalk_core::water::balance::Ease;
//! use headwalk_core::water::season::{Day, Ground, Run, Start, run};
//! use headwalk_core::water::soak::RunOffLimit;
//! use headwalk_core::water::units::{Fraction, Gpm, InchesPerHour, Millimetres, Minutes};
//!
//! let lawn = Ground {
//!     total: Millimetres::new(26.0),
//!     ease: Ease::Adjusted(Fraction::new(0.4)),
//!     du_lq: Fraction::new(0.6),
//!     rate: InchesPerHour::new(1.6),
//!     intake: InchesPerHour::new(0.35),
//!     run_off: RunOffLimit::After(Minutes::new(14.4)),
//!     flow: Gpm::new(22.5),
//! };
//! let hot = Day {
//!     date: chrono::NaiveDate::from_ymd_opt(2026, 7, 14).ok_or("a date")?,
//!     eto: Millimetres::new(6.0),
//!     coefficient: Fraction::new(0.94),
//!     rain: Millimetres::ZERO,
//!     run: Run::OFF,
//! };
//! let week = run(&lawn, Start::FULL, &[hot; 7])?;
//! assert_eq!(week.total.stress_days, 5);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```
//!
//! # Source
//! FAO-56 chapter 8 for each half's account; two halves: derived here from the definition of the
//! lower half's uniformity. Checks: the account of each half is that of [`super::balance`].

mod dial;

pub use self::dial::{Best, Dialled, best_percents};

use std::collections::BTreeMap;

use chrono::{Datelike, NaiveDate};

use super::balance::{self, Account, Ease, Order, RootZone};
use super::rain;
use super::soak::RunOffLimit;
use super::units::{
    Allowed, Fraction, Gallons, Gpm, Inches, InchesPerHour, Millimetres, Minutes, OutOfRange,
};

/// What does not change in a zone from day to day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ground {
    /// Water that the root zone holds for plants.
    pub total: Millimetres,
    /// The share of it that they take without stress.
    pub ease: Ease,
    /// Lowest-quarter uniformity.
    pub du_lq: Fraction,
    /// Precipitation rate.
    pub rate: InchesPerHour,
    /// How fast the soil takes water in.
    pub intake: InchesPerHour,
    /// How long one cycle may be.
    pub run_off: RunOffLimit,
    /// What the zone draws.
    pub flow: Gpm,
}

/// How long a zone ran on a day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Run {
    /// All minutes.
    pub minutes: Minutes,
    /// Minutes of one cycle; the soaks between are taken to be long enough.
    pub cycle: Minutes,
}

impl Run {
    /// It did not run.
    pub const OFF: Self = Self {
        minutes: Minutes::ZERO,
        cycle: Minutes::ZERO,
    };
}

/// One day: its weather and what was run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Day {
    /// The day.
    pub date: NaiveDate,
    /// Reference evapotranspiration.
    pub eto: Millimetres,
    /// The plants' share of it.
    pub coefficient: Fraction,
    /// All rain. Less than a fifth of the evapotranspiration is lost from leaves and not counted
    /// (FAO-56 p. 170).
    pub rain: Millimetres,
    /// What was run, early in the day.
    pub run: Run,
}

/// How dry each half is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Start {
    /// Depletion of the drier half.
    pub drier: Millimetres,
    /// Depletion of the wetter half.
    pub wetter: Millimetres,
}

impl Start {
    /// The soil is full.
    pub const FULL: Self = Self {
        drier: Millimetres::ZERO,
        wetter: Millimetres::ZERO,
    };
}

/// What a stretch of days comes to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sum {
    /// How many days.
    pub days: u32,
    /// Days on which the drier half got less than it would have used.
    pub stress_days: u32,
    /// What the plants would have used with plenty of water.
    pub need: Millimetres,
    /// What the drier half went short of.
    pub short: Millimetres,
    /// What went below the roots, on the average.
    pub drainage: Millimetres,
    /// Irrigation that ran off.
    pub run_off: Millimetres,
    /// Irrigation that left the heads.
    pub applied: Millimetres,
    /// Rain that counted.
    pub rain: Millimetres,
    /// Minutes that the zone ran.
    pub minutes: Minutes,
    /// Water that it drew.
    pub gallons: Gallons,
}

impl Sum {
    const NOTHING: Self = Self {
        days: 0,
        stress_days: 0,
        need: Millimetres::ZERO,
        short: Millimetres::ZERO,
        drainage: Millimetres::ZERO,
        run_off: Millimetres::ZERO,
        applied: Millimetres::ZERO,
        rain: Millimetres::ZERO,
        minutes: Minutes::ZERO,
        gallons: Gallons::ZERO,
    };

    /// Adds another stretch.
    #[must_use]
    pub fn and(self, other: Self) -> Self {
        Self {
            days: self.days + other.days,
            stress_days: self.stress_days + other.stress_days,
            need: self.need + other.need,
            short: self.short + other.short,
            drainage: self.drainage + other.drainage,
            run_off: self.run_off + other.run_off,
            applied: self.applied + other.applied,
            rain: self.rain + other.rain,
            minutes: self.minutes + other.minutes,
            gallons: self.gallons + other.gallons,
        }
    }
}

impl std::iter::Sum for Sum {
    fn sum<I: Iterator<Item = Self>>(sums: I) -> Self {
        sums.fold(Self::NOTHING, Self::and)
    }
}

/// A season's account.
#[derive(Debug, Clone, PartialEq)]
pub struct Season {
    /// Of all its days.
    pub total: Sum,
    /// Of each month, by year and month.
    pub months: BTreeMap<(i32, u32), Sum>,
    /// How dry each half is at the end.
    pub end: Start,
}

/// Returns what a stretch of days comes to, oldest day first.
///
/// # Errors
/// [`OutOfRange`] naming `rate_in_h` unless above zero and at most 1,000, `intake_in_h` or
/// `total_mm` unless above zero, `flow_gpm` or `run_off_minutes` below zero, `du_lq` outside 0 to 1, `minutes` or `cycle_minutes` outside 0 to a day's 1,440, `eto_mm` or `rain_mm`
/// below zero, `coefficient` outside 0 to 2, and those of [`balance::day`].
pub fn run(ground: &Ground, start: Start, days: &[Day]) -> Result<Season, OutOfRange> {
    let halves = Halves::of(ground)?;
    let mut now = start;
    let mut months: BTreeMap<(i32, u32), Sum> = BTreeMap::new();
    for day in days {
        let (sum, end) = halves.day(now, day)?;
        now = end;
        let month = months
            .entry((day.date.year(), day.date.month()))
            .or_insert(Sum::NOTHING);
        *month = month.and(sum);
    }
    Ok(Season {
        total: months.values().copied().sum(),
        months,
        end: now,
    })
}

/// Nothing waters faster, by far: so a day's depth stays a number.
const FASTEST_IN_H: f64 = 1_000.0;

/// A zone as two halves of equal size.
struct Halves<'g> {
    ground: &'g Ground,
    zone: RootZone,
    /// What the drier half gets of the average depth.
    drier_share: f64,
}

impl<'g> Halves<'g> {
    fn of(ground: &'g Ground) -> Result<Self, OutOfRange> {
        Allowed::AboveZeroTo(FASTEST_IN_H).check("rate_in_h", ground.rate.get())?;
        if let RunOffLimit::After(limit) = ground.run_off {
            Allowed::ZeroOrMore.check("run_off_minutes", limit.get())?;
        }
        Allowed::AboveZero.check("intake_in_h", ground.intake.get())?;
        Allowed::ZeroOrMore.check("flow_gpm", ground.flow.get())?;
        let multiplier = super::runtime::multiplier(ground.du_lq)?;
        Ok(Self {
            ground,
            zone: RootZone {
                total: ground.total,
                ease: ground.ease,
            },
            drier_share: 1.0 / multiplier.get(),
        })
    }

    fn day(&self, start: Start, day: &Day) -> Result<(Sum, Start), OutOfRange> {
        let minutes = Allowed::Between(0.0, 1_440.0).check("minutes", day.run.minutes.get())?;
        Allowed::Between(0.0, 1_440.0).check("cycle_minutes", day.run.cycle.get())?;
        Allowed::ZeroOrMore.check("eto_mm", day.eto.get())?;
        Allowed::ZeroOrMore.check("rain_mm", day.rain.get())?;
        Allowed::Between(0.0, 2.0).check("coefficient", day.coefficient.get())?;
        let applied = Millimetres::from(Inches::new(self.ground.rate.get() * minutes / 60.0));
        let run_off = Millimetres::from(self.run_off(day.run));
        let soaked_in = applied - run_off;
        let full_use = day.eto * day.coefficient.get();
        let rain = rain::above_a_fifth(day.rain.into(), day.eto.into())?;
        let rain = Millimetres::from(rain);
        let half = |before: Millimetres, share: f64| -> Result<Account, OutOfRange> {
            let today = balance::Day {
                rain,
                run_off: Millimetres::ZERO,
                irrigation: soaked_in * share,
                full_use,
            };
            balance::day(self.zone, before, today, Order::EarlyInTheDay)
        };
        let drier = half(start.drier, self.drier_share)?;
        let wetter = half(start.wetter, 2.0 - self.drier_share)?;
        let sum = Sum {
            days: 1,
            stress_days: u32::from(drier.is_stressed()),
            need: full_use,
            short: full_use - drier.used,
            drainage: (drier.drainage + wetter.drainage) / 2.0,
            run_off,
            applied,
            rain,
            minutes: day.run.minutes,
            gallons: Gallons::new(self.ground.flow.get() * minutes),
        };
        let end = Start {
            drier: drier.depletion,
            wetter: wetter.depletion,
        };
        Ok((sum, end))
    }

    /// What of a day's irrigation the soil could not take in.
    fn run_off(&self, run: Run) -> Inches {
        let RunOffLimit::After(limit) = self.ground.run_off else {
            return Inches::ZERO;
        };
        if run.cycle <= limit {
            return Inches::ZERO;
        }
        let past_limit = (run.cycle - limit) / run.cycle;
        let faster = self.ground.rate - self.ground.intake;
        Inches::new(faster.get().max(0.0) * run.minutes.get() / 60.0 * past_limit)
    }
}

#[cfg(test)]
mod tests;
