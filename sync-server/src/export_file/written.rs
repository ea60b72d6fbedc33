//! Logbooks of a store as a file, written as they are read: what is held at a time is a block of entries a
//! logbook, whatever the length of the log.
//!
//! Logbooks are read twice. The first time tells where chains end and are sealed, and from which moment on
//! the entries of each block and of all after it are; the second time entries wait until nothing that was
//! not read can stand before them.

use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet, BinaryHeap, VecDeque};
use std::io::{self, Write};

use headwalk_core::log::chain::{Link, Mark};
use headwalk_core::log::codec;
use headwalk_core::log::entry::Change;
use headwalk_core::log::id::LogbookId;
use headwalk_core::log::seal::Seal;
use headwalk_core::log::stamp::Stamp;
use headwalk_core::log::vector::VersionVector;
use headwalk_core::log::walk::{End, Walk, Walked};
use headwalk_core::log::written::Written;
use headwalk_core::store::{self, Store, Unrolled, Unrolling};

use super::{Lines, entry_line, heading};

/// Why a file could not be written.
#[derive(Debug, thiserror::Error)]
pub enum Unwritten {
    /// The store cannot be read.
    #[error(transparent)]
    Store(#[from] store::Error),
    /// What was read cannot be written.
    #[error("it cannot be written: {0}")]
    Out(#[from] io::Error),
}

/// Writes these logbooks of a store as a file: every entry, and each seal that reaches no farther than what
/// is held. Returns how many lines that is.
///
/// # Errors
/// [`Unwritten`]; then a part of it may be written.
pub fn write_logbooks(
    store: &Store,
    logbooks: &[LogbookId],
    out: &mut (impl Write + ?Sized),
) -> Result<u64, Unwritten> {
    let unrolling = store.unrolling()?;
    let (mut ends, mut seals, mut entries) = (BTreeMap::new(), Vec::new(), 0);
    let mut to_come = BTreeSet::new();
    let mut books = BTreeMap::new();
    for &logbook in logbooks {
        let survey = Survey::of(store, &unrolling, logbook)?;
        entries += survey.entries;
        ends.extend(
            survey
                .ends
                .into_iter()
                .map(|(mark, end)| ((logbook, mark), end)),
        );
        seals.extend(survey.seals);
        to_come.extend(survey.from.front().map(|from| (*from, logbook)));
        books.insert(
            logbook,
            Book {
                is_whole: survey.is_whole,
                receipts: survey.receipts,
                from: survey.from,
                read: Unrolled::nothing(logbook),
            },
        );
    }
    let mut lines = Lines::to(out);
    for line in heading(&ends, entries, &seals) {
        lines.line(&line)?;
    }
    drop((ends, seals));
    let mut waiting: BinaryHeap<Reverse<Waiting>> = BinaryHeap::new();
    loop {
        let next = to_come.pop_first();
        while let Some(Reverse(first)) = waiting.peek()
            && next.is_none_or(|(from, _)| first.rank.0 < from)
            && let Some(Reverse(first)) = waiting.pop()
        {
            let walked = first.walked()?;
            lines.line(&entry_line(&walked, &first.raw))?;
        }
        let Some((_, logbook)) = next else {
            return Ok(lines.written);
        };
        let book = books.get_mut(&logbook).expect("it was surveyed");
        waiting.extend(
            book.more(store, &unrolling, logbook)?
                .into_iter()
                .map(Reverse),
        );
        to_come.extend(book.from.front().map(|from| (*from, logbook)));
    }
}

/// An entry that was read and is not written yet.
struct Waiting {
    /// In which order entries stand: by the moments that count.
    rank: (Stamp, LogbookId, Mark),
    raw: Vec<u8>,
    link: Link,
}

impl Waiting {
    fn walked(&self) -> Result<Walked, store::Error> {
        let (stamp, _, mark) = self.rank;
        Ok(Walked {
            entry: codec::decode(&self.raw)?,
            mark,
            link: self.link,
            stamp,
        })
    }
}

impl PartialEq for Waiting {
    fn eq(&self, other: &Self) -> bool {
        self.rank == other.rank
    }
}

impl Eq for Waiting {}

impl PartialOrd for Waiting {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Waiting {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        self.rank.cmp(&other.rank)
    }
}

/// What the first reading of a logbook tells.
struct Survey {
    entries: u64,
    ends: BTreeMap<Mark, End>,
    /// Those of its seals that cover entries which are here.
    seals: Vec<Seal>,
    /// The stamps that order entries whose own cannot be believed.
    receipts: BTreeMap<Mark, Stamp>,
    /// Of each part that will be read, from which stamp on its entries and all after it are.
    from: VecDeque<Stamp>,
    /// Whether it is read whole, since a chain has branches.
    is_whole: bool,
}

impl Survey {
    fn of(
        store: &Store,
        unrolling: &Unrolling<'_>,
        logbook: LogbookId,
    ) -> Result<Self, store::Error> {
        let kept = unrolling.seals(logbook)?;
        if unrolling.has_branches(logbook)? {
            return Self::whole(store, logbook, kept);
        }
        let seals: BTreeMap<Link, _> = kept
            .iter()
            .map(|seal| (seal.link, (seal.device(), seal.seq)))
            .collect();
        let mut here = BTreeSet::new();
        let mut survey = Self {
            entries: 0,
            ends: BTreeMap::new(),
            seals: Vec::new(),
            receipts: BTreeMap::new(),
            from: VecDeque::new(),
            is_whole: false,
        };
        let mut read = Unrolled::nothing(logbook);
        while let Some(part) = more(unrolling, &mut read)? {
            let mut from = Stamp::from_bits(u64::MAX);
            survey.entries += part.len() as u64;
            for (written, link) in part {
                let mark = written.mark();
                let entry = written.entry;
                from = from.min(entry.stamp);
                for change in &entry.changes {
                    if let Change::Receipt { of, stamp } = change {
                        let earliest = survey.receipts.entry(*of).or_insert(*stamp);
                        *earliest = (*stamp).min(*earliest);
                        // What it orders came before it.
                        from = from.min(*stamp);
                    }
                }
                let before = entry.seq.previous().map(|seq| Mark {
                    seq,
                    tip: entry.prev,
                    ..mark
                });
                let before = before.and_then(|before| survey.ends.remove(&before));
                let mut sealed = before.and_then(|end| end.sealed);
                if let Some(by) = seals.get(&link) {
                    here.insert(link);
                    if *by == (Some(entry.device), entry.seq) {
                        sealed = Some(entry.seq);
                    }
                }
                survey.ends.insert(mark, End { link, sealed });
            }
            survey.from.push_back(from);
        }
        let mut least = Stamp::from_bits(u64::MAX);
        for from in survey.from.iter_mut().rev() {
            least = least.min(*from);
            *from = least;
        }
        survey.seals = kept
            .into_iter()
            .filter(|seal| here.contains(&seal.link))
            .collect();
        Ok(survey)
    }

    fn whole(store: &Store, logbook: LogbookId, kept: Vec<Seal>) -> Result<Self, store::Error> {
        // A seal that reaches farther than what has come here says nothing of what is here.
        let links: BTreeSet<_> = store.links(logbook)?.into_values().collect();
        let of_here = kept.into_iter().filter(|seal| links.contains(&seal.link));
        let seals: Vec<_> = of_here.collect();
        let walk = walk(store, logbook, &seals)?.0;
        let stamps = walk.walked.values().map(|walked| walked.stamp);
        Ok(Self {
            entries: walk.walked.len() as u64,
            from: stamps.min().into_iter().collect(),
            ends: walk
                .ends
                .into_iter()
                .map(|((_, mark), end)| (mark, end))
                .collect(),
            seals,
            receipts: BTreeMap::new(),
            is_whole: true,
        })
    }
}

/// A logbook that is being written.
struct Book {
    is_whole: bool,
    receipts: BTreeMap<Mark, Stamp>,
    from: VecDeque<Stamp>,
    read: Unrolled,
}

impl Book {
    /// Reads its next part.
    fn more(
        &mut self,
        store: &Store,
        unrolling: &Unrolling<'_>,
        logbook: LogbookId,
    ) -> Result<Vec<Waiting>, store::Error> {
        self.from.pop_front();
        if self.is_whole {
            let (walk, mut raws) = walk(store, logbook, &[])?;
            let waiting = walk.walked.into_iter().map(|(at, walked)| Waiting {
                rank: (walked.stamp, logbook, walked.mark),
                raw: std::mem::take(&mut raws[at]),
                link: walked.link,
            });
            return Ok(waiting.collect());
        }
        let part = more(unrolling, &mut self.read)?.unwrap_or_default();
        let waiting = part.into_iter().map(|(written, link)| {
            let mark = written.mark();
            let stamp = self.receipts.get(&mark).copied();
            Waiting {
                rank: (stamp.unwrap_or(written.entry.stamp), logbook, mark),
                raw: written.raw,
                link,
            }
        });
        Ok(waiting.collect())
    }
}

type Part = Vec<(Written, Link)>;

/// The next part of a logbook that holds anything; none behind the last.
fn more(unrolling: &Unrolling<'_>, read: &mut Unrolled) -> Result<Option<Part>, store::Error> {
    let part = unrolling.more(read)?;
    Ok((!part.is_empty()).then_some(part))
}

fn walk(
    store: &Store,
    logbook: LogbookId,
    seals: &[Seal],
) -> Result<(Walk, Vec<Vec<u8>>), store::Error> {
    let (raws, _) = store.entries_beyond(logbook, &VersionVector::new(), usize::MAX)?;
    Ok((Walk::over(&raws, seals), raws))
}
