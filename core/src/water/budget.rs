//! Water budgets: what an ordinance or a programme allows a landscape.
//!
//! A city or an agency sets its own factors; these functions take them and hold none.
//!
//! ```
//! use headwalk_core::water::budget::ordinance_allowance;
//! use headwalk_core::water::units::{Fraction, Inches, SquareFeet};
//!
//! let landscape = SquareFeet::new(10_000.0);
//! let (eto, adjustment) = (Inches::new(50.0), Fraction::new(0.55));
//! let allowed = ordinance_allowance(eto, landscape, SquareFeet::ZERO, adjustment)?;
//! assert_eq!(format!("{allowed:.0}"), "170500 gal");
//! # Ok::<(), headwalk_core::water::units::OutOfRange>(())
//! ```
//!
//! # Sources
//! California Model Water Efficient Landscape Ordinance, 23 CCR 490 ff., as adopted in municipal
//! codes. EPA WaterSense Water Budget Approach: existence, the 70 % and the peak month are
//! published; its formulas and the constant 0.6233 are from memory.
//! Checks: `fixtures/tables/budget.csv`.

use super::{
    runtime,
    units::{Allowed, Fraction, Gallons, Inches, OutOfRange, SquareFeet},
};

/// Gallons of an inch on a square foot, as the ordinance rounds it.
const ORDINANCE_GAL: f64 = 0.62;
/// The same, as EPA's programme rounds it (from memory).
const PROGRAMME_GAL: f64 = 0.6233;

/// Returns the ordinance's yearly allowance (MAWA).
///
/// `special` is the part of `landscape` that is watered fully: sports fields, food, reclaimed.
/// `adjustment` (ETAF) was 0.7, and 0.55 for homes and 0.45 elsewhere since 2015; cities differ.
///
/// # Errors
/// [`OutOfRange`] naming `eto_in`, `landscape_sqft`, `special_sqft` above the landscape,
/// `adjustment` unless above 0 and at most 1.
///
/// # Source
/// MWELO: ETo x 0.62 x (ETAF x LA + (1 - ETAF) x SLA).
pub fn ordinance_allowance(
    eto_per_year: Inches,
    landscape: SquareFeet,
    special: SquareFeet,
    adjustment: Fraction,
) -> Result<Gallons, OutOfRange> {
    let eto_in = Allowed::ZeroOrMore.check("eto_in", eto_per_year.get())?;
    let landscape_sqft = Allowed::ZeroOrMore.check("landscape_sqft", landscape.get())?;
    let special_sqft =
        Allowed::Between(0.0, landscape_sqft).check("special_sqft", special.get())?;
    let factor = Allowed::AboveZeroTo(1.0).check("adjustment", adjustment.get())?;
    let weighted = factor * landscape_sqft + (1.0 - factor) * special_sqft;
    Ok(Gallons::new(eto_in * ORDINANCE_GAL * weighted))
}

/// One hydrozone of an estimate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hydrozone {
    /// Its ground.
    pub area: SquareFeet,
    /// Plant factor.
    pub plant_factor: Fraction,
    /// Irrigation efficiency: 0.75 overhead and 0.81 drip in the text of 2015, from memory.
    pub efficiency: Fraction,
}

/// What a landscape is estimated to use.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// In a year.
    pub use_per_year: Gallons,
    /// Mean of plant factor over efficiency, by area: what the ordinance limits.
    pub adjustment: Fraction,
}

/// Returns the ordinance's estimated yearly use (ETWU) and mean adjustment factor.
///
/// # Errors
/// [`OutOfRange`] naming `eto_in`, `special_sqft`, `area_sqft` (all of them together must be above
/// zero), `plant_factor` below zero or `efficiency` unless above 0 and at most 1.
///
/// # Source
/// MWELO: ETo x 0.62 x (sum of PF x HA / IE + SLA).
pub fn ordinance_estimate(
    eto_per_year: Inches,
    zones: &[Hydrozone],
    special: SquareFeet,
) -> Result<Estimate, OutOfRange> {
    let eto_in = Allowed::ZeroOrMore.check("eto_in", eto_per_year.get())?;
    let special_sqft = Allowed::ZeroOrMore.check("special_sqft", special.get())?;
    let (mut weighted, mut area) = (0.0, 0.0);
    for zone in zones {
        let zone_sqft = Allowed::ZeroOrMore.check("area_sqft", zone.area.get())?;
        let factor = Allowed::ZeroOrMore.check("plant_factor", zone.plant_factor.get())?;
        let efficiency = Allowed::AboveZeroTo(1.0).check("efficiency", zone.efficiency.get())?;
        weighted += factor * zone_sqft / efficiency;
        area += zone_sqft;
    }
    let area = Allowed::AboveZero.check("area_sqft", area)?;
    Ok(Estimate {
        use_per_year: Gallons::new(eto_in * ORDINANCE_GAL * (weighted + special_sqft)),
        adjustment: Fraction::new(weighted / area),
    })
}

/// EPA's peak-month budget.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PeakMonth {
    /// What full watering of the whole area would use.
    pub baseline: Gallons,
    /// 70 % of that: what a design may require.
    pub allowance: Gallons,
}

/// Returns EPA's baseline and allowance for the peak month.
///
/// # Errors
/// [`OutOfRange`] naming `area_sqft` or `eto_in` below zero.
///
/// # Source
/// EPA WaterSense Water Budget Approach: A x ETo x 0.6233; 70 % of it. Formula from memory.
pub fn peak_month(area: SquareFeet, eto: Inches) -> Result<PeakMonth, OutOfRange> {
    let area_sqft = Allowed::ZeroOrMore.check("area_sqft", area.get())?;
    let eto_in = Allowed::ZeroOrMore.check("eto_in", eto.get())?;
    let baseline = Gallons::new(area_sqft * eto_in * PROGRAMME_GAL);
    Ok(PeakMonth {
        baseline,
        allowance: baseline * 0.7,
    })
}

/// Returns what a zone requires in the peak month under EPA's budget.
///
/// # Errors
/// Those of [`runtime::need`] and [`runtime::multiplier`], and `area_sqft` below zero.
///
/// # Source
/// EPA WaterSense Water Budget Approach, from memory: RTM x (ETo x KL - Ra) x A x 0.6233, Ra being
/// 25 % of the month's rain; nothing where rain covers the need.
pub fn peak_month_zone(
    area: SquareFeet,
    eto: Inches,
    coefficient: Fraction,
    effective_rain: Inches,
    du_lq: Fraction,
) -> Result<Gallons, OutOfRange> {
    let area_sqft = Allowed::ZeroOrMore.check("area_sqft", area.get())?;
    let need = runtime::need(eto, coefficient, effective_rain)?;
    let multiplier = runtime::multiplier(du_lq)?;
    Ok(Gallons::new(
        multiplier.get() * need.get() * area_sqft * PROGRAMME_GAL,
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::water::tables::{close, rows};

    #[test]
    fn allowances_match_the_worked_examples() {
        for row in rows("budget.csv") {
            let got = ordinance_allowance(
                Inches::new(row.get("eto_in")),
                SquareFeet::new(row.get("landscape_sqft")),
                SquareFeet::new(row.get("special_sqft")),
                Fraction::new(row.get("adjustment")),
            )
            .unwrap();
            row.close("allowance_gal", got.get());
        }
    }

    #[test]
    fn a_mixed_landscape_is_weighed_by_area() {
        // B-04.
        let zone = |area, factor, efficiency| Hydrozone {
            area: SquareFeet::new(area),
            plant_factor: Fraction::new(factor),
            efficiency: Fraction::new(efficiency),
        };
        let zones = [zone(6000.0, 0.3, 0.81), zone(4000.0, 0.7, 0.75)];
        let got = ordinance_estimate(Inches::new(50.0), &zones, SquareFeet::ZERO).unwrap();
        close("B-04", got.use_per_year.get(), 184_622.2, 0.05);
        close("B-04 factor", got.adjustment.get(), 0.595556, 5e-7);
    }

    #[test]
    fn peak_month_figures_stay_what_they_were() {
        // B-05 to B-07: formulas from memory, so these guard against drift only.
        let month = peak_month(SquareFeet::new(5000.0), Inches::new(6.5)).unwrap();
        close("B-05", month.baseline.get(), 20_257.25, 0.005);
        close("B-05", month.allowance.get(), 14_180.08, 0.01);
        let zone = |area, share, rain| {
            peak_month_zone(
                SquareFeet::new(area),
                Inches::new(6.5),
                Fraction::new(share),
                Inches::new(rain),
                Fraction::new(0.65),
            )
            .unwrap()
            .get()
        };
        close("B-06", zone(2000.0, 0.8, 0.5), 7416.481, 0.0005);
        close("B-07", zone(1000.0, 0.2, 1.5), 0.0, 0.0);
    }

    #[test]
    fn what_cannot_be_is_refused_by_name() {
        let none = ordinance_estimate(Inches::new(50.0), &[], SquareFeet::ZERO);
        assert_eq!(none.unwrap_err().field, "area_sqft");
        let special = ordinance_allowance(
            Inches::new(50.0),
            SquareFeet::new(100.0),
            SquareFeet::new(200.0),
            Fraction::new(0.55),
        );
        assert_eq!(special.unwrap_err().field, "special_sqft");
    }
}
