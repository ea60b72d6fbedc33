//! `headwalk sites`: what this store holds.

use serde::Serialize;

use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::things::{Finding, Site};
use headwalk_core::store::Store;

use super::versions::stands_in_two;
use crate::call::Call;
use crate::error::Error;
use crate::logbook::state_of;
use crate::output::{Page, Report};
use crate::roots::{Root, Roots};
use crate::unsent::Unsent;

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
    /// Findings that are neither fixed nor accepted as they are.
    open_findings: usize,
    /// Fields that stand in two versions.
    two_versions: usize,
    entries: u64,
    /// How many of them are not yet at the office; none where this store has no hub.
    not_yet_at_the_office: Option<u64>,
}

pub fn run(_: Args, call: &Call) -> Result<(), Error> {
    let store = call.store_to_read()?;
    let roots = Roots::of(&store)?;
    let unsent = Unsent::of(&store)?;
    let sites = roots
        .of_kind(ThingKind::Site)
        .map(|root| SiteLine::of(&store, root, unsent.as_ref()))
        .collect::<Result<_, _>>()?;
    call.print(&Sites { sites })
}

impl SiteLine {
    fn of(store: &Store, root: &Root, unsent: Option<&Unsent>) -> Result<Self, Error> {
        let state = state_of(store, root.id)?;
        let site = Site::of(&state, root.id);
        let (zones, findings) = (site.zones(), site.findings());
        let is_open = |finding: &Finding<'_>| !finding.status().is_closed();
        Ok(Self {
            logbook: root.id.to_string(),
            site: root.name.clone(),
            zones: zones.len(),
            heads: zones.iter().map(|zone| zone.heads().len()).sum(),
            open_findings: findings.iter().filter(|finding| is_open(finding)).count(),
            two_versions: state
                .registers()
                .filter(|&(thing, field, register)| stands_in_two(&site, thing, field, register))
                .count(),
            entries: store.vector(root.id)?.entries(),
            not_yet_at_the_office: unsent.map(|unsent| unsent.of_logbook(root.id)),
        })
    }
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
                site.not_yet_at_the_office
                    .map_or_else(|| "no hub".to_owned(), |n| n.to_string()),
            ]
        };
        let rows: Vec<_> = self.sites.iter().map(row).collect();
        let heading = [
            "site",
            "zones",
            "heads",
            "open findings",
            "two versions",
            "not yet at the office",
        ];
        page.table(heading, &rows);
    }
}
