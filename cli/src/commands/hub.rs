//! `headwalk hub`: the office's hub, from the same program.

use headwalk_sync_server::command;

use crate::call::Call;
use crate::error::{Error, Kind};

/// Run the hub with which every device exchanges: the same as the program headwalk-server.
///
/// Example: headwalk hub --folder office --listen 127.0.0.1:7007
#[derive(Debug, clap::Args)]
#[group(skip)] // or it would have the same name as the group within it
pub struct Args {
    #[command(flatten)]
    hub: command::Args,
}

pub fn run(args: Args, _: &Call) -> Result<(), Error> {
    command::run(args.hub).map_err(|error| {
        let kind = if error.is_input() {
            Kind::Input
        } else {
            Kind::Machine
        };
        Error::new(kind, error.to_string()).hint(error.hint())
    })
}
