//! What a zone's soil holds, and how long it takes water before it runs off.

use super::rules::usual_root_depth;
use super::{AsSet, Figure, From, HouseRules, Rule, Unknown, Why};
use crate::log::value::Value;
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

fn texture(zone: Zone<'_>) -> Result<(SoilKind, Texture), Unknown> {
    let soil = zone.soil().map_err(Unknown::NoSoil)?.value;
    let texture = Texture::named(soil.word()).ok_or(Unknown::SoilIsFill)?;
    Ok((soil, texture))
}

/// Cycles and soaks of one day.
pub(super) fn cycles(
    zone: Zone<'_>,
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
        let mut why = Vec::new();
        let slope = match zone.slope() {
            Ok(slope) => Slope::of(slope.value)?,
            Err(_) => {
                why.push(Why::FlatAssumed);
                Slope::Flat
            }
        };
        let (soil, texture) = texture(zone)?;
        let facts = soil::facts(texture, slope);
        let intake = match zone.intake() {
            Ok(given) => {
                why.push(Why::IntakeRecorded);
                given.value
            }
            Err(_) => {
                why.push(Why::IntakeOf(soil));
                facts.intake
            }
        };
        if zone.raw(&fields::zone::COMPACTED).and_then(Value::as_bool) == Some(true)
            && zone.intake().is_err()
        {
            why.push(Why::CompactionNotCounted);
        }
        let split = soak::cycles(exact, rate, intake, facts.surface_storage)?;
        let WholeMinutes::Program {
            cycles,
            minutes,
            soak,
        } = split.whole
        else {
            return Err(Unknown::RunsOffWithinAMinute);
        };
        let limit = match split.limit {
            RunOffLimit::None => Why::NoRunOff { intake },
            RunOffLimit::After(limit) => Why::RunOffAfter {
                limit,
                intake,
                storage: facts.surface_storage,
            },
        };
        Ok(Figure::known(
            AsSet {
                cycles,
                minutes,
                soak,
            },
            limit,
        )
        .and(Why::WholeMinutes { exact })
        .and_all(why))
    })
}
