//! What crews leave behind who worked apart: removed here and edited there, entered twice.

use expect_test::expect;
use headwalk_tests::TestEnv;

use super::{check, maple_court};

/// Ana's store and Ben's, which hold the same.
fn two_stores() -> TestEnv {
    let env = maple_court();
    env.ok(r#"init --person "Ben Ode" --store ben.redb"#);
    env.ok("exchange --with ben.redb");
    env
}

/// Ana removed a head that Ben, who did not know, edited and found tilted.
fn removed_and_edited() -> TestEnv {
    let mut env = two_stores();
    env.set_now("2026-07-14T09:30:00-05:00");
    env.ok("note maple 3-02 removed yes");
    env.set_now("2026-07-14T09:20:00-05:00");
    env.ok("note maple 3-02 arc 120 --store ben.redb");
    env.set_now("2026-07-14T17:00:00-05:00");
    env.ok("exchange --with ben.redb");
    env
}

/// Each crew entered the head that stands by the gate; Ben as 3-4, with another radius.
fn entered_twice() -> TestEnv {
    let mut env = two_stores();
    env.set_now("2026-07-14T09:30:00-05:00");
    env.ok("add maple 3-04 head-kind spray arc 90 radius 12 east 10 north 20");
    env.set_now("2026-07-14T09:40:00-05:00");
    env.ok("add maple 3-4 head-kind spray arc 90 radius 10 east 11.5 north 20 --store ben.redb");
    env.ok("finding maple 3-4 head-tilted --store ben.redb");
    env.ok("note maple 3-4 looked-good yes --store ben.redb");
    env.set_now("2026-07-14T17:00:00-05:00");
    env.ok("exchange --with ben.redb");
    env
}

#[test]
fn an_edit_that_did_not_know_of_the_removal_keeps_the_head_and_is_shown() {
    let mut env = removed_and_edited();
    check(
        &env,
        "versions",
        &expect![[r#"
        head-3-02 at Maple Court: removed
          A  no, wrote head-3-02 arc 120°  Ben Ode   2026-07-14 09:20
          B  yes                           Ana Ruiz  2026-07-14 09:30
        1 field stands in two versions; A is in force. `headwalk choose SITE THING FIELD A` settles one.
    "#]],
    );
    check(
        &env,
        "state maple 3-02",
        &expect![[r#"
        Maple Court
        head-3-02
          arc        120°                            Ben Ode   2026-07-14 09:20
          head-kind  fixed spray                     Ana Ruiz  2026-07-14 07:30
          label      3-02                            Ana Ruiz  2026-07-14 07:30
          radius     12 ft                           Ana Ruiz  2026-07-14 07:30
          removed    two versions
                     A no, wrote head-3-02 arc 120°  Ben Ode   2026-07-14 09:20
                     B yes                           Ana Ruiz  2026-07-14 09:30
    "#]],
    );
    check(
        &env,
        "site maple",
        &expect![[r#"
        Maple Court, 12 Elm Street

        zone    waters  plants            area     heads  pressure  flow
        zone-3          cool season turf  850 ft²  3

        No open findings.
        Two versions: head-3-02 removed
    "#]],
    );
    check(
        &env,
        "history maple 3-02",
        &expect![[r#"
        head-3-02 at Maple Court
        2026-07-14 07:30  Ana Ruiz  …<id>  kind head
                                             part-of zone-3
                                             order 20
                                             label 3-02
                                             head-kind fixed spray
                                             arc 180°
                                             radius 12 ft
        2026-07-14 09:20  Ben Ode   …<id>  arc 120°
                                             in place of 180° (Ana Ruiz, 2026-07-14 07:30)
                                             beside its removal (Ana Ruiz, 2026-07-14 09:30), neither seen
                                             by the other: it is there all the same
                                             reached this store 2026-07-14 17:00
        2026-07-14 09:30  Ana Ruiz  …<id>  removed yes
                                             beside no, wrote head-3-02 arc 120° (Ben Ode, 2026-07-14
                                             09:20), neither seen by the other
    "#]],
    );
    check(
        &env,
        "versions --json",
        &expect![[r#"
        {
          "fields": [
            {
              "logbook": "<id 1>",
              "site": "Maple Court",
              "thing": "<id 2>",
              "name": "head-3-02",
              "field": "removed",
              "versions": [
                {
                  "version": "A",
                  "value": false,
                  "by": "Ben Ode",
                  "at": "2026-07-14T09:20:00-05:00",
                  "device": "<id 3>"
                },
                {
                  "version": "B",
                  "value": true,
                  "by": "Ana Ruiz",
                  "at": "2026-07-14T09:30:00-05:00",
                  "device": "<id 4>"
                }
              ]
            }
          ]
        }
    "#]],
    );
    env.set_now("2026-07-14T17:10:00-05:00");
    check(
        &env,
        r#"choose maple 3-02 removed B --by "Dana Lee""#,
        &expect![[r#"
            head-3-02 at Maple Court: removed yes (was no).
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
        "site maple",
        &expect![[r#"
        Maple Court, 12 Elm Street

        zone    waters  plants            area     heads  pressure  flow
        zone-3          cool season turf  850 ft²  2

        No open findings.
    "#]],
    );
    env.ok("exchange --with ben.redb");
    check(
        &env,
        "site maple --store ben.redb",
        &expect![[r#"
        Maple Court, 12 Elm Street

        zone    waters  plants            area     heads  pressure  flow
        zone-3          cool season turf  850 ft²  2

        No open findings.
    "#]],
    );
}

#[test]
fn the_edit_may_be_chosen_and_an_edit_that_knew_is_not_listed() {
    let mut env = removed_and_edited();
    env.set_now("2026-07-14T17:10:00-05:00");
    check(
        &env,
        "choose maple 3-02 removed A",
        &expect![[r#"
        head-3-02 at Maple Court: removed no.
    "#]],
    );
    env.ok("exchange --with ben.redb");
    check(
        &env,
        "versions --store ben.redb",
        &expect![[r#"
        No field stands in two versions.
    "#]],
    );
    env.ok("note maple 3-02 removed yes");
    env.ok("exchange --with ben.redb");
    env.ok(r#"note maple 3-02 remark "dug out, in the truck" --store ben.redb"#);
    env.ok("exchange --with ben.redb");
    check(
        &env,
        "versions",
        &expect![[r#"
        No field stands in two versions.
    "#]],
    );
}

#[test]
fn a_head_entered_twice_is_suggested_joined_and_told_as_one() {
    let mut env = entered_twice();
    check(
        &env,
        "join maple",
        &expect![[r#"
        At Maple Court: the same number or label, 1.5 ft from each other
          head-3-04  Ana Ruiz  2026-07-14 09:30  <id 1>
          head-3-4   Ben Ode   2026-07-14 09:40  <id 2>
        1 thing may have been entered twice, by crews who had not seen each other's. `headwalk join SITE THING OTHER` joins them; with --different they are not listed again.
    "#]],
    );
    check(
        &env,
        "join maple --json",
        &expect![[r#"
        {
          "maybe_one": [
            {
              "logbook": "<id 1>",
              "site": "Maple Court",
              "first": {
                "thing": "<id 2>",
                "name": "head-3-04",
                "by": "Ana Ruiz",
                "at": "2026-07-14T09:30:00-05:00",
                "device": "<id 3>"
              },
              "second": {
                "thing": "<id 4>",
                "name": "head-3-4",
                "by": "Ben Ode",
                "at": "2026-07-14T09:40:00-05:00",
                "device": "<id 5>"
              },
              "why": [
                "the same number or label",
                "1.5 ft from each other"
              ]
            }
          ],
          "joined": []
        }
    "#]],
    );
    check(
        &env,
        "site maple",
        &expect![[r#"
        Maple Court, 12 Elm Street

        zone    waters  plants            area     heads  pressure  flow
        zone-3          cool season turf  850 ft²  5

        how soon  finding          status     remedy
        routine   3-4-head-tilted  described  straighten and firm the soil
    "#]],
    );
    env.set_now("2026-07-14T17:10:00-05:00");
    check(
        &env,
        r#"join maple 3-04 3-4 --by "Dana Lee""#,
        &expect![[r#"
            head-3-04 and head-3-4 at Maple Court are one now; --apart takes that back.
        "#]],
    );
    check(
        &env,
        "join maple 3-04 3-4",
        &expect![[r#"
            These are joined already; nothing was recorded.
        "#]],
    );
    check(
        &env,
        "join",
        &expect![[r#"
        At Maple Court: head-3-4 (Ben Ode, 2026-07-14 09:40, <id 1>) is joined to head-3-4
        Nothing looks as if it had been entered twice.
    "#]],
    );
    check(
        &env,
        "site maple",
        &expect![[r#"
        Maple Court, 12 Elm Street

        zone    waters  plants            area     heads  pressure  flow
        zone-3          cool season turf  850 ft²  4

        how soon  finding          status     remedy
        routine   3-4-head-tilted  described  straighten and firm the soil
        Two versions: head-3-4 label
        Two versions: head-3-4 radius
        Two versions: head-3-4 east
    "#]],
    );
    check(
        &env,
        "versions",
        &expect![[r#"
        head-3-4 at Maple Court: east
          A  11.5 ft  Ben Ode   2026-07-14 09:40
          B  10 ft    Ana Ruiz  2026-07-14 09:30
        head-3-4 at Maple Court: label
          A  3-4   Ben Ode   2026-07-14 09:40
          B  3-04  Ana Ruiz  2026-07-14 09:30
        head-3-4 at Maple Court: radius
          A  10 ft  Ben Ode   2026-07-14 09:40
          B  12 ft  Ana Ruiz  2026-07-14 09:30
        3 fields stand in two versions; A is in force. `headwalk choose SITE THING FIELD A` settles one.
    "#]],
    );
    check(
        &env,
        "state maple 3-4",
        &expect![[r#"
        Maple Court
        head-3-4
          arc          90°           Ben Ode   2026-07-14 09:40
          east         two versions
                       A 11.5 ft     Ben Ode   2026-07-14 09:40
                       B 10 ft       Ana Ruiz  2026-07-14 09:30
          head-kind    fixed spray   Ben Ode   2026-07-14 09:40
          label        two versions
                       A 3-4         Ben Ode   2026-07-14 09:40
                       B 3-04        Ana Ruiz  2026-07-14 09:30
          north        20 ft         Ben Ode   2026-07-14 09:40
          radius       two versions
                       A 10 ft       Ben Ode   2026-07-14 09:40
                       B 12 ft       Ana Ruiz  2026-07-14 09:30
          looked-good  yes           Ben Ode   2026-07-14 09:40
    "#]],
    );
    check(
        &env,
        "finding maple",
        &expect![[r#"
        how soon  site         finding          status     remedy
        routine   Maple Court  3-4-head-tilted  described  straighten and firm the soil
        1 finding.
    "#]],
    );
    check(
        &env,
        "choose maple 3-4 radius B",
        &expect![[r#"
        head-3-4 at Maple Court: radius 12 ft (was 10 ft).
    "#]],
    );
    check(
        &env,
        "choose maple 3-4 label B",
        &expect![[r#"
        head-3-04 at Maple Court: label 3-04 (was 3-4).
    "#]],
    );
    check(
        &env,
        "versions",
        &expect![[r#"
        head-3-04 at Maple Court: east
          A  11.5 ft  Ben Ode   2026-07-14 09:40
          B  10 ft    Ana Ruiz  2026-07-14 09:30
        1 field stands in two versions; A is in force. `headwalk choose SITE THING FIELD A` settles one.
    "#]],
    );
    check(
        &env,
        "history maple 3-4 radius",
        &expect![[r#"
        ! Error: nothing here is called `3-4`; did you mean 3-04 or 3-4-head-tilted?
        [exit 2]
    "#]],
    );
    env.ok("exchange --with ben.redb");
    assert_eq!(
        env.ok("state --json"),
        env.ok("state --json --store ben.redb")
    );
    env.set_now("2026-07-14T17:30:00-05:00");
    check(
        &env,
        "join maple 3-04 --apart",
        &expect![[r#"
            Both records of head-3-04 at Maple Court are two again.
        "#]],
    );
    check(
        &env,
        "site maple",
        &expect![[r#"
        Maple Court, 12 Elm Street

        zone    waters  plants            area     heads  pressure  flow
        zone-3          cool season turf  850 ft²  5

        how soon  finding                                    status     remedy
        routine   3-4-head-tilted: head tilted at head-3-04  described  straighten and firm the soil
    "#]],
    );
    check(
        &env,
        "join",
        &expect![[r#"
        At Maple Court: the same number or label, 1.5 ft from each other
          head-3-04  Ana Ruiz  2026-07-14 09:30  <id 1>
          head-3-04  Ben Ode   2026-07-14 09:40  <id 2>
        1 thing may have been entered twice, by crews who had not seen each other's. `headwalk join SITE THING OTHER` joins them; with --different they are not listed again.
    "#]],
    );
}

#[test]
fn two_that_are_different_are_not_suggested_again() {
    let env = entered_twice();
    env.ok("join maple 3-04 3-4 --different");
    check(
        &env,
        "join",
        &expect![[r#"
        Nothing looks as if it had been entered twice.
    "#]],
    );
    env.ok("exchange --with ben.redb");
    check(
        &env,
        "join --store ben.redb",
        &expect![[r#"
        Nothing looks as if it had been entered twice.
    "#]],
    );
}

#[test]
fn two_of_one_name_are_joined_by_it() {
    let env = two_stores();
    env.ok("add maple 3-04 arc 90");
    env.ok("add maple 3-04 arc 90 --store ben.redb");
    env.ok("exchange --with ben.redb");
    check(
        &env,
        "note maple 3-04 radius 10",
        &expect![[r#"
        ! Error: `3-04` can be head-3-04 (<id 1>) or head-3-04 (<id 2>); say which by its kind, or by its id.
        [exit 2]
    "#]],
    );
    check(
        &env,
        "join maple 3-04",
        &expect![[r#"
            Both records of head-3-04 at Maple Court are one now; --apart takes that back.
        "#]],
    );
    check(
        &env,
        "note maple 3-04 radius 10",
        &expect![[r#"
        head-3-04 at Maple Court: radius 10 ft.
    "#]],
    );
}

#[test]
fn crews_who_join_differently_apart_leave_both_to_choose_from() {
    let mut env = entered_twice();
    env.ok("exchange --with ben.redb");
    env.set_now("2026-07-14T17:10:00-05:00");
    env.ok("join maple 3-04 3-4");
    env.set_now("2026-07-14T17:11:00-05:00");
    env.ok("join maple 3-03 3-4 --store ben.redb");
    env.ok("exchange --with ben.redb");
    check(
        &env,
        "join",
        &expect![[r#"
        At Maple Court: the same number or label, 1.5 ft from each other
          head-3-4   Ana Ruiz  2026-07-14 07:30  <id 1>
          head-3-04  Ana Ruiz  2026-07-14 09:30  <id 2>
        At Maple Court: head-3-4 (Ben Ode, 2026-07-14 09:40, <id 3>) is joined to head-3-4; another join contradicts that
        1 thing may have been entered twice, by crews who had not seen each other's. `headwalk join SITE THING OTHER` joins them; with --different they are not listed again.
    "#]],
    );
    check(
        &env,
        "versions",
        &expect![[r#"
        head-3-4 at Maple Court: arc
          A  90°   Ben Ode   2026-07-14 09:40
          B  180°  Ana Ruiz  2026-07-14 07:30
        head-3-4 at Maple Court: label
          A  3-4   Ben Ode   2026-07-14 09:40
          B  3-03  Ana Ruiz  2026-07-14 07:30
        head-3-4 at Maple Court: radius
          A  10 ft  Ben Ode   2026-07-14 09:40
          B  12 ft  Ana Ruiz  2026-07-14 07:30
        head-3-4 at Maple Court: same-as
          A  head-3-4   Ben Ode   2026-07-14 17:11
          B  head-3-04  Ana Ruiz  2026-07-14 17:10
        4 fields stand in two versions; A is in force. `headwalk choose SITE THING FIELD A` settles one.
        1 thing may have been entered twice: see `headwalk join`.
    "#]],
    );
    assert_eq!(
        env.ok("state --json"),
        env.ok("state --json --store ben.redb")
    );
    assert_eq!(
        env.ok("join --json"),
        env.ok("join --json --store ben.redb")
    );
}

#[test]
fn joining_what_cannot_be_one_is_refused() {
    let env = entered_twice();
    check(
        &env,
        "join maple 3-04 zone-3",
        &expect![[r#"
        ! Error: head-3-04 and zone-3 are not of one kind.
        ! Hint: only two records of one thing can be joined.
        [exit 2]
    "#]],
    );
    check(
        &env,
        "join maple 3-01",
        &expect![[r#"
        ! Error: say to which other record head-3-01 is to be joined.
        ! Hint: `headwalk join SITE THING OTHER`; `headwalk join SITE` lists likely ones.
        [exit 2]
    "#]],
    );
    check(
        &env,
        "join maple 3-01 --apart",
        &expect![[r#"
        ! Error: head-3-01 was not joined to anything.
        ! Hint: `headwalk join SITE` lists what was.
        [exit 2]
    "#]],
    );
    env.ok("note maple 3-01 removed yes");
    check(
        &env,
        "join maple 3-01 3-02",
        &expect![[r#"
        ! Error: head-3-01 was removed.
        ! Hint: `headwalk note SITE THING removed no` brings it back.
        [exit 2]
    "#]],
    );
}

#[test]
fn a_set_of_programs_is_one_value_whose_versions_are_never_mixed() {
    let mut env = two_stores();
    env.set_now("2026-07-14T09:30:00-05:00");
    env.ok(r#"note maple controller programs "A: start 5:00; days mon wed fri; 100%; run 1=15 2=20 3=18 | B: start 6:30; days odd; 80%; run 4=40""#);
    env.set_now("2026-07-14T09:40:00-05:00");
    env.ok(r#"note maple controller programs "A: start 4:00; days even; 100%; run 1=12 2=20 3=25" --store ben.redb"#);
    env.ok("exchange --with ben.redb");
    check(
        &env,
        "versions",
        &expect![[r#"
            controller at Maple Court: programs
              A  Ben Ode, 2026-07-14 09:40
                 A: start 04:00; days even; 100%; run 1=12 2=20 3=25
              B  Ana Ruiz, 2026-07-14 09:30
                 A: start 05:00; days mon wed fri; 100%; run 1=15 2=20 3=18 | B: start 06:30; days odd; 80%; run
                 4=40
            1 field stands in two versions; A is in force. `headwalk choose SITE THING FIELD A` settles one.
        "#]],
    );
    check(
        &env,
        "choose maple controller programs B",
        &expect![[r#"
        controller at Maple Court: programs A: start 05:00; days mon wed fri; 100%; run 1=15 2=20 3=18 | B: start 06:30; days odd; 80%; run 4=40 (was A: start 04:00; days even; 100%; run 1=12 2=20 3=25).
    "#]],
    );
    check(
        &env,
        "state maple controller",
        &expect![[r#"
            Maple Court
            controller
              programs  A: start 05:00; days mon wed fri; 100%; run 1=15 2=20 3=18  Ana Ruiz  2026-07-14 09:40
                        | B: start 06:30; days odd; 80%; run 4=40
        "#]],
    );
    check(
        &env,
        "history maple controller programs",
        &expect![[r#"
            controller at Maple Court
            2026-07-14 09:30  Ana Ruiz  …<id>  programs A: start 05:00; days mon wed fri; 100%; run 1=15 2=20
                                                 3=18 | B: start 06:30; days odd; 80%; run 4=40
                                                 beside A: start 04:00; days even; 100%; run 1=12 2=20 3=25 (Ben
                                                 Ode, 2026-07-14 09:40), neither seen by the other
            2026-07-14 09:40  Ben Ode   …<id>  programs A: start 04:00; days even; 100%; run 1=12 2=20 3=25
                                                 beside A: start 05:00; days mon wed fri; 100%; run 1=15 2=20
                                                 3=18 | B: start 06:30; days odd; 80%; run 4=40 (Ana Ruiz,
                                                 2026-07-14 09:30), neither seen by the other
            2026-07-14 09:40  Ana Ruiz  …<id>  programs A: start 05:00; days mon wed fri; 100%; run 1=15 2=20
                                                 3=18 | B: start 06:30; days odd; 80%; run 4=40
                                                 in place of A: start 05:00; days mon wed fri; 100%; run 1=15
                                                 2=20 3=18 | B: start 06:30; days odd; 80%; run 4=40 (Ana Ruiz,
                                                 2026-07-14 09:30)
                                                 in place of A: start 04:00; days even; 100%; run 1=12 2=20 3=25
                                                 (Ben Ode, 2026-07-14 09:40)
        "#]],
    );
}
