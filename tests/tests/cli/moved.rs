//! A visit that was written to the wrong site, and moved to the right one.

use expect_test::expect;
use headwalk_tests::TestEnv;

use super::{check, maple_court};

/// Ana is at Alder House and writes to Maple Court.
fn at_the_wrong_site() -> TestEnv {
    let mut env = maple_court();
    env.ok("add maple zone-1");
    env.ok(r#"add site "Alder House""#);
    env.ok("add alder zone-3 area 600sqft");
    env.ok("add alder 3-01..3-03 head-kind spray arc half radius 12");
    env.ok("add alder controller");
    env.ok(r#"visit start maple --crew "Crew 2""#);
    env.set_now("2026-07-14T09:00:00-05:00");
    env.ok("visit ran zone-3 --good");
    env.ok("note maple 3-02 arc 120");
    env.ok("finding maple 3-01 head-tilted");
    env.set_now("2026-07-14T09:30:00-05:00");
    env
}

#[test]
fn the_open_visit_moves_whole_and_goes_on_at_the_right_site() {
    let env = at_the_wrong_site();
    check(
        &env,
        "visit move alder",
        &expect![[r#"
        visit-2026-07-14-crew-2 moved from Maple Court to Alder House: 4 entries.
    "#]],
    );
    check(
        &env,
        "visit show",
        &expect![[r#"
        visit-2026-07-14-crew-2 at Alder House: open, 3 entries.
          zone-3  ran
        Missing: controller: the programs as found are missing.
    "#]],
    );
    check(
        &env,
        "site maple",
        &expect![[r#"
        Maple Court, 12 Elm Street

        zone    waters  plants            area     heads  pressure  flow
        zone-1                                     0
        zone-3          cool season turf  850 ft²  3

        No open findings.
    "#]],
    );
    check(
        &env,
        "site alder",
        &expect![[r#"
        Alder House

        zone    waters  plants  area     heads  pressure  flow
        zone-3                  600 ft²  3

        how soon  finding           status     remedy
        routine   3-01-head-tilted  described  straighten and firm the soil
        Still open: visit-2026-07-14-crew-2
    "#]],
    );
    check(
        &env,
        "history alder 3-02",
        &expect![[r#"
        head-3-02 at Alder House
        2026-07-14 07:30  Ana Ruiz  …<id>  kind head
                                             part-of zone-3
                                             order 20
                                             label 3-02
                                             head-kind fixed spray
                                             arc 180°
                                             radius 12 ft
        2026-07-14 09:30  Ana Ruiz  …<id>  arc 120°, during inspection 2026-07-14
                                             as Ana Ruiz wrote it at Maple Court 2026-07-14 09:00; that
                                             visit was moved
                                             in place of 180° (Ana Ruiz, 2026-07-14 07:30)
    "#]],
    );
    check(
        &env,
        "history maple visit-2026-07-14-crew-2 moved-to",
        &expect![[r#"
            visit-2026-07-14-crew-2 at Maple Court
            2026-07-14 09:30  Ana Ruiz  …<id>  moved-to Alder House; logbook:
                                                 <id 1>
        "#]],
    );
    env.ok("verify");
}

#[test]
fn what_the_right_site_has_not_is_named_and_nothing_moves_until_someone_says_what_is_meant() {
    let env = at_the_wrong_site();
    env.ok(r#"visit skip zone-1 --why "gate locked""#);
    env.ok("add alder zone-2");
    let before = env.ok("export entries");
    check(
        &env,
        "visit move alder",
        &expect![[r#"
        ! Error: the visit speaks of zone-1, and Alder House has nothing of that name and kind.
        ! Hint: --as THING=THING says which is meant there, as often as needed; --enter enters them there by these names.
        [exit 2]
    "#]],
    );
    check(
        &env,
        "visit move alder --as zone-1",
        &expect![[r#"
        ! Error: `zone-1` does not say which thing is which.
        ! Hint: for example --as zone-4=zone-3: what is zone-4 at the wrong site is zone-3.
        [exit 2]
    "#]],
    );
    check(
        &env,
        "visit move alder --as zone-1=3-01",
        &expect![[r#"
        ! Error: zone-1 and 3-01 are not of one kind.
        [exit 2]
    "#]],
    );
    assert_eq!(env.ok("export entries"), before);
    check(
        &env,
        "visit move alder --as zone-1=zone-2",
        &expect![[r#"
        visit-2026-07-14-crew-2 moved from Maple Court to Alder House: 5 entries.
    "#]],
    );
    check(
        &env,
        "visit show",
        &expect![[r#"
        visit-2026-07-14-crew-2 at Alder House: open, 4 entries.
          zone-2  skipped  gate locked
          zone-3  ran
        Missing: controller: the programs as found are missing.
    "#]],
    );
}

#[test]
fn the_office_moves_a_crews_visit_and_what_the_crew_adds_to_it_later_can_follow() {
    let mut env = at_the_wrong_site();
    env.ok(r#"init --person "Dell Office" --store office.redb"#);
    env.ok("exchange --with office.redb");
    let moves = "visit move alder --from maple --visit visit-2026-07-14-crew-2 --store office.redb";
    check(
        &env,
        moves,
        &expect![[r#"
        visit-2026-07-14-crew-2 moved from Maple Court to Alder House: 4 entries.
    "#]],
    );
    check(
        &env,
        moves,
        &expect![[r#"
            visit-2026-07-14-crew-2 is at Alder House already, and nothing of it waits at Maple Court.
        "#]],
    );
    check(
        &env,
        "visit move alder --from maple --store office.redb",
        &expect![[r#"
            ! Error: the following required arguments were not provided: --visit <VISIT>.
            ! Hint: usage: headwalk visit move --from <SITE> --visit <VISIT> --store <PATH> <TO>; --help says more.
            [exit 2]
        "#]],
    );
    check(
        &env,
        "visit move alder --store office.redb",
        &expect![[r#"
        ! Error: no visit is open on this device.
        ! Hint: `headwalk visit move SITE --from SITE --visit VISIT` moves any other; `headwalk site SITE` lists the visits of a site.
        [exit 2]
    "#]],
    );
    env.set_now("2026-07-14T10:00:00-05:00");
    env.ok("note maple 3-03 arc 90");
    env.ok("note alder 3-02 arc 170 --store office.redb");
    env.ok("exchange --with office.redb");
    check(
        &env,
        "versions --store office.redb",
        &expect![[r#"
            No field stands in two versions.
            visit-2026-07-14-crew-2 was moved from Maple Court to Alder House, and 1 entry of it is not there yet: `headwalk visit move "Alder House" --from "Maple Court" --visit <id 1>` carries what is missing.
        "#]],
    );
    check(
        &env,
        moves,
        &expect![[r#"
        visit-2026-07-14-crew-2 moved from Maple Court to Alder House: 1 entry.
    "#]],
    );
    env.ok("exchange --with office.redb");
    assert_eq!(
        env.ok("state alder"),
        env.ok("state alder --store office.redb")
    );
    // The crew's device follows.
    check(
        &env,
        "visit show",
        &expect![[r#"
        visit-2026-07-14-crew-2 at Alder House: open, 4 entries.
          zone-3  ran
        Missing: controller: the programs as found are missing.
    "#]],
    );
    // Back again, by the crew.
    env.set_now("2026-07-14T11:00:00-05:00");
    check(
        &env,
        "visit move maple --from alder --visit visit-2026-07-14-crew-2",
        &expect![[r#"
            visit-2026-07-14-crew-2 moved from Alder House to Maple Court, where all of it was already.
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
        "state maple 3-02",
        &expect![[r#"
        Maple Court
        head-3-02
          arc        120°         Ana Ruiz  2026-07-14 09:00
          head-kind  fixed spray  Ana Ruiz  2026-07-14 07:30
          label      3-02         Ana Ruiz  2026-07-14 07:30
          radius     12 ft        Ana Ruiz  2026-07-14 07:30
    "#]],
    );
    check(
        &env,
        "state alder 3-02",
        &expect![[r#"
        Alder House
        head-3-02
          arc        170°         Dell Office  2026-07-14 10:00
          head-kind  fixed spray  Ana Ruiz     2026-07-14 07:30
          label      3-02         Ana Ruiz     2026-07-14 07:30
          radius     12 ft        Ana Ruiz     2026-07-14 07:30
    "#]],
    );
    env.ok("verify");
}
