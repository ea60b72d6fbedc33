//! What can go wrong with a store, whose fault it is, and what to do next.

use std::io::ErrorKind;
use std::path::PathBuf;

use crate::log::codec::CodecError;
use crate::log::id::{Arrival, DeviceId, LogbookId, Seq};

/// Why a store did not do what was asked. Nothing was changed.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// No file there.
    #[error("there is no store at {}", .0.display())]
    Missing(PathBuf),
    /// A file is there already.
    #[error("there is a file at {} already", .0.display())]
    Exists(PathBuf),
    /// Another process has the file open.
    #[error("another program has the store open: close it, or wait until it is done")]
    InUse,
    /// The store was opened for reading alone.
    #[error("the store was opened for reading alone, and nothing can be written in it")]
    ForReading,
    /// Not a store, or cut short.
    #[error("the file is not a whole store: it is of another kind, cut short or damaged")]
    NotAStore,
    /// Written by another version.
    #[error(
        "the store has format {format}, and this version reads format {}",
        super::FORMAT
    )]
    OtherFormat {
        /// The format in the file.
        format: u64,
    },
    /// An entry is not what was written.
    #[error("entry number {} of this store is damaged: get it again from a peer", .arrival.0)]
    DamagedEntry {
        /// Which entry.
        arrival: Arrival,
    },
    /// An index does not hold what it must; the entries may be whole.
    #[error("the store's {table} index is damaged: run `headwalk rebuild`")]
    DamagedIndex {
        /// Which table.
        table: &'static str,
    },
    /// An entry came before the one that it follows.
    #[error("entry {seq} of device {device} came before the one that it follows: exchange again")]
    Gap {
        /// Whose entry.
        device: DeviceId,
        /// Its number.
        seq: Seq,
    },
    /// Another store writes under this one's device id.
    #[error(
        "device id {0} is in use elsewhere: this store was copied or put back, and must take a new \
         one before it writes again"
    )]
    IdInUseElsewhere(DeviceId),
    /// An entry that orders, holds back or admits others, by a device that may not.
    #[error("device {0} has no say over others' entries: nothing of this batch was taken")]
    NoSay(DeviceId),
    /// The logbook was dropped, and its last number is not known here any more.
    #[error("this store dropped logbook {0}: exchange to have it again before you write in it")]
    Dropped(LogbookId),
    /// A seal that its device did not make.
    #[error("the seal of an entry {seq} is not its device's own: nothing of this batch was taken")]
    ForgedSeal {
        /// The entry up to which it claims to go.
        seq: Seq,
    },
    /// An entry that its device does not vouch for.
    #[error(
        "entry {seq} of device {device} came without that device's seal: let that device exchange \
         itself"
    )]
    Unsealed {
        /// Whose entry.
        device: DeviceId,
        /// Its number.
        seq: Seq,
    },
    /// An entry came before one that its writer had seen.
    #[error("an entry of device {by} had seen entry {seq} of device {device}, which is not here")]
    MissingCause {
        /// Who had seen it.
        by: DeviceId,
        /// Whose entry is missing.
        device: DeviceId,
        /// Which one.
        seq: Seq,
    },
    /// Bytes that are no entry, or an entry that cannot be bytes.
    #[error(transparent)]
    Codec(#[from] CodecError),
    /// The log that this store follows did not take what was to be appended, or did not say.
    #[error("{0}")]
    Elsewhere(#[source] Box<dyn std::error::Error + Send + Sync>),
    /// The file or the disk under it failed.
    #[error("the store's file cannot be used: {0}")]
    Engine(#[source] Box<redb::Error>),
}

impl Error {
    pub(super) const fn damaged_index(table: &'static str) -> Self {
        Self::DamagedIndex { table }
    }
}

impl From<redb::Error> for Error {
    fn from(error: redb::Error) -> Self {
        match error {
            redb::Error::DatabaseAlreadyOpen => Self::InUse,
            redb::Error::Corrupted(_) => Self::NotAStore,
            redb::Error::Io(error)
                if matches!(
                    error.kind(),
                    ErrorKind::UnexpectedEof | ErrorKind::InvalidData
                ) =>
            {
                Self::NotAStore // too short to be a store, or empty
            }
            redb::Error::TableDoesNotExist(_) | redb::Error::TableTypeMismatch { .. } => {
                Self::NotAStore
            }
            other => Self::Engine(Box::new(other)),
        }
    }
}

macro_rules! from_redb {
    ($($error:ident)*) => {$(
        impl From<redb::$error> for Error {
            fn from(error: redb::$error) -> Self {
                redb::Error::from(error).into()
            }
        }
    )*};
}

from_redb! { CommitError CompactionError DatabaseError StorageError TableError TransactionError }
