//! `headwalk reckon` from outside: the published figures, and what it says to input that is wrong.

mod help;
mod mistakes;
mod published;
/// The reader of the check tables that the formulas' own tests use.
#[expect(
    clippy::unwrap_used,
    reason = "it is test code, which clippy cannot see from this side"
)]
#[path = "../../../core/src/water/tables.rs"]
mod tables;

use std::io::Write;
use std::process::Stdio;

use headwalk_tests::{Ran, TestEnv};
use serde_json::Value;

/// Runs `headwalk reckon` with arguments of its own, and an object on standard input.
fn run(args: &[&str], input: &str) -> Ran {
    let env = TestEnv::new();
    let mut command = env.command("reckon");
    command
        .args(args)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped());
    let mut child = command.spawn().expect("the command was built");
    let mut stdin = child.stdin.take().expect("it was piped");
    // A command that needs no input may have ended before it was written.
    let _ = stdin.write_all(input.as_bytes());
    drop(stdin);
    env.ran(&child.wait_with_output().expect("it was started"))
}

/// Returns the figures that an object of inputs gives.
fn reckon(what: &str, input: &Value) -> Value {
    let ran = run(&[what, "--json"], &input.to_string());
    assert_eq!(ran.code, Some(0), "{what} {input}\n{ran}");
    serde_json::from_str(&ran.stdout).expect("one JSON document")
}

/// Returns one figure of an answer.
fn figure(answer: &Value, name: &str) -> f64 {
    let value = answer.get(name).and_then(Value::as_f64);
    value.unwrap_or_else(|| panic!("{answer} has no number {name}"))
}
