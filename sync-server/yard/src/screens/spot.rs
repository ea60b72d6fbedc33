//! What a wet or a dry spot comes from: the signs looked for, what they point to, the next one.

use headwalk_core::log::id::ThingId;
use headwalk_core::site::evidence::{Trouble, answers_on, board_of};
use headwalk_core::site::fields::spot as fields;
use headwalk_core::site::things::{Site, Spot};
use headwalk_core::water::evidence::Answer;

use super::{Body, Desk, called};
use crate::act::{Act, Id, Screen};
use crate::error::Error;
use crate::photo;
use crate::view::{Block, Button, Mark, Tone};
use crate::words::{Word, vocab};

pub(super) fn body(desk: &Desk<'_>, site: &Site<'_>, id: ThingId) -> Result<Body, Error> {
    let spot = Spot::of(site, site.thing(id).ok_or(Error::Gone)?).ok_or(Error::Gone)?;
    let dry = spot
        .raw(&fields::MOISTURE)
        .and_then(|value| value.as_text())
        == Some("dry");
    let trouble = if dry {
        Trouble::DrySpot
    } else {
        Trouble::WetArea
    };
    let (board, _) = board_of(trouble, &answers_on(&spot));
    let language = desk.language();
    let mut blocks = Vec::new();
    let verdict = match board.points_to() {
        Some(cause) => {
            let cause_word = vocab::shown(language, cause.word);
            if let Some(caution) = cause.caution {
                blocks.push(Block::text(
                    vocab::caution(language, caution),
                    Tone::Caution,
                ));
            }
            desk.fill(Word::PointsTo, &[&cause_word])
        }
        None if board.tested().next().is_none() => desk.say(Word::NothingTested).to_owned(),
        None => {
            let suspects = board.suspects().take(2);
            let suspects: Vec<_> = suspects
                .map(|one| vocab::shown(language, one.cause.word))
                .collect();
            desk.fill(Word::NotSettled, &[&suspects.join(", ")])
        }
    };
    blocks.push(Block::text(verdict, Tone::Memory));
    let shares = board.suspects().map(|one| {
        let share = format!("{:.0}%", one.share.get() * 100.0);
        crate::view::Fact {
            label: vocab::shown(language, one.cause.word),
            value: share,
            versions: Vec::new(),
        }
    });
    let shares = Block::Facts {
        rows: shares.collect(),
    };
    let mut open = board.not_tested();
    if let Some(next) = open.next() {
        blocks.push(Block::heading(desk.say(Word::NextTest)));
        blocks.extend(sign(desk, id, next.sign, Answer::NotTested));
    }
    let rest: Vec<_> = open.collect();
    if !rest.is_empty() {
        blocks.push(Block::heading(desk.say(Word::NotTested)));
        for one in rest {
            blocks.extend(sign(desk, id, one.sign, Answer::NotTested));
        }
    }
    let tested: Vec<_> = board.tested().collect();
    if !tested.is_empty() {
        blocks.push(Block::heading(desk.say(Word::Tested)));
        for (line, answer) in tested {
            blocks.extend(sign(desk, id, line, answer));
        }
    }
    blocks.push(photo::block(desk, site, id, None));
    blocks.push(Block::heading(desk.say(Word::Causes)));
    blocks.push(shares);
    blocks.push(Block::text(desk.say(Word::CommonPractice), Tone::Plain));
    let zone = spot
        .part_of()
        .map_or(Screen::Walk, |zone| Screen::Zone { zone: Id(zone) });
    let gone = Act::Note {
        thing: Id(id),
        name: fields::CLOSED.name.to_owned(),
        value: "yes".to_owned(),
    };
    Ok(Body {
        title: called(desk, site, id),
        back: Some(zone.clone()),
        blocks,
        dock: vec![
            Button::new(desk.say(Word::SpotGone), gone).mark(Mark::Good),
            desk.go(Word::BackToZone, zone).main(),
        ],
    })
}

/// A sign with its answers; the one that stands is marked.
fn sign(
    desk: &Desk<'_>,
    id: ThingId,
    line: &headwalk_core::site::evidence::SignLine,
    answer: Answer,
) -> Vec<Block> {
    let language = desk.language();
    let mut blocks = Vec::new();
    if let Some(caution) = line.caution {
        blocks.push(Block::text(
            vocab::caution(language, caution),
            Tone::Caution,
        ));
    }
    let options = [
        (Word::Yes, "yes", Answer::Yes),
        (Word::No, "no", Answer::No),
    ];
    let options = options.map(|(word, seen, of)| {
        let act = Act::Sign {
            thing: Id(id),
            sign: line.word.to_owned(),
            seen: seen.to_owned(),
        };
        Button::new(desk.say(word), act).chosen(answer == of)
    });
    let minutes = format!("{:.0} min", line.minutes.get());
    let label = format!("{} ({minutes})", vocab::sentence(language, line.word));
    blocks.push(Block::choices(label, options.to_vec()));
    blocks.push(Block::text(
        vocab::sentence(language, line.how),
        Tone::Plain,
    ));
    blocks
}
