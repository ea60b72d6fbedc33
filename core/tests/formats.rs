//! Files and bytes of every format version so far still open, verify and mean the same.
//!
//! `fixtures/formats/v1/`, the store in `v2/`, `v3/`, `v4/` and the stores in `v5/` and `v6/` were written
//! once by this test, with `HEADWALK_WRITE_FORMATS` naming the folder, and must not be written again while
//! their formats are read: what is there is what is out in the field. In entries, batches and parcels
//! the first two and the last two do not differ. What they mean is told here by [`Season::play`], whose keys, moments and words are fixed.

#![expect(
    clippy::unwrap_used,
    reason = "all of this is a test, though not every function says so"
)]

#[expect(dead_code, reason = "no power is lost here")]
mod disk;

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Once;

use disk::Disk;
use headwalk_core::exchange::message::{Batch, Parcel, Says};
use headwalk_core::exchange::session::{Answering, Caller, Next, answer};
use headwalk_core::log::chain::{Link, Mark};
use headwalk_core::log::entry::{Change, Draft};
use headwalk_core::log::id::{FieldNumber, LogbookId, ObservationNumber, StoreId, ThingId};
use headwalk_core::log::seal::{DeviceKey, Keys};
use headwalk_core::log::sheaf::Sheaf;
use headwalk_core::log::stamp::WallMs;
use headwalk_core::log::value::{Absence, HowKnown, UnitNumber, Value};
use headwalk_core::log::vector::VersionVector;
use headwalk_core::log::{codec, columns};
use headwalk_core::store::{Clocks, NewStore, Store, Taking};
use redb::{Database, ReadableDatabase, ReadableTableMetadata, TableHandle};

const LOGBOOKS: [LogbookId; 2] = [
    LogbookId::from_bytes([0xA1; 16]),
    LogbookId::from_bytes([0xA2; 16]),
];
const ZONE: ThingId = ThingId::from_bytes([0xB1; 16]);
const VISIT: ThingId = ThingId::from_bytes([0xB2; 16]);
const MORNING: u64 = 1_784_032_200_000;
const MOST_BYTES: usize = 1 << 20;

/// Where a version's files are; they are written first if that is asked for.
fn folder(version: &str) -> PathBuf {
    static WRITTEN: Once = Once::new();
    let formats = Path::new(env!("CARGO_MANIFEST_DIR")).join("../fixtures/formats");
    if let Ok(new) = std::env::var("HEADWALK_WRITE_FORMATS") {
        WRITTEN.call_once(|| write(&formats.join(new)));
    }
    formats.join(version)
}

fn new(number: u8) -> NewStore {
    NewStore {
        id: StoreId::from_bytes([number; 16]),
        key: DeviceKey::from_bytes([number; 32]),
    }
}

/// Every kind of value, those of a later version too.
fn values() -> Vec<Value> {
    let quantity = Value::Quantity {
        amount: 38.5,
        unit: UnitNumber(2),
    };
    let later = Value::Unknown {
        tag: 200,
        body: vec![1, 2, 3],
    };
    let parts = BTreeMap::from([(1, Value::Int(7)), (900, later.clone())]);
    vec![
        Value::Absent(Absence::Cleared),
        Value::Absent(Absence::NotChecked),
        Value::Absent(Absence::CouldNotCheck("box under water".to_owned())),
        Value::Bool(true),
        Value::Int(-12),
        Value::Number(0.62),
        quantity.clone(),
        Value::text("half-inch drip, ½\" ö"),
        Value::Thing(VISIT),
        Value::Date(20_648),
        Value::List(vec![quantity, Value::text("second")]),
        Value::Record(parts),
        later,
    ]
}

fn draft(logbook: LogbookId, by: &str, changes: Vec<Change>) -> Draft {
    Draft {
        logbook,
        by: by.to_owned(),
        utc_offset_min: -300,
        visit: Some(VISIT),
        changes,
    }
}

fn set(field: u16, value: Value) -> Change {
    Change::Set {
        thing: ZONE,
        field: FieldNumber(field),
        value,
        how: HowKnown::Measured,
    }
}

fn words(field: u16, words: &str) -> Vec<Change> {
    vec![set(field, Value::text(words))]
}

/// A short season in which everything happens that a format must hold.
struct Season {
    hub: Store,
    parcels: BTreeMap<&'static str, Parcel>,
}

impl Season {
    /// Plays it against this hub, new and empty.
    fn play(hub: Store) -> Self {
        let mut season = Self {
            hub,
            parcels: BTreeMap::new(),
        };
        season.hub.keep_loose(4); // so that some entries lie in blocks and some do not
        let disk = Disk::default();
        let phone = Store::on_backend(disk.clone(), new(2)).unwrap();
        let fast = Store::on_backend(Disk::default(), new(3)).unwrap();
        let fields = (1..).zip(values()).map(|(field, value)| set(field, value));
        let seen = values().into_iter().map(|value| Change::Observe {
            thing: ZONE,
            what: ObservationNumber(3),
            value,
            how: HowKnown::Other(77),
        });
        let later = Change::Unknown {
            kind: 77,
            body: vec![9, 8, 7],
        };
        let first = [
            draft(LOGBOOKS[0], "Ana Ruiz", fields.collect()),
            draft(LOGBOOKS[0], "Ana Ruiz", seen.collect()),
            draft(
                LOGBOOKS[1],
                "Ana Ruiz",
                vec![later, set(60_000, Value::Int(1))],
            ),
        ];
        phone.record(&first, at(0, 0)).unwrap();
        season.meet(&phone, at(1, 0), at(1, 0));
        // The phone's file is copied, and both go on: two branches.
        let copy = Disk::losing_power_at(disk.platter().written.clone(), None);
        let copy = Store::on_backend(copy, new(2)).unwrap();
        for (store, note) in [(&phone, "as left"), (&copy, "as copied")] {
            let note = draft(LOGBOOKS[0], "Ana Ruiz", words(7, note));
            store.record(&[note], at(2, 0)).unwrap();
        }
        season.meet(&phone, at(3, 0), at(3, 0));
        season.meet(&copy, at(4, 0), at(4, 0));
        // A phone that is a day fast gets receipts.
        let note = draft(LOGBOOKS[0], "Ben Ode", words(7, "a day ahead"));
        fast.record(&[note], at(5, 24)).unwrap();
        season.meet(&fast, at(6, 24), at(6, 0));
        // What came from the fast phone is held back, and its first entry admitted again.
        let raws = fast.entries_beyond(LOGBOOKS[0], &VersionVector::new(), usize::MAX);
        let own = raws
            .unwrap()
            .0
            .into_iter()
            .map(|raw| codec::mark(&raw).unwrap());
        let own: Vec<_> = own.filter(|mark| mark.device == fast.device()).collect();
        let hold = own.iter().map(|of| Change::HoldBack { of: *of }).collect();
        let hold = draft(LOGBOOKS[0], "hub", hold);
        let admit = Change::Admit { of: own[0] };
        let settled = draft(LOGBOOKS[0], "Dee Park", words(8, "settled"));
        let admit = draft(LOGBOOKS[0], "Dee Park", vec![admit]);
        season
            .hub
            .record(&[hold, settled, admit], at(7, 0))
            .unwrap();
        season.meet(&phone, at(8, 0), at(8, 0));
        season
    }

    /// Two more crews go on with the logbook that has no branches, the first of them once more.
    fn go_on(mut self) -> Self {
        let crews = [5, 6].map(|number| Store::on_backend(Disk::default(), new(number)).unwrap());
        for (minute, crew) in [(10, &crews[0]), (20, &crews[1]), (30, &crews[0])] {
            let notes = ["seen", "run", "set", "wet", "dry"];
            let notes = notes.map(|note| draft(LOGBOOKS[1], "Cy Hill", words(9, note)));
            crew.record(&notes, at(minute, 0)).unwrap();
            self.meet(crew, at(minute + 1, 0), at(minute + 1, 0));
        }
        self
    }

    /// Brings a phone and the hub up to date; keeps the first parcel of each kind.
    fn meet(&mut self, phone: &Store, by_phone: WallMs, by_hub: WallMs) {
        let hub = self.hub.id();
        let (mut caller, mut parcel) = Caller::begin(phone, Some(hub), by_phone).unwrap();
        loop {
            let reply = answer(&self.hub, &parcel, &Answering::as_hub(), by_hub).unwrap();
            for parcel in [&parcel, &reply] {
                let (kind, carries) = kind(parcel);
                let kept = self.parcels.get(kind).is_some_and(kind_carries);
                if !kept || (carries && !self.parcels.contains_key(kind)) {
                    self.parcels.insert(kind, parcel.clone());
                }
            }
            match caller.receive(phone, &reply, by_phone).unwrap() {
                Next::Send(next) => parcel = next,
                Next::Done(summary) => return assert!(summary.equal, "{summary:?}"),
            }
        }
    }
}

/// What a parcel is called, and whether it carries entries.
fn kind(parcel: &Parcel) -> (&'static str, bool) {
    match &parcel.says {
        Says::News { batch, .. } => ("news", !batch.is_empty()),
        Says::Taken { batch, .. } => ("taken", !batch.is_empty()),
        Says::Compare => ("compare", true),
        Says::Damaged { .. } => ("damaged", true),
        Says::Again { .. } => ("again", true),
        Says::Holdings { parts, .. } => {
            ("holdings", parts.iter().any(|part| !part.batch.is_empty()))
        }
    }
}

fn kind_carries(parcel: &Parcel) -> bool {
    kind(parcel).1
}

fn at(minute: u64, hours_ahead: u64) -> WallMs {
    WallMs::new(MORNING + minute * 60_000 + hours_ahead * 3_600_000)
}

fn raws(store: &Store) -> Vec<Vec<u8>> {
    let all = LOGBOOKS.iter().flat_map(|logbook| {
        let none = VersionVector::new();
        store.entries_beyond(*logbook, &none, usize::MAX).unwrap().0
    });
    all.collect()
}

#[test]
fn a_store_file_of_version_1_opens_verifies_and_says_what_it_said() {
    a_store_file_says_what_it_said("v1");
}

#[test]
fn a_store_file_of_version_2_opens_verifies_and_says_what_it_said() {
    a_store_file_says_what_it_said("v2");
}

#[test]
fn a_store_file_of_version_3_opens_verifies_and_says_what_it_said() {
    a_store_file_says_what_it_said("v3");
}

#[test]
fn a_store_file_of_version_4_opens_verifies_and_says_what_it_said() {
    a_store_file_says_what_it_said("v4");
}

#[test]
fn store_files_of_version_5_open_verify_and_say_what_they_said() {
    a_store_file_says_what_it_said("v5");
    a_file_says_what_it_said(&folder("v5").join("at_once.redb"));
}

#[test]
fn store_files_of_version_6_open_verify_and_say_what_they_said() {
    a_store_file_says_what_it_said("v6");
    let path = folder("v6").join("lately.redb");
    let today = Season::play(Store::on_backend(Disk::default(), new(1)).unwrap()).go_on();
    a_file_says(&path, &today.hub);
    let scratch = tempfile::tempdir().unwrap();
    let copy = scratch.path().join("store.redb");
    fs::copy(&path, &copy).unwrap();
    let db = Database::open(&copy).unwrap();
    let txn = db.begin_read().unwrap();
    for name in ["sheaves_v6", "moved_v6"] {
        let mut tables = txn.list_tables().unwrap();
        let table = tables.find(|table| table.name() == name).unwrap();
        assert_ne!(
            txn.open_untyped_table(table).unwrap().len().unwrap(),
            0,
            "{name}"
        );
    }
}

fn a_store_file_says_what_it_said(version: &str) {
    a_file_says_what_it_said(&folder(version).join("store.redb"));
}

fn a_file_says_what_it_said(path: &Path) {
    let today = Season::play(Store::on_backend(Disk::default(), new(1)).unwrap());
    a_file_says(path, &today.hub);
}

fn a_file_says(path: &Path, today: &Store) {
    let scratch = tempfile::tempdir().unwrap();
    let copy = scratch.path().join("store.redb");
    fs::copy(path, &copy).unwrap();
    let mut store = Store::open(&copy).unwrap();
    let verified = store.verify().unwrap();
    assert_eq!(verified.faults, []);
    assert!(
        verified
            .chains
            .values()
            .all(|walked| walked.sealed.is_some())
    );
    assert_eq!(
        raws(&store),
        raws(today),
        "an entry is for ever the bytes its author made"
    );
    assert_eq!(store.logbooks().unwrap(), LOGBOOKS);
    for logbook in LOGBOOKS {
        let (then, now) = (store.state(logbook), today.state(logbook));
        assert_eq!(then.unwrap(), now.unwrap());
        let (then, now) = (store.heads(logbook), today.heads(logbook));
        assert_eq!(then.unwrap(), now.unwrap());
    }
    let branched = store.branched(LOGBOOKS[0]).unwrap();
    assert_eq!(branched.len(), 1, "the copied phone's branch is there");
    let state = store.state(LOGBOOKS[0]).unwrap();
    let contested = state.register(ZONE, FieldNumber(7)).unwrap();
    assert!(contested.stands_in_two_versions());
    let kept = store.entries(LOGBOOKS[0]).unwrap();
    let receipted = kept.iter().filter(|kept| kept.stamp != kept.entry.stamp);
    assert_eq!(
        receipted.count(),
        1,
        "the fast phone's entry counts as when it came"
    );
    let before: Vec<_> = raws(&store);
    store.rebuild().unwrap();
    assert_eq!(raws(&store), before);
    assert_eq!(store.verify().unwrap(), verified);
}

#[test]
fn a_batch_of_each_version_unpacks_to_the_entries_it_was_packed_from() {
    let today = Season::play(Store::on_backend(Disk::default(), new(1)).unwrap());
    for version in ["v1", "v3", "v4"] {
        let batch = fs::read(folder(version).join("batch.bin")).unwrap();
        let unpacked = columns::unpack(&batch, MOST_BYTES).unwrap();
        assert_eq!(unpacked, raws(&today.hub), "{version}");
    }
}

#[test]
fn a_parcel_of_each_kind_and_version_says_what_it_said() {
    let today = Season::play(Store::on_backend(Disk::default(), new(1)).unwrap());
    for version in ["v1", "v3", "v4"] {
        for (kind, said) in parcels(&today) {
            let bytes = fs::read(folder(version).join(format!("{kind}.parcel"))).unwrap();
            let read = Parcel::from_bytes(&bytes).unwrap();
            let (read, said) = (in_full(read, &today.hub), in_full(said, &today.hub));
            assert_eq!(read, said, "{kind} of {version}");
        }
    }
}

/// A parcel with everything spelled out, as this hub knows it, and its seals with what they cover: whether
/// a device made several at once is another matter, and each must hold.
fn in_full(mut parcel: Parcel, hub: &Store) -> (Parcel, BTreeSet<(LogbookId, [u8; 32], Link)>) {
    let mut covered = BTreeSet::new();
    let mut look = |batch: &mut Batch| {
        if !batch.told.is_empty() {
            let came = hub.understand(&batch.told, MOST_BYTES).unwrap().unwrap();
            let logbooks: Vec<_> = came.by_logbook().into_keys().collect();
            for sheaf in Sheaf::read(&batch.told_seals, &logbooks).unwrap() {
                let device = Keys::default().device(&sheaf.key).unwrap();
                let seals = sheaf.seals(device, |end| {
                    let entries = came.entries.iter();
                    let mut of_chain = entries.filter(|entry| {
                        (entry.logbook, entry.device, entry.seq) == (end.logbook, device, end.seq)
                    });
                    let last = of_chain.next().unwrap().mark();
                    let place = hub.places(end.logbook, &[last]).unwrap()[0];
                    Ok::<_, ()>(hub.links(end.logbook).unwrap()[&place])
                });
                batch.seals.extend(seals.unwrap());
            }
            let entries = came.entries.iter();
            batch.entries = entries.map(|entry| entry.raw.to_vec()).collect();
            (batch.told, batch.told_seals) = Default::default();
        }
        for seal in core::mem::take(&mut batch.seals) {
            assert!(seal.device().is_some(), "{seal:?}");
            covered.insert((seal.logbook, seal.key, seal.link));
        }
    };
    match &mut parcel.says {
        Says::News { batch, .. } | Says::Taken { batch, .. } => look(batch),
        Says::Holdings { parts, .. } => parts.iter_mut().for_each(|part| look(&mut part.batch)),
        _ => {}
    }
    (parcel, covered)
}

/// One parcel of each kind.
fn parcels(season: &Season) -> Vec<(&'static str, Parcel)> {
    let news = &season.parcels["news"];
    let compare = Parcel {
        from: news.from,
        says: Says::Compare,
    };
    let raws = raws(&season.hub);
    let marks = raws.iter().map(|raw| codec::mark(raw).unwrap());
    let damaged = Parcel {
        from: news.from,
        says: Says::Damaged {
            logbook: LOGBOOKS[0],
            marks: marks.collect(),
        },
    };
    let again = Parcel {
        from: news.from,
        says: Says::Again {
            entries: raws.clone(),
        },
    };
    let mut parcels: Vec<_> = season.parcels.clone().into_iter().collect();
    parcels.retain(|(kind, _)| *kind != "compare");
    parcels.extend([("compare", compare), ("damaged", damaged), ("again", again)]);
    assert_eq!(parcels.len(), 6);
    parcels
}

fn write(folder: &Path) {
    fs::create_dir_all(folder).unwrap();
    let path = folder.join("store.redb");
    let season = Season::play(Store::create(&path, new(1)).unwrap());
    // The same, but all of it came at once.
    let at_once = Store::create(&folder.join("at_once.redb"), new(4)).unwrap();
    at_once.keep_loose(1);
    let all = raws(&season.hub);
    let seals = season.hub.seals(&all).unwrap();
    let taking = Taking::everything(Clocks::TakenAsTold);
    let taken = at_once.append_sealed(&all, &seals, &taking, at(9, 0));
    assert_eq!(taken.unwrap().new, all.len());
    // The same, and what came then.
    drop(Season::play(Store::create(&folder.join("lately.redb"), new(1)).unwrap()).go_on());
    let batch = columns::pack(&raws(&season.hub));
    fs::write(folder.join("batch.bin"), batch).unwrap();
    for (kind, parcel) in parcels(&season) {
        fs::write(folder.join(format!("{kind}.parcel")), parcel.to_bytes()).unwrap();
    }
}

/// What a later version writes goes through this one as it came: by exchange, through a rebuild, and
/// on to a store that never met the writer.
#[test]
fn what_a_later_version_wrote_passes_through_byte_for_byte_and_stands_by_its_numbers() {
    let hub = Store::on_backend(Disk::default(), new(1)).unwrap();
    let mut season = Season::play(hub);
    season.hub.rebuild().unwrap();
    assert_eq!(season.hub.verify().unwrap().faults, []);
    let third = Store::on_backend(Disk::default(), new(4)).unwrap();
    season.meet(&third, at(9, 0), at(9, 0));
    let (ours, theirs) = (raws(&season.hub), raws(&third));
    let set = |raws: &[Vec<u8>]| raws.iter().cloned().collect::<BTreeSet<_>>();
    assert_eq!(set(&ours), set(&theirs));
    // A field that this version has no name for is a register like any other: who learns its name
    // later finds its value, its versions and who wrote them, without reading the log again.
    let state = third.state(LOGBOOKS[1]).unwrap();
    assert_eq!(state.value(ZONE, FieldNumber(60_000)), Some(&Value::Int(1)));
    let kept = third.entries(LOGBOOKS[1]).unwrap();
    let unknown = |change: &Change| matches!(change, Change::Unknown { kind: 77, body } if body == &[9, 8, 7]);
    assert!(
        kept.iter()
            .any(|kept| kept.entry.changes.iter().any(unknown))
    );
    let marks: BTreeSet<Mark> = theirs.iter().map(|raw| codec::mark(raw).unwrap()).collect();
    assert_eq!(marks.len(), theirs.len());
}
