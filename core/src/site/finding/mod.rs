//! What can be found on a walk: one table of findings with the usual remedy, and the way of a
//! finding from a flag to a checked repair.
//!
//! Minutes, remedies and default severities are common practice, no source: they fill in a form
//! and a person corrects them.

mod table;

pub use table::{FINDING_CHOICES, FINDINGS};

use chrono::NaiveDate;

use super::words::{plain, vocabularies};
use crate::log::value::Value;
use crate::water::units::Minutes;

/// One line of the table of findings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FindingKind {
    /// The word that is stored, in lower case with hyphens. Stable for ever.
    pub word: &'static str,
    /// What usually mends it.
    pub remedy: &'static str,
    /// What that usually takes off the truck.
    pub parts: &'static [&'static str],
    /// Labour of one person, from and to; `None` where it takes someone licensed as long as
    /// it takes.
    pub minutes: Option<(Minutes, Minutes)>,
    /// Who mends it, and when.
    pub mended: Mended,
    /// How soon it matters, unless the crew says otherwise.
    pub severity: Severity,
    /// What can hurt whoever mends it.
    pub caution: Option<Caution>,
}

/// Whether the crew mends it within the pre-approved limit, or the client decides first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mended {
    /// Usually on the spot.
    OnTheSpot,
    /// On the spot if it is small, else quoted.
    SpotOrQuote,
    /// Quoted.
    Quoted,
    /// Quoted, and done by a licensed or certified person where local rules say so.
    QuotedLicensed,
    /// Nothing to mend yet: find the cause.
    FindCause,
}

impl FindingKind {
    /// Returns the line for a stored word; `None` if this version knows none.
    #[must_use]
    pub fn of_word(word: &str) -> Option<&'static Self> {
        FINDINGS.iter().find(|finding| finding.word == word)
    }

    /// Reads a stored value.
    #[must_use]
    pub fn read(value: &Value) -> Option<&'static Self> {
        Self::of_word(value.as_text()?)
    }

    /// Returns the word as it reads in a sentence.
    #[must_use]
    pub fn plain(&self) -> String {
        plain(self.word)
    }
}

/// What can hurt whoever does the work.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Caution {
    /// The work needs a hole.
    Digging,
    /// Water under pressure has to be shut off.
    PressurisedPipe,
    /// Both of them.
    DiggingOnPressure,
    /// A cabinet with mains voltage in it.
    LineVoltage,
    /// A hand goes into a box.
    ValveBox,
    /// Only a certified tester opens it.
    Backflow,
    /// The head stands at the street.
    Traffic,
}

impl Caution {
    /// Returns the sentence that stands at the step.
    #[must_use]
    pub const fn sentence(self) -> &'static str {
        match self {
            Self::Digging => "Before digging: have buried lines located and marked, by local rule.",
            Self::PressurisedPipe => {
                "Shut the water off and let the pressure out first; local code and licensed \
                 practice come first."
            }
            Self::DiggingOnPressure => {
                "Have buried lines located, shut the water off and let the pressure out before \
                 digging; local code and licensed practice come first."
            }
            Self::LineVoltage => {
                "Mains voltage inside: covers stay on, the inside is for a qualified person."
            }
            Self::ValveBox => {
                "Probe the box with a tool before reaching in: insects, snakes, needles, glass."
            }
            Self::Backflow => {
                "Only a certified tester opens or repairs a backflow assembly, by local rule."
            }
            Self::Traffic => "At the street: cone out, and eyes on the traffic.",
        }
    }
}

vocabularies! {
    /// How soon a finding matters.
    Severity {
        /// Water is running or leaking, or somebody can be hurt.
        Urgent = "urgent",
        /// Within days.
        Soon = "soon",
        /// With the next round.
        Routine = "routine",
        /// Nothing to do but look again.
        Watch = "watch",
    }
    /// How far a finding has come.
    Status {
        /// One tap in passing; what and why come later.
        Flagged = "flagged",
        /// What it is and what mends it is written down.
        Described = "described",
        /// The client has to decide, and the office has to price it.
        ToQuote = "to-quote",
        /// The client has the price.
        Quoted = "quoted",
        /// The client said yes.
        Approved = "approved",
        /// The client said no.
        Declined = "declined",
        /// It has a day.
        Scheduled = "scheduled",
        /// Mended.
        Fixed = "fixed",
        /// Someone looked again after it was mended.
        Checked = "checked",
        /// It stays as it is: why, who agreed, until when.
        Accepted = "accepted",
    }
}

impl Status {
    /// Returns where a finding may go from here. A person may still write another status, and
    /// then both ends of the step are shown; this is what the forms offer.
    #[must_use]
    pub const fn next(self) -> &'static [Self] {
        match self {
            Self::Flagged => &[Self::Described, Self::Fixed, Self::ToQuote, Self::Accepted],
            Self::Described => &[Self::Fixed, Self::ToQuote, Self::Accepted],
            Self::ToQuote => &[Self::Quoted, Self::Fixed, Self::Accepted],
            Self::Quoted => &[
                Self::Approved,
                Self::Declined,
                Self::ToQuote,
                Self::Accepted,
            ],
            Self::Approved => &[Self::Scheduled, Self::Fixed, Self::Declined],
            Self::Declined => &[Self::Approved, Self::ToQuote, Self::Accepted],
            Self::Scheduled => &[Self::Fixed, Self::Approved, Self::Declined],
            Self::Fixed => &[Self::Checked, Self::Described],
            Self::Checked => &[Self::Described],
            Self::Accepted => &[Self::Described, Self::ToQuote],
        }
    }

    /// Returns whether a finding may go from here to there; staying is always allowed.
    #[must_use]
    pub fn may_become(self, next: Self) -> bool {
        self == next || self.next().contains(&next)
    }

    /// Returns whether nothing more has to be done about it.
    #[must_use]
    pub const fn is_closed(self) -> bool {
        matches!(self, Self::Fixed | Self::Checked | Self::Accepted)
    }
}

/// Why something stays as it is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Accepted {
    /// The reason.
    pub reason: String,
    /// Who agreed.
    pub who: Option<String>,
    /// Until when; `None` is for good.
    pub until: Option<NaiveDate>,
}

impl Accepted {
    /// Reads the stored record; `None` where it gives no reason.
    #[must_use]
    pub fn read(value: &Value) -> Option<Self> {
        let parts = value.as_record()?;
        let words = |part| parts.get(&part).and_then(Value::as_text).map(str::to_owned);
        Some(Self {
            reason: words(1)?,
            who: words(2),
            until: match parts.get(&3) {
                Some(Value::Date(days)) => NaiveDate::from_epoch_days(*days),
                _ => None,
            },
        })
    }

    /// Returns whether it still holds on that day.
    #[must_use]
    pub fn holds_on(&self, date: NaiveDate) -> bool {
        self.until.is_none_or(|until| date <= until)
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;
    use crate::site::fields;
    use crate::site::unit::UnitSystem;
    use crate::site::words::Vocabulary;

    #[test]
    fn every_finding_has_one_word_a_remedy_and_minutes_in_order() {
        let mut words = BTreeSet::new();
        for finding in FINDINGS {
            assert!(
                words.insert(finding.word),
                "{} is there twice",
                finding.word
            );
            assert!(!finding.remedy.is_empty(), "{}", finding.word);
            if let Some((least, most)) = finding.minutes {
                assert!(least <= most && most.get() <= 240.0, "{}", finding.word);
            }
            assert_eq!(FindingKind::of_word(finding.word), Some(finding));
        }
    }

    #[test]
    fn whatever_opens_the_main_line_or_a_backflow_assembly_is_for_the_licensed() {
        for word in [
            "mainline-leak",
            "backflow-leaking",
            "backflow-overdue",
            "valve-old",
        ] {
            let finding = FindingKind::of_word(word).unwrap();
            assert_eq!(finding.mended, Mended::QuotedLicensed, "{word}");
            assert!(finding.caution.is_some(), "{word}");
        }
    }

    #[test]
    fn a_flag_can_reach_every_status_and_come_back() {
        let reached = |from: Status| {
            let mut seen = BTreeSet::from([from]);
            let mut todo = vec![from];
            while let Some(status) = todo.pop() {
                todo.extend(status.next().iter().filter(|next| seen.insert(**next)));
            }
            seen
        };
        assert_eq!(reached(Status::Flagged).len(), Status::MEMBERS.len());
        assert!(reached(Status::Checked).contains(&Status::Fixed));
        assert!(!Status::Quoted.may_become(Status::Fixed));
        assert!(Status::Quoted.may_become(Status::Quoted));
    }

    #[test]
    fn an_acceptance_ends_on_its_day() {
        let parsed = fields::finding::ACCEPTED
            .parse(
                "curved curb, no other nozzle fits; who: client; until: 2027-05-01",
                UnitSystem::Us,
            )
            .unwrap();
        let accepted = Accepted::read(&parsed.value).unwrap();
        assert_eq!(accepted.reason, "curved curb, no other nozzle fits");
        assert!(accepted.holds_on("2027-05-01".parse().unwrap()));
        assert!(!accepted.holds_on("2027-05-02".parse().unwrap()));
    }
}
