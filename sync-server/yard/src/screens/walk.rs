//! The walk: the zones in order, and how far the visit has come.

use headwalk_core::log::id::ThingId;
use headwalk_core::site::fields::zone;
use headwalk_core::site::things::{Site, Visit, Zone};
use headwalk_core::site::visit::ZoneDone;

use super::{Body, Desk, called};
use crate::act::{Act, Id, Screen};
use crate::error::Error;
use crate::view::{Block, Button, Mark};
use crate::words::{Word, retold};

/// Returns the first zone that was neither run nor skipped in the visit.
pub(crate) fn next_zone(site: &Site<'_>, visit: Option<ThingId>) -> Option<ThingId> {
    let visit = Visit::of(site, site.thing(visit?)?)?;
    let zones = visit.zones(site).into_iter();
    let mut open = zones.filter(|(_, done)| *done == ZoneDone::NotYet);
    open.next().map(|(zone, _)| zone.id)
}

pub(super) fn body(desk: &Desk<'_>, site: &Site<'_>) -> Result<Body, Error> {
    let visit = desk.phone.visit_here();
    let visit = visit.and_then(|id| Visit::of(site, site.thing(id)?));
    let zones: Vec<(Zone<'_>, ZoneDone)> = match &visit {
        Some(visit) => visit.zones(site),
        None => {
            let zones = site.zones().into_iter();
            zones.map(|zone| (zone, ZoneDone::NotYet)).collect()
        }
    };
    let rows = zones
        .iter()
        .map(|(zone, done)| row(desk, site, *zone, done));
    let mut blocks = vec![Block::list(rows.collect())];
    let mut dock = Vec::new();
    if visit.is_some() {
        let mut steps = Vec::new();
        if !site.controllers().is_empty() {
            steps.push(desk.go(Word::AsFound, Screen::Found { draft: None }));
            steps.push(desk.go(Word::AsLeft, Screen::Left { draft: None }));
        }
        steps.push(desk.go(Word::ClientTitle, Screen::Client));
        blocks.insert(0, Block::choices(desk.say(Word::Steps), steps));
        match next_zone(site, desk.phone.visit_here()) {
            Some(zone) => {
                let to = Screen::Zone { zone: Id(zone) };
                let name = called(desk, site, zone);
                dock.push(desk.go(Word::NextZone, to).note(name).main());
            }
            None => dock.push(desk.go(Word::EndVisit, Screen::Close).main()),
        }
    }
    Ok(Body {
        title: desk.say(Word::Walk).to_owned(),
        back: Some(Screen::Site),
        blocks,
        dock,
    })
}

fn row(desk: &Desk<'_>, site: &Site<'_>, zone: Zone<'_>, done: &ZoneDone) -> Button {
    let (mark, word) = match done {
        ZoneDone::Walked => (Mark::Good, desk.say(Word::Ran).to_owned()),
        ZoneDone::Skipped(why) => (
            Mark::Skipped,
            format!(
                "{}: {}",
                desk.say(Word::SkippedWord),
                retold(desk.language(), why)
            ),
        ),
        ZoneDone::NotYet => (Mark::Open, desk.say(Word::NotYet).to_owned()),
    };
    let name = zone.show(&zone::NAME, desk.system()).unwrap_or_default();
    let open = zone
        .findings()
        .iter()
        .filter(|one| !one.status().is_closed())
        .count();
    let mut note = format!(
        "{word} · {}",
        desk.fill(Word::HeadCount, &[&zone.heads().len().to_string()])
    );
    if open > 0 {
        note = format!(
            "{note} · {}",
            desk.fill(Word::OpenCount, &[&open.to_string()])
        );
    }
    let label = format!("{} {name}", called(desk, site, zone.id));
    let to = Screen::Zone { zone: Id(zone.id) };
    Button::new(label.trim(), Act::Go { to })
        .note(note)
        .mark(mark)
}
