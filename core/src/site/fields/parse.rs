//! Text to value: what a person typed, held against a line of the table.

use std::collections::BTreeMap;

use chrono::{Datelike, NaiveDate};

use super::error::{FieldError, Refusal, close_names};
use super::number::{amount_and_unit, plain_number};
use super::shape::{Limits, Money as MoneyShape, Need, Part, Quantity, Shape, To};
use super::{Def, show};
use crate::log::value::{Absence, Value};
use crate::site::money::{Money, UnitPrice};
use crate::site::programs::ProgramSet;
use crate::site::time_of_day;
use crate::site::unit::{Unit, UnitSystem};
use crate::site::words::{Choice, chosen};

/// A value that fits its field.
#[derive(Debug, Clone, PartialEq)]
pub struct Parsed {
    /// What to store.
    pub value: Value,
    /// What to ask the person once, where the value is possible but not usual; one tap keeps it.
    pub ask: Option<String>,
}

impl Parsed {
    const fn usual(value: Value) -> Self {
        Self { value, ask: None }
    }
}

impl<N> Def<N> {
    /// Reads what a person typed; a bare number is in the field's unit of that system.
    ///
    /// Every field also takes `blank` (nothing there any more), `not checked`, and `could not
    /// check: ` with the reason.
    ///
    /// # Errors
    /// [`FieldError::Refused`] where it is not in the shape of the field, or impossible.
    pub fn parse(&self, text: &str, system: UnitSystem) -> Result<Parsed, FieldError> {
        let refused = |why| FieldError::Refused {
            field: self.title(),
            why,
        };
        let mut parsed = parse(self.shape, text, system).map_err(refused)?;
        parsed.ask = parsed.ask.map(|ask| format!("{}: {ask}", self.title()));
        Ok(parsed)
    }

    /// Returns what would do, for help: `a number of psi, such as 38 psi`.
    #[must_use]
    pub fn wanted(&self, system: UnitSystem) -> String {
        wanted(self.shape, system)
    }
}

fn parse(shape: Shape, text: &str, system: UnitSystem) -> Result<Parsed, Refusal> {
    let text = text.trim();
    if text.is_empty() {
        let wanted = wanted(shape, system);
        return Err(Refusal::Empty { wanted });
    }
    if let Some(absent) = absent(shape, text) {
        return Ok(Parsed::usual(Value::Absent(absent)));
    }
    let unfit = || Refusal::Unfit {
        got: text.to_owned(),
        wanted: wanted(shape, system),
    };
    match shape {
        Shape::Words(longest) if text.len() > longest => Err(Refusal::TooLong {
            got: text.len(),
            longest,
        }),
        Shape::Words(_) => Ok(Parsed::usual(Value::text(text))),
        Shape::Choice(choices) => choice(choices, text),
        Shape::YesNo => yes_no(text).map(Parsed::usual).ok_or_else(unfit),
        Shape::Count(limits) => {
            let number = plain_number(text).ok_or_else(unfit)?;
            if number.fract() != 0.0 {
                return Err(unfit());
            }
            let ask = within(limits, number, &|number| number.to_string())?;
            // The limits of every count are far inside what both types hold.
            let value = Value::Int(number as i64);
            Ok(Parsed { value, ask })
        }
        Shape::Number(limits) => {
            let number = plain_number(text).ok_or_else(unfit)?;
            let ask = within(limits, number, &|number| number.to_string())?;
            let value = Value::Number(number);
            Ok(Parsed { value, ask })
        }
        Shape::Quantity(quantity) => parse_quantity(&quantity, text, system),
        Shape::Money(money) => parse_money(money, text),
        Shape::Thing(_) => {
            let id = text.parse().map_err(|_| unfit())?;
            Ok(Parsed::usual(Value::Thing(id)))
        }
        Shape::Day => {
            let day: NaiveDate = text.parse().map_err(|_| unfit())?;
            // A year of five digits is a slip of the finger, and chrono would take it.
            let fits = (1..=9_999).contains(&day.year());
            let day = fits.then_some(day).ok_or_else(unfit)?;
            Ok(Parsed::usual(Value::Date(day.to_epoch_days())))
        }
        Shape::Time => {
            let time = time_of_day::parse(text).ok_or_else(unfit)?;
            Ok(Parsed::usual(time_of_day::value(time)))
        }
        Shape::Programs => {
            let set: ProgramSet = text.parse()?;
            let ask = set.ask();
            let value = set.value();
            Ok(Parsed { value, ask })
        }
        Shape::Record(parts) => record(parts, text, system),
        Shape::List(item) => list(*item, text, system),
    }
}

/// The words for a value that is not there; a choice of the same word comes first.
fn absent(shape: Shape, text: &str) -> Option<Absence> {
    let choices = match shape {
        Shape::Choice(choices) => choices,
        Shape::Quantity(quantity) => quantity.or,
        _ => &[],
    };
    if chosen(choices, text).is_some() {
        return None;
    }
    let lower = text.to_lowercase();
    match lower.as_str() {
        "blank" | "none" | "-" => return Some(Absence::Cleared),
        "not checked" | "not-checked" => return Some(Absence::NotChecked),
        _ => {}
    }
    let rest = lower
        .strip_prefix("could not check")
        .or_else(|| lower.strip_prefix("could-not-check"))?;
    // Lower case can change the length of other scripts, never that of this ASCII beginning.
    let why = text.get(lower.len() - rest.len()..)?;
    let why = why.trim_start_matches([':', ',']).trim();
    Some(Absence::CouldNotCheck(why.to_owned()))
}

fn choice(choices: &'static [Choice], text: &str) -> Result<Parsed, Refusal> {
    match chosen(choices, text) {
        Some(choice) => Ok(Parsed::usual(Value::text(choice.word))),
        None => Err(Refusal::NotAChoice {
            got: text.to_owned(),
            close: close_names(text, choices.iter().map(|choice| choice.word)),
            choices: choices.iter().map(|choice| choice.word).collect(),
        }),
    }
}

fn yes_no(text: &str) -> Option<Value> {
    match text.to_lowercase().as_str() {
        "yes" | "y" | "true" | "on" => Some(Value::Bool(true)),
        "no" | "n" | "false" | "off" => Some(Value::Bool(false)),
        _ => None,
    }
}

fn parse_money(shape: MoneyShape, text: &str) -> Result<Parsed, Refusal> {
    let plain = text.to_lowercase();
    let named = ["usd", "dollars", "dollar"];
    let plain = named
        .iter()
        .find_map(|name| plain.strip_suffix(name))
        .unwrap_or(&plain);
    let read = match shape.to {
        To::Cent => Money::of_text(plain).map(|money| (UnitPrice::of_money(money), money.value())),
        To::TenThousandth => UnitPrice::of_text(plain).map(|price| (Some(price), price.value())),
    };
    let (Some(amount), value) = read.unwrap_or((None, Value::Bool(false))) else {
        return Err(Refusal::Unfit {
            got: text.to_owned(),
            wanted: wanted(Shape::Money(shape), UnitSystem::Us),
        });
    };
    let dollars = |[low, high]: [i64; 2]| [low, high].map(UnitPrice::dollars);
    let [low, high] = dollars(shape.possible);
    if !(low..=high).contains(&amount) {
        return Err(Refusal::Impossible {
            got: amount.to_string(),
            low: low.to_string(),
            high: high.to_string(),
        });
    }
    let [low, high] = dollars(shape.usual);
    let ask = (!(low..=high).contains(&amount))
        .then(|| format!("{amount} is outside the usual {low} to {high}: is it right?"));
    Ok(Parsed { value, ask })
}

fn parse_quantity(quantity: &Quantity, text: &str, system: UnitSystem) -> Result<Parsed, Refusal> {
    if let Some(reading) = chosen(quantity.or, text) {
        return Ok(Parsed::usual(Value::text(reading.word)));
    }
    let wanted = || wanted(Shape::Quantity(*quantity), system);
    let lower = text.to_lowercase();
    let named = |(name, _): &&(&str, f64)| lower == *name || lower.replace(' ', "-") == *name;
    let (amount, unit) = match quantity.named.iter().find(named) {
        Some((_, amount)) => (*amount, quantity.unit),
        None => {
            let (amount, typed) = amount_and_unit(text).ok_or_else(|| Refusal::Unfit {
                got: text.to_owned(),
                wanted: wanted(),
            })?;
            (
                amount,
                unit_of(quantity, typed, system).ok_or_else(|| Refusal::WrongUnit {
                    got: typed.to_owned(),
                    wanted: wanted(),
                })?,
            )
        }
    };
    let in_field_unit = unit
        .amount_in(amount, quantity.unit)
        .expect("the unit was taken because it measures the same");
    let as_typed = |bound: f64| {
        let bound = quantity.unit.amount_in(bound, unit).unwrap_or(bound);
        unit.write(show::rounded(bound))
    };
    let ask = if in_field_unit == amount {
        within(quantity.limits, amount, &|bound| unit.write(bound))?
    } else {
        within(quantity.limits, in_field_unit, &as_typed)?
    };
    let unit = unit.number();
    let value = Value::Quantity { amount, unit };
    Ok(Parsed { value, ask })
}

/// The unit that was typed, if it measures what the field does; the field's own for a bare number.
fn unit_of(quantity: &Quantity, typed: &str, system: UnitSystem) -> Option<Unit> {
    if typed.is_empty() {
        return Some(quantity.unit.in_system(system));
    }
    Unit::of_symbol(typed).filter(|unit| unit.dimension() == quantity.unit.dimension())
}

/// Refuses what is impossible, and returns what to ask about what is not usual.
fn within(
    limits: Limits,
    number: f64,
    write: &dyn Fn(f64) -> String,
) -> Result<Option<String>, Refusal> {
    let [low, high] = limits.possible;
    if !(low..=high).contains(&number) {
        return Err(Refusal::Impossible {
            got: write(number),
            low: write(low),
            high: write(high),
        });
    }
    let [low, high] = limits.usual;
    let usual = (low..=high).contains(&number);
    Ok((!usual).then(|| {
        format!(
            "{} is outside the usual {} to {}: is it right?",
            write(number),
            write(low),
            write(high)
        )
    }))
}

fn list(item: Shape, text: &str, system: UnitSystem) -> Result<Parsed, Refusal> {
    let commas = text.contains(',');
    let blanks = matches!(
        item,
        Shape::Quantity(_) | Shape::Number(_) | Shape::Count(_)
    ) && text
        .split_whitespace()
        .all(|word| plain_number(word).is_some())
        || matches!(item, Shape::Choice(choices)
            if text.split_whitespace().all(|word| chosen(choices, word).is_some()));
    let items: Vec<&str> = match (commas, blanks) {
        (true, _) => text.split(',').collect(),
        (false, true) => text.split_whitespace().collect(),
        (false, false) => vec![text],
    };
    let mut values = Vec::new();
    let mut ask = None;
    for text in items
        .iter()
        .map(|item| item.trim())
        .filter(|item| !item.is_empty())
    {
        let parsed = parse(item, text, system)?;
        ask = ask.or(parsed.ask);
        values.push(parsed.value);
    }
    if values.is_empty() {
        let got = text.to_owned();
        let wanted = wanted(item, system);
        return Err(Refusal::Unfit { got, wanted });
    }
    let value = Value::List(values);
    Ok(Parsed { value, ask })
}

fn record(parts: &'static [Part], text: &str, system: UnitSystem) -> Result<Parsed, Refusal> {
    let mut values = BTreeMap::new();
    let mut ask = None;
    for (part, text) in named_parts(parts, text)? {
        let parsed = parse(part.shape, text, system).map_err(|why| Refusal::Part {
            part: part.name,
            why: Box::new(why),
        })?;
        ask = ask.or(parsed.ask.map(|ask| format!("{}: {ask}", part.name)));
        if values.insert(part.number, parsed.value).is_some() {
            return Err(Refusal::PartTwice { part: part.name });
        }
    }
    let lacks = |part: &&Part| part.need == Need::Needed && !values.contains_key(&part.number);
    if let Some(part) = parts.iter().find(lacks) {
        return Err(Refusal::PartMissing {
            part: part.name,
            wanted: wanted(part.shape, system),
        });
    }
    let value = Value::Record(values);
    Ok(Parsed { value, ask })
}

/// Finds `name=` and `name:` at the beginnings of words; what stands before the first belongs
/// to the record's first part.
fn named_parts<'t>(
    parts: &'static [Part],
    text: &'t str,
) -> Result<Vec<(&'static Part, &'t str)>, Refusal> {
    let mut found: Vec<(&'static Part, &'t str)> = Vec::new();
    for piece in text
        .split(';')
        .map(str::trim)
        .filter(|piece| !piece.is_empty())
    {
        let mut heads: Vec<(usize, usize, &'static Part)> = Vec::new();
        for (at, word) in words_at(piece) {
            let Some(end) = word.find(['=', ':']) else {
                continue;
            };
            let name = word.get(..end).unwrap_or("");
            match parts
                .iter()
                .find(|part| part.name.eq_ignore_ascii_case(name))
            {
                Some(part) => heads.push((at, at + end + 1, part)),
                // A colon may be a time or a label; an equals sign can only name a part.
                None if word.get(end..=end) == Some("=") => {
                    let names = || parts.iter().map(|part| part.name);
                    return Err(Refusal::UnknownPart {
                        got: name.to_owned(),
                        close: close_names(name, names()),
                        parts: names().collect(),
                    });
                }
                None => {}
            }
        }
        let before = heads.first().map_or(piece.len(), |(at, ..)| *at);
        let unnamed = piece.get(..before).unwrap_or("").trim();
        if let (Some(first), false) = (parts.first(), unnamed.is_empty()) {
            found.push((first, unnamed));
        }
        for (nth, (_, start, part)) in heads.iter().enumerate() {
            let end = heads.get(nth + 1).map_or(piece.len(), |(at, ..)| *at);
            found.push((part, piece.get(*start..end).unwrap_or("").trim()));
        }
    }
    Ok(found)
}

/// The words of a text and where each begins.
fn words_at(text: &str) -> impl Iterator<Item = (usize, &str)> {
    let mut at = 0;
    text.split(' ').map(move |word| {
        let start = at;
        at += word.len() + 1;
        (start, word)
    })
}

/// What would do, in words.
fn wanted(shape: Shape, system: UnitSystem) -> String {
    match shape {
        Shape::Words(_) => "words".to_owned(),
        Shape::Choice(choices) => {
            let words: Vec<_> = choices.iter().map(|choice| choice.word).collect();
            format!("one of {}", words.join(", "))
        }
        Shape::YesNo => "yes or no".to_owned(),
        Shape::Count(_) => "a whole number".to_owned(),
        Shape::Number(_) => "a number".to_owned(),
        Shape::Quantity(quantity) => {
            let unit = quantity.unit.in_system(system);
            let usual = quantity.limits.usual[1].min(quantity.limits.usual[0].max(10.0));
            let usual = quantity.unit.amount_in(usual, unit).unwrap_or(usual);
            let example = unit.write(show::rounded(usual));
            let words = quantity.named.iter().map(|(name, _)| *name);
            let words = words.chain(quantity.or.iter().map(|choice| choice.word));
            let words: Vec<_> = words.collect();
            let or = if words.is_empty() { "" } else { ", or " };
            format!(
                "a number of {unit}, such as {example}{or}{}",
                words.join(", ")
            )
        }
        Shape::Money(MoneyShape { to: To::Cent, .. }) => "an amount such as $12.50".to_owned(),
        Shape::Money(_) => "a price such as $12.50 or $0.085".to_owned(),
        Shape::Thing(kinds) => {
            let kinds: Vec<_> = kinds.iter().map(|kind| kind.word()).collect();
            format!("the id of a thing ({})", kinds.join(", "))
        }
        Shape::Day => "a day such as 2026-07-14".to_owned(),
        Shape::Time => "a time such as 5:30 or 5:30pm".to_owned(),
        Shape::Programs => {
            "programs such as `A: start 5:00; days mon wed fri; 100%; run 1=15 2=20`".to_owned()
        }
        Shape::Record(parts) => {
            let names: Vec<_> = parts.iter().map(|part| format!("{}=", part.name)).collect();
            format!("its parts {}", names.join(" "))
        }
        Shape::List(item) => format!("a list, apart by commas, of {}", wanted(*item, system)),
    }
}
