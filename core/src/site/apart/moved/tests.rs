//! Two sites, a visit written to the wrong one, and what each says once it was moved.

use super::*;
use crate::log::entry::Draft;
use crate::log::id::ObservationNumber;
use crate::log::stamp::{Stamp, WallMs};
use crate::merge::replay::Observation;
use crate::site::apart::told;
use crate::site::fields::seen;
use crate::site::fields::{finding, head};
use crate::site::kind::ThingKind;
use crate::site::things::tests::{Scene, corner_lot};
use crate::site::things::{Site, Visit};

const VISIT: u8 = 20;

/// The wrong site with a visit: a reading, a changed arc, a finding, a new head; and the right
/// site, whose things are called the same and have other ids.
fn two_sites() -> (Scene, Scene) {
    let mut wrong = corner_lot();
    let said = [("label", "2026-07-14"), ("purpose", "inspection")];
    wrong.add(VISIT, ThingKind::Visit, wrong.root(), &said);
    wrong.during(VISIT);
    wrong.note("zone-3", "heads-good", "yes");
    wrong.note("head-3-01", "arc", "120");
    wrong.add(
        21,
        ThingKind::Finding,
        Scene::id(7),
        &[("label", "first"), ("what", "head-tilted")],
    );
    wrong.add(22, ThingKind::Head, Scene::id(3), &[("label", "3-11")]);
    let mut right = Scene::new();
    right.logbook = LogbookId::from_bytes([2; 16]);
    let root = right.root();
    right.add(103, ThingKind::Zone, root, &[("number", "3")]);
    let zone = Scene::id(103);
    right.add(
        106,
        ThingKind::Head,
        zone,
        &[("label", "3-01"), ("arc", "90")],
    );
    right.add(107, ThingKind::Head, zone, &[("label", "3-02")]);
    (wrong, right)
}

fn side<'a>(scene: &'a Scene, name: &'a str) -> Side<'a> {
    Side {
        logbook: scene.logbook,
        name,
        entries: &scene.entries,
    }
}

fn plan(from: &Scene, to: &Scene, of_no_name: OfNoName) -> Result<Plan, MoveError> {
    let moving = Moving {
        visit: Scene::id(VISIT),
        from: side(from, "Corner lot"),
        to: side(to, "Long lot"),
        same: BTreeMap::new(),
        of_no_name,
    };
    moving.plan("D. Office", 0)
}

/// Records drafts an hour after everything else.
fn record(drafts: Vec<Draft>, scenes: [&mut Scene; 2]) {
    for scene in scenes {
        let logbook = scene.logbook;
        for draft in drafts.iter().filter(|one| one.logbook == logbook) {
            scene.visit = draft.visit;
            scene.write(draft.changes.clone());
            let nth = scene.entries.len() as u64;
            let entry = &mut scene.entries.last_mut().unwrap().entry;
            entry.stamp = Stamp::new(WallMs::new(3_600_000 + nth * 1_000), 0);
            entry.by.clone_from(&draft.by);
        }
        scene.visit = None;
    }
}

fn moved(from: &mut Scene, to: &mut Scene) -> Plan {
    let plan = plan(from, to, OfNoName::Refused).unwrap();
    record(plan.drafts.clone(), [from, to]);
    plan
}

fn at(scene: &Scene) -> State {
    told(&scene.entries, None)
}

fn arc(scene: &Scene, id: u8) -> Option<String> {
    let value = at(scene).value(Scene::id(id), head::ARC.number).cloned();
    value.map(|value| head::ARC.show(&value, crate::site::unit::UnitSystem::Us))
}

/// What a state says, without where it was written: for comparison across a move and back.
fn said(state: &State) -> Vec<String> {
    let fields = state.registers().filter(|(_, field, _)| {
        ![visit::MOVED_TO.number, visit::MOVED_FROM.number].contains(field)
    });
    let fields =
        fields.map(|(thing, field, all)| format!("{thing} {field:?} {:?}", all.in_force().value));
    let seen = state.all_observations();
    let seen = seen.filter(|(_, what, _)| *what != seen::CARRIED.number);
    let seen = seen.map(|(thing, what, one): (_, ObservationNumber, &Observation)| {
        format!("{thing} {what:?} {:?} {:?}", one.value, one.visit)
    });
    fields.chain(seen).collect()
}

#[test]
fn a_moved_visit_counts_at_the_right_site_and_only_there() {
    let (mut wrong, mut right) = two_sites();
    let before: Vec<_> = {
        let mut without = corner_lot();
        without.logbook = wrong.logbook;
        said(&at(&without))
    };
    let plan = moved(&mut wrong, &mut right);
    assert_eq!(plan.carried.len(), 5);
    assert_eq!(
        (arc(&wrong, 6), arc(&right, 106)),
        (Some("90°".into()), Some("120°".into()))
    );
    let (there, here) = (at(&right), at(&wrong));
    let (there, here) = (
        Site::of(&there, right.logbook),
        Site::of(&here, wrong.logbook),
    );
    assert_eq!((there.visits().len(), here.visits().len()), (1, 0));
    let found = there.findings();
    assert_eq!(found.len(), 1);
    assert_eq!(found[0].part_of(), Some(Scene::id(107)));
    assert!(here.findings().is_empty());
    let new = there.find("head-3-11").unwrap();
    assert_eq!(new.part_of(), Some(Scene::id(103)));
    let visit = Visit::of(&there, there.thing(Scene::id(VISIT)).unwrap()).unwrap();
    let zones = visit.zones(&there);
    assert_eq!(zones[0].1, crate::site::visit::ZoneDone::Walked);
    // Of the wrong site nothing is left but what was there before, and the visit itself.
    let mut left = said(here.state());
    left.retain(|line| !line.starts_with(&Scene::id(VISIT).to_string()));
    assert_eq!(left, before);
}

#[test]
fn each_carried_entry_says_whose_it_was_and_of_when() {
    let (mut wrong, mut right) = two_sites();
    moved(&mut wrong, &mut right);
    let repeats = |one: &Placed| Origin::repeated(&one.entry);
    let last = right.entries.iter().rev().find_map(repeats).unwrap();
    assert_eq!(last.logbook, wrong.logbook.to_string());
    assert!(
        last.entry
            .starts_with("07070707-0707-0707-0707-070707070707/14/"),
        "{last:?}"
    );
    let said = [&last.site, &last.by, &last.at];
    assert_eq!(said, ["Corner lot", "R. Ash", "1969-12-31T19:00:14-05:00"]);
}

#[test]
fn done_twice_a_move_writes_nothing_and_what_came_since_is_carried_alone() {
    let (mut wrong, mut right) = two_sites();
    moved(&mut wrong, &mut right);
    let again = plan(&wrong, &right, OfNoName::Refused).unwrap();
    assert!(again.drafts.is_empty() && again.carried.is_empty());
    let states = [(wrong.logbook, at(&wrong)), (right.logbook, at(&right))];
    let entries = |id| -> Result<_, ()> {
        let of = if id == wrong.logbook { &wrong } else { &right };
        Ok(of.entries.clone())
    };
    assert_eq!(whereabouts(&states, entries), Ok(Vec::new()));
    // The crew, who did not know, describes the finding some more.
    wrong.visit = Some(Scene::id(VISIT));
    let set = Change::Set {
        thing: Scene::id(21),
        field: finding::DESCRIPTION.number,
        value: Value::text("leans to the road"),
        how: crate::log::value::HowKnown::Unstated,
    };
    wrong.write(vec![set]);
    let entries = |id| -> Result<_, ()> {
        let of = if id == wrong.logbook { &wrong } else { &right };
        Ok(of.entries.clone())
    };
    let waiting = Astray::Waiting {
        visit: Scene::id(VISIT),
        from: wrong.logbook,
        to: right.logbook,
        entries: 1,
    };
    assert_eq!(whereabouts(&states, entries), Ok(vec![waiting]));
    let more = moved(&mut wrong, &mut right);
    assert_eq!((more.carried.len(), more.drafts.len()), (1, 1));
    let there = at(&right);
    let told = there.value(Scene::id(21), finding::DESCRIPTION.number);
    assert_eq!(told, Some(&Value::text("leans to the road")));
}

#[test]
fn moved_back_the_visit_counts_where_it_was_written_and_with_what_was_added_since() {
    let (mut wrong, mut right) = two_sites();
    let (here, there) = (said(&at(&wrong)), said(&at(&right)));
    moved(&mut wrong, &mut right);
    let back = moved(&mut right, &mut wrong);
    assert!(back.carried.is_empty(), "it is all there: {back:?}");
    assert_eq!(said(&at(&wrong)), here);
    let mut left = said(&at(&right));
    left.retain(|line| !line.starts_with(&Scene::id(VISIT).to_string()));
    assert_eq!(left, there);
    // And there again.
    let again = moved(&mut wrong, &mut right);
    assert!(again.carried.is_empty());
    assert_eq!(arc(&right, 106), Some("120°".to_owned()));
    assert_eq!(arc(&wrong, 6), Some("90°".to_owned()));
}

#[test]
fn a_later_value_at_the_right_site_stays_and_the_history_has_both() {
    let (mut wrong, mut right) = two_sites();
    right.note("head-3-01", "arc", "175");
    let entry = &mut right.entries.last_mut().unwrap().entry;
    entry.stamp = Stamp::new(WallMs::new(1_800_000), 0);
    let plan = moved(&mut wrong, &mut right);
    let gave_way: Vec<_> = plan.carried.iter().flat_map(|one| &one.gives_way).collect();
    assert_eq!(gave_way, ["head-3-01 arc 120°"]);
    assert_eq!(arc(&right, 106), Some("175°".to_owned()));
    let state = at(&right);
    let carried = state.observations(Scene::id(VISIT), seen::CARRIED.number);
    let gave_way = carried
        .iter()
        .filter_map(|one| one.value.as_record()?.get(&6)?.as_text());
    assert_eq!(gave_way.collect::<Vec<_>>(), ["head-3-01 arc 120°"]);
}

#[test]
fn what_has_no_counterpart_is_named_before_anything_moves_and_can_be_entered() {
    let (mut wrong, mut right) = two_sites();
    wrong.visit = Some(Scene::id(VISIT));
    wrong.note("head-3-10", "looked-good", "yes");
    wrong.note("zone-1", "zone-skipped", "gate locked");
    let refused = plan(&wrong, &right, OfNoName::Refused);
    let names = vec!["zone-1".to_owned(), "head-3-10".to_owned()];
    let site = "Long lot".to_owned();
    assert_eq!(refused, Err(MoveError::Unmatched { site, names }));
    let entered = plan(&wrong, &right, OfNoName::Entered).unwrap();
    assert_eq!(entered.entered.len(), 2);
    record(entered.drafts, [&mut wrong, &mut right]);
    let there = at(&right);
    let there = Site::of(&there, right.logbook);
    let head = there.find("3-10").unwrap();
    assert_eq!(head.part_of(), Some(Scene::id(103)));
    assert_eq!(head.seen(&seen::LOOKED_GOOD).len(), 1);
    assert_eq!(
        there
            .find("zone-1")
            .unwrap()
            .seen(&seen::ZONE_SKIPPED)
            .len(),
        1
    );
}

#[test]
fn a_visit_moved_to_two_sites_is_found_at_both() {
    let (mut wrong, mut right) = two_sites();
    let (_, mut other) = two_sites();
    other.logbook = LogbookId::from_bytes([3; 16]);
    for placed in &mut other.entries {
        placed.entry.logbook = other.logbook;
    }
    other.entries.remove(0);
    let root = other.root();
    other.add(103, ThingKind::Zone, root, &[("number", "3")]);
    // Two dispatchers who have not seen each other's move.
    let to_right = plan(&wrong, &right, OfNoName::Refused).unwrap();
    let to_other = plan(&wrong, &other, OfNoName::Refused).unwrap();
    record(to_right.drafts, [&mut wrong, &mut right]);
    record(to_other.drafts, [&mut wrong, &mut other]);
    let scenes = [&wrong, &right, &other];
    let states: Vec<_> = scenes
        .iter()
        .map(|scene| (scene.logbook, at(scene)))
        .collect();
    let entries = |id| -> Result<_, ()> {
        let scene = scenes.iter().find(|scene| scene.logbook == id).unwrap();
        Ok(scene.entries.clone())
    };
    let counts = Astray::Counts {
        visit: Scene::id(VISIT),
        lies: vec![wrong.logbook, right.logbook, other.logbook],
        counts: vec![right.logbook, other.logbook],
    };
    assert_eq!(whereabouts(&states, entries), Ok(vec![counts]));
}

#[test]
fn the_site_itself_and_what_is_no_visit_cannot_be_moved() {
    let (wrong, right) = two_sites();
    let same = plan(&wrong, &wrong, OfNoName::Refused);
    assert!(matches!(same, Err(MoveError::SameSite { .. })));
    let not_there = plan(&right, &wrong, OfNoName::Refused);
    assert!(matches!(not_there, Err(MoveError::NotAVisit { .. })));
}
