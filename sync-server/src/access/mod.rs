//! Who may come in: devices, their tokens, and the one-time codes that make them.
//!
//! One redb file beside the log, so that the log holds nothing but entries. A token or a code is
//! stored as its digest only. Each change is one transaction, on disk when its method returns.
//! Every method blocks. Start at [`Access`].

mod name;
mod sessions;
mod tables;

use std::collections::BTreeMap;
use std::fs;
use std::io;
use std::panic::{self, AssertUnwindSafe};
use std::path::Path;

use headwalk_core::log::id::DeviceId;
use headwalk_core::log::stamp::WallMs;
use redb::{Database, ReadableDatabase, ReadableTable, ReadableTableMetadata};

pub use headwalk_core::site::company::{NotARole, Role};
pub use name::Name;
pub use sessions::Session;

use crate::error::Error;
use crate::refused::Refused;
use crate::secret::{Code, Digest, Token};
use tables::{CODES, CodeRow, DEVICES, DeviceRow, HUB, LATER_IDS, TOKENS};

/// The version of the tables that this code writes.
const FORMAT: u64 = 1;
/// How long a spent or expired code is remembered, so that whoever types it is told so.
const REMEMBERED_MS: u64 = 30 * 24 * 60 * 60 * 1_000;
/// How many later ids a device may take: a tablet is copied or put back now and then, not daily.
const MOST_LATER_IDS: usize = 16;

/// The open list of devices and codes.
#[derive(Debug)]
pub struct Access {
    db: Database,
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
            Ok(Self { db })
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
        let txn = self.db.begin_write()?;
        txn.open_table(HUB)?
            .insert("name", name.as_str().as_bytes())?;
        Ok(txn.commit()?)
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
        let txn = self.db.begin_write()?;
        {
            let mut codes = txn.open_table(CODES)?;
            let mut over = Vec::new();
            for row in codes.iter()? {
                let (digest, row) = row?;
                let expires = tables::row::<CodeRow>(row.value())?.grant()?.expires;
                if expires.get().saturating_add(REMEMBERED_MS) < now.get() {
                    over.push(*digest.value());
                }
            }
            for digest in over {
                codes.remove(&digest)?;
            }
            let row = tables::row_bytes(&CodeRow::open(grant));
            codes.insert(code.digest().bytes(), row.as_slice())?;
        }
        Ok(txn.commit()?)
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
        let txn = self.db.begin_write().map_err(Error::from)?;
        let enrolled = {
            let mut codes = txn.open_table(CODES).map_err(Error::from)?;
            let grant = use_up(&mut codes, code, now)?;
            let enrolled = Enrolled {
                device: applicant.device,
                name: applicant.name,
                person: applicant.person,
                code_for: grant.made_for,
                role: grant.role,
                enrolled: now,
                revoked: None,
                heard: None,
                later: Vec::new(),
            };
            let mut devices = txn.open_table(DEVICES).map_err(Error::from)?;
            let mut tokens = txn.open_table(TOKENS).map_err(Error::from)?;
            let mut later_ids = txn.open_table(LATER_IDS).map_err(Error::from)?;
            let later_id_of = later_ids.remove(applicant.device.bytes());
            if let Some(holder) = later_id_of.map_err(Error::from)? {
                let holder = DeviceId::from_bytes(*holder.value());
                let row = find_device(&devices, holder)?.ok_or(Error::DamagedAccess)?;
                if row.enrolled(holder)?.revoked.is_none() {
                    return Err(Refused::AlreadyEnrolled(applicant.device));
                }
            }
            if let Some(before) = find_device(&devices, applicant.device)? {
                if before.enrolled(applicant.device)?.revoked.is_none() {
                    return Err(Refused::AlreadyEnrolled(applicant.device));
                }
                tokens.remove(before.token().bytes()).map_err(Error::from)?;
            }
            let (digest, device) = (token.digest(), enrolled.device.bytes());
            tokens.insert(digest.bytes(), device).map_err(Error::from)?;
            keep(&mut devices, device, &DeviceRow::of(&enrolled, digest))?;
            enrolled
        };
        txn.commit().map_err(Error::from)?;
        Ok(enrolled)
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
        let other = Refused::OtherDevice {
            enrolled: device,
            sender: id,
        };
        let txn = self.db.begin_write().map_err(Error::from)?;
        {
            let mut devices = txn.open_table(DEVICES).map_err(Error::from)?;
            let mut later_ids = txn.open_table(LATER_IDS).map_err(Error::from)?;
            if find_device(&devices, id)?.is_some() {
                return Err(other);
            }
            let before = later_ids.insert(id.bytes(), device.bytes());
            if before
                .map_err(Error::from)?
                .is_some_and(|holder| holder.value() != device.bytes())
            {
                return Err(other);
            }
            let mut full = false;
            change(&mut devices, device, |row| {
                full = row.later.len() >= MOST_LATER_IDS;
                if !row.later.contains(&id) {
                    row.later.push(id);
                }
            })?;
            if full {
                return Err(Refused::TooManyIds(device));
            }
        }
        txn.commit().map_err(Error::from)?;
        Ok(true)
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
        let row = find_device(&txn.open_table(DEVICES)?, device)?.ok_or(Error::DamagedAccess)?;
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
        let txn = self.db.begin_write()?;
        let revoked = {
            let mut devices = txn.open_table(DEVICES)?;
            let later_ids = txn.open_table(LATER_IDS)?;
            let later_id_of = later_ids.get(id.bytes())?;
            let device = later_id_of.map_or(id, |device| DeviceId::from_bytes(*device.value()));
            change(&mut devices, device, |enrolled| {
                enrolled.revoked.get_or_insert(now);
            })?
        };
        txn.commit()?;
        Ok(revoked)
    }

    /// Keeps what was measured when devices exchanged.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be written.
    pub fn keep_heard(&self, heard: &BTreeMap<DeviceId, Heard>) -> Result<(), Error> {
        let txn = self.db.begin_write()?;
        {
            let mut devices = txn.open_table(DEVICES)?;
            for (device, heard) in heard {
                change(&mut devices, *device, |row| row.heard = Some(*heard))?;
            }
        }
        Ok(txn.commit()?)
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

/// Uses a code up, and returns what it grants.
fn use_up(
    codes: &mut redb::Table<'_, &'static [u8; 32], &'static [u8]>,
    code: &Code,
    now: WallMs,
) -> Result<Grant, Refused> {
    let (digest, mut row) = find_code(codes, code)?.ok_or(Refused::UnknownCode)?;
    let grant = row.grant()?;
    if row.used {
        return Err(Refused::UsedCode);
    }
    if grant.expires <= now {
        return Err(Refused::ExpiredCode);
    }
    row.used = true;
    keep(codes, digest.bytes(), &row)?;
    Ok(grant)
}

/// Changes a device's row, and returns what it says then, if there is one.
fn change(
    devices: &mut redb::Table<'_, &'static [u8; 16], &'static [u8]>,
    device: DeviceId,
    change: impl FnOnce(&mut Enrolled),
) -> Result<Option<Enrolled>, Error> {
    let Some(row) = find_device(devices, device)? else {
        return Ok(None);
    };
    let mut enrolled = row.enrolled(device)?;
    change(&mut enrolled);
    let row = DeviceRow::of(&enrolled, row.token());
    keep(devices, device.bytes(), &row)?;
    Ok(Some(enrolled))
}

fn keep<const N: usize>(
    table: &mut redb::Table<'_, &'static [u8; N], &'static [u8]>,
    key: &[u8; N],
    row: &impl serde::Serialize,
) -> Result<(), Error> {
    table.insert(key, tables::row_bytes(row).as_slice())?;
    Ok(())
}

fn find_device(
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
