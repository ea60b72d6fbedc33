//! From a fleet's log into a folder.

use std::collections::BTreeSet;
use std::path::Path;

use headwalk_core::log::seal::DeviceKey;
use headwalk_core::store::{self, Head, NewStore, Store};

use super::{InStep, MOVED_TO, Moved, UNDER_WAY, patiently, read_all};
use crate::access::{Access, Name, changes};
use crate::edge::Edge;
use crate::error::Error;
use crate::hub::{ACCESS_FILE, LOG_FILE};
use crate::hub_log::{HubLog, Line, LogId, Position, Record};

/// Moves a fleet's log into a folder, which holds nothing, the beginning of the same log, or what it
/// was before it became a fleet's. No hub may use either meanwhile. At the end the log says where it
/// is, and no hub goes on with it.
///
/// # Errors
/// Those of [`to_fleet`].
pub fn to_folder(
    from: &dyn HubLog,
    folder: &Path,
    name: &Name,
    edge: &Edge,
) -> Result<Moved, Error> {
    let cannot = |cause| Error::Folder {
        folder: folder.to_owned(),
        cause,
    };
    let here = std::path::absolute(folder).map_err(cannot)?;
    let here = format!("redb:{}", here.display());
    let all = Survey::of(from)?;
    if let Some(place) = all.moved_to.as_ref().filter(|place| **place != here) {
        return Err(Error::Moved(place.clone()));
    }
    std::fs::create_dir_all(folder).map_err(cannot)?;
    let (mut store, access) = begin_in(from.log_id(), folder, name, edge)?;
    let goes_on = store.setting(MOVED_TO)?.as_deref() == Some(UNDER_WAY);
    if let Some(place) = all.moved_to.as_ref().filter(|_| !goes_on) {
        return Err(Error::Moved(place.clone())); // and the hub there may have gone on
    }
    if !goes_on {
        // Until it is whole no hub opens it; where a log that it was before stood says nothing.
        access.leave_fleet()?;
        store.keep_settings(&[(MOVED_TO, UNDER_WAY)])?;
    }
    let mut moved = Moved {
        before: entries_in(&store)?,
        ..Moved::default()
    };
    let entries = take_in(from, &store, &access)?;
    let faults = store.verify()?.faults;
    if let Some(fault) = faults.first() {
        return Err(Error::NotMoved(fault.to_string()));
    }
    (moved.entries, moved.chains) = compare_lines(&store, from)?;
    if entries != moved.entries {
        let why = format!(
            "{entries} entries are in the log and {} here",
            moved.entries
        );
        return Err(Error::NotMoved(why));
    }
    if all.moved_to.is_none() {
        // On the condition that nobody let a device in since, and after a look at the rest.
        let last = access.applied()?;
        let moved = match patiently(|| from.end())? == all.end {
            true => patiently(|| from.append_access(&changes::moved(&here), last))?,
            false => None,
        };
        if moved.is_none() {
            let why = "a hub still writes to it: stop all of them first";
            return Err(Error::NotMoved(why.to_owned()));
        }
    }
    access.leave_fleet()?;
    store.keep_settings(&[(MOVED_TO, "")])?;
    Ok(moved)
}

/// Opens or begins the files of a hub that a log with this id is moved to.
fn begin_in(id: LogId, folder: &Path, name: &Name, edge: &Edge) -> Result<(Store, Access), Error> {
    let (log_path, access_path) = (folder.join(LOG_FILE), folder.join(ACCESS_FILE));
    let store = match Store::open(&log_path) {
        Err(store::Error::Missing(_)) => {
            let key = DeviceKey::from_bytes(edge.chance()?);
            Store::create(&log_path, NewStore { id, key })?
        }
        opened => opened?,
    };
    if store.id() != id {
        let why = format!("{} holds another log already", folder.display());
        return Err(Error::NotMoved(why));
    }
    let access = match access_path.exists() {
        true => Access::open(&access_path)?,
        false => Access::create(&access_path, name)?,
    };
    Ok((store, access))
}

/// Takes in what a log has, entry for entry after those that the folder has already; returns how many
/// entries the log has.
fn take_in(from: &dyn HubLog, store: &Store, access: &Access) -> Result<u64, Error> {
    let (mut here, mut more, mut taken) = (InStep::with(store), true, 0);
    read_all(from, Position::START, |records| {
        let (mut entries, mut seals, mut heard) = (Vec::new(), Vec::new(), Vec::new());
        for (at, record) in records {
            match record {
                Record::Entry(entry) => match more.then(|| here.is_next(&entry)).transpose()? {
                    Some(Some(true)) => {}
                    Some(Some(false)) => return Err(here.parts()),
                    Some(None) | None => {
                        more = false; // what the store has from now on, it has from here
                        entries.push(entry);
                    }
                },
                Record::Seal(seal) => seals.push(seal),
                Record::Access(change) => access.apply(at, &change)?,
                Record::Heard(device, bytes) => heard.push((device, bytes)),
                Record::Strange(why) => return Err(Error::NotMoved(why)),
            }
        }
        if !heard.is_empty() {
            access.apply_heard(&heard)?;
        }
        taken += store.follow(&entries, &seals, &[])?.new as u64;
        Ok(())
    })?;
    Ok(here.entries + taken)
}

/// What a log comes to, before anything is taken from it.
struct Survey {
    end: Position,
    /// Where it says that it has moved.
    moved_to: Option<String>,
}

impl Survey {
    fn of(log: &dyn HubLog) -> Result<Self, Error> {
        let (mut end, mut moved_to) = (Position::START, None);
        read_all(log, Position::START, |records| {
            for (at, record) in records {
                end = at;
                if let Record::Access(change) = record {
                    moved_to = changes::moved_to(&change).or(moved_to.take());
                }
            }
            Ok(())
        })?;
        Ok(Self { end, moved_to })
    }
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
            let last = log.head(Line { logbook, device })?;
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
