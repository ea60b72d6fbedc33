//! `headwalk sites`: what this store holds.

use serde::Serialize;

use headwalk_core::merge::replay::State;
use headwalk_core::site::fields;
use headwalk_core::site::finding::Status;
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::words::Vocabulary;
use headwalk_core::store::Store;

use crate::call::Call;
use crate::error::Error;
use crate::output::{Page, Report};
use crate::roots::{Root, Roots};

/// List the sites in this store, with what is open at each.
///
/// Example: headwalk sites
#[derive(Debug, clap::Args)]
pub struct Args {}

/// `{"sites": [..]}`, by name.
#[derive(Serialize)]
struct Sites {
    sites: Vec<SiteLine>,
}

/// One site and what is open there.
#[derive(Serialize)]
struct SiteLine {
    logbook: String,
    /// Its name.
    site: String,
    zones: usize,
    heads: usize,
    /// Findings that are neither fixed and checked nor accepted as they are.
    open_findings: usize,
    /// Fields that stand in two versions.
    two_versions: usize,
    entries: u64,
}

pub fn run(_: Args, call: &Call) -> Result<(), Error> {
    let store = call.store()?;
    let roots = Roots::of(&store)?;
    let sites = roots
        .of_kind(ThingKind::Site)
        .map(|root| SiteLine::of(&store, root))
        .collect::<Result<_, _>>()?;
    call.print(&Sites { sites })
}

impl SiteLine {
    fn of(store: &Store, root: &Root) -> Result<Self, Error> {
        let state = store.state(root.id)?;
        Ok(Self {
            logbook: root.id.to_string(),
            site: root.name.clone(),
            zones: count(&state, ThingKind::Zone),
            heads: count(&state, ThingKind::Head),
            open_findings: open_findings(&state),
            two_versions: state
                .registers()
                .filter(|(_, _, register)| register.stands_in_two_versions())
                .count(),
            entries: store.vector(root.id)?.entries(),
        })
    }
}

/// Counts the things of a kind that have not been removed.
fn count(state: &State, kind: ThingKind) -> usize {
    let is_there = |thing| {
        let removed = state.value(thing, fields::any::REMOVED.number);
        removed.and_then(|value| value.as_bool()) != Some(true)
    };
    state
        .registers()
        .filter(|(thing, field, register)| {
            *field == fields::any::KIND.number
                && register.in_force().value.as_text() == Some(kind.word())
                && is_there(*thing)
        })
        .count()
}

fn open_findings(state: &State) -> usize {
    let open = |status: Option<Status>| status.is_some_and(|status| !status.is_closed());
    state
        .registers()
        .filter(|(_, field, register)| {
            *field == fields::finding::STATUS.number
                && open(Status::read(&register.in_force().value))
        })
        .count()
}

impl Report for Sites {
    fn write(&self, page: &mut Page) {
        if self.sites.is_empty() {
            page.line("No site is in this store yet: `headwalk add site NAME` begins one.");
            return;
        }
        let row = |site: &SiteLine| {
            [
                site.site.clone(),
                site.zones.to_string(),
                site.heads.to_string(),
                site.open_findings.to_string(),
                site.two_versions.to_string(),
            ]
        };
        let rows: Vec<_> = self.sites.iter().map(row).collect();
        let heading = ["site", "zones", "heads", "open findings", "two versions"];
        page.table(heading, &rows);
    }
}
