//! What the controller is set to, as found and as left, beside the plan.

use chrono::NaiveDate;

use super::{Figure, Unknown, Why};
use crate::site::programs::{DayRule, ProgramSet};
use crate::site::things::Zone;
use crate::water::units::{Gallons, Gpm, Inches, InchesPerHour, Minutes, Percent};

/// A zone's setting at the controller, and what it comes to.
#[derive(Debug, Clone, PartialEq)]
pub struct Setting {
    /// Run time x percent x starts x days.
    pub minutes_a_week: Figure<Minutes>,
    /// The depth that falls in that time.
    pub depth_a_week: Figure<Inches>,
    /// The water of that time.
    pub gallons: Figure<Gallons>,
    /// How far it is above (or below) the plan's minutes.
    pub against_plan: Figure<Percent>,
}

/// A set of programs, and where it comes from.
pub(super) struct Read {
    set: ProgramSet,
    on: Option<NaiveDate>,
    by: String,
    two_versions: bool,
}

/// The last set of programs that was found.
pub(super) fn as_found(zone: Zone<'_>) -> Result<Read, Unknown> {
    let controller = zone.controller().ok_or(Unknown::NoController)?;
    let found = controller
        .as_found()
        .into_iter()
        .next_back()
        .ok_or(Unknown::NeverFound)?;
    Ok(Read {
        set: found.value,
        on: Some(found.by.stamp.wall().date_at(found.by.utc_offset_min)),
        by: format!("the programs that {} found", found.by.by),
        two_versions: false,
    })
}

/// The set of programs as it was left.
pub(super) fn as_left(zone: Zone<'_>) -> Result<Read, Unknown> {
    let controller = zone.controller().ok_or(Unknown::NoController)?;
    let left = controller.as_left().map_err(Unknown::NotLeft)?;
    Ok(Read {
        set: left.value,
        // A field's write tells its moment, not where on Earth its day begins.
        on: None,
        by: "the programs as left".to_owned(),
        two_versions: left.two_versions,
    })
}

impl Setting {
    pub(super) fn of(
        zone: Zone<'_>,
        read: Result<Read, Unknown>,
        rate: &Figure<InchesPerHour>,
        flow: &Figure<Gpm>,
        planned: &Figure<Minutes>,
    ) -> Self {
        let minutes_a_week = Figure::reckon(|| {
            let read = read?;
            let station = zone.station().ok_or(Unknown::NoStation)?;
            let programs = read.set.programs.values();
            let running = programs.filter(|program| program.minutes_a_run(station) > Minutes::ZERO);
            let rule: Vec<DayRule> = running.map(|program| program.days).collect();
            let why = if rule.is_empty() {
                Why::NotInProgram
            } else {
                Why::Setting {
                    on: read.on,
                    by: read.by,
                    rule,
                }
            };
            let versions = read
                .two_versions
                .then_some(Why::TwoVersions { field: "programs" });
            Ok(Figure::known(read.set.minutes_a_week(station), why).and_all(versions))
        });
        let depth_a_week = Figure::reckon(|| {
            let (minutes, rate) = (*minutes_a_week.get()?, *rate.get()?);
            let depth = Inches::new(rate.get() * minutes.get() / 60.0);
            Ok(Figure::known(depth, Why::DepthOf { minutes, rate }))
        });
        let gallons = water(&minutes_a_week, flow);
        let against_plan = Figure::reckon(|| {
            let (minutes, planned) = (*minutes_a_week.get()?, *planned.get()?);
            if planned <= Minutes::ZERO {
                return Err(Unknown::NothingPlanned);
            }
            let above = Percent::new(100.0 * (minutes / planned - 1.0));
            Ok(Figure::known(above, Why::Against { planned }))
        });
        Self {
            minutes_a_week,
            depth_a_week,
            gallons,
            against_plan,
        }
    }
}

/// The water of so many minutes a week.
pub(super) fn water(minutes: &Figure<Minutes>, flow: &Figure<Gpm>) -> Figure<Gallons> {
    Figure::reckon(|| {
        let minutes = *minutes.get()?;
        if minutes <= Minutes::ZERO {
            return Ok(Figure::known(Gallons::ZERO, Why::NothingToDo));
        }
        let flow_known = *flow.get()?;
        let gallons = Gallons::new(flow_known.get() * minutes.get());
        let why = Why::WaterOfWeek {
            flow: flow_known,
            minutes,
        };
        Ok(Figure::known(gallons, why).and_all(flow.why().iter().cloned()))
    })
}
