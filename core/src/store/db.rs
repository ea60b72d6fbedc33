//! The file under a store, open for writing or for reading alone.

use std::sync::Arc;

use redb::{
    Builder, ConcurrencyMode, Database, ReadOnlyDatabase, ReadTransaction, ReadableDatabase,
    WriteTransaction,
};

use super::Error;
use super::bundles::Pages;

/// How many bytes of the file's pages are kept in memory at most. The operating system keeps them as
/// well; redb's own measure, 1 GiB, would hold a whole log.
const CACHE: usize = 16 << 20;
/// The same for one job, which comes back to few pages.
const FOR_ONE_JOB: usize = 2 << 20;

/// How every file is opened.
pub(super) fn builder() -> Builder {
    with_cache(CACHE)
}

/// How a file is opened for one job.
pub(super) fn for_one_job() -> Builder {
    with_cache(FOR_ONE_JOB)
}

/// How a file is opened of whose pages so many bytes may be kept in memory.
pub(super) fn with_cache(bytes: usize) -> Builder {
    let mut builder = Builder::new();
    builder.set_cache_size(bytes);
    builder
}

/// How a file is opened for reading alone: as beside a process that writes, so that nothing is read of what
/// only who writes needs. No process does write meanwhile: whoever opens the file by [`builder`] has it for
/// itself.
pub(super) fn reading() -> Builder {
    let mut builder = for_one_job();
    builder.set_concurrency_mode(ConcurrencyMode::SingleWriter);
    builder
}

/// An open redb file.
pub(super) enum Db {
    /// By this process alone.
    Writing(Database),
    /// By any number of processes that read.
    Reading(ReadOnlyDatabase),
}

impl Db {
    pub(super) fn begin_read(&self) -> Result<Arc<ReadTransaction>, Error> {
        Ok(Arc::new(match self {
            Self::Writing(db) => db.begin_read()?,
            Self::Reading(db) => db.begin_read()?,
        }))
    }

    pub(super) fn begin_write(&self) -> Result<WriteTransaction, Error> {
        match self {
            Self::Writing(db) => Ok(db.begin_write()?),
            Self::Reading(_) => Err(Error::ForReading),
        }
    }

    /// What may be kept of what is read.
    pub(super) const fn pages(&self) -> Pages {
        match self {
            Self::Writing(_) => Pages::Copied,
            Self::Reading(_) => Pages::Kept,
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
