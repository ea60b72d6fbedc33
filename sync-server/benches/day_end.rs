//! How long the day's end takes to open for a company of 1,500 sites and 100,000 heads: from
//! nothing, as when a hub has just started; as it is; and after one crew's exchange. Fails where a
//! page that is opened while the hub runs takes a second.
//!
//!     cargo bench -p headwalk-sync-server --bench day_end

#![expect(
    clippy::disallowed_methods,
    clippy::unwrap_used,
    reason = "a benchmark reads the clock, and has nobody to hand an error to"
)]

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use headwalk_core::log::entry::{Change, Draft};
use headwalk_core::log::id::{LogbookId, StoreId, ThingId};
use headwalk_core::log::seal::DeviceKey;
use headwalk_core::log::stamp::WallMs;
use headwalk_core::log::value::{HowKnown, Value};
use headwalk_core::site::day_end::Today;
use headwalk_core::site::fields::{any, finding, site};
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::things::NewThing;
use headwalk_core::site::unit::UnitSystem;
use headwalk_core::store::{NewStore, Store};
use headwalk_sync_server::office::{Digests, Wearing};

const SITES: u32 = 1_500;
const ZONES: u32 = 8;
const HEADS: u32 = 67;
const LIMIT: Duration = Duration::from_secs(1);
/// 2026-07-14T22:00Z.
const EVENING: WallMs = WallMs::new(1_784_066_400_000);

fn main() {
    let folder = tempfile::tempdir().unwrap();
    let store = company(&folder.path().join("log.redb"));
    let today = Today {
        now: EVENING,
        utc_offset_min: -300,
    };

    let mut digests = Digests::default();
    let cold = timed(|| {
        digests.refresh(&store).unwrap();
    });
    let open = || {
        let day = digests.day(&BTreeMap::new(), today);
        assert_eq!(day.lines.len(), SITES as usize * 2);
        day
    };
    let warm = median(|| drop(open()));

    // One crew's exchange touches one site.
    let mut turn = 0;
    let after_news = median(|| {
        turn += 1;
        let thing = thing(turn % SITES, 2 + ZONES);
        write(&store, turn % SITES, vec![note(thing, turn)]);
        digests.refresh(&store).unwrap();
        drop(digests.day(&BTreeMap::new(), today));
    });
    let heads = SITES * HEADS;
    println!(
        "{SITES} sites, {heads} heads, {} lines to decide",
        SITES * 2
    );
    let worn = |digests: &mut Digests| {
        let on = today.date();
        let lives = digests.lives(&store, Wearing::Valves, on, today.utc_offset_min);
        assert_eq!(lives.unwrap().len(), SITES as usize);
    };
    let wear_first = timed(|| worn(&mut digests));
    let wear_again = median(|| worn(&mut digests));
    println!("as the hub starts, every logbook once:    {cold:>8.1?}");
    println!("opened while nothing moves:               {warm:>8.1?}");
    println!("opened after an entry, its writing too:   {after_news:>8.1?}");
    println!("what wears out, first on its day:         {wear_first:>8.1?}");
    println!("what wears out, again:                    {wear_again:>8.1?}");
    assert!(wear_again < LIMIT, "slower than {LIMIT:?}");
    assert!(warm < LIMIT && after_news < LIMIT, "slower than {LIMIT:?}");
}

fn timed(work: impl FnOnce()) -> Duration {
    let began = Instant::now();
    work();
    began.elapsed()
}

fn median(mut work: impl FnMut()) -> Duration {
    let mut took: Vec<_> = (0..9).map(|_| timed(&mut work)).collect();
    took.sort();
    took[took.len() / 2]
}

fn company(path: &std::path::Path) -> Store {
    let new = NewStore {
        id: StoreId::from_bytes([1; 16]),
        key: DeviceKey::from_bytes([1; 32]),
    };
    let store = Store::create(path, new).unwrap();
    for number in 0..SITES {
        write(&store, number, site_of(number));
    }
    store
}

fn logbook(number: u32) -> LogbookId {
    let mut bytes = [7; 16];
    bytes[..4].copy_from_slice(&number.to_be_bytes());
    LogbookId::from_bytes(bytes)
}

fn thing(number: u32, nth: u32) -> ThingId {
    let mut bytes = *logbook(number).bytes();
    bytes[4..8].copy_from_slice(&nth.to_be_bytes());
    ThingId::from_bytes(bytes)
}

/// A site with a controller, zones with heads, a weeping valve and something to quote.
fn site_of(number: u32) -> Vec<Change> {
    let root = ThingId::root(logbook(number));
    let set = |field: &headwalk_core::site::fields::FieldDef, words: String| Change::Set {
        thing: root,
        field: field.number,
        value: Value::text(words),
        how: HowKnown::Unstated,
    };
    let mut changes = vec![
        set(&any::KIND, "site".to_owned()),
        set(&site::NAME, format!("Site {number}")),
    ];
    let say = |new: NewThing, said: &[(&str, &str)]| {
        let say = |new: NewThing, (name, text): &(&str, &str)| new.say(name, text, UnitSystem::Us);
        said.iter().try_fold(new, say).unwrap()
    };
    let new = |nth, kind| NewThing::new(thing(number, nth), kind).part_of(root);
    let controller = new(1, ThingKind::Controller);
    let programs = "A: start 5:00; days mon wed fri; 100%; run 1=15 2=15 3=15";
    changes.extend(say(controller, &[("programs", programs)]).changes());
    for zone in 1..=ZONES {
        let number = zone.to_string();
        let zone = new(1 + zone, ThingKind::Zone);
        changes.extend(say(zone, &[("number", &number), ("area", "850 sqft")]).changes());
    }
    for head in 0..HEADS {
        let zone = 1 + head % ZONES;
        let label = format!("{zone}-{:02}", 1 + head / ZONES);
        let head = NewThing::new(thing(number, 2 + ZONES + head), ThingKind::Head)
            .part_of(thing(number, 1 + zone))
            .label(&label);
        let said = [
            ("head-kind", "fixed-spray"),
            ("arc", "half"),
            ("radius", "12 ft"),
        ];
        changes.extend(say(head, &said).changes());
    }
    for (nth, what, status) in [
        (1_000, "valve-weeping", "described"),
        (1_001, "not-turning", "to-quote"),
    ] {
        let found =
            new(nth, ThingKind::Finding).set(&finding::WHAT, Value::text(what), HowKnown::Unstated);
        changes.extend(say(found, &[("status", status)]).changes());
    }
    changes
}

fn note(thing: ThingId, turn: u32) -> Change {
    Change::Set {
        thing,
        field: any::REMARK.number,
        value: Value::text(format!("seen on turn {turn}")),
        how: HowKnown::Unstated,
    }
}

fn write(store: &Store, number: u32, changes: Vec<Change>) {
    let draft = Draft {
        logbook: logbook(number),
        by: "R. Ash".to_owned(),
        utc_offset_min: -300,
        visit: None,
        changes,
    };
    store.record(&[draft], EVENING).unwrap();
}
