//! Notes that move a coefficient, and notes that a fault explains.

use super::*;
use crate::log::stamp::WallMs;
use crate::site::kind::ThingKind;
use crate::site::plan::{ZonePlan, plan_site};
use crate::site::things::tests::Scene;
use crate::site::unit::UnitSystem;
use crate::site::weather::Record;

/// A shrub bed that was watered about as reckoned: 0.70 of 0.2 in a day, by drip.
fn bed() -> Scene {
    let mut scene = Scene::new();
    let root = scene.root();
    scene.add(2, ThingKind::Controller, root, &[]);
    let zone = [
        ("number", "1"),
        ("area", "962.5sqft"),
        ("flow", "10gpm"),
        ("plants", "shrubs"),
        ("soil", "loam"),
        ("emission", "drip"),
    ];
    scene.add(3, ThingKind::Zone, root, &zone);
    scene
}

/// Puts every entry so far at noon of a day in July 2026.
fn on_day(scene: &mut Scene, day: u32) {
    let noon = NaiveDate::from_ymd_opt(2026, 7, day)
        .and_then(|day| day.and_hms_opt(17, 0, 0))
        .unwrap();
    let ms = u64::try_from(noon.and_utc().timestamp_millis()).unwrap();
    for entry in &mut scene.entries {
        if entry.entry.stamp.wall() < WallMs::new(1_000_000_000_000) {
            let nth = entry.entry.stamp.wall().get();
            entry.entry.stamp = Stamp::new(WallMs::new(ms + nth), 0);
        }
    }
}

/// 0.2 in a day without rain from May to July.
fn weather() -> Record {
    let first = NaiveDate::from_ymd_opt(2026, 5, 1).unwrap();
    let days = first.iter_days().take(92).map(|date| WeatherDay {
        et: Some(Inches::new(0.2)),
        rain: Some(Inches::ZERO),
        ..WeatherDay::on(date)
    });
    Record::of_days(days.collect())
}

/// Its programs, as found before any note: so many minutes a day, every day.
fn found(scene: &mut Scene, minutes: u32) {
    let programs =
        format!("A: start 4:00; days mon tue wed thu fri sat sun; 100%; run 1={minutes}");
    scene.note("controller", "as-found", &programs);
    on_day(scene, 1);
}

fn bed_plan(scene: &Scene) -> ZonePlan {
    let state = scene.state();
    let site = Site::of(&state, scene.logbook);
    let on = NaiveDate::from_ymd_opt(2026, 7, 28).unwrap();
    plan_site(&site, &weather(), on, &HouseRules::default())
        .zones
        .remove(0)
}

fn value(zone: &ZonePlan) -> f64 {
    zone.coefficient.value().unwrap().get()
}

fn said(zone: &ZonePlan) -> String {
    let why = zone.coefficient.why().iter();
    let said: Vec<String> = why.map(|why| why.sentence(UnitSystem::Us)).collect();
    said.join("; ")
}

/// Minutes a day with which the drier half just has what the published figure asks for:
/// 0.14 in at 1 in/h, over 0.4 + 0.6 x 0.80.
const AS_RECKONED: u32 = 10;

#[test]
fn two_dry_notes_raise_the_coefficient_and_the_plan_says_so() {
    let mut scene = bed();
    found(&mut scene, AS_RECKONED);
    assert!((value(&bed_plan(&scene)) - 0.70).abs() < 1e-9);
    scene.note("zone-1", "soil-probe", "moisture=dry");
    on_day(&mut scene, 10);
    scene.note("zone-1", "soil-probe", "moisture=dry");
    on_day(&mut scene, 20);
    let zone = bed_plan(&scene);
    let raised = value(&zone);
    assert!(raised > 0.74 && raised <= 0.90, "{raised}");
    let told = said(&zone);
    let expected =
        format!("raised from 0.70 to {raised:.2} by two dry notes (published range 0.50 to 0.90)");
    assert!(told.contains(&expected), "{told}");
    // The need follows.
    let need = zone.need.value().unwrap().get();
    assert!((need - 1.4 * raised).abs() < 1e-9);
}

#[test]
fn wet_notes_lower_it_and_two_of_one_day_count_once() {
    let mut scene = bed();
    found(&mut scene, AS_RECKONED);
    scene.note("zone-1", "soil-probe", "moisture=wet");
    on_day(&mut scene, 10);
    let one = bed_plan(&scene);
    assert!(value(&one) < 0.70, "{}", said(&one));
    scene.note("zone-1", "soil-probe", "moisture=wet");
    on_day(&mut scene, 10);
    let twice = bed_plan(&scene);
    assert_eq!(value(&one), value(&twice));
    assert!(
        said(&twice).contains("lowered from 0.70 to"),
        "{}",
        said(&twice)
    );
}

#[test]
fn a_note_that_a_fault_explains_teaches_nothing() {
    let mut scene = bed();
    found(&mut scene, AS_RECKONED);
    scene.note("zone-1", "soil-probe", "moisture=dry");
    on_day(&mut scene, 10);
    scene.add(
        30,
        ThingKind::Finding,
        Scene::id(3),
        &[("what", "drip-line-cut")],
    );
    on_day(&mut scene, 11);
    let zone = bed_plan(&scene);
    assert!((value(&zone) - 0.70).abs() < 1e-9, "{}", said(&zone));
    let told = said(&zone);
    let expected = "the dry note of 2026-07-10 teaches nothing about the plants: drip line cut";
    assert!(told.contains(expected), "{told}");
}

#[test]
fn a_fault_that_was_mended_before_explains_no_later_note() {
    let mut scene = bed();
    found(&mut scene, AS_RECKONED);
    scene.add(
        30,
        ThingKind::Finding,
        Scene::id(3),
        &[
            ("label", "cut"),
            ("what", "drip-line-cut"),
            ("status", "fixed"),
        ],
    );
    on_day(&mut scene, 2);
    scene.note("zone-1", "soil-probe", "moisture=dry");
    on_day(&mut scene, 20);
    assert!(value(&bed_plan(&scene)) > 0.71);
}

#[test]
fn a_dry_note_in_a_starved_zone_says_that_it_was_starved() {
    let mut scene = bed();
    found(&mut scene, AS_RECKONED / 3);
    scene.note("zone-1", "soil-probe", "moisture=dry");
    on_day(&mut scene, 10);
    let zone = bed_plan(&scene);
    assert!((value(&zone) - 0.70).abs() < 0.005, "{}", said(&zone));
    assert!(said(&zone).contains("the zone had 3"), "{}", said(&zone));
}

#[test]
fn a_note_is_not_weighed_where_nobody_knows_what_ran_and_an_entered_coefficient_stands() {
    let mut scene = bed();
    scene.note("zone-1", "soil-probe", "moisture=dry");
    on_day(&mut scene, 10);
    let zone = bed_plan(&scene);
    assert_eq!(value(&zone), 0.70);
    assert!(said(&zone).contains("is not counted"), "{}", said(&zone));
    found(&mut scene, AS_RECKONED);
    scene.note("zone-1", "coefficient", "0.6");
    on_day(&mut scene, 12);
    assert_eq!(value(&bed_plan(&scene)), 0.6);
}
