//! Whatever comes between while a file is taken, what is said to be there is, and taking it again goes on.

use std::fs;
use std::io::Cursor;

use headwalk_core::log::id::StoreId;
use headwalk_core::log::seal::DeviceKey;
use headwalk_core::store::{NewStore, Sealing};

use super::super::disk::{Chance, Disk};
use super::super::of_logbooks;
use super::super::scene::{met, store};
use super::*;

const NOW: WallMs = WallMs::new(1_785_000_000_000);
const FEW: AtMost = AtMost {
    entries: 4,
    bytes: usize::MAX,
};

fn logbooks() -> [LogbookId; 3] {
    [7, 9, 8].map(|number| LogbookId::from_bytes([number; 16]))
}

/// The export of a hub at which phones met, of which none is a copy of another.
fn exported(number: u64) -> String {
    let hub = met(number, store(1), &[store(2), store(3)], &logbooks());
    of_logbooks(&hub, &logbooks()).unwrap()
}

fn checked(text: &str, at_most: AtMost) -> Checked<Cursor<&str>> {
    Checked::read_for(Cursor::new(text), at_most).unwrap()
}

fn on(disk: &Disk) -> Result<Store, store::Error> {
    let new = NewStore {
        id: StoreId::from_bytes([6; 16]),
        key: DeviceKey::from_bytes([6; 32]),
    };
    Store::on_backend(disk.clone(), new)
}

/// How many entries a store holds.
fn held(store: &Store) -> u64 {
    let of = |logbook| store.vector(logbook).unwrap().entries();
    logbooks().into_iter().map(of).sum()
}

#[test]
fn in_pieces_of_any_size_the_same_is_taken_as_at_once() {
    for number in 0..6 {
        let text = exported(number);
        let Whole { sound, entries } = check(&text).unwrap();
        let at_once = store(6);
        let taking = Taking::everything(Clocks::TakenAsTold);
        let appended = at_once.append_sealed(&entries, &sound.seals, &taking, NOW);
        for at_most in [
            AtMost::USUAL,
            FEW,
            AtMost { entries: 1, ..FEW },
            AtMost {
                entries: usize::MAX,
                bytes: 300,
            },
        ] {
            let (first, into) = (checked(&text, at_most), store(6));
            assert!(matches!(first.entries, Entries::There(_)), "line by line");
            let taken = first.take_into(&into, NOW).unwrap();
            assert_eq!(&taken, appended.as_ref().unwrap());
            assert_eq!(of_logbooks(&into, &logbooks()).unwrap(), text);
            let bookmark = into.last_bookmark().unwrap();
            assert_eq!(bookmark, at_once.last_bookmark().unwrap(), "in one order");

            let again = checked(&text, at_most).take_into(&into, NOW).unwrap();
            assert_eq!((again.new, again.held as u64), (0, sound.many));
            assert_eq!(into.last_bookmark().unwrap(), bookmark);
        }
    }
}

#[test]
fn a_file_that_is_read_whole_is_taken_whole() {
    // A phone that is a copy of another: its chain has branches.
    let phones = [store(2), store(3), store(2)];
    let hub = met(0, store(1), &phones, &logbooks());
    let text = of_logbooks(&hub, &logbooks()).unwrap();
    let (first, into) = (checked(&text, FEW), store(6));
    assert!(
        matches!(first.entries, Entries::Here(_)),
        "not line by line"
    );
    let many = first.sound.many;
    assert_eq!(first.take_into(&into, NOW).unwrap().new as u64, many);
    assert_eq!(of_logbooks(&into, &logbooks()).unwrap(), text);
}

#[test]
fn of_a_file_that_is_damaged_at_its_end_nothing_can_be_taken() {
    let text = exported(1);
    let last = text.lines().last().unwrap();
    let cut = &text[..text.len() - last.len() - 1];
    let spoilt = text.replace(last, &last.replacen("\"by\":\"", "\"by\":\"M", 1));
    for text in [cut, &text[..text.len() - 1], &spoilt] {
        // Without a checked file there is nothing that could be taken.
        let read = Checked::read_for(Cursor::new(text), FEW);
        assert!(matches!(read.err(), Some(Unsound::Wrong(_))));
    }
}

/// Power lost at one operation of a disk while a file is taken; returns how many entries were said to be there.
fn power_lost_at(at: u64, text: &str, made: Vec<u8>, chance: &mut Chance) -> Option<u64> {
    let disk = Disk::losing_power_at(made, Some(at));
    let into = on(&disk).ok()?;
    let first = checked(text, FEW);
    let many = first.sound.many;
    let said = match first.take_into(&into, NOW) {
        Ok(taken) => taken.new as u64,
        Err(cut) => {
            assert!(matches!(cut.why, Why::Store(_)), "{:?}", cut.why);
            cut.there
        }
    };
    drop(into);
    let left = Disk::losing_power_at(disk.after_power_loss(chance), None);
    let mut into = on(&left).unwrap();
    let there = held(&into);
    let pieces = there == many || there.is_multiple_of(FEW.entries as u64);
    assert!(pieces && there >= said, "{there} there, {said} said to be");
    assert_eq!(into.verify().unwrap().faults, Vec::new());

    let taken = checked(text, FEW).take_into(&into, NOW).unwrap();
    assert_eq!((taken.new as u64, taken.held as u64), (many - there, there));
    assert_eq!(of_logbooks(&into, &logbooks()).unwrap(), text);
    assert_eq!(into.verify().unwrap().faults, Vec::new());
    Some(said)
}

#[test]
fn power_lost_at_any_write_leaves_what_was_said_to_be_there_and_taking_it_again_goes_on() {
    let text = exported(2);
    let empty = Disk::default();
    drop(on(&empty).unwrap());
    let made = empty.platter().written.clone();
    let all = Disk::losing_power_at(made.clone(), None);
    let taken = checked(&text, FEW).take_into(&on(&all).unwrap(), NOW);
    let many = taken.unwrap().new as u64;
    let operations = all.platter().operations;
    let mut said = BTreeSet::new();
    for at in 0..operations {
        let mut chance = Chance::seeded(at);
        said.extend(power_lost_at(at, &text, made.clone(), &mut chance));
    }
    assert!(
        said.contains(&0) && said.contains(&many) && said.len() as u64 > many / 4,
        "{operations} operations, {many} entries, {said:?} said to be there"
    );
}

/// On a full disk writes fail, and what is on it stays.
#[test]
fn on_a_full_disk_it_says_how_many_are_there_and_with_room_it_goes_on() {
    let text = exported(3);
    let (disk, with_room) = (Disk::default(), Disk::default());
    let (into, all) = (on(&disk).unwrap(), on(&with_room).unwrap());
    let begun = disk.platter().operations;
    checked(&text, FEW).take_into(&all, NOW).unwrap();
    let taken = with_room.platter().operations - begun;
    disk.platter().power_lost_at = Some(begun + taken / 2);
    let first = checked(&text, FEW);
    let many = first.sound.many;
    let cut = first.take_into(&into, NOW).unwrap_err();
    assert!(0 < cut.there && cut.there < many, "{}", cut.there);
    drop(into);

    disk.platter().power_lost_at = None;
    let into = on(&disk).unwrap();
    assert_eq!(held(&into), cut.there);
    let taken = checked(&text, FEW).take_into(&into, NOW).unwrap();
    assert_eq!(taken.held as u64, cut.there);
    assert_eq!(of_logbooks(&into, &logbooks()).unwrap(), text);
}

#[test]
fn what_is_there_after_a_cut_can_be_given_on_to_a_hub_that_wants_seals() {
    let text = exported(4);
    let (first, into) = (checked(&text, FEW), store(6));
    let (mut seals, mut entries) = (by_chain(first.sound.seals), first.entries);
    for _ in 0..2 {
        let piece = entries.next().unwrap();
        take(&piece, &mut seals, &into, NOW).unwrap();
    }
    let (hub, mut batch) = (store(5), Vec::new());
    for logbook in logbooks() {
        let all = into.entries_beyond(logbook, &Default::default(), usize::MAX);
        batch.extend(all.unwrap().0);
    }
    assert_eq!(batch.len(), 2 * FEW.entries);
    let taking = Taking {
        sealing: Sealing::Demanded,
        ..Taking::everything(Clocks::TakenAsTold)
    };
    let seals = into.seals(&batch).unwrap();
    let taken = hub.append_sealed(&batch, &seals, &taking, NOW).unwrap();
    assert_eq!(taken.new, batch.len());
}

#[test]
fn a_file_that_is_changed_between_the_readings_is_noticed_before_anything_of_that_is_taken() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("all.jsonl");
    let text = exported(5);
    let entries = text.match_indices("{\"logbook\"");
    let entries: Vec<_> = entries.map(|(at, _)| at).collect();
    let word = text[entries[5]..].find("\"by\":\"").unwrap() + entries[5] + 6;
    let mut changed = text.clone();
    changed.replace_range(word..=word, "M");
    for other in [&changed, &text[..word], "", &exported(4)] {
        fs::write(&path, &text).unwrap();
        let file = std::io::BufReader::new(fs::File::open(&path).unwrap());
        let first = Checked::read_for(file, FEW).unwrap();
        fs::write(&path, other).unwrap();
        let into = store(6);
        let cut = first.take_into(&into, NOW).unwrap_err();
        assert!(matches!(cut.why, Why::Changed), "{:?}", cut.why);
        let before = if other.starts_with(&text[..entries[4]]) {
            4
        } else {
            0
        };
        assert_eq!((cut.there, held(&into)), (before, before));
    }
}
