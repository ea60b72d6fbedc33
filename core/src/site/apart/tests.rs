//! Crews apart: what comes back, what is joined and what is suggested, held against plain models.

use std::collections::{BTreeMap, BTreeSet};

use proptest::prelude::*;
use proptest::sample::Index;

use super::*;
use crate::log::entry::{Change, Entry};
use crate::log::id::{FieldNumber, LogbookId, Place, ThingId};
use crate::log::stamp::WallMs;
use crate::log::value::Value;
use crate::merge::crews::{self, LOGBOOK, Played, SEEN, THING};
use crate::merge::replay::held_back;
use crate::site::fields::{any, visit};
use crate::site::things::Site;

/// The other records that the scenarios of joining speak of.
const RECORDS: [ThingId; 3] = [
    THING,
    ThingId::from_bytes([4; 16]),
    ThingId::from_bytes([6; 16]),
];

/// Turns the scenario's field 3 into the removal of the thing, or its being brought back.
fn with_removals(mut played: Played) -> Played {
    each_change(&mut played, |change, _| {
        if let Change::Set { field, value, .. } = change
            && *field == FieldNumber(3)
        {
            *field = any::REMOVED.number;
            *value = Value::Bool(value.as_int() != Some(0));
        }
    });
    played
}

/// Spreads the scenario over three records, by the number of the entry, and makes field 3 say of
/// which other each is the second record, or none.
fn with_joins(mut played: Played) -> Played {
    each_change(&mut played, |change, nth| {
        let record = RECORDS[nth % 3];
        match change {
            Change::Set {
                thing,
                field,
                value,
                ..
            } => {
                *thing = record;
                if *field == FieldNumber(3) {
                    *field = any::SAME_AS.number;
                    let other = RECORDS[(nth + 1 + usize::from(value.as_int() == Some(1))) % 3];
                    *value = match value.as_int() {
                        Some(2) => Value::Absent(crate::log::value::Absence::Cleared),
                        _ => Value::Thing(other),
                    };
                }
            }
            Change::Observe { thing, .. } => *thing = record,
            _ => {}
        }
    });
    played
}

/// Makes every other entry one of a visit, and field 3 say where that visit was moved to, or that
/// it was not.
fn with_moves(mut played: Played) -> Played {
    const VISIT: ThingId = ThingId::from_bytes([5; 16]);
    each_change(&mut played, |change, _| {
        if let Change::Set {
            thing,
            field,
            value,
            ..
        } = change
            && *field == FieldNumber(3)
        {
            *thing = VISIT;
            *field = visit::MOVED_TO.number;
            *value = match value.as_int() {
                Some(2) => Value::Absent(crate::log::value::Absence::Cleared),
                other => {
                    let id = LogbookId::from_bytes([30 + u8::from(other == Some(1)); 16]);
                    Value::Record([(2, Value::text(id.to_string()))].into())
                }
            };
        }
    });
    for placed in played.placed.iter_mut().step_by(2) {
        placed.entry.visit = Some(VISIT);
    }
    played
}

fn each_change(played: &mut Played, mut with: impl FnMut(&mut Change, usize)) {
    for (nth, placed) in played.placed.iter_mut().enumerate() {
        for change in &mut placed.entry.changes {
            with(change, nth);
        }
    }
}

fn places(played: &Played, wanted: impl Fn(&Change) -> bool) -> Vec<Place> {
    let held_back = held_back(&played.placed);
    let has = |placed: &&Placed| {
        placed.entry.changes.iter().any(&wanted) && !held_back.contains(&placed.place)
    };
    let places = played.placed.iter().filter(has);
    places.map(|placed| placed.place).collect()
}

/// Whether the thing is there, and whether that stands in two versions, from plain sets of who
/// had what: the rule itself.
fn by_the_rule(played: &Played) -> (bool, bool) {
    let says = |change: &Change, what: bool| {
        matches!(change, Change::Set { field, value, .. }
            if *field == any::REMOVED.number && *value == Value::Bool(what))
    };
    let writes = places(played, |change| says(change, true) || says(change, false));
    let unseen = |place: &Place| !writes.iter().any(|by| played.seen[by].contains(place));
    let open = |what: bool| -> Vec<Place> {
        let mut open = places(played, |change| says(change, what));
        open.retain(unseen);
        open
    };
    let (removals, there) = (open(true), open(false));
    let edits = places(played, |change| {
        matches!(change, Change::Set { field, .. } if *field != any::REMOVED.number)
            || matches!(change, Change::Observe { .. })
    });
    let knew_nothing = |edit: &Place| {
        removals.iter().all(|removal| {
            !played.seen[edit].contains(removal) && !played.seen[removal].contains(edit)
        })
    };
    let brought_back = !removals.is_empty() && edits.iter().any(knew_nothing);
    let is_there = removals.is_empty() || brought_back || !there.is_empty();
    (is_there, !removals.is_empty() && is_there)
}

fn shuffled(entries: &[Placed], swaps: &[(Index, Index)]) -> Vec<Placed> {
    let mut entries = entries.to_vec();
    if entries.is_empty() {
        return entries;
    }
    for (one, other) in swaps {
        let (one, other) = (one.index(entries.len()), other.index(entries.len()));
        entries.swap(one, other);
    }
    entries
}

/// The sets of records that are told as one, found by joining whatever says so until nothing
/// changes.
fn groups(state: &State) -> Vec<BTreeSet<ThingId>> {
    let mut group: BTreeMap<ThingId, usize> = RECORDS.into_iter().zip(0..).collect();
    for record in RECORDS {
        let first = state
            .value(record, any::SAME_AS.number)
            .and_then(Value::as_thing);
        let first = first.filter(|first| state.registers_of(*first).next().is_some());
        if let Some(first) = first {
            let (from, to) = (group[&record], group[&first]);
            for number in group.values_mut().filter(|number| **number == from) {
                *number = to;
            }
        }
    }
    let mut sets: BTreeMap<usize, BTreeSet<ThingId>> = BTreeMap::new();
    for (record, number) in group {
        sets.entry(number).or_default().insert(record);
    }
    sets.into_values().collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1_000))]

    #[test]
    fn an_edit_that_did_not_know_of_a_removal_wins_and_both_show(steps in crews::steps()) {
        let played = with_removals(crews::play(&steps));
        let state = told(&played.placed, None);
        let (is_there, in_two) = by_the_rule(&played);
        let register = state.register(THING, any::REMOVED.number);
        let removed = register.is_some_and(|all| all.in_force().value == Value::Bool(true));
        prop_assert_eq!(!removed, is_there);
        prop_assert_eq!(register.is_some_and(|all| all.stands_in_two_versions()), in_two);
    }

    #[test]
    fn what_is_told_depends_on_no_order_of_arrival(
        steps in crews::steps(),
        swaps in prop::collection::vec(any::<(Index, Index)>(), 0..40),
    ) {
        let played = || crews::play(&steps);
        for played in [with_removals(played()), with_joins(played()), with_moves(played())] {
            let other = shuffled(&played.placed, &swaps);
            prop_assert_eq!(told(&other, None), told(&played.placed, None));
        }
    }

    #[test]
    fn what_a_store_says_of_a_moment_is_told_as_its_entries_are(
        steps in crews::steps(),
        moment in 0_u64..1_001,
    ) {
        let played = || crews::play(&steps);
        let until = Stamp::end_of(WallMs::new(moment));
        for played in [with_removals(played()), with_joins(played()), with_moves(played())] {
            let entries = || Ok::<_, ()>(played.placed.clone());
            let state = Arc::new(State::as_of(&played.placed, until));
            let then = told_then(state, until, entries).unwrap();
            prop_assert_eq!(&*then, &told(&played.placed, Some(until)));
        }
    }

    #[test]
    fn a_visit_that_was_moved_away_leaves_what_the_others_said(steps in crews::steps()) {
        let played = with_moves(crews::play(&steps));
        let state = told(&played.placed, None);
        let visit = ThingId::from_bytes([5; 16]);
        let is_moved = matches!(state.value(visit, visit::MOVED_TO.number), Some(Value::Record(_)));
        // Field 1 says what a thing is: who wrote it entered the thing.
        let enters = |change: &Change| matches!(change, Change::Set { field, .. } if field.0 == 1);
        let held_back = held_back(&played.placed);
        let counted = played.placed.iter().filter(|one| !held_back.contains(&one.place));
        let entered = counted.filter(|one| one.entry.changes.iter().any(enters));
        let (by_it, by_others): (Vec<_>, Vec<_>) =
            entered.partition(|one| one.entry.visit.is_some());
        let is_its_own = !by_it.is_empty() && by_others.is_empty();
        let others = |entry: &Entry, change: &Change| {
            let of_it = entry.visit.is_some() || is_its_own;
            !is_moved || !of_it || change.thing() == Some(visit)
        };
        prop_assert_eq!(state, State::of_which(&played.placed, None, others));
    }

    #[test]
    fn joined_records_are_one_with_all_that_was_said_of_any(steps in crews::steps()) {
        let played = with_joins(crews::play(&steps));
        let raw = State::of(&played.placed);
        let state = told(&played.placed, None);
        for group in groups(&raw) {
            let kept: BTreeSet<_> =
                group.iter().map(|record| joined::kept(&raw, *record)).collect();
            prop_assert_eq!(kept.len(), 1);
            let first = *kept.first().unwrap();
            prop_assert!(group.contains(&first));
            for field in (0..3).map(FieldNumber) {
                let open = |state: &State, record| -> Vec<Place> {
                    let register = state.register(record, field);
                    let open = register.map_or(&[][..], |all| all.open());
                    open.iter().map(|write| write.place).collect()
                };
                let mut all: Vec<_> = group.iter().flat_map(|of| open(&raw, *of)).collect();
                let mut told = open(&state, first);
                all.sort();
                told.sort();
                prop_assert_eq!(told, all);
            }
            let seen: usize = group.iter().map(|of| raw.observations(*of, SEEN).len()).sum();
            prop_assert_eq!(state.observations(first, SEEN).len(), seen);
            for other in group.iter().filter(|other| **other != first) {
                prop_assert!(state.observations(*other, SEEN).is_empty());
            }
        }
    }
}

fn write(crew: u8, field: u16, value: i64, wall: u64) -> crews::Step {
    crews::Step::Write {
        crew,
        field,
        value,
        wall,
    }
}

fn meet(crew: u8, other: u8) -> crews::Step {
    crews::Step::Meet { crew, other }
}

fn removal(steps: &[crews::Step]) -> Option<Vec<bool>> {
    let played = with_removals(crews::play(steps));
    let state = told(&played.placed, None);
    let register = state.register(THING, any::REMOVED.number)?;
    let open = register.open().iter();
    Some(open.filter_map(|write| write.value.as_bool()).collect())
}

/// One crew enters the thing, the other gets it; then one removes it and the other edits it.
fn removed_and_edited() -> Vec<crews::Step> {
    vec![
        write(0, 0, 1, 10),
        meet(1, 0),
        write(0, 3, 1, 99),
        write(1, 0, 2, 20),
    ]
}

#[test]
fn an_edit_with_the_earlier_clock_still_keeps_the_thing_there() {
    assert_eq!(removal(&removed_and_edited()), Some(vec![false, true]));
}

#[test]
fn an_edit_by_someone_who_knew_leaves_it_removed_and_so_does_a_removal_that_knew() {
    let edit = [write(0, 3, 1, 99), meet(1, 0), write(1, 0, 2, 100)];
    assert_eq!(removal(&edit), Some(vec![true]));
    let removal_after = [write(1, 0, 2, 100), meet(0, 1), write(0, 3, 1, 9)];
    assert_eq!(removal(&removal_after), Some(vec![true]));
}

#[test]
fn it_stays_listed_through_later_edits_until_someone_who_saw_both_says_which() {
    let mut steps = removed_and_edited();
    steps.extend([meet(1, 0), write(1, 0, 0, 120)]);
    assert_eq!(removal(&steps), Some(vec![false, true]));
    for (says, value) in [(true, 1), (false, 0)] {
        let mut settled = steps.clone();
        settled.extend([meet(2, 1), write(2, 3, value, 5)]);
        assert_eq!(removal(&settled), Some(vec![says]));
    }
}

#[test]
fn a_removal_that_one_crew_knew_of_is_not_undone_by_its_edit_for_another_crews_sake() {
    // Crew 1 knew of crew 0's removal and edited all the same; crew 2 removed it, too.
    let steps = [
        write(0, 3, 1, 10),
        meet(1, 0),
        write(1, 0, 2, 20),
        write(2, 3, 1, 30),
    ];
    assert_eq!(removal(&steps), Some(vec![true, true]));
}

#[test]
fn a_ring_of_joins_ends_at_the_oldest_id_and_nothing_is_lost() {
    let ring = [write(0, 3, 0, 1), write(1, 3, 0, 2), write(2, 3, 0, 3)];
    let played = with_joins(crews::play(&ring));
    let state = told(&played.placed, None);
    let site = Site::of(&state, LOGBOOK);
    let kept: BTreeSet<_> = RECORDS
        .map(|record| site.kept(record))
        .into_iter()
        .collect();
    assert_eq!(kept, BTreeSet::from([RECORDS[1]]));
}

/// An entry of one observation, or of one taken back, in a visit.
fn observed(device: u8, seq: u64, at: u64, visit: u8, value: Value) -> Placed {
    Placed::alone(crate::log::entry::Entry {
        logbook: LOGBOOK,
        device: crate::log::id::DeviceId::from_bytes([device; 16]),
        seq: crate::log::id::Seq::new(seq).unwrap(),
        prev: crate::log::chain::Tip::NONE,
        stamp: crate::log::stamp::Stamp::new(crate::log::stamp::WallMs::new(at), 0),
        utc_offset_min: 0,
        by: "R. Ash".to_owned(),
        visit: Some(ThingId::from_bytes([visit; 16])),
        gained: Vec::new(),
        changes: vec![Change::Observe {
            thing: THING,
            what: SEEN,
            value,
            how: crate::log::value::HowKnown::Unstated,
        }],
    })
}

#[test]
fn an_observation_that_its_writer_took_back_is_not_told_and_all_others_are() {
    use crate::log::value::Absence;
    let blank = || Value::Absent(Absence::Cleared);
    let entries = [
        observed(1, 1, 10, 8, Value::Int(1)),
        observed(1, 2, 20, 9, Value::Int(2)),
        observed(1, 3, 30, 9, Value::Int(3)),
        observed(2, 1, 35, 9, Value::Int(4)),
        observed(1, 4, 40, 9, blank()),
        observed(1, 5, 50, 9, blank()),
        observed(1, 6, 60, 9, blank()),
    ];
    let told = told(&entries, None);
    let values: Vec<_> = told
        .observations(THING, SEEN)
        .iter()
        .map(|seen| &seen.value)
        .collect();
    assert_eq!(values, [&Value::Int(1), &Value::Int(4)]);
    // Before it was taken back, it was told.
    let before = super::told(
        &entries,
        Some(crate::log::stamp::Stamp::new(
            crate::log::stamp::WallMs::new(39),
            0,
        )),
    );
    assert_eq!(before.observations(THING, SEEN).len(), 4);
}
