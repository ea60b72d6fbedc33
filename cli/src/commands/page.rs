//! `headwalk page`: one page for a client, about a spot, a head at a kerb, a valve or a zone.

use std::fs;
use std::path::{Path, PathBuf};

use serde::Serialize;

use headwalk_core::site::client_page::{self, ClientPage};
use headwalk_core::site::lives::{Part, wear};
use headwalk_core::site::things::{Site, Thing};
use headwalk_core::store::Store;
use headwalk_core::water::units::Years;
use headwalk_core::water::wear::cascade::Deals;

use super::wear::lives;
use crate::args::MomentArgs;
use crate::call::Call;
use crate::error::{Error, Kind};
use crate::logbook::{Moment, state_at};
use crate::output::{Page, Report};
use crate::photos::Album;
use crate::roots::{Root, Roots};

/// Write one page that a client can be shown: what was seen, what it means, what is proposed.
///
/// Of a spot: what the signs point to, and the next test. Of a head at a measured kerb: every
/// choice, and the reason for the one that was made. Of a valve: what was found, what the firm's
/// record says of valves of its age, and what one hole would serve. Of a zone: where its water
/// falls. Pictures that lie beside the store stand on it. The file is HTML that needs no other file, for
/// print and screen.
///
/// Example: headwalk page "Maple Court" zone-3 --out zone-3.html
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The site, by its name or enough of it.
    site: String,
    /// The spot, head, valve or zone.
    thing: String,
    /// The file to write.
    #[arg(long, value_name = "PATH")]
    out: PathBuf,
    #[command(flatten)]
    moment: MomentArgs,
}

/// `{"out": PATH, "title": .., "cautions": [..]}`
#[derive(Serialize)]
struct Written {
    out: String,
    title: String,
    cautions: Vec<&'static str>,
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    let store = call.store_to_read()?;
    let moment = args.moment.moment(call.now())?;
    let roots = Roots::of(&store)?;
    let root = roots.find(&args.site)?;
    let state = state_at(&store, root.id, moment)?;
    let site = Site::of(&state, root.id);
    let thing = site.find(&args.thing)?;
    let album = Album::beside(&store, call.store_path());
    let page = about(root, &site, thing, &store, moment, call)?;
    let page = page.with_photos(&site, thing, |digest| album.read(digest))?;
    write_file(&args.out, &page.html())?;
    call.print(&Written {
        out: args.out.display().to_string(),
        title: page.title,
        cautions: page.cautions,
    })
}

fn about(
    root: &Root,
    site: &Site<'_>,
    thing: Thing<'_>,
    store: &Store,
    moment: Moment,
    call: &Call,
) -> Result<ClientPage, Error> {
    let now = call.now();
    let wall = moment.as_of.or(moment.as_known).unwrap_or(now.wall);
    let day = wall.date_at(now.utc_offset_min);
    let wear = || {
        let sites = lives(store, None, Part::Valves, moment, call).map_err(Missing::Store)?;
        let found = wear(&sites, Years::new(1.0), Deals::default());
        found.map_err(|error| Missing::Said(error.to_string()))
    };
    client_page::about(&root.name, site, thing, day, wear).map_err(|missing| match missing {
        Missing::Said(why) => Error::input(why).field("thing"),
        Missing::Store(error) => error,
    })
}

/// Why there is no page.
enum Missing {
    Said(String),
    Store(Error),
}

impl From<String> for Missing {
    fn from(why: String) -> Self {
        Self::Said(why)
    }
}

/// Writes a file that a person asked for.
pub fn write_file(path: &Path, text: &str) -> Result<(), Error> {
    fs::write(path, text).map_err(|error| {
        let message = format!("{} cannot be written: {error}", path.display());
        Error::new(Kind::Machine, message)
    })
}

impl Report for Written {
    fn write(&self, page: &mut Page) {
        page.line(format!("\"{}\" in {}.", self.title, self.out));
        for caution in &self.cautions {
            page.paragraph(&format!("It carries: {caution}"));
        }
    }
}
