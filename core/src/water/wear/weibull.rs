//! The Weibull law: its fit to lives of which some have not ended, and what follows from it.

use super::{
    super::units::{Fraction, Years},
    End, Life, NoFit,
};

/// A fitted Weibull law: S(t) = exp(-(t / scale)^shape).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Weibull {
    /// Above 1 a valve wears out, at 1 failures are chance, below 1 the weak ones go early.
    pub shape: Fraction,
    /// Age by which 63 % have failed.
    pub scale: Years,
    /// How well the law explains the lives.
    pub log_likelihood: f64,
    /// 95 % normal interval of the shape, from the observed information.
    pub shape_interval: Interval<Fraction>,
    /// 95 % normal interval of the scale.
    pub scale_interval: Interval<Years>,
}

/// A range that holds the true value in 95 of 100 such samples; cut off at zero.
///
/// With few failures normal intervals are rough.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval<T> {
    /// Lower end.
    pub low: T,
    /// Upper end.
    pub high: T,
}

impl Weibull {
    /// Returns the share still working at an age.
    #[must_use]
    pub fn survival(&self, age: Years) -> Fraction {
        Fraction::new((-self.cumulative_hazard(age)).exp())
    }

    /// Returns failures a valve-year among valves of an age; an age below zero counts as zero.
    #[must_use]
    pub fn hazard_per_year(&self, age: Years) -> f64 {
        let (shape, scale) = (self.shape.get(), self.scale.get());
        shape / scale * (age.get().max(0.0) / scale).powf(shape - 1.0)
    }

    /// Returns the chance that a valve at work at one age has failed by a later one.
    #[must_use]
    pub fn failure_between(&self, from: Years, to: Years) -> Fraction {
        let more = self.cumulative_hazard(to) - self.cumulative_hazard(from);
        Fraction::new(-(-more.max(0.0)).exp_m1())
    }

    /// Returns the age by which half have failed.
    #[must_use]
    pub fn median(&self) -> Years {
        self.age_at(0.5)
    }

    /// Returns the age by which one in ten has failed.
    #[must_use]
    pub fn b10(&self) -> Years {
        self.age_at(0.9)
    }

    /// Returns the mean life; none when the law's tail is so long that it has no usable one.
    #[must_use]
    pub fn mean(&self) -> Option<Years> {
        let mean = self.scale.get() * gamma(1.0 + 1.0 / self.shape.get());
        mean.is_finite().then(|| Years::new(mean))
    }

    fn age_at(&self, survival: f64) -> Years {
        self.scale * (-survival.ln()).powf(1.0 / self.shape.get())
    }

    fn cumulative_hazard(&self, age: Years) -> f64 {
        (age.get().max(0.0) / self.scale.get()).powf(self.shape.get())
    }
}

const SHAPE_MIN: f64 = 0.01;
const SHAPE_MAX: f64 = 10_000.0;

/// Fits by maximum likelihood.
///
/// The shape solves sum(t^b ln t) / sum(t^b) - 1/b = mean(ln t of failures), sums over all lives,
/// less the same of the age at which a life came under watch; the left side grows with b where all
/// were watched from new, so halving an interval finds it. Then scale^b = sum(t^b) / failures.
pub(super) fn fit(lives: &[Life]) -> Result<Weibull, NoFit> {
    let failed: Vec<f64> = lives
        .iter()
        .filter(|life| life.end == End::Failed)
        .map(|life| life.age.get().ln())
        .collect();
    if failed.is_empty() {
        let service = lives.iter().map(|life| life.age - life.entered).sum();
        return Err(NoFit::NoFailures { service });
    }
    // A valve of age zero has told nothing yet. What went by before a life was watched is taken
    // off again: the same sums with the other sign.
    let ends = lives.iter().map(|life| (life.age.get(), 1.0));
    let entries = lives.iter().map(|life| (life.entered.get(), -1.0));
    let all: Vec<(f64, f64)> = ends
        .chain(entries)
        .filter(|(age, _)| *age > 0.0)
        .map(|(age, sign)| (age.ln(), sign))
        .collect();
    let count = failed.len() as f64;
    let failed_mean = failed.iter().sum::<f64>() / count;
    let longest = all
        .iter()
        .map(|(ln_age, _)| *ln_age)
        .fold(f64::MIN, f64::max);
    if longest - failed_mean < 1e-12 {
        return Err(NoFit::NoSpread);
    }
    let excess = |shape: f64| Sums::of(&all, longest, shape).mean_ln() - 1.0 / shape - failed_mean;
    let shape = root(excess).ok_or(NoFit::ShapeOutOfReach)?;
    let sums = Sums::of(&all, longest, shape);
    let ln_scale = longest + (sums.weight / count).ln() / shape;
    summary(&all, count, failed_mean, shape, ln_scale).ok_or(NoFit::ShapeOutOfReach)
}

/// Sums of (t / longest)^b, and of the same times ln t: the division keeps large shapes in range.
struct Sums {
    weight: f64,
    weighted_ln: f64,
}

impl Sums {
    fn of(ln_ages: &[(f64, f64)], longest: f64, shape: f64) -> Self {
        let mut sums = Self {
            weight: 0.0,
            weighted_ln: 0.0,
        };
        for (ln_age, sign) in ln_ages {
            let weight = sign * (shape * (ln_age - longest)).exp();
            sums.weight += weight;
            sums.weighted_ln += weight * ln_age;
        }
        sums
    }

    fn mean_ln(&self) -> f64 {
        self.weighted_ln / self.weight
    }
}

fn root(rising: impl Fn(f64) -> f64) -> Option<f64> {
    let (mut low, mut high) = (SHAPE_MIN, SHAPE_MAX);
    if rising(low) > 0.0 || rising(high) < 0.0 {
        return None;
    }
    // 200 halvings pass the last bit of a double.
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if rising(middle) < 0.0 {
            low = middle
        } else {
            high = middle
        }
    }
    Some(0.5 * (low + high))
}

/// Likelihood and intervals. At the maximum the sum of (t / scale)^b is the count of failures, which
/// makes two of the three second derivatives simple.
fn summary(
    ln_ages: &[(f64, f64)],
    count: f64,
    failed_mean: f64,
    shape: f64,
    ln_scale: f64,
) -> Option<Weibull> {
    let scale = ln_scale.exp();
    let (mut hazards, mut first, mut second) = (0.0, 0.0, 0.0);
    for (ln_age, sign) in ln_ages {
        let ln_ratio = ln_age - ln_scale;
        let hazard = sign * (shape * ln_ratio).exp();
        hazards += hazard;
        first += hazard * ln_ratio;
        second += hazard * ln_ratio * ln_ratio;
    }
    let log_likelihood =
        count * (shape.ln() - shape * ln_scale + (shape - 1.0) * failed_mean) - hazards;
    let shape_shape = count / (shape * shape) + second;
    let scale_scale = count * shape * shape / (scale * scale);
    let shape_scale = -shape / scale * first;
    let determinant = shape_shape * scale_scale - shape_scale * shape_scale;
    // No peak, no law: lives watched for a short while can leave none.
    if determinant <= 0.0 || !determinant.is_finite() {
        return None;
    }
    let interval = |value: f64, variance: f64| {
        let reach = NORMAL_95 * variance.max(0.0).sqrt();
        ((value - reach).max(0.0), value + reach)
    };
    let (shape_low, shape_high) = interval(shape, scale_scale / determinant);
    let (scale_low, scale_high) = interval(scale, shape_shape / determinant);
    Some(Weibull {
        shape: Fraction::new(shape),
        scale: Years::new(scale),
        log_likelihood,
        shape_interval: Interval {
            low: Fraction::new(shape_low),
            high: Fraction::new(shape_high),
        },
        scale_interval: Interval {
            low: Years::new(scale_low),
            high: Years::new(scale_high),
        },
    })
}

/// Standard normal quantile of 0.975.
pub(super) const NORMAL_95: f64 = 1.959_963_984_540_054;

/// The gamma function for x >= 1, by Stirling's series after moving x above 10.
fn gamma(x: f64) -> f64 {
    let (mut shifted, mut divisor) = (x, 1.0);
    while shifted < 10.0 {
        divisor *= shifted;
        shifted += 1.0;
    }
    let inverse = 1.0 / shifted;
    let series = inverse / 12.0 - inverse.powi(3) / 360.0 + inverse.powi(5) / 1_260.0
        - inverse.powi(7) / 1_680.0;
    let ln =
        (shifted - 0.5) * shifted.ln() - shifted + 0.5 * (2.0 * std::f64::consts::PI).ln() + series;
    ln.exp() / divisor
}

#[test]
fn the_gamma_function_continues_the_factorial() {
    for (x, expected) in [
        (1.0, 1.0),
        (2.0, 1.0),
        (5.0, 24.0),
        (1.5, 0.886_226_925_452_758),
    ] {
        assert!(
            (gamma(x) / expected - 1.0).abs() < 1e-12,
            "gamma({x}) = {}",
            gamma(x)
        );
    }
}
