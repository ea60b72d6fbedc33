//! A visit from its start to its end, with what was found on it.

use expect_test::expect;
use headwalk_tests::TestEnv;

use super::{check, maple_court};

fn on_a_visit() -> TestEnv {
    let env = maple_court();
    env.ok(r#"add maple zone-1 name "Side strip""#);
    env.ok(r#"visit start maple --crew "Crew 2""#);
    env
}

#[test]
fn a_visit_says_what_is_missing_before_it_is_finished() {
    let mut env = maple_court();
    env.ok(r#"add maple zone-1 name "Side strip""#);
    check(
        &env,
        "visit show",
        &expect![[r#"
        ! Error: no visit is open on this device.
        ! Hint: `headwalk visit start SITE` begins one.
        [exit 2]
    "#]],
    );
    check(
        &env,
        r#"visit start maple --crew "Crew 2""#,
        &expect![[r#"
        visit-2026-07-14-crew-2 at Maple Court: open, 0 entries.
          zone-1  not yet
          zone-3  not yet
        Missing: controller: the programs as found are missing.
    "#]],
    );
    check(
        &env,
        "visit start maple",
        &expect![[r#"
        ! Error: a visit is open at Maple Court.
        ! Hint: `headwalk visit finish` ends it; with --why it can end unfinished.
        [exit 2]
    "#]],
    );
    check(
        &env,
        "visit ran 3-01",
        &expect![[r#"
        ! Error: head-3-01 is not a zone.
        [exit 2]
    "#]],
    );
    check(
        &env,
        "visit ran zone-3 --minutes 3 --good",
        &expect![[r#"
        zone-3 at Maple Court: zone-ran 3 min, heads-good yes.
    "#]],
    );
    check(
        &env,
        "visit finish",
        &expect![[r#"
        ! Error: the visit is not finished yet.
        !   zone-1 was neither run nor skipped: run it, or say why it was skipped
        !   controller: the programs as found are missing
        ! Hint: do what is missing, or end it with --why REASON.
        [exit 2]
    "#]],
    );
    check(
        &env,
        r#"visit skip zone-1 --why "dog in the yard""#,
        &expect![[r#"
            zone-1 at Maple Court: zone-skipped dog in the yard.
        "#]],
    );
    let programs = "A: start 5:00; days mon wed fri; 100%; run 1=15 3=20";
    env.ok(&format!(
        r#"note maple controller as-found "{programs}" programs "{programs}""#
    ));
    env.set_now("2026-07-14T08:10:00-05:00");
    check(
        &env,
        "visit show --json",
        &expect![[r#"
        {
          "logbook": "<id 1>",
          "site": "Maple Court",
          "visit": "<id 2>",
          "name": "visit-2026-07-14-crew-2",
          "state": "open",
          "zones": [
            {
              "zone": "<id 3>",
              "name": "zone-1",
              "done": "skipped",
              "why": "dog in the yard"
            },
            {
              "zone": "<id 4>",
              "name": "zone-3",
              "done": "ran"
            }
          ],
          "missing": [],
          "entries": 3
        }
    "#]],
    );
    check(
        &env,
        "visit finish",
        &expect![[r#"
        visit-2026-07-14-crew-2 at Maple Court: finished with skips, 4 entries.
          zone-1  skipped  dog in the yard
          zone-3  ran
    "#]],
    );
    check(
        &env,
        "visit show",
        &expect![[r#"
        ! Error: no visit is open on this device.
        ! Hint: `headwalk visit start SITE` begins one.
        [exit 2]
    "#]],
    );
    check(
        &env,
        "site maple",
        &expect![[r#"
        Maple Court, 12 Elm Street

        zone    waters      plants            area     heads  pressure  flow
        zone-1  Side strip                             0
        zone-3              cool season turf  850 ft²  3

        No open findings.
    "#]],
    );
}

#[test]
fn a_visit_ends_unfinished_only_with_a_reason_and_can_be_taken_up_again() {
    let env = on_a_visit();
    check(
        &env,
        "visit finish --abandon",
        &expect![[r#"
        ! Error: the following required arguments were not provided: --why <WHY>.
        ! Hint: usage: headwalk visit finish --why <WHY> --abandon; --help says more.
        [exit 2]
    "#]],
    );
    check(
        &env,
        r#"visit finish --abandon --why "lightning""#,
        &expect![[r#"
            visit-2026-07-14-crew-2 at Maple Court: abandoned, 1 entry.
              zone-1  not yet
              zone-3  not yet
        "#]],
    );
    check(
        &env,
        "visit start maple --resume visit-2026-07-14-crew-2",
        &expect![[r#"
            ! Error: visit-2026-07-14-crew-2 is no open visit.
            ! Hint: `headwalk site SITE` lists the open ones.
            [exit 2]
        "#]],
    );
    check(
        &env,
        r#"visit start maple --crew "Crew 2""#,
        &expect![[r#"
        visit-2026-07-14-crew-2-2 at Maple Court: open, 0 entries.
          zone-1  not yet
          zone-3  not yet
        Missing: controller: the programs as found are missing.
    "#]],
    );
}

#[test]
fn findings_carry_their_usual_remedy_and_caution_and_come_most_urgent_first() {
    let mut env = on_a_visit();
    check(
        &env,
        "finding maple 3-02 head-tilted cause mower",
        &expect![[r#"
            Added finding-3-02-head-tilted at Maple Court: what head tilted, status described, cause mower.
            Usually mended so: straighten and firm the soil.
        "#]],
    );
    check(
        &env,
        "finding maple valve-3 valve-weeping",
        &expect![[r#"
        Added finding-valve-3-valve-weeping at Maple Court: what valve weeping, status described.
        Usually mended so: flush, clean, new diaphragm.
        Probe the box with a tool before reaching in: insects, snakes, needles, glass.
    "#]],
    );
    check(
        &env,
        "finding maple 3-01 head-broken",
        &expect![[r#"
        Added finding-3-01-head-broken at Maple Court: what head broken, status described.
        Usually mended so: change it, move or guard it.
        Before digging: have buried lines located and marked, by local rule.
    "#]],
    );
    check(
        &env,
        "finding maple 3-01 head-broken --json",
        &expect![[r#"
        {
          "logbook": "<id 1>",
          "site": "Maple Court",
          "thing": "<id 2>",
          "name": "finding-3-01-head-broken-2",
          "by": "Ana Ruiz",
          "at": "2026-07-14T07:30:00-05:00",
          "entry": {
            "device": "<id 3>",
            "seq": 13
          },
          "visit": "<id 4>",
          "changes": [
            {
              "what": "kind",
              "value": "finding"
            },
            {
              "what": "part-of",
              "value": {
                "thing": "<id 5>"
              }
            },
            {
              "what": "order",
              "value": 20
            },
            {
              "what": "label",
              "value": "3-01-head-broken-2"
            },
            {
              "what": "what",
              "value": "head-broken"
            },
            {
              "what": "status",
              "value": "described"
            }
          ],
          "ask": [],
          "usual_remedy": "change it, move or guard it",
          "caution": "Before digging: have buried lines located and marked, by local rule."
        }
    "#]],
    );
    check(
        &env,
        "finding maple 3-01 head-brokn",
        &expect![[r#"
        ! Error: what of a finding: `head-brokn` is not one of its choices; did you mean `head-broken`?
        [exit 2]
    "#]],
    );
    check(
        &env,
        "finding maple 3-09 head-broken",
        &expect![[r#"
        ! Error: nothing here is called `3-09`; did you mean 3-01 or 3-02 or 3-03?
        [exit 2]
    "#]],
    );
    check(
        &env,
        "finding maple 3-01",
        &expect![[r#"
        ! Error: the following required arguments were not provided: <WHAT>.
        ! Hint: usage: headwalk finding <SITE> <PLACE> <WHAT> [FIELD] [VALUE]...; --help says more.
        [exit 2]
    "#]],
    );
    check(
        &env,
        "finding",
        &expect![[r#"
        how soon  site         finding                status     remedy
        urgent    Maple Court  3-01-head-broken       described  change it, move or guard it
        urgent    Maple Court  3-01-head-broken-2     described  change it, move or guard it
        soon      Maple Court  valve-3-valve-weeping  described  flush, clean, new diaphragm
        routine   Maple Court  3-02-head-tilted       described  straighten and firm the soil
        4 findings.
    "#]],
    );
    env.set_now("2026-07-14T08:00:00-05:00");
    check(
        &env,
        "note maple 3-02-head-tilted status fixed",
        &expect![[r#"
        finding-3-02-head-tilted at Maple Court: status fixed (was described).
    "#]],
    );
    check(
        &env,
        "finding maple --all",
        &expect![[r#"
        how soon  site         finding                status     remedy
        urgent    Maple Court  3-01-head-broken       described  change it, move or guard it
        urgent    Maple Court  3-01-head-broken-2     described  change it, move or guard it
        soon      Maple Court  valve-3-valve-weeping  described  flush, clean, new diaphragm
        routine   Maple Court  3-02-head-tilted       fixed      straighten and firm the soil
        4 findings.
    "#]],
    );
    check(
        &env,
        "site maple",
        &expect![[r#"
        Maple Court, 12 Elm Street

        zone    waters      plants            area     heads  pressure  flow
        zone-1  Side strip                             0
        zone-3              cool season turf  850 ft²  3

        how soon  finding                status     remedy
        urgent    3-01-head-broken       described  change it, move or guard it
        urgent    3-01-head-broken-2     described  change it, move or guard it
        soon      valve-3-valve-weeping  described  flush, clean, new diaphragm
        Still open: visit-2026-07-14-crew-2
    "#]],
    );
    check(
        &env,
        "history maple 3-02-head-tilted",
        &expect![[r#"
        finding-3-02-head-tilted at Maple Court
        2026-07-14 07:30  Ana Ruiz  …<id>  kind finding, during inspection 2026-07-14
                                             part-of head-3-02, during inspection 2026-07-14
                                             order 10, during inspection 2026-07-14
                                             label 3-02-head-tilted, during inspection 2026-07-14
                                             what head tilted, during inspection 2026-07-14
                                             status described, during inspection 2026-07-14
                                             cause mower, during inspection 2026-07-14
        2026-07-14 08:00  Ana Ruiz  …<id>  status fixed, during inspection 2026-07-14
                                             in place of described (Ana Ruiz, 2026-07-14 07:30)
    "#]],
    );
}
