//! What a store says of single things at any moment, against the replay of all that it holds.

use proptest::prelude::*;

use super::super::scene::{self, thing};
use super::super::{Appended, Clocks, Fault, Store};
use super::*;
use crate::log::id::FieldNumber;
use crate::log::stamp::WallMs;
use crate::merge::register::Register;
use crate::merge::replay::{Placed, State};

const LOGBOOKS: [LogbookId; 2] = [
    LogbookId::from_bytes([9; 16]),
    LogbookId::from_bytes([11; 16]),
];

/// What some crews do; the hub is where they meet.
#[derive(Debug, Clone)]
enum Step {
    Write {
        crew: usize,
        book: usize,
        thing: u8,
        field: u16,
        wall: u64,
    },
    Call(usize),
    Press,
    Drop(usize),
}

fn steps() -> impl Strategy<Value = Vec<Step>> {
    let write = (0_usize..3, 0_usize..4, 0_u8..7, 0_u16..3, 1_u64..300);
    let step = prop_oneof![
        20 => write.prop_map(|(crew, book, thing, field, wall)| Step::Write {
            crew, book: book / 3, thing, field, wall,
        }),
        6 => (0_usize..3).prop_map(Step::Call),
        3 => Just(Step::Press),
        1 => (0_usize..2).prop_map(Step::Drop),
    ];
    prop::collection::vec(step, 1..120)
}

fn store(number: u8) -> Store {
    let store = scene::store(number);
    store.keep_loose(usize::from(number));
    store
}

fn carry(from: &Store, to: &Store, book: LogbookId) -> Appended {
    let known = to.vector(book).unwrap();
    let (batch, _) = from.entries_beyond(book, &known, usize::MAX).unwrap();
    let now = WallMs::new(1);
    to.append(&batch, now, Clocks::TakenAsTold).unwrap()
}

fn held(store: &Store, book: LogbookId) -> Vec<Placed> {
    let held = store.entries(book).unwrap().into_iter();
    held.map(|kept| kept.placed).collect()
}

fn fields_of(state: &State, thing: ThingId) -> Vec<(FieldNumber, Register)> {
    let fields = state.registers_of(thing);
    fields
        .map(|(of, register)| (of, register.clone()))
        .collect()
}

fn play(hub: &Store, crews: &[Store], step: &Step) {
    match *step {
        Step::Write {
            crew,
            book,
            thing: of,
            field,
            wall,
        } => {
            let change = scene::set(thing(of), field, &format!("{wall} by {crew}"));
            let draft = scene::draft(LOGBOOKS[book], vec![change]);
            crews[crew].record(&[draft], WallMs::new(wall)).unwrap();
        }
        Step::Call(crew) => {
            for book in LOGBOOKS {
                carry(&crews[crew], hub, book);
                carry(hub, &crews[crew], book);
            }
        }
        Step::Press => drop(hub.press_all().unwrap()),
        Step::Drop(book) => {
            // Some crew holds all of it, and brings it back some time.
            carry(hub, &crews[0], LOGBOOKS[book]);
            hub.drop_logbook(LOGBOOKS[book]).unwrap();
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(100))]

    #[test]
    fn every_thing_is_at_any_moment_what_all_entries_say_whenever_they_came(
        steps in steps(),
        moments in prop::collection::vec((0_usize..2, 0_u8..8, 0_u64..310), 6),
    ) {
        let mut hub = store(100);
        let crews = [store(1), store(2), store(3)];
        hub.keep_loose(4);
        for (nth, step) in steps.iter().enumerate() {
            play(&hub, &crews, step);
            if matches!(step, Step::Write { .. }) || nth % 3 == 0 {
                continue;
            }
            for &(book, of, moment) in &moments {
                let (book, until) = (LOGBOOKS[book], Stamp::end_of(WallMs::new(moment)));
                let right = State::as_of(&held(&hub, book), until);
                let fields = hub.fields_as_of(book, thing(of), until).unwrap();
                prop_assert_eq!(fields, fields_of(&right, thing(of)), "as of {}", moment);
                prop_assert_eq!(&*hub.state_as_of(book, until).unwrap(), &right);
            }
        }
        hub.press_all().unwrap();
        let verified = hub.verify().unwrap();
        prop_assert_eq!(&verified.faults, &[]);
        let said = |hub: &Store| -> Vec<_> {
            let ask = |&(book, of, moment): &(usize, u8, u64)| {
                let until = Stamp::end_of(WallMs::new(moment));
                hub.fields_as_of(LOGBOOKS[book], thing(of), until).unwrap()
            };
            moments.iter().map(ask).collect()
        };
        let before = said(&hub);
        hub.rebuild().unwrap();
        prop_assert_eq!(hub.verify().unwrap(), verified);
        prop_assert_eq!(said(&hub), before);
    }
}

/// A hub in a file, in which each of some things was written often and all is packed.
fn packed(path: &std::path::Path) -> Store {
    let hub = Store::create(path, scene::new(100)).unwrap();
    let crews = [store(1)];
    for wall in 0..60 {
        let write = Step::Write {
            crew: 0,
            book: 0,
            thing: (wall % 5) as u8,
            field: 0,
            wall: 10 + wall,
        };
        play(&hub, &crews, &write);
    }
    play(&hub, &crews, &Step::Call(0));
    hub.press_all().unwrap();
    hub
}

#[test]
fn a_row_that_is_changed_or_gone_is_found_and_made_again() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("hub.redb");
    drop(packed(&path));
    type Spoil = fn(&mut redb::Table<'_, &'static Key, &'static [u8]>, &Key, &[u8]);
    let change: Spoil = |rows, key, row| {
        let mut row = row.to_vec();
        *row.last_mut().unwrap() ^= 1;
        rows.insert(key, row.as_slice()).unwrap();
    };
    let remove: Spoil = |rows, key, _| drop(rows.remove(key).unwrap());
    let moved: Spoil = |rows, key, row| {
        let mut other = *key;
        other[20] ^= 1;
        let row = row.to_vec();
        rows.remove(key).unwrap();
        rows.insert(&other, row.as_slice()).unwrap();
    };
    let moments = || (0..80).map(|wall| Stamp::end_of(WallMs::new(wall)));
    let lie: Spoil = |rows, key, row| {
        let mut rest = row[8..].to_vec();
        *rest.last_mut().unwrap() ^= 1;
        let row = super::super::tables::summed_row(key, |row| row.extend_from_slice(&rest));
        rows.insert(key, row.as_slice()).unwrap();
    };
    for spoil in [change, remove, moved, lie] {
        let rows: Vec<(Key, Vec<u8>)> = {
            let db = redb::Database::open(&path).unwrap();
            let txn = redb::ReadableDatabase::begin_read(&db).unwrap();
            let rows = txn.open_table(HISTORIES).unwrap();
            let rows = rows.iter().unwrap().map(Result::unwrap);
            rows.map(|(key, row)| (*key.value(), row.value().to_vec()))
                .collect()
        };
        assert!(rows.len() > 2, "{} rows", rows.len());
        for (key, row) in &rows {
            let spoiled = folder.path().join("spoiled.redb");
            std::fs::copy(&path, &spoiled).unwrap();
            let db = redb::Database::open(&spoiled).unwrap();
            let txn = db.begin_write().unwrap();
            spoil(&mut txn.open_table(HISTORIES).unwrap(), key, row);
            txn.commit().unwrap();
            drop(db);
            let mut hub = Store::open(&spoiled).unwrap();
            assert_eq!(hub.verify().unwrap().faults, [Fault::Index("balances")]);
            hub.rebuild().unwrap();
            assert_eq!(hub.verify().unwrap().faults, []);
            let right = held(&hub, LOGBOOKS[0]);
            for until in moments() {
                let then = State::as_of(&right, until);
                let fields = hub.fields_as_of(LOGBOOKS[0], thing(1), until).unwrap();
                assert_eq!(fields, fields_of(&then, thing(1)));
            }
        }
    }
}

#[test]
fn a_changed_row_is_not_told() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("hub.redb");
    drop(packed(&path));
    let db = redb::Database::open(&path).unwrap();
    let txn = db.begin_write().unwrap();
    let mut rows = txn.open_table(HISTORIES).unwrap();
    let all: Vec<_> = rows
        .iter()
        .unwrap()
        .map(Result::unwrap)
        .map(|(key, row)| (*key.value(), row.value().to_vec()))
        .collect();
    for (key, mut row) in all {
        *row.last_mut().unwrap() ^= 1;
        rows.insert(&key, row.as_slice()).unwrap();
    }
    drop(rows);
    txn.commit().unwrap();
    drop(db);
    let hub = Store::open(&path).unwrap();
    let until = Stamp::end_of(WallMs::new(40));
    let is_told = |error: &Error| matches!(error, Error::DamagedIndex { table: "histories" });
    let fields = hub.fields_as_of(LOGBOOKS[0], thing(1), until);
    assert!(fields.as_ref().is_err_and(is_told), "{fields:?}");
    let then = hub.state_as_of(LOGBOOKS[0], until);
    assert!(then.as_ref().is_err_and(is_told), "{then:?}");
    // What stands now is told without them.
    assert!(hub.state(LOGBOOKS[0]).is_ok());
}
