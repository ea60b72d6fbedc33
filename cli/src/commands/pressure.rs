//! `headwalk pressure`: a zone's pressure from the street to its worst head.

use serde::Serialize;

use headwalk_core::site::finding::Caution;
use headwalk_core::site::supply_sheet::{self, ZonePressure};
use headwalk_core::site::things::{Site, Zone};
use headwalk_core::water::units::{FeetPerSecond, Gpm};

use crate::args::MomentArgs;
use crate::call::Call;
use crate::error::Error;
use crate::logbook::state_at;
use crate::output::{Page, Report};
use crate::roots::Roots;

/// Show the pressure at every head of a zone, what took the rest, and how the gauge stands to it.
///
/// Reads static pressure, meter and backflow loss, main line and lateral, rise and flows as they
/// are recorded; heads are taken in the order of the walk, on one lateral. Nothing is guessed:
/// lengths that nobody wrote are named with what to record. With `--leak`, what the meter shows
/// with everything off, it also says how far the worst head's pressure rises when that leak of the
/// main line, or a valve on it that weeps, is mended.
///
/// Example: headwalk pressure "Maple Court" zone-3
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The site, by its name or enough of it.
    site: String,
    /// The zone.
    zone: String,
    /// A leak by the meter, in gallons a minute.
    #[arg(long, value_name = "GPM")]
    leak: Option<f64>,
    #[command(flatten)]
    moment: MomentArgs,
}

/// The sheet.
#[derive(Serialize)]
struct Sheet {
    site: String,
    zone: String,
    static_psi: f64,
    total_gpm: f64,
    need_psi: f64,
    places: Vec<Place>,
    worst: String,
    worst_psi: f64,
    taken_by_rise_psi: f64,
    taken_by_pipe_psi: f64,
    taken_by_fittings_psi: f64,
    /// What the gauge showed, where somebody took it.
    gauge_psi: Option<f64>,
    /// What mending a leak brings, where one was given.
    #[serde(skip_serializing_if = "Option::is_none")]
    mended: Option<Mended>,
    findings: Vec<String>,
    assumed: Vec<String>,
    cautions: Vec<&'static str>,
}

#[derive(Serialize)]
struct Mended {
    lost_gpm: f64,
    worst_before_psi: f64,
    worst_after_psi: f64,
}

#[derive(Serialize)]
struct Place {
    name: String,
    psi: f64,
    gpm: f64,
    velocity_ft_s: Option<f64>,
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    let store = call.store_to_read()?;
    let moment = args.moment.moment(call.now())?;
    let roots = Roots::of(&store)?;
    let root = roots.find(&args.site)?;
    let state = state_at(&store, root.id, moment)?;
    let site = Site::of(&state, root.id);
    let zone = Zone::of(&site, site.find(&args.zone)?)
        .ok_or_else(|| Error::input(format!("`{}` is not a zone", args.zone)).field("zone"))?;
    let sheet = ZonePressure::of(&site, &zone).map_err(|missing| {
        let details = missing.iter().map(|it| format!("{}: {}", it.name, it.lack));
        let message = format!(
            "the pressure of {} cannot be worked out yet",
            zone.address()
        );
        Error::input(message)
            .details(details.collect())
            .hint("record them with `headwalk note`; a tape along the pipe will do.")
    })?;
    let mended = match args.leak {
        Some(leak) => {
            let gain = sheet.gain(Gpm::new(leak));
            let gain = gain.map_err(|error| Error::input(error.to_string()).field("leak"))?;
            Some(Mended {
                lost_gpm: gain.lost.get(),
                worst_before_psi: gain.before.get(),
                worst_after_psi: gain.after.get(),
            })
        }
        None => None,
    };
    let (worst, taken) = sheet.worst;
    let name = |at: usize| sheet.places.get(at).map_or("", supply_sheet::Place::name);
    let mut findings: Vec<String> = sheet.findings.iter().map(|it| it.sentence(name)).collect();
    let means = sheet.measured.and_then(|measured| measured.means());
    findings.extend(means.map(|means| means.to_string()));
    let places = sheet
        .places
        .iter()
        .zip(&sheet.found.nodes)
        .zip(&sheet.found.links);
    call.print(&Sheet {
        site: root.name.clone(),
        zone: zone.address(),
        static_psi: sheet.network.static_pressure.get(),
        total_gpm: sheet.found.total.get(),
        need_psi: sheet.need.get(),
        places: places
            .map(|((place, at), link)| Place {
                name: place.name().to_owned(),
                psi: at.pressure.get(),
                gpm: at.outflow.get(),
                velocity_ft_s: link.velocity.map(FeetPerSecond::get),
            })
            .collect(),
        worst: name(worst).to_owned(),
        worst_psi: sheet
            .found
            .nodes
            .get(worst)
            .map_or(0.0, |at| at.pressure.get()),
        taken_by_rise_psi: taken.rise.get(),
        taken_by_pipe_psi: taken.pipes.get(),
        taken_by_fittings_psi: taken.fittings.get(),
        gauge_psi: sheet.measured.map(|measured| measured.gauge.get()),
        mended,
        findings,
        assumed: sheet.assumed.iter().map(ToString::to_string).collect(),
        cautions: vec![Caution::PressurisedPipe.sentence()],
    })
}

impl Report for Sheet {
    fn write(&self, page: &mut Page) {
        page.line(format!(
            "{} at {}: {:.0} psi static, {:.1} gpm while it runs; its heads want about {:.0} psi",
            self.zone, self.site, self.static_psi, self.total_gpm, self.need_psi
        ));
        let rows: Vec<_> = self
            .places
            .iter()
            .map(|place| {
                [
                    place.name.clone(),
                    format!("{:.1} psi", place.psi),
                    if place.gpm > 0.0 {
                        format!("{:.2} gpm", place.gpm)
                    } else {
                        String::new()
                    },
                    place
                        .velocity_ft_s
                        .map_or(String::new(), |speed| format!("{speed:.1} ft/s")),
                ]
            })
            .collect();
        page.table(
            ["place", "pressure", "leaves there", "in the pipe to it"],
            &rows,
        );
        page.line(format!(
            "Worst: {}, {:.1} psi; rise takes {:.1}, pipe {:.1}, fittings {:.1} psi.",
            self.worst,
            self.worst_psi,
            self.taken_by_rise_psi,
            self.taken_by_pipe_psi,
            self.taken_by_fittings_psi
        ));
        if let Some(gauge) = self.gauge_psi {
            page.line(format!("The gauge showed {gauge:.0} psi."));
        }
        if let Some(mended) = &self.mended {
            page.line(format!(
                "With that leak {:.1} gpm are lost while it runs; mended, the worst head rises from \
                 {:.1} to {:.1} psi.",
                mended.lost_gpm, mended.worst_before_psi, mended.worst_after_psi
            ));
        }
        for finding in &self.findings {
            page.paragraph(&format!("Look at: {finding}."));
        }
        for assumed in &self.assumed {
            page.paragraph(&format!("Assumed: {assumed}."));
        }
        for caution in &self.cautions {
            page.paragraph(&format!("Caution: {caution}"));
        }
    }
}
