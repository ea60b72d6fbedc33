//! `headwalk verify`: whether the store still is what was written.

use serde::Serialize;

use headwalk_core::log::id::Seq;
use headwalk_core::store::{Fault, Verified};

use crate::call::Call;
use crate::error::{Error, Kind};
use crate::output::{Page, Report, counted};

/// Check that nothing in the store was changed, lost or reordered since it was written.
///
/// Reads every entry, walks each device's chain, and compares every index with what the entries
/// say. Changes nothing. Ends with exit code 1 if anything is wrong.
///
/// Example: headwalk verify
#[derive(Debug, clap::Args)]
pub struct Args {}

/// `{"entries": N, "chains": [..]}`, chains by logbook, then device. Where anything is wrong there
/// is an error instead, with the faults as its `details`.
#[derive(Serialize)]
struct Checked {
    entries: u64,
    chains: Vec<Chain>,
}

/// One device's entries in one logbook: how many, and the digest that stands for all of them.
#[derive(Serialize)]
struct Chain {
    logbook: String,
    device: String,
    entries: u64,
    /// How many of them the device has sealed, as far as it is known here.
    sealed: Option<u64>,
    digest: String,
}

pub fn run(_: Args, call: &Call) -> Result<(), Error> {
    let mut store = call.store()?;
    let verified = store.verify()?;
    match verified.faults.as_slice() {
        [] => call.print(&Checked::of(&verified)),
        faults => Err(wrong(faults)),
    }
}

fn wrong(faults: &[Fault]) -> Error {
    let message = format!(
        "the store is not what was written: {}",
        counted(faults.len() as u64, "fault", "faults")
    );
    let only_indexes = faults.iter().all(|fault| matches!(fault, Fault::Index(_)));
    let details = faults.iter().map(ToString::to_string).collect();
    let error = Error::new(Kind::Damaged, message).details(details);
    error.hint(if only_indexes {
        "the entries are whole: `headwalk rebuild` makes the indexes again."
    } else {
        "`headwalk mend` gets damaged entries again from the office, or --with another store. Else \
         keep the file, begin another with `headwalk init`, `headwalk enrol` it and exchange: \
         everything that reached the office comes back."
    })
}

impl Checked {
    fn of(verified: &Verified) -> Self {
        let chains = verified.chains.iter();
        Self {
            entries: verified.entries,
            chains: chains
                .map(|((logbook, last), walked)| Chain {
                    logbook: logbook.to_string(),
                    device: last.device.to_string(),
                    entries: last.seq.get(),
                    sealed: walked.sealed.map(Seq::get),
                    digest: walked.link.to_string(),
                })
                .collect(),
        }
    }
}

impl Report for Checked {
    fn write(&self, page: &mut Page) {
        let entries = counted(self.entries, "entry", "entries");
        let chains = counted(self.chains.len() as u64, "chain", "chains");
        page.line(format!("{entries} in {chains}: all as written."));
    }
}
