//! What was said of a thing: the field or observation, its value, who said it and when.

use serde::Serialize;
use serde_json::Value as Json;

use headwalk_core::log::entry::Change;
use headwalk_core::log::id::{FieldNumber, ObservationNumber, ThingId};
use headwalk_core::log::value::{HowKnown, Value};
use headwalk_core::site::fields::{self, Shape, UNKNOWN, show_any};
use headwalk_core::site::things::Site;
use headwalk_core::site::unit::UnitSystem;
use headwalk_core::site::words::plain;
use headwalk_core::store::Kept;

use crate::told::{self, Told};
use crate::value_json::value_json;

/// What is said something of: a field that can be corrected, or an observation.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum What {
    /// A field.
    Field(FieldNumber),
    /// A kind of observation.
    Seen(ObservationNumber),
}

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

impl What {
    /// Returns what a change says something of, and the value; none for what is about no thing.
    pub fn of(change: &Change) -> Option<(Self, ThingId, &Value, HowKnown)> {
        match change {
            Change::Set {
                thing,
                field,
                value,
                how,
            } => Some((Self::Field(*field), *thing, value, *how)),
            Change::Observe {
                thing,
                what,
                value,
                how,
            } => Some((Self::Seen(*what), *thing, value, *how)),
            Change::Receipt { .. }
            | Change::HoldBack { .. }
            | Change::Admit { .. }
            | Change::Unknown { .. } => None,
        }
    }

    /// Returns the name, as typed.
    pub fn name(self) -> String {
        let known = match self {
            Self::Field(number) => fields::field_by_number(number).map(|field| field.name),
            Self::Seen(number) => fields::observation_by_number(number).map(|seen| seen.name),
        };
        let number = match self {
            Self::Field(number) => format!("field {}", number.0),
            Self::Seen(number) => format!("observation {}", number.0),
        };
        known.map_or_else(|| format!("{number} ({UNKNOWN})"), str::to_owned)
    }

    fn shape(self) -> Option<Shape> {
        match self {
            Self::Field(number) => fields::field_by_number(number).map(|field| field.shape),
            Self::Seen(number) => fields::observation_by_number(number).map(|seen| seen.shape),
        }
    }

    /// Returns a value for people; another thing by what it is called.
    pub fn show(self, site: &Site<'_>, value: &Value, system: UnitSystem) -> String {
        if let Value::Thing(thing) = value {
            return called(site, *thing);
        }
        let shown = match self {
            Self::Field(number) => {
                fields::field_by_number(number).map(|field| field.show(value, system))
            }
            Self::Seen(number) => {
                fields::observation_by_number(number).map(|seen| seen.show(value, system))
            }
        };
        shown.unwrap_or_else(|| show_any(value, system))
    }

    /// Returns a value as JSON.
    pub fn json(self, value: &Value) -> Json {
        value_json(self.shape(), value)
    }

    /// Whether nobody wrote this value of `removed`: an edit that did not know of the removal says
    /// that the thing is there.
    fn is_there_by_an_edit(self, value: &Value, kept: &Kept) -> bool {
        let removed = fields::any::REMOVED.number;
        let says =
            |change: &Change| matches!(change, Change::Set { field, .. } if *field == removed);
        self == Self::Field(removed)
            && *value == Value::Bool(false)
            && !kept.entry.changes.iter().any(says)
    }

    /// Says a value together with who said it.
    pub fn said(
        self,
        site: &Site<'_>,
        value: &Value,
        how: HowKnown,
        kept: &Kept,
        system: UnitSystem,
    ) -> Said {
        Said {
            value: self.json(value),
            told: Told::of(kept, how),
            shown: match self.is_there_by_an_edit(value, kept) {
                true => format!("no, {}", edit(site, kept, system)),
                false => self.show(site, value, system),
            },
            when: told::plain(kept.stamp, kept.entry.utc_offset_min),
        }
    }
}

/// How many changes of an edit are told where it stands against a removal.
const TOLD_OF_AN_EDIT: usize = 2;

/// Says in short what an entry wrote: `wrote head-3-02 arc 120°`.
fn edit(site: &Site<'_>, kept: &Kept, system: UnitSystem) -> String {
    let plumbing = |name: &str| matches!(name, "kind" | "part-of" | "order");
    let said: Vec<String> = kept
        .entry
        .changes
        .iter()
        .filter_map(What::of)
        .filter(|(what, ..)| !plumbing(&what.name()))
        .map(|(what, thing, value, _)| {
            let (thing, what_is, shown) = (
                called(site, thing),
                what.name(),
                what.show(site, value, system),
            );
            format!("{thing} {what_is} {shown}")
        })
        .collect();
    let more = said.len().saturating_sub(TOLD_OF_AN_EDIT);
    let mut told = said.into_iter().take(TOLD_OF_AN_EDIT).collect::<Vec<_>>();
    if more > 0 {
        told.push(format!("{more} more"));
    }
    format!("wrote {}", told.join(", "))
}

/// What the versions of a field are called, the one in force first.
pub const LETTERS: &str = "ABCDEFGHIJKLMNOPQRSTUVWXYZ";

impl Said {
    /// Returns how it is known, for people; nothing where the writer did not say.
    pub fn how(&self) -> String {
        self.told.how.clone().unwrap_or_default()
    }

    /// Returns who and when, for a sentence: `Ana Ruiz, 2026-07-14 07:30`.
    pub fn by_and_when(&self) -> String {
        format!("{}, {}", self.told.by, self.when)
    }
}

/// Returns what a thing is called in its site.
pub fn called(site: &Site<'_>, thing: ThingId) -> String {
    site.thing(thing)
        .map_or_else(|| thing.to_string(), |thing| site.address(thing))
}

/// Returns what a visit is called, for people: its purpose and day.
pub fn visit_called(site: &Site<'_>, visit: ThingId) -> String {
    let Some(thing) = site.thing(visit) else {
        return visit.to_string();
    };
    let purpose = thing
        .words(&fields::visit::PURPOSE)
        .map(|fact| plain(&fact.value));
    let day = thing
        .day(&fields::visit::DATE)
        .map(|fact| fact.value.to_string());
    match (purpose, day) {
        (Ok(purpose), Ok(day)) => format!("{purpose} {day}"),
        _ => site.address(thing),
    }
}
