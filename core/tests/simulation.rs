//! Crews, phones and hubs under everything that goes wrong, in one thread, by seed.
//!
//! Parcels are lost, doubled, cut, late; phones and hubs lose power before and after a commit;
//! phones are copied and go on beside their copies, old copies of phones and hubs are put back,
//! phones meet in the truck, clocks are wrong and jump, routes change, access is taken back and
//! colleagues carry what the hub turned away. In the end everyone meets:
//! all must hold the same entries and say the same, nothing that was acknowledged may be missing or
//! there twice, every chain must be sealed by its device, and the fields that stand in two versions
//! must be those that a plain model, which knows no vectors, says.
//!
//! `HEADWALK_SEEDS=100000 cargo test --release -p headwalk-core --test simulation` runs as many as
//! asked; `HEADWALK_SEED=17` runs one. A failing seed is printed.

mod disk;

use std::collections::{BTreeMap, BTreeSet};
use std::num::NonZero;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};
use std::{panic, thread};

use disk::{Chance, Disk};
use headwalk_core::exchange::Error;
use headwalk_core::exchange::message::Parcel;
use headwalk_core::exchange::session::{Answering, Caller, Next, Summary, answer};
use headwalk_core::log::entry::{Change, Draft, Entry};
use headwalk_core::log::id::{DeviceId, FieldNumber, LogbookId, StoreId, ThingId};
use headwalk_core::log::seal::DeviceKey;
use headwalk_core::log::stamp::WallMs;
use headwalk_core::log::value::{HowKnown, Value};
use headwalk_core::store::{NewStore, Store};

const LOGBOOKS: u8 = 3;
const FIELDS: u64 = 3;
const MOST_PHONES: usize = 12;
const THING: ThingId = ThingId::from_bytes([7; 16]);
const DAY_MS: u64 = 86_400_000;

/// How many entries a store leaves outside blocks: few, so that a short season fills many blocks.
fn most_loose(id: StoreId) -> usize {
    usize::from(id.bytes()[15] % 24)
}

fn logbook(number: u8) -> LogbookId {
    LogbookId::from_bytes([number + 1; 16])
}

/// A phone or a hub.
struct Node {
    disk: Disk,
    store: Option<Store>,
    clock_off_ms: i64,
    copies: Vec<Vec<u8>>,
    /// Which phone it is, or is a copy of.
    whose: u64,
    /// Whether the hubs turn it away.
    revoked: bool,
    // Chance for the keys of the devices that write here, as many as are needed.
    keys: Chance,
    route: BTreeSet<LogbookId>,
}

/// What the model remembers of one write.
struct Written {
    logbook: LogbookId,
    field: u64,
    seen: BTreeSet<u64>,
    /// Which phone wrote it.
    whose: u64,
    /// Whether it was acknowledged, and its only copy has not been thrown away since.
    must_be_there: bool,
}

struct World {
    chance: Chance,
    now_ms: u64,
    given: u64,
    hubs: Vec<Node>,
    phones: Vec<Node>,
    written: BTreeMap<u64, Written>,
    late: Vec<(usize, usize, Vec<u8>)>,
    /// Every id that a phone or a copy of it ever had.
    ids: BTreeMap<u64, BTreeSet<DeviceId>>,
    /// The ids of phones whose access was taken back.
    gone: BTreeSet<DeviceId>,
    /// For each of those phones, the writes that the hubs held by then.
    had: BTreeMap<u64, BTreeSet<u64>>,
    tally: Tally,
}

/// What happened, to see that the simulation does what it says.
#[derive(Debug, Default, Clone, Copy)]
struct Tally {
    writes: u64,
    exchanges: u64,
    power_losses: u64,
    put_back: u64,
    copied: u64,
    branches: u64,
    new_ids: u64,
    revoked: u64,
    held_back: u64,
    two_versions: u64,
}

impl Tally {
    fn add(&mut self, other: Self) {
        self.writes += other.writes;
        self.exchanges += other.exchanges;
        self.power_losses += other.power_losses;
        self.put_back += other.put_back;
        self.copied += other.copied;
        self.branches += other.branches;
        self.new_ids += other.new_ids;
        self.revoked += other.revoked;
        self.held_back += other.held_back;
        self.two_versions += other.two_versions;
    }
}

impl World {
    fn new(seed: u64) -> Self {
        let mut world = Self {
            chance: Chance::seeded(seed + 1),
            now_ms: 400 * DAY_MS,
            given: 0,
            hubs: Vec::new(),
            phones: Vec::new(),
            written: BTreeMap::new(),
            late: Vec::new(),
            ids: BTreeMap::new(),
            gone: BTreeSet::new(),
            had: BTreeMap::new(),
            tally: Tally::default(),
        };
        let (hubs, phones) = (1 + world.chance.next(2), 2 + world.chance.next(5));
        for _ in 0..hubs {
            let node = world.node();
            world.hubs.push(node);
        }
        for _ in 0..phones {
            let mut node = world.node();
            node.clock_off_ms = world.clock_error();
            world.phones.push(node);
        }
        world
    }

    fn id(&mut self) -> [u8; 16] {
        self.given += 1;
        let mut id = [0; 16];
        id[..8].copy_from_slice(&self.given.to_be_bytes());
        // Ids must not sort by age, or a lost tie-break would go unseen.
        id[0] = self.chance.next(256) as u8;
        id
    }

    fn node(&mut self) -> Node {
        let disk = Disk::default();
        let mut keys = Chance::seeded(self.chance.next(u64::MAX));
        let new = NewStore {
            id: StoreId::from_bytes(self.id()),
            key: key(&mut keys),
        };
        let whose = self.given;
        let ids = self.ids.entry(whose).or_default();
        ids.insert(new.key.device());
        let most_loose = most_loose(new.id);
        let store = Store::on_backend(disk.clone(), new).expect("a new disk");
        store.keep_loose(most_loose);
        let route = (0..LOGBOOKS).map(logbook).collect();
        Node {
            disk,
            store: Some(store),
            clock_off_ms: 0,
            copies: Vec::new(),
            whose,
            revoked: false,
            keys,
            route,
        }
    }

    fn clock_error(&mut self) -> i64 {
        match self.chance.next(6) {
            0 => DAY_MS as i64,
            1 => -3 * 3_600_000,
            2 => 365 * DAY_MS as i64,
            3 => 2_000,
            _ => 0,
        }
    }

    fn step(&mut self) {
        // Several things happen in one millisecond, so that stamps are equal and the tie counts.
        if self.chance.next(4) == 0 {
            self.now_ms += self.chance.next(2_400_000);
        }
        let phone = self.chance.next(self.phones.len() as u64) as usize;
        let hub = self.chance.next(self.hubs.len() as u64) as usize;
        match self.chance.next(40) {
            0..=14 => self.write(phone),
            15..=27 => self.exchange(phone, hub),
            28 => self.lose_power_writing(phone),
            29 => self.lose_power_exchanging(phone, hub, Side::Phone),
            30 => self.lose_power_exchanging(phone, hub, Side::Hub),
            31 => self.copy(phone),
            39 if self.chance.next(3) == 0 => self.revoke(phone),
            32 => self.put_phone_back(phone),
            33 => self.phones_meet(phone),
            34 => self.phones[phone].clock_off_ms = self.clock_error(),
            35 => self.put_hub_back(hub),
            36 => self.deliver_late(),
            37 => self.change_route(phone),
            38 if self.hubs.len() > 1 => self.hubs_meet(),
            39 => self.pack(hub),
            _ => {}
        }
    }

    /// Packs what a hub holds, as at a season's end.
    fn pack(&mut self, hub: usize) {
        if let Some(store) = &self.hubs[hub].store {
            store.press_all().expect("it is packed");
        }
    }

    /// Gives a phone or a hub a new id where its own is in use elsewhere, as the programs around
    /// the store do before they write.
    fn renew(&mut self, side: Side, node: usize) {
        let node = match side {
            Side::Phone => &mut self.phones[node],
            Side::Hub => &mut self.hubs[node],
        };
        let store = node.store.as_ref().expect("it is open");
        if store.id_is_in_use_elsewhere() {
            self.tally.new_ids += 1;
            let key = key(&mut node.keys);
            let device = key.device();
            // Where the power goes meanwhile, the next try finds the store as it was.
            drop(store.write_as(key));
            let ids = self.ids.entry(node.whose).or_default();
            ids.insert(device);
            if node.revoked {
                self.gone.insert(device);
            }
        }
    }

    fn write(&mut self, phone: usize) {
        self.renew(Side::Phone, phone);
        let uid = self.written.len() as u64 + 1;
        let (book, field) = (
            logbook(self.chance.next(LOGBOOKS.into()) as u8),
            self.chance.next(FIELDS),
        );
        let now = self.now_at(phone);
        let store = self.phones[phone].store.as_ref().expect("a phone is open");
        if store.entries(book).is_err() {
            return; // the power went while the phone took a new id
        }
        let seen = uids(store, book);
        let recorded = store.record(&[draft(book, field, uid)], now);
        self.tally.writes += 1;
        let must_be_there = recorded.is_ok();
        self.written.insert(
            uid,
            Written {
                logbook: book,
                field,
                seen,
                whose: self.phones[phone].whose,
                must_be_there,
            },
        );
    }

    fn now_at(&self, phone: usize) -> WallMs {
        WallMs::new(self.now_ms).shifted(self.phones[phone].clock_off_ms)
    }

    /// One call with whatever the link does to it.
    fn exchange(&mut self, phone: usize, hub: usize) {
        self.tally.exchanges += 1;
        let trips = self.chance.next(5);
        drop(self.call(phone, hub, trips));
    }

    /// Carries up to `trips` parcels there and back, each as the link has it.
    fn call(&mut self, phone: usize, hub: usize, trips: u64) -> Result<Option<Summary>, Error> {
        let now = self.now_at(phone);
        let hub_id = self.hubs[hub].store.as_ref().expect("a hub is open").id();
        let known = (self.chance.next(4) > 0).then_some(hub_id);
        let store = self.phones[phone].store.as_ref().expect("a phone is open");
        let (mut caller, mut parcel) = Caller::begin(store, known, now)?;
        for _ in 0..trips {
            let there = parcel.to_bytes();
            let fate = self.chance.next(12);
            if fate == 0 {
                return Ok(None); // lost on the way there
            }
            if fate == 1 {
                self.late.push((phone, hub, there));
                return Ok(None);
            }
            if fate == 2 {
                let cut = self.chance.next(there.len() as u64) as usize;
                drop(self.answered(phone, hub, &there[..cut]));
                return Ok(None);
            }
            if fate == 3 {
                drop(self.answered(phone, hub, &there)); // arrives twice
            }
            let back = self.answered(phone, hub, &there)?;
            if fate == 4 {
                return Ok(None); // lost on the way back
            }
            let back = Parcel::from_bytes(&back)?;
            let store = self.phones[phone]
                .store
                .as_ref()
                .expect("a phone in use is open");
            match caller.receive(store, &back, now)? {
                Next::Send(next) => parcel = next,
                Next::Done(summary) => return Ok(Some(summary)),
            }
        }
        Ok(None)
    }

    fn answered(&mut self, phone: usize, hub: usize, there: &[u8]) -> Result<Vec<u8>, Error> {
        let parcel = Parcel::from_bytes(there)?;
        if self.phones[phone].revoked {
            return Err(Error::Garbled("the hub turns this phone away"));
        }
        self.renew(Side::Hub, hub);
        let answering = self.answering(Some(phone));
        let hub = self.hubs[hub].store.as_ref().expect("a hub is open");
        Ok(answer(hub, &parcel, &answering, WallMs::new(self.now_ms))?.to_bytes())
    }

    /// How hubs answer now.
    fn answering(&self, phone: Option<usize>) -> Answering {
        let as_hub = Answering::as_hub().holding_back(self.gone.clone());
        match phone {
            Some(phone) => as_hub.on_route(self.phones[phone].route.clone()),
            None => as_hub,
        }
    }

    /// Takes a phone's access back, with every copy of it and every id that it had: who has its
    /// token is turned away.
    fn revoke(&mut self, phone: usize) {
        let whose = self.phones[phone].whose;
        if !self
            .phones
            .iter()
            .any(|other| !other.revoked && other.whose != whose)
        {
            return; // somebody must be left to carry
        }
        self.tally.revoked += 1;
        for other in self.phones.iter_mut().filter(|other| other.whose == whose) {
            other.revoked = true;
        }
        self.gone.extend(self.ids[&whose].iter().copied());
        let stores = self.hubs.iter().filter_map(|hub| hub.store.as_ref());
        let had: BTreeSet<u64> = stores.flat_map(all_uids).collect();
        self.had.entry(whose).or_insert(had);
    }

    fn hubs_meet(&mut self) {
        let now = WallMs::new(self.now_ms);
        let one = self.hubs[0].store.as_ref().expect("a hub is open");
        let other = self.hubs[1].store.as_ref().expect("a hub is open");
        drop(meet(one, other, now));
    }

    /// Two phones in the truck.
    fn phones_meet(&mut self, phone: usize) {
        let other = self.chance.next(self.phones.len() as u64) as usize;
        if other != phone {
            let now = self.now_at(phone);
            let one = self.phones[phone].store.as_ref().expect("a phone is open");
            let other = self.phones[other].store.as_ref().expect("a phone is open");
            drop(meet(one, other, now)); // a copy of itself refuses
        }
    }

    fn deliver_late(&mut self) {
        if let Some((phone, hub, parcel)) = self.late.pop() {
            drop(self.answered(phone, hub, &parcel));
        }
    }

    fn change_route(&mut self, phone: usize) {
        let mask = self.chance.next(1 << LOGBOOKS);
        let on = |book: &u8| mask & (1 << book) != 0;
        self.phones[phone].route = (0..LOGBOOKS).filter(on).map(logbook).collect();
    }

    fn lose_power_writing(&mut self, phone: usize) {
        self.cut_power_soon(Side::Phone, phone);
        self.write(phone);
        self.power_back(Side::Phone, phone);
    }

    fn lose_power_exchanging(&mut self, phone: usize, hub: usize, side: Side) {
        let node = if side == Side::Hub { hub } else { phone };
        self.cut_power_soon(side, node);
        drop(self.call(phone, hub, 4));
        self.power_back(side, node);
    }

    fn side(&mut self, side: Side, node: usize) -> &mut Node {
        match side {
            Side::Phone => &mut self.phones[node],
            Side::Hub => &mut self.hubs[node],
        }
    }

    fn cut_power_soon(&mut self, side: Side, node: usize) {
        let after = self.chance.next(14);
        let mut platter = self.side(side, node).disk.platter();
        platter.power_lost_at = Some(platter.operations + after);
    }

    fn power_back(&mut self, side: Side, node: usize) {
        self.tally.power_losses += 1;
        self.side(side, node).store = None;
        let disk = self.side(side, node).disk.clone();
        let image = disk.after_power_loss(&mut self.chance);
        self.start(side, node, image);
    }

    /// Starts a phone or a hub with this on its disk.
    fn start(&mut self, side: Side, node: usize, image: Vec<u8>) {
        let id = StoreId::from_bytes(self.id());
        let node = self.side(side, node);
        let key = key(&mut node.keys);
        let new = NewStore {
            id,
            key: key.clone(),
        };
        let disk = Disk::losing_power_at(image, None);
        let store = Store::on_backend(disk.clone(), new).expect("the store opens again");
        store.keep_loose(most_loose(id));
        if side == Side::Hub {
            store.write_as(key).expect("a hub takes a fresh device id");
        }
        (node.disk, node.store) = (disk, Some(store));
    }

    /// What is on a node's disk with nothing under way.
    fn image(&mut self, side: Side, node: usize) -> Vec<u8> {
        self.side(side, node).disk.platter().written.clone()
    }

    fn put_hub_back(&mut self, hub: usize) {
        self.put_back(Side::Hub, hub);
    }

    fn put_phone_back(&mut self, phone: usize) {
        self.put_back(Side::Phone, phone);
    }

    /// Puts an old copy back, or makes one where there is none.
    fn put_back(&mut self, side: Side, node: usize) {
        if let Some(image) = self.side(side, node).copies.pop() {
            self.tally.put_back += 1;
            self.start_from_copy(side, node, image);
        } else {
            let image = self.image(side, node);
            self.side(side, node).copies.push(image);
        }
    }

    /// Makes another phone with everything that is on this one; both go on.
    fn copy(&mut self, phone: usize) {
        if self.phones.len() >= MOST_PHONES {
            return;
        }
        self.tally.copied += 1;
        let image = self.image(Side::Phone, phone);
        let mut node = self.node();
        node.clock_off_ms = self.clock_error();
        let original = &self.phones[phone];
        node.route = original.route.clone();
        (node.whose, node.revoked) = (original.whose, original.revoked);
        node.store = None;
        self.phones.push(node);
        self.start(Side::Phone, self.phones.len() - 1, image);
    }

    fn start_from_copy(&mut self, side: Side, node: usize, image: Vec<u8>) {
        let had = all_uids(self.side(side, node).store.as_ref().expect("it is open"));
        self.side(side, node).store = None;
        self.start(side, node, image);
        // What was on that disk alone is gone with it; nobody can bring it back.
        let held: BTreeSet<u64> = self
            .hubs
            .iter()
            .chain(&self.phones)
            .filter_map(|node| node.store.as_ref())
            .flat_map(all_uids)
            .collect();
        for uid in had.difference(&held) {
            if let Some(written) = self.written.get_mut(uid) {
                written.must_be_there = false;
            }
        }
    }

    /// Everyone meets until nothing moves any more.
    fn heal_everything(&mut self) -> Result<(), String> {
        self.late.clear();
        let everything: BTreeSet<_> = (0..LOGBOOKS).map(logbook).collect();
        for phone in &mut self.phones {
            phone.route = everything.clone();
        }
        let carrier = self.phones.iter().position(|phone| !phone.revoked);
        let carrier = carrier.expect("one phone is never turned away");
        for _ in 0..12 {
            let mut quiet = true;
            for phone in 0..self.phones.len() {
                for hub in 0..self.hubs.len() {
                    if !self.phones[phone].revoked {
                        quiet &= self.meet_for_good(phone, hub)?;
                    }
                }
                if self.phones[phone].revoked {
                    // Nobody but a colleague takes its entries along.
                    let now = self.now_at(phone);
                    let one = self.phones[phone].store.as_ref().expect("a phone is open");
                    let other = self.phones[carrier]
                        .store
                        .as_ref()
                        .expect("a phone is open");
                    let summary = meet(one, other, now).map_err(|error| error.to_string())?;
                    quiet &= summary.equal && summary.logbooks.is_empty();
                }
            }
            if self.hubs.len() > 1 {
                let now = WallMs::new(self.now_ms);
                let one = self.hubs[0].store.as_ref().expect("a hub is open");
                let other = self.hubs[1].store.as_ref().expect("a hub is open");
                let summary = meet(one, other, now).map_err(|error| format!("hubs: {error}"))?;
                quiet &= summary.equal && summary.logbooks.is_empty();
            }
            if quiet {
                return Ok(());
            }
        }
        Err("they never come to rest".to_owned())
    }

    /// One whole call; whether nothing moved and both hold the same.
    fn meet_for_good(&mut self, phone: usize, hub: usize) -> Result<bool, String> {
        self.renew(Side::Hub, hub);
        let answering = self.answering(None);
        let (now, hub_now) = (self.now_at(phone), WallMs::new(self.now_ms));
        let said = |error: Error| format!("phone {phone}, hub {hub}: {error}");
        let store = self.phones[phone].store.as_ref().expect("a phone is open");
        let hub = self.hubs[hub].store.as_ref().expect("a hub is open");
        let (mut caller, mut parcel) = Caller::begin(store, Some(hub.id()), now).map_err(said)?;
        let summary = loop {
            let back = answer(hub, &parcel, &answering, hub_now).map_err(said)?;
            match caller.receive(store, &back, now).map_err(said)? {
                Next::Send(next) => parcel = next,
                Next::Done(summary) => break summary,
            }
        };
        Ok(summary.equal && summary.logbooks.is_empty())
    }

    fn check(&mut self) -> Result<(), String> {
        let hub = self.hubs[0].store.as_ref().expect("a hub is open");
        let all: BTreeSet<_> = (0..LOGBOOKS).map(logbook).collect();
        let held = hub.held(&all).map_err(|error| error.to_string())?;
        for (number, node) in self.hubs.iter().chain(&self.phones).enumerate() {
            let store = node.store.as_ref().expect("everyone is open");
            if store.held(&all).map_err(|error| error.to_string())? != held {
                return Err(format!(
                    "node {number} holds something else than the first hub"
                ));
            }
            for book in &all {
                if store.state(*book).ok() != hub.state(*book).ok() {
                    return Err(format!(
                        "node {number} says something else than the first hub"
                    ));
                }
            }
        }
        let there = counted(hub);
        for (uid, written) in &self.written {
            match there.get(uid).copied().unwrap_or(0) {
                0 if written.must_be_there => return Err(format!("write {uid} is missing")),
                0 | 1 => {}
                times => return Err(format!("write {uid} is there {times} times")),
            }
        }
        self.tally.branches += all
            .iter()
            .map(|book| {
                hub.branched(*book)
                    .map_or(0, |branched| branched.len() as u64)
            })
            .sum::<u64>();
        let held_back = held_back(hub);
        self.tally.held_back += held_back.len() as u64;
        for (uid, written) in self
            .written
            .iter()
            .filter(|(uid, _)| there.contains_key(uid))
        {
            let came_late = self.had.get(&written.whose).map(|had| !had.contains(uid));
            if came_late == Some(true) && !held_back.contains(uid) {
                return Err(format!(
                    "write {uid} counts, and came when access was taken back"
                ));
            }
            if came_late.is_none() && held_back.contains(uid) {
                return Err(format!(
                    "write {uid} does not count, and its phone may write"
                ));
            }
        }
        let (two_versions, wrong) = self.compare_with_model(hub, &there, &held_back);
        self.tally.two_versions += two_versions;
        if let Some(wrong) = wrong {
            return Err(wrong);
        }
        for node in self.hubs.iter_mut().chain(&mut self.phones) {
            let store = node.store.as_mut().expect("everyone is open");
            let verified = store.verify().map_err(|error| error.to_string())?;
            if !verified.faults.is_empty() {
                return Err(format!("{:?}", verified.faults));
            }
            for ((book, end), walked) in verified.chains {
                if walked.sealed != Some(end.seq) {
                    return Err(format!(
                        "{book}: {end:?} is sealed up to {:?}",
                        walked.sealed
                    ));
                }
            }
        }
        Ok(())
    }

    /// Open writes by the rule itself, from what each writer had seen.
    fn compare_with_model(
        &self,
        hub: &Store,
        there: &BTreeMap<u64, usize>,
        held_back: &BTreeSet<u64>,
    ) -> (u64, Option<String>) {
        let mut two_versions = 0;
        for book in (0..LOGBOOKS).map(logbook) {
            let state = hub.state(book).expect("the hub reads");
            for field in 0..FIELDS {
                let of_field: Vec<_> = self
                    .written
                    .iter()
                    .filter(|(uid, w)| {
                        let counts = there.contains_key(uid) && !held_back.contains(uid);
                        w.logbook == book && w.field == field && counts
                    })
                    .collect();
                let seen: BTreeSet<_> = of_field.iter().flat_map(|(_, w)| &w.seen).collect();
                let model: BTreeSet<u64> = of_field
                    .iter()
                    .map(|(uid, _)| **uid)
                    .filter(|uid| !seen.contains(uid))
                    .collect();
                let open: BTreeSet<u64> = state
                    .register(THING, FieldNumber(field as u16))
                    .map(|register| {
                        register
                            .open()
                            .iter()
                            .filter_map(|w| uid(&w.value))
                            .collect()
                    })
                    .unwrap_or_default();
                two_versions += u64::from(open.len() > 1);
                if open != model {
                    let wrong =
                        format!("{book} field {field}: open {open:?}, by the rule {model:?}");
                    return (two_versions, Some(wrong));
                }
            }
        }
        (two_versions, None)
    }
}

fn key(chance: &mut Chance) -> DeviceKey {
    let mut secret = [0; 32];
    for byte in &mut secret {
        *byte = chance.next(256) as u8;
    }
    DeviceKey::from_bytes(secret)
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Side {
    Phone,
    Hub,
}

fn meet(one: &Store, other: &Store, now: WallMs) -> Result<Summary, Error> {
    let (mut caller, mut parcel) = Caller::begin(one, Some(other.id()), now)?;
    loop {
        match caller.receive(
            one,
            &answer(other, &parcel, &Answering::as_peer(), now)?,
            now,
        )? {
            Next::Send(next) => parcel = next,
            Next::Done(summary) => return Ok(summary),
        }
    }
}

fn draft(logbook: LogbookId, field: u64, uid: u64) -> Draft {
    let change = Change::Set {
        thing: THING,
        field: FieldNumber(field as u16),
        value: Value::Int(uid as i64),
        how: HowKnown::Unstated,
    };
    Draft {
        logbook,
        by: "R. Ash".to_owned(),
        utc_offset_min: 0,
        visit: None,
        changes: vec![change],
    }
}

fn uid(value: &Value) -> Option<u64> {
    value.as_int().map(|uid| uid as u64)
}

fn uids_of(entry: &Entry) -> impl Iterator<Item = u64> + '_ {
    entry.changes.iter().filter_map(|change| match change {
        Change::Set { value, .. } => uid(value),
        _ => None,
    })
}

fn uids(store: &Store, logbook: LogbookId) -> BTreeSet<u64> {
    let kept = store.entries(logbook).expect("the store reads");
    kept.iter().flat_map(|kept| uids_of(&kept.entry)).collect()
}

fn all_uids(store: &Store) -> BTreeSet<u64> {
    (0..LOGBOOKS)
        .flat_map(|number| uids(store, logbook(number)))
        .collect()
}

/// The writes that a hub holds back, by what it says in plain words in the log.
fn held_back(store: &Store) -> BTreeSet<u64> {
    let mut held_back = BTreeSet::new();
    for number in 0..LOGBOOKS {
        let kept = store.entries(logbook(number)).expect("the store reads");
        let places: Vec<_> = kept.iter().map(|kept| kept.place).collect();
        let marks = store
            .marks(logbook(number), &places)
            .expect("the store reads");
        let words: BTreeSet<_> = kept
            .iter()
            .flat_map(|kept| &kept.entry.changes)
            .filter_map(|change| match change {
                Change::HoldBack { of } => Some(*of),
                _ => None,
            })
            .collect();
        for (kept, mark) in kept.iter().zip(marks) {
            if words.contains(&mark) {
                held_back.extend(uids_of(&kept.entry));
            }
        }
    }
    held_back
}

fn counted(store: &Store) -> BTreeMap<u64, usize> {
    let mut counts = BTreeMap::new();
    for number in 0..LOGBOOKS {
        for kept in store.entries(logbook(number)).expect("the store reads") {
            for uid in uids_of(&kept.entry) {
                *counts.entry(uid).or_default() += 1;
            }
        }
    }
    counts
}

fn run(seed: u64) -> Result<Tally, String> {
    let mut world = World::new(seed);
    let steps = 20 + world.chance.next(60);
    for _ in 0..steps {
        world.step();
    }
    world.heal_everything()?;
    world.check()?;
    Ok(world.tally)
}

fn number_from(name: &str) -> Option<u64> {
    std::env::var(name).ok()?.parse().ok()
}

#[test]
fn whatever_goes_wrong_all_hold_the_same_and_nothing_is_lost_or_doubled() {
    let seeds = match number_from("HEADWALK_SEED") {
        Some(seed) => seed..seed + 1,
        None => 0..number_from("HEADWALK_SEEDS").unwrap_or(2_000),
    };
    let count = seeds.end - seeds.start;
    let next = AtomicU64::new(seeds.start);
    let (sum, failed) = (Mutex::new(Tally::default()), Mutex::new(None));
    let work = || {
        loop {
            let seed = next.fetch_add(1, Ordering::Relaxed);
            if seed >= seeds.end || failed.lock().unwrap().is_some() {
                return;
            }
            let ran = panic::catch_unwind(|| run(seed));
            match ran.unwrap_or_else(|_| Err("it panicked".to_owned())) {
                Ok(tally) => {
                    let mut sum = sum.lock().unwrap();
                    sum.add(tally);
                    if seed % 5_000 == 4_999 {
                        println!("about {} seeds so far: {sum:?}", seed + 1);
                    }
                }
                Err(wrong) => *failed.lock().unwrap() = Some(format!("seed {seed}: {wrong}")),
            }
        }
    };
    let workers = thread::available_parallelism().map_or(1, NonZero::get);
    thread::scope(|scope| {
        for _ in 0..workers {
            scope.spawn(work);
        }
    });
    if let Some(wrong) = failed.into_inner().unwrap() {
        panic!("{wrong}");
    }
    let sum = sum.into_inner().unwrap();
    println!("{count} seeds: {sum:?}");
}
