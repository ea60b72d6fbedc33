//! Bunches against the same entries elsewhere, and against damage.

use std::path::Path;

use proptest::prelude::*;
use redb::Database;
use redb::backends::InMemoryBackend;

use super::*;
use crate::log::entry::Draft;
use crate::log::vector::VersionVector;
use crate::store::scene::{self, at, new};
use crate::store::{Clocks, Fault, Store};

const LOGBOOKS: [LogbookId; 6] = [
    LogbookId::from_bytes([1; 16]),
    LogbookId::from_bytes([2; 16]),
    LogbookId::from_bytes([3; 16]),
    LogbookId::from_bytes([4; 16]),
    LogbookId::from_bytes([5; 16]),
    LogbookId::from_bytes([6; 16]),
];
const EACH: usize = 40;

fn draft(number: usize) -> Draft {
    let words = format!("note {number}, and what else there is: {}", "-".repeat(60));
    let change = scene::set(
        scene::thing((number % 7) as u8),
        (number % 5) as u16,
        &words,
    );
    scene::draft(LOGBOOKS[number % LOGBOOKS.len()], vec![change])
}

/// A crew's store with entries of every logbook, in turns.
fn crew() -> Store {
    let crew = scene::store(2);
    for number in 0..EACH * LOGBOOKS.len() {
        crew.record(&[draft(number)], at(number as u64)).unwrap();
    }
    crew
}

fn raws(of: &Store) -> Vec<Vec<u8>> {
    let none = VersionVector::new();
    let all = LOGBOOKS.map(|logbook| of.entries_beyond(logbook, &none, usize::MAX).unwrap().0);
    all.concat()
}

/// Takes in what the crew has: some as it comes, then much at once, then some again.
fn fill(hub: &Store, crew: &Store) {
    hub.keep_loose(2);
    let raws = raws(crew);
    for batch in [&raws[..3], &raws[3..200], &raws[200..210], &raws[210..]] {
        hub.append(batch, at(10_000), Clocks::TakenAsTold).unwrap();
    }
}

fn hub(at: &Path, crew: &Store) -> Store {
    let hub = Store::create(at, new(1)).unwrap();
    fill(&hub, crew);
    hub
}

fn bunches(of: &Store) -> u64 {
    use redb::ReadableTableMetadata;
    let txn = of.db.begin_read().unwrap();
    txn.open_table(BUNCHES).unwrap().len().unwrap()
}

fn assert_tells(hub: &mut Store, crew: &Store, logbooks: &[LogbookId]) {
    for &logbook in logbooks {
        assert_eq!(hub.state(logbook).unwrap(), crew.state(logbook).unwrap());
        let entries = |of: &Store| -> Vec<_> {
            let kept = of.entries(logbook).unwrap();
            kept.into_iter().map(|kept| kept.placed.clone()).collect()
        };
        assert_eq!(entries(hub), entries(crew));
        assert_eq!(hub.vector(logbook).unwrap(), crew.vector(logbook).unwrap());
    }
    assert_eq!(hub.logbooks().unwrap(), logbooks);
    assert_eq!(hub.verify().unwrap().faults, []);
}

#[test]
fn what_came_together_lies_in_bunches_and_is_told_as_anything_else() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("hub");
    let crew = crew();
    let mut kept = hub(&path, &crew);
    assert_tells(&mut kept, &crew, &LOGBOOKS);
    assert!(bunches(&kept) > 2, "several of one stretch");
    drop(kept);
    let mut pressed = Store::open(&path).unwrap();
    pressed.keep_loose(2);
    // Some of it, and then the rest.
    assert!(pressed.press_once(100, 1, 100).unwrap() > 0);
    assert!(bunches(&pressed) > 0);
    assert_tells(&mut pressed, &crew, &LOGBOOKS);
    pressed.press_all().unwrap();
    assert_eq!(bunches(&pressed), 0);
    assert_tells(&mut pressed, &crew, &LOGBOOKS);
    let mut dropping = Store::on_backend(InMemoryBackend::new(), new(3)).unwrap();
    fill(&dropping, &crew);
    assert_eq!(dropping.drop_logbook(LOGBOOKS[2]).unwrap(), EACH as u64);
    let left: Vec<_> = LOGBOOKS
        .into_iter()
        .filter(|one| *one != LOGBOOKS[2])
        .collect();
    assert_tells(&mut dropping, &crew, &left);
}

#[test]
fn who_reads_on_from_a_bookmark_gets_what_came_after_it() {
    let crew = crew();
    let hub = Store::on_backend(InMemoryBackend::new(), new(1)).unwrap();
    fill(&hub, &crew);
    let all = raws(&crew);
    for after in (0..all.len()).step_by(7) {
        let after = Arrival(after as u64);
        let news = hub.news(after, &|_, _| true, &BTreeSet::new(), usize::MAX);
        let news = news.unwrap();
        assert_eq!(news.batch, all[after.0 as usize..]);
        assert!(hub.made_bookmark(news.read).unwrap());
        let some = hub
            .news(after, &|_, _| true, &BTreeSet::new(), 900)
            .unwrap();
        assert_eq!(some.batch, all[after.0 as usize..][..some.batch.len()]);
        assert!(hub.made_bookmark(some.read).unwrap());
    }
}

#[test]
fn where_it_is_damaged_which_stretches_lie_in_bunches_that_is_found_again() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("hub");
    let crew = crew();
    drop(hub(&path, &crew));
    let db = Database::open(&path).unwrap();
    let txn = db.begin_write().unwrap();
    let damaged = &b"nothing of the kind"[..];
    txn.open_table(IDENTITY)
        .unwrap()
        .insert(BUNCHED, damaged)
        .unwrap();
    txn.commit().unwrap();
    drop(db);
    let mut again = Store::open(&path).unwrap();
    for logbook in LOGBOOKS {
        assert_eq!(again.state(logbook).unwrap(), crew.state(logbook).unwrap());
    }
    assert_eq!(again.verify().unwrap().faults, [Fault::Index("groups")]);
    again.rebuild().unwrap();
    assert_eq!(bunches(&again), 0);
    assert_tells(&mut again, &crew, &LOGBOOKS);
}

/// Changes a byte of every bunch: in what stands before the blocks, or in the last block.
fn damage(path: &Path, at_end: bool) {
    let db = Database::open(path).unwrap();
    let txn = db.begin_write().unwrap();
    {
        let mut table = txn.open_table(BUNCHES).unwrap();
        let rows = table.iter().unwrap().map(|row| {
            let (key, row) = row.unwrap();
            (*key.value(), row.value().to_vec())
        });
        let rows: Vec<_> = rows.collect();
        for (key, mut row) in rows {
            let at = if at_end { row.len() - 1 } else { 12 };
            row[at] ^= 1;
            table.insert(&key, row.as_slice()).unwrap();
        }
    }
    txn.commit().unwrap();
}

#[test]
fn a_damaged_bunch_is_found_and_its_blocks_are_got_again() {
    for at_end in [true, false] {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("hub");
        let crew = crew();
        drop(hub(&path, &crew));
        damage(&path, at_end);
        let mut kept = Store::open(&path).unwrap();
        let faults = kept.verify().unwrap().faults;
        let is_entry = |fault: &Fault| matches!(fault, Fault::Entry(_) | Fault::Chain(_));
        assert!(
            !faults.is_empty() && faults.iter().all(is_entry),
            "{faults:?}"
        );
        let read = LOGBOOKS.map(|logbook| kept.state(logbook));
        let told = |error: &Error| matches!(error, Error::DamagedEntry { .. });
        let failed = read.iter().filter(|read| read.is_err()).count();
        assert!(read.iter().flat_map(|read| read.as_ref().err()).all(told));
        // What is behind the block that is damaged in one bunch lies in the next.
        assert!(
            failed > 0 && (failed < LOGBOOKS.len() || !at_end),
            "{failed}"
        );
        let damaged = kept.damaged().unwrap();
        assert!(!damaged.is_empty());
        for (logbook, marks) in damaged {
            let whole = crew.entries_of(logbook, &marks, usize::MAX).unwrap();
            assert_eq!(kept.mend(logbook, &whole).unwrap(), marks.len());
        }
        assert_eq!(bunches(&kept), 0);
        assert_tells(&mut kept, &crew, &LOGBOOKS);
        kept.press_all().unwrap();
        assert_tells(&mut kept, &crew, &LOGBOOKS);
    }
}

#[test]
fn blocks_lie_between_the_stretches_of_bunches() {
    let stretch = |first, last| Arrivals {
        logbooks: bit(LOGBOOKS[0]) | bit(LOGBOOKS[1]),
        ..Arrivals::between(Arrival(first), Arrival(last))
    };
    let bunched = Bunched(vec![stretch(10, 19), stretch(20, 25), stretch(40, 50)]);
    let bunch = |first| Lie::Bunch(Arrival(first));
    let all = [
        Lie::Blocks(0, 9),
        bunch(10),
        bunch(20),
        Lie::Blocks(26, 39),
        bunch(40),
        Lie::Blocks(51, u64::MAX),
    ];
    assert_eq!(bunched.lie(LOGBOOKS[1], (0, u64::MAX)), all);
    assert_eq!(bunched.lie(LOGBOOKS[1], (15, 22)), [bunch(10), bunch(20)]);
    assert_eq!(bunched.lie(LOGBOOKS[1], (26, 39)), [Lie::Blocks(26, 39)]);
    assert_eq!(
        bunched.lie(LOGBOOKS[1], (30, 41)),
        [Lie::Blocks(30, 39), bunch(40)]
    );
    assert_eq!(
        Bunched::default().lie(LOGBOOKS[1], (3, 4)),
        [Lie::Blocks(3, 4)]
    );
    let of_another = bunched.lie(LOGBOOKS[2], (15, u64::MAX));
    assert_eq!(of_another, [Lie::Blocks(26, 39), Lie::Blocks(51, u64::MAX)]);
    assert_eq!(Bunched::of_row(&bunched.row()), Some(bunched));
}

proptest! {
    #[test]
    fn no_bytes_make_the_reader_panic(bytes in any::<Vec<u8>>(), first in any::<[u8; 16]>()) {
        let at = key(Arrival(7), LogbookId::from_bytes(first));
        let mut row = Vec::new();
        sized(&mut row, &tables::checked_row(&at, |row| row.extend_from_slice(&bytes)));
        row.extend_from_slice(&bytes);
        for row in [&row, &bytes] {
            if let Ok(blocks) = Blocks::of(&at, row) {
                let _read = blocks.count();
            }
        }
        let _unread = Bunched::of_row(&bytes);
    }
}
