//! What share of reference evapotranspiration a planting needs.

use chrono::Month;
use serde::Deserialize;

use headwalk_core::water::budget::{self, Hydrozone};
use headwalk_core::water::plant::{self, Factors, Turf};
use headwalk_core::water::units::{Allowed, Fraction, Gallons, Inches, SquareFeet};

use super::Formula;
use super::answer::Answer;
use super::value::Wrong;

/// A planting's share of reference evapotranspiration.
///
/// In:  species, density and microclimate, the factors of the landscape coefficient method;
///      or turf, cool-season or warm-season, and month, 1 to 12 (left out: the year's figure,
///      which is published beside the months and is not their mean).
/// Out: coefficient; basis, where it comes from.
///
/// Sources: Costello et al. (2000); UC ANR turf coefficients, after Meyer et al. (1985).
///
/// Example: headwalk reckon coefficient --set species=0.5 --set density=1.3 --set microclimate=1.4
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Coefficient {}

/// Inputs of [`Coefficient`].
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct In {
    species: Option<f64>,
    density: Option<f64>,
    microclimate: Option<f64>,
    turf: Option<TurfWord>,
    month: Option<u32>,
}

#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum TurfWord {
    CoolSeason,
    WarmSeason,
}

impl Formula for Coefficient {
    type In = In;

    fn reckon(given: In) -> Result<Answer, Wrong> {
        let factors = [
            ("species", given.species),
            ("density", given.density),
            ("microclimate", given.microclimate),
        ];
        if let Some(turf) = given.turf {
            if let Some((name, _)) = factors.iter().find(|(_, value)| value.is_some()) {
                return Err(Wrong::beside(name, "turf"));
            }
            return of_turf(turf, given.month);
        }
        if given.month.is_some() {
            return Err(Wrong::missing("turf", "month goes with it"));
        }
        let factor = |(name, value): (&'static str, Option<f64>)| {
            let why = "it takes species, density and microclimate, or turf";
            value
                .map(Fraction::new)
                .ok_or_else(|| Wrong::missing(name, why))
        };
        let [species, density, microclimate] = factors;
        let landscape = plant::landscape(Factors {
            species: factor(species)?,
            density: factor(density)?,
            microclimate: factor(microclimate)?,
        })?;
        Ok(shown(landscape.coefficient).warnings(landscape.warnings))
    }
}

fn of_turf(turf: TurfWord, month: Option<u32>) -> Result<Answer, Wrong> {
    let turf = match turf {
        TurfWord::CoolSeason => Turf::CoolSeason,
        TurfWord::WarmSeason => Turf::WarmSeason,
    };
    let Some(number) = month else {
        return Ok(shown(plant::turf_year(turf)));
    };
    let month = u8::try_from(number)
        .ok()
        .and_then(|number| Month::try_from(number).ok());
    let month =
        month.ok_or_else(|| Allowed::Between(1.0, 12.0).broken("month", f64::from(number)))?;
    Ok(shown(plant::turf_month(turf, month)))
}

fn shown(coefficient: plant::Coefficient) -> Answer {
    Answer::default()
        .number(
            "coefficient",
            "coefficient",
            coefficient.value.get(),
            "of reference ET",
        )
        .word("basis", "from", coefficient.basis)
}

/// A landscape's yearly water allowance, and what its zones are estimated to use.
///
/// In:  eto_in, of a year; landscape_sqft; special_sqft of it, sports fields and the like (left
///      out: none); adjustment, the ordinance's factor, above 0 to 1;
///      zones, a list of {area_sqft, plant_factor, efficiency}, for the estimate.
/// Out: allowance_gal; with zones also estimate_gal, mean_adjustment, and within, yes or no.
///
/// Source: California Model Water Efficient Landscape Ordinance, 23 CCR 490 ff.: allowance = ETo x
/// 0.62 x (ETAF x LA + (1 - ETAF) x SLA). Cities set factors of their own.
///
/// Example: headwalk reckon budget --set eto_in=50 --set landscape_sqft=10000 --set adjustment=0.55
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Budget {}

/// Inputs of [`Budget`].
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BudgetIn {
    eto_in: f64,
    landscape_sqft: f64,
    #[serde(default)]
    special_sqft: f64,
    adjustment: f64,
    zones: Option<Vec<HydrozoneIn>>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct HydrozoneIn {
    area_sqft: f64,
    plant_factor: f64,
    efficiency: f64,
}

impl Formula for Budget {
    type In = BudgetIn;

    fn reckon(given: BudgetIn) -> Result<Answer, Wrong> {
        let eto = Inches::new(given.eto_in);
        let special = SquareFeet::new(given.special_sqft);
        let allowance = budget::ordinance_allowance(
            eto,
            SquareFeet::new(given.landscape_sqft),
            special,
            Fraction::new(given.adjustment),
        )?;
        let gallons = Gallons::UNIT;
        let answer = Answer::default()
            .number("allowance_gal", "allowance", allowance.get(), gallons)
            .caution("The local ordinance and its own factors win over these figures.");
        let Some(zones) = given.zones else {
            return Ok(answer);
        };
        let zones: Vec<Hydrozone> = zones
            .iter()
            .map(|zone| Hydrozone {
                area: SquareFeet::new(zone.area_sqft),
                plant_factor: Fraction::new(zone.plant_factor),
                efficiency: Fraction::new(zone.efficiency),
            })
            .collect();
        let estimate = budget::ordinance_estimate(eto, &zones, special)?;
        let within = if estimate.use_per_year <= allowance {
            "yes"
        } else {
            "no"
        };
        Ok(answer
            .number(
                "estimate_gal",
                "estimated use",
                estimate.use_per_year.get(),
                gallons,
            )
            .number(
                "mean_adjustment",
                "mean adjustment factor",
                estimate.adjustment.get(),
                "of 1",
            )
            .word("within", "within the allowance", within))
    }
}
