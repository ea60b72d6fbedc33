//! The house's rules, for what a site does not say itself.

use crate::log::value::Value;
use crate::site::fields;
use crate::site::things::{Parts, Thing};
use crate::site::time_of_day;
use crate::site::words::{Emission, Planting};
use crate::water::units::{Fraction, Inches, Percent};
use crate::water::window::{TimeOfDay, Window};

/// A rule and who made it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rule<T> {
    /// What it says.
    pub value: T,
    /// Who says so.
    pub from: From,
}

/// Where a rule or an assumption comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum From {
    /// Nobody said; the tool's own default, which is common practice and has no source.
    Default,
    /// The firm.
    Company,
    /// The site.
    Site,
    /// The controller.
    Controller,
    /// The zone.
    Zone,
}

/// Whether zones may run together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Valves {
    /// One at a time.
    OneAtATime,
    /// As many as the supply's flow limit carries, where one is recorded.
    AsTheSupplyCarries,
}

/// What holds for every site that says nothing else.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HouseRules {
    /// How much of the rain counts.
    pub effective_rain: Rule<Percent>,
    /// When water may run.
    pub window: Rule<Window>,
    /// The share of the soil's water that may be used between waterings.
    pub depletion: Rule<Percent>,
    /// Whether zones may run together.
    pub valves: Valves,
    /// The least coefficient of seed and sod that is taking root.
    pub establishing: Fraction,
}

impl Default for HouseRules {
    /// All common practice, no source: half of the rain, midnight to seven, half of the storage,
    /// one valve at a time, and full reference need while taking root.
    fn default() -> Self {
        let window = Window {
            opens: hour(0),
            closes: hour(7),
        };
        Self {
            effective_rain: by_default(Percent::new(50.0)),
            window: by_default(window),
            depletion: by_default(Percent::new(50.0)),
            valves: Valves::OneAtATime,
            establishing: Fraction::new(1.0),
        }
    }
}

fn hour(hour: u16) -> TimeOfDay {
    TimeOfDay::new(hour * 60).expect("a day has that hour")
}

const fn by_default<T: Copy>(value: T) -> Rule<T> {
    let from = From::Default;
    Rule { value, from }
}

impl HouseRules {
    /// Reads the rules that the firm wrote down, over the defaults.
    #[must_use]
    pub fn of(company: Thing<'_>) -> Self {
        let mut rules = Self::default();
        let from = From::Company;
        if let Ok(share) = company.measure(&fields::company::EFFECTIVE_RAIN) {
            rules.effective_rain = Rule {
                value: share.value,
                from,
            };
        }
        if let Ok(window) = company.read(&fields::company::WATER_WINDOW, read_window) {
            rules.window = Rule {
                value: window.value,
                from,
            };
        }
        rules
    }
}

/// Reads a stored water window.
pub(super) fn read_window(value: &Value) -> Option<Window> {
    // The site's, the controller's and the company's have one shape.
    let parts = Parts::of(&fields::site::WATER_WINDOW, value);
    Some(Window {
        opens: time_of_day::read(parts.get("from")?)?,
        closes: time_of_day::read(parts.get("to")?)?,
    })
}

/// Returns how deep the roots of a planting work where nobody measured; common practice, no
/// source: a soil probe beats any table.
pub(super) const fn usual_root_depth(planting: Planting) -> Option<Inches> {
    Some(Inches::new(match planting {
        Planting::CoolSeasonTurf | Planting::Annuals | Planting::Vegetables => 6.0,
        Planting::WarmSeasonTurf => 8.0,
        Planting::NewTurf => 2.0,
        Planting::Perennials => 10.0,
        Planting::Shrubs => 18.0,
        Planting::Trees => 24.0,
        Planting::Mixed => return None,
    }))
}

/// Returns the lowest-quarter uniformity to assume where nobody set out cans. From memory of
/// published field audits: sprays 0.50 to 0.55, rotors 0.55 to 0.60; the others are common
/// practice, no source.
pub(super) const fn usual_uniformity(emission: Option<Emission>) -> Fraction {
    Fraction::new(match emission {
        Some(Emission::FixedSpray) | None => 0.55,
        Some(Emission::GearRotor | Emission::Impact) => 0.60,
        Some(Emission::RotaryStream) => 0.65,
        Some(Emission::Bubbler) => 0.75,
        Some(Emission::Drip) => 0.80,
        Some(Emission::Mixed) => 0.45,
    })
}
