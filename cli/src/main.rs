//! The headwalk command: parses, dispatches, and turns what came of it into an exit code.
//!
//! Exit codes: 0 done, 1 the work failed, 2 the input was wrong.

mod args;
mod call;
mod commands;
mod devices;
mod edge;
mod error;
mod firm;
#[cfg(test)]
mod fuzz;
mod geojson;
mod hub;
mod logbook;
mod output;
mod photos;
mod record;
mod roots;
mod said;
mod table_file;
mod told;
mod trust;
mod unsent;

use std::process::ExitCode;

use error::Error;
use output::Output;

fn main() -> ExitCode {
    let bugs = edge::catch_bugs();
    let result = bugs.guard(|| {
        let args = args::parse()?;
        let call = call::Call::new(args.global)?;
        args.command.run(&call)
    });
    match result {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => fail(&error),
    }
}

fn fail(error: &Error) -> ExitCode {
    Output::of_raw_arguments().fail(error);
    error.exit_code()
}
