//! A figure of the plan as it is printed: a value in its unit with its reasons, or why there is
//! none and what would make it known.

use std::collections::BTreeMap;

use chrono::WeekdaySet;
use serde::Serialize;
use serde_json::{Value as Json, json};

use headwalk_core::site::measure::Measure;
use headwalk_core::site::plan::{Allowed, AsSet, Figure, Why, ZoneStart, say};
use headwalk_core::site::programs::DayRule;
use headwalk_core::site::unit::UnitSystem;
use headwalk_core::water::units::Fraction;

/// A figure as it is printed.
#[derive(Debug, Clone, Serialize)]
pub struct Shown {
    /// The number in `unit`, whatever the reader's units are; null where it is not known.
    pub value: Json,
    /// The unit of `value`.
    #[serde(skip_serializing_if = "str::is_empty")]
    pub unit: &'static str,
    /// For people, in the reader's units.
    pub shown: String,
    /// The reasons, the main one first, in the reader's units.
    pub why: Vec<String>,
    /// Why it is not known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub unknown: Option<String>,
    /// What would make it known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub next: Option<&'static str>,
    /// The number in the reader's unit, for tables.
    #[serde(skip)]
    pub amount: Option<f64>,
}

/// What stands where a figure is not known.
pub const UNKNOWN: &str = "?";

impl Shown {
    /// Shows a measured quantity.
    pub fn measure<T: Measure + Copy>(figure: &Figure<T>, system: UnitSystem) -> Self {
        let amount = |value: T| {
            let unit = T::UNIT.in_system(system);
            T::UNIT
                .amount_in(value.amount(), unit)
                .unwrap_or(value.amount())
        };
        let mut shown = Self::of(figure, system, |value| say(*value, system));
        shown.value = figure
            .value()
            .map_or(Json::Null, |value| value.amount().into());
        shown.amount = figure.value().map(amount);
        shown.unit = T::UNIT.symbol();
        shown
    }

    /// Shows a share of one.
    pub fn share(figure: &Figure<Fraction>, system: UnitSystem) -> Self {
        let mut shown = Self::of(figure, system, |share| format!("{:.2}", share.get()));
        shown.value = figure
            .value()
            .map_or(Json::Null, |share| share.get().into());
        shown
    }

    /// Shows anything else, in words of its own.
    pub fn of<T>(figure: &Figure<T>, system: UnitSystem, words: impl Fn(&T) -> String) -> Self {
        let sentences = |why: &[Why]| why.iter().map(|why| why.sentence(system)).collect();
        let why = sentences(figure.why());
        match figure.get() {
            Ok(value) => {
                let shown = words(value);
                Self {
                    value: shown.clone().into(),
                    unit: "",
                    shown,
                    why,
                    unknown: None,
                    next: None,
                    amount: None,
                }
            }
            Err(reason) => Self {
                value: Json::Null,
                unit: "",
                shown: UNKNOWN.to_owned(),
                why,
                unknown: Some(reason.to_string()),
                next: Some(reason.next_step()),
                amount: None,
            },
        }
    }

    /// Returns the number for a table, to so many decimals.
    pub fn cell(&self, decimals: usize) -> String {
        self.amount.map_or_else(
            || UNKNOWN.to_owned(),
            |amount| format!("{amount:.decimals$}"),
        )
    }

    /// Returns the number as a difference for a table, with its sign.
    pub fn signed(&self) -> String {
        self.amount
            .map_or_else(|| UNKNOWN.to_owned(), |amount| format!("{amount:+.0}%"))
    }
}

/// Returns which days water is allowed on, in words.
pub fn days(allowed: Allowed) -> String {
    let chosen = |days: WeekdaySet| DayRule::Weekdays(days).to_string();
    match allowed {
        Allowed::Weekdays(WeekdaySet::ALL) => "every day".to_owned(),
        Allowed::Weekdays(days) => chosen(days),
        Allowed::Odd(WeekdaySet::ALL) => "odd dates".to_owned(),
        Allowed::Even(WeekdaySet::ALL) => "even dates".to_owned(),
        Allowed::Odd(days) => format!("odd dates that are {}", chosen(days)),
        Allowed::Even(days) => format!("even dates that are {}", chosen(days)),
    }
}

/// Returns what is to be set for one day, in words.
pub fn cycles(set: &AsSet) -> String {
    match (set.cycles, set.minutes) {
        (0, _) => "no water".to_owned(),
        (1, minutes) => format!("{minutes} min"),
        (cycles, minutes) => format!("{cycles} x {minutes} min, soak {}", set.soak),
    }
}

/// Returns when a zone's cycles start, in words: the same for all its days, or day by day.
pub fn starts(starts: &[ZoneStart]) -> String {
    let mut times_of: BTreeMap<Option<u32>, Vec<String>> = BTreeMap::new();
    let mut days_at: BTreeMap<Vec<String>, WeekdaySet> = BTreeMap::new();
    for start in starts {
        let day = start.day.map(|day| day.num_days_from_monday());
        times_of.entry(day).or_default().push(start.at.to_string());
    }
    for (day, times) in times_of {
        let days = days_at.entry(times).or_insert(WeekdaySet::EMPTY);
        let here = starts.iter().filter_map(|start| start.day);
        for day in here.filter(|here| Some(here.num_days_from_monday()) == day) {
            days.insert(day);
        }
    }
    let said = days_at.into_iter().map(|(times, days)| match days {
        WeekdaySet::EMPTY => times.join(" "),
        days => format!("{} on {}", times.join(" "), DayRule::Weekdays(days)),
    });
    said.collect::<Vec<_>>().join("; ")
}

/// Returns when a zone's cycles start, for programs.
pub fn starts_json(starts: &[ZoneStart]) -> Json {
    let starts = starts.iter().map(|start| {
        json!({
            "day": start.day.map(|day| DayRule::Weekdays(WeekdaySet::single(day)).to_string()),
            "cycle": start.cycle,
            "at": start.at.to_string(),
            "minutes": start.minutes,
        })
    });
    starts.collect()
}
