//! The store: one redb file that keeps entries, and how it reads them.
//!
//! An append is one transaction: its entries land together, on disk before it returns, or not at
//! all. What came last lies in a table by arrival, so that recording is one row; from time to time
//! that is put into blocks, a logbook's entries together and column by column. What a logbook says is
//! folded from its own blocks when somebody asks. Everything but entries, identity and what peers have
//! acknowledged can be rebuilt from the entries. The store keeps numbered fields and does not
//! know what a nozzle is; it opens no socket. Start at [`Store`].

mod append;
mod archive;
mod at_hand;
mod balances;
mod batches;
mod block;
mod bunch;
mod bundles;
mod chains;
mod db;
mod drop;
mod entering;
mod error;
mod file;
mod filed;
mod filing;
mod first_seen;
mod follow;
mod found;
mod heads;
mod histories;
mod known;
mod ledger;
mod live;
mod mend;
mod migrate;
mod past;
mod press;
mod query;
mod reading;
mod rebuild;
mod said;
mod seals;
mod stretches;
mod tables;
mod tail;
mod telling;
mod unroll;
mod unsorted;
mod verify;
mod writing;

use std::collections::BTreeSet;
use std::sync::atomic::AtomicBool;
use std::sync::{Mutex, MutexGuard, PoisonError, RwLock};

use redb::{Database, ReadableTable, StorageBackend, WriteTransaction};

pub use append::{Appended, Clocks, Recorded, Sealing, Taking};
pub use chains::{Branched, Head};
pub use error::Error;
pub use follow::{Followed, Rehearsed};
pub use found::LastWritten;
pub use query::{Kept, News};
pub use rebuild::Rebuilt;
pub use telling::{Came, Count, Meeting, Telling, Wanted};
pub use unroll::{Unrolled, Unrolling};
pub use verify::{Fault, Verified};

use crate::log::id::{Arrival, DeviceId, LogbookId, StoreId};
use crate::log::seal::DeviceKey;
use crate::log::stamp::{Clock, WallMs};
use db::Db;
use live::Live;
use tables::{
    BALANCES, BLOCKS, BUNCHES, ENTRIES, GROUPS, HISTORIES, IDENTITY, IDS, LEDGERS, MOVED, PEERS,
    SEALS, SHEAVES,
};
use writing::Writing;

/// The version of the tables that this code writes.
pub const FORMAT: u64 = 6;

/// An open store file. Only one process can have it open.
#[derive(Debug)]
pub struct Store {
    db: Db,
    id: StoreId,
    // Changed only within a write transaction, so that who writes reads it after beginning one.
    writer: RwLock<Writer>,
    // Whoever writes holds it from before the write until after it.
    live: Mutex<Live>,
    // Whether writes stay in memory until they are put on disk.
    behind: AtomicBool,
}

/// Who writes in a store.
#[derive(Debug, Clone)]
struct Writer {
    key: DeviceKey,
    device: DeviceId,
    /// Whether another store was found to write under the same id.
    in_use_elsewhere: bool,
}

impl Writer {
    fn of(key: DeviceKey) -> Self {
        Self {
            device: key.device(),
            key,
            in_use_elsewhere: false,
        }
    }

    const fn device(&self) -> DeviceId {
        self.device
    }

    const fn key(&self) -> &DeviceKey {
        &self.key
    }
}

/// What a new store begins with.
#[derive(Debug, Clone)]
pub struct NewStore {
    /// The file's own id.
    pub id: StoreId,
    /// The key of the device that writes in it.
    pub key: DeviceKey,
}

/// A place in one store's order of arrivals, and what stands there, so that a bookmark into a
/// store that was restored or replaced is known to be void.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Bookmark {
    /// The last arrival that was read; zero before the first.
    pub arrival: Arrival,
    /// The check of the entry there.
    pub check: [u8; 8],
}

impl Bookmark {
    /// Before the first arrival.
    pub const START: Self = Self {
        arrival: Arrival(0),
        check: [0; 8],
    };
}

/// What a store remembers of its last meeting with a peer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Met {
    /// Up to where the peer's arrivals have been read.
    pub read: Bookmark,
    /// Up to where the peer has acknowledged this store's arrivals.
    pub told: Arrival,
    /// The logbooks that both hold and for which the two marks stand.
    pub covers: BTreeSet<LogbookId>,
}

impl Store {
    /// Opens the store that lives on this backend, or begins one there if it holds nothing.
    ///
    /// # Errors
    /// [`Error`] where the backend fails, or holds something else than a store of this version.
    pub fn on_backend(backend: impl StorageBackend, new: NewStore) -> Result<Self, Error> {
        let db = file::guarded(|| Ok(db::builder().create_with_backend(backend)?))?;
        Self::begin(db, new)
    }

    fn begin(db: Database, new: NewStore) -> Result<Self, Error> {
        let txn = db.begin_write()?;
        {
            let mut identity = txn.open_table(IDENTITY)?;
            if identity.get("format")?.is_none() {
                identity.insert("format", FORMAT.to_be_bytes().as_slice())?;
                identity.insert("store", new.id.bytes().as_slice())?;
                identity.insert("key", new.key.to_bytes().as_slice())?;
            }
            make_tables(&txn)?;
        }
        txn.commit()?;
        Self::identified(Db::Writing(db))
    }

    fn identified(mut db: Db) -> Result<Self, Error> {
        let format = tables::word(&db.begin_read()?.open_table(IDENTITY)?, "format")?;
        match format {
            FORMAT => {}
            1 | 2 => migrate::from_2(db.for_writing()?)?,
            3 => migrate::from_3(db.for_writing()?)?,
            4 => migrate::from_4(db.for_writing()?)?,
            5 => migrate::from_5(db.for_writing()?)?,
            _ => return Err(Error::OtherFormat { format }),
        }
        let txn = db.begin_read()?;
        let identity = txn.open_table(IDENTITY)?;
        let id = StoreId::from_bytes(tables::bytes(&identity, "store")?);
        let key = tables::bytes(&identity, "key")?;
        let mut writer = Writer::of(DeviceKey::from_bytes(key));
        writer.in_use_elsewhere = identity.get("elsewhere")?.is_some();
        drop((identity, txn));
        let live = Live::load(&db, writer.device)?;
        let many = live.tail.len() > live.most_loose && live.whole().is_ok();
        let store = Self {
            db,
            id,
            writer: RwLock::new(writer),
            live: Mutex::new(live),
            behind: AtomicBool::new(false),
        };
        if many {
            // As an older version left them, which had no blocks.
            Writing::begin(&store, WallMs::new(0))?.settle()?;
        }
        Ok(store)
    }

    /// What the store remembers. Taken before a transaction is begun, where both are needed.
    fn live(&self) -> MutexGuard<'_, Live> {
        self.live.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Says how many entries may lie in no block, as long as the store is open: 512 if nothing is said.
    /// Fewer make it open faster and record slower.
    pub fn keep_loose(&self, most: usize) {
        self.live().most_loose = most;
    }

    /// Returns the id of this store file.
    pub const fn id(&self) -> StoreId {
        self.id
    }

    /// Returns the device that writes in this store.
    pub fn device(&self) -> DeviceId {
        self.writer().device
    }

    /// Returns whether another store was found to write under this one's device id: the file was
    /// copied or put back. Until [`Self::write_as`] gives it a new one, it records nothing.
    pub fn id_is_in_use_elsewhere(&self) -> bool {
        self.writer().in_use_elsewhere
    }

    /// The device's id, for writing.
    fn own_device(&self) -> Result<DeviceId, Error> {
        let writer = self.writer();
        if writer.in_use_elsewhere {
            return Err(Error::IdInUseElsewhere(writer.device));
        }
        Ok(writer.device)
    }

    fn writer(&self) -> Writer {
        let writer = self.writer.read().unwrap_or_else(PoisonError::into_inner);
        writer.clone()
    }

    fn set_writer(&self, writer: Writer) {
        *self.writer.write().unwrap_or_else(PoisonError::into_inner) = writer;
    }

    /// Writes as another device from now on; what the one before wrote is sealed first. A hub does so
    /// whenever it starts: should its file have been put back to an older copy meanwhile, then no
    /// place in its chain is used twice.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be written.
    pub fn write_as(&self, key: DeviceKey) -> Result<(), Error> {
        let mut writing = Writing::begin(self, WallMs::new(0))?;
        if !self.id_is_in_use_elsewhere() {
            self.seal_own(&mut writing)?;
        }
        {
            let mut identity = writing.txn.open_table(IDENTITY)?;
            identity.insert("key", key.to_bytes().as_slice())?;
            identity.remove("elsewhere")?;
            // Read from the entries of the device whose key is kept, which changes now.
            let clock = writing.clock.last().bits().to_be_bytes();
            identity.insert("clock", clock.as_slice())?;
        }
        writing.commit(Some(Writer::of(key)))
    }

    /// Commits, and writes as `writer` from then on; where that fails, all stays as it was.
    fn commit_as(&self, txn: WriteTransaction, writer: Writer) -> Result<(), Error> {
        let before = self.writer();
        self.set_writer(writer);
        txn.commit().inspect_err(|_| self.set_writer(before))?;
        Ok(())
    }

    /// Returns a setting that the program around the store keeps here.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn setting(&self, name: &str) -> Result<Option<String>, Error> {
        let identity = self.db.begin_read()?.open_table(IDENTITY)?;
        let value = identity.get(tables::setting_key(name).as_str())?;
        Ok(value.map(|value| String::from_utf8_lossy(value.value()).into_owned()))
    }

    /// Keeps settings of the program around the store, all of them or none.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be written; then none has changed.
    pub fn keep_settings(&self, settings: &[(&str, &str)]) -> Result<(), Error> {
        let txn = self.db.begin_write()?;
        {
            let mut identity = txn.open_table(IDENTITY)?;
            for (name, value) in settings {
                identity.insert(tables::setting_key(name).as_str(), value.as_bytes())?;
            }
        }
        Ok(txn.commit()?)
    }

    /// Returns what is remembered of the last meeting with a peer.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn met(&self, peer: StoreId) -> Result<Option<Met>, Error> {
        let peers = self.db.begin_read()?.open_table(PEERS)?;
        let row = peers.get(peer.bytes())?;
        row.map(|row| tables::met(row.value())).transpose()
    }

    /// Remembers a meeting with a peer, if it is another than the last.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be written.
    pub fn remember_met(&self, peer: StoreId, met: &Met) -> Result<(), Error> {
        if self.met(peer)?.as_ref() == Some(met) {
            return Ok(());
        }
        let txn = self.db.begin_write()?;
        remember(&txn, peer, met)?;
        Ok(txn.commit()?)
    }

    /// Returns the last stamp that this store's clock gave out or took in.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn clock(&self) -> Result<Clock, Error> {
        Ok(self.live().clock)
    }
}

fn remember(txn: &WriteTransaction, peer: StoreId, met: &Met) -> Result<(), Error> {
    txn.open_table(PEERS)?
        .insert(peer.bytes(), tables::met_row(met).as_slice())?;
    Ok(())
}

/// Makes the tables that are not there yet.
fn make_tables(txn: &WriteTransaction) -> Result<(), Error> {
    txn.open_table(PEERS)?;
    txn.open_table(SEALS)?;
    txn.open_table(SHEAVES)?;
    txn.open_table(ENTRIES)?;
    txn.open_table(BLOCKS)?;
    txn.open_table(BUNCHES)?;
    txn.open_table(GROUPS)?;
    txn.open_table(LEDGERS)?;
    txn.open_table(MOVED)?;
    txn.open_table(IDS)?;
    txn.open_table(BALANCES)?;
    txn.open_table(HISTORIES)?;
    Ok(())
}

#[cfg(test)]
pub(crate) mod scene;
#[cfg(test)]
mod tests;
