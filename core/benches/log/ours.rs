//! The store under the benchmark: a hub's, and copies of it for the devices, as if each had carried
//! every site all season.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::mpsc;
use std::thread;

use headwalk_core::exchange::message::Parcel;
use headwalk_core::exchange::session::{Answering, Caller, Next, Summary, answer};
use headwalk_core::log::id::{LogbookId, StoreId};
use headwalk_core::log::seal::DeviceKey;
use headwalk_core::log::stamp::WallMs;
use headwalk_core::store::{Came, Clocks, NewStore, Store, Taking};
use redb::{Database, ReadableDatabase, ReadableTableMetadata, TableDefinition, TableHandle};

use crate::BATCH;
use crate::measure::{Taken, timed_together};

/// The store's own table of names, as far as a copy must change it to be another device's store.
const IDENTITY: TableDefinition<'_, &str, &[u8]> = TableDefinition::new("identity_v1");

pub fn hub(path: &Path) -> Store {
    let new = NewStore {
        id: StoreId::from_bytes([200; 16]),
        key: DeviceKey::from_bytes([200; 32]),
    };
    Store::create(path, new).expect("a new store")
}

/// Makes a copy of a closed store another device's: its own id and key, everything else the same.
pub fn copy_for(from: &Path, to: &Path, number: u8, key: &DeviceKey) -> PathBuf {
    fs::copy(from, to).expect("there is room for a copy");
    let db = Database::open(to).expect("the copy is a store");
    let txn = db.begin_write().expect("one writer");
    {
        let mut identity = txn.open_table(IDENTITY).expect("the table of names");
        let (id, key) = ([number; 16], key.to_bytes());
        identity.insert("store", id.as_slice()).expect("it is put");
        identity.insert("key", key.as_slice()).expect("it is put");
    }
    txn.commit().expect("it is on disk");
    to.to_owned()
}

/// What a closed store's file holds: its length, the bytes of its rows, and the pages of the blocks in
/// which the entries lie; everything else follows from those.
pub struct Held {
    pub file: u64,
    pub rows: u64,
    pub blocks: u64,
}

pub fn held_by(path: &Path) -> Held {
    let file = fs::metadata(path).expect("the file is there").len();
    let db = Database::open(path).expect("a store");
    let txn = db.begin_write().expect("one writer");
    let rows = txn.stats().expect("redb counts its pages").stored_bytes();
    drop(txn.abort());
    let txn = db.begin_read().expect("it reads");
    let tables = txn.list_tables().expect("it reads");
    let blocks = tables
        .filter(|table| table.name().starts_with("blocks"))
        .map(|table| {
            let blocks = txn.open_untyped_table(table).expect("it is there");
            let stats = blocks.stats().expect("redb counts its pages");
            stats.stored_bytes() + stats.metadata_bytes() + stats.fragmented_bytes()
        })
        .sum();
    Held { file, rows, blocks }
}

/// What went over the wire.
#[derive(Debug, Clone, Copy, Default)]
pub struct Wire {
    pub bytes: usize,
    pub round_trips: u32,
    pub delivered: u64,
}

/// One exchange from its first parcel to its end, every parcel through its bytes.
pub fn exchange(device: &Store, hub: &Store, now: WallMs, wire: &mut Wire) -> Summary {
    let begun = Caller::begin(device, Some(hub.id()), now).expect("it begins");
    let (mut caller, mut parcel) = begun;
    loop {
        let there = parcel.to_bytes();
        let asked = Parcel::from_bytes(&there).expect("a parcel");
        let back = answer(hub, &asked, &Answering::as_hub(), now)
            .expect("the hub answers")
            .to_bytes();
        wire.bytes += there.len() + back.len();
        let answered = Parcel::from_bytes(&back).expect("a parcel");
        match caller.receive(device, &answered, now).expect("it is taken") {
            Next::Send(next) => parcel = next,
            Next::Done(summary) => {
                wire.round_trips += summary.round_trips;
                let carried = summary.logbooks.values();
                wire.delivered += carried.map(|one| one.sent + one.received).sum::<u64>();
                assert!(summary.equal, "both hold the same");
                return summary;
            }
        }
    }
}

/// Everyone's evening: each device calls twice, so that the first to call learns of the last.
pub fn evening(devices: &[Store], hub: &Store, now: WallMs) -> Wire {
    let mut wire = Wire::default();
    for _ in 0..2 {
        for device in devices {
            exchange(device, hub, now, &mut wire);
        }
    }
    wire
}

/// The same with two devices at the hub at a time, as on machines of their own.
pub fn evening_of_two(devices: &[Store], hub: &Store, now: WallMs) {
    for _ in 0..2 {
        thread::scope(|scope| {
            for half in devices.chunks(devices.len().div_ceil(2)) {
                scope.spawn(move || {
                    for device in half {
                        exchange(device, hub, now, &mut Wire::default());
                    }
                });
            }
        });
    }
}

/// Takes a base into a new store while a second thread reads ahead: what it takes.
pub fn ingest_ahead(folder: &Path, base: &[Vec<u8>], now: WallMs) -> Taken {
    let store = hub(&folder.join("ahead"));
    let taking = Taking::everything(Clocks::TakenAsTold);
    let (read_ahead, batches) = mpsc::sync_channel(1);
    let ((), taken) = timed_together(|| {
        thread::scope(|scope| {
            scope.spawn(move || {
                for batch in base.chunks(BATCH) {
                    let came = Came::read(batch).expect("they are entries");
                    read_ahead.send(came).expect("somebody writes");
                }
            });
            for came in batches {
                let taken = store.append_told(came, &[], &taking, now);
                taken.expect("it is taken");
            }
        });
    });
    taken
}

/// Sees to it that all these stores hold the same entries.
pub fn assert_equal(stores: &[&Store]) {
    let logbooks = |store: &Store| -> BTreeSet<LogbookId> {
        let logbooks = store.logbooks().expect("it reads");
        logbooks.into_iter().collect()
    };
    let held = |store: &Store| store.held(&logbooks(store)).expect("it reads").0;
    for pair in stores.windows(2) {
        assert_eq!(held(pair[0]), held(pair[1]), "all stores hold the same");
    }
}
