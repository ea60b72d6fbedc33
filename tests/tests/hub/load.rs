//! The end of the day: every device of the firm exchanges at once.
//!
//! Each carries its own route, so that what it gets is what a crew gets. In the deep form 200
//! devices come with 200 new entries each.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Barrier;
use std::thread;
use std::time::{Duration, Instant};

use headwalk_core::log::entry::{Change, Draft};
use headwalk_core::log::id::{FieldNumber, LogbookId, ThingId};
use headwalk_core::log::seal::DeviceKey;
use headwalk_core::log::value::{HowKnown, Value};
use headwalk_core::site::company::{self, Role, Route};
use headwalk_core::site::fields::{any, device};
use headwalk_core::store::NewStore;
use headwalk_sync_server::access::{Applicant, Name};
use headwalk_sync_server::edge::Edge;
use headwalk_sync_server::hub::Hub as HubFiles;

use super::*;

const COMPANY: LogbookId = LogbookId::from_bytes([1; 16]);

/// How many of each.
struct Size {
    devices: u16,
    sites: u16,
    entries: u16,
}

struct Tablet {
    store: Store,
    token: String,
    site: LogbookId,
}

fn site(number: u16) -> LogbookId {
    let mut id = [2; 16];
    id[..2].copy_from_slice(&number.to_be_bytes());
    LogbookId::from_bytes(id)
}

fn store(folder: &Path, number: u16) -> Store {
    let mut id = [3; 16];
    id[..2].copy_from_slice(&number.to_be_bytes());
    let mut secret = [3; 32];
    secret[..2].copy_from_slice(&number.to_be_bytes());
    let new = NewStore {
        id: StoreId::from_bytes(id),
        key: DeviceKey::from_bytes(secret),
    };
    Store::create(&folder.join(format!("{number}.redb")), new).unwrap()
}

fn set(logbook: LogbookId, thing: ThingId, field: FieldNumber, value: Value) -> Draft {
    let change = Change::Set {
        thing,
        field,
        value,
        how: HowKnown::Unstated,
    };
    Draft {
        logbook,
        by: "R. Ash".to_owned(),
        utc_offset_min: 0,
        visit: None,
        changes: vec![change],
    }
}

/// Lets everybody in while the hub rests: by its own functions, at no person's pace.
fn let_in(data: &Path, folder: &Path, size: &Size) -> (StoreId, Vec<Tablet>) {
    let hub = HubFiles::open(data, Edge::of_environment().unwrap()).unwrap();
    let mut id = None;
    let tablets = (0..=size.devices).map(|number| {
        let role = if number == 0 {
            Role::Dispatcher
        } else {
            Role::Crew
        };
        let name = |text: &str| Name::parse("name", text).unwrap();
        let code = hub.issue(role, name("R. Ash"), 24).unwrap().code;
        let store = store(folder, number);
        let applicant = Applicant {
            device: store.device(),
            name: name(&format!("tablet {number}")),
            person: name("R. Ash"),
        };
        let welcome = hub.enrol(&code, applicant).unwrap();
        id = Some(welcome.store);
        Tablet {
            store,
            token: welcome.token.to_string(),
            site: site(number % size.sites),
        }
    });
    let tablets = tablets.collect();
    (id.unwrap(), tablets)
}

/// The dispatcher gives everybody a route of one site.
fn routes(dispatcher: &Tablet, crews: &[Tablet], now: WallMs) {
    let kind = |word: &str| (any::KIND.number, Value::text(word));
    let (field, value) = kind("company");
    let mut drafts = vec![set(COMPANY, ThingId::root(COMPANY), field, value)];
    for crew in crews {
        let thing = company::thing_of(crew.store.device());
        let route = Route::Sites([crew.site].into());
        drafts.push(set(COMPANY, thing, device::CARRIES.number, route.value()));
    }
    dispatcher.store.record(&drafts, now).unwrap();
}

/// Returns the most memory that a process has had, in mebibytes.
fn most_memory_mib(pid: u32) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{pid}/status")).unwrap();
    let line = status
        .lines()
        .find(|line| line.starts_with("VmHWM:"))
        .unwrap();
    let kib: u64 = line.split_whitespace().nth(1).unwrap().parse().unwrap();
    kib / 1024
}

#[cfg(target_os = "linux")]
#[test]
fn a_whole_firm_exchanges_at_once_and_all_hold_the_same() {
    let size = match std::env::var_os("HEADWALK_DEEP") {
        Some(_) => Size {
            devices: 200,
            sites: 40,
            entries: 200,
        },
        None => Size {
            devices: 40,
            sites: 10,
            entries: 20,
        },
    };
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("hub");
    Hub::start(&data).kill();
    let (id, tablets) = let_in(&data, folder.path(), &size);
    let (dispatcher, crews) = tablets.split_first().unwrap();
    // Real clocks of stores and hub are far apart in no test: all stand at one moment.
    let later = NOW.shifted(30_000);
    routes(dispatcher, crews, later);
    let hub = Hub::start(&data);
    hub.exchange(&dispatcher.store, id, &dispatcher.token)
        .unwrap();
    for (crew, number) in crews.iter().zip(0_u16..) {
        let entry = |step: u16| {
            let mut thing = [4; 16];
            thing[..4].copy_from_slice(&[number.to_be_bytes(), step.to_be_bytes()].concat());
            let words = Value::text(format!("what tablet {number} saw at step {step}"));
            set(
                crew.site,
                ThingId::from_bytes(thing),
                any::REMARK.number,
                words,
            )
        };
        let drafts: Vec<_> = (0..size.entries).map(entry).collect();
        crew.store.record(&drafts, later).unwrap();
    }

    let barrier = Barrier::new(crews.len());
    let began = Instant::now();
    let mut times: Vec<Duration> = thread::scope(|scope| {
        let exchange = |crew| {
            let (hub, barrier) = (&hub, &barrier);
            scope.spawn(move || {
                let crew: &Tablet = crew;
                barrier.wait();
                let began = Instant::now();
                let summary = hub.exchange(&crew.store, id, &crew.token).unwrap();
                let refused = summary
                    .logbooks
                    .values()
                    .filter(|one| one.refused.is_some());
                assert_eq!(refused.count(), 0, "{summary:?}");
                began.elapsed()
            })
        };
        let running: Vec<_> = crews.iter().map(exchange).collect();
        running.into_iter().map(|one| one.join().unwrap()).collect()
    });
    let all = began.elapsed();
    // Who came early hears now of who came late.
    for tablet in tablets.iter().rev() {
        assert!(
            hub.exchange(&tablet.store, id, &tablet.token)
                .unwrap()
                .equal
        );
    }
    times.sort();
    let part = |hundredths: usize| times[(times.len() * hundredths / 100).min(times.len() - 1)];
    let memory = most_memory_mib(hub.child.lock().unwrap().id());
    println!(
        "{} devices x {} entries at once: all done in {all:.1?}, p50 {:.1?}, p99 {:.1?}, the hub's \
         memory at most {memory} MiB",
        size.devices,
        size.entries,
        part(50),
        part(99)
    );
    assert!(memory < 512, "{memory} MiB");
    hub.kill();

    let mut log = Store::open(&data.join(LOG_FILE)).unwrap();
    assert_eq!(log.verify().unwrap().faults, []);
    let mut counted: BTreeMap<LogbookId, u64> = BTreeMap::new();
    for crew in crews {
        let logbook = crew.site;
        *counted.entry(logbook).or_default() += u64::from(size.entries);
        assert_eq!(
            crew.store.heads(logbook).unwrap(),
            log.heads(logbook).unwrap()
        );
        assert_eq!(
            crew.store.state(logbook).unwrap(),
            log.state(logbook).unwrap()
        );
        let carried: BTreeSet<_> = crew.store.logbooks().unwrap().into_iter().collect();
        assert_eq!(carried, BTreeSet::from([COMPANY, logbook]), "its route");
    }
    for (logbook, count) in counted {
        assert_eq!(log.vector(logbook).unwrap().entries(), count);
        assert_eq!(
            dispatcher.store.heads(logbook).unwrap(),
            log.heads(logbook).unwrap()
        );
    }
}
