//! What the table promises: numbers and names are unique, ranges make sense, and whatever is
//! shown reads back, for every line of it.

use std::collections::{BTreeMap, BTreeSet};

use proptest::prelude::*;

use super::*;
use crate::log::codec;
use crate::log::value::{Absence, Value};
use crate::site::money::{Money, UnitPrice};
use crate::site::programs::tests::any_set;
use crate::site::unit::{Unit, UnitSystem};

fn each_shape(check: &mut dyn FnMut(&str, Shape)) {
    fn into(name: &str, shape: Shape, check: &mut dyn FnMut(&str, Shape)) {
        check(name, shape);
        match shape {
            Shape::Record(parts) => {
                for part in parts {
                    into(&format!("{name} {}", part.name), part.shape, check);
                }
            }
            Shape::List(item) => into(name, *item, check),
            _ => {}
        }
    }
    for field in all_fields() {
        into(&field.title(), field.shape, check);
    }
    for seen in all_observations() {
        into(seen.name, seen.shape, check);
    }
}

#[test]
fn numbers_are_unique_and_in_order() {
    let fields: Vec<u16> = all_fields().map(|field| field.number.0).collect();
    assert!(fields.is_sorted_by(|a, b| a < b), "{fields:?}");
    let seen: Vec<u16> = all_observations().map(|seen| seen.number.0).collect();
    assert!(seen.is_sorted_by(|a, b| a < b), "{seen:?}");
    for field in all_fields() {
        assert_eq!(field_by_number(field.number), Some(field));
    }
}

#[test]
fn every_kind_has_each_name_once_be_it_a_field_or_an_observation() {
    for &kind in ThingKind::ALL {
        let mut names = BTreeSet::new();
        let fields = fields_of(kind).map(|field| field.name);
        for name in fields.chain(observations_of(kind).map(|seen| seen.name)) {
            assert!(names.insert(name), "{name} of {}", kind.with_article());
            let plain = |c: char| c.is_ascii_lowercase() || c == '-';
            assert!(name.chars().all(plain), "{name}");
        }
    }
    let mut names = BTreeSet::new();
    for seen in all_observations() {
        assert!(names.insert(seen.name), "{}", seen.name);
    }
}

#[test]
fn every_kind_has_fields_of_its_own() {
    for &kind in ThingKind::ALL {
        assert!(fields_of(kind).any(|field| field.of.len() <= 5), "{kind}");
        assert!(field(kind, "kind").is_some() && field(kind, "part-of").is_some());
    }
}

#[test]
fn the_usual_lies_within_the_possible() {
    each_shape(&mut |name, shape| {
        let limits = match shape {
            Shape::Count(limits) | Shape::Number(limits) => limits,
            Shape::Quantity(quantity) => quantity.limits,
            Shape::Money(money) => Limits {
                usual: money.usual.map(|dollars| dollars as f64),
                possible: money.possible.map(|dollars| dollars as f64),
            },
            _ => return,
        };
        let ([low, high], [least, most]) = (limits.usual, limits.possible);
        assert!(least <= low && low <= high && high <= most, "{name}");
    });
}

#[test]
fn choices_and_parts_are_unique_and_records_do_not_nest() {
    each_shape(&mut |name, shape| match shape {
        Shape::Choice(choices) => {
            let mut words = BTreeSet::new();
            for choice in choices {
                for word in std::iter::once(&choice.word).chain(choice.also) {
                    assert!(words.insert(*word), "{name}: {word}");
                }
            }
        }
        Shape::Record(parts) => {
            let numbers: Vec<u16> = parts.iter().map(|part| part.number).collect();
            assert!(numbers.is_sorted_by(|a, b| a < b), "{name}");
            let names: BTreeSet<&str> = parts.iter().map(|part| part.name).collect();
            assert_eq!(names.len(), parts.len(), "{name}");
            let nested = |part: &Part| matches!(part.shape, Shape::Record(_) | Shape::Programs);
            assert!(!parts.iter().any(nested), "{name}");
        }
        _ => {}
    });
}

/// Any value that fits a shape, in any unit of its dimension.
fn fitting(shape: Shape) -> BoxedStrategy<Value> {
    match shape {
        Shape::Words(_) => "[a-z]{1,8}( [a-z0-9]{1,8}){0,2}"
            .prop_filter("means blank", |words| words != "none" && words != "blank")
            .prop_map(Value::Text)
            .boxed(),
        Shape::Choice(choices) => prop::sample::select(choices)
            .prop_map(|choice| Value::text(choice.word))
            .boxed(),
        Shape::YesNo => any::<bool>().prop_map(Value::Bool).boxed(),
        Shape::Count(limits) => (limits.possible[0] as i64..=limits.possible[1] as i64)
            .prop_map(Value::Int)
            .boxed(),
        Shape::Number(limits) => (limits.possible[0]..=limits.possible[1])
            .prop_map(Value::Number)
            .boxed(),
        Shape::Quantity(quantity) => {
            let same = |unit: &&Unit| unit.dimension() == quantity.unit.dimension();
            let units: Vec<Unit> = Unit::ALL.iter().filter(same).copied().collect();
            let [least, most] = quantity.limits.possible;
            // A little inside, so that the way to another unit and back stays possible.
            let inside = (least + (most - least) * 1e-9)..(most - (most - least) * 1e-9);
            let amounts = (prop::sample::select(units), inside).prop_map(move |(unit, amount)| {
                Value::Quantity {
                    amount: quantity.unit.amount_in(amount, unit).unwrap(),
                    unit: unit.number(),
                }
            });
            if quantity.or.is_empty() {
                amounts.boxed()
            } else {
                prop_oneof![amounts, fitting(Shape::Choice(quantity.or))].boxed()
            }
        }
        Shape::Money(shape) => {
            let fine = shape.possible[0] * 10_000..=shape.possible[1] * 10_000;
            fine.prop_map(move |fine| match shape.to {
                To::Cent => Money::cents(fine / 100).value(),
                To::TenThousandth => {
                    let text = format!("{}.{:04}", fine / 10_000, fine % 10_000);
                    UnitPrice::of_text(&text).unwrap().value()
                }
            })
            .boxed()
        }
        Shape::Thing(_) => any::<[u8; 16]>()
            .prop_map(|bytes| Value::Thing(crate::log::id::ThingId::from_bytes(bytes)))
            .boxed(),
        Shape::Day => (-20_000_i32..40_000).prop_map(Value::Date).boxed(),
        Shape::Time => (0_i64..1_440).prop_map(Value::Int).boxed(),
        Shape::Programs => any_set().prop_map(|set| set.value()).boxed(),
        Shape::List(item) => prop::collection::vec(fitting(*item), 1..5)
            .prop_map(Value::List)
            .boxed(),
        Shape::Record(parts) => {
            let parts: Vec<_> = parts
                .iter()
                .map(|part| {
                    let value = fitting(part.shape);
                    let value = match part.need {
                        Need::Needed => value.prop_map(Some).boxed(),
                        Need::Optional => prop::option::of(value).boxed(),
                    };
                    (Just(part.number), value)
                })
                .collect();
            let given = |parts: Vec<(u16, Option<Value>)>| -> BTreeMap<u16, Value> {
                let given = parts.into_iter();
                given
                    .filter_map(|(part, value)| Some((part, value?)))
                    .collect()
            };
            parts
                .prop_map(given)
                .prop_filter("an empty record says nothing", |parts| !parts.is_empty())
                .prop_map(Value::Record)
                .boxed()
        }
    }
}

/// The system in which a value is shown exactly as entered; `None` where its parts are mixed.
fn own_system(value: &Value) -> Option<UnitSystem> {
    fn all_in(value: &Value, system: UnitSystem) -> bool {
        match value {
            Value::Quantity { unit, .. } => {
                let unit = Unit::of_number(*unit).unwrap();
                unit.in_system(system) == unit
            }
            Value::List(items) => items.iter().all(|item| all_in(item, system)),
            Value::Record(parts) => parts.values().all(|part| all_in(part, system)),
            _ => true,
        }
    }
    [UnitSystem::Us, UnitSystem::Si]
        .into_iter()
        .find(|system| all_in(value, *system))
}

fn any_line() -> impl Strategy<Value = (&'static FieldDef, Value)> {
    let fields: Vec<&'static FieldDef> = all_fields().collect();
    prop::sample::select(fields)
        .prop_flat_map(|field| fitting(field.shape).prop_map(move |value| (field, value)))
}

fn any_seen() -> impl Strategy<Value = (&'static ObservationDef, Value)> {
    let all: Vec<&'static ObservationDef> = all_observations().collect();
    prop::sample::select(all)
        .prop_flat_map(|seen| fitting(seen.shape).prop_map(move |value| (seen, value)))
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 3_000, ..ProptestConfig::default() })]

    #[test]
    fn what_a_field_shows_it_reads_back((field, value) in any_line()) {
        if let Some(system) = own_system(&value) {
            let shown = field.show(&value, system);
            let parsed = field.parse(&shown, system);
            prop_assert_eq!(parsed.map(|parsed| parsed.value), Ok(value), "{}", shown);
        }
    }

    #[test]
    fn what_an_observation_shows_it_reads_back((seen, value) in any_seen()) {
        if let Some(system) = own_system(&value) {
            let shown = seen.show(&value, system);
            let parsed = seen.parse(&shown, system);
            prop_assert_eq!(parsed.map(|parsed| parsed.value), Ok(value), "{}", shown);
        }
    }

    #[test]
    fn what_fits_a_field_survives_its_bytes((_, value) in any_line()) {
        prop_assert_eq!(codec::decode_value(&codec::encode_value(&value)), Ok(value));
    }

    #[test]
    fn no_text_makes_a_field_panic(
        (field, _) in any_line(),
        text in prop_oneof!["[-+0-9.,/ a-z%$=:;é°]{0,24}", ".{0,24}"],
    ) {
        let _read = field.parse(&text, UnitSystem::Us).is_ok();
    }
}

fn us(kind: ThingKind, name: &str, text: &str) -> Result<Parsed, FieldError> {
    known_field(kind, name)?.parse(text, UnitSystem::Us)
}

#[test]
fn a_pressure_reads_in_the_ways_people_write_it() {
    let check = |text: &str, expected: &str| {
        let field = field(ThingKind::Zone, "pressure").unwrap();
        let parsed = field.parse(text, UnitSystem::Us).unwrap();
        assert_eq!(
            field.show(&parsed.value, UnitSystem::Us),
            expected,
            "{text}"
        );
    };
    check("35psi", "35 psi");
    check("35 PSI", "35 psi");
    check("35", "35 psi");
    check("240kPa", "34.81 psi");
    check("2.5 bar", "36.26 psi");
    check("not checked", "not checked");
    check(
        "Could not check: Dog in yard",
        "could not check: Dog in yard",
    );
    check("none", "blank");
}

#[test]
fn a_bare_number_is_in_the_units_of_the_reader() {
    let area = field(ThingKind::Zone, "area").unwrap();
    let parsed = area.parse("100", UnitSystem::Si).unwrap();
    assert_eq!(area.show(&parsed.value, UnitSystem::Us), "1076 ft²");
}

#[test]
fn numbers_read_with_thousands_and_fractions() {
    let check = |name: &str, text: &str, expected: &str| {
        let field = fields_of(ThingKind::Zone)
            .chain(fields_of(ThingKind::Supply))
            .find(|field| field.name == name)
            .unwrap();
        let parsed = field.parse(text, UnitSystem::Us).unwrap();
        assert_eq!(
            field.show(&parsed.value, UnitSystem::Us),
            expected,
            "{text}"
        );
    };
    check("area", "1,350 sqft", "1350 ft²");
    check("meter-size", "5/8", "0.625 in");
    check("meter-size", "1-1/2 in", "1.5 in");
    check("meter-size", "1 1/2\"", "1.5 in");
    check("area", "8.5e2 ft2", "850 ft²");
}

#[test]
fn the_words_for_an_arc_stand_for_degrees() {
    let check = |text: &str, expected: f64| {
        let parsed = us(ThingKind::Head, "arc", text).unwrap();
        let unit = Unit::Degree.number();
        let amount = expected;
        assert_eq!(parsed.value, Value::Quantity { amount, unit }, "{text}");
    };
    check("half", 180.0);
    check("Quarter", 90.0);
    check("three quarters", 270.0);
    check("full", 360.0);
    check("180deg", 180.0);
    check("180", 180.0);
}

#[test]
fn what_cannot_be_is_refused_in_one_line_that_says_what_where_and_what_next() {
    let check = |kind, name: &str, text: &str, expected: &str| {
        let error = us(kind, name, text).unwrap_err().to_string();
        assert!(error.starts_with(expected), "{error}");
        assert!(!error.contains('\n'));
    };
    check(
        ThingKind::Zone,
        "pressure",
        "wet",
        "pressure of a zone: `wet` does not fit; write a number of psi, such as 15 psi",
    );
    check(
        ThingKind::Zone,
        "pressure",
        "35 gpm",
        "pressure of a zone: `gpm` is not a unit of it; write a number of psi",
    );
    check(
        ThingKind::Head,
        "arc",
        "400",
        "arc of a head: 400° is impossible, it must be from 1° to 360°; correct it",
    );
    check(
        ThingKind::Zone,
        "area",
        "-5",
        "area of a zone: -5 ft² is impossible, it must be from 1 ft² to",
    );
    check(
        ThingKind::Zone,
        "presure",
        "35",
        "unknown field `presure` of a zone; did you mean `pressure`",
    );
    check(
        ThingKind::Zone,
        "soil",
        "clai",
        "soil of a zone: `clai` is not one of its choices; did you mean `clay`",
    );
    check(
        ThingKind::Zone,
        "area",
        "",
        "area of a zone: nothing was given; write a number of ft²",
    );
    check(
        ThingKind::Zone,
        "area",
        "1,5",
        "area of a zone: `1,5` does not fit",
    );
    for never in ["NaN", "inf", "1/0", "0/0", "--5", "5 5", "1e999"] {
        assert!(
            us(ThingKind::Zone, "coefficient", never).is_err(),
            "{never}"
        );
        assert!(us(ThingKind::Zone, "area", never).is_err(), "{never}");
    }
}

#[test]
fn what_is_unusual_is_asked_about_and_kept() {
    let parsed = us(ThingKind::Zone, "pressure", "90").unwrap();
    assert_eq!(
        parsed.ask.as_deref(),
        Some("pressure of a zone: 90 psi is outside the usual 15 psi to 75 psi: is it right?")
    );
    assert_eq!(us(ThingKind::Zone, "pressure", "38").unwrap().ask, None);
    let metric = us(ThingKind::Zone, "pressure", "600 kPa")
        .unwrap()
        .ask
        .unwrap();
    assert!(
        metric.contains("600 kPa is outside the usual 103.4 kPa to 517.1 kPa"),
        "{metric}"
    );
}

#[test]
fn a_refused_value_can_be_kept_as_a_note() {
    let error = us(ThingKind::Head, "arc", "400").unwrap_err();
    assert_eq!(
        error.as_note("400").as_deref(),
        Some("entered for arc of a head and not counted: 400")
    );
}

#[test]
fn a_word_that_is_a_choice_is_not_taken_for_blank() {
    let sensor = us(ThingKind::Controller, "rain-sensor", "none").unwrap();
    assert_eq!(sensor.value, Value::text("none"));
    let sensor = us(ThingKind::Controller, "rain-sensor", "blank").unwrap();
    assert_eq!(sensor.value, Value::Absent(Absence::Cleared));
}

#[test]
fn a_catch_can_test_reads_from_one_line() {
    let test = known_observation("catch-cans").unwrap();
    let text = "22, 25, 28 mL throat=16.5in2 minutes=10 wind=3,4";
    let parsed = test.parse(text, UnitSystem::Us).unwrap();
    assert_eq!(
        test.show(&parsed.value, UnitSystem::Us),
        "22 mL, 25 mL, 28 mL; minutes: 10 min; throat: 16.5 in²; wind: 3 mph, 4 mph"
    );
    let same = test.parse(
        "ml: 22 25 28; throat: 16.5; minutes: 10; wind: 3 4",
        UnitSystem::Us,
    );
    assert_eq!(same.unwrap().value, parsed.value);
}

#[test]
fn a_record_says_which_part_is_wrong_missing_or_unknown() {
    let check = |text: &str, expected: &str| {
        let seen = known_observation("pressure-reading").unwrap();
        let error = seen.parse(text, UnitSystem::Us).unwrap_err().to_string();
        assert!(error.starts_with(expected), "{error}");
    };
    check(
        "38psi at=roof",
        "pressure-reading: at: `roof` is not one of its choices",
    );
    check(
        "at=valve",
        "pressure-reading: `pressure` is missing; write `pressure=`",
    );
    check(
        "38psi wher=valve",
        "pressure-reading: it has no part `wher`",
    );
    check(
        "38psi pressure=40",
        "pressure-reading: `pressure` is given twice",
    );
}

#[test]
fn a_reading_can_be_a_word() {
    let ohms = known_observation("solenoid-ohms").unwrap();
    let parsed = ohms.parse("open at=controller", UnitSystem::Us).unwrap();
    assert_eq!(
        ohms.show(&parsed.value, UnitSystem::Us),
        "open; at: controller"
    );
    assert_eq!(parsed.ask, None);
    let parsed = ohms.parse("90", UnitSystem::Us).unwrap();
    assert!(
        parsed
            .ask
            .unwrap()
            .contains("90 Ω is outside the usual 15 Ω to 80 Ω")
    );
}

#[test]
fn what_a_later_version_wrote_is_shown_as_unknown() {
    use crate::log::id::FieldNumber;
    use crate::log::value::UnitNumber;
    assert_eq!(field_by_number(FieldNumber(9_999)), None);
    let newer = Value::Unknown {
        tag: 77,
        body: vec![1],
    };
    let area = field(ThingKind::Zone, "area").unwrap();
    assert_eq!(area.show(&newer, UnitSystem::Us), UNKNOWN);
    let odd = Value::Quantity {
        amount: 3.0,
        unit: UnitNumber(9_999),
    };
    assert_eq!(
        area.show(&odd, UnitSystem::Us),
        "3 (unit unknown to this version)"
    );
    let record = Value::Record(BTreeMap::from([(99, Value::Int(1))]));
    let test = known_observation("catch-cans").unwrap();
    assert_eq!(
        test.show(&record, UnitSystem::Us),
        "part 99: unknown to this version"
    );
}
