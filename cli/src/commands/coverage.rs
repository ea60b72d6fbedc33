//! `headwalk coverage`: where a zone's water falls, by where its heads stand and how they are set.

use std::path::PathBuf;

use serde::Serialize;

use headwalk_core::site::map::{AreasFrom, ZoneMap, picture};
use headwalk_core::site::things::{Site, Zone};
use headwalk_core::water::coverage::LEFT_OUT;

use super::page::write_file;
use crate::args::MomentArgs;
use crate::call::Call;
use crate::error::Error;
use crate::logbook::state_at;
use crate::output::{Page, Report};
use crate::roots::Roots;

/// Show where a zone's water falls: evenness, dry ground, overspray; and draw it.
///
/// Heads stand where the sketch says (east, north) or where two tapes lead (tapes); their arc,
/// facing, radius and flow are as recorded. The ground is the areas of the sketch, such as
/// `add SITE area-1 surface turf outline "east=0 45 45 0; north=0 0 30 30"`; where none is drawn,
/// lawn within the outer heads. What is missing is named, and left out.
///
/// Example: headwalk coverage "Maple Court" zone-3 --svg zone-3.svg
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The site, by its name or enough of it.
    site: String,
    /// The zone.
    zone: String,
    /// Draw it, as SVG, into this file.
    #[arg(long, value_name = "PATH")]
    svg: Option<PathBuf>,
    #[command(flatten)]
    moment: MomentArgs,
}

/// Figures of one zone's coverage.
#[derive(Serialize)]
struct Covered {
    site: String,
    zone: String,
    heads: usize,
    du_lq: f64,
    cu: f64,
    /// What cans caught, where they were set out: the last test.
    #[serde(skip_serializing_if = "Option::is_none")]
    measured: Option<Measured>,
    mean_in_h: f64,
    lowest_in_h: f64,
    highest_in_h: f64,
    planted_sqft: f64,
    unreached_sqft: f64,
    dry_sqft: f64,
    on_hard: f64,
    outside: f64,
    overspray_gpm: f64,
    /// What is left out of it, and why.
    left_out: Vec<String>,
    assumed: Vec<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    svg: Option<String>,
}

/// Evenness by cans in the ground, beside that of the heads as they are set.
#[derive(Serialize)]
struct Measured {
    du_lq: f64,
    cu: f64,
    cans: usize,
    on: String,
}

impl Measured {
    fn of(zone: &Zone<'_>) -> Option<Self> {
        let (test, said) = zone.latest_cans()?;
        Some(Self {
            du_lq: said.du_lq.get(),
            cu: said.cu.get(),
            cans: said.cans,
            on: test
                .by
                .stamp
                .wall()
                .date_at(test.by.utc_offset_min)
                .to_string(),
        })
    }
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    let store = call.store_to_read()?;
    let moment = args.moment.moment(call.now())?;
    let roots = Roots::of(&store)?;
    let root = roots.find(&args.site)?;
    let state = state_at(&store, root.id, moment)?;
    let site = Site::of(&state, root.id);
    let thing = site.find(&args.zone)?;
    let zone = Zone::of(&site, thing)
        .ok_or_else(|| Error::input(format!("`{}` is not a zone", args.zone)).field("zone"))?;
    let map = ZoneMap::of(&site, &zone);
    let left_out: Vec<String> = map
        .left_out
        .iter()
        .map(|it| format!("{}: {}", it.name, it.why))
        .collect();
    let found = map.coverage().map_err(|error| {
        let address = zone.address();
        Error::input(format!("{address} cannot be laid out: {error}"))
            .details(left_out.clone())
            .hint("record what is missing with `headwalk note`, one head after another.")
    })?;
    if let Some(path) = &args.svg {
        let title = format!("{}, {}", root.name, zone.address());
        write_file(path, &picture::zone(&title, &map, &found))?;
    }
    let mut assumed = vec![LEFT_OUT.to_owned()];
    if map.areas_from == AreasFrom::AroundHeads {
        assumed.push("no lawn is drawn: it is taken to end at the outer heads".to_owned());
    }
    call.print(&Covered {
        site: root.name.clone(),
        zone: zone.address(),
        heads: map.heads.len(),
        du_lq: found.du_lq.get(),
        cu: found.cu.get(),
        measured: Measured::of(&zone),
        mean_in_h: found.mean.get(),
        lowest_in_h: found.lowest.get(),
        highest_in_h: found.highest.get(),
        planted_sqft: found.planted.get(),
        unreached_sqft: found.unreached.get(),
        dry_sqft: found.dry.get(),
        on_hard: found.on_hard.get(),
        outside: found.outside.get(),
        overspray_gpm: found.overspray.get(),
        left_out,
        assumed,
        svg: args.svg.map(|path| path.display().to_string()),
    })
}

impl Report for Covered {
    fn write(&self, page: &mut Page) {
        page.line(format!(
            "{} at {}, {} heads",
            self.zone, self.site, self.heads
        ));
        let measured = self
            .measured
            .as_ref()
            .map(|it| format!("; {} cans on {} gave {:.2}", it.cans, it.on, it.du_lq));
        let rows = [
            (
                "evenness, lowest quarter",
                format!("{:.2}{}", self.du_lq, measured.unwrap_or_default()),
            ),
            ("Christiansen's coefficient", format!("{:.2}", self.cu)),
            (
                "rate",
                format!(
                    "{:.2} in/h on average, from {:.2} to {:.2}",
                    self.mean_in_h, self.lowest_in_h, self.highest_in_h
                ),
            ),
            (
                "dry",
                format!(
                    "{:.0} of {:.0} ft² below a quarter of the mean; {:.0} ft² reached by no head",
                    self.dry_sqft, self.planted_sqft, self.unreached_sqft
                ),
            ),
            (
                "off the planted ground",
                format!(
                    "{:.2} gpm: {:.0} % on paving, {:.0} % outside",
                    self.overspray_gpm,
                    100.0 * self.on_hard,
                    100.0 * self.outside
                ),
            ),
        ];
        let rows = rows.map(|(words, value)| [words.to_owned(), value]);
        page.rows(2, &rows);
        for left_out in &self.left_out {
            page.paragraph(&format!("Left out: {left_out}."));
        }
        for assumed in &self.assumed {
            page.paragraph(&format!("Assumed: {assumed}."));
        }
        if let Some(svg) = &self.svg {
            page.line(format!("Drawn in {svg}."));
        }
    }
}
