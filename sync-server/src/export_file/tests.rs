//! Whatever is done to an export is found, and the entry is named.

use std::collections::BTreeSet;
use std::io::Cursor;

use headwalk_core::log::codec;

use headwalk_core::log::vector::VersionVector;

use super::pieces::AtMost;
use super::scene::{export, met, store};
use super::*;

fn faults(text: &str) -> Vec<String> {
    let found = check(text);
    if let Some(sound) = straight(text) {
        let whole = found.as_ref().map(|whole| &whole.sound);
        assert_eq!(Ok(&sound), whole, "whoever reads line by line finds it");
    }
    found.err().unwrap_or_default()
}

fn straight(text: &str) -> Option<Sound> {
    let read = straight::read(&mut Cursor::new(text), AtMost::USUAL).unwrap();
    read.map(|(sound, _)| sound)
}

/// Lines with the digests of what stands before them made anew, as a forger would.
fn dressed(lines: &[String]) -> String {
    let (mut text, mut so_far) = (String::new(), String::new());
    for line in lines {
        let body = line.rsplit_once(",\"so_far\":\"").unwrap().0;
        so_far = running(&so_far, body);
        text.push_str(&format!("{body},\"so_far\":\"{so_far}\"}}\n"));
    }
    text
}

/// Everything that is done to the export at one entry's line, each with its name.
fn tampered(lines: &[String], at: usize, strange: &str) -> Vec<(&'static str, Vec<String>)> {
    let mut all = Vec::new();
    let mut with = |name, change: &dyn Fn(&mut Vec<String>)| {
        let mut lines = lines.to_vec();
        change(&mut lines);
        all.push((name, lines));
    };
    // The last digit of the bytes: the value or the kind of the last change.
    with("flip bytes", &|lines| {
        let end = lines[at].find("\",\"so_far\"").unwrap() - 1;
        let digit = if &lines[at][end..=end] == "0" {
            "1"
        } else {
            "0"
        };
        lines[at].replace_range(end..=end, digit);
    });
    with("flip words", &|lines| {
        lines[at] = lines[at].replacen("\"by\":\"", "\"by\":\"M", 1);
    });
    with("delete", &|lines| drop(lines.remove(at)));
    with("duplicate", &|lines| {
        let line = lines[at].clone();
        lines.insert(at, line);
    });
    with("splice", &|lines| lines[at] = strange.to_owned());
    if at + 1 < lines.len() {
        with("reorder", &|lines| lines.swap(at, at + 1));
    }
    with("truncate", &|lines| lines.truncate(at));
    all
}

#[test]
fn whatever_is_done_to_an_export_at_any_entry_is_found_and_an_entry_is_named() {
    let exports = if std::env::var_os("HEADWALK_DEEP").is_some() {
        200
    } else {
        4
    };
    let mut tried = 0;
    for number in 0..exports {
        let (raws, seals) = export(number);
        let whole = text(&raws, &seals);
        assert_eq!(faults(&whole), Vec::<String>::new());
        let lines: Vec<_> = whole.lines().map(str::to_owned).collect();
        let (raws, seals) = export(number + 1_000);
        let strange = text(&raws, &seals).lines().last().unwrap().to_owned();
        let entries = lines
            .iter()
            .position(|line| line.starts_with("{\"logbook\""))
            .unwrap();
        for at in entries..lines.len() {
            for (how, changed) in tampered(&lines, at, &strange) {
                let plain = changed.join("\n") + "\n";
                for (dress, text) in [("plain", plain), ("dressed", dressed(&changed))] {
                    let found = faults(&text);
                    let named = found.iter().any(|fault| fault.contains("entry "));
                    assert!(
                        named,
                        "export {number}, {how} at line {at}, {dress}: {found:?}"
                    );
                    tried += 1;
                }
            }
        }
    }
    println!("{exports} exports, {tried} changes to them, all found");
}

#[test]
fn any_one_byte_of_a_file_that_is_another_is_found() {
    let (raws, seals) = export(3);
    let whole = text(&raws, &seals).into_bytes();
    let step = if std::env::var_os("HEADWALK_DEEP").is_some() {
        1
    } else {
        37
    };
    for at in (0..whole.len()).step_by(step) {
        let mut changed = whole.clone();
        changed[at] ^= 1;
        if let Ok(changed) = String::from_utf8(changed) {
            assert_ne!(faults(&changed), Vec::<String>::new(), "byte {at}");
        }
    }
}

#[test]
fn entries_at_the_end_that_nobody_sealed_are_counted() {
    let (raws, _) = export(2);
    let whole = check(&text(&raws, &[])).unwrap_or_else(|faults| panic!("{faults:?}"));
    assert_eq!(whole.sound.unsealed(), raws.len() as u64);
    let (raws, seals) = export(2);
    let whole = check(&text(&raws, &seals)).unwrap_or_else(|faults| panic!("{faults:?}"));
    assert_eq!(whole.sound.unsealed(), 0);
    assert_eq!(whole.entries.len(), raws.len());
    for raw in &whole.entries {
        assert!(raws.contains(raw) && codec::decode(raw).is_ok());
    }
}

/// The same as one whole: every entry read, then walked, then written.
fn of_all_at_once(store: &Store, logbooks: &[LogbookId]) -> String {
    let (mut raws, mut seals) = (Vec::new(), Vec::new());
    for logbook in logbooks {
        let all = store.entries_beyond(*logbook, &VersionVector::new(), usize::MAX);
        let (batch, _) = all.unwrap();
        let links: BTreeSet<_> = store.links(*logbook).unwrap().into_values().collect();
        let kept = store.seals(&batch).unwrap().into_iter();
        seals.extend(kept.filter(|seal| links.contains(&seal.link)));
        raws.extend(batch);
    }
    text(&raws, &seals)
}

#[test]
fn what_is_written_as_it_is_read_is_what_is_written_of_all_at_once() {
    let logbooks = [7, 9, 8].map(|number| LogbookId::from_bytes([number; 16]));
    let (mut branched, mut receipts, mut parts, mut simple) = (0, 0, 0, 0);
    for number in 0..24 {
        let hub = store(1);
        hub.keep_loose(number as usize % 4);
        // The last phone is a copy of the first, every other time.
        let last = if number % 2 == 0 { 2 } else { 4 };
        let hub = met(number, hub, &[store(2), store(3), store(last)], &logbooks);
        if number % 3 == 0 {
            hub.press_all().unwrap();
        }
        let whole = of_all_at_once(&hub, &logbooks);
        assert_eq!(of_logbooks(&hub, &logbooks).unwrap(), whole, "{number}");
        assert_eq!(faults(&whole), Vec::<String>::new());
        branched += hub.branched(logbooks[0]).unwrap().len();
        receipts += whole.matches("\"counts_as\"").count();
        parts += whole.matches("\"path\"").count();
        simple += usize::from(straight(&whole).is_some());
        let read = Checked::read(Cursor::new(&whole));
        assert_eq!(read.unwrap().sound, check(&whole).unwrap().sound);
    }
    assert!(
        branched > 0 && receipts > 0 && parts > 0 && simple > 0,
        "{branched} {receipts} {parts} {simple}"
    );
}
