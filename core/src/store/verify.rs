//! Whether the store still is what was written: the file, each entry, each chain, each index.

use std::collections::BTreeMap;

use redb::backends::InMemoryBackend;
use redb::{
    Database, Key, ReadTransaction, ReadableDatabase, ReadableTable, TableDefinition, Value,
};

use super::fold::Tables;
use super::tables::{self, ENTRIES, HEADS, OBSERVATIONS, ORIGIN, RECEIPTS, REGISTERS, TOUCHES};
use super::{Error, Store, file};
use crate::log::chain::Link;
use crate::log::codec;
use crate::log::id::{Arrival, DeviceId, LogbookId, Place, Seq};

/// What a verification found.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Verified {
    /// Entries read.
    pub entries: u64,
    /// Chains walked: one for each device in each logbook, with its last link.
    pub chains: BTreeMap<(LogbookId, DeviceId), (Seq, Link)>,
    /// What is wrong; empty when everything holds.
    pub faults: Vec<Fault>,
}

/// One thing that is wrong with a store.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Fault {
    /// The file's own checksums do not hold.
    #[error("the file's checksums do not hold")]
    File,
    /// An entry is not what was written.
    #[error("entry number {} is damaged: get it again from a peer", .0.0)]
    Entry(Arrival),
    /// A device's entries do not follow each other.
    #[error(
        "entry {} of device {} is not the one that follows: {expected} comes next",
        .place.seq, .place.device
    )]
    Chain {
        /// The entry that stands where another must.
        place: Place,
        /// The place that comes next.
        expected: Seq,
    },
    /// The chain computed from the entries is not the chain that was kept.
    #[error("the chain of device {} is broken at entry {}", .0.device, .0.seq)]
    Link(Place),
    /// An index does not hold what the entries say.
    #[error("the {0} index does not hold what the entries say: run `headwalk rebuild`")]
    Index(&'static str),
}

impl Store {
    /// Reads everything and holds it against everything else. Changes nothing but what redb itself
    /// repairs after a crash.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read at all.
    pub fn verify(&mut self) -> Result<Verified, Error> {
        let mut verified = Verified::default();
        if !file::guarded(|| Ok(self.db.check_integrity()?)).unwrap_or(false) {
            verified.faults.push(Fault::File);
        }
        file::guarded(|| self.walk_entries(&mut verified))?;
        if verified.faults.is_empty() {
            file::guarded(|| self.compare_indexes(&mut verified))?;
        }
        Ok(verified)
    }

    fn walk_entries(&self, verified: &mut Verified) -> Result<(), Error> {
        let txn = self.db.begin_read()?;
        let (entries, origin) = (txn.open_table(ENTRIES)?, txn.open_table(ORIGIN)?);
        for row in entries.iter()? {
            let (key, row) = row?;
            let arrival = Arrival(key.value());
            verified.entries += 1;
            let whole = tables::entry_parts(arrival, row.value())
                .and_then(|(_, raw)| Ok((codec::decode(raw)?, raw)));
            let Ok((entry, raw)) = whole else {
                verified.faults.push(Fault::Entry(arrival));
                continue;
            };
            let (chain, place) = ((entry.logbook, entry.device), entry.place());
            let before = verified.chains.get(&chain).copied();
            let expected = before.map_or(Seq::FIRST, |(seq, _)| seq.next());
            if entry.seq != expected {
                verified.faults.push(Fault::Chain { place, expected });
            }
            let link = before
                .map_or_else(
                    || Link::origin(entry.logbook, entry.device),
                    |(_, link)| link,
                )
                .after(raw);
            verified.chains.insert(chain, (entry.seq, link));
            let row = origin.get(&tables::origin_key(entry.logbook, place))?;
            if row.map(|row| tables::origin_parts(row.value())) != Some((arrival, link)) {
                verified.faults.push(Fault::Link(place));
            }
        }
        Ok(())
    }

    /// Makes every index anew beside the store and compares row by row.
    fn compare_indexes(&self, verified: &mut Verified) -> Result<(), Error> {
        let fresh = Database::builder().create_with_backend(InMemoryBackend::new())?;
        let txn = fresh.begin_write()?;
        let mut tables = Tables::open(&txn)?;
        for row in self.db.begin_read()?.open_table(ENTRIES)?.iter()? {
            let (key, row) = row?;
            let arrival = Arrival(key.value());
            let (arrived, raw) = tables::entry_parts(arrival, row.value())?;
            tables.append(arrival, arrived, &codec::decode(raw)?, raw)?;
        }
        tables.finish()?;
        txn.commit()?;
        let (ours, fresh) = (self.db.begin_read()?, fresh.begin_read()?);
        let same = [
            ("origin", same_rows(&ours, &fresh, ORIGIN)?),
            ("heads", same_rows(&ours, &fresh, HEADS)?),
            ("registers", same_rows(&ours, &fresh, REGISTERS)?),
            ("observations", same_rows(&ours, &fresh, OBSERVATIONS)?),
            ("touches", same_rows(&ours, &fresh, TOUCHES)?),
            ("receipts", same_rows(&ours, &fresh, RECEIPTS)?),
        ];
        verified.faults.extend(
            same.iter()
                .filter(|(_, same)| !same)
                .map(|(table, _)| Fault::Index(table)),
        );
        Ok(())
    }
}

fn same_rows<K: Key + 'static, V: Value + 'static>(
    ours: &ReadTransaction,
    fresh: &ReadTransaction,
    table: TableDefinition<'static, K, V>,
) -> Result<bool, Error> {
    let (ours, fresh) = (ours.open_table(table)?, fresh.open_table(table)?);
    let (mut ours, mut fresh) = (ours.iter()?, fresh.iter()?);
    loop {
        match (ours.next().transpose()?, fresh.next().transpose()?) {
            (None, None) => return Ok(true),
            (Some((key, value)), Some((other_key, other_value))) => {
                let bytes = |key: &redb::AccessGuard<'_, K>, value: &redb::AccessGuard<'_, V>| {
                    (
                        K::as_bytes(&key.value()).as_ref().to_vec(),
                        V::as_bytes(&value.value()).as_ref().to_vec(),
                    )
                };
                if bytes(&key, &value) != bytes(&other_key, &other_value) {
                    return Ok(false);
                }
            }
            _ => return Ok(false),
        }
    }
}
