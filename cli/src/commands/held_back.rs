//! `headwalk held-back`: what a device without access wrote, and somebody else brought.

use serde::Serialize;

use headwalk_core::log::entry::{Change, Draft};
use headwalk_core::site::things::Site;
use headwalk_core::store::{Kept, Store};

use crate::call::Call;
use crate::error::Error;
use crate::logbook::{Logbook, Moment};
use crate::output::{Page, Report, counted};
use crate::roots::{Root, Roots};
use crate::said::{What, called};
use crate::told;

/// List what is held back: entries of a device whose access was taken back, which came to the office
/// later, by way of a colleague.
///
/// They are kept, and count for nothing, until a dispatcher admits them. Whoever admits says that
/// they believe who wrote them; it cannot be taken back, but every value can be written again.
///
/// Example: headwalk held-back
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Only this site.
    site: Option<String>,
    /// Admit the entries with these numbers of the list.
    #[arg(long, value_name = "NUMBER", num_args = 1.., conflicts_with = "admit_all")]
    admit: Vec<usize>,
    /// Admit all of them.
    #[arg(long)]
    admit_all: bool,
}

/// `{"entries": [..], "admitted": N}`, by site, then by when they were written.
#[derive(Serialize)]
struct HeldBack {
    entries: Vec<Line>,
    admitted: usize,
}

/// One entry.
#[derive(Serialize)]
struct Line {
    /// What `--admit` calls it.
    number: usize,
    logbook: String,
    site: String,
    device: String,
    seq: u64,
    by: String,
    at: String,
    #[serde(skip)]
    when: String,
    /// What it says.
    says: Vec<String>,
    /// Whether it was admitted just now.
    admitted: bool,
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    let store = call.store()?;
    let roots = Roots::of(&store)?;
    let wanted = roots.wanted(args.site.as_deref())?;
    let mut found: Vec<(Root, Kept)> = Vec::new();
    let mut lines = Vec::new();
    for root in wanted {
        if !store.holds_back(root.id)? {
            continue;
        }
        let logbook = Logbook::read(&store, root.id, Moment::default())?;
        let site = Site::of(&logbook.state, root.id);
        let book = logbook.book(&site);
        let mut held: Vec<_> = logbook
            .entries
            .values()
            .filter(|kept| kept.held_back && book.taken_back(kept.place).is_none())
            .collect();
        held.sort_by_key(|kept| (kept.stamp, kept.place));
        for kept in held {
            lines.push(Line::of(found.len() + 1, &root, &site, kept, call));
            found.push((root.clone(), kept.clone()));
        }
    }
    if let Some(none) = args
        .admit
        .iter()
        .find(|number| !(1..=found.len()).contains(number))
    {
        return Err(
            Error::input(format!("no entry that is held back has the number {none}"))
                .field("admit")
                .hint("`headwalk held-back` lists them with their numbers."),
        );
    }
    let admits = |line: &Line| args.admit_all || args.admit.contains(&line.number);
    for line in &mut lines {
        line.admitted = admits(line);
    }
    let admitted: Vec<_> = lines.iter().filter(|line| line.admitted).collect();
    let admitted: Vec<_> = admitted
        .iter()
        .map(|line| &found[line.number - 1])
        .collect();
    admit(&store, &admitted, call)?;
    call.print(&HeldBack {
        admitted: admitted.len(),
        entries: lines,
    })
}

/// Records that these count, an entry for each logbook, all of them or none.
fn admit(store: &Store, admitted: &[&(Root, Kept)], call: &Call) -> Result<(), Error> {
    if admitted.is_empty() {
        return Ok(());
    }
    let (by, now) = (call.by(store)?, call.now());
    let mut drafts: Vec<Draft> = Vec::new();
    for (root, kept) in admitted {
        let of = store.marks(root.id, &[kept.place])?;
        let changes = of.into_iter().map(|of| Change::Admit { of });
        match drafts.last_mut().filter(|draft| draft.logbook == root.id) {
            Some(draft) => draft.changes.extend(changes),
            None => drafts.push(Draft {
                logbook: root.id,
                by: by.clone(),
                utc_offset_min: now.utc_offset_min,
                visit: None,
                changes: changes.collect(),
            }),
        }
    }
    store.record(&drafts, now.wall)?;
    Ok(())
}

impl Line {
    fn of(number: usize, root: &Root, site: &Site<'_>, kept: &Kept, call: &Call) -> Self {
        let entry = &kept.entry;
        let said = entry.changes.iter().filter_map(What::of);
        let said = said.map(|(what, thing, value, _)| {
            let shown = what.show(site, value, call.units());
            format!("{}: {} {shown}", called(site, thing), what.name())
        });
        Self {
            number,
            logbook: root.id.to_string(),
            site: root.name.clone(),
            device: entry.device.to_string(),
            seq: entry.seq.get(),
            by: entry.by.clone(),
            at: told::rfc3339(entry.stamp.wall(), entry.utc_offset_min),
            when: told::plain(entry.stamp, entry.utc_offset_min),
            says: said.collect(),
            admitted: false,
        }
    }
}

impl Report for HeldBack {
    fn write(&self, page: &mut Page) {
        if self.entries.is_empty() {
            return page.line("Nothing is held back.");
        }
        let row = |line: &Line| {
            [
                line.number.to_string(),
                line.site.clone(),
                line.by.clone(),
                line.when.clone(),
                line.says.join("; "),
                if line.admitted { "admitted" } else { "" }.to_owned(),
            ]
        };
        let rows: Vec<_> = self.entries.iter().map(row).collect();
        page.table(["", "site", "written by", "when", "what", ""], &rows);
        let left = self.entries.len() - self.admitted;
        if self.admitted > 0 {
            let admitted = counted(self.admitted as u64, "entry", "entries");
            page.line(format!(
                "Admitted {admitted}; what they say counts from now on."
            ));
        }
        if left > 0 {
            page.line(format!(
                "{} held back: kept, and counted for nothing. `headwalk held-back --admit NUMBER` \
                 admits one.",
                counted(left as u64, "entry is", "entries are")
            ));
        }
    }
}
