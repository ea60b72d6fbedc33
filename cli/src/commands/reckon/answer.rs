//! What a formula gives: figures with their JSON names, warnings, and cautions.
//!
//! The same list is the lines that people read and the object that programs read.

use serde::ser::{Serialize, SerializeMap, Serializer};

use super::value::Wrong;
use crate::output::{Page, Report};

/// One result.
#[derive(Debug, Clone, Default)]
pub struct Answer {
    figures: Vec<Figure>,
    assumed: Option<Vec<&'static str>>,
    notes: Vec<String>,
    warnings: Vec<String>,
    cautions: Vec<&'static str>,
}

#[derive(Debug, Clone)]
struct Figure {
    name: &'static str,
    words: &'static str,
    value: Shown,
    unit: &'static str,
}

/// The value of a figure.
#[derive(Debug, Clone, PartialEq)]
enum Shown {
    Number(f64),
    Count(u64),
    Word(String),
    Numbers(Vec<f64>),
    /// For programs as it is, for people line by line.
    Lines(serde_json::Value, Vec<String>),
    /// Nothing, and the words for it.
    Nothing(&'static str),
}

impl Answer {
    fn figure(
        mut self,
        name: &'static str,
        words: &'static str,
        value: Shown,
        unit: &'static str,
    ) -> Self {
        self.figures.push(Figure {
            name,
            words,
            value,
            unit,
        });
        self
    }

    /// Adds a number in a unit.
    #[must_use]
    pub fn number(
        self,
        name: &'static str,
        words: &'static str,
        value: f64,
        unit: &'static str,
    ) -> Self {
        self.figure(name, words, Shown::Number(value), unit)
    }

    /// Adds a number in a unit, or says why there is none.
    #[must_use]
    pub fn maybe(
        self,
        name: &'static str,
        words: &'static str,
        value: Option<f64>,
        unit: &'static str,
        none: &'static str,
    ) -> Self {
        let value = value.map_or(Shown::Nothing(none), Shown::Number);
        self.figure(name, words, value, unit)
    }

    /// Adds a count.
    #[must_use]
    pub fn count(self, name: &'static str, words: &'static str, count: impl Into<u64>) -> Self {
        self.figure(name, words, Shown::Count(count.into()), "")
    }

    /// Adds a count with its unit, or says why there is none.
    #[must_use]
    pub fn maybe_count(
        self,
        name: &'static str,
        words: &'static str,
        count: Option<u32>,
        unit: &'static str,
        none: &'static str,
    ) -> Self {
        let value = count.map_or(Shown::Nothing(none), |count| Shown::Count(count.into()));
        self.figure(name, words, value, unit)
    }

    /// Adds a word.
    #[must_use]
    pub fn word(self, name: &'static str, words: &'static str, word: impl ToString) -> Self {
        self.figure(name, words, Shown::Word(word.to_string()), "")
    }

    /// Adds numbers, all in one unit.
    #[must_use]
    pub fn numbers(
        self,
        name: &'static str,
        words: &'static str,
        values: Vec<f64>,
        unit: &'static str,
    ) -> Self {
        self.figure(name, words, Shown::Numbers(values), unit)
    }

    /// Adds what is a list of objects for programs, and so many lines for people.
    #[must_use]
    pub fn lines(
        self,
        name: &'static str,
        words: &'static str,
        value: serde_json::Value,
        lines: Vec<String>,
    ) -> Self {
        self.figure(name, words, Shown::Lines(value, lines), "")
    }

    /// Lists the inputs that were filled in, each with a sentence of its own.
    #[must_use]
    pub fn assumed(mut self, names: Vec<&'static str>, sentences: Vec<String>) -> Self {
        self.assumed = Some(names);
        self.notes = sentences;
        self
    }

    /// Adds what a person should look at.
    #[must_use]
    pub fn warnings(mut self, warnings: impl IntoIterator<Item = impl ToString>) -> Self {
        let warnings = warnings.into_iter().map(|warning| warning.to_string());
        self.warnings.extend(warnings);
        self
    }

    /// Adds what can hurt whoever acts on the figures.
    #[must_use]
    pub fn caution(mut self, sentence: &'static str) -> Self {
        self.cautions.push(sentence);
        self
    }

    /// Returns it where every number is one; no result is ever NaN or infinite.
    pub fn checked(self) -> Result<Self, Wrong> {
        let broken = self.figures.iter().find(|figure| !figure.value.is_finite());
        match broken {
            None => Ok(self),
            Some(figure) => Err(Wrong::new("an input is of no possible size for this")
                .at(figure.name)
                .hint("check the inputs for a wrong unit or a slipped digit.")),
        }
    }
}

impl Shown {
    fn is_finite(&self) -> bool {
        match self {
            Self::Number(value) => value.is_finite(),
            Self::Numbers(values) => values.iter().all(|value| value.is_finite()),
            Self::Count(_) | Self::Word(_) | Self::Lines(..) | Self::Nothing(_) => true,
        }
    }

    fn text(&self) -> String {
        match self {
            Self::Number(value) => digits(*value),
            Self::Count(count) => count.to_string(),
            Self::Word(word) => word.clone(),
            Self::Numbers(values) => {
                let values: Vec<_> = values.iter().map(|value| digits(*value)).collect();
                values.join(" ")
            }
            Self::Lines(_, lines) => lines.join("; "),
            Self::Nothing(why) => (*why).to_owned(),
        }
    }
}

/// Writes a number to four significant digits, and never fewer than its whole part has.
fn digits(value: f64) -> String {
    let magnitude = if value == 0.0 {
        0
    } else {
        value.abs().log10().floor() as i32
    };
    let decimals = usize::try_from(3 - magnitude).unwrap_or(0).min(9);
    format!("{value:.decimals$}")
}

impl Serialize for Answer {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        for figure in &self.figures {
            map.serialize_entry(figure.name, &figure.value)?;
        }
        if let Some(assumed) = &self.assumed {
            map.serialize_entry("assumed", assumed)?;
            map.serialize_entry("notes", &self.notes)?;
        }
        map.serialize_entry("warnings", &self.warnings)?;
        map.serialize_entry("cautions", &self.cautions)?;
        map.end()
    }
}

impl Serialize for Shown {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self {
            Self::Number(value) => serializer.serialize_f64(*value),
            Self::Count(count) => serializer.serialize_u64(*count),
            Self::Word(word) => serializer.serialize_str(word),
            Self::Numbers(values) => values.serialize(serializer),
            Self::Lines(value, _) => value.serialize(serializer),
            Self::Nothing(_) => serializer.serialize_none(),
        }
    }
}

impl Report for Answer {
    fn write(&self, page: &mut Page) {
        let figures: Vec<_> = self.figures.iter().flat_map(Figure::rows).collect();
        page.rows(0, &figures);
        let cautions = self.cautions.iter().copied();
        for (heading, sentences) in [
            ("Assumed:", self.notes.iter().map(sentence).collect()),
            ("Warning:", self.warnings.iter().map(sentence).collect()),
            ("Caution:", cautions.map(str::to_owned).collect::<Vec<_>>()),
        ] {
            let rows: Vec<_> = sentences
                .into_iter()
                .map(|sentence| [heading.to_owned(), sentence])
                .collect();
            page.rows(0, &rows);
        }
    }
}

fn sentence(words: &String) -> String {
    format!("{words}.")
}

impl Figure {
    /// The rows that people read: what it is, and its value with the unit.
    fn rows(&self) -> Vec<[String; 2]> {
        let Shown::Lines(_, lines) = &self.value else {
            let unit = match self.value {
                Shown::Nothing(_) => "",
                _ => self.unit,
            };
            return vec![[
                self.words.to_owned(),
                format!("{} {unit}", self.value.text()),
            ]];
        };
        let first = std::iter::once(self.words).chain(std::iter::repeat(""));
        let rows = first
            .zip(lines)
            .map(|(words, line)| [words.to_owned(), line.clone()]);
        rows.collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_keep_four_digits_and_their_whole_part() {
        for (value, text) in [
            (0.962_5, "0.9625"),
            (24.447_5, "24.45"),
            (24_182.3, "24182"),
            (0.0, "0.000"),
            (0.013_992, "0.01399"),
            (-4.0, "-4.000"),
        ] {
            assert_eq!(digits(value), text);
        }
    }

    #[test]
    fn a_figure_that_is_no_number_is_an_error_naming_it() {
        let answer = Answer::default().number("loss_psi", "pressure lost", f64::NAN, "psi");
        let wrong = answer.checked().unwrap_err();
        assert_eq!(wrong.field(), Some("loss_psi"));
    }
}
