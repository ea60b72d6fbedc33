//! What signs point to, and what to look for next.

use serde::Deserialize;
use serde_json::{Value, json};

use headwalk_core::site::evidence::{Board, Trouble, UnknownSign, WEIGHTS_NOTE};
use headwalk_core::site::words::Vocabulary;
use headwalk_core::water::evidence::{Answer as Seen, Points};

use super::Formula;
use super::answer::Answer;
use super::value::Wrong;

/// What signs point to, and the one to look for next.
///
/// In:  trouble, one of wet-area, dry-spot, low-pressure, will-not-start, will-not-stop; yes, a
///      list of signs that were seen; no, a list of those looked for and not seen. What is in
///      neither was not tested, and says nothing.
/// Out: says, in a sentence; causes, most believed first: {cause, share, means, remedy, points_to,
///      points_away}; next, {sign, how, minutes, gain_bits}, null when no test tells more;
///      not_tested, every sign not looked for, the most telling first.
///
/// Source: Bayes' rule; how often causes and signs go together is common practice, no source.
///
/// Example: headwalk reckon evidence --set trouble=wet-area
/// --set yes='["puddle forms late in the run"]' --set no='["static meter moves"]'
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Evidence {}

/// Inputs of [`Evidence`].
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EvidenceIn {
    trouble: String,
    #[serde(default)]
    yes: Vec<String>,
    #[serde(default)]
    no: Vec<String>,
}

impl Formula for Evidence {
    type In = EvidenceIn;

    fn reckon(given: EvidenceIn) -> Result<Answer, Wrong> {
        let trouble = Trouble::of_word(&given.trouble).ok_or_else(|| unknown(&given.trouble))?;
        if let Some(both) = given.yes.iter().find(|sign| given.no.contains(sign)) {
            return Err(Wrong::new(format!("`{both}` is in yes and in no"))
                .hint("keep the one that you mean.")
                .at("no"));
        }
        let mut said: Vec<(&str, Seen)> = Vec::new();
        for (field, signs, answer) in [("yes", &given.yes, Seen::Yes), ("no", &given.no, Seen::No)]
        {
            for sign in signs {
                said.push((sign, answer));
                Board::of(trouble, &said).map_err(|error| wrong(&error, trouble).at(field))?;
            }
        }
        let board = Board::of(trouble, &said).map_err(|error| wrong(&error, trouble))?;
        Ok(told(&board))
    }
}

fn unknown(word: &str) -> Wrong {
    let known: Vec<&str> = Trouble::MEMBERS
        .iter()
        .map(|trouble| trouble.word())
        .collect();
    Wrong::new(format!("`{word}` is no trouble known here"))
        .hint(format!("it is one of: {}.", known.join(", ")))
        .at("trouble")
}

fn wrong(error: &UnknownSign, trouble: Trouble) -> Wrong {
    let signs: Vec<&str> = trouble.line().signs.iter().map(|sign| sign.word).collect();
    Wrong::new(error.to_string()).hint(format!("its signs are: {}.", signs.join("; ")))
}

fn told(board: &Board) -> Answer {
    let causes: Vec<Value> = board
        .suspects()
        .map(|suspect| {
            let signs = |points: Points| -> Vec<&str> {
                let signs = board.line.signs.iter().zip(suspect.points);
                signs
                    .filter(|(_, it)| **it == points)
                    .map(|(sign, _)| sign.word)
                    .collect()
            };
            json!({
                "cause": suspect.cause.word,
                "share": suspect.share.get(),
                "means": suspect.cause.plain,
                "remedy": suspect.cause.remedy,
                "points_to": signs(Points::To),
                "points_away": signs(Points::Away),
            })
        })
        .collect();
    let lines = board
        .suspects()
        .map(|suspect| {
            let share = 100.0 * suspect.share.get();
            format!("{share:3.0} %  {}", suspect.cause.word.replace('-', " "))
        })
        .collect();
    let next = board.next();
    let object = next.map_or(Value::Null, |next| {
        json!({
            "sign": next.sign.word,
            "how": next.sign.how,
            "minutes": next.sign.minutes.get(),
            "gain_bits": next.gain_bits.get(),
        })
    });
    let next_line = next.map_or_else(
        || "no test that is left tells more".to_owned(),
        |next| {
            format!(
                "{}: {} ({:.0})",
                next.sign.word, next.sign.how, next.sign.minutes
            )
        },
    );
    let open: Vec<&str> = board.not_tested().map(|open| open.sign.word).collect();
    let open_lines = open.iter().map(|sign| (*sign).to_owned()).collect();
    let mut answer = Answer::default()
        .word("says", "the evidence", board.sentence())
        .lines("causes", "could be", causes.into(), lines)
        .lines("next", "look next for", object, vec![next_line])
        .lines("not_tested", "not tested", open.clone().into(), open_lines)
        .warnings([WEIGHTS_NOTE]);
    if let Some(caution) = next.and_then(|next| next.sign.caution) {
        answer = answer.caution(caution.sentence());
    }
    if let Some(caution) = board.points_to().and_then(|cause| cause.caution) {
        answer = answer.caution(caution.sentence());
    }
    answer
}
