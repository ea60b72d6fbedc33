//! `headwalk state`: everything that the logbooks say, now or at any moment.

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;

use headwalk_core::log::entry::Change;
use headwalk_core::log::id::ThingId;
use headwalk_core::merge::register::Write;
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::things::{Site, Thing};
use headwalk_core::site::unit::UnitSystem;

use crate::args::MomentArgs;
use crate::call::Call;
use crate::error::Error;
use crate::logbook::Logbook;
use crate::output::{Page, Report, counted};
use crate::roots::{Root, Roots};
use crate::said::{LETTERS, Said, Saying, What, called};

/// Show everything that the logbooks say: each field's value, who wrote it and when.
///
/// With --as-of only what was written by then counts: what was true. With --as-known only what
/// this store held by then counts: what was known here. The two can be combined.
///
/// Two stores that hold the same entries print the same bytes with --json.
///
/// Example: headwalk state "Maple Court" zone-7 --as-of 2026-07-14
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The site, by its name; all logbooks without it.
    site: Option<String>,
    /// One thing of it, such as zone-7, 3-07 or valve-2.
    thing: Option<String>,
    #[command(flatten)]
    moment: MomentArgs,
}

/// One of `{"logbooks": [..]}`, by id.
#[derive(Serialize)]
struct LogbookJson {
    logbook: String,
    name: String,
    /// Whole before part, parts in the order of the walk.
    things: Vec<ThingJson>,
    /// Changes of a kind that this version does not know; kept and passed on all the same.
    unknown_changes: usize,
}

/// One thing.
#[derive(Serialize)]
struct ThingJson {
    thing: String,
    /// What it is; none where nobody said, or a later version did.
    kind: Option<&'static str>,
    /// What it is called.
    name: String,
    /// The thing of which this is a second record; all that was said of it is told there.
    #[serde(skip_serializing_if = "Option::is_none")]
    second_record_of: Option<String>,
    #[serde(skip)]
    first: Option<String>,
    fields: BTreeMap<String, FieldJson>,
    /// Each kind's oldest first.
    observations: BTreeMap<String, Vec<Said>>,
}

/// One field: its value in force, and every version where it stands in two.
#[derive(Serialize)]
struct FieldJson {
    #[serde(flatten)]
    in_force: Said,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    versions: Vec<Said>,
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    let store = call.store_to_read()?;
    let moment = args.moment.moment(call.now())?;
    let roots = Roots::of(&store)?;
    let wanted = match &args.site {
        Some(site) => vec![roots.find(site)?.clone()],
        None => roots.by_id(),
    };
    let read = |root: &Root| {
        let logbook = Logbook::read(&store, root.id, moment)?;
        LogbookJson::of(root, &logbook, args.thing.as_deref(), call.units())
    };
    // One after the other: what all of them say is the whole log.
    call.print_one_by_one("logbooks", wanted.iter().map(read))
}

impl LogbookJson {
    fn of(
        root: &Root,
        logbook: &Logbook,
        only: Option<&str>,
        system: UnitSystem,
    ) -> Result<Self, Error> {
        let site = Site::of(&logbook.state, logbook.id);
        let things: Vec<_> = match only {
            Some(typed) => vec![site.find(typed)?],
            None => all_of(&site),
        };
        let unknown = |change: &&Change| matches!(change, Change::Unknown { .. });
        let changes = logbook
            .entries
            .values()
            .flat_map(|kept| &kept.entry.changes);
        Ok(Self {
            logbook: root.id.to_string(),
            name: root.name.clone(),
            things: things
                .into_iter()
                .map(|thing| ThingJson::of(&site, thing, logbook, system))
                .collect::<Result<_, _>>()?,
            unknown_changes: changes.filter(unknown).count(),
        })
    }
}

/// Returns everything that a logbook mentions: the root, what belongs to it kind by kind, each
/// with its own parts behind it, then what is astray.
fn all_of<'s>(site: &Site<'s>) -> Vec<Thing<'s>> {
    let mut things = Vec::new();
    let mut seen = BTreeSet::new();
    with_parts(site, site.root(), &mut things, &mut seen);
    for astray in site.astray() {
        with_parts(site, astray, &mut things, &mut seen);
    }
    things
}

fn with_parts<'s>(
    site: &Site<'s>,
    thing: Thing<'s>,
    things: &mut Vec<Thing<'s>>,
    seen: &mut BTreeSet<ThingId>,
) {
    // Two crews can each put one thing into the other; nobody goes round for ever.
    if !seen.insert(thing.id) {
        return;
    }
    things.push(thing);
    let mut parts: Vec<_> = site.parts(thing.id).collect();
    parts.sort_by_key(|part| part.kind);
    for part in parts {
        with_parts(site, part, things, seen);
    }
}

impl ThingJson {
    fn of(
        site: &Site<'_>,
        thing: Thing<'_>,
        logbook: &Logbook,
        system: UnitSystem,
    ) -> Result<Self, Error> {
        let mut fields = BTreeMap::new();
        for (number, register) in logbook.state.registers_of(thing.id) {
            let what = What::Field(number);
            let said = |write: &Write| {
                let kept = logbook.entry(write.place)?;
                Ok(what.said(site, &write.value, write.how, kept, system))
            };
            let versions = match register.stands_in_two_versions() {
                true => register
                    .open()
                    .iter()
                    .map(said)
                    .collect::<Result<_, Error>>()?,
                false => Vec::new(),
            };
            let in_force = said(register.in_force())?;
            fields.insert(what.name(), FieldJson { in_force, versions });
        }
        let mut observations: BTreeMap<_, Vec<Said>> = BTreeMap::new();
        let seen = logbook.state.all_observations();
        for (_, number, seen) in seen.filter(|(of, ..)| *of == thing.id) {
            let what = What::Seen(number);
            let kept = logbook.entry(seen.place)?;
            let said = what.said(site, &seen.value, seen.how, kept, system);
            observations.entry(what.name()).or_default().push(said);
        }
        let first = Some(site.kept(thing.id)).filter(|first| *first != thing.id);
        Ok(Self {
            thing: thing.id.to_string(),
            kind: thing.kind.map(ThingKind::word),
            name: site.address(thing),
            second_record_of: first.map(|first| first.to_string()),
            first: first.map(|first| called(site, first)),
            fields,
            observations,
        })
    }

    fn write(&self, page: &mut Page) {
        if let Some(first) = &self.first {
            page.line(format!("{}, joined to {first}: see there", self.name));
            return;
        }
        page.line(&self.name);
        let mut rows = Vec::new();
        for (name, field) in &self.fields {
            if matches!(name.as_str(), "kind" | "part-of" | "order") {
                continue;
            }
            if field.versions.is_empty() {
                rows.push(row(name, &field.in_force.shown, &field.in_force));
                continue;
            }
            let blank = || String::new();
            let said = "two versions".to_owned();
            rows.push([name.clone(), said, blank(), blank(), blank()]);
            for (letter, version) in LETTERS.chars().zip(&field.versions) {
                rows.push(row("", &format!("{letter}  {}", version.shown), version));
            }
        }
        for (name, seen) in &self.observations {
            rows.extend(seen.iter().map(|seen| row(name, &seen.shown, seen)));
        }
        page.rows(2, &rows);
    }
}

fn row(name: &str, shown: &str, said: &Said) -> [String; 5] {
    let (by, when) = (said.told.by.clone(), said.when.clone());
    [name.to_owned(), shown.to_owned(), by, when, said.how()]
}

impl Report for LogbookJson {
    fn write(&self, page: &mut Page) {
        page.line(&self.name);
        for thing in &self.things {
            thing.write(page);
        }
        if self.unknown_changes > 0 {
            let count = self.unknown_changes as u64;
            let changes = counted(count, "change", "changes");
            page.line(format!(
                "{changes} of a kind unknown to this version, kept and passed on"
            ));
        }
    }
}
