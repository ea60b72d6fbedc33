//! One head: what the next crew must know, what is likely, and the changes that are one choice.

use headwalk_core::log::id::ThingId;
use headwalk_core::log::value::HowKnown;
use headwalk_core::site::fields::{FieldDef, any, field_by_number, head as fields};
use headwalk_core::site::finding::{FindingKind, Status};
use headwalk_core::site::things::{Finding, Head, Site, Zone};
use headwalk_core::site::words::Vocabulary;
use headwalk_core::water::precipitation::{Nozzle, zone_rate};

use super::likely::{likely, needs_water};
use super::zone::{finding_row, shown, total, what};
use super::{Body, Desk, called};
use crate::act::{Act, Id, Mended, Screen};
use crate::error::Error;
use crate::photo;
use crate::record::{nozzle_of, open_flag};
use crate::view::{Block, Button, Fact, Mark, Stepper, Tone};
use crate::words::{Word, values, vocab};

/// How many likely findings stand on the screen before all others are a tap away.
const LIKELY: usize = 6;

pub(super) fn body(desk: &Desk<'_>, site: &Site<'_>, id: ThingId) -> Result<Body, Error> {
    let head = Head::of(site, site.thing(id).ok_or(Error::Gone)?).ok_or(Error::Gone)?;
    let mut blocks: Vec<Block> = memory(desk, &head)
        .into_iter()
        .map(|text| Block::text(text, Tone::Memory))
        .collect();
    let visit = desk.phone.visit_here();
    if visit.is_some() {
        blocks.extend(same_again(desk, site, &head));
        blocks.extend(quick(desk, site, &head));
    }
    let open: Vec<_> = head
        .findings_here()
        .into_iter()
        .filter(|one| !one.status().is_closed())
        .collect();
    if !open.is_empty() {
        let rows = open
            .iter()
            .map(|one| finding_row(desk, site, one))
            .collect();
        blocks.push(Block::heading(desk.say(Word::OpenHere)));
        blocks.push(Block::list(rows));
    }
    blocks.push(photo::block(desk, site, id, None));
    if visit.is_some() {
        blocks.extend(edits(desk, site, &head));
    }
    blocks.push(facts(desk, &head));
    let zone = head
        .part_of()
        .map_or(Screen::Walk, |zone| Screen::Zone { zone: Id(zone) });
    let mut dock = Vec::new();
    if visit.is_some() && open_flag(site, id).is_none() {
        let thing = Id(id);
        dock.push(Button::new(desk.say(Word::FlagForLater), Act::Flag { thing }).mark(Mark::Flag));
    }
    dock.push(desk.go(Word::BackToZone, zone.clone()).main());
    let kind = head.head_kind().ok();
    let kind = kind.map_or_else(String::new, |kind| {
        vocab::shown(desk.language(), kind.value.word())
    });
    Ok(Body {
        title: format!("{} · {kind}", called(desk, site, id)),
        back: Some(zone),
        blocks,
        dock,
    })
}

/// What the next crew must know before it touches the head.
fn memory(desk: &Desk<'_>, head: &Head<'_>) -> Vec<String> {
    let mut lines = Vec::new();
    if let Some(why) = desk.tell(head, &fields::COMPROMISE) {
        lines.push(desk.fill(Word::OnPurpose, &[&why]));
    }
    lines.extend(head.show(&any::REMARK, desk.system()));
    let findings = head.findings_here();
    let mut counted: Vec<(&FindingKind, usize)> = Vec::new();
    for kind in findings.iter().filter_map(|one| this_season(desk, one)) {
        match counted
            .iter_mut()
            .find(|(known, _)| known.word == kind.word)
        {
            Some((_, count)) => *count += 1,
            None => counted.push((kind, 1)),
        }
    }
    for (kind, count) in counted.into_iter().filter(|(_, count)| *count >= 2) {
        let word = vocab::shown(desk.language(), kind.word);
        lines.push(desk.fill(Word::TimesThisSeason, &[&word, &count.to_string()]));
    }
    lines
}

/// The kind of a finding of this calendar year.
fn this_season(desk: &Desk<'_>, finding: &Finding<'_>) -> Option<&'static FindingKind> {
    use chrono::Datelike;
    let kind = finding.what().ok()?;
    let made = finding.register(&any::KIND)?.in_force().stamp;
    let year = made.wall().date_at(desk.edge.utc_offset_min).year();
    (year == desk.edge.today().year()).then_some(kind.value)
}

/// The last finding that was described in this zone, for a head beside it: the same again.
fn same_again(desk: &Desk<'_>, site: &Site<'_>, head: &Head<'_>) -> Option<Block> {
    let zone = head.part_of()?;
    let findings = site.findings_under(zone).into_iter();
    let elsewhere = findings.filter(|one| one.part_of() != Some(head.id) && one.what().is_ok());
    let on_heads = elsewhere.filter(|one| {
        let of = one.part_of().and_then(|of| site.thing(of));
        of.and_then(|of| Head::of(site, of)).is_some()
    });
    let written = |one: &Finding<'_>| {
        one.register(&headwalk_core::site::fields::finding::STATUS)
            .map(|register| register.in_force().stamp)
    };
    let last = on_heads.max_by_key(written)?;
    let then = match last.status() {
        Status::Fixed | Status::Checked => Mended::Fixed,
        Status::ToQuote | Status::Quoted => Mended::ToQuote,
        _ => Mended::Described,
    };
    let of = last
        .part_of()
        .map_or_else(String::new, |of| called(desk, site, of));
    let act = Act::Find {
        thing: Id(head.id),
        what: last.what().ok()?.value.word.to_owned(),
        then,
        flag: open_flag(site, head.id).map(Id),
    };
    let label = desk.fill(Word::SameAs, &[&of]);
    let note = format!("{} · {}", what(desk, &last), then_word(desk, then));
    Some(Block::list(vec![
        Button::new(label, act).note(note).mark(Mark::Fixed),
    ]))
}

fn then_word(desk: &Desk<'_>, then: Mended) -> &'static str {
    desk.say(match then {
        Mended::Described => Word::ForLater,
        Mended::Fixed => Word::FixedNow,
        Mended::ToQuote => Word::ToQuote,
    })
}

/// What is likely, to look at while the water runs and after: a tap says it was mended now.
fn quick(desk: &Desk<'_>, site: &Site<'_>, head: &Head<'_>) -> Vec<Block> {
    let flag = open_flag(site, head.id).map(Id);
    let thing = Id(head.id);
    let kinds = likely(site, **head);
    let (wet, dry): (Vec<_>, Vec<_>) = kinds.into_iter().partition(|kind| needs_water(kind));
    let mut blocks = Vec::new();
    for (word, kinds) in [(Word::WhileWaterIsOn, wet), (Word::CanWait, dry)] {
        let rows = kinds
            .into_iter()
            .take(LIKELY)
            .map(|kind| finding_button(desk, thing.0, kind, flag.map(|flag| flag.0)));
        let rows: Vec<_> = rows.collect();
        if !rows.is_empty() {
            blocks.push(Block::choices(desk.say(word), rows));
        }
    }
    let all = Screen::What { thing, flag };
    let kerb = Screen::Kerb {
        head: thing,
        dry: None,
    };
    blocks.push(Block::list(vec![
        desk.go(Word::AllFindings, all),
        desk.go(Word::KerbTitle, kerb)
            .note(desk.say(Word::KerbNote)),
    ]));
    blocks
}

/// A finding to choose: an adjustment is mended with the tap, whatever takes a part or a decision
/// is described first.
pub(super) fn finding_button(
    desk: &Desk<'_>,
    thing: ThingId,
    kind: &FindingKind,
    flag: Option<ThingId>,
) -> Button {
    use headwalk_core::site::finding::Mended as Usually;
    let adjusted = kind.mended == Usually::OnTheSpot && kind.parts.is_empty();
    let then = if adjusted {
        Mended::Fixed
    } else {
        Mended::Described
    };
    let act = Act::Find {
        thing: Id(thing),
        what: kind.word.to_owned(),
        then,
        flag: flag.map(Id),
    };
    let note = if adjusted {
        desk.say(Word::AdjustedNow)
    } else {
        ""
    };
    Button::new(vocab::titled(desk.language(), kind.word), act).note(note)
}

/// Changes that are one choice: arc, radius, body.
fn edits(desk: &Desk<'_>, site: &Site<'_>, head: &Head<'_>) -> Vec<Block> {
    let id = Id(head.id);
    let mut blocks = vec![Block::heading(desk.say(Word::Change))];
    let arc = head.arc().ok().map(|arc| arc.value.get());
    let arcs = [90_u32, 180, 270, 360].map(|degrees| {
        let stands = arc.is_some_and(|arc| (arc - f64::from(degrees)).abs() < 0.5);
        Button::new(format!("{degrees}°"), Act::Arc { head: id, degrees }).chosen(stands)
    });
    let follows = nozzle_of(head) == Nozzle::FlowFollowsArc;
    let word = if follows {
        Word::ArcNozzle
    } else {
        Word::ArcTurned
    };
    blocks.push(Block::choices(desk.say(word), arcs.to_vec()));
    if let Some(arc) = arc {
        let step = |by: f64| Act::Arc {
            head: id,
            degrees: (arc + by).clamp(5.0, 360.0) as u32,
        };
        blocks.push(
            Stepper {
                label: desk.say(Word::Arc).to_owned(),
                value: format!("{arc}°"),
                note: String::new(),
                less: Button::new("−", step(-5.0)),
                more: Button::new("+", step(5.0)),
                to: None,
            }
            .into(),
        );
    }
    if let Ok(radius) = head.radius() {
        let feet = radius.value.get();
        let step = |by: f64| Act::Note {
            thing: id,
            name: fields::RADIUS.name.to_owned(),
            value: format!("{} ft", (feet + by).max(1.0)),
        };
        blocks.push(
            Stepper {
                label: desk.say(Word::Radius).to_owned(),
                value: shown(desk, radius.value),
                note: String::new(),
                less: Button::new("−", step(-1.0)),
                more: Button::new("+", step(1.0)),
                to: None,
            }
            .into(),
        );
    }
    blocks.extend(zone_line(desk, site, head));
    let pop_up = head.show(&fields::POP_UP, headwalk_core::site::unit::UnitSystem::Us);
    let bodies = [4_u32, 6, 12].map(|inches| {
        let stands = pop_up.as_deref() == Some(format!("{inches} in").as_str());
        Button::new(format!("{inches} in"), Act::PopUp { head: id, inches }).chosen(stands)
    });
    blocks.push(Block::choices(desk.say(Word::PopUp), bodies.to_vec()));
    blocks.push(Block::Form {
        inputs: vec![crate::view::Input {
            name: "value".to_owned(),
            label: desk.say(Word::RemarkLabel).to_owned(),
            keys: crate::view::Keys::Text,
            value: head.show(&any::REMARK, desk.system()).unwrap_or_default(),
        }],
        button: Button::new(
            desk.say(Word::Save),
            Act::Note {
                thing: id,
                name: any::REMARK.name.to_owned(),
                value: String::new(),
            },
        ),
    });
    blocks
}

/// What the zone draws with this head as it is now.
fn zone_line(desk: &Desk<'_>, site: &Site<'_>, head: &Head<'_>) -> Option<Block> {
    let zone = Zone::of(site, site.thing(head.part_of()?)?)?;
    let flow = total(&zone)?;
    let rate = zone
        .area()
        .ok()
        .and_then(|area| zone_rate(flow, area.value).ok());
    let rate = rate.map_or_else(String::new, |rate| format!(" · {}", shown(desk, rate)));
    let text = format!("{} {}{rate}", desk.say(Word::ZoneDraws), shown(desk, flow));
    Some(Block::text(text, Tone::Plain))
}

/// Every field that is recorded, and those that stand in two versions with both to choose.
fn facts(desk: &Desk<'_>, head: &Head<'_>) -> Block {
    let mut rows = Vec::new();
    let skip = [
        &any::KIND,
        &any::PART_OF,
        &any::ORDER,
        &any::LABEL,
        &any::REMOVED,
    ];
    let Some(thing) = head_fields(head) else {
        return Block::Facts { rows };
    };
    for field in thing {
        if skip.iter().any(|one| one.number == field.number) {
            continue;
        }
        if let Some(row) = fact(desk, head, field) {
            rows.push(row);
        }
    }
    Block::Facts { rows }
}

fn head_fields(head: &Head<'_>) -> Option<Vec<&'static FieldDef>> {
    let kind = head.kind?;
    Some(headwalk_core::site::fields::fields_of(kind).collect())
}

fn fact(desk: &Desk<'_>, head: &Head<'_>, field: &'static FieldDef) -> Option<Fact> {
    let register = head.register(field)?;
    let label = vocab::titled(desk.language(), field.name);
    if !register.stands_in_two_versions() {
        let value = &register.in_force().value;
        let value = values::said(desk.language(), field, value, desk.system());
        let computed = register.in_force().how == HowKnown::Computed;
        let value = if computed {
            format!("{value} ({})", desk.say(Word::Computed))
        } else {
            value
        };
        return Some(Fact {
            label,
            value,
            versions: Vec::new(),
        });
    }
    let versions = register.open().iter().enumerate().map(|(version, write)| {
        let act = Act::Choose {
            thing: Id(head.id),
            field: field.number.0,
            version,
        };
        let value = values::said(desk.language(), field, &write.value, desk.system());
        let when = write.stamp.wall().at_offset(desk.edge.utc_offset_min);
        Button::new(value, act)
            .note(when.format("%m-%d %H:%M").to_string())
            .mark(Mark::Two)
    });
    debug_assert!(field_by_number(field.number).is_some());
    Some(Fact {
        label: format!("{label}: {}", desk.say(Word::TwoVersions)),
        value: String::new(),
        versions: versions.collect(),
    })
}
