use super::*;
use crate::site::kind::ThingKind;
use crate::site::things::tests::Scene;

/// Scene entries are a second apart from 1970 on; the days of this test are far later, so that
/// what is watched begins in 1970.
fn scene(valves: &[(&str, Option<&str>)]) -> Scene {
    let mut scene = Scene::new();
    let root = scene.root();
    for (at, (year, failed)) in valves.iter().enumerate() {
        let id = u8::try_from(at).unwrap() + 2;
        let label = (at + 1).to_string();
        let said = [
            ("installed", *year),
            ("label", label.as_str()),
            ("box-place", "by the gate"),
        ];
        scene.add(id, ThingKind::Valve, root, &said);
        if let Some(what) = failed {
            let said = [("what", *what), ("status", "to-quote")];
            scene.add(id + 100, ThingKind::Finding, Scene::id(id), &said);
        }
    }
    scene
}

fn lives(scene: &Scene, today: &str) -> SiteLives {
    let state = scene.state();
    let site = Site::of(&state, scene.logbook);
    SiteLives::of(
        "Maple Court",
        &site,
        Part::Valves,
        today.parse().unwrap(),
        0,
    )
}

#[test]
fn a_valve_is_watched_from_the_day_it_came_into_the_log() {
    let got = lives(&scene(&[("1960", None)]), "1980-01-01");
    let life = got.parts[0].lives[0];
    assert_eq!(life.end, End::Working);
    assert!((life.entered.get() - 9.5).abs() < 0.1, "{}", life.entered);
    assert!((life.age.get() - 19.5).abs() < 0.1, "{}", life.age);
}

#[test]
fn a_finding_that_a_valve_failed_ends_its_life_and_others_do_not() {
    let scene = scene(&[
        ("1960", Some("valve-weeping")),
        ("1960", Some("box-lid-broken")),
        ("1960", None),
    ]);
    let got = lives(&scene, "1975-01-01");
    assert_eq!(got.days.values().sum::<u32>(), 1);
    // Found failed on the day it came into the log: it had failed before anybody watched.
    assert_eq!(got.parts[0].lives, []);
    assert_eq!(got.parts[0].failed_on.len(), 1);
    assert_eq!(got.parts[1].lives[0].end, End::Working);
}

#[test]
fn a_valve_without_a_year_is_left_out_by_name() {
    let mut scene = Scene::new();
    scene.add(2, ThingKind::Valve, scene.root(), &[("label", "7")]);
    let got = lives(&scene, "1975-01-01");
    assert_eq!(got.parts, []);
    assert_eq!(got.left_out[0].name, "valve-7");
}

#[test]
fn one_dig_serves_the_valves_of_one_box_and_no_number_is_stated_without_a_failure() {
    let scene = scene(&[("1960", None), ("1965", None)]);
    let sites = [lives(&scene, "1975-01-01")];
    let wear = wear(&sites, Years::new(1.0), Deals::default()).unwrap();
    assert_eq!(wear.plan.len(), 1);
    assert_eq!(wear.plan[0].parts, ["valve-1", "valve-2"]);
    assert_eq!(wear.plan[0].expected.failures, None);
    let words = wear.overall.unwrap().to_string();
    assert!(
        words.starts_with("no failures in 10.0 years of service"),
        "{words}"
    );
    assert!(wear.law.unwrap_err().starts_with("no failures in"));
}

#[test]
fn a_valve_that_waits_to_be_mended_is_named_and_not_counted() {
    let scene = scene(&[("1960", None), ("1960", Some("valve-weeping"))]);
    let sites = [lives(&scene, "1975-01-01")];
    let wear = wear(&sites, Years::new(1.0), Deals::default()).unwrap();
    assert_eq!(wear.plan[0].waiting, ["valve-2"]);
    assert_eq!(wear.plan[0].expected.parts, 1);
}

#[test]
fn a_firm_without_valves_has_nothing_to_say_and_does_not_fail() {
    let wear = wear(&[], Years::new(1.0), Deals::default()).unwrap();
    assert_eq!(
        (wear.lives, wear.overall, wear.pressure),
        (None, None, None)
    );
    assert!(wear.cascade.to_string().contains("nothing to tell"));
}

#[test]
fn heads_wear_out_by_their_findings_and_an_accident_only_ends_what_is_watched() {
    let mut scene = Scene::new();
    let root = scene.root();
    scene.add(2, ThingKind::Zone, root, &[("number", "3")]);
    let found = ["not-turning", "head-broken", "head-tilted"];
    for (at, what) in (0_u8..).zip(found) {
        let (head, label) = (10 + at, format!("3-0{at}"));
        let said = [
            ("label", label.as_str()),
            ("installed", "1960"),
            ("head-kind", "rotor"),
        ];
        scene.add(head, ThingKind::Head, Scene::id(2), &said);
        let said = [("what", what), ("status", "fixed")];
        scene.add(head + 100, ThingKind::Finding, Scene::id(head), &said);
        // Found five years after it came into the log.
        let five_years = 5 * 365 * 86_400_000;
        let entry = &mut scene.entries.last_mut().unwrap().entry;
        entry.stamp = Stamp::new(crate::log::stamp::WallMs::new(five_years), 0);
    }
    scene.add(20, ThingKind::Head, Scene::id(2), &[("label", "3-09")]);
    let state = scene.state();
    let site = Site::of(&state, scene.logbook);
    let today = "1980-01-01".parse().unwrap();
    let got = SiteLives::of("Maple Court", &site, Part::Heads(None), today, 0);
    let ends: Vec<Vec<End>> = got
        .parts
        .iter()
        .map(|part| part.lives.iter().map(|life| life.end).collect())
        .collect();
    assert_eq!(ends[0], [End::Failed, End::Working]);
    assert_eq!(ends[1], [End::Working, End::Working]);
    assert_eq!(ends[2], [End::Working]);
    assert_eq!(got.days.values().sum::<u32>(), 1);
    assert!((got.parts[0].lives[0].age.get() - 14.5).abs() < 0.1);
    assert_eq!(got.left_out[0].name, "head-3-09");
    let wear = wear(&[got], Years::new(1.0), Deals::default()).unwrap();
    assert_eq!(wear.plan[0].place.as_deref(), Some("zone-3"));
    let overall = wear.overall.unwrap();
    assert!((overall.service.get() - 30.0).abs() < 0.1, "{overall}");
    assert_eq!(overall.failures, Failures::new(1.0));
    let sprays = Part::Heads(Some(Emission::FixedSpray));
    assert_eq!(
        SiteLives::of("Maple Court", &site, sprays, today, 0).parts,
        []
    );
}
