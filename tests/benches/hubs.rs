//! What a hub takes and how long its devices wait: with a log of its own, one hub beside a cluster of
//! three nodes, and three hubs beside it, in one run on one machine.
//!
//!     cargo bench -p headwalk-tests --bench hubs
//!
//! Each crew brings a visit of 25 entries in one exchange; sixteen do at any moment. `HEADWALK_BENCH_CREWS=100,400`
//! says how many crews there are. With `-- --write` the table goes into `tests/benches/RESULTS.md`. Hubs, engine
//! and devices share the machine's cores, so read the ratios; where the engine cannot be had its columns
//! are empty (`tests/engine.sh` brings it).

#![expect(
    clippy::unwrap_used,
    reason = "a benchmark has nobody to hand an error to"
)]

use std::fmt::Write;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;
use std::time::{Duration, Instant};

use headwalk_core::exchange::message::Parcel;
use headwalk_core::exchange::session::{Caller, Next};
use headwalk_core::log::entry::{Change, Draft};
use headwalk_core::log::id::{FieldNumber, LogbookId, StoreId, ThingId};
use headwalk_core::log::seal::DeviceKey;
use headwalk_core::log::value::{HowKnown, Value};
use headwalk_core::site::company::{self, Role, Route};
use headwalk_core::site::fields::{any, device};
use headwalk_core::store::{NewStore, Store};
use headwalk_sync_server::access::{Applicant, Name};
use headwalk_sync_server::edge::Edge;
use headwalk_sync_server::hub::{Hub, LOG_CACHE, LOG_FILE};
use headwalk_sync_server::hub_log::HubLog;
use headwalk_sync_server::hub_log::jetstream::{Access, JetStreamLog};
use headwalk_sync_server::moving;
use headwalk_sync_server::secret::Token;
use headwalk_tests::{Cluster, binary, memory_of};

const ENTRIES_A_VISIT: usize = 25;
/// What a crew's day is: 40 visits.
const ENTRIES_A_DAY: f64 = 40.0 * ENTRIES_A_VISIT as f64;
const AT_ONCE: usize = 16;
const CREWS_A_SITE: usize = 4;
/// By when a hub has put on disk what it took in.
const ON_DISK_AFTER: Duration = Duration::from_secs(8);
const COMPANY: LogbookId = LogbookId::from_bytes([1; 16]);

struct Crew {
    store: Store,
    token: Token,
    site: LogbookId,
}

/// What one way of keeping the log came to.
struct Measured {
    crews: usize,
    way: &'static str,
    took: Duration,
    waits: Vec<Duration>,
    hub_cpu: Duration,
    engine_cpu: Duration,
}

fn main() {
    let sizes = std::env::var("HEADWALK_BENCH_CREWS").unwrap_or_else(|_| "100,400,1600".to_owned());
    let cluster = Cluster::start();
    let mut table = String::from(
        "| crews | log | entries/s | exchanges/s | p50 | p99 | longest | CPU an entry, hub and devices | \
         CPU an entry, engine |\n|---|---|---|---|---|---|---|---|---|\n",
    );
    let mut figures = String::new();
    for crews in sizes
        .split(',')
        .map(|size| size.trim().parse::<usize>().unwrap())
    {
        let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).unwrap();
        for measured in measure(folder.path(), cluster.as_ref(), crews, &mut figures) {
            let row = measured.row();
            print!("{row}");
            table.push_str(&row);
        }
    }
    println!("\n{table}\n{figures}");
    if std::env::args().any(|arg| arg == "--write") {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("benches/RESULTS.md");
        std::fs::write(path, told(&table, &figures)).unwrap();
    }
}

fn told(table: &str, figures: &str) -> String {
    format!(
        "# Hubs, on a log of their own and on a fleet's\n\n\
         Made by `cargo bench -p headwalk-tests --bench hubs -- --write`, and by nothing else. Two cores \
         for hubs, devices and the engine's three nodes together, all on one disk, `sync_interval: \
         always`; {AT_ONCE} crews at once, each bringing {ENTRIES_A_VISIT} entries in one exchange. Other work \
         ran on the machine meanwhile: read the ratios.\n\n{table}\n{figures}"
    )
}

impl Measured {
    fn entries(&self) -> f64 {
        (self.waits.len() * ENTRIES_A_VISIT) as f64
    }

    fn row(&self) -> String {
        let mut waits = self.waits.clone();
        waits.sort_unstable();
        let part = |hundredths: usize| waits[(waits.len() * hundredths / 100).min(waits.len() - 1)];
        let each = |cpu: Duration| cpu.as_secs_f64() * 1e6 / self.entries();
        format!(
            "| {} | {} | {:.0} | {:.1} | {:.0?} | {:.0?} | {:.0?} | {:.0} us | {:.0} us |\n",
            self.crews,
            self.way,
            self.entries() / self.took.as_secs_f64(),
            self.waits.len() as f64 / self.took.as_secs_f64(),
            part(50),
            part(99),
            part(100),
            each(self.hub_cpu),
            each(self.engine_cpu),
        )
    }
}

fn measure(
    folder: &Path,
    cluster: Option<&Cluster>,
    crews: usize,
    figures: &mut String,
) -> Vec<Measured> {
    let edge = Edge::of_environment().unwrap();
    let name = Name::parse("name", "Office").unwrap();
    let own = folder.join("own");
    let mut hub = Hub::create(&own, &name, edge.clone()).unwrap();
    let tablets = let_in(&hub, crews, &edge);
    let engine = |cluster: Option<&Cluster>| cluster.map_or(Duration::ZERO, Cluster::cpu);
    let mut all = Vec::new();
    hub.begin_serving().unwrap();
    all.push(visits(&[hub], &tablets, "redb", || Duration::ZERO));
    let Some(cluster) = cluster else {
        return all;
    };
    let log_name = format!("b{crews}");
    let access = Access {
        address: cluster.address(&log_name).parse().unwrap(),
        credentials: None,
        nkey: None,
        authority: None,
        certificate: None,
        monitors: cluster.monitors(),
        replicas: 3,
    };
    let id = moving::log_of(&own).unwrap();
    let open = || Arc::new(JetStreamLog::open(&access, id, edge.clone()).unwrap());
    let began = Instant::now();
    let log = open();
    let moved = moving::to_fleet(&own, log.as_ref(), &cluster.address(&log_name), &edge).unwrap();
    let moved_in = began.elapsed();
    for (hubs, way) in [(1, "3 nodes, 1 hub"), (3, "3 nodes, 3 hubs")] {
        let beside = |number: usize| {
            let folder = folder.join(format!("{hubs}-{number}"));
            let mut hub = Hub::beside(&folder, open(), &name, edge.clone()).unwrap();
            hub.catch_up().unwrap();
            hub.begin_serving().unwrap();
            hub
        };
        let fleet: Vec<_> = (0..hubs).map(beside).collect();
        all.push(visits(&fleet, &tablets, way, || engine(Some(cluster))));
        let entries: u64 =
            (moved.entries as usize + hubs.div_ceil(3) * crews * ENTRIES_A_VISIT) as u64;
        if hubs == 3 {
            let file = folder.join("3-0").join(LOG_CACHE);
            let records = log.end().unwrap().0;
            let [anew, again] = starts(&folder.join("new"), cluster, &log_name);
            writeln!(
                figures,
                "{crews} crews: moved {} entries in {moved_in:.1?}, with reading them back. {records} \
                 records stand for {entries} entries; a new hub's process has taken them in and listens \
                 after {:.1?}, with {} MB of memory; killed and started again, after {:.1?}, with {} MB. A \
                 hub's file has {} bytes an entry, redb's own {}, a node's stream {}.\n",
                moved.entries,
                anew.0,
                anew.1 / 1_000_000,
                again.0,
                again.1 / 1_000_000,
                std::fs::metadata(file).unwrap().len() / entries,
                std::fs::metadata(own.join(LOG_FILE)).unwrap().len() / moved.entries,
                cluster.stream_bytes(&log_name).unwrap_or_default() / entries,
            )
            .unwrap();
        }
    }
    let day = |measured: &Measured| {
        let cpu = (measured.hub_cpu + measured.engine_cpu).as_secs_f64();
        cpu / measured.entries() * ENTRIES_A_DAY
    };
    let [redb, one, three] = [&all[0], &all[1], &all[2]];
    writeln!(
        figures,
        "{crews} crews: a device's day of {ENTRIES_A_DAY:.0} entries costs {:.2} s of CPU with redb, {:.2} s \
         with the cluster and one hub, {:.2} s with three; devices' own work is in each.\n",
        day(redb),
        day(one),
        day(three)
    )
    .unwrap();
    all
}

/// Starts a hub's process on a new folder, kills it once its file is on disk, and starts it again: how
/// long each took, and the memory that it has then.
fn starts(folder: &Path, cluster: &Cluster, name: &str) -> [(Duration, u64); 2] {
    let program = binary("headwalk-server"); // built before it is timed
    [(); 2].map(|()| {
        let began = Instant::now();
        let mut child = Command::new(&program)
            .arg("--folder")
            .arg(folder)
            .args(["--log", &cluster.address(name)])
            .args(["--log-monitor", &cluster.monitors().join(",")])
            .arg("--until-input-ends")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let listens = |line: String| line.starts_with("http://");
        assert!(lines.map_while(Result::ok).any(listens), "it listens");
        let took = began.elapsed();
        thread::sleep(ON_DISK_AFTER);
        let memory = memory_of(child.id()).unwrap_or_default();
        child.kill().unwrap();
        child.wait().unwrap();
        (took, memory)
    })
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

/// Lets a dispatcher and the crews in, each with a route of one site.
fn let_in(hub: &Hub, crews: usize, edge: &Edge) -> Vec<Crew> {
    let enrol = |number: usize, role: Role| {
        let name = |text: &str| Name::parse("name", text).unwrap();
        let new = NewStore {
            id: StoreId::fresh(edge.now().get(), edge.chance().unwrap()),
            key: DeviceKey::from_bytes(edge.chance().unwrap()),
        };
        let backend = redb::backends::InMemoryBackend::new();
        let store = Store::on_backend(backend, new).unwrap();
        let code = hub.issue(role, name("R. Ash"), 24).unwrap().code;
        let applicant = Applicant {
            device: store.device(),
            name: name(&format!("tablet {number}")),
            person: name("R. Ash"),
        };
        let token = hub.enrol(&code, applicant).unwrap().token;
        let site = headwalk_tests::id(2, (number / CREWS_A_SITE) as u64);
        Crew {
            store,
            token,
            site: LogbookId::from_bytes(site),
        }
    };
    let dispatcher = enrol(crews, Role::Dispatcher);
    let tablets: Vec<_> = (0..crews).map(|number| enrol(number, Role::Crew)).collect();
    let kind = Value::text("company");
    let mut drafts = vec![set(COMPANY, ThingId::root(COMPANY), any::KIND.number, kind)];
    for crew in &tablets {
        let thing = company::thing_of(crew.store.device());
        let route = Route::Sites([crew.site].into());
        drafts.push(set(COMPANY, thing, device::CARRIES.number, route.value()));
    }
    dispatcher.store.record(&drafts, edge.now()).unwrap();
    exchange(hub, &dispatcher, edge);
    // The hub enters each in the company's logbook as it meets it; then each has the whole list, with
    // which it begins the day.
    for _ in 0..2 {
        tablets.iter().for_each(|crew| exchange(hub, crew, edge));
    }
    tablets
}

fn exchange(hub: &Hub, crew: &Crew, edge: &Edge) {
    let peer = Some(hub.log().id());
    let (mut caller, mut parcel) = Caller::begin(&crew.store, peer, edge.now()).unwrap();
    loop {
        let answer = hub.exchange(&crew.token, &parcel.to_bytes()).unwrap();
        let answer = Parcel::from_bytes(&answer).unwrap();
        match caller.receive(&crew.store, &answer, edge.now()).unwrap() {
            Next::Send(next) => parcel = next,
            Next::Done(summary) => return assert!(summary.equal),
        }
    }
}

/// Every crew records a visit and brings it; the hubs in turn.
fn visits(
    hubs: &[Hub],
    crews: &[Crew],
    way: &'static str,
    engine_cpu: impl Fn() -> Duration,
) -> Measured {
    let edge = Edge::of_environment().unwrap();
    for crew in crews {
        let draft = |number: usize| {
            let thing = headwalk_tests::id(4, number as u64);
            let words = Value::text(format!("head {number} leans, {way}"));
            set(
                crew.site,
                ThingId::from_bytes(thing),
                any::REMARK.number,
                words,
            )
        };
        let drafts: Vec<_> = (0..ENTRIES_A_VISIT).map(draft).collect();
        crew.store.record(&drafts, edge.now()).unwrap();
    }
    let next = AtomicUsize::new(0);
    let (began, cpu, engine) = (Instant::now(), own_cpu(), engine_cpu());
    let waits = thread::scope(|scope| {
        let work = |_| {
            let (next, edge) = (&next, &edge);
            scope.spawn(move || {
                let mut waits = Vec::new();
                while let Some((number, crew)) = Some(next.fetch_add(1, Ordering::Relaxed))
                    .and_then(|number| Some((number, crews.get(number)?)))
                {
                    let began = Instant::now();
                    exchange(&hubs[number % hubs.len()], crew, edge);
                    waits.push(began.elapsed());
                }
                waits
            })
        };
        let working: Vec<_> = (0..AT_ONCE).map(work).collect();
        let done = working.into_iter().map(|one| one.join().unwrap());
        done.collect::<Vec<_>>().concat()
    });
    Measured {
        crews: crews.len(),
        way,
        took: began.elapsed(),
        waits,
        hub_cpu: own_cpu() - cpu,
        engine_cpu: engine_cpu() - engine,
    }
}

fn own_cpu() -> Duration {
    headwalk_tests::cpu_of(std::process::id()).unwrap_or_default()
}
