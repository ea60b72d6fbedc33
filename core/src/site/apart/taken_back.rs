//! Observations that their writer took back: the wrong button, undone.
//!
//! An observation whose value is blank says that the one before it, of the same kind, on the same
//! thing, in the same visit and by the same device, was a mistake. Both stay in the log; neither is
//! told.

use std::collections::BTreeSet;

use crate::log::id::{ObservationNumber, ThingId};
use crate::log::value::{Absence, Value};
use crate::merge::replay::{Observation, State};

/// Which observation: its thing, its kind, and its place in that list.
type Which = (ThingId, ObservationNumber, usize);

/// Tells a state without what was taken back; none where nothing was.
pub(super) fn left_out(state: &State) -> Option<State> {
    let left_out = taken_back(state);
    if left_out.is_empty() {
        return None;
    }
    let mut told = State::default();
    for (thing, field, register) in state.registers() {
        told.keep(thing, field, register.clone());
    }
    for (which, seen) in numbered(state) {
        if !left_out.contains(&which) {
            told.observe(which.0, which.1, seen.clone());
        }
    }
    Some(told)
}

fn taken_back(state: &State) -> BTreeSet<Which> {
    let mut left_out = BTreeSet::new();
    let mut standing: Vec<(Which, &Observation)> = Vec::new();
    for (which, seen) in numbered(state) {
        if which.2 == 0 {
            standing.clear();
        }
        if seen.value != Value::Absent(Absence::Cleared) {
            standing.push((which, seen));
            continue;
        }
        left_out.insert(which);
        let same = |(_, other): &(Which, &Observation)| {
            (other.visit, other.place.chain) == (seen.visit, seen.place.chain)
        };
        if let Some(at) = standing.iter().rposition(same) {
            left_out.insert(standing.remove(at).0);
        }
    }
    left_out
}

/// Every observation with its place in the list of its thing and kind, each list from zero.
fn numbered(state: &State) -> impl Iterator<Item = (Which, &Observation)> {
    let mut list = None;
    let mut at = 0;
    state.all_observations().map(move |(thing, what, seen)| {
        at = if list == Some((thing, what)) {
            at + 1
        } else {
            0
        };
        list = Some((thing, what));
        ((thing, what, at), seen)
    })
}
