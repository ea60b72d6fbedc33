//! `headwalk add`: begins a site, a company or a station, or puts things into a site.

use serde::Serialize;

use headwalk_core::log::id::ThingId;
use headwalk_core::site::fields::{self, Shape, zone};
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::things::{NewThing, Site, Thing};
use headwalk_core::store::Store;

use super::note::pairs;
use crate::call::Call;
use crate::error::Error;
use crate::logbook::state_of;
use crate::output::{Page, Report};
use crate::record::{Action, Recorded, record, record_all};
use crate::roots::{Root, Roots};

/// Add a site, or things to a site, with whatever is known of them.
///
/// `add site NAME` begins a site's logbook; `add station NAME` and `add company NAME` begin those.
/// Else name the site and what stands there: supply, controller, zone-7, valve-7, 3-07 (a head of
/// zone 3), 3-01..3-12 (twelve like heads), spot-1. Fields and values follow as in `note`.
///
/// Example: headwalk add "Maple Court" zone-7 area 850sqft soil "clay loam"
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The site that it stands in; or the word site, station or company.
    place: String,
    /// What it is; or the new site's name.
    what: String,
    /// Fields and values, in turn.
    #[arg(num_args = 0.., value_names = ["FIELD", "VALUE"], allow_negative_numbers = true)]
    pairs: Vec<String>,
}

/// `{"added": [..]}`, each as `note` prints it.
#[derive(Serialize)]
struct Added {
    added: Vec<Recorded>,
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    let store = call.store()?;
    let kind = ThingKind::of_word(&args.place);
    let added = match kind {
        Some(kind @ (ThingKind::Site | ThingKind::Company | ThingKind::Station)) => {
            vec![begin(&args, kind, &store, call)?]
        }
        _ => put_in(&args, &store, call)?,
    };
    call.print(&Added { added })
}

/// Begins a logbook.
fn begin(args: &Args, kind: ThingKind, store: &Store, call: &Call) -> Result<Recorded, Error> {
    let roots = Roots::of(store)?;
    if let Some(there) = roots.of_kind(kind).find(|root| root.name == args.what) {
        let there_is = format!("there is {} `{}` already", kind.with_article(), args.what);
        return Err(Error::input(there_is).field("name").hint(format!(
            "use it by its name or as {}, or choose another name.",
            there.id
        )));
    }
    let id = call.now().fresh_logbook()?;
    let mut new = NewThing::new(ThingId::root(id), kind);
    new = said(new, "name", &args.what, call)?;
    for (name, text) in pairs(&args.pairs)? {
        new = said(new, name, text, call)?;
    }
    let root = Root {
        id,
        kind: Some(kind),
        name: args.what.clone(),
    };
    record(call, store, &root, action(new))
}

/// Puts things into a site, each as an entry of its own.
fn put_in(args: &Args, store: &Store, call: &Call) -> Result<Vec<Recorded>, Error> {
    let roots = Roots::of(store)?;
    let root = roots.find(&args.place)?;
    let state = state_of(store, root.id)?;
    let site = Site::of(&state, root.id);
    let pairs = pairs(&args.pairs)?;
    // All of them are made before any is recorded: a slip in one leaves nothing behind.
    let mut actions = Vec::new();
    for (at, typed) in (0..).zip(expanded(&args.what)?) {
        let meant = Meant::read(&typed)?;
        let mut new = meant.begun(&site, at, call)?;
        for (name, text) in &pairs {
            let text = with_id(&site, meant.kind, name, text)?;
            new = said(new, name, &text, call)?;
        }
        actions.push(action(new));
    }
    record_all(call, store, root, actions)
}

fn action(new: NewThing) -> Action {
    Action {
        about: new.id(),
        ask: new.asks().to_vec(),
        changes: new.changes(),
    }
}

fn said(new: NewThing, name: &str, text: &str, call: &Call) -> Result<NewThing, Error> {
    new.say(name, text, call.units())
        .map_err(|error| Error::from(error).field(name))
}

/// Where a field wants another thing, returns that thing's id for what it is called.
fn with_id(site: &Site<'_>, kind: ThingKind, name: &str, text: &str) -> Result<String, Error> {
    match fields::field(kind, name).map(|field| field.shape) {
        Some(Shape::Thing(_)) => Ok(site.find(text)?.id.to_string()),
        _ => Ok(text.to_owned()),
    }
}

/// Spells out a run of heads: `3-01..3-12` is twelve.
fn expanded(typed: &str) -> Result<Vec<String>, Error> {
    let Some((first, last)) = typed.split_once("..") else {
        return Ok(vec![typed.to_owned()]);
    };
    let parts = |text: &str| -> Option<(String, usize, u32)> {
        let (zone, nth) = text.rsplit_once('-')?;
        Some((zone.to_owned(), nth.len(), nth.parse().ok()?))
    };
    let run = parts(first).zip(parts(last)).filter(|(first, last)| {
        first.0 == last.0 && first.2 <= last.2 && last.2 - first.2 < MOST_AT_ONCE
    });
    let ((zone, digits, first), (_, _, last)) = run.ok_or_else(|| {
        Error::input(format!("`{typed}` is not a run of heads"))
            .field("what")
            .hint("write the first and the last of one zone, such as 3-01..3-12.")
    })?;
    Ok((first..=last)
        .map(|nth| format!("{zone}-{nth:0digits$}"))
        .collect())
}

/// A zone with more heads than this is a slip of the finger.
const MOST_AT_ONCE: u32 = 100;

/// How far apart two things stand in the order of a walk, so that others fit between.
const ORDER_STEP: i64 = 10;

/// What a person means to put in.
pub(super) struct Meant {
    typed: String,
    kind: ThingKind,
    label: Option<String>,
}

impl Meant {
    /// Reads `zone-7`, `7`, `head 3-07`, `3-07`, `valve-7`, `controller`, `spot-2`.
    pub(super) fn read(typed: &str) -> Result<Self, Error> {
        let plain = typed.trim().to_lowercase().replace([' ', '_', '#'], "-");
        let (first, rest) = plain.split_once('-').unwrap_or((&plain, ""));
        let number = |text: &str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
        let (kind, label) = match ThingKind::of_word(first) {
            Some(kind) => (kind, rest),
            None if number(&plain) => (ThingKind::Zone, plain.as_str()),
            None if number(first) && number(rest) => (ThingKind::Head, plain.as_str()),
            None => {
                let what = format!("`{typed}` does not say what it is");
                return Err(Error::input(what).field("what").hint(
                    "write its kind and number: zone-7, head 3-07, valve-7, controller, supply, \
                     spot-1.",
                ));
            }
        };
        let label = (!label.is_empty()).then(|| label.to_owned());
        let typed = typed.to_owned();
        Ok(Self { typed, kind, label })
    }

    /// Returns what was typed.
    pub(super) fn typed(&self) -> &str {
        &self.typed
    }

    /// Returns what kind of thing it is.
    pub(super) const fn kind(&self) -> ThingKind {
        self.kind
    }

    /// Begins it where it belongs; `at` others of this call stand before it in the walk.
    pub(super) fn begun(&self, site: &Site<'_>, at: i64, call: &Call) -> Result<NewThing, Error> {
        if let Ok(there) = site.find(&self.typed)
            && there.kind == Some(self.kind)
            && !there.is_removed()
        {
            let there = site.address(there);
            return Err(Error::input(format!("{there} is there already"))
                .field("what")
                .hint("record what changed about it with `headwalk note`."));
        }
        let id = call.now().fresh_thing()?;
        let whole = self.whole(site)?;
        let kin = site
            .parts(whole.id)
            .filter(|thing| thing.kind == Some(self.kind));
        let last = kin.filter_map(|thing| thing.order()).max().unwrap_or(0);
        let new = site.add(id, self.kind, whole.id);
        let new = new.order(last.saturating_add(ORDER_STEP * (at + 1)));
        match (&self.label, self.kind) {
            (Some(number), ThingKind::Zone) => said(new, zone::NUMBER.name, number, call),
            (Some(label), _) => Ok(new.label(label)),
            (None, ThingKind::Head) => Ok(new.label(&site.next_head_label(whole))),
            (None, _) => Ok(new),
        }
    }

    /// A head belongs to its zone, anything else to the site.
    fn whole<'s>(&self, site: &'s Site<'_>) -> Result<Thing<'s>, Error> {
        if self.kind != ThingKind::Head {
            return Ok(site.root());
        }
        let zone = self
            .label
            .as_deref()
            .and_then(|label| label.split_once('-'));
        let Some((zone, _)) = zone else {
            return Err(Error::input("a head needs its zone and number")
                .field("what")
                .hint("write them as 3-07: the seventh head of zone 3."));
        };
        let found = site.find(&format!("zone-{zone}"));
        found.map_err(|_| {
            Error::input(format!("there is no zone {zone} for this head"))
                .field("what")
                .hint(format!("add zone-{zone} first."))
        })
    }
}

impl Report for Added {
    fn write(&self, page: &mut Page) {
        for recorded in &self.added {
            recorded.write_added(page);
        }
    }
}
