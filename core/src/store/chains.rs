//! What is held of the chains of logbooks: their ends and branches, and which entry stands where.

use std::collections::{BTreeMap, BTreeSet};

use super::{Error, Store};
use crate::log::chain::{Held, Link, Mark, Tip};
use crate::log::id::{ChainId, DeviceId, LogbookId, Place, Seq};
use crate::log::vector::VersionVector;

/// What is held of one chain of a logbook.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Head {
    /// Which chain, in this store's names.
    pub chain: ChainId,
    /// Whose entries.
    pub device: DeviceId,
    /// The first entry: a branch's, where it leaves another chain.
    pub first: Seq,
    /// The last entry.
    pub seq: Seq,
    /// Its tip.
    pub tip: Tip,
    /// The chain up to it.
    pub link: Link,
}

impl Head {
    /// Counts the chain's entries.
    pub const fn entries(&self) -> u64 {
        self.seq.get() + 1 - self.first.get()
    }
}

/// Two branches of one device's chain, as far as they are held.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Branched {
    /// The branch's id.
    pub chain: ChainId,
    /// Whose store was copied or put back.
    pub device: DeviceId,
    /// The branch's first entry's number.
    pub from: Seq,
    /// Its last one's.
    pub to: Seq,
    /// The chain that it leaves.
    pub leaves: ChainId,
}

impl Store {
    /// Returns what is held of each chain of a logbook.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn heads(&self, logbook: LogbookId) -> Result<Vec<Head>, Error> {
        let ledger = self.reading()?.ledger(logbook)?;
        let branches = ledger.branches();
        let heads = ledger.heads().map(|(chain, head)| Head {
            chain,
            device: branches.device_of(chain),
            first: branches.first(chain),
            seq: head.seq,
            tip: head.tip,
            link: head.link,
        });
        Ok(heads.collect())
    }

    /// Returns the branches in a logbook: each shows that a store was copied or put back.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn branched(&self, logbook: LogbookId) -> Result<Vec<Branched>, Error> {
        let ledger = self.reading()?.ledger(logbook)?;
        let branches = ledger.branches().begun();
        branches
            .map(|(chain, branch)| {
                let head = ledger.head(chain);
                Ok(Branched {
                    chain,
                    device: branch.device,
                    from: branch.from,
                    to: head.ok_or(Error::damaged_index("ledgers"))?.seq,
                    leaves: branch.of,
                })
            })
            .collect()
    }

    /// Returns everything that is held of a logbook, as a version vector.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn vector(&self, logbook: LogbookId) -> Result<VersionVector, Error> {
        Ok(self.reading()?.ledger(logbook)?.vector())
    }

    /// Returns, of these marks, those that are held: each with all that its chain branches off from,
    /// as a vector; and those that are not.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn known(
        &self,
        logbook: LogbookId,
        marks: &[Mark],
    ) -> Result<(VersionVector, Vec<Mark>), Error> {
        let reading = self.reading()?;
        let (ledger, archive) = (reading.ledger(logbook)?, reading.shelves.of(logbook));
        let (mut held, mut unknown) = (VersionVector::new(), Vec::new());
        for mark in marks {
            match ledger.find(*mark, &archive)? {
                Some(place) => ledger.branches().learn(&mut held, place),
                None => unknown.push(*mark),
            }
        }
        Ok((held, unknown))
    }

    /// Returns the places of those of these entries that are held.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn places(&self, logbook: LogbookId, marks: &[Mark]) -> Result<Vec<Place>, Error> {
        let reading = self.reading()?;
        let (ledger, archive) = (reading.ledger(logbook)?, reading.shelves.of(logbook));
        let found = marks.iter().map(|mark| ledger.find(*mark, &archive));
        found.filter_map(Result::transpose).collect()
    }

    /// Returns the marks of entries that are held.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read, or a place is not held.
    pub fn marks(&self, logbook: LogbookId, places: &[Place]) -> Result<Vec<Mark>, Error> {
        let reading = self.reading()?;
        let (ledger, archive) = (reading.ledger(logbook)?, reading.shelves.of(logbook));
        let places = places.iter();
        places.map(|place| ledger.mark(*place, &archive)).collect()
    }

    /// Returns marks of entries before a chain's last one, ever farther apart: enough for another
    /// store to find where its own branch leaves.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn ancestors(&self, logbook: LogbookId, head: Head) -> Result<Vec<(Seq, Tip)>, Error> {
        let reading = self.reading()?;
        let (ledger, archive) = (reading.ledger(logbook)?, reading.shelves.of(logbook));
        let branches = ledger.branches();
        let (mut found, mut step, mut chain) = (Vec::new(), 1, head.chain);
        let mut number = head.seq.get();
        loop {
            number = number.saturating_sub(step);
            step *= 2;
            let Some(seq) = Seq::new(number) else {
                return Ok(found);
            };
            while seq < branches.first(chain) {
                chain = branches
                    .leaves(chain)
                    .ok_or(Error::damaged_index("ledgers"))?
                    .chain;
            }
            let tip = ledger.tip_at(Place { chain, seq }, &archive)?;
            found.push((seq, tip.ok_or(Error::damaged_index("ledgers"))?));
        }
    }

    /// Returns the chain's link at each entry of a logbook.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read, or an entry is not what was written.
    pub fn links(&self, logbook: LogbookId) -> Result<BTreeMap<Place, Link>, Error> {
        let walked = self.reading()?.walked(logbook)?;
        let branches = walked.ledger.branches();
        let mut links = BTreeMap::new();
        for (filed, (place, _)) in walked.entries.iter().zip(&walked.placed) {
            let before = if place.seq == branches.first(place.chain) {
                branches.leaves(place.chain)
            } else {
                place.seq.previous().map(|seq| Place { seq, ..*place })
            };
            let link = match before {
                Some(before) => *links.get(&before).ok_or(Error::damaged_index("ledgers"))?,
                None => Link::origin(logbook, branches.device_of(place.chain)),
            };
            links.insert(*place, link.after(&filed.written.raw));
        }
        Ok(links)
    }

    /// Returns a digest of what is held of these logbooks: equal for two stores exactly when they
    /// hold the same entries of them.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn held(&self, covered: &BTreeSet<LogbookId>) -> Result<Held, Error> {
        self.reading()?.held(covered)
    }
}
