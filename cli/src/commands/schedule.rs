//! `headwalk schedule`: what the controller should run, beside what it runs, and why.

mod dial;
mod figure;
mod page;
mod parameters;
mod programs;
mod season;
mod sheet;
mod weather;
mod why;

use std::path::{Path, PathBuf};

use chrono::NaiveDate;

use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::picture::{season_chart, zone_bars};
use headwalk_core::site::plan::{HouseRules, Kept, plan_site};
use headwalk_core::site::things::Site;
use headwalk_core::store::Store;

use self::parameters::Parameters;
use self::season::{SeasonArgs, Told};
use self::sheet::Sheet;
use self::weather::Weather;
use self::why::Reasons;
use crate::args::MomentArgs;
use crate::call::Call;
use crate::error::{Error, Kind};
use crate::logbook::{Moment, state_at};
use crate::roots::Roots;

/// Show what the controller should run, beside what was found and what was left, and why.
///
/// The plan follows from what the site's logbook says and the weather of the seven days before.
/// A figure that cannot be reckoned says what is missing and what to record. It is a proposal:
/// local watering days, hours and drought stages win over it.
///
/// With --season it runs the settings as found and as left, April's and July's kept, and the
/// computed one over the recorded weather, and says what each would have done.
///
/// With --as-of and --as-known it is the schedule that a past day would have seen.
///
/// Example: headwalk schedule "Maple Court" --on 2026-07-14 --why zone-3
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The site, by its name or enough of it.
    site: String,
    /// The first day of the planned week, such as 2026-07-14; else the day that is asked about.
    #[arg(long, value_name = "DATE")]
    on: Option<String>,
    /// Print the reason for every figure of this zone, in sentences.
    #[arg(long, value_name = "ZONE")]
    why: Option<String>,
    /// Print what a weather-based controller asks for, and which zones a person keeps by hand.
    #[arg(long, conflicts_with_all = ["why", "season"])]
    parameters: bool,
    /// Draw it into this file as SVG: a bar for each zone, or with --season the season chart.
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
    #[command(flatten)]
    season: SeasonArgs,
    #[command(flatten)]
    moment: MomentArgs,
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    let store = call.store_to_read()?;
    let moment = args.moment.moment(call.now())?;
    let on = match &args.on {
        Some(text) => date(text)?,
        None => today(call, moment),
    };
    let roots = Roots::of(&store)?;
    let root = roots.find(&args.site)?;
    if root.kind != Some(ThingKind::Site) {
        return Err(Error::input(format!("`{}` is not a site", root.name))
            .field("site")
            .hint("`headwalk sites` lists them."));
    }
    let state = state_at(&store, root.id, moment)?;
    let site = Site::of(&state, root.id);
    let weather = Weather::of(&store, &roots, &site, moment)?;
    let rules = house_rules(&store, &roots, moment)?;
    if args.season.is_asked() {
        let season = args.season.reckon(&site, &weather.record, &rules)?;
        if let Some(file) = &args.svg {
            let beside = [Kept::AsLeft, Kept::Computed];
            draw(
                file,
                &season_chart(&root.name, &site, &season, beside, call.units()),
            )?;
        }
        return call.print(&Told::of(&root.name, &season, call.units()));
    }
    let plan = plan_site(&site, &weather.record, on, &rules);
    if let Some(file) = &args.svg {
        draw(file, &zone_bars(&root.name, &site, &plan, call.units()))?;
    }
    if args.parameters {
        return call.print(&Parameters::of(&root.name, &site, &plan, call.units()));
    }
    let sheet = Sheet::of(&root.name, &site, &plan, weather.from, call.units());
    match &args.why {
        None => call.print(&sheet),
        Some(typed) => {
            let zone = site.find(typed)?;
            let reasons = Reasons::of(&sheet, zone.id).ok_or_else(|| {
                Error::input(format!("`{typed}` is not one of its zones"))
                    .field("why")
                    .hint("`headwalk schedule SITE` lists them.")
            })?;
            call.print(&reasons)
        }
    }
}

/// Writes a picture where it was asked for.
fn draw(file: &Path, picture: &str) -> Result<(), Error> {
    std::fs::write(file, picture).map_err(|error| {
        let file = file.display();
        Error::new(Kind::Machine, format!("{file} cannot be written: {error}"))
    })
}

/// The firm's own rules, where its logbook is here; else common practice.
fn house_rules(store: &Store, roots: &Roots, moment: Moment) -> Result<HouseRules, Error> {
    let Some(company) = roots.of_kind(ThingKind::Company).next() else {
        return Ok(HouseRules::default());
    };
    let state = state_at(store, company.id, moment)?;
    Ok(HouseRules::of(Site::of(&state, company.id).root()))
}

/// The day that is asked about: of the moment that is replayed, else this one.
fn today(call: &Call, moment: Moment) -> NaiveDate {
    let now = call.now();
    let wall = moment.as_of.or(moment.as_known).unwrap_or(now.wall);
    wall.date_at(now.utc_offset_min)
}

fn date(text: &str) -> Result<NaiveDate, Error> {
    NaiveDate::parse_from_str(text, "%Y-%m-%d").map_err(|_| {
        Error::input(format!("`{text}` is not a date"))
            .field("on")
            .hint("write it like 2026-07-14.")
    })
}
