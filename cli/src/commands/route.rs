//! `headwalk route`: which sites each device carries.

use std::collections::BTreeSet;

use serde::Serialize;

use headwalk_core::log::id::LogbookId;
use headwalk_core::site::company::{Listed, Route};
use headwalk_core::site::fields::device;
use headwalk_core::site::kind::ThingKind;

use crate::call::Call;
use crate::error::Error;
use crate::firm::{Firm, called};
use crate::output::{Page, Report, counted};
use crate::roots::Roots;

/// Say which sites a device carries; or, without a change, show who carries what.
///
/// A device with a route gets its sites, the company's logbook and the weather stations that its
/// sites ask for, and no other site. One without a route carries everything. The first --add gives
/// it a route. A site that is added arrives whole at that device's next exchange; one that is taken
/// off stops growing there, and `headwalk drop` takes it off the device.
///
/// Only a dispatcher's word counts, once this device has exchanged.
///
/// Example: headwalk route "truck 2" --add "Maple Court" --add Birch
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The device, by its name or who carries it.
    #[arg(required_if_eq("everything", "true"))]
    device: Option<String>,
    /// Put this site on its route.
    #[arg(long, value_name = "SITE", requires = "device")]
    add: Vec<String>,
    /// Take this site off its route.
    #[arg(long, value_name = "SITE", requires = "device")]
    take_off: Vec<String>,
    /// Let it carry everything again.
    #[arg(long, conflicts_with_all = ["add", "take_off"])]
    everything: bool,
}

/// `{"devices": [..]}`, by name.
#[derive(Serialize)]
struct Routes {
    devices: Vec<Line>,
}

/// One device.
#[derive(Serialize)]
struct Line {
    device: String,
    name: String,
    person: Option<String>,
    role: Option<&'static str>,
    revoked: bool,
    /// The sites that it carries; none where it carries all.
    carries: Option<Vec<Stop>>,
}

/// One site of a route.
#[derive(Serialize)]
struct Stop {
    logbook: String,
    site: String,
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    let store = call.store()?;
    let roots = Roots::of(&store)?;
    let firm = Firm::needed(&store, &roots)?;
    let Some(typed) = &args.device else {
        return call.print(&Routes::of(firm.devices(), &roots));
    };
    let found = firm.find(typed)?;
    let route = args.changed(&found.route, &roots)?;
    let mut now = found.clone();
    if route != found.route {
        firm.say(call, &store, found, &device::CARRIES, route.value())?;
        now.route = route;
    }
    call.print(&Routes::of(&[now], &roots))
}

impl Args {
    /// Returns the route after what was typed.
    fn changed(&self, route: &Route, roots: &Roots) -> Result<Route, Error> {
        if self.everything {
            return Ok(Route::Everything);
        }
        let site = |typed: &String| {
            let root = roots.find(typed)?;
            match root.kind {
                Some(ThingKind::Site) => Ok(root.id),
                _ => Err(Error::input(format!("{} is not a site", root.name))
                    .field("site")
                    .hint("the company's logbook and weather stations come with every route.")),
            }
        };
        let add: BTreeSet<_> = self.add.iter().map(site).collect::<Result<_, _>>()?;
        let off: BTreeSet<_> = self.take_off.iter().map(site).collect::<Result<_, _>>()?;
        let before = match route {
            _ if add.is_empty() && off.is_empty() => return Ok(route.clone()),
            Route::Sites(sites) => sites.clone(),
            Route::Everything if off.is_empty() => BTreeSet::new(),
            // All that there are now, but for those.
            Route::Everything => roots.of_kind(ThingKind::Site).map(|root| root.id).collect(),
        };
        let sites = before.union(&add).filter(|site| !off.contains(*site));
        Ok(Route::Sites(sites.copied().collect()))
    }
}

impl Routes {
    fn of(devices: &[Listed], roots: &Roots) -> Self {
        let stop = |id: &LogbookId| Stop {
            logbook: id.to_string(),
            site: roots.name(*id),
        };
        let line = |one: &Listed| Line {
            device: one.device.to_string(),
            name: called(one),
            person: one.crew.clone(),
            role: one.role.map(headwalk_core::site::words::Vocabulary::word),
            revoked: one.revoked,
            carries: match &one.route {
                Route::Everything => None,
                Route::Sites(sites) => Some(sites.iter().map(stop).collect()),
            },
        };
        Self {
            devices: devices.iter().map(line).collect(),
        }
    }
}

impl Report for Routes {
    fn write(&self, page: &mut Page) {
        if self.devices.is_empty() {
            page.line("No device is listed yet: each is when it first exchanges with the hub.");
            return;
        }
        let row = |line: &Line| {
            let carries = match &line.carries {
                _ if line.revoked => "not let in".to_owned(),
                None => "everything".to_owned(),
                Some(sites) => {
                    let count = counted(sites.len() as u64, "site", "sites");
                    let names: Vec<_> = sites.iter().map(|stop| stop.site.as_str()).collect();
                    match names.is_empty() {
                        true => "no site".to_owned(),
                        false => format!("{count}: {}", names.join(", ")),
                    }
                }
            };
            [
                line.name.clone(),
                line.person.clone().unwrap_or_default(),
                line.role.unwrap_or_default().to_owned(),
                carries,
            ]
        };
        let rows: Vec<_> = self.devices.iter().map(row).collect();
        page.table(["device", "person", "as", "carries"], &rows);
    }
}
