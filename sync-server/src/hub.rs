//! The hub itself: one log and one list of devices. Alone it is the only writer of both; in a fleet
//! both are worked out from the log that its hubs share.
//!
//! Everything here blocks and knows nothing of HTTP; `routes` calls it from threads that may
//! block. What a method returned from is on disk. Start at [`Hub`].

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};
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
use crate::hub_log::{HubLog, LogError};
use crate::hub_store::{Carried, HubStore};
use crate::meter::Meter;
use crate::moving;
use crate::office::Office;
use crate::photos::Photos;
use crate::refused::Refused;
use crate::roster::{Listed, Roster};
use crate::secret::{Code, Token};

/// The file of the entries, in the hub's folder.
pub const LOG_FILE: &str = "log.redb";
/// The file of the devices and codes, in the hub's folder.
pub const ACCESS_FILE: &str = "access.redb";
/// The file of the entries as the fleet's log has them, in the folder of one of its hubs.
pub const LOG_CACHE: &str = "fleet-log.redb";
/// The file of the devices and codes as the fleet's log has them.
pub const ACCESS_CACHE: &str = "fleet-access.redb";
/// How long the first code is valid.
pub const FIRST_CODE_HOURS: u32 = 24;
/// How far what was last heard of a device may lag on disk. More often than this would cost each
/// exchange a second write for a figure that only helps the dispatcher.
const HEARD_LAG_MS: i64 = 60_000;

/// An open hub. Only one process can have a folder open.
#[derive(Debug)]
pub struct Hub {
    store: HubStore,
    meter: Option<Arc<Meter>>,
    edge: Edge,
    // Held for one insert or read at a time, never while the disk works.
    heard: Mutex<BTreeMap<DeviceId, Heard>>,
    roster: Roster,
    office: Office,
    photos: Photos,
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

/// How many bytes of its log's pages a hub keeps in memory at most: about what the histories of ten million
/// entries take, so that whoever asks what was known when finds them there.
const PAGES: usize = 128 << 20;

fn open_log(path: &Path) -> Result<Store, store::Error> {
    Store::open_keeping(path, PAGES)
}

/// Opens or begins the files of a fleet's hub, and begins to take in what the log has.
fn follow(
    [log_file, access_file]: &[std::path::PathBuf; 2],
    log: &Arc<dyn HubLog>,
    name: &Name,
    edge: &Edge,
    meter: &Arc<Meter>,
) -> Result<HubStore, Error> {
    let store = match open_log(log_file) {
        Err(store::Error::Missing(_)) => {
            let new = NewStore {
                id: log.log_id(),
                key: DeviceKey::from_bytes(edge.chance()?),
            };
            // What one file holds follows from the log up to where the other says.
            Access::create(access_file, name)?;
            Store::create_keeping(log_file, new, PAGES)?
        }
        opened => opened?,
    };
    let access = Access::open(access_file)?;
    HubStore::following(
        store,
        access,
        edge.clone(),
        Arc::clone(log),
        Arc::clone(meter),
    )
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
        let log = match open_log(&log_path) {
            Err(store::Error::Missing(_)) => {
                let new = NewStore {
                    id: StoreId::fresh(now, edge.chance()?),
                    key: DeviceKey::from_bytes(edge.chance()?),
                };
                Store::create_keeping(&log_path, new, PAGES)?
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
    /// [`Error::NoHub`] where none was begun; [`Error::Moved`] and [`Error::MovingHere`] where its
    /// log is elsewhere; [`Error`] where its files cannot be used.
    pub fn open(folder: &Path, edge: Edge) -> Result<Self, Error> {
        let (log_path, access_path) = (folder.join(LOG_FILE), folder.join(ACCESS_FILE));
        if !access_path.exists() {
            return Err(Error::NoHub(folder.to_owned()));
        }
        let log = match open_log(&log_path) {
            Err(store::Error::Missing(path)) => return Err(Error::LogIsGone(path)),
            opened => opened?,
        };
        moving::is_in(folder, &log, None)?;
        let access = Access::open(&access_path)?;
        Ok(Self::of(log, access, Photos::in_folder(folder), edge))
    }

    /// Opens a hub of the fleet that shares a log. Its files in this folder are worked out from the
    /// log, as far as they are not there or are of another: they may be thrown away at any time.
    ///
    /// # Errors
    /// [`Error::OtherFolder`] where a hub keeps its own log there; [`Error`] where the files cannot be
    /// written, or the log cannot be read.
    pub fn beside(
        folder: &Path,
        log: Arc<dyn HubLog>,
        name: &Name,
        edge: Edge,
    ) -> Result<Self, Error> {
        let cannot = |cause| Error::Folder {
            folder: folder.to_owned(),
            cause,
        };
        fs::create_dir_all(folder).map_err(cannot)?;
        if folder.join(LOG_FILE).exists() {
            return Err(Error::OtherFolder {
                folder: folder.to_owned(),
                why: "holds a hub that keeps its own log".to_owned(),
            });
        }
        let files = [folder.join(LOG_CACHE), folder.join(ACCESS_CACHE)];
        let forget = || {
            for file in &files {
                match fs::remove_file(file) {
                    Err(cause) if cause.kind() != std::io::ErrorKind::NotFound => {
                        return Err(cannot(cause));
                    }
                    _ => {}
                }
            }
            Ok(())
        };
        for try_again in [true, false] {
            let meter = Arc::new(Meter::new(edge.clone()));
            match follow(&files, &log, name, &edge, &meter) {
                Ok(store) => {
                    let photos = Photos::in_folder(folder);
                    return Ok(Self::with(store, photos, Some(meter), edge));
                }
                Err(error @ (Error::InUse | Error::Shared(LogError::Unreachable(_)))) => {
                    return Err(error);
                }
                // Damaged, half there, of another log, or ahead of one that was put back: what is in
                // it is in the log, or comes again from the devices.
                Err(_) if try_again => forget()?,
                Err(error) => return Err(error),
            }
        }
        unreachable!("the second try returns")
    }

    /// Puts a hub together from its parts.
    pub(crate) fn of(log: Store, access: Access, photos: Photos, edge: Edge) -> Self {
        Self::with(
            HubStore::alone(log, access, edge.clone()),
            photos,
            None,
            edge,
        )
    }

    fn with(store: HubStore, photos: Photos, meter: Option<Arc<Meter>>, edge: Edge) -> Self {
        Self {
            store,
            meter,
            edge,
            heard: Mutex::new(BTreeMap::new()),
            roster: Roster::default(),
            office: Office::default(),
            photos,
        }
    }

    pub(crate) fn access(&self) -> &Access {
        self.store.access()
    }

    pub(crate) const fn store(&self) -> &HubStore {
        &self.store
    }

    /// Returns the counts of this hub's work with the fleet's log as lines of text; none where it
    /// keeps its own.
    pub fn counts(&self) -> Option<String> {
        self.meter.as_ref().map(|meter| meter.text())
    }

    /// Waits until this hub holds all that the fleet's log has, as long as it gets on.
    ///
    /// # Errors
    /// [`Error::Shared`] where the log cannot be reached.
    pub fn catch_up(&self) -> Result<(), Error> {
        self.store.catch_up()
    }

    /// Waits a moment until this hub holds all that the fleet's log has acknowledged.
    ///
    /// # Errors
    /// [`Error::Shared`] where the log cannot be reached.
    pub fn be_current(&self) -> Result<(), Error> {
        self.store.be_current()
    }

    pub(crate) const fn office(&self) -> &Office {
        &self.office
    }

    pub(crate) const fn photos(&self) -> &Photos {
        &self.photos
    }

    /// Returns what tells how far the log has come, as often as it moves on.
    pub fn news(&self) -> watch::Receiver<u64> {
        self.store.news()
    }

    /// Begins to serve: the hub's own entries (receipts) come from a new device from now on, so
    /// that no place in a chain is used twice should the folder have been put back to a copy.
    ///
    /// # Errors
    /// [`Error`] where it cannot be written.
    pub fn begin_serving(&mut self) -> Result<(), Error> {
        self.store.tell_of_news()?;
        self.store.take_new_id()
    }

    /// Returns the hub's log.
    pub fn log(&self) -> &Store {
        self.store.file()
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
        self.access().hub_name()
    }

    /// Gives the hub another name.
    ///
    /// # Errors
    /// [`Error`] where it cannot be written.
    pub fn rename(&self, name: &Name) -> Result<(), Error> {
        self.access().rename_hub(name)
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
        self.access().issue(&code, &grant, now)?;
        Ok(Issued { code, grant })
    }

    /// Makes the hub's first code, for a dispatcher, unless one was ever made.
    ///
    /// # Errors
    /// [`Error`] where it cannot be kept.
    pub fn first_code(&self) -> Result<Option<Issued>, Error> {
        self.be_current()?;
        if !self.access().is_untouched()? {
            return Ok(None);
        }
        let now = self.edge.now();
        let valid = u64::from(FIRST_CODE_HOURS) * 60 * 60 * 1_000;
        let grant = Grant {
            role: Role::Dispatcher,
            made_for: Name::parse("the first dispatcher", "first dispatcher")?,
            expires: WallMs::new(now.get().saturating_add(valid)),
        };
        let code = Code::from_chance(self.edge.chance()?);
        let made = self.access().issue_first(&code, &grant, now)?;
        Ok(made.then_some(Issued { code, grant }))
    }

    /// Lets a device in, and enters it in the company's logbook if there is one.
    ///
    /// # Errors
    /// [`Refused`], as [`Access::enrol`] does.
    pub fn enrol(&self, code: &Code, applicant: Applicant) -> Result<Welcome, Refused> {
        self.be_current()?;
        let token = Token::from_chance(self.edge.chance()?);
        let hub_name = self.name()?;
        let device = applicant.device;
        if self
            .standing(device)?
            .is_some_and(|standing| standing.revoked.is_some())
        {
            // Taken back in the company's logbook: a code that is given now lets it in again.
            self.access().revoke(device, self.edge.now())?;
        }
        // After all that the log tells of, so that this code is the last word so far.
        let told = self.log().clock().map_err(Error::from)?.last().wall();
        let now = self.edge.now().max(told.shifted(1));
        let enrolled = self.access().enrol(code, applicant, &token, now)?;
        self.enter(&enrolled, Entering::Always)?;
        Ok(Welcome {
            token,
            store: self.log().id(),
            role: enrolled.role,
            hub_name,
        })
    }

    /// Returns the device whose token this is, as it stands now, if it may still come in.
    ///
    /// # Errors
    /// [`Refused::UnknownToken`] or [`Refused::Revoked`].
    pub fn holder(&self, token: &Token) -> Result<Enrolled, Refused> {
        self.be_current()?;
        let mut holder = self.access().holder(token)?.ok_or(Refused::UnknownToken)?;
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
        let stood = self.roster.now(self.log(), self.access())?.stood();
        Ok(stood.standing(device).cloned())
    }

    /// Enters a device in the company's logbook, if there is one, so that every store knows it.
    fn enter(&self, enrolled: &Enrolled, when: Entering) -> Result<(), Error> {
        let lists = self.roster.now(self.log(), self.access())?;
        let lists = lists.lists(enrolled.device);
        let Some((logbook, there)) = lists else {
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
        self.store.record(&[draft], now, None)
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
        self.access().go_on_as(&holder, parcel.from.device)?;
        if self.log().id_is_in_use_elsewhere() {
            self.store.take_new_id()?; // another hub goes on from a copy of this one's folder
        }
        let now = self.edge.now();
        let answer = self.answer(&holder, &parcel, now)?.to_bytes();
        let heard = Heard {
            at: now,
            behind_ms: now.since(parcel.from.at),
        };
        self.hear(&holder, heard)?;
        self.enter(&holder, Entering::Unlisted)?;
        self.store.tell_of_news()?;
        Ok(answer)
    }

    fn answer(&self, holder: &Enrolled, parcel: &Parcel, now: WallMs) -> Result<Parcel, Refused> {
        let listed = self.roster.now(self.log(), self.access())?;
        let (stood, hubs) = (listed.stood(), listed.hubs());
        let route = Self::route(holder, &listed);
        let own = holder.later.iter().chain([&holder.device]);
        let written: BTreeSet<_> = own.clone().flat_map(|id| listed.written_by(*id)).collect();
        drop(listed); // others ask meanwhile
        let as_hub = Answering::as_hub()
            .known_as(own.chain(hubs.iter()).copied().collect())
            .holding_back(stood.gone().clone())
            .without_say(stood.without_say().clone());
        let answering = match holder.role {
            Role::Crew | Role::Dispatcher => as_hub,
            // Told in the answer, logbook by logbook, so that everything else still comes.
            Role::Auditor => as_hub.reading_only(),
        };
        let Some(route) = route else {
            return Ok(session::answer(&self.store, parcel, &answering, now)?);
        };
        // What it recorded before a site was taken off its route is taken all the same; nothing of
        // that site goes back.
        let unsent = self.beyond_ours(parcel)?;
        let wider: BTreeSet<_> = route.union(&unsent).copied().collect();
        let carried = Carried::of(&self.store, wider.union(&written).copied().collect());
        let answering = answering.on_route(wider);
        let mut answer = session::answer(&carried, parcel, &answering, now)?;
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
    fn route(holder: &Enrolled, listed: &Listed) -> Option<BTreeSet<LogbookId>> {
        let stood = listed.stood();
        let standing = stood.standing(holder.device)?;
        match holder.role {
            Role::Dispatcher => None,
            Role::Crew | Role::Auditor => listed.logbooks(&standing.route),
        }
    }

    /// Returns whether a device carries a logbook.
    pub(crate) fn carries(&self, holder: &Enrolled, logbook: LogbookId) -> Result<bool, Error> {
        let listed = self.roster.now(self.log(), self.access())?;
        let route = Self::route(holder, &listed);
        Ok(route.is_none_or(|route| route.contains(&logbook)))
    }

    /// Returns the logbooks of which a parcel's sender holds entries that this hub lacks.
    fn beyond_ours(&self, parcel: &Parcel) -> Result<BTreeSet<LogbookId>, Error> {
        let mut beyond = BTreeSet::new();
        if let Says::Holdings { parts, .. } = &parcel.says {
            for part in parts {
                let ends: Vec<_> = part.ends.iter().map(|end| end.last).collect();
                if !self.log().known(part.logbook, &ends)?.1.is_empty() {
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
        let (_, lacking) = self.log().known(logbook, ends).map_err(Error::from)?;
        let listed = self.roster.now(self.log(), self.access())?;
        let route = Self::route(&holder, &listed);
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
            self.access()
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
        let revoked = self.access().revoke(device, self.edge.now())?;
        let revoked = revoked.ok_or(Refused::NoSuchDevice(device))?;
        self.enter(&revoked, Entering::Always)?;
        Ok(revoked)
    }

    /// Returns every device that was ever let in, with what was last heard of it.
    ///
    /// # Errors
    /// [`Error`] where the list cannot be read.
    pub fn devices(&self) -> Result<Vec<Enrolled>, Error> {
        let mut devices = self.access().devices()?;
        let heard = self.heard_book();
        for device in &mut devices {
            device.heard = heard.get(&device.device).copied().or(device.heard);
            self.as_it_stands(device)?;
        }
        Ok(devices)
    }

    /// Reads from both files, and from the fleet's log, to see whether they can be read.
    ///
    /// # Errors
    /// [`Error`] where they cannot.
    pub fn look(&self) -> Result<(), Error> {
        self.be_current()?;
        self.log().clock()?;
        self.access().hub_name().map(drop)
    }

    /// Packs tight what came long ago, once there is enough of it; returns how many entries it was.
    ///
    /// # Errors
    /// [`Error`] where the log's file cannot be written.
    pub fn press(&self) -> Result<u64, Error> {
        Ok(self.log().press()?)
    }

    /// Puts what was last heard of each device on disk, before the hub ends.
    ///
    /// # Errors
    /// [`Error`] where it cannot be written.
    pub fn settle(&self) -> Result<(), Error> {
        let heard = std::mem::take(&mut *self.heard_book());
        self.access().keep_heard(&heard)
    }
}
