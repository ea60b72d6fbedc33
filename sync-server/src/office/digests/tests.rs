use headwalk_core::log::entry::{Change, Draft};
use headwalk_core::log::value::HowKnown;
use headwalk_core::log::vector::VersionVector;
use headwalk_core::site::fields::{any, device, site};
use headwalk_core::site::things::NewThing;
use headwalk_core::store::Clocks;

use super::*;
use crate::tests::store;

const SITE: LogbookId = LogbookId::from_bytes([5; 16]);
const FIRM: LogbookId = LogbookId::from_bytes([6; 16]);

fn set(thing: ThingId, field: &FieldDef, words: &str) -> Change {
    Change::Set {
        thing,
        field: field.number,
        value: Value::text(words),
        how: HowKnown::Unstated,
    }
}

fn record(store: &Store, logbook: LogbookId, changes: Vec<Change>, at: u64) {
    let draft = Draft {
        logbook,
        by: "R. Ash".to_owned(),
        utc_offset_min: -300,
        visit: None,
        changes,
    };
    store.record(&[draft], WallMs::new(at)).unwrap();
}

/// Carries all that one store holds of a logbook to another.
fn carry(from: &Store, to: &Store, logbook: LogbookId) {
    let nothing = VersionVector::new();
    let (raws, _) = from.entries_beyond(logbook, &nothing, usize::MAX).unwrap();
    to.append(&raws, WallMs::new(9), Clocks::TakenAsTold)
        .unwrap();
}

/// Brings the digests up to the store and holds them against such as were never made before; returns what
/// the devices are called in the day's lines.
fn refreshed(digests: &mut Digests, store: &Store) -> Vec<String> {
    let mut anew = Digests::default();
    anew.refresh(store).unwrap();
    digests.refresh(store).unwrap();
    assert_eq!(digests.heard(), anew.heard());
    assert_eq!(digests.utc_offset_min(), anew.utc_offset_min());
    assert_eq!(digests.sites(), anew.sites());
    let today = Today {
        now: WallMs::new(1_000),
        utc_offset_min: 0,
    };
    let [day, right] = [&*digests, &anew].map(|digests| digests.day(&digests.heard(), today));
    let lines = |day: &DayEnd| -> Vec<_> {
        let lines = day.lines.iter();
        lines.map(|listed| listed.line.clone()).collect()
    };
    assert_eq!(lines(&day), lines(&right));
    let sides = lines(&day).into_iter().flat_map(|line| line.sides);
    sides.filter_map(|side| side.device).collect()
}

#[test]
fn digests_that_follow_a_store_say_what_new_ones_say_also_of_devices_that_get_other_names() {
    let (crew, other, office) = (store(1), store(2), store(3));
    let root = ThingId::root(SITE);
    let mut digests = Digests::default();
    let named = vec![
        set(root, &any::KIND, "site"),
        set(root, &site::NAME, "Maple Court"),
    ];
    record(&crew, SITE, named, 1);
    for to in [&other, &office] {
        carry(&crew, to, SITE);
    }
    assert!(refreshed(&mut digests, &office).is_empty());
    // The name stands in two versions; nobody knows the devices.
    record(&crew, SITE, vec![set(root, &site::NAME, "Maple House")], 2);
    record(&other, SITE, vec![set(root, &site::NAME, "Maple Row")], 3);
    for from in [&crew, &other] {
        carry(from, &office, SITE);
    }
    assert!(refreshed(&mut digests, &office).is_empty());
    let firm = ThingId::root(FIRM);
    let tablet = company::thing_of(crew.device());
    let listed = NewThing::new(tablet, ThingKind::Device).part_of(firm);
    let mut changes = listed.changes();
    changes.extend([
        set(firm, &any::KIND, "company"),
        set(tablet, &device::DEVICE_ID, &crew.device().to_string()),
        set(tablet, &device::NAME, "north tablet"),
    ]);
    record(&office, FIRM, changes, 4);
    assert_eq!(refreshed(&mut digests, &office), ["north tablet"]);
    // What names no device otherwise changes no other line.
    record(&office, FIRM, vec![set(tablet, &device::CREW, "north")], 5);
    assert_eq!(refreshed(&mut digests, &office), ["north tablet"]);
    record(
        &office,
        FIRM,
        vec![set(tablet, &device::NAME, "Ash's tablet")],
        6,
    );
    assert_eq!(refreshed(&mut digests, &office), ["Ash's tablet"]);
}
