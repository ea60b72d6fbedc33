//! The command and the office's hub.

use std::collections::BTreeSet;

use expect_test::expect;
use headwalk_tests::{TestEnv, TestHub};

use super::{check, maple_court};

#[test]
fn a_store_without_a_hub_says_how_to_join_one() {
    let env = maple_court();
    check(
        &env,
        "exchange",
        &expect![[r#"
        ! Error: this store belongs to no hub yet.
        ! Hint: `headwalk enrol URL CODE` joins one; the dispatcher gives you both.
        [exit 2]
    "#]],
    );
    check(
        &env,
        "devices",
        &expect![[r#"
        ! Error: this store belongs to no hub yet.
        ! Hint: `headwalk enrol URL CODE` joins one; the dispatcher gives you both.
        [exit 2]
    "#]],
    );
    check(
        &env,
        "enrol",
        &expect![[r#"
        ! Error: the following required arguments were not provided: <URL>.
        ! Hint: usage: headwalk enrol <URL> [CODE]; --help says more.
        [exit 2]
    "#]],
    );
    check(
        &env,
        "enrol hub.example.net 4H7QX-2MK9R",
        &expect![[r#"
        ! Error: `hub.example.net` is not the address of a hub.
        ! Hint: write it like https://hub.example.net or http://127.0.0.1:8080.
        [exit 2]
    "#]],
    );
}

#[test]
fn a_hub_that_is_not_there_is_said_to_be_away() {
    let env = maple_court();
    // Port 1 is reserved and nothing of ours listens there.
    check(
        &env,
        "enrol http://127.0.0.1:1 4H7QX-2MK9R",
        &expect![[r#"
        ! Error: the hub at http://127.0.0.1:1 does not answer: nothing listens there.
        ! Hint: nothing is lost: what is not there yet goes with the next exchange.
        [exit 1]
    "#]],
    );
}

/// Ana's store as the dispatcher's, and Ben's as a crew's, both let in.
fn two_let_in(env: &TestEnv) -> TestHub {
    let hub = TestHub::start(env);
    let first = hub.first_code.clone().expect("a new hub has a first code");
    env.ok(&format!("enrol {} {first} --device Office", hub.url));
    let code = code_for_ben(env);
    env.ok(r#"init --person "Ben Ode" --store ben.redb"#);
    env.ok(&format!(
        "enrol {} {code} --device Tablet --store ben.redb",
        hub.url
    ));
    hub
}

/// A new code, asked for by the dispatcher.
fn code_for_ben(env: &TestEnv) -> String {
    let told = env.ok(r#"enrol --for "Ben Ode""#);
    told.lines()
        .next()
        .expect("the code is the first line")
        .to_owned()
}

/// Puts fixed words for the port and the code, which are chance.
fn plainly(env: &TestEnv, hub: &TestHub, line: &str, code: &str) -> String {
    let told = env.run(line).to_string();
    told.replace(&hub.url, "<hub>").replace(code, "<code>")
}

#[test]
fn a_device_joins_with_a_code_that_works_once() {
    let env = maple_court();
    let hub = TestHub::start(&env);
    let first = hub.first_code.clone().unwrap();
    let joined = plainly(
        &env,
        &hub,
        &format!("enrol {} {first} --device Office", hub.url),
        &first,
    );
    expect![[r#"
        Joined Office at <hub> as dispatcher.
        `headwalk exchange` brings what this device lacks.
    "#]]
    .assert_eq(&joined);
    let code = code_for_ben(&env);
    env.ok("init --person Ben --store ben.redb");
    let join = format!("enrol {} {code} --store ben.redb", hub.url);
    expect![[r#"
        Joined Office at <hub> as crew.
        `headwalk exchange` brings what this device lacks.
    "#]]
    .assert_eq(&plainly(&env, &hub, &join, &code));
    env.ok("init --person Eve --store eve.redb");
    let again = format!("enrol {} {code} --store eve.redb --json", hub.url);
    expect![[r#"
        {
          "error": "that code has been used already: each works once",
          "kind": "input",
          "hint": "ask the dispatcher for a new code.",
          "field": "code"
        }
        ! Error: that code has been used already: each works once.
        ! Hint: ask the dispatcher for a new code.
        [exit 2]
    "#]]
    .assert_eq(&plainly(&env, &hub, &again, &code));
    let wrong = format!("enrol {} 00000-00000 --store eve.redb", hub.url);
    expect![[r#"
        ! Error: this hub does not know that code.
        ! Hint: type it again; if it is right, ask the dispatcher for a new code.
        [exit 2]
    "#]]
    .assert_eq(&plainly(&env, &hub, &wrong, "none"));
    let garbled = format!("enrol {} hello --store eve.redb", hub.url);
    expect![[r#"
        ! Error: that is not a code: a code has ten letters and digits.
        ! Hint: type it again, like 4H7QX-2MK9R.
        [exit 2]
    "#]]
    .assert_eq(&plainly(&env, &hub, &garbled, "none"));
    let issue = r#"enrol --for Eve --store ben.redb"#;
    expect![[r#"
        ! Error: a crew may not do this: it takes a dispatcher.
        ! Hint: ask the dispatcher to do it.
        [exit 1]
    "#]]
    .assert_eq(&plainly(&env, &hub, issue, "none"));
    // The moments in the roll are those of the hub's own running clock.
    let roll = env.ok("devices");
    let name = |line: &str| line.split("  ").next().map(str::to_owned);
    let names: BTreeSet<_> = roll.lines().skip(1).filter_map(name).collect();
    assert_eq!(
        names,
        BTreeSet::from(["Ben".to_owned(), "Office".to_owned()])
    );
}

#[test]
fn a_code_that_is_too_old_is_refused() {
    let mut env = maple_court();
    let mut hub = TestHub::start(&env);
    let first = hub.first_code.clone().unwrap();
    env.ok(&format!("enrol {} {first}", hub.url));
    let code = code_for_ben(&env);
    env.ok("init --person Ben --store ben.redb");
    env.set_now("2026-07-15T07:31:00-05:00");
    hub.kill_and_restart(&env);
    let late = format!("enrol {} {code} --store ben.redb", hub.url);
    expect![[r#"
        ! Error: that code is no longer valid.
        ! Hint: ask the dispatcher for a new code.
        [exit 2]
    "#]]
    .assert_eq(&plainly(&env, &hub, &late, &code));
    expect![[r#"
        ! Error: this store belongs to no hub yet.
        ! Hint: `headwalk enrol URL CODE` joins one; the dispatcher gives you both.
        [exit 2]
    "#]]
    .assert_eq(&plainly(&env, &hub, "exchange --store ben.redb", &code));
}

#[test]
fn stores_that_exchanged_with_the_hub_in_either_order_print_the_same_bytes() {
    let orders = [
        ["headwalk.redb", "ben.redb", "headwalk.redb"],
        ["ben.redb", "headwalk.redb", "ben.redb"],
    ];
    for order in orders {
        let mut env = maple_court();
        let hub = two_let_in(&env);
        env.ok("exchange");
        env.ok("exchange --store ben.redb");
        env.set_now("2026-07-14T07:31:00-05:00");
        env.ok("note maple 3-02 arc 90 radius 10ft");
        env.ok("note maple 3-02 arc 120 --store ben.redb");
        for store in order {
            env.ok(&format!("exchange --store {store}"));
        }
        let (ana, ben) = (
            env.ok("state --json"),
            env.ok("state --json --store ben.redb"),
        );
        assert_eq!(ana, ben, "{order:?}");
        assert_eq!(ana.matches("\"versions\"").count(), 1);
        drop(hub);
    }
}

#[test]
fn what_is_not_yet_at_the_office_is_counted_until_it_is() {
    let env = maple_court();
    let hub = two_let_in(&env);
    check(
        &env,
        "sites",
        &expect![[r#"
        site         zones  heads  open findings  two versions  not yet at the office
        Maple Court  1      3      0              0             7
    "#]],
    );
    expect![[r#"
        Sent 7 entries to <hub>, received 0 entries.
        logbook      sent  received
        Maple Court  7     0
        Both hold the same now.
    "#]]
    .assert_eq(&plainly(&env, &hub, "exchange", "none"));
    check(
        &env,
        "sites",
        &expect![[r#"
        site         zones  heads  open findings  two versions  not yet at the office
        Maple Court  1      3      0              0             0
    "#]],
    );
    env.ok("note maple 3-02 arc 90");
    check(
        &env,
        "site maple",
        &expect![[r#"
        Maple Court, 12 Elm Street

        zone    waters  plants            area     heads  pressure  flow
        zone-3          cool season turf  850 ft²  3

        No open findings.
        Not yet at the office: 1 entry
    "#]],
    );
    let Some(url) = hub.url.strip_prefix("http://").map(str::to_owned) else {
        unreachable!("a hub's address begins so");
    };
    drop(hub);
    let away = env.run("exchange").to_string().replace(&url, "<hub>");
    expect![[r#"
        ! Error: the hub at http://<hub> does not answer: nothing listens there.
        ! Hint: nothing is lost: what is not there yet goes with the next exchange.
        [exit 1]
    "#]]
    .assert_eq(&away);
    check(
        &env,
        "sites --json",
        &expect![[r#"
        {
          "sites": [
            {
              "logbook": "<id 1>",
              "site": "Maple Court",
              "zones": 1,
              "heads": 3,
              "open_findings": 0,
              "two_versions": 0,
              "entries": 8,
              "not_yet_at_the_office": 1
            }
          ]
        }
    "#]],
    );
}

#[test]
fn what_a_colleague_brings_of_a_lost_tablet_is_held_back_until_it_is_admitted() {
    let mut env = maple_court();
    let hub = two_let_in(&env);
    let code = code_for_ben(&env);
    env.ok(r#"init --person "Cara Lind" --store cara.redb"#);
    env.ok(&format!(
        "enrol {} {code} --device Cart --store cara.redb",
        hub.url
    ));
    env.ok("exchange");
    env.ok("exchange --store ben.redb");
    env.ok("exchange --store cara.redb");
    env.ok("devices --revoke Tablet");
    env.set_now("2026-07-14T09:30:00-05:00");
    env.ok("note maple 3-02 arc 90 --store ben.redb");
    env.ok("exchange --with ben.redb --store cara.redb");
    env.ok("exchange --store cara.redb");
    env.ok("exchange");
    check(
        &env,
        "held-back",
        &expect![[r#"
           site         written by  when              what
        1  Maple Court  Ben Ode     2026-07-14 09:30  head-3-02: arc 90°
        1 entry is held back: kept, and counted for nothing. `headwalk held-back --admit NUMBER` admits one.
    "#]],
    );
    check(
        &env,
        "history maple 3-02 arc",
        &expect![[r#"
        head-3-02 at Maple Court
        2026-07-14 07:30  Ana Ruiz  …<id>  arc 180°
        2026-07-14 07:30  Ben Ode   …<id>  arc 90°
                                             held back: its device's access had been taken back
                                             in place of 180° (Ana Ruiz, 2026-07-14 07:30)
                                             the device's clock said 2026-07-14T09:30:00-05:00
                                             reached this store 2026-07-14 09:30
    "#]],
    );
    check(
        &env,
        "held-back --admit 2",
        &expect![[r#"
        ! Error: no entry that is held back has the number 2.
        ! Hint: `headwalk held-back` lists them with their numbers.
        [exit 2]
    "#]],
    );
    check(
        &env,
        "held-back --admit 1",
        &expect![[r#"
           site         written by  when              what
        1  Maple Court  Ben Ode     2026-07-14 09:30  head-3-02: arc 90°  admitted
        Admitted 1 entry; what they say counts from now on.
    "#]],
    );
    check(
        &env,
        "held-back",
        &expect![[r#"
        Nothing is held back.
    "#]],
    );
    check(
        &env,
        "state maple 3-02",
        &expect![[r#"
        Maple Court
        head-3-02
          arc        90°          Ben Ode   2026-07-14 07:30
          head-kind  fixed spray  Ana Ruiz  2026-07-14 07:30
          label      3-02         Ana Ruiz  2026-07-14 07:30
          radius     12 ft        Ana Ruiz  2026-07-14 07:30
    "#]],
    );
}
