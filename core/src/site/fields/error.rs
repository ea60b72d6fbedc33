//! What is wrong with something that was typed: what, where, and what to do next.

use core::fmt;

use crate::site::kind::ThingKind;

/// Something typed that does not fit the table of fields.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum FieldError {
    /// No such field for that kind of thing.
    #[error("unknown field `{name}` of {}{}", kind.with_article(), DidYouMean(close))]
    UnknownField {
        /// Whose field was meant.
        kind: ThingKind,
        /// What was typed.
        name: String,
        /// Names that are close to it, the closest first.
        close: Vec<&'static str>,
    },
    /// No such observation.
    #[error("unknown observation `{name}`{}", DidYouMean(close))]
    UnknownObservation {
        /// What was typed.
        name: String,
        /// Names that are close to it, the closest first.
        close: Vec<&'static str>,
    },
    /// The field is known; the value does not fit it.
    #[error("{field}: {why}")]
    Refused {
        /// The field and whose it is, as in `arc of a head`.
        field: String,
        /// What is wrong.
        why: Refusal,
    },
}

/// Why a value does not fit its field.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Refusal {
    /// Nothing was typed.
    #[error("nothing was given; write {wanted}, or `blank`, or `not checked`")]
    Empty {
        /// What would do.
        wanted: String,
    },
    /// Not in the shape of the field.
    #[error("`{got}` does not fit; write {wanted}, or `not checked`")]
    Unfit {
        /// What was typed.
        got: String,
        /// What would do.
        wanted: String,
    },
    /// A unit of something else, or of nothing.
    #[error("`{got}` is not a unit of it; write {wanted}")]
    WrongUnit {
        /// The unit as typed.
        got: String,
        /// What would do.
        wanted: String,
    },
    /// Outside what can be.
    #[error(
        "{got} is impossible, it must be from {low} to {high}; correct it, or keep it as a note"
    )]
    Impossible {
        /// What was typed, with its unit.
        got: String,
        /// The least.
        low: String,
        /// The most.
        high: String,
    },
    /// Not one of the fixed choices.
    #[error(
        "`{got}` is not one of its choices{}",
        MeantOrAll(close, "they are", choices)
    )]
    NotAChoice {
        /// What was typed.
        got: String,
        /// Choices that are close to it.
        close: Vec<&'static str>,
        /// All of them.
        choices: Vec<&'static str>,
    },
    /// A record has no such part.
    #[error("it has no part `{got}`{}", MeantOrAll(close, "its parts are", parts))]
    UnknownPart {
        /// What was typed.
        got: String,
        /// Parts that are close to it.
        close: Vec<&'static str>,
        /// All of them.
        parts: Vec<&'static str>,
    },
    /// A record names one part twice.
    #[error("`{part}` is given twice; say it once")]
    PartTwice {
        /// Which.
        part: &'static str,
    },
    /// A record lacks a part that it needs.
    #[error("`{part}` is missing; write `{part}=` and {wanted}")]
    PartMissing {
        /// Which.
        part: &'static str,
        /// What would do.
        wanted: String,
    },
    /// A part of a record is wrong.
    #[error("{part}: {why}")]
    Part {
        /// Which.
        part: &'static str,
        /// What is wrong with it.
        why: Box<Refusal>,
    },
    /// More words than it may have.
    #[error("it has {got} bytes, and {longest} is the most; shorten it")]
    TooLong {
        /// How many there are.
        got: usize,
        /// How many there may be.
        longest: usize,
    },
    /// A controller's programs that do not read.
    #[error("{0}")]
    Programs(#[from] crate::site::programs::ProgramTextError),
}

impl FieldError {
    /// Returns what was typed as words for a note, so that the yard loses nothing when a value
    /// is refused; `None` where nothing of it would help.
    #[must_use]
    pub fn as_note(&self, typed: &str) -> Option<String> {
        match self {
            Self::Refused { field, .. } if !typed.trim().is_empty() => Some(format!(
                "entered for {field} and not counted: {}",
                typed.trim()
            )),
            _ => None,
        }
    }
}

/// Ends a sentence with the closest names, if there are any.
struct DidYouMean<'a>(&'a [&'static str]);

impl fmt::Display for DidYouMean<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (at, name) in self.0.iter().enumerate() {
            f.write_str(if at == 0 { "; did you mean " } else { " or " })?;
            write!(f, "`{name}`")?;
        }
        if self.0.is_empty() {
            Ok(())
        } else {
            f.write_str("?")
        }
    }
}

/// Ends a sentence with the closest names; where none is close, with all there are.
struct MeantOrAll<'a>(&'a [&'static str], &'static str, &'a [&'static str]);

impl fmt::Display for MeantOrAll<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self(close, these_are, all) = self;
        match close {
            [] => write!(f, "; {these_are} {}", all.join(", ")),
            close => DidYouMean(close).fmt(f),
        }
    }
}

/// Returns up to three of the names that are close to what was typed, the closest first.
pub fn close_names<N: AsRef<str> + Ord>(typed: &str, names: impl IntoIterator<Item = N>) -> Vec<N> {
    let typed = typed.trim().to_lowercase().replace(['_', ' '], "-");
    if typed.is_empty() {
        return Vec::new();
    }
    let mut scored: Vec<(usize, N)> = names
        .into_iter()
        .filter_map(|name| {
            let word = name.as_ref();
            let steps = steps_between(&typed, word);
            // A third of its letters may be wrong; a beginning or an end is close enough too.
            let part = typed.len() >= 3 && (word.starts_with(&typed) || word.ends_with(&typed));
            (steps <= (word.len() / 3).max(1) || part).then_some((steps, name))
        })
        .collect();
    scored.sort_unstable();
    scored.dedup();
    scored.into_iter().take(3).map(|(_, name)| name).collect()
}

/// Counts the letters to put in, take out, change, or swap with their neighbour (Levenshtein's
/// distance, restricted swaps after Damerau).
fn steps_between(one: &str, other: &str) -> usize {
    let other: Vec<char> = other.chars().collect();
    let mut before: Vec<usize> = Vec::new();
    let mut above: Vec<usize> = (0..=other.len()).collect();
    let mut last = None;
    for (i, a) in one.chars().enumerate() {
        let mut row = vec![i + 1];
        for (j, b) in other.iter().enumerate() {
            let at = |row: &[usize], column: usize| row.get(column).copied().unwrap_or(usize::MAX);
            let mut steps = (at(&above, j) + usize::from(a != *b))
                .min(at(&above, j + 1) + 1)
                .min(at(&row, j) + 1);
            let swapped = j > 0 && last == Some(*b) && other.get(j - 1) == Some(&a);
            if swapped && let Some(two_back) = before.get(j - 1) {
                steps = steps.min(two_back + 1);
            }
            row.push(steps);
        }
        before = std::mem::replace(&mut above, row);
        last = Some(a);
    }
    above.last().copied().unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn distance_counts_letters_put_in_taken_out_changed_and_swapped() {
        assert_eq!(steps_between("mpale", "maple"), 1);
        assert_eq!(steps_between("presure", "pressure"), 1);
        assert_eq!(steps_between("kitten", "sitting"), 3);
        assert_eq!(steps_between("", "arc"), 3);
        assert_eq!(steps_between("arc", ""), 3);
    }

    #[test]
    fn only_close_names_are_offered() {
        let names = ["pressure", "pressure-at", "flow"];
        assert_eq!(close_names("presure", names), ["pressure"]);
        assert_eq!(close_names("press", names), ["pressure", "pressure-at"]);
        assert_eq!(close_names("colour", names), [""; 0]);
    }
}
