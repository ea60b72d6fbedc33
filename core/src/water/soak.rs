//! Cycle and soak: how long a zone may run before water runs off, and how long it then waits.
//!
//! [`cycles`] is the entry point.
//!
//! ```
//! use headwalk_core::water::soak::{WholeMinutes, cycles};
//! use headwalk_core::water::units::{Inches, InchesPerHour, Minutes};
//!
//! let rate = InchesPerHour::new(1.6);
//! let got = cycles(Minutes::new(19.4), rate, InchesPerHour::new(0.35), Inches::new(0.25))?;
//! assert_eq!(got.whole, WholeMinutes::Program { cycles: 2, minutes: 10, soak: 36 });
//! # Ok::<(), headwalk_core::water::units::OutOfRange>(())
//! ```
//!
//! # Source
//! Longest cycle = 60 x surface storage / (rate - intake): irrigation scheduling literature. The
//! soak is the time the pond needs to drain at the intake rate, derived here. With an intake that
//! falls with time: Hung and Krinik (1995). Checks: `fixtures/tables/soak.csv`.

use super::units::{Allowed, Inches, InchesPerHour, Minutes, OutOfRange};

/// How long one cycle may be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum RunOffLimit {
    /// The soil takes water as fast as it falls.
    None,
    /// After this water runs off.
    After(Minutes),
}

/// A run time in cycles.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cycles {
    /// How long one cycle may be.
    pub limit: RunOffLimit,
    /// How many; none when there is nothing to run.
    pub cycles: u32,
    /// Each, exactly: the run time over the cycles.
    pub minutes_per_cycle: Minutes,
    /// Least wait before the next cycle, so that the pond is gone.
    pub soak: Minutes,
    /// What can be set on a controller.
    pub whole: WholeMinutes,
}

/// A run time in cycles of whole minutes.
///
/// Each cycle is rounded up; if that passes the run-off limit, a cycle is added until it does not.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WholeMinutes {
    /// So many cycles of so many minutes.
    Program {
        /// How many.
        cycles: u32,
        /// Each.
        minutes: u32,
        /// Least wait between them, rounded up.
        soak: u32,
    },
    /// Water runs off within the first minute: no whole-minute program is safe.
    RunsOffWithinAMinute,
}

/// Lets a quotient that is whole but for rounding count as whole.
const HAIR: f64 = 1e-9;

/// Returns how long one cycle may be.
///
/// `storage` is the water that may stand on the ground before it moves.
///
/// # Errors
/// [`OutOfRange`] naming `rate_in_h`, `intake_in_h` or `surface_storage_in` unless above zero.
pub fn run_off_limit(
    rate: InchesPerHour,
    intake: InchesPerHour,
    storage: Inches,
) -> Result<RunOffLimit, OutOfRange> {
    let rate_in_h = Allowed::AboveZero.check("rate_in_h", rate.get())?;
    let intake_in_h = Allowed::AboveZero.check("intake_in_h", intake.get())?;
    let storage_in = Allowed::AboveZero.check("surface_storage_in", storage.get())?;
    if rate_in_h <= intake_in_h {
        return Ok(RunOffLimit::None);
    }
    Ok(RunOffLimit::After(Minutes::new(
        60.0 * storage_in / (rate_in_h - intake_in_h),
    )))
}

/// Returns how long the pond of one cycle takes to drain.
///
/// # Errors
/// [`OutOfRange`] naming `minutes` below zero, `rate_in_h` or `intake_in_h` unless above zero.
pub fn soak(
    cycle: Minutes,
    rate: InchesPerHour,
    intake: InchesPerHour,
) -> Result<Minutes, OutOfRange> {
    Allowed::ZeroOrMore.check("minutes", cycle.get())?;
    let rate_in_h = Allowed::AboveZero.check("rate_in_h", rate.get())?;
    let intake_in_h = Allowed::AboveZero.check("intake_in_h", intake.get())?;
    Ok(cycle * (rate_in_h / intake_in_h - 1.0).max(0.0))
}

/// Returns a run time split so that no cycle runs off.
///
/// # Errors
/// Those of [`run_off_limit`], and [`OutOfRange`] naming `minutes` outside 0 to a week's 10,080.
pub fn cycles(
    run_time: Minutes,
    rate: InchesPerHour,
    intake: InchesPerHour,
    storage: Inches,
) -> Result<Cycles, OutOfRange> {
    let total_min = Allowed::Between(0.0, WEEK_MIN).check("minutes", run_time.get())?;
    let limit = run_off_limit(rate, intake, storage)?;
    let count = match limit {
        _ if total_min <= 0.0 => 0,
        RunOffLimit::None => 1,
        RunOffLimit::After(longest) => (run_time / longest - HAIR).ceil().max(1.0) as u32,
    };
    let each = run_time / f64::from(count.max(1));
    Ok(Cycles {
        limit,
        cycles: count,
        minutes_per_cycle: each,
        soak: soak(each, rate, intake)?,
        whole: whole_minutes(total_min, count, limit, rate, intake)?,
    })
}

/// Longest run time that is taken for one: a week.
const WEEK_MIN: f64 = 7.0 * 24.0 * 60.0;

fn whole_minutes(
    total_min: f64,
    at_least: u32,
    limit: RunOffLimit,
    rate: InchesPerHour,
    intake: InchesPerHour,
) -> Result<WholeMinutes, OutOfRange> {
    let each = |cycles: u32| {
        (total_min / f64::from(cycles.max(1)) - HAIR)
            .ceil()
            .max(0.0)
    };
    let mut cycles = at_least;
    if let RunOffLimit::After(longest) = limit {
        if at_least > 0 && longest.get() + HAIR < 1.0 {
            return Ok(WholeMinutes::RunsOffWithinAMinute);
        }
        // Ends at the latest when each cycle is one minute, which the limit allows.
        while each(cycles) > longest.get() + HAIR {
            cycles += 1;
        }
    }
    let minutes = each(cycles);
    let wait = soak(Minutes::new(minutes), rate, intake)?;
    Ok(WholeMinutes::Program {
        cycles,
        minutes: minutes as u32,
        soak: (wait.get() - HAIR).ceil().max(0.0) as u32,
    })
}

/// Soil whose intake falls while it takes water in: f = fc + (fo - fc) e^(-b t).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FallingIntake {
    /// At the start, fo.
    pub first: InchesPerHour,
    /// In the end, fc.
    pub last: InchesPerHour,
    /// How fast it falls, b, per hour.
    pub decay_per_h: f64,
}

/// Returns how long one cycle may be on soil whose intake falls with time.
///
/// Derived for bare soil, half depleted; its authors warn to shorten it for turf.
///
/// # Errors
/// [`OutOfRange`] naming `rate_in_h` unless above zero, `last_intake_in_h` below zero,
/// `first_intake_in_h` below the last, `decay_per_h` unless above zero.
///
/// # Source
/// Hung and Krinik (1995): t = (fo - P + fc ln((fo - fc)/(P - fc))) / (P b).
pub fn run_off_limit_falling(
    rate: InchesPerHour,
    soil: FallingIntake,
) -> Result<RunOffLimit, OutOfRange> {
    let rate_in_h = Allowed::AboveZero.check("rate_in_h", rate.get())?;
    let last = Allowed::ZeroOrMore.check("last_intake_in_h", soil.last.get())?;
    let first = Allowed::AboveZero.check("first_intake_in_h", soil.first.get())?;
    let decay = Allowed::AboveZero.check("decay_per_h", soil.decay_per_h)?;
    if first < last {
        let rule = Allowed::Rule("no lower than last_intake_in_h");
        return Err(rule.broken("first_intake_in_h", first));
    }
    if rate_in_h <= last {
        return Ok(RunOffLimit::None);
    }
    if rate_in_h >= first {
        return Ok(RunOffLimit::After(Minutes::ZERO));
    }
    let stored = first - rate_in_h + last * ((first - last) / (rate_in_h - last)).ln();
    Ok(RunOffLimit::After(Minutes::new(
        60.0 * stored / (rate_in_h * decay),
    )))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::water::tables::{close, rows};

    fn minutes_of(limit: RunOffLimit) -> f64 {
        match limit {
            RunOffLimit::None => f64::INFINITY,
            RunOffLimit::After(minutes) => minutes.get(),
        }
    }

    #[test]
    fn run_off_limits_match_the_worked_examples() {
        for row in rows("soak.csv") {
            let rate = InchesPerHour::new(row.get("rate_in_h"));
            let intake = InchesPerHour::new(row.get("intake_in_h"));
            let limit = run_off_limit(rate, intake, Inches::new(row.get("storage_in"))).unwrap();
            match row.text("limit_min") {
                "none" => assert_eq!(limit, RunOffLimit::None, "{}", row.text("id")),
                _ => row.close("limit_min", minutes_of(limit)),
            }
            if let RunOffLimit::After(longest) = limit {
                row.close("soak_min", soak(longest, rate, intake).unwrap().get());
            }
        }
    }

    #[test]
    fn intake_that_falls_with_time_matches_the_published_formula() {
        let soil = FallingIntake {
            first: InchesPerHour::new(2.0),
            last: InchesPerHour::new(0.3),
            decay_per_h: 3.0,
        };
        let limit =
            |rate| minutes_of(run_off_limit_falling(InchesPerHour::new(rate), soil).unwrap());
        close("S-05 P 1.0", limit(1.0), 25.3238, 5e-5);
        close("S-05 P 1.5", limit(1.5), 8.05989, 5e-6);
        assert_eq!(limit(0.3), f64::INFINITY);
        assert_eq!(limit(2.5), 0.0);
    }

    #[test]
    fn a_cycle_whose_whole_minutes_pass_the_limit_gets_company() {
        // C-03: 13 cycles of 6.03 would be 13 of 7, over 6.43; so 14 of 6.
        let got = cycles(
            Minutes::new(78.35616),
            InchesPerHour::new(1.5),
            InchesPerHour::new(0.10),
            Inches::new(0.15),
        )
        .unwrap();
        assert_eq!(got.cycles, 13);
        assert_eq!(
            got.whole,
            WholeMinutes::Program {
                cycles: 14,
                minutes: 6,
                soak: 84
            }
        );
    }

    #[test]
    fn nothing_to_run_is_no_cycle() {
        let got = cycles(
            Minutes::ZERO,
            InchesPerHour::new(1.5),
            InchesPerHour::new(0.1),
            Inches::new(0.15),
        )
        .unwrap();
        assert_eq!((got.cycles, got.minutes_per_cycle), (0, Minutes::ZERO));
        assert_eq!(
            got.whole,
            WholeMinutes::Program {
                cycles: 0,
                minutes: 0,
                soak: 0
            }
        );
    }

    #[test]
    fn ground_that_sheds_at_once_gets_no_program() {
        let got = cycles(
            Minutes::new(10.0),
            InchesPerHour::new(20.0),
            InchesPerHour::new(0.1),
            Inches::new(0.10),
        )
        .unwrap();
        assert_eq!(got.whole, WholeMinutes::RunsOffWithinAMinute);
    }

    proptest! {
        #[test]
        fn cycles_add_up_and_none_runs_off(
            total in 0.0..600.0f64, rate in 0.05..6.0f64,
            intake in 0.02..2.0f64, storage in 0.05..0.5f64,
        ) {
            let got = cycles(
                Minutes::new(total),
                InchesPerHour::new(rate),
                InchesPerHour::new(intake),
                Inches::new(storage),
            )
            .unwrap();
            let longest = minutes_of(got.limit);
            prop_assert!(got.minutes_per_cycle.get() <= longest + 1e-6);
            let sum = got.minutes_per_cycle.get() * f64::from(got.cycles);
            prop_assert!((sum - total).abs() <= 1e-9 * total.max(1.0));
            match got.whole {
                WholeMinutes::Program { cycles, minutes, soak } => {
                    prop_assert!(f64::from(cycles * minutes) >= total - 1e-6);
                    prop_assert!(f64::from(minutes) <= longest + 1e-6);
                    let pond = f64::from(minutes) * (rate - intake) / 60.0;
                    prop_assert!(f64::from(soak) * intake / 60.0 >= pond - 1e-6);
                }
                WholeMinutes::RunsOffWithinAMinute => prop_assert!(longest < 1.0),
            }
        }
    }
}
