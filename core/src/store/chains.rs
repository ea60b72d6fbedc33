//! Entries found by what others call them, in a read or a write transaction.

use redb::ReadableTable;

use super::Error;
use super::tables;
use crate::log::chain::{Link, Mark, Tip};
use crate::log::codec;
use crate::log::entry::{Change, Entry};
use crate::log::id::{Arrival, ChainId, LogbookId, Place};
use crate::log::vector::VersionVector;
use crate::merge::branches::Branches;
use crate::merge::replay::{Placed, Verdict};

/// One logbook's chains.
pub(super) struct Chains<'a, E, O> {
    pub(super) entries: &'a E,
    pub(super) origin: &'a O,
    pub(super) branches: &'a Branches,
    pub(super) logbook: LogbookId,
}

impl<E, O> Chains<'_, E, O>
where
    E: ReadableTable<u64, &'static [u8]>,
    O: ReadableTable<&'static [u8; 40], &'static [u8; 16]>,
{
    /// Returns when the entry at a place came, and its tip.
    pub(super) fn at(&self, place: Place) -> Result<Option<(Arrival, Tip)>, Error> {
        let row = self.origin.get(&tables::origin_key(self.logbook, place))?;
        Ok(row.map(|row| tables::origin_parts(row.value())))
    }

    /// Returns the place of the entry that a mark names, if it is here.
    pub(super) fn find(&self, mark: Mark) -> Result<Option<Place>, Error> {
        for chain in self.branches.chains_of(mark.device) {
            let place = Place {
                chain,
                seq: mark.seq,
            };
            if self.at(place)?.is_some_and(|(_, tip)| tip == mark.tip) {
                return Ok(Some(place));
            }
        }
        Ok(None)
    }

    /// Returns the mark of an entry that is here.
    pub(super) fn mark(&self, place: Place) -> Result<Mark, Error> {
        let (_, tip) = self.at(place)?.ok_or(Error::damaged_index("origin"))?;
        Ok(Mark {
            device: self.branches.device_of(place.chain),
            seq: place.seq,
            tip,
        })
    }

    /// Returns the bytes of the entry at a place, which must be here.
    pub(super) fn raw(&self, place: Place) -> Result<(Arrival, Vec<u8>), Error> {
        let (arrival, _) = self.at(place)?.ok_or(Error::damaged_index("origin"))?;
        let row = self.entries.get(arrival.0)?;
        let row = row.ok_or(Error::DamagedEntry { arrival })?;
        let (_, raw) = tables::entry_of(self.logbook, arrival, row.value())?;
        Ok((arrival, raw.to_vec()))
    }

    /// Walks a chain from its device's first entry to the one at a place; returns its link there, and
    /// what its writer knew of other chains by then.
    pub(super) fn walk(&self, place: Place) -> Result<(Link, VersionVector), Error> {
        let (mut link, mut knew) = match self.branches.leaves(place.chain) {
            Some(before) => {
                let (link, mut knew) = self.walk(before)?;
                self.branches.learn(&mut knew, before);
                (link, knew)
            }
            None => {
                let device = self.branches.device_of(place.chain);
                (Link::origin(self.logbook, device), VersionVector::new())
            }
        };
        let mut seq = self.branches.first(place.chain);
        while seq <= place.seq {
            let (_, raw) = self.raw(Place { seq, ..place })?;
            link = link.after(&raw);
            knew.learn_all(&self.gained(&codec::decode(&raw)?)?);
            seq = seq.next();
        }
        Ok((link, knew))
    }

    /// Returns what an entry's writer gained, by the places of this store; all of it must be here.
    pub(super) fn gained(&self, entry: &Entry) -> Result<VersionVector, Error> {
        let mut gained = VersionVector::new();
        for mark in &entry.gained {
            let place = self.find(*mark)?.ok_or(Error::MissingCause {
                by: entry.device,
                device: mark.device,
                seq: mark.seq,
            })?;
            self.branches.learn(&mut gained, place);
        }
        Ok(gained)
    }

    /// Returns an entry with what it names by the places of this store.
    pub(super) fn placed(&self, place: Place, entry: Entry) -> Result<Placed, Error> {
        let mut gained = self.gained(&entry)?;
        if let Some(before) = self.branches.leaves(place.chain)
            && before.seq.next() == place.seq
        {
            gained.learn_all(&self.walk(before)?.1);
            self.branches.learn(&mut gained, before);
        }
        let (mut receipts, mut verdicts) = (Vec::new(), Vec::new());
        for change in &entry.changes {
            let Some(place) = change.of().map(|of| self.find(of)).transpose()?.flatten() else {
                continue;
            };
            match change {
                Change::Receipt { stamp, .. } => receipts.push((place, *stamp)),
                Change::HoldBack { .. } => verdicts.push((place, Verdict::HeldBack)),
                Change::Admit { .. } => verdicts.push((place, Verdict::Admitted)),
                Change::Set { .. } | Change::Observe { .. } | Change::Unknown { .. } => {}
            }
        }
        Ok(Placed {
            place,
            gained,
            receipts,
            verdicts,
            entry,
        })
    }

    /// Returns the place of an entry that is here.
    pub(super) fn place_of(&self, entry: &Entry, raw: &[u8]) -> Result<Place, Error> {
        if self.branches.is_empty() {
            return Ok(Place {
                chain: ChainId::of(entry.device),
                seq: entry.seq,
            });
        }
        let mark = Mark {
            device: entry.device,
            seq: entry.seq,
            tip: Tip::of(raw),
        };
        self.find(mark)?.ok_or(Error::damaged_index("origin"))
    }
}

/// Returns the branches of a logbook's chains.
pub(super) fn branches(
    begun: &impl ReadableTable<&'static [u8; 32], &'static [u8; 40]>,
    partings: &impl ReadableTable<&'static [u8; 48], &'static [u8; 8]>,
    logbook: LogbookId,
) -> Result<Branches, Error> {
    let mut branches = Branches::default();
    let (from, to) = tables::range(&[logbook.bytes()]);
    for row in partings.range::<&[u8; 48]>(&from..=&to)? {
        let (key, row) = row?;
        branches.choose(tables::parting(key.value())?, Tip(*row.value()));
    }
    if !branches.is_empty() {
        let (from, to) = tables::range(&[logbook.bytes()]);
        for row in begun.range::<&[u8; 32]>(&from..=&to)? {
            let (key, row) = row?;
            branches.begin(
                tables::chain_ids(key.value()).1,
                tables::branch(row.value())?,
            );
        }
    }
    Ok(branches)
}
