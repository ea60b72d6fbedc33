//! What a set of programs really does, case by case.

use super::*;

fn faults(text: &str, expected: &Expected) -> Vec<String> {
    let set: ProgramSet = text.parse().unwrap();
    set.faults(expected)
        .iter()
        .map(ToString::to_string)
        .collect()
}

fn check(text: &str, expected: &[&str]) {
    assert_eq!(faults(text, &Expected::default()), expected, "{text}");
}

fn station(number: u16) -> Station {
    Station::new(number).unwrap()
}

#[test]
fn effective_minutes_are_run_time_x_percent_x_starts_x_days() {
    let set: ProgramSet = "A: start 5:00 22:00; days mon wed fri; 60%; run 1=10 2=20 \
                           | B: start 3:00; days every 2; 100%; run 1=14"
        .parse()
        .unwrap();
    let minutes = |number| set.minutes_a_week(station(number)).get();
    assert!((minutes(1) - (10.0 * 0.6 * 2.0 * 3.0 + 14.0 * 3.5)).abs() < 1e-9);
    assert!((minutes(2) - 72.0).abs() < 1e-9);
    assert_eq!(minutes(3), 0.0);
}

#[test]
fn an_extra_start_repeats_the_whole_program() {
    check(
        "A: start 5:00 5:00; days daily; 100%; run 1=10",
        &["program A starts twice at 05:00: all of it runs twice"],
    );
}

#[test]
fn a_start_into_a_running_program_is_found_on_shared_days_only() {
    let overlap = "program B starts at 05:20 while program A of 05:00 still runs";
    check(
        "A: start 5:00; days mon; 100%; run 1=30 | B: start 5:20; days mon tue; 100%; run 2=5",
        &[overlap],
    );
    check(
        "A: start 5:00; days mon; 100%; run 1=30 | B: start 5:20; days tue; 100%; run 2=5",
        &[],
    );
    check(
        "A: start 5:00; days odd; 100%; run 1=30 | B: start 5:20; days even; 100%; run 2=5",
        &[],
    );
    check(
        "A: start 5:00; days mon; 60%; run 1=30 | B: start 5:20; days mon; 100%; run 2=5",
        &[],
    );
}

#[test]
fn a_program_that_passes_midnight_meets_the_next_days() {
    check(
        "A: start 23:30; days sun; 100%; run 1=60 | B: start 0:10; days mon; 100%; run 2=5",
        &["program B starts at 00:10 while program A of 23:30 still runs"],
    );
}

#[test]
fn the_window_may_pass_midnight() {
    let window = Window {
        opens: TimeOfDay::new(22 * 60).unwrap(),
        closes: TimeOfDay::new(4 * 60).unwrap(),
    };
    let expected = Expected {
        window: Some(window),
        ..Expected::default()
    };
    assert!(faults("A: start 23:00; days mon; 100%; run 1=120", &expected).is_empty());
    assert_eq!(
        faults("A: start 3:30; days mon; 100%; run 1=45", &expected),
        ["program A of 03:30 runs 15 min outside the water window"]
    );
    assert_eq!(
        faults("A: start 12:00; days mon; 100%; run 1=45", &expected),
        ["program A of 12:00 runs 45 min outside the water window"]
    );
}

#[test]
fn what_is_expected_of_the_month_the_days_and_the_heads_is_checked() {
    let expected = Expected {
        dry_days: Some(WeekdaySet::single(Weekday::Wed)),
        percent: BTreeMap::from([(Letter::new('A').unwrap(), Percent::new(100.0))]),
        emission: BTreeMap::from([(station(1), Emission::FixedSpray)]),
        ..Expected::default()
    };
    assert_eq!(
        faults("A: start 5:00; days mon wed; 60%; run 1=50", &expected),
        [
            "program A waters on Wed, which must stay dry",
            "program A stands at 60%; this month needs about 100%",
            "program A runs station 1 for 30 min; 3 to 20 is usual there",
        ]
    );
}

#[test]
fn a_program_that_cannot_water_says_so_and_a_station_in_two_is_named() {
    check(
        "A: days mon; 100%; run 1=10",
        &["program A never waters: it lacks a start time, a day, or a percent"],
    );
    check(
        "A: start 1:00; days mon; 100%; run 1=10 | B: start 5:00; days mon; 100%; run 1=10",
        &["station 1 runs in programs A and B"],
    );
}

#[test]
fn odd_dates_the_supply_and_a_clock_that_lost_its_power_are_checked() {
    let expected = Expected {
        dates: Some(DayRule::Odd),
        flow_limit: Some(Gpm::new(20.0)),
        flow: BTreeMap::from([(station(1), Gpm::new(24.0)), (station(2), Gpm::new(12.0))]),
        ..Expected::default()
    };
    assert_eq!(
        faults(
            "A: start 5:00; days mon wed; 100%; run 1=20 2=10",
            &expected
        ),
        [
            "program A does not keep to odd dates, the only ones allowed",
            "station 1 draws 24.0 gpm; the supply gives 20.0 gpm",
        ]
    );
    assert!(faults("A: start 5:00; days odd; 100%; run 2=10", &expected).is_empty());
    check(
        "A: start 0:00; days daily; 100%; run 1=10 2=10 3=10 4=10 5=10",
        &[
            "program A runs all 5 stations 10 min every day: a clock whose power was gone falls \
             back to that",
        ],
    );
    check(
        "A: start 0:00; days daily; 100%; run 1=10 2=10 3=12 4=10 5=10",
        &[],
    );
    check(
        "A: start 2:30; days daily; 100%; run 1=10 2=10 3=10 4=10 5=10",
        &[],
    );
}
