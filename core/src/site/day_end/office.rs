//! What the company's logbook says about the day: devices and the visits expected of them, parts,
//! and the days that were closed.

use std::collections::BTreeMap;

use chrono::{NaiveDate, TimeDelta};

use super::record::{Closing, Decided};
use super::site::{SiteDigest, in_force};
use super::{Act, Asks, Line, LineKey, Matter, Offer, Subject};
use crate::log::id::{DeviceId, LogbookId, ThingId};
use crate::log::stamp::WallMs;
use crate::log::value::Value;
use crate::site::company::{Role, devices};
use crate::site::fields::{self, seen};
use crate::site::kind::ThingKind;
use crate::site::things::{Parts, Site, Thing};
use crate::site::unit::UnitSystem;

/// For how long a silent device is asked after where no route expects it: common practice, no
/// source. After that its crew has told the office, or it lies in a drawer.
const SILENT_DAYS: i64 = 7;

/// The firm as the day's end sees it: worked out once for as long as its logbook does not change.
#[derive(Debug, Clone, PartialEq)]
pub struct OfficeDigest {
    /// The company's logbook.
    pub logbook: LogbookId,
    /// The firm's name.
    pub name: String,
    devices: Vec<CrewDevice>,
    routes: Vec<DayRoute>,
    stock: Vec<Stock>,
    pub(super) decided: Vec<Decided>,
    pub(super) closings: Vec<Closing>,
}

/// What a store knows of a device beyond the log.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DeviceHeard {
    /// When it last met the hub, or this store.
    pub at: Option<WallMs>,
    /// The latest of its entries that came.
    pub newest: Option<WallMs>,
}

#[derive(Debug, Clone, PartialEq)]
struct CrewDevice {
    thing: ThingId,
    ids: DeviceId,
    name: String,
    crew: Option<String>,
    basis: String,
}

#[derive(Debug, Clone, PartialEq)]
struct DayRoute {
    date: NaiveDate,
    crew: String,
    stops: Vec<String>,
}

#[derive(Debug, Clone, PartialEq)]
struct Stock {
    thing: ThingId,
    name: String,
    there: i64,
    place: String,
}

impl OfficeDigest {
    /// Works it out.
    #[must_use]
    pub fn of(company: &Site<'_>, name: &str) -> Self {
        let logbook = LogbookId::of_root(company.root().id);
        let there = |kind: ThingKind| {
            company.things().filter(move |thing| {
                thing.kind == Some(kind)
                    && !thing.is_removed()
                    && company.kept(thing.id) == thing.id
            })
        };
        Self {
            logbook,
            name: name.to_owned(),
            devices: crews_devices(company),
            routes: there(ThingKind::Route)
                .filter_map(|route| day_route(&route))
                .collect(),
            stock: there(ThingKind::Part)
                .filter_map(|part| stock(company, &part))
                .collect(),
            decided: Decided::all(company.state(), logbook),
            closings: Closing::all(company.state(), logbook),
        }
    }

    /// Returns a line for each device of which nothing came though it should have.
    pub(super) fn quiet(
        &self,
        heard: &BTreeMap<DeviceId, DeviceHeard>,
        sites: &[&SiteDigest],
        date: NaiveDate,
        utc_offset_min: i16,
    ) -> Vec<Line> {
        let devices = self.devices.iter();
        let line = |device: &CrewDevice| {
            let heard = heard.get(&device.ids);
            let at = heard.and_then(|heard| heard.at);
            let day = at.map(|at| at.date_at(utc_offset_min));
            let missing = self.missing(device, sites, date);
            let silent = day.is_none_or(|day| day < date);
            let lately = day.is_some_and(|day| date - day <= TimeDelta::days(SILENT_DAYS));
            if !(silent && (lately || self.has_route(device, date))) && missing.is_empty() {
                return None;
            }
            let when = |at: WallMs| at.at_offset(utc_offset_min).format("%Y-%m-%d %H:%M");
            let head = match (at, silent) {
                (None, _) => "never met the office".to_owned(),
                (Some(at), true) => format!("not heard from since {}", when(at)),
                (Some(at), false) => format!("heard from at {}, and a visit is missing", when(at)),
            };
            let mut more = Vec::new();
            if !missing.is_empty() {
                more.push(format!(
                    "Expected today, and nothing came: {}.",
                    missing.join(", ")
                ));
            }
            more.push(match heard.and_then(|heard| heard.newest) {
                Some(newest) => format!(
                    "Its last entry here is of {}: whatever it recorded after that is on the \
                     device only.",
                    when(newest)
                ),
                None => {
                    "No entry of it is here: whatever it recorded is on the device only.".to_owned()
                }
            });
            let basis = format!("{}+{}", device.basis, at.map_or(0, WallMs::get));
            let mut line = self.line(Matter::DeviceQuiet, device.thing, &device.name, basis, head);
            line.more = more;
            line.subject = Subject::Device(device.thing);
            line.offers = vec![
                Offer::later(),
                Offer::new(Act::Retire, 'r', "It is out of use", Asks::Nothing),
            ];
            Some(line)
        };
        devices.filter_map(line).collect()
    }

    fn has_route(&self, device: &CrewDevice, date: NaiveDate) -> bool {
        self.routes_of(device, date).next().is_some()
    }

    fn routes_of<'a>(
        &'a self,
        device: &'a CrewDevice,
        date: NaiveDate,
    ) -> impl Iterator<Item = &'a DayRoute> {
        let is_theirs = move |route: &&DayRoute| {
            let crew = device.crew.as_deref();
            route.date == date && crew.is_some_and(|crew| crew.eq_ignore_ascii_case(&route.crew))
        };
        self.routes.iter().filter(is_theirs)
    }

    /// The stops of a device's crew that day of which no visit came.
    fn missing(&self, device: &CrewDevice, sites: &[&SiteDigest], date: NaiveDate) -> Vec<String> {
        let mut missing = Vec::new();
        for route in self.routes_of(device, date) {
            let came = |stop: &str| {
                let is_stop = |site: &&&SiteDigest| {
                    site.name.eq_ignore_ascii_case(stop) || site.logbook.to_string() == stop
                };
                let by_them = |(day, crew): &(NaiveDate, Option<String>)| {
                    let theirs = crew
                        .as_ref()
                        .is_none_or(|crew| crew.eq_ignore_ascii_case(&route.crew));
                    *day == date && theirs
                };
                let site = sites.iter().find(is_stop);
                site.is_some_and(|site| site.visited.iter().any(by_them))
            };
            missing.extend(route.stops.iter().filter(|stop| !came(stop)).cloned());
        }
        missing
    }

    /// Returns a line for each counted part of which work up to tomorrow takes more than there is.
    pub(super) fn short(&self, sites: &[&SiteDigest], tomorrow: NaiveDate) -> Vec<Line> {
        let mut needed: BTreeMap<String, Vec<&str>> = BTreeMap::new();
        for site in sites {
            for (_, part) in site.planned.iter().filter(|(day, _)| *day == tomorrow) {
                needed
                    .entry(part.to_lowercase())
                    .or_default()
                    .push(&site.name);
            }
        }
        let stock = self.stock.iter();
        let line = |part: &Stock| {
            let sites = needed.get(&part.name.to_lowercase())?;
            let count = i64::try_from(sites.len()).unwrap_or(i64::MAX);
            if part.there >= count {
                return None;
            }
            let there = part.there.max(0);
            let head = format!("tomorrow takes {count}, and {there} are there");
            let basis = format!("{}+{count}+{there}", part.place);
            let mut line = self.line(Matter::PartShort, part.thing, &part.name, basis, head);
            let mut names = sites.clone();
            names.dedup();
            line.more = vec![format!("For {}.", names.join(", "))];
            line.subject = Subject::Part(part.thing);
            line.offers = vec![
                Offer::new(Act::CountIn, 'i', "So many came in", Asks::Count),
                Offer::later(),
            ];
            Some(line)
        };
        stock.filter_map(line).collect()
    }

    fn line(
        &self,
        matter: Matter,
        thing: ThingId,
        place: &str,
        basis: String,
        head: String,
    ) -> Line {
        Line {
            key: LineKey::of(matter, self.logbook, thing.to_string()),
            basis,
            severity: None,
            from: None,
            site: self.name.clone(),
            place: place.to_owned(),
            about: thing,
            head,
            more: Vec::new(),
            caution: None,
            sides: Vec::new(),
            offers: Vec::new(),
            subject: Subject::Nothing,
        }
    }
}

/// The devices that crews carry: in use, and by their role no desk and no auditor's.
fn crews_devices(company: &Site<'_>) -> Vec<CrewDevice> {
    let mut carried = Vec::new();
    for listed in devices(company) {
        let Some(thing) = company.thing(listed.thing) else {
            continue;
        };
        let carried_by_crew = matches!(listed.role, None | Some(Role::Crew));
        let retired = thing.day(&fields::device::RETIRED).is_ok();
        if listed.revoked || retired || !carried_by_crew {
            continue;
        }
        // A desk that nobody gave a role is no crew's either.
        if listed.role.is_none() && listed.crew.is_none() {
            continue;
        }
        carried.push(CrewDevice {
            thing: listed.thing,
            ids: listed.device,
            name: listed.name.unwrap_or_else(|| listed.device.to_string()),
            crew: listed.crew,
            basis: in_force(&thing, &[&fields::device::RETIRED, &fields::device::CREW]),
        });
    }
    carried
}

fn day_route(route: &Thing<'_>) -> Option<DayRoute> {
    let stops = route.raw(&fields::route::STOPS).and_then(Value::as_list);
    let stops = stops.unwrap_or_default().iter().filter_map(Value::as_text);
    Some(DayRoute {
        date: route.day(&fields::route::DATE).ok()?.value,
        crew: route.words(&fields::route::CREW).ok()?.value,
        stops: stops.map(str::to_owned).collect(),
    })
}

/// How many of a part are there: as last counted, and what moved since. Nobody counted, nobody
/// knows.
fn stock(company: &Site<'_>, part: &Thing<'_>) -> Option<Stock> {
    let counted = part.seen(&seen::STOCK_COUNTED).last()?;
    let count = |what, value| Parts::of(what, value).get("count").and_then(Value::as_int);
    let moved = part.seen(&seen::STOCK_MOVED).iter();
    let moved = moved.filter(|moved| moved.stamp > counted.stamp);
    let moved: i64 = moved
        .filter_map(|moved| count(&seen::STOCK_MOVED, &moved.value))
        .fold(0, i64::saturating_add);
    let name = part.show(&fields::part::DESCRIPTION, UnitSystem::Us);
    Some(Stock {
        thing: part.id,
        name: name.unwrap_or_else(|| company.address(*part)),
        there: count(&seen::STOCK_COUNTED, &counted.value)?.saturating_add(moved),
        place: super::basis([counted.place]),
    })
}
