//! Chains outside a store: whether entries that lie in a file are what their devices wrote.
//!
//! A store walks its chains in its own tables; whoever has only the bytes walks them here. Each
//! entry names the one before it and those that its writer had come to hold, so that a changed,
//! missing or added entry shows, and a device's seal says up to where it vouches for all that.
//! Start at [`Walk::over`].

use std::collections::{BTreeMap, BTreeSet};

use super::chain::{Link, Mark, Tip};
use super::codec::{self, CodecError};
use super::entry::{Change, Entry};
use super::id::{DeviceId, LogbookId, Seq};
use super::seal::Seal;
use super::stamp::Stamp;

/// Entries and how they hang together. Entries are told by their place in the list given.
#[derive(Debug, Clone, Default)]
pub struct Walk {
    /// Each entry that could be read, its chain's link up to it, and the stamp that orders it.
    pub walked: BTreeMap<usize, Walked>,
    /// All entries whose chain is whole, each after those that its writer had seen.
    pub order: Vec<usize>,
    /// The ends of the chains.
    pub ends: BTreeMap<(LogbookId, Mark), End>,
    /// What is wrong, by entry where it is an entry that is.
    pub faults: Vec<Fault>,
}

/// One entry on the way.
#[derive(Debug, Clone)]
pub struct Walked {
    /// The entry.
    pub entry: Entry,
    /// By which mark it is known.
    pub mark: Mark,
    /// The chain up to it; the origin's where the chain is broken before it.
    pub link: Link,
    /// The stamp that orders it: its own, or the earliest receipt's.
    pub stamp: Stamp,
}

/// The end of one chain.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct End {
    /// The chain's link there.
    pub link: Link,
    /// The last entry for which the device vouches.
    pub sealed: Option<Seq>,
}

/// What is wrong with entries or seals.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Fault {
    /// Bytes that are no entry.
    #[error("its bytes are no entry: {why}")]
    Unreadable {
        /// Which of the list.
        at: usize,
        /// Why not.
        why: CodecError,
    },
    /// An entry that is there before.
    #[error("entry {} of device {} is there twice", .mark.seq, .mark.device)]
    Twice {
        /// Which of the list.
        at: usize,
        /// Its mark.
        mark: Mark,
    },
    /// An entry that builds on one that is not there.
    #[error(
        "entry {} of device {} is not there as entry {} of device {} had it before it",
        .missing.seq, .missing.device, .mark.seq, .mark.device
    )]
    Missing {
        /// Which of the list.
        at: usize,
        /// Its mark.
        mark: Mark,
        /// What it builds on.
        missing: Mark,
    },
    /// A seal that its device did not make, or that covers an entry which is not there.
    #[error("the seal on entry {seq} fits no entry here: that entry, or one before it, is another")]
    Seal {
        /// Which of the seals.
        at: usize,
        /// The entry that it names.
        seq: Seq,
    },
}

impl Walk {
    /// Walks these entries, in whatever order they come, and holds the seals against them.
    pub fn over<R: AsRef<[u8]>>(raws: &[R], seals: &[Seal]) -> Self {
        let mut walk = Self::default();
        let mut known: BTreeMap<(LogbookId, Mark), usize> = BTreeMap::new();
        for (at, raw) in raws.iter().enumerate() {
            let raw = raw.as_ref();
            let entry = match codec::decode(raw) {
                Ok(entry) => entry,
                Err(why) => {
                    walk.faults.push(Fault::Unreadable { at, why });
                    continue;
                }
            };
            let mark = Mark {
                device: entry.device,
                seq: entry.seq,
                tip: Tip::of(raw),
            };
            if known.contains_key(&(entry.logbook, mark)) {
                walk.faults.push(Fault::Twice { at, mark });
                continue;
            }
            known.insert((entry.logbook, mark), at);
            let walked = Walked {
                link: Link::origin(entry.logbook, entry.device),
                stamp: entry.stamp,
                mark,
                entry,
            };
            walk.walked.insert(at, walked);
        }
        walk.put_in_order(&known);
        walk.link(raws, &known);
        walk.receipts(&known);
        walk.seal(seals);
        walk.faults.sort_by_key(|fault| match fault {
            Fault::Unreadable { at, .. } | Fault::Twice { at, .. } | Fault::Missing { at, .. } => {
                (0, *at)
            }
            Fault::Seal { at, .. } => (1, *at),
        });
        walk
    }

    /// Each after those on which it builds; otherwise as they came.
    fn put_in_order(&mut self, known: &BTreeMap<(LogbookId, Mark), usize>) {
        let mut waits: BTreeMap<usize, usize> = BTreeMap::new();
        let mut waited_for: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
        let mut ready = BTreeSet::new();
        for (&at, walked) in &self.walked {
            let entry = &walked.entry;
            let needed = before(entry)
                .into_iter()
                .chain(entry.gained.iter().copied());
            let mut waiting = 0;
            for mark in needed {
                waiting += 1;
                match known.get(&(entry.logbook, mark)) {
                    Some(&other) => waited_for.entry(other).or_default().push(at),
                    None => self.faults.push(Fault::Missing {
                        at,
                        mark: walked.mark,
                        missing: mark,
                    }),
                }
            }
            if waiting == 0 {
                ready.insert(at);
            }
            waits.insert(at, waiting);
        }
        while let Some(at) = ready.pop_first() {
            self.order.push(at);
            for other in waited_for.remove(&at).unwrap_or_default() {
                let waiting = waits
                    .get_mut(&other)
                    .expect("everyone who waits is counted");
                *waiting -= 1;
                if *waiting == 0 {
                    ready.insert(other);
                }
            }
        }
    }

    /// Computes every link, and which chains end where.
    fn link<R: AsRef<[u8]>>(&mut self, raws: &[R], known: &BTreeMap<(LogbookId, Mark), usize>) {
        for &at in &self.order {
            let walked = &self.walked[&at];
            let logbook = walked.entry.logbook;
            let link = match before(&walked.entry) {
                None => walked.link,
                Some(mark) => {
                    self.ends.remove(&(logbook, mark));
                    self.walked[&known[&(logbook, mark)]].link
                }
            };
            let link = link.after(raws[at].as_ref());
            let walked = self.walked.get_mut(&at).expect("it was just there");
            walked.link = link;
            let end = End { link, sealed: None };
            self.ends.insert((logbook, walked.mark), end);
        }
        // A branch that leaves in the middle ends a chain nowhere else, whoever came first.
        let followed: BTreeSet<_> = self
            .walked
            .values()
            .filter_map(|walked| Some((walked.entry.logbook, before(&walked.entry)?)))
            .collect();
        self.ends.retain(|end, _| !followed.contains(end));
    }

    /// Finds the stamps that order entries whose own cannot be believed.
    fn receipts(&mut self, known: &BTreeMap<(LogbookId, Mark), usize>) {
        let mut earliest: BTreeMap<usize, Stamp> = BTreeMap::new();
        for walked in self.walked.values() {
            for change in &walked.entry.changes {
                if let Change::Receipt { of, stamp } = change
                    && let Some(&at) = known.get(&(walked.entry.logbook, *of))
                {
                    let kept = earliest.entry(at).or_insert(*stamp);
                    *kept = (*kept).min(*stamp);
                }
            }
        }
        for (at, stamp) in earliest {
            self.walked
                .get_mut(&at)
                .expect("known entries are read")
                .stamp = stamp;
        }
    }

    /// Holds the seals against the links.
    fn seal(&mut self, seals: &[Seal]) {
        let links: BTreeMap<(LogbookId, DeviceId, Link), usize> = self
            .order
            .iter()
            .map(|at| {
                let walked = &self.walked[at];
                (
                    (walked.entry.logbook, walked.entry.device, walked.link),
                    *at,
                )
            })
            .collect();
        let mut sealed: BTreeSet<(LogbookId, Mark)> = BTreeSet::new();
        for (at, seal) in seals.iter().enumerate() {
            let covered = seal.device().and_then(|device| {
                let at = links.get(&(seal.logbook, device, seal.link))?;
                Some(&self.walked[at]).filter(|walked| walked.mark.seq == seal.seq)
            });
            match covered {
                Some(walked) => drop(sealed.insert((walked.entry.logbook, walked.mark))),
                None => self.faults.push(Fault::Seal { at, seq: seal.seq }),
            }
        }
        // Parents come before children, so how far each is sealed passes down.
        let mut up_to: BTreeMap<(LogbookId, Mark), Option<Seq>> = BTreeMap::new();
        for at in &self.order {
            let walked = &self.walked[at];
            let name = (walked.entry.logbook, walked.mark);
            let so_far = if sealed.contains(&name) {
                Some(walked.mark.seq)
            } else {
                before(&walked.entry).and_then(|mark| *up_to.get(&(name.0, mark)).unwrap_or(&None))
            };
            up_to.insert(name, so_far);
            if let Some(end) = self.ends.get_mut(&name) {
                end.sealed = so_far;
            }
        }
    }

    /// Counts the entries for which their devices do not vouch: those after the last seal.
    pub fn unsealed(&self) -> u64 {
        let ends = self.ends.iter();
        ends.map(|((_, last), end)| last.seq.get() - end.sealed.map_or(0, Seq::get))
            .sum()
    }
}

/// The entry that this one follows on its device's chain.
fn before(entry: &Entry) -> Option<Mark> {
    let seq = entry.seq.previous()?;
    Some(Mark {
        device: entry.device,
        seq,
        tip: entry.prev,
    })
}
