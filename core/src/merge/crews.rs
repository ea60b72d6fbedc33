//! A few devices that write and meet, for tests: every entry with what its writer had seen, in
//! plain sets beside it, so that the merge can be held against a model that knows no vectors.

use std::collections::{BTreeMap, BTreeSet};

use proptest::prelude::*;

use crate::log::entry::{Change, Entry};
use crate::log::id::{DeviceId, FieldNumber, LogbookId, ObservationNumber, Place, Seq, ThingId};
use crate::log::stamp::{Stamp, WallMs};
use crate::log::value::{HowKnown, Value};
use crate::log::vector::VersionVector;

/// One step of a scenario.
#[derive(Debug, Clone)]
pub(crate) enum Step {
    /// A device writes one field, by its own clock.
    Write {
        device: u8,
        field: u16,
        value: i64,
        wall: u64,
    },
    /// A device observes something.
    Observe { device: u8, value: i64, wall: u64 },
    /// A hub gives a receipt for the last entry that it holds of another device.
    Receipt { device: u8, of: u8, wall: u64 },
    /// One device takes in all that another holds.
    Meet { device: u8, other: u8 },
}

pub(crate) const LOGBOOK: LogbookId = LogbookId::from_bytes([9; 16]);
pub(crate) const THING: ThingId = ThingId::from_bytes([8; 16]);
pub(crate) const SEEN: ObservationNumber = ObservationNumber(900);

pub(crate) fn device(number: u8) -> DeviceId {
    DeviceId::from_bytes([number + 1; 16])
}

/// Up to five devices, thirty steps, four fields, clocks that agree on nothing.
pub(crate) fn steps() -> impl Strategy<Value = Vec<Step>> {
    let device = || 0_u8..5;
    let step = prop_oneof![
        4 => (device(), 0_u16..4, 0_i64..3, 1_u64..1_000)
            .prop_map(|(device, field, value, wall)| Step::Write { device, field, value, wall }),
        1 => (device(), 0_i64..9, 1_u64..1_000)
            .prop_map(|(device, value, wall)| Step::Observe { device, value, wall }),
        1 => (device(), device(), 1_u64..1_000)
            .prop_map(|(device, of, wall)| Step::Receipt { device, of, wall }),
        3 => (device(), device()).prop_map(|(device, other)| Step::Meet { device, other }),
    ];
    prop::collection::vec(step, 1..30)
}

/// What came of a scenario.
#[derive(Debug, Default)]
pub(crate) struct Played {
    /// Every entry, in an order in which each comes after all that it had seen.
    pub(crate) entries: Vec<Entry>,
    /// For each entry, the entries that its writer had.
    pub(crate) seen: BTreeMap<Place, BTreeSet<Place>>,
}

/// Plays a scenario.
pub(crate) fn play(steps: &[Step]) -> Played {
    let mut played = Played::default();
    let mut held: BTreeMap<DeviceId, BTreeSet<Place>> = BTreeMap::new();
    let mut told: BTreeMap<DeviceId, VersionVector> = BTreeMap::new();
    for step in steps {
        let (by, wall, change) = match *step {
            Step::Meet { device: one, other } => {
                let gained = held.get(&device(other)).cloned().unwrap_or_default();
                held.entry(device(one)).or_default().extend(gained);
                continue;
            }
            Step::Write {
                device: by,
                field,
                value,
                wall,
            } => {
                let (value, how) = (Value::Int(value), HowKnown::Unstated);
                (
                    by,
                    wall,
                    Change::Set {
                        thing: THING,
                        field: FieldNumber(field),
                        value,
                        how,
                    },
                )
            }
            Step::Observe {
                device: by,
                value,
                wall,
            } => {
                let (value, how) = (Value::Int(value), HowKnown::Measured);
                (
                    by,
                    wall,
                    Change::Observe {
                        thing: THING,
                        what: SEEN,
                        value,
                        how,
                    },
                )
            }
            Step::Receipt {
                device: by,
                of,
                wall,
            } => {
                let holds = held.entry(device(by)).or_default();
                let Some(place) = holds.iter().rfind(|place| place.device == device(of)) else {
                    continue;
                };
                let stamp = Stamp::new(WallMs::new(wall), 0);
                (
                    by,
                    wall,
                    Change::Receipt {
                        place: *place,
                        stamp,
                    },
                )
            }
        };
        let by = device(by);
        let holds = held.entry(by).or_default();
        let knows: VersionVector = holds
            .iter()
            .map(|place| (place.device, place.seq))
            .collect();
        let seq = knows.last(by).map_or(Seq::FIRST, Seq::next);
        let others = knows.without(by);
        let gained = others.gained_since(&told.insert(by, others.clone()).unwrap_or_default());
        let entry = Entry {
            logbook: LOGBOOK,
            device: by,
            seq,
            stamp: Stamp::new(WallMs::new(wall), 0),
            utc_offset_min: 0,
            by: "someone".to_owned(),
            visit: None,
            gained,
            changes: vec![change],
        };
        played.seen.insert(entry.place(), holds.clone());
        holds.insert(entry.place());
        played.entries.push(entry);
    }
    played
}
