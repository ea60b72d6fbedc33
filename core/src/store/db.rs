//! The file under a store, open for writing or for reading alone.

use redb::{Database, ReadOnlyDatabase, ReadTransaction, ReadableDatabase, WriteTransaction};

use super::Error;

/// An open redb file.
pub(super) enum Db {
    /// By this process alone.
    Writing(Database),
    /// By any number of processes that read.
    Reading(ReadOnlyDatabase),
}

impl Db {
    pub(super) fn begin_read(&self) -> Result<ReadTransaction, Error> {
        Ok(match self {
            Self::Writing(db) => db.begin_read()?,
            Self::Reading(db) => db.begin_read()?,
        })
    }

    pub(super) fn begin_write(&self) -> Result<WriteTransaction, Error> {
        match self {
            Self::Writing(db) => Ok(db.begin_write()?),
            Self::Reading(_) => Err(Error::ForReading),
        }
    }

    pub(super) fn for_writing(&mut self) -> Result<&mut Database, Error> {
        match self {
            Self::Writing(db) => Ok(db),
            Self::Reading(_) => Err(Error::ForReading),
        }
    }
}

impl core::fmt::Debug for Db {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str(match self {
            Self::Writing(_) => "Db(for writing)",
            Self::Reading(_) => "Db(for reading)",
        })
    }
}
