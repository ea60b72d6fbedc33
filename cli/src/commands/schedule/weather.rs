//! Which station's weather a site goes by.

use serde::Serialize;

use headwalk_core::site::fields::site;
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::things::Site;
use headwalk_core::site::weather::Record;
use headwalk_core::store::Store;

use crate::error::Error;
use crate::logbook::{Moment, state_at};
use crate::roots::{Root, Roots};

/// The weather of a site.
pub struct Weather {
    /// What its station recorded.
    pub record: Record,
    /// Where they come from.
    pub from: From,
}

/// Where the weather comes from, or why there is none.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct From {
    /// The station's name.
    pub station: Option<String>,
    /// Why this one, or why none.
    pub why: String,
}

impl Weather {
    /// Reads the days of the station that the site names, or of the only one that is here.
    pub fn of(
        store: &Store,
        roots: &Roots,
        site: &Site<'_>,
        moment: Moment,
    ) -> Result<Self, Error> {
        let (station, why) = station(roots, site);
        let record = match station {
            None => Record::default(),
            Some(root) => {
                let state = state_at(store, root.id, moment)?;
                Record::of(&state, root.id)
            }
        };
        let station = station.map(|root| root.name.clone());
        let from = From { station, why };
        Ok(Self { record, from })
    }
}

fn station<'r>(roots: &'r Roots, site: &Site<'_>) -> (Option<&'r Root>, String) {
    let named = site.root().words(&site::WEATHER_STATION).ok();
    let stations: Vec<_> = roots.of_kind(ThingKind::Station).collect();
    if let Some(named) = named {
        let named = named.value;
        return match roots.find(&named) {
            Ok(root) if root.kind == Some(ThingKind::Station) => {
                (Some(root), "the site names it".to_owned())
            }
            _ => (
                None,
                format!("the site names `{named}`, and no station of that name is in this store"),
            ),
        };
    }
    match stations.as_slice() {
        [only] => (Some(only), "the only one in this store".to_owned()),
        [] => (None, "no station is in this store".to_owned()),
        _ => (
            None,
            "the site does not say which station is its own: record `weather-station`".to_owned(),
        ),
    }
}
