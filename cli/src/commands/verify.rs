//! `headwalk verify`: whether the store still is what was written.

use std::fs::File;
use std::io::{self, BufReader};
use std::path::{Path, PathBuf};

use serde::Serialize;

use headwalk_core::log::id::Seq;
use headwalk_core::store::{Fault, Verified};

use crate::call::Call;
use crate::error::{Error, Kind};
use crate::output::{Page, Report, counted};
use headwalk_sync_server::export_file::{self, Sound, Unsound};

/// Check that nothing in the store was changed, lost or reordered since it was written.
///
/// Reads every entry, walks each device's chain, and compares every index with what the entries
/// say. Changes nothing. Ends with exit code 1 if anything is wrong.
///
/// With --export a file of exported entries is checked instead, and no store is needed: each line's
/// words against the entry's bytes, the bytes against the chains, the chains against the seals.
/// What a device has sealed nobody else can have written, changed or left out from among the rest.
///
/// Example: headwalk verify
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Check this file of exported entries.
    #[arg(long, value_name = "FILE")]
    export: Option<PathBuf>,
}

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

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    if let Some(path) = &args.export {
        return call.print(&CheckedFile::of(&checked(path)?.sound, path));
    }
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

/// Reads an export in which nothing is wrong.
///
/// # Errors
/// An error with all that is wrong, the first damaged line first.
pub fn checked(path: &Path) -> Result<export_file::Checked<BufReader<File>>, Error> {
    let unreadable = |error: io::Error| {
        Error::input(format!("{} cannot be read: {error}", path.display())).field("file")
    };
    let file = BufReader::new(File::open(path).map_err(unreadable)?);
    export_file::Checked::read(file).map_err(|unsound| {
        let faults = match unsound {
            Unsound::Unreadable(error) => return unreadable(error),
            Unsound::Wrong(faults) => faults,
        };
        let message = format!(
            "{} is not what was written: {}",
            path.display(),
            counted(faults.len() as u64, "fault", "faults")
        );
        Error::new(Kind::Damaged, message)
            .details(faults)
            .hint("ask for the export again, from any store that holds these logbooks.")
    })
}

/// `{"file": PATH, "entries": N, "chains": [..], "unsealed": N, "unread": N}`
#[derive(Serialize)]
struct CheckedFile {
    file: String,
    entries: u64,
    chains: Vec<Chain>,
    /// Entries after the last seal of their chain.
    unsealed: u64,
    /// Entries with words that this version does not know.
    unread: u64,
}

impl CheckedFile {
    fn of(sound: &Sound, path: &Path) -> Self {
        let ends = sound.ends.iter();
        Self {
            file: path.display().to_string(),
            entries: sound.many,
            chains: ends
                .map(|((logbook, last), end)| Chain {
                    logbook: logbook.to_string(),
                    device: last.device.to_string(),
                    entries: last.seq.get(),
                    sealed: end.sealed.map(Seq::get),
                    digest: end.link.to_string(),
                })
                .collect(),
            unsealed: sound.unsealed(),
            unread: sound.unread,
        }
    }
}

impl Report for CheckedFile {
    fn write(&self, page: &mut Page) {
        let entries = counted(self.entries, "entry", "entries");
        let chains = counted(self.chains.len() as u64, "chain", "chains");
        page.line(format!("{entries} in {chains}: all as written."));
        if self.unsealed == 0 {
            page.line("Every one of them is sealed by its device.");
        } else {
            let unsealed = counted(self.unsealed, "entry", "entries");
            page.paragraph(&format!(
                "{unsealed} after the last seal of the chain: they fit what is before them, but \
                 whoever had this file could have written, changed or left out such entries. An \
                 export made after the next exchange has them sealed."
            ));
        }
        if self.unread > 0 {
            let unread = counted(self.unread, "entry says", "entries say");
            page.paragraph(&format!(
                "{unread} something that is unknown to this version: the bytes are as written; \
                 their words were not compared."
            ));
        }
    }
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
