//! Two devices without a hub: over a file that is carried, and over a line between them.

#![expect(
    clippy::unwrap_used,
    reason = "all of this is a test, though not every function says so"
)]

use std::io::{BufRead, BufReader, Write};
use std::net::TcpStream;
use std::process::{Child, Stdio};

use expect_test::expect;
use headwalk_tests::TestEnv;

use super::{check, maple_court};

/// Ana's store with Maple Court, and Ben's with a site of his own.
fn two() -> TestEnv {
    let mut env = maple_court();
    env.ok(r#"init --person "Ben Ode" --store ben.redb"#);
    env.set_now("2026-07-14T07:31:00-05:00"); // so that one logbook is the older
    env.ok(r#"add site "Birch Lane" --store ben.redb"#);
    env
}

fn assert_same(env: &TestEnv) {
    for site in ["maple", "birch"] {
        let state = |store: &str| env.ok(&format!("state {site} --json --store {store}"));
        assert_eq!(state("headwalk.redb"), state("ben.redb"), "{site}");
    }
}

const ANA: &str = "exchange --file carried.hw";
const BEN: &str = "exchange --file carried.hw --store ben.redb";

#[test]
fn a_carried_file_goes_to_and_fro_until_both_hold_the_same() {
    let env = two();
    check(
        &env,
        ANA,
        &expect![[r#"
            Wrote carried.hw: it says what this device holds.
            Take it to the other device, and run the same command there.
        "#]],
    );
    check(
        &env,
        BEN,
        &expect![[r#"
            Took 0 entries from carried.hw.
            Wrote carried.hw anew: it carries 1 entry back.
            Take it to the other device, and run the same command there.
        "#]],
    );
    check(
        &env,
        ANA,
        &expect![[r#"
            Took 1 entry from carried.hw.
            Wrote carried.hw anew: it carries 7 entries back.
            Take it to the other device, and run the same command there.
        "#]],
    );
    check(
        &env,
        BEN,
        &expect![[r#"
            Took 7 entries from carried.hw.
            Both hold the same now; the file is done with and was removed.
        "#]],
    );
    assert!(!env.path("carried.hw").exists());
    assert_same(&env);
    env.ok("verify --store ben.redb");
}

#[test]
fn a_step_that_is_repeated_or_skipped_or_goes_to_a_third_device_costs_nothing() {
    let env = two();
    env.ok("init --person Cy --store cy.redb");
    env.ok("add site Elm --store cy.redb");
    env.ok(ANA);
    let again = env.ok(ANA);
    assert!(
        again.contains("is this device's own, and the other has not read it"),
        "{again}"
    );
    env.ok(BEN);
    env.ok("note maple 3-02 arc 90"); // recorded while the file is on its way
    let old = std::fs::read(env.path("carried.hw")).unwrap();
    env.ok(ANA);
    env.ok(ANA);
    // A third device takes the file that was meant for Ben, and Ben gets hers.
    env.ok("exchange --file carried.hw --store cy.redb");
    env.ok(BEN);
    // Ana is brought the file that she had read before.
    env.write("carried.hw", &old);
    env.ok(ANA);
    for round in 0.. {
        assert!(round < 10, "they never end");
        let ended = |line: &str| env.ok(line).contains("Both hold the same now");
        if ended(BEN) || ended(ANA) {
            break;
        }
    }
    assert_same(&env);
    for store in ["headwalk.redb", "ben.redb", "cy.redb"] {
        env.ok(&format!("verify --store {store}"));
    }
}

#[test]
fn a_file_that_is_damaged_or_something_else_is_left_as_it_is() {
    let env = two();
    env.write("letter.txt", "Dear client");
    check(
        &env,
        "exchange --file letter.txt",
        &expect![[r#"
            ! Error: letter.txt is no carried file: it begins otherwise; it stays as it is.
            ! Hint: name another file; a damaged one is removed by hand, and both devices begin anew.
            [exit 2]
        "#]],
    );
    assert_eq!(
        std::fs::read(env.path("letter.txt")).unwrap(),
        b"Dear client"
    );
    env.ok(ANA);
    env.ok(BEN);
    let whole = std::fs::read(env.path("carried.hw")).unwrap();
    let before = env.ok("export entries --site maple");
    for at in (0..whole.len()).step_by(whole.len() / 12) {
        let mut flipped = whole.clone();
        flipped[at] ^= 1;
        for bytes in [flipped.as_slice(), &whole[..at]] {
            env.write("carried.hw", bytes);
            assert_eq!(env.run(ANA).code, Some(2), "at {at}");
            assert_eq!(std::fs::read(env.path("carried.hw")).unwrap(), bytes);
        }
    }
    assert_eq!(env.ok("export entries --site maple"), before);
    env.write("carried.hw", &whole);
    env.ok(ANA);
    env.ok(BEN);
    assert_same(&env);
}

/// Starts to listen as Ben, and returns the command that the other is told to run.
fn listening(env: &TestEnv) -> (Child, String) {
    let mut command = env.command("exchange --listen 127.0.0.1:0 --store ben.redb");
    command.stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = command.spawn().unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let told = lines.nth(1).unwrap().unwrap();
    (child, told.strip_prefix("headwalk ").unwrap().to_owned())
}

#[test]
fn two_devices_exchange_on_one_network_with_a_code() {
    let env = two();
    let (mut ben, told) = listening(&env);
    let address = told.split_whitespace().nth(2).unwrap().to_owned();
    // A stranger who speaks otherwise, and one who guesses, keep nobody from it.
    let mut stranger = TcpStream::connect(&address).unwrap();
    stranger.write_all(b"GET / HTTP/1.1\r\n\r\n").unwrap();
    let guess = env.run(&format!("exchange --call {address} --code 00000-00000"));
    expect![[r#"
        ! Error: the other device does not take that code.
        ! Hint: type it again; after three wrong ones the other begins anew, with a new code.
        [exit 1]
    "#]]
    .assert_eq(&guess.to_string());
    let ran = env.ok(&told).replace(&address, "<ben>");
    expect![[r#"
        Sent 7 entries to <ben>, received 1 entry.
        logbook      sent  received
        Maple Court  7     0
        Birch Lane   0     1
        Both hold the same now.
    "#]]
    .assert_eq(&ran);
    assert!(ben.wait().unwrap().success());
    assert_same(&env);
}

#[test]
fn three_wrong_codes_end_the_waiting() {
    let env = two();
    let (ben, told) = listening(&env);
    let (before, _) = told.rsplit_once(' ').unwrap();
    for guess in ["00000-00000", "00000-00001", "00000-00002"] {
        assert_eq!(env.run(&format!("{before} {guess}")).code, Some(1));
    }
    let ended = env.ran(&ben.wait_with_output().unwrap());
    expect![[r#"
        ! Error: three wrong codes came: nothing was exchanged.
        ! Hint: begin again: there is a new code each time.
        [exit 1]
    "#]]
    .assert_eq(&ended.to_string());
}
