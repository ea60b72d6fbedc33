//! Value to text: what a person reads, in the units they want.

use chrono::NaiveDate;

use super::Def;
use super::shape::Shape;
use crate::log::value::{Absence, Value};
use crate::site::programs::ProgramSet;
use crate::site::time_of_day;
use crate::site::unit::{Unit, UnitSystem};
use crate::site::words::plain;

/// What stands for a field, a unit or a value that a later version wrote.
pub const UNKNOWN: &str = "unknown to this version";

impl<N> Def<N> {
    /// Returns a stored value as a person reads it, in the units of that system; converted
    /// amounts are rounded to four digits, others stand as they were entered.
    ///
    /// What it returns for a value of the field's shape, [`Def::parse`] takes in.
    #[must_use]
    pub fn show(&self, value: &Value, system: UnitSystem) -> String {
        show(self.shape, value, system)
    }
}

/// Returns any value as a person reads it, without knowing its field.
#[must_use]
pub fn show_any(value: &Value, system: UnitSystem) -> String {
    match value {
        Value::Absent(Absence::Cleared) => "blank".to_owned(),
        Value::Absent(Absence::NotChecked) => "not checked".to_owned(),
        Value::Absent(Absence::CouldNotCheck(why)) if why.is_empty() => {
            "could not check".to_owned()
        }
        Value::Absent(Absence::CouldNotCheck(why)) => format!("could not check: {why}"),
        Value::Bool(true) => "yes".to_owned(),
        Value::Bool(false) => "no".to_owned(),
        Value::Int(count) => count.to_string(),
        // Adding zero turns a negative zero into a plain one.
        Value::Number(number) => (number + 0.0).to_string(),
        Value::Quantity { amount, unit } => match Unit::of_number(*unit) {
            Some(unit) => quantity(*amount, unit, system),
            None => format!("{amount} (unit {UNKNOWN})"),
        },
        Value::Text(words) => words.clone(),
        Value::Thing(thing) => thing.to_string(),
        Value::Date(days) => NaiveDate::from_epoch_days(*days)
            .map_or_else(|| format!("day {days}"), |day| day.to_string()),
        Value::List(items) => {
            let items: Vec<_> = items.iter().map(|item| show_any(item, system)).collect();
            items.join(", ")
        }
        Value::Record(parts) => {
            let parts = parts.iter();
            let parts: Vec<_> = parts
                .map(|(part, value)| format!("part {part}: {}", show_any(value, system)))
                .collect();
            parts.join("; ")
        }
        Value::Unknown { .. } => UNKNOWN.to_owned(),
    }
}

fn show(shape: Shape, value: &Value, system: UnitSystem) -> String {
    match (shape, value) {
        (Shape::Choice(_), Value::Text(word)) => plain(word),
        (Shape::Time, value) => time_of_day::read(value)
            .map_or_else(|| show_any(value, system), |time| time.to_string()),
        (Shape::Programs, Value::Record(_)) => {
            ProgramSet::read(value).map_or_else(|| UNKNOWN.to_owned(), |set| set.to_string())
        }
        (Shape::List(item), Value::List(items)) => {
            let items: Vec<_> = items
                .iter()
                .map(|value| show(*item, value, system))
                .collect();
            items.join(", ")
        }
        (Shape::Record(parts), Value::Record(values)) => {
            let mut shown = Vec::new();
            for (number, value) in values {
                let known = parts.iter().position(|part| part.number == *number);
                shown.push(match known.and_then(|at| Some((at, parts.get(at)?))) {
                    Some((0, part)) => show(part.shape, value, system),
                    Some((_, part)) => {
                        format!("{}: {}", part.name, show(part.shape, value, system))
                    }
                    None => format!("part {number}: {UNKNOWN}"),
                });
            }
            shown.join("; ")
        }
        (_, value) => show_any(value, system),
    }
}

fn quantity(amount: f64, unit: Unit, system: UnitSystem) -> String {
    let wanted = unit.in_system(system);
    match unit.amount_in(amount, wanted) {
        Some(converted) if wanted != unit => wanted.write(rounded(converted)),
        _ => unit.write(amount),
    }
}

/// Rounds to four digits, as many as any reading in this trade is good for.
pub(super) fn rounded(number: f64) -> f64 {
    if number == 0.0 || !number.is_finite() {
        return number;
    }
    let digits = 3 - number.abs().log10().floor() as i32;
    let scale = 10_f64.powi(digits.abs());
    let rounded = if digits >= 0 {
        (number * scale).round() / scale
    } else {
        (number / scale).round() * scale
    };
    // Near the ends of what a number can hold, the scale itself does not fit.
    if rounded.is_finite() { rounded } else { number }
}
