//! What every log must do, whatever is behind it.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::thread;
use std::time::Duration;

use headwalk_core::log::codec;
use headwalk_core::log::entry::{Change, Draft};
use headwalk_core::log::id::{DeviceId, FieldNumber, LogbookId, StoreId, ThingId};
use headwalk_core::log::seal::DeviceKey;
use headwalk_core::log::stamp::WallMs;
use headwalk_core::log::value::{HowKnown, Value};
use headwalk_core::store::{Followed, Head, NewStore, Store};
use headwalk_sync_server::hub_log::{HubLog, Line, LogError, OnlyIf, Position, Record};
use headwalk_tests::cut::Cut;

use super::ground::Ground;

/// A demand, by its name.
type Demand = (&'static str, fn(&Ground));

/// All of them.
pub const ALL: [Demand; 10] = [
    ("repeat", what_is_said_again_is_there_once),
    ("gap", what_follows_nothing_is_refused_whole),
    ("fork", two_contents_under_one_number_are_both_kept),
    ("race_of_3", three_who_say_the_same_at_once_say_it_once),
    ("race_of_3_forks", three_copies_of_a_phone_lose_nothing),
    (
        "cut_after_each_message",
        whatever_a_cut_line_leaves_it_is_there_once,
    ),
    ("leader_kill", what_was_acknowledged_outlives_its_leader),
    ("order_after_a_mark", after_any_mark_the_rest_comes_in_order),
    ("condition", what_hangs_on_a_condition_is_appended_by_one),
    ("log_id", everybody_calls_it_the_same),
];

const NOW: WallMs = WallMs::new(1_784_030_400_000);

/// A phone that records, and hands over what it has.
pub struct Phone {
    pub store: Store,
    _folder: tempfile::TempDir,
}

impl Phone {
    pub fn new(number: u16) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let mut id = [3; 16];
        id[..2].copy_from_slice(&number.to_be_bytes());
        let mut key = [3; 32];
        key[..2].copy_from_slice(&number.to_be_bytes());
        let new = NewStore {
            id: StoreId::from_bytes(id),
            key: DeviceKey::from_bytes(key),
        };
        let store = Store::create(&folder.path().join("phone.redb"), new).unwrap();
        Self {
            store,
            _folder: folder,
        }
    }

    pub fn record(&self, logbook: LogbookId, words: &str, count: usize) {
        let draft = |number| {
            let change = Change::Set {
                thing: ThingId::from_bytes([9; 16]),
                field: FieldNumber(7),
                value: Value::text(format!("{words} {number}")),
                how: HowKnown::Unstated,
            };
            Draft {
                logbook,
                by: "R. Ash".to_owned(),
                utc_offset_min: 0,
                visit: None,
                changes: vec![change],
            }
        };
        let drafts: Vec<_> = (0..count).map(draft).collect();
        self.store.record(&drafts, NOW).unwrap();
    }

    pub fn entries(&self, logbook: LogbookId) -> Vec<Record> {
        let all = self
            .store
            .entries_beyond(logbook, &Default::default(), usize::MAX);
        let entry = |raw| Record::Entry(Followed { arrived: NOW, raw });
        all.unwrap().0.into_iter().map(entry).collect()
    }

    pub fn line(&self, logbook: LogbookId) -> Line {
        let device = self.store.device();
        Line { logbook, device }
    }
}

pub fn logbook(number: u8) -> LogbookId {
    LogbookId::from_bytes([number + 1; 16])
}

fn phone(number: u16, count: usize) -> (Phone, Vec<Record>) {
    let phone = Phone::new(number);
    phone.record(logbook(0), "seen", count);
    let entries = phone.entries(logbook(0));
    (phone, entries)
}

/// Returns all records of a log, read in pieces of `limit`.
pub fn all(log: &dyn HubLog, limit: usize) -> Vec<(Position, Record)> {
    let end = log.end().unwrap();
    let mut read: Vec<(Position, Record)> = Vec::new();
    let mut at = Position::START;
    for _ in 0..20_000 {
        if at >= end {
            return read;
        }
        // A log whose leader has just gone is asked again.
        match log.read(at, limit, Duration::from_secs(2)) {
            Ok(more) => read.extend(more),
            Err(LogError::Unreachable(_)) => thread::sleep(Duration::from_millis(50)),
            Err(error) => panic!("{error}"),
        }
        at = read.last().map_or(at, |(at, _)| *at);
    }
    panic!("the log says that it ends at {end:?}, and nothing comes after {at:?}");
}

pub fn raws(records: &[Record]) -> Vec<Vec<u8>> {
    let raw = |record: &Record| match record {
        Record::Entry(entry) => Some(entry.raw.clone()),
        _ => None,
    };
    records.iter().filter_map(raw).collect()
}

fn entries_of(log: &dyn HubLog) -> Vec<Vec<u8>> {
    let records: Vec<_> = all(log, 1_000)
        .into_iter()
        .map(|(_, record)| record)
        .collect();
    raws(&records)
}

fn append(log: &dyn HubLog, records: &[Record]) -> (usize, usize) {
    let appended = log.append(records, None).unwrap();
    assert!(appended.up_to <= log.end().unwrap());
    (appended.new, appended.held)
}

fn what_is_said_again_is_there_once(ground: &Ground) {
    let log = ground.log();
    let (phone, entries) = phone(1, 30);
    assert_eq!(append(&*log, &entries[..10]), (10, 0));
    assert_eq!(append(&*log, &entries[..10]), (0, 10), "all of it");
    assert_eq!(
        append(&*log, &entries[2..5]),
        (0, 3),
        "from the middle, long past"
    );
    assert_eq!(append(&*log, &entries[5..20]), (10, 5), "overlapping");
    assert_eq!(append(&*log, &entries), (10, 20), "all from the beginning");
    assert_eq!(append(&*log, &entries[29..]), (0, 1), "the last alone");
    assert_eq!(append(&*log, &[]), (0, 0), "nothing");
    assert_eq!(entries_of(&*log), raws(&entries));
    let seals = phone.store.seals(&raws(&entries)).unwrap();
    let sealed: Vec<_> = entries
        .iter()
        .cloned()
        .chain(seals.into_iter().map(Record::Seal))
        .collect();
    assert_eq!(append(&*log, &sealed), (0, 30), "with a seal that is new");
    assert_eq!(entries_of(&*log), raws(&entries));
    let head = log.head(phone.line(logbook(0))).unwrap().unwrap();
    assert_eq!(head.seq.get(), 30);
    assert_eq!(log.head(Phone::new(2).line(logbook(0))).unwrap(), None);
}

fn what_follows_nothing_is_refused_whole(ground: &Ground) {
    let log = ground.log();
    let (_one, entries) = phone(1, 10);
    let (_other, others) = phone(2, 3);
    let refused = |records: &[Record], number: u64| match log.append(records, None) {
        Err(LogError::Gap { seq, .. }) => assert_eq!(seq.get(), number),
        other => panic!("{other:?}"),
    };
    refused(&entries[3..], 4);
    append(&*log, &entries[..2]);
    refused(&entries[3..], 4);
    let with_others: Vec<_> = others.iter().chain(&entries[5..]).cloned().collect();
    refused(&with_others, 6);
    let hole: Vec<_> = entries[2..4].iter().chain(&entries[6..]).cloned().collect();
    refused(&hole, 7);
    assert_eq!(
        entries_of(&*log),
        raws(&entries[..2]),
        "nothing of it, not even others'"
    );
    let garbled = Record::Entry(Followed {
        arrived: NOW,
        raw: b"no entry".to_vec(),
    });
    let refused = log.append(&[entries[2].clone(), garbled], None);
    assert!(
        matches!(refused, Err(LogError::NotAnEntry(_))),
        "{refused:?}"
    );
    assert_eq!(append(&*log, &entries[2..]), (8, 0));
    assert_eq!(entries_of(&*log), raws(&entries));
}

/// A phone and its copies: they have ten entries in common, and each has `own` more under the same
/// numbers.
fn copies(count: u8, own: usize) -> Vec<Vec<Record>> {
    let copy = |number: u8| {
        let phone = Phone::new(5);
        phone.record(logbook(0), "before", 10);
        phone.record(logbook(0), &format!("copy {number}"), own);
        phone.entries(logbook(0))
    };
    (0..count).map(copy).collect()
}

fn two_contents_under_one_number_are_both_kept(ground: &Ground) {
    let log = ground.log();
    let copies = copies(2, 4);
    append(&*log, &copies[0]);
    let appended = log.append(&copies[1], None).unwrap();
    assert_eq!((appended.new, appended.held), (4, 10));
    assert!(appended.branched > 0, "{appended:?}");
    // Either goes on where it was, and is said again at will.
    assert_eq!(append(&*log, &copies[0]), (0, 14));
    assert_eq!(append(&*log, &copies[1][8..]), (0, 6));
    let expected: BTreeSet<_> = copies.iter().flat_map(|copy| raws(copy)).collect();
    let there = entries_of(&*log);
    assert_eq!(there.len(), expected.len(), "each once");
    assert_eq!(there.iter().cloned().collect::<BTreeSet<_>>(), expected);
    // A hub's store makes two branches of one device of it.
    let (_folder, path) = Ground::scratch();
    let follower = follower(&path);
    let followed: Vec<_> = there
        .into_iter()
        .map(|raw| Followed { arrived: NOW, raw })
        .collect();
    follower.follow(&followed, &[], &[]).unwrap();
    assert_eq!(follower.branched(logbook(0)).unwrap().len(), 1);
    let heads = follower.heads(logbook(0)).unwrap();
    assert_eq!(heads.iter().map(Head::entries).sum::<u64>(), 18);
}

fn follower(path: &std::path::Path) -> Store {
    let new = NewStore {
        id: StoreId::from_bytes([200; 16]),
        key: DeviceKey::from_bytes([200; 32]),
    };
    Store::create(path, new).unwrap()
}

/// Says all of these to a log, at once, each in pieces of its own size.
fn say_at_once(ground: &Ground, hubs: &[Vec<Vec<Record>>]) {
    let logs: Vec<_> = hubs.iter().map(|_| ground.log()).collect();
    thread::scope(|scope| {
        for ((batches, log), size) in hubs.iter().zip(&logs).zip([7, 13, 40]) {
            let log = Arc::clone(log);
            scope.spawn(move || {
                for batch in batches {
                    for to in (0..batch.len()).step_by(size).map(|from| from + size) {
                        // From the beginning each time, as a device does that heard nothing.
                        let to = to.min(batch.len());
                        log.append(&batch[to.saturating_sub(2 * size)..to], None)
                            .unwrap();
                    }
                }
            });
        }
    });
}

fn three_who_say_the_same_at_once_say_it_once(ground: &Ground) {
    let devices: Vec<_> = (0..8).map(|number| phone(10 + number, 80).1).collect();
    let hub = |first: usize| {
        let mut batches = devices.clone();
        batches.rotate_left(first);
        batches
    };
    say_at_once(ground, &[hub(0), hub(0), hub(3)]);
    let there = entries_of(&*ground.log());
    assert_eq!(there.len(), 8 * 80, "each once");
    in_order_by_device(&there, &devices);
}

fn in_order_by_device(there: &[Vec<u8>], devices: &[Vec<Record>]) {
    let mut by_device: BTreeMap<DeviceId, Vec<Vec<u8>>> = BTreeMap::new();
    for raw in there {
        let device = codec::peek(raw).unwrap().1;
        by_device.entry(device).or_default().push(raw.clone());
    }
    for records in devices {
        let raws = raws(records);
        let device = codec::peek(&raws[0]).unwrap().1;
        assert_eq!(
            by_device.get(&device),
            Some(&raws),
            "in the order of their numbers"
        );
    }
}

fn three_copies_of_a_phone_lose_nothing(ground: &Ground) {
    let copies = copies(3, 40);
    let hubs: Vec<_> = copies.iter().map(|copy| vec![copy.clone()]).collect();
    say_at_once(ground, &hubs);
    let expected: BTreeSet<_> = copies.iter().flat_map(|copy| raws(copy)).collect();
    let there = entries_of(&*ground.log());
    assert_eq!(there.len(), 10 + 3 * 40, "each once");
    assert_eq!(there.iter().cloned().collect::<BTreeSet<_>>(), expected);
    let (_folder, path) = Ground::scratch();
    let followed: Vec<_> = there
        .into_iter()
        .map(|raw| Followed { arrived: NOW, raw })
        .collect();
    follower(&path).follow(&followed, &[], &[]).unwrap();
}

fn whatever_a_cut_line_leaves_it_is_there_once(ground: &Ground) {
    const COUNT: usize = 12;
    let log = ground.log();
    let mut expected = Vec::new();
    for messages in 0..=COUNT {
        let number = u16::try_from(100 + messages).unwrap();
        let (_phone, entries) = phone(number, COUNT);
        let cut = match messages {
            COUNT => Cut::AnswerTo(COUNT),
            _ => Cut::After(messages),
        };
        if ground.can_be_cut() {
            let (log, been_cut) = ground.log_to_be_cut(cut);
            let appended = log.append(&entries, None).unwrap();
            assert_eq!(appended.new + appended.held, COUNT);
            assert!(been_cut(), "{cut:?}");
        } else {
            // Whoever writes to a file is cut by its own end: what it had said is there.
            log.append(&entries[..messages], None).unwrap();
            log.append(&entries, None).unwrap();
        }
        expected.push(entries);
    }
    let there = entries_of(&*log);
    assert_eq!(there.len(), COUNT * (COUNT + 1), "each once");
    in_order_by_device(&there, &expected);
}

fn what_was_acknowledged_outlives_its_leader(ground: &Ground) {
    const LOSSES: usize = 3;
    let devices: Vec<_> = (0..4).map(|number| phone(40 + number, 240).1).collect();
    let logs: Vec<_> = devices.iter().map(|_| ground.log()).collect();
    let lost_yet = std::sync::atomic::AtomicUsize::new(0);
    thread::scope(|scope| {
        for (entries, log) in devices.iter().zip(&logs) {
            let lost_yet = &lost_yet;
            scope.spawn(move || {
                // A third of each for the time up to each loss, so that some fall in each.
                for (piece, records) in entries.chunks(20).enumerate() {
                    let due = piece * LOSSES / 12;
                    while lost_yet.load(std::sync::atomic::Ordering::Acquire) < due {
                        thread::sleep(Duration::from_millis(5));
                    }
                    let mut tries = 0;
                    while let Err(error) = log.append(records, None) {
                        assert!(matches!(error, LogError::Unreachable(_)), "{error}");
                        tries += 1;
                        assert!(tries < 10, "{error}");
                    }
                }
            });
        }
        for _ in 0..LOSSES {
            thread::sleep(Duration::from_millis(30));
            ground.lose_leader();
            lost_yet.fetch_add(1, std::sync::atomic::Ordering::AcqRel);
        }
    });
    let there = entries_of(&*ground.log());
    assert_eq!(there.len(), 4 * 240, "each once");
    in_order_by_device(&there, &devices);
}

fn after_any_mark_the_rest_comes_in_order(ground: &Ground) {
    let logs = [ground.log(), ground.log(), ground.log()];
    let phones: Vec<_> = (0..6_u16).map(|number| Phone::new(60 + number)).collect();
    for round in 0..5_u8 {
        for (phone, number) in phones.iter().zip(0_usize..) {
            let book = logbook((round + number as u8) % 3);
            phone.record(book, "seen", 1 + number);
            logs[(number + usize::from(round)) % 3]
                .append(&phone.entries(book), None)
                .unwrap();
        }
    }
    let whole = all(&*logs[0], 1_000);
    let marks: Vec<_> = whole.iter().map(|(at, _)| *at).collect();
    assert!(marks.windows(2).all(|pair| pair[0] < pair[1]), "{marks:?}");
    assert_eq!(all(&*logs[1], 7), whole, "at another hub, in other pieces");
    for (index, mark) in marks.iter().enumerate() {
        let rest = logs[index % 3].read(*mark, 5, Duration::ZERO).unwrap();
        // A log that is far away may need a moment for what it has.
        let rest = match rest.is_empty() && index + 1 < whole.len() {
            true => logs[index % 3]
                .read(*mark, 5, Duration::from_secs(5))
                .unwrap(),
            false => rest,
        };
        let expected = &whole[index + 1..];
        assert_eq!(rest, expected[..rest.len()], "after {mark:?}");
        assert!(!rest.is_empty() || expected.is_empty(), "after {mark:?}");
    }
    let end = *marks.last().unwrap();
    assert_eq!(logs[0].end().unwrap(), end);
    assert_eq!(logs[2].read(end, 5, Duration::from_millis(20)).unwrap(), []);
}

fn what_hangs_on_a_condition_is_appended_by_one(ground: &Ground) {
    let logs: Vec<_> = (0..3).map(|_| ground.log()).collect();
    let (_phone, entries) = phone(80, 3);
    logs[0].append(&entries, None).unwrap();
    let at = logs[0].end().unwrap();
    let only_if: OnlyIf = Some((logbook(0), at));
    let won: Vec<_> = thread::scope(|scope| {
        let decide = |(log, number): (&Arc<dyn HubLog>, u16)| {
            let log = Arc::clone(log);
            scope.spawn(move || {
                let (_phone, entries) = phone(81 + number, 1);
                match log.append(&entries, only_if) {
                    Ok(appended) => {
                        assert_eq!(appended.new, 1);
                        true
                    }
                    Err(LogError::Moved) => false,
                    Err(error) => panic!("{error}"),
                }
            })
        };
        let deciding: Vec<_> = logs.iter().zip(0..).map(decide).collect();
        deciding
            .into_iter()
            .map(|one| one.join().unwrap())
            .collect()
    });
    assert_eq!(won.iter().filter(|won| **won).count(), 1, "{won:?}");
    assert_eq!(entries_of(&*logs[0]).len(), 4);
    // Another logbook's entries do not concern it.
    let other = Phone::new(90);
    other.record(logbook(1), "elsewhere", 1);
    let at = logs[0].end().unwrap();
    logs[1].append(&other.entries(logbook(1)), None).unwrap();
    let (_phone, entries) = phone(91, 1);
    let appended = logs[2].append(&entries, Some((logbook(0), at))).unwrap();
    assert_eq!(appended.new, 1);
}

fn everybody_calls_it_the_same(ground: &Ground) {
    let (one, other) = (ground.log(), ground.log());
    assert_eq!(one.log_id(), other.log_id());
    assert_eq!(one.end().unwrap(), Position::START);
    assert_eq!(other.read(Position::START, 10, Duration::ZERO).unwrap(), []);
}
