//! From a folder into a fleet's log.

use std::collections::BTreeSet;
use std::path::Path;

use headwalk_core::log::chain::Link;
use headwalk_core::log::seal::DeviceKey;
use headwalk_core::store::{self, Head, NewStore, Store};

use super::{InStep, MOVED_TO, Moved, READ_BYTES, is_in, patiently, read_all};
use crate::access::Access;
use crate::edge::Edge;
use crate::error::Error;
use crate::hub::{ACCESS_FILE, LOG_FILE};
use crate::hub_log::appending::MOST_AT_ONCE;
use crate::hub_log::{HubLog, Position, Record};

/// Moves the log of the hub in a folder to `to`, which holds nothing or the beginning of the same
/// log. No hub may use either meanwhile. At the end the folder says where its log is, and no hub
/// opens it.
///
/// # Errors
/// [`Error::NotMoved`] where what stands at the other end is something else; [`Error::Moved`] where
/// the log is elsewhere already; [`Error`] where either cannot be used. The same command goes on then.
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
    is_in(folder, &store, Some(address))?;
    let access = Access::open(&folder.join(ACCESS_FILE))?;
    if to.log_id() != store.id() {
        let why = format!("{address} is another log already");
        return Err(Error::NotMoved(why));
    }
    let there = Standing::read(to, &store)?;
    let mut moved = Moved {
        before: there.entries.entries,
        ..Moved::default()
    };
    let mut at = there.entries.arrival;
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

/// What stands at the other end already.
struct Standing<'s> {
    entries: InStep<'s>,
    /// Each by its signature, which others may share, and the link that it is about.
    seals: BTreeSet<([u8; 64], Link)>,
    access: Vec<Vec<u8>>,
    last_access: Position,
}

impl<'s> Standing<'s> {
    /// Reads it, and holds it against the store entry by entry.
    fn read(log: &dyn HubLog, store: &'s Store) -> Result<Self, Error> {
        let mut there = Self {
            entries: InStep::with(store),
            seals: BTreeSet::new(),
            access: Vec::new(),
            last_access: Position::START,
        };
        read_all(log, Position::START, |records| {
            for (at, record) in records {
                match record {
                    Record::Entry(entry) => match there.entries.is_next(&entry)? {
                        Some(true) => {}
                        _ => return Err(there.entries.parts()),
                    },
                    Record::Seal(seal) => {
                        there.seals.insert((seal.signature, seal.link));
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

    fn has_seal(&self, record: &Record) -> bool {
        matches!(record, Record::Seal(seal) if self.seals.contains(&(seal.signature, seal.link)))
    }
}

fn move_access(access: &Access, to: &dyn HubLog, there: &Standing<'_>) -> Result<(), Error> {
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

fn append(log: &dyn HubLog, records: &[Record]) -> Result<(), Error> {
    patiently(|| log.append(records, None)).map(drop)
}
