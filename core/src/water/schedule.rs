//! The whole chain for one zone: from soil and weather to minutes on a controller.
//!
//! [`schedule`] is the entry point. Every figure on the way is in the result, so that a reader can
//! redo each step by hand; the words that go with them are the caller's.
//!
//! ```
//! use headwalk_core::water::schedule::{DaysBetween, Zone, schedule};
//! use headwalk_core::water::units::{Fraction, Inches, InchesPerHour, InchesPerInch, Minutes, SquareFeet};
//!
//! let spray_turf = Zone {
//!     area: SquareFeet::new(1500.0),
//!     rate: InchesPerHour::new(1.60),
//!     du_lq: Fraction::new(0.62),
//!     eto_per_day: Inches::new(0.25),
//!     coefficient: Fraction::new(0.8),
//!     effective_rain: Inches::ZERO,
//!     available_water: InchesPerInch::new(0.17),
//!     root_depth: Inches::new(6.0),
//!     allowed_depletion: Fraction::new(0.5),
//!     intake: InchesPerHour::new(0.35),
//!     surface_storage: Inches::new(0.25),
//!     days: DaysBetween::ByDepletion,
//!     window: Minutes::new(480.0),
//! };
//! let got = schedule(&spray_turf)?;
//! assert_eq!((got.days_between, got.cycles.cycles), (2, 2));
//! assert_eq!(format!("{:.1}", got.upper), "19.4 min");
//! # Ok::<(), headwalk_core::water::units::OutOfRange>(())
//! ```
//!
//! # Source
//! FAO-56 chapter 8 for storage and depletion; run-time multiplier and cycle and soak as in
//! [`super::runtime`] and [`super::soak`]. Checks: `fixtures/tables/schedule.csv`.

use std::fmt;

use super::{
    precipitation, runtime,
    soak::{self, Cycles, WholeMinutes},
    soil,
    units::{
        Allowed, Days, Fraction, Gallons, Gpm, Inches, InchesPerHour, InchesPerInch, Minutes,
        OutOfRange, SquareFeet,
    },
};

/// What has to be known of a zone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Zone {
    /// Ground it wets.
    pub area: SquareFeet,
    /// Precipitation rate.
    pub rate: InchesPerHour,
    /// Lowest-quarter uniformity.
    pub du_lq: Fraction,
    /// Reference evapotranspiration, inches a day.
    pub eto_per_day: Inches,
    /// Share of it the planting needs.
    pub coefficient: Fraction,
    /// Rain that counts, over the days between two waterings.
    pub effective_rain: Inches,
    /// Water an inch of soil holds for plants.
    pub available_water: InchesPerInch,
    /// Depth the roots work in.
    pub root_depth: Inches,
    /// Share of the storage that may be used up before watering.
    pub allowed_depletion: Fraction,
    /// How fast the soil takes water.
    pub intake: InchesPerHour,
    /// Water that may stand before it runs off.
    pub surface_storage: Inches,
    /// How often it may be watered.
    pub days: DaysBetween,
    /// How long water may run in one night.
    pub window: Minutes,
}

/// How the days between two waterings are found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DaysBetween {
    /// As many whole days as the soil's allowed depletion lasts, at least one.
    ByDepletion,
    /// As a restriction or a person says.
    Fixed(u32),
}

/// A zone's schedule with every figure on the way to it.
#[derive(Debug, Clone, PartialEq)]
pub struct Schedule {
    /// Water the root zone holds for plants.
    pub total_available: Inches,
    /// How much of it may be used.
    pub allowed_depletion: Inches,
    /// What the planting uses in a day.
    pub use_per_day: Inches,
    /// How long the allowed depletion lasts; none when the planting uses nothing.
    pub longest_interval: Option<Days>,
    /// Days from one watering to the next.
    pub days_between: u32,
    /// What one watering has to put back.
    pub net_depth: Inches,
    /// Run time of a perfectly even zone.
    pub lower: Minutes,
    /// Run time with the multiplier: the one used.
    pub upper: Minutes,
    /// Upper over lower.
    pub multiplier: Fraction,
    /// Run-off limit, cycles, soak and what can be set.
    pub cycles: Cycles,
    /// Depth that falls in the upper run time.
    pub gross_depth: Inches,
    /// What the zone draws: rate x area.
    pub flow: Gpm,
    /// Water of one watering at the upper run time.
    pub gallons: Gallons,
    /// Water of one watering as set in whole minutes; none where none can be set.
    pub gallons_as_set: Option<Gallons>,
    /// Minutes from the first start to the last stop as set, soaks included, run alone.
    pub span: Option<Minutes>,
    /// What should be decided by a person.
    pub warnings: Vec<Warning>,
}

/// What should be decided by a person.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Warning {
    /// The days that were fixed are longer than the soil lasts: plants will be short of water.
    PastDepletion {
        /// Depth one watering must put back.
        net: Inches,
        /// Depth that may be used up.
        allowed: Inches,
    },
    /// The planting uses more in a day than the soil may give up.
    UsesMoreThanAllowedInADay,
    /// Cycles and soaks take longer than the window, even alone: water more often, at a lower rate,
    /// or by drip.
    LongerThanWindow {
        /// First start to last stop.
        span: Minutes,
        /// What there is.
        window: Minutes,
    },
    /// No whole minute is short enough not to run off.
    RunsOffWithinAMinute,
}

impl fmt::Display for Warning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::PastDepletion { net, allowed } => write!(
                f,
                "the days between use up {net:.2} where {allowed:.2} is allowed: water more often \
                 or accept dry turf"
            ),
            Self::UsesMoreThanAllowedInADay => f.write_str(
                "the planting uses more in a day than the soil may give up: deeper roots, less \
                 depletion, or twice a day",
            ),
            Self::LongerThanWindow { span, window } => write!(
                f,
                "cycles and soaks take {span:.0}, the window is {window:.0}: water more often, use \
                 nozzles of a lower rate, or drip"
            ),
            Self::RunsOffWithinAMinute => {
                f.write_str("water runs off within a minute: use nozzles of a lower rate, or drip")
            }
        }
    }
}

/// Lets a quotient that is whole but for rounding count as whole.
const HAIR: f64 = 1e-9;

/// Returns a zone's schedule, step by step.
///
/// # Errors
/// [`OutOfRange`] naming the first field that makes no sense: `eto_in`, `coefficient`, `rain_in`,
/// `available_water_in_in`, `root_depth_in`, `allowed_depletion`, `rate_in_h`, `du_lq`,
/// `intake_in_h`, `surface_storage_in`, `area_sqft`, `days_between` outside 1 to 60,
/// `window_minutes` unless above zero, `minutes` when the run time passes a week.
pub fn schedule(zone: &Zone) -> Result<Schedule, OutOfRange> {
    Allowed::AboveZero.check("window_minutes", zone.window.get())?;
    let total_available = soil::total_available(zone.available_water, zone.root_depth)?;
    let allowed_depletion = soil::allowed_depletion(total_available, zone.allowed_depletion)?;
    let use_per_day = runtime::need(zone.eto_per_day, zone.coefficient, Inches::ZERO)?;
    let longest_interval =
        (use_per_day > Inches::ZERO).then(|| Days::new(allowed_depletion / use_per_day));
    let days_between = days_between(zone.days, longest_interval)?;
    let since_last = zone.eto_per_day * f64::from(days_between);
    let net_depth = runtime::need(since_last, zone.coefficient, zone.effective_rain)?;
    let time = runtime::run_time(net_depth, zone.rate, zone.du_lq)?;
    let cycles = soak::cycles(time.upper, zone.rate, zone.intake, zone.surface_storage)?;
    let flow = precipitation::zone_flow(zone.rate, zone.area)?;
    let as_set = AsSet::of(cycles.whole);
    let span = as_set.map(|set| set.span);
    Ok(Schedule {
        total_available,
        allowed_depletion,
        use_per_day,
        longest_interval,
        days_between,
        net_depth,
        lower: time.lower,
        upper: time.upper,
        multiplier: time.multiplier,
        cycles,
        gross_depth: Inches::new(zone.rate.get() * time.upper.get() / 60.0),
        flow,
        gallons: Gallons::new(flow.get() * time.upper.get()),
        gallons_as_set: as_set.map(|set| Gallons::new(flow.get() * set.water.get())),
        span,
        warnings: warnings(zone, longest_interval, allowed_depletion, net_depth, span),
    })
}

fn days_between(days: DaysBetween, longest: Option<Days>) -> Result<u32, OutOfRange> {
    match (days, longest) {
        (DaysBetween::Fixed(fixed), _) => {
            Allowed::Between(1.0, f64::from(DAYS_MAX)).check("days_between", f64::from(fixed))?;
            Ok(fixed)
        }
        (DaysBetween::ByDepletion, Some(longest)) => {
            // A cast from float saturates, and a long dry storage stops at the most a controller
            // can be set to.
            Ok(((longest.get() + HAIR).floor() as u32).clamp(1, DAYS_MAX))
        }
        (DaysBetween::ByDepletion, None) => Ok(1),
    }
}

/// Longest interval that is computed: beyond it a season's weather, not a day's, decides.
const DAYS_MAX: u32 = 60;

/// What the whole-minute program amounts to.
#[derive(Clone, Copy)]
struct AsSet {
    water: Minutes,
    span: Minutes,
}

impl AsSet {
    fn of(whole: WholeMinutes) -> Option<Self> {
        let WholeMinutes::Program {
            cycles,
            minutes,
            soak,
        } = whole
        else {
            return None;
        };
        let water = f64::from(cycles) * f64::from(minutes);
        let waits = f64::from(cycles.saturating_sub(1)) * f64::from(soak);
        Some(Self {
            water: Minutes::new(water),
            span: Minutes::new(water + waits),
        })
    }
}

fn warnings(
    zone: &Zone,
    longest: Option<Days>,
    allowed: Inches,
    net: Inches,
    span: Option<Minutes>,
) -> Vec<Warning> {
    let mut warnings = Vec::new();
    let past = net.get() > allowed.get() + HAIR;
    match zone.days {
        DaysBetween::Fixed(_) if past => warnings.push(Warning::PastDepletion { net, allowed }),
        DaysBetween::ByDepletion if longest.is_some_and(|days| days.get() + HAIR < 1.0) => {
            warnings.push(Warning::UsesMoreThanAllowedInADay);
        }
        _ => {}
    }
    match span {
        None => warnings.push(Warning::RunsOffWithinAMinute),
        Some(span) if span > zone.window => {
            warnings.push(Warning::LongerThanWindow {
                span,
                window: zone.window,
            });
        }
        Some(_) => {}
    }
    warnings
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::water::{
        soak::RunOffLimit,
        tables::{Row, rows},
    };

    fn zone(row: &Row) -> Zone {
        Zone {
            area: SquareFeet::new(row.get("area_sqft")),
            rate: InchesPerHour::new(row.get("rate_in_h")),
            du_lq: Fraction::new(row.get("du_lq")),
            eto_per_day: Inches::new(row.get("eto_in")),
            coefficient: Fraction::new(row.get("coefficient")),
            effective_rain: Inches::ZERO,
            available_water: InchesPerInch::new(row.get("available_water")),
            root_depth: Inches::new(row.get("root_depth_in")),
            allowed_depletion: Fraction::new(row.get("depletion")),
            intake: InchesPerHour::new(row.get("intake_in_h")),
            surface_storage: Inches::new(row.get("storage_in")),
            days: DaysBetween::ByDepletion,
            window: Minutes::new(480.0),
        }
    }

    #[test]
    fn whole_chains_match_the_worked_examples() {
        for row in rows("schedule.csv") {
            let got = schedule(&zone(&row)).unwrap();
            row.close("total_available_in", got.total_available.get());
            row.close("allowed_depletion_in", got.allowed_depletion.get());
            row.close("longest_interval_d", got.longest_interval.unwrap().get());
            row.close("net_in", got.net_depth.get());
            row.close("lower_min", got.lower.get());
            row.close("multiplier", got.multiplier.get());
            row.close("upper_min", got.upper.get());
            let RunOffLimit::After(limit) = got.cycles.limit else {
                panic!("a limit")
            };
            row.close("limit_min", limit.get());
            row.close("minutes_per_cycle", got.cycles.minutes_per_cycle.get());
            row.close("gross_in", got.gross_depth.get());
            row.close("gallons", got.gallons.get());
            row.close("gallons_as_set", got.gallons_as_set.unwrap().get());
            assert_eq!(got.days_between, row.count("days_between"));
            assert_eq!(got.cycles.cycles, row.count("cycles"));
            let (cycles, minutes) = (row.count("whole_cycles"), row.count("whole_minutes"));
            assert!(
                matches!(got.cycles.whole, WholeMinutes::Program { cycles: n, minutes: m, .. }
                    if n == cycles && m == minutes),
                "{:?}",
                got.cycles.whole
            );
        }
    }

    #[test]
    fn fourteen_cycles_do_not_fit_a_night_and_it_says_so() {
        let slope = rows("schedule.csv")
            .into_iter()
            .find(|row| row.text("id") == "C-03")
            .unwrap();
        let got = schedule(&zone(&slope)).unwrap();
        let expected = Warning::LongerThanWindow {
            span: Minutes::new(1176.0),
            window: Minutes::new(480.0),
        };
        assert_eq!(got.warnings, [expected]);
    }

    #[test]
    fn days_fixed_by_a_restriction_stand_and_warn_when_the_soil_cannot_wait() {
        let spray = &rows("schedule.csv")[0];
        let twice_a_week = Zone {
            days: DaysBetween::Fixed(4),
            ..zone(spray)
        };
        let got = schedule(&twice_a_week).unwrap();
        assert_eq!(got.days_between, 4);
        assert!(
            matches!(got.warnings[..], [Warning::PastDepletion { .. }]),
            "{:?}",
            got.warnings
        );
        let never = Zone {
            days: DaysBetween::Fixed(0),
            ..zone(spray)
        };
        assert_eq!(schedule(&never).unwrap_err().field, "days_between");
    }

    #[test]
    fn a_storage_of_exactly_three_days_lasts_three() {
        // In binary half of 0.05 x 9 over 0.10 x 0.75 is 2.9999999999999996.
        let spray = &rows("schedule.csv")[0];
        let exact = Zone {
            available_water: InchesPerInch::new(0.05),
            root_depth: Inches::new(9.0),
            allowed_depletion: Fraction::new(0.5),
            eto_per_day: Inches::new(0.10),
            coefficient: Fraction::new(0.75),
            ..zone(spray)
        };
        assert_eq!(schedule(&exact).unwrap().days_between, 3);
    }

    #[test]
    fn rain_that_covers_the_need_stops_the_water() {
        let spray = &rows("schedule.csv")[0];
        let wet = Zone {
            effective_rain: Inches::new(2.0),
            ..zone(spray)
        };
        let got = schedule(&wet).unwrap();
        assert_eq!(
            (got.net_depth, got.upper, got.gallons),
            (Inches::ZERO, Minutes::ZERO, Gallons::ZERO)
        );
        assert_eq!(got.cycles.cycles, 0);
    }

    proptest! {
        #[test]
        fn more_rain_is_never_more_water_and_every_number_is_finite(
            eto in 0.0..0.5f64, share in 0.0..1.2f64, rain in 0.0..2.0f64, more in 0.0..1.0f64,
            rate in 0.2..3.0f64, du in 0.2..1.0f64, depth in 3.0..24.0f64,
        ) {
            let spray = &rows("schedule.csv")[0];
            let with = |rain: f64| {
                schedule(&Zone {
                    eto_per_day: Inches::new(eto),
                    coefficient: Fraction::new(share),
                    effective_rain: Inches::new(rain),
                    rate: InchesPerHour::new(rate),
                    du_lq: Fraction::new(du),
                    root_depth: Inches::new(depth),
                    ..zone(spray)
                })
                .unwrap()
            };
            let (dry, wet) = (with(rain), with(rain + more));
            prop_assert!(wet.upper <= dry.upper && wet.gallons <= dry.gallons);
            prop_assert!(dry.gallons.get().is_finite() && dry.gross_depth.get().is_finite());
            prop_assert!(dry.gallons_as_set.is_none_or(|set| set.get() >= dry.gallons.get() - 1e-6));
        }
    }
}
