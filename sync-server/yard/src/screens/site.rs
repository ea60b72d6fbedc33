//! Whether this is the right site, and what one must know before going in.

use headwalk_core::site::fields::{site as fields, visit};
use headwalk_core::site::things::Site;
use headwalk_core::site::visit::open_visits;
use headwalk_core::site::words::Vocabulary;

use super::{Body, Desk, papers, walk};
use crate::act::{Act, Id, Screen};
use crate::error::Error;
use crate::view::{Block, Button, Fact, Mark, Tone};
use crate::words::{Word, vocab};

pub(super) fn body(desk: &Desk<'_>, site: &Site<'_>) -> Result<Body, Error> {
    let root = site.root();
    let mut blocks = Vec::new();
    if let Some(access) = root.show(&fields::ACCESS, desk.system()) {
        blocks.push(Block::text(access, Tone::Memory));
    }
    let zones = site.zones();
    let heads: usize = zones.iter().map(|zone| zone.heads().len()).sum();
    let open = site
        .findings()
        .iter()
        .filter(|one| !one.status().is_closed())
        .count();
    let counts = [
        desk.count((Word::OneZone, Word::ZoneCount), zones.len()),
        desk.count((Word::OneHead, Word::HeadCount), heads),
        desk.count((Word::OneFinding, Word::FindingCount), open),
    ];
    let counts = counts.join(" · ");
    let mut rows = vec![fact(desk, Word::Size, counts)];
    for (word, field) in [
        (Word::Address, &fields::ADDRESS),
        (Word::Client, &fields::CLIENT),
        (Word::PreApproved, &fields::PRE_APPROVED),
        (Word::Restriction, &fields::RESTRICTION),
    ] {
        rows.extend(desk.tell(&root, field).map(|text| fact(desk, word, text)));
    }
    let last = site.visits().into_iter().next_back();
    rows.extend(last.and_then(|last| {
        let day = last.show(&visit::DATE, desk.system())?;
        let who = last.show(&visit::CREW, desk.system()).unwrap_or_default();
        let state = vocab::shown(desk.language(), last.state().word());
        Some(fact(
            desk,
            Word::LastVisit,
            format!("{day} · {who} · {state}"),
        ))
    }));
    blocks.push(Block::Facts { rows });
    let mut dock = Vec::new();
    if desk.phone.visit_here().is_some() {
        dock.push(desk.go(Word::GoOn, Screen::Walk).main());
    } else if let Some(open) = desk.phone.visit {
        let name = crate::book::Root::of(&desk.phone.store, open.site)?.name;
        blocks.push(Block::text(
            desk.fill(Word::OtherVisitOpen, &[&name]),
            Tone::Ask,
        ));
    } else {
        let left = open_visits(site).into_iter().map(|visit| {
            let day = visit.show(&visit::DATE, desk.system()).unwrap_or_default();
            let who = visit.show(&visit::CREW, desk.system());
            let who = who.or_else(|| visit.show(&visit::PEOPLE, desk.system()));
            let act = Act::Resume {
                visit: Id(visit.id),
            };
            Button::new(desk.say(Word::TakeUp), act)
                .note(format!("{day} · {}", who.unwrap_or_default()))
                .mark(Mark::Flag)
        });
        let left: Vec<_> = left.collect();
        if !left.is_empty() {
            blocks.push(Block::heading(desk.say(Word::LeftOpen)));
            blocks.push(Block::list(left));
        }
        if let Some(ended) = walk::may_reopen(site, desk.edge.today()) {
            let visit = Id(ended.id);
            let who = ended.show(&visit::CREW, desk.system());
            let who = who.or_else(|| ended.show(&visit::PEOPLE, desk.system()));
            let button = Button::new(desk.say(Word::Reopen), Act::Reopen { visit });
            let note = format!(
                "{} · {}",
                who.unwrap_or_default(),
                vocab::shown(desk.language(), ended.state().word())
            );
            blocks.push(Block::list(vec![button.note(note)]));
        }
        let other = ["start-up", "repair", "re-set", "winterize", "audit"];
        let other = other.map(|purpose| start(desk, purpose)).to_vec();
        blocks.push(Block::choices(desk.say(Word::OtherPurpose), other));
        dock.push(
            start(desk, "inspection")
                .main()
                .note(desk.say(Word::RightSite)),
        );
    }
    blocks.push(papers::choices(desk));
    Ok(Body {
        title: desk.say(Word::IsItThis).to_owned(),
        back: Some(Screen::Today),
        blocks,
        dock,
    })
}

fn start(desk: &Desk<'_>, purpose: &str) -> Button {
    let act = Act::Start {
        purpose: purpose.to_owned(),
    };
    Button::new(vocab::titled(desk.language(), purpose), act)
}

fn fact(desk: &Desk<'_>, word: Word, value: String) -> Fact {
    Fact {
        label: desk.say(word).to_owned(),
        value,
        versions: Vec::new(),
    }
}
