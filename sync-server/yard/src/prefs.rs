//! How the person at this phone wants the page: language, units, hand.

use headwalk_core::site::unit::UnitSystem;
use headwalk_core::store::Store;
use serde::{Deserialize, Serialize};

use crate::error::Error;

/// The names under which the store keeps them.
const LANGUAGE: &str = "yard-language";
const UNITS: &str = "yard-units";
const HAND: &str = "yard-hand";

/// A language of the page.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Language {
    /// English.
    #[default]
    En,
    /// Spanish.
    Es,
}

/// The units in which quantities are shown; what is stored stays as it was entered.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Units {
    /// US customary.
    #[default]
    Us,
    /// Metric.
    Si,
}

/// The hand that holds the phone: its thumb does the work.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Hand {
    /// The right one.
    #[default]
    Right,
    /// The left one.
    Left,
}

/// All of them.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Prefs {
    /// The language.
    pub language: Language,
    /// The units.
    pub units: Units,
    /// The hand.
    pub hand: Hand,
}

/// One choice.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Preference {
    /// Of the language.
    Language(Language),
    /// Of the units.
    Units(Units),
    /// Of the hand.
    Hand(Hand),
}

impl Units {
    /// Returns what core calls them.
    #[must_use]
    pub const fn system(self) -> UnitSystem {
        match self {
            Self::Us => UnitSystem::Us,
            Self::Si => UnitSystem::Si,
        }
    }
}

impl Prefs {
    /// Reads what was chosen on this phone.
    ///
    /// # Errors
    /// [`Error`] where the store cannot be read.
    pub fn of(store: &Store) -> Result<Self, Error> {
        let is = |name, word: &str| -> Result<bool, Error> {
            Ok(store.setting(name)?.is_some_and(|kept| kept == word))
        };
        Ok(Self {
            language: if is(LANGUAGE, "es")? {
                Language::Es
            } else {
                Language::En
            },
            units: if is(UNITS, "si")? {
                Units::Si
            } else {
                Units::Us
            },
            hand: if is(HAND, "left")? {
                Hand::Left
            } else {
                Hand::Right
            },
        })
    }

    /// Takes a choice in and keeps it.
    ///
    /// # Errors
    /// [`Error`] where the store cannot be written.
    pub fn choose(&mut self, store: &Store, choice: Preference) -> Result<(), Error> {
        let kept = match choice {
            Preference::Language(language) => {
                self.language = language;
                (LANGUAGE, if language == Language::Es { "es" } else { "en" })
            }
            Preference::Units(units) => {
                self.units = units;
                (UNITS, if units == Units::Si { "si" } else { "us" })
            }
            Preference::Hand(hand) => {
                self.hand = hand;
                (HAND, if hand == Hand::Left { "left" } else { "right" })
            }
        };
        Ok(store.keep_settings(&[kept])?)
    }
}
