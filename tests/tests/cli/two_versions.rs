//! Two crews, one head: both values stand until a person chooses, and every store says the same.

use expect_test::expect;
use headwalk_tests::TestEnv;

use super::{check, maple_court};

/// Ana's store and Ben's, after each set the arc of one head without having seen the other.
fn two_crews() -> TestEnv {
    let mut env = maple_court();
    env.ok(r#"init --person "Ben Ode" --store ben.redb"#);
    env.ok("exchange --with ben.redb");
    env.set_now("2026-07-14T09:30:00-05:00");
    env.ok("note maple 3-02 arc 90 --how measured");
    env.set_now("2026-07-14T09:40:00-05:00");
    env.ok("note maple 3-02 arc 120 --store ben.redb");
    env.set_now("2026-07-14T17:00:00-05:00");
    env
}

#[test]
fn an_exchange_says_what_moved() {
    let env = two_crews();
    check(
        &env,
        "exchange --with ben.redb",
        &expect![[r#"
        Sent 1 entry to ben.redb, received 1 entry.
        logbook      sent  received
        Maple Court  1     1
        Both hold the same now.
    "#]],
    );
    check(
        &env,
        "exchange --with ben.redb --json",
        &expect![[r#"
            {
              "with": "ben.redb",
              "sent": 0,
              "received": 0,
              "round_trips": 1,
              "equal": true,
              "copies": 0,
              "is_a_copy": false,
              "logbooks": []
            }
        "#]],
    );
    check(
        &env,
        "exchange --with headwalk.redb",
        &expect![[r#"
        ! Error: another program has the store open: close it, or wait until it is done.
        [exit 1]
    "#]],
    );
    check(
        &env,
        "exchange --with gone.redb",
        &expect![[r#"
        ! Error: there is no store at gone.redb.
        ! Hint: `headwalk init --store gone.redb` begins one there.
        [exit 2]
    "#]],
    );
}

#[test]
fn both_values_show_until_one_is_chosen_and_history_keeps_all() {
    let mut env = two_crews();
    check(
        &env,
        "versions",
        &expect![[r#"
        No field stands in two versions.
    "#]],
    );
    env.ok("exchange --with ben.redb");
    check(
        &env,
        "versions",
        &expect![[r#"
            head-3-02 at Maple Court: arc
              A  120°  Ben Ode   2026-07-14 09:40              had seen 180° (Ana Ruiz, 2026-07-14 07:30)
              B  90°   Ana Ruiz  2026-07-14 09:30  measured    had seen 180° (Ana Ruiz, 2026-07-14 07:30)
            1 field stands in two versions; A is in force. `headwalk choose SITE THING FIELD A` settles one.
        "#]],
    );
    check(
        &env,
        "versions maple --json",
        &expect![[r#"
            {
              "fields": [
                {
                  "logbook": "<id 1>",
                  "site": "Maple Court",
                  "thing": "<id 2>",
                  "name": "head-3-02",
                  "field": "arc",
                  "versions": [
                    {
                      "version": "A",
                      "value": {
                        "amount": 120.0,
                        "unit": "°"
                      },
                      "by": "Ben Ode",
                      "at": "2026-07-14T09:40:00-05:00",
                      "device": "<id 3>",
                      "had_seen": [
                        {
                          "value": {
                            "amount": 180.0,
                            "unit": "°"
                          },
                          "by": "Ana Ruiz",
                          "at": "2026-07-14T07:30:00-05:00",
                          "device": "<id 4>"
                        }
                      ]
                    },
                    {
                      "version": "B",
                      "value": {
                        "amount": 90.0,
                        "unit": "°"
                      },
                      "by": "Ana Ruiz",
                      "at": "2026-07-14T09:30:00-05:00",
                      "device": "<id 4>",
                      "how": "measured",
                      "had_seen": [
                        {
                          "value": {
                            "amount": 180.0,
                            "unit": "°"
                          },
                          "by": "Ana Ruiz",
                          "at": "2026-07-14T07:30:00-05:00",
                          "device": "<id 4>"
                        }
                      ]
                    }
                  ]
                }
              ]
            }
        "#]],
    );
    check(
        &env,
        "state maple 3-02",
        &expect![[r#"
        Maple Court
        head-3-02
          arc        two versions
                     A 120°        Ben Ode   2026-07-14 09:40
                     B 90°         Ana Ruiz  2026-07-14 09:30  measured
          head-kind  fixed spray   Ana Ruiz  2026-07-14 07:30
          label      3-02          Ana Ruiz  2026-07-14 07:30
          radius     12 ft         Ana Ruiz  2026-07-14 07:30
    "#]],
    );
    check(
        &env,
        "choose maple 3-02 arc C",
        &expect![[r#"
        ! Error: `C` is none of its versions.
        !   A  120°
        !   B  90°
        ! Hint: name one by its letter; `headwalk note` records a third value.
        [exit 2]
    "#]],
    );
    check(
        &env,
        "choose maple 3-02 radius A",
        &expect![[r#"
        ! Error: radius of head-3-02 stands in one version only.
        ! Hint: `headwalk versions` lists what there is to choose.
        [exit 2]
    "#]],
    );
    env.set_now("2026-07-14T17:20:00-05:00");
    check(
        &env,
        r#"choose maple 3-02 arc B --by "Dana Lee""#,
        &expect![[r#"
            head-3-02 at Maple Court: arc 90° (was 120°).
        "#]],
    );
    check(
        &env,
        "versions",
        &expect![[r#"
        No field stands in two versions.
    "#]],
    );
    check(
        &env,
        "history maple 3-02 arc",
        &expect![[r#"
            head-3-02 at Maple Court
            2026-07-14 07:30  Ana Ruiz  …<id>  arc 180°
            2026-07-14 09:30  Ana Ruiz  …<id>  arc 90°, measured
                                                 in place of 180° (Ana Ruiz, 2026-07-14 07:30)
                                                 beside 120° (Ben Ode, 2026-07-14 09:40), neither seen by the
                                                 other
            2026-07-14 09:40  Ben Ode   …<id>  arc 120°
                                                 in place of 180° (Ana Ruiz, 2026-07-14 07:30)
                                                 beside 90° (Ana Ruiz, 2026-07-14 09:30), neither seen by the
                                                 other
                                                 reached this store 2026-07-14 17:00
            2026-07-14 17:20  Dana Lee  …<id>  arc 90°, measured
                                                 in place of 90° (Ana Ruiz, 2026-07-14 09:30)
                                                 in place of 120° (Ben Ode, 2026-07-14 09:40)
        "#]],
    );
    check(
        &env,
        "history maple 3-02 arc --json --as-of 2026-07-14T09:30",
        &expect![[r#"
            {
              "site": "Maple Court",
              "logbook": "<id 1>",
              "thing": "<id 2>",
              "name": "head-3-02",
              "said": [
                {
                  "what": "arc",
                  "value": {
                    "amount": 180.0,
                    "unit": "°"
                  },
                  "by": "Ana Ruiz",
                  "at": "2026-07-14T07:30:00-05:00",
                  "device": "<id 3>",
                  "seq": 4,
                  "reached_here": "2026-07-14T07:30:00-05:00"
                },
                {
                  "what": "arc",
                  "value": {
                    "amount": 90.0,
                    "unit": "°"
                  },
                  "by": "Ana Ruiz",
                  "at": "2026-07-14T09:30:00-05:00",
                  "device": "<id 3>",
                  "how": "measured",
                  "seq": 8,
                  "reached_here": "2026-07-14T09:30:00-05:00",
                  "replaced": [
                    {
                      "value": {
                        "amount": 180.0,
                        "unit": "°"
                      },
                      "by": "Ana Ruiz",
                      "at": "2026-07-14T07:30:00-05:00",
                      "device": "<id 3>"
                    }
                  ]
                }
              ]
            }
        "#]],
    );
}

#[test]
fn what_was_true_and_what_was_known_are_two_answers() {
    let env = two_crews();
    env.ok("exchange --with ben.redb");
    // At ten Ben had written his value, and this store had not heard of it.
    check(
        &env,
        "history maple 3-02 arc --as-of 2026-07-14T10:00",
        &expect![[r#"
            head-3-02 at Maple Court
            2026-07-14 07:30  Ana Ruiz  …<id>  arc 180°
            2026-07-14 09:30  Ana Ruiz  …<id>  arc 90°, measured
                                                 in place of 180° (Ana Ruiz, 2026-07-14 07:30)
                                                 beside 120° (Ben Ode, 2026-07-14 09:40), neither seen by the
                                                 other
            2026-07-14 09:40  Ben Ode   …<id>  arc 120°
                                                 in place of 180° (Ana Ruiz, 2026-07-14 07:30)
                                                 beside 90° (Ana Ruiz, 2026-07-14 09:30), neither seen by the
                                                 other
                                                 reached this store 2026-07-14 17:00
        "#]],
    );
    check(
        &env,
        "history maple 3-02 arc --as-known 2026-07-14T10:00",
        &expect![[r#"
            head-3-02 at Maple Court
            2026-07-14 07:30  Ana Ruiz  …<id>  arc 180°
            2026-07-14 09:30  Ana Ruiz  …<id>  arc 90°, measured
                                                 in place of 180° (Ana Ruiz, 2026-07-14 07:30)
        "#]],
    );
    check(
        &env,
        "state maple 3-02 --as-known 2026-07-14T10:00",
        &expect![[r#"
            Maple Court
            head-3-02
              arc        90°          Ana Ruiz  2026-07-14 09:30  measured
              head-kind  fixed spray  Ana Ruiz  2026-07-14 07:30
              label      3-02         Ana Ruiz  2026-07-14 07:30
              radius     12 ft        Ana Ruiz  2026-07-14 07:30
        "#]],
    );
    check(
        &env,
        "state maple 3-02 --as-of yesterday",
        &expect![[r#"
        ! Error: `yesterday` is not a moment.
        ! Hint: write a day such as 2026-07-14, or a moment such as 2026-07-14T07:30.
        [exit 2]
    "#]],
    );
}

#[test]
fn stores_that_hold_the_same_entries_print_the_same_bytes_whoever_called() {
    let states = |first: &str, second: &str| {
        let env = two_crews();
        env.ok(first);
        env.ok(second);
        let (ana, ben) = (
            env.ok("state --json"),
            env.ok("state --json --store ben.redb"),
        );
        assert_eq!(ana, ben);
        ana.matches("\"versions\"").count()
    };
    assert_eq!(states("exchange --with ben.redb", "verify"), 1);
    assert_eq!(
        states("exchange --with headwalk.redb --store ben.redb", "rebuild"),
        1
    );
}

#[test]
fn a_copied_store_goes_on_as_another_device_and_its_work_is_entered_again() {
    let env = maple_court();
    env.ok(r#"init --person "Ben Ode" --store ben.redb"#);
    std::fs::copy(env.path("headwalk.redb"), env.path("copy.redb")).unwrap();
    env.ok("note maple 3-01 arc 90");
    env.ok("exchange --with ben.redb");
    env.ok("note maple 3-02 arc 270 --store copy.redb");
    check(
        &env,
        "exchange --with ben.redb --store copy.redb",
        &expect![[r#"
            Sent 1 entry to ben.redb, received 1 entry.
            logbook      sent  received
            Maple Court  1     1
            A store had been copied or put back, and both copies wrote on. What both wrote is kept; `headwalk
            versions` lists the fields that they left in two versions. Never copy a store: begin another and
            exchange.
            Someone else writes under this store's device id, so it is a copy, or was put back. Nothing is lost;
            from now on it writes under a new id.
            Both hold the same now.
        "#]],
    );
    check(
        &env,
        "state maple 3-02 --store ben.redb",
        &expect![[r#"
        Maple Court
        head-3-02
          arc        270°         Ana Ruiz  2026-07-14 07:30
          head-kind  fixed spray  Ana Ruiz  2026-07-14 07:30
          label      3-02         Ana Ruiz  2026-07-14 07:30
          radius     12 ft        Ana Ruiz  2026-07-14 07:30
    "#]],
    );
    check(
        &env,
        "verify --store copy.redb",
        &expect![[r#"
        9 entries in 2 chains: all as written.
    "#]],
    );
}
