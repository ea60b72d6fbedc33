//! The logbooks that papers are made of, and the paper made of them. Serves the hub and the command
//! alike, so that both write the same bytes.

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::NaiveDate;
use headwalk_core::log::id::LogbookId;
use headwalk_core::merge::replay::State;
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::papers::{Facts, Options, Paper, PullList, paper, pull_list};
use headwalk_core::site::things::Site;
use headwalk_core::site::weather::{Record, station_of};
use headwalk_core::store::{self, Store};

use super::digests::{kind_of, name_of};
use super::told;

/// What else than sites a paper may need: the firm, and the weather stations by name.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Beside {
    /// The company's logbook.
    pub firm: Option<LogbookId>,
    /// The stations.
    pub stations: BTreeMap<LogbookId, String>,
}

/// The logbooks that papers are made of.
#[derive(Debug)]
pub struct Shelf {
    sites: Vec<(LogbookId, Arc<State>)>,
    firm: Option<(LogbookId, Arc<State>)>,
    stations: BTreeMap<LogbookId, String>,
    weather: BTreeMap<LogbookId, Record>,
}

/// The day that a paper is asked on, and where a day begins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PaperDay {
    /// The day.
    pub on: NaiveDate,
    /// Minutes east of UTC.
    pub utc_offset_min: i16,
}

impl PaperDay {
    fn facts<'a>(
        self,
        site: &'a Site<'a>,
        firm: Option<&'a Site<'a>>,
        weather: &'a Record,
    ) -> Facts<'a> {
        Facts {
            site,
            firm,
            weather,
            on: self.on,
            utc_offset_min: self.utc_offset_min,
        }
    }
}

/// Returns a pull list of these sites, each read by a reader that knows the moment, one after the other; how to
/// print is what the first site's client wants, changed by what was asked for.
///
/// # Errors
/// The reader's.
pub fn pull_list_of<E>(
    wanted: &[LogbookId],
    beside: &Beside,
    asked: PaperDay,
    change: impl FnOnce(&mut Options),
    state: impl Fn(LogbookId) -> Result<Arc<State>, E>,
) -> Result<String, E> {
    let Some(first) = wanted.first() else {
        return Ok(String::new());
    };
    let read = |id: &LogbookId| Ok((*id, state(*id)?));
    let firm = beside.firm.as_ref().map(read).transpose()?;
    let firm = firm.as_ref().map(|(id, state)| Site::of(state, *id));
    let weather = Record::default();
    let of_first = state(*first)?;
    let site = Site::of(&of_first, *first);
    let mut options = Options::of(&site);
    change(&mut options);
    let mut list = PullList::begin(
        &asked.facts(&site, firm.as_ref(), &weather),
        wanted.len() == 1,
        &options,
    );
    for id in wanted {
        let state = state(*id)?;
        let site = Site::of(&state, *id);
        list.add(&asked.facts(&site, firm.as_ref(), &weather));
    }
    Ok(list.html())
}

impl Shelf {
    /// Reads the logbooks for papers of these sites, each by a reader that knows the moment.
    ///
    /// # Errors
    /// The reader's.
    pub fn read<E>(
        wanted: &[LogbookId],
        beside: Beside,
        state: impl Fn(LogbookId) -> Result<Arc<State>, E>,
    ) -> Result<Self, E> {
        let read = |id: &LogbookId| Ok((*id, state(*id)?));
        let sites: Vec<_> = wanted.iter().map(read).collect::<Result<_, E>>()?;
        let firm = beside.firm.as_ref().map(read).transpose()?;
        let mut weather = BTreeMap::new();
        for (id, of) in &sites {
            if let Some(station) = station_of(&Site::of(of, *id), &beside.stations)
                && !weather.contains_key(&station)
            {
                weather.insert(station, Record::of(state(station)?.as_ref(), station));
            }
        }
        Ok(Self {
            sites,
            firm,
            stations: beside.stations,
            weather,
        })
    }

    /// Reads what a store holds of one site now; none where it is no site.
    ///
    /// # Errors
    /// [`store::Error`] where the store cannot be read.
    pub fn of_site(store: &Store, site: LogbookId) -> Result<Option<Self>, store::Error> {
        if kind_of(store, site)? != Some(ThingKind::Site) {
            return Ok(None);
        }
        let mut firms = Vec::new();
        let mut beside = Beside::default();
        for book in store.logbooks()? {
            match kind_of(store, book)? {
                Some(ThingKind::Company) => {
                    firms.push((name_of(store, book, ThingKind::Company)?, book));
                }
                Some(ThingKind::Station) => {
                    let name = name_of(store, book, ThingKind::Station)?;
                    beside.stations.insert(book, name);
                }
                _ => {}
            }
        }
        beside.firm = firms.into_iter().min().map(|(_, book)| book);
        Self::read(&[site], beside, |book| told(store, book)).map(Some)
    }

    /// Returns a paper about the first site; a pull list about all of them. How to print is what
    /// the site's client wants, changed by what was asked for.
    #[must_use]
    pub fn html(&self, kind: Paper, asked: PaperDay, change: impl FnOnce(&mut Options)) -> String {
        let firm = self.firm.as_ref().map(|(id, state)| Site::of(state, *id));
        let sites = self.sites.iter().map(|(id, state)| Site::of(state, *id));
        let sites: Vec<Site<'_>> = sites.collect();
        let none = Record::default();
        let facts = sites.iter().map(|site| {
            let station = station_of(site, &self.stations);
            let weather = station.and_then(|station| self.weather.get(&station));
            asked.facts(site, firm.as_ref(), weather.unwrap_or(&none))
        });
        let facts: Vec<Facts<'_>> = facts.collect();
        let Some(first) = facts.first() else {
            return String::new();
        };
        let mut options = Options::of(first.site);
        change(&mut options);
        match kind {
            Paper::PullList => pull_list(&facts, &options),
            kind => paper(kind, first, &options),
        }
    }
}
