//! What is to be written where, so that a visit moves from one logbook to another.

use std::collections::{BTreeMap, BTreeSet};

use super::super::joined;
use super::origin::Origin;
use super::same::{Map, counterpart, things_in};
use super::{Elsewhere, named};
use crate::log::entry::{Change, Draft};
use crate::log::id::{LogbookId, Place, ThingId};
use crate::log::stamp::{Stamp, WallMs};
use crate::log::value::{Absence, Value};
use crate::merge::replay::{Placed, State, held_back, receipts};
use crate::site::fields::{field_by_number, seen, show_any, visit};
use crate::site::kind::ThingKind;
use crate::site::things::{Site, set};
use crate::site::unit::UnitSystem;

/// One of the two logbooks of a move.
#[derive(Debug, Clone, Copy)]
pub struct Side<'a> {
    /// The logbook.
    pub logbook: LogbookId,
    /// What the site is called.
    pub name: &'a str,
    /// All its entries that this store holds.
    pub entries: &'a [Placed],
}

/// What becomes of things of the wrong site that the right one has none of the same name of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OfNoName {
    /// Nothing is moved, and they are listed.
    Refused,
    /// They are entered at the right site, by the same name.
    Entered,
}

/// A visit on its way from one logbook to another.
#[derive(Debug, Clone)]
pub struct Moving<'a> {
    /// The visit.
    pub visit: ThingId,
    /// Where it was written.
    pub from: Side<'a>,
    /// Where it belongs.
    pub to: Side<'a>,
    /// Which thing there is meant by one here, where names do not tell.
    pub same: BTreeMap<ThingId, ThingId>,
    /// What becomes of the things that have no counterpart.
    pub of_no_name: OfNoName,
}

/// What a move writes, and what it leaves.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// To be recorded together, in this order, over both logbooks.
    pub drafts: Vec<Draft>,
    /// What becomes of each entry of the visit that was not there yet, oldest first.
    pub carried: Vec<Carried>,
    /// The things that are entered at the right site, as they are called.
    pub entered: Vec<String>,
    /// Changes of a kind that this version does not know, which stay where they are.
    pub not_understood: usize,
}

/// What becomes of one entry of the visit.
#[derive(Debug, Clone, PartialEq)]
pub struct Carried {
    /// Which entry of the wrong logbook.
    pub place: Place,
    /// What gives way to a later value at the right site, in words; it stays in the history.
    pub gives_way: Vec<String>,
}

/// Why a visit cannot be moved.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum MoveError {
    /// The thing is not a visit.
    #[error("that is not a visit of {site}")]
    NotAVisit {
        /// The site.
        site: String,
    },
    /// Both logbooks are one.
    #[error("the visit is written to {site} already")]
    SameSite {
        /// The site.
        site: String,
    },
    /// Things that the visit speaks of have no counterpart.
    #[error("the visit speaks of {}, and {site} has nothing of that name and kind", names.join(", "))]
    Unmatched {
        /// The right site.
        site: String,
        /// What they are called at the wrong one.
        names: Vec<String>,
    },
}

/// One entry of the visit with what of it is to be carried.
struct Work<'a> {
    place: Place,
    origin: Origin,
    during: bool,
    changes: Vec<&'a Change>,
}

/// Returns the work of a visit that is in one logbook and not in the other, oldest first, and how
/// many changes of it this version does not know.
fn missing<'a>(visit: ThingId, from: Side<'a>, to: Side<'_>) -> (Vec<Work<'a>>, usize) {
    let theirs = Elsewhere::with([visit].into(), from.entries);
    let there: BTreeSet<Origin> = to
        .entries
        .iter()
        .filter_map(|placed| Origin::repeated(&placed.entry))
        .collect();
    let there: BTreeSet<_> = there.iter().map(Origin::key).collect();
    let to_logbook = to.logbook.to_string();
    let (receipts, held_back) = (receipts(from.entries), held_back(from.entries));
    let mut work = Vec::new();
    let mut not_understood = 0;
    let counted = from.entries.iter();
    for placed in counted.filter(|one| !held_back.contains(&one.place)) {
        let (place, entry) = (placed.place, &placed.entry);
        let during = entry.visit == Some(visit);
        let changes = entry.changes.iter();
        let changes: Vec<_> = changes
            .filter(|change| theirs.is_of_them(entry, change) && !of_the_move(change))
            .collect();
        let unknown = |change: &&Change| matches!(change, Change::Unknown { .. });
        if during {
            not_understood += entry.changes.iter().filter(unknown).count();
        }
        if changes.is_empty() {
            continue;
        }
        let stamp = receipts.get(&place).copied().unwrap_or(entry.stamp);
        let origin = Origin::of(entry, stamp, from.name);
        let known = origin.logbook == to_logbook || there.contains(&origin.key());
        if !known {
            let one = Work {
                place,
                origin,
                during,
                changes,
            };
            work.push(((stamp, place), one));
        }
    }
    work.sort_by_key(|(when, _)| *when);
    let work = work.into_iter().map(|(_, one)| one).collect();
    (work, not_understood)
}

/// Returns how many entries of a visit are in one logbook and not in the other.
pub(super) fn waiting(visit: ThingId, from: Side<'_>, to: Side<'_>) -> usize {
    missing(visit, from, to).0.len()
}

/// What says how the visit stands to its two logbooks stays in each.
fn of_the_move(change: &Change) -> bool {
    match change {
        Change::Set { field, .. } => {
            [visit::MOVED_TO.number, visit::MOVED_FROM.number].contains(field)
        }
        Change::Observe { what, .. } => *what == seen::CARRIED.number,
        _ => false,
    }
}

impl Moving<'_> {
    /// Says what is to be written, by whom, and at what offset from UTC, in minutes. Where it was
    /// done before, only what came since is; with nothing to do there are no drafts.
    ///
    /// A value gives way where the right site got another one later than the visit's: it is named
    /// in the entry that repeats its own.
    ///
    /// # Errors
    /// [`MoveError`]; nothing is half planned.
    pub fn plan(&self, by: &str, utc_offset_min: i16) -> Result<Plan, MoveError> {
        let (from, to) = (self.from.plain(), self.to.plain());
        let (from, to) = (
            Site::of(&from, self.from.logbook),
            Site::of(&to, self.to.logbook),
        );
        if self.from.logbook == self.to.logbook {
            let site = self.from.name.to_owned();
            return Err(MoveError::SameSite { site });
        }
        if from.thing(self.visit).and_then(|thing| thing.kind) != Some(ThingKind::Visit) {
            let site = self.from.name.to_owned();
            return Err(MoveError::NotAVisit { site });
        }
        let (work, not_understood) = missing(self.visit, self.from, self.to);
        let mut map = self.map(&work, &from, &to);
        if self.of_no_name == OfNoName::Refused && !map.without.is_empty() {
            let names = map.without.iter().map(|thing| called(&from, *thing));
            return Err(MoveError::Unmatched {
                site: self.to.name.to_owned(),
                names: names.collect(),
            });
        }
        let entering = map.enter(&from, &to);
        let entered = map.without.iter().map(|thing| called(&from, *thing));
        let entered = entered.collect();
        let draft = |logbook, visit, changes| Draft {
            logbook,
            by: by.to_owned(),
            utc_offset_min,
            visit,
            changes,
        };
        let mut drafts = Vec::new();
        if !entering.is_empty() {
            drafts.push(draft(self.to.logbook, Some(self.visit), entering));
        }
        let mut carried = Vec::new();
        let later = Later::of(self.to);
        for one in work {
            let (mut changes, gives_way) = later.sort_out(&one, &map, &from, &to);
            changes.push(one.origin.change(self.visit, &gives_way));
            let during = one.during.then_some(self.visit);
            drafts.push(draft(self.to.logbook, during, changes));
            let place = one.place;
            carried.push(Carried { place, gives_way });
        }
        for (side, changes) in [(self.to, self.arrival(&to)), (self.from, self.leave(&from))] {
            if !changes.is_empty() {
                drafts.push(draft(side.logbook, None, changes));
            }
        }
        Ok(Plan {
            drafts,
            carried,
            entered,
            not_understood,
        })
    }

    /// What the right logbook says of the move, where it does not say so yet.
    fn arrival(&self, to: &Site<'_>) -> Vec<Change> {
        let mut changes = Vec::new();
        let moved_to = to.state().value(self.visit, visit::MOVED_TO.number);
        if moved_to.is_some_and(|value| super::logbook(value).is_some()) {
            let cleared = Value::Absent(Absence::Cleared);
            changes.push(set(self.visit, &visit::MOVED_TO, cleared));
        }
        let came_from = named(self.from.logbook, self.from.name);
        if to.state().value(self.visit, visit::MOVED_FROM.number) != Some(&came_from) {
            changes.push(set(self.visit, &visit::MOVED_FROM, came_from));
        }
        changes
    }

    /// What the wrong logbook says of the move, where it does not say so yet.
    fn leave(&self, from: &Site<'_>) -> Vec<Change> {
        let went_to = named(self.to.logbook, self.to.name);
        let said = from.state().register(self.visit, visit::MOVED_TO.number);
        match said {
            Some(said) if said.in_force().value == went_to && !said.stands_in_two_versions() => {
                Vec::new()
            }
            _ => vec![set(self.visit, &visit::MOVED_TO, went_to)],
        }
    }

    /// Finds the counterpart of everything that the work speaks of.
    fn map(&self, work: &[Work<'_>], from: &Site<'_>, to: &Site<'_>) -> Map {
        let theirs = Elsewhere::with([self.visit].into(), self.from.entries);
        let mut spoken_of = BTreeSet::new();
        for change in work.iter().flat_map(|one| &one.changes) {
            spoken_of.extend(change.thing());
            if let Change::Set { value, .. } | Change::Observe { value, .. } = change {
                things_in(value, &mut spoken_of);
            }
        }
        let mut map = Map::default();
        for thing in spoken_of {
            let own = thing == self.visit || theirs.entered.contains(&thing);
            let counterpart = match self.same.get(&thing) {
                Some(same) => Some(*same),
                None if own => Some(thing),
                None => counterpart(thing, from, to),
            };
            match counterpart {
                Some(there) => {
                    map.there.insert(thing, there);
                }
                None => map.without.push(thing),
            }
        }
        map
    }
}

impl<'a> Side<'a> {
    /// A logbook of which only the entries matter.
    pub(super) const fn of(logbook: LogbookId, entries: &'a [Placed]) -> Self {
        Self {
            logbook,
            name: "",
            entries,
        }
    }

    /// What the logbook says, with the visits that were moved away.
    fn plain(&self) -> State {
        let told = State::of(self.entries);
        joined::as_one(&told).unwrap_or(told)
    }
}

/// When each entry of the right logbook was first written, wherever that was.
struct Later(BTreeMap<Place, WallMs>);

impl Later {
    fn of(to: Side<'_>) -> Self {
        let repeats = to.entries.iter().filter_map(|placed| {
            let origin = Origin::repeated(&placed.entry)?;
            Some((placed.place, origin.wall()?))
        });
        Self(repeats.collect())
    }

    /// Tells what is carried from what gives way to a value that was written later.
    fn sort_out(
        &self,
        work: &Work<'_>,
        map: &Map,
        from: &Site<'_>,
        to: &Site<'_>,
    ) -> (Vec<Change>, Vec<String>) {
        let (mut carried, mut gives_way) = (Vec::new(), Vec::new());
        for change in &work.changes {
            let moved = map.moved(change);
            if let Change::Set {
                thing,
                field,
                value,
                ..
            } = &moved
                && let Some(there) = to.state().register(*thing, *field)
                && there.in_force().value != *value
                && self.wall(there.in_force().place, there.in_force().stamp) > work.origin.wall()
            {
                let name = field_by_number(*field).map_or("a field", |field| field.name);
                let shown = match field_by_number(*field) {
                    Some(field) => field.show(value, UnitSystem::Us),
                    None => show_any(value, UnitSystem::Us),
                };
                let of = change
                    .thing()
                    .map_or_else(String::new, |thing| called(from, thing));
                gives_way.push(format!("{of} {name} {shown}"));
                continue;
            }
            carried.push(moved);
        }
        (carried, gives_way)
    }

    fn wall(&self, place: Place, stamp: Stamp) -> Option<WallMs> {
        Some(self.0.get(&place).copied().unwrap_or(stamp.wall()))
    }
}

fn called(site: &Site<'_>, thing: ThingId) -> String {
    let there = site.thing(thing);
    there.map_or_else(|| thing.to_string(), |thing| site.address(thing))
}
