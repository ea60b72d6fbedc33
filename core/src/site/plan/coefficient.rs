//! The share of reference evapotranspiration that a zone's plants need.

use chrono::{Month, NaiveDate};

use super::teach::Lessons;
use super::{Figure, HouseRules, Unknown, Why};
use crate::site::fields;
use crate::site::things::Zone;
use crate::site::words::{Planting, Sun};
use crate::water::learn::Published;
use crate::water::plant::{self, Basis, Coefficient, Exposure, Factors, Turf};
use crate::water::units::Fraction;

/// A zone's coefficient in a month: as a person entered it; else by the factors of the landscape
/// coefficient method; else the published one of its plants, with what sun and walls make of it.
///
/// Notes move the published one within its range; what a person entered they do not.
pub(super) fn coefficient(
    zone: Zone<'_>,
    month: Month,
    rules: &HouseRules,
    lessons: &Lessons<'_>,
) -> Figure<Fraction> {
    let figure = untaught(zone, month, rules);
    let Some((low, high)) = range(zone) else {
        return figure;
    };
    let Some(now) = figure.value() else {
        return figure;
    };
    // A month's figure may lie outside the range of the growing season; the range holds it then.
    let published = Published {
        low: Fraction::new(low.get().min(now.get())),
        figure: now,
        high: Fraction::new(high.get().max(now.get())),
    };
    let of_day = |date: NaiveDate| untaught(zone, super::demand::month(date), rules).value();
    let (ratio, said) = lessons.taught(zone, published, of_day);
    figure.map(|value| value * ratio.get()).and_all(said)
}

/// The published range of a zone's coefficient, with what sun and walls make of it; `None` where
/// notes must not move it: it was entered, or the planting takes root.
fn range(zone: Zone<'_>) -> Option<(Fraction, Fraction)> {
    if zone.coefficient().is_ok() {
        return None;
    }
    let (microclimate, _) = exposure(zone);
    let (low, high) = match zone.number(&fields::zone::SPECIES) {
        Ok(species) => plant::species_range(Fraction::new(species.value)),
        Err(_) => match zone.plants().ok()?.value {
            Planting::CoolSeasonTurf => plant::turf_range(Turf::CoolSeason),
            Planting::WarmSeasonTurf => plant::turf_range(Turf::WarmSeason),
            // S623 in a dry climate to the highest species factor; both from memory.
            Planting::Shrubs | Planting::Perennials | Planting::Trees => {
                (Fraction::new(0.5), Fraction::new(0.9))
            }
            // The highest class of species factors; from memory.
            Planting::Annuals => (Fraction::new(0.7), Fraction::new(0.9)),
            // FAO-56 table 12, small vegetables, first weeks to full growth; from memory.
            Planting::Vegetables => (Fraction::new(0.7), Fraction::new(1.05)),
            Planting::NewTurf | Planting::Mixed => return None,
        },
    };
    let density = zone
        .number(&fields::zone::SPECIES)
        .ok()
        .and_then(|_| zone.number(&fields::zone::DENSITY).ok())
        .map_or(1.0, |density| density.value);
    let factor = microclimate.get() * density;
    Some((low * factor, high * factor))
}

fn untaught(zone: Zone<'_>, month: Month, rules: &HouseRules) -> Figure<Fraction> {
    Figure::reckon(|| {
        if let Ok(given) = zone.coefficient() {
            let why = Why::Coefficient {
                basis: Basis::Given,
                month,
            };
            return Ok(Figure::known(Fraction::new(given.value), why)
                .and_all(versions(given.two_versions, "coefficient")));
        }
        if let Ok(species) = zone.number(&fields::zone::SPECIES) {
            return by_factors(zone, Fraction::new(species.value), month);
        }
        let plants = zone.plants().map_err(Unknown::NoPlants)?;
        let known = published(plants.value, month, rules);
        let Coefficient { value, basis } = known.ok_or(Unknown::NoCoefficient(plants.value))?;
        let (factor, exposed) = exposure(zone);
        Ok(
            Figure::known(value * factor.get(), Why::Coefficient { basis, month })
                .and_all(exposed)
                .and_all(versions(plants.two_versions, "plants")),
        )
    })
}

fn versions(two: bool, field: &'static str) -> Option<Why> {
    two.then_some(Why::TwoVersions { field })
}

fn by_factors(
    zone: Zone<'_>,
    species: Fraction,
    month: Month,
) -> Result<Figure<Fraction>, Unknown> {
    let density = zone.number(&fields::zone::DENSITY).ok();
    let density = Fraction::new(density.map_or(1.0, |density| density.value));
    let (microclimate, exposed) = exposure(zone);
    let landscape = plant::landscape(Factors {
        species,
        density,
        microclimate,
    })?;
    let Coefficient { value, basis } = landscape.coefficient;
    let warnings = landscape.warnings.iter();
    let warnings = warnings.map(|warning| Why::Warning(warning.to_string()));
    Ok(Figure::known(value, Why::Coefficient { basis, month })
        .and(Why::Factors {
            species,
            density,
            microclimate,
        })
        .and_all(exposed)
        .and_all(warnings))
}

/// The microclimate factor, and why it is not 1.
fn exposure(zone: Zone<'_>) -> (Fraction, Option<Why>) {
    if let Ok(given) = zone.number(&fields::zone::MICROCLIMATE) {
        let factor = Fraction::new(given.value);
        return (factor, Some(Why::MicroclimateRecorded { factor }));
    }
    let sun = zone.sun().ok().map(|sun| sun.value);
    let exposure = match sun {
        None | Some(Sun::Full) => Exposure::Open,
        Some(Sun::Part) => Exposure::PartShade,
        Some(Sun::Shade) => Exposure::Shade,
        Some(Sun::ReflectedHeat) => Exposure::ReflectedHeat,
    };
    let factor = plant::microclimate(exposure);
    let why = sun.filter(|_| exposure != Exposure::Open);
    (factor, why.map(|sun| Why::Exposure { sun, factor }))
}

fn published(planting: Planting, month: Month, rules: &HouseRules) -> Option<Coefficient> {
    Some(match planting {
        Planting::CoolSeasonTurf => plant::turf_month(Turf::CoolSeason, month),
        Planting::WarmSeasonTurf => plant::turf_month(Turf::WarmSeason, month),
        Planting::NewTurf => plant::establishing(
            plant::turf_month(Turf::CoolSeason, month),
            rules.establishing,
        ),
        Planting::Shrubs | Planting::Perennials | Planting::Trees => {
            plant::s623(plant::Planting::WoodyOrPerennialWet)
        }
        Planting::Annuals => plant::s623(plant::Planting::AnnualFlowers),
        Planting::Vegetables => plant::vegetables(),
        // Nobody says which plants: the one with the highest need decides, and that is not known.
        Planting::Mixed => return None,
    })
}
