//! `headwalk versions`: the fields that stand in two versions.

use std::sync::Arc;

use serde::Serialize;

use headwalk_core::log::id::{FieldNumber, ThingId};
use headwalk_core::merge::register::{Register, Write};
use headwalk_core::site::day_end::asks_for_entries;
use headwalk_core::site::fields::any;
use headwalk_core::site::sight::{Book, Sight};
use headwalk_core::site::things::Site;
use headwalk_core::site::unit::UnitSystem;

use super::join::PairLine;
use super::visit::moved::AstrayLine;
use crate::call::Call;
use crate::error::Error;
use crate::logbook::{Logbook, state_of};
use crate::output::{Page, Report, counted};
use crate::roots::{Root, Roots};
use crate::said::{LETTERS, Said, Saying, What, called, visit_called};

/// List the fields that two people wrote without having seen each other's value.
///
/// The latest is in force until somebody chooses; nothing of the other is lost. Two people who
/// wrote the same agree, and are not listed. A thing that one crew removed while another, who did
/// not know, edited or observed it is there, and listed under `removed` until somebody says which.
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
    /// Things that may have been entered twice.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    maybe_one: Vec<PairLine>,
    /// Visits that were moved to another site, where something is left to do about that.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    moved: Vec<AstrayLine>,
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
struct Version {
    /// What `choose` calls it.
    version: char,
    #[serde(flatten)]
    said: Said,
    /// The values that its writer had seen and replaced.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    had_seen: Vec<Said>,
    #[serde(skip)]
    during: String,
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    let store = call.store_to_read()?;
    let roots = Roots::of(&store)?;
    let wanted = roots.wanted(args.site.as_deref())?;
    let (mut fields, mut maybe_one) = (Vec::new(), Vec::new());
    for root in &wanted {
        let state = state_of(&store, root.id)?;
        let site = Site::of(&state, root.id);
        if !asks_for_entries(&site) {
            continue;
        }
        let logbook = Logbook::now(&store, root.id, Arc::clone(&state))?;
        maybe_one.extend(PairLine::all(root, &logbook, &site)?);
        let book = logbook.book(&site);
        for (thing, field, register) in state.registers() {
            if stands_in_two(&site, thing, field, register) {
                let of = (thing, field, register);
                fields.push(InTwo::of(root, &logbook, &book, of, call)?);
            }
        }
    }
    fields.sort_by(|a, b| (&a.site, &a.name, &a.field).cmp(&(&b.site, &b.name, &b.field)));
    let moved = AstrayLine::all(&store, &wanted)?;
    call.print(&Open {
        fields,
        maybe_one,
        moved,
    })
}

/// Whether a field is to be listed: it stands in two versions, and is not told of the first
/// record of a joined thing already.
pub fn stands_in_two(
    site: &Site<'_>,
    thing: ThingId,
    field: FieldNumber,
    register: &Register,
) -> bool {
    let told_there = site.kept(thing) != thing && field != any::SAME_AS.number;
    register.stands_in_two_versions() && !told_there
}

/// Returns the versions of a field, the one in force first.
fn versions(
    logbook: &Logbook,
    book: &Book<'_>,
    (thing, field, register): (ThingId, FieldNumber, &Register),
    system: UnitSystem,
) -> Result<Vec<Version>, Error> {
    let (what, site) = (What::Field(field), book.site);
    let sight = Sight::of(book, thing);
    let version = |(version, write): (char, &Write)| {
        let kept = logbook.entry(write.place)?;
        let visit = kept.entry.visit;
        Ok(Version {
            version,
            said: what.said(site, &write.value, write.how, kept, system),
            had_seen: Said::all(&sight.had_seen(field, write.place), site, system),
            during: visit.map_or_else(String::new, |visit| visit_called(site, visit)),
        })
    };
    LETTERS.chars().zip(register.open()).map(version).collect()
}

impl InTwo {
    fn of(
        root: &Root,
        logbook: &Logbook,
        book: &Book<'_>,
        (thing, field, register): (ThingId, FieldNumber, &Register),
        call: &Call,
    ) -> Result<Self, Error> {
        Ok(Self {
            logbook: root.id.to_string(),
            site: root.name.clone(),
            thing: thing.to_string(),
            name: called(book.site, thing),
            field: What::Field(field).name(),
            versions: versions(logbook, book, (thing, field, register), call.units())?,
        })
    }
}

/// A value longer than this gets lines of its own.
const SHORT_VALUE: usize = 44;

impl InTwo {
    /// Writes a line for each version where all are short, else a paragraph for each.
    fn write(&self, page: &mut Page) {
        page.line(format!("{} at {}: {}", self.name, self.site, self.field));
        let short = |version: &Version| version.said.shown.chars().count() <= SHORT_VALUE;
        if self.versions.iter().all(short) {
            let rows: Vec<_> = self.versions.iter().map(Version::row).collect();
            page.rows(2, &rows);
            return;
        }
        for version in &self.versions {
            let said = &version.said;
            let [.., how, during, had_seen] = version.row();
            let more = [how, during, had_seen];
            let more: Vec<_> = more.into_iter().filter(|more| !more.is_empty()).collect();
            let who = std::iter::once(said.by_and_when()).chain(more);
            let who = who.collect::<Vec<_>>().join(", ");
            page.rows(2, &[[version.version.to_string(), who]]);
            page.rows(5, &[[said.shown.clone()]]);
        }
    }
}

impl Version {
    fn row(&self) -> [String; 7] {
        let said = &self.said;
        let short = |seen: &Said| match seen.shown.chars().count() <= SHORT_VALUE {
            true => format!("had seen {} ({})", seen.shown, seen.by_and_when()),
            false => format!("had seen what {} wrote {}", seen.told.by, seen.when),
        };
        let during = match self.during.as_str() {
            "" => String::new(),
            visit => format!("during {visit}"),
        };
        let had_seen: Vec<_> = self.had_seen.iter().map(short).collect();
        [
            self.version.to_string(),
            said.shown.clone(),
            said.told.by.clone(),
            said.when.clone(),
            said.how(),
            during,
            had_seen.join("; "),
        ]
    }
}

impl Report for Open {
    fn write(&self, page: &mut Page) {
        for open in &self.fields {
            open.write(page);
        }
        let fields = counted(self.fields.len() as u64, "field stands", "fields stand");
        page.line(match self.fields.as_slice() {
            [] => "No field stands in two versions.".to_owned(),
            _ => format!(
                "{fields} in two versions; A is in force. `headwalk choose SITE THING FIELD A` \
                 settles one."
            ),
        });
        for visit in &self.moved {
            visit.write(page);
        }
        match self.maybe_one.len() as u64 {
            0 => {}
            pairs => page.line(format!(
                "{} may have been entered twice: see `headwalk join`.",
                counted(pairs, "thing", "things")
            )),
        }
    }
}
