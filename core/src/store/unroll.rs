//! Logbooks entry by entry, each entry with the link of its chain: for whoever writes them somewhere else
//! and must not hold them. No more is read at a time than a block.

use std::collections::{BTreeMap, BTreeSet};

use super::filed::Filed;
use super::reading::Reading;
use super::{Error, Store, seals};
use crate::log::chain::Link;
use crate::log::id::{Arrival, DeviceId, LogbookId, ThingId};
use crate::log::seal::Seal;
use crate::log::written::Written;

/// All logbooks, as they stood at one moment.
pub struct Unrolling<'s> {
    store: &'s Store,
    reading: Reading<'s>,
}

/// How far a logbook was read.
#[derive(Debug, Clone)]
pub struct Unrolled {
    logbook: LogbookId,
    // From which arrival on blocks begin that were not read; none behind the last of them.
    from: Option<Arrival>,
    // How many entries were read,
    many: u64,
    // and where their chains stand.
    links: BTreeMap<DeviceId, Link>,
}

impl Unrolled {
    /// Not at all.
    #[must_use]
    pub const fn nothing(logbook: LogbookId) -> Self {
        Self {
            logbook,
            from: Some(Arrival(0)),
            many: 0,
            links: BTreeMap::new(),
        }
    }
}

impl Store {
    /// Counts the entries of a logbook that were written during a visit.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read, or an entry is not what was written.
    pub fn count_during(&self, logbook: LogbookId, visit: ThingId) -> Result<u64, Error> {
        let unrolling = self.unrolling()?;
        if unrolling.has_branches(logbook)? {
            let all = self.entries(logbook)?.into_iter();
            return Ok(all.filter(|kept| kept.entry.visit == Some(visit)).count() as u64);
        }
        let (mut read, mut many) = (Unrolled::nothing(logbook), 0);
        loop {
            let part = unrolling.more(&mut read)?;
            if part.is_empty() {
                return Ok(many);
            }
            let during = part
                .iter()
                .filter(|(one, _)| one.entry.visit == Some(visit));
            many += during.count() as u64;
        }
    }

    /// Begins to read logbooks, all as they stand now.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn unrolling(&self) -> Result<Unrolling<'_>, Error> {
        Ok(Unrolling {
            store: self,
            reading: self.reading()?,
        })
    }
}

impl Unrolling<'_> {
    /// Returns whether a device's chain in a logbook has branches: then [`Self::more`] reads nothing of it,
    /// and whoever wants it reads it whole.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn has_branches(&self, logbook: LogbookId) -> Result<bool, Error> {
        Ok(!self.reading.ledger(logbook)?.branches().is_empty())
    }

    /// Counts the entries of a logbook.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn entries(&self, logbook: LogbookId) -> Result<u64, Error> {
        Ok(self.reading.ledger(logbook)?.entries())
    }

    /// Returns the seals of all who wrote in a logbook, as [`Store::seals`] does.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn seals(&self, logbook: LogbookId) -> Result<Vec<Seal>, Error> {
        let ledger = self.reading.ledger(logbook)?;
        let writers: BTreeSet<_> = ledger
            .lengths()
            .map(|(device, _)| (logbook, device))
            .collect();
        Ok(seals::alone(self.store.seals_of(&self.reading, writers)?))
    }

    /// Returns the entries of a logbook that come next, in order of arrival, each with its chain's link up
    /// to it; none once all were read.
    ///
    /// # Errors
    /// [`Error::DamagedEntry`] where one is not what was written; [`Error`] where the file cannot be read,
    /// or an entry is missing.
    pub fn more(&self, read: &mut Unrolled) -> Result<Vec<(Written, Link)>, Error> {
        let archive = self.reading.shelves.of(read.logbook);
        let Some(from) = read.from else {
            return Ok(Vec::new());
        };
        let block = archive.first_from(from)?;
        let entries = match block {
            Some((first, entries)) => {
                read.from = Some(Arrival(first.0 + 1));
                entries
            }
            None => {
                read.from = None;
                archive.tail().map(|filed| Filed::clone(filed)).collect()
            }
        };
        read.many += entries.len() as u64;
        if read.from.is_none() {
            self.reading.all_there(read.logbook, read.many)?;
        }
        let linked = entries.into_iter().map(|filed| {
            let written = filed.written;
            let device = written.entry.device;
            let origin = || Link::origin(read.logbook, device);
            let link = read.links.entry(device).or_insert_with(origin);
            *link = link.after(&written.raw);
            (written, *link)
        });
        Ok(linked.collect())
    }
}
