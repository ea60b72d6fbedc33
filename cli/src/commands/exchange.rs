//! `headwalk exchange`: brings this store and another up to date with each other.

mod file;
mod meet;

use std::collections::BTreeSet;
use std::io::Write;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use serde::Serialize;

use headwalk_core::exchange::message::{Parcel, Says};
use headwalk_core::exchange::session::{Answering, Caller, Next, Summary, answer};
use headwalk_core::log::id::StoreId;
use headwalk_core::log::stamp::WallMs;
use headwalk_core::store::Store;

use crate::call::Call;
use crate::error::{Error, Kind};
use crate::hub::OwnHub;
use crate::output::{Output, Page, Report, counted};
use crate::photos::{Album, Carried};
use crate::roots::Roots;
use crate::trust::Authority;

/// Exchange entries with the office, or with another store; pictures follow them.
///
/// Sends what the other side lacks and takes what this store lacks; both then hold the same. Pictures
/// go to the office once the entries are there; `headwalk photo get` brings one from there.
/// Stopping half way, or doing it twice, changes nothing that was kept. Without --with, the hub
/// of `headwalk enrol` is called.
///
/// With --with the other store is a file: a tablet next to this one, or a stick that carries
/// entries from the truck to the office. Begin the stick's own store with `headwalk init`; never
/// copy a store.
///
/// With --file two devices that never meet exchange over a file that is carried between them: run
/// the same command on each in turn until it says that both hold the same. With --listen and --call
/// two devices on one network exchange without a hub: the one that listens shows a one-time code.
///
/// Example: headwalk exchange --with stick.redb
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Another store's file, instead of the hub.
    #[arg(long, value_name = "PATH")]
    with: Option<PathBuf>,
    /// A file that is carried between two devices: read what it brings, write what it takes back.
    #[arg(long, value_name = "PATH", conflicts_with_all = ["with", "listen", "call", "ca"])]
    file: Option<PathBuf>,
    /// Wait for another device at this address for one exchange, such as 192.168.1.20:7010.
    #[arg(long, value_name = "ADDRESS", conflicts_with_all = ["with", "call", "ca"])]
    listen: Option<SocketAddr>,
    /// Call the device that listens at this address.
    #[arg(long, value_name = "ADDRESS", requires = "code", conflicts_with_all = ["with", "ca"])]
    call: Option<SocketAddr>,
    /// The one-time code that the device that listens shows.
    #[arg(long, requires = "call")]
    code: Option<String>,
    /// Believe this authority for the hub, too: the firm's own certificate, in PEM. Remembered.
    #[arg(long, value_name = "FILE", conflicts_with = "with")]
    ca: Option<PathBuf>,
}

/// `{"with": .., "sent": N, "received": N, "round_trips": N, "equal": BOOL,
/// "copies": N, "is_a_copy": BOOL, "logbooks": [..], "photos": {..}}`
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
    /// Devices of which another copy's work came to light.
    copies: usize,
    /// Whether this store is such a copy, and goes on under a new device id.
    is_a_copy: bool,
    /// Those of which anything moved, or was refused.
    logbooks: Vec<Moved>,
    /// What became of pictures, if there were any to carry.
    #[serde(skip_serializing_if = "Option::is_none")]
    photos: Option<Carried>,
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
    if let Some(path) = &args.file {
        return call.print(&file::step(&store, path, call)?);
    }
    if let Some(address) = args.listen {
        return call.print(&Met::of(meet::listen(
            &store,
            address,
            call,
            |at, code| waiting(at, code, call),
        )?));
    }
    let (with, summary, photos) = match (args.with, args.call.zip(args.code)) {
        (Some(path), _) => with_store(&store, &path, call)?,
        (None, Some((address, code))) => {
            let summary = meet::call(&store, address, &code, call)?;
            (address.to_string(), summary, Carried::default())
        }
        (None, None) => with_hub(&store, call)?,
    };
    store.press()?;
    let mut report = Exchanged::of(&store, with, &summary)?;
    report.photos = photos.told();
    if report.logbooks.iter().any(|moved| moved.refused.is_some()) {
        return Err(report.refusals());
    }
    call.print(&report)
}

/// Says where this device waits and with which code, at once; with `--json` beside the document.
fn waiting(at: SocketAddr, code: &impl std::fmt::Display, call: &Call) -> Result<(), Error> {
    let told = format!(
        "Waiting at {at} for ten minutes. On the other device:\n\
         headwalk exchange --call {at} --code {code}\n"
    );
    if call.output() == Output::Text {
        return call.print_lines(&told);
    }
    // Where nobody can read it, nobody calls, and the waiting ends by itself.
    let _unread = std::io::stderr().write_all(told.as_bytes());
    Ok(())
}

/// `{"with": ADDRESS, "sent": N, "received": N, "round_trips": N}`, for the one who listened.
#[derive(Serialize)]
struct Met {
    with: String,
    sent: u64,
    received: u64,
    round_trips: u32,
}

impl Met {
    fn of(listened: meet::Listened) -> Self {
        Self {
            with: listened.from.ip().to_string(),
            sent: listened.sent,
            received: listened.received,
            round_trips: listened.round_trips,
        }
    }
}

impl Report for Met {
    fn write(&self, page: &mut Page) {
        page.line(sent_and_received(self.sent, &self.with, self.received));
        page.line("The other device says whether both hold the same.");
    }
}

fn sent_and_received(sent: u64, with: &str, received: u64) -> String {
    let sent = counted(sent, "entry", "entries");
    let received = counted(received, "entry", "entries");
    format!("Sent {sent} to {with}, received {received}.")
}

/// Counts the entries that a parcel carries.
fn entries_in(parcel: &Parcel) -> u64 {
    match &parcel.says {
        Says::News { batch, .. } | Says::Taken { batch, .. } => batch.count(),
        Says::Holdings { parts, .. } => parts.iter().map(|part| part.batch.count()).sum(),
        _ => 0,
    }
}

fn with_store(
    store: &Store,
    path: &Path,
    call: &Call,
) -> Result<(String, Summary, Carried), Error> {
    let other = Store::open_for_one_job(path)?;
    let now = || call.now().wall;
    let carry = |parcel: &Parcel| Ok(answer(&other, parcel, &Answering::as_peer(), now())?);
    let summary = carried(store, other.id(), now, carry)?;
    // Pictures go after the entries that name them.
    let own = Album::beside(store, call.store_path());
    let photos = own.copy_with(
        &Album::beside(&other, path),
        summary.logbooks.keys().copied(),
    )?;
    Ok((path.display().to_string(), summary, photos))
}

fn with_hub(store: &Store, call: &Call) -> Result<(String, Summary, Carried), Error> {
    let hub = OwnHub::of_store(store)?;
    let carried = carried(
        store,
        hub.store_id(),
        || call.now().wall,
        |parcel| hub.exchange(parcel),
    )?;
    let album = Album::beside(store, call.store_path());
    let photos = album.carry(&hub, carried.logbooks.keys().copied());
    Ok((hub.url().to_owned(), carried, photos))
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
        let copies: BTreeSet<_> = summary.branched.iter().map(|(_, device)| device).collect();
        Ok(Self {
            with,
            sent: carried.clone().map(|(_, carried)| carried.sent).sum(),
            received: carried.map(|(_, carried)| carried.received).sum(),
            round_trips: summary.round_trips,
            equal: summary.equal,
            copies: copies.len(),
            is_a_copy: store.id_is_in_use_elsewhere(),
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
            photos: None,
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

fn told(photos: &Carried, page: &mut Page) {
    let pictures = |count| counted(count, "picture", "pictures");
    if photos.sent > 0 || photos.received > 0 {
        let (sent, received) = (pictures(photos.sent), pictures(photos.received));
        page.line(format!("Sent {sent}, received {received}."));
    }
    if photos.waiting > 0 {
        let waiting = pictures(photos.waiting as u64);
        page.line(format!("{waiting} not yet at the office: exchange again."));
    }
    if let Some(trouble) = &photos.trouble {
        page.paragraph(&format!(
            "The entries are exchanged; of the pictures: {trouble}."
        ));
    }
}

impl Report for Exchanged {
    fn write(&self, page: &mut Page) {
        page.line(sent_and_received(self.sent, &self.with, self.received));
        if !self.logbooks.is_empty() {
            let row = |moved: &Moved| {
                let (sent, received) = (moved.sent.to_string(), moved.received.to_string());
                [moved.name.clone(), sent, received]
            };
            let rows: Vec<_> = self.logbooks.iter().map(row).collect();
            page.table(["logbook", "sent", "received"], &rows);
        }
        if let Some(photos) = &self.photos {
            told(photos, page);
        }
        if self.copies > 0 {
            page.paragraph(
                "A store had been copied or put back, and both copies wrote on. What both wrote is \
                 kept; `headwalk versions` lists the fields that they left in two versions. Never \
                 copy a store: begin another and exchange.",
            );
        }
        if self.is_a_copy {
            page.paragraph(
                "Someone else writes under this store's device id, so it is a copy, or was put \
                 back. Nothing is lost; from now on it writes under a new id.",
            );
        }
        page.line(if self.equal {
            "Both hold the same now."
        } else {
            "Not all of it is there yet: exchange again."
        });
    }
}
