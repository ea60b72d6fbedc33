//! Whether the store still is what was written: the file, each entry, each chain, each index.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use foldhash::fast::RandomState;
use redb::{ReadTransaction, ReadableTable, ReadableTableMetadata};

use super::archive::Archive;
use super::bunch::{self, Bunched};
use super::filed::Filed;
use super::histories::Histories;
use super::ledger::Ledger;
use super::rebuild::Taker;
use super::tables::{self, BLOCKS, BUNCHES, GROUPS, IDS, SEALS};
use super::{Error, Store, block, file, live, rebuild};
use crate::log::chain::{Link, Mark};
use crate::log::id::{Arrival, DeviceId, LogbookId, Seq};
use crate::log::seal::Keys;

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
        if !file::guarded(|| Ok(self.db.for_writing()?.check_integrity()?)).unwrap_or(false) {
            verified.faults.push(Fault::File);
        }
        file::guarded(|| self.verify_rows(&mut verified))?;
        Ok(verified)
    }

    fn verify_rows(&self, verified: &mut Verified) -> Result<(), Error> {
        let live = self.live();
        let txn = self.db.begin_read()?;
        let sealed = sealed(&txn, verified)?;
        let own = self.own_device().ok();
        for &arrival in &live.damaged {
            verified.entries += 1;
            verified.faults.push(Fault::Entry(arrival));
        }
        let shelves = live.shelves(&txn)?;
        let rows = live::ledgers(&txn)?;
        drop(live);
        let blocks = txn.open_table(BLOCKS)?;
        let mut in_blocks = BTreeSet::new();
        for row in blocks.iter()? {
            in_blocks.insert(block::ids(row?.0.value()).0);
        }
        let bunches = txn.open_table(BUNCHES)?;
        let told = bunch::each(&bunches, |_, key, _| {
            in_blocks.insert(block::ids(key).0);
            Ok(())
        });
        match told {
            Ok(()) => {}
            Err(Error::DamagedEntry { arrival }) => verified.faults.push(Fault::Entry(arrival)),
            Err(other) => return Err(other),
        }
        let tail = shelves.tail().iter();
        let mut logbooks: BTreeSet<_> = tail.map(|filed| filed.written.entry.logbook).collect();
        logbooks.extend(&in_blocks);
        let mut wrong_ledger = rows.len()? != in_blocks.len() as u64;
        let ids = txn.open_table(IDS)?;
        let (mut wrong_ids, mut ids_left) = (false, ids.len()?);
        let (balances, histories) = (shelves.balances(), Histories::open(&txn)?);
        let mut wrong_balance = !balances.are_all_of(&histories, &in_blocks)?;
        for logbook in logbooks {
            let settled = settled(&shelves.of(logbook), verified)?;
            let tail: Vec<_> = shelves.of(logbook).tail().collect();
            let all = settled
                .iter()
                .chain(tail.iter().map(|filed| filed.as_ref()));
            verified.entries += all.clone().count() as u64;
            let links = walk(logbook, all, &sealed, own, verified);
            // What damaged entries come to says nothing.
            if verified.faults.is_empty() && in_blocks.contains(&logbook) {
                let linked = settled.iter().zip(links.iter().copied().map(Some));
                let mut right = Ledger::walk_linked(logbook, linked)?.ledger;
                // Where chains have branches nobody reads it.
                if right.branches().is_empty() {
                    match balances.are_right(&histories, logbook, &settled) {
                        Ok(is_right) => wrong_balance |= !is_right,
                        Err(Error::DamagedIndex { .. }) => wrong_balance = true,
                        Err(other) => return Err(other),
                    }
                }
                let row = rows.get(logbook.bytes())?;
                let ledger = right.row(logbook);
                wrong_ledger |= row.is_none_or(|row| row.value() != ledger.as_slice());
                // Where there is no row, the ids are read from the blocks.
                let (row, right) = (ids.get(logbook.bytes())?, right.new_ids(logbook));
                ids_left -= u64::from(row.is_some());
                wrong_ids |= row.is_some_and(|row| Some(row.value()) != right.as_deref());
            }
        }
        if verified.faults.is_empty() {
            if wrong_ledger {
                verified.faults.push(Fault::Index("ledgers"));
            }
            if wrong_ids || ids_left > 0 {
                verified.faults.push(Fault::Index("ids"));
            }
            if wrong_balance {
                verified.faults.push(Fault::Index("balances"));
            }
            let each_block = |with: &mut Taker<'_>| {
                rebuild::each_of(&blocks, with)?;
                bunch::each(&bunches, with)
            };
            if !Bunched::is_kept_right(&txn)? || !same_groups(&txn, each_block)? {
                verified.faults.push(Fault::Index("groups"));
            }
        }
        Ok(())
    }
}

/// Whether the table of groups is what the blocks come to.
fn same_groups(
    txn: &ReadTransaction,
    each_block: impl Fn(&mut Taker<'_>) -> Result<(), Error>,
) -> Result<bool, Error> {
    let right = rebuild::groups(each_block)?;
    let groups = txn.open_table(GROUPS)?;
    if groups.len()? != right.len() as u64 {
        return Ok(false);
    }
    for group in right {
        let row = groups.get(group.end.arrival.0)?;
        if row.is_none_or(|row| row.value() != tables::group_row(&group).as_slice()) {
            return Ok(false);
        }
    }
    Ok(true)
}

/// The entries of a logbook's blocks that are what was written.
fn settled(archive: &Archive<'_>, verified: &mut Verified) -> Result<Vec<Filed>, Error> {
    let mut whole = Vec::new();
    archive.each_block(|block| {
        match block.and_then(|block| block.entries()) {
            Ok(mut entries) => whole.append(&mut entries),
            // Of what nobody can tell it of, it was said before.
            Err(Error::DamagedEntry { arrival })
                if verified.faults.contains(&Fault::Entry(arrival)) => {}
            Err(Error::DamagedEntry { arrival }) => verified.faults.push(Fault::Entry(arrival)),
            Err(other) => return Err(other),
        }
        Ok(())
    })?;
    Ok(whole)
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

/// Walks the chains of one logbook; returns the link at each of these entries.
fn walk<'a>(
    logbook: LogbookId,
    whole: impl Iterator<Item = &'a Filed>,
    sealed: &Sealed,
    own: Option<DeviceId>,
    verified: &mut Verified,
) -> Vec<Link> {
    let mut links = Vec::new();
    // What the chain comes to at every entry, and whether another follows it.
    let mut walked: HashMap<Mark, (Walked, bool), RandomState> = HashMap::default();
    for filed in whole {
        let (entry, raw) = (&filed.written.entry, &filed.written.raw);
        let mark = filed.written.mark();
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
        links.push(link);
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
    links
}
