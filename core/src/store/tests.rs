//! The store against the merge's own model, against itself rebuilt, and against bad files.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use proptest::prelude::*;
use proptest::sample::Index;

use super::scene::{at, new, store};
use super::*;
use crate::log::chain::{Link, Mark, Tip};
use crate::log::codec;
use crate::log::entry::{Change, Draft};
use crate::log::id::{Arrival, ChainId, FieldNumber, Place, Seq, ThingId};
use crate::log::seal::{Keys, Seal};
use crate::log::stamp::Stamp;
use crate::log::value::{HowKnown, Value};
use crate::log::vector::VersionVector;
use crate::merge::crews::{self, LOGBOOK, Step, THING};
use crate::merge::replay::State;

/// A store that puts entries into blocks as soon as there are more than so many.
fn settling(number: u8, most_loose: usize) -> Store {
    let store = store(number);
    store.keep_loose(most_loose);
    store
}

fn set(field: u16, words: &str) -> Draft {
    draft(vec![scene::set(THING, field, words)])
}

fn draft(changes: Vec<Change>) -> Draft {
    scene::draft(LOGBOOK, changes)
}

/// Everything of one store that the other lacks.
fn carry(from: &Store, to: &Store, now: u64) -> Appended {
    let known = to.vector(LOGBOOK).unwrap();
    let (batch, more) = from.entries_beyond(LOGBOOK, &known, usize::MAX).unwrap();
    assert!(!more);
    to.append(&batch, at(now), Clocks::TakenAsTold).unwrap()
}

fn in_force(store: &Store, field: u16) -> String {
    let state = store.state(LOGBOOK).unwrap();
    state
        .value(THING, FieldNumber(field))
        .unwrap()
        .as_text()
        .unwrap()
        .to_owned()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn batches_and_repeats_give_the_state_of_the_set_and_rebuilding_changes_nothing(
        steps in crews::steps(),
        cuts in prop::collection::vec(any::<Index>(), 1..6),
        most_loose in 0_usize..20,
    ) {
        let played = crews::play(&steps);
        let batch = &played.raws;
        let mut kept = settling(100, most_loose);
        // Each cut sends everything from somewhere before what is held up to somewhere after.
        let mut held = 0;
        for cut in &cuts {
            let from = if held == 0 { 0 } else { cut.index(held) };
            let to = if batch.is_empty() { 0 } else { held.max(cut.index(batch.len() + 1)) };
            kept.append(&batch[from..to], at(1), Clocks::TakenAsTold).unwrap();
            held = to;
        }
        kept.append(batch, at(1), Clocks::TakenAsTold).unwrap();
        prop_assert_eq!(&*kept.state(LOGBOOK).unwrap(), &State::of(&played.placed));
        let before = kept.verify().unwrap();
        prop_assert_eq!(&before.faults, &[]);
        prop_assert_eq!(before.entries, played.seen.len() as u64);
        kept.rebuild().unwrap();
        prop_assert_eq!(kept.verify().unwrap(), before);
    }

    #[test]
    fn every_order_of_arrival_gives_every_entry_the_same_name_and_the_same_state(
        steps in crews::steps(),
        picks in prop::collection::vec(any::<Index>(), 40),
        most_loose in 0_usize..20,
    ) {
        let played = crews::play(&steps);
        let (mut kept, mut there) = (settling(100, most_loose), BTreeSet::new());
        for pick in &picks {
            // Whatever has all that it saw may come next.
            let can_come: Vec<_> = (0..played.raws.len())
                .filter(|&at| {
                    let place = played.placed[at].place;
                    !there.contains(&place) && played.seen[&place].is_subset(&there)
                })
                .collect();
            if can_come.is_empty() {
                break;
            }
            let next = can_come[pick.index(can_come.len())];
            kept.append(&played.raws[next..=next], at(1), Clocks::TakenAsTold).unwrap();
            there.insert(played.placed[next].place);
        }
        prop_assert_eq!(there.len(), played.seen.len());
        let names: BTreeSet<_> =
            kept.entries(LOGBOOK).unwrap().iter().map(|kept| kept.place).collect();
        prop_assert_eq!(names, there);
        prop_assert_eq!(&*kept.state(LOGBOOK).unwrap(), &State::of(&played.placed));
        let before = kept.verify().unwrap();
        prop_assert_eq!(&before.faults, &[]);
        kept.rebuild().unwrap();
        prop_assert_eq!(kept.verify().unwrap(), before);
    }

    #[test]
    fn a_batch_that_skips_an_entry_or_its_cause_is_refused_whole(
        steps in crews::steps(),
        skip in any::<Index>(),
    ) {
        let played = crews::play(&steps);
        prop_assume!(played.placed.len() > 1);
        let skipped = skip.index(played.placed.len() - 1);
        let place = played.placed[skipped].place;
        prop_assume!(played.seen.values().any(|seen| seen.contains(&place)));
        let mut batch = played.raws.clone();
        batch.retain(|raw| *raw != played.raws[skipped]);
        let kept = store(100);
        let refused = kept.append(&batch, at(1), Clocks::TakenAsTold);
        let whole = matches!(refused, Err(Error::Gap { .. } | Error::MissingCause { .. }));
        prop_assert!(whole, "{:?}", refused);
        prop_assert_eq!(kept.vector(LOGBOOK).unwrap(), VersionVector::new());
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(100))]

    #[test]
    fn packing_tight_changes_nothing_that_anyone_is_told(
        steps in crews::steps(),
        most_loose in 0_usize..8,
        times in 1_usize..8,
        moments in prop::collection::vec(0_u64..1_001, 4),
    ) {
        let played = crews::play(&steps);
        let (mut kept, same) = (settling(100, most_loose), settling(100, most_loose));
        let part = played.raws.len().div_ceil(times).max(1);
        for (day, batch) in (1..).zip(played.raws.chunks(part)) {
            for store in [&kept, &same] {
                store.append(batch, at(day), Clocks::TakenAsTold).unwrap();
            }
            // What was packed before, and what came since.
            let field = FieldNumber(0);
            let in_force = |store: &Store| store.register(LOGBOOK, THING, field).unwrap();
            prop_assert_eq!(in_force(&kept), in_force(&same));
            prop_assert_eq!(kept.state(LOGBOOK).unwrap(), same.state(LOGBOOK).unwrap());
            let held = same.entries(LOGBOOK).unwrap();
            for one in kept.entries(LOGBOOK).unwrap() {
                let found = kept.entry(LOGBOOK, one.place).unwrap();
                prop_assert_eq!(found, Some(one));
            }
            lasts_are_found(&kept);
            let held: Vec<_> = held.into_iter().map(|kept| kept.placed).collect();
            for &moment in &moments {
                let until = Stamp::end_of(at(moment));
                let right = State::as_of(&held, until);
                let then = kept.state_as_of(LOGBOOK, until).unwrap();
                prop_assert_eq!(&*then, &right, "as of {}", moment);
                for thing in [THING, ThingId::from_bytes([77; 16])] {
                    let fields = right.registers_of(thing);
                    let fields: Vec<_> = fields.map(|(of, all)| (of, all.clone())).collect();
                    let then = kept.fields_as_of(LOGBOOK, thing, until).unwrap();
                    prop_assert_eq!(then, fields, "as of {}", moment);
                }
            }
            if day % 2 == 0 {
                kept.press_all().unwrap(); // what came on two days in one block
            }
        }
        kept.press_all().unwrap();
        lasts_are_found(&kept);
        prop_assert_eq!(kept.press_all().unwrap(), 0);
        let all = kept.entries(LOGBOOK).unwrap();
        prop_assert_eq!(&all, &same.entries(LOGBOOK).unwrap());
        let placed: Vec<_> = all.into_iter().map(|kept| (kept.place, kept.placed.gained)).collect();
        let walked = kept.reading().unwrap().walked(LOGBOOK).unwrap();
        prop_assert_eq!(placed, walked.placed);
        prop_assert_eq!(&*kept.state(LOGBOOK).unwrap(), &State::of(&played.placed));
        let covered = BTreeSet::from([LOGBOOK]);
        for after in 0..=played.raws.len() as u64 {
            let news = |store: &Store, room| {
                store.news(Arrival(after), &|_, _| true, &covered, room).unwrap()
            };
            for room in [300, usize::MAX] {
                prop_assert_eq!(news(&kept, room), news(&same, room));
                let told = |store: &Store| {
                    let all = (None, None);
                    store.tell(Arrival(after), &covered, all, &covered, room).unwrap()
                };
                let told = (told(&kept), told(&same));
                prop_assert_eq!((&told.0.batches, &told.0.seals), (&told.1.batches, &told.1.seals));
                prop_assert_eq!(told.0.read, news(&same, room).read);
            }
            let there = news(&same, usize::MAX).read;
            prop_assert!(kept.made_bookmark(there).unwrap());
        }
        let before = kept.verify().unwrap();
        prop_assert_eq!(&before.faults, &[]);
        kept.rebuild().unwrap();
        prop_assert_eq!(kept.verify().unwrap(), before);
    }
}

#[test]
fn a_balance_holds_what_it_came_to_and_a_damaged_one_is_found_and_made_again() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("hub.redb");
    let observe = |number: u64| Change::Observe {
        thing: THING,
        what: crews::SEEN,
        value: Value::text(format!("reading {number}, taken at the valve")),
        how: HowKnown::Measured,
    };
    let hub = Store::create(&path, new(1)).unwrap();
    for round in 0..9 {
        for nth in 0..5 {
            let number = round * 5 + nth;
            let drafts = [draft(vec![observe(number)]), set(nth as u16, "half")];
            hub.record(&drafts, at(number)).unwrap();
        }
        hub.press_all().unwrap();
    }
    hub.record(&[set(5, "since"), draft(vec![observe(45)])], at(50))
        .unwrap();
    let told = hub.state(LOGBOOK).unwrap();
    assert_eq!(told.observations(THING, crews::SEEN).len(), 46);
    assert_eq!(
        told,
        Store::open(&{
            drop(hub);
            path.clone()
        })
        .unwrap()
        .state(LOGBOOK)
        .unwrap()
    );
    // Whoever only reads is told it from the pages, and may keep it.
    let read = Store::open_to_read(&path).unwrap().state(LOGBOOK).unwrap();
    assert_eq!(read, told);
    let rows = |change: &dyn Fn(&mut Vec<u8>)| {
        let db = Database::open(&path).unwrap();
        let txn = db.begin_write().unwrap();
        let mut table = txn.open_table(tables::BALANCES).unwrap();
        let all: Vec<_> = table
            .iter()
            .unwrap()
            .map(|row| {
                row.map(|(key, row)| (*key.value(), row.value().to_vec()))
                    .unwrap()
            })
            .collect();
        for (key, mut row) in all.clone() {
            change(&mut row);
            table.insert(&key, row.as_slice()).unwrap();
        }
        drop(table);
        txn.commit().unwrap();
        all.len()
    };
    // A version that kept no balances made the file: it is told from the blocks.
    let without = folder.path().join("without.redb");
    fs::copy(&path, &without).unwrap();
    let db = Database::open(&without).unwrap();
    let txn = db.begin_write().unwrap();
    txn.delete_table(tables::BALANCES).unwrap();
    txn.commit().unwrap();
    drop(db);
    let read = Store::open_to_read(&without).unwrap();
    assert_eq!(read.state(LOGBOOK).unwrap(), told);
    // The registers and few bundles.
    assert!((1 + 1..=1 + 4).contains(&rows(&|_| {})));
    rows(&|row| *row.last_mut().unwrap() ^= 1);
    let is_told = |error: &Error| matches!(error, Error::DamagedIndex { table: "balances" });
    let read = Store::open_to_read(&path).unwrap().state(LOGBOOK);
    assert!(read.as_ref().is_err_and(is_told), "{read:?}");
    let mut hub = Store::open(&path).unwrap();
    let read = hub.state(LOGBOOK);
    assert!(read.as_ref().is_err_and(is_told), "{read:?}");
    assert_eq!(hub.verify().unwrap().faults, [Fault::Index("balances")]);
    hub.rebuild().unwrap();
    assert_eq!(hub.verify().unwrap().faults, []);
    assert_eq!(hub.state(LOGBOOK).unwrap(), told);
}

#[test]
fn what_an_entry_that_is_left_out_tells_of_who_had_what_still_counts() {
    let write = |crew, wall| Step::Write {
        crew,
        field: 0,
        value: 0,
        wall,
    };
    // The third has the first by its entry of 420, and so by that of 1.
    let meet = Step::Meet { crew: 3, other: 4 };
    let played = crews::play(&[write(4, 1), meet, write(3, 420), write(3, 1), write(0, 500)]);
    let hub = settling(100, 0);
    for raw in &played.raws {
        hub.append(core::slice::from_ref(raw), at(1), Clocks::TakenAsTold)
            .unwrap();
        hub.press_all().unwrap();
    }
    let until = Stamp::end_of(at(1));
    let then = hub.state_as_of(LOGBOOK, until).unwrap();
    assert_eq!(*then, State::as_of(&played.placed, until));
    let register = then.register(THING, FieldNumber(0)).unwrap();
    assert_eq!(register.open().len(), 1);
}

#[test]
fn what_came_long_ago_is_packed_once_there_is_enough_whatever_came_at_once() {
    let hub = settling(100, 0);
    let (mut came, mut packed) = (0, 0);
    for nth in 0..9 {
        let drafts: Vec<Draft> = (0..5).map(|_| set(5, "half")).collect();
        came += hub.record(&drafts, at(nth)).unwrap().len() as u64;
        loop {
            match hub.press_once(7, 12, 12).unwrap() {
                0 => break,
                more => packed += more,
            }
        }
        assert!((7..7 + 12).contains(&(came - packed)) || packed == 0 && came < 7 + 12);
    }
    assert_eq!((came, packed), (45, 30));
}

#[test]
fn what_two_stores_wrote_apart_stands_in_two_versions_on_both() {
    let (one, other) = (store(1), store(2));
    one.record(&[set(5, "as planned")], at(10)).unwrap();
    carry(&one, &other, 11);
    one.record(&[set(5, "quarter")], at(20)).unwrap();
    other.record(&[set(5, "half")], at(30)).unwrap();
    carry(&one, &other, 40);
    carry(&other, &one, 40);
    assert_eq!(one.state(LOGBOOK).unwrap(), other.state(LOGBOOK).unwrap());
    let state = one.state(LOGBOOK).unwrap();
    let register = state.register(THING, FieldNumber(5)).unwrap();
    assert!(register.stands_in_two_versions());
    assert_eq!(register.in_force().value, Value::text("half"));
    assert_eq!(register.open().len(), 2);
}

#[test]
fn settling_saw_both_and_so_wins_though_its_clock_is_slow() {
    let (one, other) = (store(1), store(2));
    one.record(&[set(5, "quarter")], at(50_000)).unwrap();
    other.record(&[set(5, "half")], at(60_000)).unwrap();
    carry(&other, &one, 60_000);
    one.record(&[set(5, "quarter")], at(7)).unwrap();
    carry(&one, &other, 60_000);
    assert_eq!(in_force(&other, 5), "quarter");
    assert!(
        !other
            .state(LOGBOOK)
            .unwrap()
            .register(THING, FieldNumber(5))
            .unwrap()
            .stands_in_two_versions()
    );
}

#[test]
fn a_phone_a_day_fast_gets_a_receipt_and_loses_to_a_later_edit() {
    const DAY: u64 = 86_400_000;
    let (fast, right, hub) = (store(1), store(2), store(3));
    fast.record(&[set(5, "by the fast phone")], at(10 * DAY))
        .unwrap();
    right
        .record(&[set(5, "later, by the right one")], at(9 * DAY + 1_000))
        .unwrap();
    let send = |from: &Store, behind_ms| {
        let (batch, _) = from
            .entries_beyond(LOGBOOK, &VersionVector::new(), usize::MAX)
            .unwrap();
        let clocks = Clocks::Judged {
            sender: from.device(),
            behind_ms,
        };
        hub.append(&batch, at(9 * DAY + 2_000), clocks).unwrap()
    };
    assert_eq!(send(&fast, -86_400_000).receipts, 1);
    assert_eq!(send(&right, 0).receipts, 0);
    assert_eq!(in_force(&hub, 5), "later, by the right one");
    carry(&hub, &fast, 10 * DAY);
    assert_eq!(in_force(&fast, 5), "later, by the right one");
    let entries: Vec<_> = hub
        .entries(LOGBOOK)
        .unwrap()
        .into_iter()
        .map(|kept| kept.placed)
        .collect();
    assert_eq!(State::of(&entries), *hub.state(LOGBOOK).unwrap());
    each_is_found(&hub);
}

/// What is told of the last entry of each chain is what that says.
fn lasts_are_found(store: &Store) {
    let is_last = |kept: &Kept| {
        let heads = store.heads(LOGBOOK).unwrap();
        heads
            .iter()
            .any(|head| (head.chain, head.seq) == (kept.place.chain, kept.place.seq))
    };
    let entries = store.entries(LOGBOOK).unwrap().into_iter();
    let lasts = entries.filter(is_last).map(|kept| LastWritten {
        device: kept.entry.device,
        by: kept.entry.by.clone(),
        stamp: kept.stamp,
        utc_offset_min: kept.entry.utc_offset_min,
        arrived: kept.arrived,
    });
    let in_order = |mut lasts: Vec<LastWritten>| {
        lasts.sort_by_key(|last| (last.device, last.arrived, last.stamp));
        lasts
    };
    let found = store.last_written(LOGBOOK).unwrap();
    assert_eq!(in_order(found), in_order(lasts.collect()));
}

/// Each entry is found by itself as it is read with all others, packed or not.
fn each_is_found(store: &Store) {
    for _ in 0..2 {
        lasts_are_found(store);
        for kept in store.entries(LOGBOOK).unwrap() {
            let found = store.entry(LOGBOOK, kept.place).unwrap();
            assert_eq!(found, Some(kept));
        }
        store.press_all().unwrap();
    }
}

#[test]
fn a_phone_three_hours_behind_is_ordered_by_when_it_really_wrote() {
    const HOUR: u64 = 3_600_000;
    let (slow, right, hub) = (store(1), store(2), store(3));
    right.record(&[set(5, "at ten")], at(10 * HOUR)).unwrap();
    slow.record(&[set(5, "at eleven, its clock says eight")], at(8 * HOUR))
        .unwrap();
    for (from, behind_ms) in [(&slow, 3 * HOUR as i64), (&right, 0)] {
        let (batch, _) = from
            .entries_beyond(LOGBOOK, &VersionVector::new(), usize::MAX)
            .unwrap();
        let clocks = Clocks::Judged {
            sender: from.device(),
            behind_ms,
        };
        hub.append(&batch, at(12 * HOUR), clocks).unwrap();
    }
    assert_eq!(in_force(&hub, 5), "at eleven, its clock says eight");
}

#[test]
fn two_contents_under_one_number_are_two_branches_and_both_are_kept_as_they_were_written() {
    let (one, clone, hub, late) = (store(1), store(1), store(3), store(4));
    one.record(&[set(5, "first life")], at(10)).unwrap();
    clone
        .record(&[set(5, "second life"), set(6, "more")], at(20))
        .unwrap();
    for (first, second) in [(&one, &clone), (&clone, &one)] {
        let into = if hub.logbooks().unwrap().is_empty() {
            &hub
        } else {
            &late
        };
        for from in [first, second] {
            let known = VersionVector::new();
            let (batch, _) = from.entries_beyond(LOGBOOK, &known, usize::MAX).unwrap();
            into.append(&batch, at(40), Clocks::TakenAsTold).unwrap();
        }
    }
    assert_eq!(hub.heads(LOGBOOK).unwrap(), late.heads(LOGBOOK).unwrap());
    assert_eq!(hub.state(LOGBOOK).unwrap(), late.state(LOGBOOK).unwrap());
    assert_eq!(hub.entries(LOGBOOK).unwrap().len(), 3);
    let branched = hub.branched(LOGBOOK).unwrap();
    assert_eq!(branched.len(), 1);
    assert_eq!(
        (branched[0].device, branched[0].from),
        (one.device(), Seq::FIRST)
    );
    let state = hub.state(LOGBOOK).unwrap();
    let register = state.register(THING, FieldNumber(5)).unwrap();
    assert!(register.stands_in_two_versions());
}

#[test]
fn a_store_that_meets_its_own_id_writes_nothing_until_it_has_another() {
    let (phone, copy) = (store(1), store(1));
    phone.record(&[set(5, "on the phone")], at(10)).unwrap();
    carry(&phone, &copy, 20);
    assert!(copy.id_is_in_use_elsewhere());
    let refused = copy.record(&[set(6, "on the copy")], at(30));
    assert!(
        matches!(refused, Err(Error::IdInUseElsewhere(_))),
        "{refused:?}"
    );
    copy.write_as(DeviceKey::from_bytes([9; 32])).unwrap();
    copy.record(&[set(6, "on the copy")], at(30)).unwrap();
    carry(&copy, &phone, 40);
    assert!(!phone.id_is_in_use_elsewhere());
    assert_eq!(in_force(&phone, 6), "on the copy");
    assert_eq!(phone.branched(LOGBOOK).unwrap(), []);
}

#[test]
fn what_a_store_seals_in_the_middle_of_a_batch_is_what_came_before() {
    let (mut phone, copy) = (store(1), store(1));
    for store in [&phone, &copy] {
        for (field, now) in [(5, 10), (6, 20)] {
            store.record(&[set(field, "on both")], at(now)).unwrap();
        }
    }
    copy.record(&[set(7, "on the copy")], at(30)).unwrap();
    let all = copy.entries_beyond(LOGBOOK, &VersionVector::new(), usize::MAX);
    let (batch, _) = all.unwrap();
    // Two are its own and come back; the third is not.
    phone.drop_logbook(LOGBOOK).unwrap();
    phone.append(&batch, at(40), Clocks::TakenAsTold).unwrap();
    assert!(phone.id_is_in_use_elsewhere());
    assert_eq!(phone.heads(LOGBOOK).unwrap(), copy.heads(LOGBOOK).unwrap());
    let seals = phone.seals(&batch).unwrap();
    let origin = Link::origin(LOGBOOK, phone.device());
    let own = batch[..2].iter().fold(origin, |link, raw| link.after(raw));
    let ends: Vec<_> = seals
        .iter()
        .map(|seal| (seal.seq.get(), seal.link))
        .collect();
    assert_eq!(ends, [(2, own)]);
    assert_eq!(Keys::default().device_of(&seals[0]), Some(phone.device()));
    assert_eq!(phone.verify().unwrap().faults, []);
}

#[test]
fn nobody_writes_in_anothers_name_where_seals_are_demanded() {
    let (phone, hub) = (store(1), store(3));
    phone.record(&[set(5, "by the phone")], at(10)).unwrap();
    let phone_link = phone.heads(LOGBOOK).unwrap()[0].link;
    let known = VersionVector::new();
    let (batch, _) = phone.entries_beyond(LOGBOOK, &known, usize::MAX).unwrap();
    let take = |batch: &[Vec<u8>], seals: &[Seal]| {
        let taking = Taking {
            sealing: Sealing::Demanded,
            ..Taking::everything(Clocks::TakenAsTold)
        };
        hub.append_sealed(batch, seals, &taking, at(20))
    };
    assert!(matches!(take(&batch, &[]), Err(Error::Unsealed { .. })));
    let forged = Seal {
        key: DeviceKey::from_bytes([2; 32])
            .seal(LOGBOOK, Seq::FIRST, phone_link)
            .key,
        ..phone.seals(&batch).unwrap()[0].clone()
    };
    assert!(matches!(
        take(&batch, &[forged]),
        Err(Error::ForgedSeal { .. })
    ));
    assert_eq!(hub.logbooks().unwrap(), []);
    let seals = phone.seals(&batch).unwrap();
    assert_eq!(take(&batch, &seals).unwrap().new, 1);
    // The hub gives the seal on with the entries.
    assert_eq!(hub.seals(&batch).unwrap(), seals);
    phone.record(&[set(5, "again")], at(30)).unwrap();
    let (batch, _) = phone.entries_beyond(LOGBOOK, &known, usize::MAX).unwrap();
    let seals = phone.seals(&batch).unwrap();
    take(&batch, &seals).unwrap();
    assert_eq!(
        hub.seals(&batch).unwrap(),
        seals,
        "only the seal that reaches farthest is kept"
    );
}

#[test]
fn what_came_after_access_was_taken_back_is_kept_but_does_not_count_until_it_is_admitted() {
    let (gone, crew, hub) = (store(1), store(2), store(3));
    crew.record(&[set(5, "quarter")], at(10)).unwrap();
    carry(&crew, &gone, 15);
    gone.record(&[set(5, "half"), set(6, "dry")], at(20))
        .unwrap();
    carry(&gone, &crew, 25);
    crew.record(&[set(7, "seen since")], at(30)).unwrap();
    let known = VersionVector::new();
    let (batch, _) = crew.entries_beyond(LOGBOOK, &known, usize::MAX).unwrap();
    let taking = Taking {
        held_back: BTreeSet::from([gone.device()]),
        ..Taking::everything(Clocks::TakenAsTold)
    };
    let appended = hub.append_sealed(&batch, &[], &taking, at(40)).unwrap();
    assert_eq!((appended.new, appended.held_back), (4, 2));
    assert_eq!(in_force(&hub, 5), "quarter");
    assert_eq!(in_force(&hub, 7), "seen since");
    let state = hub.state(LOGBOOK).unwrap();
    assert!(state.register(THING, FieldNumber(6)).is_none());
    carry(&hub, &crew, 50);
    assert_eq!(crew.state(LOGBOOK).unwrap(), state);
    let held: Vec<_> = crew.entries(LOGBOOK).unwrap();
    let held: Vec<_> = held.iter().filter(|kept| kept.held_back).collect();
    assert_eq!(held.len(), 2);
    let marks = crew.marks(LOGBOOK, &[held[0].place]).unwrap();
    crew.record(&[draft(vec![Change::Admit { of: marks[0] }])], at(60))
        .unwrap();
    carry(&crew, &hub, 70);
    for mut store in [crew, hub] {
        assert_eq!(in_force(&store, 5), "half");
        assert!(
            store
                .state(LOGBOOK)
                .unwrap()
                .register(THING, FieldNumber(6))
                .is_none()
        );
        each_is_found(&store);
        let before = store.verify().unwrap();
        assert_eq!(before.faults, []);
        store.rebuild().unwrap();
        assert_eq!(store.verify().unwrap(), before);
    }
}

#[test]
fn a_draft_that_cannot_be_an_entry_takes_the_whole_record_back() {
    let kept = store(1);
    let long = "x".repeat(codec::MAX_ENTRY_BYTES);
    assert!(matches!(
        kept.record(&[set(5, "fine"), set(6, &long)], at(1)),
        Err(Error::Codec(_))
    ));
    assert!(kept.vector(LOGBOOK).unwrap().is_empty());
}

#[test]
fn nobody_admits_an_entry_that_is_not_here() {
    let kept = store(1);
    let of = Mark {
        device: kept.device(),
        seq: Seq::FIRST,
        tip: Tip([7; 8]),
    };
    let refused = kept.record(&[draft(vec![Change::Admit { of }])], at(1));
    assert!(
        matches!(refused, Err(Error::MissingCause { .. })),
        "{refused:?}"
    );
    assert!(kept.vector(LOGBOOK).unwrap().is_empty());
}

#[test]
fn a_batch_is_bounded_and_goes_on_where_it_stopped() {
    let (one, other) = (store(1), store(2));
    let drafts: Vec<_> = (0..50).map(|n| set(n, "the same words")).collect();
    one.record(&drafts, at(1)).unwrap();
    let mut rounds = 0;
    loop {
        let known = other.vector(LOGBOOK).unwrap();
        let (batch, more) = one.entries_beyond(LOGBOOK, &known, 500).unwrap();
        assert!(batch.iter().map(Vec::len).sum::<usize>() <= 500);
        other.append(&batch, at(2), Clocks::TakenAsTold).unwrap();
        rounds += 1;
        if !more {
            break;
        }
    }
    assert!(rounds > 5, "{rounds}");
    assert_eq!(one.state(LOGBOOK).unwrap(), other.state(LOGBOOK).unwrap());
}

#[test]
fn logbooks_lists_each_once() {
    let kept = store(1);
    let logbooks = [[3; 16], [7; 16], [255; 16]].map(LogbookId::from_bytes);
    for logbook in logbooks {
        let change = set(1, "there");
        kept.record(
            &[
                Draft {
                    logbook,
                    ..change.clone()
                },
                Draft { logbook, ..change },
            ],
            at(1),
        )
        .unwrap();
    }
    assert_eq!(kept.logbooks().unwrap(), logbooks);
}

#[test]
fn history_keeps_what_was_replaced() {
    let kept = store(1);
    for (words, ms) in [("as found", 10), ("as left", 20)] {
        kept.record(&[set(5, words)], at(ms)).unwrap();
    }
    let other_thing = Change::Set {
        thing: ThingId::from_bytes([77; 16]),
        field: FieldNumber(5),
        value: Value::Int(1),
        how: HowKnown::Unstated,
    };
    kept.record(&[draft(vec![other_thing])], at(30)).unwrap();
    let entries = kept.entries(LOGBOOK).unwrap();
    let about_it = entries.iter().filter(|kept| {
        let mut things = kept.entry.changes.iter().filter_map(Change::thing);
        things.any(|thing| thing == THING)
    });
    let told: Vec<_> = about_it.map(|kept| kept.stamp.wall().get()).collect();
    assert_eq!(told, [10, 20]);
    let place = Place {
        chain: ChainId::of(kept.device()),
        seq: Seq::FIRST,
    };
    assert_eq!(kept.entry(LOGBOOK, place).unwrap().unwrap(), entries[0]);
}

fn on_disk(path: &Path) -> Store {
    let kept = Store::create(path, new(1)).unwrap();
    let drafts: Vec<_> = (0..40).map(|n| set(n, "kept on disk")).collect();
    kept.record(&drafts, at(1)).unwrap();
    kept
}

#[test]
fn a_file_that_is_missing_taken_open_or_cut_short_says_so_and_stays_as_it_is() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("yard.redb");
    assert!(matches!(Store::open(&path), Err(Error::Missing(_))));
    let kept = on_disk(&path);
    assert!(matches!(
        Store::create(&path, new(2)),
        Err(Error::Exists(_))
    ));
    assert!(matches!(Store::open(&path), Err(Error::InUse)));
    let told = kept.state(LOGBOOK).unwrap();
    drop(kept);
    let whole = fs::read(&path).unwrap();
    for length in [
        0,
        1,
        100,
        4_096,
        whole.len() / 2,
        whole.len() - 4_096,
        whole.len() - 1,
    ] {
        let cut = folder.path().join(format!("cut-{length}.redb"));
        fs::write(&cut, &whole[..length]).unwrap();
        match Store::open_to_read(&cut).and_then(|read| read.state(LOGBOOK)) {
            Err(Error::NotAStore) => {}
            Ok(read) => assert_eq!(read, told, "cut at {length}"),
            Err(other) => panic!("read, cut at {length}: {other}"),
        }
        fs::write(&cut, &whole[..length]).unwrap();
        match Store::open(&cut) {
            Err(Error::NotAStore) => {
                assert_eq!(fs::read(&cut).unwrap(), &whole[..length], "cut at {length}");
            }
            Ok(mut opened) => assert_ne!(opened.verify().unwrap().faults, [], "cut at {length}"),
            Err(other) => panic!("cut at {length}: {other}"),
        }
    }
    assert_eq!(
        Store::open(&path)
            .unwrap()
            .vector(LOGBOOK)
            .unwrap()
            .entries(),
        40
    );
}

#[test]
fn any_number_may_read_at_once_and_nothing_of_the_file_is_touched() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("yard.redb");
    let kept = on_disk(&path);
    let told = kept.state(LOGBOOK).unwrap();
    assert!(matches!(Store::open_to_read(&path), Err(Error::InUse)));
    // As after a power loss: it was not closed, and is mended first.
    let not_closed = folder.path().join("not-closed.redb");
    fs::copy(&path, &not_closed).unwrap();
    let mended = Store::open_to_read(&not_closed).unwrap();
    assert_eq!(mended.state(LOGBOOK).unwrap(), told);
    assert!(mended.record(&[set(5, "anything")], at(9)).is_ok());
    drop(kept);
    let before = fs::read(&path).unwrap();
    let (one, other) = (
        Store::open_to_read(&path).unwrap(),
        Store::open_to_read(&path).unwrap(),
    );
    assert_eq!(one.state(LOGBOOK).unwrap(), told);
    assert_eq!(other.state(LOGBOOK).unwrap(), told);
    let refused = one.record(&[set(5, "anything")], at(9));
    assert!(matches!(refused, Err(Error::ForReading)), "{refused:?}");
    assert!(matches!(Store::open(&path), Err(Error::InUse)));
    drop((one, other));
    assert_eq!(fs::read(&path).unwrap(), before);
}

#[test]
fn a_changed_entry_is_found_by_reading_and_by_verify() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("yard.redb");
    drop(on_disk(&path));
    damage(&path, 17);
    let mut kept = Store::open(&path).unwrap();
    assert!(matches!(
        kept.entries(LOGBOOK),
        Err(Error::DamagedEntry { .. })
    ));
    let faults = kept.verify().unwrap().faults;
    assert!(faults.contains(&Fault::Entry(Arrival(17))), "{faults:?}");
    assert!(matches!(kept.rebuild(), Err(Error::DamagedEntry { .. })));
}

#[test]
fn damaged_entries_are_got_again_from_whoever_holds_them_whole() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("yard.redb");
    let (kept, peer) = (on_disk(&path), store(2));
    carry(&kept, &peer, 2);
    drop(kept);
    for arrival in [17, 18, 33] {
        damage(&path, arrival);
    }
    let mut kept = Store::open(&path).unwrap();
    let damaged = kept.damaged().unwrap();
    assert_eq!(damaged[&LOGBOOK].len(), 3);
    let whole = peer
        .entries_of(LOGBOOK, &damaged[&LOGBOOK], usize::MAX)
        .unwrap();
    // Another entry cannot take a damaged one's place.
    let (others, _) = peer
        .entries_beyond(LOGBOOK, &VersionVector::new(), 400)
        .unwrap();
    assert_eq!(kept.mend(LOGBOOK, &others).unwrap(), 0);
    assert_eq!(kept.mend(LOGBOOK, &whole).unwrap(), 3);
    assert_eq!(kept.damaged().unwrap().len(), 0);
    assert_eq!(kept.verify().unwrap().faults, []);
    assert_eq!(kept.state(LOGBOOK).unwrap(), peer.state(LOGBOOK).unwrap());
}

/// Changes one bit of an entry's row in a closed store, checksums and all.
fn damage(path: &Path, arrival: u64) {
    let db = Database::open(path).unwrap();
    let txn = db.begin_write().unwrap();
    {
        let mut entries = txn.open_table(tables::ENTRIES).unwrap();
        let mut row = entries.get(arrival).unwrap().unwrap().value().to_vec();
        *row.last_mut().unwrap() ^= 1;
        entries.insert(arrival, row.as_slice()).unwrap();
    }
    txn.commit().unwrap();
}

#[test]
fn a_damaged_ledger_is_found_and_rebuilding_mends_it() {
    for table in [tables::LEDGERS, tables::MOVED] {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("yard.redb");
        let (kept, other) = (on_disk(&path), store(2));
        other.record(&[set(1, "by another")], at(2)).unwrap();
        carry(&other, &kept, 3);
        settle(&kept);
        // One chain of two goes on.
        kept.record(&[set(2, "later")], at(4)).unwrap();
        settle(&kept);
        drop(kept);
        {
            let db = Database::open(&path).unwrap();
            let txn = db.begin_write().unwrap();
            {
                let mut rows = txn.open_table(table).unwrap();
                let row = rows.get(LOGBOOK.bytes()).unwrap();
                let mut row = row.unwrap().value().to_vec();
                *row.last_mut().unwrap() ^= 1;
                rows.insert(LOGBOOK.bytes(), row.as_slice()).unwrap();
            }
            txn.commit().unwrap();
        }
        let mut kept = Store::open(&path).unwrap();
        let read = kept.state(LOGBOOK);
        let told = |error: &Error| matches!(error, Error::DamagedIndex { table: "ledgers" });
        assert!(read.as_ref().is_err_and(told), "{read:?}");
        assert_eq!(kept.verify().unwrap().faults, [Fault::Index("ledgers")]);
        assert_eq!(kept.rebuild().unwrap().entries, 42);
        assert_eq!(kept.verify().unwrap().faults, []);
    }
}

/// Puts everything into blocks.
fn settle(kept: &Store) {
    Writing::begin(kept, at(3)).unwrap().settle().unwrap();
}
