//! `headwalk export`: the log and its things, readable without this program.

use std::collections::BTreeSet;
use std::fs::{self, File};
use std::io::{self, BufWriter};
use std::path::{Path, PathBuf};

use clap::ValueEnum;
use serde::Serialize;

use headwalk_core::site::fields::{self, FieldDef, any};
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::things::{Site, Thing};
use headwalk_core::store::Store;
use headwalk_sync_server::export_file::{self, Unwritten};

use crate::call::Call;
use crate::error::{Error, Kind};
use crate::geojson;
use crate::logbook::state_of;
use crate::output::{Page, Report, counted};
use crate::roots::{Root, Roots};
use crate::said::What;

/// Export every entry as JSON lines, a table of zones, heads or valves as CSV, or a site's map.
///
/// Entries come in the order of their moments, each with its exact bytes and the digest of its
/// device's chain up to it, after lines with the ends of the chains and the devices' seals. So the
/// file proves itself: `verify --export FILE` checks it without a store, and `import FILE` takes it
/// into one. A table can be read back with `import`, and so can a map, which is GeoJSON by the site's
/// latitude and longitude.
///
/// Example: headwalk export zones --site "Maple Court" --out zones.csv
#[derive(Debug, clap::Args)]
pub struct Args {
    /// What to export.
    #[arg(value_enum)]
    what: Exported,
    /// Only this site, station or company.
    #[arg(long)]
    site: Option<String>,
    /// The file to write; else it is printed.
    #[arg(long, value_name = "PATH")]
    out: Option<PathBuf>,
}

/// What to export.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Exported {
    /// Every entry, as JSON lines.
    Entries,
    /// Zones, as CSV.
    Zones,
    /// Heads, as CSV.
    Heads,
    /// Valves, as CSV.
    Valves,
    /// The sketch of one site, as GeoJSON.
    Geojson,
}

/// `{"out": PATH, "lines": N}`
#[derive(Serialize)]
struct Written {
    out: String,
    lines: u64,
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    let store = call.store_to_read()?;
    let roots = Roots::of(&store)?;
    let wanted = match &args.site {
        Some(site) => vec![roots.find(site)?.clone()],
        None => roots.by_id(),
    };
    let text = match args.what {
        Exported::Entries => return entries(&store, &wanted, args.out.as_deref(), call),
        Exported::Zones => things(&store, &wanted, ThingKind::Zone, call)?,
        Exported::Heads => things(&store, &wanted, ThingKind::Head, call)?,
        Exported::Valves => things(&store, &wanted, ThingKind::Valve, call)?,
        Exported::Geojson => map(&store, &wanted, call)?,
    };
    let Some(out) = args.out else {
        return call.print_lines(&text);
    };
    fs::write(&out, &text).map_err(|error| {
        Error::new(
            Kind::Machine,
            format!("{} cannot be written: {error}", out.display()),
        )
    })?;
    call.print(&Written {
        out: out.display().to_string(),
        lines: text.lines().count() as u64,
    })
}

/// Writes entries as they are read; a file gets its name when all of them are in it.
fn entries(store: &Store, wanted: &[Root], out: Option<&Path>, call: &Call) -> Result<(), Error> {
    let logbooks: Vec<_> = wanted.iter().map(|root| root.id).collect();
    let Some(out) = out else {
        return call.print_as_it_comes(|out| {
            Ok(match export_file::write_logbooks(store, &logbooks, out) {
                Err(Unwritten::Store(error)) => return Err(error.into()),
                Err(Unwritten::Out(error)) => Err(error),
                Ok(_) => Ok(()),
            })
        });
    };
    let mut making = out.as_os_str().to_owned();
    making.push(".making");
    let making = Path::new(&making);
    let unwritten = |error: io::Error| {
        let message = format!("{} cannot be written: {error}", out.display());
        Error::new(Kind::Machine, message)
    };
    let written = File::create(making).map_err(unwritten).and_then(|file| {
        let mut file = BufWriter::new(file);
        let lines = match export_file::write_logbooks(store, &logbooks, &mut file) {
            Err(Unwritten::Store(error)) => Err(error.into()),
            Err(Unwritten::Out(error)) => Err(unwritten(error)),
            Ok(lines) => Ok(lines),
        }?;
        file.into_inner()
            .map_err(|error| unwritten(error.into_error()))?;
        fs::rename(making, out).map_err(unwritten)?;
        Ok(lines)
    });
    let lines = written.inspect_err(|_| {
        // Where it cannot even be removed, its name says what it is.
        drop(fs::remove_file(making));
    })?;
    call.print(&Written {
        out: out.display().to_string(),
        lines,
    })
}

/// The sketch of the one site that is wanted.
fn map(store: &Store, wanted: &[Root], call: &Call) -> Result<String, Error> {
    let mut sites = wanted
        .iter()
        .filter(|root| root.kind == Some(ThingKind::Site));
    let (Some(root), None) = (sites.next(), sites.next()) else {
        return Err(Error::input("a map is of one site")
            .field("site")
            .hint("name it with --site; `headwalk sites` lists them."));
    };
    let state = store.state(root.id)?;
    geojson::written(&Site::of(&state, root.id), call.units())
}

/// A table of the things of one kind that are there: every field that any of them has.
fn things(store: &Store, wanted: &[Root], kind: ThingKind, call: &Call) -> Result<String, Error> {
    let mut columns = BTreeSet::new();
    let sites = || {
        let is_site = |root: &&Root| root.kind == Some(ThingKind::Site);
        wanted.iter().filter(is_site)
    };
    // Twice, one site after the other: all of them together are the whole log.
    for root in sites() {
        let state = state_of(store, root.id)?;
        for thing in of_kind(&Site::of(&state, root.id), kind) {
            let has = fields::fields_of(kind).filter(|field| thing.raw(field).is_some());
            columns.extend(has.map(|field| field.number));
        }
    }
    columns.remove(&any::KIND.number);
    let columns: Vec<&FieldDef> = columns
        .into_iter()
        .filter_map(fields::field_by_number)
        .collect();
    let mut csv = csv::Writer::from_writer(Vec::new());
    let mut write = |row: Vec<String>| {
        csv.write_record(row)
            .map_err(|error| Error::new(Kind::Bug, error.to_string()))
    };
    let names = columns.iter().map(|field| field.name.to_owned());
    write(
        ["site".to_owned(), "thing".to_owned()]
            .into_iter()
            .chain(names)
            .collect(),
    )?;
    for root in sites() {
        let state = state_of(store, root.id)?;
        let site = Site::of(&state, root.id);
        for thing in of_kind(&site, kind) {
            let mut row = vec![root.name.clone(), site.address(thing)];
            for field in &columns {
                let value = thing.raw(field);
                let what = What::Field(field.number);
                row.push(
                    value.map_or_else(String::new, |value| what.show(&site, value, call.units())),
                );
            }
            write(row)?;
        }
    }
    let bytes = csv
        .into_inner()
        .map_err(|error| Error::new(Kind::Bug, error.to_string()))?;
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}

fn of_kind<'s>(site: &Site<'s>, kind: ThingKind) -> Vec<Thing<'s>> {
    let things = site.under(site.root().id);
    things
        .filter(|thing| {
            let is_second = site.kept(thing.id) != thing.id;
            thing.kind == Some(kind) && !thing.is_removed() && !is_second
        })
        .collect()
}

impl Report for Written {
    fn write(&self, page: &mut Page) {
        let lines = counted(self.lines, "line", "lines");
        page.line(format!("{lines} to {}.", self.out));
    }
}
