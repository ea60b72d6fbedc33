//! How much of the rain counts.
//!
//! In a daily [`super::balance`] none of this is needed: rain that the soil cannot hold drains.
//! These are for weeks and months, where the days are not known.
//!
//! ```
//! use headwalk_core::water::rain::fixed_share;
//! use headwalk_core::water::units::{Fraction, Inches};
//!
//! assert_eq!(fixed_share(Inches::new(2.0), Fraction::new(0.25))?, Inches::new(0.5));
//! # Ok::<(), headwalk_core::water::units::OutOfRange>(())
//! ```
//!
//! # Sources
//! FAO-56 p. 170 for rain too small to count. USDA SCS TR-21, as in NRCS NEH 623 chapter 2, from
//! memory. Checks: `fixtures/tables/rain.csv`.

use super::units::{Allowed, Fraction, Inches, OutOfRange};

/// Returns a fixed share of the rain.
///
/// California's model ordinance lets an agency count 25 % of a year's rain; 50 % is common in the
/// humid South (common practice, no source).
///
/// # Errors
/// [`OutOfRange`] naming `rain_in` below zero or `share` outside 0 to 1.
pub fn fixed_share(rain: Inches, share: Fraction) -> Result<Inches, OutOfRange> {
    let rain_in = Allowed::ZeroOrMore.check("rain_in", rain.get())?;
    Ok(Inches::new(
        rain_in * Allowed::Between(0.0, 1.0).check("share", share.get())?,
    ))
}

/// Returns a day's rain, or nothing where it is below a fifth of the day's ETo: it never reaches
/// the roots.
///
/// # Errors
/// [`OutOfRange`] naming `rain_in` or `eto_in` below zero.
///
/// # Source
/// FAO-56 p. 170.
pub fn above_a_fifth(rain: Inches, eto: Inches) -> Result<Inches, OutOfRange> {
    Allowed::ZeroOrMore.check("rain_in", rain.get())?;
    let eto_in = Allowed::ZeroOrMore.check("eto_in", eto.get())?;
    Ok(if rain.get() < 0.2 * eto_in {
        Inches::ZERO
    } else {
        rain
    })
}

/// Returns a month's effective rain, no more than the rain nor what the plants use.
///
/// `net_depth` is the usual net irrigation, 0 to 7 in: a soil that is filled up less leaves less
/// room for rain. The constants are from memory.
///
/// # Errors
/// [`OutOfRange`] naming `rain_in`, `use_in` below zero or above 60, or `net_depth_in`.
///
/// # Source
/// USDA SCS TR-21: Pe = SF (0.70917 P^0.82416 - 0.11556) 10^(0.02426 ETc).
pub fn month(rain: Inches, used: Inches, net_depth: Inches) -> Result<Inches, OutOfRange> {
    let month = Allowed::Between(0.0, 60.0);
    let rain_in = month.check("rain_in", rain.get())?;
    let used_in = month.check("use_in", used.get())?;
    let curve = 0.70917 * rain_in.powf(0.82416) - 0.11556;
    let raw = storage_factor(net_depth)?.get() * curve * 10f64.powf(0.02426 * used_in);
    Ok(Inches::new(raw.max(0.0).min(rain_in).min(used_in)))
}

/// Returns TR-21's storage factor: 1 at a net irrigation of 3 in. From memory.
///
/// # Errors
/// [`OutOfRange`] naming `net_depth_in` outside 0 to 7.
pub fn storage_factor(net_depth: Inches) -> Result<Fraction, OutOfRange> {
    let d = Allowed::Between(0.0, 7.0).check("net_depth_in", net_depth.get())?;
    let factor = 0.531_747 + 0.295_164 * d - 0.057_697 * d * d + 0.003_804 * d * d * d;
    Ok(Fraction::new(factor))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::water::tables::{close, rows};

    #[test]
    fn a_months_effective_rain_stays_what_it_was() {
        for row in rows("rain.csv") {
            let depth = Inches::new(row.get("net_depth_in"));
            row.close("storage_factor", storage_factor(depth).unwrap().get());
            if let Some(rain) = row.find("rain_in") {
                let got = month(Inches::new(rain), Inches::new(row.get("use_in")), depth).unwrap();
                row.close("effective_in", got.get());
            }
        }
    }

    #[test]
    fn a_sprinkle_does_not_count() {
        let counted = |rain| above_a_fifth(Inches::new(rain), Inches::new(0.25)).unwrap();
        assert_eq!(counted(0.04), Inches::ZERO);
        assert_eq!(counted(0.06), Inches::new(0.06));
    }

    #[test]
    fn a_share_is_a_share() {
        let got = fixed_share(Inches::new(2.0), Fraction::new(0.25)).unwrap();
        close("a quarter", got.get(), 0.5, 1e-12);
        assert_eq!(
            fixed_share(Inches::new(2.0), Fraction::new(25.0))
                .unwrap_err()
                .field,
            "share"
        );
    }

    proptest! {
        #[test]
        fn effective_rain_is_never_more_than_rain_or_use(
            rain in 0.0..20.0f64, used in 0.0..15.0f64, depth in 0.0..7.0f64,
        ) {
            let got = month(Inches::new(rain), Inches::new(used), Inches::new(depth)).unwrap().get();
            prop_assert!((0.0..=rain.min(used)).contains(&got), "{got}");
        }
    }
}
