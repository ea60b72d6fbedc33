//! `headwalk site`: one site at a glance, for whoever drives there next.

use serde::Serialize;

use headwalk_core::site::fields::{self, FieldDef};
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::things::{Site, Thing, Zone};
use headwalk_core::site::unit::UnitSystem;
use headwalk_core::site::visit::open_visits;
use headwalk_core::store::Store;

use super::finding::{FindingLine, lines, write_pictures};
use super::versions::stands_in_two;
use crate::call::Call;
use crate::error::Error;
use crate::logbook::state_of;
use crate::output::{Page, Report, counted};
use crate::photos::Album;
use crate::roots::{Root, Roots};
use crate::said::called;
use crate::unsent::Unsent;

/// Show one site at a glance: access, zones, open findings, what stands in two versions.
///
/// Example: headwalk site "Maple Court"
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The site, by its name or enough of it.
    site: String,
}

/// One site. Words and amounts are as people read them; `state` has every value as entered.
#[derive(Serialize)]
struct Glance {
    logbook: String,
    site: String,
    address: Option<String>,
    /// Gate, dog, key, where to park.
    access: Option<String>,
    zones: Vec<ZoneLine>,
    open_findings: Vec<FindingLine>,
    /// Fields that stand in two versions, as `THING FIELD`.
    two_versions: Vec<String>,
    /// Visits that nobody has ended.
    open_visits: Vec<String>,
    /// Entries of this site that are not yet at the office; none where this store has no hub.
    not_yet_at_the_office: Option<u64>,
}

/// One zone.
#[derive(Serialize)]
struct ZoneLine {
    zone: String,
    name: String,
    waters: Option<String>,
    plants: Option<String>,
    area: Option<String>,
    heads: usize,
    pressure: Option<String>,
    flow: Option<String>,
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    let store = call.store()?;
    let roots = Roots::of(&store)?;
    let root = roots.find(&args.site)?;
    if root.kind != Some(ThingKind::Site) {
        return Err(Error::input(format!("{} is not a site", root.name))
            .field("site")
            .hint("`headwalk sites` lists the sites; `headwalk state` shows any logbook."));
    }
    let album = Album::beside(&store, call.store_path());
    call.print(&Glance::of(&store, root, &album, call.units())?)
}

impl Glance {
    fn of(store: &Store, root: &Root, album: &Album<'_>, units: UnitSystem) -> Result<Self, Error> {
        let state = state_of(store, root.id)?;
        let site = Site::of(&state, root.id);
        let said = |field: &FieldDef| site.root().show(field, units);
        let doubled = state
            .registers()
            .filter(|&(thing, field, register)| stands_in_two(&site, thing, field, register))
            .map(|(thing, field, _)| {
                let name = fields::field_by_number(field).map_or("?", |field| field.name);
                format!("{} {name}", called(&site, thing))
            });
        Ok(Self {
            logbook: root.id.to_string(),
            site: root.name.clone(),
            address: said(&fields::site::ADDRESS),
            access: said(&fields::site::ACCESS),
            zones: site
                .zones()
                .iter()
                .map(|zone| ZoneLine::of(&site, zone, units))
                .collect(),
            open_findings: lines(album, root, &site, |status| !status.is_closed())?,
            two_versions: doubled.collect(),
            open_visits: open_visits(&site)
                .iter()
                .map(|visit| site.address(**visit))
                .collect(),
            not_yet_at_the_office: Unsent::of(store)?.map(|unsent| unsent.of_logbook(root.id)),
        })
    }
}

impl ZoneLine {
    fn of(site: &Site<'_>, zone: &Zone<'_>, units: UnitSystem) -> Self {
        let thing: Thing<'_> = **zone;
        let said = |field: &FieldDef| thing.show(field, units);
        Self {
            zone: zone.id.to_string(),
            name: site.address(thing),
            waters: said(&fields::zone::NAME),
            plants: said(&fields::zone::PLANTS),
            area: said(&fields::zone::AREA),
            heads: zone.heads().len(),
            pressure: said(&fields::zone::PRESSURE),
            flow: said(&fields::zone::FLOW),
        }
    }

    fn row(&self) -> [String; 7] {
        let words = |said: &Option<String>| said.clone().unwrap_or_default();
        [
            self.name.clone(),
            words(&self.waters),
            words(&self.plants),
            words(&self.area),
            self.heads.to_string(),
            words(&self.pressure),
            words(&self.flow),
        ]
    }
}

impl Report for Glance {
    fn write(&self, page: &mut Page) {
        let address = self.address.as_ref().map(|address| format!(", {address}"));
        page.line(format!("{}{}", self.site, address.unwrap_or_default()));
        if let Some(access) = &self.access {
            page.paragraph(&format!("Access: {access}"));
        }
        if !self.zones.is_empty() {
            page.line("");
            let rows: Vec<_> = self.zones.iter().map(ZoneLine::row).collect();
            let heading = [
                "zone", "waters", "plants", "area", "heads", "pressure", "flow",
            ];
            page.table(heading, &rows);
        }
        page.line("");
        let rows: Vec<_> = self.open_findings.iter().map(FindingLine::row).collect();
        if rows.is_empty() {
            page.line("No open findings.");
        } else {
            page.table(["how soon", "finding", "status", "remedy"], &rows);
        }
        write_pictures(&self.open_findings, page);
        for doubled in &self.two_versions {
            page.line(format!("Two versions: {doubled}"));
        }
        for visit in &self.open_visits {
            page.line(format!("Still open: {visit}"));
        }
        if let Some(unsent @ 1..) = self.not_yet_at_the_office {
            let entries = counted(unsent, "entry", "entries");
            page.line(format!("Not yet at the office: {entries}"));
        }
    }
}
