//! Entries that another store exported, taken into this one.

use std::fs::File;
use std::io::Read;
use std::path::Path;

use serde::Serialize;

use headwalk_core::store::{Clocks, Taking};

use crate::call::Call;
use crate::commands::verify;
use crate::error::Error;
use crate::output::{Page, Report, counted};
use headwalk_sync_server::export_file::BEGINS;

/// `{"file": PATH, "entries": N, "taken": N, "as_before": N, "unsealed": N}`
#[derive(Serialize)]
struct Taken {
    file: String,
    entries: usize,
    /// Entries that this store did not have.
    taken: usize,
    /// Entries that it had.
    as_before: usize,
    /// Entries in the file for which their device does not vouch there.
    unsealed: u64,
}

/// Whether a file begins as an export of entries does.
pub fn is_export(path: &Path) -> bool {
    let mut begins = [0; BEGINS.len()];
    let read = File::open(path).and_then(|mut file| file.read_exact(&mut begins));
    read.is_ok() && begins == BEGINS.as_bytes()
}

/// Takes all of them or none.
pub fn run(path: &Path, call: &Call) -> Result<(), Error> {
    let sound = verify::sound(path, true)?;
    let store = call.store()?;
    let appended = store.append_sealed(
        &sound.entries,
        &sound.seals,
        &Taking::everything(Clocks::TakenAsTold),
        call.now().wall,
    )?;
    call.print(&Taken {
        file: path.display().to_string(),
        entries: sound.entries.len(),
        taken: appended.new,
        as_before: appended.held,
        unsealed: sound.unsealed(),
    })
}

impl Report for Taken {
    fn write(&self, page: &mut Page) {
        let (file, before) = (&self.file, self.as_before);
        let taken = counted(self.taken as u64, "entry", "entries");
        page.line(format!("{taken} of {file} taken, {before} as before."));
        if self.unsealed > 0 {
            let unsealed = counted(self.unsealed, "entry", "entries");
            page.paragraph(&format!(
                "{unsealed} in it without a seal of the device: a hub takes them from that device \
                 alone."
            ));
        }
    }
}
