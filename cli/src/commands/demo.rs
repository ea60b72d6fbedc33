//! `headwalk demo`: one invented season, played end to end through real store files and a real
//! hub. [`scenario`] is what happens, [`writer`] turns what was typed into entries, [`fleet`] plays
//! it on three devices, [`day`] is what the dispatcher reads at the end.

mod checked;
mod day;
mod fleet;
mod hub_process;
mod ids;
mod scenario;
mod shown;
mod writer;

use std::fs;
use std::path::{Path, PathBuf};

use headwalk_core::log::stamp::WallMs;

use crate::call::Call;
use crate::error::{Error, Kind};
use crate::told::rfc3339;
use checked::Checked;
use day::{DayEnd, Extras, Played, Programs};
use fleet::Fleet;
use scenario::{DeviceName, Scenario, UTC_OFFSET_MIN};
use shown::Reader;

/// Play an invented season from start-up to a day in July, and print that day's end.
///
/// An invented firm, three sites, a desk and two crews: three store files and a real hub on this
/// machine only, enrolled by one-time codes. The crews work a day without signal, write the same
/// head, and meet the hub in the evening. Then the dispatcher's store says what came in, what
/// leaks, what stands in two versions, what to quote, and what the controller should run.
///
/// Takes a few seconds, needs nothing, and leaves nothing behind unless --folder or --keep is given.
///
/// Example: headwalk demo --folder harrowick
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Play in this folder, which must be new or empty, and keep it.
    #[arg(long, value_name = "DIR")]
    folder: Option<PathBuf>,
    /// Keep the scratch folder.
    #[arg(long)]
    keep: bool,
}

/// Where the season is played, and whether it stays.
enum Folder {
    Kept(PathBuf),
    Scratch(tempfile::TempDir),
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    let scenario = Scenario::load()?;
    let folder = Folder::of(&args)?;
    let mut fleet = Fleet::new(folder.path());
    fleet.play(&scenario)?;
    let end = scenario
        .events
        .last()
        .map_or(WallMs::new(0), |event| event.at);
    let played = Played::of(&scenario, &fleet, folder.kept())?;
    let day = DayEnd::read(&fleet, played, folder.kept(), end)?;
    let stores = fleet.close();
    let desk = folder.path().join(DeviceName::Desk.file());
    let now = rfc3339(end, UTC_OFFSET_MIN);
    let reader = Reader {
        store: &desk,
        now: &now,
    };
    let shown = |words: &[&str]| reader.show(words, call.output());
    let extras = Extras {
        versions: shown(&["versions"])?,
        programs: Programs::read(reader, day.sites())?,
        schedule: shown(&["schedule", SCHEDULED])?,
        reasons: shown(&["schedule", SCHEDULED, "--why", EXPLAINED])?,
        checked: Checked::read(&stores)?,
    };
    call.print(&day.with(extras))
}

/// The site of twelve zones whose week is planned, and the zone whose reasons are told.
const SCHEDULED: &str = "Tannery Row";
const EXPLAINED: &str = "zone-1";

impl Folder {
    fn of(args: &Args) -> Result<Self, Error> {
        let cannot = |what: &str, why: std::io::Error| {
            Error::new(Kind::Machine, format!("{what} cannot be used: {why}"))
                .hint("name another with --folder.")
        };
        let Some(path) = &args.folder else {
            let scratch = tempfile::Builder::new().prefix("headwalk-demo-").tempdir();
            let scratch = scratch.map_err(|why| cannot("the folder for scratch files", why))?;
            return Ok(match args.keep {
                true => Self::Kept(scratch.keep()),
                false => Self::Scratch(scratch),
            });
        };
        let name = path.display().to_string();
        fs::create_dir_all(path).map_err(|why| cannot(&name, why))?;
        let mut files = fs::read_dir(path).map_err(|why| cannot(&name, why))?;
        if files.next().is_some() {
            return Err(Error::input(format!("there are files in {name} already"))
                .field("folder")
                .hint("name a new folder, or an empty one: nothing in it is ever overwritten."));
        }
        Ok(Self::Kept(path.clone()))
    }

    fn path(&self) -> &Path {
        match self {
            Self::Kept(path) => path,
            Self::Scratch(folder) => folder.path(),
        }
    }

    fn kept(&self) -> Option<&Path> {
        match self {
            Self::Kept(path) => Some(path),
            Self::Scratch(_) => None,
        }
    }
}
