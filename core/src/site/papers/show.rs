//! Figures and days as a reader of one language and one system of units reads them.

use chrono::{Datelike, NaiveDate};

use super::Options;
use super::words::{Language, Words};
use crate::site::unit::{Unit, UnitSystem};
use crate::water::units::{Gallons, Inches, Minutes};

/// How figures are shown.
#[derive(Debug, Clone, Copy)]
pub(super) struct Show {
    pub(super) language: Language,
    pub(super) units: UnitSystem,
}

const MONTHS: [[&str; 12]; 2] = [
    [
        "January",
        "February",
        "March",
        "April",
        "May",
        "June",
        "July",
        "August",
        "September",
        "October",
        "November",
        "December",
    ],
    [
        "enero",
        "febrero",
        "marzo",
        "abril",
        "mayo",
        "junio",
        "julio",
        "agosto",
        "septiembre",
        "octubre",
        "noviembre",
        "diciembre",
    ],
];

impl Show {
    pub(super) const fn of(options: &Options) -> Self {
        Self {
            language: options.language,
            units: options.units,
        }
    }

    /// Returns words in the reader's language.
    pub(super) const fn words(self, words: Words) -> &'static str {
        words.of(self.language)
    }

    /// Returns a month's name.
    pub(super) fn month(self, month: u32) -> &'static str {
        let of = usize::from(self.language == Language::Spanish);
        let month = usize::try_from(month).unwrap_or(1).saturating_sub(1);
        MONTHS
            .get(of)
            .and_then(|names| names.get(month))
            .copied()
            .unwrap_or("")
    }

    /// Returns the first three letters of a month's name.
    pub(super) fn short_month(self, month: u32) -> &'static str {
        let name = self.month(month);
        name.get(..3).unwrap_or(name)
    }

    /// Returns a day: `July 14, 2026`, `14 de julio de 2026`.
    pub(super) fn day(self, day: NaiveDate) -> String {
        let month = self.month(day.month());
        match self.language {
            Language::English => format!("{month} {}, {}", day.day(), day.year()),
            Language::Spanish => format!("{} de {month} de {}", day.day(), day.year()),
        }
    }

    /// Returns a depth of water.
    pub(super) fn depth(self, depth: Inches) -> String {
        let amount = Unit::Inch.amount_in(depth.get(), Unit::Inch.in_system(self.units));
        let amount = amount.unwrap_or(depth.get());
        match self.units {
            UnitSystem::Us => format!("{amount:.2} in"),
            UnitSystem::Si => format!("{amount:.0} mm"),
        }
    }

    /// Returns a volume of water, to the nearest ten.
    pub(super) fn water(self, water: Gallons) -> String {
        let unit = Unit::Gallon.in_system(self.units);
        let amount = Unit::Gallon.amount_in(water.get(), unit);
        let tens = (amount.unwrap_or(water.get()) / 10.0).round() * 10.0;
        format!("{} {unit}", grouped(tens))
    }

    /// Returns minutes, whole.
    pub(super) fn minutes(self, minutes: Minutes) -> String {
        format!("{:.0}", minutes.get())
    }

    /// Returns a count with its word.
    pub(super) fn counted(self, count: usize, one: Words, many: Words) -> String {
        let words = if count == 1 { one } else { many };
        format!("{count} {}", words.of(self.language))
    }

    /// Returns `a, b and c`.
    pub(super) fn listed(self, items: &[String]) -> String {
        let and = match self.language {
            Language::English => "and",
            Language::Spanish => "y",
        };
        match items {
            [] => String::new(),
            [only] => only.clone(),
            [first @ .., last] => format!("{} {and} {last}", first.join(", ")),
        }
    }
}

/// Whole digits with a comma between thousands.
fn grouped(number: f64) -> String {
    let digits = format!("{number:.0}");
    let mut grouped = String::new();
    for (at, digit) in digits.chars().enumerate() {
        if at > 0 && (digits.len() - at).is_multiple_of(3) && !grouped.ends_with('-') {
            grouped.push(',');
        }
        grouped.push(digit);
    }
    grouped
}

/// A capital at the beginning.
pub(super) fn capital(words: &str) -> String {
    let mut letters = words.chars();
    let first: String = letters
        .next()
        .map(|letter| letter.to_uppercase().collect())
        .unwrap_or_default();
    first + letters.as_str()
}
