//! Fields that every thing has: numbers 1 to 49.

use super::shape::{SHORT, Shape, count};
use super::table;
use crate::site::kind::ThingKind;
use crate::site::words::Choice;

/// The words for the kinds of thing, as choices.
static KINDS: [Choice; ThingKind::ALL.len()] = {
    let mut kinds = [Choice {
        word: "",
        also: &[],
    }; ThingKind::ALL.len()];
    let mut at = 0;
    while at < kinds.len() {
        kinds[at].word = ThingKind::ALL[at].word();
        at += 1;
    }
    kinds
};

table! {
    /// Fields that every thing has.
    any of ThingKind::ALL;
    1 KIND, "kind", Shape::Choice(&KINDS), "What the thing is.";
    2 PART_OF, "part-of", Shape::Thing(ThingKind::ALL),
        "What it belongs to: a head to its zone, a zone to its site.";
    3 LABEL, "label", SHORT, "What the crew calls it, such as 3-07.";
    4 REMOVED, "removed", Shape::YesNo,
        "No longer there; its history stays, and it can be brought back.";
    5 ORDER, "order", count([0.0, 200.0], [0.0, 1e6]), "Its place in the order of the walk.";
    6 REMARK, "remark",
        Shape::Words(4_000), "What the next crew must know, and nobody can measure.";
    7 SAME_AS, "same-as", Shape::Thing(ThingKind::ALL),
        "The thing of which this is a second record; blank takes them apart again.";
    40 TOLD_APART, "told-apart", Shape::List(&Shape::Thing(ThingKind::ALL)),
        "Things that look like this one and are others: they are not suggested for joining.";
}
