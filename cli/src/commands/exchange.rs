//! `headwalk exchange`: brings this store and another up to date with each other.

use std::path::{Path, PathBuf};

use serde::Serialize;

use headwalk_core::exchange::message::Parcel;
use headwalk_core::exchange::session::{Answering, Caller, Next, Summary, answer};
use headwalk_core::log::id::StoreId;
use headwalk_core::log::stamp::WallMs;
use headwalk_core::store::Store;

use crate::call::Call;
use crate::error::{Error, Kind};
use crate::hub::OwnHub;
use crate::output::{Page, Report, counted};
use crate::roots::Roots;
use crate::trust::Authority;

/// Exchange entries with the office, or with another store.
///
/// Sends what the other side lacks and takes what this store lacks; both then hold the same.
/// Stopping half way, or doing it twice, changes nothing that was kept. Without --with, the hub
/// of `headwalk enrol` is called.
///
/// With --with the other store is a file: a tablet next to this one, or a stick that carries
/// entries from the truck to the office. Begin the stick's own store with `headwalk init`; never
/// copy a store.
///
/// Example: headwalk exchange --with stick.redb
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Another store's file, instead of the hub.
    #[arg(long, value_name = "PATH")]
    with: Option<PathBuf>,
    /// Believe this authority for the hub, too: the firm's own certificate, in PEM. Remembered.
    #[arg(long, value_name = "FILE", conflicts_with = "with")]
    ca: Option<PathBuf>,
}

/// `{"with": .., "sent": N, "received": N, "round_trips": N, "equal": BOOL,
/// "copies": N, "logbooks": [..]}`
#[derive(Serialize)]
struct Exchanged {
    /// The hub's address, or the other store's file.
    with: String,
    /// Entries that the other side came to hold.
    sent: u64,
    /// Entries that this store came to hold.
    received: u64,
    round_trips: u32,
    /// Whether both sides hold the same of every logbook now.
    equal: bool,
    /// Chains in which a copied store had written; its work was entered again.
    copies: usize,
    /// Those of which anything moved, or was refused.
    logbooks: Vec<Moved>,
}

/// One logbook's part.
#[derive(Serialize)]
struct Moved {
    logbook: String,
    name: String,
    sent: u64,
    received: u64,
    /// Why entries were not taken.
    #[serde(skip_serializing_if = "Option::is_none")]
    refused: Option<String>,
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    let store = call.store()?;
    if let Some(path) = &args.ca {
        OwnHub::believe(&store, &Authority::of_file(path)?)?;
    }
    let (with, summary) = match args.with {
        Some(path) => with_store(&store, &path, call)?,
        None => with_hub(&store, call)?,
    };
    let report = Exchanged::of(&store, with, &summary)?;
    if report.logbooks.iter().any(|moved| moved.refused.is_some()) {
        return Err(report.refusals());
    }
    call.print(&report)
}

fn with_store(store: &Store, path: &Path, call: &Call) -> Result<(String, Summary), Error> {
    let other = Store::open(path)?;
    let now = || call.now().wall;
    let carry = |parcel: &Parcel| Ok(answer(&other, parcel, &Answering::as_peer(), now())?);
    let summary = carried(store, other.id(), now, carry)?;
    Ok((path.display().to_string(), summary))
}

fn with_hub(store: &Store, call: &Call) -> Result<(String, Summary), Error> {
    let hub = OwnHub::of_store(store)?;
    let device = store.device();
    let carried = carried(
        store,
        hub.store_id(),
        || call.now().wall,
        |parcel| hub.exchange(parcel),
    );
    let summary = carried.map_err(|error| {
        // The hub lets in the device that it knows, and that is the other copy's from now on.
        let moved_on = store.device() != device;
        if moved_on { copied() } else { error }
    })?;
    Ok((hub.url().to_owned(), summary))
}

/// The store goes on as another device, which the hub does not know yet.
fn copied() -> Error {
    let message = "this store is a copy, or was put back from one: it goes on as another device";
    Error::new(Kind::Refused, message).hint(
        "nothing is lost. Ask the dispatcher for a new code, `headwalk enrol` with it and exchange \
         again.",
    )
}

/// Speaks until nothing is left to say; `carry` brings a parcel there and the answer back, `now` is
/// this side's clock.
pub fn carried(
    store: &Store,
    peer: StoreId,
    now: impl Fn() -> WallMs,
    carry: impl Fn(&Parcel) -> Result<Parcel, Error>,
) -> Result<Summary, Error> {
    let (mut caller, mut parcel) = Caller::begin(store, Some(peer), now())?;
    loop {
        let reply = carry(&parcel)?;
        match caller.receive(store, &reply, now())? {
            Next::Send(next) => parcel = next,
            Next::Done(summary) => return Ok(summary),
        }
    }
}

impl Exchanged {
    fn of(store: &Store, with: String, summary: &Summary) -> Result<Self, Error> {
        let roots = Roots::of(store)?;
        let carried = summary.logbooks.iter();
        Ok(Self {
            with,
            sent: carried.clone().map(|(_, carried)| carried.sent).sum(),
            received: carried.map(|(_, carried)| carried.received).sum(),
            round_trips: summary.round_trips,
            equal: summary.equal,
            copies: summary.forks.len(),
            logbooks: summary
                .logbooks
                .iter()
                .map(|(logbook, carried)| Moved {
                    logbook: logbook.to_string(),
                    name: roots.name(*logbook),
                    sent: carried.sent,
                    received: carried.received,
                    refused: carried.refused.as_ref().map(ToString::to_string),
                })
                .collect(),
        })
    }

    fn refusals(&self) -> Error {
        let told = |moved: &Moved| {
            let why = moved.refused.as_deref()?;
            Some(format!("{}: {why}", moved.name))
        };
        let details: Vec<_> = self.logbooks.iter().filter_map(told).collect();
        let refused = counted(details.len() as u64, "logbook", "logbooks");
        let message = format!("entries of {refused} were not taken; all others were exchanged");
        Error::new(Kind::Refused, message)
            .details(details)
            .hint("nothing is lost here; tell the office which device it is.")
    }
}

impl Report for Exchanged {
    fn write(&self, page: &mut Page) {
        let sent = counted(self.sent, "entry", "entries");
        let received = counted(self.received, "entry", "entries");
        page.line(format!(
            "Sent {sent} to {}, received {received}.",
            self.with
        ));
        if !self.logbooks.is_empty() {
            let row = |moved: &Moved| {
                let (sent, received) = (moved.sent.to_string(), moved.received.to_string());
                [moved.name.clone(), sent, received]
            };
            let rows: Vec<_> = self.logbooks.iter().map(row).collect();
            page.table(["logbook", "sent", "received"], &rows);
        }
        if self.copies > 0 {
            page.paragraph(
                "A store had been copied or put back. What both copies wrote is kept, one part of \
                 it under a new device. Never copy a store: begin another and exchange.",
            );
        }
        page.line(if self.equal {
            "Both hold the same now."
        } else {
            "Not all of it is there yet: exchange again."
        });
    }
}
