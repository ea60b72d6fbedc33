//! Laws of the merge, held against a model that computes them from plain sets.

use proptest::prelude::*;
use proptest::sample::Index;

use super::super::crews::{self, Played, THING};
use super::*;

/// The open writes of a field by the rule itself: those that no other write of it saw, latest
/// first.
fn open_by_the_rule(played: &Played, field: FieldNumber) -> Vec<Place> {
    let receipts = receipts(&played.entries);
    let writes: Vec<_> = played
        .entries
        .iter()
        .filter(|entry| {
            entry
                .changes
                .iter()
                .any(|c| matches!(c, Change::Set { field: f, .. } if *f == field))
        })
        .collect();
    let unseen = |place| {
        !writes
            .iter()
            .any(|entry| played.seen[&entry.place()].contains(&place))
    };
    let mut open: Vec<_> = writes
        .iter()
        .filter(|entry| unseen(entry.place()))
        .map(|entry| {
            (
                receipts.get(&entry.place()).copied().unwrap_or(entry.stamp),
                entry.place(),
            )
        })
        .collect();
    open.sort_by_key(|rank| core::cmp::Reverse(*rank));
    open.into_iter().map(|(_, place)| place).collect()
}

fn shuffled(entries: &[Entry], swaps: &[(Index, Index)]) -> Vec<Entry> {
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
        let state = State::of(&played.entries);
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
        let mut entries = shuffled(&played.entries, &swaps);
        for index in again.iter().filter(|_| !played.entries.is_empty()) {
            entries.push(index.get(&played.entries).clone());
        }
        prop_assert_eq!(State::of(&entries), State::of(&played.entries));
    }

    #[test]
    fn as_of_a_moment_is_the_state_of_the_entries_up_to_then(
        steps in crews::steps(),
        wall in 0_u64..1_000,
    ) {
        let played = crews::play(&steps);
        let until = Stamp::end_of(crate::log::stamp::WallMs::new(wall));
        let receipts = receipts(&played.entries);
        // Those entries, each with the stamp that orders it; the receipts themselves say no more.
        let up_to_then: Vec<_> = played
            .entries
            .iter()
            .map(|entry| {
                let stamp = receipts.get(&entry.place()).copied().unwrap_or(entry.stamp);
                Entry { stamp, ..entry.clone() }
            })
            .filter(|entry| entry.stamp <= until)
            .map(|mut entry| {
                entry.changes.retain(|change| !matches!(change, Change::Receipt { .. }));
                entry
            })
            .collect();
        let state = State::as_of(&played.entries, until);
        // Knowledge of a device whose clock went back may hang on an entry after `until`.
        let told_by_kept = Knowledge::of(&up_to_then);
        let told_by_all = Knowledge::of(&played.entries);
        let same_knowledge = up_to_then.iter().all(|a| {
            up_to_then.iter().all(|b| {
                told_by_kept.saw(a.place(), b.place()) == told_by_all.saw(a.place(), b.place())
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
            device: 0,
            field: 0,
            value: 1,
            wall: 900,
        },
        crews::Step::Meet {
            device: 1,
            other: 0,
        },
        crews::Step::Receipt {
            device: 1,
            of: 0,
            wall: 500,
        },
        crews::Step::Meet {
            device: 2,
            other: 0,
        },
        crews::Step::Receipt {
            device: 2,
            of: 0,
            wall: 400,
        },
    ];
    let state = State::of(&crews::play(&steps).entries);
    let register = state.register(THING, FieldNumber(0)).unwrap();
    assert_eq!(register.in_force().stamp.wall().get(), 400);
}
