//! The command: what it prints, to whom, and with which exit code.

mod apart;
mod carry;
mod causes;
mod crash;
mod day;
mod examples;
mod full;
mod hub;
mod moved;
mod photo;
mod proof;
mod record;
mod route;
mod store;
mod tables;
mod tls;
mod two_versions;
mod walk;
mod weather;

use expect_test::Expect;
use headwalk_tests::TestEnv;

/// Holds all that a line prints against what is expected.
pub fn check(env: &TestEnv, line: &str, expected: &Expect) {
    expected.assert_eq(&env.run(line).to_string());
}

/// A store of Ana's with one site: zone 3 with three heads and its valve, and a controller.
pub fn maple_court() -> TestEnv {
    let env = TestEnv::new();
    env.ok(r#"init --person "Ana Ruiz""#);
    env.ok(r#"add site "Maple Court" address "12 Elm Street""#);
    env.ok(r#"add maple zone-3 area 850sqft soil "clay loam" plants lawn"#);
    env.ok("add maple 3-01..3-03 head-kind spray arc half radius 12");
    env.ok("add maple valve-3");
    env.ok("add maple controller");
    env
}
