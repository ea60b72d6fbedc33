//! A station's weather days, what is usual there, and where it stands, read from its logbook.

mod filled;
mod normals;

pub use filled::{FilledDay, Origin, filled};
pub use normals::{Normal, Normals, UsualDay};

use std::collections::BTreeMap;

use chrono::NaiveDate;

use super::fields::{seen, site, station};
use super::things::{Parts, Site, Thing};
use crate::log::id::{LogbookId, ThingId};
use crate::log::value::Value;
use crate::merge::replay::State;
use crate::water::et::air::{HumidityReadings, Wind};
use crate::water::et::sun::{DayOfYear, Siting, Sun};
use crate::water::et::{self, Assumed, Climate, Method, Period, Weather};
use crate::water::units::{
    Celsius, Degrees, Feet, Hours, Inches, MegajoulesPerSquareMetreDay, Metres, MetresPerSecond,
    Minutes, OutOfRange, Percent,
};

/// One day's weather, as recorded.
#[derive(Debug, Clone, PartialEq)]
pub struct WeatherDay {
    /// The day.
    pub date: NaiveDate,
    /// Lowest air temperature.
    pub tmin: Option<Celsius>,
    /// Highest air temperature.
    pub tmax: Option<Celsius>,
    /// Rain, all of it.
    pub rain: Option<Inches>,
    /// Reference evapotranspiration, where the station gives it.
    pub et: Option<Inches>,
    /// Mean wind at the height of the instrument.
    pub wind: Option<MetresPerSecond>,
    /// Humidity in whatever forms there are.
    pub humidity: HumidityReadings,
    /// Solar radiation.
    pub solar: Option<MegajoulesPerSquareMetreDay>,
    /// Hours of sunshine.
    pub sunshine: Option<Hours>,
    /// Whose figures they are.
    pub source: Option<String>,
    /// Where they were taken, if that is recorded.
    pub standing: Option<Standing>,
}

/// Returns the station whose weather a site goes by: the one that it names, by name or logbook, else
/// the only one there is.
#[must_use]
pub fn station_of(site: &Site<'_>, stations: &BTreeMap<LogbookId, String>) -> Option<LogbookId> {
    match site.root().words(&site::WEATHER_STATION) {
        Ok(named) => {
            let named = named.value;
            let mut all = stations.iter();
            let found = all
                .find(|(id, name)| name.eq_ignore_ascii_case(&named) || named.parse() == Ok(**id));
            found.map(|(id, _)| *id)
        }
        Err(_) if stations.len() == 1 => stations.keys().next().copied(),
        Err(_) => None,
    }
}

/// Where a station, or a site, stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Standing {
    /// North positive.
    pub latitude: Degrees,
    /// Height above the sea.
    pub elevation: Metres,
    /// Height of the wind instrument.
    pub wind_height: Option<Metres>,
    /// Near the sea or not.
    pub siting: Siting,
    /// Whether dew forms at night.
    pub climate: Climate,
}

/// A day's reference evapotranspiration and how it came about.
#[derive(Debug, Clone, PartialEq)]
pub struct DayEt {
    /// How much.
    pub eto: Inches,
    /// By what.
    pub from: EtFrom,
}

/// Where a day's evapotranspiration comes from.
#[derive(Debug, Clone, PartialEq)]
pub enum EtFrom {
    /// The station gives it.
    Station,
    /// Computed, and what had to be assumed.
    Computed {
        /// The equation.
        method: Method,
        /// What was filled in.
        assumed: Vec<Assumed>,
    },
}

/// Why a day has no evapotranspiration.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum NoEt {
    /// The station gives none, and there are no temperatures to compute it from.
    #[error("{0} has neither evapotranspiration nor lowest and highest temperature")]
    NoTemperatures(NaiveDate),
    /// The station's place is not known.
    #[error("neither the station's nor the site's latitude and elevation are recorded")]
    NoPlace,
    /// A number that cannot be.
    #[error("{date}: {fault}")]
    Impossible {
        /// The day.
        date: NaiveDate,
        /// Which number.
        fault: OutOfRange,
    },
}

impl WeatherDay {
    /// Makes a day of which nothing is known yet.
    #[must_use]
    pub fn on(date: NaiveDate) -> Self {
        Self {
            date,
            tmin: None,
            tmax: None,
            rain: None,
            et: None,
            wind: None,
            humidity: HumidityReadings::default(),
            solar: None,
            sunshine: None,
            source: None,
            standing: None,
        }
    }

    /// Reads a stored observation.
    #[must_use]
    pub fn read(value: &Value) -> Option<Self> {
        let parts = Parts::of(&seen::WEATHER_DAY, value);
        let Value::Date(date) = parts.get("date")? else {
            return None;
        };
        Some(Self {
            date: NaiveDate::from_epoch_days(*date)?,
            tmin: parts.measure("tmin"),
            tmax: parts.measure("tmax"),
            rain: parts.measure("rain"),
            et: parts.measure("et"),
            wind: parts.measure("wind"),
            humidity: HumidityReadings {
                rh_min: parts.measure::<Percent>("humidity-min"),
                rh_max: parts.measure::<Percent>("humidity-max"),
                rh_mean: parts.measure::<Percent>("humidity"),
                dewpoint: parts.measure::<Celsius>("dewpoint"),
                ..HumidityReadings::default()
            },
            solar: parts.measure("solar"),
            sunshine: parts.measure::<Minutes>("sunshine").map(Hours::from),
            source: parts.words("source").map(str::to_owned),
            standing: None,
        })
    }

    /// Returns the day's reference evapotranspiration: the station's, else Penman-Monteith with
    /// whatever is missing filled in and listed. A day that does not say where it was taken is
    /// reckoned for `elsewhere`.
    ///
    /// # Errors
    /// [`NoEt`], saying what is missing.
    pub fn eto(&self, elsewhere: Option<Standing>) -> Result<DayEt, NoEt> {
        if let Some(eto) = self.et {
            let from = EtFrom::Station;
            return Ok(DayEt { eto, from });
        }
        let (Some(tmin), Some(tmax)) = (self.tmin, self.tmax) else {
            return Err(NoEt::NoTemperatures(self.date));
        };
        let standing = self.standing.or(elsewhere).ok_or(NoEt::NoPlace)?;
        let wind = self.wind.map(|speed| Wind {
            speed,
            height: standing.wind_height,
        });
        let weather = Weather {
            day: DayOfYear::of(self.date),
            latitude: standing.latitude,
            elevation: standing.elevation,
            tmin,
            tmax,
            humidity: et::air::Humidity::best(&self.humidity),
            wind,
            sun: self
                .solar
                .map(Sun::Radiation)
                .or(self.sunshine.map(Sun::Sunshine)),
            siting: standing.siting,
            climate: standing.climate,
            period: Period::Day,
        };
        let method = Method::default();
        let reference = et::reference(&weather, method).map_err(|fault| NoEt::Impossible {
            date: self.date,
            fault,
        })?;
        let assumed = reference.assumed;
        Ok(DayEt {
            eto: Inches::from(reference.eto),
            from: EtFrom::Computed { method, assumed },
        })
    }
}

/// Returns a station's weather days; of two records of one day the later one.
#[must_use]
pub fn days(state: &State, station: LogbookId) -> BTreeMap<NaiveDate, WeatherDay> {
    let root = ThingId::root(station);
    let records = state.observations(root, seen::WEATHER_DAY.number).iter();
    // They come oldest first, so that a later one takes the place of an earlier.
    let days = records.filter_map(|record| WeatherDay::read(&record.value));
    let standing = standing(Site::of(state, station).root());
    days.map(|day| (day.date, WeatherDay { standing, ..day }))
        .collect()
}

/// What a station recorded: its days, and what is usual there.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Record {
    /// Its days, in any order; of two of one day the last in the list counts.
    pub days: Vec<WeatherDay>,
    /// The usual weather of its months, for days that nobody recorded.
    pub normals: Normals,
}

impl Record {
    /// A record of days alone.
    #[must_use]
    pub fn of_days(days: Vec<WeatherDay>) -> Self {
        Self {
            days,
            normals: Normals::default(),
        }
    }

    /// Reads a station's logbook.
    #[must_use]
    pub fn of(state: &State, station: LogbookId) -> Self {
        Self {
            days: days(state, station).into_values().collect(),
            normals: Normals::of(state, station),
        }
    }
}

/// Returns where a site stands, for weather that does not say where it was taken.
#[must_use]
pub fn standing_of_site(site: Thing<'_>) -> Option<Standing> {
    let elevation: Feet = site.measure(&site::ELEVATION).ok()?.value;
    Some(Standing {
        latitude: site.measure(&site::LATITUDE).ok()?.value,
        elevation: Metres::from(elevation),
        wind_height: None,
        siting: Siting::default(),
        climate: Climate::default(),
    })
}

/// Returns where a station stands; `None` where its latitude or elevation is not recorded.
#[must_use]
pub fn standing(station: Thing<'_>) -> Option<Standing> {
    let words = |field| station.words(field).ok().map(|fact| fact.value);
    let elevation: Feet = station.measure(&station::ELEVATION).ok()?.value;
    Some(Standing {
        latitude: station.measure(&station::LATITUDE).ok()?.value,
        elevation: Metres::from(elevation),
        wind_height: station
            .measure(&station::WIND_HEIGHT)
            .ok()
            .map(|fact| fact.value),
        siting: match words(&station::SITING).as_deref() {
            Some("coastal") => Siting::Coastal,
            _ => Siting::Interior,
        },
        climate: match words(&station::CLIMATE).as_deref() {
            Some("arid") => Climate::Arid,
            _ => Climate::Humid,
        },
    })
}
