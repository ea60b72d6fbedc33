//! Phones and hubs beside a model of the log, in one thread, by seed: between any two steps of an
//! append somebody else may have written, answers are lost, batches come to be committed late or
//! never, hubs lag, die and begin anew, and phones are copied.
//!
//! The model keeps the promise of the engine and no more: a batch is taken whole, if every line stands
//! where the batch says. `HEADWALK_SEEDS=20000` runs as many; `HEADWALK_SEED=17` runs one. A failing
//! seed is printed. As its control the same runs without that promise, and must fail.

use std::cell::{Cell, RefCell};
use std::collections::{BTreeMap, BTreeSet};
use std::io;
use std::sync::{Arc, Mutex};

use headwalk_core::exchange::Shelf;
use headwalk_core::exchange::session::{Answering, Caller, Next, answer};
use headwalk_core::log::chain::Tip;
use headwalk_core::log::codec;
use headwalk_core::log::entry::{Change, Draft};
use headwalk_core::log::id::{DeviceId, FieldNumber, LogbookId, StoreId, ThingId};
use headwalk_core::log::seal::DeviceKey;
use headwalk_core::log::sheaf::Sheaf;
use headwalk_core::log::stamp::WallMs;
use headwalk_core::log::value::{HowKnown, Value};
use headwalk_core::store::{Appended, Came, Error, Followed, NewStore, Rehearsed, Store, Taking};
use headwalk_sync_server::hub_log::appending::{Appending, Ask, Expect, Message, Topic};
use headwalk_sync_server::hub_log::{Last, Line, LogError, Position, Record};

const LOGBOOKS: u64 = 2;
const MOST_PHONES: usize = 7;
/// How often a hub asks again before it tells its caller that the log is out of reach.
const PATIENCE: u32 = 6;
const PUSH_SEEDS: u64 = 60;

/// Runs seeds; returns what failed.
fn run(seeds: std::ops::Range<u64>, keeps_its_promise: bool) -> Vec<String> {
    let run = |seed| {
        let mut world = World::new(seed, keeps_its_promise);
        let lived = world.live().and_then(|()| world.check());
        TALLY.with(|tally| {
            let mut all = tally.get();
            all.add(world.log.borrow().tally);
            tally.set(all);
        });
        lived.err().map(|why| format!("seed {seed}: {why}"))
    };
    seeds.filter_map(run).collect()
}

thread_local! {
    static TALLY: Cell<Tally> = const { Cell::new(Tally::new()) };
}

pub fn whatever_races_each_entry_is_there_once_and_all_hold_the_same() {
    let number = |name: &str| {
        std::env::var(name)
            .ok()
            .and_then(|text| text.parse::<u64>().ok())
    };
    let seeds = match number("HEADWALK_SEED") {
        Some(seed) => seed..seed + 1,
        None => 0..number("HEADWALK_SEEDS").unwrap_or(PUSH_SEEDS),
    };
    let alone = seeds.end - seeds.start == 1;
    let runs = seeds.end - seeds.start;
    assert_eq!(run(seeds, true), Vec::<String>::new());
    let tally = TALLY.with(Cell::get);
    println!("{runs} seeds: {tally:?}");
    let happened = [
        tally.races_lost,
        tally.answers_lost,
        tally.late,
        tally.new_ids,
        tally.branches,
    ];
    assert!(
        alone || happened.iter().all(|count| *count > 0),
        "it does what it says: {tally:?}"
    );
}

pub fn without_the_promise_of_the_log_the_same_fails() {
    let failed = run(0..10, false);
    assert!(!failed.is_empty(), "entries must come to be there twice");
    println!(
        "control: {} of 10 seeds fail, first: {}",
        failed.len(),
        failed[0]
    );
}

#[derive(Debug, Clone, Copy)]
struct Tally {
    appends: u64,
    races_lost: u64,
    answers_lost: u64,
    late: u64,
    out_of_reach: u64,
    new_ids: u64,
    branches: u64,
    begun_anew: u64,
}

impl Tally {
    const fn new() -> Self {
        Self {
            appends: 0,
            races_lost: 0,
            answers_lost: 0,
            late: 0,
            out_of_reach: 0,
            new_ids: 0,
            branches: 0,
            begun_anew: 0,
        }
    }

    const fn add(&mut self, other: Self) {
        self.appends += other.appends;
        self.races_lost += other.races_lost;
        self.answers_lost += other.answers_lost;
        self.late += other.late;
        self.out_of_reach += other.out_of_reach;
        self.new_ids += other.new_ids;
        self.branches += other.branches;
        self.begun_anew += other.begun_anew;
    }
}

/// Numbers by seed (SplitMix64).
struct Chance(u64);

impl Chance {
    fn next(&mut self, below: u64) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        (mixed ^ (mixed >> 31)) % below
    }

    fn one_in(&mut self, of: u64) -> bool {
        self.next(of) == 0
    }

    fn bytes<const N: usize>(&mut self) -> [u8; N] {
        std::array::from_fn(|_| self.next(256) as u8)
    }
}

/// What the engine keeps.
struct Log {
    chance: Chance,
    keeps_its_promise: bool,
    records: Vec<Record>,
    lines: BTreeMap<Line, Vec<Last>>,
    /// Batches that were sent and of which nobody knows what will become.
    limbo: Vec<Vec<(Message, Record)>>,
    /// What phones handed over lately, for other hubs to be handed as well.
    handed: Vec<Vec<Record>>,
    tally: Tally,
}

impl Log {
    fn meets(&self, message: &Message) -> bool {
        match (message.expect, message.topic) {
            (Some(Expect::LineAt(at)), Topic::Entry(line, ..)) => {
                let last = self.lines.get(&line).and_then(|line| line.last());
                last.map_or(Position::START, |last| last.at) == at
            }
            _ => true,
        }
    }

    fn commit(&mut self, batch: Vec<(Message, Record)>) -> Option<Position> {
        if self.keeps_its_promise && !batch.iter().all(|(message, _)| self.meets(message)) {
            return None;
        }
        for (message, record) in batch {
            self.records.push(record);
            let at = Position(self.records.len() as u64);
            if let Topic::Entry(line, seq, tip) = message.topic {
                let lasts = self.lines.entry(line).or_default();
                lasts.push(Last { seq, tip, at });
            }
        }
        Some(Position(self.records.len() as u64))
    }

    /// What goes on between two steps of a hub.
    fn meanwhile(&mut self, depth: u32) {
        if !self.limbo.is_empty() && self.chance.one_in(3) {
            let at = self.chance.next(self.limbo.len() as u64) as usize;
            let batch = self.limbo.swap_remove(at);
            self.tally.late += u64::from(self.commit(batch).is_some());
        }
        // Another hub is handed the same, as far as a phone got.
        if depth < 2 && !self.handed.is_empty() && self.chance.one_in(3) {
            let at = self.chance.next(self.handed.len() as u64) as usize;
            let batch = self.handed[at].clone();
            let to = 1 + self.chance.next(batch.len() as u64) as usize;
            drop(self.append(&batch[..to], depth + 1));
        }
    }

    /// Appends as a hub does, step by step.
    fn append(&mut self, records: &[Record], depth: u32) -> Result<Position, LogError> {
        self.tally.appends += 1;
        let mut appending = Appending::new(records, None)?;
        let mut unanswered = 0;
        loop {
            self.meanwhile(depth);
            match appending.ask()? {
                Ask::Done(appended) => return Ok(appended.up_to),
                Ask::Last(line) => {
                    let last = self.lines.get(&line).and_then(|line| line.last().copied());
                    appending.heard_last(line, last);
                }
                Ask::Whole(line) => {
                    let whole = self.lines.get(&line).cloned().unwrap_or_default();
                    appending.heard_whole(line, &whole);
                }
                Ask::Publish(messages) => {
                    self.meanwhile(depth);
                    let record = |message: &Message| (*message, appending.message(message).clone());
                    let batch: Vec<_> = messages.iter().map(record).collect();
                    let fate = self.chance.next(8);
                    if fate == 0 {
                        self.limbo.push(batch); // on its way, or gone with its leader
                    } else {
                        match self.commit(batch) {
                            Some(at) if fate > 1 => {
                                appending.published(at);
                                continue;
                            }
                            None => {
                                self.tally.races_lost += 1;
                                appending.lost_race();
                                continue;
                            }
                            Some(_) => {}
                        }
                    }
                    self.tally.answers_lost += 1;
                    unanswered += 1;
                    appending.no_answer();
                    if unanswered == PATIENCE || self.chance.one_in(6) {
                        self.tally.out_of_reach += 1;
                        return Err(LogError::Unreachable("so said the seed".to_owned()));
                    }
                }
            }
        }
    }
}

/// A disk in memory that can be copied.
#[derive(Debug, Clone, Default)]
struct Disk(Arc<Mutex<Vec<u8>>>);

impl redb::StorageBackend for Disk {
    fn len(&self) -> io::Result<u64> {
        Ok(self.0.lock().unwrap().len() as u64)
    }

    fn read(&self, offset: u64, out: &mut [u8]) -> io::Result<()> {
        let from = offset as usize;
        out.copy_from_slice(&self.0.lock().unwrap()[from..from + out.len()]);
        Ok(())
    }

    fn set_len(&self, len: u64) -> io::Result<()> {
        self.0.lock().unwrap().resize(len as usize, 0);
        Ok(())
    }

    fn sync_data(&self) -> io::Result<()> {
        Ok(())
    }

    fn write(&self, offset: u64, data: &[u8]) -> io::Result<()> {
        let from = offset as usize;
        self.0.lock().unwrap()[from..from + data.len()].copy_from_slice(data);
        Ok(())
    }
}

struct Phone {
    disk: Disk,
    store: Store,
    ahead_ms: i64,
}

struct Hub {
    store: Store,
    followed: Position,
    takes_new_id: Cell<bool>,
}

struct World {
    log: RefCell<Log>,
    id: StoreId,
    now_ms: u64,
    hubs: Vec<RefCell<Hub>>,
    phones: Vec<Phone>,
    written: u64,
    uids: BTreeSet<u64>,
}

fn logbook(number: u64) -> LogbookId {
    LogbookId::from_bytes([number as u8 + 1; 16])
}

impl World {
    fn new(seed: u64, keeps_its_promise: bool) -> Self {
        let mut chance = Chance(seed.wrapping_mul(0x2545_F491_4F6C_DD1D) + 1);
        let id = StoreId::from_bytes(chance.bytes());
        let hubs = (0..3)
            .map(|_| RefCell::new(Hub::begin(id, &mut chance)))
            .collect();
        let phones = (0..3).map(|_| Phone::begin(&mut chance)).collect();
        Self {
            log: RefCell::new(Log {
                chance,
                keeps_its_promise,
                records: Vec::new(),
                lines: BTreeMap::new(),
                limbo: Vec::new(),
                handed: Vec::new(),
                tally: Tally::new(),
            }),
            id,
            now_ms: 1_784_030_400_000,
            hubs,
            phones,
            written: 0,
            uids: BTreeSet::new(),
        }
    }

    fn chance(&self, below: usize) -> usize {
        self.log.borrow_mut().chance.next(below as u64) as usize
    }

    fn now(&self) -> WallMs {
        WallMs::new(self.now_ms)
    }

    fn live(&mut self) -> Result<(), String> {
        for _ in 0..70 {
            self.now_ms += self.chance(60_000) as u64;
            let (phone, hub) = (self.chance(self.phones.len()), self.chance(3));
            match self.chance(16) {
                0..=5 => self.write(phone),
                6..=11 => drop(self.exchange(phone, hub, true)),
                12 => self.begin_anew(hub),
                13 if self.phones.len() < MOST_PHONES => self.copy(phone),
                14 => self.phones[phone].ahead_ms = [0, 0, 86_400_000, -7_200_000][self.chance(4)],
                _ => self.log.borrow_mut().meanwhile(0),
            }
        }
        // In the end everybody meets everybody, until nothing moves any more.
        for _ in 0..12 {
            let mut quiet = true;
            for phone in 0..self.phones.len() {
                for hub in 0..3 {
                    quiet &= self.exchange(phone, hub, false).unwrap_or(false);
                }
            }
            if quiet {
                return Ok(());
            }
        }
        Err("they never come to rest".to_owned())
    }

    fn write(&mut self, phone: usize) {
        let logbook = logbook(self.chance(LOGBOOKS as usize) as u64);
        self.written += 1;
        self.uids.insert(self.written);
        let (log, phone) = (&self.log, &self.phones[phone]);
        let now = self.now().shifted(phone.ahead_ms);
        if phone.store.id_is_in_use_elsewhere() {
            let key = DeviceKey::from_bytes(log.borrow_mut().chance.bytes());
            phone.store.write_as(key).unwrap();
        }
        let change = Change::Set {
            thing: ThingId::from_bytes([7; 16]),
            field: FieldNumber(7),
            value: Value::text(self.written.to_string()),
            how: HowKnown::Unstated,
        };
        let draft = Draft {
            logbook,
            by: "R. Ash".to_owned(),
            utc_offset_min: 0,
            visit: None,
            changes: vec![change],
        };
        phone.store.record(&[draft], now).unwrap();
    }

    fn begin_anew(&mut self, hub: usize) {
        let mut log = self.log.borrow_mut();
        log.tally.begun_anew += 1;
        self.hubs[hub] = RefCell::new(Hub::begin(self.id, &mut log.chance));
    }

    fn copy(&mut self, phone: usize) {
        // What is on the disk is whole: each commit has ended.
        let image = self.phones[phone].disk.0.lock().unwrap().clone();
        let disk = Disk(Arc::new(Mutex::new(image)));
        let new = new_store(&mut self.log.borrow_mut().chance);
        let store = Store::on_backend(disk.clone(), new).unwrap();
        let ahead_ms = self.phones[phone].ahead_ms;
        self.phones.push(Phone {
            disk,
            store,
            ahead_ms,
        });
    }

    /// One call; says whether nothing moved and both hold the same.
    fn exchange(&mut self, phone: usize, hub: usize, may_break: bool) -> Option<bool> {
        let shelf = ModelShelf {
            hub: &self.hubs[hub],
            log: &self.log,
            id: self.id,
        };
        shelf.follow();
        let phone = &self.phones[phone];
        let phone_now = self.now().shifted(phone.ahead_ms);
        let (mut caller, mut parcel) =
            Caller::begin(&phone.store, Some(self.id), phone_now).unwrap();
        loop {
            let back = answer(&shelf, &parcel, &Answering::as_hub(), self.now());
            let back = match back {
                Err(headwalk_core::exchange::Error::Store(Error::Elsewhere(_))) => return None,
                other => other.unwrap(),
            };
            if may_break && self.chance(6) == 0 {
                return None; // the answer is lost
            }
            match caller.receive(&phone.store, &back, phone_now).unwrap() {
                Next::Send(next) => parcel = next,
                Next::Done(summary) => {
                    return Some(summary.equal && summary.logbooks.is_empty());
                }
            }
        }
    }

    fn check(&mut self) -> Result<(), String> {
        for hub in &self.hubs {
            let shelf = ModelShelf {
                hub,
                log: &self.log,
                id: self.id,
            };
            shelf.follow();
        }
        let mut log = self.log.borrow_mut();
        let mut seen = BTreeSet::new();
        let mut uids = BTreeSet::new();
        for record in &log.records {
            if let Record::Entry(entry) = record {
                let read = codec::decode(&entry.raw).map_err(|error| error.to_string())?;
                let mark = (read.logbook, read.device, read.seq, Tip::of(&entry.raw));
                if !seen.insert(mark) {
                    return Err(format!(
                        "entry {} of {} is there twice",
                        read.seq, read.device
                    ));
                }
                let text = read.changes.iter().find_map(|change| match change {
                    Change::Set { value, .. } => value.as_text().map(str::to_owned),
                    _ => None,
                });
                uids.extend(text.and_then(|text| text.parse::<u64>().ok()));
            }
        }
        if uids != self.uids {
            return Err(format!(
                "{} were written and {} are there",
                self.uids.len(),
                uids.len()
            ));
        }
        let hubs: Vec<_> = self.hubs.iter().map(RefCell::borrow).collect();
        let first = &hubs[0].store;
        let books: BTreeSet<_> = (0..LOGBOOKS).map(logbook).collect();
        for hub in &hubs {
            if hub.store.last_bookmark().ok() != first.last_bookmark().ok() {
                return Err("a bookmark into one hub is none into another".to_owned());
            }
        }
        let stores = hubs
            .iter()
            .map(|hub| &hub.store)
            .chain(self.phones.iter().map(|phone| &phone.store));
        for (number, store) in stores.enumerate() {
            if store.held(&books).ok() != first.held(&books).ok() {
                return Err(format!("store {number} holds something else"));
            }
            for book in &books {
                if store.state(*book).ok() != first.state(*book).ok() {
                    return Err(format!("store {number} says something else"));
                }
            }
        }
        for book in &books {
            log.tally.branches += first.branched(*book).map_or(0, |all| all.len() as u64);
        }
        Ok(())
    }
}

fn new_store(chance: &mut Chance) -> NewStore {
    NewStore {
        id: StoreId::from_bytes(chance.bytes()),
        key: DeviceKey::from_bytes(chance.bytes()),
    }
}

impl Phone {
    fn begin(chance: &mut Chance) -> Self {
        let disk = Disk::default();
        Self {
            store: Store::on_backend(disk.clone(), new_store(chance)).unwrap(),
            disk,
            ahead_ms: 0,
        }
    }
}

impl Hub {
    /// A hub that has nothing but the log to go by.
    fn begin(id: StoreId, chance: &mut Chance) -> Self {
        let new = NewStore {
            id,
            ..new_store(chance)
        };
        Self {
            store: Store::on_backend(Disk::default(), new).unwrap(),
            followed: Position::START,
            takes_new_id: Cell::new(false),
        }
    }
}

/// A hub as the exchange sees it, for one call.
struct ModelShelf<'a> {
    hub: &'a RefCell<Hub>,
    log: &'a RefCell<Log>,
    id: StoreId,
}

impl ModelShelf<'_> {
    /// Takes in what the log has.
    fn follow(&self) {
        let mut hub = self.hub.borrow_mut();
        let log = self.log.borrow();
        let (mut entries, mut seals) = (Vec::new(), Vec::new());
        for record in &log.records[hub.followed.0 as usize..] {
            match record {
                Record::Entry(entry) => entries.push(entry.clone()),
                Record::Seal(seal) => seals.push(seal.clone()),
                _ => {}
            }
        }
        hub.store.follow(&entries, &seals, &[]).unwrap();
        hub.followed = Position(log.records.len() as u64);
    }

    fn append(&self, rehearsed: &Rehearsed, now: WallMs) -> Result<(), LogError> {
        let entry = |raw: &Vec<u8>| {
            Record::Entry(Followed {
                arrived: now,
                raw: raw.clone(),
            })
        };
        let seals = rehearsed.seals.iter().cloned().map(Record::Seal);
        let records: Vec<_> = rehearsed.entries.iter().map(entry).chain(seals).collect();
        if records.is_empty() {
            return Ok(());
        }
        let mut log = self.log.borrow_mut();
        // A hub's own words are its own: no other hub is handed them.
        if !rehearsed.has_own && !rehearsed.entries.is_empty() {
            log.handed.push(records.clone());
            if log.handed.len() > 4 {
                log.handed.remove(0);
            }
        }
        log.append(&records, 0)?;
        drop(log);
        self.follow();
        Ok(())
    }
}

impl Shelf for ModelShelf<'_> {
    fn ask<T>(&self, question: impl FnOnce(&Store) -> T) -> T {
        question(&self.hub.borrow().store)
    }

    fn id(&self) -> StoreId {
        self.id
    }

    fn device(&self) -> DeviceId {
        DeviceId::from_bytes([250; 16])
    }

    fn append_told(
        &self,
        came: Came,
        seals: &[Sheaf],
        taking: &Taking,
        now: WallMs,
    ) -> Result<Appended, Error> {
        if self.hub.borrow().takes_new_id.take() {
            let mut log = self.log.borrow_mut();
            log.tally.new_ids += 1;
            let key = DeviceKey::from_bytes(log.chance.bytes());
            self.hub.borrow().store.write_as(key)?;
        }
        let rehearsed = self
            .hub
            .borrow()
            .store
            .rehearse(&came.entries, seals, taking, now)?;
        let appended = self.append(&rehearsed, now);
        if appended.is_err() && rehearsed.has_own {
            self.hub.borrow().takes_new_id.set(true);
        }
        appended?;
        Ok(rehearsed.appended)
    }
}
