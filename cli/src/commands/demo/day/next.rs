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
        let phone = folder.join(DeviceName::Crew1.file());
        let phone = quoted(&phone.display().to_string());
        let commands = [
            "headwalk history \"Tannery Row\" 3-04 nozzle".to_owned(),
            "headwalk choose \"Tannery Row\" 3-04 nozzle A".to_owned(),
            format!("headwalk exchange --with {phone}"),
            "headwalk versions".to_owned(),
            "headwalk schedule \"Tannery Row\" --why zone-3".to_owned(),
            "headwalk history \"Tannery Row\" valve-6 --as-known 2026-06-10".to_owned(),
            "headwalk state \"Tannery Row\" controller --as-of 2026-04-14".to_owned(),
            "headwalk estimate show \"Tannery Row\"".to_owned(),
            "headwalk paper letter \"Tannery Row\" --out letter.html".to_owned(),
            "headwalk paper pull-list --on 2026-07-16 --out parts.html".to_owned(),
            "headwalk verify".to_owned(),
        ];
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
