//! Who has reported: each device's entries of the day, its clock, and what is still on it.

use std::collections::BTreeSet;

use chrono::NaiveDate;
use serde::Serialize;

use headwalk_core::log::id::{ChainId, DeviceId};
use headwalk_core::store::{Kept, Store};

use super::super::fleet::{Fleet, Met};
use super::super::scenario::{DeviceName, UTC_OFFSET_MIN};
use super::Book;
use crate::devices::Devices;
use crate::error::Error;
use crate::output::{Page, counted};
use crate::roots::Roots;
use crate::told::plain_wall;

/// Who has reported.
#[derive(Serialize)]
pub struct Machines {
    devices: Vec<MachineLine>,
}

/// What one device brought today.
#[derive(Serialize)]
struct MachineLine {
    device: String,
    by: Vec<String>,
    entries: usize,
    sites: Vec<String>,
    /// Of those, entries whose time was put right.
    put_right: usize,
    clock_ahead_min: i64,
    round_trips: u32,
    last_heard: String,
    not_yet_at_the_office: u64,
}

impl Machines {
    /// Reads what each device wrote on that day, as the dispatcher's store holds it.
    pub fn read(fleet: &Fleet, books: &[Book], date: NaiveDate) -> Result<Self, Error> {
        let desk = fleet.store(DeviceName::Desk);
        let mut today = Vec::new();
        for book in books {
            for kept in desk.entries(book.id)? {
                let day = kept.stamp.wall().date_at(kept.entry.utc_offset_min);
                // A hub's receipts are nobody's work.
                if day == date && kept.entry.visit.is_some() {
                    today.push((book.name.as_str(), kept));
                }
            }
        }
        let names = Devices::of(desk, &Roots::of(desk)?)?;
        let crews = DeviceName::ALL
            .into_iter()
            .filter(|name| *name != DeviceName::Desk);
        let devices = crews.map(|name| line(fleet, &names, name, &today));
        Ok(Self {
            devices: devices.collect::<Result<_, _>>()?,
        })
    }

    /// Returns how many phones have reported everything that they hold.
    pub fn count(&self) -> String {
        let all = |line: &&MachineLine| line.not_yet_at_the_office == 0;
        let reported = self.devices.iter().filter(all).count();
        format!("{reported} of {} phones heard", self.devices.len())
    }

    /// Writes who has reported.
    pub fn write(&self, page: &mut Page) {
        page.line("WHO HAS REPORTED");
        let rows: Vec<_> = self.devices.iter().map(MachineLine::row).collect();
        let heading = [
            "device",
            "people",
            "entries today",
            "heard at",
            "its clock",
            "not at the office",
        ];
        page.table(heading, &rows);
        page.line("");
    }
}

impl MachineLine {
    fn row(&self) -> [String; 6] {
        let trips = counted(u64::from(self.round_trips), "round trip", "round trips");
        let clock = match self.clock_ahead_min {
            0 => "right".to_owned(),
            min => format!(
                "{} h {} min {}: {} put right",
                min.abs() / 60,
                min.abs() % 60,
                if min < 0 { "behind" } else { "ahead" },
                counted(self.put_right as u64, "time", "times"),
            ),
        };
        let left = match self.not_yet_at_the_office {
            0 => "nothing".to_owned(),
            count => counted(count, "entry", "entries"),
        };
        [
            self.device.clone(),
            self.by.join(", "),
            format!("{} in {trips}", self.entries),
            self.last_heard
                .split(' ')
                .next_back()
                .unwrap_or_default()
                .to_owned(),
            clock,
            left,
        ]
    }
}

fn line(
    fleet: &Fleet,
    devices: &Devices,
    name: DeviceName,
    today: &[(&str, Kept)],
) -> Result<MachineLine, Error> {
    let store = fleet.store(name);
    let own: Vec<_> = today
        .iter()
        .filter(|(_, kept)| kept.entry.device == store.device())
        .collect();
    let met: Vec<&Met> = fleet.met.iter().filter(|met| met.on == name).collect();
    let brought = met.iter().rev().find(|met| met.sent() > 0).or(met.last());
    let by: BTreeSet<_> = own.iter().map(|(_, kept)| kept.entry.by.clone()).collect();
    let sites: BTreeSet<_> = own.iter().map(|(site, _)| (*site).to_owned()).collect();
    Ok(MachineLine {
        device: devices.name(store.device()),
        by: by.into_iter().collect(),
        entries: own.len(),
        sites: sites.into_iter().collect(),
        put_right: own
            .iter()
            .filter(|(_, kept)| kept.stamp != kept.entry.stamp)
            .count(),
        clock_ahead_min: brought.map_or(0, |met| met.ahead_ms / 60_000),
        round_trips: brought.map_or(0, |met| met.summary.round_trips),
        last_heard: met.last().map_or_else(
            || "never".to_owned(),
            |met| plain_wall(met.at, UTC_OFFSET_MIN),
        ),
        not_yet_at_the_office: unsent(store, fleet.store(DeviceName::Desk), store.device())?,
    })
}

/// Counts a device's own entries that the office does not hold.
fn unsent(store: &Store, office: &Store, device: DeviceId) -> Result<u64, Error> {
    let mut unsent = 0;
    for book in store.logbooks()? {
        let last = |store: &Store| -> Result<u64, Error> {
            let vector = store.vector(book)?;
            Ok(vector.last(ChainId::of(device)).map_or(0, |seq| seq.get()))
        };
        unsent += last(store)?.saturating_sub(last(office)?);
    }
    Ok(unsent)
}
