use super::*;
use crate::site::things::tests::Scene;

/// A lawn of 30 by 15 ft with two heads on the sketch, one by tapes, one nowhere.
fn scene() -> Scene {
    let mut scene = Scene::new();
    let root = scene.root();
    scene.add(2, ThingKind::Zone, root, &[("number", "3")]);
    let zone = Scene::id(2);
    let set = [
        ("arc", "90"),
        ("radius", "15 ft"),
        ("flow", "0.93 gpm"),
        ("label", "3-01"),
    ];
    let mut at = |id: u8, label: &str, more: &[(&str, &str)]| {
        let mut said = set.to_vec();
        said[3] = ("label", label);
        said.extend_from_slice(more);
        scene.add(id, ThingKind::Head, zone, &said);
    };
    at(
        3,
        "3-01",
        &[("east", "0 ft"), ("north", "0 ft"), ("facing", "45")],
    );
    at(
        4,
        "3-02",
        &[("east", "15 ft"), ("north", "0 ft"), ("facing", "315")],
    );
    let tapes = "from=gate post; tape=15; and-from=landmark-2; other-tape=21.2132; side=left";
    at(5, "3-03", &[("tapes", tapes), ("facing", "135")]);
    at(6, "3-04", &[("facing", "225")]);
    let place = [
        ("seen-as", "gate post"),
        ("label", "1"),
        ("east", "0"),
        ("north", "0"),
    ];
    scene.add(7, ThingKind::Landmark, root, &place);
    scene.add(
        8,
        ThingKind::Landmark,
        root,
        &[("label", "2"), ("east", "15"), ("north", "0")],
    );
    scene
}

#[test]
fn a_head_stands_where_the_sketch_or_its_tapes_say() {
    let scene = scene();
    let state = scene.state();
    let site = Site::of(&state, scene.logbook);
    let place = |head: &str| site.place_of(site.find(head).unwrap());
    assert_eq!(place("3-02").unwrap().by, PlacedBy::Sketch);
    let taped = place("3-03").unwrap();
    assert_eq!(taped.by, PlacedBy::Tapes);
    close("east", taped.at.east.get(), 0.0, 1e-3);
    close("north", taped.at.north.get(), 15.0, 1e-3);
    assert_eq!(place("3-04"), Err(Unplaced::NotMeasured));
}

#[test]
fn a_zone_without_a_drawn_lawn_takes_the_outline_around_its_heads_and_says_so() {
    let scene = scene();
    let state = scene.state();
    let site = Site::of(&state, scene.logbook);
    let zone = site.zones().remove(0);
    let map = ZoneMap::of(&site, &zone);
    assert_eq!(map.heads.len(), 3);
    assert_eq!(map.areas_from, AreasFrom::AroundHeads);
    assert_eq!(map.left_out.len(), 1, "{:?}", map.left_out);
    assert!(map.left_out[0].why.contains("note its east and north"));
    let found = map.coverage().unwrap();
    // A triangle of 15 by 15 ft.
    close("ground", found.planted.get(), 112.5, 3.0);
    let svg = picture::zone("zone 3 <lawn>", &map, &found);
    assert!(svg.contains("3-03") && svg.contains("zone 3 &lt;lawn&gt;"));
    assert_eq!(
        svg.matches("<path d=\"M").count(),
        3 + 2,
        "three wedges, scale and north"
    );
}

#[test]
fn drawn_areas_are_the_ground_and_a_bad_outline_is_named() {
    let mut scene = scene();
    let root = scene.root();
    let lawn = "east=0 30 30 0; north=0 0 15 15";
    scene.add(
        9,
        ThingKind::Area,
        root,
        &[("label", "1"), ("surface", "lawn"), ("outline", lawn)],
    );
    let drive = "east=15 30 30 15; north=0 0 15 15";
    let drive = [("label", "2"), ("surface", "paving"), ("outline", drive)];
    scene.add(10, ThingKind::Area, root, &drive);
    let bow = "east=0 10 10 0; north=0 10 0 12";
    scene.add(
        11,
        ThingKind::Area,
        root,
        &[("label", "3"), ("surface", "bed"), ("outline", bow)],
    );
    let state = scene.state();
    let site = Site::of(&state, scene.logbook);
    let map = ZoneMap::of(&site, &site.zones().remove(0));
    assert_eq!(map.areas_from, AreasFrom::Sketch);
    assert_eq!(map.areas.len(), 2);
    let bad = map.left_out.iter().find(|it| it.name == "area-3").unwrap();
    assert!(bad.why.contains("no two sides cross"), "{}", bad.why);
    let found = map.coverage().unwrap();
    close("lawn under no paving", found.planted.get(), 225.0, 3.0);
    assert!(found.on_hard.get() < 0.01, "{}", found.on_hard);
}

#[test]
fn tapes_to_a_mark_that_is_not_there_say_which() {
    let mut scene = scene();
    let tapes = "from=gate post; tape=5; and-from=oak; other-tape=9; side=right";
    let zone = Scene::id(2);
    scene.add(
        12,
        ThingKind::Head,
        zone,
        &[("label", "3-05"), ("tapes", tapes)],
    );
    let state = scene.state();
    let site = Site::of(&state, scene.logbook);
    let error = site.place_of(site.find("3-05").unwrap()).unwrap_err();
    assert_eq!(error, Unplaced::NoMark("oak".to_owned()));
}

fn close(what: &str, got: f64, expected: f64, tolerance: f64) {
    assert!(
        (got - expected).abs() <= tolerance,
        "{what}: {got} is not {expected}"
    );
}
