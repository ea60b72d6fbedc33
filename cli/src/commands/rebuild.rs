//! `headwalk rebuild`: every index made again from the entries.

use serde::Serialize;

use crate::call::Call;
use crate::error::Error;
use crate::output::{Page, Report, counted};

/// Make every index again from the entries, which alone are irreplaceable.
///
/// All of it happens at once or not at all. The result says the same as before, byte for byte,
/// unless an index was damaged.
///
/// Example: headwalk rebuild
#[derive(Debug, clap::Args)]
pub struct Args {}

/// `{"entries": N, "fields": N, "observations": N}`
#[derive(Serialize)]
struct Made {
    entries: u64,
    fields: u64,
    observations: u64,
}

pub fn run(_: Args, call: &Call) -> Result<(), Error> {
    let rebuilt = call.store()?.rebuild()?;
    call.print(&Made {
        entries: rebuilt.entries,
        fields: rebuilt.fields,
        observations: rebuilt.observations,
    })
}

impl Report for Made {
    fn write(&self, page: &mut Page) {
        page.line(format!(
            "Replayed {}: {} hold a value, {} kept.",
            counted(self.entries, "entry", "entries"),
            counted(self.fields, "field", "fields"),
            counted(self.observations, "observation", "observations"),
        ));
    }
}
