//! The hub itself: one log, one list of devices, and the only writer of both.
//!
//! Everything here blocks and knows nothing of HTTP; `routes` calls it from threads that may
//! block. What a method returned from is on disk. Start at [`Hub`].

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use headwalk_core::exchange::message::Parcel;
use headwalk_core::exchange::session::{self, Answering};
use headwalk_core::log::id::{DeviceId, StoreId};
use headwalk_core::log::stamp::WallMs;
use headwalk_core::store::{self, NewStore, Store};

use crate::access::{Access, Applicant, Enrolled, Grant, Heard, Name, Role};
use crate::edge::Edge;
use crate::error::Error;
use crate::refused::Refused;
use crate::secret::{Code, Token};

/// The file of the entries, in the hub's folder.
pub const LOG_FILE: &str = "log.redb";
/// The file of the devices and codes, in the hub's folder.
pub const ACCESS_FILE: &str = "access.redb";
/// How long the first code is valid.
pub const FIRST_CODE_HOURS: u32 = 24;
/// How far what was last heard of a device may lag on disk. More often than this would cost each
/// exchange a second write for a figure that only helps the dispatcher.
const HEARD_LAG_MS: i64 = 60_000;

/// An open hub. Only one process can have a folder open.
#[derive(Debug)]
pub struct Hub {
    log: Store,
    access: Access,
    edge: Edge,
    // Held for one insert or read at a time, never while the disk works.
    heard: Mutex<BTreeMap<DeviceId, Heard>>,
}

/// A one-time code that was just made. It is shown once; the hub keeps its digest only.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Issued {
    /// The code.
    pub code: Code,
    /// What it grants.
    pub grant: Grant,
}

/// What a device gets when it is let in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Welcome {
    /// Its token. It is shown once; the hub keeps its digest only.
    pub token: Token,
    /// The hub's store, by which the device remembers what the hub holds.
    pub store: StoreId,
    /// What the device may do.
    pub role: Role,
    /// The hub's name.
    pub hub_name: Name,
}

impl Hub {
    /// Begins a hub in this folder, or ends a beginning that was broken off.
    ///
    /// # Errors
    /// [`Error`] where the folder or its files cannot be written.
    pub fn create(folder: &Path, name: &Name, edge: Edge) -> Result<Self, Error> {
        fs::create_dir_all(folder).map_err(|cause| Error::Folder {
            folder: folder.to_owned(),
            cause,
        })?;
        let (log_path, now) = (folder.join(LOG_FILE), edge.now().get());
        let log = match Store::open(&log_path) {
            Err(store::Error::Missing(_)) => {
                let new = NewStore {
                    id: StoreId::fresh(now, edge.chance()?),
                    device: DeviceId::fresh(now, edge.chance()?),
                };
                Store::create(&log_path, new)?
            }
            opened => opened?,
        };
        // The log comes first and is held open: a list of devices is never without its log, and
        // never made by two at once.
        let access = Access::create(&folder.join(ACCESS_FILE), name)?;
        Ok(Self::of(log, access, edge))
    }

    /// Opens the hub in this folder.
    ///
    /// # Errors
    /// [`Error::NoHub`] where none was begun; [`Error`] where its files cannot be used.
    pub fn open(folder: &Path, edge: Edge) -> Result<Self, Error> {
        let (log_path, access_path) = (folder.join(LOG_FILE), folder.join(ACCESS_FILE));
        if !access_path.exists() {
            return Err(Error::NoHub(folder.to_owned()));
        }
        let log = match Store::open(&log_path) {
            Err(store::Error::Missing(path)) => return Err(Error::LogIsGone(path)),
            opened => opened?,
        };
        let access = Access::open(&access_path)?;
        Ok(Self::of(log, access, edge))
    }

    /// Puts a hub together from its parts.
    pub(crate) const fn of(log: Store, access: Access, edge: Edge) -> Self {
        Self {
            log,
            access,
            edge,
            heard: Mutex::new(BTreeMap::new()),
        }
    }

    /// Begins to serve: the hub's own entries (receipts) come from a new device from now on, so
    /// that no place in a chain is used twice should the folder have been put back to a copy.
    ///
    /// # Errors
    /// [`Error`] where it cannot be written.
    pub fn begin_serving(&mut self) -> Result<(), Error> {
        let device = DeviceId::fresh(self.edge.now().get(), self.edge.chance()?);
        Ok(self.log.write_as(device)?)
    }

    /// Returns the hub's log.
    pub const fn log(&self) -> &Store {
        &self.log
    }

    /// Returns where the hub takes the time from.
    pub const fn edge(&self) -> &Edge {
        &self.edge
    }

    /// Returns the hub's name.
    ///
    /// # Errors
    /// [`Error`] where it cannot be read.
    pub fn name(&self) -> Result<Name, Error> {
        self.access.hub_name()
    }

    /// Gives the hub another name.
    ///
    /// # Errors
    /// [`Error`] where it cannot be written.
    pub fn rename(&self, name: &Name) -> Result<(), Error> {
        self.access.rename_hub(name)
    }

    /// Makes a one-time code.
    ///
    /// # Errors
    /// [`Error`] where it cannot be kept; then there is none.
    pub fn issue(&self, role: Role, made_for: Name, valid_hours: u32) -> Result<Issued, Error> {
        let now = self.edge.now();
        let valid = Duration::from_secs(u64::from(valid_hours) * 60 * 60);
        let grant = Grant {
            role,
            made_for,
            expires: WallMs::new(now.get().saturating_add(valid.as_millis() as u64)),
        };
        let code = Code::from_chance(self.edge.chance()?);
        self.access.issue(&code, &grant, now)?;
        Ok(Issued { code, grant })
    }

    /// Makes the hub's first code, for a dispatcher, unless one was ever made.
    ///
    /// # Errors
    /// [`Error`] where it cannot be kept.
    pub fn first_code(&self) -> Result<Option<Issued>, Error> {
        if !self.access.is_untouched()? {
            return Ok(None);
        }
        let made_for = Name::parse("the first dispatcher", "first dispatcher")?;
        self.issue(Role::Dispatcher, made_for, FIRST_CODE_HOURS)
            .map(Some)
    }

    /// Lets a device in.
    ///
    /// # Errors
    /// [`Refused`], as [`Access::enrol`] does.
    pub fn enrol(&self, code: &Code, applicant: Applicant) -> Result<Welcome, Refused> {
        let token = Token::from_chance(self.edge.chance()?);
        let hub_name = self.name()?;
        let now = self.edge.now();
        let enrolled = self.access.enrol(code, applicant, &token, now)?;
        Ok(Welcome {
            token,
            store: self.log.id(),
            role: enrolled.role,
            hub_name,
        })
    }

    /// Returns the device whose token this is, if it may still come in.
    ///
    /// # Errors
    /// [`Refused::UnknownToken`] or [`Refused::Revoked`].
    pub fn holder(&self, token: &Token) -> Result<Enrolled, Refused> {
        let holder = self.access.holder(token)?.ok_or(Refused::UnknownToken)?;
        match holder.revoked {
            Some(_) => Err(Refused::Revoked),
            None => Ok(holder),
        }
    }

    /// Returns the dispatcher whose token this is.
    ///
    /// # Errors
    /// [`Refused::NotAllowed`] where the device has another role, or as [`Hub::holder`] does.
    pub fn dispatcher(&self, token: &Token) -> Result<Enrolled, Refused> {
        let holder = self.holder(token)?;
        match holder.role {
            Role::Dispatcher => Ok(holder),
            other => Err(Refused::NotAllowed(other)),
        }
    }

    /// Answers a device's parcel. What the answer acknowledges is on disk.
    ///
    /// The token is looked up anew: access may have been taken back while the parcel was on its
    /// way.
    ///
    /// # Errors
    /// [`Refused`] where the device may not, or the parcel cannot be read; then nothing was taken.
    pub fn exchange(&self, token: &Token, parcel: &[u8]) -> Result<Vec<u8>, Refused> {
        let holder = self.holder(token)?;
        let parcel = Parcel::from_bytes(parcel)?;
        // A store that was copied or put back changes its device's id between two parcels.
        self.access.go_on_as(&holder, parcel.from.device)?;
        let answering = match holder.role {
            Role::Crew | Role::Dispatcher => Answering::as_hub(),
            // Told in the answer, logbook by logbook, so that everything else still comes.
            Role::Auditor => Answering::as_hub().reading_only(),
        };
        let now = self.edge.now();
        let answer = session::answer(&self.log, &parcel, &answering, now)?.to_bytes();
        let heard = Heard {
            at: now,
            behind_ms: now.since(parcel.from.at),
        };
        self.hear(&holder, heard)?;
        Ok(answer)
    }

    fn hear(&self, holder: &Enrolled, heard: Heard) -> Result<(), Error> {
        self.heard_book().insert(holder.device, heard);
        let lag = holder
            .heard
            .map_or(i64::MAX, |kept| heard.at.since(kept.at));
        if lag >= HEARD_LAG_MS {
            self.access
                .keep_heard(&BTreeMap::from([(holder.device, heard)]))?;
        }
        Ok(())
    }

    fn heard_book(&self) -> std::sync::MutexGuard<'_, BTreeMap<DeviceId, Heard>> {
        // A panic while it is held cannot leave it half changed: one insert is all there is.
        self.heard.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Takes a device's access back; returns it as it is then.
    ///
    /// # Errors
    /// [`Refused::NoSuchDevice`] where none was enrolled under that id.
    pub fn revoke(&self, device: DeviceId) -> Result<Enrolled, Refused> {
        let revoked = self.access.revoke(device, self.edge.now())?;
        revoked.ok_or(Refused::NoSuchDevice(device))
    }

    /// Returns every device that was ever let in, with what was last heard of it.
    ///
    /// # Errors
    /// [`Error`] where the list cannot be read.
    pub fn devices(&self) -> Result<Vec<Enrolled>, Error> {
        let mut devices = self.access.devices()?;
        let heard = self.heard_book();
        for device in &mut devices {
            device.heard = heard.get(&device.device).copied().or(device.heard);
        }
        Ok(devices)
    }

    /// Reads from both files, to see whether they can be read.
    ///
    /// # Errors
    /// [`Error`] where they cannot.
    pub fn look(&self) -> Result<(), Error> {
        self.log.clock()?;
        self.access.hub_name().map(drop)
    }

    /// Puts what was last heard of each device on disk, before the hub ends.
    ///
    /// # Errors
    /// [`Error`] where it cannot be written.
    pub fn settle(&self) -> Result<(), Error> {
        let heard = std::mem::take(&mut *self.heard_book());
        self.access.keep_heard(&heard)
    }
}
