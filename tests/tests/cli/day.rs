//! The day's end in the terminal: worked down to nothing, line by line.

use expect_test::expect;
use headwalk_tests::TestEnv;

use super::{check, maple_court};

/// Ana's store in the evening: a leak, a head that two crews set, a walk that nobody ended.
fn evening() -> TestEnv {
    let mut env = maple_court();
    env.ok(r#"add company "Harrow and Sons""#);
    env.ok(r#"init --person "Ben Ode" --store ben.redb"#);
    env.ok("exchange --with ben.redb");
    env.set_now("2026-07-14T09:30:00-05:00");
    env.ok("visit start maple --purpose inspection");
    env.ok("finding maple valve-3 valve-weeping cause grit");
    env.ok("note maple 3-02 arc 90 --how measured");
    env.set_now("2026-07-14T09:40:00-05:00");
    env.ok("note maple 3-02 arc 120 --store ben.redb");
    env.set_now("2026-07-14T17:00:00-05:00");
    env.ok("exchange --with ben.redb");
    env
}

#[test]
fn the_worst_is_first_and_each_line_says_what_can_be_decided() {
    let env = evening();
    check(
        &env,
        "day",
        &expect![[r#"
        Tuesday 14 July 2026: 3 things to decide, the worst first.

        WATER RUNNING OR LEAKING NOW
        1  Maple Court, valve-3: valve weeping, described (soon)
             Grit.
             Usual remedy: flush, clean, new diaphragm.
             Parts: diaphragm kit.
             Probe the box with a tool before reaching in: insects, snakes, needles, glass.
             [ schedule DAY | fixed WHO | quoted PRICE | accept WHY | later ]

        TWO VERSIONS TO CHOOSE FROM
        2  Maple Court, head-3-02: arc
             A  Ben Ode, 2026-07-14 09:40
                arc  120°  had seen 180° (Ana Ruiz, 2026-07-14 07:30)
             B  Ana Ruiz, 2026-07-14 09:30, during inspection 2026-07-14
                arc  90°  had seen 180° (Ana Ruiz, 2026-07-14 07:30)
             [ A | B | later ]

        VISITS NOT FINISHED
        3  Maple Court, inspection 2026-07-14 (Ana Ruiz): not finished
             zone-3 was neither run nor skipped: run it, or say why it was skipped.
             controller: the programs as found are missing.
             [ end-visit WHY | later ]

        `headwalk day decide NUMBER WORD` decides a line; `headwalk day close --why ..` closes the day with
        what is left, which is first tomorrow.
    "#]],
    );
}

#[test]
fn each_decision_is_an_entry_and_an_empty_list_means_go_home() {
    let mut env = evening();
    env.ok("day");
    check(
        &env,
        "day decide 2 A",
        &expect![[r#"
        Maple Court head-3-02, arc: A counts.
        2 lines are left.
    "#]],
    );
    check(
        &env,
        "day decide 2 B",
        &expect![[r#"
        ! Error: Ana Ruiz decided this at 17:00: head-3-02 arc: A counts.
        ! Hint: `headwalk day undo NUMBER` takes a decision back; `headwalk day` lists them.
        [exit 2]
    "#]],
    );
    check(
        &env,
        "day decide 1 schedule",
        &expect![[r#"
        ! Error: say on which day, such as 2026-07-15.
        ! Hint: `headwalk day` says what can be decided, and what goes with it.
        [exit 2]
    "#]],
    );
    env.ok("day decide 1 schedule 2026-07-15");
    check(
        &env,
        "day close",
        &expect![[r#"
        ! Error: 1 still to decide: say why the day is closed with them.
        ! Hint: add --why "...".
        [exit 2]
    "#]],
    );
    check(
        &env,
        r#"day close --why "the walk goes on at 9""#,
        &expect![[r#"
            The day is closed.
            Nothing is left. Go home.
        "#]],
    );
    check(
        &env,
        "day",
        &expect![[r#"
            Tuesday 14 July 2026: the day is closed with 1 known hole, by Ana Ruiz at 17:00. Go home.

            NOT TODAY
              2026-07-15  Maple Court, inspection 2026-07-14 (Ana Ruiz): not  Ana Ruiz  the walk goes on at 9
                          finished

            DECIDED TODAY
              1  17:00  Ana Ruiz  the day is closed with 1 known hole
              2  17:00  Ana Ruiz  valve-3 valve weeping, described: Crew does it on 2026-07-15
              3  17:00  Ana Ruiz  head-3-02 arc: A counts

            `headwalk day undo NUMBER` takes a decision back.
        "#]],
    );
    check(
        &env,
        "history maple 3-02 arc",
        &expect![[r#"
        head-3-02 at Maple Court
        2026-07-14 07:30  Ana Ruiz  …<id>  arc 180°
        2026-07-14 09:30  Ana Ruiz  …<id>  arc 90°, measured, during inspection 2026-07-14
                                             in place of 180° (Ana Ruiz, 2026-07-14 07:30)
                                             beside 120° (Ben Ode, 2026-07-14 09:40), neither seen by the
                                             other
        2026-07-14 09:40  Ben Ode   …<id>  arc 120°
                                             in place of 180° (Ana Ruiz, 2026-07-14 07:30)
                                             beside 90° (Ana Ruiz, 2026-07-14 09:30), neither seen by the
                                             other
                                             reached this store 2026-07-14 17:00
        2026-07-14 17:00  Ana Ruiz  …<id>  arc 120°
                                             in place of 90° (Ana Ruiz, 2026-07-14 09:30)
                                             in place of 120° (Ben Ode, 2026-07-14 09:40)
    "#]],
    );
    env.set_now("2026-07-16T17:00:00-05:00");
    check(
        &env,
        "day --json",
        &expect![[r#"
            {
              "date": "2026-07-16",
              "lines": [
                {
                  "number": 1,
                  "key": "visit.<id 1>.<id 2>",
                  "matter": "visit",
                  "site": "Maple Court",
                  "place": "inspection 2026-07-14 (Ana Ruiz)",
                  "thing": "<id 2>",
                  "head": "not finished",
                  "more": [
                    "zone-3 was neither run nor skipped: run it, or say why it was skipped.",
                    "controller: the programs as found are missing."
                  ],
                  "left": "left open on 2026-07-14 by Ana Ruiz: the walk goes on at 9",
                  "can": [
                    {
                      "word": "end-visit",
                      "label": "It is over",
                      "asks": "why"
                    },
                    {
                      "word": "later",
                      "label": "Not today"
                    }
                  ]
                },
                {
                  "number": 2,
                  "key": "water.<id 1>.<id 3>",
                  "matter": "water",
                  "site": "Maple Court",
                  "place": "valve-3",
                  "thing": "<id 3>",
                  "severity": "soon",
                  "head": "valve weeping, was to be done on 2026-07-15",
                  "more": [
                    "Grit.",
                    "Usual remedy: flush, clean, new diaphragm.",
                    "Parts: diaphragm kit."
                  ],
                  "caution": "Probe the box with a tool before reaching in: insects, snakes, needles, glass.",
                  "can": [
                    {
                      "word": "schedule",
                      "label": "Crew does it on",
                      "asks": "day"
                    },
                    {
                      "word": "fixed",
                      "label": "Fixed by",
                      "asks": "who"
                    },
                    {
                      "word": "accept",
                      "label": "Stays as it is",
                      "asks": "why"
                    },
                    {
                      "word": "later",
                      "label": "Not today"
                    }
                  ]
                }
              ],
              "put_off": [],
              "decided": []
            }
        "#]],
    );
}

#[test]
fn a_decision_is_taken_back_by_a_dispatchers_device_only() {
    let env = evening();
    env.ok("day");
    env.ok("day decide 2 later");
    check(
        &env,
        "day undo 1",
        &expect![[r#"
        ! Error: only a dispatcher's device takes decisions back.
        ! Hint: write the value again with `headwalk note`, or take it back at the office.
        [exit 2]
    "#]],
    );
}
