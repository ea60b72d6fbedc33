//! `headwalk visit`: a crew's walk over a site, from its start to its end.

pub mod moved;

use serde::Serialize;

use headwalk_core::log::entry::Change;
use headwalk_core::log::id::ThingId;
use headwalk_core::log::value::{HowKnown, Value};
use headwalk_core::site::apart;
use headwalk_core::site::fields::{FieldDef, seen, visit};
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::things::{Site, Thing, Visit};
use headwalk_core::site::visit::{Lacks, VisitState, ZoneDone};
use headwalk_core::site::words::{Vocabulary, plain};
use headwalk_core::store::Store;

use crate::call::Call;
use crate::error::Error;
use crate::logbook::state_of;
use crate::output::{Page, Report, counted};
use crate::record::{Action, keep_visit, record, visit_anywhere};
use crate::roots::{Root, Roots};

/// Walk a site: start, say what was done at each zone, finish.
///
/// While a visit is open on this device, whatever `note`, `add` and `finding` record at that site
/// belongs to it. Nothing closes a visit but a person.
///
/// Example: headwalk visit start "Maple Court" --purpose inspection --crew "Crew 2"
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    step: Step,
}

#[derive(Debug, clap::Subcommand)]
enum Step {
    /// Begin a visit, or take up an open one again.
    ///
    /// Example: headwalk visit start "Maple Court" --purpose inspection
    Start(Start),
    /// Say that zones were run and looked at.
    ///
    /// Example: headwalk visit ran zone-1 zone-2 --good
    Ran(Ran),
    /// Say that a zone was not run, and why.
    ///
    /// Example: headwalk visit skip zone-3 --why "dog in the yard"
    Skip(Skip),
    /// End the visit. What is missing is listed first; with --why it ends all the same.
    ///
    /// Example: headwalk visit finish --why "rain, the client knows"
    Finish(Finish),
    /// Move a visit that was written to the wrong site, whole, to the right one.
    ///
    /// What was recorded during it is recorded again there, each entry saying whose and of when it
    /// is, and counts no more at the wrong site; the history of both tells of it. Moving it
    /// back is the same command the other way round; done twice, it carries what came since.
    ///
    /// Example: headwalk visit move "Alder House"
    Move(moved::Args),
    /// Show how far the open visit has come.
    ///
    /// Example: headwalk visit show
    Show,
}

#[derive(Debug, clap::Args)]
struct Start {
    /// The site, by its name or enough of it.
    site: String,
    /// Why you came: start-up, inspection, audit, repair, re-set, winterize, estimate, other.
    #[arg(long, default_value = "inspection")]
    purpose: String,
    /// Which crew.
    #[arg(long, value_name = "NAME")]
    crew: Option<String>,
    /// Who asked for the visit.
    #[arg(long, value_name = "NAME")]
    on_behalf_of: Option<String>,
    /// Take up this open visit of the site instead of beginning one.
    #[arg(long, value_name = "VISIT", conflicts_with_all = ["crew", "on_behalf_of"])]
    resume: Option<String>,
}

#[derive(Debug, clap::Args)]
struct Ran {
    /// The zones.
    #[arg(required = true)]
    zones: Vec<String>,
    /// How long each ran, in minutes.
    #[arg(long)]
    minutes: Option<String>,
    /// Every head that is not flagged looked right.
    #[arg(long)]
    good: bool,
}

#[derive(Debug, clap::Args)]
struct Skip {
    /// The zone.
    zone: String,
    /// Why it was not run.
    #[arg(long)]
    why: String,
}

#[derive(Debug, clap::Args)]
struct Finish {
    /// Why it ends though something is missing, or is given up.
    #[arg(long)]
    why: Option<String>,
    /// Give the visit up: it is not counted as done.
    #[arg(long, requires = "why")]
    abandon: bool,
}

/// How far a visit has come.
#[derive(Serialize)]
struct Standing {
    logbook: String,
    site: String,
    visit: String,
    name: String,
    /// open, finished, finished-with-skips or abandoned.
    state: &'static str,
    zones: Vec<ZoneLine>,
    /// What is missing before it may be called finished.
    missing: Vec<String>,
    /// Entries that were recorded during it.
    entries: u64,
}

/// What a visit did to one zone.
#[derive(Serialize)]
struct ZoneLine {
    zone: String,
    name: String,
    /// ran, skipped or not yet.
    done: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    why: Option<String>,
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    let store = call.store()?;
    match args.step {
        Step::Start(start) => begin(&start, &store, call),
        Step::Ran(ran) => Open::read(&store)?.ran(&ran, call),
        Step::Skip(skip) => Open::read(&store)?.skip(&skip, call),
        Step::Finish(finish) => Open::read(&store)?.finish(&finish, call),
        Step::Move(args) => moved::run(&args, &store, call),
        Step::Show => call.print(&Open::read(&store)?.standing()?),
    }
}

fn begin(start: &Start, store: &Store, call: &Call) -> Result<(), Error> {
    let roots = Roots::of(store)?;
    let root = roots.find(&start.site)?;
    if let Some((other, _)) = visit_anywhere(store)? {
        let name = roots.name(other);
        return Err(Error::input(format!("a visit is open at {name}"))
            .field("site")
            .hint("`headwalk visit finish` ends it; with --why it can end unfinished."));
    }
    let state = state_of(store, root.id)?;
    let site = Site::of(&state, root.id);
    let id = match &start.resume {
        Some(typed) => resumed(&site, typed)?,
        None => {
            let action = begun(start, &site, store, call)?;
            let id = action.about;
            record(call, store, root, action)?;
            id
        }
    };
    keep_visit(store, Some((root, id)))?;
    call.print(&Open::read(store)?.standing()?)
}

fn resumed(site: &Site<'_>, typed: &str) -> Result<ThingId, Error> {
    let thing = site.find(typed)?;
    match Visit::of(site, thing) {
        Some(visit) if visit.state() == VisitState::Open => Ok(thing.id),
        _ => Err(
            Error::input(format!("{} is no open visit", site.address(thing)))
                .field("resume")
                .hint("`headwalk site SITE` lists the open ones."),
        ),
    }
}

/// Says what a new visit is.
fn begun(start: &Start, site: &Site<'_>, store: &Store, call: &Call) -> Result<Action, Error> {
    let now = call.now();
    let (by, day) = (call.by(store)?, now.today());
    let who = start.crew.as_deref().unwrap_or(&by);
    let mut new = site
        .add(now.fresh_thing()?, ThingKind::Visit, site.root().id)
        .label(&label(site, &day.to_string(), who))
        .set(&visit::STATE, VisitState::Open.value(), HowKnown::Unstated)
        .set(&visit::STARTED, clock(call), HowKnown::Unstated);
    let day = day.to_string();
    let said = [
        ("purpose", Some(start.purpose.as_str())),
        ("date", Some(day.as_str())),
        ("crew", start.crew.as_deref()),
        ("people", Some(by.as_str())),
        ("on-behalf-of", start.on_behalf_of.as_deref()),
    ];
    for (name, text) in said {
        if let Some(text) = text {
            let told = new.say(name, text, call.units());
            new = told.map_err(|error| Error::from(error).field(name))?;
        }
    }
    Ok(Action {
        about: new.id(),
        ask: new.asks().to_vec(),
        changes: new.changes(),
    })
}

/// The time of day here.
fn clock(call: &Call) -> Value {
    let now = call.now();
    let local = now
        .wall
        .at_offset(now.utc_offset_min)
        .format("%H:%M")
        .to_string();
    let parsed = visit::STARTED.parse(&local, call.units());
    parsed.expect("a clock shows a time of day").value
}

/// Names a visit by its day and crew, with a number where that is taken.
fn label(site: &Site<'_>, day: &str, who: &str) -> String {
    let who: Vec<_> = who.split_whitespace().map(str::to_lowercase).collect();
    site.free_label(ThingKind::Visit, &format!("{day}-{}", who.join("-")))
}

/// The visit that is open on this device.
struct Open<'a> {
    store: &'a Store,
    root: Root,
    id: ThingId,
}

impl<'a> Open<'a> {
    fn read(store: &'a Store) -> Result<Self, Error> {
        let Some((logbook, id)) = visit_anywhere(store)? else {
            return Err(Error::input("no visit is open on this device")
                .hint("`headwalk visit start SITE` begins one."));
        };
        let roots = Roots::of(store)?;
        let root = roots.find(&logbook.to_string())?;
        // Somebody may have moved the visit meanwhile: it goes on where it belongs.
        let state = state_of(store, logbook)?;
        let site = Site::of(&state, logbook);
        let went_to = site
            .thing(id)
            .and_then(|visit| apart::moved::moved_to(&visit));
        let went_to = went_to.and_then(|to| roots.find(&to.to_string()).ok());
        if let Some(there) = went_to {
            keep_visit(store, Some((there, id)))?;
        }
        let root = went_to.unwrap_or(root).clone();
        Ok(Self { store, root, id })
    }

    fn ran(&self, ran: &Ran, call: &Call) -> Result<(), Error> {
        let how = ran.minutes.as_ref();
        let text = how.map_or_else(|| "by=controller".to_owned(), |m| format!("minutes={m}"));
        let mut said = vec![(seen::ZONE_RAN.name, text.as_str())];
        if ran.good {
            said.push((seen::HEADS_GOOD.name, "yes"));
        }
        self.say_of_zones(&ran.zones, &said, call)
    }

    fn skip(&self, skip: &Skip, call: &Call) -> Result<(), Error> {
        let said = [(seen::ZONE_SKIPPED.name, skip.why.as_str())];
        self.say_of_zones(std::slice::from_ref(&skip.zone), &said, call)
    }

    /// Records the same of several zones, as one entry.
    fn say_of_zones(
        &self,
        zones: &[String],
        said: &[(&str, &str)],
        call: &Call,
    ) -> Result<(), Error> {
        let state = state_of(self.store, self.root.id)?;
        let site = Site::of(&state, self.root.id);
        let (mut changes, mut ask) = (Vec::new(), Vec::new());
        for typed in zones {
            let zone = zone(&site, typed)?;
            for (name, text) in said {
                let noted = site.note(zone, name, text, HowKnown::Unstated, call.units());
                let noted = noted.map_err(|error| Error::from(error).field(*name))?;
                changes.push(noted.change);
                ask.extend(noted.ask);
            }
        }
        let about = changes.first().and_then(Change::thing).unwrap_or(self.id);
        let action = Action {
            about,
            changes,
            ask,
        };
        call.print(&record(call, self.store, &self.root, action)?)
    }

    fn finish(&self, finish: &Finish, call: &Call) -> Result<(), Error> {
        let state = state_of(self.store, self.root.id)?;
        let site = Site::of(&state, self.root.id);
        let walk = self.walk(&site)?;
        let missing: Vec<_> = walk.lacks(&site).iter().map(Lacks::to_string).collect();
        let becomes = match (finish.abandon, missing.is_empty(), &finish.why) {
            (true, ..) => VisitState::Abandoned,
            (false, true, _) => walk.may_become(&site),
            (false, false, Some(_)) => VisitState::FinishedWithSkips,
            (false, false, None) => {
                return Err(Error::input("the visit is not finished yet")
                    .details(missing)
                    .hint("do what is missing, or end it with --why REASON."));
            }
        };
        let set = |field: &FieldDef, value| Change::Set {
            thing: self.id,
            field: field.number,
            value,
            how: HowKnown::Unstated,
        };
        let mut changes = vec![
            set(&visit::STATE, becomes.value()),
            set(&visit::ENDED, clock(call)),
        ];
        if let Some(why) = &finish.why {
            changes.push(set(&visit::STATE_WHY, Value::text(why)));
        }
        let action = Action {
            about: self.id,
            changes,
            ask: Vec::new(),
        };
        record(call, self.store, &self.root, action)?;
        let standing = self.standing()?;
        keep_visit(self.store, None)?;
        call.print(&standing)
    }

    fn walk<'s>(&self, site: &'s Site<'s>) -> Result<Visit<'s>, Error> {
        let thing = site.thing(self.id);
        thing
            .and_then(|thing| Visit::of(site, thing))
            .ok_or_else(|| {
                Error::input("the visit that was open here is not in this store any more")
                    .hint("begin another with `headwalk visit start SITE`.")
            })
    }

    fn standing(&self) -> Result<Standing, Error> {
        let state = state_of(self.store, self.root.id)?;
        let site = Site::of(&state, self.root.id);
        let walk = self.walk(&site)?;
        let line = |zone: Thing<'_>, done: ZoneDone| {
            let (done, why) = match done {
                ZoneDone::Walked => ("ran", None),
                ZoneDone::Skipped(why) => ("skipped", Some(why)),
                ZoneDone::NotYet => ("not yet", None),
            };
            ZoneLine {
                zone: zone.id.to_string(),
                name: site.address(zone),
                done,
                why,
            }
        };
        Ok(Standing {
            logbook: self.root.id.to_string(),
            site: self.root.name.clone(),
            visit: self.id.to_string(),
            name: site.address(*walk),
            state: walk.state().word(),
            zones: walk
                .zones(&site)
                .into_iter()
                .map(|(zone, done)| line(*zone, done))
                .collect(),
            missing: match walk.state() {
                VisitState::Open => walk.lacks(&site).iter().map(Lacks::to_string).collect(),
                _ => Vec::new(),
            },
            entries: self.store.count_during(self.root.id, self.id)?,
        })
    }
}

fn zone<'s>(site: &'s Site<'_>, typed: &str) -> Result<Thing<'s>, Error> {
    let thing = site.find(typed)?;
    match thing.kind {
        Some(ThingKind::Zone) => Ok(thing),
        _ => Err(Error::input(format!("{} is not a zone", site.address(thing))).field("zone")),
    }
}

impl Report for Standing {
    fn write(&self, page: &mut Page) {
        let entries = counted(self.entries, "entry", "entries");
        let state = plain(self.state);
        page.line(format!(
            "{} at {}: {state}, {entries}.",
            self.name, self.site
        ));
        let row = |line: &ZoneLine| {
            let why = line.why.clone().unwrap_or_default();
            [line.name.clone(), line.done.to_owned(), why]
        };
        let rows: Vec<_> = self.zones.iter().map(row).collect();
        page.rows(2, &rows);
        let of_zones = |missing: &&String| !missing.contains("neither run nor skipped");
        for missing in self.missing.iter().filter(of_zones) {
            page.line(format!("Missing: {missing}."));
        }
    }
}
