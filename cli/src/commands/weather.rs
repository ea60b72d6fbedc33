//! `headwalk weather`: a station's logbook of days.

mod days;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use chrono::NaiveDate;
use serde::Serialize;

use headwalk_core::log::entry::{Change, Draft};
use headwalk_core::log::id::ThingId;
use headwalk_core::log::value::{HowKnown, Value};
use headwalk_core::merge::replay::State;
use headwalk_core::site::fields::{FieldError, Parsed, Part, Shape, seen};
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::unit::UnitSystem;
use headwalk_core::site::weather::WeatherDay;
use headwalk_core::store::Store;

use self::days::Days;
use super::note::pairs;
use crate::call::Call;
use crate::error::Error;
use crate::output::{Page, Report, counted};
use crate::record::{Action, record};
use crate::roots::{Root, Roots};
use crate::table_file::{Column, Faults, Row, TableFile};

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
    /// Example: headwalk weather import "North yard" days.csv
    Import(Import),
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
        Step::Import(import) => import_days(&import.file, &store, root, call),
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

fn observed(station: ThingId, value: Value) -> Change {
    Change::Observe {
        thing: station,
        what: seen::WEATHER_DAY.number,
        value,
        how: HowKnown::Unstated,
    }
}

/// `{"file": .., "lines": N, "added": N, "as_before": N, "ask": [..]}`
#[derive(Serialize)]
struct Imported {
    file: String,
    lines: usize,
    added: usize,
    /// Lines that say what is recorded already.
    as_before: usize,
    ask: Vec<String>,
}

/// How many days one entry holds: a year of all readings is far below what an entry may be.
const DAYS_AN_ENTRY: usize = 366;

fn import_days(file: &Path, store: &Store, root: &Root, call: &Call) -> Result<(), Error> {
    let table = TableFile::read(file)?;
    known_columns(&table)?;
    let state = store.state(root.id)?;
    let there = records(&state, root);
    let mut faults = Faults::default();
    let (mut changes, mut ask, mut as_before) = (Vec::new(), Vec::new(), 0);
    for row in &table.rows {
        let Some(parsed) = day_of(&table, row, &mut faults) else {
            continue;
        };
        ask.extend(parsed.ask.map(|ask| format!("line {}: {ask}", row.line)));
        let day = WeatherDay::read(&parsed.value).map(|day| day.date);
        if day.is_some_and(|day| there.get(&day) == Some(&&parsed.value)) {
            as_before += 1;
        } else {
            changes.push(observed(ThingId::root(root.id), parsed.value));
        }
    }
    faults.none_or(file)?;
    let added = changes.len();
    let by = call.by(store)?;
    let draft = |changes: &[Change]| Draft {
        logbook: root.id,
        by: by.clone(),
        utc_offset_min: call.now().utc_offset_min,
        visit: None,
        changes: changes.to_vec(),
    };
    let drafts: Vec<_> = changes.chunks(DAYS_AN_ENTRY).map(draft).collect();
    if !drafts.is_empty() {
        store.record(&drafts, call.now().wall)?;
    }
    call.print(&Imported {
        file: file.display().to_string(),
        lines: table.rows.len(),
        added,
        as_before,
        ask,
    })
}

/// The parts of a day's record.
fn parts() -> &'static [Part] {
    match seen::WEATHER_DAY.shape {
        Shape::Record(parts) => parts,
        _ => &[],
    }
}

/// Refuses a heading that names no reading, or a number without its unit.
fn known_columns(table: &TableFile) -> Result<(), Error> {
    let names: Vec<_> = parts().iter().map(|part| part.name).collect();
    for column in &table.columns {
        let Some(part) = parts().iter().find(|part| part.name == column.name) else {
            return Err(
                Error::input(format!("the column `{}` is no reading", column.heading))
                    .field(&*column.heading)
                    .hint(format!("the readings are {}.", names.join(", "))),
            );
        };
        if let (Shape::Quantity(quantity), None) = (part.shape, column.unit) {
            let heading = &column.heading;
            let with_unit = |system| {
                let symbol = quantity.unit.in_system(system).symbol();
                format!("`{heading} ({symbol})`")
            };
            let (us, si) = (with_unit(UnitSystem::Us), with_unit(UnitSystem::Si));
            return Err(
                Error::input(format!("the column `{heading}` does not say its unit"))
                    .field(&**heading)
                    .hint(match us == si {
                        true => format!("call it {us}."),
                        false => format!("call it {us} or {si}."),
                    }),
            );
        }
    }
    Ok(())
}

/// Reads a line as a day; what is wrong with it goes to the faults.
fn day_of(table: &TableFile, row: &Row, faults: &mut Faults) -> Option<Parsed> {
    let cells = table.columns.iter().zip(&row.cells);
    let cells: Vec<_> = cells.filter(|(_, cell)| !cell.is_empty()).collect();
    let said =
        |(column, cell): &(&Column, &String)| format!("{}={}", column.name, column.with_unit(cell));
    let text: Vec<_> = cells.iter().map(said).collect();
    let error = match parsed(&text.join("; ")) {
        Ok(parsed) => return Some(parsed),
        Err(error) => error,
    };
    // Each cell is tried alone, so that every one that is wrong is named.
    let before = faults.count();
    for cell in &cells {
        let alone = match cell.0.name.as_str() {
            "date" => said(cell),
            _ => format!("date=2000-01-01; {}", said(cell)),
        };
        if let Err(error) = parsed(&alone) {
            faults.cell(row.line, cell.0, &plainly(&error, &cell.0.name));
        }
    }
    if faults.count() == before {
        faults.line(row.line, &plainly(&error, ""));
    }
    None
}

fn parsed(text: &str) -> Result<Parsed, FieldError> {
    seen::WEATHER_DAY.parse(text, UnitSystem::Us)
}

/// Says an error without repeating which record and which reading it is about.
fn plainly(error: &FieldError, reading: &str) -> String {
    let told = error.to_string();
    let told = told
        .strip_prefix(&seen::WEATHER_DAY.title())
        .unwrap_or(&told);
    let told = told.trim_start_matches([':', ' ']);
    let told = told.strip_prefix(reading).unwrap_or(told);
    told.trim_start_matches([':', ' ']).to_owned()
}

/// The record in force of each day.
fn records<'s>(state: &'s State, root: &Root) -> BTreeMap<NaiveDate, &'s Value> {
    let seen = state.observations(ThingId::root(root.id), seen::WEATHER_DAY.number);
    let dated = seen
        .iter()
        .filter_map(|seen| Some((WeatherDay::read(&seen.value)?.date, &seen.value)));
    dated.collect()
}

impl Report for Imported {
    fn write(&self, page: &mut Page) {
        let lines = counted(self.lines as u64, "line", "lines");
        let Self {
            file,
            added,
            as_before,
            ..
        } = self;
        page.line(format!(
            "{lines} of {file}: {added} added, {as_before} as before."
        ));
        for ask in &self.ask {
            page.line(format!("Please check: {ask}"));
        }
    }
}
