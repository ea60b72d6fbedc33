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
    check(&env, "versions", &expect![[""]]);
    check(&env, "state maple 3-02", &expect![[""]]);
    check(&env, "site maple", &expect![[""]]);
    check(&env, "history maple 3-02", &expect![[""]]);
    check(&env, "versions --json", &expect![[""]]);
    env.set_now("2026-07-14T17:10:00-05:00");
    check(
        &env,
        r#"choose maple 3-02 removed B --by "Dana Lee""#,
        &expect![[""]],
    );
    check(&env, "versions", &expect![[""]]);
    check(&env, "site maple", &expect![[""]]);
    env.ok("exchange --with ben.redb");
    check(&env, "site maple --store ben.redb", &expect![[""]]);
}

#[test]
fn the_edit_may_be_chosen_and_an_edit_that_knew_is_not_listed() {
    let mut env = removed_and_edited();
    env.set_now("2026-07-14T17:10:00-05:00");
    check(&env, "choose maple 3-02 removed A", &expect![[""]]);
    env.ok("exchange --with ben.redb");
    check(&env, "versions --store ben.redb", &expect![[""]]);
    env.ok("note maple 3-02 removed yes");
    env.ok("exchange --with ben.redb");
    env.ok(r#"note maple 3-02 remark "dug out, in the truck" --store ben.redb"#);
    env.ok("exchange --with ben.redb");
    check(&env, "versions", &expect![[""]]);
}

#[test]
fn a_head_entered_twice_is_suggested_joined_and_told_as_one() {
    let mut env = entered_twice();
    check(&env, "join maple", &expect![[""]]);
    check(&env, "join maple --json", &expect![[""]]);
    check(&env, "site maple", &expect![[""]]);
    env.set_now("2026-07-14T17:10:00-05:00");
    check(
        &env,
        r#"join maple 3-04 3-4 --by "Dana Lee""#,
        &expect![[""]],
    );
    check(&env, "join maple 3-04 3-4", &expect![[""]]);
    check(&env, "join", &expect![[""]]);
    check(&env, "site maple", &expect![[""]]);
    check(&env, "versions", &expect![[""]]);
    check(&env, "state maple 3-4", &expect![[""]]);
    check(&env, "finding maple", &expect![[""]]);
    check(&env, "choose maple 3-4 radius B", &expect![[""]]);
    check(&env, "choose maple 3-4 label B", &expect![[""]]);
    check(&env, "versions", &expect![[""]]);
    check(&env, "history maple 3-4 radius", &expect![[""]]);
    env.ok("exchange --with ben.redb");
    assert_eq!(
        env.ok("state --json"),
        env.ok("state --json --store ben.redb")
    );
    env.set_now("2026-07-14T17:30:00-05:00");
    check(&env, "join maple 3-04 --apart", &expect![[""]]);
    check(&env, "site maple", &expect![[""]]);
    check(&env, "join", &expect![[""]]);
}

#[test]
fn two_that_are_different_are_not_suggested_again() {
    let env = entered_twice();
    env.ok("join maple 3-04 3-4 --different");
    check(&env, "join", &expect![[""]]);
    env.ok("exchange --with ben.redb");
    check(&env, "join --store ben.redb", &expect![[""]]);
}

#[test]
fn two_of_one_name_are_joined_by_it() {
    let env = two_stores();
    env.ok("add maple 3-04 arc 90");
    env.ok("add maple 3-04 arc 90 --store ben.redb");
    env.ok("exchange --with ben.redb");
    check(&env, "note maple 3-04 radius 10", &expect![[""]]);
    check(&env, "join maple 3-04", &expect![[""]]);
    check(&env, "note maple 3-04 radius 10", &expect![[""]]);
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
    check(&env, "join", &expect![[""]]);
    check(&env, "versions", &expect![[""]]);
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
    check(&env, "join maple 3-04 zone-3", &expect![[""]]);
    check(&env, "join maple 3-01", &expect![[""]]);
    check(&env, "join maple 3-01 --apart", &expect![[""]]);
    env.ok("note maple 3-01 removed yes");
    check(&env, "join maple 3-01 3-02", &expect![[""]]);
}

#[test]
fn a_set_of_programs_is_one_value_whose_versions_are_never_mixed() {
    let mut env = two_stores();
    env.set_now("2026-07-14T09:30:00-05:00");
    env.ok(r#"note maple controller programs "A: start 5:00; days mon wed fri; 100%; run 1=15 2=20 3=18 | B: start 6:30; days odd; 80%; run 4=40""#);
    env.ok(r#"note maple controller programs "A: start 4:00; days even; 100%; run 1=12 2=20 3=25" --store ben.redb"#);
    env.ok("exchange --with ben.redb");
    check(&env, "versions", &expect![[""]]);
    check(&env, "choose maple controller programs B", &expect![[""]]);
    check(&env, "state maple controller", &expect![[""]]);
    check(&env, "history maple controller programs", &expect![[""]]);
}
