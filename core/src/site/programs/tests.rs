//! What a set of programs promises: text and value both read back; days are counted right.

use proptest::prelude::*;

use super::*;

/// Any set of programs that a controller could hold.
pub(crate) fn any_set() -> impl Strategy<Value = ProgramSet> {
    let time = (0_u16..1_440).prop_map(|minutes| TimeOfDay::new(minutes).unwrap());
    let weekdays = prop::collection::vec(0_usize..7, 0..7).prop_map(|days| {
        let mut set = WeekdaySet::EMPTY;
        for day in days {
            set.insert(WEEKDAYS[day].0);
        }
        DayRule::Weekdays(set)
    });
    let date = (0_i32..30_000).prop_map(|days| NaiveDate::from_epoch_days(days).unwrap());
    let every = (1_u8..100, prop::option::of(date)).prop_map(|(days, from)| DayRule::Every {
        days: EveryDays::new(days).unwrap(),
        from,
    });
    let days = prop_oneof![weekdays, every, Just(DayRule::Odd), Just(DayRule::Even)];
    let station = (1_u16..1_000).prop_map(|number| Station::new(number).unwrap());
    let minutes = (0.0..1_440.0_f64).prop_map(Minutes::new);
    let program = (
        prop::collection::vec(time, 0..4),
        days,
        (0.0..300.0_f64).prop_map(Percent::new),
        prop::collection::btree_map(station, minutes, 0..6),
    )
        .prop_map(|(starts, days, percent, run)| Program {
            starts,
            days,
            percent,
            run,
        });
    let letter = prop::char::range('A', 'Z').prop_map(|letter| Letter::new(letter).unwrap());
    prop::collection::btree_map(letter, program, 0..4).prop_map(|programs| ProgramSet { programs })
}

proptest! {
    #[test]
    fn a_set_reads_back_from_its_text_and_from_its_value(set in any_set()) {
        prop_assert_eq!(set.to_string().parse::<ProgramSet>().unwrap(), set.clone());
        prop_assert_eq!(ProgramSet::read(&set.value()), Some(set));
    }

    #[test]
    fn no_text_makes_the_reader_panic(text in "[A-C:;|0-9=%. a-z,]{0,60}") {
        let _read = text.parse::<ProgramSet>().is_ok();
    }
}

fn set(text: &str) -> ProgramSet {
    text.parse().unwrap()
}

#[test]
fn the_ways_people_write_it_mean_the_same() {
    let plain = set("A: start 05:00 18:30; days mon wed fri; 80%; run 1=15 2=20");
    let loose = "a: days Monday,wed,FRI; starts 5:00am, 6:30pm; percent 80; run 2=20min, 1=15";
    assert_eq!(set(loose), plain);
    assert_eq!(
        plain.to_string(),
        "A: start 05:00 18:30; days mon wed fri; 80%; run 1=15 2=20"
    );
}

#[test]
fn what_does_not_read_is_named() {
    let check = |text: &str, part: &str| {
        let error = text.parse::<ProgramSet>().unwrap_err().to_string();
        assert!(error.contains(part), "{error}");
    };
    check(
        "start 5:00",
        "`start 5:00` does not begin with a program's letter",
    );
    check(
        "A: start 25:00",
        "program A: `25:00` does not read; write start times",
    );
    check("A: days someday", "`days someday` does not read");
    check("A: 400%", "a percent from 0 to 300");
    check("A: run 1=2000", "minutes from 0 to 1440");
    check("A: run 1=-5", "minutes from 0 to 1440");
    check("A: run 1=NaN", "minutes from 0 to 1440");
    check("A: run 1=5 1=6", "station 1 is given twice");
    check("A: 80% | A: 90%", "program A is given twice");
    check("A: sing", "`sing` does not read");
}

#[test]
fn days_are_counted_from_the_day_that_is_known() {
    let date = |text: &str| text.parse::<NaiveDate>().unwrap();
    let rule = |text: &str| set(&format!("A: days {text}")).programs[&Letter('A')].days;
    let third = rule("every 3 days from 2026-07-01");
    assert_eq!(third.runs_on(date("2026-07-07")), Some(true));
    assert_eq!(third.runs_on(date("2026-06-28")), Some(true));
    assert_eq!(third.runs_on(date("2026-07-08")), Some(false));
    assert_eq!(rule("every 3").runs_on(date("2026-07-08")), None);
    assert_eq!(rule("odd").runs_on(date("2026-07-31")), Some(true));
    assert_eq!(rule("even").runs_on(date("2026-07-31")), Some(false));
    assert_eq!(rule("mon wed").runs_on(date("2026-07-08")), Some(true));
    assert_eq!(rule("mon wed").days_a_week(), 2.0);
    assert!((rule("every 3").days_a_week() - 7.0 / 3.0).abs() < 1e-12);
}

#[test]
fn a_value_that_no_controller_could_run_does_not_read() {
    use crate::log::value::Value;
    let Value::Record(mut whole) = set("A: start 5:00; days odd; run 1=15").value() else {
        panic!("a set is a record");
    };
    let Some(Value::List(programs)) = whole.get_mut(&1) else {
        panic!("its programs are a list");
    };
    let Some(Value::Record(parts)) = programs.get_mut(0) else {
        panic!("a program is a record");
    };
    parts.insert(2, Value::List(vec![Value::Int(1_440)]));
    assert_eq!(ProgramSet::read(&Value::Record(whole)), None);
}

#[test]
fn what_is_unusual_is_asked_once() {
    assert_eq!(set("A: start 5:00; days daily; 100%; run 1=15").ask(), None);
    let asked = set("A: 5%").ask().unwrap();
    assert!(asked.contains("5% is outside the usual"), "{asked}");
    let asked = set("A: start 1:00 2:00 3:00 4:00 5:00").ask().unwrap();
    assert!(asked.contains("5 start times"), "{asked}");
    assert!(set("A: days every 20").ask().is_some());
}
