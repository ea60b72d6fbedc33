//! Whether the stores are what was written, and whether they all say the same.

use std::path::{Path, PathBuf};

use serde::Serialize;

use headwalk_core::store::Store;

use headwalk_sync_server::hub::LOG_FILE;

use super::hub_process::HUB_FOLDER;
use crate::error::{Error, Kind};
use crate::output::{Page, counted};

/// Stores that were checked, entry by entry and chain by chain, and found equal.
#[derive(Debug, Serialize)]
pub struct Checked {
    stores: Vec<String>,
    logbooks: usize,
    entries: u64,
    chains: usize,
}

impl Checked {
    /// Verifies every store, and holds each against the first: entries, chains, and what every
    /// logbook says.
    ///
    /// # Errors
    /// The first fault, or the first difference.
    pub fn read(paths: &[PathBuf]) -> Result<Self, Error> {
        let mut first = None;
        for path in paths {
            let mut store = Store::open(path)?;
            let verified = store.verify()?;
            let name = file_name(path);
            if let Some(fault) = verified.faults.first() {
                let why = format!("{name} is not what was written: {fault}");
                return Err(Error::new(Kind::Damaged, why));
            }
            let states = store.logbooks()?.into_iter();
            let states = states.map(|book| Ok((book, store.state(book)?)));
            let states = states.collect::<Result<Vec<_>, Error>>()?;
            let this = (name, verified, states);
            match &first {
                None => first = Some(this),
                Some((other, verified, states)) if *verified != this.1 || *states != this.2 => {
                    let why = format!("{} and {other} do not say the same", this.0);
                    return Err(Error::new(Kind::Bug, why));
                }
                Some(_) => {}
            }
        }
        let (_, verified, states) = first.ok_or_else(|| Error::new(Kind::Bug, "no store"))?;
        Ok(Self {
            stores: paths.iter().map(|path| file_name(path)).collect(),
            logbooks: states.len(),
            entries: verified.entries,
            chains: verified.chains.len(),
        })
    }

    /// Writes what was checked.
    pub fn write(&self, page: &mut Page) {
        page.line("CHECKED");
        page.line(format!(
            "The chains hold in {}: {}.",
            counted(self.stores.len() as u64, "store", "stores"),
            self.stores.join(", ")
        ));
        page.line(format!(
            "They hold the same and say the same: {} in {}, {}.",
            counted(self.entries, "entry", "entries"),
            counted(self.logbooks as u64, "logbook", "logbooks"),
            counted(self.chains as u64, "chain", "chains"),
        ));
        page.line("");
    }
}

/// Returns what tells a store from the others of the folder.
fn file_name(path: &Path) -> String {
    let name = path.file_name().unwrap_or(path.as_os_str());
    let name = name.to_string_lossy();
    match name == LOG_FILE {
        true => format!("{HUB_FOLDER}/{name}"),
        false => name.into_owned(),
    }
}
