//! The hub as a program of its own.

use std::process::ExitCode;

fn main() -> ExitCode {
    headwalk_sync_server::command::main_with(std::env::args_os())
}
