//! A few devices that write, meet and are copied, for tests: every entry with what its writer had
//! seen, in plain sets beside it, so that the merge can be held against a model that knows neither
//! vectors nor the names of branches.

use std::collections::{BTreeMap, BTreeSet};

use proptest::prelude::*;

use super::replay::{Placed, Verdict};
use crate::log::chain::{Mark, Tip, branch_id};
use crate::log::codec;
use crate::log::entry::{Change, Entry};
use crate::log::id::{
    ChainId, DeviceId, FieldNumber, LogbookId, ObservationNumber, Place, Seq, ThingId,
};
use crate::log::stamp::{Stamp, WallMs};
use crate::log::value::{HowKnown, Value};
use crate::log::vector::VersionVector;

/// One step of a scenario.
#[derive(Debug, Clone)]
pub(crate) enum Step {
    /// A crew writes one field, by its own clock.
    Write {
        crew: u8,
        field: u16,
        value: i64,
        wall: u64,
    },
    /// A crew observes something.
    Observe { crew: u8, value: i64, wall: u64 },
    /// A hub gives a receipt for the last entry that it holds of another's device.
    Receipt { crew: u8, of: u8, wall: u64 },
    /// A hub holds back the last entry that it holds of another's device, or admits it.
    Judge { crew: u8, of: u8, admits: bool },
    /// One crew takes in all that another holds.
    Meet { crew: u8, other: u8 },
    /// A crew's device is replaced by a copy of another's: both go on under one id.
    Copy { crew: u8, of: u8 },
}

pub(crate) const LOGBOOK: LogbookId = LogbookId::from_bytes([9; 16]);
pub(crate) const THING: ThingId = ThingId::from_bytes([8; 16]);
pub(crate) const SEEN: ObservationNumber = ObservationNumber(900);
const CREWS: u8 = 5;

/// Up to five crews, thirty steps, four fields, clocks that agree on nothing.
pub(crate) fn steps() -> impl Strategy<Value = Vec<Step>> {
    let crew = || 0..CREWS;
    let step = prop_oneof![
        8 => (crew(), 0_u16..4, 0_i64..3, 1_u64..1_000)
            .prop_map(|(crew, field, value, wall)| Step::Write { crew, field, value, wall }),
        2 => (crew(), 0_i64..9, 1_u64..1_000)
            .prop_map(|(crew, value, wall)| Step::Observe { crew, value, wall }),
        2 => (crew(), crew(), 1_u64..1_000)
            .prop_map(|(crew, of, wall)| Step::Receipt { crew, of, wall }),
        2 => (crew(), crew(), any::<bool>())
            .prop_map(|(crew, of, admits)| Step::Judge { crew, of, admits }),
        6 => (crew(), crew()).prop_map(|(crew, other)| Step::Meet { crew, other }),
        1 => (crew(), crew()).prop_map(|(crew, of)| Step::Copy { crew, of }),
    ];
    prop::collection::vec(step, 1..40)
}

/// What came of a scenario.
#[derive(Debug, Default)]
pub(crate) struct Played {
    /// Every entry, in an order in which each comes after all that it had seen.
    pub(crate) placed: Vec<Placed>,
    /// Their bytes.
    pub(crate) raws: Vec<Vec<u8>>,
    /// For each entry, the entries that its writer had.
    pub(crate) seen: BTreeMap<Place, BTreeSet<Place>>,
}

impl Played {
    /// The entries as a store tells them, each once: what two copies of a device wrote alike is one.
    pub(crate) fn told(&self) -> Vec<Placed> {
        let mut told = BTreeSet::new();
        let placed = self.placed.iter().cloned();
        placed.filter(|placed| told.insert(placed.place)).collect()
    }
}

/// A crew, in the numbers of the entries played.
#[derive(Debug, Clone)]
struct Crew {
    device: DeviceId,
    held: BTreeSet<usize>,
    // What it held when it last wrote, that entry included.
    told: BTreeSet<usize>,
    last: Option<usize>,
}

#[derive(Debug)]
struct Noted {
    entry: Entry,
    tip: Tip,
    after: Option<usize>,
    had: BTreeSet<usize>,
    told: BTreeSet<usize>,
    names: Option<usize>,
}

/// Plays a scenario.
pub(crate) fn play(steps: &[Step]) -> Played {
    let mut crews: Vec<_> = (0..CREWS)
        .map(|number| Crew {
            device: DeviceId::from_bytes([number + 1; 16]),
            held: BTreeSet::new(),
            told: BTreeSet::new(),
            last: None,
        })
        .collect();
    let mut noted: Vec<Noted> = Vec::new();
    for step in steps {
        let set = |field, value| Change::Set {
            thing: THING,
            field: FieldNumber(field),
            value: Value::Int(value),
            how: HowKnown::Unstated,
        };
        let (crew, wall, change, names) = match *step {
            Step::Meet { crew, other } => {
                let gained = crews[usize::from(other)].held.clone();
                crews[usize::from(crew)].held.extend(gained);
                continue;
            }
            Step::Copy { crew, of } => {
                crews[usize::from(crew)] = crews[usize::from(of)].clone();
                continue;
            }
            Step::Write {
                crew,
                field,
                value,
                wall,
            } => (crew, wall, set(field, value), None),
            Step::Observe { crew, value, wall } => {
                let seen = Change::Observe {
                    thing: THING,
                    what: SEEN,
                    value: Value::Int(value),
                    how: HowKnown::Measured,
                };
                (crew, wall, seen, None)
            }
            Step::Receipt { crew, of, wall } => {
                let Some(of) = last_of(&noted, &crews, crew, of) else {
                    continue;
                };
                let stamp = Stamp::new(WallMs::new(wall), 0);
                let change = Change::Receipt {
                    of: mark(&noted[of]),
                    stamp,
                };
                (crew, wall, change, Some(of))
            }
            Step::Judge { crew, of, admits } => {
                let Some(at) = last_of(&noted, &crews, crew, of) else {
                    continue;
                };
                let of = mark(&noted[at]);
                let change = if admits {
                    Change::Admit { of }
                } else {
                    Change::HoldBack { of }
                };
                (crew, 1, change, Some(at))
            }
        };
        let new = note(&noted, &crews[usize::from(crew)], wall, change, names);
        let crew = &mut crews[usize::from(crew)];
        crew.held.insert(noted.len());
        crew.told = crew.held.clone();
        crew.last = Some(noted.len());
        noted.push(new);
    }
    placed(&noted)
}

/// The last entry that a crew holds of another's device.
fn last_of(noted: &[Noted], crews: &[Crew], crew: u8, of: u8) -> Option<usize> {
    let whose = crews[usize::from(of)].device;
    let held = &crews[usize::from(crew)].held;
    held.iter()
        .copied()
        .rfind(|at| noted[*at].entry.device == whose)
}

fn mark(noted: &Noted) -> Mark {
    Mark {
        device: noted.entry.device,
        seq: noted.entry.seq,
        tip: noted.tip,
    }
}

fn note(noted: &[Noted], crew: &Crew, wall: u64, change: Change, names: Option<usize>) -> Noted {
    let ends = |at: &usize| {
        !crew
            .held
            .iter()
            .any(|other| noted[*other].after == Some(*at))
    };
    let new = crew.held.difference(&crew.told).filter(|at| ends(at));
    let gained: BTreeSet<Mark> = new.map(|at| mark(&noted[*at])).collect();
    let last = crew.last.map(|at| &noted[at]);
    let entry = Entry {
        logbook: LOGBOOK,
        device: crew.device,
        seq: last.map_or(Seq::FIRST, |last| last.entry.seq.next()),
        prev: last.map_or(Tip::NONE, |last| last.tip),
        stamp: Stamp::new(WallMs::new(wall), 0),
        utc_offset_min: 0,
        by: "someone".to_owned(),
        visit: None,
        gained: gained.into_iter().collect(),
        changes: vec![change],
    };
    Noted {
        tip: Tip::of(&codec::encode(&entry).unwrap()),
        entry,
        after: crew.last,
        had: crew.held.clone(),
        told: crew.told.clone(),
        names,
    }
}

/// Names every entry, with all of them before one's eyes. Copies that go on alike write the same.
fn placed(noted: &[Noted]) -> Played {
    let siblings = |at: usize| {
        let (after, device) = (noted[at].after, noted[at].entry.device);
        let same = |other: &&Noted| {
            other.entry.device == device
                && match (other.after, after) {
                    (Some(one), Some(two)) => mark(&noted[one]) == mark(&noted[two]),
                    (None, None) => true,
                    _ => false,
                }
        };
        noted.iter().filter(same).map(|other| other.tip).min()
    };
    let mut places: Vec<Place> = Vec::new();
    for (at, new) in noted.iter().enumerate() {
        let chain = if siblings(at) == Some(new.tip) {
            new.after
                .map_or(ChainId::of(new.entry.device), |after| places[after].chain)
        } else {
            branch_id(LOGBOOK, mark(new))
        };
        places.push(Place {
            chain,
            seq: new.entry.seq,
        });
    }
    let ancestry = |at: usize| core::iter::successors(Some(at), |at| noted[*at].after);
    let mut played = Played::default();
    for (new, place) in noted.iter().zip(&places) {
        let begins = new
            .after
            .is_some_and(|after| places[after].chain != place.chain);
        let mut known: BTreeSet<usize> = new.had.difference(&new.told).copied().collect();
        if begins {
            known.extend(&new.told);
        }
        let gained: VersionVector = known
            .into_iter()
            .flat_map(ancestry)
            .map(|at| (places[at].chain, places[at].seq))
            .filter(|(chain, _)| *chain != place.chain)
            .collect();
        let mut one = Placed {
            place: *place,
            gained,
            receipts: Vec::new(),
            verdicts: Vec::new(),
            entry: new.entry.clone(),
        };
        let of = new.names.map(|of| places[of]);
        for (change, of) in new.entry.changes.iter().zip(of) {
            match change {
                Change::Receipt { stamp, .. } => one.receipts.push((of, *stamp)),
                Change::HoldBack { .. } => one.verdicts.push((of, Verdict::HeldBack)),
                Change::Admit { .. } => one.verdicts.push((of, Verdict::Admitted)),
                Change::Set { .. } | Change::Observe { .. } | Change::Unknown { .. } => {}
            }
        }
        played.placed.push(one);
        played.raws.push(codec::encode(&new.entry).unwrap());
        let had = new.had.iter().map(|at| places[*at]);
        played.seen.entry(*place).or_default().extend(had);
    }
    played
}

#[test]
fn what_two_copies_write_alike_is_told_once() {
    let write = |crew| Step::Write {
        crew,
        field: 0,
        value: 0,
        wall: 1,
    };
    let copy = Step::Copy { crew: 1, of: 0 };
    let played = play(&[write(0), copy, write(0), write(1)]);
    assert_eq!((played.placed.len(), played.told().len()), (3, 2));
}
