//! Papers on the phone: the client's letter at the end of a visit, and the others of the site, made
//! by core from what this phone holds, so that they need no signal.

use headwalk_core::site::papers::{Facts, Options, Paper, paper};
use headwalk_core::site::things::Site;
use headwalk_core::site::words::Vocabulary;

use super::{Body, Desk};
use crate::act::{Act, Screen};
use crate::book::{Beside, Book};
use crate::error::Error;
use crate::view::{Block, Button};
use crate::words::Word;

/// Those that somebody in the yard can need, with what they are called.
const OFFERED: [(Paper, Word); 4] = [
    (Paper::Letter, Word::ClientLetter),
    (Paper::Card, Word::ControllerCard),
    (Paper::WorkOrder, Word::WorkOrder),
    (Paper::HeadMap, Word::HeadMap),
];

/// Returns the papers to look at.
pub(super) fn choices(desk: &Desk<'_>) -> Block {
    let options = OFFERED.iter().map(|(paper, word)| {
        let to = Screen::Paper {
            paper: paper.word().to_owned(),
        };
        Button::new(desk.say(*word), Act::Go { to })
    });
    Block::choices(desk.say(Word::Papers), options.collect())
}

pub(super) fn body(desk: &Desk<'_>, site: &Site<'_>, word: &str) -> Result<Body, Error> {
    let mut offered = OFFERED.iter().filter(|(paper, _)| paper.word() == word);
    let (which, title) = *offered.next().ok_or(Error::Gone)?;
    let beside = Beside::of(&desk.phone.store, site)?;
    let firm = beside.firm.as_ref().map(Book::site);
    let facts = Facts {
        site,
        firm: firm.as_ref(),
        weather: &beside.weather,
        on: desk.edge.today(),
        utc_offset_min: desk.edge.utc_offset_min,
    };
    let html = paper(which, &facts, &Options::of(site));
    Ok(Body {
        title: desk.say(title).to_owned(),
        back: Some(Screen::Site),
        blocks: vec![Block::Paper {
            html,
            label: desk.say(title).to_owned(),
            save: desk.say(Word::SavePaper).to_owned(),
            file: format!("{word}-{}.html", desk.edge.today()),
        }],
        dock: vec![desk.go(Word::Today, Screen::Today).main()],
    })
}
