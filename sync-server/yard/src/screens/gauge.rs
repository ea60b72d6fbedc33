//! One measured value: by amounts to choose, by steps, and last by typing.

use headwalk_core::log::id::{FieldNumber, ThingId};
use headwalk_core::log::value::Value;
use headwalk_core::site::fields::{Quantity, Shape, head, known_field, supply, zone};
use headwalk_core::site::finding::Caution;
use headwalk_core::site::things::Site;
use headwalk_core::site::unit::Unit;

use super::{Body, Desk, called};
use crate::act::{Act, Id, Screen};
use crate::error::Error;
use crate::view::{Block, Button, Input, Keys, Stepper, Tone};
use crate::words::{Word, reasons, vocab};

/// Sizes in which pipe is sold, in inches.
const PIPE_IN: [f64; 6] = [0.75, 1.0, 1.25, 1.5, 2.0, 3.0];

pub(super) fn body(
    desk: &Desk<'_>,
    site: &Site<'_>,
    id: ThingId,
    name: &str,
    draft: Option<&str>,
    back: &Screen,
) -> Result<Body, Error> {
    let thing = site.thing(id).ok_or(Error::Gone)?;
    let field = known_field(thing.kind.ok_or(Error::Gone)?, name)?;
    let measured = |value: String| Act::Measured {
        thing: Id(id),
        name: name.to_owned(),
        value,
        back: Box::new(back.clone()),
    };
    let mut blocks = Vec::new();
    if [&supply::STATIC_PRESSURE, &zone::PRESSURE]
        .iter()
        .any(|of| of.number == field.number)
    {
        blocks.push(Block::text(
            reasons::caution(desk.language(), Caution::PressurisedPipe),
            Tone::Caution,
        ));
    }
    blocks.extend(how(field.number).map(|word| Block::text(desk.say(word), Tone::Plain)));
    let mut dock = Vec::new();
    match field.shape {
        Shape::Choice(choices) => {
            let options = choices.iter().map(|choice| {
                let label = vocab::shown(desk.language(), choice.word);
                let stands = thing.raw(field).and_then(Value::as_text) == Some(choice.word);
                Button::new(label, measured(choice.word.to_owned())).chosen(stands)
            });
            blocks.push(Block::choices(
                vocab::titled(desk.language(), name),
                options.collect(),
            ));
        }
        Shape::Quantity(quantity) => {
            let dial = Dial::of(desk, field.number, &quantity);
            let typed = draft.and_then(|text| text.parse().ok());
            let now = typed.or_else(|| dial.read(thing.raw(field)?));
            let to = |amount: f64| Act::Go {
                to: Screen::Gauge {
                    thing: Id(id),
                    name: name.to_owned(),
                    draft: Some(dial.text(amount)),
                    back: Box::new(back.clone()),
                },
            };
            blocks.extend(dial.blocks(desk, name, now, &to));
            blocks.push(Block::Form {
                inputs: vec![Input {
                    name: "value".to_owned(),
                    label: desk.fill(Word::GaugeTyped, &[dial.unit.symbol()]),
                    keys: Keys::Number,
                    value: String::new(),
                }],
                button: Button::new(desk.say(Word::Save), measured(String::new())),
            });
            if let Some(now) = now {
                let text = dial.unit.write(dial.rounded(now));
                let label = format!("{} {text}", desk.say(Word::Record));
                dock.push(Button::new(label, measured(text)).main());
            }
        }
        _ => return Err(Error::Gone),
    }
    Ok(Body {
        title: format!(
            "{}: {}",
            called(desk, site, id),
            vocab::shown(desk.language(), name)
        ),
        back: Some(back.clone()),
        blocks,
        dock,
    })
}

/// How to measure it.
fn how(field: FieldNumber) -> Option<Word> {
    let known = [
        (&supply::STATIC_PRESSURE, Word::HowStatic),
        (&supply::MAINLINE_SIZE, Word::HowPipeSize),
        (&zone::PRESSURE, Word::HowRunning),
        (&zone::MAIN_LENGTH, Word::HowMainLength),
        (&zone::LATERAL_LENGTH, Word::HowLateralLength),
        (&zone::LATERAL_SIZE, Word::HowPipeSize),
        (&zone::SPACING, Word::HowSpacing),
        (&head::FLOW, Word::HowFlow),
    ];
    let mut known = known.into_iter().filter(|(of, _)| of.number == field);
    known.next().map(|(_, word)| word)
}

/// The amounts that a quantity is chosen and stepped by, in the person's own unit.
struct Dial {
    unit: Unit,
    presets: Vec<f64>,
    step: f64,
    possible: [f64; 2],
}

impl Dial {
    fn of(desk: &Desk<'_>, field: FieldNumber, quantity: &Quantity) -> Self {
        if field == supply::MAINLINE_SIZE.number {
            return Self {
                unit: Unit::Inch,
                presets: PIPE_IN.to_vec(),
                step: 0.25,
                possible: quantity.limits.possible,
            };
        }
        let unit = quantity.unit.in_system(desk.system());
        let within = |amount: f64| quantity.unit.amount_in(amount, unit).unwrap_or(amount);
        let [low, high] = quantity.limits.usual.map(within);
        Self {
            unit,
            presets: presets(low, high),
            step: round_below((high - low) / 50.0).min(1.0f64.max(low / 10.0)),
            possible: quantity.limits.possible.map(within),
        }
    }

    fn read(&self, value: &Value) -> Option<f64> {
        let Value::Quantity { amount, unit } = value else {
            return None;
        };
        Unit::of_number(*unit)?.amount_in(*amount, self.unit)
    }

    fn rounded(&self, amount: f64) -> f64 {
        let to = if self.step < 1.0 { 100.0 } else { 1.0 };
        (amount * to).round() / to
    }

    fn text(&self, amount: f64) -> String {
        let [low, high] = self.possible;
        self.rounded(amount.clamp(low.max(0.0), high)).to_string()
    }

    fn blocks(
        &self,
        desk: &Desk<'_>,
        name: &str,
        now: Option<f64>,
        to: &dyn Fn(f64) -> Act,
    ) -> Vec<Block> {
        let options = self.presets.iter().map(|preset| {
            let stands = now.is_some_and(|now| (now - preset).abs() < self.step / 10.0);
            Button::new(self.unit.write(*preset), to(*preset)).chosen(stands)
        });
        let label = vocab::titled(desk.language(), name);
        let mut blocks = vec![Block::choices(label.as_str(), options.collect())];
        if let Some(now) = now {
            let stepper = Stepper {
                label,
                value: self.unit.write(self.rounded(now)),
                note: String::new(),
                less: Button::new("−", to(now - self.step)),
                more: Button::new("+", to(now + self.step)),
                to: None,
            };
            blocks.push(stepper.into());
        }
        blocks
    }
}

/// The next of 1, 2, 5, 10 and so on that is not above.
fn round_below(amount: f64) -> f64 {
    let power = 10_f64.powf(amount.log10().floor());
    let lead = amount / power;
    let round = [5.0, 2.0, 1.0]
        .into_iter()
        .find(|round| *round <= lead + 1e-9);
    round.unwrap_or(1.0) * power
}

/// Some round amounts between the ends of what is usual: in even steps, or where the ends are far
/// apart in 1, 2, 5, 10 and so on.
fn presets(low: f64, high: f64) -> Vec<f64> {
    if low > 0.0 && high / low > 12.0 {
        let powers = (low.log10().floor() as i32)..=(high.log10().floor() as i32);
        let round = powers.flat_map(|power| [1.0, 2.0, 5.0].map(|lead| lead * 10_f64.powi(power)));
        return round
            .filter(|amount| (low..=high).contains(amount))
            .collect();
    }
    let step = round_above((high - low) / 7.0);
    let first = (low / step).ceil() as i64;
    let last = (high / step).floor() as i64;
    (first..=last).map(|at| at as f64 * step).collect()
}

fn round_above(amount: f64) -> f64 {
    let power = 10_f64.powf(amount.log10().floor());
    let round = [1.0, 2.0, 5.0, 10.0];
    let round = round
        .into_iter()
        .find(|round| *round >= amount / power - 1e-9);
    round.unwrap_or(10.0) * power
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn round_amounts_span_what_is_usual() {
        assert_eq!(presets(15.0, 75.0), [20.0, 30.0, 40.0, 50.0, 60.0, 70.0]);
        assert_eq!(
            presets(5.0, 600.0),
            [5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0]
        );
        assert_eq!(presets(103.4, 517.1), [200.0, 300.0, 400.0, 500.0]);
        assert_eq!(round_below(1.2), 1.0);
        assert_eq!(round_below(8.3), 5.0);
    }
}
