//! `headwalk pack`: the store in as few bytes as it can be.

use std::fs;
use std::path::Path;

use serde::Serialize;

use crate::call::Call;
use crate::error::{Error, Kind};
use crate::output::{Page, Report, counted};

/// Pack everything that came so far tight, as at a season's end.
///
/// Nothing is lost and nothing is told otherwise: every entry stays what its author made, is read,
/// verified, exported and given on as before. What came long ago is packed without being asked.
///
/// Example: headwalk pack
#[derive(Debug, clap::Args)]
pub struct Args {}

/// `{"entries": N, "bytes_before": N, "bytes": N}`
#[derive(Serialize)]
struct Packed {
    entries: u64,
    bytes_before: u64,
    bytes: u64,
}

pub fn run(_: Args, call: &Call) -> Result<(), Error> {
    let mut store = call.store()?;
    let bytes_before = length(call.store_path())?;
    let entries = store.press_all()?;
    store.give_back_room()?;
    drop(store);
    call.print(&Packed {
        entries,
        bytes_before,
        bytes: length(call.store_path())?,
    })
}

fn length(path: &Path) -> Result<u64, Error> {
    let file = fs::metadata(path).map_err(|error| Error::new(Kind::Machine, error.to_string()))?;
    Ok(file.len())
}

impl Report for Packed {
    fn write(&self, page: &mut Page) {
        page.line(format!(
            "Packed {}: the file has {} KiB, and had {}.",
            counted(self.entries, "entry", "entries"),
            self.bytes / 1024,
            self.bytes_before / 1024,
        ));
    }
}
