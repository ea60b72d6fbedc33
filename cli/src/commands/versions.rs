//! `headwalk versions`: the fields that stand in two versions.

use serde::Serialize;

use headwalk_core::log::id::{FieldNumber, ThingId};
use headwalk_core::merge::register::{Register, Write};
use headwalk_core::site::things::Site;
use headwalk_core::site::unit::UnitSystem;

use crate::call::Call;
use crate::error::Error;
use crate::logbook::{Logbook, Moment};
use crate::output::{Page, Report, counted};
use crate::roots::{Root, Roots};
use crate::said::{LETTERS, Said, What, called, visit_called};

/// List the fields that two people wrote without having seen each other's value.
///
/// The latest is in force until somebody chooses; nothing of the other is lost. Two people who
/// wrote the same agree, and are not listed.
///
/// Example: headwalk versions
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Only this site.
    site: Option<String>,
}

/// `{"fields": [..]}`, by site, thing and field.
#[derive(Serialize)]
struct Open {
    fields: Vec<InTwo>,
}

/// One field that stands in two versions.
#[derive(Serialize)]
struct InTwo {
    logbook: String,
    site: String,
    thing: String,
    name: String,
    field: String,
    /// The one in force first.
    versions: Vec<Version>,
}

/// One of its versions.
#[derive(Serialize)]
pub struct Version {
    /// What `choose` calls it.
    version: char,
    #[serde(flatten)]
    pub said: Said,
    #[serde(skip)]
    during: String,
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    let store = call.store()?;
    let roots = Roots::of(&store)?;
    let wanted = match &args.site {
        Some(site) => vec![roots.find(site)?.clone()],
        None => roots.by_name().to_vec(),
    };
    let mut fields = Vec::new();
    for root in &wanted {
        let logbook = Logbook::read(&store, root.id, Moment::default())?;
        let site = Site::of(&logbook.state, root.id);
        for (thing, field, register) in logbook.state.registers() {
            if register.stands_in_two_versions() {
                fields.push(InTwo::of(
                    root,
                    &logbook,
                    &site,
                    (thing, field, register),
                    call,
                )?);
            }
        }
    }
    fields.sort_by(|a, b| (&a.site, &a.name, &a.field).cmp(&(&b.site, &b.name, &b.field)));
    call.print(&Open { fields })
}

/// Returns the versions of a field, the one in force first.
pub fn versions(
    logbook: &Logbook,
    site: &Site<'_>,
    field: FieldNumber,
    register: &Register,
    system: UnitSystem,
) -> Result<Vec<Version>, Error> {
    let what = What::Field(field);
    let version = |(version, write): (char, &Write)| {
        let kept = logbook.entry(write.place)?;
        let visit = kept.entry.visit;
        Ok(Version {
            version,
            said: what.said(site, &write.value, write.how, kept, system),
            during: visit.map_or_else(String::new, |visit| visit_called(site, visit)),
        })
    };
    LETTERS.chars().zip(register.open()).map(version).collect()
}

impl InTwo {
    fn of(
        root: &Root,
        logbook: &Logbook,
        site: &Site<'_>,
        (thing, field, register): (ThingId, FieldNumber, &Register),
        call: &Call,
    ) -> Result<Self, Error> {
        Ok(Self {
            logbook: root.id.to_string(),
            site: root.name.clone(),
            thing: thing.to_string(),
            name: called(site, thing),
            field: What::Field(field).name(),
            versions: versions(logbook, site, field, register, call.units())?,
        })
    }
}

impl Report for Open {
    fn write(&self, page: &mut Page) {
        for open in &self.fields {
            page.line(format!("{} at {}: {}", open.name, open.site, open.field));
            let row = |version: &Version| {
                let said = &version.said;
                [
                    version.version.to_string(),
                    said.shown.clone(),
                    said.told.by.clone(),
                    said.when.clone(),
                    said.how(),
                    version.during.clone(),
                ]
            };
            let rows: Vec<_> = open.versions.iter().map(row).collect();
            page.rows(2, &rows);
        }
        let fields = counted(self.fields.len() as u64, "field stands", "fields stand");
        page.line(match self.fields.as_slice() {
            [] => "No field stands in two versions.".to_owned(),
            _ => format!(
                "{fields} in two versions; A is in force. `headwalk choose SITE THING FIELD A` \
                 settles one."
            ),
        });
    }
}
