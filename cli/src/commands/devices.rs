//! `headwalk devices`: the roll call, for a dispatcher.

use serde::Serialize;

use crate::call::Call;
use crate::error::Error;
use crate::hub::{DeviceLine, OwnHub};
use crate::output::{Page, Report};

/// Call the roll: which devices belong to the hub, and when each was last heard from.
///
/// Only a dispatcher's device may ask. --revoke takes a lost device's access back; what it had
/// brought to the office stays.
///
/// Example: headwalk devices
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Take this device's access back, by its id.
    #[arg(long, value_name = "ID")]
    revoke: Option<String>,
}

/// `{"devices": [..]}`, as the hub orders them.
#[derive(Serialize)]
struct Roll {
    devices: Vec<Line>,
}

/// One device. Moments are in RFC 3339.
#[derive(Serialize)]
struct Line {
    device: String,
    name: String,
    person: String,
    role: String,
    enrolled: String,
    last_heard: Option<String>,
    /// How far its clock stood behind the hub's when it was last heard; below zero if ahead.
    clock_behind_ms: Option<i64>,
    /// Since when it is not let in any more.
    revoked: Option<String>,
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    let hub = OwnHub::of_store(&call.store()?)?;
    let devices = match args.revoke {
        Some(device) => vec![hub.revoke(&device)?],
        None => hub.devices()?,
    };
    let devices = devices.into_iter().map(Line::from).collect();
    call.print(&Roll { devices })
}

impl From<DeviceLine> for Line {
    fn from(line: DeviceLine) -> Self {
        Self {
            device: line.device,
            name: line.name,
            person: line.person,
            role: line.role,
            enrolled: line.enrolled,
            last_heard: line.last_heard,
            clock_behind_ms: line.clock_behind_ms,
            revoked: line.revoked,
        }
    }
}

impl Line {
    /// Says how far the clock is off, where that is more than a minute.
    fn clock(&self) -> String {
        let minutes = self.clock_behind_ms.unwrap_or(0) / 60_000;
        match minutes {
            0 => String::new(),
            1.. => format!("clock {minutes} min behind"),
            _ => format!("clock {} min ahead", -minutes),
        }
    }
}

impl Report for Roll {
    fn write(&self, page: &mut Page) {
        let row = |line: &Line| {
            let heard = line
                .last_heard
                .clone()
                .unwrap_or_else(|| "never".to_owned());
            let remark = match &line.revoked {
                Some(since) => format!("not let in since {since}"),
                None => line.clock(),
            };
            let (name, person) = (line.name.clone(), line.person.clone());
            [name, person, line.role.clone(), heard, remark]
        };
        let rows: Vec<_> = self.devices.iter().map(row).collect();
        page.table(["device", "person", "as", "last heard", ""], &rows);
    }
}
