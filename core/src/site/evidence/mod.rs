//! The evidence board: what the signs on a wet or dry spot, a weak zone or a valve point to, and
//! what to look at next.
//!
//! [`Board::of`] weighs the answers to a trouble's signs; [`answers_on`] reads them from what crews
//! recorded. It never closes a question by itself: it says "points to", shows what is not tested,
//! and a person decides.
//!
//! ```
//! use headwalk_core::site::evidence::{Board, Trouble};
//! use headwalk_core::water::evidence::Answer;
//!
//! let board = Board::of(Trouble::WetArea, &[("static meter moves", Answer::Yes)])?;
//! assert_eq!(board.next().unwrap().sign.word, "trickle at the lowest head day and night");
//! # Ok::<(), headwalk_core::site::evidence::UnknownSign>(())
//! ```

mod table;

pub use table::TROUBLES;

use super::fields::{close_names, seen};
use super::finding::Caution;
use super::things::{Parts, Thing};
use super::words::{Vocabulary, vocabularies};
use crate::log::id::ThingId;
use crate::water::evidence::{self, Answer, Belief, Cause, Next, Points, Table, Test, Verdict};
use crate::water::units::{Fraction, Minutes};

vocabularies! {
    /// What is the matter.
    Trouble {
        /// Ground that is wet when it should not be.
        WetArea = "wet-area",
        /// Ground that stays dry.
        DrySpot = "dry-spot",
        /// Heads that are weak.
        LowPressure = "low-pressure",
        /// A zone that does not start.
        WillNotStart = "will-not-start",
        /// A zone that does not stop.
        WillNotStop = "will-not-stop",
    }
}

/// One trouble with its causes and signs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TroubleLine {
    /// Which.
    pub trouble: Trouble,
    /// What could be behind it.
    pub causes: &'static [CauseLine],
    /// What tells them apart.
    pub signs: &'static [SignLine],
}

/// What could be behind a trouble.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CauseLine {
    /// The word for it.
    pub word: &'static str,
    /// How often it is that: common practice, no source.
    pub often: Often,
    /// What it means, for a client.
    pub plain: &'static str,
    /// What usually mends it.
    pub remedy: &'static str,
    /// What can hurt whoever mends it.
    pub caution: Option<Caution>,
}

/// What tells causes apart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SignLine {
    /// The words under which it is recorded.
    pub word: &'static str,
    /// How to look.
    pub how: &'static str,
    /// How long that takes: common practice, no source.
    pub minutes: Minutes,
    /// What can hurt whoever looks.
    pub caution: Option<Caution>,
    /// How often it shows under each cause, in their order: common practice, no source.
    pub shows: &'static [Shows],
}

/// How often a cause is behind a trouble, beside the others.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Often {
    /// Three times as often as the usual ones' two.
    Common,
    /// As most.
    Usual,
    /// Half as often.
    Rare,
}

impl Often {
    /// Returns the weight, beside those of the others.
    #[must_use]
    pub const fn weight(self) -> Fraction {
        Fraction::new(match self {
            Self::Common => 3.0,
            Self::Usual => 2.0,
            Self::Rare => 1.0,
        })
    }
}

/// How often a sign shows under a cause.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shows {
    /// Nearly always: 95 of 100.
    Always,
    /// Usually: 80.
    Usually,
    /// As often as not: 50. It says nothing by itself.
    Half,
    /// Seldom: 20.
    Seldom,
    /// Hardly ever: 5.
    Never,
}

impl Shows {
    /// Returns the chance.
    #[must_use]
    pub const fn chance(self) -> Fraction {
        Fraction::new(match self {
            Self::Always => 0.95,
            Self::Usually => 0.8,
            Self::Half => 0.5,
            Self::Seldom => 0.2,
            Self::Never => 0.05,
        })
    }
}

impl Trouble {
    /// Returns its causes and signs.
    #[must_use]
    pub fn line(self) -> &'static TroubleLine {
        let line = TROUBLES.iter().find(|line| line.trouble == self);
        line.expect("every trouble has its line")
    }
}

impl TroubleLine {
    /// Returns the table that weighs it.
    #[must_use]
    pub fn table(&self) -> Table {
        let causes: Vec<Cause> = self
            .causes
            .iter()
            .map(|cause| Cause {
                prior: cause.often.weight(),
            })
            .collect();
        let chances: Vec<Vec<Fraction>> = self
            .signs
            .iter()
            .map(|sign| sign.shows.iter().map(|shows| shows.chance()).collect())
            .collect();
        let tests: Vec<Test<'_>> = chances.iter().map(|yes| Test { yes }).collect();
        Table::new(&causes, &tests).expect("each sign has a chance for each cause")
    }

    /// Returns the place of a sign in the table, written with blanks or hyphens; none where the
    /// table does not know it.
    #[must_use]
    pub fn sign(&self, word: &str) -> Option<usize> {
        let same = |sign: &SignLine| plain_word(sign.word) == plain_word(word);
        self.signs.iter().position(same)
    }
}

fn plain_word(word: &str) -> String {
    let lower = word.trim().to_lowercase();
    let words: Vec<&str> = lower.split([' ', '-', '_', ',']).collect();
    let words: Vec<&str> = words.into_iter().filter(|word| !word.is_empty()).collect();
    words.join(" ")
}

/// A sign that the trouble's table does not know.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{sign}` is not a sign of {trouble}{}", did_you_mean(.close))]
pub struct UnknownSign {
    /// What was written.
    pub sign: String,
    /// The trouble.
    pub trouble: &'static str,
    /// Signs that are close.
    pub close: Vec<&'static str>,
}

fn did_you_mean(close: &[&'static str]) -> String {
    let first = close.first();
    first.map_or(String::new(), |close| format!("; did you mean `{close}`?"))
}

/// What the answers come to.
#[derive(Debug, Clone, PartialEq)]
pub struct Board {
    /// The trouble with its causes and signs.
    pub line: &'static TroubleLine,
    /// The answer to each sign, in the order of the table.
    pub answers: Vec<Answer>,
    weighed: evidence::Board,
}

/// A cause as the board sees it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Suspect<'b> {
    /// The cause.
    pub cause: &'static CauseLine,
    /// Its share of belief.
    pub share: Fraction,
    /// Which way each sign points, in the order of the table.
    pub points: &'b [Points],
}

/// A sign to look for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ToTest {
    /// The sign.
    pub sign: &'static SignLine,
    /// Bits of information that looking is expected to bring.
    pub gain_bits: Fraction,
}

impl Board {
    /// Weighs the answers to signs; a sign that is answered twice takes the later answer, and one
    /// that is not tested says nothing.
    ///
    /// # Errors
    /// [`UnknownSign`].
    pub fn of(trouble: Trouble, said: &[(&str, Answer)]) -> Result<Self, UnknownSign> {
        let line = trouble.line();
        let mut answers = vec![Answer::NotTested; line.signs.len()];
        for (word, answer) in said {
            let known = line.sign(word).and_then(|at| answers.get_mut(at));
            match (known, answer) {
                (Some(_), Answer::NotTested) => {}
                (Some(known), answer) => *known = *answer,
                (None, _) => {
                    let names = line.signs.iter().map(|sign| sign.word);
                    return Err(UnknownSign {
                        sign: (*word).to_owned(),
                        trouble: trouble.word(),
                        close: close_names(word, names),
                    });
                }
            }
        }
        let weighed = evidence::weigh(&line.table(), &answers).expect("one answer for each sign");
        Ok(Self {
            line,
            answers,
            weighed,
        })
    }

    /// Returns the causes, the most believed first.
    pub fn suspects(&self) -> impl Iterator<Item = Suspect<'_>> {
        self.weighed.beliefs.iter().filter_map(|belief| {
            let Belief {
                cause,
                share,
                points,
            } = belief;
            Some(Suspect {
                cause: self.line.causes.get(*cause)?,
                share: *share,
                points,
            })
        })
    }

    /// Returns the one sign to look for next, where any still tells something.
    #[must_use]
    pub fn next(&self) -> Option<ToTest> {
        self.weighed.next.and_then(|next| self.to_test(next))
    }

    /// Returns every sign not looked for, the most telling first.
    pub fn not_tested(&self) -> impl Iterator<Item = ToTest> + '_ {
        self.weighed
            .open
            .iter()
            .filter_map(|open| self.to_test(*open))
    }

    /// Returns the signs that were looked for, with what was seen, in the order of the table.
    pub fn tested(&self) -> impl Iterator<Item = (&'static SignLine, Answer)> + '_ {
        let signs = self.line.signs.iter().zip(self.answers.iter().copied());
        signs.filter(|(_, answer)| *answer != Answer::NotTested)
    }

    /// Returns the cause that stands out, if one does.
    #[must_use]
    pub fn points_to(&self) -> Option<&'static CauseLine> {
        match self.weighed.verdict {
            Verdict::PointsTo(cause) => self.line.causes.get(cause),
            _ => None,
        }
    }

    /// Returns what the answers come to, for whoever words it; a cause by its place in the table.
    #[must_use]
    pub const fn verdict(&self) -> Verdict {
        self.weighed.verdict
    }

    /// Returns what the answers come to, in a sentence that never says more than they do.
    #[must_use]
    pub fn sentence(&self) -> String {
        let words = |suspect: &Suspect<'_>| {
            let share = 100.0 * suspect.share.get();
            format!("{} ({share:.0} %)", suspect.cause.word.replace('-', " "))
        };
        let suspects: Vec<Suspect<'_>> = self.suspects().collect();
        let listed: Vec<String> = suspects.iter().take(2).map(words).collect();
        match self.weighed.verdict {
            Verdict::NothingTested => {
                "nothing is tested yet; the list is only how often it is what".to_owned()
            }
            Verdict::NoneFits => {
                "no one cause fits what was seen: two may be at work, or a test misled".to_owned()
            }
            Verdict::PointsTo(_) => format!("the evidence points to {}", listed.concat_first()),
            Verdict::Open => format!("not settled: {}", listed.join(", else ")),
        }
    }

    fn to_test(&self, next: Next) -> Option<ToTest> {
        Some(ToTest {
            sign: self.line.signs.get(next.test)?,
            gain_bits: next.gain_bits,
        })
    }
}

/// The first of a list of words, or nothing.
trait First {
    fn concat_first(&self) -> String;
}

impl First for Vec<String> {
    fn concat_first(&self) -> String {
        self.first().cloned().unwrap_or_default()
    }
}

/// Weights as people should read them.
pub const WEIGHTS_NOTE: &str = "how often each cause is it, and how often each sign shows under it, are common practice, no \
     source";

/// What a crew recorded as evidence on a thing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Recorded {
    /// The sign, in the words that were written.
    pub sign: String,
    /// What was seen.
    pub answer: Answer,
    /// What was said beside it.
    pub remark: Option<String>,
    /// During which visit.
    pub visit: Option<ThingId>,
}

/// Returns the signs recorded on a thing, oldest first.
#[must_use]
pub fn answers_on(thing: &Thing<'_>) -> Vec<Recorded> {
    let seen = thing.seen(&seen::EVIDENCE).iter();
    seen.filter_map(|observation| {
        let parts = Parts::of(&seen::EVIDENCE, &observation.value);
        Some(Recorded {
            sign: parts.words("sign")?.to_owned(),
            answer: match parts.words("seen")? {
                "yes" => Answer::Yes,
                "no" => Answer::No,
                _ => Answer::NotTested,
            },
            remark: parts.words("remark").map(str::to_owned),
            visit: observation.visit,
        })
    })
    .collect()
}

/// Returns the trouble whose table knows most of the recorded signs; none where none knows any.
#[must_use]
pub fn trouble_of(recorded: &[Recorded]) -> Option<Trouble> {
    let known = |line: &&TroubleLine| {
        let signs = recorded.iter().filter(|it| line.sign(&it.sign).is_some());
        signs.count()
    };
    let mut best: Option<(&TroubleLine, usize)> = None;
    for line in TROUBLES {
        let count = known(&line);
        if count > best.map_or(0, |(_, most)| most) {
            best = Some((line, count));
        }
    }
    best.map(|(line, _)| line.trouble)
}

/// Returns the board of a thing's recorded signs, and the signs that its table does not know.
#[must_use]
pub fn board_of(trouble: Trouble, recorded: &[Recorded]) -> (Board, Vec<Recorded>) {
    let (known, other): (Vec<_>, Vec<_>) = recorded
        .iter()
        .cloned()
        .partition(|it| trouble.line().sign(&it.sign).is_some());
    let said: Vec<(&str, Answer)> = known
        .iter()
        .map(|it| (it.sign.as_str(), it.answer))
        .collect();
    let board = Board::of(trouble, &said).expect("only known signs were kept");
    (board, other)
}

#[cfg(test)]
mod tests;
