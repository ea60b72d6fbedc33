//! Histories against the replay of all entries, and their bytes.

use proptest::prelude::*;

use super::super::crews::{self, THING};
use super::super::fold::{At, Fold};
use super::super::replay::{self, State};
use super::*;
use crate::log::codec::tests::value;
use crate::log::id::Seq;
use crate::log::stamp::WallMs;
use crate::log::value::HowKnown;

fn past() -> impl Strategy<Value = Past> {
    let field = prop_oneof![9 => 0_u16..9, 1 => any::<u16>()];
    let stamp = (0_u64..50, 0_u16..2).prop_map(|(wall, tick)| Stamp::new(WallMs::new(wall), tick));
    let how = prop_oneof![Just(HowKnown::Measured), Just(HowKnown::Unstated)];
    let parts = (
        field,
        0_u32..3,
        1_u64..200,
        stamp,
        value(),
        how,
        any::<u64>(),
    );
    parts.prop_map(|(field, chain, seq, stamp, value, how, ended)| Past {
        field: FieldNumber(field),
        write: Open {
            at: At {
                chain,
                seq: Seq::new(seq).unwrap(),
            },
            stamp,
            value,
            how,
        },
        ended: (ended % 3 > 0).then(|| Stamp::from_bits(stamp.bits() + ended % 5)),
    })
}

proptest! {
    #[test]
    fn a_thing_is_at_any_moment_what_its_entries_come_to_whatever_came_when(
        steps in crews::steps(),
        parts in 1_usize..6,
        moments in prop::collection::vec(0_u64..1_001, 8),
        at_hand in any::<bool>(),
    ) {
        let placed = crews::play(&steps).told();
        let part = placed.len().div_ceil(parts).max(1);
        let (mut fold, mut history) = (Fold::default(), History::default());
        let mut stretches: Vec<(Span, Vec<u8>)> = Vec::new();
        fold.learn(replay::receipts(&placed), replay::held_back(&placed));
        let mut lately = Lately::default();
        for (nth, some) in placed.chunks(part).enumerate() {
            fold.keep_lately();
            fold.take(some.to_vec());
            lately = fold.take_lately();
            // What came last may be told beside the stretches.
            if at_hand && nth + 1 == placed.len().div_ceil(part) {
                break;
            }
            history.begin();
            for (span, bytes) in &stretches {
                history.resume(span.from, bytes).unwrap();
            }
            history.go_on(THING, &lately);
            stretches = history.spans().map(|span| (span, Vec::new())).collect();
            for (span, bytes) in &mut stretches {
                history.put(*span, bytes);
                prop_assert_eq!(Stretch::end(span.from, bytes).unwrap(), span.to);
            }
            let spans: Vec<_> = stretches.iter().map(|(span, _)| *span).collect();
            prop_assert_eq!(spans[0].from, Stamp::ZERO);
            prop_assert!(spans.windows(2).all(|two| two[0].to == Some(two[1].from)));
            prop_assert_eq!(spans[spans.len() - 1].to, None);
            lately = Lately::none(lately.chains);
        }
        for moment in moments {
            let until = Stamp::end_of(WallMs::new(moment));
            let holds = |span: &Span| span.from <= until && span.ends_after(until);
            let stretch = stretches.iter().find(|(span, _)| holds(span));
            let stretch = stretch.map(|(span, bytes)| {
                Stretch::read_open(span.from, bytes, until).unwrap()
            });
            let then = State::as_of(&placed, until);
            let right: Vec<_> = then.registers_of(THING).map(|(of, all)| (of, all.clone())).collect();
            prop_assert_eq!(registers(stretch, THING, &lately, until), right, "at {}", moment);
        }
    }

    #[test]
    fn stretches_come_back_the_same(
        mut pasts in prop::collection::vec(past(), 0..30),
        to in prop::option::of(1_u64..1_000),
    ) {
        pasts.sort_by_key(|past| past.write.stamp);
        let from = Stamp::new(WallMs::new(7), 3);
        let to = to.map(|to| Stamp::from_bits(from.bits() + to));
        let (mut room, mut bytes, mut read) = (Room::default(), Vec::new(), Vec::new());
        let span = Span { from, to };
        stretch::put(span, &pasts, &mut room, &mut bytes);
        // Of the writes those in it, and of their ends.
        pasts.retain(|past| span.ends_after(past.write.stamp) && past.is_open_after(from));
        for past in &mut pasts {
            past.ended = past.ended.filter(|ended| span.ends_after(*ended));
        }
        prop_assert_eq!(stretch::read(from, &bytes, &mut room, &mut read).unwrap(), to);
        prop_assert_eq!(Stretch::end(from, &bytes).unwrap(), to);
        // Values that are no numbers are themselves only in their bytes.
        prop_assert_eq!(format!("{read:?}"), format!("{pasts:?}"));
        for moment in (0..52).map(|wall| Stamp::end_of(WallMs::new(wall))) {
            let open = |pasts: &[Past]| -> Vec<_> {
                let within = pasts.iter().filter(|past| past.write.stamp <= moment);
                let open = within.filter(|past| past.is_open_after(moment));
                open.map(|past| format!("{:?} {:?}", past.field, past.write)).collect()
            };
            let read = Stretch::read_open(from, &bytes, moment).unwrap();
            prop_assert_eq!(open(&read.pasts), open(&pasts));
        }
    }

    #[test]
    fn no_bytes_make_the_reader_panic(
        bytes in any::<Vec<u8>>(),
        from in any::<u64>(),
        moment in any::<u64>(),
    ) {
        let moment = Stamp::from_bits(moment);
        let from = Stamp::from_bits(from);
        let mut history = History::default();
        let _unread = history.resume(from, &bytes).is_ok();
        let _unread = history.resume(moment, &bytes).is_ok();
        let _unread = Stretch::read_open(from, &bytes, moment).is_ok();
        let _unread = Stretch::end(from, &bytes).is_ok();
    }
}
