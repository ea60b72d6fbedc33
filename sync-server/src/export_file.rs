//! The file of exported entries: readable lines that prove themselves, away from any store.
//!
//! JSON lines, in this order: one `{"export": 1, ..}` with the counts; one `{"chain": ..}` for the
//! end of each chain; one `{"seal": ..}` for each signature of a device; then one line an entry, in
//! the order of the moments that count. An entry's line has its words for readers and, as `bytes`,
//! the entry itself in hexadecimal; the words are held against the bytes, the bytes against the
//! chain, and the chain against the seals. Every line ends with `so_far`: the first 16 bytes of
//! BLAKE3 over the `so_far` before it (as written; nothing at first) and its own text up to there.
//! DEVELOPERS.md says how another program checks such a file.

mod pieces;
mod straight;
mod taking;
mod whole;
mod written;

use std::collections::BTreeMap;
use std::io::{self, Write};

pub use taking::{Checked, CutShort, Why};
pub use whole::{Whole, check};
pub use written::{Unwritten, write_logbooks};

use data_encoding::HEXLOWER;
use serde::Serialize;
use serde_json::{Value as Json, json};

use headwalk_core::log::chain::{Link, Mark};
use headwalk_core::log::entry::Change;
use headwalk_core::log::id::{LogbookId, Seq};
use headwalk_core::log::seal::{Seal, Step};
use headwalk_core::log::stamp::Stamp;
use headwalk_core::log::walk::{End, Walk, Walked};
use headwalk_core::site::sight::What;
use headwalk_core::store::{self, Store};

use crate::value_json::{how_word, rfc3339, value_json};

/// What every such file begins with.
pub const BEGINS: &str = "{\"export\":";
/// The version of the file.
const FORMAT: u64 = 1;

/// One line of the export of entries.
#[derive(Serialize)]
struct EntryLine {
    logbook: String,
    device: String,
    seq: u64,
    by: String,
    /// When, in RFC 3339, by the writer's clock.
    at: String,
    /// The moment that counts, where the writer's clock was wrong.
    #[serde(skip_serializing_if = "Option::is_none")]
    counts_as: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    visit: Option<String>,
    /// What the device had come to hold of others since its entry before: device to number.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    gained: BTreeMap<String, u64>,
    changes: Vec<ChangeJson>,
    /// The digest of this device's entries in this logbook up to and including this one.
    digest: String,
    /// The entry as its device wrote it.
    bytes: String,
}

/// One change. A receipt has `receipt`; a change that this version does not know has `unknown`.
#[derive(Serialize)]
#[serde(untagged)]
enum ChangeJson {
    Said {
        thing: String,
        /// The field or observation.
        what: String,
        value: Json,
        #[serde(skip_serializing_if = "Option::is_none")]
        how: Option<String>,
    },
    Receipt {
        /// The entry whose clock was wrong: its device and number, and the moment that counts.
        receipt: (String, u64, String),
    },
    HeldBack {
        /// The entry that does not count: its device and number.
        held_back: (String, u64),
    },
    Admitted {
        /// The entry that counts after all: its device and number.
        admitted: (String, u64),
    },
    Unknown {
        unknown: u8,
    },
}

/// Returns these logbooks of a store as the text of a file, as [`write_logbooks`] writes it.
///
/// # Errors
/// [`store::Error`] where the store cannot be read.
pub fn of_logbooks(store: &Store, logbooks: &[LogbookId]) -> Result<String, store::Error> {
    let mut out = Vec::new();
    match write_logbooks(store, logbooks, &mut out) {
        Ok(_) => Ok(String::from_utf8(out).expect("lines are text")),
        Err(Unwritten::Store(error)) => Err(error),
        Err(Unwritten::Out(error)) => unreachable!("memory takes any text: {error}"),
    }
}

/// Writes entries and seals as a file.
pub fn text(raws: &[Vec<u8>], seals: &[Seal]) -> String {
    let walk = Walk::over(raws, seals);
    let mut in_order: Vec<_> = walk.walked.iter().collect();
    in_order.sort_by_key(|(_, walked)| rank(walked));
    let mut out = Vec::new();
    let mut lines = Lines::to(&mut out);
    let heading = heading(&walk.ends, raws.len() as u64, seals).into_iter();
    let entries = in_order
        .into_iter()
        .map(|(at, walked)| entry_line(walked, &raws[*at]));
    for line in heading.chain(entries) {
        lines.line(&line).expect("memory takes any text");
    }
    String::from_utf8(out).expect("lines are text")
}

/// Lines on their way into a file, each with what proves those before it.
struct Lines<'o, W: ?Sized> {
    out: &'o mut W,
    so_far: String,
    written: u64,
}

impl<'o, W: Write + ?Sized> Lines<'o, W> {
    fn to(out: &'o mut W) -> Self {
        Self {
            out,
            so_far: String::new(),
            written: 0,
        }
    }

    fn line(&mut self, line: &str) -> io::Result<()> {
        let body = line.strip_suffix('}').expect("a line is an object");
        self.so_far = running(&self.so_far, body);
        self.written += 1;
        writeln!(self.out, "{body},\"so_far\":\"{}\"}}", self.so_far)
    }
}

/// In which order entries stand: by the moments that count.
fn rank(walked: &Walked) -> (Stamp, LogbookId, Mark) {
    (walked.stamp, walked.entry.logbook, walked.mark)
}

/// The lines before the entries.
fn heading(ends: &BTreeMap<(LogbookId, Mark), End>, entries: u64, seals: &[Seal]) -> Vec<String> {
    let (chains, sealed) = (ends.len(), seals.len());
    let counts = format!("\"entries\":{entries},\"chains\":{chains},\"seals\":{sealed}");
    let mut lines = vec![format!("{BEGINS}{FORMAT},{counts}}}")];
    for ((logbook, last), end) in ends {
        let chain = json!({"chain": {
            "logbook": logbook.to_string(),
            "device": last.device.to_string(),
            "entries": last.seq.get(),
            "tip": last.tip.to_string(),
            "digest": end.link.to_string(),
            "sealed": end.sealed.map(Seq::get),
        }});
        lines.push(chain.to_string());
    }
    lines.extend(seals.iter().map(seal_line));
    lines
}

fn seal_line(seal: &Seal) -> String {
    let mut told = json!({
        "logbook": seal.logbook.to_string(),
        "key": HEXLOWER.encode(&seal.key),
        "seq": seal.seq.get(),
        "digest": seal.link.to_string(),
        "signature": HEXLOWER.encode(&seal.signature),
    });
    if !seal.path.is_empty() {
        let path = seal.path.iter().map(|step| {
            let side = if step.is_left { "left" } else { "right" };
            json!({side: HEXLOWER.encode(&step.digest)})
        });
        told["path"] = path.collect();
    }
    json!({"seal": told}).to_string()
}

fn entry_line(walked: &Walked, raw: &[u8]) -> String {
    let entry = &walked.entry;
    let offset = entry.utc_offset_min;
    let (at, counts_as) = (entry.stamp.wall(), walked.stamp.wall());
    let gained = entry.gained.iter();
    let line = EntryLine {
        logbook: entry.logbook.to_string(),
        device: entry.device.to_string(),
        seq: entry.seq.get(),
        by: entry.by.clone(),
        at: rfc3339(at, offset),
        counts_as: (at != counts_as).then(|| rfc3339(counts_as, offset)),
        visit: entry.visit.map(|visit| visit.to_string()),
        gained: gained
            .map(|mark| (mark.device.to_string(), mark.seq.get()))
            .collect(),
        changes: entry.changes.iter().map(ChangeJson::of).collect(),
        digest: walked.link.to_string(),
        bytes: HEXLOWER.encode(raw),
    };
    serde_json::to_string(&line).expect("words and numbers are JSON")
}

impl ChangeJson {
    fn of(change: &Change) -> Self {
        if let Some((what, thing, value, how)) = What::of(change) {
            return Self::Said {
                thing: thing.to_string(),
                what: what.name(),
                value: value_json(what.shape(), value),
                how: how_word(how),
            };
        }
        match change {
            Change::Receipt { of, stamp } => {
                let (device, seq) = (of.device.to_string(), of.seq.get());
                let receipt = (device, seq, rfc3339(stamp.wall(), 0));
                Self::Receipt { receipt }
            }
            Change::HoldBack { of } => Self::HeldBack {
                held_back: (of.device.to_string(), of.seq.get()),
            },
            Change::Admit { of } => Self::Admitted {
                admitted: (of.device.to_string(), of.seq.get()),
            },
            Change::Unknown { kind, .. } => Self::Unknown { unknown: *kind },
            Change::Set { .. } | Change::Observe { .. } => {
                unreachable!("what is said of a thing is told above")
            }
        }
    }
}

/// What is in a file in which nothing is wrong.
#[derive(Debug, PartialEq)]
pub struct Sound {
    /// How many entries there are.
    pub many: u64,
    /// The seals of their devices.
    pub seals: Vec<Seal>,
    /// The ends of their chains.
    pub ends: BTreeMap<(LogbookId, Mark), End>,
    /// Entries with words that this version does not know, and so could not hold against the bytes.
    pub unread: u64,
}

impl Sound {
    /// Counts the entries for which their devices do not vouch: those after the last seal.
    #[must_use]
    pub fn unsealed(&self) -> u64 {
        let ends = self.ends.iter();
        ends.map(|((_, last), end)| last.seq.get() - end.sealed.map_or(0, Seq::get))
            .sum()
    }
}

/// Why a file is not taken for what it says that it is.
#[derive(Debug, thiserror::Error)]
pub enum Unsound {
    /// It cannot be read.
    #[error(transparent)]
    Unreadable(#[from] io::Error),
    /// What is wrong in it, a sentence each, by line.
    #[error("{} faults", .0.len())]
    Wrong(Vec<String>),
}

/// A line but for its end, and what it has of the lines before.
fn parted(whole: &str) -> Option<(&str, &str)> {
    let line = whole.strip_suffix("\"}\n")?;
    line.rsplit_once(",\"so_far\":\"")
}

/// What stands before the bytes of an entry, at the end of its line.
const BYTES: &str = ",\"bytes\":\"";

/// The bytes of the entry whose line this is, if they stand where they are written.
fn bytes_of(body: &str) -> Option<Vec<u8>> {
    let (_, digits) = body.rsplit_once(BYTES)?;
    unhex(digits.strip_suffix('"')?)
}

fn read_seal(seal: &Json) -> Option<Seal> {
    let bytes = |name: &str| unhex(seal[name].as_str()?);
    Some(Seal {
        logbook: seal["logbook"].as_str()?.parse::<LogbookId>().ok()?,
        key: bytes("key")?.try_into().ok()?,
        seq: Seq::new(seal["seq"].as_u64()?)?,
        link: Link::from_bytes(bytes("digest")?.try_into().ok()?),
        path: match &seal["path"] {
            Json::Null => Vec::new(),
            path => path.as_array()?.iter().map(step).collect::<Option<_>>()?,
        },
        signature: bytes("signature")?.try_into().ok()?,
    })
}

/// One step on the way from the end of a chain to what its device signed.
fn step(step: &Json) -> Option<Step> {
    let mut sides = step.as_object()?.iter();
    let ((side, digest), None) = (sides.next()?, sides.next()) else {
        return None;
    };
    let digest = unhex(digest.as_str()?)?.try_into().ok()?;
    match side.as_str() {
        "left" => Some(Step::left(digest)),
        "right" => Some(Step::right(digest)),
        _ => None,
    }
}

fn running(so_far: &str, body: &str) -> String {
    let mut hasher = blake3::Hasher::new();
    hasher.update(so_far.as_bytes()).update(body.as_bytes());
    HEXLOWER.encode(&hasher.finalize().as_bytes()[..16])
}

/// Reads lower-case hexadecimal digits, in pairs.
fn unhex(text: &str) -> Option<Vec<u8>> {
    HEXLOWER.decode(text.as_bytes()).ok()
}

#[cfg(test)]
#[path = "../../core/tests/disk/mod.rs"]
mod disk;
#[cfg(test)]
mod scene;
#[cfg(test)]
mod tests;
