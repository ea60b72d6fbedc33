//! How every device stands: what this hub's codes granted, and what dispatchers wrote in the
//! company's logbook since. Worked out anew only when the log has moved on. Start at
//! [`Roster::now`].

use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, Mutex, PoisonError};

use headwalk_core::log::id::{Arrival, DeviceId, LogbookId, ThingId};
use headwalk_core::log::value::Value;
use headwalk_core::log::vector::VersionVector;
use headwalk_core::site::company::{self, LetIn, Role, Route, Standing};
use headwalk_core::site::fields::{self, FieldDef};
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::things::Site;
use headwalk_core::store::{self, Store};

use crate::access::{Access, Enrolled};
use crate::error::Error;

/// The list, kept from one request to the next.
#[derive(Debug, Default)]
pub(crate) struct Roster {
    // Held while it is worked out, so that many who ask at once wait for one answer.
    last: Mutex<Option<Arc<Listed>>>,
}

/// The list as of one moment of the log.
#[derive(Debug)]
pub(crate) struct Listed {
    end: Arrival,
    revision: u64,
    held: BTreeMap<LogbookId, VersionVector>,
    standings: BTreeMap<DeviceId, Standing>,
    on_the_list: BTreeSet<DeviceId>,
    gone: BTreeSet<DeviceId>,
    stations: BTreeMap<LogbookId, String>,
    hubs: BTreeSet<DeviceId>,
}

impl Roster {
    /// Returns how everybody stands now.
    ///
    /// # Errors
    /// [`Error`] where a file cannot be read.
    pub(crate) fn now(&self, log: &Store, access: &Access) -> Result<Arc<Listed>, Error> {
        let mut last = self.last.lock().unwrap_or_else(PoisonError::into_inner);
        // Before anything is read, so that what comes meanwhile is read once more.
        let revision = access.revision();
        let end = log.last_bookmark()?.arrival;
        let as_new = |listed: &&Arc<Listed>| (listed.end, listed.revision) == (end, revision);
        if let Some(listed) = last.as_ref().filter(as_new) {
            return Ok(Arc::clone(listed));
        }
        // What a hub of the fleet let in or turned away counts at each of them.
        let last_of_list = last.as_deref().filter(|listed| listed.revision == revision);
        let listed = Arc::new(Listed::read(log, access, (end, revision), last_of_list)?);
        *last = Some(Arc::clone(&listed));
        Ok(listed)
    }

    /// Forgets it: a device was let in, or its access was taken back.
    pub(crate) fn forget(&self) {
        *self.last.lock().unwrap_or_else(PoisonError::into_inner) = None;
    }
}

impl Listed {
    fn read(
        log: &Store,
        access: &Access,
        (end, revision): (Arrival, u64),
        last: Option<&Self>,
    ) -> Result<Self, Error> {
        let (mut held, mut stations) = (BTreeMap::new(), BTreeMap::new());
        for logbook in log.logbooks()? {
            match root_words(log, logbook, &fields::any::KIND)?.as_deref() {
                Some(word) if word == ThingKind::Company.word() => {
                    held.insert(logbook, log.vector(logbook)?);
                }
                Some(word) if word == ThingKind::Station.word() => {
                    let name = root_words(log, logbook, &fields::station::NAME)?;
                    stations.insert(logbook, name.unwrap_or_default());
                }
                _ => {}
            }
        }
        let (standings, on_the_list, gone) = match last.filter(|last| last.held == held) {
            Some(same) => (
                same.standings.clone(),
                same.on_the_list.clone(),
                same.gone.clone(),
            ),
            None => standings(log, access, held.keys().copied())?,
        };
        Ok(Self {
            end,
            revision,
            held,
            standings,
            on_the_list,
            gone,
            stations,
            hubs: access.hubs()?,
        })
    }

    /// Returns how a device stands; none where the company's logbook cannot say.
    pub(crate) fn standing(&self, device: DeviceId) -> Option<&Standing> {
        self.standings.get(&device)
    }

    /// Returns the devices whose access was taken back, by every id that they had here.
    pub(crate) const fn gone(&self) -> &BTreeSet<DeviceId> {
        &self.gone
    }

    /// Returns the ids under which the hubs of a fleet write: a logbook in which they alone wrote
    /// beside a device is that device's.
    pub(crate) const fn hubs(&self) -> &BTreeSet<DeviceId> {
        &self.hubs
    }

    /// Returns the devices that have no say over others' entries: all but the dispatchers'.
    pub(crate) fn without_say(&self) -> BTreeSet<DeviceId> {
        let crews = self.standings.iter();
        let crews = crews.filter(|(_, standing)| standing.role != Role::Dispatcher);
        crews.map(|(device, _)| *device).collect()
    }

    /// Returns the company's logbook in which this hub enters its devices, if there is one, and
    /// whether a device is entered there or in another.
    pub(crate) fn lists(&self, device: DeviceId) -> Option<(LogbookId, bool)> {
        let logbook = *self.held.keys().next()?;
        Some((logbook, self.on_the_list.contains(&device)))
    }

    /// Returns the logbooks that a route comes to; none where it is all of them.
    ///
    /// # Errors
    /// [`Error`] where the log cannot be read.
    pub(crate) fn logbooks(
        &self,
        route: &Route,
        log: &Store,
    ) -> Result<Option<BTreeSet<LogbookId>>, Error> {
        let Route::Sites(sites) = route else {
            return Ok(None);
        };
        let mut asked = Vec::new();
        for site in sites {
            asked.push(root_words(log, *site, &fields::site::WEATHER_STATION)?);
        }
        let mut logbooks = company::stations_needed(asked, &self.stations);
        logbooks.extend(sites);
        logbooks.extend(self.held.keys());
        Ok(Some(logbooks))
    }
}

type Stood = (
    BTreeMap<DeviceId, Standing>,
    BTreeSet<DeviceId>,
    BTreeSet<DeviceId>,
);

fn standings(
    log: &Store,
    access: &Access,
    companies: impl Iterator<Item = LogbookId>,
) -> Result<Stood, Error> {
    let devices = access.devices()?;
    let let_in: Vec<_> = devices.iter().map(let_in).collect();
    let (mut kept, mut on_the_list) = (Vec::new(), BTreeSet::new());
    for company in companies {
        kept.extend(log.entries(company)?);
        let state = log.state(company)?;
        let listed = company::devices(&Site::of(&state, company));
        on_the_list.extend(listed.iter().map(|listed| listed.device));
    }
    let entries = kept.iter().map(|kept| (kept.stamp, &kept.entry));
    let standings = company::standings(&let_in, entries);
    let revoked = standings
        .iter()
        .filter(|(_, standing)| standing.revoked.is_some());
    let mut gone: BTreeSet<_> = revoked.map(|(device, _)| *device).collect();
    for device in devices.iter().filter(|device| device.revoked.is_some()) {
        gone.extend(device.later.iter().chain([&device.device]));
    }
    Ok((standings, on_the_list, gone))
}

fn let_in(enrolled: &Enrolled) -> LetIn {
    LetIn {
        device: enrolled.device,
        later: enrolled.later.clone(),
        role: enrolled.role,
        at: enrolled.enrolled,
    }
}

/// Reads words of what a logbook is about.
fn root_words(
    log: &Store,
    logbook: LogbookId,
    field: &FieldDef,
) -> Result<Option<String>, store::Error> {
    let register = log.register(logbook, ThingId::root(logbook), field.number)?;
    Ok(
        register.and_then(|register| match &register.in_force().value {
            Value::Text(words) => Some(words.clone()),
            _ => None,
        }),
    )
}
