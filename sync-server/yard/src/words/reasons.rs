//! Core's reasons in the language of the page: core says by type why something is as it is, and this
//! is the one place that words it for the yard.

use headwalk_core::site::finding::Caution;
use headwalk_core::site::kerb::{NoChoice, WhyNot};
use headwalk_core::site::supply_sheet::{Assumed, Gauge, Lack};
use headwalk_core::site::things::Missing;
use headwalk_core::site::unit::UnitSystem;
use headwalk_core::water::network::{Finding, LowCause};
use headwalk_core::water::units::{FeetPerSecond, OutOfRange, Psi};

use super::{Word, vocab};
use crate::prefs::Language;
use crate::screens::Desk;

/// Returns a caution.
#[must_use]
pub const fn caution(language: Language, caution: Caution) -> &'static str {
    vocab::caution(language, caution)
}

/// Returns why a value is not there.
#[must_use]
pub fn missing(language: Language, why: &Missing) -> String {
    match why {
        Missing::NotRecorded => Word::NotRecorded.said(language).to_owned(),
        Missing::Blank => Word::BlankWord.said(language).to_owned(),
        Missing::NotChecked => Word::NotCheckedWord.said(language).to_owned(),
        Missing::CouldNotCheck(why) => Word::CouldNotCheck.filled(language, &[why]),
        Missing::NotUnderstood(what) => Word::NotUnderstood.filled(language, &[what]),
    }
}

/// Returns what is out of its range.
#[must_use]
pub fn out_of_range(language: Language, error: &OutOfRange) -> String {
    match language {
        Language::En => error.to_string(),
        Language::Es => Word::OutOfSense.filled(language, &[&error.got.to_string()]),
    }
}

/// Returns why there is no choice at a kerb.
pub fn no_choice(language: Language, none: &NoChoice) -> String {
    match &none.why {
        WhyNot::NotMeasured => Word::KerbNotMeasured.said(language).to_owned(),
        WhyNot::Lacks { of, missing: why } => Word::FieldIs.filled(
            language,
            &[&vocab::titled(language, of.name()), &missing(language, why)],
        ),
        WhyNot::OutOfSense(error) => out_of_range(language, error),
    }
}

/// Returns what a pressure sheet lacks of a thing.
#[must_use]
pub fn lack(language: Language, lack: &Lack) -> String {
    match lack {
        Lack::NoSupply => Word::LackSupply.said(language).to_owned(),
        Lack::NoHeads => Word::LackHeads.said(language).to_owned(),
        Lack::Field { field, why } => format!(
            "{} ({})",
            vocab::shown(language, field.name),
            missing(language, why)
        ),
        Lack::NoSuchPipe(field) => {
            Word::LackPipe.filled(language, &[&vocab::shown(language, field.name)])
        }
        Lack::OutOfSense(error) => out_of_range(language, error),
    }
}

/// Returns what is taken as usual.
#[must_use]
pub const fn assumed(assumed: Assumed) -> Word {
    match assumed {
        Assumed::MainLineIsClass200 => Word::AssumedMain,
        Assumed::LateralIsClass200 => Word::AssumedLateral,
        Assumed::Level => Word::AssumedLevel,
        Assumed::ValveTakesNothing => Word::AssumedValve,
        Assumed::StreetTakesNothing => Word::AssumedStreet,
    }
}

/// Returns what a gauge that disagrees most likely means.
#[must_use]
pub const fn gauge(gauge: Gauge) -> Word {
    match gauge {
        Gauge::ShowsLess => Word::GaugeLess,
        Gauge::ShowsMore => Word::GaugeMore,
    }
}

const fn low_cause(cause: LowCause) -> Word {
    match cause {
        LowCause::Supply => Word::LowSupply,
        LowCause::Rise => Word::LowRise,
        LowCause::Pipe => Word::LowPipe,
        LowCause::Fittings => Word::LowFittings,
    }
}

/// Returns a speed in the person's units.
pub(crate) fn velocity(desk: &Desk<'_>, velocity: FeetPerSecond) -> String {
    match desk.system() {
        UnitSystem::Us => format!("{:.1} ft/s", velocity.get()),
        // One foot is 0.3048 m, by definition.
        UnitSystem::Si => format!("{:.1} m/s", velocity.get() * 0.3048),
    }
}

/// What is found alike of several places, and the worst of it.
struct Alike {
    word: Word,
    cause: Option<LowCause>,
    nodes: Vec<usize>,
    amount: f64,
}

/// Returns what to look at in a zone, like findings in one sentence: the places, and the worst of
/// them.
pub(crate) fn pressure_findings(
    desk: &Desk<'_>,
    findings: &[Finding],
    name: impl Fn(usize) -> String,
) -> Vec<String> {
    let mut alike: Vec<Alike> = Vec::new();
    for finding in findings {
        let (word, cause, node, amount) = match *finding {
            Finding::Fast { node, velocity } => (Word::PipeFast, None, node, velocity.get()),
            Finding::Low {
                node,
                pressure,
                cause,
            } => (Word::HeadLow, Some(cause), node, pressure.get()),
            Finding::High { node, pressure } => (Word::HeadHigh, None, node, pressure.get()),
        };
        let known = alike
            .iter_mut()
            .find(|it| it.word == word && it.cause == cause);
        match known {
            Some(known) => {
                known.nodes.push(node);
                known.amount = match word {
                    Word::HeadLow => known.amount.min(amount),
                    _ => known.amount.max(amount),
                };
            }
            None => alike.push(Alike {
                word,
                cause,
                nodes: vec![node],
                amount,
            }),
        }
    }
    let said = alike.into_iter().map(|it| {
        let names: Vec<_> = it.nodes.iter().map(|node| name(*node)).collect();
        let names = match names.as_slice() {
            [first, .., last] if names.len() > 3 => {
                desk.fill(Word::FromTo, &[first, last, &names.len().to_string()])
            }
            _ => names.join(", "),
        };
        let amount = match it.word {
            Word::PipeFast => velocity(desk, FeetPerSecond::new(it.amount)),
            _ => headwalk_core::site::plan::say(
                Psi::new((it.amount * 10.0).round() / 10.0),
                desk.system(),
            ),
        };
        let cause = it.cause.map_or("", |cause| desk.say(low_cause(cause)));
        let limit = match it.word {
            Word::PipeFast => velocity(desk, FeetPerSecond::new(5.0)),
            _ => cause.to_owned(),
        };
        desk.fill(it.word, &[&names, &amount, &limit])
    });
    said.collect()
}
