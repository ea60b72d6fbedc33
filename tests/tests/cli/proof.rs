//! An export that proves itself: checked without a store, and taken into another.

use std::fs;
use std::path::Path;

use expect_test::expect;
use headwalk_core::log::entry::{Change, Draft};
use headwalk_core::log::id::{FieldNumber, LogbookId, ObservationNumber, StoreId, ThingId};
use headwalk_core::log::seal::DeviceKey;
use headwalk_core::log::stamp::WallMs;
use headwalk_core::log::value::{HowKnown, Value};
use headwalk_core::store::{NewStore, Store};
use headwalk_tests::TestEnv;

use super::{check, maple_court};

#[test]
fn an_export_is_checked_without_a_store_and_taken_into_another_to_the_byte() {
    let env = maple_court();
    env.ok("export entries --out all.jsonl");
    check(
        &env,
        "verify --export all.jsonl --store nowhere.redb",
        &expect![[r#"
            7 entries in 1 chain: all as written.
            Every one of them is sealed by its device.
        "#]],
    );
    env.ok(r#"init --person "Ben Ode" --store ben.redb"#);
    check(
        &env,
        "import all.jsonl --store ben.redb",
        &expect![[r#"
            7 entries of all.jsonl taken, 0 as before.
        "#]],
    );
    check(
        &env,
        "import all.jsonl --store ben.redb",
        &expect![[r#"
            0 entries of all.jsonl taken, 7 as before.
        "#]],
    );
    let theirs = env.ok("export entries --store ben.redb");
    assert_eq!(theirs, env.ok("export entries"));
    env.ok("verify --store ben.redb");
}

#[test]
fn a_changed_export_is_refused_with_the_entry_named_and_nothing_of_it_is_taken() {
    let env = maple_court();
    env.ok("export entries --out all.jsonl");
    let text = fs::read_to_string(env.path("all.jsonl")).expect("it was just written");
    env.write("all.jsonl", text.replacen("clay-loam", "sandy-loam", 1));
    env.ok(r#"init --person "Ben Ode" --store ben.redb"#);
    check(
        &env,
        "import all.jsonl --store ben.redb",
        &expect![[r#"
        ! Error: all.jsonl is not what was written: 2 faults.
        !   line 5: entry 2 of device <id 1> does not say what its bytes say, or its digest is another
        !   line 5: entry 2 of device <id 1> is not what was written there, or what stood before it is
        ! Hint: ask for the export again, from any store that holds these logbooks.
        [exit 1]
    "#]],
    );
    assert!(env.ok("export entries --store ben.redb").lines().count() <= 1);
}

/// What a later version may write.
fn later(path: &Path) {
    let new = NewStore {
        id: StoreId::from_bytes([7; 16]),
        key: DeviceKey::from_bytes([7; 32]),
    };
    let logbook = LogbookId::from_bytes([3; 16]);
    let value = Value::Unknown {
        tag: 200,
        body: vec![1, 2, 3],
    };
    let changes = vec![
        Change::Set {
            thing: ThingId::root(logbook),
            field: FieldNumber(60_000),
            value: value.clone(),
            how: HowKnown::Other(77),
        },
        Change::Observe {
            thing: ThingId::root(logbook),
            what: ObservationNumber(60_001),
            value,
            how: HowKnown::Unstated,
        },
        Change::Unknown {
            kind: 77,
            body: vec![9, 8, 7],
        },
    ];
    let draft = Draft {
        logbook,
        by: "Ana Ruiz".to_owned(),
        utc_offset_min: -300,
        visit: None,
        changes,
    };
    let store = Store::create(path, new).expect("the folder takes a store");
    let at = WallMs::new(1_784_032_200_000);
    store.record(&[draft], at).expect("the file takes it");
}

#[test]
fn what_a_later_version_wrote_is_shown_as_unknown_and_passed_on_to_the_byte() {
    let env = TestEnv::new();
    later(&env.path("later.redb"));
    env.ok("rebuild --store later.redb");
    env.ok("export entries --store later.redb --out later.jsonl");
    let text = fs::read_to_string(env.path("later.jsonl")).expect("it was just written");
    for shown in [
        "field 60000 (unknown",
        "observation 60001 (unknown",
        "{\"unknown\":77}",
    ] {
        assert!(text.contains(shown), "{shown} in {text}");
    }
    env.ok("verify --export later.jsonl");
    env.ok(r#"init --person "Ben Ode" --store ben.redb"#);
    env.ok("import later.jsonl --store ben.redb");
    assert_eq!(env.ok("export entries --store ben.redb"), text);
    env.ok("rebuild --store ben.redb");
    env.ok("verify --store ben.redb");
    assert_eq!(env.ok("export entries --store ben.redb"), text);
}
