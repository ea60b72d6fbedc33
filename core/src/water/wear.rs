//! How long valves last, from valves that failed and valves that still work.
//!
//! [`lifetimes`] is the entry point. A valve still at work is not thrown away: it is known to have
//! lasted at least so long (right-censored); one that was old when the record began counts from
//! then on only (left-truncated), since those that had failed before are not in the record. Without
//! a failure there is no life to state, and none is invented. [`rate`] has failures a valve-year,
//! [`cascade`] asks whether failures follow repairs, [`renewal`] plans which box to open first.
//!
//! ```
//! use headwalk_core::water::units::Years;
//! use headwalk_core::water::wear::{End, Life, lifetimes};
//!
//! let lives = [10.0, 12.0].map(|age| Life::whole(Years::new(age), End::Working));
//! let why_not = lifetimes(&lives)?.weibull.unwrap_err();
//! assert_eq!(why_not.to_string(), "no failures in 22.0 years of service");
//! # Ok::<(), headwalk_core::water::units::OutOfRange>(())
//! ```
//!
//! # Sources
//! Kaplan and Meier (1958) with Greenwood's variance; Weibull by maximum likelihood. Lawless,
//! Statistical Models and Methods for Lifetime Data (2003), from memory, confirmed by lifelines
//! 0.30.3 and reliability 0.9.0. Checks: `fixtures/tables/lifetimes*.csv`.

pub mod cascade;
pub mod rate;
pub mod renewal;
mod weibull;

use std::fmt;

pub use weibull::{Interval, Weibull};

use super::units::{Allowed, Fraction, OutOfRange, Years};

/// What every figure here leaves out; print it beside them.
pub const CENSORING_NOTE: &str = "what is found failed between two visits failed earlier than the \
     visit that found it; using that visit's date makes lives look longer";

/// One valve's life so far.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Life {
    /// Its age when it came under the eyes of whoever keeps the record; zero if from the day it
    /// was put in.
    pub entered: Years,
    /// Age when it failed, or its age today.
    pub age: Years,
    /// Which of the two.
    pub end: End,
}

impl Life {
    /// Makes a life that was watched from its first day.
    #[must_use]
    pub const fn whole(age: Years, end: End) -> Self {
        let entered = Years::ZERO;
        Self { entered, age, end }
    }
}

/// How an observed life ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum End {
    /// It failed at that age.
    Failed,
    /// It still works at that age.
    Working,
}

/// What the lives say together.
#[derive(Debug, Clone, PartialEq)]
pub struct Lifetimes {
    /// How many.
    pub lives: usize,
    /// How many of them failed.
    pub failures: usize,
    /// Years of service of all of them together, as far as they were watched.
    pub service: Years,
    /// Share still working, step by step, without assuming a law (Kaplan-Meier).
    pub survival: Vec<Step>,
    /// The law that fits best, or why there is none.
    pub weibull: Result<Weibull, NoFit>,
}

/// The share still working just after an age at which valves failed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// The age.
    pub age: Years,
    /// Valves at work just before it. Those only seen up to this very age count as at work.
    pub at_risk: usize,
    /// Valves that failed at it.
    pub failed: usize,
    /// Share still working after it.
    pub survival: Fraction,
    /// Greenwood's standard error; none once nothing is left.
    pub standard_error: Option<Fraction>,
    /// 95 % bounds of the share, which stay within 0 and 1; none once nothing is left.
    pub interval: Option<Interval<Fraction>>,
}

/// Why no law can be fitted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum NoFit {
    /// Nothing failed: all that is known is the service so far.
    NoFailures {
        /// Years of service of all valves together.
        service: Years,
    },
    /// Every failure is at the greatest age of all: any steep enough law fits.
    NoSpread,
    /// The best fit lies outside what a wearing part can have (shape 0.01 to 10,000).
    ShapeOutOfReach,
}

impl fmt::Display for NoFit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoFailures { service } => {
                write!(f, "no failures in {:.1} years of service", service.get())
            }
            Self::NoSpread => f.write_str("all failures are at the greatest age seen"),
            Self::ShapeOutOfReach => f.write_str("the ages follow no wearing-out law"),
        }
    }
}

/// Returns what a list of lives says.
///
/// # Errors
/// [`OutOfRange`] naming `lives` when empty, `years` outside 0 to 200, or zero for a failed valve;
/// `entered_years` below zero or past `years`, or at it for a failed valve.
pub fn lifetimes(lives: &[Life]) -> Result<Lifetimes, OutOfRange> {
    if lives.is_empty() {
        return Err(Allowed::Rule("a list of at least one life").broken("lives", 0.0));
    }
    for life in lives {
        let age = Allowed::Between(0.0, 200.0).check("years", life.age.get())?;
        if life.end == End::Failed {
            Allowed::AboveZero.check("years", age)?;
        }
        let entered = Allowed::Between(0.0, age).check("entered_years", life.entered.get())?;
        if life.end == End::Failed && entered >= age {
            let rule = Allowed::Rule("before the age at which the valve failed");
            return Err(rule.broken("entered_years", entered));
        }
    }
    let service = lives.iter().map(|life| life.age - life.entered).sum();
    let failures = lives.iter().filter(|life| life.end == End::Failed).count();
    Ok(Lifetimes {
        lives: lives.len(),
        failures,
        service,
        survival: kaplan_meier(lives),
        weibull: weibull::fit(lives),
    })
}

/// S = product of (1 - d/n); variance = S² sum of d / (n (n - d)). At a tie failures come first.
/// At risk at an age are those that had entered before it and were not gone.
fn kaplan_meier(lives: &[Life]) -> Vec<Step> {
    let mut ages: Vec<f64> = lives
        .iter()
        .filter(|life| life.end == End::Failed)
        .map(|life| life.age.get())
        .collect();
    ages.sort_by(f64::total_cmp);
    ages.dedup();
    let (mut survival, mut greenwood) = (1.0, 0.0);
    let mut steps = Vec::with_capacity(ages.len());
    for age in ages {
        let watched = |life: &&Life| life.age.get() >= age && life.entered.get() < age;
        let at_risk = lives.iter().filter(watched).count();
        let failed = lives
            .iter()
            .filter(|life| life.end == End::Failed && life.age.get() == age)
            .count();
        let left = at_risk - failed;
        survival *= left as f64 / at_risk as f64;
        let standard_error = (left > 0).then(|| {
            greenwood += failed as f64 / (at_risk as f64 * left as f64);
            Fraction::new(survival * f64::sqrt(greenwood))
        });
        let interval = (left > 0).then(|| log_log_bounds(survival, greenwood));
        let survival = Fraction::new(survival);
        steps.push(Step {
            age: Years::new(age),
            at_risk,
            failed,
            survival,
            standard_error,
            interval,
        });
    }
    steps
}

/// Bounds on the scale of ln(-ln S), where they cannot leave 0 to 1; S is below 1 here.
fn log_log_bounds(survival: f64, greenwood: f64) -> Interval<Fraction> {
    let middle = (-survival.ln()).ln();
    let reach = weibull::NORMAL_95 * greenwood.sqrt() / survival.ln().abs();
    let bound = |at: f64| Fraction::new((-at.exp()).exp());
    Interval {
        low: bound(middle + reach),
        high: bound(middle - reach),
    }
}

#[cfg(test)]
mod tests;
