//! The words of the papers, each in both languages on one line: the one table that a new language
//! would add a column to. What a person picked in the yard is stored as a word without a language
//! and read from here; what a person typed stands as it was typed.

mod cautions;
mod choices;
mod findings;
mod general;

pub(super) use cautions::caution;
pub(super) use choices::{how, planting, status, urgency};
pub(super) use findings::finding_words;
pub(super) use general::*;

/// A language that papers come in.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Language {
    /// English, as written in the United States.
    #[default]
    English,
    /// Spanish, as written in the Americas.
    Spanish,
}

impl Language {
    /// Returns its tag, as HTML takes it.
    #[must_use]
    pub const fn tag(self) -> &'static str {
        match self {
            Self::English => "en",
            Self::Spanish => "es",
        }
    }

    /// Returns the language of a stored word, such as that of a site's letters.
    #[must_use]
    pub fn of_word(word: &str) -> Option<Self> {
        match word {
            "english" | "en" => Some(Self::English),
            "spanish" | "es" => Some(Self::Spanish),
            _ => None,
        }
    }
}

/// Words in every language.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Words {
    english: &'static str,
    spanish: &'static str,
}

/// Makes words of both.
pub(super) const fn words(english: &'static str, spanish: &'static str) -> Words {
    Words { english, spanish }
}

impl Words {
    /// Returns them in a language.
    pub(super) const fn of(self, language: Language) -> &'static str {
        match language {
            Language::English => self.english,
            Language::Spanish => self.spanish,
        }
    }

    /// Returns them with what stands in braces filled in, in order.
    pub(super) fn with(self, language: Language, filled: &[&str]) -> String {
        let mut filled = filled.iter();
        let mut pieces = self.of(language).split("{}");
        let mut text = pieces.next().unwrap_or("").to_owned();
        for piece in pieces {
            text.push_str(filled.next().copied().unwrap_or(""));
            text.push_str(piece);
        }
        text
    }
}

/// Makes the table: a name, and the words in each language.
macro_rules! table {
    ($($name:ident, $english:literal, $spanish:literal;)+) => {
        $(pub(in crate::site::papers) const $name: $crate::site::papers::words::Words =
            $crate::site::papers::words::words($english, $spanish);)+

        /// All of them, for those who check the table.
        #[cfg(test)]
        pub(in crate::site::papers) const ALL: &[(&str, $crate::site::papers::words::Words)] =
            &[$((stringify!($name), $name)),+];
    };
}
use table;

/// The word for a stored one; itself, in plain words, where the table has none.
pub(super) fn looked_up(table: &[(&str, Words)], word: &str, language: Language) -> String {
    let found = table.iter().find(|(stored, _)| *stored == word);
    found.map_or_else(
        || crate::site::words::plain(word),
        |(_, words)| words.of(language).to_owned(),
    )
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;
    use crate::site::finding::FINDINGS;

    #[test]
    fn every_sentence_has_as_many_blanks_in_either_language() {
        let mut names = BTreeSet::new();
        for (name, words) in general::ALL {
            assert!(names.insert(name), "{name}");
            let blanks = |text: &str| text.matches("{}").count();
            assert_eq!(blanks(words.english), blanks(words.spanish), "{name}");
            assert!(
                !words.english.is_empty() && !words.spanish.is_empty(),
                "{name}"
            );
        }
    }

    #[test]
    fn every_finding_has_words_for_a_client_in_both_languages() {
        for kind in FINDINGS {
            let told = finding_words(kind.word);
            assert!(told.is_some(), "{}", kind.word);
        }
    }

    #[test]
    fn no_paper_says_what_the_office_never_says() {
        let never = [
            "conflict",
            "merge",
            "replica",
            "smart",
            "violation",
            "asset",
            "ticket",
        ];
        for (name, words) in general::ALL {
            for word in never {
                assert!(
                    !words.english.to_lowercase().contains(word),
                    "{name}: {word}"
                );
            }
        }
    }
}
