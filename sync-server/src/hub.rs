//! The hub itself: one log, one list of devices, and the only writer of both.
//!
//! Everything here blocks and knows nothing of HTTP; `routes` calls it from threads that may
//! block. What a method returned from is on disk. Start at [`Hub`].

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use headwalk_core::exchange::message::{Batch, More, Parcel, Part, Says};
use headwalk_core::exchange::session::{self, Answering};
use headwalk_core::log::chain::Mark;
use headwalk_core::log::entry::{Change, Draft};
use headwalk_core::log::id::{DeviceId, LogbookId, StoreId, ThingId};
use headwalk_core::log::seal::DeviceKey;
use headwalk_core::log::stamp::WallMs;
use headwalk_core::log::value::{HowKnown, Value};
use headwalk_core::site::company::{self, Standing};
use headwalk_core::site::fields::device;
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::things::NewThing;
use headwalk_core::site::words::Vocabulary;
use headwalk_core::store::{self, NewStore, Store};
use tokio::sync::watch;

use crate::access::{Access, Applicant, Enrolled, Grant, Heard, Name, Role};
use crate::edge::Edge;
use crate::error::Error;
use crate::office::Office;
use crate::photos::Photos;
use crate::refused::Refused;
use crate::roster::{Listed, Roster};
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
    roster: Roster,
    office: Office,
    photos: Photos,
    // How far the log has come, for pages that wait for news.
    news: watch::Sender<u64>,
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

/// What a hub says of a logbook that a device would like to drop.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Holds {
    /// How many of the device's chains this hub does not hold to their end.
    pub chains_lacking: usize,
    /// Whether the device is to carry it.
    pub on_route: bool,
}

/// When a device is entered in the company's logbook.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Entering {
    /// Something about it has changed.
    Always,
    /// Only where nobody entered it yet.
    Unlisted,
}

impl Enrolled {
    /// Returns the changes that enter it in the company's logbook, or say anew what it may do.
    fn for_the_company(&self, logbook: LogbookId, there: bool) -> Vec<Change> {
        let words = |name: &Name| Value::text(name.as_str());
        let mut thing = NewThing::new(company::thing_of(self.device), ThingKind::Device);
        if !there {
            thing = thing
                .part_of(ThingId::root(logbook))
                .set(&device::NAME, words(&self.name), HowKnown::Unstated)
                .set(&device::CREW, words(&self.person), HowKnown::Unstated)
                .set(
                    &device::DEVICE_ID,
                    Value::text(self.device.to_string()),
                    HowKnown::Unstated,
                );
        }
        let revoked = Value::Bool(self.revoked.is_some());
        thing
            .set(&device::ROLE, self.role.value(), HowKnown::Unstated)
            .set(&device::REVOKED, revoked, HowKnown::Unstated)
            .changes()
    }
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
                    key: DeviceKey::from_bytes(edge.chance()?),
                };
                Store::create(&log_path, new)?
            }
            opened => opened?,
        };
        // The log comes first and is held open: a list of devices is never without its log, and
        // never made by two at once.
        let access = Access::create(&folder.join(ACCESS_FILE), name)?;
        Ok(Self::of(log, access, Photos::in_folder(folder), edge))
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
        Ok(Self::of(log, access, Photos::in_folder(folder), edge))
    }

    /// Puts a hub together from its parts.
    pub(crate) fn of(log: Store, access: Access, photos: Photos, edge: Edge) -> Self {
        Self {
            log,
            access,
            edge,
            heard: Mutex::new(BTreeMap::new()),
            roster: Roster::default(),
            office: Office::default(),
            photos,
            news: watch::Sender::new(0),
        }
    }

    pub(crate) const fn access(&self) -> &Access {
        &self.access
    }

    pub(crate) const fn office(&self) -> &Office {
        &self.office
    }

    pub(crate) const fn photos(&self) -> &Photos {
        &self.photos
    }

    /// Returns what tells how far the log has come, as often as it moves on.
    pub fn news(&self) -> watch::Receiver<u64> {
        self.news.subscribe()
    }

    /// Tells the pages that wait for it that the log has moved on, if it has.
    pub(crate) fn tell_of_news(&self) -> Result<(), Error> {
        let end = self.log.last_bookmark()?.arrival.0;
        self.news.send_if_modified(|told| {
            let moved = *told != end;
            *told = end;
            moved
        });
        Ok(())
    }

    /// Begins to serve: the hub's own entries (receipts) come from a new device from now on, so
    /// that no place in a chain is used twice should the folder have been put back to a copy.
    ///
    /// # Errors
    /// [`Error`] where it cannot be written.
    pub fn begin_serving(&mut self) -> Result<(), Error> {
        self.tell_of_news()?;
        self.take_new_id()
    }

    fn take_new_id(&self) -> Result<(), Error> {
        let key = DeviceKey::from_bytes(self.edge.chance()?);
        Ok(self.log.write_as(key)?)
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

    /// Lets a device in, and enters it in the company's logbook if there is one.
    ///
    /// # Errors
    /// [`Refused`], as [`Access::enrol`] does.
    pub fn enrol(&self, code: &Code, applicant: Applicant) -> Result<Welcome, Refused> {
        let token = Token::from_chance(self.edge.chance()?);
        let hub_name = self.name()?;
        let device = applicant.device;
        if self
            .standing(device)?
            .is_some_and(|standing| standing.revoked.is_some())
        {
            // Taken back in the company's logbook: a code that is given now lets it in again.
            self.access.revoke(device, self.edge.now())?;
        }
        // After all that the log tells of, so that this code is the last word so far.
        let told = self.log.clock().map_err(Error::from)?.last().wall();
        let now = self.edge.now().max(told.shifted(1));
        let enrolled = self.access.enrol(code, applicant, &token, now)?;
        self.roster.forget();
        self.enter(&enrolled, Entering::Always)?;
        Ok(Welcome {
            token,
            store: self.log.id(),
            role: enrolled.role,
            hub_name,
        })
    }

    /// Returns the device whose token this is, as it stands now, if it may still come in.
    ///
    /// # Errors
    /// [`Refused::UnknownToken`] or [`Refused::Revoked`].
    pub fn holder(&self, token: &Token) -> Result<Enrolled, Refused> {
        let mut holder = self.access.holder(token)?.ok_or(Refused::UnknownToken)?;
        self.as_it_stands(&mut holder)?;
        match holder.revoked {
            Some(_) => Err(Refused::Revoked),
            None => Ok(holder),
        }
    }

    fn as_it_stands(&self, enrolled: &mut Enrolled) -> Result<(), Error> {
        if let Some(standing) = self.standing(enrolled.device)? {
            enrolled.role = standing.role;
            enrolled.revoked = enrolled.revoked.or(standing.revoked);
        }
        Ok(())
    }

    fn standing(&self, device: DeviceId) -> Result<Option<Standing>, Error> {
        let listed = self.roster.now(&self.log, &self.access)?;
        Ok(listed.standing(device).cloned())
    }

    /// Enters a device in the company's logbook, if there is one, so that every store knows it.
    fn enter(&self, enrolled: &Enrolled, when: Entering) -> Result<(), Error> {
        let listed = self.roster.now(&self.log, &self.access)?;
        let Some((logbook, there)) = listed.lists(enrolled.device) else {
            return Ok(());
        };
        if there && when == Entering::Unlisted {
            return Ok(());
        }
        let now = self.edge.now();
        let draft = Draft {
            logbook,
            by: "hub".to_owned(),
            utc_offset_min: 0,
            visit: None,
            changes: enrolled.for_the_company(logbook, there),
        };
        self.log.record(&[draft], now)?;
        Ok(())
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
        if self.access.go_on_as(&holder, parcel.from.device)? {
            self.roster.forget();
        }
        if self.log.id_is_in_use_elsewhere() {
            self.take_new_id()?; // another hub goes on from a copy of this one's folder
        }
        let now = self.edge.now();
        let answer = self.answer(&holder, &parcel, now)?.to_bytes();
        let heard = Heard {
            at: now,
            behind_ms: now.since(parcel.from.at),
        };
        self.hear(&holder, heard)?;
        self.enter(&holder, Entering::Unlisted)?;
        self.tell_of_news()?;
        Ok(answer)
    }

    fn answer(&self, holder: &Enrolled, parcel: &Parcel, now: WallMs) -> Result<Parcel, Refused> {
        let ids = holder.later.iter().chain([&holder.device]);
        let listed = self.roster.now(&self.log, &self.access)?;
        let as_hub = Answering::as_hub()
            .known_as(ids.copied().collect())
            .holding_back(listed.gone().clone())
            .without_say(listed.without_say());
        let answering = match holder.role {
            Role::Crew | Role::Dispatcher => as_hub,
            // Told in the answer, logbook by logbook, so that everything else still comes.
            Role::Auditor => as_hub.reading_only(),
        };
        let Some(route) = self.route(holder, &listed)? else {
            return Ok(session::answer(&self.log, parcel, &answering, now)?);
        };
        // What it recorded before a site was taken off its route is taken all the same; nothing of
        // that site goes back.
        let unsent = self.beyond_ours(parcel)?;
        let wider = route.union(&unsent).copied().collect();
        let answering = answering.on_route(wider);
        let mut answer = session::answer(&self.log, parcel, &answering, now)?;
        if let Says::Holdings { parts, .. } = &mut answer.says {
            let off =
                |part: &&mut Part| unsent.contains(&part.logbook) && !route.contains(&part.logbook);
            for part in parts.iter_mut().filter(off) {
                part.batch = Batch::default();
                part.more = More::Nothing;
            }
        }
        Ok(answer)
    }

    /// Returns the logbooks that a device carries; none where it carries all.
    fn route(
        &self,
        holder: &Enrolled,
        listed: &Listed,
    ) -> Result<Option<BTreeSet<LogbookId>>, Error> {
        match listed.standing(holder.device) {
            Some(standing) if holder.role != Role::Dispatcher => {
                listed.logbooks(&standing.route, &self.log)
            }
            _ => Ok(None),
        }
    }

    /// Returns whether a device carries a logbook.
    pub(crate) fn carries(&self, holder: &Enrolled, logbook: LogbookId) -> Result<bool, Error> {
        let listed = self.roster.now(&self.log, &self.access)?;
        let route = self.route(holder, &listed)?;
        Ok(route.is_none_or(|route| route.contains(&logbook)))
    }

    /// Returns the logbooks of which a parcel's sender holds entries that this hub lacks.
    fn beyond_ours(&self, parcel: &Parcel) -> Result<BTreeSet<LogbookId>, Error> {
        let mut beyond = BTreeSet::new();
        if let Says::Holdings { parts, .. } = &parcel.says {
            for part in parts {
                let ends: Vec<_> = part.ends.iter().map(|end| end.last).collect();
                if !self.log.known(part.logbook, &ends)?.1.is_empty() {
                    beyond.insert(part.logbook);
                }
            }
        }
        Ok(beyond)
    }

    /// Says whether this hub holds all that a device holds of a logbook, by its chains' ends, and
    /// whether the logbook is on its route.
    ///
    /// # Errors
    /// [`Refused`] where the device may not come in.
    pub fn holds(
        &self,
        token: &Token,
        logbook: LogbookId,
        ends: &[Mark],
    ) -> Result<Holds, Refused> {
        let holder = self.holder(token)?;
        let (_, lacking) = self.log.known(logbook, ends).map_err(Error::from)?;
        let listed = self.roster.now(&self.log, &self.access)?;
        let route = self.route(&holder, &listed)?;
        Ok(Holds {
            chains_lacking: lacking.len(),
            on_route: route.is_none_or(|route| route.contains(&logbook)),
        })
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
        let revoked = revoked.ok_or(Refused::NoSuchDevice(device))?;
        self.roster.forget();
        self.enter(&revoked, Entering::Always)?;
        Ok(revoked)
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
            self.as_it_stands(device)?;
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
