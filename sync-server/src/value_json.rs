//! A stored value as JSON: as it was entered, whatever `--units` says, so that nothing is rounded.
//!
//! | value | JSON |
//! |---|---|
//! | words, a choice, a time of day, programs | a string; times as `05:30` |
//! | yes or no, a count, a plain number | `true`, `12`, `0.62` |
//! | money | `{"amount": "12.50", "unit": "$"}`, the decimal as text |
//! | a quantity | `{"amount": 38.0, "unit": "psi"}` |
//! | a day | `"2026-07-14"` |
//! | another thing | `{"thing": ID}` |
//! | several | a list |
//! | named parts | an object |
//! | nothing, and why | `{"absent": "blank"}`, `"not checked"`, `"could not check"` with `"why"` |
//! | unknown to this version | `{"unknown": KIND, "bytes": HEX}` |

use chrono::NaiveDate;
use data_encoding::HEXLOWER;
use serde_json::{Map, Value as Json, json};

use headwalk_core::log::stamp::WallMs;
use headwalk_core::log::value::{Absence, HowKnown, Value};
use headwalk_core::site::fields::{Part, Shape};
use headwalk_core::site::programs::ProgramSet;
use headwalk_core::site::time_of_day;
use headwalk_core::site::unit::Unit;

/// Returns a value of a field of that shape; without a shape its kind alone says what it is.
pub fn value_json(shape: Option<Shape>, value: &Value) -> Json {
    match (shape, value) {
        (Some(Shape::Time), value) => match time_of_day::read(value) {
            Some(time) => json!(time.to_string()),
            None => any(value),
        },
        (Some(Shape::Programs), value) => match ProgramSet::read(value) {
            Some(set) => json!(set.to_string()),
            None => any(value),
        },
        (Some(Shape::Money(_)), Value::Text(amount)) => {
            json!({"amount": amount.replacen('$', "", 1), "unit": "$"})
        }
        (Some(Shape::List(item)), Value::List(items)) => {
            let items = items.iter().map(|value| value_json(Some(*item), value));
            Json::Array(items.collect())
        }
        (Some(Shape::Record(parts)), Value::Record(values)) => {
            let named = values.iter().map(|(number, value)| {
                let part = parts.iter().find(|part| part.number == *number);
                let shape = part.map(|part: &Part| part.shape);
                let name = part.map_or_else(|| number.to_string(), |part| part.name.to_owned());
                (name, value_json(shape, value))
            });
            Json::Object(named.collect())
        }
        (_, value) => any(value),
    }
}

/// Returns a moment in RFC 3339, to the millisecond only where it has any.
pub fn rfc3339(at: WallMs, utc_offset_min: i16) -> String {
    let at = at.at_offset(utc_offset_min);
    let format = match at.timestamp_subsec_millis() {
        0 => chrono::SecondsFormat::Secs,
        _ => chrono::SecondsFormat::Millis,
    };
    at.to_rfc3339_opts(format, true)
}

/// Returns the word for how something is known; none where the writer did not say.
pub fn how_word(how: HowKnown) -> Option<String> {
    Some(match how {
        HowKnown::Unstated => return None,
        HowKnown::Measured => "measured".to_owned(),
        HowKnown::Read => "read".to_owned(),
        HowKnown::Estimated => "estimated".to_owned(),
        HowKnown::FromLastVisit => "from last visit".to_owned(),
        HowKnown::Computed => "computed".to_owned(),
        HowKnown::Other(code) => format!("in way {code}, unknown to this version"),
    })
}

fn any(value: &Value) -> Json {
    match value {
        Value::Absent(Absence::Cleared) => json!({"absent": "blank"}),
        Value::Absent(Absence::NotChecked) => json!({"absent": "not checked"}),
        Value::Absent(Absence::CouldNotCheck(why)) => {
            json!({"absent": "could not check", "why": why})
        }
        Value::Bool(yes) => json!(yes),
        Value::Int(count) => json!(count),
        Value::Number(number) => json!(number),
        Value::Quantity { amount, unit } => {
            let unit = Unit::of_number(*unit).map_or_else(
                || format!("unit {}", unit.0),
                |unit| unit.symbol().to_owned(),
            );
            json!({"amount": amount, "unit": unit})
        }
        Value::Text(words) => json!(words),
        Value::Thing(thing) => json!({"thing": thing.to_string()}),
        Value::Date(days) => match NaiveDate::from_epoch_days(*days) {
            Some(day) => json!(day.to_string()),
            None => json!({"day": days}),
        },
        Value::List(items) => Json::Array(items.iter().map(any).collect()),
        Value::Record(parts) => {
            let parts = parts
                .iter()
                .map(|(part, value)| (part.to_string(), any(value)));
            Json::Object(parts.collect::<Map<_, _>>())
        }
        Value::Unknown { tag, body } => json!({"unknown": tag, "bytes": HEXLOWER.encode(body)}),
    }
}

#[cfg(test)]
mod tests {
    use headwalk_core::site::fields;
    use headwalk_core::site::kind::ThingKind;
    use headwalk_core::site::unit::UnitSystem;

    use super::*;

    fn check(kind: ThingKind, name: &str, typed: &str, expected: &Json) {
        let (shape, parsed) = match fields::recordable(kind, name).unwrap() {
            fields::Recordable::Field(def) => (def.shape, def.parse(typed, UnitSystem::Us)),
            fields::Recordable::Observation(def) => (def.shape, def.parse(typed, UnitSystem::Us)),
        };
        let value = parsed.unwrap().value;
        assert_eq!(&value_json(Some(shape), &value), expected);
    }

    #[test]
    fn values_stand_as_they_were_entered() {
        use ThingKind::{Head, Site, Supply, Zone};
        check(
            Zone,
            "area",
            "80 m2",
            &json!({"amount": 80.0, "unit": "m²"}),
        );
        check(Head, "arc", "half", &json!({"amount": 180.0, "unit": "°"}));
        check(Zone, "plants", "lawn", &json!("cool-season-turf"));
        check(Zone, "compacted", "yes", &json!(true));
        check(
            Zone,
            "slope",
            "not checked",
            &json!({"absent": "not checked"}),
        );
        check(Supply, "backflow-due", "2027-04-01", &json!("2027-04-01"));
        check(
            Site,
            "water-window",
            "from=22:00 to=6:00",
            &json!({"from": "22:00", "to": "06:00"}),
        );
        check(
            Site,
            "pre-approved",
            "$120",
            &json!({"amount": "120.00", "unit": "$"}),
        );
        check(Site, "no-water-days", "sat sun", &json!(["sat", "sun"]));
    }
}
