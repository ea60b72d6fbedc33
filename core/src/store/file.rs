//! The only place in core that names files: a store at a path.

use std::fs;
use std::io;
use std::panic::{self, AssertUnwindSafe};
use std::path::Path;

use redb::{Builder, DatabaseError, StorageError};

use super::db::{self, Db};
use super::{Error, NewStore, Store};

impl Store {
    /// Begins a store in a new file.
    ///
    /// # Errors
    /// [`Error::Exists`] where a file is there; [`Error`] where none can be written there.
    pub fn create(path: &Path, new: NewStore) -> Result<Self, Error> {
        Self::created(path, new, &db::builder())
    }

    /// Begins a store as [`Self::create`] does, and keeps pages of it as [`Self::open_keeping`] does.
    ///
    /// # Errors
    /// Those of [`Self::create`].
    pub fn create_keeping(path: &Path, new: NewStore, pages: usize) -> Result<Self, Error> {
        Self::created(path, new, &db::with_cache(pages))
    }

    fn created(path: &Path, new: NewStore, builder: &Builder) -> Result<Self, Error> {
        if path.exists() {
            return Err(Error::Exists(path.to_owned()));
        }
        // Made under another name and named when it is whole, so that a store which has a name is
        // never half made, whatever happens meanwhile.
        let mut making = path.as_os_str().to_owned();
        making.push(format!(".making-{}", new.id));
        let making = Path::new(&making);
        let made = builder
            .create(making)
            .map_err(Error::from)
            .and_then(|db| Self::begin(db, new))
            .and_then(|store| named(making, path).map(|()| store));
        if made.is_err() {
            // It was never a store; where it cannot even be removed, its name says what it is.
            drop(fs::remove_file(making));
        }
        made
    }

    /// Opens the store in this file.
    ///
    /// # Errors
    /// [`Error::Missing`] where no file is there; [`Error::NotAStore`] where it is something
    /// else or cut short; [`Error::InUse`] where another program has it open.
    pub fn open(path: &Path) -> Result<Self, Error> {
        Self::opened(path, &db::builder())
    }

    /// Opens the store as [`Self::open`] does, and keeps at most so many bytes of its pages in memory, as
    /// far as they are read: for a program that is asked much and has room.
    ///
    /// # Errors
    /// Those of [`Self::open`].
    pub fn open_keeping(path: &Path, pages: usize) -> Result<Self, Error> {
        Self::opened(path, &db::with_cache(pages))
    }

    fn opened(path: &Path, builder: &Builder) -> Result<Self, Error> {
        if !path.exists() {
            return Err(Error::Missing(path.to_owned()));
        }
        guarded(|| Self::identified(Db::Writing(builder.open(path)?)))
    }

    /// Opens the store as [`Self::open`] does, for a program that does one job and ends: it keeps little in
    /// memory of what it read.
    ///
    /// # Errors
    /// Those of [`Self::open`].
    pub fn open_for_one_job(path: &Path) -> Result<Self, Error> {
        let store = Self::opened(path, &db::for_one_job())?;
        store.live().keep_little();
        Ok(store)
    }

    /// Opens the store in this file for reading alone and for one job, beside any others that read it:
    /// nothing in the file is touched. Where that needs writing first, because the file was not closed or an
    /// older version wrote it, it is opened as by [`Self::open_for_one_job`].
    ///
    /// # Errors
    /// Those of [`Self::open`].
    pub fn open_to_read(path: &Path) -> Result<Self, Error> {
        if !path.exists() {
            return Err(Error::Missing(path.to_owned()));
        }
        let read = guarded(|| match db::reading().open_read_only(path) {
            Err(
                DatabaseError::RepairAborted | DatabaseError::Storage(StorageError::Unsupported),
            ) => Ok(None),
            db => match Self::identified(Db::Reading(db?)) {
                Err(Error::ForReading) => Ok(None),
                store => store.map(Some),
            },
        })?;
        let Some(read) = read else {
            return Self::open_for_one_job(path);
        };
        read.live().keep_little();
        Ok(read)
    }
}

/// Gives a whole file its name, unless another has taken the name meanwhile.
fn named(making: &Path, path: &Path) -> Result<(), Error> {
    let named = fs::hard_link(making, path).and_then(|()| fs::remove_file(making));
    named.map_err(|error| match error.kind() {
        io::ErrorKind::AlreadyExists => Error::Exists(path.to_owned()),
        _ => redb::Error::Io(error).into(),
    })
}

/// Runs what reads an untrusted file. redb can panic on a damaged one: that is an error like any
/// other, and the file is left as it is.
pub(super) fn guarded<T>(read: impl FnOnce() -> Result<T, Error>) -> Result<T, Error> {
    panic::catch_unwind(AssertUnwindSafe(read)).unwrap_or(Err(Error::NotAStore))
}
