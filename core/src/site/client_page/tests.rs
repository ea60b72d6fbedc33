use super::*;
use crate::site::kind::ThingKind;
use crate::site::lives::{Part, SiteLives, wear};
use crate::site::photo;
use crate::site::things::tests::Scene;
use crate::water::units::{SquareFeet, Years};
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

#[test]
fn the_firms_page_states_no_life_without_a_failure_and_names_where_to_dig() {
    let mut scene = Scene::new();
    let said = [
        ("installed", "1960"),
        ("label", "1"),
        ("box-place", "by the gate"),
    ];
    scene.add(2, ThingKind::Valve, scene.root(), &said);
    let wear_of = |part| {
        with_site(&scene, |site| {
            let lives = SiteLives::of("Maple Court", site, part, day(), 0);
            wear(&[lives], Years::new(1.0), Deals::default()).unwrap()
        })
    };
    let (valves, heads) = (wear_of(Part::Valves), wear_of(Part::Heads(None)));
    let html = for_firm("The firm", &valves, &heads, day()).html();
    for said in [
        "No life is stated: no failures in 56.5 years of service.",
        "<td>by the gate</td><td>valve-1</td><td>66 years</td><td>none of that age failed yet</td>",
        "Nothing with a known year is at work.",
        "Before digging",
    ] {
        assert!(html.contains(said), "{said} is not in {html}");
    }
}

#[test]
fn a_page_is_made_of_what_there_is_one_of_and_the_record_of_wear_read_for_valves_alone() {
    let mut scene = Scene::new();
    let root = scene.root();
    scene.add(
        2,
        ThingKind::Spot,
        root,
        &[("moisture", "dry"), ("label", "1")],
    );
    scene.add(3, ThingKind::Zone, root, &[("number", "1")]);
    with_site(&scene, |site| {
        let page = |id: u8| {
            let thing = site.thing(Scene::id(id)).unwrap();
            about(
                "Maple Court",
                site,
                thing,
                day(),
                || -> Result<Wear, String> { panic!("nobody asked for a valve") },
            )
        };
        assert!(page(2).unwrap().title.starts_with("Dry ground"));
        let missing = page(3).unwrap_err();
        assert!(missing.starts_with("zone-1: "), "{missing}");
        let root = site.root();
        let none = about("Maple Court", site, root, day(), || Err(String::new()));
        assert!(none.unwrap_err().starts_with("there is no page about site"));
    });
}

#[test]
fn pictures_stand_in_the_page_itself_and_one_that_has_not_come_says_where_it_is() {
    let camera = include_bytes!("../../../../fixtures/photos/with-position.jpg");
    let plain = photo::jpeg::plain(camera).unwrap();
    let named = |shows, bytes: &[u8]| photo::Photo {
        digest: photo::PhotoDigest::of(bytes),
        shows: Some(shows),
        ..photo::Photo::of(&plain)
    };
    let here = named(photo::Shows::Before, &plain.bytes);
    let away = named(photo::Shows::After, b"away");
    let mut scene = Scene::new();
    let root = scene.root();
    let said = [
        ("moisture", "wet"),
        ("near", "the rear slope"),
        ("label", "1"),
    ];
    scene.add(2, ThingKind::Spot, root, &said);
    for photo in [&here, &away] {
        let seen = &crate::site::fields::seen::PHOTO;
        let change = crate::site::things::observe(Scene::id(2), seen, photo.value());
        scene.write(vec![change]);
    }
    let page = with_site(&scene, |site| {
        let spot = site.thing(Scene::id(2)).unwrap();
        let page = for_spot("Maple Court", site, spot, day());
        let read = |digest| Ok::<_, ()>((digest == here.digest).then(|| plain.bytes.clone()));
        page.with_photos(site, spot, read).unwrap()
    });
    let html = page.html();
    // The newest first.
    let (after, before) = (
        html.find("After, ").unwrap(),
        html.find("Before, ").unwrap(),
    );
    assert!(after < before, "{html}");
    assert!(html.contains("phone, not yet at the office."), "{html}");
    let file = html
        .split("base64,")
        .nth(1)
        .unwrap()
        .split('"')
        .next()
        .unwrap();
    assert_eq!(html.matches("<img").count(), 1);
    use base64::Engine;
    let file = base64::engine::general_purpose::STANDARD
        .decode(file)
        .unwrap();
    assert_eq!(file, plain.bytes);
    assert!(!file.windows(3).any(|window| window == b"GPS"));
}
