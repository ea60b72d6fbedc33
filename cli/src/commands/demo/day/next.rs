//! Commands to type next, on the dispatcher's own store.

use std::path::Path;

use serde::Serialize;

use super::super::scenario::DeviceName;
use crate::output::Page;

/// What to type next.
#[derive(Serialize)]
pub struct Next {
    next: Vec<String>,
}

/// The commands, worth a look each.
const COMMANDS: [&str; 7] = [
    "headwalk sites",
    "headwalk history \"Tannery Row\" 3-04 nozzle",
    "headwalk choose \"Tannery Row\" 3-04 nozzle A",
    "headwalk versions",
    "headwalk history \"Tannery Row\" valve-6 --as-known 2026-06-10",
    "headwalk state \"Tannery Row\" controller --as-of 2026-04-14",
    "headwalk verify",
];

/// The folder that the first command names where none was kept.
const SUGGESTED: &str = "harrowick";

impl Next {
    /// Suggests commands for a folder that was kept, or for one to be.
    pub fn of(kept: Option<&Path>, now: &str) -> Self {
        let folder = kept.unwrap_or(Path::new(SUGGESTED));
        let store = folder.join(DeviceName::Desk.file());
        let play = format!("headwalk demo --folder {SUGGESTED}");
        let play = kept.is_none().then_some(play);
        let set = format!(
            "export HEADWALK_STORE={} HEADWALK_BY=Ines",
            quoted(&store.display().to_string())
        );
        let clock = format!("export HEADWALK_NOW={now}");
        let commands = COMMANDS.map(str::to_owned);
        Self {
            next: play
                .into_iter()
                .chain([set, clock])
                .chain(commands)
                .collect(),
        }
    }

    /// Writes what to type next.
    pub fn write(&self, page: &mut Page) {
        page.line("LOOK FURTHER");
        for command in &self.next {
            page.line(format!("  {command}"));
        }
    }
}

/// Quotes a path for the shell where it needs it.
fn quoted(path: &str) -> String {
    let plain = |c: char| c.is_ascii_alphanumeric() || "/._-".contains(c);
    if path.chars().all(plain) {
        return path.to_owned();
    }
    format!("'{}'", path.replace('\'', r"'\''"))
}
