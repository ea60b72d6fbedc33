//! A hub's store, which it writes to and reads from: its own file alone, or a log that a fleet shares
//! with this hub's file beside it, worked out from that log and good for nothing but speed.
//!
//! With a log, what is to be written is rehearsed on the file, appended to the log, and comes back
//! from there like what other hubs wrote: one thread takes in whatever the log has, in its order. So
//! every hub's file gives the same entries the same arrivals, a device's bookmark is good at each of
//! them, and an answer acknowledges what the log has acknowledged. Start at [`HubStore::following`].

use std::collections::BTreeSet;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

use headwalk_core::exchange::Shelf;
use headwalk_core::log::entry::Draft;
use headwalk_core::log::id::{DeviceId, LogbookId, StoreId};
use headwalk_core::log::seal::{DeviceKey, Seal};
use headwalk_core::log::sheaf::Sheaf;
use headwalk_core::log::stamp::WallMs;
use headwalk_core::store::{self, Appended, Came, Followed, Rehearsed, Store, Taking};
use tokio::sync::watch;

use crate::access::Access;
use crate::edge::Edge;
use crate::error::Error;
use crate::hub_log::{HubLog, LogError, OnlyIf, Position, Record};
use crate::meter::Meter;

/// Up to where the file holds what the log does.
const POSITION: &str = "log-position";
/// What stands there, so that a log that was put back is known.
const CHECK: &str = "log-check";
/// How many records are taken in at once, at most.
const AT_ONCE: usize = 4_000;
/// How long the log is asked to wait for news.
const WAIT: Duration = Duration::from_millis(200);
/// How long a request waits for the file to come up to the log.
const CATCH_UP: Duration = Duration::from_secs(10);
/// How long what was taken in may be in memory alone, and how many records of it: so much is taken in
/// again after an end without warning.
const BEHIND: Duration = Duration::from_secs(5);
const RECORDS_BEHIND: usize = 20_000;
/// How long to wait before a log that gave no answer is read again.
const PAUSE: Duration = Duration::from_millis(100);

/// A hub's entries.
#[derive(Debug)]
pub struct HubStore {
    parts: Arc<Parts>,
    follower: Option<JoinHandle<()>>,
}

#[derive(Debug)]
struct Parts {
    store: Store,
    access: Access,
    edge: Edge,
    // How far the log has come, for pages that wait for news.
    news: watch::Sender<u64>,
    fleet: Option<Fleet>,
}

#[derive(Debug)]
struct Fleet {
    log: Arc<dyn HubLog>,
    followed: Mutex<Following>,
    moved: Condvar,
    /// Held from the rehearsal of an entry of this hub's own device until it has come back.
    own: Mutex<Own>,
    ending: AtomicBool,
    meter: Arc<Meter>,
}

#[derive(Debug)]
struct Following {
    up_to: Position,
    /// Why nothing can be taken in any more.
    broken: Option<Broken>,
}

/// Why a file does not follow its log any more.
#[derive(Debug)]
enum Broken {
    /// The log has moved, and takes nothing more.
    Moved(String),
    /// This hub's files failed.
    Beside(String),
}

/// Whether this hub's device may go on with its chain.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Own {
    GoesOn,
    /// It does not know whether its last entry is in the log: under its old id it may never write
    /// again, or one number could come to hold two entries.
    TakesNewId,
}

impl HubStore {
    /// A hub's own file, which is the log.
    pub(crate) fn alone(store: Store, access: Access, edge: Edge) -> Self {
        Self {
            parts: Arc::new(Parts {
                store,
                access,
                edge,
                news: watch::Sender::new(0),
                fleet: None,
            }),
            follower: None,
        }
    }

    /// A file that follows a log. Begins to take in what the log has.
    ///
    /// # Errors
    /// [`Error::Shared`] with [`LogError::Moved`] where the file is not of this log as it is now:
    /// it is to be thrown away.
    pub(crate) fn following(
        store: Store,
        mut access: Access,
        edge: Edge,
        log: Arc<dyn HubLog>,
        meter: Arc<Meter>,
    ) -> Result<Self, Error> {
        let up_to = followed(&store)?;
        if store.id() != log.log_id() || !is_there(&store, log.as_ref(), up_to)? {
            return Err(LogError::Moved.into());
        }
        // Whatever of the two came to the disk last, what either lacks comes again.
        let up_to = up_to.min(access.followed()?);
        store.follow_behind();
        access.share(Arc::clone(&log));
        let parts = Arc::new(Parts {
            store,
            access,
            edge,
            news: watch::Sender::new(0),
            fleet: Some(Fleet {
                log,
                followed: Mutex::new(Following {
                    up_to,
                    broken: None,
                }),
                moved: Condvar::new(),
                own: Mutex::new(Own::GoesOn),
                ending: AtomicBool::new(false),
                meter,
            }),
        });
        let following = Arc::clone(&parts);
        let follower = std::thread::Builder::new()
            .name("follow".to_owned())
            .spawn(move || following.follow())
            .map_err(Error::Machine)?;
        Ok(Self {
            parts,
            follower: Some(follower),
        })
    }

    /// Returns the file, to read from.
    pub(crate) fn file(&self) -> &Store {
        &self.parts.store
    }

    pub(crate) fn access(&self) -> &Access {
        &self.parts.access
    }

    /// Returns what tells how far the log has come, as often as it moves on.
    pub(crate) fn news(&self) -> watch::Receiver<u64> {
        self.parts.news.subscribe()
    }

    /// Tells those who wait for it that the log has moved on, if it has.
    pub(crate) fn tell_of_news(&self) -> Result<(), Error> {
        self.parts.tell_of_news()
    }

    /// Waits until the file holds all that the log had acknowledged when this was called; at once
    /// where the file is the log.
    ///
    /// # Errors
    /// [`Error::Shared`] where the log cannot be reached, or the file cannot follow.
    pub(crate) fn be_current(&self) -> Result<(), Error> {
        let Some(fleet) = &self.parts.fleet else {
            return Ok(());
        };
        let end = fleet.log.end().inspect_err(|_| fleet.meter.unreachable());
        Ok(fleet.wait_for(end?)?)
    }

    /// Waits until the file holds all that the log has now, as long as it gets on: a file that was
    /// thrown away is worked out anew.
    ///
    /// # Errors
    /// Those of [`Self::be_current`].
    pub(crate) fn catch_up(&self) -> Result<(), Error> {
        loop {
            let before = self.position();
            match self.be_current() {
                Err(Error::Shared(LogError::Unreachable(_))) if self.position() > before => {}
                done => return done,
            }
        }
    }

    /// Returns up to where the file holds the log, for a condition on what is decided by it.
    pub(crate) fn position(&self) -> Position {
        let fleet = self.parts.fleet.as_ref();
        fleet.map_or(Position::START, |fleet| fleet.followed().up_to)
    }

    /// Records entries of this hub's own device; only where nothing came to a logbook after a
    /// position, if that is said.
    ///
    /// # Errors
    /// [`Error::Shared`] with [`LogError::Moved`] where something did; [`Error`] where it cannot be
    /// written.
    pub(crate) fn record(
        &self,
        drafts: &[Draft],
        now: WallMs,
        only_if: OnlyIf,
    ) -> Result<(), Error> {
        let store = &self.parts.store;
        match &self.parts.fleet {
            None => store.record(drafts, now).map(drop)?,
            Some(fleet) => {
                let rehearse = || store.rehearse_record(drafts, now);
                self.parts.append_own(fleet, rehearse, now, only_if)?;
            }
        }
        self.tell_of_news()
    }

    /// Writes under another key from now on.
    pub(crate) fn take_new_id(&self) -> Result<(), Error> {
        self.parts.take_new_id()
    }
}

impl Drop for HubStore {
    fn drop(&mut self) {
        if let Some(fleet) = &self.parts.fleet {
            fleet.ending.store(true, Ordering::Release);
        }
        if let Some(follower) = self.follower.take() {
            // A follower that panicked has said so; the file is closed either way.
            let _ended = follower.join();
        }
    }
}

impl Parts {
    fn tell_of_news(&self) -> Result<(), Error> {
        let end = self.store.last_bookmark()?.arrival.0;
        self.news.send_if_modified(|told| {
            let moved = *told != end;
            *told = end;
            moved
        });
        Ok(())
    }

    /// Takes a new id, which is known for a hub's, to the whole fleet where there is one, before
    /// anything is written under it.
    fn take_new_id(&self) -> Result<(), Error> {
        let key = DeviceKey::from_bytes(self.edge.chance()?);
        self.access.add_hub(key.device())?;
        Ok(self.store.write_as(key)?)
    }

    /// Appends what has entries of this hub's own device.
    fn append_own(
        &self,
        fleet: &Fleet,
        rehearse: impl Fn() -> Result<Rehearsed, store::Error>,
        now: WallMs,
        only_if: OnlyIf,
    ) -> Result<Appended, Error> {
        let mut own = fleet.own.lock().unwrap_or_else(PoisonError::into_inner);
        if *own == Own::TakesNewId || self.store.id_is_in_use_elsewhere() {
            self.take_new_id()?;
            *own = Own::GoesOn;
        }
        let rehearsed = rehearse()?;
        let appended = fleet.append(&rehearsed, now, only_if);
        if matches!(appended, Err(LogError::Unreachable(_))) {
            *own = Own::TakesNewId;
        }
        appended?;
        Ok(rehearsed.appended)
    }

    /// Takes in what the log has, until the hub ends.
    fn follow(&self) {
        let fleet = self
            .fleet
            .as_ref()
            .expect("only what follows a log is told to");
        let broken = match self.follow_to_the_end(fleet) {
            Ok(()) => return,
            Err(Error::Moved(to)) => Broken::Moved(to),
            Err(other) => Broken::Beside(other.to_string()),
        };
        fleet.followed().broken = Some(broken);
        fleet.moved.notify_all();
    }

    fn follow_to_the_end(&self, fleet: &Fleet) -> Result<(), Error> {
        let (mut behind, mut on_disk_at) = (0, self.edge.running());
        loop {
            let ends = fleet.ending.load(Ordering::Acquire);
            let now = self.edge.running();
            let long = now.saturating_sub(on_disk_at) >= BEHIND;
            if behind > 0 && (ends || long || behind >= RECORDS_BEHIND) {
                self.access.put_on_disk(fleet.followed().up_to)?;
                self.store.put_on_disk()?;
                (behind, on_disk_at) = (0, now);
            }
            if ends {
                return Ok(());
            }
            let up_to = fleet.followed().up_to;
            match fleet.log.read(up_to, AT_ONCE, WAIT) {
                Ok(records) => {
                    behind += records.len();
                    self.take_in(fleet, &records)?;
                }
                Err(error) => {
                    fleet.meter.read_failed(&error.to_string());
                    std::thread::sleep(PAUSE);
                }
            }
        }
    }

    fn take_in(&self, fleet: &Fleet, records: &[(Position, Record)]) -> Result<(), Error> {
        let Some((up_to, last)) = records.last() else {
            return Ok(());
        };
        let (mut entries, mut seals, mut heard) = (Vec::new(), Vec::new(), Vec::new());
        for (at, record) in records {
            match record {
                Record::Entry(entry) => entries.push(entry.clone()),
                Record::Seal(seal) => seals.push(seal.clone()),
                Record::Access(change) => self.access.apply(*at, change)?,
                Record::Heard(device, bytes) => heard.push((*device, bytes.clone())),
                Record::Strange(why) => fleet.meter.left_out(why),
            }
        }
        if !heard.is_empty() {
            self.access.apply_heard(&heard)?;
        }
        if let Some(to) = self.access.moved_to()? {
            return Err(Error::Moved(to));
        }
        // The position last: whatever is before it is in both files.
        let settings = [
            (POSITION, up_to.0.to_string()),
            (CHECK, check(last).to_owned()),
        ];
        let settings: Vec<_> = settings
            .iter()
            .map(|(name, is)| (*name, is.as_str()))
            .collect();
        match self.store.follow(&entries, &seals, &settings) {
            Ok(_) => {}
            Err(error @ store::Error::Engine(_)) => return Err(error.into()),
            // Something in it is not for this version, or was written by a stranger: one by one, so
            // that it alone is left out.
            Err(_) => self.take_in_singly(fleet, &entries, &seals, &settings)?,
        }
        fleet.meter.followed(records.len(), self.edge.running());
        fleet.followed().up_to = *up_to;
        fleet.moved.notify_all();
        self.tell_of_news()
    }

    fn take_in_singly(
        &self,
        fleet: &Fleet,
        entries: &[Followed],
        seals: &[Seal],
        settings: &[(&str, &str)],
    ) -> Result<(), Error> {
        let left_out = |done: Result<Appended, store::Error>| match done {
            Err(error @ store::Error::Engine(_)) => Err(error),
            Err(error) => {
                fleet.meter.left_out(&error.to_string());
                Ok(())
            }
            Ok(_) => Ok(()),
        };
        for entry in entries {
            left_out(self.store.follow(std::slice::from_ref(entry), &[], &[]))?;
        }
        for seal in seals {
            left_out(self.store.follow(&[], std::slice::from_ref(seal), &[]))?;
        }
        self.store.follow(&[], &[], settings)?;
        Ok(())
    }
}

impl Fleet {
    fn followed(&self) -> MutexGuard<'_, Following> {
        self.followed.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Appends what was rehearsed, and waits until it has come back.
    fn append(&self, rehearsed: &Rehearsed, now: WallMs, only_if: OnlyIf) -> Result<(), LogError> {
        let entries = rehearsed.entries.iter().map(|raw| {
            let raw = raw.clone();
            Record::Entry(Followed { arrived: now, raw })
        });
        let seals = rehearsed.seals.iter().cloned().map(Record::Seal);
        let records: Vec<_> = entries.chain(seals).collect();
        if records.is_empty() {
            return Ok(());
        }
        let timed = self.meter.begin_append();
        let appended = self.log.append(&records, only_if);
        self.meter.end_append(timed, &appended);
        self.wait_for(appended?.up_to)
    }

    fn wait_for(&self, position: Position) -> Result<(), LogError> {
        let behind =
            |following: &mut Following| following.up_to < position && following.broken.is_none();
        let waited = self
            .moved
            .wait_timeout_while(self.followed(), CATCH_UP, behind);
        let (following, _) = waited.unwrap_or_else(PoisonError::into_inner);
        match &following.broken {
            Some(Broken::Moved(to)) => Err(LogError::Unfit(format!("it has moved to {to}"))),
            Some(Broken::Beside(why)) => Err(LogError::Beside(why.clone())),
            None if following.up_to >= position => Ok(()),
            None => Err(LogError::Unreachable(
                "this hub is still taking in what the log holds".to_owned(),
            )),
        }
    }
}

/// Returns up to where a file holds its log.
fn followed(store: &Store) -> Result<Position, Error> {
    let position = store.setting(POSITION)?;
    Ok(Position(
        position.and_then(|text| text.parse().ok()).unwrap_or(0),
    ))
}

/// Whether the log still has what the file last took from it.
fn is_there(store: &Store, log: &dyn HubLog, up_to: Position) -> Result<bool, Error> {
    let Some(before) = up_to.0.checked_sub(1) else {
        return Ok(true);
    };
    if log.end()? < up_to {
        return Ok(false);
    }
    let read = log.read(Position(before), 1, CATCH_UP)?;
    let here = store.setting(CHECK)?;
    Ok(read.first().map(|(_, record)| check(record)) == here)
}

/// A digest of a record, as text.
fn check(record: &Record) -> String {
    let mut hasher = blake3::Hasher::new_derive_key("headwalk 2026 record of a log v1");
    match record {
        Record::Entry(entry) => hasher.update(b"e").update(&entry.raw),
        Record::Seal(seal) if seal.path.is_empty() => hasher.update(b"s").update(&seal.signature),
        // Others may share the signature.
        Record::Seal(seal) => hasher
            .update(b"S")
            .update(&seal.signature)
            .update(seal.link.bytes()),
        Record::Access(change) => hasher.update(b"a").update(change),
        Record::Heard(device, bytes) => hasher.update(b"h").update(device.bytes()).update(bytes),
        Record::Strange(why) => hasher.update(b"?").update(why.as_bytes()),
    };
    hasher.finalize().to_hex().chars().take(16).collect()
}

/// The device as which every hub of a fleet answers: which of them it is, nobody needs to know.
fn answering_device(log: StoreId) -> DeviceId {
    let mut hasher = blake3::Hasher::new_derive_key("headwalk 2026 hubs of a log v1");
    let mut id = [0; 16];
    hasher.update(log.bytes()).finalize_xof().fill(&mut id);
    DeviceId::from_bytes(id)
}

/// A hub's store for one that carries some of its logbooks: the others are not looked at.
#[derive(Debug)]
pub(crate) struct Carried<'s> {
    store: &'s HubStore,
    logbooks: BTreeSet<LogbookId>,
}

impl<'s> Carried<'s> {
    /// Lends a store with these logbooks, as far as it holds them.
    pub(crate) const fn of(store: &'s HubStore, logbooks: BTreeSet<LogbookId>) -> Self {
        Self { store, logbooks }
    }
}

impl Shelf for Carried<'_> {
    fn ask<T>(&self, question: impl FnOnce(&Store) -> T) -> T {
        self.store.ask(question)
    }

    fn device(&self) -> DeviceId {
        self.store.device()
    }

    fn logbooks(&self) -> Result<Vec<LogbookId>, store::Error> {
        let mut held = Vec::new();
        for logbook in &self.logbooks {
            if !self.heads(*logbook)?.is_empty() {
                held.push(*logbook);
            }
        }
        Ok(held)
    }

    fn append_told(
        &self,
        came: Came,
        seals: &[Sheaf],
        taking: &Taking,
        now: WallMs,
    ) -> Result<Appended, store::Error> {
        self.store.append_told(came, seals, taking, now)
    }
}

impl Shelf for HubStore {
    fn ask<T>(&self, question: impl FnOnce(&Store) -> T) -> T {
        question(self.file())
    }

    fn device(&self) -> DeviceId {
        match &self.parts.fleet {
            None => self.file().device(),
            Some(fleet) => answering_device(fleet.log.log_id()),
        }
    }

    fn append_told(
        &self,
        came: Came,
        seals: &[Sheaf],
        taking: &Taking,
        now: WallMs,
    ) -> Result<Appended, store::Error> {
        let store = self.file();
        let Some(fleet) = &self.parts.fleet else {
            return store.append_told(came, seals, taking, now);
        };
        let rehearse = || store.rehearse(&came.entries, seals, taking, now);
        let rehearsed = rehearse()?;
        if rehearsed.has_own {
            let appended = self.parts.append_own(fleet, rehearse, now, None);
            return appended.map_err(elsewhere);
        }
        fleet.append(&rehearsed, now, None)?;
        Ok(rehearsed.appended)
    }
}

fn elsewhere(error: Error) -> store::Error {
    match error {
        Error::Log(error) => error,
        Error::Shared(error) => error.into(),
        other => store::Error::Elsewhere(Box::new(other)),
    }
}
