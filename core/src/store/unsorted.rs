//! Seals that came lately: those of each write in one row, as the sheaves that they are, behind those of the
//! write before. Sorted among the others each would lie on a page of its own; that is done for many at once,
//! when entries are packed.
//!
//! Each of them was the end of its device's only chain in a logbook when it came, and none that is sorted
//! reaches farther, so it stands for whatever that device had sealed there.

use std::collections::HashMap;
use std::sync::Arc;

use foldhash::fast::RandomState;
use redb::{ReadableTable, WriteTransaction};

use super::Error;
use super::tables::{self, SEALS, SHEAVES};
use crate::log::codec::CodecError;
use crate::log::id::{DeviceId, LogbookId, Seq};
use crate::log::seal::{Keys, Seal};
use crate::log::sheaf::{End, Sheaf};

/// The chain that a seal is about, where it has no branches.
pub(super) type Of = (LogbookId, DeviceId);

/// How many came since they were sorted at most: whoever tells any reads all of them once.
const MOST: usize = 4_096;

/// The last that came of each chain.
#[derive(Debug, Clone, Default)]
pub(super) struct Unsorted {
    last: HashMap<Of, Arc<Seal>, RandomState>,
    /// How many came since they were sorted.
    many: usize,
    /// Under which number the next write's are kept.
    next: u64,
    /// Whether a row is not what was written: what was in it is as good as not there.
    is_damaged: bool,
}

impl Unsorted {
    /// Reads them.
    pub(super) fn read(rows: &impl ReadableTable<u64, &'static [u8]>) -> Result<Self, Error> {
        let (mut all, mut keys) = (Self::default(), Keys::default());
        for row in rows.iter()? {
            let (nth, row) = row?;
            let nth = nth.value();
            let sheaves = tables::behind_sum(&nth.to_be_bytes(), row.value(), "seals");
            let is_taken = sheaves.is_ok_and(|sheaves| all.take(sheaves, &mut keys).is_ok());
            all.is_damaged |= !is_taken;
            all.next = nth + 1;
        }
        Ok(all)
    }

    fn take(&mut self, sheaves: &[u8], keys: &mut Keys) -> Result<(), CodecError> {
        const ODD: CodecError = CodecError::Shape("the seals are in another shape");
        for sheaf in Sheaf::read(sheaves, &[])? {
            let device = keys.device(&sheaf.key).ok_or(ODD)?;
            let told = |end: &End| end.link.ok_or(ODD);
            for seal in sheaf.seals(device, told)? {
                self.put((seal.logbook, device), Arc::new(seal));
            }
        }
        Ok(())
    }

    fn put(&mut self, of: Of, seal: Arc<Seal>) {
        self.many += 1;
        self.last.insert(of, seal);
    }

    pub(super) const fn is_damaged(&self) -> bool {
        self.is_damaged
    }

    /// Whether there is room for these as they come: not for too many, nor for one behind another that is
    /// here, as when a logbook was dropped and comes again.
    pub(super) fn has_room_for(&self, seals: &[(Of, Arc<Seal>)]) -> bool {
        let is_behind = |(of, seal): &(Of, Arc<Seal>)| {
            let last = self.last.get(of);
            last.is_some_and(|last| place(seal) < place(last))
        };
        self.many + seals.len() <= MOST && !seals.iter().any(is_behind)
    }

    /// Says whether a seal is kept, if these tell: where there is one of its chain, it is the only one.
    pub(super) fn keeps(&self, of: Of, seal: &Seal) -> Option<bool> {
        let last = self.last.get(&of)?;
        Some(place(seal) == place(last))
    }

    /// Returns them in the order of their chains.
    pub(super) fn in_order(&self) -> Vec<(Of, &Seal)> {
        let mut all: Vec<_> = self.last.iter().map(|(of, seal)| (*of, &**seal)).collect();
        all.sort_unstable_by_key(|(of, _)| *of);
        all
    }

    /// Returns a device's only seal in a logbook, if it is one of these.
    pub(super) fn last(&self, of: Of) -> Option<&Arc<Seal>> {
        self.last.get(&of)
    }

    /// Keeps what came in one write, of which these are the sheaves.
    pub(super) fn keep(
        &mut self,
        txn: &WriteTransaction,
        seals: &[(Of, Arc<Seal>)],
        sheaves: &[u8],
    ) -> Result<(), Error> {
        let row = tables::summed_row(&self.next.to_be_bytes(), |row| {
            row.extend_from_slice(sheaves);
        });
        txn.open_table(SHEAVES)?.insert(self.next, row.as_slice())?;
        self.next += 1;
        for (of, seal) in seals {
            self.put(*of, Arc::clone(seal));
        }
        Ok(())
    }

    /// Sorts all that are in the file; none is left.
    pub(super) fn sort_all(txn: &WriteTransaction) -> Result<(), Error> {
        let mut all = Self::read(&txn.open_table(SHEAVES)?)?;
        all.sort(txn)
    }

    /// Sorts all of them among the others; rows that are damaged go.
    pub(super) fn sort(&mut self, txn: &WriteTransaction) -> Result<(), Error> {
        if self.next == 0 {
            return Ok(());
        }
        let mut sorted = txn.open_table(SEALS)?;
        for ((logbook, device), seal) in self.in_order() {
            let key = tables::seal_key(device, seal);
            let (from, _) = tables::range::<72>(&[logbook.bytes(), device.bytes()]);
            sorted.retain_in::<&[u8; 72], _>(&from..&key, |_, _| false)?;
            sorted.insert(&key, tables::seal_row(seal).as_slice())?;
        }
        txn.delete_table(SHEAVES)?;
        txn.open_table(SHEAVES)?;
        *self = Self::default();
        Ok(())
    }
}

/// Where a seal stands among those of its chain.
const fn place(seal: &Seal) -> (Seq, &[u8; 32]) {
    (seal.seq, seal.link.bytes())
}

#[cfg(test)]
mod tests;
