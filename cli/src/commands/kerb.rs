//! `headwalk kerb`: one head at a curved kerb, between overspray and dry lawn.

use std::path::PathBuf;

use serde::Serialize;

use headwalk_core::site::kerb::{DRY_MOST, KerbChoice, sides};
use headwalk_core::site::map::picture;
use headwalk_core::site::things::{Head, Site};
use headwalk_core::water::kerb::Setting;
use headwalk_core::water::units::SquareFeet;

use super::page::write_file;
use crate::call::Call;
use crate::error::Error;
use crate::logbook::state_of;
use crate::output::{Page, Report};
use crate::roots::Roots;

/// Show what a head at a curved kerb costs either way, and the cheapest setting in between.
///
/// First measure the kerb: a chord, how far the curve stands off the chord's middle, and whether
/// the lawn lies inside or outside the curve, as in
/// `note SITE 4-03 kerb "chord=18 ft; offset=4 ft; lawn=inside"`. No overspray and no dry ground
/// are always among the choices. A person chooses; record the reason with
/// `note SITE 4-03 compromise "..."`, and the next crew leaves it.
///
/// Example: headwalk kerb "Maple Court" 3-07 --dry 10
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The site, by its name or enough of it.
    site: String,
    /// The head.
    head: String,
    /// Dry lawn that would be accepted, in square feet.
    #[arg(long, value_name = "SQFT", default_value_t = DRY_MOST.get())]
    dry: f64,
    /// Draw the choices, as SVG, into this file.
    #[arg(long, value_name = "PATH")]
    svg: Option<PathBuf>,
}

/// The choices.
#[derive(Serialize)]
struct Choices {
    site: String,
    head: String,
    kerb_radius_ft: f64,
    choices: Vec<Choice>,
    /// Why it stays as it is, where somebody wrote that down.
    reason: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    svg: Option<String>,
}

#[derive(Serialize)]
struct Choice {
    name: &'static str,
    left_deg: f64,
    right_deg: f64,
    arc_deg: f64,
    radius_ft: f64,
    dry_sqft: f64,
    overspray_gpm: f64,
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    let store = call.store()?;
    let roots = Roots::of(&store)?;
    let root = roots.find(&args.site)?;
    let state = state_of(&store, root.id)?;
    let site = Site::of(&state, root.id);
    let head = Head::of(&site, site.find(&args.head)?)
        .ok_or_else(|| Error::input(format!("`{}` is not a head", args.head)).field("head"))?;
    if !(0.0..=1e6).contains(&args.dry) {
        return Err(Error::input("--dry is an area in square feet, 0 or more").field("dry"));
    }
    let choice = KerbChoice::of(&head, SquareFeet::new(args.dry))
        .map_err(|why| Error::input(why.to_string()).field("head"))?;
    if let Some(path) = &args.svg {
        let title = format!("{} at {}", head.address(), root.name);
        write_file(path, &picture::kerb(&title, &choice))?;
    }
    call.print(&Choices {
        site: root.name.clone(),
        head: head.address(),
        kerb_radius_ft: choice.kerb_radius.get(),
        choices: choice
            .choices()
            .map(|(offer, setting)| Choice::of(offer.words(), setting))
            .into(),
        reason: choice.reason.clone(),
        svg: args.svg.map(|path| path.display().to_string()),
    })
}

impl Choice {
    fn of(name: &'static str, setting: &Setting) -> Self {
        let [left, right] = sides(setting);
        Self {
            name,
            left_deg: left.get(),
            right_deg: right.get(),
            arc_deg: setting.arc.get(),
            radius_ft: setting.radius.get(),
            dry_sqft: setting.dry.get(),
            overspray_gpm: setting.overspray.get(),
        }
    }
}

impl Report for Choices {
    fn write(&self, page: &mut Page) {
        let radius = self.kerb_radius_ft;
        page.line(format!(
            "{} at {}, kerb of {radius:.0} ft radius",
            self.head, self.site
        ));
        let rows: Vec<_> = self
            .choices
            .iter()
            .map(|it| {
                [
                    it.name.to_owned(),
                    format!(
                        "{:.0}°: {:.0}° left, {:.0}° right",
                        it.arc_deg, it.left_deg, it.right_deg
                    ),
                    format!("{:.1} ft", it.radius_ft),
                    format!("{:.0} ft²", it.dry_sqft),
                    format!("{:.2} gpm", it.overspray_gpm),
                ]
            })
            .collect();
        page.table(
            ["setting", "arc", "throw", "dry lawn", "off the lawn"],
            &rows,
        );
        match &self.reason {
            Some(reason) => page.paragraph(&format!("As it is for a reason: \"{reason}\"")),
            None => page.paragraph(
                "Nobody wrote down why it is as it is: choose, and note it as its compromise.",
            ),
        }
        if let Some(svg) = &self.svg {
            page.line(format!("Drawn in {svg}."));
        }
    }
}
