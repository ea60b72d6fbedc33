//! How every device stands, and which logbooks it carries: what this hub's codes granted, and what
//! dispatchers wrote in the company's logbook since. Where the log has moved on, what came is taken
//! in and only the logbooks that it is about are asked again, so that an exchange costs the same
//! however many logbooks there are. Start at [`Roster::now`].

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Deref;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use headwalk_core::log::codec;
use headwalk_core::log::entry::{Change, Entry};
use headwalk_core::log::id::{Arrival, DeviceId, LogbookId, ThingId};
use headwalk_core::log::value::Value;
use headwalk_core::site::company::{self, LetIn, Role, Route, Standing};
use headwalk_core::site::fields::{self, FieldDef};
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::things::Site;
use headwalk_core::store::{self, Store};

use crate::access::{Access, Enrolled};
use crate::error::Error;

/// How much of what came is read at once.
const READ_BYTES: usize = 4 * 1024 * 1024;

/// The list, kept from one request to the next.
#[derive(Debug, Default)]
pub(crate) struct Roster {
    // Held while it is worked out, so that many who ask at once wait for one answer.
    last: Mutex<Option<Listed>>,
}

/// The list as of now. Whoever holds it holds up all others who ask.
#[derive(Debug)]
pub(crate) struct Now<'r>(MutexGuard<'r, Option<Listed>>);

/// The list as of one moment of the log.
#[derive(Debug, PartialEq, Eq)]
pub(crate) struct Listed {
    end: Arrival,
    revision: u64,
    books: Books,
    stood: Arc<Stood>,
    hubs: Arc<BTreeSet<DeviceId>>,
}

/// What the logbooks are about, and who wrote in them.
#[derive(Debug, Default, PartialEq, Eq)]
struct Books {
    companies: BTreeSet<LogbookId>,
    stations: BTreeMap<LogbookId, String>,
    asks_for_station: BTreeMap<LogbookId, String>,
    written_by: BTreeMap<DeviceId, BTreeSet<LogbookId>>,
}

/// How the devices stand.
#[derive(Debug, Default, PartialEq, Eq)]
pub(crate) struct Stood {
    standings: BTreeMap<DeviceId, Standing>,
    on_the_list: BTreeSet<DeviceId>,
    gone: BTreeSet<DeviceId>,
    without_say: BTreeSet<DeviceId>,
}

impl Roster {
    /// Returns how everybody stands now.
    ///
    /// # Errors
    /// [`Error`] where a file cannot be read.
    pub(crate) fn now(&self, log: &Store, access: &Access) -> Result<Now<'_>, Error> {
        let mut last = self.last.lock().unwrap_or_else(PoisonError::into_inner);
        // Before anything is read, so that what comes meanwhile is read once more. What a hub of the
        // fleet let in or turned away counts at each of them.
        let revision = access.revision();
        // Where it cannot be brought up it is worked out anew by whoever asks next.
        *last = Some(match last.take() {
            Some(listed) => listed.brought_up(log, access, revision)?,
            None => Listed::read(log, access, revision)?,
        });
        Ok(Now(last))
    }
}

impl Deref for Now<'_> {
    type Target = Listed;

    fn deref(&self) -> &Listed {
        self.0.as_ref().expect("it was just worked out")
    }
}

impl Listed {
    fn read(log: &Store, access: &Access, revision: u64) -> Result<Self, Error> {
        let end = log.last_bookmark()?.arrival;
        let books = Books::read(log)?;
        Ok(Self {
            end,
            revision,
            stood: Arc::new(Stood::read(log, access, &books.companies)?),
            books,
            hubs: Arc::new(access.hubs()?),
        })
    }

    fn brought_up(mut self, log: &Store, access: &Access, revision: u64) -> Result<Self, Error> {
        let mut as_they_stood = self.revision == revision;
        while self.end < log.last_bookmark()?.arrival {
            let came = log.arrivals(self.end, READ_BYTES)?;
            let Some((end, _)) = came.last() else { break };
            self.end = *end;
            let mut to_ask = BTreeSet::new();
            for (_, entry) in &came {
                let entry = codec::decode(&entry.raw).map_err(store::Error::from)?;
                as_they_stood &= !self.books.companies.contains(&entry.logbook);
                if self.books.learn(&entry) {
                    to_ask.insert(entry.logbook);
                }
            }
            for logbook in to_ask {
                self.books.ask(log, logbook)?;
                as_they_stood &= !self.books.companies.contains(&logbook);
            }
        }
        if !as_they_stood {
            self.stood = Arc::new(Stood::read(log, access, &self.books.companies)?);
            self.hubs = Arc::new(access.hubs()?);
            self.revision = revision;
        }
        Ok(self)
    }

    /// Returns how the devices stand.
    pub(crate) fn stood(&self) -> Arc<Stood> {
        Arc::clone(&self.stood)
    }

    /// Returns the ids under which hubs wrote, this one or others of its fleet: a logbook in which they alone wrote
    /// beside a device is that device's.
    pub(crate) fn hubs(&self) -> Arc<BTreeSet<DeviceId>> {
        Arc::clone(&self.hubs)
    }

    /// Returns the company's logbook in which this hub enters its devices, if there is one, and
    /// whether a device is entered there or in another.
    pub(crate) fn lists(&self, device: DeviceId) -> Option<(LogbookId, bool)> {
        let logbook = *self.books.companies.first()?;
        Some((logbook, self.stood.on_the_list.contains(&device)))
    }

    /// Returns the logbooks in which a device wrote.
    pub(crate) fn written_by(&self, device: DeviceId) -> impl Iterator<Item = LogbookId> {
        let written = self.books.written_by.get(&device);
        written.into_iter().flatten().copied()
    }

    /// Returns the logbooks that a route comes to; none where it is all of them.
    pub(crate) fn logbooks(&self, route: &Route) -> Option<BTreeSet<LogbookId>> {
        let Route::Sites(sites) = route else {
            return None;
        };
        let books = &self.books;
        let asked = sites
            .iter()
            .map(|site| books.asks_for_station.get(site).cloned());
        let mut logbooks = company::stations_needed(asked, &books.stations);
        logbooks.extend(sites);
        logbooks.extend(&books.companies);
        Some(logbooks)
    }
}

impl Books {
    fn read(log: &Store) -> Result<Self, Error> {
        let mut books = Self::default();
        for logbook in log.logbooks()? {
            books.ask(log, logbook)?;
            for head in log.heads(logbook)? {
                let written = books.written_by.entry(head.device).or_default();
                written.insert(logbook);
            }
        }
        Ok(books)
    }

    /// Asks a logbook what it is about.
    fn ask(&mut self, log: &Store, logbook: LogbookId) -> Result<(), store::Error> {
        self.companies.remove(&logbook);
        self.stations.remove(&logbook);
        self.asks_for_station.remove(&logbook);
        match root_words(log, logbook, &fields::any::KIND)?.as_deref() {
            Some(word) if word == ThingKind::Company.word() => {
                self.companies.insert(logbook);
            }
            Some(word) if word == ThingKind::Station.word() => {
                let name = root_words(log, logbook, &fields::station::NAME)?;
                self.stations.insert(logbook, name.unwrap_or_default());
            }
            _ => {}
        }
        if let Some(station) = root_words(log, logbook, &fields::site::WEATHER_STATION)? {
            self.asks_for_station.insert(logbook, station);
        }
        Ok(())
    }

    /// Takes in who wrote an entry; returns whether its logbook may be about something else now.
    fn learn(&mut self, entry: &Entry) -> bool {
        let written = self.written_by.entry(entry.device).or_default();
        written.insert(entry.logbook);
        let root = ThingId::root(entry.logbook);
        entry.changes.iter().any(|change| match change {
            Change::Set { thing, .. } => *thing == root,
            Change::Observe { .. } => false,
            // Which entry it is about, and whether that counts or which of two is later.
            Change::Receipt { .. }
            | Change::HoldBack { .. }
            | Change::Admit { .. }
            | Change::Unknown { .. } => true,
        })
    }
}

impl Stood {
    fn read(log: &Store, access: &Access, companies: &BTreeSet<LogbookId>) -> Result<Self, Error> {
        let devices = access.devices()?;
        let let_in: Vec<_> = devices.iter().map(let_in).collect();
        let (mut kept, mut on_the_list) = (Vec::new(), BTreeSet::new());
        for &company in companies {
            kept.extend(log.entries(company)?);
            let state = log.state(company)?;
            let listed = company::devices(&Site::of(&state, company));
            on_the_list.extend(listed.iter().map(|listed| listed.device));
        }
        let entries = kept.iter().map(|kept| (kept.stamp, &kept.entry));
        let standings = company::standings(&let_in, entries);
        let ids_of = |is_so: fn(&Standing) -> bool| {
            let so = standings
                .iter()
                .filter(move |(_, standing)| is_so(standing));
            so.map(|(device, _)| *device).collect::<BTreeSet<_>>()
        };
        let mut gone = ids_of(|standing| standing.revoked.is_some());
        for device in devices.iter().filter(|device| device.revoked.is_some()) {
            gone.extend(device.later.iter().chain([&device.device]));
        }
        let without_say = ids_of(|standing| standing.role != Role::Dispatcher);
        Ok(Self {
            standings,
            on_the_list,
            gone,
            without_say,
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

    /// Returns the devices that have no say over others' entries: all but the dispatchers'.
    pub(crate) const fn without_say(&self) -> &BTreeSet<DeviceId> {
        &self.without_say
    }
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

#[cfg(test)]
mod tests;
