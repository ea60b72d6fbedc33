//! `headwalk visit move`: a visit that was written to the wrong site, moved to the right one.

use std::collections::BTreeMap;

use serde::Serialize;

use headwalk_core::log::id::{LogbookId, ThingId};
use headwalk_core::merge::replay::Placed;
use headwalk_core::site::apart::moved::{
    self, Astray, Carried, MoveError, Moving, OfNoName, Plan, Side,
};
use headwalk_core::site::things::Site;
use headwalk_core::store::Store;

use crate::call::Call;
use crate::error::Error;
use crate::logbook::state_of;
use crate::output::{Page, Report, counted};
use crate::record::{keep_visit, visit_anywhere};
use crate::roots::{Root, Roots};
use crate::said::called;

#[derive(Debug, clap::Args)]
pub struct Args {
    /// The site to which the visit belongs, by its name or enough of it.
    to: String,
    /// The site to which it was written.
    #[arg(long, value_name = "SITE", requires = "visit")]
    from: Option<String>,
    /// The visit; without it the one that is open on this device.
    #[arg(long, requires = "from")]
    visit: Option<String>,
    /// Which thing is meant at the right site, where it is called otherwise there; as often as
    /// needed.
    #[arg(long = "as", value_name = "THING=THING")]
    same: Vec<String>,
    /// Enter at the right site what it has nothing of that name and kind of.
    #[arg(long)]
    enter: bool,
}

/// What a move did.
#[derive(Serialize)]
struct Moved {
    visit: String,
    name: String,
    from: String,
    to: String,
    /// Whether anything was written: it may have been there already.
    moved: bool,
    /// Entries that were carried now.
    carried: usize,
    /// Values that gave way to later ones at the right site.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    gave_way: Vec<String>,
    /// Things that were entered at the right site.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    entered: Vec<String>,
    /// Changes of a kind that this version does not know, which stay where they are.
    #[serde(skip_serializing_if = "is_none")]
    not_understood: usize,
}

fn is_none(count: &usize) -> bool {
    *count == 0
}

pub fn run(args: &Args, store: &Store, call: &Call) -> Result<(), Error> {
    let roots = Roots::of(store)?;
    let to = roots.find(&args.to)?;
    let open = visit_anywhere(store)?;
    let (from, visit) = match (&args.from, &args.visit, open) {
        (Some(from), Some(typed), _) => {
            let from = roots.find(from)?;
            let state = state_of(store, from.id)?;
            let site = Site::of(&state, from.id);
            let visit = site.find(typed);
            let visit = visit.map_err(|error| Error::from(error).field("visit"))?;
            (from, visit.id)
        }
        (.., Some((logbook, visit))) => (roots.find(&logbook.to_string())?, visit),
        _ => {
            return Err(Error::input("no visit is open on this device").hint(
                "`headwalk visit move SITE --from SITE --visit VISIT` moves any other; \
                 `headwalk site SITE` lists the visits of a site.",
            ));
        }
    };
    let [there, here] = [to.id, from.id].map(|id| placed(store, id));
    let (there, here) = (there?, here?);
    let moving = Moving {
        visit,
        from: side(from, &here),
        to: side(to, &there),
        same: same(&args.same, store, from, to)?,
        of_no_name: match args.enter {
            true => OfNoName::Entered,
            false => OfNoName::Refused,
        },
    };
    let now = call.now();
    let plan = moving.plan(&call.by(store)?, now.utc_offset_min);
    let plan = plan.map_err(|error| explained(error, from))?;
    store.record(&plan.drafts, now.wall)?;
    if open == Some((from.id, visit)) {
        keep_visit(store, Some((to, visit)))?;
    }
    let state = state_of(store, to.id)?;
    let name = called(&Site::of(&state, to.id), visit);
    call.print(&Moved::of(plan, (visit, name), from, to))
}

fn placed(store: &Store, id: LogbookId) -> Result<Vec<Placed>, Error> {
    let kept = store.entries(id)?.into_iter();
    Ok(kept.map(|kept| kept.placed).collect())
}

fn side<'a>(root: &'a Root, entries: &'a [Placed]) -> Side<'a> {
    Side {
        logbook: root.id,
        name: &root.name,
        entries,
    }
}

/// Something about a moved visit that somebody must look at.
#[derive(Serialize)]
pub struct AstrayLine {
    visit: String,
    name: String,
    /// The sites where its work lies.
    lies_at: Vec<String>,
    /// Those at which it counts.
    counts_at: Vec<String>,
    /// Entries that were written to the wrong site and have not been carried.
    waiting: usize,
}

impl AstrayLine {
    /// Returns what is not in order about the visits that were moved between these sites.
    pub fn all(store: &Store, roots: &[Root]) -> Result<Vec<Self>, Error> {
        let state = |root: &Root| Ok((root.id, store.state(root.id)?));
        let states: Result<Vec<_>, Error> = roots.iter().map(state).collect();
        let states = states?;
        let astray = moved::whereabouts(&states, |id| placed(store, id))?;
        let name = |id: LogbookId| {
            let root = roots.iter().find(|root| root.id == id);
            root.map_or_else(|| id.to_string(), |root| root.name.clone())
        };
        let line = |astray: Astray| {
            let (visit, lies, counts, waiting) = match astray {
                Astray::Counts {
                    visit,
                    lies,
                    counts,
                } => (visit, lies, counts, 0),
                Astray::Waiting {
                    visit,
                    from,
                    to,
                    entries,
                } => (visit, vec![from, to], vec![to], entries),
            };
            let of = lies.first().and_then(|lies| {
                let (_, state) = states.iter().find(|(id, _)| id == lies)?;
                Some(called(&Site::of(state, *lies), visit))
            });
            Self {
                visit: visit.to_string(),
                name: of.unwrap_or_else(|| visit.to_string()),
                lies_at: lies.into_iter().map(name).collect(),
                counts_at: counts.into_iter().map(name).collect(),
                waiting,
            }
        };
        Ok(astray.into_iter().map(line).collect())
    }

    /// Writes it, with what to do.
    pub fn write(&self, page: &mut Page) {
        let Self { name, .. } = self;
        let lies = self.lies_at.join(" and ");
        page.line(match (&self.counts_at[..], &self.lies_at[..]) {
            ([to], [from, _]) => format!(
                "{name} was moved from {from} to {to}, and {} not there yet: `headwalk visit move \
                 \"{to}\" --from \"{from}\" --visit {}` carries what is missing.",
                match self.waiting {
                    1 => "1 entry of it is".to_owned(),
                    several => format!("{several} entries of it are"),
                },
                self.visit,
            ),
            ([], _) => format!(
                "{name} was moved from each of {lies} to another, and counts nowhere: `headwalk \
                 visit move` to where it belongs."
            ),
            (several, _) => format!(
                "{name} counts at {}: `headwalk visit move` it to where it belongs.",
                several.join(" and at ")
            ),
        });
    }
}

/// Reads which thing of the right site is meant by one of the wrong one.
fn same(
    typed: &[String],
    store: &Store,
    from: &Root,
    to: &Root,
) -> Result<BTreeMap<ThingId, ThingId>, Error> {
    if typed.is_empty() {
        return Ok(BTreeMap::new());
    }
    let (here, there) = (state_of(store, from.id)?, state_of(store, to.id)?);
    let (here, there) = (Site::of(&here, from.id), Site::of(&there, to.id));
    let pair = |pair: &String| {
        let (one, other) = pair.split_once('=').ok_or_else(|| {
            Error::input(format!("`{pair}` does not say which thing is which"))
                .field("as")
                .hint("for example --as zone-4=zone-3: what is zone-4 at the wrong site is zone-3.")
        })?;
        let find = |site: &Site<'_>, typed: &str| {
            let found = site.find(typed).map(|thing| (thing.id, thing.kind));
            found.map_err(|error| Error::from(error).field("as"))
        };
        let ((here, kind), (there, same_kind)) = (find(&here, one)?, find(&there, other)?);
        if kind != same_kind {
            return Err(Error::input(format!("{one} and {other} are not of one kind")).field("as"));
        }
        Ok((here, there))
    };
    typed.iter().map(pair).collect()
}

fn explained(error: MoveError, from: &Root) -> Error {
    let told = Error::input(error.to_string());
    match error {
        MoveError::Unmatched { .. } => told.field("to").hint(
            "--as THING=THING says which is meant there, as often as needed; --enter enters them \
             there by these names.",
        ),
        MoveError::SameSite { .. } => told.field("to"),
        _ => told.field("visit").hint(format!(
            "`headwalk site \"{}\"` lists its visits.",
            from.name
        )),
    }
}

impl Moved {
    fn of(plan: Plan, (visit, name): (ThingId, String), from: &Root, to: &Root) -> Self {
        let gave_way = |one: &Carried| one.gives_way.clone();
        Self {
            visit: visit.to_string(),
            name,
            from: from.name.clone(),
            to: to.name.clone(),
            moved: !plan.drafts.is_empty(),
            carried: plan.carried.len(),
            gave_way: plan.carried.iter().flat_map(gave_way).collect(),
            entered: plan.entered,
            not_understood: plan.not_understood,
        }
    }
}

impl Report for Moved {
    fn write(&self, page: &mut Page) {
        let (name, from, to) = (&self.name, &self.from, &self.to);
        page.line(match (self.moved, self.carried as u64) {
            (false, _) => {
                format!("{name} is at {to} already, and nothing of it waits at {from}.")
            }
            (true, 0) => format!("{name} moved from {from} to {to}, where all of it was already."),
            (true, carried) => format!(
                "{name} moved from {from} to {to}: {}.",
                counted(carried, "entry", "entries")
            ),
        });
        if !self.entered.is_empty() {
            page.line(format!("Entered at {to}: {}.", self.entered.join(", ")));
        }
        for value in &self.gave_way {
            page.line(format!(
                "Not in force: {value}; {to} got another value later. The visit's history has both."
            ));
        }
        if self.not_understood > 0 {
            page.line(format!(
                "{} that this version does not understand stay at {from}.",
                counted(self.not_understood as u64, "change", "changes")
            ));
        }
    }
}
