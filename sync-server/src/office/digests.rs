//! The digests of all logbooks of a store, worked out anew only where a logbook has moved on.
//! Serves the hub and the command alike. Start at [`Digests::refresh`].

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use chrono::NaiveDate;
use headwalk_core::log::codec;
use headwalk_core::log::id::{DeviceId, LogbookId, ThingId};
use headwalk_core::log::stamp::WallMs;
use headwalk_core::log::value::Value;
use headwalk_core::merge::knowledge::Knowledge;
use headwalk_core::merge::replay::State;
use headwalk_core::site::apart;
use headwalk_core::site::company;
use headwalk_core::site::day_end::{
    DayEnd, DeviceHeard, OfficeDigest, SiteDigest, Today, asks_for_entries,
};
use headwalk_core::site::fields::{self, FieldDef};
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::lives::{Part, SiteLives};
use headwalk_core::site::photo::{self, Named, PhotoDigest};
use headwalk_core::site::sight::{Book, Written};
use headwalk_core::site::things::Site;
use headwalk_core::store::{self, Bookmark, Kept, Store};

/// In whose name a hub's own receipts and listings are written.
const HUB: &str = "hub";
/// How much is read of the entries at once to see which logbooks moved on.
const BATCH_BYTES: usize = 1024 * 1024;
/// Past so much news, every logbook is worked out anew: that is what most of it is about.
const MOST_NEWS: usize = 16;

/// Every logbook as the day's end sees it, and the lives of what wears out as they were asked for
/// last. Holds one small digest a logbook, never its entries.
#[derive(Debug, Default)]
pub struct Digests {
    read: Option<Bookmark>,
    books: BTreeMap<LogbookId, Digested>,
    named: BTreeMap<DeviceId, String>,
    lives: BTreeMap<LogbookId, Lived>,
}

/// The lives of a site's parts, as they were asked for on a day.
#[derive(Debug)]
struct Lived {
    on: NaiveDate,
    utc_offset_min: i16,
    lives: [SiteLives; 2],
}

/// Whose lives are kept, in their order.
const LIVED: [Part; 2] = [Part::Valves, Part::Heads(None)];

/// Which of the lives that are kept is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wearing {
    /// Valves.
    Valves,
    /// Heads of every kind.
    Heads,
}

#[derive(Debug)]
struct Digested {
    about: About,
    /// Whether its entries were read, and with them the names of devices.
    named: bool,
    /// The latest entry of each device: when it was written, and when it came.
    newest: BTreeMap<DeviceId, (WallMs, WallMs)>,
    /// The latest entry's moment, and how far east of UTC it was written.
    offset: Option<(WallMs, i16)>,
    /// The pictures that its entries name.
    photos: BTreeMap<PhotoDigest, Named>,
}

#[derive(Debug)]
enum About {
    Site(SiteDigest),
    Office(OfficeDigest),
    Other,
}

impl Digests {
    /// Brings the digests up to what the store holds; says whether anything had moved on.
    ///
    /// # Errors
    /// [`store::Error`] where the store cannot be read.
    pub fn refresh(&mut self, store: &Store) -> Result<bool, store::Error> {
        let end = store.last_bookmark()?;
        if self.read == Some(end) {
            return Ok(false);
        }
        let mut moved = self.moved(store)?;
        // Names first: what stands in two versions tells on which device it was written.
        let offices: Vec<_> = moved
            .iter()
            .copied()
            .filter(|book| kind_of(store, *book).ok().flatten() == Some(ThingKind::Company))
            .collect();
        let before = self.named.clone();
        for office in offices {
            self.name_devices(store, office)?;
        }
        if self.named != before {
            let named = self.books.iter().filter(|(_, digested)| digested.named);
            moved.extend(named.map(|(book, _)| *book));
        }
        for book in moved {
            self.lives.remove(&book);
            let digested = self.digest(store, book)?;
            self.books.insert(book, digested);
        }
        self.read = Some(end);
        Ok(true)
    }

    /// Returns the logbooks that moved on since the digests were worked out.
    fn moved(&self, store: &Store) -> Result<BTreeSet<LogbookId>, store::Error> {
        let all = || Ok(store.logbooks()?.into_iter().collect());
        let Some(read) = self
            .read
            .filter(|read| store.made_bookmark(*read).unwrap_or(false))
        else {
            return all();
        };
        let (mut moved, mut after) = (BTreeSet::new(), read.arrival);
        for _ in 0..MOST_NEWS {
            let news = store.news(after, &|_, _| true, &BTreeSet::new(), BATCH_BYTES)?;
            for raw in &news.batch {
                moved.insert(codec::peek(raw)?.0);
            }
            after = news.read.arrival;
            if !news.more {
                return Ok(moved);
            }
        }
        all()
    }

    fn name_devices(&mut self, store: &Store, office: LogbookId) -> Result<(), store::Error> {
        let state = told(store, office)?;
        let listed = company::devices(&Site::of(&state, office)).into_iter();
        let names = listed.filter_map(|device| Some((device.device, device.name?)));
        self.named.extend(names);
        Ok(())
    }

    fn digest(&self, store: &Store, book: LogbookId) -> Result<Digested, store::Error> {
        let mut newest: BTreeMap<DeviceId, (WallMs, WallMs)> = BTreeMap::new();
        let mut offset = None;
        for last_of_chain in store.last_written(book)? {
            let at = (last_of_chain.stamp.wall(), last_of_chain.arrived);
            let last = newest.entry(last_of_chain.device).or_insert(at);
            *last = (last.0.max(at.0), last.1.max(at.1));
            if last_of_chain.by != HUB {
                offset = offset.max(Some((at.0, last_of_chain.utc_offset_min)));
            }
        }
        let (mut named, mut photos) = (false, BTreeMap::new());
        let about = match kind_of(store, book)? {
            Some(ThingKind::Company) => {
                let state = told(store, book)?;
                let name = words(store, book, &fields::company::NAME)?;
                let name = name.unwrap_or_else(|| "The firm".to_owned());
                About::Office(OfficeDigest::of(&Site::of(&state, book), &name))
            }
            None | Some(ThingKind::Site) => {
                let state = told(store, book)?;
                let site = Site::of(&state, book);
                let name = words(store, book, &fields::site::NAME)?;
                let name = name.unwrap_or_else(|| book.to_string());
                named = asks_for_entries(&site);
                photos = photo::named(&state);
                About::Site(self.site(store, &site, &name, named)?)
            }
            Some(_) => About::Other,
        };
        Ok(Digested {
            about,
            named,
            newest,
            offset,
            photos,
        })
    }

    fn site(
        &self,
        store: &Store,
        site: &Site<'_>,
        name: &str,
        with_entries: bool,
    ) -> Result<SiteDigest, store::Error> {
        if !with_entries {
            return Ok(SiteDigest::of(site, name, None, &BTreeMap::new()));
        }
        let kept = store.entries(LogbookId::of_root(site.root().id))?;
        let knowledge = Knowledge::of(kept.iter().map(|kept| &kept.placed));
        let entries = kept.iter().map(|kept| (kept.place, written(kept)));
        let book = Book::of(site, entries.collect(), &knowledge);
        let named = self.named.iter();
        let named = named
            .map(|(device, name)| (*device, name.as_str()))
            .collect();
        Ok(SiteDigest::of(site, name, Some(&book), &named))
    }

    /// Returns the lives of every site's valves or heads as they are on a day, by the site's name;
    /// reads only the logbooks that moved on since they were asked for last on that day.
    ///
    /// # Errors
    /// [`store::Error`] where the store cannot be read.
    pub fn lives(
        &mut self,
        store: &Store,
        which: Wearing,
        on: NaiveDate,
        utc_offset_min: i16,
    ) -> Result<Vec<SiteLives>, store::Error> {
        self.refresh(store)?;
        let sites: Vec<(String, LogbookId)> = self
            .sites()
            .into_iter()
            .map(|(name, book)| (name.to_owned(), book))
            .collect();
        let mut all = Vec::new();
        for (name, book) in sites {
            let kept = self.lives.remove(&book);
            let kept = kept.filter(|it| it.on == on && it.utc_offset_min == utc_offset_min);
            let lived = match kept {
                Some(lived) => lived,
                None => {
                    let state = told(store, book)?;
                    let site = Site::of(&state, book);
                    let of = |which| SiteLives::of(&name, &site, which, on, utc_offset_min);
                    Lived {
                        on,
                        utc_offset_min,
                        lives: LIVED.map(of),
                    }
                }
            };
            let [valves, heads] = &lived.lives;
            all.push(match which {
                Wearing::Valves => valves.clone(),
                Wearing::Heads => heads.clone(),
            });
            self.lives.insert(book, lived);
        }
        Ok(all)
    }

    /// Returns the company's logbook, if there is one.
    #[must_use]
    pub fn office(&self) -> Option<LogbookId> {
        let mut offices = self.books.iter();
        offices.find_map(|(book, digested)| {
            matches!(digested.about, About::Office(_)).then_some(*book)
        })
    }

    /// Returns the firm's local time, as the latest entry that a person wrote has it: minutes east of
    /// UTC. A hub may stand anywhere.
    #[must_use]
    pub fn utc_offset_min(&self) -> i16 {
        let latest = self.books.values().filter_map(|digested| digested.offset);
        latest.max().map_or(0, |(_, offset)| offset)
    }

    /// Returns what the devices are called.
    #[must_use]
    pub fn device_names(&self) -> BTreeMap<DeviceId, String> {
        self.named.clone()
    }

    /// Returns the sites with their logbooks, by name.
    #[must_use]
    pub fn sites(&self) -> Vec<(&str, LogbookId)> {
        let sites = self.digested().filter_map(|about| match about {
            About::Site(site) => Some((site.name.as_str(), site.logbook)),
            _ => None,
        });
        let mut sites: Vec<_> = sites.collect();
        sites.sort_unstable();
        sites
    }

    /// Returns the pictures of every site: its logbook, its name, and what its entries say.
    pub fn photos(&self) -> impl Iterator<Item = (LogbookId, &str, &Named)> {
        self.books.iter().flat_map(|(book, digested)| {
            let name = match &digested.about {
                About::Site(site) => site.name.as_str(),
                _ => "",
            };
            let photos = digested.photos.values();
            photos.map(move |named| (*book, name, named))
        })
    }

    fn digested(&self) -> impl Iterator<Item = &About> {
        self.books.values().map(|digested| &digested.about)
    }

    /// Returns when each device last wrote what is here, and when that came.
    #[must_use]
    pub fn heard(&self) -> BTreeMap<DeviceId, DeviceHeard> {
        let mut heard: BTreeMap<DeviceId, DeviceHeard> = BTreeMap::new();
        let newest = self.books.values().flat_map(|digested| &digested.newest);
        for (device, (written, arrived)) in newest {
            let of = heard.entry(*device).or_insert(DeviceHeard {
                at: None,
                newest: None,
            });
            of.at = of.at.max(Some(*arrived));
            of.newest = of.newest.max(Some(*written));
        }
        heard
    }

    /// Returns the day's end.
    #[must_use]
    pub fn day(&self, heard: &BTreeMap<DeviceId, DeviceHeard>, today: Today) -> DayEnd {
        let (mut sites, mut offices) = (Vec::new(), Vec::new());
        for about in self.digested() {
            match about {
                About::Site(site) => sites.push(site),
                About::Office(office) => offices.push(office),
                About::Other => {}
            }
        }
        DayEnd::of(&sites, &offices, heard, today)
    }
}

/// Returns what a logbook says now, as people should be told it.
///
/// # Errors
/// [`store::Error`] where the store cannot be read.
pub fn told(store: &Store, book: LogbookId) -> Result<Arc<State>, store::Error> {
    apart::told_now(store.state(book)?, || {
        let kept = store.entries(book)?.into_iter();
        Ok(kept.map(|kept| kept.placed).collect())
    })
}

/// Returns an entry and how the store holds it.
#[must_use]
pub const fn written(kept: &Kept) -> Written<'_> {
    Written {
        placed: &kept.placed,
        stamp: kept.stamp,
        arrived: kept.arrived,
        held_back: kept.held_back,
    }
}

pub(super) fn kind_of(store: &Store, book: LogbookId) -> Result<Option<ThingKind>, store::Error> {
    let word = words(store, book, &fields::any::KIND)?;
    Ok(word.and_then(|word| ThingKind::of_word(&word)))
}

/// Reads words of what a logbook is about.
fn words(store: &Store, book: LogbookId, field: &FieldDef) -> Result<Option<String>, store::Error> {
    let register = store.register(book, ThingId::root(book), field.number)?;
    Ok(
        register.and_then(|register| match &register.in_force().value {
            Value::Text(words) => Some(words.clone()),
            _ => None,
        }),
    )
}

/// Returns what a logbook of that kind is called: its name, or its id where it has none.
pub(super) fn name_of(
    store: &Store,
    book: LogbookId,
    kind: ThingKind,
) -> Result<String, store::Error> {
    let name = match fields::field(kind, "name") {
        Some(field) => words(store, book, field)?,
        None => None,
    };
    Ok(name.unwrap_or_else(|| book.to_string()))
}

#[cfg(test)]
mod tests;
