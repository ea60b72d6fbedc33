//! Whether the store still is what was written: the file, each entry, each chain, each index.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use foldhash::fast::RandomState;
use redb::{ReadTransaction, ReadableTable, ReadableTableMetadata};

use super::archive::Archive;
use super::bunch::{self, Bunched};
use super::filed::Filed;
use super::histories::Histories;
use super::ledger::{self, Ledger};
use super::rebuild::Taker;
use super::tables::{self, BLOCKS, BUNCHES, GROUPS, IDS, SEALS, SHEAVES};
use super::unsorted::Unsorted;
use super::{Error, Store, block, file, rebuild};
use crate::log::chain::{Link, Mark};
use crate::log::id::{Arrival, DeviceId, LogbookId, Seq};
use crate::log::seal::{Keys, Seal};

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
    /// Reads everything and holds it against everything else, block by block, so that beside the file's own
    /// pages it takes the memory of what one logbook says, and eight bytes for each of its entries. Changes
    /// nothing but what redb itself repairs after a crash.
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
        let unsorted = Unsorted::read(&txn.open_table(SHEAVES)?)?;
        let sealed = sealed(&txn, &unsorted, verified)?;
        let own = self.own_device().ok();
        for &arrival in &live.damaged {
            verified.entries += 1;
            verified.faults.push(Fault::Entry(arrival));
        }
        let shelves = live.shelves(&txn);
        let rows = ledger::Kept::of(&txn);
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
        let mut logbooks: BTreeSet<_> = tail.map(|lying| lying.logbook()).collect();
        logbooks.extend(&in_blocks);
        let mut wrong_ledger = !rows.are_all_of(&in_blocks)?;
        let ids = txn.open_table(IDS)?;
        let (mut wrong_ids, mut ids_left) = (false, ids.len()?);
        let (balances, histories) = (shelves.balances()?, Histories::open(&txn)?);
        let mut wrong_balance = !balances.are_all_of(&histories, &in_blocks)?;
        for logbook in logbooks {
            let archive = shelves.of(logbook);
            let mut walking = Walking::of(logbook, &sealed, own);
            if !walking.go_through(&archive, verified)? {
                // Once more, with all that it comes to.
                walking = walking.anew_with_branches();
                walking.go_through(&archive, verified)?;
            }
            let ledger = walking.done(verified);
            // What damaged entries come to says nothing.
            if verified.faults.is_empty() && in_blocks.contains(&logbook) {
                let mut right = match ledger {
                    Some(ledger) => ledger,
                    None => Ledger::walk(logbook, archive.settled()?.iter())?.ledger,
                };
                // Where chains have branches nobody reads it.
                if right.branches().is_empty() {
                    match balances.are_right(&histories, logbook, &archive) {
                        Ok(is_right) => wrong_balance |= !is_right,
                        Err(Error::DamagedIndex { .. }) => wrong_balance = true,
                        Err(other) => return Err(other),
                    }
                }
                wrong_ledger |= !rows.is_right(logbook, &right)?;
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
        if unsorted.is_damaged() {
            verified.faults.push(Fault::Index("seals"));
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

/// How far devices sealed their chains: every link that one of them signed.
type Sealed = BTreeSet<(LogbookId, DeviceId, Link)>;

fn sealed(
    txn: &ReadTransaction,
    unsorted: &Unsorted,
    verified: &mut Verified,
) -> Result<Sealed, Error> {
    let (mut sealed, mut keys) = (Sealed::new(), Keys::default());
    let mut check = |device, seal: &Seal| {
        if keys.device_of(seal) == Some(device) {
            sealed.insert((seal.logbook, device, seal.link));
        } else {
            let seq = seal.seq;
            verified.faults.push(Fault::Seal { device, seq });
        }
    };
    for row in txn.open_table(SEALS)?.iter()? {
        let (key, row) = row?;
        let (device, seal) = tables::seal(key.value(), row.value())?;
        check(device, &seal);
    }
    for ((_, device), seal) in unsorted.in_order() {
        check(device, seal);
    }
    Ok(sealed)
}

/// The chains of one logbook, walked entry by entry.
struct Walking<'v> {
    logbook: LogbookId,
    sealed: &'v Sealed,
    own: Option<DeviceId>,
    entries: u64,
    damaged: Vec<Fault>,
    faults: Vec<Fault>,
    /// What the chain comes to at an entry, and whether another follows it: at the last entry of each chain
    /// alone, unless there are branches, which may leave anywhere.
    walked: HashMap<Mark, (Walked, bool), RandomState>,
    has_branches: bool,
    begun: BTreeSet<DeviceId>,
    /// What the entries of blocks come to, as long as each just goes on with its chain.
    ledger: Option<Ledger>,
}

impl<'v> Walking<'v> {
    fn of(logbook: LogbookId, sealed: &'v Sealed, own: Option<DeviceId>) -> Self {
        Self {
            logbook,
            sealed,
            own,
            entries: 0,
            damaged: Vec::new(),
            faults: Vec::new(),
            walked: HashMap::default(),
            has_branches: false,
            begun: BTreeSet::new(),
            ledger: Some(Ledger::beginning()),
        }
    }

    fn anew_with_branches(&self) -> Self {
        Self {
            has_branches: true,
            ledger: None,
            ..Self::of(self.logbook, self.sealed, self.own)
        }
    }

    /// Walks all entries that are what was written, and holds those against the rest of them that are not.
    /// Where that takes more than the last entry of each chain, says so, and found nothing.
    fn go_through(&mut self, archive: &Archive<'_>, verified: &Verified) -> Result<bool, Error> {
        let mut is_told = true;
        archive.each_block(|block| {
            if !is_told {
                return Ok(());
            }
            match block.and_then(|block| block.entries()) {
                Ok(entries) => {
                    for filed in &entries {
                        is_told = is_told && self.take(filed, true);
                    }
                }
                // Of what nobody can tell it of, it was said before.
                Err(Error::DamagedEntry { arrival }) => {
                    let fault = Fault::Entry(arrival);
                    if !verified.faults.contains(&fault) {
                        self.damaged.push(fault);
                    }
                }
                Err(other) => return Err(other),
            }
            Ok(())
        })?;
        for filed in archive.tail() {
            is_told = is_told && self.take(filed, false);
        }
        Ok(is_told)
    }

    /// Walks one entry on, where that takes no more than the last of its chain.
    fn take(&mut self, filed: &Filed, is_settled: bool) -> bool {
        let (entry, raw) = (&filed.written.entry, &filed.written.raw);
        let mark = filed.written.mark();
        let before = entry.seq.previous().map(|seq| Mark {
            seq,
            tip: entry.prev,
            ..mark
        });
        let begins = || Walked {
            link: Link::origin(self.logbook, entry.device),
            sealed: None,
        };
        let known = match (before, self.has_branches) {
            (None, false) if !self.begun.insert(entry.device) => return false,
            (None, _) => Some(begins()),
            (Some(before), false) => match self.walked.remove(&before) {
                Some((walked, _)) => Some(walked),
                None => return false,
            },
            (Some(before), true) => self.walked.get_mut(&before).map(|known| {
                known.1 = true;
                known.0
            }),
        };
        let follows = known.is_some();
        // Where it does not, whatever follows it may still follow each other.
        let known = known.unwrap_or_else(begins);
        let link = known.link.after(raw);
        let is_sealed = self.sealed.contains(&(self.logbook, entry.device, link));
        let sealed = is_sealed.then_some(entry.seq).or(known.sealed);
        let twice = self.walked.insert(mark, (Walked { link, sealed }, false));
        if twice.is_some() || !follows {
            self.faults.push(Fault::Chain(mark));
        }
        self.entries += 1;
        if is_settled && let Some(ledger) = &mut self.ledger {
            let taken = ledger.take_next(&filed.written.view(), filed.arrival, link);
            // Where an entry is missing, whoever walks them all says so.
            if !matches!(taken, Ok(true)) {
                self.ledger = None;
            }
        }
        true
    }

    /// Tells what was found; returns what the entries of blocks come to, if that is known.
    fn done(self, verified: &mut Verified) -> Option<Ledger> {
        verified.entries += self.entries;
        verified.faults.extend(self.damaged);
        verified.faults.extend(self.faults);
        for (last, (mut walked, followed)) in self.walked {
            if followed {
                continue;
            }
            if self.own == Some(last.device) {
                walked.sealed = Some(last.seq); // whoever asks gets its seal
            }
            verified.chains.insert((self.logbook, last), walked);
        }
        self.ledger
    }
}
