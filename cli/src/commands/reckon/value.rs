//! Reads JSON values into typed structs and says of every mistake which field it is in.

use std::fmt;

use serde::de::value::{MapDeserializer, SeqDeserializer};
use serde::de::{self, Deserializer, Expected, IntoDeserializer, Unexpected, Visitor};
use serde::forward_to_deserialize_any;
use serde_json::Value;

use headwalk_core::water::units::OutOfRange;

/// What is wrong with a value, and in which field.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Wrong {
    /// What is wrong, in one sentence.
    pub message: String,
    /// What to do next, where that is known.
    pub hint: Option<String>,
    /// The way to the field: `heads[2].arc_deg`.
    pub way: Option<String>,
}

impl Wrong {
    /// Says what is wrong.
    pub fn new(message: impl Into<String>) -> Self {
        Self {
            message: message.into(),
            hint: None,
            way: None,
        }
    }

    /// Says what to do next.
    #[must_use]
    pub fn hint(mut self, hint: impl Into<String>) -> Self {
        self.hint = Some(hint.into());
        self
    }

    /// Says that an input is missing, or that this one or others must be there.
    pub fn missing(name: &str, why: &str) -> Self {
        Self::new(format!("{name} is missing: {why}")).at(name)
    }

    /// Says that an input does not go with another.
    pub fn beside(name: &str, other: &str) -> Self {
        Self::new(format!("{name} does not go with {other}"))
            .hint("keep the one that you mean.")
            .at(name)
    }

    /// Puts a step before the way to the field that is known so far.
    #[must_use]
    pub fn at(mut self, step: &str) -> Self {
        self.way = Some(match self.way {
            Some(rest) if rest.starts_with('[') => format!("{step}{rest}"),
            Some(rest) => format!("{step}.{rest}"),
            None => step.to_owned(),
        });
        self
    }

    /// Returns the field's own name: `arc_deg` at the end of `heads[2].arc_deg`.
    pub fn field(&self) -> Option<&str> {
        let way = self.way.as_deref()?;
        let last = way.rsplit('.').next().unwrap_or(way);
        last.split('[').next()
    }
}

/// Returns the values where all of them are there, or names the first that is not.
pub fn all<const N: usize>(given: [(&str, Option<f64>); N]) -> Result<[f64; N], Wrong> {
    let missing = given.iter().find(|(_, value)| value.is_none());
    if let Some((name, _)) = missing {
        let names = given.map(|(name, _)| name).join(", ");
        return Err(Wrong::missing(name, &format!("it takes {names}")));
    }
    Ok(given.map(|(_, value)| value.unwrap_or_default()))
}

impl fmt::Display for Wrong {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.message)
    }
}

impl std::error::Error for Wrong {}

impl From<OutOfRange> for Wrong {
    fn from(error: OutOfRange) -> Self {
        Self::new(error.to_string()).at(error.field)
    }
}

impl de::Error for Wrong {
    fn custom<T: fmt::Display>(message: T) -> Self {
        Self::new(message.to_string())
    }

    fn invalid_type(got: Unexpected<'_>, wanted: &dyn Expected) -> Self {
        Self::new(format!(
            "this is {}, not {}",
            plain(&got),
            wanted_word(wanted)
        ))
    }

    fn unknown_variant(got: &str, known: &'static [&'static str]) -> Self {
        Self::new(format!("`{got}` is not known here"))
            .hint(format!("it is one of: {}.", known.join(", ")))
    }

    fn unknown_field(name: &str, known: &'static [&'static str]) -> Self {
        Self::new(format!("`{name}` is not an input here"))
            .hint(format!("the inputs are: {}.", known.join(", ")))
            .at(name)
    }

    fn missing_field(name: &'static str) -> Self {
        Self::new(format!("{name} is missing")).at(name)
    }

    fn duplicate_field(name: &'static str) -> Self {
        Self::new(format!("{name} is given twice"))
            .hint("keep the one that you mean.")
            .at(name)
    }
}

fn plain(got: &Unexpected<'_>) -> String {
    match got {
        Unexpected::Bool(_) => "true or false".to_owned(),
        Unexpected::Unsigned(number) => format!("the number {number}"),
        Unexpected::Signed(number) => format!("the number {number}"),
        Unexpected::Float(number) => format!("the number {number}"),
        Unexpected::Str(text) => format!("the text `{text}`"),
        Unexpected::Unit => "null".to_owned(),
        Unexpected::Seq => "a list".to_owned(),
        Unexpected::Map => "an object".to_owned(),
        other => other.to_string(),
    }
}

fn wanted_word(wanted: &dyn Expected) -> String {
    let word = wanted.to_string();
    match word.as_str() {
        "f64" => "a number".to_owned(),
        "u32" | "usize" => "a whole number".to_owned(),
        "a sequence" => "a list".to_owned(),
        "a string" | "string or map" | "variant identifier" => "a word".to_owned(),
        "a boolean" => "true or false".to_owned(),
        _ if word.starts_with("struct ") => "an object".to_owned(),
        _ => word,
    }
}

/// Named values, read as a struct.
pub struct Named(pub Vec<(String, Value)>);

impl<'de> Deserializer<'de> for Named {
    type Error = Wrong;

    fn deserialize_any<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Wrong> {
        let pairs = self.0.into_iter().map(|(name, value)| {
            let at = At {
                step: name.clone(),
                value,
            };
            (name, at)
        });
        visitor.visit_map(MapDeserializer::new(pairs))
    }

    forward_to_deserialize_any! {
        bool i8 i16 i32 i64 i128 u8 u16 u32 u64 u128 f32 f64 char str string bytes byte_buf option
        unit unit_struct newtype_struct seq tuple tuple_struct map struct enum identifier
        ignored_any
    }
}

/// A value in its place.
struct At {
    /// The step that leads to it: its name, or its place in a list.
    step: String,
    value: Value,
}

impl At {
    fn inside<'de, V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Wrong> {
        match self.value {
            Value::Null => visitor.visit_unit(),
            Value::Bool(truth) => visitor.visit_bool(truth),
            Value::String(text) => visitor.visit_string(text),
            Value::Number(number) => number.deserialize_any(visitor).map_err(Wrong::of_number),
            Value::Array(values) => {
                let values = values.into_iter().enumerate().map(|(at, value)| Self {
                    step: format!("[{at}]"),
                    value,
                });
                visitor.visit_seq(SeqDeserializer::new(values))
            }
            Value::Object(values) => Named(values.into_iter().collect()).deserialize_any(visitor),
        }
    }
}

impl Wrong {
    fn of_number(error: serde_json::Error) -> Self {
        let words = error.to_string();
        let whole = words.contains("u32") || words.contains("usize");
        Self::new(if whole {
            "this must be a whole number, 0 or more".to_owned()
        } else {
            format!("a number will not do here: {words}")
        })
    }
}

impl<'de> Deserializer<'de> for At {
    type Error = Wrong;

    fn deserialize_any<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Wrong> {
        let step = self.step.clone();
        self.inside(visitor).map_err(|wrong| wrong.at(&step))
    }

    fn deserialize_option<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Wrong> {
        match self.value {
            Value::Null => visitor.visit_none(),
            _ => visitor.visit_some(self),
        }
    }

    fn deserialize_enum<V: Visitor<'de>>(
        self,
        _: &'static str,
        _: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Wrong> {
        let step = self.step.clone();
        let read = match self.value {
            Value::String(word) => visitor.visit_enum(word.into_deserializer()),
            other => At {
                value: other,
                ..self
            }
            .inside(visitor),
        };
        read.map_err(|wrong: Wrong| wrong.at(&step))
    }

    forward_to_deserialize_any! {
        bool i8 i16 i32 i64 i128 u8 u16 u32 u64 u128 f32 f64 char str string bytes byte_buf
        unit unit_struct newtype_struct seq tuple tuple_struct map struct identifier ignored_any
    }
}

impl<'de> IntoDeserializer<'de, Wrong> for At {
    type Deserializer = Self;
    fn into_deserializer(self) -> Self {
        self
    }
}
