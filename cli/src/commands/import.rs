//! `headwalk import`: a table of zones, heads, valves or other things into the log, or entries that
//! another store exported.

mod entries;

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::sync::Arc;

use serde::Serialize;

use headwalk_core::log::chain::Tip;
use headwalk_core::log::entry::{Change, Draft, Entry};
use headwalk_core::log::id::{LogbookId, Seq, ThingId};
use headwalk_core::log::stamp::Stamp;
use headwalk_core::log::value::HowKnown;
use headwalk_core::merge::replay::{Placed, State};
use headwalk_core::site::apart::{self, joined};
use headwalk_core::site::fields::{self, FieldDef, Shape};
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::things::Site;
use headwalk_core::store::Store;

use super::add::Meant;
use crate::call::Call;
use crate::error::Error;
use crate::geojson;
use crate::logbook::state_of;
use crate::output::{Page, Report, counted};
use crate::roots::{Root, Roots};
use crate::table_file::{Column, Faults, Row, TableFile};

/// Import a table or a GeoJSON map of zones, heads, valves or other things of a site.
///
/// The first line names the columns. The column `thing` says what each line is about: zone-7, 3-07
/// or valve-7; a thing that is not there yet is added. Every other column is a field, as in `note`;
/// bare numbers are in the field's unit, or in that of the heading: area (sqft), radius_m. Empty
/// cells say nothing. A column `site` lets one table serve several sites.
///
/// A file that ends in .geojson is a map: points are heads and the like, polygons are areas, the
/// property `thing` says what each is, and the others are fields. It goes onto the sketch by the
/// site's latitude and longitude.
///
/// All of a table or map is taken or nothing; what is there already in the same words is not recorded
/// again.
///
/// A file that `export entries` wrote is known by its first line: its entries are checked as
/// `verify --export` does, and those that the store does not have yet are taken, with their seals. If
/// anything in the file is wrong, nothing is taken. If the disk fills up or the power goes meanwhile,
/// import the file again: what is there is passed over.
///
/// Example: headwalk import zones.csv --site "Maple Court"
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The table, as CSV in UTF-8, the map, or a file of exported entries.
    file: PathBuf,
    /// The site, where the table has no column `site`.
    #[arg(long)]
    site: Option<String>,
}

/// `{"file": .., "lines": N, "added": N, "changed": N, "as_before": N, "ask": [..]}`
#[derive(Serialize)]
struct Imported {
    file: String,
    lines: usize,
    /// Things that were not there before.
    added: usize,
    /// Things of which something changed.
    changed: usize,
    /// Lines that said nothing new.
    as_before: usize,
    /// Values that are possible but not usual.
    ask: Vec<String>,
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    if entries::is_export(&args.file) {
        return entries::run(&args.file, call);
    }
    let store = call.store()?;
    let table = if geojson::is_geojson(&args.file) {
        map(&args, &store, &Roots::of(&store)?)?
    } else {
        TableFile::read(&args.file)?
    };
    let outcome = Outcome::of(&table, &args, &store, call)?;
    if !outcome.drafts.is_empty() {
        store.record(&outcome.drafts, call.now().wall)?;
    }
    call.print(&Imported {
        file: args.file.display().to_string(),
        lines: table.rows.len(),
        added: outcome.added,
        changed: outcome.changed,
        as_before: outcome.as_before,
        ask: with_lines(outcome.ask),
    })
}

/// Reads a map onto a site's sketch.
fn map(args: &Args, store: &Store, roots: &Roots) -> Result<TableFile, Error> {
    let site = args.site.as_deref().ok_or_else(|| {
        Error::input("a map does not say which site it is of")
            .field("site")
            .hint("name it with --site.")
    })?;
    let root = roots.find(site)?;
    let state = store.state(root.id)?;
    let origin = geojson::origin(&Site::of(&state, root.id))?;
    geojson::table(&args.file, &origin)
}

/// Says an error in the words of a line.
fn told(error: &Error) -> String {
    match error.next_step() {
        Some(hint) => format!("{}; {hint}", error.message()),
        None => error.message().to_owned(),
    }
}

/// Says what to ask line by line.
fn with_lines(ask: BTreeSet<(u64, String)>) -> Vec<String> {
    let ask = ask.into_iter();
    ask.map(|(line, ask)| format!("line {line}: {ask}"))
        .collect()
}

/// What is to be recorded, and what it comes to.
#[derive(Default)]
struct Outcome {
    drafts: Vec<Draft>,
    ask: BTreeSet<(u64, String)>,
    added: usize,
    changed: usize,
    as_before: usize,
}

impl Outcome {
    /// Finds out what a table comes to in a store as it is.
    fn of(table: &TableFile, args: &Args, store: &Store, call: &Call) -> Result<Self, Error> {
        let things = Table::of(table, args)?;
        let roots = Roots::of(store)?;
        let mut faults = Faults::default();
        let mut lines = BTreeMap::new();
        for row in &table.rows {
            match things.about(row, &roots) {
                Ok((root, meant)) => lines
                    .entry(root.id)
                    .or_insert_with(Vec::new)
                    .push((row, meant)),
                Err(error) => faults.line(row.line, &told(&error)),
            }
        }
        let mut outcome = Self::default();
        for (logbook, lines) in lines {
            let importing = Importing::of(store, logbook, &things, call)?;
            importing.take(lines, &mut outcome, &mut faults)?;
        }
        faults.none_or(&args.file)?;
        Ok(outcome)
    }
}

/// A table with what its columns mean.
struct Table<'t> {
    site: Option<usize>,
    only_site: Option<&'t str>,
    thing: usize,
    fields: Vec<(usize, &'t Column)>,
}

impl<'t> Table<'t> {
    fn of(table: &'t TableFile, args: &'t Args) -> Result<Self, Error> {
        let site = table.column(&["site"]);
        let only_site = args.site.as_deref();
        if site.is_none() && only_site.is_none() {
            return Err(Error::input("the table does not say which site it is of")
                .field("site")
                .hint("name it with --site, or add a column `site`."));
        }
        let names = ["thing", "zone", "head", "valve", "label"];
        let Some(thing) = table.column(&names) else {
            return Err(Error::input("the table has no column `thing`")
                .field("thing")
                .hint("it says what each line is about: zone-7, 3-07, valve-7."));
        };
        let columns = table.columns.iter().enumerate();
        let fields = columns
            .filter(|(at, _)| *at != thing && Some(*at) != site)
            .collect();
        Ok(Self {
            site,
            only_site,
            thing,
            fields,
        })
    }

    /// Finds which site and thing a line is about.
    fn about<'r>(&self, row: &Row, roots: &'r Roots) -> Result<(&'r Root, Meant), Error> {
        let cell = |at: usize| {
            row.cells
                .get(at)
                .map(String::as_str)
                .filter(|cell| !cell.is_empty())
        };
        let site = self.site.and_then(cell).or(self.only_site);
        let root = roots.find(site.ok_or_else(|| Error::input("its site is missing"))?)?;
        let typed = cell(self.thing).ok_or_else(|| Error::input("it names no thing"))?;
        Ok((root, Meant::read(typed)?))
    }
}

/// One site's lines on their way into the log.
struct Importing<'a> {
    store: &'a Store,
    logbook: LogbookId,
    things: &'a Table<'a>,
    call: &'a Call,
    /// What the site says, with what the lines so far write.
    state: Arc<State>,
    /// Its entries with theirs, once that was asked for.
    entries: Vec<Placed>,
    by: String,
}

impl<'a> Importing<'a> {
    fn of(
        store: &'a Store,
        logbook: LogbookId,
        things: &'a Table<'a>,
        call: &'a Call,
    ) -> Result<Self, Error> {
        Ok(Self {
            store,
            logbook,
            things,
            call,
            state: state_of(store, logbook)?,
            entries: Vec::new(),
            by: call.by(store)?,
        })
    }

    /// Takes a site's lines: zones last but for heads, so that a zone finds its valve and a head
    /// its zone in the same table.
    fn take(
        mut self,
        mut lines: Vec<(&Row, Meant)>,
        outcome: &mut Outcome,
        faults: &mut Faults,
    ) -> Result<(), Error> {
        let rank = |meant: &Meant| match meant.kind() {
            ThingKind::Head => 2,
            ThingKind::Zone => 1,
            _ => 0,
        };
        lines.sort_by_key(|(_, meant)| rank(meant));
        let ranks = lines.chunk_by(|(_, a), (_, b)| rank(a) == rank(b));
        let mut ranks = ranks.peekable();
        while let Some(of_rank) = ranks.next() {
            let state = Arc::clone(&self.state);
            let site = Site::of(&state, self.logbook);
            let mut drafts = Vec::new();
            for (at, (row, meant)) in (0..).zip(of_rank) {
                drafts.extend(self.line(&site, at, row, meant, outcome, faults)?);
            }
            if !drafts.is_empty() && ranks.peek().is_some() {
                self.foresee(&drafts)?;
            }
            outcome.drafts.extend(drafts);
        }
        Ok(())
    }

    /// Makes of one line what is new in it.
    fn line(
        &self,
        site: &Site<'_>,
        at: i64,
        row: &Row,
        meant: &Meant,
        outcome: &mut Outcome,
        faults: &mut Faults,
    ) -> Result<Option<Draft>, Error> {
        let there = site.find(meant.typed()).ok();
        let there = there.filter(|thing| thing.kind == Some(meant.kind()) && !thing.is_removed());
        let (thing, mut changes) = match there {
            Some(thing) => (thing.id, Vec::new()),
            None => match meant.begun(site, at, self.call) {
                Ok(new) => (new.id(), new.changes()),
                Err(error) => {
                    faults.line(row.line, &told(&error));
                    return Ok(None);
                }
            },
        };
        for (at, column) in &self.things.fields {
            let cell = row.cells.get(*at).map_or("", String::as_str);
            if cell.is_empty() {
                continue;
            }
            let field = match fields::known_field(meant.kind(), &column.name) {
                Ok(field) => field,
                Err(error) => {
                    faults.column(column, &error.to_string());
                    continue;
                }
            };
            match self.cell(site, field, thing, column, cell) {
                Ok((change, ask)) => {
                    outcome.ask.extend(ask.map(|ask| (row.line, ask)));
                    if !says_it_already(site, &change) {
                        replace(&mut changes, change);
                    }
                }
                Err(error) => faults.cell(row.line, column, &told(&error)),
            }
        }
        match (there, changes.is_empty()) {
            (None, _) => outcome.added += 1,
            (Some(_), false) => outcome.changed += 1,
            (Some(_), true) => outcome.as_before += 1,
        }
        Ok((!changes.is_empty()).then(|| Draft {
            logbook: self.logbook,
            by: self.by.clone(),
            utc_offset_min: self.call.now().utc_offset_min,
            visit: None,
            changes: joined::of_every_record(site, &changes),
        }))
    }

    /// Reads one cell as a field of that thing.
    fn cell(
        &self,
        site: &Site<'_>,
        field: &FieldDef,
        thing: ThingId,
        column: &Column,
        cell: &str,
    ) -> Result<(Change, Option<String>), Error> {
        let text = match field.shape {
            Shape::Thing(_) => site.find(cell)?.id.to_string(),
            _ => column.with_unit(cell),
        };
        let parsed = field.parse(&text, self.call.units())?;
        let change = Change::Set {
            thing,
            field: field.number,
            value: parsed.value,
            how: HowKnown::Unstated,
        };
        Ok((change, parsed.ask))
    }

    /// Lets what the lines so far write stand there, for those that follow. Each entry is as it will be,
    /// but for what only recording it gives it.
    fn foresee(&mut self, drafts: &[Draft]) -> Result<(), Error> {
        if self.entries.is_empty() {
            let kept = self.store.entries(self.logbook)?.into_iter();
            self.entries = kept.map(|kept| kept.placed).collect();
        }
        let device = self.store.device();
        let own = self.entries.iter().map(|placed| &placed.entry);
        let own = own.filter(|entry| entry.device == device);
        let mut last = own.map(|entry| entry.seq).max();
        for draft in drafts {
            let seq = last.map_or(Seq::FIRST, Seq::next);
            last = Some(seq);
            self.entries.push(Placed::alone(Entry {
                logbook: draft.logbook,
                device,
                seq,
                prev: Tip::NONE,
                stamp: Stamp::end_of(self.call.now().wall),
                utc_offset_min: draft.utc_offset_min,
                by: draft.by.clone(),
                visit: None,
                gained: Vec::new(),
                changes: draft.changes.clone(),
            }));
        }
        self.state = Arc::new(apart::told(&self.entries, None));
        Ok(())
    }
}

/// Whether a field holds that value already, in one version.
fn says_it_already(site: &Site<'_>, change: &Change) -> bool {
    let Change::Set {
        thing,
        field,
        value,
        ..
    } = change
    else {
        return false;
    };
    let register = site.state().register(*thing, *field);
    register.is_some_and(|register| {
        register.in_force().value == *value && !register.stands_in_two_versions()
    })
}

/// Puts a change in the place of an earlier one of the same field.
fn replace(changes: &mut Vec<Change>, change: Change) {
    let field = |change: &Change| match change {
        Change::Set { field, .. } => Some(*field),
        _ => None,
    };
    changes.retain(|earlier| field(earlier) != field(&change));
    changes.push(change);
}

impl Report for Imported {
    fn write(&self, page: &mut Page) {
        let lines = counted(self.lines as u64, "line", "lines");
        let Self {
            file,
            added,
            changed,
            as_before,
            ..
        } = self;
        page.line(format!(
            "{lines} of {file}: {added} added, {changed} changed, {as_before} as before."
        ));
        for ask in &self.ask {
            page.line(format!("Please check: {ask}"));
        }
    }
}

/// What a table in this text would come to, for those who try texts that are none.
#[cfg(test)]
pub fn tried(text: &str, store: &Store, call: &Call) -> Result<usize, Error> {
    let args = Args {
        file: PathBuf::from("table.csv"),
        site: Some("Maple Court".to_owned()),
    };
    let table = TableFile::of_text(text, &args.file)?;
    Ok(Outcome::of(&table, &args, store, call)?.drafts.len())
}
