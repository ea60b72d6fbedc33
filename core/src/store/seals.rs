//! The seals of devices: kept with the entries that they cover, and given on with them.

use std::collections::{BTreeMap, BTreeSet};

use super::tables::{self, SEALS};
use super::writing::Writing;
use super::{Error, Store};
use crate::log::chain::Link;
use crate::log::codec;
use crate::log::entry::Entry;
use crate::log::id::{ChainId, DeviceId, LogbookId};
use crate::log::seal::{Keys, Seal};

/// Seals that were checked, by logbook and device.
pub(super) type Checked = BTreeMap<(LogbookId, DeviceId), Vec<Seal>>;

/// Checks seals, and sorts them by the chains that they are about.
pub(super) fn by_device(seals: &[Seal]) -> Result<Checked, Error> {
    let (mut checked, mut keys) = (Checked::new(), Keys::default());
    for seal in seals {
        let device = keys
            .device_of(seal)
            .ok_or(Error::ForgedSeal { seq: seal.seq })?;
        let of_device = checked.entry((seal.logbook, device)).or_default();
        of_device.push(seal.clone());
    }
    Ok(checked)
}

/// Whether an entry's device says of itself that its chain goes at least that far.
pub(super) fn reach(seals: &Checked, entry: &Entry) -> bool {
    let seals = seals.get(&(entry.logbook, entry.device));
    seals.is_some_and(|seals| seals.iter().any(|seal| seal.seq >= entry.seq))
}

/// Keeps seals, each instead of those that reach less far on its chain; says whether any was new.
pub(super) fn keep(writing: &mut Writing<'_>, seals: &Checked) -> Result<bool, Error> {
    let mut new = false;
    for ((logbook, device), seals) in seals {
        let ends = ends(writing, *logbook, *device)?;
        let mut table = writing.txn.open_table(SEALS)?;
        for seal in seals {
            let key = tables::seal_key(*device, seal);
            if table.insert(&key, &tables::seal_row(seal))?.is_some() {
                continue;
            }
            new = true;
            if !ends.contains(&seal.link) {
                continue; // it reaches beyond what has come so far
            }
            let (from, _) = tables::range::<72>(&[logbook.bytes(), device.bytes()]);
            table.retain_in::<&[u8; 72], _>(&from..&key, |key, row| {
                tables::seal(key, row).is_ok_and(|(_, other)| ends.contains(&other.link))
            })?;
        }
    }
    Ok(new)
}

/// The links at the ends of a device's chains.
fn ends(
    writing: &mut Writing<'_>,
    logbook: LogbookId,
    device: DeviceId,
) -> Result<BTreeSet<Link>, Error> {
    let ledger = writing.look(logbook)?;
    let heads = ledger.branches().chains_of(device);
    let heads = heads.filter_map(|chain| ledger.head(chain));
    Ok(heads.map(|head| head.link).collect())
}

impl Store {
    /// Returns the seals of the devices whose entries these are; this store's own device seals its
    /// chains as they stand.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn seals(&self, batch: &[Vec<u8>]) -> Result<Vec<Seal>, Error> {
        let writers: BTreeSet<_> = batch
            .iter()
            .map(|raw| codec::peek(raw))
            .collect::<Result<_, _>>()?;
        let (reading, writer) = (self.reading()?, self.writer());
        let kept = reading.txn.open_table(SEALS)?;
        let mut seals = Vec::new();
        for (logbook, device) in writers {
            if device == writer.device() && !writer.in_use_elsewhere {
                let ledger = reading.ledger(logbook)?;
                if let Some(head) = ledger.head(ChainId::of(device)) {
                    seals.push(writer.key().seal(logbook, head.seq, head.link));
                }
                continue;
            }
            let (from, to) = tables::range::<72>(&[logbook.bytes(), device.bytes()]);
            for row in kept.range::<&[u8; 72]>(&from..=&to)? {
                let (key, row) = row?;
                seals.push(tables::seal(key.value(), row.value())?.1);
            }
        }
        Ok(seals)
    }

    /// Seals every chain of the store's own device, before its key is given up.
    pub(super) fn seal_own(&self, writing: &mut Writing<'_>) -> Result<(), Error> {
        let writer = self.writer();
        let chain = ChainId::of(writer.device());
        let mut seals = Checked::new();
        for logbook in writing.logbooks()? {
            if let Some(head) = writing.look(logbook)?.head(chain) {
                let seal = writer.key().seal(logbook, head.seq, head.link);
                seals.insert((logbook, writer.device()), vec![seal]);
            }
        }
        keep(writing, &seals)?;
        Ok(())
    }
}
