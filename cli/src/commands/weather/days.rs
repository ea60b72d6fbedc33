//! The list of a station's days.

use chrono::NaiveDate;
use serde::Serialize;
use serde_json::Value as Json;

use headwalk_core::log::value::Value;
use headwalk_core::site::fields::seen;
use headwalk_core::site::unit::{Unit, UnitSystem};
use headwalk_core::site::weather::{self, EtFrom, NoEt, WeatherDay};
use headwalk_core::store::Store;

use super::import::parts_of;
use super::{List, records};
use crate::error::Error;
use crate::output::{Page, Report, counted};
use crate::roots::Root;
use crate::said::{Saying, What};

/// `{"station": .., "days": [..]}`, by date.
#[derive(Serialize)]
pub struct Days {
    station: String,
    days: Vec<Day>,
}

/// One day: its readings as entered, and the reference evapotranspiration.
#[derive(Serialize)]
struct Day {
    date: String,
    /// Readings by name; see `state` for the shapes of values.
    readings: Json,
    /// Reference evapotranspiration, in inches; none where it cannot be computed.
    eto_in: Option<f64>,
    /// `station` or `computed`; else why there is none.
    eto_from: String,
    #[serde(skip)]
    shown: [String; 5],
    #[serde(skip)]
    eto: String,
}

impl Days {
    pub fn of(list: &List, store: &Store, root: &Root, units: UnitSystem) -> Result<Self, Error> {
        let state = store.state(root.id)?;
        let records = records(&state, root);
        let wanted = |date: NaiveDate| {
            list.from.is_none_or(|from| from <= date) && list.to.is_none_or(|to| date <= to)
        };
        let days = weather::days(&state, root.id).into_values();
        let days = days.filter(|day| wanted(day.date));
        let day = |day: WeatherDay| Some(Day::of(&day, records.get(&day.date)?, units));
        Ok(Self {
            station: root.name.clone(),
            days: days.filter_map(day).collect(),
        })
    }
}

impl Day {
    fn of(day: &WeatherDay, record: &Value, units: UnitSystem) -> Self {
        let eto = day.eto(None);
        let from = match &eto {
            Ok(eto) => match eto.from {
                EtFrom::Station => "station".to_owned(),
                EtFrom::Computed { .. } => "computed".to_owned(),
            },
            Err(NoEt::NoPlace) => "no latitude or elevation".to_owned(),
            Err(NoEt::NoTemperatures(_)) => "no temperatures".to_owned(),
            Err(other) => other.to_string(),
        };
        let eto_in = eto.ok().map(|eto| eto.eto.get());
        let mut readings = What::Seen(seen::WEATHER_DAY.number).json(record);
        if let Some(readings) = readings.as_object_mut() {
            readings.remove("date");
        }
        Self {
            date: day.date.to_string(),
            readings,
            eto: eto_in.map_or_else(String::new, |eto| inches(eto, units)),
            eto_in,
            eto_from: from,
            shown: shown(record, units),
        }
    }
}

/// A depth of water to a hundredth of an inch or a tenth of a millimetre.
fn inches(depth_in: f64, units: UnitSystem) -> String {
    match units {
        UnitSystem::Us => format!("{depth_in:.2} in"),
        UnitSystem::Si => {
            let mm = Unit::Inch.amount_in(depth_in, Unit::Millimetre);
            format!("{:.1} mm", mm.unwrap_or(depth_in * 25.4))
        }
    }
}

/// The readings that the list shows, in the units and digits that people read: lowest and highest
/// temperature, rain, wind, humidity.
fn shown(record: &Value, units: UnitSystem) -> [String; 5] {
    let reading = |name: &str, digits: usize| -> Option<String> {
        let part = parts_of(&seen::WEATHER_DAY)
            .iter()
            .find(|part| part.name == name)?;
        let Value::Quantity { amount, unit } = record.as_record()?.get(&part.number)? else {
            return None;
        };
        let unit = Unit::of_number(*unit)?;
        let wanted = unit.in_system(units);
        let amount = unit.amount_in(*amount, wanted)?;
        Some(format!("{amount:.digits$} {wanted}"))
    };
    let rain = match units {
        UnitSystem::Us => 2,
        UnitSystem::Si => 1,
    };
    let shown = [
        ("tmin", 1),
        ("tmax", 1),
        ("rain", rain),
        ("wind", 1),
        ("humidity", 0),
    ];
    shown.map(|(name, digits)| reading(name, digits).unwrap_or_default())
}

impl Report for Days {
    fn write(&self, page: &mut Page) {
        let row = |day: &Day| {
            let [tmin, tmax, rain, wind, humidity] = day.shown.clone();
            let date = day.date.clone();
            let from = day.eto_from.clone();
            [
                date,
                tmin,
                tmax,
                rain,
                wind,
                humidity,
                day.eto.clone(),
                from,
            ]
        };
        let rows: Vec<_> = self.days.iter().map(row).collect();
        if !rows.is_empty() {
            let heading = [
                "date", "low", "high", "rain", "wind", "humidity", "ET", "ET from",
            ];
            page.table(heading, &rows);
        }
        page.line(format!(
            "{} at {}.",
            counted(self.days.len() as u64, "day", "days"),
            self.station
        ));
    }
}
