//! The logbooks on this phone: their names, and what each says.

use std::sync::Arc;

use headwalk_core::log::id::{FieldNumber, LogbookId, ThingId};
use headwalk_core::log::value::Value;
use headwalk_core::merge::replay::State;
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::things::Site;
use headwalk_core::site::weather::{Record, station_of};
use headwalk_core::site::{apart, fields};
use headwalk_core::store::Store;

use crate::error::Error;

/// A logbook, as it is now.
#[derive(Debug)]
pub struct Book {
    /// Which.
    pub id: LogbookId,
    state: Arc<State>,
}

impl Book {
    /// Reads a logbook as people should be told it.
    ///
    /// # Errors
    /// [`Error`] where the store cannot be read.
    pub fn read(store: &Store, id: LogbookId) -> Result<Self, Error> {
        let state = apart::told_now(store.state(id)?, || {
            let kept = store.entries(id)?.into_iter();
            Ok::<_, Error>(kept.map(|kept| kept.placed).collect())
        })?;
        Ok(Self { id, state })
    }

    /// Returns its things.
    #[must_use]
    pub fn site(&self) -> Site<'_> {
        Site::of(&self.state, self.id)
    }

    /// Returns what it says.
    #[must_use]
    pub fn state(&self) -> &State {
        &self.state
    }
}

/// What a logbook is about, without reading the rest of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Root {
    /// Which.
    pub id: LogbookId,
    /// A site, a company or a station.
    pub kind: Option<ThingKind>,
    /// Its name, or its id where it has none.
    pub name: String,
}

impl Root {
    /// Reads what every logbook on this phone is about, by name.
    ///
    /// # Errors
    /// [`Error`] where the store cannot be read.
    pub fn all(store: &Store) -> Result<Vec<Self>, Error> {
        let logbooks = store.logbooks()?.into_iter();
        let mut roots = logbooks
            .map(|id| Self::of(store, id))
            .collect::<Result<Vec<_>, _>>()?;
        roots.sort_by_cached_key(|root| (root.name.to_lowercase(), root.id));
        Ok(roots)
    }

    /// Reads what one logbook is about.
    ///
    /// # Errors
    /// [`Error`] where the store cannot be read.
    pub fn of(store: &Store, id: LogbookId) -> Result<Self, Error> {
        let kind = words(store, id, fields::any::KIND.number)?;
        let kind = kind.and_then(|word| ThingKind::of_word(&word));
        let name = match kind.and_then(|kind| fields::field(kind, "name")) {
            Some(field) => words(store, id, field.number)?,
            None => None,
        };
        let name = name.unwrap_or_else(|| id.to_string());
        Ok(Self { id, kind, name })
    }
}

/// What stands beside a site: the firm, and the weather that the site goes by.
#[derive(Debug)]
pub struct Beside {
    /// The firm's logbook, where it is here.
    pub firm: Option<Book>,
    /// The weather of the site's station; none where that is not here.
    pub weather: Record,
}

impl Beside {
    /// Reads what stands beside a site.
    ///
    /// # Errors
    /// [`Error`] where the store cannot be read.
    pub fn of(store: &Store, site: &Site<'_>) -> Result<Self, Error> {
        let roots = Root::all(store)?;
        let of_kind = |kind| roots.iter().filter(move |root| root.kind == Some(kind));
        let firm = of_kind(ThingKind::Company).next();
        let firm = firm.map(|firm| Book::read(store, firm.id)).transpose()?;
        let stations = of_kind(ThingKind::Station).map(|root| (root.id, root.name.clone()));
        let weather = match station_of(site, &stations.collect()) {
            Some(station) => Record::of(Book::read(store, station)?.state(), station),
            None => Record::default(),
        };
        Ok(Self { firm, weather })
    }
}

/// Returns a field of what a logbook is about, where it is words.
///
/// # Errors
/// [`Error`] where the store cannot be read.
pub fn words(store: &Store, id: LogbookId, field: FieldNumber) -> Result<Option<String>, Error> {
    let register = store.register(id, ThingId::root(id), field)?;
    Ok(
        register.and_then(|register| match &register.in_force().value {
            Value::Text(words) => Some(words.clone()),
            _ => None,
        }),
    )
}
