//! Texts from strangers, spoiled by chance: tables and exports are refused or taken, but never make
//! a reader panic or grow. How it goes: `core/tests/fuzz/target.rs`.

#[path = "../../core/tests/fuzz/target.rs"]
mod target;

#[path = "../../sync-server/src/export_file/scene.rs"]
mod scene;

use headwalk_core::log::entry::{Change, Draft};
use headwalk_core::log::id::{LogbookId, StoreId, ThingId};
use headwalk_core::log::seal::DeviceKey;
use headwalk_core::log::stamp::WallMs;
use headwalk_core::log::value::{HowKnown, Value};
use headwalk_core::site::fields;
use headwalk_core::site::kind::ThingKind;
use headwalk_core::store::{Clocks, NewStore, Sealing, Store, Taking};
use peak_alloc::PeakAlloc;
use redb::backends::InMemoryBackend;
use target::{Chance, Memory, Target, spoil};

use crate::args::Global;
use crate::call::Call;
use crate::commands::import;
use headwalk_sync_server::export_file;

#[global_allocator]
static MEMORY: PeakAlloc = PeakAlloc;

const COUNTED: Memory = Memory {
    taken: || MEMORY.current_usage(),
    most: || MEMORY.peak_usage(),
    reset: || MEMORY.reset_peak_usage(),
};

fn store(number: u8) -> Store {
    let new = NewStore {
        id: StoreId::from_bytes([number; 16]),
        key: DeviceKey::from_bytes([number; 32]),
    };
    Store::on_backend(InMemoryBackend::new(), new).unwrap()
}

/// A store with one site, which has a name and nothing else.
fn with_a_site() -> Store {
    let store = store(9);
    let logbook = LogbookId::from_bytes([4; 16]);
    let name = fields::field(ThingKind::Site, "name").unwrap();
    let set = |field, words: &str| Change::Set {
        thing: ThingId::root(logbook),
        field,
        value: Value::text(words),
        how: HowKnown::Unstated,
    };
    let changes = vec![
        set(fields::any::KIND.number, "site"),
        set(name.number, "Maple Court"),
    ];
    let draft = Draft {
        logbook,
        by: "Ana Ruiz".to_owned(),
        utc_offset_min: -300,
        visit: None,
        changes,
    };
    store.record(&[draft], WallMs::new(1)).unwrap();
    store
}

/// Cells that a table has, right and wrong.
const CELLS: [&str; 24] = [
    "zone-7",
    "3-07",
    "valve-7",
    "controller",
    "zone-99999999999",
    "",
    "850",
    "850 sqft",
    "80 m2",
    "1e309",
    "-0",
    "half",
    "clay loam",
    "lawn",
    "not checked",
    "yes",
    "2027-04-01",
    "9999-12-31",
    "mon wed",
    "22:00",
    "from=22:00 to=6:00",
    "½",
    "\u{202e}",
    "site",
];
/// Headings that a table has, right and wrong.
const HEADINGS: [&str; 14] = [
    "thing",
    "area (sqft)",
    "area_sqft",
    "soil",
    "plants",
    "arc",
    "radius_m",
    "head-kind",
    "valve",
    "slope",
    "site",
    "name",
    "area (acres)",
    "_",
];

fn table(chance: &mut Chance) -> String {
    let columns = 1 + chance.below(6);
    let mut rows = vec![vec!["thing"]];
    rows[0].extend((1..columns).map(|_| *chance.of(&HEADINGS)));
    for _ in 0..chance.below(6) {
        rows.push((0..columns).map(|_| *chance.of(&CELLS)).collect());
    }
    let rows = rows.iter().map(|row| row.join(","));
    rows.collect::<Vec<_>>().join("\n")
}

#[test]
fn no_table_makes_its_import_panic_or_grow() {
    let target = Target {
        name: "table",
        share: 10,
        memory: COUNTED,
    };
    let (store, path) = (with_a_site(), "nowhere.redb".into());
    let call = Call::new(Global {
        store: path,
        json: false,
        units: None,
        by: Some("Ana Ruiz".to_owned()),
    });
    let call = call.unwrap();
    let mut taken = 0_u64;
    target.run(
        |chance| {
            let (one, other) = (table(chance), table(chance));
            let mut bytes = one.into_bytes();
            if chance.once_in(2) {
                spoil(&mut bytes, other.as_bytes(), chance);
            }
            if chance.once_in(50) {
                bytes.extend(chance.bytes::<16>());
            }
            bytes
        },
        |bytes| {
            let text = String::from_utf8_lossy(bytes);
            taken += u64::from(import::tried(&text, &store, &call).is_ok_and(|drafts| drafts > 0));
        },
    );
    assert!(taken > 0, "tables of which none is taken try too little");
}

#[test]
fn no_text_makes_the_check_of_exports_or_their_import_panic_or_grow() {
    let target = Target {
        name: "export",
        share: 6,
        memory: COUNTED,
    };
    let texts: Vec<_> = (0..4)
        .map(|number| {
            let (raws, seals) = scene::export(number);
            export_file::text(&raws, &seals).into_bytes()
        })
        .collect();
    let into = store(8);
    let mut sound = 0_u64;
    target.run(
        |chance| {
            let mut one = chance.of(&texts).clone();
            if !chance.once_in(20) {
                let other = chance.of(&texts);
                spoil(&mut one, other, chance);
            }
            one
        },
        |bytes| {
            let text = String::from_utf8_lossy(bytes);
            if let Ok(whole) = export_file::check(&text) {
                sound += 1;
                assert!(
                    texts.iter().any(|right| right == bytes),
                    "another file is sound, too"
                );
                let taking = Taking {
                    sealing: Sealing::Demanded,
                    ..Taking::everything(Clocks::TakenAsTold)
                };
                let now = WallMs::new(1);
                let taken = into.append_sealed(&whole.entries, &whole.sound.seals, &taking, now);
                taken.expect("what is sound and sealed is taken");
            }
        },
    );
    assert!(sound > 0, "no file was left whole");
}
