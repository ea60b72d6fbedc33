//! Entries and stores that are right, of every kind there is, by chance.

use std::collections::BTreeMap;

use crate::target::Chance;
use headwalk_core::exchange::session::{Answering, Caller, Next, answer};
use headwalk_core::log::chain::{Mark, Tip};
use headwalk_core::log::entry::{Change, Draft, Entry};
use headwalk_core::log::id::{
    DeviceId, FieldNumber, LogbookId, ObservationNumber, Seq, StoreId, ThingId,
};
use headwalk_core::log::seal::DeviceKey;
use headwalk_core::log::stamp::{Stamp, WallMs};
use headwalk_core::log::value::{Absence, HowKnown, UnitNumber, Value};
use headwalk_core::store::{NewStore, Store};
use redb::backends::InMemoryBackend;

pub fn logbook(number: usize) -> LogbookId {
    LogbookId::from_bytes([number as u8 + 1; 16])
}

pub fn key(number: usize) -> DeviceKey {
    DeviceKey::from_bytes([number as u8 + 1; 32])
}

pub fn store(number: usize) -> Store {
    let id = StoreId::from_bytes([number as u8 + 1; 16]);
    let new = NewStore {
        id,
        key: key(number),
    };
    Store::on_backend(InMemoryBackend::new(), new).expect("memory holds a store")
}

fn thing(chance: &mut Chance) -> ThingId {
    ThingId::from_bytes([chance.below(3) as u8; 16])
}

fn words(chance: &mut Chance) -> String {
    let some = [
        "",
        "Ana Ruiz",
        "as left",
        "½\" drip ö",
        "\u{0}",
        "cool-season-turf",
    ];
    (*chance.of(&some)).to_owned()
}

pub fn value(chance: &mut Chance, depth: usize) -> Value {
    match chance.below(if depth == 0 { 11 } else { 13 }) {
        0 => Value::Absent(Absence::Cleared),
        1 => Value::Absent(Absence::NotChecked),
        2 => Value::Absent(Absence::CouldNotCheck(words(chance))),
        3 => Value::Bool(chance.once_in(2)),
        4 => Value::Int(chance.bits() as i64 >> chance.below(64)),
        5 => Value::Number(f64::from_bits(chance.bits())),
        6 => Value::Quantity {
            amount: chance.below(5000) as f64 / 8.0,
            unit: UnitNumber(chance.below(60) as u16),
        },
        7 => Value::Text(words(chance)),
        8 => Value::Thing(thing(chance)),
        9 => Value::Date(chance.below(30_000) as i32),
        10 => Value::Unknown {
            tag: 10 + chance.below(246) as u8,
            body: chance.bytes::<5>().to_vec(),
        },
        11 => Value::List(
            (0..chance.below(4))
                .map(|_| value(chance, depth - 1))
                .collect(),
        ),
        _ => {
            let parts: BTreeMap<_, _> = (0..chance.below(4))
                .map(|_| (chance.below(9) as u16, value(chance, depth - 1)))
                .collect();
            Value::Record(parts)
        }
    }
}

fn how(chance: &mut Chance) -> HowKnown {
    let some = [
        HowKnown::Unstated,
        HowKnown::Measured,
        HowKnown::Computed,
        HowKnown::Other(77),
    ];
    *chance.of(&some)
}

fn mark(chance: &mut Chance) -> Mark {
    Mark {
        device: DeviceId::from_bytes([chance.below(3) as u8; 16]),
        seq: Seq::new(1 + chance.below(400) as u64).expect("counted from one"),
        tip: Tip(chance.bytes()),
    }
}

/// Changes that may land together: no field twice.
pub fn changes(chance: &mut Chance) -> Vec<Change> {
    (0..chance.below(5))
        .map(|at| match chance.below(9) {
            0..3 => Change::Set {
                thing: thing(chance),
                field: FieldNumber((at * 50 + chance.below(50)) as u16),
                value: value(chance, 3),
                how: how(chance),
            },
            3..5 => Change::Observe {
                thing: thing(chance),
                what: ObservationNumber(chance.below(60) as u16),
                value: value(chance, 3),
                how: how(chance),
            },
            5 => Change::Receipt {
                of: mark(chance),
                stamp: Stamp::from_bits(chance.bits() >> chance.below(64)),
            },
            6 => Change::HoldBack { of: mark(chance) },
            7 => Change::Admit { of: mark(chance) },
            _ => Change::Unknown {
                kind: 6 + chance.below(250) as u8,
                body: chance.bytes::<7>().to_vec(),
            },
        })
        .collect()
}

pub fn entry(chance: &mut Chance) -> Entry {
    Entry {
        logbook: logbook(chance.below(2)),
        device: key(chance.below(3)).device(),
        seq: Seq::new(1 + (chance.bits() >> (1 + chance.below(63)))).expect("counted from one"),
        prev: Tip(chance.bytes()),
        stamp: Stamp::from_bits(chance.bits() >> chance.below(64)),
        utc_offset_min: chance.bits() as i16,
        by: words(chance),
        visit: chance.once_in(2).then(|| thing(chance)),
        gained: (0..chance.below(4)).map(|_| mark(chance)).collect(),
        changes: changes(chance),
    }
}

pub fn draft(chance: &mut Chance) -> Draft {
    let changes = changes(chance).into_iter();
    Draft {
        logbook: logbook(chance.below(2)),
        by: words(chance),
        utc_offset_min: -300,
        visit: chance.once_in(2).then(|| thing(chance)),
        // A receipt for an entry that is nowhere would be no right one.
        changes: changes.filter(|change| change.of().is_none()).collect(),
    }
}

/// Brings two stores up to date with each other, and returns every parcel that went over.
pub fn meet(caller: &Store, hub: &Store, now: WallMs) -> Vec<Vec<u8>> {
    let (mut call, mut parcel) = Caller::begin(caller, Some(hub.id()), now).expect("it begins");
    let mut sent = Vec::new();
    loop {
        let reply = answer(hub, &parcel, &Answering::as_hub(), now).expect("it answers");
        sent.extend([parcel.to_bytes(), reply.to_bytes()]);
        match call.receive(caller, &reply, now).expect("it is taken") {
            Next::Send(next) => parcel = next,
            Next::Done(summary) => {
                assert!(summary.equal, "{summary:?}");
                return sent;
            }
        }
    }
}
