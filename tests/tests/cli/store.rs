//! Stores: begun, verified, rebuilt, and everything that can be wrong with one.

use std::fs;

use expect_test::expect;
use headwalk_core::log::{id::StoreId, seal::DeviceKey};
use headwalk_core::store::{NewStore, Store};
use headwalk_tests::TestEnv;
use redb::{ReadableDatabase, ReadableTable};

use super::{check, maple_court};

#[test]
fn a_store_begins_once() {
    let env = TestEnv::new();
    check(
        &env,
        r#"init --person "Ana Ruiz""#,
        &expect![[r#"
        Began a store at headwalk.redb.
        Entries are written by Ana Ruiz.
    "#]],
    );
    check(
        &env,
        "init --json",
        &expect![[r#"
        {
          "error": "there is a file at headwalk.redb already",
          "kind": "input",
          "hint": "use it as it is, or name another file with --store."
        }
        ! Error: there is a file at headwalk.redb already.
        ! Hint: use it as it is, or name another file with --store.
        [exit 2]
    "#]],
    );
    check(
        &env,
        "verify",
        &expect![[r#"
        0 entries in 0 chains: all as written.
    "#]],
    );
    check(
        &env,
        "rebuild --json",
        &expect![[r#"
        {
          "entries": 0,
          "fields": 0,
          "observations": 0
        }
    "#]],
    );
}

#[test]
fn a_store_that_is_not_there_is_said_to_be_missing_and_none_is_begun() {
    let env = TestEnv::new();
    check(
        &env,
        "verify --store away/yard.redb",
        &expect![[r#"
        ! Error: there is no store at away/yard.redb.
        ! Hint: `headwalk init --store away/yard.redb` begins one there.
        [exit 2]
    "#]],
    );
    check(
        &env,
        "rebuild --json",
        &expect![[r#"
        {
          "error": "there is no store at headwalk.redb",
          "kind": "input",
          "hint": "`headwalk init --store headwalk.redb` begins one there."
        }
        ! Error: there is no store at headwalk.redb.
        ! Hint: `headwalk init --store headwalk.redb` begins one there.
        [exit 2]
    "#]],
    );
    assert!(!env.path("headwalk.redb").exists());
}

#[test]
fn a_store_cut_short_is_told_plainly_and_left_as_it_is() {
    let env = TestEnv::new();
    env.ok("init");
    let whole = fs::read(env.path("headwalk.redb")).unwrap();
    for length in [0, 100, whole.len() / 2] {
        env.write("cut.redb", &whole[..length]);
        let told = expect![[r#"
            ! Error: the file is not a whole store: it is of another kind, cut short or damaged.
            ! Hint: keep the file, begin another with `headwalk init`, `headwalk enrol` it and exchange: everything that reached the office comes back.
            [exit 1]
        "#]];
        told.assert_eq(&env.run("verify --store cut.redb").to_string());
        assert_eq!(fs::read(env.path("cut.redb")).unwrap(), whole[..length]);
    }
}

#[test]
fn a_store_that_another_program_has_open_is_left_alone() {
    let env = TestEnv::new();
    let new = NewStore {
        id: StoreId::from_bytes([1; 16]),
        key: DeviceKey::from_bytes([2; 32]),
    };
    let open = Store::create(&env.path("headwalk.redb"), new).unwrap();
    check(
        &env,
        "verify",
        &expect![[r#"
        ! Error: another program has the store open: close it, or wait until it is done.
        [exit 1]
    "#]],
    );
    drop(open);
    env.ok("verify");
}

#[test]
fn what_cannot_be_understood_ends_with_2_and_says_what_was_meant() {
    let env = TestEnv::new();
    check(
        &env,
        "rebild",
        &expect![[r#"
            ! Error: unrecognized subcommand `rebild`.
            ! Hint: did you mean `rebuild`?
            [exit 2]
        "#]],
    );
    check(
        &env,
        "verify --jso --json",
        &expect![[r#"
            {
              "error": "unexpected argument `--jso` found",
              "kind": "input",
              "hint": "did you mean `--json`?"
            }
            ! Error: unexpected argument `--jso` found.
            ! Hint: did you mean `--json`?
            [exit 2]
        "#]],
    );
    check(
        &env,
        "init --person",
        &expect![[r#"
            ! Error: a value is required for `--person <NAME>` but none was supplied.
            ! Hint: --help says what it takes.
            [exit 2]
        "#]],
    );
    check(
        &env,
        "verify --units metric",
        &expect![[r#"
            ! Error: invalid value `metric` for `--units <UNITS>` [possible values: us, si].
            ! Hint: --help says what it takes.
            [exit 2]
        "#]],
    );
}

#[test]
fn a_clock_that_is_no_moment_is_refused() {
    let mut env = TestEnv::new();
    env.set_now("half past seven");
    check(
        &env,
        "init",
        &expect![[r#"
        ! Error: HEADWALK_NOW is `half past seven`, which is not a moment.
        ! Hint: write it like 2026-07-14T07:30:00-05:00, or unset it.
        [exit 2]
    "#]],
    );
    assert!(!env.path("headwalk.redb").exists());
}

#[test]
fn however_a_store_is_damaged_it_is_told_plainly() {
    let env = maple_court();
    let whole = fs::read(env.path("headwalk.redb")).unwrap();
    let mut told_damaged = 0;
    for seed in 0..60_usize {
        let mut bytes = whole.clone();
        let length = bytes.len();
        for nth in 0..40 {
            bytes[(seed * 7_919 + nth * 104_729) % length] ^= 0xff;
        }
        for line in ["state", "verify"] {
            env.write("damaged.redb", &bytes);
            let ran = env.run(&format!("{line} --store damaged.redb"));
            assert!(matches!(ran.code, Some(0 | 1)), "{seed}: {ran}");
            for word in ["panicked", "mistake", "registry"] {
                assert!(!ran.stderr.contains(word), "{seed}: {ran}");
            }
            told_damaged += usize::from(ran.code == Some(1));
        }
    }
    assert!(
        told_damaged > 60,
        "{told_damaged} of 120 were told as damaged"
    );
}

#[test]
fn damaged_entries_come_back_from_another_store_and_nothing_else_changes() {
    let env = maple_court();
    env.ok(r#"init --person "Ben Ode" --store ben.redb"#);
    env.ok("exchange --with ben.redb");
    env.ok("note maple 3-02 arc 90");
    check(
        &env,
        "mend --with ben.redb",
        &expect![[r#"
        Nothing is damaged.
    "#]],
    );
    let before = env.ok("verify --json");
    damage(&env.path("headwalk.redb"), &[2, 5]);
    check(
        &env,
        "verify",
        &expect![[r#"
            ! Error: the store is not what was written: 4 faults.
            !   entry number 2 is damaged: get it again from a peer
            !   entry number 5 is damaged: get it again from a peer
            !   entry 3 of device <id 1> follows one that is not there, or is there twice
            !   entry 6 of device <id 1> follows one that is not there, or is there twice
            ! Hint: `headwalk mend` gets damaged entries again from the office, or --with another store. Else keep the file, begin another with `headwalk init`, `headwalk enrol` it and exchange: everything that reached the office comes back.
            [exit 1]
        "#]],
    );
    check(
        &env,
        "mend",
        &expect![[r#"
        ! Error: this store belongs to no hub yet.
        ! Hint: `headwalk enrol URL CODE` joins one; the dispatcher gives you both.
        [exit 2]
    "#]],
    );
    check(
        &env,
        "mend --with ben.redb --json",
        &expect![[r#"
        {
          "damaged": 2,
          "mended": 2,
          "rebuilt": false
        }
    "#]],
    );
    assert_eq!(env.ok("verify --json"), before);
    // What nobody else holds cannot be had again.
    damage(&env.path("headwalk.redb"), &[3, last_arrival(&env)]);
    check(
        &env,
        "mend --with ben.redb",
        &expect![[r#"
            ! Error: 1 damaged entry could not be had again there; 1 other is as written again.
            ! Hint: try another store that may hold them: headwalk mend --with PATH.
            [exit 1]
        "#]],
    );
}

const ENTRIES: redb::TableDefinition<'_, u64, &[u8]> = redb::TableDefinition::new("entries_v1");

/// Changes one bit of some entries, in the order in which they came, with the file's own checksums.
fn damage(path: &std::path::Path, arrivals: &[u64]) {
    let db = redb::Database::open(path).expect("the closed store takes it");
    let txn = db.begin_write().expect("the closed store takes it");
    {
        let mut entries = txn.open_table(ENTRIES).expect("the closed store takes it");
        for arrival in arrivals {
            let mut row = entries
                .get(arrival)
                .expect("it reads")
                .expect("it is there")
                .value()
                .to_vec();
            *row.last_mut().expect("the closed store takes it") ^= 1;
            entries
                .insert(arrival, row.as_slice())
                .expect("the closed store takes it");
        }
    }
    txn.commit().expect("the closed store takes it");
}

fn last_arrival(env: &TestEnv) -> u64 {
    let db = redb::Database::open(env.path("headwalk.redb")).expect("the closed store takes it");
    let entries = db
        .begin_read()
        .expect("the closed store takes it")
        .open_table(ENTRIES)
        .expect("the closed store takes it");
    let (last, _) = entries.last().expect("it reads").expect("it is there");
    last.value()
}
