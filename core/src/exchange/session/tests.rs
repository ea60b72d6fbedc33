//! Exchanges between stores in one thread, with parcels lost, doubled and cut off.

use proptest::prelude::*;
use redb::backends::InMemoryBackend;

use super::*;
use crate::exchange::message::MAX_PARCEL_BYTES;
use crate::log::entry::{Change, Draft};
use crate::log::id::{FieldNumber, ThingId};
use crate::log::value::{HowKnown, Value};
use crate::store::{NewStore, Store};

const NOW: WallMs = WallMs::new(1_000_000);

fn store(number: u8) -> Store {
    stored(number, number)
}

fn stored(id: u8, device: u8) -> Store {
    let (id, device) = (
        StoreId::from_bytes([id; 16]),
        DeviceId::from_bytes([device; 16]),
    );
    Store::on_backend(InMemoryBackend::new(), NewStore { id, device }).unwrap()
}

fn logbook(number: u8) -> LogbookId {
    LogbookId::from_bytes([number; 16])
}

fn write(store: &Store, book: u8, field: u16, words: &str) {
    let change = Change::Set {
        thing: ThingId::from_bytes([7; 16]),
        field: FieldNumber(field),
        value: Value::text(words),
        how: HowKnown::Unstated,
    };
    let draft = Draft {
        logbook: logbook(book),
        by: "R. Ash".to_owned(),
        utc_offset_min: 0,
        visit: None,
        changes: vec![change],
    };
    store.record(&[draft], NOW).unwrap();
}

/// Carries parcels as bytes, as a wire would.
fn exchange(caller: &Store, hub: &Store, peer: Option<StoreId>) -> Result<Summary, Error> {
    let (mut session, mut parcel) = Caller::begin(caller, peer, NOW)?;
    loop {
        let there = parcel.to_bytes();
        assert!(there.len() <= MAX_PARCEL_BYTES);
        let back = answer(hub, &Parcel::from_bytes(&there)?, Answering::AsHub, NOW)?.to_bytes();
        assert!(back.len() <= MAX_PARCEL_BYTES);
        match session.receive(caller, &Parcel::from_bytes(&back)?, NOW)? {
            Next::Send(next) => parcel = next,
            Next::Done(summary) => return Ok(summary),
        }
    }
}

fn assert_same(one: &Store, other: &Store) {
    assert_eq!(one.logbooks().unwrap(), other.logbooks().unwrap());
    for logbook in one.logbooks().unwrap() {
        assert_eq!(one.heads(logbook).unwrap(), other.heads(logbook).unwrap());
        assert_eq!(one.state(logbook).unwrap(), other.state(logbook).unwrap());
    }
}

#[test]
fn a_usual_exchange_is_one_round_trip() {
    let (tablet, hub) = (store(1), store(2));
    write(&tablet, 5, 1, "first day");
    let first = exchange(&tablet, &hub, None).unwrap();
    assert!(first.all_equal());
    write(&tablet, 5, 1, "second day");
    write(&hub, 5, 2, "the office's note");
    let second = exchange(&tablet, &hub, Some(hub.id())).unwrap();
    assert_eq!(second.round_trips, 1);
    let carried = &second.logbooks[&logbook(5)];
    assert_eq!(
        (carried.sent, carried.received, carried.equal),
        (1, 1, true)
    );
    assert_same(&tablet, &hub);
}

#[test]
fn two_crews_meet_at_the_hub_in_either_order_and_hold_the_same() {
    for order in [[0, 1, 0], [1, 0, 1]] {
        let (crews, hub) = ([store(1), store(2)], store(3));
        for (crew, words) in crews.iter().zip(["quarter", "half"]) {
            write(crew, 5, 1, words);
            write(crew, 6, 2, words);
        }
        for crew in order {
            exchange(&crews[crew], &hub, None).unwrap();
        }
        exchange(&crews[1 - order[2]], &hub, None).unwrap();
        assert_same(&crews[0], &hub);
        assert_same(&crews[1], &hub);
        let state = hub.state(logbook(5)).unwrap();
        let register = state
            .register(ThingId::from_bytes([7; 16]), FieldNumber(1))
            .unwrap();
        assert!(register.stands_in_two_versions());
    }
}

#[test]
fn what_has_no_room_in_one_parcel_comes_in_the_next() {
    let (tablet, hub) = (store(1), store(2));
    let long = "x".repeat(60_000);
    for field in 0..40 {
        write(&tablet, 5, field, &long);
        write(&hub, 6, field, &long);
    }
    write(&tablet, 7, 1, "a small logbook behind a large one");
    let summary = exchange(&tablet, &hub, None).unwrap();
    assert!(summary.round_trips >= 4, "{}", summary.round_trips);
    assert!(summary.all_equal());
    assert_same(&tablet, &hub);
}

#[test]
fn a_hub_that_lost_what_it_had_acknowledged_gets_it_again() {
    let (tablet, hub) = (store(1), store(2));
    write(&tablet, 5, 1, "before");
    exchange(&tablet, &hub, None).unwrap();
    write(&tablet, 5, 2, "after");
    let restored = store(2); // an empty copy under the hub's own id
    let summary = exchange(&tablet, &restored, Some(restored.id())).unwrap();
    assert_eq!(summary.logbooks[&logbook(5)].sent, 2);
    assert_same(&tablet, &restored);
}

#[test]
fn a_copied_device_is_refused_in_words_and_its_other_logbooks_still_go() {
    let (first, copy, hub) = (store(1), stored(9, 1), store(2));
    write(&first, 5, 1, "one life");
    exchange(&first, &hub, None).unwrap();
    write(&copy, 5, 1, "another life");
    write(&copy, 6, 1, "elsewhere");
    let summary = exchange(&copy, &hub, None).unwrap();
    let carried = &summary.logbooks[&logbook(5)];
    assert!(
        matches!(carried.refused, Some(Refusal::Fork { .. })),
        "{carried:?}"
    );
    assert!(!summary.all_equal());
    assert!(summary.logbooks[&logbook(6)].equal);
    assert_eq!(copy.entries(logbook(5)).unwrap().len(), 1);
}

#[test]
fn a_store_does_not_exchange_with_itself() {
    let tablet = store(1);
    assert!(matches!(
        exchange(&tablet, &tablet, None),
        Err(Error::Itself(_))
    ));
}

#[test]
fn an_entry_cannot_slip_into_another_logbook() {
    let (tablet, hub) = (store(1), store(2));
    write(&tablet, 5, 1, "words");
    let (_, mut parcel) = Caller::begin(&tablet, Some(hub.id()), NOW).unwrap();
    parcel.parts[0].logbook = logbook(6);
    let reply = answer(&hub, &parcel, Answering::AsHub, NOW).unwrap();
    assert!(
        matches!(reply.parts[0].refused, Some(Refusal::Unreadable(_))),
        "{reply:?}"
    );
    assert_eq!(hub.logbooks().unwrap(), []);
}

/// What happens to a day of three crews and a hub.
#[derive(Debug, Clone)]
enum Event {
    Write { who: usize, book: u8, field: u16 },
    Exchange { who: usize, fate: Fate },
}

#[derive(Debug, Clone, Copy)]
enum Fate {
    Whole,
    NeverArrives,
    AnswerIsLost,
    ArrivesTwice,
}

fn events() -> impl Strategy<Value = Vec<Event>> {
    let fate = prop_oneof![
        Just(Fate::Whole),
        Just(Fate::NeverArrives),
        Just(Fate::AnswerIsLost),
        Just(Fate::ArrivesTwice),
    ];
    let event = prop_oneof![
        2 => (0_usize..4, 5_u8..8, 0_u16..3)
            .prop_map(|(who, book, field)| Event::Write { who, book, field }),
        1 => (0_usize..3, fate).prop_map(|(who, fate)| Event::Exchange { who, fate }),
    ];
    prop::collection::vec(event, 1..40)
}

/// One parcel there and back, as fate will have it.
fn once(caller: &Store, hub: &Store, fate: Fate) {
    let (mut session, parcel) = Caller::begin(caller, Some(hub.id()), NOW).unwrap();
    let answered = || answer(hub, &parcel, Answering::AsHub, NOW).unwrap();
    match fate {
        Fate::NeverArrives => {}
        Fate::AnswerIsLost => drop(answered()),
        Fate::Whole => drop(session.receive(caller, &answered(), NOW).unwrap()),
        Fate::ArrivesTwice => {
            let early = answered();
            session.receive(caller, &answered(), NOW).unwrap();
            session.receive(caller, &early, NOW).unwrap();
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(150))]

    #[test]
    fn whatever_is_lost_or_doubled_all_hold_the_same_in_the_end(events in events()) {
        let stores = [store(1), store(2), store(3), store(4)];
        let hub = &stores[3];
        let mut written = 0;
        for event in &events {
            match *event {
                Event::Write { who, book, field } => {
                    written += 1;
                    write(&stores[who], book, field, &format!("write {written}"));
                }
                Event::Exchange { who, fate } => once(&stores[who], hub, fate),
            }
        }
        for _ in 0..2 {
            for crew in &stores[..3] {
                let summary = exchange(crew, hub, Some(hub.id())).unwrap();
                prop_assert!(summary.all_equal());
            }
        }
        for crew in &stores[..3] {
            assert_same(crew, hub);
        }
        let held: u64 = hub
            .logbooks()
            .unwrap()
            .into_iter()
            .map(|logbook| hub.vector(logbook).unwrap().entries())
            .sum();
        prop_assert_eq!(held, written);
    }

    #[test]
    fn no_bytes_make_the_reader_of_parcels_panic(mut bytes in prop::collection::vec(any::<u8>(), 0..400)) {
        let _unread = Parcel::from_bytes(&bytes).is_ok();
        if let Some(first) = bytes.first_mut() {
            *first = crate::exchange::message::PROTOCOL;
        }
        let _unread = Parcel::from_bytes(&bytes).is_ok();
    }
}
