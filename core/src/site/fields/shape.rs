//! What a field may hold: its shape, its unit, what is usual and what is possible.

use crate::site::kind::ThingKind;
use crate::site::unit::Unit;
use crate::site::words::Choice;

/// What a field or an observation may hold.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Shape {
    /// Free words, at most so many bytes.
    Words(usize),
    /// One of fixed words.
    Choice(&'static [Choice]),
    /// Yes or no.
    YesNo,
    /// A whole number.
    Count(Limits),
    /// A number without a unit.
    Number(Limits),
    /// A number with a unit.
    Quantity(Quantity),
    /// An exact amount of money.
    Money(Money),
    /// Another thing of the same logbook, of one of these kinds.
    Thing(&'static [ThingKind]),
    /// A calendar day.
    Day,
    /// A time of day.
    Time,
    /// A controller's whole set of programs.
    Programs,
    /// Named parts that are written together.
    Record(&'static [Part]),
    /// Several of the same, in order.
    List(&'static Shape),
}

/// What is usual (ask once outside it) and what is possible (refuse outside it), both ends
/// included, in the unit of the field.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// From, to: no comment within.
    pub usual: [f64; 2],
    /// From, to: nothing outside is taken.
    pub possible: [f64; 2],
}

/// A number with a unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Quantity {
    /// The unit of the limits, and of a bare number in US customary units.
    pub unit: Unit,
    /// What is usual and what is possible.
    pub limits: Limits,
    /// Words that stand for an amount, such as `half` for an arc of 180.
    pub named: &'static [(&'static str, f64)],
    /// Readings that are words, such as `open` for a broken wire.
    pub or: &'static [Choice],
}

/// An exact amount of money, in whole dollars what is usual and what is possible.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Money {
    /// From, to: no comment within.
    pub usual: [i64; 2],
    /// From, to: nothing outside is taken.
    pub possible: [i64; 2],
    /// How small its smallest part is.
    pub to: To,
}

/// How small the smallest part of an amount is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum To {
    /// A cent: what somebody pays.
    Cent,
    /// A ten-thousandth of a dollar: what one of something costs.
    TenThousandth,
}

/// One part of a record.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Part {
    /// The number that is stored. Stable for ever, unique in its record.
    pub number: u16,
    /// The name, as typed.
    pub name: &'static str,
    /// What it may hold; never a record.
    pub shape: Shape,
    /// Whether the record makes sense without it.
    pub need: Need,
}

/// Whether a record makes sense without a part.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Need {
    /// It does not.
    Needed,
    /// It does.
    Optional,
}

/// A quantity with its usual and its possible range.
pub(super) const fn quantity(unit: Unit, usual: [f64; 2], possible: [f64; 2]) -> Shape {
    named(unit, usual, possible, &[])
}

/// A quantity of which some amounts have names.
pub(super) const fn named(
    unit: Unit,
    usual: [f64; 2],
    possible: [f64; 2],
    named: &'static [(&'static str, f64)],
) -> Shape {
    let limits = Limits { usual, possible };
    Shape::Quantity(Quantity {
        unit,
        limits,
        named,
        or: &[],
    })
}

/// A quantity that can also be one of a few words.
pub(super) const fn quantity_or(
    unit: Unit,
    usual: [f64; 2],
    possible: [f64; 2],
    or: &'static [Choice],
) -> Shape {
    let limits = Limits { usual, possible };
    Shape::Quantity(Quantity {
        unit,
        limits,
        named: &[],
        or,
    })
}

/// What somebody pays, in whole dollars from and to.
pub(super) const fn money(usual: [i64; 2], possible: [i64; 2]) -> Shape {
    let to = To::Cent;
    Shape::Money(Money {
        usual,
        possible,
        to,
    })
}

/// What one of something costs, in whole dollars from and to.
pub(super) const fn unit_price(usual: [i64; 2], possible: [i64; 2]) -> Shape {
    let to = To::TenThousandth;
    Shape::Money(Money {
        usual,
        possible,
        to,
    })
}

/// A whole number with its usual and its possible range.
pub(super) const fn count(usual: [f64; 2], possible: [f64; 2]) -> Shape {
    Shape::Count(Limits { usual, possible })
}

/// A plain number with its usual and its possible range.
pub(super) const fn number(usual: [f64; 2], possible: [f64; 2]) -> Shape {
    Shape::Number(Limits { usual, possible })
}

/// A part that a record cannot do without.
pub(super) const fn needed(number: u16, name: &'static str, shape: Shape) -> Part {
    let need = Need::Needed;
    Part {
        number,
        name,
        shape,
        need,
    }
}

/// A part that may be left out.
pub(super) const fn optional(number: u16, name: &'static str, shape: Shape) -> Part {
    let need = Need::Optional;
    Part {
        number,
        name,
        shape,
        need,
    }
}

/// A name, a label, a short remark.
pub(super) const SHORT: Shape = Shape::Words(200);
/// A paragraph.
pub(super) const LONG: Shape = Shape::Words(4_000);
