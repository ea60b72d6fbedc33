//! Fields of an area on the sketch (900 to 949) and of a landmark to measure from (950 to 999).

use super::shape::{Part, SHORT, Shape, needed, quantity};
use super::table;
use crate::site::kind::ThingKind;
use crate::site::map::Ground;
use crate::site::unit::Unit;
use crate::site::words::Vocabulary;

const CORNER: Shape = quantity(Unit::Foot, [-500.0, 500.0], [-5_000.0, 5_000.0]);

/// Corners in the order of a walk around: an outline makes sense only as a whole.
static OUTLINE_PARTS: [Part; 2] = [
    needed(1, "east", Shape::List(&CORNER)),
    needed(2, "north", Shape::List(&CORNER)),
];

table! {
    /// Fields of an area.
    area of &[ThingKind::Area];
    900 SURFACE, "surface", Shape::Choice(Ground::CHOICES), "What covers the ground.";
    901 OUTLINE, "outline", Shape::Record(&OUTLINE_PARTS),
        "Its corners on the sketch, in the order of a walk around it.";
}

table! {
    /// Fields of a landmark.
    landmark of &[ThingKind::Landmark];
    950 SEEN_AS, "seen-as", SHORT, "What it is on the ground: a house corner, a gate post.";
}
