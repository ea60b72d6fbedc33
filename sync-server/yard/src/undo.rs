//! Taking entries of a visit back, the last first, as far as one likes.
//!
//! Nothing leaves the log: an undo is another entry, which gives every field the value that it had
//! before, removes what was new, and takes observations back. Which entries were undone is kept
//! beside the visit.

use std::collections::BTreeSet;

use headwalk_core::log::entry::{Change, Entry};
use headwalk_core::log::id::{ChainId, LogbookId, Place, Seq, ThingId};
use headwalk_core::log::value::{Absence, HowKnown, Value};
use headwalk_core::merge::replay::State;
use headwalk_core::site::fields::{any, visit};
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::things::Site;
use headwalk_core::site::visit::VisitState;
use headwalk_core::site::words::Vocabulary;
use headwalk_core::store::{Kept, Store};

use crate::act::Screen;
use crate::edge::Edge;
use crate::error::Error;
use crate::phone::{Done, OpenVisit, Phone};
use crate::words::Word;

/// The name under which a store keeps what was undone in a visit, as numbers of entries; the visit
/// comes after it.
const UNDONE: &str = "yard-undone";

/// Takes the last entry of the visit at hand back that still stands. Of one that just ended that is
/// its end: it is open again.
pub(crate) fn undo(phone: &mut Phone, edge: &Edge) -> Result<Done, Error> {
    let Some(ended) = phone.ended_here() else {
        return undo_last(phone, edge);
    };
    let site = phone.site_at_hand()?;
    phone.visit = Some(OpenVisit { site, visit: ended });
    let done = undo_last(phone, edge);
    let state = phone.store.register(site, ended, visit::STATE.number)?;
    let state = state.and_then(|state| VisitState::read(&state.in_force().value));
    if done.is_ok() && state == Some(VisitState::Open) {
        phone.place.ended = None;
        phone.place.screen = Screen::Close;
    } else {
        phone.visit = None;
    }
    done
}

fn undo_last(phone: &Phone, edge: &Edge) -> Result<Done, Error> {
    let visit = phone.visit_here().ok_or(Error::NoVisit)?;
    let logbook = phone.site_at_hand()?;
    let Some(last) = last(&phone.store, logbook, visit)? else {
        return phone.say(Word::NothingToUndo);
    };
    let book = phone.book()?;
    let mut undone = undone(&phone.store, visit)?;
    let changes = inverse(&phone.store, logbook, book.state(), &last, &undone)?;
    undone.insert(last.place.seq.get());
    if !changes.is_empty() {
        phone.record(edge, &book.site(), &changes)?;
        if let Some(seq) = own_last(&phone.store, logbook)? {
            undone.insert(seq.get());
        }
    }
    keep(&phone.store, visit, &undone)?;
    phone.say(Word::Undone)
}

/// Returns the last entry of a visit that this phone wrote and that was not undone; that it began,
/// or was opened again, stays.
pub(crate) fn last(
    store: &Store,
    logbook: LogbookId,
    visit: ThingId,
) -> Result<Option<Kept>, Error> {
    let undone = undone(store, visit)?;
    let chain = ChainId::of(store.device());
    let mut next = own_last(store, logbook)?;
    while let Some(seq) = next {
        if !undone.contains(&seq.get()) {
            let kept = store.entry(logbook, Place { chain, seq })?;
            let of_visit = kept.filter(|kept| kept.entry.visit == Some(visit));
            return Ok(of_visit.filter(|kept| !opens(&kept.entry)));
        }
        next = seq.previous();
    }
    Ok(None)
}

/// Whether an entry begins a visit or opens it again.
fn opens(entry: &Entry) -> bool {
    entry.changes.iter().any(|change| {
        matches!(change, Change::Set { field, value, .. } if *field == visit::STATE.number
            && VisitState::read(value) == Some(VisitState::Open))
    })
}

fn own_last(store: &Store, logbook: LogbookId) -> Result<Option<Seq>, Error> {
    let chain = ChainId::of(store.device());
    let heads = store.heads(logbook)?;
    Ok(heads
        .iter()
        .find(|head| head.chain == chain)
        .map(|head| head.seq))
}

fn undone(store: &Store, visit: ThingId) -> Result<BTreeSet<u64>, Error> {
    let kept = store.setting(&format!("{UNDONE} {visit}"))?;
    let kept = kept.unwrap_or_default();
    Ok(kept
        .split(' ')
        .filter_map(|word| word.parse().ok())
        .collect())
}

fn keep(store: &Store, visit: ThingId, undone: &BTreeSet<u64>) -> Result<(), Error> {
    let kept: Vec<_> = undone.iter().map(ToString::to_string).collect();
    let name = format!("{UNDONE} {visit}");
    Ok(store.keep_settings(&[(&name, &kept.join(" "))])?)
}

/// Returns the changes that undo an entry, as far as it still stands, be it because a later one was
/// undone: what somebody else wrote over it since is left alone.
fn inverse(
    store: &Store,
    logbook: LogbookId,
    now: &State,
    last: &Kept,
    undone: &BTreeSet<u64>,
) -> Result<Vec<Change>, Error> {
    let mut before = store.entries(logbook)?;
    before.retain(|kept| kept.arrival < last.arrival);
    let before: Vec<_> = before.into_iter().map(|kept| kept.placed).collect();
    let before = State::of(&before);
    let made: BTreeSet<ThingId> = last
        .entry
        .changes
        .iter()
        .filter_map(|change| match change {
            Change::Set { thing, field, .. } if *field == any::KIND.number => Some(*thing),
            _ => None,
        })
        .collect();
    let mut changes: Vec<Change> = made
        .iter()
        .map(|thing| Change::Set {
            thing: *thing,
            field: any::REMOVED.number,
            value: Value::Bool(true),
            how: HowKnown::Unstated,
        })
        .collect();
    for change in &last.entry.changes {
        match change {
            Change::Set { thing, .. } if made.contains(thing) => {}
            Change::Set {
                thing,
                field,
                value,
                ..
            } => {
                let write = now.register(*thing, *field).map(|reg| reg.in_force());
                let stands = write.is_some_and(|write| {
                    let brought_back = write.place.chain == last.place.chain
                        && undone.contains(&write.place.seq.get())
                        && write.value == *value;
                    write.place == last.place || brought_back
                });
                let was = before.register(*thing, *field).map(|reg| reg.in_force());
                if stands {
                    changes.push(Change::Set {
                        thing: *thing,
                        field: *field,
                        value: was.map_or(Value::Absent(Absence::Cleared), |was| was.value.clone()),
                        how: was.map_or(HowKnown::Unstated, |was| was.how),
                    });
                }
            }
            Change::Observe { thing, what, .. } => changes.push(Change::Observe {
                thing: *thing,
                what: *what,
                value: Value::Absent(Absence::Cleared),
                how: HowKnown::Unstated,
            }),
            _ => {}
        }
    }
    Ok(changes)
}

/// Returns what an entry is about: of a finding, the thing on which it was found.
pub(crate) fn about(site: &Site<'_>, entry: &Entry) -> Option<ThingId> {
    let things = entry.changes.iter().filter_map(Change::thing);
    let thing = things.filter_map(|thing| site.thing(thing)).next()?;
    let of = thing
        .part_of()
        .filter(|_| thing.kind == Some(ThingKind::Finding));
    Some(of.unwrap_or(thing.id))
}
