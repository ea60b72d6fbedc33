//! What the soil holds and how fast it takes water in.
//!
//! [`facts`] gives published figures for a texture; a measured value beats all of them, and every
//! function takes the value itself, not the texture.
//!
//! ```
//! use headwalk_core::water::soil::{Slope, Texture, facts};
//!
//! let loam = facts(Texture::Loam, Slope::Flat);
//! assert_eq!(loam.intake.to_string(), "0.35 in/h");
//! ```
//!
//! # Sources
//! FAO-56 table 19 and eq. 82-83, table 22. USDA-NRCS available water by texture. Intake and
//! surface storage: the irrigation scheduling literature's values for run-off limits, seven
//! textures; storage on slopes is from memory. Checks: `fixtures/tables/soil.csv`.

use std::fmt;

use super::{
    plant::Turf,
    units::{
        Allowed, Fraction, Inches, InchesPerHour, InchesPerInch, Millimetres, OutOfRange, Percent,
    },
};

/// A soil texture, coarse to fine.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Texture {
    /// Sand.
    Sand,
    /// Loamy sand.
    LoamySand,
    /// Sandy loam.
    SandyLoam,
    /// Fine sandy loam.
    FineSandyLoam,
    /// Loam.
    Loam,
    /// Silt loam.
    SiltLoam,
    /// Sandy clay loam.
    SandyClayLoam,
    /// Clay loam.
    ClayLoam,
    /// Silty clay loam.
    SiltyClayLoam,
    /// Silty clay.
    SiltyClay,
    /// Clay.
    Clay,
}

impl Texture {
    /// All of them, coarse to fine.
    pub const ALL: [Self; 11] = [
        Self::Sand,
        Self::LoamySand,
        Self::SandyLoam,
        Self::FineSandyLoam,
        Self::Loam,
        Self::SiltLoam,
        Self::SandyClayLoam,
        Self::ClayLoam,
        Self::SiltyClayLoam,
        Self::SiltyClay,
        Self::Clay,
    ];

    /// Returns the texture's name in lower case, as in `sandy loam`.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Sand => "sand",
            Self::LoamySand => "loamy sand",
            Self::SandyLoam => "sandy loam",
            Self::FineSandyLoam => "fine sandy loam",
            Self::Loam => "loam",
            Self::SiltLoam => "silt loam",
            Self::SandyClayLoam => "sandy clay loam",
            Self::ClayLoam => "clay loam",
            Self::SiltyClayLoam => "silty clay loam",
            Self::SiltyClay => "silty clay",
            Self::Clay => "clay",
        }
    }

    /// Returns the texture of a name; capitals, hyphens and underscores do not matter.
    #[must_use]
    pub fn named(name: &str) -> Option<Self> {
        let plain = name.trim().to_lowercase().replace(['-', '_'], " ");
        Self::ALL
            .into_iter()
            .find(|texture| texture.name() == plain)
    }
}

impl fmt::Display for Texture {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// How steep the ground is, in the four bands of the run-off tables.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Slope {
    /// Up to 3 %.
    Flat,
    /// Above 3, up to 6 %.
    Gentle,
    /// Above 6, up to 12 %.
    Moderate,
    /// Above 12 %.
    Steep,
}

impl Slope {
    /// Returns the band of a slope. The tables jump from 3 to 4 and from 6 to 7; what lies between
    /// counts as the steeper.
    ///
    /// # Errors
    /// [`OutOfRange`] naming `slope_pct` outside 0 to 100.
    pub fn of(slope: Percent) -> Result<Self, OutOfRange> {
        let pct = Allowed::Between(0.0, 100.0).check("slope_pct", slope.get())?;
        Ok(match pct {
            _ if pct <= 3.0 => Self::Flat,
            _ if pct <= 6.0 => Self::Gentle,
            _ if pct <= 12.0 => Self::Moderate,
            _ => Self::Steep,
        })
    }
}

/// Published figures for a texture on a slope.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Facts {
    /// Available water, this project's choice within the published ranges.
    pub available_water: InchesPerInch,
    /// FAO-56 table 19, lowest and highest.
    pub available_water_fao: Option<(InchesPerInch, InchesPerInch)>,
    /// Basic intake rate under turf, for the run-off limit. From memory of the standard, found
    /// again in teaching material.
    pub intake: InchesPerHour,
    /// Water that may stand on the ground before it runs: from memory for all but flat ground.
    pub surface_storage: Inches,
    /// Intake and storage are published for seven textures; this one's figures are of that one.
    pub intake_of: Texture,
}

/// Returns published figures for a texture on a slope. Measure where you can.
#[must_use]
pub fn facts(texture: Texture, slope: Slope) -> Facts {
    let (available, fao) = available_water(texture);
    let intake_of = nearest_published(texture);
    let (intake, storage) = intake_and_storage(intake_of);
    let [flat, gentle, moderate, steep] = storage;
    Facts {
        available_water: InchesPerInch::new(available),
        available_water_fao: fao
            .map(|(low, high)| (InchesPerInch::new(low), InchesPerInch::new(high))),
        intake: InchesPerHour::new(intake),
        surface_storage: Inches::new(match slope {
            Slope::Flat => flat,
            Slope::Gentle => gentle,
            Slope::Moderate => moderate,
            Slope::Steep => steep,
        }),
        intake_of,
    }
}

/// Returns what is left of a texture's intake where the soil is compacted.
///
/// From memory of the USDA's highest sprinkler rates on covered ground: over a compact subsoil
/// 1.75 of 2.00 in/h on coarse sand, 1.25 of 1.75 on light sandy loam, 0.60 of 1.00 on silt loam;
/// nothing finer is told apart there and takes the last.
#[must_use]
pub fn compacted(texture: Texture, intake: InchesPerHour) -> InchesPerHour {
    let left = match texture {
        Texture::Sand | Texture::LoamySand => 1.75 / 2.00,
        Texture::SandyLoam | Texture::FineSandyLoam => 1.25 / 1.75,
        _ => 0.60 / 1.00,
    };
    intake * left
}

/// Inches of water an inch of soil: a default inside the published ranges (FAO-56 table 19; NRCS).
const fn available_water(texture: Texture) -> (f64, Option<(f64, f64)>) {
    match texture {
        Texture::Sand => (0.06, Some((0.05, 0.11))),
        Texture::LoamySand => (0.08, Some((0.06, 0.12))),
        Texture::SandyLoam => (0.12, Some((0.11, 0.15))),
        Texture::FineSandyLoam => (0.14, None),
        Texture::Loam => (0.17, Some((0.13, 0.18))),
        Texture::SiltLoam => (0.18, Some((0.13, 0.19))),
        Texture::SandyClayLoam => (0.16, None),
        Texture::ClayLoam => (0.18, None),
        Texture::SiltyClayLoam => (0.18, Some((0.13, 0.18))),
        Texture::SiltyClay => (0.16, Some((0.13, 0.19))),
        Texture::Clay => (0.15, Some((0.12, 0.20))),
    }
}

/// The published texture whose intake stands for one that has none: the next finer or equal in
/// behaviour, so that run-off is found too early rather than too late.
const fn nearest_published(texture: Texture) -> Texture {
    match texture {
        Texture::FineSandyLoam | Texture::SiltLoam => Texture::Loam,
        Texture::SandyClayLoam | Texture::SiltyClayLoam => Texture::ClayLoam,
        published => published,
    }
}

/// Intake in/h; storage in, on slopes 0-3, 4-6, 7-12, above 12 %. The two steepest of loam are
/// unsure by 0.01.
const fn intake_and_storage(published: Texture) -> (f64, [f64; 4]) {
    match published {
        Texture::Sand => (0.60, [0.40, 0.35, 0.30, 0.25]),
        Texture::LoamySand => (0.50, [0.36, 0.30, 0.26, 0.22]),
        Texture::SandyLoam => (0.40, [0.33, 0.29, 0.24, 0.20]),
        Texture::ClayLoam | Texture::SandyClayLoam | Texture::SiltyClayLoam => {
            (0.20, [0.26, 0.22, 0.18, 0.15])
        }
        Texture::SiltyClay => (0.15, [0.23, 0.19, 0.16, 0.13]),
        Texture::Clay => (0.10, [0.20, 0.15, 0.10, 0.10]),
        Texture::Loam | Texture::FineSandyLoam | Texture::SiltLoam => {
            (0.35, [0.30, 0.25, 0.20, 0.18])
        }
    }
}

/// Returns the water a root zone can hold for plants.
///
/// # Errors
/// [`OutOfRange`] naming `available_water_in_in` unless above 0 and up to 0.5, or `root_depth_in`
/// unless above 0 and up to 240.
///
/// # Source
/// FAO-56 eq. 82.
pub fn total_available(available: InchesPerInch, root_depth: Inches) -> Result<Inches, OutOfRange> {
    let held = Allowed::AboveZeroTo(0.5).check("available_water_in_in", available.get())?;
    let depth = Allowed::AboveZeroTo(240.0).check("root_depth_in", root_depth.get())?;
    Ok(Inches::new(held * depth))
}

/// Returns how much of that may be used before the next watering.
///
/// `depletion` is the management-allowed share; 0.5 for turf and shrubs is common practice, no
/// source. FAO-56's p ([`depletion_fraction`]) is where stress begins.
///
/// # Errors
/// [`OutOfRange`] naming `allowed_depletion` unless above 0 and at most 1.
///
/// # Source
/// FAO-56 eq. 83, with p or a management choice.
pub fn allowed_depletion(total: Inches, depletion: Fraction) -> Result<Inches, OutOfRange> {
    Ok(total * Allowed::AboveZeroTo(1.0).check("allowed_depletion", depletion.get())?)
}

/// Returns FAO-56's p for turf at about 5 mm a day: 0.40 cool season, 0.50 warm (table 22).
#[must_use]
pub const fn turf_depletion_fraction(turf: Turf) -> Fraction {
    match turf {
        Turf::CoolSeason => Fraction::new(0.40),
        Turf::WarmSeason => Fraction::new(0.50),
    }
}

/// Returns p for a day's crop evapotranspiration: the drier the air, the sooner stress begins.
///
/// The limits 0.1 and 0.8 are from memory.
///
/// # Errors
/// [`OutOfRange`] naming `depletion_fraction` unless above 0 and at most 1, or `etc_mm` below 0.
///
/// # Source
/// FAO-56 table 22, note 2: p = p(table) + 0.04 (5 - ETc).
pub fn depletion_fraction(table: Fraction, etc: Millimetres) -> Result<Fraction, OutOfRange> {
    let at_five = Allowed::AboveZeroTo(1.0).check("depletion_fraction", table.get())?;
    let etc_mm = Allowed::ZeroOrMore.check("etc_mm", etc.get())?;
    Ok(Fraction::new(
        (at_five + 0.04 * (5.0 - etc_mm)).clamp(0.1, 0.8),
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::water::tables::{close, rows};

    #[test]
    fn defaults_lie_within_the_published_ranges() {
        for texture in Texture::ALL {
            let got = facts(texture, Slope::Flat);
            if let Some((low, high)) = got.available_water_fao {
                assert!((low..=high).contains(&got.available_water), "{texture}");
            }
        }
    }

    #[test]
    fn flat_ground_matches_the_published_run_off_table() {
        for row in rows("soil.csv") {
            let texture = Texture::named(row.text("texture")).unwrap();
            let got = facts(texture, Slope::Flat);
            row.close("intake_in_h", got.intake.get());
            row.close("storage_flat_in", got.surface_storage.get());
            assert_eq!(got.intake_of, texture);
        }
    }

    #[test]
    fn a_steeper_slope_never_holds_more() {
        for texture in Texture::ALL {
            let storage = [Slope::Flat, Slope::Gentle, Slope::Moderate, Slope::Steep]
                .map(|slope| facts(texture, slope).surface_storage);
            assert!(
                storage.is_sorted_by(|flatter, steeper| flatter >= steeper),
                "{texture}"
            );
        }
    }

    #[test]
    fn a_slope_between_two_bands_counts_as_the_steeper() {
        let band = |pct| Slope::of(Percent::new(pct)).unwrap();
        assert_eq!(band(3.0), Slope::Flat);
        assert_eq!(band(3.5), Slope::Gentle);
        assert_eq!(band(6.5), Slope::Moderate);
        assert_eq!(band(12.1), Slope::Steep);
        assert_eq!(
            Slope::of(Percent::new(-1.0)).unwrap_err().field,
            "slope_pct"
        );
    }

    #[test]
    fn stress_begins_sooner_on_a_dry_day() {
        // W-39: FAO-56 table 22, note 2.
        for (etc, expected) in [
            (2.0, 0.52),
            (3.0, 0.48),
            (5.0, 0.40),
            (6.0, 0.36),
            (8.0, 0.28),
        ] {
            let got = depletion_fraction(Fraction::new(0.40), Millimetres::new(etc)).unwrap();
            close("W-39", got.get(), expected, 1e-12);
        }
    }

    #[test]
    fn the_depletion_fraction_keeps_within_its_limits() {
        // 0.1 and 0.8, from memory: guards against drift only.
        let p = |table, etc| depletion_fraction(Fraction::new(table), Millimetres::new(etc));
        assert_eq!(p(0.40, 15.0).unwrap(), Fraction::new(0.1));
        assert_eq!(p(0.70, 0.0).unwrap(), Fraction::new(0.8));
    }

    #[test]
    fn names_are_read_back_whatever_joins_them() {
        for texture in Texture::ALL {
            assert_eq!(Texture::named(texture.name()), Some(texture));
        }
        assert_eq!(
            Texture::named("Silty-Clay_Loam"),
            Some(Texture::SiltyClayLoam)
        );
        assert_eq!(Texture::named("gravel"), None);
    }

    #[test]
    fn a_negative_root_depth_is_refused_by_name() {
        let error = total_available(InchesPerInch::new(0.17), Inches::new(-6.0)).unwrap_err();
        assert_eq!(error.field, "root_depth_in");
    }
}
