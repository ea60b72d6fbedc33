use super::*;
use crate::site::kind::ThingKind;
use crate::site::lives::{Part, SiteLives, wear};
use crate::site::things::tests::Scene;
use crate::water::units::Years;
use crate::water::wear::cascade::Deals;

fn day() -> NaiveDate {
    "2026-07-14".parse().unwrap()
}

fn with_site<T>(scene: &Scene, look: impl FnOnce(&Site<'_>) -> T) -> T {
    let state = scene.state();
    look(&Site::of(&state, scene.logbook))
}

#[test]
fn a_wet_patch_ends_in_a_page_with_the_next_test_and_its_caution() {
    let mut scene = Scene::new();
    let root = scene.root();
    let near = "foot of the <rear> slope";
    let said = [("moisture", "wet"), ("near", near), ("label", "1")];
    scene.add(2, ThingKind::Spot, root, &said);
    scene.note(
        "spot-1",
        "evidence",
        "sign=puddle forms late in the run; seen=yes; remark=minute 11",
    );
    scene.note("spot-1", "evidence", "sign=static meter moves; seen=no");
    scene.note(
        "spot-1",
        "evidence",
        "sign=still wet after 48 h off; seen=not-tested",
    );
    let html = with_site(&scene, |site| {
        let spot = site.thing(Scene::id(2)).unwrap();
        for_spot("Maple Court", site, spot, day()).html()
    });
    for part in [
        "Wet ground: foot of the &lt;rear&gt; slope",
        "run off",
        "minute 11",
        "not tested",
        "The one test that tells most now",
        "Take care",
        "local codes",
        "common practice",
    ] {
        assert!(html.contains(part), "no `{part}` in\n{html}");
    }
    assert!(
        !html.contains("http://") || html.contains("www.w3.org"),
        "it needs nothing else"
    );
}

#[test]
fn a_dry_kerb_ends_in_a_page_with_every_choice_and_the_reason() {
    let mut scene = Scene::new();
    let root = scene.root();
    scene.add(2, ThingKind::Zone, root, &[("number", "4")]);
    let said = [
        ("label", "4-03"),
        ("head-kind", "spray"),
        ("arc", "180"),
        ("radius", "10 ft"),
        ("flow", "0.82 gpm"),
        ("kerb", "chord=18 ft; offset=4 ft; lawn=inside"),
        ("compromise", "turned in, the curve stays dry"),
    ];
    scene.add(3, ThingKind::Head, Scene::id(2), &said);
    with_site(&scene, |site| {
        let head = Head::of(site, site.thing(Scene::id(3)).unwrap()).unwrap();
        let page = for_kerb("Maple Court", &head, SquareFeet::new(5.0), day()).unwrap();
        let table = &page.parts[0].table;
        assert_eq!(table.len(), 5, "{table:?}");
        let (none, all) = (&table[2], &table[3]);
        assert_eq!((none[4].as_str(), all[3].as_str()), ("0.00 gpm", "0 ft²"));
        let html = page.html();
        assert!(html.contains("turned in, the curve stays dry"));
        assert!(
            html.contains("cone out"),
            "the caution of a head at the street"
        );
        assert!(html.contains("<svg"));
    });
}

#[test]
fn a_kerb_that_nobody_measured_says_what_to_record() {
    let mut scene = Scene::new();
    scene.add(2, ThingKind::Zone, scene.root(), &[("number", "4")]);
    scene.add(3, ThingKind::Head, Scene::id(2), &[("label", "4-03")]);
    with_site(&scene, |site| {
        let head = Head::of(site, site.thing(Scene::id(3)).unwrap()).unwrap();
        let error = for_kerb("Maple Court", &head, SquareFeet::ZERO, day()).unwrap_err();
        assert!(error.contains("note its chord and offset"), "{error}");
    });
}

#[test]
fn a_failed_valve_ends_in_a_page_with_its_box_and_two_cautions() {
    let mut scene = Scene::new();
    let root = scene.root();
    for (id, label) in [(2, "6"), (3, "7")] {
        let said = [
            ("label", label),
            ("installed", "1960"),
            ("box-place", "box B"),
        ];
        scene.add(id, ThingKind::Valve, root, &said);
    }
    let said = [
        ("what", "valve-weeping"),
        ("before", "250 mL in 75 s"),
        ("status", "to-quote"),
    ];
    scene.add(4, ThingKind::Finding, Scene::id(2), &said);
    with_site(&scene, |site| {
        let lives = SiteLives::of("Maple Court", site, Part::Valves, day(), 0);
        let wear = wear(&[lives], Years::new(1.0), Deals::default()).unwrap();
        let valve = Valve::of(site, site.thing(Scene::id(2)).unwrap()).unwrap();
        let html = for_valve("Maple Court", site, &valve, &wear, day()).html();
        for part in [
            "the valve does not close fully",
            "250 mL in 75 s",
            "box B",
            "valves 6, 7",
            "Probe the box with a tool",
            "Have buried lines located",
        ] {
            assert!(html.contains(part), "no `{part}` in\n{html}");
        }
        assert!(!html.contains("NaN") && !html.contains("inf "), "{html}");
    });
}
