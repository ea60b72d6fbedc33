//! Seals that lie unsorted against the same seals sorted, and against damage.

use std::path::Path;
use std::sync::Arc;

use proptest::prelude::*;
use redb::Database;
use redb::backends::InMemoryBackend;

use super::*;
use crate::log::entry::{Change, Draft};
use crate::log::id::{FieldNumber, StoreId, ThingId};
use crate::log::seal::DeviceKey;
use crate::log::stamp::WallMs;
use crate::log::value::{HowKnown, Value};
use crate::log::vector::VersionVector;
use crate::store::writing::Writing;
use crate::store::{Clocks, Fault, NewStore, Store, Taking};

const LOGBOOKS: [LogbookId; 2] = [
    LogbookId::from_bytes([1; 16]),
    LogbookId::from_bytes([2; 16]),
];
/// Under whose keys the crews write: the last writes under the first one's, so that there are branches.
const KEYS: [u8; 4] = [2, 3, 4, 2];

fn new(number: u8) -> NewStore {
    NewStore {
        id: StoreId::from_bytes([number; 16]),
        key: DeviceKey::from_bytes([number; 32]),
    }
}

fn at(ms: u64) -> WallMs {
    WallMs::new(ms)
}

fn store(number: u8) -> Store {
    Store::on_backend(InMemoryBackend::new(), new(number)).unwrap()
}

fn draft(logbook: LogbookId, words: &str) -> Draft {
    Draft {
        logbook,
        by: "R. Ash".to_owned(),
        utc_offset_min: 0,
        visit: None,
        changes: vec![Change::Set {
            thing: ThingId::from_bytes([9; 16]),
            field: FieldNumber(7),
            value: Value::text(words),
            how: HowKnown::Unstated,
        }],
    }
}

fn raws(store: &Store) -> Vec<Vec<u8>> {
    let all = LOGBOOKS.iter().flat_map(|logbook| {
        let none = VersionVector::new();
        store.entries_beyond(*logbook, &none, usize::MAX).unwrap().0
    });
    all.collect()
}

/// Takes entries in with their devices' seals.
fn take(hub: &Store, batch: &[Vec<u8>], seals: &[Seal], now: u64) {
    let taking = Taking::everything(Clocks::TakenAsTold);
    hub.append_sealed(batch, seals, &taking, at(now)).unwrap();
}

fn sort(store: &Store) {
    let mut writing = Writing::begin(store, at(1)).unwrap();
    let (unsorted, txn) = writing.unsorted().unwrap();
    unsorted.sort(txn).unwrap();
    writing.commit(None).unwrap();
}

/// What a crew does: which one writes how many entries in which logbook, how many of its entries the hub
/// does not get though their seal comes, and what the hub does then.
#[derive(Debug, Clone, Copy)]
struct Step {
    crew: usize,
    logbook: usize,
    entries: usize,
    kept_back: usize,
    then: u8,
}

fn steps() -> impl Strategy<Value = Vec<Step>> {
    let step = (0..KEYS.len(), 0_usize..2, 1_usize..4, 0_usize..8, 0_u8..12);
    let step = step.prop_map(|(crew, logbook, entries, kept_back, then)| Step {
        crew,
        logbook,
        entries,
        kept_back: kept_back.saturating_sub(5),
        then,
    });
    prop::collection::vec(step, 1..24)
}

proptest! {
    #[test]
    fn seals_are_told_as_if_all_were_sorted_whatever_comes_and_whenever_they_are(steps in steps()) {
        let crews: Vec<_> = KEYS.iter().map(|key| store(*key)).collect();
        let (mut hub, sorted) = (store(100), store(101));
        for (nth, step) in (2..).zip(&steps) {
            let (crew, logbook) = (&crews[step.crew], LOGBOOKS[step.logbook]);
            let drafts: Vec<_> = (0..step.entries).map(|n| draft(logbook, &format!("{nth} {n}"))).collect();
            crew.record(&drafts, at(nth)).unwrap();
            let all = raws(crew);
            let seals = crew.seals(&all).unwrap();
            let came = &all[..all.len().saturating_sub(step.kept_back)];
            for hub in [&hub, &sorted] {
                take(hub, came, &seals, nth);
            }
            sort(&sorted);
            match step.then {
                0 => sort(&hub),
                1 => drop(hub.press_all().unwrap()),
                2 => drop(hub.rebuild().unwrap()),
                3 => hub.live().unsorted = None, // as after it is opened again
                4 => {
                    for hub in [&hub, &sorted] {
                        hub.drop_logbook(logbook).unwrap();
                    }
                }
                _ => {}
            }
            prop_assert_eq!(hub.all_seals().unwrap(), sorted.all_seals().unwrap());
            let held = raws(&hub);
            prop_assert_eq!(hub.seals(&held).unwrap(), sorted.seals(&held).unwrap());
        }
        prop_assert_eq!(&hub.verify().unwrap().faults, &[]);
    }
}

/// Changes a byte of every row of unsorted seals in a closed file.
fn damage(path: &Path) {
    let db = Database::open(path).unwrap();
    let txn = db.begin_write().unwrap();
    {
        let mut table = txn.open_table(SHEAVES).unwrap();
        let rows: Vec<_> = table
            .iter()
            .unwrap()
            .map(|row| {
                row.map(|(nth, row)| (nth.value(), row.value().to_vec()))
                    .unwrap()
            })
            .collect();
        assert_ne!(rows.len(), 0);
        for (nth, mut row) in rows {
            *row.last_mut().unwrap() ^= 1;
            table.insert(nth, row.as_slice()).unwrap();
        }
    }
    txn.commit().unwrap();
}

#[test]
fn damaged_seals_hold_nobody_up_and_are_found_and_those_that_come_next_do_for_them() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("hub.redb");
    let crew = store(2);
    let meet = |hub: &Store, now: u64| {
        crew.record(&[draft(LOGBOOKS[0], "seen")], at(now)).unwrap();
        let all = raws(&crew);
        take(hub, &all, &crew.seals(&all).unwrap(), now);
    };
    let hub = Store::create(&path, new(100)).unwrap();
    meet(&hub, 1);
    assert_eq!(hub.all_seals().unwrap().len(), 1);
    drop(hub);
    damage(&path);
    let mut hub = Store::open(&path).unwrap();
    assert_eq!(hub.all_seals().unwrap(), []);
    let verified = hub.verify().unwrap();
    assert_eq!(verified.faults, [Fault::Index("seals")]);
    assert!(verified.chains.values().all(|chain| chain.sealed.is_none()));
    meet(&hub, 2);
    assert_eq!(hub.all_seals().unwrap().len(), 1);
    hub.rebuild().unwrap();
    let verified = hub.verify().unwrap();
    assert_eq!(verified.faults, []);
    assert!(verified.chains.values().all(|chain| chain.sealed.is_some()));
    assert_eq!(hub.all_seals().unwrap().len(), 1);
}

#[test]
fn a_seal_that_comes_again_is_kept_once_and_so_many_that_they_are_sorted_go_on() {
    let (crew, mut hub) = (store(2), store(100));
    crew.record(&[draft(LOGBOOKS[0], "seen")], at(1)).unwrap();
    let all = raws(&crew);
    let seals = crew.seals(&all).unwrap();
    for now in [1, 2] {
        take(&hub, &all, &seals, now);
    }
    let unsorted = |hub: &Store| hub.live().unsorted.as_ref().map(|unsorted| unsorted.many);
    assert_eq!(unsorted(&hub), Some(1));
    if let Some(unsorted) = &mut hub.live().unsorted {
        Arc::make_mut(unsorted).many = MOST;
    }
    crew.record(&[draft(LOGBOOKS[0], "again")], at(3)).unwrap();
    let all = raws(&crew);
    take(&hub, &all, &crew.seals(&all).unwrap(), 3);
    assert_eq!(unsorted(&hub), Some(0));
    assert_eq!(hub.all_seals().unwrap(), crew.all_seals().unwrap());
    assert_eq!(&hub.verify().unwrap().faults, &[]);
}
