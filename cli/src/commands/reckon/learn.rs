//! What dry and wet notes teach about a coefficient.

use serde::Deserialize;

use headwalk_core::water::learn::{self, How, Note, Published, Sign};
use headwalk_core::water::units::Fraction;

use super::Formula;
use super::answer::Answer;
use super::value::Wrong;

/// A coefficient after dry and wet notes: a Bayesian update on a grid.
///
/// In:  low, figure and high: the published range and the figure used without notes; notes, a list
///      of {sign: dry, moist or wet; how: seen or probed; supplied}, supplied the water that the
///      drier half had before the note as a share of what the figure asks for, 1 where left out.
/// Out: coefficient, the mean of what is believed after them; from and to, which hold nine parts in
///      ten of it.
///
/// Prior: the flattest over the range whose mean is the figure. A note is likely as the water it
/// tells of is off by a tenth of the need; one in five seen and one in twenty probed comes from
/// something else. These are choices of ours, without a source.
///
/// Example: headwalk reckon learn --set low=0.7 --set figure=0.8 --set high=0.9
/// --set notes='[{"sign":"dry","how":"probed"},{"sign":"dry","how":"seen"}]'
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Learn {}

/// Inputs of [`Learn`].
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct In {
    low: f64,
    figure: f64,
    high: f64,
    notes: Vec<NoteIn>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct NoteIn {
    sign: SignWord,
    how: HowWord,
    supplied: Option<f64>,
}

#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum SignWord {
    Dry,
    Moist,
    Wet,
}

#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum HowWord {
    Seen,
    Probed,
}

impl Formula for Learn {
    type In = In;

    fn reckon(given: In) -> Result<Answer, Wrong> {
        let published = Published {
            low: Fraction::new(given.low),
            figure: Fraction::new(given.figure),
            high: Fraction::new(given.high),
        };
        let notes: Vec<Note> = given.notes.iter().map(NoteIn::note).collect();
        let got = learn::learned(published, &notes)?;
        Ok(Answer::default()
            .number(
                "coefficient",
                "coefficient after the notes",
                got.coefficient.get(),
                "",
            )
            .number("from", "nine parts in ten from", got.from.get(), "")
            .number("to", "to", got.to.get(), ""))
    }
}

impl NoteIn {
    fn note(&self) -> Note {
        Note {
            sign: match self.sign {
                SignWord::Dry => Sign::Dry,
                SignWord::Moist => Sign::Right,
                SignWord::Wet => Sign::Wet,
            },
            how: match self.how {
                HowWord::Seen => How::Seen,
                HowWord::Probed => How::Probed,
            },
            supplied: Fraction::new(self.supplied.unwrap_or(1.0)),
        }
    }
}
