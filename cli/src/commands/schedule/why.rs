//! Why a zone's figures are what they are.

use std::collections::BTreeSet;

use serde::Serialize;

use headwalk_core::log::id::ThingId;
use headwalk_core::site::plan::{From, Setting, Why, ZonePlan};
use headwalk_core::water::plant::Basis;

use super::figure::Shown;
use super::sheet::{Row, Sheet};
use crate::output::{Page, Report};

/// Every figure of one zone with its reasons.
#[derive(Serialize)]
#[serde(transparent)]
pub struct Reasons<'s> {
    row: &'s Row,
}

impl<'s> Reasons<'s> {
    /// Finds the zone in the schedule.
    pub fn of(sheet: &'s Sheet, zone: ThingId) -> Option<Self> {
        let row = sheet.zones.iter().find(|row| row.id == zone)?;
        Some(Self { row })
    }
}

impl Row {
    /// Returns every figure with its name for people, in the order of the calculation.
    pub fn figures(&self) -> Vec<(&'static str, &Shown)> {
        vec![
            ("coefficient", &self.coefficient),
            ("rain that counts", &self.effective_rain),
            ("need of the week", &self.need),
            ("precipitation rate", &self.rate),
            ("uniformity", &self.uniformity),
            ("minutes a week", &self.minutes_a_week),
            ("water in the soil", &self.storage),
            ("days", &self.days),
            ("minutes a day", &self.minutes_a_day),
            ("cycles", &self.cycles),
            ("depth set", &self.depth_to_set),
            ("flow", &self.flow),
            ("water of the week", &self.gallons),
            ("minutes to set a week", &self.minutes_set),
            ("starts", &self.starts),
            ("found: minutes a week", &self.as_found.minutes_a_week),
            ("found: depth a week", &self.as_found.depth_a_week),
            ("found: water", &self.as_found.gallons),
            ("found: against the plan", &self.as_found.against_plan),
            ("left: minutes a week", &self.as_left.minutes_a_week),
            ("left: depth a week", &self.as_left.depth_a_week),
            ("left: water", &self.as_left.gallons),
            ("left: against the plan", &self.as_left.against_plan),
        ]
    }
}

impl Report for Reasons<'_> {
    /// Each figure with its reasons. A reason that stands beside an earlier figure already is not
    /// said again, unless it is the main one.
    fn write(&self, page: &mut Page) {
        page.line(self.row.called());
        let mut said = BTreeSet::new();
        for (name, figure) in self.row.figures() {
            page.line("");
            page.line(format!("{name}: {}", figure.shown));
            let mut reasons = Vec::new();
            if let (Some(reason), Some(next)) = (&figure.unknown, figure.next) {
                reasons.push(format!("Not known: {reason}."));
                reasons.push(format!("To know it: {next}."));
            }
            for (at, why) in figure.why.iter().enumerate() {
                if said.insert(why.as_str()) || at == 0 {
                    reasons.push(sentence(why));
                }
            }
            let rows: Vec<_> = reasons.into_iter().map(|reason| [reason]).collect();
            page.rows(2, &rows);
        }
    }
}

/// Begins with a capital and ends with a full stop.
fn sentence(words: &str) -> String {
    let mut letters = words.chars();
    let first = letters.next().map(|first| first.to_uppercase().to_string());
    format!("{}{}.", first.unwrap_or_default(), letters.as_str())
}

/// Returns every reason of a zone's plan.
pub fn all_of(zone: &ZonePlan) -> impl Iterator<Item = &Why> {
    let settings = [&zone.as_found, &zone.as_left]
        .into_iter()
        .flat_map(|set: &Setting| {
            [
                set.minutes_a_week.why(),
                set.depth_a_week.why(),
                set.gallons.why(),
            ]
        });
    let figures = [
        zone.coefficient.why(),
        zone.effective_rain.why(),
        zone.need.why(),
        zone.rate.why(),
        zone.uniformity.why(),
        zone.flow.why(),
        zone.storage.why(),
        zone.days.why(),
        zone.minutes_a_week.why(),
        zone.minutes_a_day.why(),
        zone.cycles.why(),
        zone.minutes_set.why(),
        zone.gallons.why(),
        zone.starts.why(),
    ];
    figures.into_iter().chain(settings).flatten()
}

/// What an auditor asks about first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Class {
    /// Nobody measured or said it.
    Assumed,
    /// Something is odd, or plants or pavement will suffer.
    Warning,
}

impl Class {
    /// Returns the class of a reason; none where it is a plain step of the calculation.
    pub fn of(why: &Why) -> Option<Self> {
        let assumed = match why {
            Why::HeadsChangedSince
            | Why::CansAboveFlow { .. }
            | Why::Warning(_)
            | Why::WaitsTooLong { .. }
            | Why::FlowOffHeads { .. }
            | Why::ClockChanges { .. }
            | Why::Shortened { .. }
            | Why::DialledShort { .. }
            | Why::NoteOfThirst { .. }
            | Why::TwoVersions { .. } => return Some(Self::Warning),
            Why::EtMethod { assumed } => !assumed.is_empty(),
            Why::Coefficient { basis, .. } => {
                matches!(
                    basis,
                    Basis::S623FromMemory | Basis::VegetablesFaoFromMemory | Basis::Establishment
                )
            }
            Why::RainCounted { from, .. } | Why::Window { from, .. } | Why::DepletionFrom(from) => {
                *from == From::Default
            }
            Why::DaysMissing { .. }
            | Why::RainMissing { .. }
            | Why::EtFromNormals { .. }
            | Why::RainFromNormals
            | Why::Exposure { .. }
            | Why::Compacted { .. }
            | Why::FlowFromRate { .. }
            | Why::UniformityAssumed { .. }
            | Why::CapacityOfSoil(_)
            | Why::RootsAssumed
            | Why::IntakeOf(_)
            | Why::FlatAssumed => true,
            _ => false,
        };
        assumed.then_some(Self::Assumed)
    }
}
