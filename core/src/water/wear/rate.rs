//! Failures a valve-year, with exact bounds; by age band; and the ratio of two rates.
//!
//! ```
//! use headwalk_core::water::units::{Failures, Years};
//! use headwalk_core::water::wear::rate::rate;
//!
//! let none = rate(Failures::new(0.0), Years::new(12.5))?;
//! assert_eq!(none.to_string(), "no failures in 12.5 years of service: too few to state a rate");
//! # Ok::<(), headwalk_core::water::units::OutOfRange>(())
//! ```
//!
//! # Sources
//! Garwood (1936) for a count in an exposure; Clopper and Pearson (1934) on the share of two counts
//! for their ratio; both from memory, confirmed by scipy. Checks: `fixtures/tables/failure_rates.csv`.

use std::fmt;

use super::{End, Interval, Life};
use crate::water::units::{Allowed, Failures, FailuresPerYear, Fraction, OutOfRange, Years};

/// Failures in so many valve-years.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rate {
    /// How many failed: a whole number.
    pub failures: Failures,
    /// Years of service in which they did.
    pub service: Years,
    /// Failures a valve-year; none where none failed, since no number is known then.
    pub per_year: Option<FailuresPerYear>,
    /// 95 % bounds; the lower is zero where none failed.
    pub interval: Interval<FailuresPerYear>,
}

impl fmt::Display for Rate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (failures, service) = (self.failures.get(), self.service.get());
        match self.per_year {
            None => write!(
                f,
                "no failures in {service:.1} years of service: too few to state a rate"
            ),
            Some(rate) => write!(
                f,
                "{failures:.0} {} in {service:.1} years of service: {:.2} a year (95 %: {:.2} to \
                 {:.2})",
                if failures == 1.0 {
                    "failure"
                } else {
                    "failures"
                },
                rate.get(),
                self.interval.low.get(),
                self.interval.high.get()
            ),
        }
    }
}

/// Returns the rate of failures, with exact 95 % bounds.
///
/// # Errors
/// [`OutOfRange`] naming `failures` unless a whole number from 0 to 10,000, `service_years` unless
/// above zero.
pub fn rate(failures: Failures, service: Years) -> Result<Rate, OutOfRange> {
    let count = whole(failures)?;
    let years = Allowed::AboveZero.check("service_years", service.get())?;
    // The mean under which so few, or so many, are a one-in-forty chance.
    let most = count + 12.0 * (count + 1.0).sqrt() + 12.0;
    let low = if count > 0.0 {
        root(0.0, most, |mean| {
            1.0 - poisson_at_most(count - 1.0, mean) - TAIL
        })
    } else {
        0.0
    };
    let high = root(0.0, most, |mean| TAIL - poisson_at_most(count, mean));
    Ok(Rate {
        failures,
        service,
        per_year: (count > 0.0).then(|| FailuresPerYear::new(count / years)),
        interval: Interval {
            low: FailuresPerYear::new(low / years),
            high: FailuresPerYear::new(high / years),
        },
    })
}

/// Valves of one age.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// From this age.
    pub from: Years,
    /// Up to this age.
    pub to: Years,
    /// Failures at such ages.
    pub rate: Rate,
}

/// Returns the rate for each band of ages in which any valve was watched, youngest first.
///
/// # Errors
/// [`OutOfRange`] naming `band_years` outside 0.5 to 100; those of [`super::lifetimes`].
pub fn by_age(lives: &[Life], width: Years) -> Result<Vec<Band>, OutOfRange> {
    let width_years = Allowed::Between(0.5, 100.0).check("band_years", width.get())?;
    super::lifetimes(lives)?;
    let oldest = lives.iter().map(|life| life.age.get()).fold(0.0, f64::max);
    let mut bands = Vec::new();
    let mut from = 0.0;
    while from <= oldest {
        let to = from + width_years;
        let watched =
            |life: &Life| (life.age.get().min(to) - life.entered.get().max(from)).max(0.0);
        let service: f64 = lives.iter().map(watched).sum();
        let failed = lives.iter().filter(|life| {
            // The end of a life belongs to the band that it was lived in.
            let age = life.age.get();
            life.end == End::Failed && age > from && age <= to
        });
        if service > 0.0 {
            bands.push(Band {
                from: Years::new(from),
                to: Years::new(to),
                rate: rate(Failures::new(failed.count() as f64), Years::new(service))?,
            });
        }
        from = to;
    }
    Ok(bands)
}

/// How two rates compare.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ratio {
    /// The first over the second; none where either saw no failure.
    pub ratio: Option<Fraction>,
    /// 95 % bounds of it; the upper may be beyond all bounds.
    pub interval: Interval<Fraction>,
}

impl Ratio {
    /// Returns whether the bounds leave out that both are alike.
    #[must_use]
    pub fn differs(&self) -> bool {
        self.interval.low.get() > 1.0 || self.interval.high.get() < 1.0
    }
}

/// Returns the ratio of two rates, with exact 95 % bounds: where nothing else differs, the share of
/// all failures that falls to the first follows from its share of the service.
///
/// # Errors
/// Those of [`rate`].
pub fn ratio(first: &Rate, second: &Rate) -> Result<Ratio, OutOfRange> {
    let (a, b) = (whole(first.failures)?, whole(second.failures)?);
    let service = second.service / first.service;
    let of_share = |share: f64| Fraction::new(share / (1.0 - share) * service);
    let all = a + b;
    let low = if a > 0.0 {
        root(0.0, 1.0, |share| {
            1.0 - binomial_at_most(a - 1.0, all, share) - TAIL
        })
    } else {
        0.0
    };
    let high = if b > 0.0 {
        root(0.0, 1.0, |share| TAIL - binomial_at_most(a, all, share))
    } else {
        1.0
    };
    Ok(Ratio {
        ratio: (a > 0.0 && b > 0.0).then(|| of_share(a / all)),
        interval: Interval {
            low: of_share(low),
            high: of_share(high),
        },
    })
}

/// Half of what 95 % leaves out.
const TAIL: f64 = 0.025;

fn whole(failures: Failures) -> Result<f64, OutOfRange> {
    let count = Allowed::Between(0.0, 10_000.0).check("failures", failures.get())?;
    if count.fract() > 0.0 {
        return Err(Allowed::Rule("a whole number").broken("failures", count));
    }
    Ok(count)
}

/// Where a rising function crosses zero.
fn root(mut low: f64, mut high: f64, rising: impl Fn(f64) -> f64) -> f64 {
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if rising(middle) < 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

/// The chance of at most so many where so many are expected.
fn poisson_at_most(count: f64, mean: f64) -> f64 {
    if mean <= 0.0 {
        return 1.0;
    }
    let (mut ln_term, mut sum) = (-mean, 0.0);
    for at in 0..=(count as u32) {
        if at > 0 {
            ln_term += mean.ln() - f64::from(at).ln();
        }
        sum += ln_term.exp();
    }
    sum.min(1.0)
}

/// The chance of at most so many of `all` where each has that chance.
fn binomial_at_most(count: f64, all: f64, share: f64) -> f64 {
    if share <= 0.0 {
        return 1.0;
    }
    if share >= 1.0 {
        return if count >= all { 1.0 } else { 0.0 };
    }
    let odds = share.ln() - (-share).ln_1p();
    let (mut ln_term, mut sum) = (all * (-share).ln_1p(), 0.0);
    for at in 0..=(count as u32) {
        if at > 0 {
            let at = f64::from(at);
            ln_term += odds + (all - at + 1.0).ln() - at.ln();
        }
        sum += ln_term.exp();
    }
    sum.min(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::water::tables::{close, rows};

    #[test]
    fn bounds_agree_with_scipy() {
        for row in rows("failure_rates.csv") {
            let of = |failures: &str, years: &str| {
                rate(Failures::new(row.get(failures)), Years::new(row.get(years))).unwrap()
            };
            let first = of("failures", "years");
            let (low, high) = match row.find("other_years") {
                None => (first.interval.low.get(), first.interval.high.get()),
                Some(_) => {
                    let other = of("other_failures", "other_years");
                    let found = ratio(&first, &other).unwrap();
                    (found.interval.low.get(), found.interval.high.get())
                }
            };
            close(row.text("id"), low, row.get("low"), 1e-6 * (1.0 + low));
            close(row.text("id"), high, row.get("high"), 1e-6 * (1.0 + high));
        }
    }

    #[test]
    fn without_a_failure_there_is_a_sentence_and_no_number() {
        let none = rate(Failures::ZERO, Years::new(42.0)).unwrap();
        assert_eq!(none.per_year, None);
        let words = "no failures in 42.0 years of service: too few to state a rate";
        assert_eq!(none.to_string(), words);
        let some = rate(Failures::new(3.0), Years::new(10.0)).unwrap();
        assert_eq!(
            some.to_string(),
            "3 failures in 10.0 years of service: 0.30 a year (95 %: 0.06 to 0.88)"
        );
        let unknown = ratio(&none, &some).unwrap();
        assert_eq!(
            (unknown.ratio, unknown.interval.low),
            (None, Fraction::ZERO)
        );
    }

    #[test]
    fn service_counts_in_the_band_it_was_lived_in() {
        let life = |entered, age, end| Life {
            entered: Years::new(entered),
            age: Years::new(age),
            end,
        };
        let lives = [
            life(0.0, 7.0, End::Working),
            life(8.0, 12.0, End::Failed),
            life(12.0, 14.0, End::Working),
        ];
        let bands = by_age(&lives, Years::new(5.0)).unwrap();
        let seen: Vec<_> = bands
            .iter()
            .map(|band| {
                (
                    band.from.get(),
                    band.rate.service.get(),
                    band.rate.failures.get(),
                )
            })
            .collect();
        assert_eq!(seen, [(0.0, 5.0, 0.0), (5.0, 4.0, 0.0), (10.0, 4.0, 1.0)]);
    }

    #[test]
    fn what_is_no_count_is_refused() {
        let error = rate(Failures::new(1.5), Years::new(1.0)).unwrap_err();
        assert_eq!(error.field, "failures");
        let error = rate(Failures::new(1.0), Years::ZERO).unwrap_err();
        assert_eq!(error.field, "service_years");
    }
}
