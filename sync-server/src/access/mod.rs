//! Who may come in: devices, their tokens, and the one-time codes that make them.
//!
//! One redb file beside the log, so that the log holds nothing but entries. A token or a code is
//! stored as its digest only. Each change is one transaction, on disk when its method returns.
//! Where hubs share a log, each change is a record of it before it is made here, on the condition
//! that it follows the latest one: so a code is used up once, whichever hub is asked. Then the log is
//! what keeps it, and this file comes to the disk now and then. Every method blocks. Start at [`Access`].

pub(crate) mod changes;
mod name;
mod sessions;
mod tables;

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io;
use std::panic::{self, AssertUnwindSafe};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use headwalk_core::log::id::DeviceId;
use headwalk_core::log::stamp::WallMs;
use redb::WriteTransaction;
use redb::{Database, Durability, ReadableDatabase, ReadableTable, ReadableTableMetadata};

pub use headwalk_core::site::company::{NotARole, Role};
pub use name::Name;
pub use sessions::Session;

use crate::error::Error;
use crate::hub_log::{HubLog, LogError, Position};
use crate::refused::Refused;
use crate::secret::{Code, Digest, Token};
use changes::{Change, In};
use tables::{CODES, CodeRow, DEVICES, DeviceRow, HUB, LATER_IDS, TOKENS};

/// The version of the tables that this code writes.
const FORMAT: u64 = 1;
/// How long a spent or expired code is remembered, so that whoever types it is told so.
const REMEMBERED_MS: u64 = 30 * 24 * 60 * 60 * 1_000;
/// How many later ids a device may take: a tablet is copied or put back now and then, not daily.
const MOST_LATER_IDS: usize = 16;

/// How often a change is tried where other hubs make theirs first, and how long each of those may
/// take to come here.
const TRIES: u32 = 500;
const COMES_HERE: Duration = Duration::from_millis(20);

/// What a hub's own id stands after, among the words about the hub.
const HUB_WRITES_AS: &str = "writes-as/";

/// The open list of devices and codes.
#[derive(Debug)]
pub struct Access {
    db: Database,
    log: Option<Arc<dyn HubLog>>,
    // Moves on with every change, so that what was worked out from the list is known to be old.
    revision: AtomicU64,
}

/// What a one-time code grants.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Grant {
    /// What its device may do.
    pub role: Role,
    /// Whom it was made for.
    pub made_for: Name,
    /// Until when it works.
    pub expires: WallMs,
}

/// A device that asks to come in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Applicant {
    /// Which device.
    pub device: DeviceId,
    /// What its people call it.
    pub name: Name,
    /// Who uses it.
    pub person: Name,
}

/// A device that was let in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Enrolled {
    /// Which device.
    pub device: DeviceId,
    /// What its people call it.
    pub name: Name,
    /// Who uses it, as they said.
    pub person: Name,
    /// Whom its code was made for, as the dispatcher said.
    pub code_for: Name,
    /// What it may do.
    pub role: Role,
    /// Since when.
    pub enrolled: WallMs,
    /// When its access was taken back, if it was.
    pub revoked: Option<WallMs>,
    /// When it last exchanged.
    pub heard: Option<Heard>,
    /// The ids as which it went on after its store was copied or put back, first to last. Copies
    /// of one store share its token, and are one device here.
    pub later: Vec<DeviceId>,
}

/// What was measured when a device exchanged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Heard {
    /// When, by the hub's clock.
    pub at: WallMs,
    /// How far its clock stood behind the hub's, in milliseconds; negative if ahead.
    pub behind_ms: i64,
}

impl Access {
    /// Begins an empty list in a new file.
    ///
    /// # Errors
    /// [`Error`] where none can be written there.
    pub fn create(path: &Path, hub: &Name) -> Result<Self, Error> {
        // Made under another name, so that a file that has its name is never half made. Whoever
        // begins a hub holds its log open, so there are never two at this.
        let making = path.with_extension("making");
        let cannot = |cause| Error::Folder {
            folder: path.to_owned(),
            cause,
        };
        match fs::remove_file(&making) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(cannot(error)),
            _ => {}
        }
        let db = Database::create(&making)?;
        let txn = db.begin_write()?;
        {
            let mut about = txn.open_table(HUB)?;
            about.insert("format", FORMAT.to_be_bytes().as_slice())?;
            about.insert("name", hub.as_str().as_bytes())?;
            txn.open_table(CODES)?;
            txn.open_table(DEVICES)?;
            txn.open_table(TOKENS)?;
            txn.open_table(LATER_IDS)?;
        }
        txn.commit()?;
        drop(db);
        fs::rename(&making, path).map_err(cannot)?;
        Self::open(path)
    }

    /// Opens the list in this file.
    ///
    /// # Errors
    /// [`Error::DamagedAccess`] where it is something else; [`Error::InUse`] where another hub has
    /// it open.
    pub fn open(path: &Path) -> Result<Self, Error> {
        // redb can panic on a damaged file: that is an error like any other.
        panic::catch_unwind(AssertUnwindSafe(|| {
            let db = Database::open(path)?;
            let about = db.begin_read()?.open_table(HUB)?;
            let format = about.get("format")?.map(|row| row.value().to_vec());
            if format.as_deref() != Some(FORMAT.to_be_bytes().as_slice()) {
                return Err(Error::DamagedAccess);
            }
            drop(about);
            Ok(Self {
                db,
                log: None,
                revision: AtomicU64::new(0),
            })
        }))
        .unwrap_or(Err(Error::DamagedAccess))
    }

    /// Returns the hub's name.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn hub_name(&self) -> Result<Name, Error> {
        let about = self.db.begin_read()?.open_table(HUB)?;
        let name = about.get("name")?.ok_or(Error::DamagedAccess)?;
        let text = core::str::from_utf8(name.value()).map_err(|_| Error::DamagedAccess)?;
        Name::parse("the hub's name", text)
    }

    /// Gives the hub another name.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be written.
    pub fn rename_hub(&self, name: &Name) -> Result<(), Error> {
        self.change(|change| change.put(In::Hub, b"name", name.as_str().into()))
    }

    /// Adds an id under which a hub writes its own entries.
    pub(crate) fn add_hub(&self, device: DeviceId) -> Result<(), Error> {
        let key = format!("{HUB_WRITES_AS}{device}");
        self.change(|change| change.put(In::Hub, key.as_bytes(), Vec::new()))
    }

    /// Returns the ids under which hubs wrote.
    pub(crate) fn hubs(&self) -> Result<BTreeSet<DeviceId>, Error> {
        let about = self.db.begin_read()?.open_table(HUB)?;
        let mut hubs = BTreeSet::new();
        for row in about.range(HUB_WRITES_AS..)? {
            let Some(device) = row?.0.value().strip_prefix(HUB_WRITES_AS).map(str::parse) else {
                break;
            };
            hubs.insert(device.map_err(|_| Error::DamagedAccess)?);
        }
        Ok(hubs)
    }

    /// Returns where the fleet's log has moved, if it has.
    pub(crate) fn moved_to(&self) -> Result<Option<String>, Error> {
        let about = self.db.begin_read()?.open_table(HUB)?;
        let address = about.get(changes::MOVED_TO)?;
        Ok(address.map(|address| String::from_utf8_lossy(address.value()).into_owned()))
    }

    /// Returns where the latest change of the fleet's log stands that is made here.
    pub(crate) fn applied(&self) -> Result<Position, Error> {
        let about = self.db.begin_read()?.open_table(HUB)?;
        changes::position(&about, changes::APPLIED).map(Position)
    }

    /// Forgets of which fleet's log it follows: what a log says from now on counts from its first
    /// change, and it has moved nowhere.
    pub(crate) fn leave_fleet(&self) -> Result<(), Error> {
        changes::leave_log(self.db.begin_write()?)?;
        self.revision.fetch_add(1, Ordering::AcqRel);
        Ok(())
    }

    /// Returns up to where of the fleet's log everything was here when it was last put on disk.
    pub(crate) fn followed(&self) -> Result<Position, Error> {
        let about = self.db.begin_read()?.open_table(HUB)?;
        changes::position(&about, changes::FOLLOWED).map(Position)
    }

    /// Puts everything on disk, which is all that the fleet's log says up to a position.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be written.
    pub(crate) fn put_on_disk(&self, followed: Position) -> Result<(), Error> {
        let mut txn = self.db.begin_write()?;
        txn.set_quick_repair(true);
        txn.open_table(HUB)?
            .insert(changes::FOLLOWED, followed.0.to_be_bytes().as_slice())?;
        Ok(txn.commit()?)
    }

    /// Begins to write. What the log has stays in memory until it is put on disk.
    fn begin_write(&self) -> Result<WriteTransaction, Error> {
        let mut txn = self.db.begin_write()?;
        if self.log.is_some() {
            let set = txn.set_durability(Durability::None);
            set.map_err(redb::Error::from)?;
        }
        Ok(txn)
    }

    /// Makes every change a record of this log from now on.
    pub(crate) fn share(&mut self, log: Arc<dyn HubLog>) {
        self.log = Some(log);
    }

    /// Returns a number that moves on with every change.
    pub(crate) fn revision(&self) -> u64 {
        self.revision.load(Ordering::Acquire)
    }

    /// Makes a change: it is on disk, and in the log where there is one, or nothing has changed.
    fn change<T, E: From<Error>>(
        &self,
        make: impl Fn(&mut Change) -> Result<T, E>,
    ) -> Result<T, E> {
        for _ in 0..TRIES {
            let mut change = Change::begin(self.begin_write()?);
            let made = make(&mut change)?;
            if change.is_empty() {
                change.abort()?;
                return Ok(made);
            }
            let at = match &self.log {
                None => None,
                Some(log) => {
                    let last = Position(change.applied()?);
                    match log
                        .append_access(&change.bytes(), last)
                        .map_err(Error::from)?
                    {
                        Some(at) => Some(at.0),
                        None => {
                            // Another hub's change is on its way here.
                            change.abort()?;
                            std::thread::sleep(COMES_HERE);
                            continue;
                        }
                    }
                }
            };
            change.commit(at)?;
            self.revision.fetch_add(1, Ordering::AcqRel);
            return Ok(made);
        }
        let why = "other hubs' changes of the list of devices do not come here".to_owned();
        Err(Error::from(LogError::Unreachable(why)).into())
    }

    /// Makes a change that stands in the log, unless it is made.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be written, or the change cannot be read.
    pub(crate) fn apply(&self, at: Position, bytes: &[u8]) -> Result<(), Error> {
        changes::apply(self.begin_write()?, at.0, bytes)?;
        self.revision.fetch_add(1, Ordering::AcqRel);
        Ok(())
    }

    /// Returns the whole list as changes, for a log that is begun from it.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub(crate) fn as_changes(&self) -> Result<Vec<Vec<u8>>, Error> {
        changes::whole(&self.db.begin_read()?)
    }

    /// Returns whether no code was ever made here.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn is_untouched(&self) -> Result<bool, Error> {
        let txn = self.db.begin_read()?;
        Ok(txn.open_table(CODES)?.is_empty()? && txn.open_table(DEVICES)?.is_empty()?)
    }

    /// Makes a code good for what it grants, and forgets codes that have long been over.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be written.
    pub fn issue(&self, code: &Code, grant: &Grant, now: WallMs) -> Result<(), Error> {
        self.change(|change| issue(change, code, grant, now))
    }

    /// Makes a code where none was ever made here; says whether it did.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be written.
    pub fn issue_first(&self, code: &Code, grant: &Grant, now: WallMs) -> Result<bool, Error> {
        self.change(|change| {
            let txn = change.reading();
            if !(txn.open_table(CODES)?.is_empty()? && txn.open_table(DEVICES)?.is_empty()?) {
                return Ok(false);
            }
            issue(change, code, grant, now)?;
            Ok(true)
        })
    }

    /// Lets a device in: uses the code up and makes the token good, both or neither.
    ///
    /// # Errors
    /// [`Refused::UnknownCode`], [`Refused::UsedCode`], [`Refused::ExpiredCode`] or
    /// [`Refused::AlreadyEnrolled`]; [`Refused::Failed`] where the file cannot be written. Then
    /// nothing has changed.
    pub fn enrol(
        &self,
        code: &Code,
        applicant: Applicant,
        token: &Token,
        now: WallMs,
    ) -> Result<Enrolled, Refused> {
        self.change(|change| {
            let grant = use_up(change, code, now)?;
            let device = applicant.device;
            let enrolled = Enrolled {
                device,
                name: applicant.name.clone(),
                person: applicant.person.clone(),
                code_for: grant.made_for,
                role: grant.role,
                enrolled: now,
                revoked: None,
                heard: None,
                later: Vec::new(),
            };
            if let Some(holder) = find_holder(change, device)? {
                let row = find_device(change, holder)?.ok_or(Error::DamagedAccess)?;
                if row.enrolled(holder)?.revoked.is_none() {
                    return Err(Refused::AlreadyEnrolled(device));
                }
                change.remove(In::LaterIds, device.bytes())?;
            }
            if let Some(before) = find_device(change, device)? {
                if before.enrolled(device)?.revoked.is_none() {
                    return Err(Refused::AlreadyEnrolled(device));
                }
                change.remove(In::Tokens, before.token().bytes())?;
            }
            let digest = token.digest();
            change.put(In::Tokens, digest.bytes(), device.bytes().to_vec())?;
            keep(change, device, &DeviceRow::of(&enrolled, digest))?;
            Ok(enrolled)
        })
    }

    /// Lets a device go on under another id, as it must where its store was copied or put back.
    /// Nothing changes where it has that id already; says whether anything did.
    ///
    /// # Errors
    /// [`Refused::OtherDevice`] where the id is another device's; [`Refused::TooManyIds`];
    /// [`Refused::Failed`] where the file cannot be written. Then nothing has changed.
    pub fn go_on_as(&self, enrolled: &Enrolled, id: DeviceId) -> Result<bool, Refused> {
        let device = enrolled.device;
        if id == device || enrolled.later.contains(&id) {
            return Ok(false);
        }
        let other = || Refused::OtherDevice {
            enrolled: device,
            sender: id,
        };
        self.change(|change| {
            if find_device(change, id)?.is_some() {
                return Err(other());
            }
            match find_holder(change, id)? {
                Some(holder) if holder != device => return Err(other()),
                Some(_) => {}
                None => change.put(In::LaterIds, id.bytes(), device.bytes().to_vec())?,
            }
            let mut full = false;
            update(change, device, |row| {
                if !row.later.contains(&id) {
                    full = row.later.len() >= MOST_LATER_IDS;
                    row.later.push(id);
                }
            })?;
            if full {
                return Err(Refused::TooManyIds(device));
            }
            Ok(true)
        })
    }

    /// Returns the device whose token this is, its access taken back or not.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn holder(&self, token: &Token) -> Result<Option<Enrolled>, Error> {
        let txn = self.db.begin_read()?;
        let digest = token.digest();
        let Some(device) = txn.open_table(TOKENS)?.get(digest.bytes())? else {
            return Ok(None);
        };
        let device = DeviceId::from_bytes(*device.value());
        let row = row_of(&txn.open_table(DEVICES)?, device)?.ok_or(Error::DamagedAccess)?;
        // The row has the last word: a token is good when its device says so, too.
        if row.token() != digest {
            return Ok(None);
        }
        row.enrolled(device).map(Some)
    }

    /// Takes a device's access back, by the id it was enrolled with or a later one; returns it as
    /// it is then. Doing so twice changes nothing.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be written.
    pub fn revoke(&self, id: DeviceId, now: WallMs) -> Result<Option<Enrolled>, Error> {
        self.change(|change| {
            let device = find_holder(change, id)?.unwrap_or(id);
            update(change, device, |enrolled| {
                enrolled.revoked.get_or_insert(now);
            })
        })
    }

    /// Keeps what was measured when devices exchanged. In a fleet it is a record without condition:
    /// the latest counts.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be written.
    pub fn keep_heard(&self, heard: &BTreeMap<DeviceId, Heard>) -> Result<(), Error> {
        if heard.is_empty() {
            return Ok(());
        }
        if let Some(log) = &self.log {
            let record = |(device, heard): (&DeviceId, &Heard)| {
                let row = (heard.at.get(), heard.behind_ms);
                (*device, tables::row_bytes(&row))
            };
            let records: Vec<_> = heard.iter().map(record).collect();
            return Ok(log.append_heard(&records)?);
        }
        self.write_heard(heard)
    }

    /// Takes in what another hub heard.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be written, or the record cannot be read.
    pub(crate) fn apply_heard(&self, heard: &[(DeviceId, Vec<u8>)]) -> Result<(), Error> {
        let mut latest = BTreeMap::new();
        for (device, bytes) in heard {
            let (at, behind_ms) = tables::row(bytes)?;
            let at = WallMs::new(at);
            latest.insert(*device, Heard { at, behind_ms });
        }
        self.write_heard(&latest)
    }

    fn write_heard(&self, heard: &BTreeMap<DeviceId, Heard>) -> Result<(), Error> {
        let mut change = Change::begin(self.begin_write()?);
        for (device, heard) in heard {
            update(&mut change, *device, |row| {
                if row.heard.is_none_or(|kept| kept.at < heard.at) {
                    row.heard = Some(*heard);
                }
            })?;
        }
        change.commit(None)
    }

    /// Returns every device that was ever let in, by device.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn devices(&self) -> Result<Vec<Enrolled>, Error> {
        let devices = self.db.begin_read()?.open_table(DEVICES)?;
        devices
            .iter()?
            .map(|row| {
                let (device, row) = row?;
                let device = DeviceId::from_bytes(*device.value());
                tables::row::<DeviceRow>(row.value())?.enrolled(device)
            })
            .collect()
    }
}

fn issue(change: &mut Change, code: &Code, grant: &Grant, now: WallMs) -> Result<(), Error> {
    let mut over = Vec::new();
    for row in change.reading().open_table(CODES)?.iter()? {
        let (digest, row) = row?;
        let expires = tables::row::<CodeRow>(row.value())?.grant()?.expires;
        if expires.get().saturating_add(REMEMBERED_MS) < now.get() {
            over.push(*digest.value());
        }
    }
    for digest in over {
        change.remove(In::Codes, &digest)?;
    }
    let row = tables::row_bytes(&CodeRow::open(grant));
    change.put(In::Codes, code.digest().bytes(), row)
}

/// Uses a code up, and returns what it grants.
fn use_up(change: &mut Change, code: &Code, now: WallMs) -> Result<Grant, Refused> {
    let found = {
        let codes = change.reading().open_table(CODES).map_err(Error::from)?;
        find_code(&codes, code)?
    };
    let (digest, mut row) = found.ok_or(Refused::UnknownCode)?;
    let grant = row.grant()?;
    if row.used {
        return Err(Refused::UsedCode);
    }
    if grant.expires <= now {
        return Err(Refused::ExpiredCode);
    }
    row.used = true;
    change.put(In::Codes, digest.bytes(), tables::row_bytes(&row))?;
    Ok(grant)
}

/// Changes a device's row, and returns what it says then, if there is one.
fn update(
    change: &mut Change,
    device: DeviceId,
    update: impl FnOnce(&mut Enrolled),
) -> Result<Option<Enrolled>, Error> {
    let Some(row) = find_device(change, device)? else {
        return Ok(None);
    };
    let before = row.enrolled(device)?;
    let mut enrolled = before.clone();
    update(&mut enrolled);
    if enrolled != before {
        keep(change, device, &DeviceRow::of(&enrolled, row.token()))?;
    }
    Ok(Some(enrolled))
}

fn keep(change: &mut Change, device: DeviceId, row: &DeviceRow) -> Result<(), Error> {
    change.put(In::Devices, device.bytes(), tables::row_bytes(row))
}

fn find_device(change: &Change, device: DeviceId) -> Result<Option<DeviceRow>, Error> {
    row_of(&change.reading().open_table(DEVICES)?, device)
}

/// Returns the device that went on under this id.
fn find_holder(change: &Change, id: DeviceId) -> Result<Option<DeviceId>, Error> {
    let later_ids = change.reading().open_table(LATER_IDS)?;
    let holder = later_ids.get(id.bytes())?;
    Ok(holder.map(|device| DeviceId::from_bytes(*device.value())))
}

fn row_of(
    devices: &impl ReadableTable<&'static [u8; 16], &'static [u8]>,
    device: DeviceId,
) -> Result<Option<DeviceRow>, Error> {
    let row = devices.get(device.bytes())?;
    row.map(|row| tables::row(row.value())).transpose()
}

/// Compares the code with every one that is kept, so that the time it takes tells a guesser
/// nothing. There are as many as the dispatcher made within a month.
fn find_code(
    codes: &impl ReadableTable<&'static [u8; 32], &'static [u8]>,
    code: &Code,
) -> Result<Option<(Digest, CodeRow)>, Error> {
    let (wanted, mut found) = (code.digest(), None);
    for row in codes.iter()? {
        let (digest, row) = row?;
        let digest = Digest::from_bytes(*digest.value());
        if digest == wanted {
            found = Some((digest, tables::row(row.value())?));
        }
    }
    Ok(found)
}

#[cfg(test)]
mod tests;
