//! A hub's log that is moved into a cluster and out again, by the command that a person types: killed
//! in the middle and typed again, with the engine's quorum gone for a while, and with devices that go
//! on as if nothing had happened.

use std::collections::BTreeMap;
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::thread;
use std::time::Duration;

use headwalk_core::log::id::{LogbookId, StoreId};
use headwalk_core::store::{Bookmark, Head, Store};
use headwalk_sync_server::access::Name;
use headwalk_sync_server::edge::Edge;
use headwalk_sync_server::hub::{Hub, LOG_CACHE, LOG_FILE};
use headwalk_tests::{Cluster, binary};

use super::hubs::{Process, Tablet, agent, let_in_at, monitored};

const TABLETS: u16 = 6;
const SITES: u16 = 3;
/// How many entries each tablet brings before the first move: enough that it can be broken off.
const BROUGHT: usize = 500;
const PAUSE: Duration = Duration::from_millis(5);

/// What a store holds: where its order ends, and the ends of all chains.
type Held = (Bookmark, BTreeMap<LogbookId, Vec<Head>>);

fn held(file: &Path) -> Held {
    let mut store = Store::open(file).unwrap();
    assert_eq!(store.verify().unwrap().faults, []);
    let heads = |logbook| (logbook, store.heads(logbook).unwrap());
    let logbooks = store.logbooks().unwrap().into_iter().map(heads);
    (store.last_bookmark().unwrap(), logbooks.collect())
}

fn entries(held: &Held) -> u64 {
    held.1.values().flatten().map(Head::entries).sum()
}

fn chains(held: &Held) -> u64 {
    held.1.values().flatten().count() as u64
}

/// The command that moves a log.
fn moving(cluster: &Cluster, from: &str, to: &str) -> Command {
    let mut command = Command::new(binary("headwalk-server"));
    command
        .args(["move", "--from", from, "--to", to])
        .args(monitored(cluster))
        .env_remove("HEADWALK_NOW")
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped());
    command
}

/// What a move that is done prints: entries, those of an earlier try, chains.
#[track_caller]
fn told(output: &Output) -> [u64; 3] {
    let words = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    assert!(output.status.success(), "{}", words(&output.stderr));
    let told = words(&output.stdout);
    let numbers = told.split_whitespace().filter_map(|word| word.parse().ok());
    let numbers: Vec<u64> = numbers.collect();
    assert!(told.contains("the ends of"), "{told}");
    numbers.try_into().unwrap()
}

#[track_caller]
fn refused(mut command: Command, why: &str) {
    let output = command.output().unwrap();
    let words = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(!output.status.success() && words.contains(why), "{words}");
    assert!(words.contains("Hint: "), "{words}");
}

/// A hub that will not come up on this folder.
fn hub_on(folder: &Path) -> Command {
    let mut command = Command::new(binary("headwalk-server"));
    command
        .arg("--folder")
        .arg(folder)
        .arg("--until-input-ends")
        .env_remove("HEADWALK_NOW")
        .stdin(Stdio::null());
    command
}

/// Every tablet asks at a hub: one answer, by its bookmark, and both hold the same.
fn nobody_notices(tablets: &[Tablet], hubs: &[&Process], log: StoreId) {
    let agent = agent();
    for (number, tablet) in tablets.iter().enumerate() {
        let summary = tablet.exchange(&agent, hubs[number % hubs.len()], log);
        let summary = summary.unwrap();
        assert_eq!((summary.round_trips, summary.equal), (1, true));
        assert!(summary.branched.is_empty(), "{summary:?}");
    }
}

/// Every tablet records, and brings it.
fn a_round(tablets: &[Tablet], hubs: &[&Process], log: StoreId, words: &str, count: usize) {
    for tablet in tablets {
        tablet.record(words, count);
    }
    nobody_notices(tablets, hubs, log);
    nobody_notices(tablets, hubs, log); // what the others brought meanwhile
}

/// Runs a move and kills it in the middle, as `is_there` tells.
fn break_off(mut command: Command, is_there: impl Fn() -> bool) {
    let mut child = command.spawn().unwrap();
    while !is_there() {
        if let Some(ended) = child.try_wait().unwrap() {
            panic!("it ended before it could be broken off: {ended}");
        }
        thread::sleep(PAUSE);
    }
    child.kill().unwrap();
    child.wait().unwrap();
}

pub fn a_log_moves_there_and_back_by_the_command_and_devices_notice_nothing() {
    let cluster = Cluster::start().unwrap();
    let scratch = tempfile::tempdir().unwrap();
    let folder = |name: &str| -> PathBuf { scratch.path().join(name) };
    let place = |name: &str| format!("redb:{}", folder(name).display());
    let own = folder("own");
    let office = Name::parse("name", "Office").unwrap();
    let hub = Hub::create(&own, &office, Edge::of_environment().unwrap()).unwrap();
    let tablets = let_in_at(&hub, scratch.path(), TABLETS, SITES);
    let log = hub.log().id();
    drop(hub);
    let free = || {
        let held = TcpListener::bind("127.0.0.1:0").unwrap();
        held.local_addr().unwrap().port()
    };
    let port = free();
    let hub = Process::start_at(port, own.clone(), None);
    for tablet in &tablets {
        tablet.record("before", BROUGHT);
    }
    for _ in 0..2 {
        for tablet in &tablets {
            assert!(tablet.exchange(&agent(), &hub, log).unwrap().equal);
        }
    }
    nobody_notices(&tablets, &[&hub], log);
    drop(hub);
    let before = held(&own.join(LOG_FILE));
    assert!(entries(&before) > u64::from(TABLETS) * BROUGHT as u64);

    // In: killed in the middle, then without a quorum for a while.
    let west = cluster.address("west");
    let there = || cluster.stream_records("west").unwrap_or_default();
    break_off(moving(&cluster, &place("own"), &west), || there() >= 500);
    let broken_off_at = there();
    assert!(broken_off_at < entries(&before), "{broken_off_at}");
    let going_on = moving(&cluster, &place("own"), &west).spawn().unwrap();
    while there() <= broken_off_at {
        thread::sleep(PAUSE);
    }
    for node in [1, 2] {
        cluster.kill_node(node);
    }
    thread::sleep(Duration::from_secs(2));
    for node in [1, 2] {
        cluster.start_node(node);
    }
    let [moved, earlier, ends] = told(&going_on.wait_with_output().unwrap());
    assert_eq!((moved, ends), (entries(&before), chains(&before)));
    assert!(earlier >= 500 && earlier < moved, "{earlier} of {moved}");
    println!("in: {moved} entries, {earlier} of them before it was killed, {ends} chains");
    cluster.wait_until_ready();
    refused(hub_on(&own), "has moved to nats://");
    refused(
        moving(&cluster, &place("own"), &cluster.address("east")),
        "has moved to nats://",
    );
    let again = moving(&cluster, &place("own"), &west).output().unwrap();
    assert_eq!(
        told(&again),
        [moved, moved, ends],
        "once more moves nothing"
    );

    // A day in the fleet; one of its hubs has the address of the one before.
    let hubs = [
        Process::start_at(port, folder("one"), Some((&cluster, "west"))),
        Process::start(folder("other"), &cluster, "west"),
    ];
    nobody_notices(&tablets, &[&hubs[0]], log);
    a_round(&tablets, &[&hubs[0], &hubs[1]], log, "in the fleet", 20);
    for hub in &hubs {
        let health = agent().get(hub.url("/healthz")).call().unwrap();
        assert_eq!(health.status(), 200, "it has caught up");
        hub.end();
    }
    let [one, other] = ["one", "other"].map(|name| held(&folder(name).join(LOG_CACHE)));
    assert_eq!(one, other);
    assert!(entries(&one) >= moved + u64::from(TABLETS) * 20);

    // Out: killed in the middle, as late as it takes until something is there.
    let back = folder("back");
    let (mut wait, mut broken_off_at) = (Duration::from_millis(100), 0);
    while broken_off_at == 0 {
        let mut child = moving(&cluster, &west, &place("back")).spawn().unwrap();
        thread::sleep(wait);
        child.kill().unwrap();
        child.wait().unwrap();
        wait += Duration::from_millis(20);
        let store = Store::open(&back.join(LOG_FILE));
        broken_off_at = store.map_or(0, |store| store.last_bookmark().unwrap().arrival.0);
    }
    assert!(broken_off_at < entries(&one), "{broken_off_at}");
    refused(hub_on(&back), "give the same `headwalk-server move` again");
    refused(
        moving(&cluster, &place("back"), &cluster.address("east")),
        "give the same `headwalk-server move` again",
    );
    let out = moving(&cluster, &west, &place("back")).output().unwrap();
    let [moved, earlier, ends] = told(&out);
    assert_eq!((moved, ends), (entries(&one), chains(&one)));
    assert_eq!(earlier, broken_off_at);
    println!("out: {moved} entries, {earlier} of them before it was killed, {ends} chains");
    assert_eq!(held(&back.join(LOG_FILE)), one, "order, chains and seals");
    let gone = hub_beside(&cluster, &folder("one"));
    refused(gone, "has moved to redb:");
    refused(
        moving(&cluster, &west, &place("third")),
        "has moved to redb:",
    );

    let hub = Process::start_at(port, back.clone(), None);
    nobody_notices(&tablets, &[&hub], log);
    a_round(&tablets, &[&hub], log, "home again", 5);
    drop(hub);

    // And once more around: what the first way back left in the folder misleads nobody.
    let north_address = cluster.address("north");
    let there = moving(&cluster, &place("back"), &north_address).output();
    let [moved, earlier, _] = told(&there.unwrap());
    assert_eq!(earlier, 0);
    let north = Process::start_at(port, folder("north"), Some((&cluster, "north")));
    a_round(&tablets, &[&north], log, "in the north", 5);
    north.end();
    let out = moving(&cluster, &north_address, &place("back")).output();
    let [home, earlier, _] = told(&out.unwrap());
    assert_eq!(earlier, moved, "what was there is not brought again");
    assert!(home >= moved + u64::from(TABLETS) * 5);
    assert_eq!(
        held(&back.join(LOG_FILE)),
        held(&folder("north").join(LOG_CACHE))
    );
    let hub = Process::start_at(port, back, None);
    nobody_notices(&tablets, &[&hub], log);
}

/// A hub that will not come up beside the log that it knew.
fn hub_beside(cluster: &Cluster, folder: &Path) -> Command {
    let mut command = hub_on(folder);
    command
        .args(["--log", &cluster.address("west")])
        .args(monitored(cluster));
    command
}
