//! The help of each formula, held to what the formula does.

use std::process::Command;

use headwalk_tests::{TestEnv, binary};
use serde_json::Value;

use super::run;

/// One good input of every formula.
pub const EXAMPLES: [(&str, &str); 26] = [
    (
        "eto",
        r#"{"date": "2015-07-06", "latitude_deg": 50.8, "elevation_m": 100, "tmin_c": 12.3,
            "tmax_c": 21.5, "rh_max_pct": 84, "rh_min_pct": 63, "wind_m_s": 2.8,
            "wind_height_m": 10, "sunshine_h": 9.25}"#,
    ),
    (
        "coefficient",
        r#"{"species": 0.5, "density": 1.3, "microclimate": 1.4}"#,
    ),
    (
        "learn",
        r#"{"low": 0.7, "figure": 0.8, "high": 0.9,
            "notes": [{"sign": "dry", "how": "probed", "supplied": 1}]}"#,
    ),
    ("precipitation", r#"{"flow_gpm": 10, "area_sqft": 1000}"#),
    (
        "uniformity",
        r#"{"catch_ml": [22, 25, 28, 30], "can_area_cm2": 106.45, "minutes": 10, "wind_mph": [3]}"#,
    ),
    (
        "coverage",
        r#"{"heads": [
              {"east_ft": 0, "north_ft": 0, "facing_deg": 45, "arc_deg": 90, "radius_ft": 15,
               "flow_gpm": 0.93},
              {"east_ft": 15, "north_ft": 15, "facing_deg": 225, "arc_deg": 90, "radius_ft": 15,
               "flow_gpm": 0.93}],
            "areas": [{"surface": "turf", "corners_ft": [[0, 0], [15, 0], [15, 15], [0, 15]]}],
            "profile": [{"distance_ft": 2, "rate_in_h": 0.8}, {"distance_ft": 15, "rate_in_h": 0}],
            "step_ft": 0.5}"#,
    ),
    (
        "kerb",
        r#"{"radius_ft": 12, "flow_gpm": 2.4, "flow_with_arc": true, "curve": "lawn-inside",
            "kerb_radius_ft": 18, "to_kerb_ft": 0.5, "dry_sqft": 12}"#,
    ),
    (
        "head-change",
        r#"{"kind": "gear-rotor", "flow_gpm": 3, "arc_deg": 90, "radius_ft": 30,
            "nozzle_flow_gpm": 3.5, "new_arc_deg": 180, "new_radius_ft": 28, "zone_flow_gpm": 18,
            "area_sqft": 3600, "need_in": 0.5, "du_lq": 0.6}"#,
    ),
    (
        "runtime",
        r#"{"eto_in": 1.5, "coefficient": 0.94, "rain_in": 0.4, "rate_in_h": 1.6, "du_lq": 0.6}"#,
    ),
    (
        "soak",
        r#"{"minutes": 19.43, "rate_in_h": 1.6, "soil": "loam", "slope_pct": 5}"#,
    ),
    (
        "zone",
        r#"{"area_sqft": 1500, "rate_in_h": 1.6, "du_lq": 0.62, "eto_in": 0.25,
            "coefficient": 0.8, "rain_in": 0.1, "available_water_in_in": 0.17, "root_depth_in": 6,
            "allowed_depletion": 0.5, "intake_in_h": 0.35, "surface_storage_in": 0.25,
            "days_between": 2, "window_minutes": 480}"#,
    ),
    ("seasonal", r#"{"need_in": 0.21, "peak_need_in": 0.3}"#),
    (
        "window",
        r#"{"opens": "22:00", "closes": "23:20", "supply_gpm": 30,
            "zones": [{"cycles": 2, "minutes": 10, "soak_minutes": 35, "flow_gpm": 12},
                      {"cycles": 1, "minutes": 54, "flow_gpm": 25}]}"#,
    ),
    (
        "balance",
        r#"{"total_mm": 160, "depletion_mm": 55, "depletion_fraction": 0.4,
            "days": [{"full_use_mm": 6, "rain_mm": 20, "irrigation_mm": 3, "run_off_mm": 1}]}"#,
    ),
    (
        "season",
        r#"{"total_mm": 26, "depletion_fraction": 0.4, "du_lq": 0.6, "rate_in_h": 1.6,
            "intake_in_h": 0.35, "run_off_minutes": 14.4, "flow_gpm": 22.5,
            "days": [{"date": "2026-07-14", "eto_mm": 6, "coefficient": 0.94, "rain_mm": 0,
                      "minutes": 20, "cycle_minutes": 20}]}"#,
    ),
    (
        "budget",
        r#"{"eto_in": 50, "landscape_sqft": 10000, "special_sqft": 100, "adjustment": 0.55,
            "zones": [{"area_sqft": 6000, "plant_factor": 0.3, "efficiency": 0.81}]}"#,
    ),
    (
        "friction",
        r#"{"flow_gpm": 10, "inside_diameter_in": 1.049, "length_ft": 100, "c": 150}"#,
    ),
    (
        "lateral",
        r#"{"flow_gpm": 3, "outlets": 6, "spacing_ft": 30, "inside_diameter_in": 1.189,
            "c": 150}"#,
    ),
    (
        "flow-at-pressure",
        r#"{"flow_gpm": 3.7, "at_psi": 30, "to_psi": 60}"#,
    ),
    (
        "pressure",
        r#"{"static_psi": 70, "rise_ft": 12, "losses_psi": 8, "regulator_psi": 45}"#,
    ),
    (
        "pressure-at-head",
        r#"{"static_psi": 60, "need_psi": 30, "mend": "leak", "nodes": [
              {"name": "meter", "loss_psi": 2, "at_gpm": 10},
              {"name": "valve", "from": "meter", "rise_ft": 2, "length_ft": 120,
               "class": "class-200", "size": "1-1/4"},
              {"name": "leak", "from": "valve", "length_ft": 5, "inside_diameter_in": 1.049,
               "c": 140, "flow_gpm": 2, "at_psi": 50},
              {"name": "3-01", "from": "valve", "length_ft": 15, "class": "class-200",
               "size": "1", "flow_gpm": 1.85, "at_psi": 30, "regulated_psi": 40}]}"#,
    ),
    (
        "surge",
        r#"{"velocity_ft_s": 5, "dimension_ratio": 21, "length_ft": 300, "closing_seconds": 2}"#,
    ),
    (
        "leak",
        r#"{"meter_gal_start": 48210, "meter_gal_end": 48211.5, "minutes": 30}"#,
    ),
    (
        "orifice",
        r#"{"hole_in": 0.0625, "pressure_psi": 60, "discharge": 0.62}"#,
    ),
    (
        "evidence",
        r#"{"trouble": "wet-area", "yes": ["puddle forms late in the run"],
            "no": ["static meter moves"]}"#,
    ),
    (
        "lifetimes",
        r#"{"lives": [{"years": 8.5, "failed": true}, {"years": 12, "failed": true},
                      {"years": 10, "failed": false}]}"#,
    ),
];

#[test]
fn every_formula_is_among_the_examples() {
    let help = TestEnv::new().ok("reckon --help");
    let listed = help
        .lines()
        .skip_while(|line| !line.starts_with("Commands:"))
        .skip(1);
    let words: Vec<&str> = listed
        .take_while(|line| !line.is_empty())
        .filter(|line| line.starts_with("  ") && !line.starts_with("   "))
        .filter_map(|line| line.split_whitespace().next())
        .collect();
    let known: Vec<&str> = EXAMPLES.iter().map(|(what, _)| *what).collect();
    assert_eq!(words, known);
}

#[test]
fn help_names_every_input_and_every_figure() {
    let env = TestEnv::new();
    for (what, example) in EXAMPLES {
        let help = env.ok(&format!("reckon {what} --help"));
        let named = |name: &str| {
            let mut words = help.split(|c: char| !(c.is_ascii_alphanumeric() || c == '_'));
            words.any(|word| word == name)
        };
        let refused = run(&[what, "--json"], r#"{"nonsense": 1}"#).stdout;
        let refused: Value = serde_json::from_str(&refused).expect("one JSON document");
        let hint = refused["hint"].as_str().expect("a hint lists the inputs");
        let (_, inputs) = hint.split_once("the inputs are: ").expect("it lists them");
        for input in inputs.trim_end_matches('.').split(", ") {
            assert!(
                named(input),
                "{what} --help does not name the input {input}\n{help}"
            );
        }
        let answer: Value = serde_json::from_str(&run(&[what, "--json"], example).stdout)
            .expect("one JSON document");
        for figure in answer.as_object().expect("an object").keys() {
            let of_all = ["warnings", "cautions"].contains(&figure.as_str());
            // The terms of evapotranspiration are listed in the contract, not in its help.
            let term = what == "eto" && answer[figure].is_number();
            assert!(
                of_all || term || named(figure),
                "{what} --help does not name {figure}"
            );
        }
    }
}

#[test]
fn the_example_in_each_help_runs() {
    let env = TestEnv::new();
    let binary = binary("headwalk");
    let ours = binary.parent().expect("a binary lies in a folder");
    let others = std::env::var("PATH").expect("a shell is found on the path");
    let path = format!("{}:{others}", ours.display());
    let whats = EXAMPLES
        .iter()
        .map(|(what, _)| format!("reckon {what} --help"));
    for line in whats.chain(["reckon --help".to_owned()]) {
        let help = env.ok(&line);
        let (_, example) = help
            .split_once("Example: ")
            .expect("each help has an example");
        let example = example
            .split("\n\n")
            .next()
            .unwrap_or_default()
            .replace('\n', " ");
        let ran = Command::new("sh")
            .args(["-c", &example])
            .env("PATH", &path)
            .output();
        let ran = env.ran(&ran.expect("the machine has a shell"));
        assert_eq!(ran.code, Some(0), "{example}\n{ran}");
    }
}
