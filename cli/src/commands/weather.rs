//! `headwalk weather`: a station's logbook of days.

mod days;
mod ghcn;
mod import;
mod normals;

use std::collections::BTreeMap;
use std::path::PathBuf;

use chrono::NaiveDate;
use headwalk_core::log::entry::Change;
use headwalk_core::log::id::ThingId;
use headwalk_core::log::value::{HowKnown, Value};
use headwalk_core::merge::replay::State;
use headwalk_core::site::fields::seen;
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::weather::WeatherDay;
use headwalk_core::store::Store;

use self::days::Days;
use super::note::pairs;
use crate::call::Call;
use crate::error::Error;
use crate::record::{Action, record};
use crate::roots::{Root, Roots};
use crate::table_file::TableFile;

/// Keep a weather station's days: add one, import a table, list them.
///
/// A day has tmin, tmax, rain, et, wind, humidity-min, humidity-max, humidity, dewpoint, solar,
/// sunshine and source, whatever of them is known. Of two records of one day the later counts.
///
/// Example: headwalk weather add "North yard" 2026-07-14 rain 0.2in et 0.21in
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    step: Step,
}

#[derive(Debug, clap::Subcommand)]
enum Step {
    /// Add one day.
    ///
    /// Example: headwalk weather add "North yard" 2026-07-14 tmin 61F tmax 88F rain 0in
    Add(Add),
    /// Import a table of days. The column `date` says which; every other heading ends with its
    /// unit: tmin_c, tmax_f, rain_mm, et_in, wind_m_s, humidity_pct. Empty cells say nothing.
    ///
    /// A table with other headings is told what they are: --column temp_max=tmax_c, and
    /// --skip for those that are no readings. With --ghcn the file is one of the Global Historical
    /// Climatology Network's, daily, as CSV; what failed that archive's own checks is left out.
    ///
    /// Example: headwalk weather import "North yard" days.csv
    Import(Import),
    /// Keep what a month's weather usually is, for days that nobody recorded: import a table with
    /// the columns month, tmin_c, tmax_c, rain_mm and et_mm (month's sums), or list what is there.
    ///
    /// Example: headwalk weather normals "North yard" months.csv
    Normals(NormalsArgs),
    /// List the days, with the reference evapotranspiration: the station's own, or computed from
    /// its readings (Penman-Monteith).
    ///
    /// Example: headwalk weather list "North yard" --from 2026-07-01
    List(List),
}

#[derive(Debug, clap::Args)]
struct Add {
    /// The station, by its name or enough of it.
    station: String,
    /// The day, such as 2026-07-14.
    date: String,
    /// Readings and values, in turn.
    #[arg(required = true, num_args = 2.., value_names = ["READING", "VALUE"], allow_negative_numbers = true)]
    pairs: Vec<String>,
}

#[derive(Debug, clap::Args)]
struct Import {
    /// The station, by its name or enough of it.
    station: String,
    /// The table, as CSV in UTF-8.
    file: PathBuf,
    /// What a heading is, with its unit, such as precipitation=rain_mm; once for each.
    #[arg(long, value_name = "HEADING=READING", conflicts_with = "ghcn")]
    column: Vec<String>,
    /// A heading that is no reading; once for each.
    #[arg(long, value_name = "HEADING", conflicts_with = "ghcn")]
    skip: Vec<String>,
    /// The file is of GHCN-Daily: one value a line, or one day a line, in tenths.
    #[arg(long)]
    ghcn: bool,
    /// Which station of a file of GHCN-Daily that holds several.
    #[arg(long, value_name = "ID", requires = "ghcn")]
    id: Option<String>,
}

#[derive(Debug, clap::Args)]
struct NormalsArgs {
    /// The station, by its name or enough of it.
    station: String,
    /// The table, as CSV in UTF-8; without it what is recorded is listed.
    file: Option<PathBuf>,
}

#[derive(Debug, clap::Args)]
struct List {
    /// The station, by its name or enough of it.
    station: String,
    /// From this day on.
    #[arg(long, value_name = "DATE")]
    from: Option<NaiveDate>,
    /// Up to this day.
    #[arg(long, value_name = "DATE")]
    to: Option<NaiveDate>,
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    let store = call.store()?;
    let roots = Roots::of(&store)?;
    let station = match &args.step {
        Step::Add(add) => &add.station,
        Step::Import(import) => &import.station,
        Step::Normals(normals) => &normals.station,
        Step::List(list) => &list.station,
    };
    let root = roots.find(station)?;
    if root.kind != Some(ThingKind::Station) {
        return Err(
            Error::input(format!("{} is not a weather station", root.name))
                .field("station")
                .hint("`headwalk add station NAME` begins one."),
        );
    }
    match &args.step {
        Step::Add(add) => add_day(add, &store, root, call),
        Step::Import(import) => import_days(import, &store, root, call),
        Step::Normals(normals) => match &normals.file {
            Some(file) => normals::import(file, &store, root, call),
            None => call.print(&normals::Months::of(&store, root, call.units())?),
        },
        Step::List(list) => call.print(&Days::of(list, &store, root, call.units())?),
    }
}

fn add_day(add: &Add, store: &Store, root: &Root, call: &Call) -> Result<(), Error> {
    let mut text = format!("date={}", add.date);
    for (name, value) in pairs(&add.pairs)? {
        text.push_str(&format!("; {name}={value}"));
    }
    let parsed = seen::WEATHER_DAY.parse(&text, call.units())?;
    let about = ThingId::root(root.id);
    let action = Action {
        about,
        changes: vec![observed(about, parsed.value)],
        ask: parsed.ask.into_iter().collect(),
    };
    call.print(&record(call, store, root, action)?)
}

fn import_days(given: &Import, store: &Store, root: &Root, call: &Call) -> Result<(), Error> {
    let file = &given.file;
    let (table, left_out) = if given.ghcn {
        ghcn::read(file, given.id.as_deref())?
    } else {
        let table = TableFile::read(file)?;
        (import::renamed(table, &given.column, &given.skip)?, None)
    };
    let state = store.state(root.id)?;
    let there = records(&state, root);
    let day = |value: &Value| WeatherDay::read(value).map(|day| day.date);
    let importing = import::Importing {
        file,
        store,
        root,
        call,
        of: &seen::WEATHER_DAY,
        example: "date=2000-01-01",
        key: "date",
    };
    let is_there = |value: &Value| day(value).is_some_and(|day| there.get(&day) == Some(&value));
    let mut imported = importing.take(&table, is_there)?;
    imported.ask.extend(left_out);
    call.print(&imported)
}

fn observed(station: ThingId, value: Value) -> Change {
    Change::Observe {
        thing: station,
        what: seen::WEATHER_DAY.number,
        value,
        how: HowKnown::Unstated,
    }
}

/// The record in force of each day.
fn records<'s>(state: &'s State, root: &Root) -> BTreeMap<NaiveDate, &'s Value> {
    let seen = state.observations(ThingId::root(root.id), seen::WEATHER_DAY.number);
    let dated = seen
        .iter()
        .filter_map(|seen| Some((WeatherDay::read(&seen.value)?.date, &seen.value)));
    dated.collect()
}
