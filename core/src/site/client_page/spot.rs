//! The page of a wet or dry spot.

use chrono::NaiveDate;

use super::{ClientPage, Section, said};
use crate::log::value::Value;
use crate::site::evidence::{
    Board, Recorded, Trouble, WEIGHTS_NOTE, answers_on, board_of, trouble_of,
};
use crate::site::fields;
use crate::site::things::{Site, Thing};
use crate::site::words::plain;
use crate::water::evidence::Answer;

/// Returns the page of a wet or dry spot.
#[must_use]
pub fn for_spot(name: &str, site: &Site<'_>, spot: Thing<'_>, day: NaiveDate) -> ClientPage {
    let recorded = answers_on(&spot);
    let dry = spot.raw(&fields::spot::MOISTURE).and_then(Value::as_text) == Some("dry");
    let usual = if dry {
        Trouble::DrySpot
    } else {
        Trouble::WetArea
    };
    let trouble = trouble_of(&recorded).unwrap_or(usual);
    let (board, other) = board_of(trouble, &recorded);
    let near = spot.words(&fields::spot::NEAR).ok().map(|near| near.value);
    let near = near.unwrap_or_else(|| site.address(spot));
    let mut seen = Section::new("What was looked at", Vec::new());
    seen.table = tested(&board, &recorded, &other);
    let mut means = Section::new("What it points to", vec![board.sentence()]);
    means.bars = board
        .suspects()
        .map(|suspect| (plain(suspect.cause.word), suspect.share.get()))
        .collect();
    means.sentences.extend(board.suspects().next().map(|first| {
        let word = plain(first.cause.word);
        format!("by \"{word}\" we mean: {}", first.cause.plain)
    }));
    let mut cautions = Vec::new();
    let mut next = Vec::new();
    if let Some(test) = board.next() {
        next.push(format!(
            "the one test that tells most now: {} ({}, about {:.0} minutes)",
            test.sign.word,
            test.sign.how,
            test.sign.minutes.get()
        ));
        cautions.extend(test.sign.caution);
    }
    let cause = board.points_to();
    next.push(match cause {
        Some(cause) => format!("what usually mends it: {}", cause.remedy),
        None => "nothing is dug up or replaced before that is known".to_owned(),
    });
    let likely = board
        .suspects()
        .take(2)
        .filter_map(|suspect| suspect.cause.caution);
    cautions.extend(cause.map_or_else(
        || likely.collect::<Vec<_>>(),
        |it| it.caution.into_iter().collect(),
    ));
    ClientPage {
        photos: Vec::new(),
        title: format!("{}: {near}", if dry { "Dry ground" } else { "Wet ground" }),
        site: name.to_owned(),
        day,
        parts: vec![seen, means, Section::new("What comes next", next)],
        cautions: said(&cautions),
        notes: vec![
            WEIGHTS_NOTE.to_owned(),
            "what was not tested counts neither way".to_owned(),
        ],
    }
}

fn tested(board: &Board, recorded: &[Recorded], other: &[Recorded]) -> Vec<Vec<String>> {
    let mut rows = vec![vec!["sign".into(), "seen".into(), "remark".into()]];
    let remark = |sign: &str| {
        let said = recorded.iter().rev().filter(|it| it.sign == sign);
        said.filter_map(|it| it.remark.clone())
            .next()
            .unwrap_or_default()
    };
    for (sign, answer) in board.tested() {
        let seen = if answer == Answer::Yes { "yes" } else { "no" };
        rows.push(vec![
            sign.word.to_owned(),
            seen.to_owned(),
            remark(sign.word),
        ]);
    }
    for open in board.not_tested() {
        let word = open.sign.word;
        rows.push(vec![word.to_owned(), "not tested".to_owned(), remark(word)]);
    }
    for it in other {
        let remark = it.remark.clone().unwrap_or_default();
        rows.push(vec![it.sign.clone(), "noted".to_owned(), remark]);
    }
    rows
}
