//! One thing: its common fields, and any field read as the type that the table gives it.

use chrono::NaiveDate;

use crate::log::id::{Place, ThingId};
use crate::log::stamp::Stamp;
use crate::log::value::{Absence, HowKnown, Value};
use crate::merge::register::Register;
use crate::merge::replay::{Observation, State};
use crate::site::fields::{FieldDef, ObservationDef, any, show_any};
use crate::site::kind::ThingKind;
use crate::site::measure::Measure;
use crate::site::programs::ProgramSet;
use crate::site::unit::UnitSystem;
use crate::site::words::Vocabulary;

/// A value that somebody wrote, with where it comes from; or why it is not there.
pub type Known<T> = Result<Fact<T>, Missing>;

/// A value that somebody wrote.
#[derive(Debug, Clone, PartialEq)]
pub struct Fact<T> {
    /// What was written.
    pub value: T,
    /// How that was known.
    pub how: HowKnown,
    /// When, by the stamp that orders it.
    pub stamp: Stamp,
    /// By which entry.
    pub place: Place,
    /// Whether another value stands beside it, written by someone who had not seen this one.
    pub two_versions: bool,
}

/// Why a value is not there. None of these is zero.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Missing {
    /// Nobody ever wrote it.
    #[error("not recorded")]
    NotRecorded,
    /// Somebody took it away.
    #[error("blank")]
    Blank,
    /// Nobody looked.
    #[error("not checked")]
    NotChecked,
    /// Somebody looked and could not tell.
    #[error("could not check: {0}")]
    CouldNotCheck(String),
    /// A value that this version does not understand, as it is shown.
    #[error("recorded as `{0}`, which this version does not understand")]
    NotUnderstood(String),
}

/// One thing of a logbook.
#[derive(Debug, Clone, Copy)]
pub struct Thing<'a> {
    state: &'a State,
    /// Its id.
    pub id: ThingId,
    /// What it is; `None` where nobody said, or a later version did.
    pub kind: Option<ThingKind>,
}

impl<'a> Thing<'a> {
    pub(super) const fn new(state: &'a State, id: ThingId, kind: Option<ThingKind>) -> Self {
        Self { state, id, kind }
    }

    /// Returns what the crew calls it.
    #[must_use]
    pub fn label(&self) -> Option<&'a str> {
        self.raw(&any::LABEL).and_then(Value::as_text)
    }

    /// Returns what it belongs to.
    #[must_use]
    pub fn part_of(&self) -> Option<ThingId> {
        self.raw(&any::PART_OF).and_then(Value::as_thing)
    }

    /// Returns the thing of which it was said to be a second record.
    #[must_use]
    pub fn same_as(&self) -> Option<ThingId> {
        self.raw(&any::SAME_AS).and_then(Value::as_thing)
    }

    /// Returns whether somebody removed it.
    #[must_use]
    pub fn is_removed(&self) -> bool {
        self.raw(&any::REMOVED).and_then(Value::as_bool) == Some(true)
    }

    /// Returns its place in the order of the walk.
    #[must_use]
    pub fn order(&self) -> Option<i64> {
        self.raw(&any::ORDER).and_then(Value::as_int)
    }

    /// Sorts by the order of the walk, then by label with its numbers as numbers, then by age.
    pub(super) fn place_in_walk(&self) -> (i64, Vec<LabelPart>, ThingId) {
        let order = self.order().unwrap_or(i64::MAX);
        (order, label_parts(self.label().unwrap_or("")), self.id)
    }

    /// Returns the label with its numbers as numbers, so that 3-7 is 3-07.
    pub(in crate::site) fn plain_label(&self) -> Option<Vec<LabelPart>> {
        self.label().map(label_parts)
    }

    /// Returns a field's writes.
    #[must_use]
    pub fn register(&self, field: &FieldDef) -> Option<&'a Register> {
        self.state.register(self.id, field.number)
    }

    /// Returns a field's value in force, whatever it is.
    #[must_use]
    pub fn raw(&self, field: &FieldDef) -> Option<&'a Value> {
        self.state.value(self.id, field.number)
    }

    /// Returns a field's value in force as a person reads it.
    #[must_use]
    pub fn show(&self, field: &FieldDef, system: UnitSystem) -> Option<String> {
        self.raw(field).map(|value| field.show(value, system))
    }

    /// Returns its observations of one kind, oldest first.
    #[must_use]
    pub fn seen(&self, what: &ObservationDef) -> &'a [Observation] {
        self.state.observations(self.id, what.number)
    }

    /// Reads a field with a reader of one type.
    ///
    /// # Errors
    /// [`Missing`], saying why the value is not there.
    pub fn read<T>(&self, field: &FieldDef, read: impl Fn(&Value) -> Option<T>) -> Known<T> {
        let register = self.register(field).ok_or(Missing::NotRecorded)?;
        let write = register.in_force();
        let value = match &write.value {
            Value::Absent(Absence::Cleared) => return Err(Missing::Blank),
            Value::Absent(Absence::NotChecked) => return Err(Missing::NotChecked),
            Value::Absent(Absence::CouldNotCheck(why)) => {
                return Err(Missing::CouldNotCheck(why.clone()));
            }
            value => read(value)
                .ok_or_else(|| Missing::NotUnderstood(show_any(value, UnitSystem::Us)))?,
        };
        Ok(Fact {
            value,
            how: write.how,
            stamp: write.stamp,
            place: write.place,
            two_versions: register.stands_in_two_versions(),
        })
    }

    /// Reads a quantity.
    ///
    /// # Errors
    /// [`Missing`].
    pub fn measure<T: Measure>(&self, field: &FieldDef) -> Known<T> {
        self.read(field, T::read)
    }

    /// Reads one of fixed words.
    ///
    /// # Errors
    /// [`Missing`].
    pub fn choice<T: Vocabulary>(&self, field: &FieldDef) -> Known<T> {
        self.read(field, T::read)
    }

    /// Reads words.
    ///
    /// # Errors
    /// [`Missing`].
    pub fn words(&self, field: &FieldDef) -> Known<String> {
        self.read(field, |value| value.as_text().map(str::to_owned))
    }

    /// Reads yes or no.
    ///
    /// # Errors
    /// [`Missing`].
    pub fn yes(&self, field: &FieldDef) -> Known<bool> {
        self.read(field, Value::as_bool)
    }

    /// Reads a count.
    ///
    /// # Errors
    /// [`Missing`].
    pub fn count(&self, field: &FieldDef) -> Known<i64> {
        self.read(field, Value::as_int)
    }

    /// Reads a plain number.
    ///
    /// # Errors
    /// [`Missing`].
    pub fn number(&self, field: &FieldDef) -> Known<f64> {
        self.read(field, |value| match value {
            Value::Number(number) => number.is_finite().then_some(*number),
            _ => None,
        })
    }

    /// Reads a calendar day.
    ///
    /// # Errors
    /// [`Missing`].
    pub fn day(&self, field: &FieldDef) -> Known<NaiveDate> {
        self.read(field, day)
    }

    /// Reads another thing's id.
    ///
    /// # Errors
    /// [`Missing`].
    pub fn other(&self, field: &FieldDef) -> Known<ThingId> {
        self.read(field, Value::as_thing)
    }

    /// Reads a set of programs.
    ///
    /// # Errors
    /// [`Missing`].
    pub fn programs(&self, field: &FieldDef) -> Known<ProgramSet> {
        self.read(field, ProgramSet::read)
    }
}

/// Reads a stored calendar day.
pub(in crate::site) fn day(value: &Value) -> Option<NaiveDate> {
    match value {
        Value::Date(days) => NaiveDate::from_epoch_days(*days),
        _ => None,
    }
}

/// A piece of a label: numbers sort as numbers, so that 3-9 comes before 3-10.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(in crate::site) enum LabelPart {
    Number(u64),
    Words(String),
}

fn label_parts(label: &str) -> Vec<LabelPart> {
    let mut parts = Vec::new();
    let mut rest = label;
    while let Some(first) = rest.chars().next() {
        let digits = first.is_ascii_digit();
        let end = rest
            .find(|c: char| c.is_ascii_digit() != digits)
            .unwrap_or(rest.len());
        let (part, after) = rest.split_at(end);
        parts.push(match part.parse() {
            Ok(number) if digits => LabelPart::Number(number),
            _ => LabelPart::Words(part.to_lowercase()),
        });
        rest = after;
    }
    parts
}
