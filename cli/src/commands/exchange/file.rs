//! A file that goes from hand to hand between two devices.
//!
//! It holds what its writer holds, by the ends of the chains, and what it believes that the other
//! lacks; whoever reads it takes that, and writes the same back. So both run one command in turn
//! until it says that both hold the same. No step asks for another: a file that is read twice, left
//! unread, overwritten, or brought to a third device changes nothing that any device holds.

use std::collections::BTreeMap;
use std::fs;
use std::io::{ErrorKind, Write};
use std::path::{Path, PathBuf};

use serde::Serialize;

use headwalk_core::exchange::message::{Batch, More, Parcel, Part, Says};
use headwalk_core::exchange::session::{Answering, Caller, answer};
use headwalk_core::log::id::LogbookId;
use headwalk_core::log::stamp::WallMs;
use headwalk_core::store::Store;

use super::Moved;
use crate::call::Call;
use crate::error::{Error, Kind};
use crate::output::{Page, Report, counted};
use crate::roots::Roots;

/// What the file begins with; the digest of the rest follows.
const MARK: &[u8] = b"headwalk carried file 1\n";
/// Two parcels, and room for what frames them.
const MOST_BYTES: u64 = 3 * 1024 * 1024;

/// `{"file": PATH, "did": "began" | "waits" | "took" | "ended", "carries": N, "received": N,
/// "more": BOOL, "equal": BOOL, "logbooks": [..]}`
#[derive(Serialize)]
pub struct Carried {
    file: String,
    did: Did,
    /// Entries in the file for the other device.
    carries: u64,
    /// Entries that this store came to hold.
    received: u64,
    /// Whether there are more than one file takes.
    more: bool,
    /// Whether both held the same when this was read.
    equal: bool,
    logbooks: Vec<Moved>,
}

/// What a step came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
enum Did {
    /// There was no file; there is one now.
    Began,
    /// The file is this device's own, and the other has not read it.
    Waits,
    /// The other's file was read, and one for the other is there now.
    Took,
    /// Both hold the same: the file is gone.
    Ended,
}

/// What lies in a file.
struct Content {
    /// What the listener had said it holds when the speaker last heard of it.
    listener: Option<Parcel>,
    /// What the speaker says.
    speaker: Parcel,
}

/// Does one step.
pub fn step(store: &Store, path: &Path, call: &Call) -> Result<Carried, Error> {
    let now = call.now().wall;
    let Some(found) = Content::read(path)? else {
        return written(store, path, Did::Began, None, now);
    };
    if found.speaker.from.store == store.id() {
        return written(store, path, Did::Waits, found.listener, now);
    }
    let before = held(store)?;
    let heard = found.speaker;
    let mut reply = answer(store, &heard, &Answering::as_peer(), now)?;
    let (theirs, ours) = (parts(&heard, path)?, parts(&reply, path)?);
    let received = held(store)?
        .into_iter()
        .map(|(logbook, count)| (logbook, count - before.get(&logbook).copied().unwrap_or(0)))
        .filter(|(_, count)| *count > 0)
        .collect();
    let equal = same(theirs, ours);
    let mut carried = Carried::of(store, path, Did::Took, ours, &received)?;
    carried.refusals(theirs, ours)?;
    carried.equal = equal;
    if equal {
        fs::remove_file(path).map_err(|cause| cannot(path, &cause))?;
        carried.did = Did::Ended;
        return Ok(carried);
    }
    reply.from.at = now;
    let listener = Some(without_entries(heard));
    let speaker = reply;
    Content { listener, speaker }.write(path)?;
    Ok(carried)
}

/// Writes what this store has to say to a listener, who may be nobody yet.
fn written(
    store: &Store,
    path: &Path,
    did: Did,
    listener: Option<Parcel>,
    now: WallMs,
) -> Result<Carried, Error> {
    let speaker = match &listener {
        // To nobody in particular one says what one holds.
        None => Caller::begin(store, None, now)?.1,
        Some(listener) => answer(store, listener, &Answering::as_peer(), now)?,
    };
    let carried = Carried::of(store, path, did, parts(&speaker, path)?, &BTreeMap::new())?;
    Content { listener, speaker }.write(path)?;
    Ok(carried)
}

/// Whether both sides told the same of every logbook.
fn same(theirs: &[Part], ours: &[Part]) -> bool {
    let ends = |parts: &[Part]| -> BTreeMap<_, _> {
        let of = |part: &Part| {
            let mut ends: Vec<_> = part.ends.iter().map(|end| (end.last, end.link)).collect();
            ends.sort_unstable_by_key(|(last, _)| *last);
            (part.logbook, ends)
        };
        parts.iter().map(of).collect()
    };
    ends(theirs) == ends(ours)
}

fn held(store: &Store) -> Result<BTreeMap<LogbookId, u64>, Error> {
    let count = |logbook| Ok((logbook, store.vector(logbook)?.entries()));
    store.logbooks()?.into_iter().map(count).collect()
}

/// Only what is held is said over a file: whoever reads it may be anyone.
fn parts<'p>(parcel: &'p Parcel, path: &Path) -> Result<&'p [Part], Error> {
    match &parcel.says {
        Says::Holdings { parts, .. } => Ok(parts),
        _ => Err(not_carried(path, "it says what no such file says")),
    }
}

fn without_entries(mut parcel: Parcel) -> Parcel {
    if let Says::Holdings { parts, .. } = &mut parcel.says {
        for part in parts {
            part.batch = Batch::default();
            part.more = More::Nothing;
        }
    }
    parcel
}

impl Content {
    /// Reads a file; none where there is none.
    fn read(path: &Path) -> Result<Option<Self>, Error> {
        let size = match fs::metadata(path) {
            Err(error) if error.kind() == ErrorKind::NotFound => return Ok(None),
            Err(error) => return Err(cannot(path, &error)),
            Ok(found) => found.len(),
        };
        if size > MOST_BYTES {
            return Err(not_carried(path, "it is too large for one"));
        }
        let bytes = fs::read(path).map_err(|error| cannot(path, &error))?;
        let rest = bytes.strip_prefix(MARK);
        let rest = rest.ok_or_else(|| not_carried(path, "it begins otherwise"))?;
        let whole = rest
            .split_first_chunk::<32>()
            .filter(|(digest, rest)| blake3::hash(rest) == blake3::Hash::from_bytes(**digest));
        let damaged = || not_carried(path, "it is damaged or cut short");
        let (_, rest) = whole.ok_or_else(damaged)?;
        let (length, rest) = rest.split_first_chunk::<4>().ok_or_else(damaged)?;
        let length = u32::from_be_bytes(*length) as usize;
        let (listener, speaker) = rest.split_at_checked(length).ok_or_else(damaged)?;
        let listener = match listener {
            [] => None,
            bytes => Some(Parcel::from_bytes(bytes)?),
        };
        Ok(Some(Self {
            listener,
            speaker: Parcel::from_bytes(speaker)?,
        }))
    }

    /// Puts a file in the place of the one that is there: whole or not at all.
    fn write(&self, path: &Path) -> Result<(), Error> {
        let listener = self.listener.as_ref().map(Parcel::to_bytes);
        let listener = listener.unwrap_or_default();
        let length = u32::try_from(listener.len()).expect("a parcel is a megabyte at most");
        let rest = [
            &length.to_be_bytes(),
            listener.as_slice(),
            &self.speaker.to_bytes(),
        ]
        .concat();
        let digest = blake3::hash(&rest);
        let folder = match path.parent() {
            Some(folder) if folder != Path::new("") => folder.to_owned(),
            _ => PathBuf::from("."),
        };
        let written = || -> std::io::Result<()> {
            let mut file = tempfile::Builder::new()
                .prefix(".headwalk-")
                .tempfile_in(&folder)?;
            for bytes in [MARK, digest.as_bytes(), rest.as_slice()] {
                file.write_all(bytes)?;
            }
            file.as_file().sync_all()?;
            file.persist(path).map_err(|error| error.error)?;
            Ok(())
        };
        written().map_err(|error| cannot(path, &error))
    }
}

fn cannot(path: &Path, cause: &std::io::Error) -> Error {
    let message = format!("{} cannot be read or written: {cause}", path.display());
    Error::new(Kind::Machine, message)
        .hint("see that the stick is there and has room; nothing that was recorded is lost.")
}

fn not_carried(path: &Path, why: &str) -> Error {
    let message = format!(
        "{} is no carried file: {why}; it stays as it is",
        path.display()
    );
    Error::input(message)
        .field("file")
        .hint("name another file; a damaged one is removed by hand, and both devices begin anew.")
}

impl Carried {
    fn of(
        store: &Store,
        path: &Path,
        did: Did,
        outgoing: &[Part],
        received: &BTreeMap<LogbookId, u64>,
    ) -> Result<Self, Error> {
        let roots = Roots::of(store)?;
        let mut moved: BTreeMap<LogbookId, (u64, u64)> = BTreeMap::new();
        for part in outgoing
            .iter()
            .filter(|part| !part.batch.entries.is_empty())
        {
            moved.entry(part.logbook).or_default().0 = part.batch.entries.len() as u64;
        }
        for (logbook, count) in received {
            moved.entry(*logbook).or_default().1 = *count;
        }
        Ok(Self {
            file: path.display().to_string(),
            did,
            carries: moved.values().map(|(sent, _)| sent).sum(),
            received: moved.values().map(|(_, received)| received).sum(),
            more: outgoing.iter().any(|part| part.more == More::ToCome),
            equal: false,
            logbooks: moved
                .into_iter()
                .map(|(logbook, (sent, received))| Moved {
                    logbook: logbook.to_string(),
                    name: roots.name(logbook),
                    sent,
                    received,
                    refused: None,
                })
                .collect(),
        })
    }

    /// Tells of what was not taken, here or there.
    fn refusals(&self, theirs: &[Part], ours: &[Part]) -> Result<(), Error> {
        let told = |part: &Part| {
            let why = part.refused.as_ref()?;
            Some(format!("{}: {why}", part.logbook))
        };
        let details: Vec<_> = theirs.iter().chain(ours).filter_map(told).collect();
        if details.is_empty() {
            return Ok(());
        }
        let message = "not every entry in the file was taken; all others were";
        Err(Error::new(Kind::Refused, message)
            .details(details)
            .hint("nothing is lost; tell the office which device it is."))
    }
}

impl Report for Carried {
    fn write(&self, page: &mut Page) {
        let (received, file) = (counted(self.received, "entry", "entries"), &self.file);
        let carries = counted(self.carries, "entry", "entries");
        if matches!(self.did, Did::Took | Did::Ended) {
            page.line(format!("Took {received} from {file}."));
        }
        match self.did {
            Did::Ended => {
                page.line("Both hold the same now; the file is done with and was removed.");
                return;
            }
            Did::Began => page.line(format!("Wrote {file}: it says what this device holds.")),
            Did::Waits => page.line(format!(
                "{file} is this device's own, and the other has not read it; it carries {carries}."
            )),
            Did::Took => page.line(format!("Wrote {file} anew: it carries {carries} back.")),
        }
        if self.more {
            page.line("One file does not take all of it: go round once more afterwards.");
        }
        page.line("Take it to the other device, and run the same command there.");
    }
}
