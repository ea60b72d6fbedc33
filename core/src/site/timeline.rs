//! What an entry changed, in plain words: `pressure 42 psi -> 38 psi (measured)`.

use std::fmt::Write as _;

use chrono::NaiveDate;

use super::fields::{UNKNOWN, any, field_by_number, observation_by_number, show_any};
use super::kind::ThingKind;
use super::unit::UnitSystem;
use super::words::plain;
use crate::log::entry::{Change, Entry};
use crate::log::id::{FieldNumber, ThingId};
use crate::log::value::{HowKnown, Value};

/// What stood in a field before a change.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Before<'a> {
    /// The value.
    pub value: &'a Value,
    /// Who had written it.
    pub by: &'a str,
    /// On which day.
    pub on: Option<NaiveDate>,
}

/// What a reader of the log has to know beside the entry.
pub trait Context {
    /// Returns what a thing is called.
    fn name(&self, thing: ThingId) -> String;

    /// Returns what stood in a field before the entry, as its writer saw it.
    fn before(&self, thing: ThingId, field: FieldNumber) -> Option<Before<'_>>;
}

/// One thing that an entry changed or saw.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Told {
    /// The thing; `None` where the change is about the log itself.
    pub thing: Option<ThingId>,
    /// What happened, with the thing's name.
    pub words: String,
}

/// Tells what an entry changed, in the order of its changes; a new thing is told as one.
#[must_use]
pub fn tell(entry: &Entry, context: &impl Context, system: UnitSystem) -> Vec<Told> {
    let mut told = Vec::new();
    for change in &entry.changes {
        let words = match change {
            Change::Set {
                thing,
                field,
                value,
                how,
            } => {
                if is_new(entry, context, *thing) {
                    if *field == any::KIND.number {
                        told.push(new_thing(entry, context, *thing, value, system));
                    } else if !ON_ARRIVAL.contains(&field.0) {
                        let words = set(context, *thing, *field, value, *how, system);
                        let thing = Some(*thing);
                        told.push(Told { thing, words });
                    }
                    continue;
                }
                set(context, *thing, *field, value, *how, system)
            }
            Change::Observe {
                thing,
                what,
                value,
                how,
            } => {
                let (name, shown) = match observation_by_number(*what) {
                    Some(what) => (plain(what.name), what.show(value, system)),
                    None => (
                        format!("observation {} ({UNKNOWN})", what.0),
                        show_any(value, system),
                    ),
                };
                format!(
                    "{}: {name} {}{}",
                    context.name(*thing),
                    named(context, value, shown),
                    known(*how)
                )
            }
            Change::Receipt { of, stamp } => format!(
                "clock corrected: entry {} of device {} counts as written at {}",
                of.seq,
                of.device,
                stamp.wall().at_offset(entry.utc_offset_min).to_rfc3339()
            ),
            Change::HoldBack { of } => format!(
                "held back: entry {} of device {}, whose access had been taken back",
                of.seq, of.device
            ),
            Change::Admit { of } => format!(
                "admitted: entry {} of device {} counts after all",
                of.seq, of.device
            ),
            Change::Unknown { kind, .. } => format!("a change of kind {kind}, {UNKNOWN}"),
        };
        let thing = change.thing();
        told.push(Told { thing, words });
    }
    told
}

/// The fields that are told with a thing's arrival: kind, part-of, label, order.
const ON_ARRIVAL: [u16; 4] = [
    any::KIND.number.0,
    any::PART_OF.number.0,
    any::LABEL.number.0,
    any::ORDER.number.0,
];

/// Whether the entry is the first that says what the thing is.
fn is_new(entry: &Entry, context: &impl Context, thing: ThingId) -> bool {
    let says_kind = |change: &Change| {
        matches!(change, Change::Set { thing: of, field, .. }
            if *of == thing && *field == any::KIND.number)
    };
    entry.changes.iter().any(says_kind) && context.before(thing, any::KIND.number).is_none()
}

fn new_thing(
    entry: &Entry,
    context: &impl Context,
    thing: ThingId,
    kind: &Value,
    system: UnitSystem,
) -> Told {
    let whole = entry.changes.iter().find_map(|change| match change {
        Change::Set {
            thing: of,
            field,
            value,
            ..
        } if *of == thing && *field == any::PART_OF.number => value.as_thing(),
        _ => None,
    });
    let word = kind.as_text().and_then(ThingKind::of_word);
    let word = word.map_or_else(|| show_any(kind, system), |kind| kind.word().to_owned());
    let mut words = format!("added {word} {}", context.name(thing));
    if let Some(whole) = whole {
        // Writing to a string cannot fail.
        write!(words, " to {}", context.name(whole)).expect("a string takes any words");
    }
    let thing = Some(thing);
    Told { thing, words }
}

fn set(
    context: &impl Context,
    thing: ThingId,
    field: FieldNumber,
    value: &Value,
    how: HowKnown,
    system: UnitSystem,
) -> String {
    let known_field = field_by_number(field);
    let show = |value: &Value| {
        let shown = known_field.map(|field| field.show(value, system));
        named(
            context,
            value,
            shown.unwrap_or_else(|| show_any(value, system)),
        )
    };
    let name = known_field.map_or_else(
        || format!("field {} ({UNKNOWN})", field.0),
        |field| plain(field.name),
    );
    let of = context.name(thing);
    match (field == any::REMOVED.number, value) {
        (true, Value::Bool(true)) => return format!("{of}: removed"),
        (true, Value::Bool(false)) => return format!("{of}: brought back"),
        _ => {}
    }
    let how_known = known(how);
    match context.before(thing, field) {
        None => format!("{of}: {name} {}{how_known}", show(value)),
        Some(before) if before.value == value => {
            format!("{of}: {name} {} confirmed{how_known}", show(value))
        }
        Some(before) => {
            let on = before.on.map_or_else(String::new, |on| format!(" on {on}"));
            format!(
                "{of}: {name} {} -> {}{how_known}, was set by {}{on}",
                show(before.value),
                show(value),
                before.by
            )
        }
    }
}

/// A reference reads better by its name than by its id.
fn named(context: &impl Context, value: &Value, shown: String) -> String {
    value.as_thing().map_or(shown, |thing| context.name(thing))
}

fn known(how: HowKnown) -> &'static str {
    match how {
        HowKnown::Unstated => "",
        HowKnown::Measured => " (measured)",
        HowKnown::Read => " (read off)",
        HowKnown::Estimated => " (estimated)",
        HowKnown::FromLastVisit => " (from the visit before)",
        HowKnown::Computed => " (computed)",
        HowKnown::Other(_) => " (known in a way unknown to this version)",
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use super::*;
    use crate::log::chain::{Mark, Tip};
    use crate::log::id::{DeviceId, ObservationNumber, Seq};
    use crate::log::stamp::{Stamp, WallMs};
    use crate::site::fields;
    use crate::site::things::tests::Scene;
    use crate::site::unit::Unit;

    struct Known(BTreeMap<(ThingId, FieldNumber), Value>);

    impl Context for Known {
        fn name(&self, thing: ThingId) -> String {
            format!("thing-{}", thing.bytes()[0])
        }

        fn before(&self, thing: ThingId, field: FieldNumber) -> Option<Before<'_>> {
            let value = self.0.get(&(thing, field))?;
            let on = NaiveDate::from_ymd_opt(2026, 6, 3);
            Some(Before {
                value,
                by: "R. Ash",
                on,
            })
        }
    }

    fn psi(amount: f64) -> Value {
        Value::Quantity {
            amount,
            unit: Unit::Psi.number(),
        }
    }

    fn told(changes: Vec<Change>, before: &[(u8, &fields::FieldDef, Value)]) -> Vec<String> {
        let mut scene = Scene::new();
        scene.write(changes);
        let before = before.iter();
        let before =
            before.map(|(thing, field, value)| ((Scene::id(*thing), field.number), value.clone()));
        let told = tell(
            &scene.entries[0].entry,
            &Known(before.collect()),
            UnitSystem::Us,
        );
        told.into_iter().map(|told| told.words).collect()
    }

    fn set(thing: u8, field: &fields::FieldDef, value: Value) -> Change {
        let how = HowKnown::Measured;
        Change::Set {
            thing: Scene::id(thing),
            field: field.number,
            value,
            how,
        }
    }

    #[test]
    fn a_change_tells_both_values_and_who_wrote_the_first() {
        let field = &fields::zone::PRESSURE;
        assert_eq!(
            told(vec![set(7, field, psi(38.0))], &[(7, field, psi(42.0))]),
            ["thing-7: pressure 42 psi -> 38 psi (measured), was set by R. Ash on 2026-06-03"]
        );
        assert_eq!(
            told(vec![set(7, field, psi(38.0))], &[]),
            ["thing-7: pressure 38 psi (measured)"]
        );
        assert_eq!(
            told(vec![set(7, field, psi(38.0))], &[(7, field, psi(38.0))]),
            ["thing-7: pressure 38 psi confirmed (measured)"]
        );
    }

    #[test]
    fn a_new_thing_is_told_as_one_and_its_fields_after_it() {
        let changes = vec![
            set(7, &any::KIND, Value::text("head")),
            set(7, &any::PART_OF, Value::Thing(Scene::id(3))),
            set(7, &any::LABEL, Value::text("3-07")),
            set(7, &fields::head::REGULATED, Value::Bool(true)),
        ];
        assert_eq!(
            told(changes, &[]),
            [
                "added head thing-7 to thing-3",
                "thing-7: pressure regulated yes (measured)"
            ]
        );
    }

    #[test]
    fn removal_references_observations_and_receipts_read_as_sentences() {
        let of = Mark {
            device: DeviceId::from_bytes([7; 16]),
            seq: Seq::FIRST,
            tip: Tip::NONE,
        };
        let stamp = Stamp::new(WallMs::new(1_784_030_400_000), 0);
        let changes = vec![
            set(7, &any::REMOVED, Value::Bool(true)),
            set(8, &any::PART_OF, Value::Thing(Scene::id(3))),
            Change::Observe {
                thing: Scene::id(7),
                what: fields::seen::ZONE_SKIPPED.number,
                value: Value::text("gate locked"),
                how: HowKnown::Unstated,
            },
            Change::Receipt { of, stamp },
        ];
        assert_eq!(
            told(changes, &[]),
            [
                "thing-7: removed",
                "thing-8: part of thing-3 (measured)",
                "thing-7: zone skipped gate locked",
                "clock corrected: entry 1 of device 07070707-0707-0707-0707-070707070707 counts \
                 as written at 2026-07-14T07:00:00-05:00",
            ]
        );
    }

    #[test]
    fn what_a_later_version_wrote_is_told_as_unknown() {
        let changes = vec![
            Change::Set {
                thing: Scene::id(7),
                field: FieldNumber(9_999),
                value: Value::Int(3),
                how: HowKnown::Unstated,
            },
            Change::Observe {
                thing: Scene::id(7),
                what: ObservationNumber(9_999),
                value: Value::Bool(true),
                how: HowKnown::Unstated,
            },
            Change::Unknown {
                kind: 77,
                body: vec![1],
            },
        ];
        assert_eq!(
            told(changes, &[]),
            [
                "thing-7: field 9999 (unknown to this version) 3",
                "thing-7: observation 9999 (unknown to this version) yes",
                "a change of kind 77, unknown to this version",
            ]
        );
    }
}
