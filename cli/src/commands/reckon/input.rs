//! What a formula is given: a JSON object, or one value after the other, into a typed struct.
//!
//! Every mistake names the field it is in: one that is missing, unknown, written twice, of the
//! wrong type or of no possible size. [`Input::read`] is the entry point.

use std::fmt;
use std::io::{self, IsTerminal, Read};

use serde::de::{self, DeserializeOwned, Deserializer, MapAccess, Visitor};
use serde_json::value::RawValue;

use super::value::{self, Wrong};
use crate::error::Error;

/// The inputs of one formula, by name, not yet typed.
#[derive(Debug)]
pub struct Input {
    what: &'static str,
    values: Vec<(String, serde_json::Value)>,
}

impl Input {
    /// Takes what was set on the command line, else one JSON object from standard input.
    pub fn of(what: &'static str, set: &[String]) -> Result<Self, Error> {
        let values = if set.is_empty() {
            from_json(&standard_input(what)?)
        } else {
            from_flags(set)
        };
        let values = values.map_err(|wrong| told(wrong, what))?;
        Ok(Self { what, values })
    }

    /// Reads the inputs into the struct whose fields they are.
    pub fn read<T: DeserializeOwned>(self) -> Result<T, Error> {
        let what = self.what;
        T::deserialize(value::Named(self.values)).map_err(|wrong| told(wrong, what))
    }
}

/// Makes a mistake in the inputs the error that the command ends with.
pub fn told(wrong: Wrong, what: &'static str) -> Error {
    let hint = wrong.hint.clone().unwrap_or_else(|| look_up(what));
    let field = wrong.field().map(str::to_owned);
    let Some((way, field)) = wrong.way.zip(field) else {
        return Error::input(wrong.message).hint(hint);
    };
    let message = if wrong.message.contains(&way) {
        wrong.message
    } else {
        format!("{way}: {}", wrong.message)
    };
    Error::input(message).hint(hint).field(field)
}

fn look_up(what: &str) -> String {
    format!("each name ends with its unit; `headwalk reckon {what} --help` says what they mean.")
}

/// More than any list of heads or cans; enough to stop somebody who pipes in the wrong file.
const LONGEST_INPUT: u64 = 4 << 20;

fn standard_input(what: &str) -> Result<String, Error> {
    let hint = format!("`headwalk reckon {what} --help` has an example.");
    let nothing = || {
        let message = format!("{what} needs a JSON object on standard input, or --set NAME=VALUE");
        Error::input(message).hint(hint.clone())
    };
    if io::stdin().is_terminal() {
        return Err(nothing());
    }
    let mut bytes = Vec::new();
    io::stdin()
        .lock()
        .take(LONGEST_INPUT + 1)
        .read_to_end(&mut bytes)
        .map_err(|error| Error::input(format!("standard input cannot be read: {error}")))?;
    if bytes.len() as u64 > LONGEST_INPUT {
        return Err(Error::input("standard input is longer than 4 MiB").hint(hint));
    }
    let text = String::from_utf8(bytes)
        .map_err(|_| Error::input("standard input is not UTF-8 text").hint(hint.clone()))?;
    if text.trim().is_empty() {
        return Err(nothing());
    }
    Ok(text)
}

type Values = Vec<(String, serde_json::Value)>;

fn from_flags(set: &[String]) -> Result<Values, Wrong> {
    let mut values = Values::new();
    for flag in set {
        let Some((name, text)) = flag.split_once('=') else {
            let wrong = Wrong::new(format!("--set {flag} has no value"));
            return Err(wrong.hint("write it like --set flow_gpm=10."));
        };
        // What is no JSON is a word: a date, a soil, a method.
        let value = serde_json::from_str(text).unwrap_or_else(|_| text.into());
        values.push((name.to_owned(), value));
    }
    Ok(values)
}

/// Names with the text of their values, in the order written, doubles and all.
struct Pairs(Vec<(String, Box<RawValue>)>);

impl<'de> de::Deserialize<'de> for Pairs {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Object;
        impl<'de> Visitor<'de> for Object {
            type Value = Pairs;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("one JSON object")
            }
            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Pairs, A::Error> {
                let mut pairs = Vec::new();
                while let Some(pair) = map.next_entry()? {
                    pairs.push(pair);
                }
                Ok(Pairs(pairs))
            }
        }
        deserializer.deserialize_map(Object)
    }
}

fn from_json(text: &str) -> Result<Values, Wrong> {
    let pairs: Pairs = serde_json::from_str(text).map_err(|error| not_json(text, &error))?;
    let values = pairs.0.into_iter().map(|(name, raw)| {
        let value = serde_json::from_str(raw.get()).map_err(|_| {
            // The text was JSON a moment ago, so only a number can be at fault: 1e999.
            Wrong::new(format!("{name} holds a number of no possible size")).at(&name)
        })?;
        Ok((name, value))
    });
    values.collect()
}

fn not_json(text: &str, error: &serde_json::Error) -> Wrong {
    if error.is_data() {
        return Wrong::new("the input is not one JSON object")
            .hint("write it like {\"flow_gpm\": 10}.");
    }
    let (line, column) = (error.line(), error.column());
    let message = format!("the input is not JSON at line {line}, column {column}");
    let wrong = Wrong::new(message)
        .hint("names and words in double quotes, numbers bare; JSON has no NaN and no infinity.");
    match name_before(text, line, column) {
        Some(name) => wrong.at(&name),
        None => wrong,
    }
}

/// Returns the name whose value stands at a place in text that is not JSON.
fn name_before(text: &str, line: usize, column: usize) -> Option<String> {
    let mut before: Vec<&str> = text.lines().take(line).collect();
    let last = before.pop()?;
    let end = (0..=column.min(last.len()))
        .rev()
        .find(|at| last.is_char_boundary(*at))?;
    before.push(last.get(..end)?);
    let before = before.join("\n");
    let (name, _) = before.rsplit_once("\":")?;
    let (_, name) = name.rsplit_once('"')?;
    Some(name.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(text: &str, field: Option<&str>) {
        let wrong = from_json(text).unwrap_err();
        assert_eq!(wrong.field(), field, "{text}: {}", wrong.message);
    }

    #[test]
    fn text_that_is_not_json_names_the_field_it_broke_in() {
        check(r#"{"tmin_c": 1, "tmax_c": NaN}"#, Some("tmax_c"));
        check("{\"tmin_c\": 1,\n \"tmax_c\": -Infinity}", Some("tmax_c"));
        check(r#"{"tmin_c": 1e999}"#, Some("tmin_c"));
        check("[1, 2]", None);
        check("nonsense", None);
    }
}
