//! `headwalk schedule` from outside: the plan beside the controller, its reasons, and what it says
//! where something is not known.

use expect_test::expect;
use headwalk_tests::TestEnv;
use serde_json::Value;

/// A site with two lawns and a bank of shrubs, a controller, and a week of dry weather.
fn maple_court() -> TestEnv {
    let env = TestEnv::new();
    env.ok(r#"init --person "Ana Ruiz""#);
    env.ok(r#"add site "Maple Court" latitude 41.3 elevation 650ft water-window "from=00:00; to=06:00""#);
    env.ok("add maple controller");
    env.ok(
        r#"add maple zone-1 name "Front lawn" plants lawn area 1350sqft soil "clay loam" slope 2
        root-depth 5 emission fixed-spray flow 22gpm"#,
    );
    env.ok(
        r#"add maple zone-2 name "Back lawn" plants lawn area 6000sqft soil loam slope 0
        emission gear-rotor flow 34gpm"#,
    );
    env.ok(
        r#"note maple controller as-found "A: start 05:00 07:30; days mon wed fri; 120%; run 1=15 2=20""#,
    );
    env.ok(
        r#"note maple controller programs "A: start 01:00; days mon wed fri; 100%; run 1=18 2=40""#,
    );
    env.ok(r#"add station "Mill Hill" latitude 41.3 elevation 650ft"#);
    for (day, tmax) in WEEK {
        env.ok(&format!(
            r#"note mill station weather-day "date={day}; tmin=62; tmax={tmax}; rain=0""#
        ));
    }
    env
}

/// The week before, with its highest temperatures; the lowest is 62 °F on each day.
const WEEK: [(&str, f64); 7] = [
    ("2026-07-07", 87.0),
    ("2026-07-08", 88.0),
    ("2026-07-09", 89.0),
    ("2026-07-10", 80.0),
    ("2026-07-11", 81.0),
    ("2026-07-12", 82.0),
    ("2026-07-13", 83.0),
];

fn json(env: &TestEnv, line: &str) -> Value {
    serde_json::from_str(&env.ok(line)).expect("one JSON document")
}

fn number(value: &Value, pointer: &str) -> f64 {
    let number = value.pointer(pointer).and_then(Value::as_f64);
    number.unwrap_or_else(|| panic!("no number at {pointer} in {value:#}"))
}

/// A page without its folds.
fn in_one_line(page: &str) -> String {
    page.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn close(what: &str, got: f64, expected: f64) {
    assert!(
        (got - expected).abs() <= 1e-9 * expected.abs(),
        "{what}: {got} is not {expected}"
    );
}

#[test]
fn the_plan_stands_beside_what_was_found_and_left_with_all_that_was_assumed() {
    let env = maple_court();
    expect![[r#"
        Maple Court, week from 2026-07-14
          station                 Mill Hill (the only one in this store)
          reference ET of 7 days  1.38 in
          rain of 7 days          0 in
          hours                   water may run from 00:00 to 06:00 (as recorded for the site)
          days                    every day is allowed

        zone          plants       days         cycles      min a run  in needed  in set  gal a week
        zone-1 Front  cool season  mon wed fri  3 x 8 min,  24         1.30       1.88    1584
        lawn          turf                      soak 55
        zone-2 Back   cool season  mon wed fri  63 min      63         1.30       1.72    6426
        lawn          turf
        all zones                                                                         8010

        The controller beside it, in minutes a run and a week
                found: run  a week  in    to plan  left: run  a week  in    to plan  planned
        zone-1  18          108     2.82  +59%     18         54      1.41  -21%     68
        zone-2  24          144     1.31  -23%     40         120     1.09  -36%     188
        all zones, gal a week: found 7272, left 5268, planned 8010

        Set the controller, for 3 programs of 4 start times each (common practice)
          program  days         starts             station=minutes
          A        mon wed fri  00:00 01:03 02:06  1=8 2=21
          Once it is dialled in:
          headwalk note "Maple Court" controller programs "A: start 00:00 01:03 02:06; days mon wed fri;
          100%; run 1=8 2=21"

        Program check
          controller  as left  program A stands at 100%; this month needs about 147%

        Assumed
          all     computed by FAO-56 Penman-Monteith; not measured and filled in: dewpoint_c, solar_mj_m2,
                  wind_m_s
          zone-1  no cans were set out; assumed for fixed spray (from memory of field audits)
          zone-1  what clay loam usually holds
          all     share of it that may be used: common practice
          zone-1  intake usual for clay loam
          zone-2  no cans were set out; assumed for gear rotor (from memory of field audits)
          zone-2  what loam usually holds
          zone-2  root depth usual for the plants (common practice)
          zone-2  intake usual for loam

        This is a proposal. Local watering days, hours and drought stages win over it; so does what you see
        on the ground.
        Controller covers stay on: line voltage is for a qualified person.
    "#]].assert_eq(&env.ok("schedule maple"));
}

#[test]
fn a_zone_s_figures_come_with_their_reasons_in_sentences() {
    let env = maple_court();
    expect![[r#"
        zone-1 Front lawn

        coefficient: 0.94
          Share of reference evapotranspiration: UC turf coefficient of the month, July.

        rain that counts: 0 in
          No rain that reaches the roots.
          0 in of rain on the 7 days with a record.

        need of the week: 1.3 in
          1.38 in of evapotranspiration x 0.94 - 0 in of rain.
          Reference evapotranspiration of 7 days is 1.38 in: 0 days from the station, 7 computed.
          Computed by FAO-56 Penman-Monteith; not measured and filled in: dewpoint_c, solar_mj_m2, wind_m_s.

        precipitation rate: 1.57 in/h
          96.25 x 22 gpm / 1350 ft².
          Flow as recorded.

        uniformity: 0.55
          No cans were set out; assumed for fixed spray (from memory of field audits).

        minutes a week: 68.09 min
          60 x 1.3 in / 1.57 in/h, x 1.370 for a uniformity of 0.55.

        water in the soil: 0.45 in
          0.18 in/in x 5 in of roots, of which 50% may be used.
          What clay loam usually holds.
          Root depth as recorded.
          Share of it that may be used: common practice.

        days: mon wed fri
          0.45 in lasts 2.4 days at 0.19 in a day.
          3 days a week.
          Every day is allowed.

        minutes a day: 22.7 min
          68.09 min a week on 3 days.

        cycles: 3 x 8 min, soak 55
          Runs off after 11.4 min: the soil takes 0.2 in/h, and 0.26 in can stand on it.
          22.7 min in whole minutes, each cycle rounded up.
          Intake usual for clay loam.

        depth set: 1.88 in
          72 min at 1.57 in/h.

        flow: 22 gpm
          Flow as recorded.

        water of the week: 1584 gal
          22 gpm for 72 min a week.

        minutes to set a week: 72 min
          22.7 min in whole minutes, each cycle rounded up.

        starts: 00:00 01:11 02:14
          One valve at a time, others while one soaks.
          Water may run from 00:00 to 06:00 (as recorded for the site).

        found: minutes a week: 108 min
          Run time x percent x starts x days (mon wed fri), from the programs that Ana Ruiz found on
          2026-07-14.

        found: depth a week: 2.82 in
          108 min at 1.57 in/h.

        found: water: 2376 gal
          22 gpm for 108 min a week.

        found: against the plan: 58.62%
          Against 68.09 min planned.

        left: minutes a week: 54 min
          Run time x percent x starts x days (mon wed fri), from the programs as left.

        left: depth a week: 1.41 in
          54 min at 1.57 in/h.

        left: water: 1188 gal
          22 gpm for 54 min a week.

        left: against the plan: -20.69%
          Against 68.09 min planned.
    "#]].assert_eq(&env.ok("schedule maple --why zone-1"));
}

#[test]
fn every_line_fits_the_page_in_either_system_of_units() {
    let env = maple_court();
    for line in [
        "schedule maple",
        "schedule maple --units si",
        "schedule maple --why 2",
    ] {
        for line in env.ok(line).lines() {
            assert!(line.chars().count() <= 100, "{line}");
        }
    }
}

/// The desk calculator knows nothing of sites; both must come to the same figures.
#[test]
fn the_plan_agrees_with_the_desk_calculator_step_by_step() {
    let env = maple_court();
    let plan = json(&env, "schedule maple --json");
    let celsius = |fahrenheit: f64| (fahrenheit - 32.0) / 1.8;
    let days = WEEK.map(|(day, tmax)| {
        let (tmin, tmax) = (celsius(62.0), celsius(tmax));
        number(
            &json(
                &env,
                &format!(
                    "reckon eto --json --set date={day} --set latitude_deg=41.3 --set \
                     elevation_m={} --set tmin_c={tmin} --set tmax_c={tmax}",
                    650.0 * 0.3048
                ),
            ),
            "/eto_in",
        )
    });
    let eto: f64 = days.iter().sum();
    close("ET of the week", number(&plan, "/eto/value"), eto);
    for (at, area, flow) in [(0, 1350, 22), (1, 6000, 34)] {
        let zone = &plan["zones"][at];
        let rate = number(
            &json(
                &env,
                &format!(
                    "reckon precipitation --json --set flow_gpm={flow} --set area_sqft={area}"
                ),
            ),
            "/rate_in_h",
        );
        close("rate", number(zone, "/rate/value"), rate);
        let (coefficient, du) = (
            number(zone, "/coefficient/value"),
            number(zone, "/uniformity/value"),
        );
        let run = json(
            &env,
            &format!(
                "reckon runtime --json --set eto_in={eto} --set coefficient={coefficient} --set \
                 rain_in=0 --set rate_in_h={rate} --set du_lq={du}"
            ),
        );
        close(
            "need",
            number(zone, "/need/value"),
            number(&run, "/need_in"),
        );
        close(
            "minutes",
            number(zone, "/minutes_a_week/value"),
            number(&run, "/minutes"),
        );
        let a_day = number(zone, "/minutes_a_day/value");
        close(
            "days",
            a_day * number(zone, "/days/value/a_week"),
            number(&run, "/minutes"),
        );
        let (soil, slope) = [("clay-loam", 2), ("loam", 0)][at];
        let soak = json(
            &env,
            &format!(
                "reckon soak --json --set minutes={a_day} --set rate_in_h={rate} --set soil={soil} \
                 --set slope_pct={slope}"
            ),
        );
        for (set, whole) in [
            ("cycles", "whole_cycles"),
            ("minutes", "whole_minutes"),
            ("soak_minutes", "whole_soak_minutes"),
        ] {
            assert_eq!(
                zone["cycles"]["value"][set],
                soak[whole],
                "{set} of zone {}",
                at + 1
            );
        }
        let set = number(zone, "/minutes_to_set/value") * number(zone, "/days/value/a_week");
        close(
            "water",
            number(zone, "/gallons/value"),
            f64::from(flow) * set,
        );
        close(
            "depth",
            number(zone, "/depth_to_set/value"),
            rate * set / 60.0,
        );
    }
    // 18 minutes once on three days, against what is planned.
    let first = &plan["zones"][0];
    close("left", number(first, "/as_left/minutes_a_week/value"), 54.0);
    let planned = number(first, "/minutes_a_week/value");
    let against = number(first, "/as_left/against_plan/value");
    close("difference", against, 100.0 * (54.0 / planned - 1.0));
    close(
        "found",
        number(first, "/as_found/minutes_a_week/value"),
        15.0 * 1.2 * 2.0 * 3.0,
    );
}

#[test]
fn starts_lie_in_the_window_and_no_two_valves_run_at_once() {
    let env = maple_court();
    let plan = json(&env, "schedule maple --json");
    let minute = |text: &str| -> u32 {
        let (hour, minute) = text.split_once(':').expect("a time");
        hour.parse::<u32>().expect("hours") * 60 + minute.parse::<u32>().expect("minutes")
    };
    let mut busy: Vec<(String, u32, u32)> = Vec::new();
    let zones = plan["zones"].as_array().expect("a list");
    for start in zones
        .iter()
        .flat_map(|zone| zone["starts"]["value"].as_array().expect("a list"))
    {
        let at = minute(start["at"].as_str().expect("a time"));
        let lasts = u32::try_from(start["minutes"].as_u64().expect("minutes")).expect("a day");
        assert!(at + lasts <= 360, "{start}");
        busy.push((start["day"].to_string(), at, at + lasts));
    }
    assert!(busy.len() >= 4, "{busy:?}");
    busy.sort();
    for pair in busy.windows(2) {
        assert!(pair[0].0 != pair[1].0 || pair[0].2 <= pair[1].1, "{pair:?}");
    }
}

#[test]
fn a_local_restriction_wins_and_is_named() {
    let env = maple_court();
    env.ok(
        r#"note maple site restriction "days=tue fri; not-from=04:00; not-to=21:00; source=Osterwell water stage 2""#,
    );
    let told = in_one_line(&env.ok("schedule maple"));
    assert!(told.contains("Osterwell water stage 2 allows"), "{told}");
    assert!(told.contains("no water from 04:00 to 21:00"), "{told}");
    assert!(
        told.contains("program A waters on Mon, which must stay dry"),
        "{told}"
    );
    let plan = json(&env, "schedule maple --json");
    assert!(told.contains("the plants will be short of water"), "{told}");
    for zone in plan["zones"].as_array().expect("a list") {
        let rule = zone["days"]["value"]["rule"].as_str().expect("a rule");
        assert!(["tue fri", "tue", "fri"].contains(&rule), "{rule}");
    }
    assert_eq!(plan["window"]["value"]["closes"], "04:00");
}

#[test]
fn rain_that_covers_the_need_stops_the_water() {
    let env = maple_court();
    env.ok(r#"note mill station weather-day "date=2026-07-12; tmin=62; tmax=82; rain=6""#);
    env.ok(r#"note mill station weather-day "date=2026-07-09; tmin=62; tmax=89; rain=6""#);
    env.ok("note maple zone-1 root-depth 24");
    let plan = json(&env, "schedule maple --json");
    assert_eq!(plan["zones"][0]["minutes_a_week"]["value"], 0.0, "{plan:#}");
    assert_eq!(plan["zones"][0]["cycles"]["shown"], "no water");
    assert_eq!(
        plan["zones"][0]["as_left"]["against_plan"]["value"],
        Value::Null
    );
}

#[test]
fn what_is_not_known_says_why_and_what_to_record() {
    let env = maple_court();
    env.ok("add maple zone-3 plants mixed");
    let plan = json(&env, "schedule maple --json");
    let zone = &plan["zones"][2];
    assert_eq!(zone["minutes_a_week"]["value"], Value::Null);
    assert_eq!(zone["coefficient"]["next"], "record `coefficient`");
    assert_eq!(plan["gallons"]["value"], Value::Null);
    let told = in_one_line(&env.ok("schedule maple --on 2026-09-01"));
    assert!(
        told.contains("not known: only 0 of the last 7 days have weather"),
        "{told}"
    );
    let told = in_one_line(&env.ok("schedule maple --why zone-3"));
    assert!(
        told.contains("Not known: no published need is known for mixed."),
        "{told}"
    );
}

#[test]
fn a_past_day_s_schedule_can_be_made_again() {
    let mut env = maple_court();
    let then = env.ok("schedule maple --json");
    env.set_now("2026-07-20T09:00:00-05:00");
    env.ok(r#"note maple controller programs "A: start 02:00; days mon; 100%; run 1=5 2=5""#);
    env.ok("note maple zone-1 area 900sqft");
    assert_ne!(env.ok("schedule maple --on 2026-07-14 --json"), then);
    assert_eq!(env.ok("schedule maple --as-of 2026-07-14 --json"), then);
}

#[test]
fn what_was_typed_wrong_is_named() {
    let env = maple_court();
    for (line, field) in [
        ("schedule maple --on tomorrow", "on"),
        ("schedule elm", "site"),
        ("schedule mill", "site"),
        ("schedule maple --why controller", "why"),
    ] {
        let ran = env.run(&format!("{line} --json"));
        assert_eq!(ran.code, Some(2), "{line}\n{ran}");
        let error: Value = serde_json::from_str(&ran.stdout).expect("one JSON document");
        assert_eq!(error["field"], field, "{line}\n{ran}");
    }
}
