//! `headwalk paper`: pages that a client keeps, that hang in a cabinet, that ride in a truck.

use std::path::PathBuf;

use chrono::NaiveDate;
use clap::ValueEnum;
use serde::Serialize;

use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::papers::{Language, Options, Paper, Sheet};
use headwalk_core::site::words::{Vocabulary, plain};
use headwalk_sync_server::office::{Beside, PaperDay, Shelf, pull_list_of};

use super::page::write_file;
use crate::args::MomentArgs;
use crate::call::Call;
use crate::error::Error;
use crate::logbook::{Moment, state_at};
use crate::output::{Page, Report};
use crate::roots::{Root, Roots};

/// Write a paper: one page file that needs no other, for print in black and white and for screen.
///
/// letter: to the client: what was done, what needs a decision, the water, zone by zone, the map.
/// card: half a sheet for the controller's cabinet. head-map, work-order, estimate, season-chart:
/// as they say. pull-list: parts for a day, a bag for each of the sites that are named, or of all.
///
/// Language and units are those that the site's client wants, unless --lang and --units say
/// otherwise. Without --out the page goes to standard output.
///
/// Example: headwalk paper letter "Maple Court" --out letter.html --lang es --paper a4
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Which paper.
    #[arg(value_enum)]
    kind: Kind,
    /// The site, by its name or enough of it; a pull list takes several, and all without one.
    sites: Vec<String>,
    /// The file to write.
    #[arg(long, value_name = "PATH")]
    out: Option<PathBuf>,
    /// The language.
    #[arg(long, value_enum)]
    lang: Option<Lang>,
    /// The paper that it is printed on.
    #[arg(long, value_enum)]
    paper: Option<PrintedOn>,
    /// The day; of a work order or a pull list, the day of the work.
    #[arg(long, value_name = "DATE")]
    on: Option<String>,
    #[command(flatten)]
    moment: MomentArgs,
}

/// A paper, as typed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Kind {
    Letter,
    Card,
    HeadMap,
    WorkOrder,
    Estimate,
    SeasonChart,
    PullList,
}

/// A language, as typed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Lang {
    En,
    Es,
}

/// A size of paper, as typed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum PrintedOn {
    Letter,
    A4,
}

impl From<Kind> for Paper {
    fn from(kind: Kind) -> Self {
        match kind {
            Kind::Letter => Self::Letter,
            Kind::Card => Self::Card,
            Kind::HeadMap => Self::HeadMap,
            Kind::WorkOrder => Self::WorkOrder,
            Kind::Estimate => Self::Estimate,
            Kind::SeasonChart => Self::SeasonChart,
            Kind::PullList => Self::PullList,
        }
    }
}

/// `{"paper": .., "sites": [..], "out": PATH, "bytes": N}`; with no file `html` instead of it.
#[derive(Serialize)]
struct Written {
    paper: &'static str,
    sites: Vec<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    out: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    html: Option<String>,
    bytes: usize,
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    let store = call.store_to_read()?;
    let moment = args.moment.moment(call.now())?;
    let roots = Roots::of(&store)?;
    let kind = Paper::from(args.kind);
    let wanted = args.wanted(kind, &roots)?;
    let on = args.on(call, moment)?;
    let ids: Vec<_> = wanted.iter().map(|root| root.id).collect();
    let state = |id| state_at(&store, id, moment);
    let beside = beside(&roots);
    let asked = PaperDay {
        on,
        utc_offset_min: call.now().utc_offset_min,
    };
    let change = |options: &mut Options| args.change(options, call);
    let html = match kind {
        // Of all sites: one after the other.
        Paper::PullList => pull_list_of(&ids, &beside, asked, change, state)?,
        _ => Shelf::read(&ids, beside, state)?.html(kind, asked, change),
    };
    let sites = wanted.iter().map(|root| root.name.clone()).collect();
    let bytes = html.len();
    let (out, html) = match &args.out {
        Some(path) => {
            write_file(path, &html)?;
            (Some(path.display().to_string()), None)
        }
        None => (None, Some(html)),
    };
    call.print(&Written {
        paper: kind.word(),
        sites,
        out,
        html,
        bytes,
    })
}

impl Args {
    fn wanted(&self, kind: Paper, roots: &Roots) -> Result<Vec<Root>, Error> {
        let several = kind == Paper::PullList;
        match (self.sites.as_slice(), several) {
            ([], true) => Ok(roots.of_kind(ThingKind::Site).cloned().collect()),
            ([_], _) | (_, true) => self
                .sites
                .iter()
                .map(|site| site_of(roots, site).cloned())
                .collect(),
            _ => Err(
                Error::input(format!("a {} is about one site", kind.plain()))
                    .field("sites")
                    .hint("name one; only a pull list takes several."),
            ),
        }
    }

    fn on(&self, call: &Call, moment: Moment) -> Result<NaiveDate, Error> {
        let now = call.now();
        match &self.on {
            None => {
                let wall = moment.as_of.or(moment.as_known).unwrap_or(now.wall);
                Ok(wall.date_at(now.utc_offset_min))
            }
            Some(text) => text.parse().map_err(|_| {
                Error::input(format!("`{text}` is not a date"))
                    .field("on")
                    .hint("write it like 2026-07-14.")
            }),
        }
    }

    fn change(&self, options: &mut Options, call: &Call) {
        if let Some(lang) = self.lang {
            options.language = match lang {
                Lang::En => Language::English,
                Lang::Es => Language::Spanish,
            };
        }
        if let Some(units) = call.units_asked() {
            options.units = units;
        }
        if let Some(paper) = self.paper {
            options.sheet = match paper {
                PrintedOn::Letter => Sheet::Letter,
                PrintedOn::A4 => Sheet::A4,
            };
        }
    }
}

fn site_of<'r>(roots: &'r Roots, typed: &str) -> Result<&'r Root, Error> {
    let root = roots.find(typed)?;
    match root.kind {
        Some(ThingKind::Site) => Ok(root),
        _ => Err(Error::input(format!("`{}` is not a site", root.name))
            .field("sites")
            .hint("`headwalk sites` lists them.")),
    }
}

/// What else than sites a paper may need, of this store.
fn beside(roots: &Roots) -> Beside {
    let stations = roots.of_kind(ThingKind::Station);
    Beside {
        firm: roots.of_kind(ThingKind::Company).next().map(|root| root.id),
        stations: stations
            .map(|station| (station.id, station.name.clone()))
            .collect(),
    }
}

impl Report for Written {
    fn write(&self, page: &mut Page) {
        match (&self.out, &self.html) {
            (Some(out), _) => {
                let kind = plain(self.paper);
                page.line(format!(
                    "The {kind} of {} is in {out}.",
                    self.sites.join(", ")
                ));
            }
            (None, Some(html)) => page.line(html),
            (None, None) => {}
        }
    }
}
