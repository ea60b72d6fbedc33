//! The season of the log's benchmark as a company that every command can read: the same for the same
//! seed, a day at a time, so that nobody holds more of it than a day.
//!
//! The day before the season a firm, a weather station and the 96 sites are put in: each with a supply, a
//! controller and its programs, twelve zones with a valve and five heads each, placed on a sketch, a spot,
//! and a head at a kerb. From then on the entries of the season take fields of those things. A crew's
//! stop at a site is a visit, which it begins and ends; at one stop in ten it finds something, which is
//! mended twelve days later. Each day the station has its weather.

use std::mem;

use chrono::NaiveDate;
use headwalk_core::log::entry::{Change, Draft};
use headwalk_core::log::id::{LogbookId, ThingId};
use headwalk_core::log::stamp::WallMs;
use headwalk_core::log::value::{HowKnown, Value};
use headwalk_core::site::fields::{FieldDef, finding, head, seen, valve, visit, zone};
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::things::{NewThing, observe, set};
use headwalk_core::site::unit::{Unit, UnitSystem};

use super::season::{Chance, DEVICES, HEADS, SITES, Season, Site, ZONES};

const HEADS_A_ZONE: usize = HEADS / ZONES;
const FOUND_ONE_IN: u64 = 10;
const MENDED_AFTER_DAYS: u64 = 12;
const DAY_MS: i64 = 24 * 3_600_000;
const UTC_OFFSET_MIN: i16 = -420;
const STATION: &str = "Osterwell station";

/// The first and the second words of the sites' names.
const TREES: [&str; 12] = [
    "Maple", "Alder", "Birch", "Cedar", "Elm", "Fir", "Hazel", "Larch", "Oak", "Pine", "Rowan",
    "Willow",
];
const PLACES: [&str; SITES / 12] = [
    "Court", "House", "School", "Row", "Bank", "Green", "Mill", "Gate",
];
/// Where a zone's heads stand, in feet.
const CORNERS: [(usize, usize); HEADS_A_ZONE] = [(0, 0), (12, 0), (12, 12), (0, 12), (6, 6)];
const FOUND: [&str; 5] = [
    "head-tilted",
    "nozzle-clogged",
    "arc-off-overspray",
    "nozzle-worn",
    "head-low",
];

/// The company, and how far its season has come.
pub struct Company {
    season: Season,
    firm: LogbookId,
    station: LogbookId,
    chance: Chance,
    /// What was found and is not mended: on which day, by which device, where.
    open: Vec<(u64, usize, LogbookId, ThingId)>,
    days: u64,
}

impl Company {
    pub fn new(seed: u64) -> Self {
        Self {
            season: Season::new(seed),
            firm: LogbookId::from_bytes(headwalk_tests::id(1, 1)),
            station: LogbookId::from_bytes(headwalk_tests::id(1, 2)),
            chance: Chance::new(seed + 1),
            open: Vec::new(),
            days: 0,
        }
    }

    /// The morning of the day that comes next.
    pub fn morning(&self) -> WallMs {
        self.season.morning()
    }

    /// The bytes of what is there before the season begins.
    pub fn furnished(&mut self) -> Vec<Vec<u8>> {
        let before = self.morning().shifted(-DAY_MS);
        let mut day: Vec<Vec<Draft>> = vec![Vec::new(); DEVICES];
        day[0].extend(firm(self.firm).map(|new| self.draft(0, self.firm, new.changes())));
        day[0].push(self.draft(0, self.station, station(self.station).changes()));
        for (nth, site) in self.season.sites.iter().enumerate() {
            let device = nth * DEVICES / SITES;
            let put_in = put_in(nth, site).into_iter();
            day[device].extend(put_in.map(|changes| self.draft(device, site.logbook, changes)));
        }
        self.season.write(before, day)
    }

    /// The bytes of what everyone writes on the next day.
    pub fn day(&mut self) -> Vec<Vec<u8>> {
        let morning = self.morning();
        let drafts = self.season.day();
        let mut day: Vec<Vec<Draft>> = drafts
            .into_iter()
            .enumerate()
            .map(|(device, drafts)| self.visits(device, drafts, morning))
            .collect();
        let weather = format!(
            "date={}; tmin={} F; tmax={} F; rain={} in",
            date(morning),
            40 + self.chance.below(20),
            65 + self.chance.below(30),
            self.chance.below(4) as f64 / 10.0,
        );
        let parsed = seen::WEATHER_DAY.parse(&weather, UnitSystem::Us);
        let root = ThingId::root(self.station);
        let parsed = parsed.expect("a day's weather").value;
        let told = vec![observe(root, &seen::WEATHER_DAY, parsed)];
        day[0].push(self.draft(0, self.station, told));
        let (mended, open) = mem::take(&mut self.open)
            .into_iter()
            .partition(|(found, ..)| found + MENDED_AFTER_DAYS <= self.days);
        self.open = open;
        for (_, device, logbook, thing) in mended {
            let status = set(thing, &finding::STATUS, Value::text("fixed"));
            day[device].push(self.draft(device, logbook, vec![status]));
        }
        self.days += 1;
        self.season.write(morning, day)
    }

    /// What a device writes on a day: its stops are visits.
    fn visits(&mut self, device: usize, drafts: Vec<Draft>, morning: WallMs) -> Vec<Draft> {
        let mut all: Vec<Draft> = Vec::new();
        let mut at: Option<(ThingId, LogbookId)> = None;
        let date = date(morning);
        for mut draft in drafts {
            let new = draft.visit.filter(|id| at.is_none_or(|(of, _)| of != *id));
            if let Some(id) = new {
                all.extend(at.map(|at| self.ended(device, at)));
                at = Some((id, draft.logbook));
                let begun =
                    NewThing::new(id, ThingKind::Visit).part_of(ThingId::root(draft.logbook));
                let begun = say(
                    begun,
                    &[
                        ("purpose", "inspection"),
                        ("date", &date),
                        ("crew", &format!("Crew {}", device + 1)),
                        ("started", "08:00"),
                        ("state", "open"),
                    ],
                );
                let mut begun = self.draft(device, draft.logbook, begun.changes());
                begun.visit = Some(id);
                all.push(begun);
                let about = draft.changes.first().and_then(Change::thing);
                if let Some(about) = about
                    && self.chance.below(FOUND_ONE_IN) == 0
                {
                    all.push(self.found(device, at.expect("it was begun"), about));
                }
            }
            let is_here = at.is_some_and(|(_, logbook)| logbook == draft.logbook);
            draft.visit = draft.visit.filter(|_| is_here);
            draft.changes = draft.changes.into_iter().map(real).collect();
            all.push(draft);
        }
        all.extend(at.map(|at| self.ended(device, at)));
        all
    }

    fn ended(&self, device: usize, (id, logbook): (ThingId, LogbookId)) -> Draft {
        let ended = visit::ENDED.parse("11:00", UnitSystem::Us);
        let changes = vec![
            set(id, &visit::ENDED, ended.expect("a time of day").value),
            set(id, &visit::STATE, Value::text("finished")),
        ];
        let mut draft = self.draft(device, logbook, changes);
        draft.visit = Some(id);
        draft
    }

    fn found(&mut self, device: usize, visit: (ThingId, LogbookId), about: ThingId) -> Draft {
        let id = ThingId::fresh(self.morning().get(), self.chance.bytes());
        let what = FOUND[self.chance.below(FOUND.len() as u64) as usize];
        let found = NewThing::new(id, ThingKind::Finding).part_of(about);
        let found = say(
            found,
            &[
                ("what", what),
                ("severity", "routine"),
                ("status", "to-quote"),
            ],
        );
        let mut draft = self.draft(device, visit.1, found.changes());
        draft.visit = Some(visit.0);
        self.open.push((self.days, device, visit.1, id));
        draft
    }

    fn draft(&self, device: usize, logbook: LogbookId, changes: Vec<Change>) -> Draft {
        Draft {
            logbook,
            by: super::season::BY[device].to_owned(),
            utc_offset_min: UTC_OFFSET_MIN,
            visit: None,
            changes,
        }
    }
}

/// What a change of the season says of a thing that has fields: the same things and, but for their scale,
/// the same amounts.
fn real(change: Change) -> Change {
    let quantity = |amount: f64, unit: Unit| Value::Quantity {
        amount,
        unit: unit.number(),
    };
    let sets = |thing, field: &FieldDef, value| Change::Set {
        thing,
        field: field.number,
        value,
        how: HowKnown::Measured,
    };
    let amount_of = |value: &Value| match value {
        Value::Quantity { amount, .. } => *amount,
        Value::Int(whole) => *whole as f64,
        _ => 0.0,
    };
    match change {
        Change::Set {
            thing,
            field,
            value,
            ..
        } => {
            let amount = amount_of(&value);
            match field.0 {
                310 => sets(
                    thing,
                    &head::ARC,
                    quantity(90.0 * (1.0 + amount as i64 as f64 % 4.0), Unit::Degree),
                ),
                311 => sets(
                    thing,
                    &head::RADIUS,
                    quantity(8.0 + amount / 5.0, Unit::Foot),
                ),
                240 => sets(
                    thing,
                    &zone::PRESSURE,
                    quantity(20.0 + amount / 2.0, Unit::Psi),
                ),
                261 => sets(
                    thing,
                    &valve::FLOW_CONTROL,
                    quantity(amount / 4.0, Unit::Turn),
                ),
                other => panic!("the season has a field that nobody gave a meaning: {other}"),
            }
        }
        Change::Observe {
            thing, what, value, ..
        } => match what.0 {
            12 => {
                let read = quantity(20.0 + amount_of(&value) / 2.0, Unit::Psi);
                let read = Value::Record([(1, read), (3, Value::text("running"))].into());
                observe(thing, &seen::PRESSURE, read)
            }
            40 => observe(thing, &seen::NOTE, value),
            other => panic!("the season has an observation that nobody gave a meaning: {other}"),
        },
        other => other,
    }
}

fn date(morning: WallMs) -> String {
    let day: NaiveDate = morning.date_at(UTC_OFFSET_MIN);
    day.to_string()
}

fn say(new: NewThing, said: &[(&str, &str)]) -> NewThing {
    said.iter().fold(new, |new, (name, text)| {
        let said = new.say(name, text, UnitSystem::Us);
        said.unwrap_or_else(|error| panic!("{name} {text}: {error}"))
    })
}

fn station(logbook: LogbookId) -> NewThing {
    say(
        NewThing::new(ThingId::root(logbook), ThingKind::Station),
        &[
            ("name", STATION),
            ("latitude", "41.6"),
            ("longitude", "-93.4"),
            ("elevation", "850 ft"),
        ],
    )
}

fn firm(logbook: LogbookId) -> impl Iterator<Item = NewThing> {
    let root = ThingId::root(logbook);
    let firm = say(
        NewThing::new(root, ThingKind::Company),
        &[
            ("name", "Harrowick Sprinkler Service"),
            ("labour-rate", "$78"),
            ("tax", "7%"),
            ("tax-on", "parts"),
            ("quote-days", "30"),
        ],
    );
    let part = |(nth, (what, kind)): (u64, (&str, &str))| {
        let new = NewThing::new(
            ThingId::from_bytes(headwalk_tests::id(3, nth)),
            ThingKind::Part,
        );
        say(
            new.part_of(root),
            &[
                ("description", what),
                ("part-kind", kind),
                ("price", "price=$4.20"),
            ],
        )
    };
    let parts = [
        ("nozzle 12 ft half", "nozzle"),
        ("screen", "screen"),
        ("riser", "riser"),
    ];
    let work = |(nth, what): (u64, &str)| {
        let new = NewThing::new(
            ThingId::from_bytes(headwalk_tests::id(4, nth)),
            ThingKind::Price,
        );
        let new = new.part_of(root);
        say(
            new,
            &[("finding", what), ("price", "price=$0; minutes=15 min")],
        )
    };
    let parts: Vec<_> = (0..).zip(parts).map(part).collect();
    let works: Vec<_> = (0..).zip(FOUND).map(work).collect();
    [firm].into_iter().chain(parts).chain(works)
}

/// What stands at a site, thing by thing.
fn put_in(nth: usize, site: &Site) -> Vec<Vec<Change>> {
    let root = ThingId::root(site.logbook);
    let name = site_name(nth);
    let more = |number: u64| ThingId::from_bytes(headwalk_tests::id(5, nth as u64 * 10 + number));
    let part = |id, kind| NewThing::new(id, kind).part_of(root);
    let runs: Vec<_> = (1..=ZONES).map(|zone| format!("{zone}=20")).collect();
    let mut new = vec![
        say(
            NewThing::new(root, ThingKind::Site),
            &[
                ("name", &name),
                ("address", &format!("{} {name}, Osterwell", nth + 1)),
                ("client", &format!("{name} owners")),
                ("latitude", "41.6"),
                ("longitude", "-93.4"),
                ("weather-station", STATION),
                ("water-window", "from=22:00; to=06:30"),
            ],
        ),
        say(
            part(more(1), ThingKind::Supply),
            &[
                ("static-pressure", "68 psi"),
                ("flow-limit", "38 gpm"),
                ("mainline-size", "1-1/2 in"),
                ("mainline", "pvc"),
            ],
        ),
        say(
            part(more(2), ThingKind::Controller),
            &[
                ("controller-kind", "clock"),
                ("stations", "16"),
                (
                    "programs",
                    &format!(
                        "A: start 02:30; days mon wed fri; 100%; run {}",
                        runs.join(" ")
                    ),
                ),
            ],
        ),
        say(
            part(more(3), ThingKind::Spot).label("1"),
            &[("moisture", "wet")],
        ),
    ];
    for zone in 0..ZONES {
        let number = zone + 1;
        new.push(
            say(
                part(site.zones[zone], ThingKind::Zone),
                &[
                    ("number", &number.to_string()),
                    ("name", &format!("lawn {number}")),
                    ("plants", "cool-season-turf"),
                    ("emission", "fixed-spray"),
                    ("area", "1350 sqft"),
                    ("sun", "full"),
                    ("soil", "clay-loam"),
                    ("root-depth", "5 in"),
                    ("spacing", "12 ft"),
                    ("row-spacing", "12 ft"),
                    ("pressure", "31 psi"),
                    ("main-length", "100 ft"),
                    ("lateral-length", "10 ft"),
                    ("lateral-size", "1 in"),
                ],
            )
            .order(number as i64 * 10)
            .set(
                &zone::VALVE,
                Value::Thing(site.valves[zone]),
                HowKnown::Unstated,
            ),
        );
        new.push(
            say(
                part(site.valves[zone], ThingKind::Valve),
                &[
                    ("valve-kind", "zone"),
                    ("size", "1-in"),
                    ("installed", "2007"),
                ],
            )
            .label(&number.to_string()),
        );
        for (at, (east, north)) in CORNERS.into_iter().enumerate() {
            let id = site.heads[zone * HEADS_A_ZONE + at];
            let stands = NewThing::new(id, ThingKind::Head).part_of(site.zones[zone]);
            let mut stands = say(
                stands.label(&format!("{number}-{:02}", at + 1)),
                &[
                    ("head-kind", "fixed-spray"),
                    ("arc", "180"),
                    ("radius", "12 ft"),
                    ("flow", "1.3 gpm"),
                    ("facing", "45"),
                    ("east", &format!("{east} ft")),
                    ("north", &format!("{} ft", zone * 30 + north)),
                ],
            );
            if (zone, at) == (2, 0) {
                stands = say(stands, &[("kerb", "chord=18 ft; offset=4 ft; lawn=inside")]);
            }
            new.push(stands);
        }
    }
    let mut all: Vec<_> = new.into_iter().map(NewThing::changes).collect();
    let sign = seen::EVIDENCE.parse("sign=static meter moves; seen=no", UnitSystem::Us);
    all.push(vec![observe(
        more(3),
        &seen::EVIDENCE,
        sign.expect("a sign").value,
    )]);
    all
}

fn site_name(nth: usize) -> String {
    format!("{} {}", TREES[nth % TREES.len()], PLACES[nth / TREES.len()])
}
