//! Every published figure that a formula of `reckon` reaches, through the real command.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use serde_json::{Map, Value, json};

use super::tables::{Row, close, rows};
use super::{figure, reckon, run};

/// The cells of these columns that are not empty, under their own names.
fn inputs(row: &Row, columns: &[&str]) -> Map<String, Value> {
    let given = columns.iter().filter_map(|column| {
        let value = row.find(column)?;
        Some(((*column).to_owned(), json!(value)))
    });
    given.collect()
}

/// Holds figures of an answer against columns of a row.
fn hold(row: &Row, answer: &Value, columns: &[(&str, &str)]) {
    for (column, name) in columns {
        if !row.text(column).is_empty() {
            row.close(column, figure(answer, name));
        }
    }
}

/// A day of the year as a date of a year that is no leap year.
fn date(row: &Row) -> Value {
    let day = NaiveDate::from_yo_opt(2015, row.count("day")).expect("the table has days 1 to 365");
    json!(day.to_string())
}

const WEATHER: [&str; 12] = [
    "latitude_deg",
    "elevation_m",
    "tmin_c",
    "tmax_c",
    "vapour_pressure_kpa",
    "rh_max_pct",
    "rh_min_pct",
    "wind_m_s",
    "wind_height_m",
    "solar_mj_m2",
    "sunshine_h",
    "tmean_previous_c",
];

#[test]
fn the_book_s_examples_of_evapotranspiration_come_out_term_by_term() {
    let mut answers = BTreeMap::new();
    for row in rows("et_cases.csv") {
        let mut given = inputs(&row, &WEATHER);
        given.insert("date".to_owned(), date(&row));
        given.insert("method".to_owned(), json!(row.text("method")));
        if given.contains_key("tmean_previous_c") {
            given.insert("period".to_owned(), json!("month"));
        }
        answers.insert(row.text("id").to_owned(), reckon("eto", &given.into()));
    }
    let mut held = 0;
    for row in rows("et_expected.csv") {
        let answer = answers.get(row.text("id")).expect("each has its case");
        // The book's second unit of the same figure.
        if row.text("quantity") != "ra_mm" {
            let got = figure(answer, row.text("quantity"));
            row.close("book", got);
            row.close("exact", got);
            held += 1;
        }
    }
    assert!(held >= 60, "{held}");
}

/// Every so many rows of the two tables that independent libraries filled; all of their rows are
/// held against the same functions inside the core.
const SAMPLE: usize = 50;

#[test]
fn evapotranspiration_agrees_with_independent_libraries() {
    let mut held = 0;
    for (table, column, value) in [
        ("eto_refet.csv", "vapour_pressure_kpa", "asce-short"),
        ("eto_pyfao56.csv", "dewpoint_c", "asce-short"),
    ] {
        let columns = [&WEATHER[..4], &WEATHER[7..10], &[column]].concat();
        for row in rows(table).iter().step_by(SAMPLE) {
            let mut given = inputs(row, &columns);
            if table == "eto_pyfao56.csv" {
                given.append(&mut inputs(row, &["rh_max_pct", "rh_min_pct"]));
            }
            if row.count("day") == 366 {
                continue;
            }
            given.insert("date".to_owned(), date(row));
            given.insert("method".to_owned(), json!(value));
            let got = figure(&reckon("eto", &given.into()), "eto_mm");
            let expected = row.get("eto_mm");
            close(row.text("id"), got, expected, 1e-3 * expected + 1e-6);
            held += 1;
        }
    }
    assert!(held >= 50, "{held}");
}

#[test]
fn precipitation_rates_match_the_worked_examples() {
    for row in rows("precipitation_zone.csv") {
        let answer = reckon(
            "precipitation",
            &inputs(&row, &["flow_gpm", "area_sqft"]).into(),
        );
        hold(
            &row,
            &answer,
            &[("rate_in_h", "rate_in_h"), ("rate_mm_h", "rate_mm_h")],
        );
    }
    for row in rows("precipitation_heads.csv") {
        let flows = row.list("flow_gpm").into_iter().zip(row.list("arc_deg"));
        let heads: Vec<Value> = flows
            .map(|(flow, arc)| json!({"flow_gpm": flow, "arc_deg": arc}))
            .collect();
        let spacing = row.get("spacing_ft");
        // An empty cell is a triangle, whose rows are sin 60 of the spacing apart.
        let between = row
            .find("row_spacing_ft")
            .unwrap_or(spacing * 60f64.to_radians().sin());
        let given = json!({"heads": heads, "spacing_ft": spacing, "row_spacing_ft": between});
        let answer = reckon("precipitation", &given);
        hold(&row, &answer, &[("rate_in_h", "rate_in_h")]);
        let warnings = answer["warnings"].as_array().expect("a list").len();
        let unmatched = usize::from(row.text("matching") == "unmatched");
        assert_eq!(warnings, unmatched, "{}", row.text("id"));
    }
}

#[test]
fn uniformity_matches_the_worked_examples() {
    for row in rows("uniformity.csv") {
        let mut given = inputs(&row, &["minutes"]);
        given.insert("catch_ml".to_owned(), json!(row.list("catch_ml")));
        if let Some(area) = row.find("can_area_in2") {
            given.insert("can_area_cm2".to_owned(), json!(area * 2.54 * 2.54));
        }
        let answer = reckon("uniformity", &given.into());
        hold(
            &row,
            &answer,
            &[
                ("mean_ml", "mean"),
                ("low_quarter_mean_ml", "low_quarter_mean"),
                ("du_lq", "du_lq"),
                ("du_lq_fractional", "du_lq_fractional"),
                ("du_lh", "du_lh"),
                ("cu", "cu"),
                ("rate_in_h", "rate_in_h"),
            ],
        );
        if row.text("rate_in_h").is_empty() {
            assert_eq!(answer["rate_mm_h"], Value::Null, "{}", row.text("id"));
        }
    }
}

#[test]
fn run_times_and_multipliers_match_the_worked_examples() {
    let columns = ["eto_in", "coefficient", "rain_in", "rate_in_h", "du_lq"];
    for row in rows("runtime.csv") {
        let answer = reckon("runtime", &inputs(&row, &columns).into());
        hold(
            &row,
            &answer,
            &[
                ("need_in", "need_in"),
                ("upper_min", "minutes"),
                ("lower_min", "minutes_lower"),
            ],
        );
    }
    for row in rows("runtime_multiplier.csv") {
        let du_lq = row.get("du_lq");
        let given = json!({"eto_in": 1, "coefficient": 1, "rain_in": 0, "rate_in_h": 1,
                           "du_lq": du_lq});
        hold(
            &row,
            &reckon("runtime", &given),
            &[("multiplier", "multiplier")],
        );
    }
}

#[test]
fn cycles_and_soaks_match_the_worked_examples() {
    for row in rows("soak.csv") {
        let given = json!({"minutes": 1, "rate_in_h": row.get("rate_in_h"),
            "intake_in_h": row.get("intake_in_h"), "surface_storage_in": row.get("storage_in")});
        let limit = reckon("soak", &given)["limit_minutes"].clone();
        let Some(limit) = limit.as_f64() else {
            assert_eq!(row.text("limit_min"), "none", "{}", row.text("id"));
            continue;
        };
        row.close("limit_min", limit);
        // A run of just the limit is one cycle, whose pond drains in the published soak.
        let mut once = given.clone();
        once["minutes"] = json!(limit);
        let answer = reckon("soak", &once);
        assert_eq!(answer["cycles"], json!(1), "{}", row.text("id"));
        hold(&row, &answer, &[("soak_min", "soak_minutes")]);
    }
    for row in rows("soil.csv") {
        let given = json!({"minutes": 10, "rate_in_h": 1.6, "soil": row.text("texture"),
                           "slope_pct": 0});
        let answer = reckon("soak", &given);
        hold(
            &row,
            &answer,
            &[
                ("intake_in_h", "intake_in_h"),
                ("storage_flat_in", "surface_storage_in"),
            ],
        );
    }
}

#[test]
fn the_whole_chain_matches_the_worked_examples() {
    for row in rows("schedule.csv") {
        let given = json!({
            "area_sqft": row.get("area_sqft"), "rate_in_h": row.get("rate_in_h"),
            "du_lq": row.get("du_lq"), "eto_in": row.get("eto_in"),
            "coefficient": row.get("coefficient"), "rain_in": 0,
            "available_water_in_in": row.get("available_water"),
            "root_depth_in": row.get("root_depth_in"), "allowed_depletion": row.get("depletion"),
            "intake_in_h": row.get("intake_in_h"), "surface_storage_in": row.get("storage_in"),
        });
        hold(
            &row,
            &reckon("zone", &given),
            &[
                ("total_available_in", "total_available_in"),
                ("allowed_depletion_in", "allowed_depletion_in"),
                ("longest_interval_d", "longest_interval_days"),
                ("days_between", "days_between"),
                ("net_in", "net_in"),
                ("lower_min", "minutes_lower"),
                ("multiplier", "multiplier"),
                ("upper_min", "minutes"),
                ("limit_min", "limit_minutes"),
                ("cycles", "cycles"),
                ("minutes_per_cycle", "minutes_per_cycle"),
                ("whole_cycles", "whole_cycles"),
                ("whole_minutes", "whole_minutes"),
                ("gross_in", "gross_in"),
                ("gallons", "gallons"),
                ("gallons_as_set", "gallons_as_set"),
            ],
        );
    }
}

#[test]
fn friction_matches_the_formula_and_a_network_solver() {
    let columns = ["flow_gpm", "inside_diameter_in", "c"];
    let friction = |row: &Row| {
        let mut given = inputs(row, &columns);
        given.insert("length_ft".to_owned(), json!(100));
        reckon("friction", &given.into())
    };
    for row in rows("hydraulics_friction.csv") {
        hold(
            &row,
            &friction(&row),
            &[
                ("psi_per_100_ft", "loss_psi"),
                ("ft_per_100_ft", "loss_ft"),
                ("velocity_ft_s", "velocity_ft_s"),
            ],
        );
    }
    for row in rows("friction_wntr.csv") {
        let solver = row.get("network_solver_ft");
        close(
            row.text("id"),
            figure(&friction(&row), "loss_ft"),
            solver,
            0.015 * solver,
        );
    }
    for row in rows("hydraulics_christiansen.csv") {
        let given = json!({"flow_gpm": 1, "outlets": row.count("outlets"), "spacing_ft": 10,
                           "inside_diameter_in": 1, "c": 150});
        hold(&row, &reckon("lateral", &given), &[("factor", "factor")]);
    }
}

#[test]
fn leaks_through_holes_match_the_orifice_equation_and_a_printed_figure() {
    for row in rows("leak_holes.csv") {
        let given = inputs(&row, &["hole_in", "crack_in2", "pressure_psi"]);
        hold(
            &row,
            &reckon("orifice", &given.into()),
            &[("flow_gpm", "gpm"), ("gal_per_month", "gal_per_month")],
        );
    }
}

#[test]
fn landscape_coefficients_and_allowances_match_the_worked_examples() {
    for row in rows("landscape.csv") {
        let given = inputs(&row, &["species", "density", "microclimate"]);
        let answer = reckon("coefficient", &given.into());
        hold(&row, &answer, &[("coefficient", "coefficient")]);
    }
    for row in rows("budget.csv") {
        let columns = ["eto_in", "landscape_sqft", "special_sqft", "adjustment"];
        let answer = reckon("budget", &inputs(&row, &columns).into());
        hold(&row, &answer, &[("allowance_gal", "allowance_gal")]);
    }
}

#[test]
fn a_drying_soil_follows_the_book_day_by_day() {
    let days: Vec<Value> = (0..10).map(|_| json!({"full_use_mm": 6})).collect();
    let given = json!({"total_mm": 160, "depletion_mm": 55, "depletion_fraction": 0.4,
                       "days": days});
    let answer = reckon("balance", &given);
    let days = answer["days"].as_array().expect("a list");
    let expected = rows("balance_drying.csv");
    assert_eq!(days.len(), expected.len());
    for (row, day) in expected.iter().zip(days) {
        hold(
            row,
            day,
            &[
                ("depletion_book", "depletion_mm"),
                ("depletion_exact", "depletion_mm"),
                ("stress", "stress"),
            ],
        );
    }
}

fn lives(row: &Row) -> Value {
    let of = |column: &str, failed: bool| -> Vec<Value> {
        let years = row.list(column).into_iter();
        years
            .map(|years| json!({"years": years, "failed": failed}))
            .collect()
    };
    let lives = [of("failed", true), of("working", false)].concat();
    reckon("lifetimes", &json!({"lives": lives}))
}

#[test]
fn lifetimes_match_published_samples_and_an_independent_library() {
    let mut answers = BTreeMap::new();
    for row in rows("lifetimes.csv") {
        let answer = lives(&row);
        hold(
            &row,
            &answer,
            &[
                ("shape", "shape"),
                ("scale", "scale_years"),
                ("log_likelihood", "log_likelihood"),
                ("mean", "mean_years"),
                ("median", "median_years"),
                ("b10", "b10_years"),
            ],
        );
        answers.insert(row.text("id").to_owned(), answer);
    }
    for row in rows("lifetimes_survival.csv") {
        let steps = answers[row.text("sample")]["survival"]
            .as_array()
            .expect("a list");
        let step = steps
            .iter()
            .find(|step| step["years"] == json!(row.get("age")));
        let step = step.expect("a step at that age");
        hold(
            &row,
            step,
            &[
                ("at_risk", "at_risk"),
                ("survival", "survival"),
                ("standard_error", "standard_error"),
            ],
        );
    }
    for row in rows("lifetimes_lifelines.csv").iter().step_by(6) {
        let answer = lives(row);
        for (column, name) in [("shape", "shape"), ("scale", "scale_years")] {
            let expected = row.get(column);
            close(
                row.text("id"),
                figure(&answer, name),
                expected,
                1e-4 * expected,
            );
        }
    }
}

#[test]
fn figures_set_by_flags_match_their_sources() {
    for row in rows("reckon.csv") {
        let mut args = vec![row.text("formula"), "--json"];
        for input in row.text("inputs").split_whitespace() {
            args.extend(["--set", input]);
        }
        let ran = run(&args, "");
        assert_eq!(ran.code, Some(0), "{}\n{ran}", row.text("id"));
        let answer: Value = serde_json::from_str(&ran.stdout).expect("one JSON document");
        row.close("expected", figure(&answer, row.text("figure")));
    }
}

#[test]
fn coverage_agrees_with_an_independent_integration() {
    for row in rows("coverage_numeric.csv").iter().step_by(3) {
        let heads: Vec<Value> = row
            .list("heads")
            .chunks(6)
            .map(|head| {
                json!({"east_ft": head[0], "north_ft": head[1], "facing_deg": head[2],
                       "arc_deg": head[3], "radius_ft": head[4], "flow_gpm": head[5]})
            })
            .collect();
        let corners: Vec<Value> = row.list("lawn").chunks(2).map(|at| json!(at)).collect();
        let given = json!({"heads": heads, "profile": row.text("profile"),
                           "areas": [{"surface": "turf", "corners_ft": corners}]});
        let answer = reckon("coverage", &given);
        close(
            row.text("id"),
            figure(&answer, "du_lq"),
            row.get("du_lq"),
            0.01,
        );
        let mean = row.get("mean_in_h");
        close(
            row.text("id"),
            figure(&answer, "mean_in_h"),
            mean,
            0.015 * mean,
        );
    }
}

#[test]
fn systems_of_pipe_agree_with_a_network_solver() {
    let table = rows("network_wntr.csv");
    let mut systems: BTreeMap<(&str, &str), Vec<&Row>> = BTreeMap::new();
    for row in &table {
        let key = (row.text("layout"), row.text("kind"));
        systems.entry(key).or_default().push(row);
    }
    for lines in systems.values() {
        let nodes: Vec<Value> = lines
            .iter()
            .map(|row| {
                let mut node = json!({"name": row.text("node"), "from": row.text("from"),
                    "rise_ft": row.get("rise_ft"), "length_ft": row.get("length_ft"),
                    "inside_diameter_in": row.get("inside_diameter_in"),
                    "flow_gpm": row.get("flow_gpm")});
                if row.text("kind") == "nozzle" {
                    node["at_psi"] = json!(30);
                }
                node
            })
            .collect();
        let given = json!({"static_psi": lines[0].get("static_psi"), "nodes": nodes});
        let answer = reckon("pressure-at-head", &given);
        let places = answer["places"].as_array().expect("a list");
        for (row, place) in lines.iter().zip(places) {
            let (psi, gpm) = (row.get("psi"), row.get("outlet_gpm"));
            close(row.text("id"), figure(place, "psi"), psi, 0.011 * psi);
            close(
                row.text("id"),
                figure(place, "gpm"),
                gpm,
                0.011 * gpm + 1e-9,
            );
        }
    }
}

#[test]
fn signs_of_a_wet_area_point_where_the_trade_says() {
    let given = json!({"trouble": "wet-area", "yes": ["static meter moves",
        "trickle at the lowest head day and night", "stops when the flow control is shut"]});
    let answer = reckon("evidence", &given);
    assert_eq!(answer["causes"][0]["cause"], json!("valve-weeping"));
    let says = answer["says"].as_str().expect("a sentence");
    assert!(
        says.starts_with("the evidence points to valve weeping"),
        "{says}"
    );
    let cautions = answer["cautions"].to_string();
    assert!(cautions.contains("Probe the box with a tool"), "{cautions}");
}
