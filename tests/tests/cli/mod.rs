//! The command: what it prints, to whom, and with which exit code.

mod store;

use expect_test::Expect;
use headwalk_tests::TestEnv;

/// Holds all that a line prints against what is expected.
pub fn check(env: &TestEnv, line: &str, expected: &Expect) {
    expected.assert_eq(&env.run(line).to_string());
}
