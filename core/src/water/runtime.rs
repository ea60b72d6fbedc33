//! From need to minutes: how long a zone runs.
//!
//! [`run_time`] gives a range: the lower time suits a perfectly even zone, the upper one waters its
//! drier half. The upper is the one to set unless somebody decides otherwise.
//!
//! ```
//! use headwalk_core::water::runtime::{need, run_time};
//! use headwalk_core::water::units::{Fraction, Inches, InchesPerHour};
//!
//! let need = need(Inches::new(1.5), Fraction::new(0.94), Inches::new(0.4))?;
//! let time = run_time(need, InchesPerHour::new(1.6), Fraction::new(0.6))?;
//! assert_eq!(format!("{:.0} to {:.0}", time.lower, time.upper), "38 min to 50 min");
//! # Ok::<(), headwalk_core::water::units::OutOfRange>(())
//! ```
//!
//! # Source
//! Run-time multiplier 1 / (0.4 + 0.6 DU): auditor training, after Mecham (2010), Audit Based
//! Landscape Irrigation Scheduling, ASABE IRR10-10040. Checks: `fixtures/tables/runtime.csv`.

use super::units::{Allowed, Fraction, Inches, InchesPerHour, Minutes, OutOfRange, Percent};

/// How long a zone runs, and why.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RunTime {
    /// What the soil is short of.
    pub need: Inches,
    /// Minutes if the zone watered evenly.
    pub lower: Minutes,
    /// Minutes with the multiplier: the default.
    pub upper: Minutes,
    /// Upper over lower.
    pub multiplier: Fraction,
}

/// Returns the depth a planting needs: evapotranspiration times its coefficient, less the rain
/// that counts; never below zero.
///
/// # Errors
/// [`OutOfRange`] naming `eto_in` outside 0 to 200 (more than a desert's year), `coefficient` outside
/// 0 to 2, `rain_in` outside 0 to 1,200 (more than the wettest year on record).
pub fn need(eto: Inches, coefficient: Fraction, rain: Inches) -> Result<Inches, OutOfRange> {
    let eto_in = Allowed::Between(0.0, 200.0).check("eto_in", eto.get())?;
    let share = Allowed::Between(0.0, 2.0).check("coefficient", coefficient.get())?;
    let rain_in = Allowed::Between(0.0, 1_200.0).check("rain_in", rain.get())?;
    Ok(Inches::new((eto_in * share - rain_in).max(0.0)))
}

/// Returns the run-time multiplier, 1 / (0.4 + 0.6 DU): 1 for an even zone, 2.5 at worst.
///
/// It stands for watering the drier half of the zone; it is not 1 / DU, which over-waters, and it
/// is not used together with an efficiency.
///
/// # Errors
/// [`OutOfRange`] naming `du_lq` outside 0 to 1.
pub fn multiplier(du_lq: Fraction) -> Result<Fraction, OutOfRange> {
    let du = Allowed::Between(0.0, 1.0).check("du_lq", du_lq.get())?;
    Ok(Fraction::new(1.0 / (0.4 + 0.6 * du)))
}

/// Returns how long a zone runs to give a depth.
///
/// # Errors
/// [`OutOfRange`] naming `need_in` below zero, `rate_in_h` unless above zero, `du_lq` outside
/// 0 to 1.
pub fn run_time(need: Inches, rate: InchesPerHour, du_lq: Fraction) -> Result<RunTime, OutOfRange> {
    let need_in = Allowed::ZeroOrMore.check("need_in", need.get())?;
    let rate_in_h = Allowed::AboveZero.check("rate_in_h", rate.get())?;
    let multiplier = multiplier(du_lq)?;
    let lower = Minutes::new(60.0 * need_in / rate_in_h);
    Ok(RunTime {
        need,
        lower,
        upper: lower * multiplier.get(),
        multiplier,
    })
}

/// Returns a month's need as a share of the peak month's: what a seasonal setting is turned to.
///
/// # Errors
/// [`OutOfRange`] naming `need_in` below zero or `peak_need_in` unless above zero.
pub fn seasonal_percent(need: Inches, peak: Inches) -> Result<Percent, OutOfRange> {
    let need_in = Allowed::ZeroOrMore.check("need_in", need.get())?;
    let peak_in = Allowed::AboveZero.check("peak_need_in", peak.get())?;
    Ok(Percent::new(100.0 * need_in / peak_in))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::water::tables::{close, rows};

    #[test]
    fn multipliers_match_the_published_table() {
        for row in rows("runtime_multiplier.csv") {
            let got = multiplier(Fraction::new(row.get("du_lq"))).unwrap();
            row.close("multiplier", got.get());
        }
    }

    #[test]
    fn run_times_match_the_worked_examples() {
        for row in rows("runtime.csv") {
            let need = need(
                Inches::new(row.get("eto_in")),
                Fraction::new(row.get("coefficient")),
                Inches::new(row.get("rain_in")),
            )
            .unwrap();
            let rate = InchesPerHour::new(row.get("rate_in_h"));
            let got = run_time(need, rate, Fraction::new(row.get("du_lq"))).unwrap();
            row.close("need_in", got.need.get());
            row.close("lower_min", got.lower.get());
            row.close("upper_min", got.upper.get());
        }
    }

    #[test]
    fn seasonal_settings_follow_the_peak_month() {
        let percent = |month, peak| {
            seasonal_percent(Inches::new(month), Inches::new(peak))
                .unwrap()
                .get()
        };
        close("spring", percent(0.21, 0.30), 70.0, 1e-9);
        close("fall", percent(0.11, 0.30), 36.7, 0.05);
    }

    #[test]
    fn what_cannot_be_is_refused_by_name() {
        assert_eq!(multiplier(Fraction::new(74.0)).unwrap_err().field, "du_lq");
        let stopped = run_time(Inches::new(1.0), InchesPerHour::ZERO, Fraction::new(0.7));
        assert_eq!(stopped.unwrap_err().field, "rate_in_h");
        let minus = need(Inches::new(-1.0), Fraction::new(0.8), Inches::ZERO);
        assert_eq!(minus.unwrap_err().field, "eto_in");
        let as_percent = need(Inches::new(1.0), Fraction::new(80.0), Inches::ZERO);
        assert_eq!(as_percent.unwrap_err().field, "coefficient");
    }

    proptest! {
        #[test]
        fn more_rain_is_never_more_minutes(
            eto in 0.0..3.0f64, share in 0.0..1.6f64, rain in 0.0..3.0f64, more in 0.0..3.0f64,
            rate in 0.1..5.0f64, du in 0.0..=1.0f64,
        ) {
            let minutes = |rain: f64| {
                let depth = need(Inches::new(eto), Fraction::new(share), Inches::new(rain)).unwrap();
                prop_assert!(depth >= Inches::ZERO);
                Ok(run_time(depth, InchesPerHour::new(rate), Fraction::new(du)).unwrap().upper)
            };
            prop_assert!(minutes(rain + more)? <= minutes(rain)?);
        }

        #[test]
        fn a_less_even_zone_never_runs_shorter(
            depth in 0.0..3.0f64, rate in 0.1..5.0f64, du in 0.0..=1.0f64, less in 0.0..=1.0f64,
        ) {
            let upper = |du: f64| {
                run_time(Inches::new(depth), InchesPerHour::new(rate), Fraction::new(du))
                    .unwrap()
                    .upper
            };
            prop_assert!(upper(du * less) >= upper(du));
        }
    }
}
