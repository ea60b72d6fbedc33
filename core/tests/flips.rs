//! One bit of a closed store's file is another: every read gives what was written or an error, and
//! where a read that does not look at checks might go wrong, `verify` says so.
//!
//! `HEADWALK_DEEP=1` flips 5,000 bits; else 300.

#![expect(
    clippy::unwrap_used,
    reason = "all of this is a test, though not every function says so"
)]

#[expect(dead_code, reason = "no power is lost here")]
mod disk;

use std::fs;
use std::panic::catch_unwind;
use std::sync::Arc;

use disk::{Chance, Disk};
use headwalk_core::log::entry::{Change, Draft};
use headwalk_core::log::id::{FieldNumber, LogbookId, ObservationNumber, StoreId, ThingId};
use headwalk_core::log::seal::{DeviceKey, Seal};
use headwalk_core::log::stamp::{Stamp, WallMs};
use headwalk_core::log::value::{HowKnown, Value};
use headwalk_core::log::vector::VersionVector;
use headwalk_core::merge::register::Register;
use headwalk_core::merge::replay::State;
use headwalk_core::store::{Clocks, Error, Kept, NewStore, Store, Taking};

const LOGBOOKS: [LogbookId; 2] = [
    LogbookId::from_bytes([5; 16]),
    LogbookId::from_bytes([6; 16]),
];

/// Between the first entry and the last.
const THEN: Stamp = Stamp::new(WallMs::new(90_000_020), 0);

fn new(number: u8) -> NewStore {
    NewStore {
        id: StoreId::from_bytes([number; 16]),
        key: DeviceKey::from_bytes([number; 32]),
    }
}

fn draft(number: u64) -> Draft {
    let thing = ThingId::from_bytes([(number % 7) as u8; 16]);
    let value = Value::Text(format!("note number {number}, as a technician writes"));
    let change = if number.is_multiple_of(3) {
        Change::Observe {
            thing,
            what: ObservationNumber(3),
            value,
            how: HowKnown::Measured,
        }
    } else {
        Change::Set {
            thing,
            field: FieldNumber((number % 20) as u16),
            value,
            how: HowKnown::Unstated,
        }
    };
    Draft {
        logbook: LOGBOOKS[(number % 2) as usize],
        by: "R. Ash".to_owned(),
        utc_offset_min: -300,
        visit: None,
        changes: vec![change],
    }
}

/// A hub's closed file: two devices' entries with their seals, one of them with a wrong clock.
fn image() -> Vec<u8> {
    let disk = Disk::default();
    let store = Store::on_backend(disk.clone(), new(1)).unwrap();
    store.keep_loose(35); // some in blocks, some not
    let other = Store::on_backend(Disk::default(), new(2)).unwrap();
    for number in 0..40 {
        let drafts = [draft(number)];
        store
            .record(&drafts, WallMs::new(90_000_000 + number))
            .unwrap();
        other
            .record(&drafts, WallMs::new(180_000_000 + number))
            .unwrap();
    }
    store.press_all().unwrap(); // so that it is told from a balance
    for (logbook, most_loose) in LOGBOOKS.into_iter().zip([4, 35]) {
        store.keep_loose(most_loose); // so that what came together lies in a bunch, and then some does not
        let known = VersionVector::new();
        let (batch, _) = other.entries_beyond(logbook, &known, usize::MAX).unwrap();
        let seals = other.seals(&batch).unwrap();
        let clocks = Clocks::Judged {
            sender: other.device(),
            behind_ms: 0,
        };
        let now = WallMs::new(90_001_000);
        let taken = store.append_sealed(&batch, &seals, &Taking::everything(clocks), now);
        assert!(taken.unwrap().receipts > 0);
    }
    drop(store);
    disk.platter().written.clone()
}

/// Everything that a store can be asked for, or that it says no.
struct Answers {
    entries: Vec<Result<Vec<Kept>, Error>>,
    raws: Vec<Result<Vec<Vec<u8>>, Error>>,
    seals: Vec<Result<Vec<Seal>, Error>>,
    states: Vec<Result<Arc<State>, Error>>,
    then: Vec<Result<Arc<State>, Error>>,
    fields: Vec<Result<Vec<(FieldNumber, Register)>, Error>>,
    logbooks: Result<Vec<LogbookId>, Error>,
}

impl Answers {
    fn of(store: &Store) -> Self {
        let raws: Vec<_> = LOGBOOKS
            .iter()
            .map(|logbook| {
                let none = VersionVector::new();
                Ok(store.entries_beyond(*logbook, &none, usize::MAX)?.0)
            })
            .collect();
        let seals = raws.iter().map(|raws| match raws {
            Ok(raws) => store.seals(raws),
            Err(_) => Ok(Vec::new()),
        });
        Self {
            entries: LOGBOOKS.map(|logbook| store.entries(logbook)).into(),
            seals: seals.collect(),
            raws,
            states: LOGBOOKS.map(|logbook| store.state(logbook)).into(),
            then: LOGBOOKS
                .map(|logbook| store.state_as_of(logbook, THEN))
                .into(),
            fields: LOGBOOKS
                .iter()
                .flat_map(|logbook| {
                    let things = (0..7).map(|number| ThingId::from_bytes([number; 16]));
                    things.map(|thing| store.fields_as_of(*logbook, thing, THEN))
                })
                .collect(),
            logbooks: store.logbooks(),
        }
    }

    /// What is neither right nor an error: by what feeds exchange, replay and export (every entry
    /// that is told must be right, though an index that is damaged may lose sight of one), and by
    /// anything at all.
    fn wrong(&self, right: &Self) -> (Option<&'static str>, Option<&'static str>) {
        let mut told = None;
        let mut any = None;
        for (ours, theirs) in self.entries.iter().zip(&right.entries) {
            let (Ok(ours), Ok(theirs)) = (ours, theirs) else {
                continue;
            };
            let there = |kept: &Kept| theirs.iter().any(|right| right.entry == kept.entry);
            if !ours.iter().all(there) {
                told = Some("an entry");
            }
            if ours != theirs {
                any = Some("entries");
            }
        }
        for (ours, theirs) in self.raws.iter().zip(&right.raws) {
            let (Ok(ours), Ok(theirs)) = (ours, theirs) else {
                continue;
            };
            if !ours.iter().all(|raw| theirs.contains(raw)) {
                told = Some("an entry's bytes");
            }
            if ours != theirs {
                any = Some("bytes");
            }
        }
        let seals = self.seals.iter().zip(&right.seals);
        if seals.clone().any(|(ours, theirs)| {
            matches!((ours, theirs), (Ok(ours), Ok(theirs)) if !ours.is_empty() && ours != theirs)
        }) {
            any = Some("seals");
        }
        let states = self.states.iter().chain(&self.then);
        let states = states.zip(right.states.iter().chain(&right.then));
        if states.clone().any(
            |(ours, theirs)| matches!((ours, theirs), (Ok(ours), Ok(theirs)) if ours != theirs),
        ) {
            any = Some("state");
        }
        if self.fields.iter().zip(&right.fields).any(
            |(ours, theirs)| matches!((ours, theirs), (Ok(ours), Ok(theirs)) if ours != theirs),
        ) {
            any = Some("fields");
        }
        if matches!((&self.logbooks, &right.logbooks), (Ok(ours), Ok(theirs)) if ours != theirs) {
            any = Some("logbooks");
        }
        (told, any)
    }
}

#[test]
fn a_flipped_bit_never_gives_a_wrong_entry_and_no_wrong_answer_without_a_word_from_verify() {
    let image = image();
    let scratch = tempfile::tempdir().unwrap();
    let path = scratch.path().join("hub.redb");
    fs::write(&path, &image).unwrap();
    let right = Answers::of(&Store::open(&path).unwrap());
    assert!(right.entries.iter().all(Result::is_ok) && right.states.iter().all(Result::is_ok));
    assert!(
        right
            .fields
            .iter()
            .any(|fields| fields.as_ref().is_ok_and(|of| !of.is_empty()))
    );
    let flips = if std::env::var_os("HEADWALK_DEEP").is_some() {
        5_000
    } else {
        300
    };
    let (mut not_opened, mut panicked, mut wrong_before, mut found, mut harmless) = (0, 0, 0, 0, 0);
    for number in 0..flips {
        let mut chance = Chance::seeded(number);
        let at = chance.next(image.len() as u64) as usize;
        let mut flipped = image.clone();
        flipped[at] ^= 1 << chance.next(8);
        fs::write(&path, &flipped).unwrap();
        // redb may panic on a damaged page, and when it closes: who reads is told so, too.
        let read = catch_unwind(|| Store::open(&path).map(|store| Answers::of(&store)));
        let answers = match read {
            Ok(Ok(answers)) => answers,
            Ok(Err(_)) => {
                not_opened += 1;
                continue;
            }
            Err(_) => {
                panicked += 1;
                continue;
            }
        };
        let (told, any) = answers.wrong(&right);
        assert_eq!(told, None, "flip {number}, byte {at}");
        fs::write(&path, &flipped).unwrap();
        let verified = catch_unwind(|| {
            let mut store = Store::open(&path)?;
            let verified = store.verify()?;
            Ok::<_, Error>((verified, Answers::of(&store)))
        });
        let sound = match verified {
            Ok(Ok((verified, after))) if verified.faults.is_empty() => Some(after),
            _ => None,
        };
        if any.is_some() {
            wrong_before += 1;
        }
        let Some(after) = sound else {
            found += 1;
            continue;
        };
        let after = after.wrong(&right).1;
        assert_eq!(after, None, "flip {number}, byte {at}: verify said nothing");
        assert_eq!(
            any, None,
            "flip {number}, byte {at}: wrong, and verify said nothing"
        );
        harmless += 1;
    }
    println!(
        "{flips} flips in {} bytes: {not_opened} not opened, {panicked} stopped a read, {found} \
         found by verify ({wrong_before} of them had changed an index's answer), {harmless} \
         changed nothing",
        image.len()
    );
    assert!(found > 0, "flips that nobody finds prove nothing");
}
