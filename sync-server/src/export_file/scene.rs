//! Exports to try things on: a hub and two phones, and what the hub holds in the end.

use headwalk_core::exchange::session::{Answering, Caller, Next, answer};
use headwalk_core::log::entry::{Change, Draft};
use headwalk_core::log::id::{FieldNumber, LogbookId, ObservationNumber, StoreId, ThingId};
use headwalk_core::log::seal::{DeviceKey, Seal};
use headwalk_core::log::stamp::WallMs;
use headwalk_core::log::value::{HowKnown, UnitNumber, Value};
use headwalk_core::log::vector::VersionVector;
use headwalk_core::store::{NewStore, Store};
use redb::backends::InMemoryBackend;

const LOGBOOK: LogbookId = LogbookId::from_bytes([1; 16]);

pub fn store(number: u8) -> Store {
    let new = NewStore {
        id: StoreId::from_bytes([number; 16]),
        key: DeviceKey::from_bytes([number; 32]),
    };
    Store::on_backend(InMemoryBackend::new(), new).unwrap()
}

fn draft(number: u64) -> Draft {
    let thing = ThingId::from_bytes([(number % 5) as u8; 16]);
    let how = HowKnown::Measured;
    let change = match number % 3 {
        0 => Change::Observe {
            thing,
            what: ObservationNumber(2),
            value: Value::Quantity {
                amount: 38.5,
                unit: UnitNumber(1),
            },
            how,
        },
        1 => Change::Set {
            thing,
            field: FieldNumber(number as u16),
            value: Value::text(format!("note {number}")),
            how,
        },
        _ => Change::Unknown {
            kind: 77,
            body: vec![number as u8],
        },
    };
    Draft {
        logbook: LOGBOOK,
        by: "Ana Ruiz".to_owned(),
        utc_offset_min: -300,
        visit: None,
        changes: vec![change],
    }
}

/// Two phones that wrote in turn and met at a hub, one of them a day fast; and what the hub exports.
pub fn export(number: u64) -> (Vec<Vec<u8>>, Vec<Seal>) {
    let hub = met(number, store(1), &[store(2), store(3)], &[LOGBOOK]);
    let (raws, _) = hub
        .entries_beyond(LOGBOOK, &VersionVector::new(), usize::MAX)
        .unwrap();
    let seals = hub.seals(&raws).unwrap();
    (raws, seals)
}

/// The hub at which phones met, after they wrote in turn in these logbooks, each a day ahead of the one
/// before it.
pub fn met(number: u64, hub: Store, phones: &[Store], logbooks: &[LogbookId]) -> Store {
    for turn in 0..2 {
        for (at, phone) in (0..).zip(phones) {
            if phone.id_is_in_use_elsewhere() {
                continue;
            }
            let now = WallMs::new(1_784_000_000_000 + turn * 1_000 + number);
            let wall = WallMs::new(now.get() + at * 86_400_000);
            for more in 0..1 + (number + turn) % 3 {
                for logbook in logbooks {
                    let draft = Draft {
                        logbook: *logbook,
                        ..draft(number + more * 7 + turn)
                    };
                    phone.record(&[draft], wall).unwrap();
                }
            }
            let (mut caller, mut parcel) = Caller::begin(phone, None, wall).unwrap();
            loop {
                let reply = answer(&hub, &parcel, &Answering::as_hub(), now).unwrap();
                match caller.receive(phone, &reply, wall).unwrap() {
                    Next::Send(next) => parcel = next,
                    Next::Done(_) => break,
                }
            }
        }
    }
    hub
}
