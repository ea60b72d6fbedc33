//! What is typed, what is printed, and how the hub ends.

use std::fmt::Write;
use std::process::Output;

use expect_test::{Expect, expect};
use tempfile::TempDir;

use super::*;

fn folder() -> TempDir {
    tempfile::tempdir().unwrap()
}

fn run(folder: &Path, words: &[&str]) -> Output {
    let folder = folder.to_str().unwrap();
    let words = words.iter().map(|word| word.replace("<folder>", folder));
    server().args(words).output().unwrap()
}

#[track_caller]
fn check(folder: &Path, words: &[&str], expected: &Expect) {
    let output = run(folder, words);
    let mut told = String::from_utf8(output.stdout).unwrap();
    for line in String::from_utf8(output.stderr).unwrap().lines() {
        writeln!(told, "! {line}").unwrap();
    }
    writeln!(told, "[exit {}]", output.status.code().unwrap()).unwrap();
    expected.assert_eq(&told.replace(folder.to_str().unwrap(), "<folder>"));
}

const CODE: [&str; 7] = [
    "code", "--folder", "<folder>", "--role", "crew", "--for", "R. Ash",
];

#[test]
fn what_cannot_be_done_is_told_with_what_to_do_instead() {
    let folder = folder();
    let check = |words: &[&str], expected: Expect| check(folder.path(), words, &expected);
    check(
        &CODE,
        expect![[r#"
        ! Error: there is no hub in <folder>.
        ! Hint: headwalk-server --folder DIR begins one there.
        [exit 2]
    "#]],
    );
    let open = ["--folder", "<folder>", "--listen", "0.0.0.0:0"];
    check(
        &open,
        expect![[r#"
        ! Error: 0.0.0.0:0 can be reached from the network, and this hub was given no certificate: tokens and records would pass in the clear.
        ! Hint: give it a certificate with --certificate and --key, listen on 127.0.0.1, or say --open-to-network on a network where you trust everyone.
        [exit 2]
    "#]],
    );
    let boss = [
        "code", "--folder", "<folder>", "--role", "boss", "--for", "R. Ash",
    ];
    check(
        &boss,
        expect![[r#"
        ! error: invalid value 'boss' for '--role <ROLE>': `boss` is not a role: crew, dispatcher or auditor
        ! 
        ! For more information, try '--help'.
        [exit 2]
    "#]],
    );
    let hub = Hub::start(folder.path());
    check(
        &CODE,
        expect![[r#"
            ! Error: another hub has this folder open.
            ! Hint: ask the hub that is running, or stop it first.
            [exit 1]
        "#]],
    );
    check(
        &["--folder", "<folder>"],
        expect![[r#"
            ! Error: another hub has this folder open.
            ! Hint: ask the hub that is running, or stop it first.
            [exit 1]
        "#]],
    );
    hub.kill();
}

#[test]
fn a_code_made_while_the_hub_rests_lets_a_device_in() {
    let folder = folder();
    Hub::start(folder.path()).kill();
    let output = run(folder.path(), &CODE);
    let code = String::from_utf8(output.stdout).unwrap();
    assert_eq!(code.trim().len(), 11, "{code}");
    let hub = Hub::start(folder.path());
    assert_eq!(hub.first_code, None);
    let store = super::killed::store(folder.path(), 1);
    let (token, id) = hub.enrol(code.trim(), &store);
    assert!(hub.exchange(&store, id, &token).unwrap().equal);
}

#[test]
fn a_hub_ends_well_with_its_parents_last_word() {
    let folder = folder();
    let mut command = server();
    command.arg("--until-input-ends").arg("--folder");
    command.arg(folder.path()).stdin(Stdio::piped());
    let hub = Hub::started(&mut command);
    drop(hub.input());
    assert_eq!(hub.ended(), Some(0));
}

#[cfg(unix)]
#[test]
fn a_hub_ends_well_when_the_machine_asks_it_to() {
    for signal in ["TERM", "INT"] {
        let folder = folder();
        let hub = Hub::start(folder.path());
        let pid = hub.child.lock().unwrap().id().to_string();
        let asked = Command::new("kill").args(["-s", signal, &pid]).status();
        assert!(asked.unwrap().success());
        assert_eq!(hub.ended(), Some(0), "{signal}");
    }
}
