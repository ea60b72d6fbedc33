//! When each zone starts, so that all of them fit the hours when water may run.

use serde::Deserialize;
use serde_json::json;

use headwalk_core::water::units::{Gpm, OutOfRange};
use headwalk_core::water::window::{
    self, Job, Loses, Most, Packing, Proof, Start, Supply, TimeOfDay,
};

use super::Formula;
use super::answer::Answer;
use super::value::Wrong;

/// Start times of every cycle of several zones within one window.
///
/// In:  zones, a list of {cycles, minutes, soak_minutes, flow_gpm}; opens and closes, times like
///      22:00 (a window may pass midnight; the same time twice means the whole day); supply_gpm,
///      what may be drawn at once (left out: one valve at a time, and flow_gpm is not needed).
/// Out: fits, yes or no; finish_minutes after opening, or overrun_minutes; starts, a list of
///      {zone, cycle, at, minutes}, zones counted from 1; outside, the zones that do not fit; then also
///      as_much_as_fits, a list of {zone, minutes_asked, minutes_run}: all give up the same share.
///
/// A few orders are tried and the best is kept.
///
/// Example: headwalk reckon window --set opens=22:00 --set closes=23:20
/// --set zones='[{"cycles":2,"minutes":10,"soak_minutes":35},{"cycles":1,"minutes":54}]'
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Window {}

/// Inputs of [`Window`].
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct In {
    zones: Vec<ZoneIn>,
    opens: String,
    closes: String,
    supply_gpm: Option<f64>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct ZoneIn {
    cycles: u32,
    minutes: u32,
    #[serde(default)]
    soak_minutes: u32,
    flow_gpm: Option<f64>,
}

/// As many zones as the largest controllers run.
const ZONES_MAX: usize = 256;

impl Formula for Window {
    type In = In;

    fn reckon(given: In) -> Result<Answer, Wrong> {
        if given.zones.len() > ZONES_MAX {
            let count = given.zones.len();
            return Err(Wrong::new(format!("{count} zones are more than {ZONES_MAX}")).at("zones"));
        }
        let jobs: Vec<Job> = given
            .zones
            .iter()
            .enumerate()
            .map(|(at, zone)| zone.job(at, given.supply_gpm))
            .collect::<Result<_, Wrong>>()?;
        let hours = window::Window {
            opens: time("opens", &given.opens)?,
            closes: time("closes", &given.closes)?,
        };
        let supply = given
            .supply_gpm
            .map_or(Supply::OneValve, |most| Supply::UpTo(Gpm::new(most)));
        let packing = window::pack(&jobs, hours, supply)?;
        let fits = matches!(packing, Packing::Fits { .. });
        let answer = answer(packing);
        if fits {
            return Ok(answer);
        }
        let most = window::pack_most(&jobs, |_| Loses::WithTheOthers, hours, supply)?;
        Ok(shortened(answer, &jobs, &most))
    }
}

impl ZoneIn {
    fn job(&self, at: usize, supply_gpm: Option<f64>) -> Result<Job, Wrong> {
        if self.flow_gpm.is_none() && supply_gpm.is_some() {
            let why = "supply_gpm is shared by what the zones draw";
            return Err(Wrong::missing("flow_gpm", why).at(&format!("zones[{at}]")));
        }
        Ok(Job {
            cycles: self.cycles,
            minutes: self.minutes,
            soak: self.soak_minutes,
            flow: Gpm::new(self.flow_gpm.unwrap_or(0.0)),
        })
    }
}

fn time(name: &'static str, text: &str) -> Result<TimeOfDay, Wrong> {
    let read = text.split_once(':').and_then(|(hour, minute)| {
        let (hour, minute) = (digits(hour)?, digits(minute)?);
        (hour < 24 && minute < 60).then_some(hour * 60 + minute)
    });
    let minutes = read.ok_or_else(|| {
        Wrong::new(format!("`{text}` is not a time of day"))
            .hint("write it like 22:00.")
            .at(name)
    })?;
    TimeOfDay::new(minutes).map_err(|error: OutOfRange| Wrong::from(error))
}

/// Reads one or two digits.
fn digits(text: &str) -> Option<u16> {
    let plain = text.len() <= 2 && text.bytes().all(|byte| byte.is_ascii_digit());
    plain.then(|| text.parse().ok())?
}

fn answer(packing: Packing) -> Answer {
    match packing {
        Packing::Fits { starts, finish } => shown("yes", &starts).maybe_count(
            "finish_minutes",
            "done after",
            Some(finish),
            "min",
            "",
        ),
        Packing::DoesNotFit {
            starts,
            overrun,
            jobs,
            proof,
        } => shown("no", &starts)
            .maybe_count("overrun_minutes", "runs over by", Some(overrun), "min", "")
            .lines(
                "outside",
                "zones that do not fit",
                json!(counted(&jobs)),
                vec![listed(&jobs)],
            )
            .warnings([match proof {
                Proof::NoOrderFits => "no order of these zones fits the window",
                Proof::NoneFound => "no order that fits was found among those tried",
            }]),
        Packing::OverSupply { jobs } => shown("no", &[])
            .lines(
                "outside",
                "zones that do not fit",
                json!(counted(&jobs)),
                vec![listed(&jobs)],
            )
            .warnings(["each of them alone draws more than supply_gpm"]),
    }
}

/// What each zone can run of what it should.
fn shortened(answer: Answer, jobs: &[Job], most: &Most) -> Answer {
    let lost = jobs.iter().zip(&most.run).zip(1..);
    let lost: Vec<(usize, u32, u32)> = lost
        .map(|((asked, run), zone)| (zone, asked.cycles * asked.minutes, run.cycles * run.minutes))
        .collect();
    let objects = lost.iter().map(
        |(zone, asked, run)| json!({"zone": zone, "minutes_asked": asked, "minutes_run": run}),
    );
    let lines = lost
        .iter()
        .map(|(zone, asked, run)| format!("zone {zone}: {run} of {asked} min"));
    answer.lines(
        "as_much_as_fits",
        "as much as fits",
        objects.collect(),
        lines.collect(),
    )
}

/// Zones as people count them, from 1.
fn counted(jobs: &[usize]) -> Vec<usize> {
    jobs.iter().map(|job| job + 1).collect()
}

fn listed(jobs: &[usize]) -> String {
    let zones: Vec<_> = counted(jobs).iter().map(ToString::to_string).collect();
    zones.join(", ")
}

fn shown(fits: &'static str, starts: &[Start]) -> Answer {
    let objects = starts.iter().map(|start| {
        json!({
            "zone": start.job + 1,
            "cycle": start.cycle,
            "at": start.at.to_string(),
            "minutes": start.minutes,
        })
    });
    let lines = starts.iter().map(|start| {
        let (zone, cycle) = (start.job + 1, start.cycle);
        format!(
            "{}  zone {zone}, cycle {cycle}, {} min",
            start.at, start.minutes
        )
    });
    Answer::default()
        .word("fits", "fits the window", fits)
        .lines("starts", "starts", objects.collect(), lines.collect())
}
