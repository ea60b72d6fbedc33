//! Findings: choosing one, what becomes of it, and why it may stay as it is.

use headwalk_core::log::id::ThingId;
use headwalk_core::site::fields::finding as fields;
use headwalk_core::site::finding::{Severity, Status};
use headwalk_core::site::things::{Finding, Site};
use headwalk_core::site::words::Vocabulary;

use super::head::finding_button;
use super::likely::{likely, needs_water, others};
use super::{Body, Desk, called};
use crate::act::{Act, Id, Screen};
use crate::error::Error;
use crate::photo;
use crate::view::{Block, Button, Fact, Input, Keys, Tone};
use crate::words::{Word, retold, vocab};

/// Everything that can be found on a thing: what needs the water on, what can wait, all others.
pub(super) fn what(
    desk: &Desk<'_>,
    site: &Site<'_>,
    id: ThingId,
    flag: Option<ThingId>,
) -> Result<Body, Error> {
    let thing = site.thing(id).ok_or(Error::Gone)?;
    let listed = likely(site, thing);
    let rest = others(&listed);
    let (wet, dry): (Vec<_>, Vec<_>) = listed.into_iter().partition(|kind| needs_water(kind));
    let mut blocks = Vec::new();
    for (word, kinds) in [
        (Word::WhileWaterIsOn, wet),
        (Word::CanWait, dry),
        (Word::Others, rest),
    ] {
        let rows = kinds
            .into_iter()
            .map(|kind| finding_button(desk, id, kind, flag));
        let rows: Vec<_> = rows.collect();
        if !rows.is_empty() {
            blocks.push(Block::heading(desk.say(word)));
            blocks.push(Block::list(rows));
        }
    }
    let back = match thing.kind {
        Some(headwalk_core::site::kind::ThingKind::Head) => Screen::Head { head: Id(id) },
        Some(headwalk_core::site::kind::ThingKind::Zone) => Screen::Zone { zone: Id(id) },
        _ => Screen::Walk,
    };
    Ok(Body {
        title: format!("{}: {}", called(desk, site, id), desk.say(Word::WhatIsIt)),
        back: Some(back),
        blocks,
        dock: Vec::new(),
    })
}

pub(super) fn body(desk: &Desk<'_>, site: &Site<'_>, id: ThingId) -> Result<Body, Error> {
    let finding = Finding::of(site, site.thing(id).ok_or(Error::Gone)?).ok_or(Error::Gone)?;
    let kind = finding.what().map_err(|_| Error::Gone)?.value;
    let mut blocks = Vec::new();
    if let Some(caution) = kind.caution {
        blocks.push(Block::text(
            vocab::caution(desk.language(), caution),
            Tone::Caution,
        ));
    }
    let remedy = finding.show(&fields::REMEDY, desk.system());
    let remedy = remedy.unwrap_or_else(|| vocab::remedy(desk.language(), kind));
    let parts: Vec<_> = finding
        .parts()
        .iter()
        .map(|part| vocab::shown(desk.language(), part))
        .collect();
    let severity = finding.severity().map_or("", |one| one.word());
    let mut rows = vec![
        fact(
            desk,
            Word::StatusLabel,
            vocab::shown(desk.language(), finding.status().word()),
        ),
        fact(desk, Word::Remedy, remedy),
        fact(
            desk,
            Word::Parts,
            if parts.is_empty() {
                "–".to_owned()
            } else {
                parts.join(", ")
            },
        ),
        fact(
            desk,
            Word::SeverityLabel,
            vocab::shown(desk.language(), severity),
        ),
    ];
    if let Ok(accepted) = finding.accepted() {
        let why = retold(desk.language(), &accepted.value.reason);
        rows.push(fact(desk, Word::AsIsWord, why));
    }
    blocks.push(Block::Facts { rows });
    blocks.push(photo::block(desk, site, id, None));
    let thing = Id(id);
    let severities = Severity::MEMBERS.iter().map(|one| {
        let act = Act::Note {
            thing,
            name: fields::SEVERITY.name.to_owned(),
            value: one.word().to_owned(),
        };
        Button::new(vocab::titled(desk.language(), one.word()), act).chosen(one.word() == severity)
    });
    blocks.push(Block::choices(
        desk.say(Word::HowSoon),
        severities.collect(),
    ));
    let next = finding.status().next().iter().filter_map(|status| {
        let word = match status {
            Status::Accepted => {
                return Some(desk.go(Word::LeaveAsIs, Screen::Accept { finding: thing }));
            }
            Status::Fixed => Word::FixedNow,
            Status::ToQuote => Word::ToQuote,
            Status::Described => Word::OpenAgain,
            Status::Checked => Word::CheckedNow,
            // What the client and the office decide is theirs.
            _ => return None,
        };
        let to = status.word().to_owned();
        Some(Button::new(
            desk.say(word),
            Act::Move { finding: thing, to },
        ))
    });
    let mut dock: Vec<_> = next.collect();
    if let Some(first) = dock.first_mut() {
        *first = first.clone().main();
    }
    let place = finding.part_of();
    blocks.push(Block::Form {
        inputs: vec![Input {
            name: "value".to_owned(),
            label: desk.say(Word::InYourWords).to_owned(),
            keys: Keys::Text,
            value: finding
                .show(&fields::DESCRIPTION, desk.system())
                .unwrap_or_default(),
        }],
        button: Button::new(
            desk.say(Word::Save),
            Act::Note {
                thing,
                name: fields::DESCRIPTION.name.to_owned(),
                value: String::new(),
            },
        ),
    });
    let of = place.map_or_else(String::new, |of| called(desk, site, of));
    Ok(Body {
        title: format!("{of}: {}", vocab::shown(desk.language(), kind.word)),
        back: Some(before(site, place)),
        blocks,
        dock,
    })
}

/// The screen of what a finding is on.
fn before(site: &Site<'_>, of: Option<ThingId>) -> Screen {
    use headwalk_core::site::kind::ThingKind;
    let thing = of.and_then(|of| site.thing(of));
    match thing.and_then(|thing| Some((thing.kind?, thing.id))) {
        Some((ThingKind::Head, id)) => Screen::Head { head: Id(id) },
        Some((ThingKind::Zone, id)) => Screen::Zone { zone: Id(id) },
        Some((ThingKind::Spot, id)) => Screen::Spot { spot: Id(id) },
        _ => Screen::Walk,
    }
}

pub(super) fn accept(desk: &Desk<'_>, site: &Site<'_>, id: ThingId) -> Result<Body, Error> {
    let finding = Id(id);
    let reasons = [
        Word::WhyDriveEdge,
        Word::WhyPlants,
        Word::WhyClient,
        Word::WhyShape,
    ];
    let reasons = reasons.map(|word| {
        let why = desk.say(word).to_owned();
        Button::new(why.clone(), Act::Accepted { finding, why })
    });
    let act = Act::Accepted {
        finding,
        why: String::new(),
    };
    let thing = site.thing(id).ok_or(Error::Gone)?;
    let of = thing
        .part_of()
        .map_or_else(String::new, |of| called(desk, site, of));
    Ok(Body {
        title: format!("{of}: {}", desk.say(Word::LeaveAsIs)),
        back: Some(Screen::Finding { finding }),
        blocks: vec![
            Block::text(desk.say(Word::WhyAsIs), Tone::Plain),
            Block::list(reasons.to_vec()),
            Block::Form {
                inputs: vec![Input {
                    name: "why".to_owned(),
                    label: desk.say(Word::OtherReason).to_owned(),
                    keys: Keys::Text,
                    value: String::new(),
                }],
                button: Button::new(desk.say(Word::LeaveAsIs), act),
            },
        ],
        dock: Vec::new(),
    })
}

fn fact(desk: &Desk<'_>, word: Word, value: String) -> Fact {
    Fact {
        label: desk.say(word).to_owned(),
        value,
        versions: Vec::new(),
    }
}
