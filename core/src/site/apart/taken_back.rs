//! Observations that their writer took back: the wrong button, undone.
//!
//! An observation whose value is blank says that the one before it, of the same kind, on the same
//! thing, in the same visit and by the same device, was a mistake. Both stay in the log; neither is
//! told.

use std::collections::BTreeSet;

use crate::log::value::{Absence, Value};
use crate::merge::replay::{Observation, State};

/// Tells a state without what was taken back; none where nothing was.
pub(super) fn left_out(state: &State) -> Option<State> {
    let mut told: Option<State> = None;
    for (thing, what, list) in state.lists_with_blanks() {
        let left_out = taken_back(list);
        if !left_out.is_empty() {
            let there = (0..).zip(list);
            let there = there.filter(|(at, _)| !left_out.contains(at));
            let told = told.get_or_insert_with(|| state.clone());
            told.replace(thing, what, there.map(|(_, seen)| seen.clone()).collect());
        }
    }
    told
}

/// The places, in a list, of what was taken back and of the blanks that say so.
fn taken_back(list: &[Observation]) -> BTreeSet<usize> {
    let mut left_out = BTreeSet::new();
    let mut standing: Vec<(usize, &Observation)> = Vec::new();
    for (at, seen) in list.iter().enumerate() {
        if seen.value != Value::Absent(Absence::Cleared) {
            standing.push((at, seen));
            continue;
        }
        left_out.insert(at);
        let same = |(_, other): &(usize, &Observation)| {
            (other.visit, other.place.chain) == (seen.visit, seen.place.chain)
        };
        if let Some(at) = standing.iter().rposition(same) {
            left_out.insert(standing.remove(at).0);
        }
    }
    left_out
}
