//! Weighing signs: which cause fits what was seen, and which test to make next.
//!
//! A [`Table`] names the causes that could lie behind a trouble and the tests that tell them apart,
//! with the chance that each test says yes under each cause. [`weigh`] is the entry point: answers
//! in, the causes by their share of belief out, and the one test that is expected to leave least open.
//! A test that was not made says nothing, whatever the reason; only a no counts as a no. One cause
//! is taken to be at work; where no cause fits what was seen the board says so, since then two may
//! be.
//!
//! What the causes and tests are, and their chances, is not for this module to know: the tables of
//! the trade are with the site's things.
//!
//! ```
//! use headwalk_core::water::evidence::{Answer, Cause, Table, Test, weigh};
//! use headwalk_core::water::units::Fraction;
//!
//! let f = Fraction::new;
//! let table = Table::new(
//!     &[Cause { prior: f(0.5) }, Cause { prior: f(0.5) }],
//!     &[Test { yes: &[f(0.9), f(0.2)] }],
//! )?;
//! let board = weigh(&table, &[Answer::Yes])?;
//! assert_eq!(format!("{:.3}", board.beliefs[0].share.get()), "0.818");
//! # Ok::<(), headwalk_core::water::units::OutOfRange>(())
//! ```
//!
//! # Sources
//! Bayes' rule; Shannon's entropy and the information that a test is expected to bring (Lindley
//! 1956, from memory).

mod asking;

pub use asking::{Asked, adaptive, best_fixed, fixed};

use super::units::{Allowed, Fraction, OutOfRange};

/// What could be the matter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cause {
    /// How often, among such troubles, it is this; any positive weights do.
    pub prior: Fraction,
}

/// What can be looked at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Test<'t> {
    /// The chance of a yes under each cause, in the order of the causes; never 0 and never 1, so
    /// that no single answer settles anything for good.
    pub yes: &'t [Fraction],
}

/// Causes and tests that fit each other.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    priors: Vec<f64>,
    /// For each test, the chance of a yes under each cause.
    yes: Vec<Vec<f64>>,
}

impl Table {
    /// Takes causes and tests.
    ///
    /// # Errors
    /// [`OutOfRange`] naming `prior` unless above zero; `yes` unless there is one for each cause
    /// from 0.001 to 0.999; `causes` with fewer than two; `tests` with none or more than 16.
    pub fn new(causes: &[Cause], tests: &[Test<'_>]) -> Result<Self, OutOfRange> {
        Allowed::Between(2.0, 64.0).check("causes", causes.len() as f64)?;
        Allowed::Between(1.0, 16.0).check("tests", tests.len() as f64)?;
        let mut priors = Vec::with_capacity(causes.len());
        for cause in causes {
            priors.push(Allowed::AboveZeroTo(1_000.0).check("prior", cause.prior.get())?);
        }
        let total: f64 = priors.iter().sum();
        priors.iter_mut().for_each(|prior| *prior /= total);
        let mut yes = Vec::with_capacity(tests.len());
        for test in tests {
            if test.yes.len() != causes.len() {
                let rule = Allowed::Rule("a list with one chance for each cause");
                return Err(rule.broken("yes", test.yes.len() as f64));
            }
            let chance = |chance: &Fraction| CHANCE.check("yes", chance.get());
            yes.push(test.yes.iter().map(chance).collect::<Result<_, _>>()?);
        }
        Ok(Self { priors, yes })
    }

    /// Returns how many causes there are.
    #[must_use]
    pub fn causes(&self) -> usize {
        self.priors.len()
    }

    /// Returns how many tests there are.
    #[must_use]
    pub fn tests(&self) -> usize {
        self.yes.len()
    }

    /// The chance of an answer under a cause; a test that was not made has no say.
    fn chance(&self, test: usize, cause: usize, answer: Answer) -> f64 {
        let yes = self.yes.get(test).and_then(|yes| yes.get(cause));
        let yes = yes.copied().expect("tests and causes were checked");
        match answer {
            Answer::Yes => yes,
            Answer::No => 1.0 - yes,
            Answer::NotTested => 1.0,
        }
    }

    /// Beliefs, summing to one, after one more answer.
    fn after(&self, beliefs: &[f64], test: usize, answer: Answer) -> Vec<f64> {
        let weighed = beliefs.iter().enumerate();
        let mut after: Vec<f64> = weighed
            .map(|(cause, belief)| belief * self.chance(test, cause, answer))
            .collect();
        let total: f64 = after.iter().sum();
        after.iter_mut().for_each(|belief| *belief /= total);
        after
    }

    /// The chance of a yes as far as is believed.
    fn yes_chance(&self, beliefs: &[f64], test: usize) -> f64 {
        let causes = beliefs.iter().enumerate();
        causes
            .map(|(cause, belief)| belief * self.chance(test, cause, Answer::Yes))
            .sum()
    }

    /// Bits that a test is expected to bring.
    fn gain(&self, beliefs: &[f64], test: usize) -> f64 {
        let yes = self.yes_chance(beliefs, test);
        let left = yes * entropy(&self.after(beliefs, test, Answer::Yes))
            + (1.0 - yes) * entropy(&self.after(beliefs, test, Answer::No));
        (entropy(beliefs) - left).max(0.0)
    }

    /// The test, among those not made, that is expected to leave least open once the best test
    /// after it is made too; the one that leaves less by itself at a tie, then the earlier. One
    /// step alone often takes a test that looks good and makes the rest no easier.
    fn best_next(&self, beliefs: &[f64], made: impl Fn(usize) -> bool) -> Option<usize> {
        let open: Vec<usize> = (0..self.tests()).filter(|test| !made(*test)).collect();
        let mut best: Option<(usize, f64)> = None;
        for &test in &open {
            let first = self.left_after(beliefs, test, entropy);
            let both = self.left_after(beliefs, test, |after| {
                let others = open.iter().filter(|other| **other != test);
                let left = others.map(|other| self.left_after(after, *other, entropy));
                left.fold(entropy(after), f64::min)
            });
            // Half of the weight each: to be nearly there after one test is worth something too.
            let left = first + both;
            if best.is_none_or(|(_, least)| left < least - 1e-12) {
                best = Some((test, left));
            }
        }
        best.map(|(test, _)| test)
    }

    /// What is expected to be still open after a test, where a cause that stands out leaves nothing
    /// open: what is settled needs no more telling apart.
    fn left_after(&self, beliefs: &[f64], test: usize, open: impl Fn(&[f64]) -> f64) -> f64 {
        let yes = self.yes_chance(beliefs, test);
        let left = |answer: Answer, chance: f64| {
            let after = self.after(beliefs, test, answer);
            let settled = after.iter().any(|belief| *belief >= SETTLED.get());
            chance * if settled { 0.0 } else { open(&after) }
        };
        left(Answer::Yes, yes) + left(Answer::No, 1.0 - yes)
    }
}

const CHANCE: Allowed = Allowed::Between(0.001, 0.999);

/// What a test said.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Answer {
    /// It was seen.
    Yes,
    /// It was looked for and not seen.
    No,
    /// Nobody looked, or nobody could tell: it counts neither way.
    #[default]
    NotTested,
}

/// Which way an answer points for one cause.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Points {
    /// It makes the cause more likely than it was.
    To,
    /// It makes it less likely.
    Away,
    /// It says next to nothing about it.
    Neither,
}

/// What the answers come to.
#[derive(Debug, Clone, PartialEq)]
pub struct Board {
    /// Each cause's share of belief, most first.
    pub beliefs: Vec<Belief>,
    /// The next test, if any is left that tells anything: the one that is expected to leave least
    /// open once the best test after it is made too.
    pub next: Option<Next>,
    /// Every test not made yet, the one that tells most first.
    pub open: Vec<Next>,
    /// Whether one cause is believed beyond [`SETTLED`].
    pub verdict: Verdict,
    /// How well the best cause explains the answers: their chance under it, over that of the
    /// answers which it makes most likely. Near one: just what it would show.
    pub fit: Fraction,
}

/// A cause and what is believed of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Belief {
    /// Its place among the causes.
    pub cause: usize,
    /// Its share of belief; all of them sum to one.
    pub share: Fraction,
    /// Which way each test points for it, in the order of the tests.
    pub points: Vec<Points>,
}

/// A test not made yet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Next {
    /// Its place among the tests.
    pub test: usize,
    /// Bits of information that it is expected to bring.
    pub gain_bits: Fraction,
    /// The chance that it says yes, as far as is believed now.
    pub yes: Fraction,
}

/// How far the board has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// No test was made: all there is are the habits of such troubles.
    NothingTested,
    /// One cause stands out.
    PointsTo(usize),
    /// More than one may be it.
    Open,
    /// No cause fits what was seen: two may be at work, or a test misled.
    NoneFits,
}

/// A cause believed this far is worth acting on: our choice, no source.
pub const SETTLED: Fraction = Fraction::new(0.85);
/// Answers this much less likely than the best cause's own fit none: our choice, no source.
const FITS: f64 = 0.005;
/// A test expected to bring less than this is not worth a walk: our choice, no source.
const WORTH_BITS: f64 = 0.01;
/// A likelihood ratio this close to one points nowhere.
const SAYS_SOMETHING: f64 = 1.25;

/// Returns what answers come to; tests without an answer are not tested.
///
/// # Errors
/// [`OutOfRange`] naming `answers` when there are more than tests.
pub fn weigh(table: &Table, answers: &[Answer]) -> Result<Board, OutOfRange> {
    let most = table.tests() as f64;
    Allowed::Between(0.0, most).check("answers", answers.len() as f64)?;
    let answer = |test: usize| answers.get(test).copied().unwrap_or_default();
    let mut beliefs = table.priors.clone();
    for test in 0..table.tests() {
        beliefs = table.after(&beliefs, test, answer(test));
    }
    let made = |test: usize| answer(test) != Answer::NotTested;
    let best = most_believed(&beliefs);
    let fit = table.fit(best, answer);
    let mut open: Vec<Next> = (0..table.tests())
        .filter(|test| !made(*test))
        .map(|test| Next {
            test,
            gain_bits: Fraction::new(table.gain(&beliefs, test)),
            yes: Fraction::new(table.yes_chance(&beliefs, test)),
        })
        .collect();
    open.sort_by(|a, b| b.gain_bits.get().total_cmp(&a.gain_bits.get()));
    let next = table.best_next(&beliefs, made);
    let next = next.and_then(|test| open.iter().copied().find(|open| open.test == test));
    let verdict = if !(0..table.tests()).any(made) {
        Verdict::NothingTested
    } else if fit < FITS {
        Verdict::NoneFits
    } else if beliefs
        .get(best)
        .is_some_and(|share| *share >= SETTLED.get())
    {
        Verdict::PointsTo(best)
    } else {
        Verdict::Open
    };
    Ok(Board {
        beliefs: table.ranked(&beliefs, answer),
        next: next.filter(|next| next.gain_bits.get() >= WORTH_BITS),
        open,
        verdict,
        fit: Fraction::new(fit),
    })
}

impl Table {
    fn ranked(&self, beliefs: &[f64], answer: impl Fn(usize) -> Answer) -> Vec<Belief> {
        let points = |cause: usize| {
            let tests = (0..self.tests()).map(|test| self.points(test, cause, answer(test)));
            tests.collect()
        };
        let mut ranked: Vec<Belief> = beliefs
            .iter()
            .enumerate()
            .map(|(cause, share)| Belief {
                cause,
                share: Fraction::new(*share),
                points: points(cause),
            })
            .collect();
        ranked.sort_by(|a, b| b.share.get().total_cmp(&a.share.get()));
        ranked
    }

    /// Which way an answer points for a cause: its chance there against that among the others, by
    /// how often they are it.
    fn points(&self, test: usize, cause: usize, answer: Answer) -> Points {
        let others = self
            .priors
            .iter()
            .enumerate()
            .filter(|(at, _)| *at != cause);
        let (mut chance, mut weight) = (0.0, 0.0);
        for (other, prior) in others {
            chance += prior * self.chance(test, other, answer);
            weight += prior;
        }
        let ratio = self.chance(test, cause, answer) / (chance / weight);
        if ratio > SAYS_SOMETHING {
            Points::To
        } else if ratio < 1.0 / SAYS_SOMETHING {
            Points::Away
        } else {
            Points::Neither
        }
    }

    fn fit(&self, cause: usize, answer: impl Fn(usize) -> Answer) -> f64 {
        let tests = 0..self.tests();
        let shares = tests.map(|test| {
            let best =
                self.chance(test, cause, Answer::Yes)
                    .max(self.chance(test, cause, Answer::No));
            match answer(test) {
                Answer::NotTested => 1.0,
                made => self.chance(test, cause, made) / best,
            }
        });
        shares.product()
    }
}

fn most_believed(beliefs: &[f64]) -> usize {
    let places = beliefs.iter().enumerate();
    let most = places.max_by(|(_, a), (_, b)| a.total_cmp(b));
    most.map_or(0, |(at, _)| at)
}

/// Uncertainty in bits.
fn entropy(beliefs: &[f64]) -> f64 {
    let terms = beliefs.iter().filter(|belief| **belief > 0.0);
    terms.map(|belief| -belief * belief.log2()).sum()
}

#[cfg(test)]
mod tests;
