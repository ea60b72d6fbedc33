//! A small site, and what the views promise of it.

use proptest::prelude::*;

use super::*;
use crate::log::chain::Tip;
use crate::log::entry::{Change, Entry};
use crate::log::id::{DeviceId, Seq};
use crate::log::stamp::{Stamp, WallMs};
use crate::log::value::HowKnown;
use crate::merge::replay::Placed;
use crate::site::fields;
use crate::site::unit::{Unit, UnitSystem};
use crate::site::visit::{Lacks, VisitState, ZoneDone};

/// A logbook that one device writes, entry by entry.
pub(crate) struct Scene {
    pub(crate) entries: Vec<Placed>,
    pub(crate) logbook: LogbookId,
    pub(crate) visit: Option<ThingId>,
}

impl Scene {
    pub(crate) fn new() -> Self {
        Self {
            entries: Vec::new(),
            logbook: LogbookId::from_bytes([1; 16]),
            visit: None,
        }
    }

    pub(crate) fn id(number: u8) -> ThingId {
        ThingId::from_bytes([number; 16])
    }

    pub(crate) fn root(&self) -> ThingId {
        ThingId::root(self.logbook)
    }

    pub(crate) fn write(&mut self, changes: Vec<Change>) {
        let nth = self.entries.len() as u64 + 1;
        self.entries.push(Placed::alone(Entry {
            logbook: self.logbook,
            device: DeviceId::from_bytes([7; 16]),
            seq: Seq::new(nth).unwrap(),
            prev: Tip::NONE,
            stamp: Stamp::new(WallMs::new(nth * 1_000), 0),
            utc_offset_min: -300,
            by: "R. Ash".to_owned(),
            visit: self.visit,
            gained: Vec::new(),
            changes,
        }));
    }

    pub(crate) fn during(&mut self, visit: u8) {
        self.visit = Some(Self::id(visit));
    }

    pub(crate) fn state(&self) -> State {
        State::of(&self.entries)
    }

    /// Adds a thing: fields as `name=text`.
    pub(crate) fn add(&mut self, id: u8, kind: ThingKind, of: ThingId, said: &[(&str, &str)]) {
        let state = self.state();
        let site = Site::of(&state, self.logbook);
        let mut new = site.add(Self::id(id), kind, of);
        for (name, text) in said {
            new = new.say(name, text, UnitSystem::Us).unwrap();
        }
        self.write(new.changes());
    }

    /// Notes a field or an observation of a thing, by its address.
    pub(crate) fn note(&mut self, address: &str, name: &str, text: &str) {
        let state = self.state();
        let site = Site::of(&state, self.logbook);
        let thing = site.find_record(address).unwrap();
        let how = HowKnown::Measured;
        let noted = site.note(thing, name, text, how, UnitSystem::Us).unwrap();
        self.write(vec![noted.change]);
    }
}

/// A corner lot: one controller, two zones, a valve and three heads on zone 3.
pub(crate) fn corner_lot() -> Scene {
    let mut scene = Scene::new();
    let root = scene.root();
    scene.note("site", "name", "Corner lot");
    scene.add(2, ThingKind::Controller, root, &[]);
    scene.add(
        3,
        ThingKind::Zone,
        root,
        &[("number", "3"), ("area", "1350sqft")],
    );
    scene.add(4, ThingKind::Zone, root, &[("number", "1")]);
    scene.add(5, ThingKind::Valve, root, &[("installed", "1996")]);
    scene.note("zone-3", "valve", &Scene::id(5).to_string());
    scene.add(
        6,
        ThingKind::Head,
        Scene::id(3),
        &[("label", "3-01"), ("arc", "quarter")],
    );
    scene.add(
        7,
        ThingKind::Head,
        Scene::id(3),
        &[("label", "3-02"), ("arc", "half")],
    );
    scene.add(
        8,
        ThingKind::Head,
        Scene::id(3),
        &[("label", "3-10"), ("order", "15")],
    );
    scene
}

fn check_found(scene: &Scene, typed: &str, id: u8) {
    let state = scene.state();
    let site = Site::of(&state, scene.logbook);
    assert_eq!(
        site.find(typed).map(|thing| thing.id),
        Ok(Scene::id(id)),
        "{typed}"
    );
}

#[test]
fn a_thing_is_found_by_what_a_crew_calls_it() {
    let scene = corner_lot();
    check_found(&scene, "site", 1);
    check_found(&scene, "controller", 2);
    check_found(&scene, "zone-3", 3);
    check_found(&scene, "Zone 3", 3);
    check_found(&scene, "3", 3);
    check_found(&scene, "valve-3", 5);
    check_found(&scene, "3-01", 6);
    check_found(&scene, "head 3-01", 6);
    check_found(&scene, "head-3-10", 8);
    check_found(&scene, &Scene::id(8).to_string(), 8);
}

#[test]
fn every_address_finds_its_thing_again() {
    let scene = corner_lot();
    let state = scene.state();
    let site = Site::of(&state, scene.logbook);
    for thing in site.things() {
        let address = site.address(thing);
        assert_eq!(
            site.find(&address).map(|found| found.id),
            Ok(thing.id),
            "{address}"
        );
    }
}

#[test]
fn an_unknown_address_offers_close_ones_and_a_double_one_both() {
    let mut scene = corner_lot();
    let state = scene.state();
    let site = Site::of(&state, scene.logbook);
    let error = site.find("zone-4").unwrap_err().to_string();
    assert!(
        error.starts_with("nothing here is called `zone-4`; did you mean zone-"),
        "{error}"
    );
    scene.add(9, ThingKind::Zone, scene.root(), &[("number", "3")]);
    let state = scene.state();
    let site = Site::of(&state, scene.logbook);
    let error = site.find("zone-3").unwrap_err();
    assert!(matches!(error, AddressError::Ambiguous { .. }), "{error}");
    scene.note(&Scene::id(9).to_string(), "removed", "yes");
    check_found(&scene, "zone-3", 3);
}

#[test]
fn zones_come_by_number_and_heads_in_the_order_of_the_walk() {
    let scene = corner_lot();
    let state = scene.state();
    let site = Site::of(&state, scene.logbook);
    let zones: Vec<_> = site
        .zones()
        .iter()
        .map(|zone| site.address(**zone))
        .collect();
    assert_eq!(zones, ["zone-1", "zone-3"]);
    let zone = site.zones()[1];
    let heads: Vec<_> = zone
        .heads()
        .iter()
        .filter_map(|head| head.label())
        .collect();
    assert_eq!(heads, ["3-01", "3-10", "3-02"]);
    assert_eq!(site.next_head_label(*zone), "3-11");
    assert_eq!(zone.valve().unwrap().installed().unwrap().value, 1996);
}

#[test]
fn what_is_missing_says_why() {
    let mut scene = corner_lot();
    scene.note("zone-3", "pressure", "could not check: dog in yard");
    scene.note("zone-3", "soil", "not checked");
    scene.note("zone-3", "slope", "blank");
    let state = scene.state();
    let site = Site::of(&state, scene.logbook);
    let zone = site.zones()[1];
    let why = Missing::CouldNotCheck("dog in yard".to_owned());
    assert_eq!(zone.pressure().unwrap_err(), why);
    assert_eq!(zone.soil().unwrap_err(), Missing::NotChecked);
    assert_eq!(zone.slope().unwrap_err(), Missing::Blank);
    assert_eq!(zone.flow().unwrap_err(), Missing::NotRecorded);
    assert_eq!(zone.area().unwrap().how, HowKnown::Unstated);
}

#[test]
fn an_area_in_square_metres_reads_in_square_feet() {
    let mut scene = corner_lot();
    scene.note("zone-3", "area", "100 m2");
    let state = scene.state();
    let site = Site::of(&state, scene.logbook);
    let area = site.zones()[1].area().unwrap().value;
    assert!((area.get() - 1_076.391).abs() < 0.001, "{area}");
}

#[test]
fn two_things_in_each_other_and_one_in_nothing_are_astray_and_not_lost() {
    let mut scene = corner_lot();
    scene.note("3-01", "part-of", "3-02");
    scene.note("3-02", "part-of", "3-01");
    scene.add(11, ThingKind::Head, Scene::id(99), &[("label", "x")]);
    let state = scene.state();
    let site = Site::of(&state, scene.logbook);
    let astray: Vec<_> = site.astray().map(|thing| thing.id).collect();
    assert_eq!(astray, [Scene::id(6), Scene::id(7), Scene::id(11)]);
}

#[test]
fn a_second_record_of_a_head_is_shown_once_and_can_be_taken_apart() {
    let mut scene = corner_lot();
    scene.note("3-02", "same-as", "3-01");
    scene.note("3-01", "same-as", "3-02");
    let heads = |scene: &Scene| {
        let state = scene.state();
        let site = Site::of(&state, scene.logbook);
        let heads = site.zones()[1].heads();
        let joined = site.joined(Scene::id(6)).len();
        (heads.iter().map(|head| head.id).collect::<Vec<_>>(), joined)
    };
    assert_eq!(heads(&scene), (vec![Scene::id(6), Scene::id(8)], 1));
    scene.note("3-02", "same-as", "blank");
    scene.note("3-01", "same-as", "blank");
    assert_eq!(heads(&scene).0.len(), 3);
}

#[test]
fn a_note_takes_an_address_where_a_thing_is_wanted() {
    let mut scene = corner_lot();
    scene.note("3-01", "part-of", "zone-1");
    let state = scene.state();
    let site = Site::of(&state, scene.logbook);
    assert_eq!(site.find("3-01").unwrap().part_of(), Some(Scene::id(4)));
    let zone = site.find("zone-1").unwrap();
    let error = site.note(zone, "valve", "zone-3", HowKnown::Unstated, UnitSystem::Us);
    let error = error.unwrap_err().to_string();
    assert!(
        error.starts_with("valve of a zone: `zone-3` does not fit"),
        "{error}"
    );
}

#[test]
fn readings_are_typed_and_those_that_do_not_read_are_passed_over() {
    let mut scene = corner_lot();
    scene.note(
        "zone-3",
        "catch-cans",
        "22 25 28 30 throat=16.5 minutes=10 wind=3",
    );
    scene.note("valve-3", "solenoid-ohms", "open at=controller");
    scene.note("valve-3", "solenoid-ohms", "34");
    scene.write(vec![Change::Observe {
        thing: Scene::id(5),
        what: fields::seen::SOLENOID_OHMS.number,
        value: Value::Bool(true),
        how: HowKnown::Unstated,
    }]);
    let state = scene.state();
    let site = Site::of(&state, scene.logbook);
    let zone = site.zones()[1];
    let test = &zone.catch_cans()[0].value;
    assert_eq!(test.catches.len(), 4);
    assert!((test.opening.unwrap().get() - 106.4514).abs() < 1e-9);
    let valve = zone.valve().unwrap();
    let ohms: Vec<_> = valve.ohms().into_iter().map(|seen| seen.value).collect();
    assert_eq!(
        ohms,
        [
            Ohms::Open,
            Ohms::Reads(crate::site::measure::Ohms::new(34.0))
        ]
    );
}

#[test]
fn a_visit_says_what_it_lacks_until_it_may_be_called_finished() {
    let mut scene = corner_lot();
    scene.add(
        20,
        ThingKind::Visit,
        scene.root(),
        &[("purpose", "inspection")],
    );
    scene.during(20);
    let lacks = |scene: &Scene| {
        let state = scene.state();
        let site = Site::of(&state, scene.logbook);
        let visit = site.visits()[0];
        let lacks: Vec<String> = visit.lacks(&site).iter().map(Lacks::to_string).collect();
        (lacks, visit.may_become(&site))
    };
    let (before, state) = lacks(&scene);
    assert_eq!(before.len(), 3, "{before:?}");
    assert_eq!(state, VisitState::Open);
    scene.note(
        "controller",
        "as-found",
        "A: start 5:00; days daily; 100%; run 3=15",
    );
    scene.note("zone-3", "heads-good", "yes");
    scene.add(21, ThingKind::Finding, Scene::id(6), &[("label", "first")]);
    let (lacking, _) = lacks(&scene);
    assert_eq!(
        lacking,
        [
            "zone-1 was neither run nor skipped: run it, or say why it was skipped",
            "controller: the programs as left are missing (`same as found` will do)",
            "finding-first was flagged: say what it is",
        ]
    );
    scene.note("finding-first", "what", "head-tilted");
    scene.note("zone-1", "zone-skipped", "gate locked");
    scene.note(
        "controller",
        "programs",
        "A: start 5:00; days mon; 100%; run 3=15",
    );
    assert_eq!(lacks(&scene), (Vec::new(), VisitState::FinishedWithSkips));
    let state = scene.state();
    let site = Site::of(&state, scene.logbook);
    let done: Vec<_> = site.visits()[0]
        .zones(&site)
        .into_iter()
        .map(|(_, done)| done)
        .collect();
    assert_eq!(
        done,
        [
            ZoneDone::Skipped("gate locked".to_owned()),
            ZoneDone::Walked
        ]
    );
}

#[test]
fn a_finding_on_a_head_is_one_of_its_zone() {
    let mut scene = corner_lot();
    scene.add(
        21,
        ThingKind::Finding,
        Scene::id(6),
        &[("what", "nozzle-worn")],
    );
    scene.add(
        22,
        ThingKind::Finding,
        Scene::id(5),
        &[("what", "valve-weeping")],
    );
    let state = scene.state();
    let site = Site::of(&state, scene.logbook);
    let findings = site.zones()[1].findings();
    assert_eq!(findings.len(), 2);
    assert_eq!(findings[0].parts(), ["nozzle", "screen"]);
    assert_eq!(
        findings[0].severity(),
        Ok(crate::site::finding::Severity::Soon)
    );
    assert_eq!(site.findings().len(), 2);
}

#[test]
fn weather_days_keep_the_later_record_of_a_day() {
    let mut scene = Scene::new();
    scene.note("site", "kind", "station");
    scene.note(
        "station",
        "weather-day",
        "2026-07-01; rain: 0.4; et: 0.2; tmin: 61; tmax: 84",
    );
    scene.note(
        "station",
        "weather-day",
        "2026-07-01; rain: 0.3; et: 0.2; sunshine: 9",
    );
    let days = crate::site::weather::days(&scene.state(), scene.logbook);
    let day = &days[&"2026-07-01".parse().unwrap()];
    assert_eq!(day.rain, Some(crate::water::units::Inches::new(0.3)));
    assert_eq!(day.tmin, None);
    assert_eq!(day.sunshine, Some(crate::water::units::Hours::new(9.0)));
}

proptest! {
    #[test]
    fn no_tree_of_parts_makes_the_walk_endless_or_loses_a_thing(
        links in prop::collection::vec((1_u8..12, 1_u8..12), 1..24),
    ) {
        let mut scene = Scene::new();
        for (part, whole) in links {
            scene.write(vec![Change::Set {
                thing: Scene::id(part),
                field: fields::any::PART_OF.number,
                value: Value::Thing(Scene::id(whole)),
                how: HowKnown::Unstated,
            }]);
        }
        let state = scene.state();
        let site = Site::of(&state, scene.logbook);
        let reached = site.under(scene.root()).count();
        prop_assert_eq!(reached + site.astray().count() + 1, site.things().count());
    }
}

#[test]
fn a_thing_of_a_unit_that_this_version_does_not_know_says_so() {
    use crate::log::value::UnitNumber;
    let mut scene = corner_lot();
    scene.write(vec![Change::Set {
        thing: Scene::id(3),
        field: fields::zone::AREA.number,
        value: Value::Quantity {
            amount: 3.0,
            unit: UnitNumber(9_999),
        },
        how: HowKnown::Unstated,
    }]);
    let state = scene.state();
    let site = Site::of(&state, scene.logbook);
    let missing = site.zones()[1].area().unwrap_err();
    assert!(matches!(missing, Missing::NotUnderstood(_)), "{missing}");
    assert_eq!(Unit::of_number(UnitNumber(9_999)), None);
}
