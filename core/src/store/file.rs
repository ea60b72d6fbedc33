//! The only place in core that names files: a store at a path.

use std::panic::{self, AssertUnwindSafe};
use std::path::Path;

use redb::Database;

use super::{Error, NewStore, Store};

impl Store {
    /// Begins a store in a new file.
    ///
    /// # Errors
    /// [`Error::Exists`] where a file is there; [`Error`] where none can be written there.
    pub fn create(path: &Path, new: NewStore) -> Result<Self, Error> {
        // `create_new` makes it one step: two who begin at once cannot both believe they did.
        match std::fs::File::create_new(path) {
            Ok(_) => Self::begin(Database::create(path)?, new),
            Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => {
                Err(Error::Exists(path.to_owned()))
            }
            Err(error) => Err(redb::Error::Io(error).into()),
        }
    }

    /// Opens the store in this file.
    ///
    /// # Errors
    /// [`Error::Missing`] where no file is there; [`Error::NotAStore`] where it is something
    /// else or cut short; [`Error::InUse`] where another program has it open.
    pub fn open(path: &Path) -> Result<Self, Error> {
        if !path.exists() {
            return Err(Error::Missing(path.to_owned()));
        }
        guarded(|| Self::identified(Database::open(path)?))
    }
}

/// Runs what reads an untrusted file. redb can panic on a damaged one: that is an error like any
/// other, and the file is left as it is.
pub(super) fn guarded<T>(read: impl FnOnce() -> Result<T, Error>) -> Result<T, Error> {
    panic::catch_unwind(AssertUnwindSafe(read)).unwrap_or(Err(Error::NotAStore))
}
