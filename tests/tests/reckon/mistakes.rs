//! Input that is wrong: exit code 2, and one JSON error that names the field.

use expect_test::{Expect, expect};
use serde_json::{Value, json};

use super::{help::EXAMPLES, run};

/// Holds the field and the exit code of what a wrong input gives.
fn refused(what: &str, input: &str, field: Option<&str>) -> String {
    let ran = run(&[what, "--json"], input);
    assert_eq!(ran.code, Some(2), "{what} {input}\n{ran}");
    let error: Value = serde_json::from_str(&ran.stdout).expect("one JSON document");
    assert_eq!(error["field"].as_str(), field, "{what} {input}\n{ran}");
    assert_eq!(error["kind"], json!("input"));
    assert!(ran.stderr.starts_with("Error: "), "{ran}");
    ran.stdout
}

/// Holds the whole error of one kind of mistake against what is expected.
fn check(what: &str, input: &str, field: Option<&str>, expected: &Expect) {
    expected.assert_eq(&refused(what, input, field));
}

#[test]
fn each_kind_of_mistake_says_what_where_and_what_to_do_next() {
    check(
        "friction",
        r#"{"flow_gpm": 10, "inside_diameter_in": 1.049, "c": 150}"#,
        Some("length_ft"),
        &expect![[r#"
            {
              "error": "length_ft is missing",
              "kind": "input",
              "hint": "each name ends with its unit; `headwalk reckon friction --help` says what they mean.",
              "field": "length_ft"
            }
        "#]],
    );
    check(
        "friction",
        r#"{"flow_gpm": 10, "inside_diameter": 1.049, "length_ft": 100, "c": 150}"#,
        Some("inside_diameter"),
        &expect![[r#"
            {
              "error": "`inside_diameter` is not an input here",
              "kind": "input",
              "hint": "the inputs are: flow_gpm, inside_diameter_in, length_ft, c.",
              "field": "inside_diameter"
            }
        "#]],
    );
    check(
        "friction",
        r#"{"flow_gpm": "ten", "inside_diameter_in": 1.049, "length_ft": 100, "c": 150}"#,
        Some("flow_gpm"),
        &expect![[r#"
            {
              "error": "flow_gpm: this is the text `ten`, not a number",
              "kind": "input",
              "hint": "each name ends with its unit; `headwalk reckon friction --help` says what they mean.",
              "field": "flow_gpm"
            }
        "#]],
    );
    check(
        "friction",
        r#"{"flow_gpm": -10, "inside_diameter_in": 1.049, "length_ft": 100, "c": 150}"#,
        Some("flow_gpm"),
        &expect![[r#"
            {
              "error": "flow_gpm is -10; it must be 0 or more, up to 1e9",
              "kind": "input",
              "hint": "each name ends with its unit; `headwalk reckon friction --help` says what they mean.",
              "field": "flow_gpm"
            }
        "#]],
    );
    check(
        "friction",
        r#"{"flow_gpm": 10, "flow_gpm": 12, "inside_diameter_in": 1, "length_ft": 1, "c": 150}"#,
        Some("flow_gpm"),
        &expect![[r#"
            {
              "error": "flow_gpm is given twice",
              "kind": "input",
              "hint": "keep the one that you mean.",
              "field": "flow_gpm"
            }
        "#]],
    );
    check(
        "friction",
        r#"{"flow_gpm": NaN, "inside_diameter_in": 1.049, "length_ft": 100, "c": 150}"#,
        Some("flow_gpm"),
        &expect![[r#"
            {
              "error": "flow_gpm: the input is not JSON at line 1, column 14",
              "kind": "input",
              "hint": "names and words in double quotes, numbers bare; JSON has no NaN and no infinity.",
              "field": "flow_gpm"
            }
        "#]],
    );
    check(
        "friction",
        "[10, 1.049]",
        None,
        &expect![[r#"
        {
          "error": "the input is not one JSON object",
          "kind": "input",
          "hint": "write it like {\"flow_gpm\": 10}."
        }
    "#]],
    );
    check(
        "friction",
        "",
        None,
        &expect![[r#"
        {
          "error": "friction needs a JSON object on standard input, or --set NAME=VALUE",
          "kind": "input",
          "hint": "`headwalk reckon friction --help` has an example."
        }
    "#]],
    );
    check(
        "precipitation",
        r#"{"heads": [{"flow_gpm": 3, "arc_deg": 90}, {"flow_gpm": 3, "arc_deg": null}],
            "spacing_ft": 30, "row_spacing_ft": 30}"#,
        Some("arc_deg"),
        &expect![[r#"
            {
              "error": "heads[1].arc_deg: this is null, not a number",
              "kind": "input",
              "hint": "each name ends with its unit; `headwalk reckon precipitation --help` says what they mean.",
              "field": "arc_deg"
            }
        "#]],
    );
    check(
        "soak",
        r#"{"minutes": 20, "rate_in_h": 1.6, "soil": "mud", "slope_pct": 0}"#,
        Some("soil"),
        &expect![[r#"
            {
              "error": "`mud` is no soil texture known here",
              "kind": "input",
              "hint": "it is one of: sand, loamy sand, sandy loam, fine sandy loam, loam, silt loam, sandy clay loam, clay loam, silty clay loam, silty clay, clay.",
              "field": "soil"
            }
        "#]],
    );
    check(
        "eto",
        r#"{"date": "2015-02-30", "latitude_deg": 40, "elevation_m": 0, "tmin_c": 1, "tmax_c": 2}"#,
        Some("date"),
        &expect![[r#"
            {
              "error": "`2015-02-30` is not a date like 2026-07-14",
              "kind": "input",
              "hint": "each name ends with its unit; `headwalk reckon eto --help` says what they mean.",
              "field": "date"
            }
        "#]],
    );
    check(
        "eto",
        r#"{"date": "2015-02-03", "latitude_deg": 40, "elevation_m": 0, "tmin_c": 1, "tmax_c": 2,
            "method": "blaney"}"#,
        Some("method"),
        &expect![[r#"
            {
              "error": "method: `blaney` is not known here",
              "kind": "input",
              "hint": "it is one of: penman-monteith, hargreaves, asce-short.",
              "field": "method"
            }
        "#]],
    );
}

/// A mild day with every input that the formula takes.
fn full_day() -> Value {
    json!({"date": "2015-07-06", "latitude_deg": 50.8, "elevation_m": 100, "tmin_c": 12.3,
           "tmax_c": 21.5, "rh_max_pct": 84, "rh_min_pct": 63, "rh_mean_pct": 70,
           "dewpoint_c": 12, "vapour_pressure_kpa": 1.4, "wind_m_s": 2.8, "wind_height_m": 10,
           "solar_mj_m2": 22, "sunshine_h": 9, "tmean_previous_c": 16, "tmean_next_c": 17})
}

#[test]
fn weather_outside_physical_sense_is_refused_by_every_method_even_where_it_is_not_used() {
    let cases = [
        ("latitude_deg", json!(91)),
        ("elevation_m", json!(99_999)),
        ("tmin_c", json!(22)),
        ("tmax_c", json!(70)),
        ("rh_max_pct", json!(101)),
        ("rh_min_pct", json!(-1)),
        ("rh_min_pct", json!(90)),
        ("rh_mean_pct", json!(120)),
        ("dewpoint_c", json!(30)),
        ("vapour_pressure_kpa", json!(9)),
        ("wind_m_s", json!(-1)),
        ("wind_m_s", json!(500)),
        ("wind_height_m", json!(0)),
        ("solar_mj_m2", json!(-5)),
        ("sunshine_h", json!(25)),
        ("tmean_previous_c", json!(-200)),
        ("tmean_next_c", json!(99)),
    ];
    for method in ["penman-monteith", "hargreaves", "asce-short"] {
        for (field, value) in &cases {
            let mut day = full_day();
            day["method"] = json!(method);
            day[*field] = value.clone();
            refused("eto", &day.to_string(), Some(field));
        }
    }
}

#[test]
fn sizes_that_cannot_be_are_refused_by_name() {
    for (what, input, field) in [
        (
            "precipitation",
            json!({"flow_gpm": 10, "area_sqft": 0}),
            "area_sqft",
        ),
        (
            "precipitation",
            json!({"flow_gpm": -1, "area_sqft": 100}),
            "flow_gpm",
        ),
        ("precipitation", json!({"flow_gpm": 1}), "area_sqft"),
        (
            "precipitation",
            json!({"heads": [{"flow_gpm": 1, "arc_deg": 400}], "spacing_ft": 1, "row_spacing_ft": 1}),
            "arc_deg",
        ),
        (
            "precipitation",
            json!({"heads": [], "spacing_ft": 15, "row_spacing_ft": 15}),
            "heads",
        ),
        (
            "precipitation",
            json!({"heads": [{"flow_gpm": 1, "arc_deg": 90}], "spacing_ft": 15}),
            "row_spacing_ft",
        ),
        (
            "precipitation",
            json!({"heads": [{"flow_gpm": 1, "arc_deg": 90}], "spacing_ft": 15,
                   "row_spacing_ft": 15, "area_sqft": 100}),
            "area_sqft",
        ),
        ("uniformity", json!({"catch_ml": []}), "catch_ml"),
        ("uniformity", json!({"catch_ml": [0, 0, 0, 0]}), "catch_ml"),
        (
            "uniformity",
            json!({"catch_ml": [20, -1, 20, 20]}),
            "catch_ml",
        ),
        ("uniformity", json!({"catch_ml": [20, "x"]}), "catch_ml"),
        (
            "uniformity",
            json!({"catch_ml": [20, 20], "minutes": 0}),
            "minutes",
        ),
        (
            "uniformity",
            json!({"catch_ml": [20, 20], "can_area_cm2": 0}),
            "can_area_cm2",
        ),
        (
            "runtime",
            json!({"eto_in": 1, "coefficient": 1, "rain_in": 0, "rate_in_h": 1, "du_lq": 62}),
            "du_lq",
        ),
        (
            "runtime",
            json!({"eto_in": 1, "coefficient": 1, "rain_in": -1, "rate_in_h": 1, "du_lq": 0.6}),
            "rain_in",
        ),
        (
            "runtime",
            json!({"eto_in": 1, "coefficient": 1, "rain_in": 0, "rate_in_h": 0, "du_lq": 0.6}),
            "rate_in_h",
        ),
        (
            "soak",
            json!({"minutes": 10, "rate_in_h": 1, "soil": "clay", "slope_pct": 150}),
            "slope_pct",
        ),
        (
            "soak",
            json!({"minutes": 10, "rate_in_h": 1, "slope_pct": 5}),
            "soil",
        ),
        (
            "friction",
            json!({"flow_gpm": 1, "inside_diameter_in": 0, "length_ft": 1, "c": 150}),
            "inside_diameter_in",
        ),
        (
            "friction",
            json!({"flow_gpm": 1, "inside_diameter_in": 1, "length_ft": 1, "c": 500}),
            "c",
        ),
        (
            "flow-at-pressure",
            json!({"flow_gpm": 1, "at_psi": 0, "to_psi": 30}),
            "at_psi",
        ),
        (
            "flow-at-pressure",
            json!({"flow_gpm": 1, "at_psi": 30, "to_psi": -30}),
            "to_psi",
        ),
        (
            "leak",
            json!({"meter_gal_start": 10, "meter_gal_end": 9, "minutes": 5}),
            "meter_gal_end",
        ),
        (
            "leak",
            json!({"meter_gal_start": 10, "meter_gal_end": 12, "minutes": 0}),
            "minutes",
        ),
        ("leak", json!({"caught_ml": 10, "minutes": 3}), "minutes"),
        ("leak", json!({}), "meter_gal_start"),
        ("lifetimes", json!({"lives": []}), "lives"),
        (
            "lifetimes",
            json!({"lives": [{"years": -1, "failed": true}]}),
            "years",
        ),
        (
            "lifetimes",
            json!({"lives": [{"years": 5, "failed": 1}]}),
            "failed",
        ),
        ("lifetimes", json!({"lives": [{"years": 5}]}), "failed"),
        ("orifice", json!({"pressure_psi": 60}), "hole_in"),
        (
            "window",
            json!({"opens": "25:00", "closes": "23:00", "zones": []}),
            "opens",
        ),
        (
            "lateral",
            json!({"flow_gpm": 1, "outlets": 2.5, "spacing_ft": 1,
                           "inside_diameter_in": 1, "c": 150}),
            "outlets",
        ),
    ] {
        refused(what, &input.to_string(), Some(field));
    }
}

/// Every number of every example, in turn made absurd: the answer is a figure or the name of an
/// input, never null where a number was, and never a crash.
#[test]
fn absurd_numbers_give_finite_figures_or_a_named_field() {
    let absurd = [
        0.0,
        -0.0,
        -1.0,
        1e-300,
        -1e-300,
        1e-9,
        1e9,
        1e12,
        1e300,
        -1e300,
        f64::MAX,
        f64::MIN,
    ];
    let mut tried = 0;
    let mut wrong = String::new();
    for (what, example) in EXAMPLES {
        let example: Value = serde_json::from_str(example).expect("an example is JSON");
        for pointer in numbers(&example, "") {
            for number in absurd {
                let mut given = example.clone();
                *given.pointer_mut(&pointer).expect("it was found there") = json!(number);
                if let Err(why) = answered_or_refused(what, &given) {
                    wrong.push_str(&format!("{what} {pointer} {number:e}: {why}\n"));
                }
                tried += 1;
            }
        }
    }
    assert!(tried > 500, "{tried}");
    assert!(wrong.is_empty(), "{wrong}");
}

fn answered_or_refused(what: &str, given: &Value) -> Result<(), String> {
    let ran = run(&[what, "--json"], &given.to_string());
    let answer: Value = serde_json::from_str(&ran.stdout).map_err(|_| ran.to_string())?;
    match ran.code {
        Some(0) => {
            let nulls = ["limit_minutes", "longest_interval_days", "gallons_as_set"];
            let unexpected = answer
                .as_object()
                .expect("an object")
                .iter()
                .find(|(name, value)| {
                    let may_be = nulls.contains(&name.as_str()) || name.starts_with("whole_");
                    let no_law = what == "lifetimes" && answer["shape"].is_null();
                    value.is_null() && !may_be && !no_law
                });
            unexpected.map_or(Ok(()), |(name, _)| Err(format!("{name} is null")))
        }
        Some(2) => {
            let field = answer["field"].as_str().unwrap_or_default();
            let named = !field.is_empty() && given.to_string().contains(&format!("\"{field}\""));
            if named { Ok(()) } else { Err(ran.stderr) }
        }
        _ => Err(ran.to_string()),
    }
}

/// The ways to all numbers in a value.
fn numbers(value: &Value, way: &str) -> Vec<String> {
    match value {
        Value::Number(_) => vec![way.to_owned()],
        Value::Array(values) => {
            let inner = values.iter().enumerate();
            inner
                .flat_map(|(at, value)| numbers(value, &format!("{way}/{at}")))
                .collect()
        }
        Value::Object(values) => {
            let inner = values.iter();
            inner
                .flat_map(|(name, value)| numbers(value, &format!("{way}/{name}")))
                .collect()
        }
        _ => Vec::new(),
    }
}

#[test]
fn grounds_systems_and_signs_that_cannot_be_are_refused_by_name() {
    let head = json!({"east_ft": 0, "north_ft": 0, "facing_deg": 0, "arc_deg": 360,
                      "radius_ft": 10, "flow_gpm": 1});
    let with = |field: &str, value: Value| {
        let mut head = head.clone();
        head[field] = value;
        head
    };
    let lawn = |corners: Value| json!([{"surface": "turf", "corners_ft": corners}]);
    let square = lawn(json!([[0, 0], [9, 0], [9, 9], [0, 9]]));
    let node = |more: Value| {
        let mut node = json!({"name": "a"});
        for (name, value) in more.as_object().expect("an object") {
            node[name] = value.clone();
        }
        json!({"static_psi": 60, "nodes": [node]})
    };
    let pipe = json!({"length_ft": 10, "inside_diameter_in": 1});
    for (what, input, field) in [
        ("coverage", json!({"heads": [], "areas": square}), "heads"),
        ("coverage", json!({"heads": [head]}), "areas"),
        (
            "coverage",
            json!({"heads": [with("arc_deg", json!(400))], "areas": square}),
            "arc_deg",
        ),
        (
            "coverage",
            json!({"heads": [with("flow_gpm", json!("much"))], "areas": square}),
            "flow_gpm",
        ),
        (
            "coverage",
            json!({"heads": [head], "areas": lawn(json!([[0, 0], [9, 9], [9, 0], [0, 12]]))}),
            "corners_ft",
        ),
        (
            "coverage",
            json!({"heads": [head], "areas": square, "profile": "round"}),
            "profile",
        ),
        (
            "coverage",
            json!({"heads": [head], "areas": square, "step_ft": 0}),
            "step_ft",
        ),
        (
            "coverage",
            json!({"heads": [head], "areas": [{"surface": "sand", "corners_ft": []}]}),
            "surface",
        ),
        (
            "kerb",
            json!({"radius_ft": 12, "flow_gpm": 2, "curve": "lawn-inside", "dry_sqft": 5}),
            "kerb_radius_ft",
        ),
        (
            "kerb",
            json!({"radius_ft": 12, "flow_gpm": 2, "curve": "lawn-inside", "chord_ft": 10,
                   "offset_ft": 9, "dry_sqft": 5}),
            "offset_ft",
        ),
        (
            "kerb",
            json!({"radius_ft": 12, "flow_gpm": 2, "curve": "straight", "kerb_radius_ft": 9,
                   "dry_sqft": 5}),
            "curve",
        ),
        ("pressure-at-head", node(json!({})), "length_ft"),
        (
            "pressure-at-head",
            node(json!({"length_ft": 5})),
            "inside_diameter_in",
        ),
        (
            "pressure-at-head",
            node(json!({"length_ft": 5, "class": "class-200", "size": "9"})),
            "size",
        ),
        (
            "pressure-at-head",
            node(json!({"length_ft": 5, "class": "class-200", "size": "1/2"})),
            "size",
        ),
        (
            "pressure-at-head",
            node(json!({"from": "b", "length_ft": 5, "inside_diameter_in": 1})),
            "from",
        ),
        ("pressure-at-head", node(json!({"loss_psi": 5})), "at_gpm"),
        (
            "pressure-at-head",
            node(json!({"length_ft": 5, "inside_diameter_in": 1, "at_psi": 30})),
            "flow_gpm",
        ),
        (
            "pressure-at-head",
            json!({"static_psi": 0, "nodes": []}),
            "static_psi",
        ),
        (
            "pressure-at-head",
            json!({"static_psi": 60, "nodes": []}),
            "nodes",
        ),
        (
            "pressure-at-head",
            {
                let mut system = node(pipe.clone());
                system["mend"] = json!("b");
                system
            },
            "mend",
        ),
        (
            "surge",
            json!({"velocity_ft_s": 5, "dimension_ratio": 21, "length_ft": 300,
                   "closing_seconds": -1}),
            "closing_seconds",
        ),
        ("evidence", json!({"trouble": "damp"}), "trouble"),
        (
            "evidence",
            json!({"trouble": "wet-area", "yes": ["it glows"]}),
            "yes",
        ),
        (
            "evidence",
            json!({"trouble": "wet-area", "yes": ["static meter moves"],
                   "no": ["static meter moves"]}),
            "no",
        ),
        (
            "lifetimes",
            json!({"lives": [{"years": 5, "failed": true, "entered_years": 6}]}),
            "entered_years",
        ),
    ] {
        refused(what, &input.to_string(), Some(field));
    }
}
