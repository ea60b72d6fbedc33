//! A hub that is killed again and again while crews exchange with it.
//!
//! A kill leaves what the machine has in its cache, so this proves the order of commit and answer,
//! and that the files open after any write was broken off. What a power cut does to the cache is
//! proved where the disk is played, in core.

use std::sync::mpsc;
use std::thread;

use headwalk_core::log::entry::{Change, Draft};
use headwalk_core::log::id::{ChainId, FieldNumber, LogbookId, Seq, ThingId};
use headwalk_core::log::seal::DeviceKey;
use headwalk_core::log::value::{HowKnown, Value};
use headwalk_core::store::NewStore;

use super::*;

pub(super) const LOGBOOK: LogbookId = LogbookId::from_bytes([5; 16]);

/// One tablet, and what the hub told it.
pub(super) struct Tablet {
    pub(super) store: Store,
    pub(super) token: String,
    pub(super) hub: StoreId,
    /// The last of its entries that the hub acknowledged.
    acknowledged: u64,
}

impl Tablet {
    /// Records one thing and exchanges, again and again, until the hub is gone; tells of each
    /// acknowledgement.
    fn work(&mut self, hub: &Hub, told: &mpsc::Sender<()>) {
        loop {
            if self.written() == self.acknowledged {
                self.record();
            }
            match hub.exchange(&self.store, self.hub, &self.token) {
                Ok(summary) => assert_eq!(summary.logbooks[&LOGBOOK].refused, None),
                Err(_) => return,
            }
            self.acknowledged = self.written();
            // The listener has heard enough, and kills the hub by now.
            let _heard_enough = told.send(());
        }
    }

    pub(super) fn record(&self) {
        let change = Change::Set {
            thing: ThingId::from_bytes([7; 16]),
            field: FieldNumber(1),
            value: Value::Int(self.written() as i64),
            how: HowKnown::Unstated,
        };
        let draft = Draft {
            logbook: LOGBOOK,
            by: "R. Ash".to_owned(),
            utc_offset_min: 0,
            visit: None,
            changes: vec![change],
        };
        self.store.record(&[draft], NOW).unwrap();
    }

    pub(super) fn written(&self) -> u64 {
        let held = self.store.vector(LOGBOOK).unwrap();
        held.last(ChainId::of(self.store.device()))
            .map_or(0, Seq::get)
    }
}

pub(super) fn store(folder: &Path, number: u8) -> Store {
    let new = NewStore {
        id: StoreId::from_bytes([number; 16]),
        key: DeviceKey::from_bytes([number; 32]),
    };
    Store::create(&folder.join(format!("tablet-{number}.redb")), new).unwrap()
}

/// Starts a hub and lets so many tablets in.
pub(super) fn tablets(folder: &Path, hub: &Hub, count: u8) -> Vec<Tablet> {
    let mut tablets: Vec<Tablet> = Vec::new();
    for number in 1..=count {
        let store = store(folder, number);
        let code = match tablets.first() {
            None => hub.first_code.clone().unwrap(),
            Some(dispatcher) => hub.code(&dispatcher.token),
        };
        let (token, hub) = hub.enrol(&code, &store);
        tablets.push(Tablet {
            store,
            token,
            hub,
            acknowledged: 0,
        });
    }
    tablets
}

/// Opens the log that the killed hub left, and holds it against what was acknowledged.
fn assert_kept(log: &Path, tablets: &[Tablet]) {
    let mut log = Store::open(log).unwrap();
    assert_eq!(log.verify().unwrap().faults, []);
    let held = log.vector(LOGBOOK).unwrap();
    for tablet in tablets {
        let kept = held
            .last(ChainId::of(tablet.store.device()))
            .map_or(0, Seq::get);
        assert!(
            kept >= tablet.acknowledged,
            "{kept} < {}",
            tablet.acknowledged
        );
        assert!(kept <= tablet.written(), "{kept} > {}", tablet.written());
    }
}

#[test]
fn whatever_was_acknowledged_outlives_the_hubs_being_killed() {
    let deep = std::env::var_os("HEADWALK_DEEP").is_some();
    // 200 exchanges and more with 20 kills among them, or 2,000 with 200.
    let (count, kills, kill_after) = if deep { (12, 200, 10) } else { (4, 20, 10) };
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("hub");
    let mut hub = Hub::start(&data);
    let mut tablets = tablets(folder.path(), &hub, count);
    for _ in 0..kills {
        thread::scope(|scope| {
            let (told, heard) = mpsc::channel();
            for tablet in &mut tablets {
                let (hub, told) = (&hub, told.clone());
                scope.spawn(move || tablet.work(hub, &told));
            }
            drop(told);
            assert_eq!(heard.iter().take(kill_after).count(), kill_after);
            // The others go on meanwhile: the kill falls anywhere in what they do.
            hub.kill_under_way();
        });
        hub.kill();
        assert_kept(&data.join(LOG_FILE), &tablets);
        hub = Hub::start(&data);
    }
    // The last brings what the kills held back, and then all hear of it.
    for tablet in tablets.iter().chain(&tablets) {
        let exchanged = hub.exchange(&tablet.store, tablet.hub, &tablet.token);
        assert!(exchanged.unwrap().equal);
    }
    hub.kill();
    let log = Store::open(&data.join(LOG_FILE)).unwrap();
    let acknowledged: u64 = tablets.iter().map(|tablet| tablet.acknowledged).sum();
    assert!(
        acknowledged >= (kills * kill_after) as u64,
        "{acknowledged}"
    );
    for tablet in &tablets {
        let (heads, state) = (tablet.store.heads(LOGBOOK), tablet.store.state(LOGBOOK));
        assert_eq!(heads.unwrap(), log.heads(LOGBOOK).unwrap());
        assert_eq!(state.unwrap(), log.state(LOGBOOK).unwrap());
    }
}

#[test]
#[should_panic(expected = "0 < 1")]
fn an_acknowledged_entry_that_is_gone_would_be_found() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("hub");
    let hub = Hub::start(&data);
    let tablets = tablets(folder.path(), &hub, 1);
    hub.kill();
    // As if the hub had answered before it committed.
    tablets[0].record();
    let told = tablets.into_iter().map(|tablet| Tablet {
        acknowledged: 1,
        ..tablet
    });
    assert_kept(&data.join(LOG_FILE), &told.collect::<Vec<_>>());
}
