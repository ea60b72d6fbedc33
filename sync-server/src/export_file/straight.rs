//! A file of exported entries read line by line, as nearly all can be: where each entry stands behind those on
//! which it builds, no more need be held of it than its tip. Of a file in which anything is not so, or is
//! wrong, the reader of whole files tells.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{self, BufRead, Seek};

use serde_json::{Value as Json, json};

use headwalk_core::log::chain::{Link, Mark, Tip};
use headwalk_core::log::codec;
use headwalk_core::log::entry::{Change, Entry};
use headwalk_core::log::id::{DeviceId, LogbookId, Seq};
use headwalk_core::log::seal::Seal;
use headwalk_core::log::stamp::Stamp;
use headwalk_core::log::walk::{End, Walked};

use super::pieces::{AtMost, Pieces};
use super::{FORMAT, Sound, bytes_of, entry_line, heading, parted, rank, read_seal, running};

/// What a line has where an entry gives a receipt.
const RECEIPT: &str = "\"receipt\":[";

/// Reads a file twice, and holds everything in it against everything else; returns in which pieces its entries
/// can be read again as well. None where it is not as simple as that.
///
/// # Errors
/// Where the file cannot be read.
pub(super) fn read(
    file: &mut (impl BufRead + Seek),
    at_most: AtMost,
) -> io::Result<Option<(Sound, Pieces)>> {
    let mut reading = Reading::in_pieces(at_most);
    // Receipts order entries that may stand before them.
    let all = each_line(file, |line| {
        if line.contains(RECEIPT)
            && let Some((entry, _)) = parted(line).and_then(|(body, _)| entry_of(body))
        {
            for change in &entry.changes {
                if let Change::Receipt { of, stamp } = change {
                    let key = (entry.logbook, *of);
                    let earliest = reading.receipts.entry(key).or_insert(*stamp);
                    *earliest = (*stamp).min(*earliest);
                }
            }
        }
        Some(())
    })?;
    if all.is_none() {
        return Ok(None);
    }
    file.rewind()?;
    let all = each_line(file, |line| reading.line(line))?;
    Ok(all.and_then(|()| reading.done()))
}

/// Does `with` each line, its end included, until it says none, or a line is no text.
fn each_line(
    file: &mut impl BufRead,
    mut with: impl FnMut(&str) -> Option<()>,
) -> io::Result<Option<()>> {
    let mut line = Vec::new();
    loop {
        line.clear();
        if file.read_until(b'\n', &mut line)? == 0 {
            return Ok(Some(()));
        }
        let told = str::from_utf8(&line).ok().and_then(&mut with);
        if told.is_none() {
            return Ok(None);
        }
    }
}

/// The entry whose line this is, and its bytes.
fn entry_of(body: &str) -> Option<(Entry, Vec<u8>)> {
    let raw = bytes_of(body)?;
    Some((codec::decode(&raw).ok()?, raw))
}

struct Reading {
    pieces: Pieces,
    receipts: BTreeMap<(LogbookId, Mark), Stamp>,
    so_far: String,
    head: Option<Json>,
    chains: BTreeSet<String>,
    chain_lines: usize,
    seals: Vec<Seal>,
    /// What each seal covers, until an entry is found to be that.
    claimed: BTreeMap<(LogbookId, DeviceId, Link), Vec<Seq>>,
    /// The tips of each device's entries in each logbook, and what they come to.
    books: BTreeMap<(LogbookId, DeviceId), Chain>,
    last: Option<(Stamp, LogbookId, Mark)>,
    many: u64,
}

struct Chain {
    tips: Vec<Tip>,
    end: End,
}

impl Reading {
    const fn in_pieces(at_most: AtMost) -> Self {
        Self {
            pieces: Pieces::of(at_most),
            receipts: BTreeMap::new(),
            so_far: String::new(),
            head: None,
            chains: BTreeSet::new(),
            chain_lines: 0,
            seals: Vec::new(),
            claimed: BTreeMap::new(),
            books: BTreeMap::new(),
            last: None,
            many: 0,
        }
    }

    fn line(&mut self, line: &str) -> Option<()> {
        let (body, told) = parted(line)?;
        self.so_far = running(&self.so_far, body);
        if self.so_far != told {
            return None;
        }
        if self.head.is_none() {
            let head: Json = serde_json::from_str(&format!("{body}}}")).ok()?;
            if head["export"] != json!(FORMAT) {
                return None;
            }
            self.head = Some(head);
        } else if body.starts_with("{\"chain\":") && self.many == 0 {
            self.chain_lines += 1;
            self.chains.insert(body.to_owned());
        } else if body.starts_with("{\"seal\":") && self.many == 0 {
            let line: Json = serde_json::from_str(&format!("{body}}}")).ok()?;
            let seal = read_seal(line.get("seal")?)?;
            let covers = (seal.logbook, seal.device()?, seal.link);
            self.claimed.entry(covers).or_default().push(seal.seq);
            self.seals.push(seal);
        } else {
            return self.entry(body);
        }
        self.pieces.heading_line();
        Some(())
    }

    fn entry(&mut self, body: &str) -> Option<()> {
        let (entry, raw) = entry_of(body)?;
        let (logbook, device, seq) = (entry.logbook, entry.device, entry.seq);
        let tip = Tip::of(&raw);
        let mark = Mark { device, seq, tip };
        let is_here = |mark: &Mark| {
            let chain = self.books.get(&(logbook, mark.device))?;
            let at = usize::try_from(mark.seq.get() - 1).ok()?;
            (chain.tips.get(at) == Some(&mark.tip)).then_some(())
        };
        entry.gained.iter().try_for_each(is_here)?;
        let chain = match seq.previous() {
            None if self.books.contains_key(&(logbook, device)) => return None,
            None => self.books.entry((logbook, device)).or_insert(Chain {
                tips: Vec::new(),
                end: End {
                    link: Link::origin(logbook, device),
                    sealed: None,
                },
            }),
            Some(before) => {
                let chain = self.books.get_mut(&(logbook, device))?;
                let is_next = chain.tips.len() as u64 == before.get();
                if !is_next || chain.tips.last() != Some(&entry.prev) {
                    return None;
                }
                chain
            }
        };
        chain.tips.push(tip);
        let link = chain.end.link.after(&raw);
        chain.end.link = link;
        if let Some(seqs) = self.claimed.remove(&(logbook, device, link)) {
            if seqs.iter().any(|sealed| *sealed != seq) {
                return None;
            }
            chain.end.sealed = Some(seq);
        }
        let stamp = self.receipts.get(&(logbook, mark)).copied();
        let walked = Walked {
            stamp: stamp.unwrap_or(entry.stamp),
            entry,
            mark,
            link,
        };
        let rank = rank(&walked);
        if self.last.is_some_and(|last| last > rank) {
            return None;
        }
        self.last = Some(rank);
        if entry_line(&walked, &raw).strip_suffix('}') != Some(body) {
            return None;
        }
        self.many += 1;
        self.pieces.entry(raw.len(), &self.so_far);
        Some(())
    }

    fn done(self) -> Option<(Sound, Pieces)> {
        let ends = self
            .books
            .into_iter()
            .filter_map(|((logbook, device), chain)| {
                let seq = Seq::new(chain.tips.len() as u64)?;
                let tip = *chain.tips.last()?;
                Some(((logbook, Mark { device, seq, tip }), chain.end))
            });
        let ends: BTreeMap<_, _> = ends.collect();
        let head = self.head?;
        let counts = [
            ("entries", self.many),
            ("chains", self.chain_lines as u64),
            ("seals", self.seals.len() as u64),
        ];
        let counted = counts
            .iter()
            .all(|(what, there)| head[what] == json!(there));
        let heading = heading(&ends, self.many, &[]);
        let due = heading.iter().filter_map(|line| line.strip_suffix('}'));
        let due: BTreeSet<_> = due.filter(|line| line.starts_with("{\"chain\"")).collect();
        let as_due =
            due.len() == self.chain_lines && due.iter().all(|line| self.chains.contains(*line));
        let sound = Sound {
            many: self.many,
            seals: self.seals,
            ends,
            unread: 0,
        };
        (counted && as_due && self.claimed.is_empty()).then_some((sound, self.pieces))
    }
}
