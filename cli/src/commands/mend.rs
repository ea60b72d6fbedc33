//! `headwalk mend`: gets damaged entries again from the office or another store.

use std::path::PathBuf;

use serde::Serialize;

use headwalk_core::exchange::mend;
use headwalk_core::exchange::message::Parcel;
use headwalk_core::exchange::session::{Answering, answer};
use headwalk_core::store::{Fault, Store};

use crate::call::Call;
use crate::error::{Error, Kind};
use crate::hub::OwnHub;
use crate::output::{Page, Report, counted};

/// Get damaged entries again from the hub, or from another store that holds them.
///
/// Asks for exactly the entries that are not what was written, takes back only what the chain says
/// was there, and makes damaged indexes again. Whatever is whole stays as it is. `headwalk verify`
/// says whether there is anything to mend.
///
/// Example: headwalk mend --with stick.redb
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Another store's file, instead of the hub.
    #[arg(long, value_name = "PATH")]
    with: Option<PathBuf>,
}

/// `{"damaged": N, "mended": N, "rebuilt": BOOL}`
#[derive(Serialize)]
struct Mended {
    /// Entries that were not what was written.
    damaged: usize,
    /// Those of them that are whole again.
    mended: usize,
    /// Whether the indexes were made again.
    rebuilt: bool,
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    let mut store = call.store()?;
    let mut report = Mended {
        damaged: store.damaged()?.values().map(Vec::len).sum(),
        mended: 0,
        rebuilt: false,
    };
    if report.damaged > 0 {
        report.mended = match args.with {
            Some(path) => {
                let other = Store::open_for_one_job(&path)?;
                let now = || call.now().wall;
                mended(&store, call, |parcel| {
                    Ok(answer(&other, parcel, &Answering::as_peer(), now())?)
                })?
            }
            None => {
                let hub = OwnHub::of_store(&store)?;
                mended(&store, call, |parcel| hub.exchange(parcel))?
            }
        };
    }
    let left = report.damaged - report.mended;
    if left == 0 {
        let faults = store.verify()?.faults;
        if faults.iter().any(|fault| matches!(fault, Fault::Index(_))) {
            store.rebuild()?;
            report.rebuilt = true;
        }
        let faults = store.verify()?.faults;
        if let Some(fault) = faults.first() {
            return Err(Error::new(Kind::Damaged, fault.to_string())
                .hint("`headwalk verify` says what else is damaged."));
        }
        return call.print(&report);
    }
    let entries = counted(left as u64, "damaged entry", "damaged entries");
    Err(Error::new(
        Kind::Damaged,
        format!(
            "{entries} could not be had again there; {} as written again",
            counted(report.mended as u64, "other is", "others are")
        ),
    )
    .hint("try another store that may hold them: headwalk mend --with PATH."))
}

/// Asks until nothing more comes back; returns how many entries are whole again.
fn mended(
    store: &Store,
    call: &Call,
    carry: impl Fn(&Parcel) -> Result<Parcel, Error>,
) -> Result<usize, Error> {
    let mut mended = 0;
    loop {
        let mut now = 0;
        for (logbook, marks) in store.damaged()? {
            let question = mend::ask(store, logbook, &marks, call.now().wall);
            now += mend::take(store, logbook, &carry(&question)?)?;
        }
        mended += now;
        if now == 0 {
            return Ok(mended);
        }
    }
}

impl Report for Mended {
    fn write(&self, page: &mut Page) {
        if self.damaged == 0 && !self.rebuilt {
            return page.line("Nothing is damaged.");
        }
        if self.damaged > 0 {
            let mended = counted(
                self.mended as u64,
                "damaged entry is",
                "damaged entries are",
            );
            page.line(format!("{mended} as written again."));
        }
        if self.rebuilt {
            page.line("The indexes were made again from the entries.");
        }
        page.line("The store verifies.");
    }
}
