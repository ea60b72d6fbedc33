//! How evenly a zone waters, from catch cans.
//!
//! [`uniformity`] is the entry point. Two choices move the result by several points, and both show
//! in it: how many cans are "the lowest quarter" when the count is no multiple of four
//! ([`LOW_QUARTER_RULE`]), and what counts as a can (a dry can is zero; a knocked-over can is left
//! out by whoever enters the readings, and said so).
//!
//! ```
//! use headwalk_core::water::uniformity::{CatchTest, uniformity};
//! use headwalk_core::water::units::Millilitres;
//!
//! let catches = [20.0, 25.0, 25.0, 30.0].map(Millilitres::new);
//! let test = CatchTest { catches: &catches, opening: None, minutes: None, wind: &[] };
//! assert_eq!(uniformity(&test)?.du_lq.get(), 0.8);
//! # Ok::<(), headwalk_core::water::units::OutOfRange>(())
//! ```
//!
//! # Sources
//! Merriam and Keller (1978), Farm Irrigation System Evaluation (DU). Christiansen (1942),
//! Irrigation by Sprinkling, Univ. California Bulletin 670 (CU). Irrigation Association (2009),
//! Recommended Audit Guidelines (field rules). ASABE S626 (2016), from memory.
//! Checks: `fixtures/tables/uniformity.csv`.

use std::fmt;

use super::{
    precipitation,
    units::{
        Allowed, Fraction, InchesPerHour, MilesPerHour, Millilitres, Minutes, OutOfRange,
        SquareCentimetres, SquareInches,
    },
};

/// How the cans of the lowest quarter are counted here; print it beside the figure.
pub const LOW_QUARTER_RULE: &str =
    "lowest quarter = number of cans / 4, rounded to the nearest (halves up), at least 1";

/// A catch-can test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CatchTest<'a> {
    /// What each can caught, in any order; all cans have one opening.
    pub catches: &'a [Millilitres],
    /// The cans' opening, where a rate is wanted.
    pub opening: Option<SquareCentimetres>,
    /// How long the zone ran, where a rate is wanted.
    pub minutes: Option<Minutes>,
    /// Wind readings during the test.
    pub wind: &'a [MilesPerHour],
}

/// What a catch-can test says.
#[derive(Debug, Clone, PartialEq)]
pub struct Uniformity {
    /// Mean of the lowest quarter over the mean of all, by [`LOW_QUARTER_RULE`].
    pub du_lq: Fraction,
    /// The same with exactly a quarter of the cans, the last one counted in part: the other rule
    /// in use. Equal to `du_lq` when the count is a multiple of four.
    pub du_lq_fractional: Fraction,
    /// Mean of the lowest half over the mean of all; an odd count's half is rounded up.
    pub du_lh: Fraction,
    /// Christiansen's coefficient; below zero for a test of mostly dry cans.
    pub cu: Fraction,
    /// Mean catch.
    pub mean: Millilitres,
    /// Mean catch of the lowest quarter.
    pub low_quarter_mean: Millilitres,
    /// How many cans there were.
    pub cans: usize,
    /// How many of them are the lowest quarter.
    pub low_quarter_cans: usize,
    /// Net precipitation rate, where opening and minutes are known.
    pub rate: Option<InchesPerHour>,
    /// What an auditor would object to.
    pub warnings: Vec<Warning>,
}

/// What an auditor would object to in a catch-can test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Warning {
    /// Fewer than 24 cans (Irrigation Association 2009).
    FewCans(usize),
    /// The count is no multiple of four, so the rounding rule moves the figure.
    NotAMultipleOfFour {
        /// How many cans.
        cans: usize,
        /// What the fractional rule gives.
        fractional: Fraction,
    },
    /// Less than about 1.5 mL on each square inch of opening: reading errors count.
    SmallCatch {
        /// Mean catch a square inch.
        ml_per_in2: f64,
    },
    /// A gust above 5 mph (2.2 m/s): the test describes the wind.
    Windy(MilesPerHour),
    /// Cans that caught nothing; they count as zero. Say so if one was knocked over.
    DryCans(usize),
}

impl fmt::Display for Warning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::FewCans(cans) => write!(f, "{cans} cans; audit guidelines ask for 24 or more"),
            Self::NotAMultipleOfFour { cans, fractional } => write!(
                f,
                "{cans} cans are no multiple of 4; counting a part of a can would give {:.3}",
                fractional.get()
            ),
            Self::SmallCatch { ml_per_in2 } => write!(
                f,
                "mean catch {ml_per_in2:.2} mL per in² of opening; run longer, to about 1.5"
            ),
            Self::Windy(wind) => write!(f, "wind {wind:.1}; audit guidelines stop at 5 mph"),
            Self::DryCans(cans) => {
                write!(
                    f,
                    "{cans} dry cans counted as 0; leave out any that was knocked over"
                )
            }
        }
    }
}

/// Audit guidelines of 2009: at least so many cans.
const CANS_MIN: usize = 24;
/// Audit guidelines of 2009: about so much in the cans on average.
const CATCH_MIN_ML_PER_IN2: f64 = 1.5;
/// Audit guidelines of 2009, citing ASAE S398.1.
const WIND_MAX: MilesPerHour = MilesPerHour::new(5.0);

/// Returns what a catch-can test says: uniformity, and the net rate where it can be had.
///
/// # Errors
/// [`OutOfRange`] naming `catch_ml` when the list is empty, holds a negative or is all zero;
/// `minutes` or `can_area_cm2` unless above zero.
pub fn uniformity(test: &CatchTest<'_>) -> Result<Uniformity, OutOfRange> {
    let sorted_ml = sorted_catches(test.catches)?;
    let cans = sorted_ml.len();
    let mean_ml = mean(&sorted_ml);
    let low_quarter_cans = round_half_up(cans, 4);
    let low_quarter_ml = mean(
        sorted_ml
            .get(..low_quarter_cans)
            .expect("a quarter of the cans"),
    );
    let low_half_ml = mean(
        sorted_ml
            .get(..round_half_up(cans, 2))
            .expect("half of the cans"),
    );
    let deviation: f64 = sorted_ml.iter().map(|ml| (ml - mean_ml).abs()).sum();
    let rate = match (test.minutes, test.opening) {
        (Some(minutes), Some(opening)) => Some(precipitation::cans_rate(
            Millilitres::new(mean_ml),
            minutes,
            opening,
        )?),
        _ => None,
    };
    let du_lq_fractional = Fraction::new(fractional_quarter(&sorted_ml) / mean_ml);
    Ok(Uniformity {
        du_lq: Fraction::new(low_quarter_ml / mean_ml),
        du_lq_fractional,
        du_lh: Fraction::new(low_half_ml / mean_ml),
        cu: Fraction::new(1.0 - deviation / (cans as f64 * mean_ml)),
        mean: Millilitres::new(mean_ml),
        low_quarter_mean: Millilitres::new(low_quarter_ml),
        cans,
        low_quarter_cans,
        rate,
        warnings: warnings(test, &sorted_ml, mean_ml, du_lq_fractional)?,
    })
}

fn sorted_catches(catches: &[Millilitres]) -> Result<Vec<f64>, OutOfRange> {
    let rule = Allowed::Rule("a list of catches of which at least one is above 0");
    let mut sorted_ml = Vec::with_capacity(catches.len());
    for catch in catches {
        sorted_ml.push(Allowed::ZeroOrMore.check("catch_ml", catch.get())?);
    }
    let total: f64 = sorted_ml.iter().sum();
    if total <= 0.0 || !total.is_finite() {
        return Err(rule.broken("catch_ml", total));
    }
    sorted_ml.sort_by(f64::total_cmp);
    Ok(sorted_ml)
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

/// The count's share, rounded to the nearest with halves up, at least one.
const fn round_half_up(count: usize, parts: usize) -> usize {
    let rounded = (2 * count + parts) / (2 * parts);
    if rounded == 0 { 1 } else { rounded }
}

/// The mean of exactly a quarter of the cans, the last of them in part.
fn fractional_quarter(sorted_ml: &[f64]) -> f64 {
    let quarter = sorted_ml.len() as f64 / 4.0;
    let mut left = quarter;
    let mut total = 0.0;
    for ml in sorted_ml {
        let part = left.min(1.0);
        total += part * ml;
        left -= part;
    }
    total / quarter
}

fn warnings(
    test: &CatchTest<'_>,
    sorted_ml: &[f64],
    mean_ml: f64,
    fractional: Fraction,
) -> Result<Vec<Warning>, OutOfRange> {
    let mut warnings = Vec::new();
    let cans = sorted_ml.len();
    if cans < CANS_MIN {
        warnings.push(Warning::FewCans(cans));
    }
    if !cans.is_multiple_of(4) {
        warnings.push(Warning::NotAMultipleOfFour { cans, fractional });
    }
    if let Some(opening) = test.opening {
        Allowed::AboveZero.check("can_area_cm2", opening.get())?;
        let ml_per_in2 = mean_ml / SquareInches::from(opening).get();
        if ml_per_in2 < CATCH_MIN_ML_PER_IN2 {
            warnings.push(Warning::SmallCatch { ml_per_in2 });
        }
    }
    let mut gust = MilesPerHour::ZERO;
    for wind in test.wind {
        Allowed::ZeroOrMore.check("wind_mph", wind.get())?;
        gust = if *wind > gust { *wind } else { gust };
    }
    if gust > WIND_MAX {
        warnings.push(Warning::Windy(gust));
    }
    let dry = sorted_ml.iter().filter(|ml| **ml == 0.0).count();
    if dry > 0 {
        warnings.push(Warning::DryCans(dry));
    }
    Ok(warnings)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::water::tables::{close, rows};

    fn cans(catches_ml: &[f64]) -> Vec<Millilitres> {
        catches_ml.iter().copied().map(Millilitres::new).collect()
    }

    fn of(catches: &[Millilitres]) -> Result<Uniformity, OutOfRange> {
        uniformity(&CatchTest {
            catches,
            opening: None,
            minutes: None,
            wind: &[],
        })
    }

    #[test]
    fn catch_tests_match_the_worked_examples() {
        for row in rows("uniformity.csv") {
            let catches = cans(&row.list("catch_ml"));
            let got = uniformity(&CatchTest {
                catches: &catches,
                opening: row
                    .find("can_area_in2")
                    .map(|area| SquareInches::new(area).into()),
                minutes: row.find("minutes").map(Minutes::new),
                wind: &[],
            })
            .unwrap();
            row.close("mean_ml", got.mean.get());
            row.close("low_quarter_mean_ml", got.low_quarter_mean.get());
            row.close("du_lq", got.du_lq.get());
            row.close("du_lq_fractional", got.du_lq_fractional.get());
            row.close("du_lh", got.du_lh.get());
            row.close("cu", got.cu.get());
            row.close("rate_in_h", got.rate.map_or(f64::NAN, InchesPerHour::get));
        }
    }

    #[test]
    fn a_quarter_is_rounded_to_the_nearest_and_halves_go_up() {
        let quarters = [
            (1, 1),
            (15, 4),
            (17, 4),
            (18, 5),
            (20, 5),
            (22, 6),
            (24, 6),
            (26, 7),
            (28, 7),
            (30, 8),
        ];
        for (cans, expected) in quarters {
            assert_eq!(round_half_up(cans, 4), expected, "{cans} cans");
        }
    }

    #[test]
    fn nothing_caught_is_an_error_and_not_a_number() {
        for catches in [vec![], cans(&[0.0, 0.0, 0.0, 0.0])] {
            assert_eq!(of(&catches).unwrap_err().field, "catch_ml");
        }
        assert_eq!(of(&cans(&[1.0, -1.0])).unwrap_err().field, "catch_ml");
    }

    #[test]
    fn a_hasty_test_in_the_wind_is_told_so() {
        let got = uniformity(&CatchTest {
            catches: &cans(&[4.0, 5.0, 0.0, 6.0, 5.0]),
            opening: Some(SquareInches::new(16.5).into()),
            minutes: None,
            wind: &[MilesPerHour::new(3.0), MilesPerHour::new(8.0)],
        })
        .unwrap();
        assert_eq!(
            got.warnings,
            [
                Warning::FewCans(5),
                Warning::NotAMultipleOfFour {
                    cans: 5,
                    fractional: got.du_lq_fractional
                },
                Warning::SmallCatch {
                    ml_per_in2: 4.0 / 16.5
                },
                Warning::Windy(MilesPerHour::new(8.0)),
                Warning::DryCans(1),
            ]
        );
        assert_eq!(got.rate, None);
    }

    #[test]
    fn a_proper_test_has_no_warnings() {
        let catches = cans(&[25.0; 24]);
        let got = of(&catches).unwrap();
        assert!(got.warnings.is_empty(), "{:?}", got.warnings);
        close("U-04", got.du_lq.get(), 1.0, 1e-12);
    }

    proptest! {
        #[test]
        fn uniformity_ignores_scale_and_order(
            mut catches in proptest::collection::vec(0.0..100.0f64, 1..60),
            scale in 0.01..100.0f64,
        ) {
            catches.push(1.0);
            let got = of(&cans(&catches)).unwrap();
            catches.reverse();
            let scaled: Vec<f64> = catches.iter().map(|ml| ml * scale).collect();
            let again = of(&cans(&scaled)).unwrap();
            prop_assert!((got.du_lq.get() - again.du_lq.get()).abs() < 1e-9);
            prop_assert!((got.cu.get() - again.cu.get()).abs() < 1e-9);
        }

        #[test]
        fn the_low_quarter_is_no_wetter_than_the_low_half(
            mut catches in proptest::collection::vec(0.0..100.0f64, 1..60),
        ) {
            catches.push(1.0);
            let got = of(&cans(&catches)).unwrap();
            let in_order = [0.0, got.du_lq.get(), got.du_lh.get(), 1.0 + 1e-12];
            prop_assert!(in_order.is_sorted(), "{in_order:?}");
            prop_assert!(got.du_lq_fractional.get().is_finite());
        }
    }
}
