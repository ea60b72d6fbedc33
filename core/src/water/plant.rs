//! What share of reference evapotranspiration a planting needs.
//!
//! A [`Coefficient`] always says where it comes from. [`landscape`] computes one from species,
//! density and microclimate; [`turf_month`] reads one from published turf figures.
//!
//! ```
//! use headwalk_core::water::plant::{Turf, turf_month};
//!
//! let july = turf_month(Turf::CoolSeason, chrono::Month::July);
//! assert_eq!(july.value.get(), 0.94);
//! ```
//!
//! # Sources
//! Costello, Matheny, Clark, Jones (2000), A Guide to Estimating Irrigation Water Needs of
//! Landscape Plantings in California (landscape coefficient method). UC ANR, Turfgrass Crop
//! Coefficients (Kc), table 1, after Meyer et al. (1985). FAO-56, table 12. ANSI/ASABE S623, from
//! memory. Checks: `fixtures/tables/landscape.csv`.

use std::fmt;

use chrono::Month;

use super::units::{Allowed, Fraction, Inches, OutOfRange};

/// A share of reference evapotranspiration, with its origin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Coefficient {
    /// The share; above 1 a planting needs more than the reference grass.
    pub value: Fraction,
    /// Where it comes from.
    pub basis: Basis,
}

/// Where a coefficient comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Basis {
    /// Turf, month by month: UC ANR, after Meyer et al. 1985. Lawns, not sports turf.
    TurfMonth,
    /// Turf, whole year: the same publication. Not the mean of the months.
    TurfYear,
    /// Turf, FAO-56 table 12: mown at 6 to 8 cm, general turf.
    TurfFao,
    /// Species x density x microclimate: Costello et al. 2000.
    Landscape,
    /// ANSI/ASABE S623, from memory: confirm against the standard before relying on it.
    S623FromMemory,
    /// FAO-56 table 12, small vegetables in full growth, from memory.
    VegetablesFaoFromMemory,
    /// Raised while a planting takes root: common practice, no source.
    Establishment,
    /// Entered by a person.
    Given,
}

impl fmt::Display for Basis {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::TurfMonth => "UC turf coefficient of the month",
            Self::TurfYear => "UC turf coefficient of the year",
            Self::TurfFao => "FAO-56 table 12",
            Self::Landscape => "landscape coefficient method",
            Self::S623FromMemory => "ANSI/ASABE S623, from memory",
            Self::VegetablesFaoFromMemory => {
                "FAO-56 table 12, small vegetables in full growth, from memory"
            }
            Self::Establishment => "raised for establishment (common practice, no source)",
            Self::Given => "as entered",
        })
    }
}

/// Which season a turf grows in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Turf {
    /// Bluegrass, rye, fescue.
    CoolSeason,
    /// Bermuda, zoysia and the like.
    WarmSeason,
}

/// January to December. UC ANR, Turfgrass Crop Coefficients (Kc), table 1.
const COOL_MONTHS: [f64; 12] = [
    0.61, 0.64, 0.75, 1.04, 0.95, 0.88, 0.94, 0.86, 0.74, 0.75, 0.69, 0.60,
];
const WARM_MONTHS: [f64; 12] = [
    0.61, 0.54, 0.76, 0.72, 0.79, 0.68, 0.71, 0.71, 0.62, 0.54, 0.58, 0.55,
];

/// Returns a turf's coefficient in a month (UC ANR).
#[must_use]
pub fn turf_month(turf: Turf, month: Month) -> Coefficient {
    let months = match turf {
        Turf::CoolSeason => COOL_MONTHS,
        Turf::WarmSeason => WARM_MONTHS,
    };
    let index = month.number_from_month() as usize - 1;
    let value = months
        .get(index)
        .copied()
        .expect("a month is one of twelve");
    Coefficient {
        value: Fraction::new(value),
        basis: Basis::TurfMonth,
    }
}

/// Returns a turf's coefficient over the year (UC ANR): 0.80 cool, 0.60 warm.
///
/// It is published beside the months and is not their mean (0.7875, 0.6508): use one or the other.
#[must_use]
pub fn turf_year(turf: Turf) -> Coefficient {
    let value = match turf {
        Turf::CoolSeason => 0.80,
        Turf::WarmSeason => 0.60,
    };
    Coefficient {
        value: Fraction::new(value),
        basis: Basis::TurfYear,
    }
}

/// A stage of growth in FAO-56 table 12.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stage {
    /// After planting or green-up.
    Initial,
    /// In full growth.
    Middle,
    /// Towards dormancy.
    End,
}

/// Returns a turf's coefficient by stage (FAO-56 table 12 j).
///
/// Its footnote 15: with careful watering, and no need for rapid growth, 0.10 less.
#[must_use]
pub fn turf_fao(turf: Turf, stage: Stage) -> Coefficient {
    let value = match (turf, stage) {
        (Turf::CoolSeason, Stage::Initial) => 0.90,
        (Turf::CoolSeason, Stage::Middle | Stage::End) => 0.95,
        (Turf::WarmSeason, Stage::Initial) => 0.80,
        (Turf::WarmSeason, Stage::Middle | Stage::End) => 0.85,
    };
    Coefficient {
        value: Fraction::new(value),
        basis: Basis::TurfFao,
    }
}

/// The three factors of the landscape coefficient method.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Factors {
    /// Species, published up to 0.9.
    pub species: Fraction,
    /// Density: young or sparse 0.5-0.9, one full layer 1.0, several 1.1-1.3.
    pub density: Fraction,
    /// Microclimate: shade, lee 0.5-0.9; open 1.0; paving, reflected heat, wind 1.1-1.4.
    pub microclimate: Fraction,
}

/// A computed landscape coefficient and what is odd about it.
#[derive(Debug, Clone, PartialEq)]
pub struct Landscape {
    /// Species x density x microclimate.
    pub coefficient: Coefficient,
    /// What a person should look at.
    pub warnings: Vec<Warning>,
}

/// What is odd about a landscape coefficient, though possible.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Warning {
    /// More than the reference grass needs: possible, rare.
    AboveOne(Fraction),
    /// A factor outside the ranges the method publishes.
    OutsidePublished {
        /// The factor's JSON name.
        factor: &'static str,
        /// What it was.
        got: Fraction,
        /// The published range.
        published: Allowed,
    },
}

impl fmt::Display for Warning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::AboveOne(value) => {
                let value = value.get();
                write!(
                    f,
                    "coefficient {value:.2} is above 1: more than the reference grass needs"
                )
            }
            Self::OutsidePublished {
                factor,
                got,
                published,
            } => {
                let got = got.get();
                write!(
                    f,
                    "{factor} {got:.2} is outside what the method publishes, {published}"
                )
            }
        }
    }
}

/// Returns the landscape coefficient, species x density x microclimate, never clamped.
///
/// The upper limits of species, density and microclimate in the warnings are from memory.
///
/// # Errors
/// [`OutOfRange`] naming `species`, `density` or `microclimate` outside 0 to 2.
///
/// # Source
/// Costello et al. 2000, chapter 2.
pub fn landscape(factors: Factors) -> Result<Landscape, OutOfRange> {
    let mut warnings = Vec::new();
    let mut product = 1.0;
    for (factor, got, low, high) in [
        ("species", factors.species, 0.0, 0.9),
        ("density", factors.density, 0.5, 1.3),
        ("microclimate", factors.microclimate, 0.5, 1.4),
    ] {
        product *= Allowed::Between(0.0, 2.0).check(factor, got.get())?;
        if !(low..=high).contains(&got.get()) {
            let published = Allowed::Between(low, high);
            warnings.push(Warning::OutsidePublished {
                factor,
                got,
                published,
            });
        }
    }
    let value = Fraction::new(product);
    if product > 1.0 {
        warnings.push(Warning::AboveOne(value));
    }
    Ok(Landscape {
        coefficient: Coefficient {
            value,
            basis: Basis::Landscape,
        },
        warnings,
    })
}

/// A kind of planting in ANSI/ASABE S623.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Planting {
    /// Cool-season turf.
    CoolSeasonTurf,
    /// Warm-season turf.
    WarmSeasonTurf,
    /// Annual flowers.
    AnnualFlowers,
    /// Woody plants and perennials in a wet climate.
    WoodyOrPerennialWet,
    /// Woody plants and perennials in a dry climate.
    WoodyOrPerennialDry,
    /// Desert-adapted plants.
    DesertAdapted,
}

/// Returns the plant factor of ANSI/ASABE S623, from memory: the least that looks acceptable, for
/// established plantings that are not sports turf.
#[must_use]
pub fn s623(planting: Planting) -> Coefficient {
    let value = match planting {
        Planting::CoolSeasonTurf | Planting::AnnualFlowers => 0.8,
        Planting::WoodyOrPerennialWet => 0.7,
        Planting::WarmSeasonTurf => 0.6,
        Planting::WoodyOrPerennialDry => 0.5,
        Planting::DesertAdapted => 0.3,
    };
    Coefficient {
        value: Fraction::new(value),
        basis: Basis::S623FromMemory,
    }
}

/// Returns the coefficient of a vegetable bed in full growth: 1.05, FAO-56 table 12, small
/// vegetables, from memory. A bed in its first weeks or at its end needs less.
#[must_use]
pub const fn vegetables() -> Coefficient {
    Coefficient {
        value: Fraction::new(1.05),
        basis: Basis::VegetablesFaoFromMemory,
    }
}

/// Returns the lowest and highest published coefficient of a turf from April to October (UC ANR).
#[must_use]
pub fn turf_range(turf: Turf) -> (Fraction, Fraction) {
    let season = [
        Month::April,
        Month::May,
        Month::June,
        Month::July,
        Month::August,
        Month::September,
        Month::October,
    ];
    let published = season.map(|month| turf_month(turf, month).value.get());
    let low = published.into_iter().fold(f64::MAX, f64::min);
    let high = published.into_iter().fold(f64::MIN, f64::max);
    (Fraction::new(low), Fraction::new(high))
}

/// Returns the range of the species class in which a factor lies (Costello et al. 2000: low 0.10 to
/// 0.30, middling 0.40 to 0.60, high 0.70 to 0.90, the last from memory); between two classes it is
/// a tenth either way.
#[must_use]
pub fn species_range(species: Fraction) -> (Fraction, Fraction) {
    let factor = species.get();
    let classes = [(0.10, 0.30), (0.40, 0.60), (0.70, 0.90)];
    let own = classes
        .into_iter()
        .find(|(low, high)| (*low..=*high).contains(&factor));
    let (low, high) = own.unwrap_or(((factor - 0.1).max(0.01), factor + 0.1));
    (Fraction::new(low), Fraction::new(high))
}

/// How exposed a planting is to sun, wind and the heat of walls and paving.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Exposure {
    /// Open to the sky: the published coefficients are for this.
    Open,
    /// Shaded for part of the day.
    PartShade,
    /// Shaded, or in the lee.
    Shade,
    /// Beside paving or a wall that gives back heat.
    ReflectedHeat,
}

/// Returns the microclimate factor of an exposure: the middle of the range that the landscape
/// coefficient method publishes (shade 0.5 to 0.9, heat 1.1 to 1.4, both from memory); half-way
/// to shade for part of the day, which is a choice of ours.
#[must_use]
pub const fn microclimate(exposure: Exposure) -> Fraction {
    Fraction::new(match exposure {
        Exposure::Open => 1.0,
        Exposure::PartShade => 0.85,
        Exposure::Shade => 0.7,
        Exposure::ReflectedHeat => 1.25,
    })
}

/// Returns the coefficient to use while a new planting takes root: no lower than `floor`.
///
/// Shallow roots cannot wait for the established interval. Common practice, no source; the firm
/// sets the floor and ends the period.
#[must_use]
pub fn establishing(established: Coefficient, floor: Fraction) -> Coefficient {
    if established.value >= floor {
        return established;
    }
    Coefficient {
        value: floor,
        basis: Basis::Establishment,
    }
}

/// Returns the depth to apply so that `need` reaches the roots at an irrigation efficiency.
///
/// Do not use it together with a run-time multiplier: both answer the same loss.
///
/// # Errors
/// [`OutOfRange`] naming `need_in` below zero, or `efficiency` unless above 0 and at most 1.
///
/// # Source
/// Costello et al. 2000: applied = need / efficiency.
pub fn applied(need: Inches, efficiency: Fraction) -> Result<Inches, OutOfRange> {
    Allowed::ZeroOrMore.check("need_in", need.get())?;
    Ok(need / Allowed::AboveZeroTo(1.0).check("efficiency", efficiency.get())?)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::water::tables::{close, rows};

    #[test]
    fn landscape_coefficients_match_the_worked_examples() {
        for row in rows("landscape.csv") {
            let factors = Factors {
                species: Fraction::new(row.get("species")),
                density: Fraction::new(row.get("density")),
                microclimate: Fraction::new(row.get("microclimate")),
            };
            let got = landscape(factors).unwrap();
            row.close("coefficient", got.coefficient.value.get());
            if let (Some(eto), Some(efficiency)) = (row.find("eto_in"), row.find("efficiency")) {
                let need = Inches::new(eto) * got.coefficient.value.get();
                let depth = applied(need, Fraction::new(efficiency)).unwrap();
                row.close("applied_in", depth.get());
            }
        }
    }

    #[test]
    fn a_coefficient_above_one_stands_and_warns() {
        let got = landscape(Factors {
            species: Fraction::new(0.9),
            density: Fraction::new(1.3),
            microclimate: Fraction::new(1.4),
        })
        .unwrap();
        close("L-04", got.coefficient.value.get(), 1.638, 1e-12);
        assert_eq!(got.warnings, [Warning::AboveOne(got.coefficient.value)]);
    }

    #[test]
    fn the_mean_of_the_months_is_not_the_published_year() {
        // K-01, UC ANR table 1.
        let mean = |turf| -> f64 {
            let months = (1..=12).filter_map(|number| Month::try_from(number).ok());
            months
                .map(|month| turf_month(turf, month).value.get())
                .sum::<f64>()
                / 12.0
        };
        close("K-01 cool", mean(Turf::CoolSeason), 0.7875, 5e-5);
        close("K-01 warm", mean(Turf::WarmSeason), 0.6508, 5e-5);
        assert_eq!(turf_year(Turf::CoolSeason).value, Fraction::new(0.80));
        assert_eq!(turf_year(Turf::WarmSeason).value, Fraction::new(0.60));
    }

    #[test]
    fn turf_by_stage_is_as_printed() {
        // FAO-56 table 12 j, p. 112: initial, middle, end.
        for (turf, printed) in [
            (Turf::CoolSeason, [0.90, 0.95, 0.95]),
            (Turf::WarmSeason, [0.80, 0.85, 0.85]),
        ] {
            let stages = [Stage::Initial, Stage::Middle, Stage::End];
            let got = stages.map(|stage| turf_fao(turf, stage).value.get());
            assert_eq!(got, printed, "{turf:?}");
        }
    }

    #[test]
    fn plant_factors_from_memory_stay_what_they_were() {
        // ANSI/ASABE S623 from memory: guards against drift only.
        let plantings = [
            Planting::CoolSeasonTurf,
            Planting::WarmSeasonTurf,
            Planting::AnnualFlowers,
            Planting::WoodyOrPerennialWet,
            Planting::WoodyOrPerennialDry,
            Planting::DesertAdapted,
        ];
        let got = plantings.map(|planting| s623(planting).value.get());
        assert_eq!(got, [0.8, 0.6, 0.8, 0.7, 0.5, 0.3]);
        assert!(
            plantings
                .iter()
                .all(|kind| s623(*kind).basis == Basis::S623FromMemory)
        );
    }

    #[test]
    fn establishment_raises_and_never_lowers() {
        let cool_july = turf_month(Turf::CoolSeason, Month::July);
        let raised = establishing(cool_july, Fraction::new(1.0));
        assert_eq!(
            raised,
            Coefficient {
                value: Fraction::new(1.0),
                basis: Basis::Establishment
            }
        );
        assert_eq!(establishing(cool_july, Fraction::new(0.5)), cool_july);
    }

    #[test]
    fn a_density_of_three_is_refused_by_name() {
        let error = landscape(Factors {
            species: Fraction::new(0.5),
            density: Fraction::new(3.0),
            microclimate: Fraction::new(1.0),
        });
        assert_eq!(error.unwrap_err().field, "density");
    }
}
