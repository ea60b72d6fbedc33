//! What a field can hold: values that describe themselves, so that an older version can keep,
//! show and pass on what a newer one wrote.

use std::collections::BTreeMap;

use super::id::ThingId;

/// The number of a unit in the table of units. Stable for ever.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct UnitNumber(pub u16);

/// One value, as a person entered it.
#[derive(Debug, Clone, PartialEq)]
pub enum Value {
    /// Nothing there, and why. Blank is not zero.
    Absent(Absence),
    /// Yes or no.
    Bool(bool),
    /// A count or a code.
    Int(i64),
    /// A plain number: a share, a ratio.
    Number(f64),
    /// A number in the unit in which it was entered; conversion happens on reading.
    Quantity {
        /// The number, as entered.
        amount: f64,
        /// Its unit.
        unit: UnitNumber,
    },
    /// Words: a note, a name, or one of a field's fixed choices.
    Text(String),
    /// Another thing in the same logbook.
    Thing(ThingId),
    /// A calendar day, as days since 1970-01-01.
    Date(i32),
    /// Several values in order.
    List(Vec<Value>),
    /// Named parts that change together or not at all, by part number.
    Record(BTreeMap<u16, Value>),
    /// A kind of value that this version does not know, kept as it came.
    Unknown {
        /// The kind's number.
        tag: u8,
        /// Its bytes.
        body: Vec<u8>,
    },
}

/// Why a value is not there.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Absence {
    /// Someone took the value away.
    Cleared,
    /// Nobody looked.
    NotChecked,
    /// Somebody looked and could not tell: why.
    CouldNotCheck(String),
}

impl Value {
    /// Makes a text value.
    pub fn text(words: impl Into<String>) -> Self {
        Self::Text(words.into())
    }

    /// Returns the words of a text value.
    pub fn as_text(&self) -> Option<&str> {
        match self {
            Self::Text(words) => Some(words),
            _ => None,
        }
    }

    /// Returns the thing that a reference names.
    pub fn as_thing(&self) -> Option<ThingId> {
        match self {
            Self::Thing(thing) => Some(*thing),
            _ => None,
        }
    }

    /// Returns yes or no.
    pub fn as_bool(&self) -> Option<bool> {
        match self {
            Self::Bool(yes) => Some(*yes),
            _ => None,
        }
    }

    /// Returns a count.
    pub fn as_int(&self) -> Option<i64> {
        match self {
            Self::Int(count) => Some(*count),
            _ => None,
        }
    }

    /// Returns the parts of a record.
    pub fn as_record(&self) -> Option<&BTreeMap<u16, Value>> {
        match self {
            Self::Record(parts) => Some(parts),
            _ => None,
        }
    }

    /// Returns the items of a list.
    pub fn as_list(&self) -> Option<&[Value]> {
        match self {
            Self::List(items) => Some(items),
            _ => None,
        }
    }
}

/// How the writer came to know a value.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum HowKnown {
    /// The writer did not say.
    #[default]
    Unstated,
    /// With an instrument.
    Measured,
    /// Off a label, a dial or a plan.
    Read,
    /// By eye or by judgement.
    Estimated,
    /// Carried over from the visit before.
    FromLastVisit,
    /// Worked out by the tool from other values.
    Computed,
    /// A way that this version does not know.
    Other(u8),
}
