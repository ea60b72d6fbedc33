//! `headwalk export`: the log and its things, readable without this program.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::PathBuf;

use clap::ValueEnum;
use serde::Serialize;
use serde_json::Value as Json;

use headwalk_core::log::chain::Link;
use headwalk_core::log::entry::Change;
use headwalk_core::log::id::{LogbookId, Place};
use headwalk_core::site::fields::{self, FieldDef, any};
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::things::{Site, Thing};
use headwalk_core::store::{Kept, Store};

use crate::call::Call;
use crate::error::{Error, Kind};
use crate::geojson;
use crate::logbook::state_of;
use crate::output::{Page, Report, counted};
use crate::roots::{Root, Roots};
use crate::said::What;
use crate::told::{self, how_word};

/// Export every entry as JSON lines, a table of zones, heads or valves as CSV, or a site's map.
///
/// Entries come in the order of their moments, the same from every store that holds them, each
/// with the digest of its device's chain up to it. A table can be read back with `import`, and so can
/// a map, which is GeoJSON by the site's latitude and longitude.
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

/// One line of the export of entries.
#[derive(Serialize)]
struct EntryLine {
    logbook: String,
    device: String,
    seq: u64,
    by: String,
    /// When, in RFC 3339, by the writer's clock.
    at: String,
    /// The moment that counts, where the writer's clock was wrong.
    #[serde(skip_serializing_if = "Option::is_none")]
    counts_as: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    visit: Option<String>,
    /// What the device had come to hold of others since its entry before: device to number.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    gained: BTreeMap<String, u64>,
    changes: Vec<ChangeJson>,
    /// The digest of this device's entries in this logbook up to and including this one.
    digest: String,
}

/// One change. A receipt has `receipt`; a change that this version does not know has `unknown`.
#[derive(Serialize)]
#[serde(untagged)]
enum ChangeJson {
    Said {
        thing: String,
        /// The field or observation.
        what: String,
        value: Json,
        #[serde(skip_serializing_if = "Option::is_none")]
        how: Option<String>,
    },
    Receipt {
        /// The entry whose clock was wrong: its device and number, and the moment that counts.
        receipt: (String, u64, String),
    },
    HeldBack {
        /// The entry that does not count: its device and number.
        held_back: (String, u64),
    },
    Admitted {
        /// The entry that counts after all: its device and number.
        admitted: (String, u64),
    },
    Unknown {
        unknown: u8,
    },
}

/// `{"out": PATH, "lines": N}`
#[derive(Serialize)]
struct Written {
    out: String,
    lines: usize,
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    let store = call.store()?;
    let roots = Roots::of(&store)?;
    let wanted = match &args.site {
        Some(site) => vec![roots.find(site)?.clone()],
        None => roots.by_id(),
    };
    let text = match args.what {
        Exported::Entries => entries(&store, &wanted)?,
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
        lines: text.lines().count(),
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

fn entries(store: &Store, wanted: &[Root]) -> Result<String, Error> {
    let mut all = Vec::new();
    for root in wanted {
        all.extend(
            store
                .entries(root.id)?
                .into_iter()
                .map(|kept| (root.id, kept)),
        );
    }
    all.sort_by_key(|(logbook, kept)| (kept.stamp, *logbook, kept.place));
    let mut links = BTreeMap::new();
    for root in wanted {
        links.insert(root.id, store.links(root.id)?);
    }
    let mut text = String::new();
    for (logbook, kept) in &all {
        let line = EntryLine::of(*logbook, kept, &links[logbook]);
        let line = serde_json::to_string(&line);
        text.push_str(&line.map_err(|error| Error::new(Kind::Bug, error.to_string()))?);
        text.push('\n');
    }
    Ok(text)
}

impl EntryLine {
    fn of(logbook: LogbookId, kept: &Kept, links: &BTreeMap<Place, Link>) -> Self {
        let entry = &kept.entry;
        let offset = entry.utc_offset_min;
        let (at, counts_as) = (entry.stamp.wall(), kept.stamp.wall());
        let gained = entry
            .gained
            .iter()
            .map(|mark| (mark.device.to_string(), mark.seq.get()));
        Self {
            logbook: logbook.to_string(),
            device: entry.device.to_string(),
            seq: entry.seq.get(),
            by: entry.by.clone(),
            at: told::rfc3339(at, offset),
            counts_as: (at != counts_as).then(|| told::rfc3339(counts_as, offset)),
            visit: entry.visit.map(|visit| visit.to_string()),
            gained: gained.collect(),
            changes: entry.changes.iter().map(ChangeJson::of).collect(),
            digest: links
                .get(&kept.place)
                .map_or_else(String::new, Link::to_string),
        }
    }
}

impl ChangeJson {
    fn of(change: &Change) -> Self {
        if let Some((what, thing, value, how)) = What::of(change) {
            return Self::Said {
                thing: thing.to_string(),
                what: what.name(),
                value: what.json(value),
                how: how_word(how),
            };
        }
        match change {
            Change::Receipt { of, stamp } => {
                let (device, seq) = (of.device.to_string(), of.seq.get());
                let receipt = (device, seq, told::rfc3339(stamp.wall(), 0));
                Self::Receipt { receipt }
            }
            Change::HoldBack { of } => Self::HeldBack {
                held_back: (of.device.to_string(), of.seq.get()),
            },
            Change::Admit { of } => Self::Admitted {
                admitted: (of.device.to_string(), of.seq.get()),
            },
            Change::Unknown { kind, .. } => Self::Unknown { unknown: *kind },
            Change::Set { .. } | Change::Observe { .. } => {
                unreachable!("what is said of a thing is told above")
            }
        }
    }
}

/// A table of the things of one kind that are there: every field that any of them has.
fn things(store: &Store, wanted: &[Root], kind: ThingKind, call: &Call) -> Result<String, Error> {
    let mut columns = BTreeSet::new();
    let mut states = Vec::new();
    for root in wanted
        .iter()
        .filter(|root| root.kind == Some(ThingKind::Site))
    {
        let state = state_of(store, root.id)?;
        for thing in of_kind(&Site::of(&state, root.id), kind) {
            let has = fields::fields_of(kind).filter(|field| thing.raw(field).is_some());
            columns.extend(has.map(|field| field.number));
        }
        states.push((root, state));
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
    for (root, state) in &states {
        let site = Site::of(state, root.id);
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
        let lines = counted(self.lines as u64, "line", "lines");
        page.line(format!("{lines} to {}.", self.out));
    }
}
