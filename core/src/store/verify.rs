//! Whether the store still is what was written: the file, each entry, each chain, each index.

use std::collections::{BTreeMap, BTreeSet};

use redb::backends::InMemoryBackend;
use redb::{
    Database, ReadTransaction, ReadableDatabase, ReadableTable, ReadableTableMetadata,
    TableDefinition, Value, WriteTransaction,
};

use super::fold::{Slot, Tables};
use super::query::EntriesRead;
use super::tables::{
    self, BRANCHES, ENTRIES, HEADS, OBSERVATIONS, ORIGIN, PARTINGS, RECEIPTS, REGISTERS, SEALS,
    TOUCHES, VERDICTS,
};
use super::{Error, Store, file};
use crate::log::chain::{Link, Mark, Tip};
use crate::log::codec;
use crate::log::entry::Entry;
use crate::log::id::{Arrival, DeviceId, LogbookId, Seq};
use crate::log::seal::Keys;
use crate::log::stamp::WallMs;

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
    /// Reads everything and holds it against everything else, logbook by logbook, so that beside the
    /// file's own pages it takes the memory of the largest and eight bytes an entry. Changes nothing
    /// but what redb itself repairs after a crash.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read at all.
    pub fn verify(&mut self) -> Result<Verified, Error> {
        let mut verified = Verified::default();
        if !file::guarded(|| Ok(self.db.check_integrity()?)).unwrap_or(false) {
            verified.faults.push(Fault::File);
        }
        file::guarded(|| self.verify_rows(&mut verified))?;
        Ok(verified)
    }

    fn verify_rows(&self, verified: &mut Verified) -> Result<(), Error> {
        let txn = self.db.begin_read()?;
        let sealed = sealed(&txn, verified)?;
        let entries = txn.open_table(ENTRIES)?;
        let own = self.own_device().ok();
        let beside = Database::builder().create_with_backend(InMemoryBackend::new())?;
        let mut compared = Compared::new();
        for (logbook, arrivals) in arrivals(&entries, verified)? {
            let whole = read(&entries, &arrivals, verified)?;
            walk(logbook, &whole, &sealed, own, verified);
            // An index of damaged entries says nothing.
            if verified.faults.is_empty() {
                compare(&txn, &beside, logbook, &whole, &mut compared, verified)?;
            }
        }
        if verified.faults.is_empty() {
            verified.faults = wrong(&txn, &compared)?;
        }
        Ok(())
    }
}

/// How far devices sealed their chains: every link that one of them signed.
type Sealed = BTreeSet<(LogbookId, DeviceId, Link)>;

fn sealed(txn: &ReadTransaction, verified: &mut Verified) -> Result<Sealed, Error> {
    let (mut sealed, mut keys) = (Sealed::new(), Keys::default());
    for row in txn.open_table(SEALS)?.iter()? {
        let (key, row) = row?;
        let (device, seal) = tables::seal(key.value(), row.value())?;
        if keys.device_of(&seal) == Some(device) {
            sealed.insert((seal.logbook, device, seal.link));
        } else {
            let seq = seal.seq;
            verified.faults.push(Fault::Seal { device, seq });
        }
    }
    Ok(sealed)
}

/// Counts the entries, and sorts them by the logbooks that they name, right or wrong: each is checked
/// as its logbook's turn comes.
fn arrivals(
    entries: &EntriesRead,
    verified: &mut Verified,
) -> Result<BTreeMap<LogbookId, Vec<Arrival>>, Error> {
    let mut arrivals: BTreeMap<LogbookId, Vec<Arrival>> = BTreeMap::new();
    for row in entries.iter()? {
        let (key, row) = row?;
        let arrival = Arrival(key.value());
        verified.entries += 1;
        match row.value().get(16..).map(codec::peek) {
            Some(Ok((logbook, _))) => arrivals.entry(logbook).or_default().push(arrival),
            _ => verified.faults.push(Fault::Entry(arrival)),
        }
    }
    Ok(arrivals)
}

/// An entry that is what was written.
struct Whole {
    arrival: Arrival,
    arrived: WallMs,
    entry: Entry,
    raw: Vec<u8>,
}

fn read(
    entries: &EntriesRead,
    arrivals: &[Arrival],
    verified: &mut Verified,
) -> Result<Vec<Whole>, Error> {
    let mut whole = Vec::with_capacity(arrivals.len());
    for &arrival in arrivals {
        let row = entries.get(arrival.0)?;
        let row = row.ok_or(Error::DamagedEntry { arrival })?;
        let parts = tables::entry_parts(arrival, row.value());
        match parts.and_then(|(arrived, raw)| Ok((arrived, codec::decode(raw)?, raw))) {
            Ok((arrived, entry, raw)) => whole.push(Whole {
                arrival,
                arrived,
                entry,
                raw: raw.to_vec(),
            }),
            Err(_) => verified.faults.push(Fault::Entry(arrival)),
        }
    }
    Ok(whole)
}

/// Walks the chains of one logbook.
fn walk(
    logbook: LogbookId,
    whole: &[Whole],
    sealed: &Sealed,
    own: Option<DeviceId>,
    verified: &mut Verified,
) {
    // What the chain comes to at every entry, and whether another follows it.
    let mut walked: BTreeMap<Mark, (Walked, bool)> = BTreeMap::new();
    for Whole { entry, raw, .. } in whole {
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
        let begins = || Walked {
            link: Link::origin(logbook, entry.device),
            sealed: None,
        };
        let known = match before {
            None => Some(begins()),
            Some(before) => walked.get_mut(&before).map(|known| {
                known.1 = true;
                known.0
            }),
        };
        let follows = known.is_some();
        // Where it does not, whatever follows it may still follow each other.
        let known = known.unwrap_or_else(begins);
        let link = known.link.after(raw);
        let is_sealed = sealed.contains(&(logbook, entry.device, link));
        let sealed = is_sealed.then_some(entry.seq).or(known.sealed);
        let twice = walked.insert(mark, (Walked { link, sealed }, false));
        if twice.is_some() || !follows {
            verified.faults.push(Fault::Chain(mark));
        }
    }
    for (last, (mut walked, followed)) in walked {
        if followed {
            continue;
        }
        if own == Some(last.device) {
            walked.sealed = Some(last.seq); // whoever asks gets its seal
        }
        verified.chains.insert((logbook, last), walked);
    }
}

/// Does the same with every index: their keys differ in length, so that no list can hold them.
macro_rules! each_index {
    ($with:ident) => {
        $with!("origin", ORIGIN);
        $with!("heads", HEADS);
        $with!("branches", BRANCHES);
        $with!("partings", PARTINGS);
        $with!("registers", REGISTERS);
        $with!("observations", OBSERVATIONS);
        $with!("touches", TOUCHES);
        $with!("receipts", RECEIPTS);
        $with!("verdicts", VERDICTS);
    };
}

/// Of each index, how many rows were held against what the entries say, and whether all were right.
type Compared = BTreeMap<&'static str, (u64, bool)>;

/// Makes every index of one logbook anew beside the store and compares row by row.
fn compare(
    ours: &ReadTransaction,
    beside: &Database,
    logbook: LogbookId,
    whole: &[Whole],
    compared: &mut Compared,
    verified: &mut Verified,
) -> Result<(), Error> {
    let fresh = beside.begin_write()?; // never committed
    let mut tables = Tables::open(&fresh)?;
    for Whole {
        arrival,
        arrived,
        entry,
        raw,
    } in whole
    {
        let slot = tables.slot(entry, raw)?;
        if matches!(slot, Slot::Same) {
            verified.faults.push(Fault::Entry(*arrival));
        }
        tables.append(*arrival, *arrived, entry, raw, &slot)?;
    }
    tables.finish()?;
    macro_rules! same {
        ($name:literal, $table:ident) => {
            let (rows, same) = same_rows(ours, &fresh, $table, logbook)?;
            let index = compared.entry($name).or_insert((0, true));
            *index = (index.0 + rows, index.1 && same);
        };
    }
    each_index!(same);
    Ok(fresh.abort()?)
}

/// How many rows of this logbook there are, and whether they are those of `fresh`.
fn same_rows<const N: usize, V: Value + 'static>(
    ours: &ReadTransaction,
    fresh: &WriteTransaction,
    table: TableDefinition<'static, &'static [u8; N], V>,
    logbook: LogbookId,
) -> Result<(u64, bool), Error> {
    let (ours, fresh) = (ours.open_table(table)?, fresh.open_table(table)?);
    let (from, to) = tables::range(&[logbook.bytes()]);
    let (mut ours, mut fresh) = (ours.range::<&[u8; N]>(&from..=&to)?, fresh.iter()?);
    let (mut rows, mut same) = (0, true);
    loop {
        let (row, other) = (ours.next().transpose()?, fresh.next().transpose()?);
        rows += u64::from(row.is_some());
        match (row, other) {
            (None, None) => return Ok((rows, same)),
            (Some((key, value)), Some((other_key, other_value))) if same => {
                let (value, other_value) = (value.value(), other_value.value());
                same = key.value() == other_key.value()
                    && V::as_bytes(&value).as_ref() == V::as_bytes(&other_value).as_ref();
            }
            _ => same = false,
        }
    }
}

/// The indexes that do not hold what the entries say, or more than that: rows of no logbook of which
/// there are entries.
fn wrong(txn: &ReadTransaction, compared: &Compared) -> Result<Vec<Fault>, Error> {
    let mut faults = Vec::new();
    macro_rules! whole {
        ($name:literal, $table:ident) => {
            let (rows, same) = compared.get($name).copied().unwrap_or((0, true));
            if !same || rows != txn.open_table($table)?.len()? {
                faults.push(Fault::Index($name));
            }
        };
    }
    each_index!(whole);
    Ok(faults)
}
