//! The firm's machines: three stores, the real hub as a child process, and the season played on
//! them by what any device does: record, enrol, exchange.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use headwalk_core::exchange::session::Summary;
use headwalk_core::log::stamp::WallMs;
use headwalk_core::store::{NewStore, Store};

use headwalk_sync_server::hub::LOG_FILE;

use super::hub_process::{HUB_FOLDER, HubProcess};
use super::scenario::{Act, DeviceName, Event, Scenario};
use super::writer::{Pen, Writer};
use crate::call::PERSON;
use crate::error::Error;

/// The machines, and what came of their meetings with the hub.
pub struct Fleet {
    folder: PathBuf,
    machines: BTreeMap<DeviceName, Machine>,
    /// The logbooks and what was asked.
    pub writer: Writer,
    /// Every exchange, in order.
    pub met: Vec<Met>,
}

/// One device: its store, and what its clock makes of the time.
struct Machine {
    store: Store,
    ahead_ms: i64,
}

/// One exchange with the hub.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Met {
    /// When, truly.
    pub at: WallMs,
    /// Which device.
    pub on: DeviceName,
    /// What was carried.
    pub summary: Summary,
    /// How far the device's clock was ahead; below zero if behind.
    pub ahead_ms: i64,
}

impl Met {
    /// Returns how many entries the hub came to hold.
    pub fn sent(&self) -> u64 {
        self.summary
            .logbooks
            .values()
            .map(|carried| carried.sent)
            .sum()
    }
}

impl Fleet {
    /// Begins in a folder, without machines yet.
    pub fn new(folder: &Path) -> Self {
        Self {
            folder: folder.to_owned(),
            machines: BTreeMap::new(),
            writer: Writer::default(),
            met: Vec::new(),
        }
    }

    /// Plays the season. The hub is started for each moment at which devices meet it, so that its
    /// clock tells the time of the season.
    pub fn play(&mut self, scenario: &Scenario) -> Result<(), Error> {
        let mut hub: Option<HubProcess> = None;
        for event in &scenario.events {
            let meets = matches!(event.act, Act::Enrol | Act::Exchange);
            if meets && hub.as_ref().is_none_or(|hub| hub.since() != event.at) {
                hub.take().map(HubProcess::end).transpose()?;
                hub = Some(HubProcess::start(&self.folder, event.at)?);
            }
            self.happen(event, hub.as_mut())?;
        }
        hub.map(HubProcess::end).transpose()?;
        Ok(())
    }

    fn happen(&mut self, event: &Event, hub: Option<&mut HubProcess>) -> Result<(), Error> {
        match (&event.act, hub) {
            (Act::Enrol, Some(hub)) => self.enrol(event, hub),
            (Act::Exchange, Some(hub)) => {
                let machine = machine(&mut self.machines, event.on);
                let now = event.at.shifted(machine.ahead_ms);
                let summary = hub.exchange(&machine.store, now)?;
                let ahead_ms = machine.ahead_ms;
                self.met.push(Met {
                    at: event.at,
                    on: event.on,
                    summary,
                    ahead_ms,
                });
                Ok(())
            }
            (Act::PhoneClock { ahead_min }, _) => {
                machine(&mut self.machines, event.on).ahead_ms = ahead_min * 60_000;
                Ok(())
            }
            (Act::Write(lines), _) => {
                let machine = machine(&mut self.machines, event.on);
                self.writer.write(&machine.store, lines, machine.pen(event))
            }
            (Act::Weather(days), _) => {
                let machine = machine(&mut self.machines, event.on);
                self.writer
                    .weather(&machine.store, days, machine.pen(event))
            }
            (Act::Enrol | Act::Exchange, None) => {
                unreachable!("a hub runs whenever a device meets it")
            }
        }
    }

    fn enrol(&mut self, event: &Event, hub: &mut HubProcess) -> Result<(), Error> {
        let new = NewStore {
            id: self.writer.ids.store(event.at),
            key: self.writer.ids.key(),
        };
        let store = Store::create(&self.store_path(event.on), new)?;
        store.keep_settings(&[(PERSON, &event.by)])?;
        self.writer.devices.insert(event.on.word(), store.device());
        let desk = self.machines.get(&DeviceName::Desk);
        let desk = desk.map(|machine| &machine.store);
        hub.enrol(&store, event.on, &event.by, desk)?;
        let machine = Machine { store, ahead_ms: 0 };
        self.machines.insert(event.on, machine);
        Ok(())
    }

    /// Returns where a device's store is.
    pub fn store_path(&self, name: DeviceName) -> PathBuf {
        self.folder.join(name.file())
    }

    /// Closes every store; returns where they and the hub's log are.
    pub fn close(self) -> Vec<PathBuf> {
        let mut paths: Vec<_> = DeviceName::ALL.map(|name| self.store_path(name)).into();
        paths.push(self.folder.join(HUB_FOLDER).join(LOG_FILE));
        paths
    }

    /// Returns a device's store.
    pub fn store(&self, name: DeviceName) -> &Store {
        let machine = self.machines.get(&name);
        &machine.expect("the season enrols every device").store
    }
}

impl Machine {
    fn pen<'e>(&self, event: &'e Event) -> Pen<'e> {
        Pen {
            by: &event.by,
            at: event.at,
            now: event.at.shifted(self.ahead_ms),
        }
    }
}

fn machine(machines: &mut BTreeMap<DeviceName, Machine>, name: DeviceName) -> &mut Machine {
    let machine = machines.get_mut(&name);
    machine.expect("the season enrols every device before it uses it")
}
