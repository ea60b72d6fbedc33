//! `headwalk devices`: the roll call, for a dispatcher.

use serde::Serialize;

use headwalk_core::log::id::DeviceId;
use headwalk_core::log::value::Value;
use headwalk_core::site::company::Role;
use headwalk_core::site::fields::device;
use headwalk_core::site::words::Vocabulary;
use headwalk_core::store::Store;

use crate::call::Call;
use crate::error::Error;
use crate::firm::{Firm, called};
use crate::hub::{DeviceLine, OwnHub};
use crate::output::{Page, Report};
use crate::roots::Roots;

/// Call the roll: which devices belong to the hub, and when each was last heard from.
///
/// Only a dispatcher's device may ask. --revoke takes a lost device's access back; what it had
/// brought to the office stays. --role changes what a device may do. Both are written in the
/// company's logbook, too, where there is one, so that every hub obeys them.
///
/// Example: headwalk devices
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Take this device's access back, by its name or id.
    #[arg(long, value_name = "DEVICE")]
    revoke: Option<String>,
    /// Let a device be this from now on: crew, dispatcher or auditor.
    #[arg(long, requires = "of", conflicts_with = "revoke")]
    role: Option<Role>,
    /// Which device, by its name or id.
    #[arg(long, value_name = "DEVICE", requires = "role")]
    of: Option<String>,
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
    let store = call.store()?;
    let hub = OwnHub::of_store(&store)?;
    if let (Some(role), Some(of)) = (args.role, &args.of) {
        let roots = Roots::of(&store)?;
        let firm = Firm::needed(&store, &roots)?;
        let found = firm.find(of)?;
        firm.say(call, &store, found, &device::ROLE, role.value())?;
        let made = Made {
            device: found.device.to_string(),
            name: called(found),
            role: role.word(),
        };
        return call.print(&made);
    }
    let devices = match args.revoke {
        Some(device) => vec![revoke(&device, &hub, &store, call)?],
        None => hub.devices()?,
    };
    let devices = devices.into_iter().map(Line::from).collect();
    call.print(&Roll { devices })
}

/// Takes access back at this hub at once, and in the company's logbook for all others.
fn revoke(typed: &str, hub: &OwnHub, store: &Store, call: &Call) -> Result<DeviceLine, Error> {
    let roots = Roots::of(store)?;
    let firm = Firm::of(store, &roots)?;
    let listed = firm.as_ref().map(|firm| firm.find(typed)).transpose();
    let (id, listed) = match (typed.parse::<DeviceId>(), listed) {
        (Ok(id), listed) => (id, listed.unwrap_or_default()),
        (Err(_), Ok(Some(listed))) => (listed.device, Some(listed)),
        (Err(_), Ok(None)) => (id_of(typed, hub)?, None),
        (Err(_), Err(unknown)) => (id_of(typed, hub).map_err(|_| unknown)?, None),
    };
    let line = hub.revoke(&id.to_string())?;
    if let (Some(firm), Some(listed)) = (&firm, listed) {
        firm.say(call, store, listed, &device::REVOKED, Value::Bool(true))?;
    }
    Ok(line)
}

/// Finds a device by its name in the hub's own roll.
fn id_of(typed: &str, hub: &OwnHub) -> Result<DeviceId, Error> {
    let wanted = typed.to_lowercase();
    let devices = hub.devices()?;
    let mut found = devices
        .iter()
        .filter(|line| line.name.to_lowercase() == wanted);
    match (found.next(), found.next()) {
        (Some(line), None) => Ok(line.device.parse()?),
        (None, _) => Err(Error::input(format!("no device `{typed}` is enrolled"))
            .field("revoke")
            .hint("`headwalk devices` lists them; --json gives their ids.")),
        (Some(_), Some(_)) => Err(
            Error::input(format!("several devices are called `{typed}`"))
                .field("revoke")
                .hint("give its id: `headwalk devices --json` lists them."),
        ),
    }
}

/// `{"device": ID, "name": NAME, "role": ..}`
#[derive(Serialize)]
struct Made {
    device: String,
    name: String,
    role: &'static str,
}

impl Report for Made {
    fn write(&self, page: &mut Page) {
        let Self { name, role, .. } = self;
        page.line(format!("{name} is {role} from now on."));
        page.line("It counts once this device has exchanged.");
    }
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
