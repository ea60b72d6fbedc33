//! A hub's files come to the disk only now and then, since the log has all that is in them: so a hub is
//! killed at one moment after the other while devices work, and then answers as the one beside it that
//! was never killed, byte for byte.
//!
//! `HEADWALK_DEEP=1` makes it 60 kills.

use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;
use std::time::Duration;

use headwalk_core::exchange::message::{Batch, Parcel, Says};
use headwalk_core::exchange::session::Caller;
use headwalk_core::log::id::StoreId;
use headwalk_core::log::stamp::WallMs;
use headwalk_core::store::Bookmark;

use super::ground::cluster;
use super::hubs::{NotNow, Process, Tablet, agent, let_in, now};

const TABLETS: u16 = 6;
const SITES: u16 = 3;
const PUSH: u64 = 6;
const DEEP: u64 = 60;
/// How long a device waits before it comes again, so that it is not told to.
const PAUSE: Duration = Duration::from_millis(70);
/// Within how long after the devices began the hub is killed.
const WITHIN_MS: u64 = 1_500;

pub fn a_hub_killed_at_any_moment_answers_with_the_same_bytes() {
    let kills = std::env::var_os("HEADWALK_DEEP").map_or(PUSH, |_| DEEP);
    let cluster = cluster();
    let scratch = tempfile::tempdir().unwrap();
    let (log, tablets) = let_in(scratch.path(), &cluster, "answers", TABLETS, SITES);
    let start = |name: &str| Process::start(scratch.path().join(name), &cluster, "answers");
    let (killed, spared) = (start("killed"), start("spared"));
    let (mut again, mut compared) = (0, 0);
    for kill in 0..kills {
        let over = AtomicBool::new(false);
        thread::scope(|scope| {
            for (number, tablet) in tablets.iter().enumerate() {
                let hubs = [&killed, &spared];
                let over = &over;
                scope.spawn(move || work(tablet, hubs[number % 2], log, kill, over));
            }
            // Spread over the time, as no two kills before it were.
            thread::sleep(Duration::from_millis(kill * 947 % WITHIN_MS));
            killed.kill();
            over.store(true, Ordering::Release);
        });
        killed.up();
        again += counted(&killed, "followed_records");
        settle(&tablets, &spared, log);
        for tablet in &tablets {
            for parcel in questions(tablet, log) {
                let [here, there] = [&killed, &spared].map(|hub| answer(tablet, hub, &parcel));
                assert_eq!(here, there, "after kill {kill}");
                compared += here.len();
            }
        }
    }
    println!(
        "{kills} kills; {again} records were taken in again, {compared} bytes of answers were the same"
    );
    assert!(again > 0, "something was in memory alone");
    assert!(
        compared > 1_000 * kills as usize,
        "the answers say something"
    );
}

fn work(tablet: &Tablet, hub: &Process, log: StoreId, round: u64, over: &AtomicBool) {
    let agent = agent();
    while !over.load(Ordering::Acquire) {
        tablet.record(&format!("round {round}"), 3);
        match tablet.exchange(&agent, hub, log) {
            Ok(_) | Err(NotNow::Away(_)) => thread::sleep(PAUSE),
            Err(NotNow::Wrong(why)) => panic!("{why}"),
        }
    }
}

/// Brings what every tablet still has, and what the others brought.
fn settle(tablets: &[Tablet], hub: &Process, log: StoreId) {
    for _ in 0..2 {
        for tablet in tablets {
            while match tablet.exchange(&agent(), hub, log) {
                Ok(summary) => !summary.equal,
                Err(NotNow::Away(_)) => true,
                Err(NotNow::Wrong(why)) => panic!("{why}"),
            } {
                thread::sleep(PAUSE);
            }
        }
    }
}

/// Questions that change nothing: what the hub holds of the tablet's route, and all that ever came of it.
fn questions(tablet: &Tablet, log: StoreId) -> [Vec<u8>; 2] {
    let (_, holdings) = Caller::begin(&tablet.store, None, now()).unwrap();
    let (_, mut all) = Caller::begin(&tablet.store, Some(log), now()).unwrap();
    match &mut all.says {
        Says::News { since, batch, .. } => {
            *since = Bookmark::START;
            *batch = Batch::default();
        }
        other => panic!("it has a bookmark: {other:?}"),
    }
    [holdings.to_bytes(), all.to_bytes()]
}

/// A hub's answer, but for its clock.
fn answer(tablet: &Tablet, hub: &Process, parcel: &[u8]) -> Vec<u8> {
    let request = agent()
        .post(hub.url("/exchange"))
        .header("authorization", format!("Bearer {}", tablet.token));
    let mut answer = request.send(parcel).unwrap();
    let bytes = answer.body_mut().read_to_vec().unwrap();
    assert_eq!(answer.status(), 200, "{}", String::from_utf8_lossy(&bytes));
    let mut answer = Parcel::from_bytes(&bytes).unwrap();
    assert!(!matches!(answer.says, Says::Compare), "it knows the route");
    answer.from.at = WallMs::new(0);
    answer.to_bytes()
}

/// One of a hub's counts.
fn counted(hub: &Process, what: &str) -> u64 {
    let mut counts = agent().get(hub.url("/metrics")).call().unwrap();
    let counts = counts.body_mut().read_to_string().unwrap();
    let line = counts.lines().find_map(|line| line.strip_prefix(what));
    let number = line.and_then(|rest| rest.split_whitespace().next());
    number.unwrap().parse().unwrap()
}
