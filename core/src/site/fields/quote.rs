//! Fields of an estimate (1000 to 1049) and of its lines (1050 to 1099).

use super::shape::{Part, SHORT, Shape, count, money, needed, optional, quantity, unit_price};
use super::table;
use super::walk::APPROVAL_PARTS;
use crate::site::estimate::TaxOn;
use crate::site::finding::Severity;
use crate::site::kind::ThingKind;
use crate::site::unit::Unit;
use crate::site::words::Vocabulary;

table! {
    /// Fields of an estimate: what the client was offered on one day.
    estimate of &[ThingKind::Estimate];
    1000 QUOTED_ON, "quoted-on", Shape::Day, "The day on which its prices were given.";
    1001 VALID_UNTIL, "valid-until", Shape::Day, "The last day on which its prices hold.";
}

const EACH: Shape = unit_price([0, 5_000], [0, 10_000_000]);
const HOW_MANY: Shape = count([1.0, 100.0], [1.0, 100_000.0]);

/// A price as it was given: one value, so that no part of it can change by itself. Its parts are
/// three lists of one length.
static QUOTED_PARTS: [Part; 13] = [
    needed(1, "total", money([0, 10_000], [0, 10_000_000])),
    needed(
        2,
        "minutes",
        quantity(Unit::Minute, [0.0, 480.0], [0.0, 10_000.0]),
    ),
    needed(3, "rate", unit_price([0, 300], [0, 10_000])),
    needed(4, "labour", money([0, 5_000], [0, 10_000_000])),
    needed(5, "charge", money([0, 5_000], [0, 10_000_000])),
    needed(
        6,
        "tax-rate",
        quantity(Unit::Percent, [0.0, 12.0], [0.0, 100.0]),
    ),
    needed(7, "tax-on", Shape::Choice(TaxOn::CHOICES)),
    needed(8, "tax", money([0, 1_000], [0, 10_000_000])),
    needed(9, "severity", Shape::Choice(Severity::CHOICES)),
    optional(10, "parts", Shape::List(&SHORT)),
    optional(11, "counts", Shape::List(&HOW_MANY)),
    optional(12, "each", Shape::List(&EACH)),
    optional(13, "work", SHORT),
];

table! {
    /// Fields of a line of an estimate.
    line of &[ThingKind::Line];
    1050 FINDING, "for-finding", Shape::Thing(&[ThingKind::Finding]), "The finding that it mends.";
    1051 QUOTED, "quoted", Shape::Record(&QUOTED_PARTS), "Its price as it was given, as one value.";
    1052 ANSWER, "answer", Shape::Record(&APPROVAL_PARTS),
        "What the client said to it, who, when and how: one value, never half.";
}
