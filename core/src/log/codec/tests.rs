//! Laws of the codec: what goes in comes out, and nothing that comes in can make it panic.

use proptest::prelude::*;

use super::*;

pub(crate) fn value() -> impl Strategy<Value = Value> {
    let leaf = prop_oneof![
        Just(Value::Absent(Absence::Cleared)),
        Just(Value::Absent(Absence::NotChecked)),
        "[a-z ]{0,12}".prop_map(|why| Value::Absent(Absence::CouldNotCheck(why))),
        any::<bool>().prop_map(Value::Bool),
        any::<i64>().prop_map(Value::Int),
        (-1e12..1e12).prop_map(Value::Number),
        (-1e6..1e6, any::<u16>()).prop_map(|(amount, unit)| Value::Quantity {
            amount,
            unit: UnitNumber(unit)
        }),
        ".{0,20}".prop_map(Value::Text),
        any::<[u8; 16]>().prop_map(|bytes| Value::Thing(ThingId::from_bytes(bytes))),
        any::<i32>().prop_map(Value::Date),
        (10_u8.., prop::collection::vec(any::<u8>(), 0..9))
            .prop_map(|(tag, body)| Value::Unknown { tag, body }),
    ];
    leaf.prop_recursive(3, 24, 5, |inner| {
        prop_oneof![
            prop::collection::vec(inner.clone(), 0..5).prop_map(Value::List),
            prop::collection::btree_map(any::<u16>(), inner, 0..5).prop_map(Value::Record),
        ]
    })
}

fn change() -> impl Strategy<Value = Change> {
    let thing = || any::<[u8; 16]>().prop_map(ThingId::from_bytes);
    let how = || any::<u8>().prop_map(code_how);
    prop_oneof![
        (thing(), any::<u16>(), value(), how()).prop_map(|(thing, field, value, how)| {
            Change::Set {
                thing,
                field: FieldNumber(field),
                value,
                how,
            }
        }),
        (thing(), any::<u16>(), value(), how()).prop_map(|(thing, what, value, how)| {
            Change::Observe {
                thing,
                what: ObservationNumber(what),
                value,
                how,
            }
        }),
        (any_mark(), any::<u64>()).prop_map(|(of, stamp)| Change::Receipt {
            of,
            stamp: Stamp::from_bits(stamp),
        }),
        any_mark().prop_map(|of| Change::HoldBack { of }),
        any_mark().prop_map(|of| Change::Admit { of }),
        (6_u8.., prop::collection::vec(any::<u8>(), 0..9))
            .prop_map(|(kind, body)| Change::Unknown { kind, body }),
    ]
}

fn any_mark() -> impl Strategy<Value = Mark> {
    (any::<[u8; 16]>(), 1_u64.., any::<[u8; 8]>()).prop_map(|(device, seq, tip)| Mark {
        device: DeviceId::from_bytes(device),
        seq: Seq::new(seq).expect("counted from one"),
        tip: Tip(tip),
    })
}

prop_compose! {
    pub(crate) fn entry()(
        ids in any::<[[u8; 16]; 2]>(),
        seq in 1_u64..,
        stamp in any::<u64>(),
        utc_offset_min in any::<i16>(),
        by in "[A-Za-z ]{0,30}",
        visit in prop::option::of(any::<[u8; 16]>()),
        prev in any::<[u8; 8]>(),
        gained in prop::collection::vec(any_mark(), 0..4),
        changes in prop::collection::vec(change(), 0..6),
    ) -> Entry {
        Entry {
            logbook: LogbookId::from_bytes(ids[0]),
            device: DeviceId::from_bytes(ids[1]),
            seq: Seq::new(seq).expect("counted from one"),
            prev: Tip(prev),
            stamp: Stamp::from_bits(stamp),
            utc_offset_min,
            by,
            visit: visit.map(ThingId::from_bytes),
            gained,
            changes,
        }
    }
}

proptest! {
    #[test]
    fn an_entry_reads_back_as_it_was_written(entry in entry()) {
        let bytes = encode(&entry).unwrap();
        prop_assert_eq!(peek(&bytes).unwrap(), (entry.logbook, entry.device));
        let (device, seq, tip) = (entry.device, entry.seq, Tip::of(&bytes));
        prop_assert_eq!(mark(&bytes).unwrap(), Mark { device, seq, tip });
        prop_assert_eq!(decode(&bytes).unwrap(), entry);
    }

    #[test]
    fn a_value_reads_back_as_it_was_written(value in value()) {
        prop_assert_eq!(decode_value(&encode_value(&value)).unwrap(), value);
    }

    #[test]
    fn no_bytes_make_the_reader_panic(mut bytes in prop::collection::vec(any::<u8>(), 0..300)) {
        let _unread = decode(&bytes).is_ok();
        if let Some(first) = bytes.first_mut() {
            *first = FORMAT;
        }
        let _unread = decode(&bytes).is_ok();
    }

    #[test]
    fn an_entry_cut_short_or_lengthened_is_refused(entry in entry(), cut in any::<prop::sample::Index>()) {
        let mut bytes = encode(&entry).unwrap();
        prop_assert!(decode(&bytes[..cut.index(bytes.len())]).is_err());
        bytes.push(0);
        prop_assert!(decode(&bytes).is_err());
    }
}

fn small(changes: Vec<Change>) -> Entry {
    Entry {
        logbook: LogbookId::from_bytes([1; 16]),
        device: DeviceId::from_bytes([2; 16]),
        seq: Seq::FIRST,
        prev: Tip::NONE,
        stamp: Stamp::ZERO,
        utc_offset_min: 0,
        by: "R. Ash".to_owned(),
        visit: None,
        gained: Vec::new(),
        changes,
    }
}

#[test]
fn a_change_of_a_later_version_is_kept_and_written_again_to_the_letter() {
    let later = small(vec![Change::Unknown {
        kind: 77,
        body: vec![9, 8, 7],
    }]);
    let bytes = encode(&later).unwrap();
    assert_eq!(encode(&decode(&bytes).unwrap()).unwrap(), bytes);
}

#[test]
fn an_entry_that_sets_one_field_twice_is_refused() {
    let set = |amount| Change::Set {
        thing: ThingId::from_bytes([3; 16]),
        field: FieldNumber(7),
        value: Value::Int(amount),
        how: HowKnown::Unstated,
    };
    assert_eq!(
        encode(&small(vec![set(1), set(2)])),
        Err(CodecError::SetTwice)
    );
}

#[test]
fn an_entry_from_the_future_says_to_update() {
    let mut bytes = encode(&small(vec![])).unwrap();
    bytes[0] = 9;
    let error = decode(&bytes).unwrap_err();
    assert!(error.to_string().contains("update this device"), "{error}");
}

#[test]
fn values_that_nest_without_end_are_refused() {
    let deep = (0..40).fold(Value::Int(1), |inner, _| Value::List(vec![inner]));
    assert!(decode_value(&encode_value(&deep)).is_err());
}
