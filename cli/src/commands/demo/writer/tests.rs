//! That the whole season can be written by the builders, and what they say to a wrong line.

use std::collections::BTreeSet;

use headwalk_core::log::id::StoreId;
use headwalk_core::log::seal::DeviceKey;
use headwalk_core::store::NewStore;

use super::super::scenario::{Act, DeviceName, Scenario};
use super::*;

/// Everything that anybody writes in the season, written on one device.
fn written(scenario: &Scenario) -> Result<(tempfile::TempDir, Store, Writer), Error> {
    let folder = tempfile::tempdir().unwrap();
    let new = NewStore {
        id: StoreId::from_bytes([1; 16]),
        key: DeviceKey::from_bytes([2; 32]),
    };
    let store = Store::create(&folder.path().join("all.redb"), new).unwrap();
    let mut writer = Writer::default();
    for name in DeviceName::ALL {
        writer.devices.insert(name.word(), store.device());
    }
    for event in &scenario.events {
        let (at, now) = (event.at, event.at);
        let pen = Pen {
            by: &event.by,
            at,
            now,
        };
        match &event.act {
            Act::Write(lines) => writer.write(&store, lines, pen)?,
            Act::Weather(days) => writer.weather(&store, days, pen)?,
            Act::Enrol | Act::Exchange | Act::PhoneClock { .. } => {}
        }
    }
    Ok((folder, store, writer))
}

#[test]
fn the_whole_season_fits_the_table_of_fields_and_little_of_it_is_unusual() {
    let (_folder, _, writer) = written(&Scenario::load().unwrap()).unwrap();
    let asked: BTreeSet<_> = writer.asked.iter().collect();
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
fn there_are_three_sites_of_8_to_14_zones_with_40_heads_or_more_and_nothing_astray() {
    let (_folder, store, writer) = written(&Scenario::load().unwrap()).unwrap();
    let mut sites = Vec::new();
    for (name, book) in &writer.books {
        let state = store.state(*book).unwrap();
        let site = Site::of(&state, *book);
        assert_eq!(site.astray().count(), 0, "{name}");
        if site.root().kind == Some(ThingKind::Site) {
            let zones = site.zones();
            let heads: usize = zones.iter().map(|zone| zone.heads().len()).sum();
            assert!(heads >= 40, "{name} has {heads} heads");
            assert!(zones.iter().all(|zone| zone.valve().is_some()), "{name}");
            assert!(
                site.supply().is_some() && site.controllers().len() == 1,
                "{name}"
            );
            sites.push((name.as_str(), zones.len()));
        }
    }
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
fn two_plays_write_the_same_entries() {
    let scenario = Scenario::load().unwrap();
    let entries = || {
        let (_folder, store, writer) = written(&scenario).unwrap();
        let books = writer.books.iter();
        books
            .map(|(_, book)| store.entries(*book).unwrap())
            .collect::<Vec<_>>()
    };
    assert_eq!(entries(), entries());
}

#[test]
fn a_line_that_does_not_fit_is_told_with_its_number_and_what_is_wrong() {
    let check = |write: &str, part: &str| {
        let line = |minute: u8, write: &str| {
            format!(
                r#"{{"at": "2026-04-01 08:0{minute}", "on": "desk", "by": "Ines", "book": "Here", "write": {write}}}"#
            )
        };
        let site = r#"{"site": {"kind": "site"}, "zone-1": {"kind": "zone", "part-of": "site"}}"#;
        let season = format!("{}\n{}", line(0, site), line(1, write));
        let error = written(&Scenario::read(&season, &[], "").unwrap()).unwrap_err();
        assert!(
            error.message().starts_with("season.jsonl, line 2: "),
            "{error:?}"
        );
        assert!(error.message().contains(part), "{error:?}");
    };
    check(
        r#"{"zone-1": {"presure": "9 psi"}}"#,
        "did you mean `pressure`",
    );
    check(
        r#"{"zone-1": {"pressure": "900 psi"}}"#,
        "zone-1: pressure of a zone",
    );
    check(
        r#"{"zone-9": {"area": "9 sqft"}}"#,
        "nothing here is called `zone-9`",
    );
    check(r#"{"h": {"kind": "hydrant"}}"#, "no kind `hydrant`");
    check(
        r#"{"h": {"kind": "head", "part-of": "zone-9"}}"#,
        "nothing here is called `zone-9`",
    );
    check(
        r#"{"h": {"kind": "head", "part-of": "zone-1", "arcc": "90"}}"#,
        "unknown field `arcc`",
    );
}
