//! One zone: its heads in the order of the walk, its spots, and the one tap that says that the rest
//! is good.

use headwalk_core::log::id::ThingId;
use headwalk_core::log::value::Value;
use headwalk_core::site::fields::{any, seen, zone};
use headwalk_core::site::finding::Status;
use headwalk_core::site::measure::Measure;
use headwalk_core::site::plan;
use headwalk_core::site::things::{Finding, Head, Site, Spot, Zone};
use headwalk_core::site::words::Vocabulary;
use headwalk_core::water::precipitation::zone_rate;
use headwalk_core::water::units::Gpm;

use super::{Body, Desk, board, called};
use crate::act::{Act, Id, Screen};
use crate::error::Error;
use crate::photo;
use crate::record::open_flag;
use crate::view::{Block, Button, Fact, Mark, Stepper, Tile, Tone};
use crate::words::{Word, vocab};

/// The kinds of which heads are added in one go.
const KINDS: [&str; 5] = [
    "fixed-spray",
    "rotary-stream",
    "gear-rotor",
    "bubbler",
    "drip",
];

pub(super) fn body(desk: &Desk<'_>, site: &Site<'_>, id: ThingId) -> Result<Body, Error> {
    let zone = Zone::of(site, site.thing(id).ok_or(Error::Gone)?).ok_or(Error::Gone)?;
    let visit = desk.phone.visit_here();
    let name = zone.show(&zone::NAME, desk.system()).unwrap_or_default();
    let mut blocks = Vec::new();
    if let Some(timer) = desk.phone.place.timer {
        blocks.push(Block::Timer {
            since: timer.since,
            label: desk.say(Word::ZoneTimer).to_owned(),
        });
    }
    if let Some(remark) = zone.show(&any::REMARK, desk.system()) {
        blocks.push(Block::text(remark, Tone::Memory));
    }
    let heads = zone.heads();
    if heads.is_empty() {
        blocks.push(Block::text(desk.say(Word::NoHeads), Tone::Plain));
    } else {
        let tiles = heads.iter().map(|head| tile(desk, site, head, visit));
        blocks.push(Block::Heads {
            heads: tiles.collect(),
        });
    }
    blocks.extend(findings(desk, site, &zone));
    blocks.push(Block::heading(desk.say(Word::ZoneMore)));
    let mut more = Vec::new();
    let spots = zone.spots().into_iter().filter(|spot| !spot.is_closed());
    more.extend(spots.map(|spot| self::spot(desk, site, &spot)));
    if visit.is_some() {
        let zone = Id(id);
        for (word, moisture) in [(Word::WetSpot, "wet"), (Word::DrySpot, "dry")] {
            let moisture = moisture.to_owned();
            more.push(Button::new(desk.say(word), Act::AddSpot { zone, moisture }));
        }
        more.push(desk.go(
            Word::ZoneTrouble,
            Screen::What {
                thing: zone,
                flag: None,
            },
        ));
        let kind = zone_kind(&heads);
        let count = if heads.is_empty() { 12 } else { 1 };
        let pressure = Screen::Pressure { zone, leak: None };
        more.push(desk.go(Word::PressureTitle, pressure));
        more.push(desk.go(Word::AddHeads, Screen::NewHeads { zone, kind, count }));
        more.push(desk.go(Word::SkipZone, Screen::Skip { zone }));
    }
    blocks.push(Block::list(more));
    if visit.is_some() {
        blocks.push(board::ways(desk, id));
    }
    blocks.push(photo::block(desk, site, id, None));
    if let Some(valve) = zone.valve() {
        let label = called(desk, site, valve.id);
        blocks.push(photo::block(desk, site, valve.id, Some(label)));
    }
    blocks.push(facts(desk, &zone));
    let mut dock = Vec::new();
    if visit.is_some() {
        let word = if heads.is_empty() {
            Word::ZoneGood
        } else {
            Word::RestGood
        };
        dock.push(Button::new(desk.say(word), Act::RestGood { zone: Id(id) }).main());
    }
    Ok(Body {
        title: format!("{} {name}", called(desk, site, id))
            .trim()
            .to_owned(),
        back: Some(Screen::Walk),
        blocks,
        dock,
    })
}

fn zone_kind(heads: &[Head<'_>]) -> String {
    let last = heads.last().and_then(|head| head.head_kind().ok());
    last.map_or("fixed-spray", |kind| kind.value.word())
        .to_owned()
}

fn tile(desk: &Desk<'_>, site: &Site<'_>, head: &Head<'_>, visit: Option<ThingId>) -> Tile {
    let (mark, word) = standing(desk, site, head, visit);
    let flagged = open_flag(site, head.id).is_some();
    let flag = (visit.is_some() && !flagged).then(|| {
        Button::new(desk.say(Word::Flag), Act::Flag { thing: Id(head.id) }).mark(Mark::Flag)
    });
    let number = head.label().unwrap_or("?").to_owned();
    let to = Screen::Head { head: Id(head.id) };
    Tile {
        number,
        mark,
        word,
        open: Act::Go { to },
        flag,
    }
}

/// Returns how a head stands: a shape, and the same in a word.
fn standing(
    desk: &Desk<'_>,
    site: &Site<'_>,
    head: &Head<'_>,
    visit: Option<ThingId>,
) -> (Mark, String) {
    let word = |word| desk.say(word).to_owned();
    let registers = site.state().registers_of(head.id);
    if registers
        .into_iter()
        .any(|(_, register)| register.stands_in_two_versions())
    {
        return (Mark::Two, word(Word::TwoVersions));
    }
    if open_flag(site, head.id).is_some() {
        return (Mark::Flag, word(Word::FlaggedWord));
    }
    let findings = head.findings_here();
    if let Some(open) = findings.iter().find(|one| !one.status().is_closed()) {
        return (Mark::Found, what(desk, open));
    }
    let fixed_now = |one: &&Finding<'_>| {
        let used = one.seen(&seen::PART_USED).iter();
        let mut written = used.map(|seen| seen.visit).chain([made_in(site, one)]);
        one.status() == Status::Fixed && written.any(|of| of.is_some() && of == visit)
    };
    if findings.iter().any(|one| fixed_now(&one)) {
        return (Mark::Fixed, word(Word::FixedWord));
    }
    let good = head.seen(&seen::LOOKED_GOOD).iter();
    let mut good = good.filter(|seen| seen.value == Value::Bool(true));
    if good
        .next_back()
        .is_some_and(|seen| seen.visit.is_some() && seen.visit == visit)
    {
        return (Mark::Good, word(Word::GoodWord));
    }
    if findings.iter().any(|one| one.status() == Status::Accepted) {
        return (Mark::Accepted, word(Word::AsIsWord));
    }
    (Mark::Open, word(Word::NotYet))
}

/// The visit in which a finding came to its status, where this phone's visit is the one that is open.
fn made_in(site: &Site<'_>, finding: &Finding<'_>) -> Option<ThingId> {
    let write = finding
        .register(&headwalk_core::site::fields::finding::STATUS)?
        .in_force();
    let visits = site.visits().into_iter();
    let mut open = visits.filter(|visit| {
        visit.state() == headwalk_core::site::visit::VisitState::Open
            && visit
                .register(&headwalk_core::site::fields::visit::STATE)
                .is_some_and(|state| state.in_force().stamp <= write.stamp)
    });
    open.next_back().map(|visit| visit.id)
}

pub(super) fn what(desk: &Desk<'_>, finding: &Finding<'_>) -> String {
    match finding.what() {
        Ok(kind) => vocab::shown(desk.language(), kind.value.word),
        Err(_) => desk.say(Word::FlaggedWord).to_owned(),
    }
}

/// What is open in the zone, the last finding first, with a way to do the same again elsewhere.
fn findings(desk: &Desk<'_>, site: &Site<'_>, zone: &Zone<'_>) -> Vec<Block> {
    let open = zone
        .findings()
        .into_iter()
        .filter(|one| !one.status().is_closed());
    let rows: Vec<_> = open.map(|one| finding_row(desk, site, &one)).collect();
    if rows.is_empty() {
        return Vec::new();
    }
    vec![Block::heading(desk.say(Word::OpenHere)), Block::list(rows)]
}

pub(super) fn finding_row(desk: &Desk<'_>, site: &Site<'_>, finding: &Finding<'_>) -> Button {
    let place = finding
        .part_of()
        .map_or_else(String::new, |of| called(desk, site, of));
    let status = vocab::shown(desk.language(), finding.status().word());
    let described = finding.what().is_ok();
    let to = match (described, finding.part_of()) {
        (false, Some(of)) => Screen::What {
            thing: Id(of),
            flag: Some(Id(finding.id)),
        },
        _ => Screen::Finding {
            finding: Id(finding.id),
        },
    };
    let note = match described {
        true => status,
        false => desk.say(Word::SayWhat).to_owned(),
    };
    let mark = if described { Mark::Found } else { Mark::Flag };
    Button::new(format!("{place}: {}", what(desk, finding)), Act::Go { to })
        .note(note)
        .mark(mark)
}

fn spot(desk: &Desk<'_>, site: &Site<'_>, spot: &Spot<'_>) -> Button {
    let to = Screen::Spot { spot: Id(spot.id) };
    Button::new(called(desk, site, spot.id), Act::Go { to })
        .note(desk.say(Word::SpotOpen))
        .mark(Mark::Found)
}

/// What the zone draws and how fast it waters, added up from its heads.
fn facts(desk: &Desk<'_>, zone: &Zone<'_>) -> Block {
    let mut rows = Vec::new();
    let mut row = |word, value: String| {
        rows.push(Fact {
            label: desk.say(word).to_owned(),
            value,
            versions: Vec::new(),
        });
    };
    if let Some(total) = total(zone) {
        row(Word::ZoneFlow, shown(desk, total));
        if let Ok(area) = zone.area()
            && let Ok(rate) = zone_rate(total, area.value)
        {
            row(Word::Rate, shown(desk, rate));
        }
    }
    for (word, field) in [
        (Word::Plants, &zone::PLANTS),
        (Word::Soil, &zone::SOIL),
        (Word::Sun, &zone::SUN),
        (Word::Area, &zone::AREA),
        (Word::Pressure, &zone::PRESSURE),
    ] {
        if let Some(value) = desk.tell(zone, field) {
            row(word, value);
        }
    }
    Block::Facts { rows }
}

/// Returns what all heads of a zone draw together; none where one's flow is not recorded.
pub(super) fn total(zone: &Zone<'_>) -> Option<Gpm> {
    let heads = zone.heads();
    let flows = heads
        .iter()
        .map(|head| head.flow().ok().map(|fact| fact.value));
    let flows: Option<Vec<Gpm>> = flows.collect();
    flows
        .filter(|flows| !flows.is_empty())
        .map(|flows| flows.into_iter().sum())
}

/// Returns a computed quantity as a person reads it.
pub(super) fn shown<M: Measure>(desk: &Desk<'_>, measure: M) -> String {
    plan::say(measure, desk.system())
}

pub(super) fn new_heads(
    desk: &Desk<'_>,
    site: &Site<'_>,
    id: ThingId,
    kind: &str,
    count: u32,
) -> Result<Body, Error> {
    let zone = Id(id);
    let to = |kind: &str, count: u32| Act::Go {
        to: Screen::NewHeads {
            zone,
            kind: kind.to_owned(),
            count,
        },
    };
    let kinds = KINDS.map(|one| {
        let label = vocab::titled(desk.language(), one);
        Button::new(label, to(one, count)).chosen(one == kind)
    });
    let counts =
        [1, 4, 6, 8, 10, 12].map(|n| Button::new(n.to_string(), to(kind, n)).chosen(n == count));
    let act = Act::AddHeads {
        zone,
        kind: kind.to_owned(),
        count,
    };
    let shown = vocab::shown(desk.language(), kind);
    Ok(Body {
        title: format!("{}: {}", called(desk, site, id), desk.say(Word::AddHeads)),
        back: Some(Screen::Zone { zone }),
        blocks: vec![
            Block::choices(desk.say(Word::Kind), kinds.to_vec()),
            Block::choices(desk.say(Word::HowMany), counts.to_vec()),
            Stepper {
                label: desk.say(Word::HowMany).to_owned(),
                value: count.to_string(),
                note: String::new(),
                less: Button::new("−", to(kind, count.saturating_sub(1).max(1))),
                more: Button::new("+", to(kind, (count + 1).min(40))),
                to: None,
            }
            .into(),
        ],
        dock: vec![Button::new(desk.fill(Word::AddSo, &[&count.to_string(), &shown]), act).main()],
    })
}

pub(super) fn skip(desk: &Desk<'_>, site: &Site<'_>, id: ThingId) -> Result<Body, Error> {
    let zone = Id(id);
    let reasons = [
        Word::SkipDog,
        Word::SkipLocked,
        Word::SkipNoWater,
        Word::SkipTime,
        Word::SkipPeople,
    ];
    let reasons = reasons.map(|word| {
        let why = desk.say(word).to_owned();
        Button::new(why.clone(), Act::Skipped { zone, why })
    });
    let act = Act::Skipped {
        zone,
        why: String::new(),
    };
    Ok(Body {
        title: format!("{}: {}", called(desk, site, id), desk.say(Word::SkipZone)),
        back: Some(Screen::Zone { zone }),
        blocks: vec![
            Block::list(reasons.to_vec()),
            Block::Form {
                inputs: vec![crate::view::Input {
                    name: "why".to_owned(),
                    label: desk.say(Word::OtherReason).to_owned(),
                    keys: crate::view::Keys::Text,
                    value: String::new(),
                }],
                button: Button::new(desk.say(Word::SkipZone), act),
            },
        ],
        dock: Vec::new(),
    })
}
