//! Laws of the merge, held against a model that computes them from plain sets.

use proptest::prelude::*;
use proptest::sample::Index;

use super::super::crews::{self, Played, THING};
use super::super::fold::Fold;
use super::super::register::Register;
use super::*;
use crate::log::id::FieldNumber;

/// The open writes of a field by the rule itself: those that no other write of it saw, latest
/// first.
fn open_by_the_rule(played: &Played, field: FieldNumber) -> Vec<Place> {
    let receipts = receipts(&played.placed);
    let sets = |c: &Change| matches!(c, Change::Set { field: f, .. } if *f == field);
    let held_back = held_back(&played.placed);
    let of_field = |placed: &&Placed| {
        placed.entry.changes.iter().any(sets) && !held_back.contains(&placed.place)
    };
    let writes: BTreeMap<Place, Stamp> = played
        .placed
        .iter()
        .filter(of_field)
        .map(|placed| (placed.place, placed.entry.stamp))
        .collect();
    let unseen = |place| !writes.keys().any(|by| played.seen[by].contains(place));
    let mut open: Vec<_> = writes
        .iter()
        .filter(|(place, _)| unseen(place))
        .map(|(place, stamp)| (receipts.get(place).copied().unwrap_or(*stamp), *place))
        .collect();
    open.sort_by_key(|rank| core::cmp::Reverse(*rank));
    open.into_iter().map(|(_, place)| place).collect()
}

fn shuffled(entries: &[Placed], swaps: &[(Index, Index)]) -> Vec<Placed> {
    let mut entries = entries.to_vec();
    for (one, other) in swaps
        .iter()
        .filter(|_| !entries.is_empty())
        .cloned()
        .collect::<Vec<_>>()
    {
        let (one, other) = (one.index(entries.len()), other.index(entries.len()));
        entries.swap(one, other);
    }
    entries
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2_000))]

    #[test]
    fn the_open_writes_are_those_that_nobody_saw_latest_first(steps in crews::steps()) {
        let played = crews::play(&steps);
        let state = State::of(&played.placed);
        prop_assert_eq!(&Fold::of(played.told()), &state);
        for field in (0..4).map(FieldNumber) {
            let open: Vec<_> = state
                .register(THING, field)
                .map_or(&[][..], Register::open)
                .iter()
                .map(|write| write.place)
                .collect();
            prop_assert_eq!(open, open_by_the_rule(&played, field));
        }
    }

    #[test]
    fn any_order_and_any_repetition_give_the_same_state(
        steps in crews::steps(),
        swaps in prop::collection::vec(any::<(Index, Index)>(), 0..40),
        again in prop::collection::vec(any::<Index>(), 0..10),
    ) {
        let played = crews::play(&steps);
        let mut entries = shuffled(&played.placed, &swaps);
        for index in again.iter().filter(|_| !played.placed.is_empty()) {
            entries.push(index.get(&played.placed).clone());
        }
        prop_assert_eq!(State::of(&entries), State::of(&played.placed));
    }

    #[test]
    fn as_of_a_moment_is_the_state_of_the_entries_up_to_then(
        steps in crews::steps(),
        wall in 0_u64..1_000,
    ) {
        let played = crews::play(&steps);
        let until = Stamp::end_of(crate::log::stamp::WallMs::new(wall));
        let (receipts, held_back) = (receipts(&played.placed), held_back(&played.placed));
        // Those entries, each with the stamp that orders it; the receipts themselves say no more.
        let up_to_then: Vec<_> = played
            .placed
            .iter()
            .cloned()
            .map(|mut placed| {
                if let Some(stamp) = receipts.get(&placed.place) {
                    placed.entry.stamp = *stamp;
                }
                placed.receipts.clear();
                placed.verdicts.clear();
                placed
            })
            .filter(|placed| placed.entry.stamp <= until && !held_back.contains(&placed.place))
            .collect();
        let state = State::as_of(&played.placed, until);
        // Knowledge of a device whose clock went back may hang on an entry after `until`.
        let told_by_kept = Knowledge::of(&up_to_then);
        let told_by_all = Knowledge::of(&played.placed);
        let same_knowledge = up_to_then.iter().all(|a| {
            up_to_then.iter().all(|b| {
                told_by_kept.saw(a.place, b.place) == told_by_all.saw(a.place, b.place)
            })
        });
        if same_knowledge {
            prop_assert_eq!(state, State::of(&up_to_then));
        }
    }
}

/// Receipts cover the case that makes fast phones harmless.
#[test]
fn of_several_receipts_the_earliest_counts() {
    let steps = [
        crews::Step::Write {
            crew: 0,
            field: 0,
            value: 1,
            wall: 900,
        },
        crews::Step::Meet { crew: 1, other: 0 },
        crews::Step::Receipt {
            crew: 1,
            of: 0,
            wall: 500,
        },
        crews::Step::Meet { crew: 2, other: 0 },
        crews::Step::Receipt {
            crew: 2,
            of: 0,
            wall: 400,
        },
    ];
    let state = State::of(&crews::play(&steps).placed);
    let register = state.register(THING, FieldNumber(0)).unwrap();
    assert_eq!(register.in_force().stamp.wall().get(), 400);
}
