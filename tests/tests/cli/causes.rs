//! Why it is dry, wet, weak or broken, from outside: coverage, kerb, why, pressure, wear, page.

use headwalk_tests::TestEnv;
use serde_json::Value;

use super::maple_court;

fn json(env: &TestEnv, line: &str) -> Value {
    serde_json::from_str(&env.ok(&format!("{line} --json"))).expect("one JSON document")
}

/// Refuses with exit code 2 and says, among other things, these words.
fn refused(env: &TestEnv, line: &str, words: &str) {
    let ran = env.run(line);
    assert_eq!(ran.code, Some(2), "{line}\n{ran}");
    assert!(ran.stderr.contains(words), "{line}\n{ran}");
}

/// Maple Court with its three heads on the sketch and a lawn around them.
fn laid_out() -> TestEnv {
    let env = maple_court();
    for (head, place) in [
        ("3-01", "east 0 north 0 facing 45 arc 90 flow 0.6"),
        ("3-02", "east 12 north 0 facing 315 arc 90 flow 0.6"),
        ("3-03", "east 12 north 12 facing 225 arc 90 flow 0.6"),
    ] {
        env.ok(&format!("note maple {head} {place}"));
    }
    env
}

#[test]
fn coverage_is_of_the_drawn_lawn_and_says_what_is_left_out() {
    let env = laid_out();
    let assumed = json(&env, "coverage maple zone-3");
    let said = assumed["assumed"].to_string();
    assert!(said.contains("no lawn is drawn"), "{said}");
    env.ok(r#"add maple area-1 surface lawn outline "east=0 12 12 0; north=0 0 12 12""#);
    env.ok("add maple 3-04 head-kind spray arc quarter radius 12");
    let drawn = json(&env, "coverage maple zone-3 --svg zone.svg");
    let planted = drawn["planted_sqft"].as_f64().expect("a number");
    assert!((planted - 144.0).abs() < 3.0, "{planted}");
    assert_eq!(drawn["heads"], 3);
    let left_out = drawn["left_out"].to_string();
    assert!(
        left_out.contains("3-04") && left_out.contains("note its east"),
        "{left_out}"
    );
    let svg = std::fs::read_to_string(env.path("zone.svg")).expect("it was drawn");
    assert!(
        svg.starts_with("<svg xmlns") && svg.contains("3-02"),
        "{svg}"
    );
    let page = env.ok("coverage maple zone-3");
    assert!(page.contains("evenness, lowest quarter"), "{page}");
    assert!(!page.contains(" gave "), "nobody set out cans: {page}");
    env.ok(r#"note maple zone-3 catch-cans "ml=20 30 40 30; minutes=10""#);
    let measured = &json(&env, "coverage maple zone-3")["measured"];
    assert_eq!(measured["cans"], 4);
    // The lowest of four over the mean of all: 20 / 30.
    let du = measured["du_lq"].as_f64().expect("a number");
    assert!((du - 2.0 / 3.0).abs() < 1e-9, "{du}");
    let page = env.ok("coverage maple zone-3");
    assert!(page.contains("; 4 cans on 2026-07-14 gave 0.67"), "{page}");
}

#[test]
fn a_zone_that_nobody_laid_out_says_head_by_head_what_to_record() {
    let env = maple_court();
    refused(&env, "coverage maple zone-3", "note its east and north");
    refused(&env, "coverage maple valve-3", "is not a zone");
    refused(&env, "pressure maple zone-3", "the site has no supply");
    refused(&env, "kerb maple 3-01", "note its chord and offset");
    refused(&env, "kerb maple zone-3", "is not a head");
}

#[test]
fn a_kerb_offers_both_ends_and_keeps_the_reason() {
    let env = laid_out();
    env.ok(r#"note maple 3-02 kerb "chord=18 ft; offset=4 ft; lawn=inside" arc 180 flow 1.2"#);
    env.ok(r#"note maple 3-02 compromise "turned in, the bend stays dry""#);
    let told = json(&env, "kerb maple 3-02 --dry 6 --svg kerb.svg");
    let choice = |name: &str, figure: &str| {
        let all = told["choices"].as_array().expect("a list");
        let one = all
            .iter()
            .find(|one| one["name"] == name)
            .expect("it is offered");
        one[figure].as_f64().expect("a number")
    };
    assert_eq!(choice("no overspray", "overspray_gpm"), 0.0);
    assert_eq!(choice("no dry ground", "dry_sqft"), 0.0);
    assert!(choice("in between", "dry_sqft") <= 6.0);
    assert!(choice("as it is set", "overspray_gpm") > 0.0);
    assert_eq!(told["reason"], "turned in, the bend stays dry");
    assert!(env.path("kerb.svg").exists());
    refused(&env, "kerb maple 3-02 --dry=-4", "0 or more");
}

#[test]
fn signs_lead_from_a_wet_patch_to_the_next_test_and_a_page() {
    let env = maple_court();
    env.ok(r#"add maple spot-1 moisture wet near "by the gate""#);
    let begun = json(&env, "why maple spot-1");
    assert!(
        begun["says"].to_string().contains("nothing is tested yet"),
        "{begun}"
    );
    env.ok(r#"note maple spot-1 evidence "sign=static meter moves; seen=not-tested""#);
    assert_eq!(json(&env, "why maple spot-1")["causes"], begun["causes"]);
    for sign in [
        "static meter moves",
        "trickle at the lowest head day and night",
    ] {
        env.ok(&format!(
            r#"note maple spot-1 evidence "sign={sign}; seen=yes""#
        ));
    }
    let told = json(&env, "why maple spot-1");
    assert_eq!(told["causes"][0]["cause"], "valve-weeping");
    let words = env.ok("why maple spot-1");
    assert!(words.contains("points to valve weeping"), "{words}");
    assert!(
        words.contains("Caution: Probe the box with a tool"),
        "{words}"
    );
    let page = json(&env, "page maple spot-1 --out spot.html");
    assert_eq!(page["title"], "Wet ground: by the gate");
    let html = std::fs::read_to_string(env.path("spot.html")).expect("it was written");
    assert!(
        html.contains("Take care") && !html.contains("<script"),
        "{html}"
    );
    refused(&env, "why maple zone-3", "no sign is recorded");
    refused(
        &env,
        "why maple zone-3 --trouble damp",
        "is no trouble known here",
    );
}

#[test]
fn a_pressure_sheet_names_the_worst_head_and_what_took_its_pressure() {
    let env = laid_out();
    env.ok("add maple supply static-pressure 48 mainline-size 1 loss-flow 10 backflow-loss 11");
    env.ok("note maple zone-3 main-length 150 lateral-length 20 spacing 12 rise 12 pressure 22");
    refused(&env, "pressure maple zone-3", "lateral-size");
    env.ok("note maple zone-3 lateral-size 3/4-in");
    let leaking = &json(&env, "pressure maple zone-3 --leak 2")["mended"];
    let psi = |name: &str| leaking[name].as_f64().expect("a number");
    assert!(
        psi("worst_before_psi") < psi("worst_after_psi"),
        "{leaking}"
    );
    assert!(psi("lost_gpm") < 2.0, "{leaking}");
    let words = env.ok("pressure maple zone-3 --leak 2");
    assert!(
        words.contains("mended, the worst head rises from"),
        "{words}"
    );
    refused(&env, "pressure maple zone-3 --leak 0", "flow_gpm");
    let told = json(&env, "pressure maple zone-3");
    assert_eq!(told["worst"], "head-3-03");
    let figure = |name: &str| told[name].as_f64().expect("a number");
    let taken = [
        "taken_by_rise_psi",
        "taken_by_pipe_psi",
        "taken_by_fittings_psi",
    ];
    let sum: f64 = taken.iter().map(|name| figure(name)).sum();
    assert!((48.0 - sum - figure("worst_psi")).abs() < 1e-6, "{told}");
    assert!(
        told["findings"]
            .to_string()
            .contains("the gauge shows less"),
        "{told}"
    );
    assert!(
        env.ok("pressure maple zone-3")
            .contains("let the pressure out first")
    );
}

#[test]
fn without_a_failure_wear_says_a_sentence_and_no_number() {
    let mut env = maple_court();
    let bare = json(&env, "wear");
    assert!(
        bare["left_out"]
            .to_string()
            .contains("valve-3 at Maple Court"),
        "{bare}"
    );
    assert_eq!(bare["overall"], Value::Null);
    env.ok(r#"note maple valve-3 installed 2009 box-place "by the gate""#);
    env.set_now("2027-07-14T07:30:00-05:00");
    let told = json(&env, "wear");
    assert_eq!(told["overall"]["per_year"], Value::Null);
    let says = told["overall"]["says"].to_string();
    assert!(
        says.contains("no failures in 1.0 years of service"),
        "{says}"
    );
    assert_eq!(told["plan"][0]["expected_failures"], Value::Null);
    assert_eq!(told["cascade"]["verdict"], "cannot-tell");
    env.ok("finding maple valve-3 valve-weeping");
    env.set_now("2027-08-14T07:30:00-05:00");
    let told = json(&env, "wear");
    assert_eq!(told["overall"]["failures"], 1.0);
    let page = json(&env, "page maple valve-3 --out valve.html");
    assert_eq!(page["cautions"].as_array().map(Vec::len), Some(2));
    refused(&env, "wear --years 0", "horizon_years");
    env.ok("note maple 3-01 installed 2019");
    env.ok("note maple 3-02 installed 2019");
    env.set_now("2028-08-14T07:30:00-05:00");
    env.ok("finding maple 3-01 not-turning");
    let told = json(&env, "wear --heads spray");
    assert_eq!(told["of"], "heads");
    assert_eq!(
        (&told["parts"], &told["overall"]["failures"]),
        (&Value::from(2), &Value::from(1.0))
    );
    assert_eq!(told["plan"][0]["place"], "zone-3");
    assert!(told["left_out"].to_string().contains("head-3-03"), "{told}");
    assert_eq!(json(&env, "wear --heads rotor")["parts"], 0);
    refused(&env, "wear --heads geyser", "geyser");
}

#[test]
fn a_map_goes_out_as_geojson_and_comes_back_unchanged() {
    let env = laid_out();
    refused(
        &env,
        "export geojson --site maple",
        "no latitude and longitude",
    );
    env.ok("note maple site latitude 42.1 longitude -72.6");
    env.ok(r#"add maple area-1 surface lawn outline "east=0 12 12 0; north=0 0 12 12""#);
    let text = env.ok("export geojson --site maple");
    let map: Value = serde_json::from_str(&text).expect("one JSON document");
    let features = map["features"].as_array().expect("a list");
    assert_eq!(features.len(), 4, "{text}");
    let lawn = features
        .iter()
        .find(|it| it["geometry"]["type"] == "Polygon")
        .expect("the lawn");
    let ring = lawn["geometry"]["coordinates"][0]
        .as_array()
        .expect("a ring");
    assert_eq!((ring.len(), ring.first()), (5, ring.last()), "closed");
    env.write("map.geojson", &text);
    let again = json(&env, "import map.geojson --site maple");
    assert_eq!(
        (&again["as_before"], &again["changed"]),
        (&4.into(), &0.into()),
        "{again}"
    );
    // Moved 0.0001 degree north: 36.48 ft on the sphere of 6,371,008.8 m.
    let mut moved = map.clone();
    for feature in moved["features"].as_array_mut().expect("a list") {
        if feature["properties"]["thing"] == "head-3-01" {
            feature["geometry"]["coordinates"][1] = 42.1001.into();
        }
    }
    env.write("map.geojson", moved.to_string());
    assert_eq!(json(&env, "import map.geojson --site maple")["changed"], 1);
    let heads = env.ok("state maple 3-01");
    assert!(heads.contains("36.48 ft"), "{heads}");
    for (bad, words) in [
        ("[1, 2]", "it has no features"),
        (
            r#"{"features": [{"properties": {}}]}"#,
            "no property `thing`",
        ),
        (
            r#"{"features": [{"properties": {"thing": "landmark-1"},
                "geometry": {"type": "Point", "coordinates": [200, 1]}}]}"#,
            "nowhere on earth",
        ),
    ] {
        env.write("bad.geojson", bad);
        refused(&env, "import bad.geojson --site maple", words);
    }
    refused(&env, "import map.geojson", "which site");
}
