//! A day on which everything behind the devices is killed, over and over, while they work: nothing
//! that was acknowledged may be missing or there twice, and in the end all hold the same.
//!
//! `HEADWALK_DEEP=1` makes it 200 devices, 20 leaders, 10 hubs and one full stop.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::{Duration, Instant};

use headwalk_core::log::chain::Mark;
use headwalk_core::log::codec;
use headwalk_core::log::id::LogbookId;
use headwalk_core::store::Store;
use headwalk_sync_server::edge::Edge;
use headwalk_sync_server::hub::LOG_CACHE;
use headwalk_sync_server::hub_log::jetstream::JetStreamLog;
use headwalk_sync_server::hub_log::{HubLog, Record};
use headwalk_tests::{Cluster, NODES};

use super::contract::all;
use super::ground::access;
use super::hubs::{NotNow, Process, Tablet, agent, let_in};

/// How much of everything.
struct Size {
    tablets: u16,
    sites: u16,
    leader_kills: u32,
    hub_kills: u32,
    crews: usize,
}

const PUSH: Size = Size {
    tablets: 24,
    sites: 6,
    leader_kills: 2,
    hub_kills: 2,
    crews: 4,
};
const DEEP: Size = Size {
    tablets: 200,
    sites: 40,
    leader_kills: 20,
    hub_kills: 10,
    crews: 12,
};

/// What happened, as seen from the devices.
#[derive(Default)]
struct Seen {
    exchanges: AtomicU64,
    turned_away: AtomicU64,
    last: Mutex<Option<Instant>>,
    longest_stall: Mutex<Duration>,
    longest_wait: Mutex<Duration>,
    wrong: Mutex<Vec<String>>,
}

impl Seen {
    fn acknowledged(&self, since: Instant) {
        let now = Instant::now();
        self.exchanges.fetch_add(1, Ordering::Relaxed);
        let mut last = self.last.lock().unwrap();
        let stall = last.map_or(Duration::ZERO, |last| now - last);
        *last = Some(now);
        let mut longest = self.longest_stall.lock().unwrap();
        *longest = stall.max(*longest);
        let mut longest = self.longest_wait.lock().unwrap();
        *longest = (now - since).max(*longest);
    }
}

pub fn nothing_acknowledged_is_lost_or_there_twice_whatever_is_killed() {
    let size = match std::env::var_os("HEADWALK_DEEP") {
        Some(_) => DEEP,
        None => PUSH,
    };
    let cluster = Cluster::start().unwrap();
    let scratch = tempfile::tempdir().unwrap();
    let (id, tablets) = let_in(scratch.path(), &cluster, "day", size.tablets, size.sites);
    let hubs: Vec<_> = (0..3)
        .map(|number| Process::start(scratch.path().join(format!("hub{number}")), &cluster, "day"))
        .collect();
    let (dispatcher, crews) = tablets.split_first().unwrap();
    dispatcher.exchange(&agent(), &hubs[0], id).unwrap();

    let (seen, over) = (Seen::default(), AtomicBool::new(false));
    // For each tablet: how many of its entries were acknowledged.
    let acknowledged: Vec<_> = crews.iter().map(|_| AtomicU64::new(0)).collect();
    let acknowledged = &acknowledged;
    thread::scope(|scope| {
        for crew in 0..size.crews {
            let (seen, over, hubs) = (&seen, &over, &hubs);
            scope.spawn(move || {
                let agent = agent();
                let own = || {
                    crews
                        .iter()
                        .zip(acknowledged)
                        .skip(crew)
                        .step_by(size.crews)
                };
                let mut round = 0;
                while !over.load(Ordering::Acquire) {
                    for (tablet, acknowledged) in own() {
                        if over.load(Ordering::Acquire) {
                            return;
                        }
                        work(tablet, acknowledged, round, hubs, id, &agent, seen, over);
                        round += 1;
                    }
                }
            });
        }
        // What ends this, ends the crews, too: a panic here must not leave them at work.
        let done = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
            kill_what_can_be_killed(&size, &cluster, &hubs);
        }));
        over.store(true, Ordering::Release);
        done.unwrap();
    });
    assert_eq!(*seen.wrong.lock().unwrap(), Vec::<String>::new());
    println!(
        "{} tablets, 3 hubs, 3 nodes; {} leaders and {} hubs killed, one full stop; {} exchanges, {} \
         turned away; longest time without an acknowledgement to anybody {:.1?}, longest that one \
         device waited {:.1?}",
        size.tablets,
        size.leader_kills,
        size.hub_kills,
        seen.exchanges.load(Ordering::Relaxed),
        seen.turned_away.load(Ordering::Relaxed),
        seen.longest_stall.lock().unwrap(),
        seen.longest_wait.lock().unwrap(),
    );
    all_hold_the_same(&cluster, &hubs, &tablets, id);
    compare_with_the_log(&cluster, &hubs, crews, acknowledged, id);
}

/// One tablet records some entries, and exchanges until it is told that they are there.
#[expect(
    clippy::too_many_arguments,
    reason = "it is a closure that got too long"
)]
fn work(
    tablet: &Tablet,
    acknowledged: &AtomicU64,
    round: usize,
    hubs: &[Process],
    log: headwalk_core::log::id::StoreId,
    agent: &ureq::Agent,
    seen: &Seen,
    over: &AtomicBool,
) {
    tablet.record(&format!("round {round}"), 3 + round % 5);
    let recorded = entries_of(&tablet.store, tablet.site);
    let began = Instant::now();
    let mut at = round;
    loop {
        match tablet.exchange(agent, &hubs[at % hubs.len()], log) {
            Ok(summary) => {
                let refused = summary.logbooks.values().any(|one| one.refused.is_some());
                if refused || !summary.equal {
                    seen.wrong.lock().unwrap().push(format!("{summary:?}"));
                }
                acknowledged.store(recorded, Ordering::Release);
                return seen.acknowledged(began);
            }
            Err(NotNow::Away(_)) => {
                seen.turned_away.fetch_add(1, Ordering::Relaxed);
                if over.load(Ordering::Acquire) {
                    return;
                }
                thread::sleep(Duration::from_millis(100));
            }
            Err(NotNow::Wrong(why)) => {
                seen.wrong.lock().unwrap().push(why);
                return;
            }
        }
        at += 1;
    }
}

/// How many entries of its own a tablet has.
fn entries_of(store: &Store, logbook: LogbookId) -> u64 {
    let heads = store.heads(logbook).unwrap();
    let own = heads.iter().find(|head| head.device == store.device());
    own.map_or(0, |head| head.seq.get())
}

fn kill_what_can_be_killed(size: &Size, cluster: &Cluster, hubs: &[Process]) {
    let calm = || thread::sleep(Duration::from_millis(1_000));
    let (mut leaders, mut killed_hubs) = (0, 0);
    let stop_at = size.leader_kills / 2;
    calm();
    while leaders < size.leader_kills || killed_hubs < size.hub_kills {
        if leaders < size.leader_kills && cluster.kill_leader("day", Duration::from_millis(500)) {
            leaders += 1;
            cluster.wait_until_ready();
            calm();
            if leaders == stop_at {
                for node in 0..NODES {
                    cluster.kill_node(node);
                }
                thread::sleep(Duration::from_secs(2));
                for node in 0..NODES {
                    cluster.start_node(node);
                }
                cluster.wait_until_ready();
                calm();
            }
        }
        let due = (leaders * size.hub_kills).div_ceil(size.leader_kills);
        while killed_hubs < size.hub_kills && killed_hubs < due {
            let hub = &hubs[killed_hubs as usize % hubs.len()];
            hub.kill();
            if killed_hubs % 3 == 1 {
                hub.forget();
            }
            hub.up();
            killed_hubs += 1;
        }
    }
}

fn all_hold_the_same(
    cluster: &Cluster,
    hubs: &[Process],
    tablets: &[Tablet],
    log: headwalk_core::log::id::StoreId,
) {
    let agent = agent();
    cluster.wait_until_ready();
    for round in 0..2 {
        for (tablet, at) in tablets.iter().zip(round..) {
            let mut tries = 0;
            loop {
                match tablet.exchange(&agent, &hubs[at % hubs.len()], log) {
                    Ok(summary) => break assert!(summary.equal, "{summary:?}"),
                    Err(NotNow::Wrong(why)) => panic!("{why}"),
                    Err(NotNow::Away(why)) => {
                        tries += 1;
                        assert!(tries < 100, "{why}");
                        thread::sleep(Duration::from_millis(200));
                    }
                }
            }
        }
    }
}

fn compare_with_the_log(
    cluster: &Cluster,
    hubs: &[Process],
    crews: &[Tablet],
    acknowledged: &[AtomicU64],
    id: headwalk_core::log::id::StoreId,
) {
    let edge = Edge::of_environment().unwrap();
    let log = JetStreamLog::open(&access(&cluster.address("day"), cluster), id, edge);
    let log: Arc<dyn HubLog> = Arc::new(log.unwrap());
    let mut there: BTreeMap<(LogbookId, Mark), u32> = BTreeMap::new();
    for (_, record) in all(&*log, 1_000) {
        if let Record::Entry(entry) = record {
            let mark = codec::mark(&entry.raw).unwrap();
            let logbook = codec::peek(&entry.raw).unwrap().0;
            *there.entry((logbook, mark)).or_default() += 1;
        }
    }
    let twice = there.values().filter(|times| **times > 1).count();
    let marks: BTreeSet<_> = there
        .keys()
        .map(|(logbook, mark)| (*logbook, mark.device, mark.seq))
        .collect();
    let mut lost = 0;
    let mut in_all = 0;
    for (tablet, acknowledged) in crews.iter().zip(acknowledged) {
        let mut seq = headwalk_core::log::id::Seq::FIRST;
        for _ in 0..acknowledged.load(Ordering::Acquire) {
            in_all += 1;
            lost += u64::from(!marks.contains(&(tablet.site, tablet.store.device(), seq)));
            seq = seq.next();
        }
    }
    println!(
        "{} entries in the log, {in_all} acknowledged: {lost} of those lost, {twice} there twice",
        there.len()
    );
    assert!(in_all > 0 && lost == 0 && twice == 0);
    let mut stores = Vec::new();
    for hub in hubs {
        let health = agent().get(hub.url("/healthz")).call().unwrap();
        assert_eq!(health.status(), 200, "it has caught up");
        hub.end();
        stores.push(Store::open(&hub.folder.join(LOG_CACHE)).unwrap());
    }
    for store in &mut stores {
        assert_eq!(store.verify().unwrap().faults, []);
    }
    let (first, others) = stores.split_first().unwrap();
    for store in others {
        assert_eq!(
            store.last_bookmark().unwrap(),
            first.last_bookmark().unwrap()
        );
        assert_eq!(store.logbooks().unwrap(), first.logbooks().unwrap());
        for logbook in first.logbooks().unwrap() {
            assert_eq!(store.heads(logbook).unwrap(), first.heads(logbook).unwrap());
            assert_eq!(store.state(logbook).unwrap(), first.state(logbook).unwrap());
        }
    }
    for tablet in crews {
        assert_eq!(
            tablet.store.heads(tablet.site).unwrap(),
            first.heads(tablet.site).unwrap()
        );
        assert_eq!(
            tablet.store.state(tablet.site).unwrap(),
            first.state(tablet.site).unwrap()
        );
    }
}
