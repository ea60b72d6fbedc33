//! Stores and entries to try things on.

use redb::backends::InMemoryBackend;

use super::{NewStore, Store};
use crate::log::entry::{Change, Draft};
use crate::log::id::{FieldNumber, LogbookId, StoreId, ThingId};
use crate::log::seal::DeviceKey;
use crate::log::stamp::WallMs;
use crate::log::value::{HowKnown, Value};

/// What a store of this number begins with, whose device has the same number.
pub(crate) fn new(number: u8) -> NewStore {
    new_of(number, number)
}

fn new_of(number: u8, device: u8) -> NewStore {
    NewStore {
        id: StoreId::from_bytes([number; 16]),
        key: DeviceKey::from_bytes([device; 32]),
    }
}

/// That store, in memory.
pub(crate) fn store(number: u8) -> Store {
    store_of(number, number)
}

/// The store of this number, in which the device of that number writes.
pub(crate) fn store_of(number: u8, device: u8) -> Store {
    Store::on_backend(InMemoryBackend::new(), new_of(number, device)).unwrap()
}

pub(crate) fn at(ms: u64) -> WallMs {
    WallMs::new(ms)
}

pub(crate) fn logbook(number: u8) -> LogbookId {
    LogbookId::from_bytes([number; 16])
}

pub(crate) fn thing(number: u8) -> ThingId {
    ThingId::from_bytes([number; 16])
}

/// Sets a field of a thing to a text.
pub(crate) fn set(thing: ThingId, field: u16, words: &str) -> Change {
    Change::Set {
        thing,
        field: FieldNumber(field),
        value: Value::text(words),
        how: HowKnown::Unstated,
    }
}

/// An action of one person in no visit.
pub(crate) fn draft(logbook: LogbookId, changes: Vec<Change>) -> Draft {
    Draft {
        logbook,
        by: "R. Ash".to_owned(),
        utc_offset_min: 0,
        visit: None,
        changes,
    }
}
