//! What the season promises whoever tells about it, and how a line that does not read is told.

use super::DeviceName::{Crew1, Crew2};
use super::*;

#[test]
fn on_the_day_two_crews_write_one_head_without_meeting_the_hub_between() {
    let scenario = Scenario::load().unwrap();
    let writes: Vec<_> = scenario
        .events
        .iter()
        .filter(|event| match &event.act {
            Act::Write(lines) => lines
                .iter()
                .any(|line| line.book == "Tannery Row" && !line.typed("3-04", "arc").is_empty()),
            _ => false,
        })
        .map(|event| (event.at, event.on))
        .collect();
    // The first of the three is the import in March.
    let [_, (first, Crew2), (last, Crew1)] = writes[..] else {
        panic!("crew 2, then crew 1: {writes:?}");
    };
    assert!(last.since(first) < 12 * 3_600_000, "on one day");
    let mut between = scenario.events.iter();
    assert!(
        !between.any(|event| {
            matches!(event.act, Act::Exchange) && (first..=last).contains(&event.at)
        })
    );
}

#[test]
fn every_day_of_the_summer_has_weather_that_can_be() {
    let rows = lines::rows("weather.csv", WEATHER).unwrap();
    let mut day: NaiveDate = "2026-04-01".parse().unwrap();
    for row in &rows {
        assert_eq!(row.cell("date"), day.to_string());
        let number = |name| row.cell(name).parse::<f64>().unwrap();
        assert!(number("tmin_c") < number("tmax_c"), "{day}");
        assert!(
            number("rain_mm") >= 0.0 && number("wind_m_s") > 0.0,
            "{day}"
        );
        assert!((1.0..=100.0).contains(&number("humidity_pct")), "{day}");
        day = day.succ_opt().unwrap();
    }
    assert_eq!(day.to_string(), "2026-10-01");
}

#[test]
fn a_line_that_does_not_read_is_told_with_its_number() {
    let check = |line: &str, part: &str| {
        let season = format!(
            r#"{{"at": "2026-04-01 08:00", "on": "desk", "do": "exchange"}}
{line}"#
        );
        let error = Scenario::read(&season, &[], "date\n").unwrap_err();
        assert!(
            error.message().starts_with("season.jsonl, line 2: "),
            "{error:?}"
        );
        assert!(error.message().contains(part), "{error:?}");
    };
    check(
        r#"{"at": "noon", "on": "desk", "do": "exchange"}"#,
        "`noon` is not a moment",
    );
    check(
        r#"{"at": "2026-04-01 09:00", "on": "desk", "do": "sing"}"#,
        "unknown variant `sing`",
    );
    check(
        r#"{"at": "2026-04-01 09:00", "on": "desk", "do": "enrol"}"#,
        "`by` is missing",
    );
    check(
        r#"{"at": "2026-04-01 09:00", "on": "moon", "do": "exchange"}"#,
        "unknown variant `moon`",
    );
    let import = r#""do": "import", "file": "x.csv""#;
    check(
        &format!(r#"{{"at": "2026-04-01 09:00", "on": "desk", "by": "I", {import}}}"#),
        "no table x.csv",
    );
}
