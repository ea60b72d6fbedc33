//! A hub's log from its folder into a fleet's, and back: in its order, with its devices and seals, so
//! that every place, bookmark and token stays good. Whatever breaks it off, the same command goes on
//! where it was, nothing is taken for moved that was not compared, and what is left behind says where
//! its log is. Start at [`to_fleet`] and [`to_folder`].

mod to_fleet;
mod to_folder;

use std::collections::VecDeque;
use std::path::Path;

use headwalk_core::log::id::Arrival;
use headwalk_core::store::{self, Followed, Store};

use crate::error::Error;
use crate::hub::LOG_FILE;
use crate::hub_log::{HubLog, LogError, LogId, Position, Record};

pub use to_fleet::to_fleet;
pub use to_folder::to_folder;

/// The setting that says where the log of a folder is: nothing where it is there.
const MOVED_TO: &str = "moved-to";
/// What it says while the log is being moved there.
const UNDER_WAY: &str = "here, and is not whole yet";
/// How much is read at once.
const READ_BYTES: usize = 1024 * 1024;
const READ_RECORDS: usize = 2_000;
/// How long records that must be there are waited for.
const WAIT: std::time::Duration = std::time::Duration::from_secs(5);
/// How often a log that gives no answer is asked again.
const TRIES: u32 = 60;
const PAUSE: std::time::Duration = std::time::Duration::from_millis(500);

/// What was moved.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Moved {
    /// Entries that stand there now.
    pub entries: u64,
    /// How many of them had been moved before.
    pub before: u64,
    /// Chains whose ends were compared.
    pub chains: usize,
}

/// Returns which log a folder holds.
///
/// # Errors
/// [`Error::NoHub`] where there is none; [`Error`] where it cannot be opened.
pub fn log_of(folder: &Path) -> Result<LogId, Error> {
    match Store::open(&folder.join(LOG_FILE)) {
        Err(store::Error::Missing(_)) => Err(Error::NoHub(folder.to_owned())),
        opened => Ok(opened?.id()),
    }
}

/// Sees to it that a folder's log is there, or moved nowhere but to this address.
///
/// # Errors
/// [`Error::Moved`], or [`Error::MovingHere`] where a move to it is not done.
pub(crate) fn is_in(folder: &Path, store: &Store, or_at: Option<&str>) -> Result<(), Error> {
    match store.setting(MOVED_TO)? {
        Some(place) if place == UNDER_WAY => Err(Error::MovingHere(folder.to_owned())),
        Some(place) if !place.is_empty() && or_at != Some(&place) => Err(Error::Moved(place)),
        _ => Ok(()),
    }
}

/// The entries of a store, one after the other, to hold those of a log against.
struct InStep<'s> {
    store: &'s Store,
    read: Arrival,
    ahead: VecDeque<(Arrival, Followed)>,
    /// The last that was the same.
    arrival: Arrival,
    /// How many were.
    entries: u64,
}

impl<'s> InStep<'s> {
    const fn with(store: &'s Store) -> Self {
        Self {
            store,
            read: Arrival(0),
            ahead: VecDeque::new(),
            arrival: Arrival(0),
            entries: 0,
        }
    }

    /// Returns whether the store's next entry is this one; none where the store has no more.
    fn is_next(&mut self, entry: &Followed) -> Result<Option<bool>, Error> {
        if self.ahead.is_empty() {
            self.ahead = self.store.arrivals(self.read, READ_BYTES)?.into();
        }
        let Some((arrival, ours)) = self.ahead.pop_front() else {
            return Ok(None);
        };
        self.read = arrival;
        // When it came is told by the hub that took it, and a store puts that in order.
        let same = ours.raw == entry.raw;
        if same {
            self.arrival = arrival;
            self.entries += 1;
        }
        Ok(Some(same))
    }

    /// The error where the next is another.
    fn parts(&self) -> Error {
        Error::NotMoved(format!(
            "its entry {} there is not the one here: somebody has written to it",
            self.entries + 1
        ))
    }
}

/// Reads everything after a position, up to the end as it was when this began.
fn read_all(
    log: &dyn HubLog,
    after: Position,
    mut take: impl FnMut(Vec<(Position, Record)>) -> Result<(), Error>,
) -> Result<(), Error> {
    let end = patiently(|| log.end())?;
    let mut at = after;
    while at < end {
        let records = patiently(|| log.read(at, READ_RECORDS, WAIT))?;
        if let Some((last, _)) = records.last() {
            at = *last;
            take(records)?;
        }
    }
    Ok(())
}

/// Asks a log again where it gave no answer.
fn patiently<T>(ask: impl Fn() -> Result<T, LogError>) -> Result<T, Error> {
    for _ in 0..TRIES {
        match ask() {
            Err(LogError::Unreachable(_)) => std::thread::sleep(PAUSE),
            other => return Ok(other?),
        }
    }
    Ok(ask()?)
}
