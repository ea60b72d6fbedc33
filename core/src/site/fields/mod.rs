//! THE table: every field and every kind of observation, with its number, name, unit, range,
//! choices and help. Help texts, checks, imports and pages all read it; nothing repeats it.
//!
//! Numbers and names are stable for ever; a field that is no longer used keeps its line. Look up
//! with [`field`] and [`observation`], or name a line of the table directly.
//!
//! ```
//! use headwalk_core::site::{fields, kind::ThingKind, unit::UnitSystem};
//! let pressure = fields::field(ThingKind::Zone, "pressure").expect("zones have a pressure");
//! let parsed = pressure.parse("38psi", UnitSystem::Us)?;
//! assert_eq!(pressure.show(&parsed.value, UnitSystem::Us), "38 psi");
//! assert_eq!(pressure.show(&parsed.value, UnitSystem::Si), "262 kPa");
//! let error = fields::known_field(ThingKind::Zone, "presure").unwrap_err();
//! let start = "unknown field `presure` of a zone; did you mean `pressure`";
//! assert!(error.to_string().starts_with(start));
//! # Ok::<(), fields::FieldError>(())
//! ```

mod error;
mod number;
mod parse;
mod shape;
mod show;

mod anything;
mod control;
mod ground;
mod map;
mod office;
mod quote;
pub mod seen;
mod street;
mod walk;

pub use anything::any;
pub use control::{controller, valve};
pub use ground::{head, sketch, spot, zone};
pub use map::{area, landmark};
pub use office::{company, crew, device, part, person, price, route, station};
pub use quote::{estimate, line};
pub use street::{site, supply};
pub use walk::{finding, visit};

pub use error::{FieldError, Refusal, close_names};
pub use parse::Parsed;
pub use shape::{Limits, Money as MoneyShape, Need, Part, Quantity, Shape, To};
pub use show::{UNKNOWN, show_any};

use super::kind::ThingKind;
use crate::log::id::{FieldNumber, ObservationNumber};

/// One line of the table; `N` is the kind of its number.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Def<N: 'static> {
    /// The number that is stored. Stable for ever.
    pub number: N,
    /// The name that is typed, in lower case with hyphens. Stable for ever.
    pub name: &'static str,
    /// The kinds of thing that have it.
    pub of: &'static [ThingKind],
    /// What it may hold.
    pub shape: Shape,
    /// One sentence for whoever has to fill it in.
    pub help: &'static str,
    /// The version of this table that brought it.
    pub since: u16,
}

/// A field: what can be corrected, and takes its latest write.
pub type FieldDef = Def<FieldNumber>;
/// A kind of observation: what was measured or seen at a moment, and accumulates.
pub type ObservationDef = Def<ObservationNumber>;

/// The version of this table.
pub const TABLE_VERSION: u16 = 1;

impl<N> Def<N> {
    /// Returns its name and whose it is, for sentences: `area of a zone`.
    #[must_use]
    pub fn title(&self) -> String {
        match self.of {
            [kind] => format!("{} of {}", self.name, kind.with_article()),
            _ => self.name.to_owned(),
        }
    }

    /// Returns whether things of that kind have it.
    #[must_use]
    pub fn is_of(&self, kind: ThingKind) -> bool {
        self.of.contains(&kind)
    }
}

/// Every group of fields, in the order of their numbers.
static FIELDS: [&[&FieldDef]; 23] = [
    any::ALL,
    site::ALL,
    supply::ALL,
    controller::ALL,
    zone::ALL,
    valve::ALL,
    head::ALL,
    spot::ALL,
    sketch::ALL,
    visit::ALL,
    finding::ALL,
    company::ALL,
    crew::ALL,
    person::ALL,
    device::ALL,
    part::ALL,
    price::ALL,
    station::ALL,
    route::ALL,
    area::ALL,
    landmark::ALL,
    estimate::ALL,
    line::ALL,
];

/// Returns every field, by number.
pub fn all_fields() -> impl Iterator<Item = &'static FieldDef> {
    FIELDS.iter().flat_map(|group| group.iter().copied())
}

/// Returns every kind of observation, by number.
pub fn all_observations() -> impl Iterator<Item = &'static ObservationDef> {
    seen::OBSERVATIONS.iter().copied()
}

/// Returns the fields that things of that kind have, by number.
pub fn fields_of(kind: ThingKind) -> impl Iterator<Item = &'static FieldDef> {
    all_fields().filter(move |field| field.is_of(kind))
}

/// Returns the observations that are made of things of that kind, by number.
pub fn observations_of(kind: ThingKind) -> impl Iterator<Item = &'static ObservationDef> {
    all_observations().filter(move |seen| seen.is_of(kind))
}

/// Returns the field of that name that things of that kind have.
#[must_use]
pub fn field(kind: ThingKind, name: &str) -> Option<&'static FieldDef> {
    fields_of(kind).find(|field| field.name == name)
}

/// Returns the field with that number; `None` if this version knows none.
#[must_use]
pub fn field_by_number(number: FieldNumber) -> Option<&'static FieldDef> {
    all_fields().find(|field| field.number == number)
}

/// Returns the kind of observation of that name.
#[must_use]
pub fn observation(name: &str) -> Option<&'static ObservationDef> {
    all_observations().find(|seen| seen.name == name)
}

/// Returns the kind of observation with that number; `None` if this version knows none.
#[must_use]
pub fn observation_by_number(number: ObservationNumber) -> Option<&'static ObservationDef> {
    all_observations().find(|seen| seen.number == number)
}

/// Returns the field of that name, or the error that says which names are close.
///
/// # Errors
/// [`FieldError::UnknownField`].
pub fn known_field(kind: ThingKind, name: &str) -> Result<&'static FieldDef, FieldError> {
    field(kind, name).ok_or_else(|| FieldError::UnknownField {
        kind,
        name: name.to_owned(),
        close: close_names(name, fields_of(kind).map(|field| field.name)),
    })
}

/// Returns the kind of observation of that name, or the error that says which names are close.
///
/// # Errors
/// [`FieldError::UnknownObservation`].
pub fn known_observation(name: &str) -> Result<&'static ObservationDef, FieldError> {
    observation(name).ok_or_else(|| FieldError::UnknownObservation {
        name: name.to_owned(),
        close: close_names(name, all_observations().map(|seen| seen.name)),
    })
}

/// What a typed name stands for: a field to set, or an observation to add.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Recordable {
    /// A field.
    Field(&'static FieldDef),
    /// A kind of observation.
    Observation(&'static ObservationDef),
}

/// Returns what a name means for a thing of that kind; no kind has a field and an observation
/// of one name.
///
/// # Errors
/// [`FieldError::UnknownField`] with close names of both.
pub fn recordable(kind: ThingKind, name: &str) -> Result<Recordable, FieldError> {
    let seen = observations_of(kind).find(|seen| seen.name == name);
    match (field(kind, name), seen) {
        (Some(field), _) => Ok(Recordable::Field(field)),
        (None, Some(seen)) => Ok(Recordable::Observation(seen)),
        (None, None) => {
            let names = fields_of(kind).map(|field| field.name);
            let names = names.chain(observations_of(kind).map(|seen| seen.name));
            Err(FieldError::UnknownField {
                kind,
                name: name.to_owned(),
                close: close_names(name, names),
            })
        }
    }
}

/// Makes lines of the table: a static for each, and the list of all of them.
macro_rules! lines {
    ($list:ident: $def:ty, $number:ident;
     $($value:literal $line:ident, $name:literal, $of:expr, $shape:expr, $help:literal;)+) => {
        $(
            #[doc = $help]
            pub static $line: $def = $crate::site::fields::Def {
                number: $crate::log::id::$number($value),
                name: $name,
                of: $of,
                shape: $shape,
                help: $help,
                since: 1,
            };
        )+
        pub(in crate::site::fields) static $list: &[&$def] = &[$(&$line),+];
    };
}
use lines;

/// Makes the lines that belong to the same kinds of thing, in a module of their name.
macro_rules! table {
    ($(#[$doc:meta])* $group:ident of $of:expr;
     $($value:literal $line:ident, $name:literal, $shape:expr, $help:literal;)+) => {
        $(#[$doc])*
        pub mod $group {
            use super::*;

            $crate::site::fields::lines! { ALL: $crate::site::fields::FieldDef, FieldNumber;
                $($value $line, $name, $of, $shape, $help;)+
            }
        }
    };
}
use table;

#[cfg(test)]
mod tests;
