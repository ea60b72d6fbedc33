//! What the months usually are at a station.

use std::collections::BTreeMap;
use std::path::Path;

use chrono::{Month, NaiveDate};
use serde::Serialize;
use serde_json::Value as Json;

use headwalk_core::log::id::ThingId;
use headwalk_core::log::value::Value;
use headwalk_core::merge::replay::State;
use headwalk_core::site::fields::seen;
use headwalk_core::site::plan::say;
use headwalk_core::site::things::Parts;
use headwalk_core::site::unit::UnitSystem;
use headwalk_core::site::weather::Normals;
use headwalk_core::store::Store;
use headwalk_core::water::units::{Fahrenheit, Inches};

use super::import::Importing;
use crate::call::Call;
use crate::error::Error;
use crate::output::{Page, Report, counted};
use crate::roots::Root;
use crate::said::{Saying, What};
use crate::table_file::TableFile;

/// Records a table of months.
pub fn import(file: &Path, store: &Store, root: &Root, call: &Call) -> Result<(), Error> {
    let table = TableFile::read(file)?;
    let state = store.state(root.id)?;
    let there = records(&state, root);
    let importing = Importing {
        file,
        store,
        root,
        call,
        of: &seen::MONTHLY_NORMAL,
        example: "month=1",
        key: "month",
    };
    let is_there =
        |value: &Value| month_of(value).is_some_and(|month| there.get(&month) == Some(&value));
    call.print(&importing.take(&table, is_there)?)
}

/// `{"station": .., "months": [..]}`, by month.
#[derive(Serialize)]
pub struct Months {
    station: String,
    months: Vec<OfMonth>,
}

#[derive(Serialize)]
struct OfMonth {
    month: u32,
    /// Readings by name; see `state` for the shapes of values.
    readings: Json,
    /// Reference evapotranspiration of a usual day, in inches; none where it cannot be computed.
    eto_in_a_day: Option<f64>,
    #[serde(skip)]
    shown: [String; 5],
}

impl Months {
    pub fn of(store: &Store, root: &Root, units: UnitSystem) -> Result<Self, Error> {
        let state = store.state(root.id)?;
        let normals = Normals::of(&state, root.id);
        let months = records(&state, root).into_iter();
        let months = months.map(|(month, record)| {
            let day = NaiveDate::from_ymd_opt(2026, month, 15);
            let eto = day.and_then(|day| normals.day(day, None).ok());
            let mut readings = What::Seen(seen::MONTHLY_NORMAL.number).json(record);
            if let Some(readings) = readings.as_object_mut() {
                readings.remove("month");
            }
            let parts = Parts::of(&seen::MONTHLY_NORMAL, record);
            let heat = |name| {
                parts
                    .measure::<Fahrenheit>(name)
                    .map(|heat| say(heat, units))
            };
            let depth = |name| parts.measure::<Inches>(name).map(|depth| say(depth, units));
            let a_day = eto.as_ref().map(|day| say(day.eto, units));
            OfMonth {
                month,
                readings,
                shown: [
                    heat("tmin"),
                    heat("tmax"),
                    depth("rain"),
                    depth("et"),
                    a_day,
                ]
                .map(Option::unwrap_or_default),
                eto_in_a_day: eto.map(|day| day.eto.get()),
            }
        });
        Ok(Self {
            station: root.name.clone(),
            months: months.collect(),
        })
    }
}

fn month_of(value: &Value) -> Option<u32> {
    let month = Parts::of(&seen::MONTHLY_NORMAL, value).get("month")?;
    u32::try_from(month.as_int()?).ok()
}

/// The record in force of each month.
fn records<'s>(state: &'s State, root: &Root) -> BTreeMap<u32, &'s Value> {
    let seen = state.observations(ThingId::root(root.id), seen::MONTHLY_NORMAL.number);
    let dated = seen.iter();
    dated
        .filter_map(|seen| Some((month_of(&seen.value)?, &seen.value)))
        .collect()
}

impl Report for Months {
    fn write(&self, page: &mut Page) {
        let rows = self.months.iter().map(|of| {
            let name = u8::try_from(of.month).ok();
            let name = name.and_then(|month| Month::try_from(month).ok());
            let [tmin, tmax, rain, et, a_day] = of.shown.clone();
            let name = name.map_or("", |month| month.name()).to_owned();
            [name, tmin, tmax, rain, et, a_day]
        });
        let rows: Vec<_> = rows.collect();
        if !rows.is_empty() {
            page.table(["month", "low", "high", "rain", "ET", "ET a day"], &rows);
        }
        page.line(format!(
            "{} at {}.",
            counted(self.months.len() as u64, "month", "months"),
            self.station
        ));
    }
}
