//! The walk: the zones in order, and how far the visit has come.

use chrono::NaiveDate;
use headwalk_core::log::id::ThingId;
use headwalk_core::site::fields::{visit as fields, zone};
use headwalk_core::site::things::{Controller, Site, Visit, Zone};
use headwalk_core::site::visit::{Lacks, VisitState, ZoneDone};

use super::{Body, Desk, called, programs};
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

/// Returns the first controller of which the visit lacks that.
pub(crate) fn controller_lacking(
    site: &Site<'_>,
    visit: Option<ThingId>,
    what: impl Fn(&Lacks) -> bool,
) -> Option<ThingId> {
    let visit = Visit::of(site, site.thing(visit?)?)?;
    let lacks = visit.lacks(site).into_iter();
    let mut lacking = lacks
        .filter(|lack| what(lack))
        .filter_map(|lack| match lack {
            Lacks::AsFound { controller, .. } | Lacks::AsLeft { controller, .. } => {
                Some(controller)
            }
            _ => None,
        });
    lacking.next()
}

/// Returns the visit that can be opened again: the last of the site, on the day on which it was,
/// once it has ended.
pub(crate) fn may_reopen<'s>(site: &'s Site<'s>, today: NaiveDate) -> Option<Visit<'s>> {
    let last = site.visits().into_iter().next_back()?;
    let of_today = last.day(&fields::DATE).is_ok_and(|day| day.value == today);
    (of_today && last.state() != VisitState::Open).then_some(last)
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
        let controllers = site.controllers();
        for side in [step_found, step_left] {
            steps.extend(controllers.iter().map(|one| side(desk, site, one)));
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

fn step_found(desk: &Desk<'_>, site: &Site<'_>, controller: &Controller<'_>) -> Button {
    let to = Screen::Found {
        controller: Some(Id(controller.id)),
        draft: None,
    };
    let label = programs::title(desk, site, Word::AsFound, controller);
    Button::new(label, Act::Go { to })
}

fn step_left(desk: &Desk<'_>, site: &Site<'_>, controller: &Controller<'_>) -> Button {
    let to = Screen::Left {
        controller: Some(Id(controller.id)),
        draft: None,
    };
    let label = programs::title(desk, site, Word::AsLeft, controller);
    Button::new(label, Act::Go { to })
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
    let heads = desk.count((Word::OneHead, Word::HeadCount), zone.heads().len());
    let mut note = format!("{word} · {heads}");
    if open > 0 {
        let open = desk.count((Word::OneOpen, Word::OpenCount), open);
        note = format!("{note} · {open}");
    }
    let label = format!("{} {name}", called(desk, site, zone.id));
    let to = Screen::Zone { zone: Id(zone.id) };
    Button::new(label.trim(), Act::Go { to })
        .note(note)
        .mark(mark)
}
