//! How long a letter takes, and a whole company's schedules: `cargo bench -p headwalk-core --bench
//! letters`.
//!
//! Ends with exit code 1 where the letter of one site of a company of 1,500 sites and 100,000 heads
//! takes 200 ms or more, from the store's file to the page, or the schedules of all its 18,000 zones
//! with their reasons a second or more on two threads. In the same run floors are measured: reading
//! those same logbooks and doing nothing with them.

#![expect(
    clippy::disallowed_methods,
    reason = "a benchmark reads the clock; core itself never does"
)]

use std::hint::black_box;
use std::ops::Range;
use std::path::Path;
use std::process::ExitCode;
use std::thread;
use std::time::{Duration, Instant};

use chrono::NaiveDate;
use headwalk_core::log::entry::{Change, Draft};
use headwalk_core::log::id::{LogbookId, StoreId, ThingId};
use headwalk_core::log::seal::DeviceKey;
use headwalk_core::log::stamp::WallMs;
use headwalk_core::log::value::{HowKnown, Value};
use headwalk_core::site::fields::seen;
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::papers::{Facts, Options, letter};
use headwalk_core::site::plan::{HouseRules, plan_site};
use headwalk_core::site::things::{NewThing, Site};
use headwalk_core::site::unit::UnitSystem;
use headwalk_core::site::weather::Record;
use headwalk_core::store::{NewStore, Store};

const LIMIT: Duration = Duration::from_millis(200);
const WHOLE_COMPANY: Duration = Duration::from_secs(1);
const ROUNDS: usize = 15;
const SITES: u64 = 1_500;
const ZONES: u64 = 12;
/// 1,500 sites of these are 100,500 heads.
const HEADS: u64 = 67;

fn main() -> ExitCode {
    let folder = tempfile::tempdir().expect("a scratch folder");
    let new = NewStore {
        id: StoreId::from_bytes([1; 16]),
        key: DeviceKey::from_bytes([2; 32]),
    };
    let store = Store::create(&folder.path().join("company.redb"), new).expect("a new store");
    let begun = Instant::now();
    company(&store);
    station(&store);
    for nth in 0..SITES {
        site(&store, nth);
    }
    println!(
        "{SITES} sites, {} heads, written in {:.0} s",
        SITES * HEADS,
        begun.elapsed().as_secs_f64()
    );
    let mut bytes = 0;
    let taken = median(|| bytes = one_letter(&store, 740));
    let floor = median(|| {
        for id in [book(740), book(COMPANY), book(STATION)] {
            black_box(store.state(id).expect("a logbook"));
        }
    });
    println!(
        "a letter of {bytes} bytes: {:.1} ms; floor {:.1} ms",
        taken.as_secs_f64() * 1e3,
        floor.as_secs_f64() * 1e3
    );
    let (read, planned, zones) = schedules(&folder.path().join("company.redb"), store);
    println!(
        "schedules of {SITES} sites and {zones} zones, two threads: {:.0} ms; floor {:.0} ms, {:.1} times",
        planned.as_secs_f64() * 1e3,
        read.as_secs_f64() * 1e3,
        planned.as_secs_f64() / read.as_secs_f64()
    );
    if taken < LIMIT && planned < WHOLE_COMPANY {
        ExitCode::SUCCESS
    } else {
        eprintln!("slower than {LIMIT:.0?} a letter, or {WHOLE_COMPANY:.0?} the schedules");
        ExitCode::FAILURE
    }
}

/// Reads every site in a store that was just opened, and then in another one makes every schedule,
/// halves of the sites in two threads. Returns what each took and how many zones have a schedule.
fn schedules(path: &Path, store: Store) -> (Duration, Duration, usize) {
    drop(store);
    let halves = [0..SITES / 2, SITES / 2..SITES];
    let timed = |of_sites: &(dyn Fn(&Store, Range<u64>) -> usize + Sync)| {
        let store = Store::open(path).expect("the store opens");
        let begun = Instant::now();
        let zones = thread::scope(|scope| {
            let store = &store;
            let work = |half: Range<u64>| move || of_sites(store, half);
            let halves = halves.clone().map(|half| scope.spawn(work(half)));
            halves
                .map(|half| half.join().expect("it ends"))
                .iter()
                .sum()
        });
        (begun.elapsed(), zones)
    };
    let (read, _) = timed(&|store, sites| {
        let states = sites.map(|nth| store.state(book(nth)).expect("a logbook"));
        states.map(|state| drop(black_box(state))).count()
    });
    let (planned, zones) = timed(&|store, sites| {
        let state = |id| store.state(id).expect("a logbook");
        let (of_firm, of_station) = (state(book(COMPANY)), state(book(STATION)));
        let rules = HouseRules::of(Site::of(&of_firm, book(COMPANY)).root());
        let weather = Record::of(&of_station, book(STATION));
        let plans = sites.map(|nth| {
            let of_site = state(book(nth));
            let site = Site::of(&of_site, book(nth));
            black_box(plan_site(&site, &weather, NOW.date_at(-300), &rules))
                .zones
                .len()
        });
        plans.sum()
    });
    (read, planned, zones)
}

const COMPANY: u64 = 1_000_000;
const STATION: u64 = 1_000_001;

fn book(nth: u64) -> LogbookId {
    LogbookId::fresh(NOW.get() + nth, [7; 10])
}

const NOW: WallMs = WallMs::new(1_784_030_400_000);

fn thing(site: u64, nth: u64) -> ThingId {
    let mut chance = [0; 10];
    chance[..8].copy_from_slice(&nth.to_be_bytes());
    ThingId::fresh(NOW.get() + site, chance)
}

fn write(store: &Store, logbook: LogbookId, entries: Vec<Vec<Change>>) {
    let drafts = entries.into_iter().map(|changes| Draft {
        logbook,
        by: "R. Ash".to_owned(),
        utc_offset_min: -300,
        visit: None,
        changes,
    });
    let drafts: Vec<Draft> = drafts.collect();
    store.record(&drafts, NOW).expect("the store takes it");
}

fn said(new: NewThing, said: &[(&str, &str)]) -> NewThing {
    said.iter().fold(new, |new, (name, text)| {
        new.say(name, text, UnitSystem::Us)
            .expect("it fits the table")
    })
}

fn company(store: &Store) {
    let id = book(COMPANY);
    let firm = NewThing::new(ThingId::root(id), ThingKind::Company);
    let terms = [("name", "Harrow"), ("labour-rate", "$78"), ("tax", "7%")];
    write(store, id, vec![said(firm, &terms).changes()]);
}

/// A year of days.
fn station(store: &Store) {
    let id = book(STATION);
    let root = ThingId::root(id);
    let place = [
        ("name", "North"),
        ("latitude", "41.6"),
        ("longitude", "-93.4"),
        ("elevation", "850 ft"),
    ];
    let station = said(NewThing::new(root, ThingKind::Station), &place);
    let first: NaiveDate = "2025-07-15".parse().expect("a day");
    let days = first.iter_days().take(365).map(|day| {
        let text = format!("date={day}; tmin=16 C; tmax=29 C; rain=1 mm; et=0.2 in");
        let parsed = seen::WEATHER_DAY.parse(&text, UnitSystem::Us);
        Change::Observe {
            thing: root,
            what: seen::WEATHER_DAY.number,
            value: parsed.expect("a day's weather").value,
            how: HowKnown::Read,
        }
    });
    let days: Vec<Change> = days.collect();
    let mut entries = vec![station.changes()];
    entries.extend(days.chunks(100).map(<[Change]>::to_vec));
    write(store, id, entries);
}

/// Twelve zones with heads on a sketch, programs, and five findings to decide about.
fn site(store: &Store, nth: u64) {
    let id = book(nth);
    let root = ThingId::root(id);
    let name = format!("Site {nth}");
    let place = [
        ("name", name.as_str()),
        ("latitude", "41.6"),
        ("longitude", "-93.4"),
        ("elevation", "850 ft"),
        ("weather-station", "North"),
    ];
    let mut entries = vec![said(NewThing::new(root, ThingKind::Site), &place).changes()];
    let run: Vec<String> = (1..=ZONES).map(|zone| format!("{zone}=12")).collect();
    let programs = format!(
        "A: start 4:00; days mon wed fri; 100%; run {}",
        run.join(" ")
    );
    let controller = NewThing::new(thing(nth, 1), ThingKind::Controller).part_of(root);
    entries.push(
        said(
            controller,
            &[("programs", &programs), ("controller-kind", "clock")],
        )
        .changes(),
    );
    for zone in 0..ZONES {
        let number = (zone + 1).to_string();
        let of = [
            ("number", number.as_str()),
            ("plants", "lawn"),
            ("soil", "loam"),
            ("area", "850 sqft"),
            ("emission", "spray"),
        ];
        let new = NewThing::new(thing(nth, 10 + zone), ThingKind::Zone).part_of(root);
        entries.push(said(new, &of).changes());
    }
    for chunk in (0..HEADS).collect::<Vec<_>>().chunks(12) {
        let heads = chunk.iter().flat_map(|head| self::head(nth, *head));
        entries.push(heads.collect());
    }
    for finding in 0..5 {
        let on = thing(nth, 100 + finding * 11);
        let new = NewThing::new(thing(nth, 900 + finding), ThingKind::Finding).part_of(on);
        let of = [("what", "head-broken"), ("status", "to-quote")];
        entries.push(said(new, &of).changes());
    }
    write(store, id, entries);
}

fn head(site: u64, nth: u64) -> Vec<Change> {
    let zone = nth % ZONES;
    let label = format!("{}-{:02}", zone + 1, nth / ZONES + 1);
    let east = format!("{} ft", 15 * (nth % 9));
    let north = format!("{} ft", 15 * (nth / 9));
    let new =
        NewThing::new(thing(site, 100 + nth), ThingKind::Head).part_of(thing(site, 10 + zone));
    let of = [
        ("arc", "180"),
        ("radius", "15 ft"),
        ("facing", "90"),
        ("flow", "1.85 gpm"),
        ("east", &east),
        ("north", &north),
        ("installed", "2007"),
        ("nozzle", "15 ft half"),
    ];
    let new = said(new.label(&label), &of);
    let removed = headwalk_core::site::fields::any::REMARK;
    new.set(&removed, Value::text("as left"), HowKnown::Unstated)
        .changes()
}

fn one_letter(store: &Store, nth: u64) -> usize {
    let (id, firm, station) = (book(nth), book(COMPANY), book(STATION));
    let state = |id| store.state(id).expect("a logbook");
    let (of_site, of_firm, of_station) = (state(id), state(firm), state(station));
    let site = Site::of(&of_site, id);
    let firm = Site::of(&of_firm, firm);
    let facts = Facts {
        site: &site,
        firm: Some(&firm),
        weather: &Record::of(&of_station, station),
        on: NOW.date_at(-300),
        utc_offset_min: -300,
    };
    black_box(letter(&facts, &Options::of(&site))).len()
}

fn median(mut work: impl FnMut()) -> Duration {
    let mut taken: Vec<Duration> = (0..ROUNDS)
        .map(|_| {
            let begun = Instant::now();
            work();
            begun.elapsed()
        })
        .collect();
    taken.sort();
    taken.get(ROUNDS / 2).copied().unwrap_or(LIMIT)
}
