//! A worked site from its logbook to its minutes, and what a plan says where something is missing.

use chrono::{Weekday, WeekdaySet};
use proptest::prelude::*;

use super::*;
use crate::site::kind::ThingKind;
use crate::site::programs::DayRule;
use crate::site::things::tests::Scene;
use crate::site::unit::{Unit, UnitSystem};
use crate::site::weather::WeatherDay;
use crate::water::units::{Fraction, InchesPerHour, Minutes, Percent};

fn on() -> NaiveDate {
    "2026-07-20".parse().unwrap()
}

/// Seven days that sum to 1.5 in of reference evapotranspiration, with one shower on the last, a
/// day so dull that nothing evaporates: what counts of the shower is still there when the week ends.
pub(in crate::site) fn week(rain: f64) -> Vec<WeatherDay> {
    let days = (13..20).map(|day| {
        let date = NaiveDate::from_ymd_opt(2026, 7, day).unwrap();
        let last = day == 19;
        WeatherDay {
            et: Some(Inches::new(if last { 0.0 } else { 1.5 / 6.0 })),
            rain: Some(Inches::new(if last { rain } else { 0.0 })),
            ..WeatherDay::on(date)
        }
    });
    days.collect()
}

/// The worked lawn: 3 x 4 heads 15 ft apart, 22.46 gpm on 1350 ft², a lawn on clay.
pub(in crate::site) fn lawn() -> Scene {
    let mut scene = Scene::new();
    let root = scene.root();
    scene.add(2, ThingKind::Controller, root, &[]);
    let zone = [
        ("number", "7"),
        ("area", "1350sqft"),
        ("plants", "lawn"),
        ("soil", "clay"),
        ("root-depth", "8in"),
        ("emission", "rotor"),
    ];
    scene.add(3, ThingKind::Zone, root, &zone);
    let nozzles = [("quarter", "0.94"), ("half", "1.87"), ("full", "3.74")];
    let heads = [0, 1, 1, 0, 1, 2, 2, 1, 0, 1, 1, 0];
    for (nth, kind) in (0_u8..).zip(heads) {
        let (arc, flow) = nozzles[kind];
        let label = format!("7-{:02}", nth + 1);
        let said = [("label", label.as_str()), ("arc", arc), ("flow", flow)];
        scene.add(20 + nth, ThingKind::Head, Scene::id(3), &said);
    }
    scene.note(
        "controller",
        "as-found",
        "A: start 5:00; days mon tue wed thu fri; 100%; run 7=15",
    );
    scene.note(
        "controller",
        "programs",
        "A: start 4:00; days mon wed fri; 100%; run 7=17",
    );
    scene
}

pub(in crate::site) fn planned(
    scene: &Scene,
    weather: &[WeatherDay],
    rules: &HouseRules,
) -> SitePlan {
    let state = scene.state();
    let weather = Record::of_days(weather.to_vec());
    plan_site(&Site::of(&state, scene.logbook), &weather, on(), rules)
}

fn check(what: &str, got: Option<f64>, expected: f64, tolerance: f64) {
    let got = got.unwrap_or_else(|| panic!("{what} is unknown"));
    assert!(
        (got - expected).abs() <= tolerance,
        "{what}: {got}, expected {expected}"
    );
}

#[test]
fn the_worked_lawn_needs_fifty_minutes_where_seventy_five_were_found() {
    // ET 1.5 in x 0.94 (cool-season turf in July, UC ANR) - 0.40 in of 0.80 in of rain = 1.01 in;
    // 96.25 x 22.46 / 1350 = 1.60 in/h; DU 0.60 (assumed for rotors): x 1.3158.
    let plan = planned(&lawn(), &week(0.8), &HouseRules::default());
    let zone = &plan.zones[0];
    check(
        "coefficient",
        zone.coefficient.value().map(|v| v.get()),
        0.94,
        1e-12,
    );
    check(
        "rain",
        zone.effective_rain.value().map(|v| v.get()),
        0.40,
        1e-12,
    );
    check("need", zone.need.value().map(|v| v.get()), 1.01, 1e-9);
    check("flow", zone.flow.value().map(|v| v.get()), 22.46, 1e-9);
    check("rate", zone.rate.value().map(|v| v.get()), 1.60, 0.005);
    check(
        "uniformity",
        zone.uniformity.value().map(|v| v.get()),
        0.60,
        1e-12,
    );
    check(
        "minutes",
        zone.minutes_a_week.value().map(Minutes::get),
        50.0,
        0.5,
    );
    check("storage", zone.storage.value().map(|v| v.get()), 0.6, 1e-12);
    let days = zone.days.value().unwrap();
    let three: WeekdaySet = [Weekday::Mon, Weekday::Wed, Weekday::Fri]
        .into_iter()
        .collect();
    assert_eq!(days.rule, DayRule::Weekdays(three));
    check(
        "minutes a day",
        zone.minutes_a_day.value().map(Minutes::get),
        17.0,
        0.5,
    );
    assert_eq!(zone.cycles.value().unwrap().cycles, 3);

    check(
        "found",
        zone.as_found.minutes_a_week.value().map(Minutes::get),
        75.0,
        1e-9,
    );
    check(
        "found depth",
        zone.as_found.depth_a_week.value().map(|v| v.get()),
        2.0,
        0.005,
    );
    check(
        "found gallons",
        plan.gallons_as_found.value().map(|v| v.get()),
        1685.0,
        0.51,
    );
    check(
        "found over",
        zone.as_found.against_plan.value().map(Percent::get),
        51.0,
        1.0,
    );
    check(
        "left",
        zone.as_left.minutes_a_week.value().map(Minutes::get),
        51.0,
        1e-9,
    );
    check(
        "left gallons",
        plan.gallons_as_left.value().map(|v| v.get()),
        1145.0,
        0.51,
    );
    check(
        "left over",
        zone.as_left.against_plan.value().map(Percent::get),
        2.5,
        0.5,
    );
}

#[test]
fn every_known_figure_says_why_in_both_systems() {
    let plan = planned(&lawn(), &week(0.8), &HouseRules::default());
    let reasons = reasons(&plan);
    assert!(reasons.len() > 40, "{}", reasons.len());
    for why in &reasons {
        for system in [UnitSystem::Us, UnitSystem::Si] {
            let sentence = why.sentence(system);
            assert!(!sentence.is_empty(), "{why:?}");
            let metric = system == UnitSystem::Si && sentence.contains(" in/h");
            assert!(!metric && !sentence.contains("NaN"), "{sentence}");
        }
    }
    let zone = &plan.zones[0];
    let said = |why: &Why| why.sentence(UnitSystem::Us);
    assert_eq!(
        said(&zone.need.why()[0]),
        "1.5 in of evapotranspiration x 0.94 - 0.4 in of rain"
    );
    assert_eq!(said(&zone.rate.why()[0]), "96.25 x 22.46 gpm / 1350 ft²");
    // One litre on a square metre is one millimetre.
    let metric = zone.rate.why()[0].sentence(UnitSystem::Si);
    assert_eq!(metric, "60 x 85.02 L/min / 125 m²");
    assert_eq!(
        said(&zone.minutes_a_week.why()[0]),
        "60 x 1.01 in / 1.6 in/h, x 1.316 for a uniformity of 0.60"
    );
}

/// Every reason of every known figure; a known figure without one fails.
fn reasons(plan: &SitePlan) -> Vec<Why> {
    fn of<T>(name: &str, figure: &Figure<T>, all: &mut Vec<Why>) {
        if figure.get().is_ok() {
            assert!(!figure.why().is_empty(), "{name} has no reason");
        }
        all.extend(figure.why().iter().cloned());
    }
    let mut all = Vec::new();
    of("eto", &plan.eto, &mut all);
    of("rain", &plan.rain, &mut all);
    of("window", &plan.window, &mut all);
    of("allowed", &plan.allowed, &mut all);
    of("gallons", &plan.gallons, &mut all);
    for zone in &plan.zones {
        of("coefficient", &zone.coefficient, &mut all);
        of("effective rain", &zone.effective_rain, &mut all);
        of("need", &zone.need, &mut all);
        of("rate", &zone.rate, &mut all);
        of("uniformity", &zone.uniformity, &mut all);
        of("flow", &zone.flow, &mut all);
        of("storage", &zone.storage, &mut all);
        of("days", &zone.days, &mut all);
        of("minutes a week", &zone.minutes_a_week, &mut all);
        of("minutes a day", &zone.minutes_a_day, &mut all);
        of("cycles", &zone.cycles, &mut all);
        of("starts", &zone.starts, &mut all);
        of("gallons", &zone.gallons, &mut all);
        for setting in [&zone.as_found, &zone.as_left] {
            of("minutes set", &setting.minutes_a_week, &mut all);
            of("depth set", &setting.depth_a_week, &mut all);
            of("gallons set", &setting.gallons, &mut all);
            of("against plan", &setting.against_plan, &mut all);
        }
    }
    all
}

#[test]
fn what_cannot_be_reckoned_says_what_is_missing() {
    let mut scene = lawn();
    scene.note("zone-7", "area", "not checked");
    let plan = planned(&scene, &week(0.0), &HouseRules::default());
    let zone = &plan.zones[0];
    let reason = zone.minutes_a_week.get().unwrap_err();
    assert_eq!(reason.to_string(), "its area is not checked");
    assert!(reason.next_step().contains("`area`"));
    check("need", zone.need.value().map(|v| v.get()), 1.5 * 0.94, 1e-9);
    assert!(
        plan.gallons
            .get()
            .unwrap_err()
            .to_string()
            .starts_with("zone-7: its area")
    );
    assert!(zone.as_found.minutes_a_week.value().is_some());

    scene.note("zone-7", "spacing", "15ft");
    let plan = planned(&scene, &week(0.0), &HouseRules::default());
    // Matched quarters, halves and fulls: 3.74 gpm on each full cell of 15 x 15 ft.
    check(
        "rate",
        plan.zones[0].rate.value().map(|v| v.get()),
        96.25 * 3.74 / 225.0,
        0.01,
    );
    scene.note("zone-7", "soil", "blank");
    let plan = planned(&scene, &week(0.0), &HouseRules::default());
    let zone = &plan.zones[0];
    assert!(zone.minutes_a_week.value().is_some());
    assert_eq!(
        zone.days.get().unwrap_err().to_string(),
        "its soil is blank"
    );
    assert!(zone.starts.get().is_err());
}

#[test]
fn shade_and_compaction_count_and_are_said() {
    let mut scene = lawn();
    scene.note("zone-7", "compacted", "yes");
    scene.note("zone-7", "sun", "shade");
    scene.note("zone-7", "exception", "new seed along the walk");
    let zone = planned(&scene, &week(0.0), &HouseRules::default())
        .zones
        .remove(0);
    let compacted = Why::Compacted {
        loose: InchesPerHour::new(0.1),
        intake: InchesPerHour::new(0.1) * 0.6,
    };
    assert!(zone.cycles.why().contains(&compacted));
    let shade = Why::Exposure {
        sun: crate::site::words::Sun::Shade,
        factor: Fraction::new(0.7),
    };
    assert!(zone.coefficient.why().contains(&shade));
    check(
        "shaded lawn in July",
        zone.coefficient.value().map(|v| v.get()),
        0.94 * 0.7,
        1e-12,
    );
    let exception = Why::Exception {
        why: "new seed along the walk".to_owned(),
        until: None,
    };
    assert!(zone.need.why().contains(&exception));
    // An intake and a coefficient of the zone's own take the place of both.
    scene.note("zone-7", "intake", "0.2 in/h");
    scene.note("zone-7", "coefficient", "0.7");
    scene.note("zone-7", "exception-until", "2026-07-19");
    let zone = planned(&scene, &week(0.0), &HouseRules::default())
        .zones
        .remove(0);
    assert!(!zone.cycles.why().contains(&compacted));
    assert!(!zone.coefficient.why().contains(&shade));
    assert!(!zone.need.why().contains(&exception));
    check(
        "coefficient",
        zone.coefficient.value().map(|v| v.get()),
        0.7,
        1e-12,
    );
}

#[test]
fn too_little_weather_is_no_weather() {
    let few: Vec<WeatherDay> = week(0.0).into_iter().take(3).collect();
    let plan = planned(&lawn(), &few, &HouseRules::default());
    let reason = plan.zones[0].need.get().unwrap_err();
    assert_eq!(reason.to_string(), "only 3 of the last 7 days have weather");
    let five: Vec<WeatherDay> = week(0.0).into_iter().take(5).collect();
    let plan = planned(&lawn(), &five, &HouseRules::default());
    // Five of 0.25 in, and the others taken to be like them.
    check("scaled", plan.eto.value().map(|v| v.get()), 1.75, 1e-9);
    assert!(plan.eto.why().contains(&Why::DaysMissing { known: 5 }));
}

#[test]
fn a_week_without_the_stations_own_et_is_computed_and_says_what_was_assumed() {
    let mut scene = lawn();
    let days = week(0.0).into_iter().map(|day| WeatherDay {
        et: None,
        tmin: Some(crate::water::units::Celsius::new(15.0)),
        tmax: Some(crate::water::units::Celsius::new(29.0)),
        ..day
    });
    let days: Vec<WeatherDay> = days.collect();
    let plan = planned(&scene, &days, &HouseRules::default());
    let reason = plan.eto.get().unwrap_err().to_string();
    assert!(reason.contains("latitude and elevation"), "{reason}");
    scene.note("site", "latitude", "42");
    scene.note("site", "elevation", "650 ft");
    let plan = planned(&scene, &days, &HouseRules::default());
    let eto = plan.eto.value().unwrap();
    assert!((0.9..1.9).contains(&eto.get()), "{eto}");
    let assumed = Why::EtMethod {
        assumed: vec!["dewpoint_c", "solar_mj_m2", "wind_m_s"],
    };
    assert!(plan.eto.why().contains(&assumed), "{:?}", plan.eto.why());
}

#[test]
fn rain_and_winter_give_a_need_of_zero_with_its_reason() {
    let plan = planned(&lawn(), &week(4.0), &HouseRules::default());
    let zone = &plan.zones[0];
    // Half of 4 in, and no more than the 0.6 in that 8 in of clay may give up: not enough alone.
    check(
        "what the soil keeps",
        zone.effective_rain.value().map(|v| v.get()),
        0.6,
        1e-12,
    );
    let mut scene = lawn();
    scene.note("site", "effective-rain", "100%");
    scene.note("zone-7", "root-depth", "20in");
    let plan = planned(&scene, &week(4.0), &HouseRules::default());
    let zone = &plan.zones[0];
    assert_eq!(zone.need.value(), Some(Inches::ZERO));
    assert_eq!(zone.need.why()[0], Why::RainCovers);
    assert_eq!(zone.starts.get(), Ok(&Vec::new()));
    assert_eq!(zone.gallons.value().map(|v| v.get()), Some(0.0));
    assert_eq!(
        zone.as_found.against_plan.get(),
        Err(Unknown::NothingPlanned)
    );

    scene.note("site", "season", "winterized");
    let plan = planned(&scene, &[], &HouseRules::default());
    let zone = &plan.zones[0];
    assert_eq!(zone.need.value(), Some(Inches::ZERO));
    assert_eq!(
        zone.need.why()[0].sentence(UnitSystem::Us),
        "the water is winterized"
    );
    assert_eq!(zone.minutes_a_week.value(), Some(Minutes::ZERO));
}

#[test]
fn cans_come_before_flow_and_say_when_heads_changed_since() {
    let mut scene = lawn();
    let cans = "22 25 28 30 18 24 26 32 20 23 27 29 16 21 26 31 19 24 28 33 17 22 25 34";
    scene.note(
        "zone-7",
        "catch-cans",
        &format!("{cans} throat=16.5 minutes=10 wind=3"),
    );
    let plan = planned(&scene, &week(0.0), &HouseRules::default());
    let zone = &plan.zones[0];
    // Mean 25.0 mL, lowest quarter 18.5 mL: 0.7400; 3.66142 x 25.0 / (10 x 16.5) in/h.
    check("rate", zone.rate.value().map(|v| v.get()), 0.554761, 1e-6);
    check(
        "uniformity",
        zone.uniformity.value().map(|v| v.get()),
        0.74,
        1e-9,
    );
    assert_eq!(zone.rate.why().len(), 1, "{:?}", zone.rate.why());
    scene.note("7-01", "arc", "half");
    let plan = planned(&scene, &week(0.0), &HouseRules::default());
    assert!(plan.zones[0].rate.why().contains(&Why::HeadsChangedSince));
    scene.note("zone-7", "flow-reading", "5 gpm");
    let plan = planned(&scene, &week(0.0), &HouseRules::default());
    let above = |why: &Why| matches!(why, Why::CansAboveFlow { .. });
    assert!(plan.zones[0].rate.why().iter().any(above));
}

#[test]
fn a_measured_flow_gives_way_to_a_later_correction() {
    let mut scene = lawn();
    scene.note("zone-7", "flow", "20");
    scene.note("zone-7", "flow-reading", "24 gpm");
    let flow = |scene: &Scene| {
        let plan = planned(scene, &week(0.0), &HouseRules::default());
        plan.zones[0].flow.value().map(|v| v.get())
    };
    assert_eq!(flow(&scene), Some(24.0));
    scene.note("zone-7", "flow", "21");
    assert_eq!(flow(&scene), Some(21.0));
}

#[test]
fn a_restriction_limits_days_hours_and_depth_only_while_it_is_valid() {
    let mut scene = lawn();
    scene.note("site", "water-window", "from: 22:00; to: 5:00");
    let rule = "tue, sat; not-from: 10:00; not-to: 18:00; cut: 20%; source: the town; \
                valid-from: 2026-07-01; valid-to: 2026-07-31";
    scene.note("site", "restriction", &format!("days: {rule}"));
    let plan = planned(&scene, &week(0.0), &HouseRules::default());
    let zone = &plan.zones[0];
    check(
        "need",
        zone.need.value().map(|v| v.get()),
        1.5 * 0.94 * 0.8,
        1e-9,
    );
    let two: WeekdaySet = [Weekday::Tue, Weekday::Sat].into_iter().collect();
    assert_eq!(
        zone.days.value().map(|days| days.rule),
        Some(DayRule::Weekdays(two))
    );
    let short = |why: &Why| matches!(why, Why::WaitsTooLong { wait: 4, .. });
    assert!(zone.days.why().iter().any(short), "{:?}", zone.days.why());
    assert_eq!(plan.window.value().unwrap().opens.to_string(), "00:00");
    let state = scene.state();
    let site = Site::of(&state, scene.logbook);
    let later = "2026-08-07".parse().unwrap();
    let plan = plan_site(&site, &Record::default(), later, &HouseRules::default());
    assert_eq!(
        plan.allowed.value(),
        Some(Allowed::Weekdays(WeekdaySet::ALL))
    );
    assert_eq!(plan.window.value().unwrap().opens.to_string(), "22:00");
}

#[test]
fn no_day_at_all_is_said_and_not_planned() {
    let mut scene = lawn();
    scene.note("site", "restriction", "days: tue; source: the town");
    scene.note("site", "no-water-days", "tue");
    let plan = planned(&scene, &week(0.0), &HouseRules::default());
    assert_eq!(plan.zones[0].days.get(), Err(Unknown::NoDayAllowed));
    assert!(plan.zones[0].starts.get().is_err());
}

#[test]
fn odd_days_are_three_and_a_half_a_week() {
    let mut scene = lawn();
    scene.note("site", "restriction", "date: odd; source: the town");
    let plan = planned(&scene, &week(0.8), &HouseRules::default());
    let zone = &plan.zones[0];
    let days = zone.days.value().unwrap();
    assert_eq!((days.rule, days.a_week), (DayRule::Odd, 3.5));
    let a_day = zone.minutes_a_week.value().unwrap().get() / 3.5;
    check(
        "minutes a day",
        zone.minutes_a_day.value().map(Minutes::get),
        a_day,
        1e-9,
    );
}

#[test]
fn two_versions_of_an_area_are_said_beside_the_rate() {
    use crate::log::id::{ChainId, Place, Seq};
    let mut scene = lawn();
    scene.note("zone-7", "area", "1400 sqft");
    scene.note("zone-7", "area", "1300 sqft");
    let mut other = scene.entries.pop().unwrap();
    // Another device, which had seen neither.
    other.place = Place {
        chain: ChainId::from_bytes([9; 16]),
        seq: Seq::FIRST,
    };
    scene.entries.push(other);
    let plan = planned(&scene, &week(0.0), &HouseRules::default());
    let versions = Why::TwoVersions { field: "area" };
    assert!(
        plan.zones[0].rate.why().contains(&versions),
        "{:?}",
        plan.zones[0].rate.why()
    );
}

#[test]
fn house_rules_are_read_from_the_company() {
    let mut scene = Scene::new();
    scene.note("site", "kind", "company");
    scene.note("company", "effective-rain", "25%");
    scene.note("company", "water-window", "from=1:00 to=6:00");
    let state = scene.state();
    let rules = HouseRules::of(Site::of(&state, scene.logbook).root());
    assert_eq!(rules.effective_rain.value, Percent::new(25.0));
    assert_eq!(rules.effective_rain.from, From::Company);
    assert_eq!(rules.window.value.minutes(), 300);
}

fn metric(value: f64) -> String {
    Unit::Millimetre.write(value)
}

proptest! {
    #[test]
    fn no_site_makes_a_plan_panic_or_a_figure_that_is_no_number(
        area in prop::option::of(1.0..50_000.0f64),
        flow in prop::option::of(0.0..200.0f64),
        roots in prop::option::of(12.7..1_000.0f64),
        slope in prop::option::of(0.0..150.0f64),
        plants in prop::sample::select(vec!["lawn", "shrubs", "new-turf", "mixed", "trees"]),
        soil in prop::sample::select(vec!["sand", "loam", "clay", "fill", "silt-loam"]),
        rain in 0.0..6.0f64,
        days in 0_usize..8,
    ) {
        let mut scene = Scene::new();
        let root = scene.root();
        scene.add(3, ThingKind::Zone, root, &[("number", "1"), ("plants", plants), ("soil", soil)]);
        let say = |scene: &mut Scene, name: &str, text: Option<String>| {
            if let Some(text) = text {
                scene.note("zone-1", name, &text);
            }
        };
        say(&mut scene, "area", area.map(|area| area.to_string()));
        say(&mut scene, "flow", flow.map(|flow| flow.to_string()));
        say(&mut scene, "root-depth", roots.map(metric));
        say(&mut scene, "slope", slope.map(|slope| slope.to_string()));
        let weather: Vec<WeatherDay> = week(rain).into_iter().take(days).collect();
        let plan = planned(&scene, &weather, &HouseRules::default());
        let zone = &plan.zones[0];
        let numbers = [
            zone.need.value().map(|v| v.get()),
            zone.rate.value().map(|v| v.get()),
            zone.minutes_a_week.value().map(|v| v.get()),
            zone.minutes_a_day.value().map(|v| v.get()),
            zone.gallons.value().map(|v| v.get()),
        ];
        for number in numbers.into_iter().flatten() {
            prop_assert!(number.is_finite() && number >= 0.0, "{number}");
        }
        let _every_known_figure_has_a_reason = reasons(&plan);
        crate::site::plan::nights::tests::check_nights(&plan);
    }
}

#[test]
fn the_factors_of_the_landscape_method_multiply_and_a_soil_probe_tells_compaction() {
    let mut scene = lawn();
    for (field, factor) in [
        ("species-factor", "0.5"),
        ("density-factor", "1.3"),
        ("microclimate-factor", "1.4"),
    ] {
        scene.note("zone-7", field, factor);
    }
    scene.note("zone-7", "soil-probe", "moisture=dry; compacted=yes");
    let zone = planned(&scene, &week(0.0), &HouseRules::default())
        .zones
        .remove(0);
    // Costello et al. 2000: 0.5 x 1.3 x 1.4.
    check(
        "coefficient",
        zone.coefficient.value().map(|v| v.get()),
        0.91,
        1e-12,
    );
    let compacted = |why: &Why| matches!(why, Why::Compacted { .. });
    assert!(zone.cycles.why().iter().any(compacted));
}

#[test]
fn a_run_too_long_for_a_night_gets_more_days() {
    let mut scene = lawn();
    // Roots so deep that the soil lasts weeks, and a night too short for a week's cycles.
    scene.note("zone-7", "root-depth", "48in");
    scene.note("site", "water-window", "from=00:00; to=03:00");
    let plan = planned(&scene, &week(0.0), &HouseRules::default());
    nights::tests::check_nights(&plan);
    let zone = &plan.zones[0];
    let days = zone.days.value().unwrap();
    assert!(days.a_week > 1.0, "{days:?}");
    assert!(zone.days.why().contains(&Why::MoreDaysToFit { by_soil: 1 }));
    assert!(zone.cycles.value().unwrap().span() <= 180);
    let shortened = |why: &Why| matches!(why, Why::Shortened { .. });
    assert!(!zone.starts.why().iter().any(shortened), "all of it fits");
}

#[test]
fn rain_counts_as_far_as_it_is_still_in_the_soil() {
    let counted = |day: usize, rain: f64| {
        let mut days = week(0.0);
        days[day].rain = Some(Inches::new(rain));
        let plan = planned(&lawn(), &days, &HouseRules::default());
        plan.zones[0].effective_rain.value().unwrap().get()
    };
    // Half of 0.8 in on the last day, when nothing evaporates; 0.235 in are used on any other.
    for (day, left) in [(6, 0.40), (5, 0.165), (4, 0.0), (0, 0.0)] {
        check("left", Some(counted(day, 0.8)), left, 1e-12);
    }
}

#[test]
fn without_a_daily_record_the_month_s_usual_weather_serves_and_says_so() {
    use crate::site::weather::{Normal, Normals};
    let scene = lawn();
    let july = Normal {
        tmin: None,
        tmax: None,
        rain: Some(Inches::new(3.1)),
        et: Some(Inches::new(6.2)),
    };
    let record = Record {
        days: Vec::new(),
        normals: Normals::new([(7, july)].into(), None),
    };
    let state = scene.state();
    let site = Site::of(&state, scene.logbook);
    let plan = plan_site(&site, &record, on(), &HouseRules::default());
    check("ET", plan.eto.value().map(|v| v.get()), 1.4, 1e-9);
    check("rain", plan.rain.value().map(|v| v.get()), 0.7, 1e-9);
    assert!(plan.eto.why().contains(&Why::EtFromNormals { known: 0 }));
    assert!(plan.rain.why().contains(&Why::RainFromNormals));
    assert!(plan.zones[0].minutes_a_week.value().is_some());
    // A record of its own comes first.
    let record = Record {
        days: week(0.0),
        normals: record.normals,
    };
    let plan = plan_site(&site, &record, on(), &HouseRules::default());
    check("ET", plan.eto.value().map(|v| v.get()), 1.5, 1e-9);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(32))]
    #[test]
    fn more_rain_is_never_more_minutes_and_no_need_is_below_zero(
        rain in proptest::collection::vec(0.0..3.0f64, 7), more in proptest::collection::vec(0.0..2.0f64, 7),
    ) {
        let minutes = |rain: &dyn Fn(usize) -> f64| {
            let mut days = week(0.0);
            for (at, day) in days.iter_mut().enumerate() {
                day.rain = Some(Inches::new(rain(at)));
            }
            let plan = planned(&lawn(), &days, &HouseRules::default());
            assert!(plan.zones[0].need.value().unwrap() >= Inches::ZERO);
            plan.zones[0].minutes_a_week.value().unwrap()
        };
        prop_assert!(minutes(&|at| rain[at] + more[at]) <= minutes(&|at| rain[at]) + Minutes::new(1e-9));
    }
}

/// What is missing or odd in a site's record gives a figure with its reason or a refusal in words,
/// and never a number that is none.
#[test]
fn bad_and_missing_input_gives_a_reason_and_never_nan() {
    let checked = |what: &str, scene: &Scene, on: &str, weather: Vec<WeatherDay>| -> SitePlan {
        let state = scene.state();
        let record = Record::of_days(weather);
        let on: NaiveDate = on.parse().unwrap();
        let plan = plan_site(
            &Site::of(&state, scene.logbook),
            &record,
            on,
            &HouseRules::default(),
        );
        let told = format!("{plan:?}");
        assert!(
            !told.contains("NaN") && !told.contains("inf"),
            "{what}: {told}"
        );
        for zone in &plan.zones {
            for unknown in [
                zone.minutes_a_week.get().err(),
                zone.cycles.get().err(),
                zone.starts.get().err(),
            ] {
                let said = unknown.map(|unknown| (unknown.to_string(), unknown.next_step()));
                assert!(
                    said.is_none_or(|(why, next)| !why.is_empty() && !next.is_empty()),
                    "{what}"
                );
            }
        }
        plan
    };
    let day_of = |date: &str, tmin: f64, tmax: f64| WeatherDay {
        tmin: Some(crate::water::units::Celsius::new(tmin)),
        tmax: Some(crate::water::units::Celsius::new(tmax)),
        rain: Some(Inches::ZERO),
        ..WeatherDay::on(date.parse().unwrap())
    };
    let days_to = |last: &str, tmin: f64, tmax: f64| -> Vec<WeatherDay> {
        let last: NaiveDate = last.parse().unwrap();
        let days = (0..7).map(|back| last - chrono::Days::new(back));
        days.map(|date| day_of(&date.to_string(), tmin, tmax))
            .collect()
    };
    let at = |latitude: &str| {
        let mut scene = lawn();
        scene.note("site", "latitude", latitude);
        scene.note("site", "elevation", "300 ft");
        scene
    };
    // The leap day is one of the week's days.
    let plan = checked(
        "leap day",
        &at("42"),
        "2028-03-02",
        days_to("2028-03-01", 2.0, 12.0),
    );
    assert!(plan.eto.value().is_some_and(|eto| eto.get() > 0.1));
    // Polar night and midnight sun.
    for latitude in ["-90", "-78", "70", "90"] {
        for last in ["2026-06-21", "2026-12-21"] {
            let on = format!("{}-22", &last[..7]);
            let plan = checked(latitude, &at(latitude), &on, days_to(last, -12.0, -3.0));
            assert!(
                plan.eto.value().is_some_and(|eto| eto >= Inches::ZERO),
                "{latitude}"
            );
        }
    }
    // Lowest above highest temperature, and humidity past what air can hold.
    let upside = checked(
        "tmin above tmax",
        &at("42"),
        "2026-07-20",
        days_to("2026-07-19", 30.0, 20.0),
    );
    let reason = upside.eto.get().unwrap_err().to_string();
    assert!(reason.contains("tmin_c"), "{reason}");
    let mut damp = days_to("2026-07-19", 15.0, 25.0);
    for day in &mut damp {
        day.humidity.rh_mean = Some(Percent::new(140.0));
    }
    let damp = checked("humidity above 100", &at("42"), "2026-07-20", damp);
    let reason = damp.eto.get().unwrap_err().to_string();
    assert!(reason.contains("rh_mean_pct"), "{reason}");
    // No area, no soil, all cans empty, a window over midnight on a daylight-saving night.
    let mut bare = Scene::new();
    let root = bare.root();
    bare.add(
        3,
        ThingKind::Zone,
        root,
        &[("number", "1"), ("plants", "lawn")],
    );
    checked("bare zone", &bare, "2026-07-20", week(0.0));
    let mut empty = lawn();
    empty.note("zone-7", "catch-cans", "0 0 0 0 throat=16.5 minutes=10");
    let empty = checked("all cans empty", &empty, "2026-07-20", week(0.0));
    let by_heads = |why: &Why| matches!(why, Why::RateFromFlow { .. });
    assert!(
        empty.zones[0].rate.why().iter().any(by_heads),
        "no rate of empty cans"
    );
    let mut night = at("42");
    night.note("site", "water-window", "from=22:00; to=04:00");
    let night = checked(
        "daylight saving",
        &night,
        "2026-03-03",
        days_to("2026-03-02", 10.0, 25.0),
    );
    let clock = |why: &Why| matches!(why, Why::ClockChanges { .. });
    assert!(night.window.why().iter().any(clock));
}
