//! What a zone's soil holds, and how long it takes water before it runs off.

use super::rules::usual_root_depth;
use super::{AsSet, Figure, From, HouseRules, Rule, Unknown, Why};
use crate::site::fields;
use crate::site::things::Zone;
use crate::site::words::{SoilKind, Vocabulary};
use crate::water::soak::{self, RunOffLimit, WholeMinutes};
use crate::water::soil::{self, Slope, Texture};
use crate::water::units::{Inches, InchesPerHour, InchesPerInch, Minutes, Percent};

/// What the root zone holds.
pub(super) struct Held {
    pub(super) capacity: InchesPerInch,
    pub(super) roots: Inches,
    pub(super) total: Inches,
    pub(super) share: Percent,
    pub(super) why: Vec<Why>,
}

pub(super) fn capacity(zone: Zone<'_>, rules: &HouseRules) -> Result<Held, Unknown> {
    let mut why = Vec::new();
    let capacity = match zone.capacity() {
        Ok(given) => {
            why.push(Why::CapacityRecorded);
            given.value
        }
        Err(_) => {
            let (soil, texture) = texture(zone)?;
            why.push(Why::CapacityOfSoil(soil));
            // What a soil holds does not depend on its slope.
            soil::facts(texture, Slope::Flat).available_water
        }
    };
    let probed = zone.probes().into_iter().rev().find_map(|probe| {
        Some((
            probe
                .value
                .root_depth
                .filter(|depth| *depth > Inches::ZERO)?,
            probe.by.stamp,
        ))
    });
    let roots = match (probed, zone.root_depth()) {
        (Some((depth, at)), recorded)
            if recorded.as_ref().map_or(true, |fact| fact.stamp <= at) =>
        {
            why.push(Why::RootsProbed);
            depth
        }
        (_, Ok(recorded)) => {
            why.push(Why::RootsRecorded);
            recorded.value
        }
        _ => {
            let plants = zone.plants().map_err(Unknown::NoPlants)?;
            why.push(Why::RootsAssumed);
            usual_root_depth(plants.value).ok_or(Unknown::NoRootDepth)?
        }
    };
    let share = match zone.depletion() {
        Ok(given) => Rule {
            value: given.value,
            from: From::Zone,
        },
        Err(_) => rules.depletion,
    };
    why.push(Why::DepletionFrom(share.from));
    let total = soil::total_available(capacity, roots)?;
    let share = share.value;
    Ok(Held {
        capacity,
        roots,
        total,
        share,
        why,
    })
}

/// Whether the soil is compacted: as the last probe found it, else as recorded.
fn is_compacted(zone: Zone<'_>) -> bool {
    let recorded = zone.yes(&fields::zone::COMPACTED).ok();
    let probed = zone.probes().into_iter().rev();
    let mut probed = probed.filter_map(|probe| Some((probe.value.compacted?, probe.by.stamp)));
    match (probed.next(), recorded) {
        (Some((compacted, at)), recorded)
            if recorded.as_ref().is_none_or(|fact| fact.stamp <= at) =>
        {
            compacted
        }
        (_, Some(recorded)) => recorded.value,
        _ => false,
    }
}

fn texture(zone: Zone<'_>) -> Result<(SoilKind, Texture), Unknown> {
    let soil = zone.soil().map_err(Unknown::NoSoil)?.value;
    let texture = Texture::named(soil.word()).ok_or(Unknown::SoilIsFill)?;
    Ok((soil, texture))
}

/// How a zone's ground takes water.
pub(super) struct Takes {
    pub(super) intake: InchesPerHour,
    /// Water that may stand on it.
    storage: Inches,
    /// Where the intake comes from.
    pub(super) why: Vec<Why>,
}

/// How fast the ground takes water, and how much may stand on it.
pub(super) fn takes(zone: Zone<'_>) -> Result<Takes, Unknown> {
    let mut why = Vec::new();
    let (soil, texture) = texture(zone)?;
    let slope = match zone.slope() {
        Ok(slope) => Slope::of(slope.value)?,
        Err(_) => {
            why.push(Why::FlatAssumed);
            Slope::Flat
        }
    };
    let facts = soil::facts(texture, slope);
    let intake = match zone.intake() {
        Ok(given) => {
            why.push(Why::IntakeRecorded);
            given.value
        }
        Err(_) => {
            why.push(Why::IntakeOf(soil));
            if is_compacted(zone) {
                let intake = soil::compacted(texture, facts.intake);
                why.push(Why::Compacted {
                    loose: facts.intake,
                    intake,
                });
                intake
            } else {
                facts.intake
            }
        }
    };
    Ok(Takes {
        intake,
        storage: facts.surface_storage,
        why,
    })
}

/// How long one cycle may be.
pub(super) fn run_off(
    takes: &Result<Takes, Unknown>,
    rate: &Figure<InchesPerHour>,
) -> Figure<RunOffLimit> {
    Figure::reckon(|| {
        let takes = takes.as_ref().map_err(Clone::clone)?;
        let limit = soak::run_off_limit(*rate.get()?, takes.intake, takes.storage)?;
        Ok(Figure::known(limit, limit_said(limit, takes)).and_all(takes.why.iter().cloned()))
    })
}

fn limit_said(limit: RunOffLimit, takes: &Takes) -> Why {
    let intake = takes.intake;
    match limit {
        RunOffLimit::None => Why::NoRunOff { intake },
        RunOffLimit::After(limit) => Why::RunOffAfter {
            limit,
            intake,
            storage: takes.storage,
        },
    }
}

/// Cycles and soaks of one day.
pub(super) fn cycles(
    takes: &Result<Takes, Unknown>,
    minutes: &Figure<Minutes>,
    rate: &Figure<InchesPerHour>,
) -> Figure<AsSet> {
    Figure::reckon(|| {
        let exact = *minutes.get()?;
        if exact <= Minutes::ZERO {
            let none = AsSet {
                cycles: 0,
                minutes: 0,
                soak: 0,
            };
            return Ok(Figure::known(none, Why::NothingToDo));
        }
        let rate = *rate.get()?;
        let takes = takes.as_ref().map_err(Clone::clone)?;
        let split = soak::cycles(exact, rate, takes.intake, takes.storage)?;
        let WholeMinutes::Program {
            cycles,
            minutes,
            soak,
        } = split.whole
        else {
            return Err(Unknown::RunsOffWithinAMinute);
        };
        let set = AsSet {
            cycles,
            minutes,
            soak,
        };
        Ok(Figure::known(set, limit_said(split.limit, takes))
            .and(Why::WholeMinutes { exact })
            .and_all(takes.why.iter().cloned()))
    })
}
