//! `headwalk schedule --season` from outside: settings held against recorded weather, the pictures,
//! the programs to dial in and the sheet for weather-based controllers.

use std::path::Path;

use headwalk_tests::TestEnv;
use serde_json::Value;

fn json(env: &TestEnv, line: &str) -> Value {
    serde_json::from_str(&env.ok(line)).expect("one JSON document")
}

/// The demonstration's three sites, with four years of the open weather of Seattle in the place of
/// their own station's season.
fn with_open_weather() -> TestEnv {
    let env = TestEnv::new();
    env.ok("demo --folder season");
    let file =
        Path::new(env!("CARGO_MANIFEST_DIR")).join("../fixtures/weather/seattle-weather.csv");
    let days = std::fs::read_to_string(file).expect("the open weather");
    env.write("seattle.csv", &days);
    let desk = "--store season/desk.redb --by Ines";
    env.ok(&format!(
        r#"add station "Open weather" latitude 47.45 elevation 130m wind-height 10m siting interior {desk}"#
    ));
    env.ok(&format!(
        "weather import open seattle.csv --column precipitation=rain_mm --column temp_max=tmax_c \
         --column temp_min=tmin_c --column wind=wind_m_s --skip weather {desk}"
    ));
    for site in SITES {
        env.ok(&format!(
            r#"note {site} site weather-station "Open weather" {desk}"#
        ));
    }
    env
}

const SITES: [&str; 3] = ["Tannery", "Quillet", "Pikestone"];

fn setting<'j>(season: &'j Value, name: &str) -> &'j Value {
    let settings = season["settings"].as_array().expect("a list");
    let found = settings.iter().find(|told| told["setting"] == name);
    found.unwrap_or_else(|| panic!("no setting {name} in {season:#}"))
}

fn number(value: &Value, name: &str) -> f64 {
    value[name]
        .as_f64()
        .unwrap_or_else(|| panic!("no {name} in {value:#}"))
}

#[test]
fn four_recorded_years_say_what_april_s_setting_costs_and_what_the_computed_one_saves() {
    let env = with_open_weather();
    for site in SITES {
        let season = json(
            &env,
            &format!(
                "schedule {site} --season --from 2012-01-01 --to 2015-12-31 --json \
                 --store season/desk.redb"
            ),
        );
        let zones = season["zones"].as_array().expect("a list").len();
        assert_eq!(season["zones_compared"], zones, "{site}");
        let [april, july, dial, computed] = [
            "April's kept",
            "July's kept",
            "July's with the percent dial",
            "computed each week",
        ]
        .map(|name| setting(&season, name));
        println!("{site}: {:#}", season["settings"]);
        // What April's setting leaves short the computed one gives.
        assert!(number(april, "short_pct_of_need") > 3.0 * number(computed, "short_pct_of_need"));
        assert!(number(computed, "short_pct_of_need") < 5.0);
        assert!(
            number(computed, "stress_zone_days") < 0.5 * number(april, "stress_zone_days"),
            "{site}"
        );
        // And it takes far less than July's kept.
        assert!(
            number(computed, "gallons") < 0.8 * number(july, "gallons"),
            "{site}"
        );
        assert!(number(dial, "short_pct_of_need") <= 2.1, "{site}");
        let places = season["dial"].as_array().expect("a list");
        assert_eq!(places.len(), 7, "April to October");
        // What comes in is what is used, drained, run off or still there, to a hundredth.
        for zone in season["zones"].as_array().expect("a list") {
            for told in zone["settings"].as_array().expect("a list") {
                let sums = &told["sums"];
                assert!(number(sums, "short_in") >= -1e-9);
                assert!(number(sums, "need_in") > 50.0);
                let gallons = number(sums, "gallons");
                assert!(gallons.is_finite() && gallons >= 0.0);
            }
        }
    }
}

#[test]
fn pictures_are_whole_files_without_anything_from_elsewhere() {
    let env = TestEnv::new();
    env.ok("demo --folder season");
    let desk = "--store season/desk.redb";
    env.ok(&format!(
        "schedule Tannery --season --svg season.svg {desk}"
    ));
    env.ok(&format!(
        "schedule Tannery --on 2026-07-14 --svg bars.svg {desk}"
    ));
    for (file, holds) in [
        ("season.svg", "zone-12"),
        ("bars.svg", "week from 2026-07-14"),
    ] {
        let picture = std::fs::read_to_string(env.path(file)).expect("a picture");
        assert!(picture.starts_with("<svg xmlns="), "{file}");
        assert!(picture.trim_end().ends_with("</svg>"), "{file}");
        assert!(picture.contains(holds), "{file}");
        for foreign in ["href", "<script", "url(http", "@import", "NaN", "inf\""] {
            assert!(!picture.contains(foreign), "{file} holds {foreign}");
        }
    }
}

#[test]
fn the_programs_to_dial_in_can_be_recorded_as_they_are_printed_and_have_no_fault() {
    let env = TestEnv::new();
    env.ok("demo --folder season");
    let desk = "--store season/desk.redb --by Ines";
    for site in SITES {
        let line = format!("schedule {site} --on 2026-07-14 --json {desk}");
        let plan = json(&env, &line);
        let record = plan["programs"][0]["record"].as_str().expect("a command");
        let record = record.strip_prefix("headwalk ").expect("our command");
        env.ok(&format!("{record} {desk}"));
        let after = json(&env, &line);
        let faults = after["program_check"][0]["faults"]
            .as_array()
            .expect("a list");
        let faults: Vec<&str> = faults.iter().filter_map(Value::as_str).collect();
        // A long drip run is what the plan asks for, and the check may say so.
        let serious = faults
            .iter()
            .filter(|fault| !fault.contains("is usual there"));
        assert_eq!(serious.count(), 0, "{site}: {faults:?}");
        for zone in after["zones"].as_array().expect("a list") {
            let Some(against) = zone["as_left"]["against_plan"]["value"].as_f64() else {
                continue;
            };
            assert!(
                (-15.0..60.0).contains(&against),
                "{site} {}: {against}",
                zone["address"]
            );
        }
    }
}

#[test]
fn a_weather_based_controller_gets_its_parameters_and_is_told_what_a_person_keeps() {
    let env = TestEnv::new();
    env.ok("demo --folder season");
    let sheet = json(
        &env,
        "schedule Pikestone --on 2026-07-14 --parameters --json --store season/desk.redb",
    );
    let zones = sheet["zones"].as_array().expect("a list");
    assert_eq!(zones.len(), 14);
    for zone in zones {
        for asked in ["rate", "plant_factor", "efficiency", "root_depth", "intake"] {
            let value = zone[asked]["value"].as_f64();
            assert!(
                value.is_some_and(|value| value > 0.0),
                "{asked} of {zone:#}"
            );
            assert!(!zone[asked]["why"].as_array().expect("a list").is_empty());
        }
    }
    let by_hand = |at: usize| zones[at]["by_hand"].as_str();
    assert_eq!(by_hand(0), None);
    assert!(by_hand(13).is_some_and(|why| why.contains("flower")));
}

#[test]
fn what_was_asked_wrongly_of_a_season_is_named() {
    let env = TestEnv::new();
    env.ok("demo --folder season");
    for (line, field) in [
        ("--season --months 10-4", "months"),
        ("--season --months summer", "months"),
        ("--season --from 2026-07-01 --to 2026-06-01", "to"),
        ("--season --from 1900-01-01", "to"),
        ("--season --from 2026-03-01", "season"),
        ("--season --may-be-short 300", "season"),
    ] {
        let ran = env.run(&format!(
            "schedule Tannery {line} --json --store season/desk.redb"
        ));
        assert_eq!(ran.code, Some(2), "{line}\n{ran}");
        let error: Value = serde_json::from_str(&ran.stdout).expect("one JSON document");
        assert_eq!(error["field"], field, "{line}\n{ran}");
    }
}
