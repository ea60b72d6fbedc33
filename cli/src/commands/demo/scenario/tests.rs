//! What the season promises whoever tells about it, and how a wrong line is told.

use std::collections::{BTreeMap, BTreeSet};

use headwalk_core::log::entry::Change;
use headwalk_core::log::id::ThingId;
use headwalk_core::site::kind::ThingKind;

use super::*;

fn season() -> Scenario {
    Scenario::load().unwrap()
}

fn drafts(scenario: &Scenario) -> impl Iterator<Item = (&Event, &Draft)> {
    scenario.events.iter().flat_map(|event| match &event.act {
        Act::Record(drafts) => drafts
            .iter()
            .map(|draft| (event, draft))
            .collect::<Vec<_>>(),
        _ => Vec::new(),
    })
}

#[test]
fn the_whole_season_fits_the_table_of_fields_and_little_of_it_is_unusual() {
    let asked: BTreeSet<_> = season().asked.into_iter().collect();
    let asked: Vec<_> = asked
        .iter()
        .map(|ask| ask.trim_end_matches(": is it right?"))
        .collect();
    assert_eq!(
        asked,
        [
            "as-found of a controller: program A: 0% is outside the usual 10% to 200%",
            "clock of a controller: ahead: 47 min is outside the usual -10 min to 10 min",
            "flow-reading: flow: 0.053 gpm is outside the usual 0.5 gpm to 60 gpm",
            "pressure-reading: pressure: 12 psi is outside the usual 15 psi to 120 psi",
            "root-depth of a zone: 14 in is outside the usual 4 in to 12 in",
            "root-depth of a zone: 20 in is outside the usual 4 in to 12 in",
            "root-depth of a zone: 24 in is outside the usual 4 in to 12 in",
            "valve-closes of a valve: 21 s is outside the usual 0 s to 15 s",
            "valve-closes of a valve: 38 s is outside the usual 0 s to 15 s",
            "zone-ran of a zone: minutes: 15 min is outside the usual 0.5 min to 10 min",
        ]
    );
}

#[test]
fn there_are_three_sites_of_8_to_14_zones_with_40_heads_or_more() {
    let scenario = season();
    let mut counts: BTreeMap<(LogbookId, ThingKind), usize> = BTreeMap::new();
    for (_, draft) in drafts(&scenario) {
        for change in &draft.changes {
            if let Change::Set { field, value, .. } = change
                && headwalk_core::site::fields::field_by_number(*field)
                    .is_some_and(|field| field.name == "kind")
                && let Some(kind) = value.as_text().and_then(ThingKind::of_word)
            {
                *counts.entry((draft.logbook, kind)).or_default() += 1;
            }
        }
    }
    let count = |book: LogbookId, kind| counts.get(&(book, kind)).copied().unwrap_or(0);
    let sites: Vec<_> = scenario
        .books
        .iter()
        .filter(|(_, book)| count(*book, ThingKind::Site) == 1)
        .map(|(name, book)| {
            let heads = count(*book, ThingKind::Head);
            assert!(heads >= 40, "{name} has {heads} heads");
            assert_eq!(
                count(*book, ThingKind::Valve),
                count(*book, ThingKind::Zone)
            );
            (name.as_str(), count(*book, ThingKind::Zone))
        })
        .collect();
    assert_eq!(
        sites,
        [
            ("Tannery Row", 12),
            ("Quillet House", 8),
            ("Pikestone School", 14)
        ]
    );
}

#[test]
fn on_the_day_two_crews_write_one_head_without_meeting_the_hub_between() {
    let scenario = season();
    let mut writers: BTreeMap<ThingId, Vec<(WallMs, DeviceName)>> = BTreeMap::new();
    let nozzle = headwalk_core::site::fields::head::NOZZLE.number;
    let morning = Line::parse(r#"{"at": "2026-07-14 00:00", "on": "desk", "do": "exchange"}"#);
    let morning = morning.unwrap().at();
    for (event, draft) in drafts(&scenario).filter(|(event, _)| event.at > morning) {
        for change in &draft.changes {
            if let Change::Set { thing, field, .. } = change
                && *field == nozzle
            {
                writers
                    .entry(*thing)
                    .or_default()
                    .push((event.at, event.on));
            }
        }
    }
    let [writes] = writers.values().collect::<Vec<_>>()[..] else {
        panic!("one head's nozzle changes that day: {writers:?}");
    };
    let [(first, Crew2), (last, Crew1)] = writes[..] else {
        panic!("crew 2, then crew 1: {writes:?}");
    };
    let met = scenario
        .events
        .iter()
        .any(|event| matches!(event.act, Act::Exchange) && (first..=last).contains(&event.at));
    assert!(!met, "nobody meets the hub in between");
}

use DeviceName::{Crew1, Crew2};

#[test]
fn every_day_of_the_summer_has_weather_that_can_be() {
    let rows = lines::rows(WEATHER).unwrap();
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
fn two_readings_of_the_season_give_the_same_ids() {
    assert_eq!(format!("{:?}", season()), format!("{:?}", season()));
}

#[test]
fn a_wrong_line_is_told_with_its_number_and_what_is_wrong() {
    let site = r#"{"at": "2026-04-01 08:00", "on": "desk", "by": "Ines", "book": "Here",
                   "write": {"site": {"kind": "site"}, "z": {"kind": "zone", "part-of": "site"}}}"#
        .replace('\n', " ");
    let check = |line: &str, part: &str| {
        let season = format!("{site}\n{line}");
        let error = Scenario::read(&season, &[], "date\n").unwrap_err();
        assert!(
            error.message().starts_with("season.jsonl, line 2: "),
            "{error:?}"
        );
        assert!(error.message().contains(part), "{error:?}");
    };
    let write = |what: &str| {
        format!(
            r#"{{"at": "2026-04-01 09:00", "on": "desk", "by": "Ines", "book": "Here",
                "write": {what}}}"#
        )
        .replace('\n', " ")
    };
    check(
        &write(r#"{"z": {"presure": "9 psi"}}"#),
        "did you mean `pressure`",
    );
    check(
        &write(r#"{"z": {"pressure": "900 psi"}}"#),
        "z: pressure of a zone",
    );
    check(
        &write(r#"{"y": {"area": "9 sqft"}}"#),
        "no `y` in this logbook yet",
    );
    check(&write(r#"{"z": {"kind": "zone"}}"#), "`z` is there twice");
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
}
