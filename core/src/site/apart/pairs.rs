//! Records that look like one thing entered twice, by crews who had not seen each other.

use std::collections::BTreeSet;
use std::fmt;

use crate::log::id::{ChainId, Place, ThingId};
use crate::log::value::Value;
use crate::site::fields::{any, head, sketch, zone};
use crate::site::kind::ThingKind;
use crate::site::things::{Site, Thing};
use crate::water::units::Feet;

/// How near two places on a sketch are to be taken for one: three feet. Common practice, no
/// source.
const CLOSE_FT: f64 = 3.0;

/// Two records that may be of one thing.
#[derive(Debug, Clone, PartialEq)]
pub struct Pair {
    /// The one that was entered first.
    pub first: ThingId,
    /// The other.
    pub second: ThingId,
    /// What speaks for it.
    pub why: Vec<Why>,
}

/// What speaks for it that two records are of one thing.
#[derive(Debug, Clone, PartialEq)]
pub enum Why {
    /// Both are called the same, such as 3-07 and 3-7.
    SameName,
    /// They stand so near each other on the sketch, and are of one kind.
    Near(Feet),
}

impl fmt::Display for Why {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::SameName => f.write_str("the same number or label"),
            Self::Near(feet) => write!(f, "{:.1} ft from each other", feet.get()),
        }
    }
}

/// Returns the pairs that a person should look at, by first record: there, of one kind, in one
/// zone or site, not told apart before, entered by two who had not seen each other's, and called
/// the same or near each other.
///
/// `saw(a, b)` tells whether the writer of entry `a` had entry `b` before them.
#[must_use]
pub fn suggested(site: &Site<'_>, saw: impl Fn(Place, Place) -> bool) -> Vec<Pair> {
    let there = |thing: &Thing<'_>| {
        thing.kind.is_some_and(|kind| KINDS.contains(&kind))
            && !thing.is_removed()
            && site.kept(thing.id) == thing.id
    };
    let things: Vec<_> = site.things().filter(there).collect();
    let mut pairs = Vec::new();
    for (at, one) in things.iter().enumerate() {
        for other in things.iter().skip(at + 1) {
            if one.kind != other.kind || one.part_of() != other.part_of() {
                continue;
            }
            let why = why(one, other);
            if why.is_empty() || told_apart(one, other) || !entered_apart(one, other, &saw) {
                continue;
            }
            let first_one = entered(one) <= entered(other);
            let (first, second) = if first_one {
                (one, other)
            } else {
                (other, one)
            };
            pairs.push(Pair {
                first: first.id,
                second: second.id,
                why,
            });
        }
    }
    pairs
}

/// Returns whether [`suggested`] may suggest anything, whatever it is told of who saw what: nothing where one
/// device entered all things, who had seen everything.
#[must_use]
pub fn may_suggest(site: &Site<'_>) -> bool {
    let kinds = site.things().filter_map(|thing| thing.register(&any::KIND));
    let chains = kinds.flat_map(|kind| kind.open().iter().map(|write| write.place.chain));
    let chains: BTreeSet<ChainId> = chains.collect();
    chains.len() > 1 && !suggested(site, |_, _| false).is_empty()
}

/// What a crew can enter twice; visits and findings are two where two crews made them.
const KINDS: [ThingKind; 6] = [
    ThingKind::Supply,
    ThingKind::Controller,
    ThingKind::Zone,
    ThingKind::Valve,
    ThingKind::Head,
    ThingKind::Spot,
];

fn why(one: &Thing<'_>, other: &Thing<'_>) -> Vec<Why> {
    let mut why = Vec::new();
    if same_name(one, other) {
        why.push(Why::SameName);
    }
    let kinds = [one, other].map(|thing| thing.raw(&head::HEAD_KIND));
    let may_be_one_kind = match kinds {
        [Some(one), Some(other)] => one == other,
        _ => true,
    };
    if let (true, Some(feet)) = (may_be_one_kind, apart(one, other))
        && feet.get() <= CLOSE_FT
    {
        why.push(Why::Near(feet));
    }
    why
}

fn same_name(one: &Thing<'_>, other: &Thing<'_>) -> bool {
    if one.kind == Some(ThingKind::Zone) {
        let number = |thing: &Thing<'_>| thing.count(&zone::NUMBER).ok().map(|fact| fact.value);
        if let (Some(one), Some(other)) = (number(one), number(other)) {
            return one == other;
        }
    }
    match (one.plain_label(), other.plain_label()) {
        (Some(one), Some(other)) => one == other,
        // A site has one of these as a rule, and nobody gives the only one a label.
        (None, None) => matches!(one.kind, Some(ThingKind::Supply | ThingKind::Controller)),
        _ => false,
    }
}

fn apart(one: &Thing<'_>, other: &Thing<'_>) -> Option<Feet> {
    let place = |thing: &Thing<'_>| -> Option<(f64, f64)> {
        let (east, north) = (thing.measure(&sketch::EAST), thing.measure(&sketch::NORTH));
        let (east, north): (Feet, Feet) = (east.ok()?.value, north.ok()?.value);
        Some((east.get(), north.get()))
    };
    let ((one_east, one_north), (east, north)) = (place(one)?, place(other)?);
    Some(Feet::new((one_east - east).hypot(one_north - north)))
}

/// Whether somebody said that the two are different things.
fn told_apart(one: &Thing<'_>, other: &Thing<'_>) -> bool {
    let says = |thing: &Thing<'_>, of: ThingId| {
        let said = thing.raw(&any::TOLD_APART).and_then(Value::as_list);
        said.unwrap_or_default().contains(&Value::Thing(of))
    };
    says(one, other.id) || says(other, one.id)
}

fn entered_apart(one: &Thing<'_>, other: &Thing<'_>, saw: impl Fn(Place, Place) -> bool) -> bool {
    let neither_saw =
        |(one, other): (Place, Place)| one != other && !saw(one, other) && !saw(other, one);
    let entered = |thing: &Thing<'_>| -> Vec<Place> {
        let kind = thing.register(&any::KIND);
        let open = kind.map_or(&[][..], |kind| kind.open());
        open.iter().map(|write| write.place).collect()
    };
    let (one, other) = (entered(one), entered(other));
    let all = one
        .iter()
        .flat_map(|one| other.iter().map(|other| (*one, *other)));
    all.into_iter().any(neither_saw)
}

/// When a record was entered, with its id where that is the same.
fn entered(thing: &Thing<'_>) -> (Option<crate::log::stamp::Stamp>, ThingId) {
    let kind = thing.register(&any::KIND);
    let stamps = kind.and_then(|kind| kind.open().iter().map(|write| write.stamp).min());
    (stamps, thing.id)
}
