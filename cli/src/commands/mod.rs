//! The commands, one file each: its arguments with their help, its report, and its work.
//!
//! To add one: a `mod` line and a line in the table, in the order in which help lists them.

mod add;
mod choose;
mod coverage;
mod day;
mod demo;
mod devices;
mod drop;
mod enrol;
mod estimate;
mod exchange;
mod export;
mod finding;
mod held_back;
mod history;
mod hub;
pub(crate) mod import;
mod init;
mod join;
mod kerb;
mod mend;
mod note;
mod pack;
mod page;
mod paper;
mod photo;
mod pressure;
mod price;
mod rebuild;
mod reckon;
mod route;
mod schedule;
mod site;
mod sites;
mod state;
mod verify;
mod versions;
mod visit;
mod wear;
mod weather;
mod why;

use crate::call::Call;
use crate::error::Error;

/// Makes the enum that clap parses and the dispatch, from one table. The help of each is the doc
/// comment of its `Args`.
macro_rules! commands {
    ($($name:ident $file:ident;)+) => {
        /// What to do.
        #[derive(Debug, clap::Subcommand)]
        pub enum Command {
            $($name($file::Args),)+
        }

        impl Command {
            /// Does it.
            pub fn run(self, call: &Call) -> Result<(), Error> {
                match self {
                    $(Self::$name(args) => $file::run(args, call),)+
                }
            }
        }
    };
}

commands! {
    Demo demo;
    Init init;
    Sites sites;
    Site site;
    Add add;
    Visit visit;
    Note note;
    Finding finding;
    Photo photo;
    Price price;
    Estimate estimate;
    Weather weather;
    State state;
    Versions versions;
    HeldBack held_back;
    Choose choose;
    Join join;
    Day day;
    History history;
    Enrol enrol;
    Exchange exchange;
    Devices devices;
    Route route;
    Drop drop;
    Import import;
    Export export;
    Verify verify;
    Rebuild rebuild;
    Pack pack;
    Mend mend;
    Schedule schedule;
    Why why;
    Coverage coverage;
    Kerb kerb;
    Pressure pressure;
    Wear wear;
    Page page;
    Paper paper;
    Reckon reckon;
    Hub hub;
}
