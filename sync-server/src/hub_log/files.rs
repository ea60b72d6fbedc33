//! The log of one hub alone: the store in its folder, as every hub without a fleet has it.
//!
//! Its entries have the places in which they came. Its seals and its list of devices have none: they
//! are kept beside, and [`crate::moving`] takes them along.

use std::sync::{Condvar, Mutex, PoisonError};
use std::time::Duration;

use headwalk_core::log::codec;
use headwalk_core::log::id::{Arrival, DeviceId, Place};
use headwalk_core::log::seal::Seal;
use headwalk_core::store::{self, Followed, Store};

use super::appending::line_of;
use super::{Appended, HubLog, Last, Line, LogError, LogId, OnlyIf, Position, Record};

/// How much is read at once.
const READ_BYTES: usize = 4 * 1024 * 1024;

/// The store of one hub as a log.
#[derive(Debug)]
pub struct FilesLog {
    store: Store,
    // One writer at a time: a condition holds until what hangs on it is written.
    writing: Mutex<()>,
    moved: Condvar,
}

impl FilesLog {
    /// Takes an open store as a log.
    pub fn of(store: Store) -> Self {
        Self {
            store,
            writing: Mutex::new(()),
            moved: Condvar::new(),
        }
    }

    /// Returns the store.
    pub const fn store(&self) -> &Store {
        &self.store
    }

    fn came_after(&self, only_if: OnlyIf) -> Result<bool, LogError> {
        let Some((logbook, position)) = only_if else {
            return Ok(false);
        };
        let latest = self.latest(|line| line.logbook == logbook, logbook)?;
        Ok(latest.is_some_and(|last| last.at > position))
    }

    fn latest(
        &self,
        of: impl Fn(Line) -> bool,
        logbook: headwalk_core::log::id::LogbookId,
    ) -> Result<Option<Last>, LogError> {
        let mut latest: Option<Last> = None;
        for head in self.store.heads(logbook).map_err(failed)? {
            let device = head.device;
            if !of(Line { logbook, device }) {
                continue;
            }
            let place = Place {
                chain: head.chain,
                seq: head.seq,
            };
            let kept = self.store.entry(logbook, place).map_err(failed)?;
            let at = kept.map_or(Position::START, |kept| Position(kept.arrival.0));
            if latest.is_none_or(|latest| latest.at < at) {
                latest = Some(Last {
                    seq: head.seq,
                    tip: head.tip,
                    at,
                });
            }
        }
        Ok(latest)
    }
}

impl HubLog for FilesLog {
    fn log_id(&self) -> LogId {
        self.store.id()
    }

    fn append(&self, records: &[Record], only_if: OnlyIf) -> Result<Appended, LogError> {
        let (mut entries, mut seals): (Vec<Followed>, Vec<Seal>) = (Vec::new(), Vec::new());
        let mut books = std::collections::BTreeSet::new();
        for record in records {
            match record {
                Record::Entry(entry) => {
                    codec::decode(&entry.raw)?;
                    books.insert(line_of(&entry.raw)?.logbook);
                    entries.push(entry.clone());
                }
                Record::Seal(seal) => seals.push(seal.clone()),
                Record::Access(_) | Record::Heard(..) | Record::Strange(_) => {
                    let why = "only entries and seals are appended so";
                    return Err(LogError::Unfit(why.to_owned()));
                }
            }
        }
        let written = self.writing.lock().unwrap_or_else(PoisonError::into_inner);
        let end = Position(self.store.last_bookmark().map_err(failed)?.arrival.0);
        let branches = || {
            let counts = books
                .iter()
                .map(|book| Ok(self.store.branched(*book)?.len()));
            counts.sum::<Result<usize, store::Error>>().map_err(failed)
        };
        let before = branches()?;
        if self.came_after(only_if)? {
            // What is there already was not stopped by its own condition.
            let marks = entries.iter().map(|entry| codec::mark(&entry.raw));
            let marks = marks.collect::<Result<Vec<_>, _>>()?;
            let mut held = 0;
            for (entry, mark) in entries.iter().zip(marks) {
                let logbook = line_of(&entry.raw)?.logbook;
                held += self.store.places(logbook, &[mark]).map_err(failed)?.len();
            }
            if held < entries.len() {
                return Err(LogError::Moved);
            }
        }
        let taken = self.store.follow(&entries, &seals, &[]).map_err(failed)?;
        let up_to = Position(end.0 + taken.new as u64);
        let branched = branches()? - before;
        drop(written);
        self.moved.notify_all();
        Ok(Appended {
            new: taken.new,
            held: taken.held,
            branched,
            up_to,
        })
    }

    fn append_access(&self, _: &[u8], _: Position) -> Result<Option<Position>, LogError> {
        Err(LogError::Unfit(
            "a hub's own folder keeps its list of devices beside the log".to_owned(),
        ))
    }

    fn append_heard(&self, _: &[(DeviceId, Vec<u8>)]) -> Result<(), LogError> {
        Err(LogError::Unfit(
            "a hub's own folder keeps its list of devices beside the log".to_owned(),
        ))
    }

    fn read(
        &self,
        after: Position,
        limit: usize,
        wait: Duration,
    ) -> Result<Vec<(Position, Record)>, LogError> {
        let read = || {
            let found = self
                .store
                .arrivals(Arrival(after.0), READ_BYTES)
                .map_err(failed)?;
            let found = found.into_iter().take(limit);
            let record = |(at, entry): (Arrival, Followed)| (Position(at.0), Record::Entry(entry));
            Ok::<_, LogError>(found.map(record).collect::<Vec<_>>())
        };
        let found = read()?;
        if !found.is_empty() || wait.is_zero() {
            return Ok(found);
        }
        let writing = self.writing.lock().unwrap_or_else(PoisonError::into_inner);
        let nothing_new = |(): &mut ()| self.end().is_ok_and(|end| end <= after);
        let waited = self.moved.wait_timeout_while(writing, wait, nothing_new);
        drop(waited.unwrap_or_else(PoisonError::into_inner));
        read()
    }

    fn end(&self) -> Result<Position, LogError> {
        Ok(Position(
            self.store.last_bookmark().map_err(failed)?.arrival.0,
        ))
    }

    fn head(&self, line: Line) -> Result<Option<Last>, LogError> {
        self.latest(|other| other == line, line.logbook)
    }
}

fn failed(error: store::Error) -> LogError {
    match error {
        store::Error::Gap { device, seq } => LogError::Gap { device, seq },
        store::Error::Codec(error) => LogError::NotAnEntry(error),
        other => LogError::Files(Box::new(other.into())),
    }
}
