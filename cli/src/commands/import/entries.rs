//! Entries that another store exported, taken into this one: all of the file is checked before, and what was
//! taken when something comes between stays.

use std::fs::File;
use std::io::Read;
use std::path::Path;

use serde::Serialize;

use crate::call::Call;
use crate::commands::verify;
use crate::error::Error;
use crate::output::{Page, Report, counted};
use headwalk_sync_server::export_file::{BEGINS, CutShort, Why};

/// `{"file": PATH, "entries": N, "taken": N, "as_before": N, "unsealed": N}`
#[derive(Serialize)]
struct Taken {
    file: String,
    entries: u64,
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

/// Takes all that this store does not have.
pub fn run(path: &Path, call: &Call) -> Result<(), Error> {
    let checked = verify::checked(path)?;
    let (entries, unsealed) = (checked.sound.many, checked.sound.unsealed());
    let store = call.store()?;
    let taken = checked.take_into(&store, call.now().wall);
    let taken = taken.map_err(|cut| cut_short(path, entries, cut))?;
    call.print(&Taken {
        file: path.display().to_string(),
        entries,
        taken: taken.new,
        as_before: taken.held,
        unsealed,
    })
}

/// Says what came between, what was taken before, and what to do.
fn cut_short(path: &Path, entries: u64, cut: CutShort) -> Error {
    let (file, there) = (path.display(), cut.there);
    let why = match cut.why {
        Why::Store(error) => Error::from(error),
        why @ (Why::Unreadable(_) | Why::Changed) => Error::input(why.to_string()).field("file"),
    };
    let taken = match there {
        0 => format!("nothing of {file} was taken"),
        _ => format!(
            "the first {there} of the {entries} entries of {file} are in the store, and those after \
             them were not taken"
        ),
    };
    let message = format!("{taken}: {}", why.message());
    let again = match there {
        0 => "import the file again.",
        _ => "import the file again: it goes on from there.",
    };
    let hint = match why.next_step() {
        Some(first) => format!("{first} Then {again}"),
        None => again.to_owned(),
    };
    why.saying(message).hint(hint)
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

#[cfg(test)]
mod tests {
    use headwalk_core::store;

    use super::*;

    fn told(there: u64, why: Why) -> [String; 2] {
        let error = cut_short(Path::new("all.jsonl"), 100_000, CutShort { there, why });
        let hint = error.next_step().map(str::to_owned);
        [error.message().to_owned(), hint.unwrap_or_default()]
    }

    #[test]
    fn who_is_cut_off_is_told_what_is_there_and_what_to_do() {
        let full = || {
            let full = std::io::Error::other("no room");
            Why::Store(store::Error::from(redb::Error::Io(full)))
        };
        let room = "see that the disk has room and that you may write there.";
        assert_eq!(
            told(0, full()),
            [
                "nothing of all.jsonl was taken: the store's file cannot be used: I/O error: no room",
                &format!("{room} Then import the file again."),
            ]
        );
        assert_eq!(
            told(32_768, full()),
            [
                "the first 32768 of the 100000 entries of all.jsonl are in the store, and those \
                 after them were not taken: the store's file cannot be used: I/O error: no room",
                &format!("{room} Then import the file again: it goes on from there."),
            ]
        );
        assert_eq!(
            told(65_536, Why::Changed),
            [
                "the first 65536 of the 100000 entries of all.jsonl are in the store, and those \
                 after them were not taken: the file was changed while it was read",
                "import the file again: it goes on from there.",
            ]
        );
    }
}
