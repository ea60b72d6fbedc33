//! How long valves last.

use serde::Deserialize;
use serde_json::json;

use headwalk_core::water::units::{Fraction, Years};
use headwalk_core::water::wear::{self, CENSORING_NOTE, End, Life, Step, Weibull};

use super::Formula;
use super::answer::Answer;
use super::value::Wrong;

/// How long valves last, from those that failed and those that still work.
///
/// In:  lives, a list of {years, failed}: the age at failure, or the age so far with failed false;
///      entered_years, where a valve was that old when the record of it began (left out: 0).
/// Out: shape, scale_years, median_years, mean_years, b10_years, log_likelihood of the Weibull law
///      that fits best (null with a warning where none does: without a failure no life is
///      invented); shape_interval and scale_interval_years, 95 %; valves, failures, service_years;
///      survival, step by step without a law: {years, survival, standard_error, low, high, at_risk,
///      failed}, low and high the 95 % bounds.
///
/// Sources: Weibull by maximum likelihood; Kaplan and Meier (1958) with Greenwood's variance.
///
/// Example: headwalk reckon lifetimes
/// --set lives='[{"years":8.5,"failed":true},{"years":12,"failed":true},{"years":10,"failed":false}]'
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Lifetimes {}

/// Inputs of [`Lifetimes`].
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct In {
    lives: Vec<LifeIn>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct LifeIn {
    years: f64,
    failed: bool,
    #[serde(default)]
    entered_years: f64,
}

impl Formula for Lifetimes {
    type In = In;

    fn reckon(given: In) -> Result<Answer, Wrong> {
        let lives: Vec<Life> = given.lives.iter().map(LifeIn::life).collect();
        let found = wear::lifetimes(&lives)?;
        let (law, none) = match &found.weibull {
            Ok(law) => (Some(law), None),
            Err(reason) => (None, Some(format!("no life is stated: {reason}"))),
        };
        let objects = found.survival.iter().map(object).collect();
        let lines = found.survival.iter().map(line).collect();
        Ok(fitted(law)
            .count("valves", "valves", found.lives as u64)
            .count("failures", "of them failed", found.failures as u64)
            .number(
                "service_years",
                "together at work",
                found.service.get(),
                Years::UNIT,
            )
            .lines("survival", "still working", objects, lines)
            .warnings(none)
            .warnings([CENSORING_NOTE]))
    }
}

impl LifeIn {
    fn life(&self) -> Life {
        Life {
            entered: Years::new(self.entered_years),
            age: Years::new(self.years),
            end: if self.failed {
                End::Failed
            } else {
                End::Working
            },
        }
    }
}

fn fitted(law: Option<&Weibull>) -> Answer {
    let why = "none fits";
    let years = |of: fn(&Weibull) -> Years| law.map(|law| of(law).get());
    let mean = law.and_then(Weibull::mean).map(Years::get);
    let answer = Answer::default()
        .maybe(
            "shape",
            "Weibull shape",
            law.map(|law| law.shape.get()),
            "",
            why,
        )
        .maybe(
            "scale_years",
            "scale",
            years(|law| law.scale),
            Years::UNIT,
            why,
        )
        .maybe(
            "median_years",
            "half have failed by",
            years(Weibull::median),
            Years::UNIT,
            why,
        )
        .maybe(
            "b10_years",
            "one in ten by",
            years(Weibull::b10),
            Years::UNIT,
            why,
        )
        .maybe("mean_years", "mean life", mean, Years::UNIT, why)
        .maybe(
            "log_likelihood",
            "log-likelihood",
            law.map(|law| law.log_likelihood),
            "",
            why,
        );
    let Some(law) = law else {
        return answer;
    };
    let (shape, scale) = (law.shape_interval, law.scale_interval);
    answer
        .numbers(
            "shape_interval",
            "95 % of the shape",
            vec![shape.low.get(), shape.high.get()],
            "",
        )
        .numbers(
            "scale_interval_years",
            "95 % of the scale",
            vec![scale.low.get(), scale.high.get()],
            Years::UNIT,
        )
}

fn object(step: &Step) -> serde_json::Value {
    json!({
        "years": step.age.get(),
        "survival": step.survival.get(),
        "standard_error": step.standard_error.map(Fraction::get),
        "low": step.interval.map(|interval| interval.low.get()),
        "high": step.interval.map(|interval| interval.high.get()),
        "at_risk": step.at_risk,
        "failed": step.failed,
    })
}

fn line(step: &Step) -> String {
    let share = 100.0 * step.survival.get();
    let error = step.standard_error.map_or(String::new(), |error| {
        format!(" ± {:.0}", 100.0 * error.get())
    });
    format!(
        "{share:.0}{error} % after {:.1} ({} at work before)",
        step.age, step.at_risk
    )
}
