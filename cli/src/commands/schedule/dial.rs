//! The programs to dial in, as they are printed and as they are recorded.

use serde::Serialize;

use headwalk_core::site::plan::Proposal;
use headwalk_core::site::programs::{Letter, Program};
use headwalk_core::site::unit::UnitSystem;

use super::figure::Shown;
use crate::output::Page;

/// `{"controller": .., "programs": FIGURE, "stations": [..], "record": ..}`
#[derive(Serialize)]
pub struct ToDial {
    pub controller: String,
    /// The programs as one line, as `note` takes them.
    programs: Shown,
    stations: Vec<Runs>,
    /// The command that records them once they are dialled in.
    record: Option<String>,
    #[serde(skip)]
    rows: Vec<[String; 4]>,
}

/// What a station then runs.
#[derive(Serialize)]
struct Runs {
    zone: String,
    minutes_planned: f64,
    minutes_proposed: f64,
}

impl ToDial {
    pub fn of(site: &str, proposal: &Proposal, system: UnitSystem) -> Self {
        let set = proposal.programs.get().ok();
        let record = set.filter(|set| !set.programs.is_empty()).map(|set| {
            let controller = &proposal.name;
            format!("headwalk note \"{site}\" {controller} programs \"{set}\"")
        });
        let rows = set.map(|set| set.programs.iter().map(row).collect());
        let stations = proposal.stations.iter().map(|run| Runs {
            zone: run.name.clone(),
            minutes_planned: run.planned.get(),
            minutes_proposed: run.proposed.get(),
        });
        Self {
            controller: proposal.name.clone(),
            programs: Shown::of(&proposal.programs, system, ToString::to_string),
            stations: stations.collect(),
            record,
            rows: rows.unwrap_or_default(),
        }
    }

    /// Writes what to dial, how far it is from the plan, and how to record it.
    pub fn write(&self, page: &mut Page) {
        page.line("");
        let why = match &self.programs.unknown {
            Some(reason) => reason.clone(),
            None => self.programs.why.join("; "),
        };
        page.paragraph(&format!("Set the {}, {why}", self.controller));
        if self.rows.is_empty() {
            return;
        }
        let heading = ["program", "days", "starts", "station=minutes"].map(str::to_owned);
        let rows: Vec<_> = std::iter::once(heading)
            .chain(self.rows.iter().cloned())
            .collect();
        page.rows(2, &rows);
        let off = self.stations.iter().filter_map(|run| {
            let apart = 100.0 * (run.minutes_proposed / run.minutes_planned - 1.0);
            (apart.abs() >= WORTH_SAYING).then(|| format!("{} {apart:+.0}%", run.zone))
        });
        let off: Vec<String> = off.collect();
        if !off.is_empty() {
            page.paragraph(&format!(
                "  Against the plan's minutes a week: {}. Whole minutes, shared days and starts \
                 make the difference.",
                off.join(", ")
            ));
        }
        if let Some(record) = &self.record {
            page.line("  Once it is dialled in:");
            page.rows(2, &[[record.clone()]]);
        }
    }
}

/// Percent by which a station may differ without a word.
const WORTH_SAYING: f64 = 10.0;

fn row((letter, program): (&Letter, &Program)) -> [String; 4] {
    let starts: Vec<String> = program.starts.iter().map(ToString::to_string).collect();
    let run = program.run.iter();
    let run: Vec<String> = run
        .map(|(station, minutes)| format!("{station}={:.0}", minutes.get()))
        .collect();
    [
        letter.to_string(),
        program.days.to_string(),
        starts.join(" "),
        run.join(" "),
    ]
}
