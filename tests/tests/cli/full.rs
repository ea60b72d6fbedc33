//! A disk without room and a file that may not be written: one plain error, and all that was
//! acknowledged is there.

#![cfg(target_os = "linux")]

use std::process::Command;

use expect_test::expect;
use headwalk_tests::{Ran, TestEnv, binary, words};

use super::{check, maple_court};

/// Runs a line where no file may grow beyond so many kibibytes. A disk that is full says the same,
/// by another number.
fn with_room(env: &TestEnv, kib: u64, line: &str) -> Ran {
    let mut command = Command::new("bash");
    let script = format!("trap '' XFSZ; ulimit -f {kib}; exec \"$0\" \"$@\"");
    command
        .args(["-c", &script])
        .arg(binary("headwalk"))
        .args(words(line));
    command
        .current_dir(env.path(""))
        .env("HEADWALK_NOW", env.now());
    env.ran(&command.output().expect("bash is there"))
}

fn size_kib(env: &TestEnv) -> u64 {
    let file = std::fs::metadata(env.path("headwalk.redb")).expect("the store is there");
    file.len() / 1024
}

#[test]
fn on_a_full_disk_a_command_says_so_once_and_what_was_acknowledged_stays() {
    let env = maple_court();
    let room = size_kib(&env) + 256;
    let long = "y".repeat(3_000);
    let (mut kept, mut refused) = (Vec::new(), 0);
    for nth in 0..200 {
        let word = format!("note-{nth:03}");
        let ran = with_room(
            &env,
            room,
            &format!(r#"note maple 3-02 note "{word} {long}""#),
        );
        if ran.code == Some(0) {
            kept.push(word);
            continue;
        }
        refused += 1;
        expect![[r#"
            ! Error: the store's file cannot be used: I/O error: File too large (os error 27).
            ! Hint: see that the disk has room and that you may write there.
            [exit 1]
        "#]]
        .assert_eq(&ran.to_string());
        if refused == 3 {
            break;
        }
    }
    assert!(
        kept.len() > 5 && refused == 3,
        "{} kept, {refused} refused",
        kept.len()
    );
    let mut table = "thing,head-kind\n".to_owned();
    for nth in 10..900 {
        table.push_str(&format!("3-{nth},spray\n"));
    }
    env.write("heads.csv", &table);
    let import = with_room(&env, size_kib(&env), "import heads.csv --site maple");
    assert_eq!(import.code, Some(1), "{import}");
    env.ok("verify");
    let heads = env.ok("export heads --site maple");
    assert_eq!(heads.lines().count(), 1 + 3, "no half of the import");
    let there = env.ok("history maple 3-02 note");
    for word in &kept {
        assert!(there.contains(word), "{word} was acknowledged and is gone");
    }
    assert!(
        !there.contains(&format!("note-{:03}", kept.len())),
        "refused, and there"
    );
    env.ok("note maple 3-02 note room-again");
}

#[test]
fn an_export_for_which_there_is_no_room_is_not_taken_and_with_room_it_is() {
    let env = maple_court();
    let mut table = "thing,head-kind,arc\n".to_owned();
    for nth in 10..900 {
        table.push_str(&format!("3-{nth},spray,half\n"));
    }
    env.write("heads.csv", &table);
    env.ok("import heads.csv --site maple");
    env.ok("export entries --out all.jsonl");
    env.ok("init --person Ben --store ben.redb");
    let room = std::fs::metadata(env.path("ben.redb")).expect("it was just begun");
    let ran = with_room(&env, room.len() / 1024, "import all.jsonl --store ben.redb");
    expect![[r#"
        ! Error: nothing of all.jsonl was taken: the store's file cannot be used: I/O error: File too large (os error 27).
        ! Hint: see that the disk has room and that you may write there. Then import the file again.
        [exit 1]
    "#]].assert_eq(&ran.to_string());
    env.ok("verify --store ben.redb");
    check(
        &env,
        "import all.jsonl --store ben.redb",
        &expect![[r#"
        897 entries of all.jsonl taken, 0 as before.
    "#]],
    );
    let theirs = env.ok("export entries --store ben.redb");
    assert_eq!(theirs, env.ok("export entries"));
}

#[test]
fn a_store_that_may_not_be_written_is_said_to_be_so_and_is_as_it_was() {
    use std::os::unix::fs::PermissionsExt;
    let env = maple_court();
    let store = env.path("headwalk.redb");
    let before = std::fs::read(&store).unwrap();
    let may = |mode: u32| {
        let mode = std::fs::Permissions::from_mode(mode);
        std::fs::set_permissions(&store, mode).unwrap();
    };
    may(0o444);
    std::fs::set_permissions(env.path(""), std::fs::Permissions::from_mode(0o755)).unwrap();
    // Whoever may do anything may write this, too: such a one becomes nobody first.
    let nobody = ["--reuid=65534", "--regid=65534", "--clear-groups"];
    let mut command = Command::new("bash");
    let script = "if [ \"$(id -u)\" = 0 ]; then exec setpriv \"${@:1:3}\" \"$0\" \"${@:4}\"; \
                  else exec \"$0\" \"${@:4}\"; fi";
    command
        .args(["-c", script])
        .arg(binary("headwalk"))
        .args(nobody);
    command.args(words("note maple 3-02 arc 90"));
    command
        .current_dir(env.path(""))
        .env("HEADWALK_NOW", env.now());
    let ran = env.ran(&command.output().unwrap());
    may(0o644);
    expect![[r#"
        ! Error: the store's file cannot be used: I/O error: Permission denied (os error 13).
        ! Hint: see that the disk has room and that you may write there.
        [exit 1]
    "#]]
    .assert_eq(&ran.to_string());
    assert_eq!(std::fs::read(&store).unwrap(), before);
}
