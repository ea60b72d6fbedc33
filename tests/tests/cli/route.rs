//! Who carries which site, what each may do, and a site that goes off a device.

use expect_test::expect;
use headwalk_tests::{TestEnv, TestHub};

use super::check;

/// A dispatcher with the company's logbook and two sites, a crew, and the hub; each minute what
/// is done at the desk is done later, as the clocks of desk and hub tell.
fn firm() -> (TestEnv, TestHub) {
    let mut env = TestEnv::new();
    env.ok(r#"init --person "Ana Ruiz""#);
    let hub = TestHub::start(&env);
    let first = hub.first_code.clone().expect("a new hub has a first code");
    env.ok(&format!("enrol {} {first} --device Desk", hub.url));
    env.ok(r#"add company "Harrow and Sons""#);
    env.ok(r#"add site "Maple Court""#);
    env.ok(r#"add site "Birch Lane""#);
    env.ok("exchange");
    let code = env.ok(r#"enrol --for "Ben Ode""#);
    let code = code.lines().next().expect("the code is the first line");
    env.ok(r#"init --person "Ben Ode" --store ben.redb"#);
    let join = format!("enrol {} {code} --store ben.redb", hub.url);
    env.ok(&format!(r#"{join} --device "Truck 2""#));
    env.set_now("2026-07-14T07:30:50-05:00");
    env.ok("exchange");
    (env, hub)
}

fn sites_of_ben(env: &TestEnv) -> Vec<String> {
    let told = env.ok("sites --store ben.redb");
    let first = |line: &str| line.split("  ").next().map(str::to_owned);
    told.lines().skip(1).filter_map(first).collect()
}

#[test]
fn a_crew_carries_its_route_and_drops_what_the_office_has() {
    let (env, _hub) = firm();
    check(
        &env,
        "route",
        &expect![[r#"
            device   person    as          carries
            Desk     Ana Ruiz  dispatcher  everything
            Truck 2  Ben Ode   crew        everything
        "#]],
    );
    check(
        &env,
        "route truck --add maple",
        &expect![[r#"
            device   person   as    carries
            Truck 2  Ben Ode  crew  1 site: Maple Court
        "#]],
    );
    env.ok("exchange");
    env.ok("exchange --store ben.redb");
    assert_eq!(sites_of_ben(&env), ["Maple Court"]);
    env.ok("note maple site remark unsent --store ben.redb");
    check(
        &env,
        "drop maple --store ben.redb",
        &expect![[r#"
            ! Error: not all of Maple Court is at the office yet: nothing was dropped.
            ! Hint: `headwalk exchange`, then again.
            [exit 1]
        "#]],
    );
    env.ok("route truck --take-off maple --add birch");
    env.ok("exchange");
    env.ok("exchange --store ben.redb");
    assert_eq!(sites_of_ben(&env), ["Birch Lane", "Maple Court"]);
    check(
        &env,
        "drop birch --store ben.redb",
        &expect![[r#"
            ! Error: Birch Lane is on this device's route, and would come back.
            ! Hint: a dispatcher takes it off with `headwalk route DEVICE --take-off SITE`.
            [exit 1]
        "#]],
    );
    check(
        &env,
        "drop maple --store ben.redb",
        &expect![[r#"
            Took Maple Court off this device: 2 entries.
            The office has all of it.
        "#]],
    );
    env.ok("verify --store ben.redb");
    env.ok("note birch site remark later --store ben.redb");
    env.ok("exchange --store ben.redb");
    assert_eq!(sites_of_ben(&env), ["Birch Lane"]);

    // Back on the route it comes back whole, with what the crew had written.
    env.ok("route truck --everything");
    env.ok("exchange");
    env.ok("exchange --store ben.redb");
    for site in ["maple", "birch"] {
        let state = |store: &str| env.ok(&format!("state {site} --json --store {store}"));
        let ben = state("ben.redb");
        assert_eq!(ben, state("headwalk.redb"), "{site}");
        assert!(
            ben.contains(if site == "maple" { "unsent" } else { "later" }),
            "{ben}"
        );
    }
}

#[test]
fn only_a_dispatcher_says_who_carries_and_may_do_what() {
    let (env, _hub) = firm();
    env.ok("exchange --store ben.redb");
    check(
        &env,
        "route truck --add maple --store ben.redb",
        &expect![[r#"
            ! Error: this device is a crew's, and only a dispatcher's word counts.
            ! Hint: ask the dispatcher to do it.
            [exit 1]
        "#]],
    );
    check(
        &env,
        "devices --of truck --role auditor",
        &expect![[r#"
            Truck 2 is auditor from now on.
            It counts once this device has exchanged.
        "#]],
    );
    env.ok("exchange");
    env.ok("note maple site remark mine --store ben.redb");
    check(
        &env,
        "exchange --store ben.redb",
        &expect![[r#"
            ! Error: entries of 1 logbook were not taken; all others were exchanged.
            !   Maple Court: this device may not write in that logbook: ask the dispatcher
            ! Hint: nothing is lost here; tell the office which device it is.
            [exit 1]
        "#]],
    );
    env.ok("devices --revoke truck");
    check(
        &env,
        "exchange --store ben.redb",
        &expect![[r#"
            ! Error: this device's access was taken back.
            ! Hint: ask the dispatcher; a new code lets the device in again, with all it recorded.
            [exit 1]
        "#]],
    );
    check(
        &env,
        "route truck",
        &expect![[r#"
            device   person   as       carries
            Truck 2  Ben Ode  auditor  not let in
        "#]],
    );
    check(
        &env,
        "route trick --add maple",
        &expect![[r#"
            ! Error: no device `trick` is listed here.
            ! Hint: `headwalk route` lists them; `headwalk exchange` brings the newest list.
            [exit 2]
        "#]],
    );
}
