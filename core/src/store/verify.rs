//! Whether the store still is what was written: the file, each entry, each chain, each index.

use std::collections::{BTreeMap, BTreeSet};

use redb::backends::InMemoryBackend;
use redb::{
    Database, Key, ReadTransaction, ReadableDatabase, ReadableTable, TableDefinition, Value,
};

use super::fold::{Slot, Tables};
use super::tables::{
    self, BRANCHES, ENTRIES, HEADS, OBSERVATIONS, ORIGIN, PARTINGS, RECEIPTS, REGISTERS, SEALS,
    TOUCHES, VERDICTS,
};
use super::{Error, Store, file};
use crate::log::chain::{Link, Mark, Tip};
use crate::log::codec;
use crate::log::id::{Arrival, DeviceId, LogbookId, Seq};

/// What a verification found.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Verified {
    /// Entries read.
    pub entries: u64,
    /// Chains walked, by logbook, device and last entry: each one's link, and how far its device has
    /// sealed it.
    pub chains: BTreeMap<(LogbookId, Mark), Walked>,
    /// What is wrong; empty when everything holds.
    pub faults: Vec<Fault>,
}

/// A chain from its first entry to its last.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Walked {
    /// The link at its end.
    pub link: Link,
    /// The last entry that its device has sealed; what comes after it nobody else has had yet.
    pub sealed: Option<Seq>,
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
    /// An entry does not follow one that is there.
    #[error(
        "entry {} of device {} follows one that is not there, or is there twice", .0.seq, .0.device
    )]
    Chain(Mark),
    /// A seal does not hold.
    #[error("the seal of device {device} on its entry {seq} is not its own")]
    Seal {
        /// Whose.
        device: DeviceId,
        /// The entry up to which it claims to go.
        seq: Seq,
    },
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
        let mut sealed: BTreeSet<(LogbookId, DeviceId, Link)> = BTreeSet::new();
        for row in txn.open_table(SEALS)?.iter()? {
            let (key, row) = row?;
            let (device, seal) = tables::seal(key.value(), row.value())?;
            if seal.device() == Some(device) {
                sealed.insert((seal.logbook, device, seal.link));
            } else {
                let seq = seal.seq;
                verified.faults.push(Fault::Seal { device, seq });
            }
        }
        // What the chain comes to at every entry, and whether another follows it.
        let mut walked: BTreeMap<(LogbookId, Mark), (Walked, bool)> = BTreeMap::new();
        for row in txn.open_table(ENTRIES)?.iter()? {
            let (key, row) = row?;
            let arrival = Arrival(key.value());
            verified.entries += 1;
            let whole = tables::entry_parts(arrival, row.value())
                .and_then(|(_, raw)| Ok((codec::decode(raw)?, raw)));
            let Ok((entry, raw)) = whole else {
                verified.faults.push(Fault::Entry(arrival));
                continue;
            };
            let mark = Mark {
                device: entry.device,
                seq: entry.seq,
                tip: Tip::of(raw),
            };
            let before = entry.seq.previous().map(|seq| Mark {
                seq,
                tip: entry.prev,
                ..mark
            });
            let known = match before {
                None => Some(Walked {
                    link: Link::origin(entry.logbook, entry.device),
                    sealed: None,
                }),
                Some(before) => walked.get_mut(&(entry.logbook, before)).map(|known| {
                    known.1 = true;
                    known.0
                }),
            };
            let follows = known.is_some();
            // Where it does not, whatever follows it may still follow each other.
            let known = known.unwrap_or(Walked {
                link: Link::origin(entry.logbook, entry.device),
                sealed: None,
            });
            let link = known.link.after(raw);
            let is_sealed = sealed.contains(&(entry.logbook, entry.device, link));
            let sealed = is_sealed.then_some(entry.seq).or(known.sealed);
            let new = (Walked { link, sealed }, false);
            let twice = walked.insert((entry.logbook, mark), new).is_some();
            if twice || !follows {
                verified.faults.push(Fault::Chain(mark));
            }
        }
        let own = self.own_device().ok();
        for ((logbook, last), (mut walked, followed)) in walked {
            if followed {
                continue;
            }
            if own == Some(last.device) {
                walked.sealed = Some(last.seq); // whoever asks gets its seal
            }
            verified.chains.insert((logbook, last), walked);
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
            let entry = codec::decode(raw)?;
            let slot = tables.slot(&entry, raw)?;
            if matches!(slot, Slot::Same) {
                verified.faults.push(Fault::Entry(arrival));
            }
            tables.append(arrival, arrived, &entry, raw, &slot)?;
        }
        tables.finish()?;
        txn.commit()?;
        let (ours, fresh) = (self.db.begin_read()?, fresh.begin_read()?);
        let same = [
            ("origin", same_rows(&ours, &fresh, ORIGIN)?),
            ("heads", same_rows(&ours, &fresh, HEADS)?),
            ("branches", same_rows(&ours, &fresh, BRANCHES)?),
            ("partings", same_rows(&ours, &fresh, PARTINGS)?),
            ("registers", same_rows(&ours, &fresh, REGISTERS)?),
            ("observations", same_rows(&ours, &fresh, OBSERVATIONS)?),
            ("touches", same_rows(&ours, &fresh, TOUCHES)?),
            ("receipts", same_rows(&ours, &fresh, RECEIPTS)?),
            ("verdicts", same_rows(&ours, &fresh, VERDICTS)?),
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
