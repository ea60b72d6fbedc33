//! A hub's log from its folder into a fleet's, and back: in its order, with its devices and seals, so
//! that every place, bookmark and token stays good. Whatever breaks it off, the same command goes on
//! where it was, and nothing is taken for moved that was not read back. Start at [`to_fleet`].

use std::collections::BTreeSet;
use std::path::Path;

use headwalk_core::log::id::{Arrival, LogbookId};
use headwalk_core::log::seal::DeviceKey;
use headwalk_core::store::{self, Followed, Head, NewStore, Store};

use crate::access::{Access, Name};
use crate::edge::Edge;
use crate::error::Error;
use crate::hub::{ACCESS_FILE, LOG_FILE, MOVED_TO};
use crate::hub_log::appending::{MOST_AT_ONCE, line_of};
use crate::hub_log::{HubLog, LogError, LogId, Position, Record};

/// Up to where a folder holds a log that is being moved there.
const POSITION: &str = "log-position";
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

/// Moves the log of the hub in a folder to `to`, which holds nothing or the beginning of the same
/// log. No hub may use either meanwhile. At the end the folder says where its log is, and no hub
/// opens it.
///
/// # Errors
/// [`Error::NotMoved`] where what stands at the other end is something else; [`Error`] where either
/// cannot be used. The same command goes on then.
pub fn to_fleet(
    folder: &Path,
    to: &dyn HubLog,
    address: &str,
    edge: &Edge,
) -> Result<Moved, Error> {
    let store = Store::open(&folder.join(LOG_FILE)).map_err(|error| match error {
        store::Error::Missing(_) => Error::NoHub(folder.to_owned()),
        other => other.into(),
    })?;
    let access = Access::open(&folder.join(ACCESS_FILE))?;
    if to.log_id() != store.id() {
        let why = format!("{address} is another log already");
        return Err(Error::NotMoved(why));
    }
    let there = Standing::read(to, &store)?;
    let mut moved = Moved {
        before: there.entries,
        ..Moved::default()
    };
    let mut at = there.arrival;
    loop {
        let batch = store.arrivals(at, READ_BYTES)?;
        let Some((last, _)) = batch.last() else { break };
        at = *last;
        let records: Vec<_> = batch
            .into_iter()
            .map(|(_, entry)| Record::Entry(entry))
            .collect();
        for some in records.chunks(MOST_AT_ONCE) {
            append(to, some)?;
        }
    }
    let seals: Vec<_> = store.all_seals()?.into_iter().map(Record::Seal).collect();
    let lacking: Vec<_> = seals
        .into_iter()
        .filter(|seal| !there.has_seal(seal))
        .collect();
    for some in lacking.chunks(MOST_AT_ONCE) {
        append(to, some)?;
    }
    move_access(&access, to, &there)?;
    let read_back = folder.join("moving.redb");
    (moved.entries, moved.chains) = compare(&store, to, &read_back, edge)?;
    store.keep_settings(&[(MOVED_TO, address)])?;
    Ok(moved)
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

/// What stands at the other end already.
struct Standing {
    entries: u64,
    arrival: Arrival,
    seals: BTreeSet<Vec<u8>>,
    access: Vec<Vec<u8>>,
    last_access: Position,
}

impl Standing {
    /// Reads it, and holds it against the store entry by entry.
    fn read(log: &dyn HubLog, store: &Store) -> Result<Self, Error> {
        let mut there = Self {
            entries: 0,
            arrival: Arrival(0),
            seals: BTreeSet::new(),
            access: Vec::new(),
            last_access: Position::START,
        };
        read_all(log, Position::START, |records| {
            for (at, record) in records {
                match record {
                    Record::Entry(entry) => there.compare_entry(store, &entry)?,
                    Record::Seal(seal) => {
                        there.seals.insert(seal.signature.to_vec());
                    }
                    Record::Access(change) => {
                        there.access.push(change);
                        there.last_access = at;
                    }
                    Record::Heard(..) | Record::Strange(_) => {}
                }
            }
            Ok(())
        })?;
        Ok(there)
    }

    fn compare_entry(&mut self, store: &Store, entry: &Followed) -> Result<(), Error> {
        let next = store.arrivals(self.arrival, 1)?;
        match next.first() {
            Some((arrival, ours)) if ours == entry => {
                self.entries += 1;
                self.arrival = *arrival;
                Ok(())
            }
            _ => Err(Error::NotMoved(format!(
                "its entry {} there is not the one here: somebody has written to it",
                self.entries + 1
            ))),
        }
    }

    fn has_seal(&self, record: &Record) -> bool {
        matches!(record, Record::Seal(seal) if self.seals.contains(seal.signature.as_slice()))
    }
}

fn move_access(access: &Access, to: &dyn HubLog, there: &Standing) -> Result<(), Error> {
    let changes = access.as_changes()?;
    let begun = there
        .access
        .iter()
        .zip(&changes)
        .all(|(there, here)| there == here);
    if !begun || there.access.len() > changes.len() {
        let why = "its list of devices there is not the one here".to_owned();
        return Err(Error::NotMoved(why));
    }
    let mut last = there.last_access;
    for change in changes.iter().skip(there.access.len()) {
        let at = to.append_access(change, last)?;
        last = at.ok_or_else(|| {
            Error::NotMoved("somebody else writes its list of devices".to_owned())
        })?;
    }
    Ok(())
}

/// Reads the moved log back into a file, and compares the ends of all chains, and that of all.
fn compare(
    store: &Store,
    log: &dyn HubLog,
    scratch: &Path,
    edge: &Edge,
) -> Result<(u64, usize), Error> {
    let forget = || match std::fs::remove_file(scratch) {
        Err(cause) if cause.kind() != std::io::ErrorKind::NotFound => Err(Error::Folder {
            folder: scratch.to_owned(),
            cause,
        }),
        _ => Ok(()),
    };
    forget()?;
    let new = NewStore {
        id: log.log_id(),
        key: DeviceKey::from_bytes(edge.chance()?),
    };
    let back = Store::create(scratch, new)?;
    read_all(log, Position::START, |records| {
        let (mut entries, mut seals) = (Vec::new(), Vec::new());
        for (_, record) in records {
            match record {
                Record::Entry(entry) => entries.push(entry),
                Record::Seal(seal) => seals.push(seal),
                Record::Access(_) | Record::Heard(..) | Record::Strange(_) => {}
            }
        }
        back.follow(&entries, &seals, &[])?;
        Ok(())
    })?;
    let differs = |what: String| Err(Error::NotMoved(what));
    if store.logbooks()? != back.logbooks()? {
        return differs("not every logbook is there".to_owned());
    }
    let (mut entries, mut chains) = (0, 0);
    for logbook in store.logbooks()? {
        let (here, there) = (store.heads(logbook)?, back.heads(logbook)?);
        if here != there {
            return differs(format!("the chains of logbook {logbook} end elsewhere"));
        }
        entries += here.iter().map(Head::entries).sum::<u64>();
        chains += here.len();
    }
    if store.last_bookmark()? != back.last_bookmark()? {
        return differs("its entries came in another order".to_owned());
    }
    drop(back);
    forget()?;
    Ok((entries, chains))
}

/// Moves a fleet's log into a folder, which holds nothing, the beginning of the same log, or what it
/// was before it became a fleet's. No hub may use either meanwhile.
///
/// # Errors
/// Those of [`to_fleet`].
pub fn to_folder(
    from: &dyn HubLog,
    folder: &Path,
    name: &Name,
    edge: &Edge,
) -> Result<Moved, Error> {
    std::fs::create_dir_all(folder).map_err(|cause| Error::Folder {
        folder: folder.to_owned(),
        cause,
    })?;
    let (log_path, access_path) = (folder.join(LOG_FILE), folder.join(ACCESS_FILE));
    let mut store = match Store::open(&log_path) {
        Err(store::Error::Missing(_)) => {
            let new = NewStore {
                id: from.log_id(),
                key: DeviceKey::from_bytes(edge.chance()?),
            };
            Store::create(&log_path, new)?
        }
        opened => opened?,
    };
    if store.id() != from.log_id() {
        let why = format!("{} holds another log already", folder.display());
        return Err(Error::NotMoved(why));
    }
    let access = match access_path.exists() {
        true => Access::open(&access_path)?,
        false => Access::create(&access_path, name)?,
    };
    // Until it is whole no hub opens it.
    store.keep_settings(&[(MOVED_TO, "its own folder, which is not done")])?;
    let position = store.setting(POSITION)?.and_then(|text| text.parse().ok());
    let mut moved = Moved {
        before: entries_in(&store)?,
        ..Moved::default()
    };
    read_all(from, Position(position.unwrap_or(0)), |records| {
        let (mut entries, mut seals, mut last) = (Vec::new(), Vec::new(), Position::START);
        for (at, record) in records {
            last = at;
            match record {
                Record::Entry(entry) => entries.push(entry),
                Record::Seal(seal) => seals.push(seal),
                Record::Access(change) => access.apply(at, &change)?,
                Record::Heard(device, bytes) => access.apply_heard(&[(device, bytes)])?,
                Record::Strange(why) => return Err(Error::NotMoved(why)),
            }
        }
        store.follow(&entries, &seals, &[(POSITION, &last.0.to_string())])?;
        Ok(())
    })?;
    let faults = store.verify()?.faults;
    if let Some(fault) = faults.first() {
        return Err(Error::NotMoved(fault.to_string()));
    }
    (moved.entries, moved.chains) = compare_lines(&store, from)?;
    let after_all: u64 = count_entries(from)?;
    if after_all != moved.entries {
        let why = format!(
            "{after_all} entries are in the log and {} here",
            moved.entries
        );
        return Err(Error::NotMoved(why));
    }
    store.keep_settings(&[(MOVED_TO, "")])?;
    Ok(moved)
}

/// Holds the last entry of every line, as the log names it, against the chains' ends here.
fn compare_lines(store: &Store, log: &dyn HubLog) -> Result<(u64, usize), Error> {
    let (mut entries, mut chains) = (0, 0);
    for logbook in store.logbooks()? {
        let heads = store.heads(logbook)?;
        for device in heads
            .iter()
            .map(|head| head.device)
            .collect::<BTreeSet<_>>()
        {
            let last = log.head(crate::hub_log::Line { logbook, device })?;
            let ends_so = |head: &&Head| {
                head.device == device
                    && last.is_some_and(|last| (last.seq, last.tip) == (head.seq, head.tip))
            };
            if heads.iter().find(ends_so).is_none() {
                let why = format!("device {device}'s chain in logbook {logbook} ends elsewhere");
                return Err(Error::NotMoved(why));
            }
        }
        entries += heads.iter().map(Head::entries).sum::<u64>();
        chains += heads.len();
    }
    Ok((entries, chains))
}

fn entries_in(store: &Store) -> Result<u64, Error> {
    let mut entries = 0;
    for logbook in store.logbooks()? {
        entries += store.heads(logbook)?.iter().map(Head::entries).sum::<u64>();
    }
    Ok(entries)
}

/// Counts the different entries of a log.
fn count_entries(log: &dyn HubLog) -> Result<u64, Error> {
    let mut there: BTreeSet<(LogbookId, [u8; 16])> = BTreeSet::new();
    read_all(log, Position::START, |records| {
        for (_, record) in records {
            if let Record::Entry(entry) = record {
                let mut digest = [0; 16];
                let hash = blake3::hash(&entry.raw);
                digest.copy_from_slice(hash.as_bytes().split_at(16).0);
                there.insert((line_of(&entry.raw)?.logbook, digest));
            }
        }
        Ok(())
    })?;
    Ok(there.len() as u64)
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

fn append(log: &dyn HubLog, records: &[Record]) -> Result<(), Error> {
    patiently(|| log.append(records, None)).map(drop)
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
