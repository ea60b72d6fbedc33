//! The invented company whose season the benchmark writes: the same for the same seed.
//!
//! Twelve devices share 96 sites, each with twelve zones, a valve a zone and 60 heads. A crew keeps
//! its eight sites for six days and then takes over the next crew's. On a working day a device writes
//! 500 entries of one change each: 70% set a field of a head, a zone or a valve, 20% are readings and
//! 10% notes. Every twentieth sets what the crew of that site sets on the same day, and neither sees
//! the other before the evening: those fields stand in two versions. In the evening everyone
//! learns everything.
//!
//! `tests/benches/commands/company.rs` makes of it what the commands can read.

use std::collections::BTreeMap;

use headwalk_core::log::chain::{Mark, Tip};
use headwalk_core::log::codec;
use headwalk_core::log::entry::{Change, Draft, Entry};
use headwalk_core::log::id::{FieldNumber, LogbookId, ObservationNumber, Seq, ThingId};
use headwalk_core::log::seal::DeviceKey;
use headwalk_core::log::stamp::{Clock, Stamp, WallMs};
use headwalk_core::log::value::{HowKnown, UnitNumber, Value};

pub const DEVICES: usize = 12;
pub const SITES: usize = 96;
pub const ZONES: usize = 12;
pub const HEADS: usize = 60;
pub const ENTRIES_A_DAY: usize = 500;
/// One entry in so many sets what another crew sets on the same day.
pub const CONTESTED_ONE_IN: usize = 20;
const SITES_A_DEVICE: usize = SITES / DEVICES;
const DAYS_WITH_ONE_CREW: usize = 6;
const DAY_MS: u64 = 24 * 3_600_000;
/// 2026-03-02, seven in the morning, UTC.
const FIRST_MORNING: u64 = 1_772_434_800_000;

/// Numbers that look random and are the same in every run (Steele, Lea, Flood, "Fast splittable
/// pseudorandom number generators", OOPSLA 2014).
pub struct Chance(u64);

impl Chance {
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        mixed ^ (mixed >> 31)
    }

    pub fn below(&mut self, many: u64) -> u64 {
        self.next() % many
    }

    pub fn bytes<const N: usize>(&mut self) -> [u8; N] {
        core::array::from_fn(|_| self.next() as u8)
    }
}

/// A site and what stands on it.
pub struct Site {
    pub logbook: LogbookId,
    pub zones: Vec<ThingId>,
    pub valves: Vec<ThingId>,
    pub heads: Vec<ThingId>,
}

/// The company, and how far its season has come.
pub struct Season {
    pub sites: Vec<Site>,
    pub keys: Vec<DeviceKey>,
    chance: Chance,
    day: usize,
    clocks: Vec<Clock>,
    chains: BTreeMap<(LogbookId, usize), Chain>,
    /// The last entry of every chain of a logbook, as everyone learned it last evening.
    evening: BTreeMap<LogbookId, BTreeMap<usize, Mark>>,
}

/// What one device's next entry in a logbook follows.
#[derive(Default, Clone)]
struct Chain {
    last: Option<(Seq, Tip)>,
    knew: BTreeMap<usize, Mark>,
}

impl Season {
    pub fn new(seed: u64) -> Self {
        let mut chance = Chance::new(seed);
        let mut things = |many: usize| -> Vec<ThingId> {
            let id = |_| ThingId::fresh(FIRST_MORNING - DAY_MS, chance.bytes());
            (0..many).map(id).collect()
        };
        let sites = (0..SITES).map(|_| Site {
            logbook: LogbookId::from_bytes(*things(1)[0].bytes()),
            zones: things(ZONES),
            valves: things(ZONES),
            heads: things(HEADS),
        });
        Self {
            sites: sites.collect(),
            keys: (0..DEVICES)
                .map(|_| DeviceKey::from_bytes(chance.bytes()))
                .collect(),
            chance,
            day: 0,
            clocks: vec![Clock::resume(Stamp::ZERO); DEVICES],
            chains: BTreeMap::new(),
            evening: BTreeMap::new(),
        }
    }

    /// The morning of the day that comes next.
    pub fn morning(&self) -> WallMs {
        WallMs::new(FIRST_MORNING + self.day as u64 * DAY_MS)
    }

    /// What each device writes on the next day.
    pub fn day(&mut self) -> Vec<Vec<Draft>> {
        let turn = self.day / DAYS_WITH_ONE_CREW;
        let day = (0..DEVICES).map(|device| {
            let drafts = (0..ENTRIES_A_DAY).map(|nth| self.draft(turn, device, nth));
            drafts.collect()
        });
        let day = day.collect();
        self.day += 1;
        day
    }

    fn draft(&mut self, turn: usize, device: usize, nth: usize) -> Draft {
        let contested = nth % CONTESTED_ONE_IN == CONTESTED_ONE_IN - 1;
        let crew = (device + turn + usize::from(contested)) % DEVICES;
        let stop = nth * SITES_A_DEVICE / ENTRIES_A_DAY;
        let site = crew * SITES_A_DEVICE + stop;
        let amount = self.chance.below(4_000) as f64 / 100.0;
        let pick = self.chance.below(10);
        let site = &self.sites[site];
        let stop_head = |nth: usize| site.heads[(self.day * 7 + nth) % HEADS];
        let zone = self.chance.below(ZONES as u64) as usize;
        let quantity = |unit| Value::Quantity {
            amount,
            unit: UnitNumber(unit),
        };
        let set = |thing, field, value| Change::Set {
            thing,
            field: FieldNumber(field),
            value,
            how: HowKnown::Measured,
        };
        let observe = |thing, what, value| Change::Observe {
            thing,
            what: ObservationNumber(what),
            value,
            how: HowKnown::Read,
        };
        // The crew's own first entry at a stop, and the other's, set one head's arc.
        let change = if contested || nth * SITES_A_DEVICE % ENTRIES_A_DAY < SITES_A_DEVICE * 4 {
            let which = if contested {
                nth / CONTESTED_ONE_IN
            } else {
                nth
            };
            set(stop_head(which % 4), 310, quantity(9))
        } else {
            match pick {
                0..=3 => set(stop_head(nth), 311, quantity(3)),
                4..=5 => set(site.zones[zone], 240, Value::Int(amount as i64)),
                6 => set(site.valves[zone], 261, quantity(12)),
                7..=8 => observe(site.zones[zone], 12, quantity(2)),
                _ => {
                    let words = NOTES[self.chance.below(NOTES.len() as u64) as usize];
                    observe(site.heads[nth % HEADS], 40, Value::text(words))
                }
            }
        };
        let visit = (self.day as u64) << 16 | (device as u64) << 8 | stop as u64;
        Draft {
            logbook: site.logbook,
            by: BY[device].to_owned(),
            utc_offset_min: -420,
            visit: Some(ThingId::fresh(self.morning().get(), {
                let mut chance = Chance::new(visit);
                chance.bytes()
            })),
            changes: vec![change],
        }
    }

    /// The bytes of so many entries as a hub would have come by them, evening after evening.
    pub fn base(&mut self, entries: usize) -> Vec<Vec<u8>> {
        let mut raws = Vec::with_capacity(entries + DEVICES * ENTRIES_A_DAY);
        while raws.len() < entries {
            let morning = self.morning();
            let day = self.day();
            raws.extend(self.write(morning, day));
        }
        raws
    }

    /// Writes what each device has to write from one morning on, and lets everyone learn it in the evening.
    /// Returns the entries' bytes, device by device.
    pub fn write(&mut self, morning: WallMs, day: Vec<Vec<Draft>>) -> Vec<Vec<u8>> {
        let mut raws = Vec::new();
        for (device, drafts) in day.into_iter().enumerate() {
            for (nth, draft) in drafts.into_iter().enumerate() {
                raws.push(self.written(device, draft, morning.shifted(nth as i64 * 50_000)));
            }
        }
        for ((logbook, device), chain) in &self.chains {
            if let Some((seq, tip)) = chain.last {
                let mark = Mark {
                    device: self.keys[*device].device(),
                    seq,
                    tip,
                };
                let evening = self.evening.entry(*logbook).or_default();
                evening.insert(*device, mark);
            }
        }
        raws
    }

    fn written(&mut self, device: usize, draft: Draft, now: WallMs) -> Vec<u8> {
        let chain = self.chains.entry((draft.logbook, device)).or_default();
        let mut gained = Vec::new();
        if let Some(evening) = self.evening.get(&draft.logbook) {
            for (of, mark) in evening.iter().filter(|(of, _)| **of != device) {
                if chain.knew.insert(*of, *mark) != Some(*mark) {
                    gained.push(*mark);
                }
            }
        }
        gained.sort_unstable();
        let entry = Entry {
            logbook: draft.logbook,
            device: self.keys[device].device(),
            seq: chain.last.map_or(Seq::FIRST, |(seq, _)| seq.next()),
            prev: chain.last.map_or(Tip::NONE, |(_, tip)| tip),
            stamp: self.clocks[device].next(now),
            utc_offset_min: draft.utc_offset_min,
            by: draft.by,
            visit: draft.visit,
            gained,
            changes: draft.changes,
        };
        let raw = codec::encode(&entry).expect("a short entry");
        chain.last = Some((entry.seq, Tip::of(&raw)));
        raw
    }
}

pub const BY: [&str; DEVICES] = [
    "R. Ash",
    "T. Birch",
    "M. Cedar",
    "L. Elm",
    "S. Fir",
    "J. Hazel",
    "N. Larch",
    "D. Maple",
    "K. Oak",
    "P. Pine",
    "A. Rowan",
    "W. Willow",
];

const NOTES: [&str; 6] = [
    "tilted, set upright",
    "blocked by the hedge",
    "nozzle clogged, cleaned",
    "sprays the walk",
    "seal weeps at rest",
    "sunk, wants raising",
];
