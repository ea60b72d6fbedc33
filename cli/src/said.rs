//! What was said of a thing, as JSON and for people: the value, who said it and when.

use serde::Serialize;
use serde_json::Value as Json;

use headwalk_core::log::value::{HowKnown, Value};
use headwalk_core::site::sight;
use headwalk_core::site::things::Site;
use headwalk_core::site::unit::UnitSystem;
use headwalk_core::store::Kept;

pub use headwalk_core::site::sight::{What, called, visit_called};

use crate::logbook::written;
use crate::told::Told;
use headwalk_sync_server::value_json::value_json;

/// One value, and who said it.
#[derive(Debug, Clone, Serialize)]
pub struct Said {
    /// The value as it was entered; see `value_json` for its shapes.
    pub value: Json,
    /// Who, when, where, how known.
    #[serde(flatten)]
    pub told: Told,
    /// The value for people.
    #[serde(skip)]
    pub shown: String,
    /// When, for people.
    #[serde(skip)]
    pub when: String,
}

/// What is said something of, with the values as JSON.
pub trait Saying {
    /// Returns a value as JSON.
    fn json(self, value: &Value) -> Json;

    /// Says a value together with who said it.
    fn said(
        self,
        site: &Site<'_>,
        value: &Value,
        how: HowKnown,
        kept: &Kept,
        system: UnitSystem,
    ) -> Said;
}

impl Saying for What {
    fn json(self, value: &Value) -> Json {
        value_json(self.shape(), value)
    }

    fn said(
        self,
        site: &Site<'_>,
        value: &Value,
        how: HowKnown,
        kept: &Kept,
        system: UnitSystem,
    ) -> Said {
        let said = sight::Said {
            what: self,
            value: value.clone(),
            how,
            by: written(kept),
        };
        Said::of(&said, site, system)
    }
}

/// What the versions of a field are called, the one in force first.
pub const LETTERS: &str = "ABCDEFGHIJKLMNOPQRSTUVWXYZ";

impl Said {
    /// Takes over what was said.
    pub fn of(said: &sight::Said<'_>, site: &Site<'_>, system: UnitSystem) -> Self {
        Self {
            value: said.what.json(&said.value),
            told: Told::of(said.by, said.how),
            shown: said.shown(site, system),
            when: said.by.when(),
        }
    }

    /// Takes over several.
    pub fn all(said: &[sight::Said<'_>], site: &Site<'_>, system: UnitSystem) -> Vec<Self> {
        let said = said.iter();
        said.map(|said| Self::of(said, site, system)).collect()
    }

    /// Returns how it is known, for people; nothing where the writer did not say.
    pub fn how(&self) -> String {
        self.told.how.clone().unwrap_or_default()
    }

    /// Returns who and when, for a sentence: `Ana Ruiz, 2026-07-14 07:30`.
    pub fn by_and_when(&self) -> String {
        format!("{}, {}", self.told.by, self.when)
    }
}
