//! What the client said, what is missing, and the end of the visit.

use headwalk_core::log::id::ThingId;
use headwalk_core::site::things::{Controller, Site, Visit};
use headwalk_core::site::visit::Lacks;

use super::{Body, Desk, called, programs};
use crate::act::{Act, Id, Screen};
use crate::error::Error;
use crate::view::{Block, Button, Input, Keys, Mark, Tone};
use crate::words::Word;

pub(super) fn client(desk: &Desk<'_>) -> Result<Body, Error> {
    let said = [
        Word::ClientTold,
        Word::ClientAway,
        Word::ClientAgreed,
        Word::ClientCalls,
    ];
    let said = said.map(|word| {
        let value = desk.say(word).to_owned();
        Button::new(value.clone(), Act::ClientSaid { value })
    });
    let act = Act::ClientSaid {
        value: String::new(),
    };
    Ok(Body {
        title: desk.say(Word::ClientTitle).to_owned(),
        back: Some(Screen::Walk),
        blocks: vec![
            Block::list(said.to_vec()),
            Block::Form {
                inputs: vec![Input {
                    name: "value".to_owned(),
                    label: desk.say(Word::ClientWords).to_owned(),
                    keys: Keys::Text,
                    value: String::new(),
                }],
                button: Button::new(desk.say(Word::Save), act),
            },
        ],
        dock: vec![desk.go(Word::NothingSaid, Screen::Close)],
    })
}

pub(super) fn body(desk: &Desk<'_>, site: &Site<'_>) -> Result<Body, Error> {
    let id = desk.phone.visit_here().ok_or(Error::NoVisit)?;
    let visit = Visit::of(site, site.thing(id).ok_or(Error::Gone)?).ok_or(Error::Gone)?;
    let lacks = visit.lacks(site);
    let mut blocks = Vec::new();
    let mut dock = Vec::new();
    let close = |why: &str| Act::Close {
        why: why.to_owned(),
    };
    if lacks.is_empty() {
        blocks.push(Block::text(desk.say(Word::NothingMissing), Tone::Plain));
        dock.push(Button::new(desk.say(Word::EndVisit), close("")).main());
    } else {
        blocks.push(Block::text(desk.say(Word::StillMissing), Tone::Ask));
        let rows = lacks.iter().map(|lack| row(desk, site, lack));
        blocks.push(Block::list(rows.collect()));
        blocks.push(Block::heading(desk.say(Word::EndAllTheSame)));
        let reasons = [Word::EndRain, Word::EndTime, Word::EndClient].map(|word| {
            let why = desk.say(word);
            Button::new(why, close(why))
        });
        blocks.push(Block::list(reasons.to_vec()));
        blocks.push(Block::Form {
            inputs: vec![Input {
                name: "why".to_owned(),
                label: desk.say(Word::OtherReason).to_owned(),
                keys: Keys::Text,
                value: String::new(),
            }],
            button: Button::new(desk.say(Word::EndVisit), close("")),
        });
        dock.push(
            Button::new(desk.say(Word::LeaveOpen), Act::Leave).note(desk.say(Word::LeaveOpenNote)),
        );
    }
    Ok(Body {
        title: desk.say(Word::EndVisit).to_owned(),
        back: Some(Screen::Walk),
        blocks,
        dock,
    })
}

fn row(desk: &Desk<'_>, site: &Site<'_>, lack: &Lacks) -> Button {
    let (label, to) = match lack {
        Lacks::Zone { zone, .. } => (
            desk.fill(Word::ZoneNotDone, &[&called(desk, site, *zone)]),
            Screen::Zone { zone: Id(*zone) },
        ),
        Lacks::AsFound { controller, .. } => (
            of_controller(desk, site, Word::FoundMissing, *controller),
            Screen::Found {
                controller: Some(Id(*controller)),
                draft: None,
            },
        ),
        Lacks::AsLeft { controller, .. } => (
            of_controller(desk, site, Word::LeftMissing, *controller),
            Screen::Left {
                controller: Some(Id(*controller)),
                draft: None,
            },
        ),
        Lacks::Flag { finding, .. } => {
            let of = site.thing(*finding).and_then(|flag| flag.part_of());
            let place = of.map_or_else(String::new, |of| called(desk, site, of));
            let to = of.map_or(Screen::Walk, |of| Screen::What {
                thing: Id(of),
                flag: Some(Id(*finding)),
            });
            (desk.fill(Word::FlagNotDone, &[&place]), to)
        }
    };
    Button::new(label, Act::Go { to }).mark(Mark::Open)
}

/// What is missing of a controller; of several, which.
fn of_controller(desk: &Desk<'_>, site: &Site<'_>, word: Word, id: ThingId) -> String {
    let controller = site.thing(id).and_then(|thing| Controller::of(site, thing));
    controller.map_or_else(String::new, |it| programs::title(desk, site, word, &it))
}
