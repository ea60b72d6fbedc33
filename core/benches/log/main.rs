//! The log against its floors and a peer, in one run: what each job takes, as ratios.
//!
//! `cargo bench -p headwalk-core --features bench-sqlite --bench log` prints the table; with
//! `-- --write` it goes into `core/benches/RESULTS.md`. `HEADWALK_BENCH_ENTRIES` sets how many
//! entries the base holds (200,000 if it is not set), `HEADWALK_BENCH_ONLY` the jobs by a part of
//! their names. What is written is told in `season.rs`; without the feature SQLite's column is empty.
//!
//! Everyone's work is done batch by batch in turns, so that whatever else the machine does slows all
//! alike. CPU is that of the threads at work; memory is that of a new process for each job.

#![expect(
    clippy::disallowed_methods,
    reason = "a benchmark reads the clock; core itself never does"
)]

mod floors;
mod machine;
mod measure;
mod ours;
mod season;
#[cfg(feature = "bench-sqlite")]
mod sqlite;
mod table;

use std::hint::black_box;
use std::path::{Path, PathBuf};

use headwalk_core::log::chain::Link;
use headwalk_core::log::codec;
use headwalk_core::log::id::{DeviceId, LogbookId, ThingId};
use headwalk_core::log::stamp::{Stamp, WallMs};
use headwalk_core::store::{Clocks, Store};

use floors::{Prepared, RawRedb};
use measure::{Child, Taken, in_new_process, least, least_on, timed, timed_together, written};
use ours::Wire;
use season::{Chance, DEVICES, ENTRIES_A_DAY, SITES, Season, ZONES};
use table::{Row, Table};

/// About what one parcel holds.
const BATCH: usize = 6_000;
const ROUNDS: usize = 8;
/// How many days' ends are looked at.
const EVENINGS: usize = 5;
/// As many of its pages as a hub keeps in memory (`sync-server/src/hub.rs`).
const A_HUBS_PAGES: usize = 128 << 20;

fn main() {
    let args: Vec<String> = std::env::args().skip(1).collect();
    if let [job, path, rest @ ..] = args.as_slice()
        && let Some(job) = job.strip_prefix("child-")
    {
        return child(job, Path::new(path), rest);
    }
    let entries = std::env::var("HEADWALK_BENCH_ENTRIES");
    let entries = entries.ok().and_then(|text| text.parse().ok());
    let entries = entries.unwrap_or(200_000);
    let only = std::env::var("HEADWALK_BENCH_ONLY").unwrap_or_default();
    let wants = |job: &str| only.is_empty() || job.contains(&only) || only.contains(job);
    let folder = std::env::var_os("HEADWALK_BENCH_FOLDER")
        .map_or_else(|| PathBuf::from(env!("CARGO_TARGET_TMPDIR")), PathBuf::from);
    let mut folder = tempfile::tempdir_in(folder).expect("a scratch folder");
    if std::env::var_os("KEEP").is_some() {
        folder.disable_cleanup(true);
    }
    let mut bench = Bench::prepare(folder.path(), entries);
    if wants("record") {
        bench.record();
    }
    if wants("read") {
        bench.read_site();
        bench.read_valve();
    }
    if wants("whole") {
        bench.whole_log();
    }
    if wants("evening") {
        bench.evening();
    }
    if wants("memory") {
        bench.memory();
    }
    let text = bench.table.text(bench.base.len());
    println!("{text}");
    if args.iter().any(|arg| arg == "--write") {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("benches/RESULTS.md");
        std::fs::write(path, text).expect("the results can be written");
    }
}

struct Bench {
    folder: PathBuf,
    season: Season,
    base: Vec<Vec<u8>>,
    now: WallMs,
    /// As a hub keeps it: packed as the season went on.
    hub: PathBuf,
    /// With nothing packed yet.
    loose: PathBuf,
    #[cfg(feature = "bench-sqlite")]
    sqlite: sqlite::Sqlite,
    redb: RawRedb,
    table: Table,
}

impl Bench {
    /// Takes the base in, batch by batch in turns.
    fn prepare(folder: &Path, entries: usize) -> Self {
        let mut season = Season::new(7);
        let base = season.base(entries);
        let now = season.morning();
        let loose = folder.join("loose");
        let store = ours::hub(&loose);
        let mut redb = RawRedb::new(&folder.join("redb"));
        #[cfg(feature = "bench-sqlite")]
        let mut sqlite = sqlite::Sqlite::new(&folder.join("sqlite"));
        let mut table = Table::default();
        let mut row = Row::new("bulk ingest, batches of 6,000", base.len(), "raw redb put");
        for batch in base.chunks(BATCH) {
            row.ours.time(|| {
                let taken = store.append(batch, now, Clocks::TakenAsTold);
                assert_eq!(taken.expect("it is taken").new, batch.len());
            });
            row.floor.time(|| redb.append(batch));
            #[cfg(feature = "bench-sqlite")]
            row.peer().time(|| sqlite.append(batch));
        }
        row.target("0.8 of a raw redb put");
        let mut ahead = Row::new(
            "bulk ingest, a second thread reads ahead",
            base.len(),
            "raw redb put",
        );
        (ahead.ours, ahead.floor) = (ours::ingest_ahead(folder, &base, now), row.floor);
        ahead.target("0.8 of a raw redb put");
        table.add(row);
        table.add(ahead);
        drop(store);
        let tight = folder.join("tight");
        std::fs::copy(&loose, &tight).expect("there is room for a copy");
        let mut pressing = Store::open(&tight).expect("the copy opens");
        let mut row = Row::new("packing tight", base.len(), "");
        row.ours = timed(|| pressing.press_all().expect("it is packed")).1;
        table.add(row);
        pressing.give_back_room().expect("the file shrinks");
        drop(pressing);
        let held = ours::held_by(&tight);
        for (name, bytes, target) in [
            (
                "disk, packed tight, pages of entries, an entry",
                held.blocks,
                "10",
            ),
            (
                "disk, packed tight, file with all that follows, an entry",
                held.file,
                "",
            ),
            ("disk, packed tight, bytes of rows an entry", held.rows, ""),
        ] {
            table.bytes(name, bytes, base.len(), target);
        }
        let hub = folder.join("hub");
        let store = ours::hub(&hub);
        let mut row = Row::new("packing as the season goes on", base.len(), "");
        for batch in base.chunks(BATCH) {
            let taken = store.append(batch, now, Clocks::TakenAsTold);
            assert_eq!(taken.expect("it is taken").new, batch.len());
            row.ours.time(|| store.press().expect("it is packed"));
        }
        table.add(row);
        drop(store);
        let length = ours::held_by(&hub).file;
        table.bytes(
            "disk, as a hub keeps it, file bytes an entry",
            length,
            base.len(),
            "60",
        );
        let held = ours::held_by(&loose);
        let raw: usize = base.iter().map(Vec::len).sum();
        table.bytes(
            "disk, nothing packed yet, file bytes an entry",
            held.file,
            base.len(),
            "60",
        );
        table.bytes(
            "disk, nothing packed yet, bytes of rows an entry",
            held.rows,
            base.len(),
            "60",
        );
        table.bytes("an entry's own bytes", raw as u64, base.len(), "");
        #[cfg(feature = "bench-sqlite")]
        {
            sqlite.checkpoint();
            let length = std::fs::metadata(folder.join("sqlite"));
            let length = length.expect("the file is there").len();
            table.bytes("disk, SQLite's bytes an entry", length, base.len(), "");
        }
        Self {
            folder: folder.to_owned(),
            season,
            base,
            now,
            hub,
            loose,
            #[cfg(feature = "bench-sqlite")]
            sqlite,
            redb,
            table,
        }
    }

    /// A store of this device's own, with the whole base in it.
    fn device(&self, name: &str, number: usize) -> Store {
        let path = self.folder.join(name);
        let key = &self.season.keys[number];
        let path = ours::copy_for(&self.hub, &path, number as u8 + 1, key);
        Store::open(&path).expect("the copy opens")
    }

    /// Durable records, one at a time and fifty a commit.
    fn record(&mut self) {
        let store = self.device("recording", 0);
        let now = self.season.morning();
        let drafts: Vec<_> = (0..ROUNDS)
            .map(|_| self.season.day().swap_remove(0))
            .collect();
        let payload = self.base[self.base.len() - BATCH..].to_vec();
        let room = payload.iter().map(Vec::len).sum::<usize>() * 2;
        let mut file = Prepared::new(&self.folder.join("prepared"), room);
        for (name, many, commits, target) in [
            (
                "durable record, one",
                1,
                50,
                "0.95 of a raw redb put; CPU 1.2",
            ),
            (
                "durable record, 50 a commit",
                50,
                8,
                "0.75 of a raw redb put",
            ),
        ] {
            let mut row = Row::new(name, ROUNDS * commits * many, "raw redb put");
            let mut bare = Taken::default();
            let mut at = 0;
            for drafts in &drafts {
                for commit in 0..commits {
                    let drafts = &drafts[commit * many..(commit + 1) * many];
                    let raws = &payload[at..at + many];
                    at += many;
                    row.ours
                        .time(|| store.record(drafts, now).expect("it is recorded"));
                    row.floor.time(|| self.redb.append(raws));
                    bare.time(|| file.append(raws));
                    #[cfg(feature = "bench-sqlite")]
                    row.peer().time(|| self.sqlite.append(raws));
                }
            }
            row.target(target);
            let mut other = Row::new(name, row.count, "flush into prepared bytes");
            (other.ours, other.floor) = (row.ours, bare);
            self.table.add(row);
            self.table.add(other);
        }
    }

    /// One site's state in a new process, with the file's pages dropped and with them there.
    fn read_site(&mut self) {
        let path = self.hub.display().to_string();
        for (name, cold, target) in [
            ("open and one site's state, cold", true, "2 ms"),
            ("open and one site's state, warm", false, "1 ms"),
        ] {
            let mut rounds: Vec<_> = (0..9)
                .map(|round| {
                    let site = self.season.sites[round * 10].logbook.to_string();
                    let job = ["child-state", &path, &site];
                    match cold {
                        true => measure::drop_pages(&self.hub),
                        false => drop(in_new_process(&job)),
                    }
                    in_new_process(&job)
                })
                .collect();
            rounds.sort_unstable_by_key(|round| round.wall);
            let most = rounds.iter().max_by_key(|round| round.peak_kib);
            let memory = most.map_or_else(String::new, Child::memory);
            let ms = rounds[rounds.len() / 2].wall.as_secs_f64() * 1e3;
            self.table.figure(name, format!("{ms:.2} ms"), target);
            let name = format!("{name}: memory");
            self.table.figure(&name, memory, "6 MiB");
        }
        let sites: Vec<_> = self.season.sites.iter().map(|site| site.logbook).collect();
        let mut row = Row::new("one site's state, store just opened", sites.len(), "");
        let open_hub = || Store::open(&self.hub).expect("the hub opens");
        row.ours = least_on(3, open_hub, |store| {
            for site in &sites {
                drop(black_box(store.state(*site).expect("it reads")));
            }
        });
        #[cfg(feature = "bench-sqlite")]
        {
            *row.peer() = least(3, || {
                for site in &sites {
                    black_box(self.sqlite.site(*site));
                }
            });
        }
        self.table.add(row);
    }

    /// What a valve's fields were at a moment of the season: valves and moments by chance, as many as there
    /// are valves.
    fn read_valve(&mut self) {
        let (first, last) = (self.base.first(), self.base.last());
        let [first, last] = [first, last].map(|raw| {
            let entry = codec::decode(raw.expect("there are some")).expect("an entry");
            entry.stamp.wall().get()
        });
        let mut chance = Chance::new(11);
        let mut by_chance = |site: &season::Site| {
            let valve = site.valves[chance.below(ZONES as u64) as usize];
            let moment = WallMs::new(first + chance.below(last - first + 1));
            let at = chance.below(SITES as u64) as usize;
            (at, (site.logbook, valve, Stamp::end_of(moment)))
        };
        let sites = &self.season.sites;
        let one_a_site: Vec<_> = sites.iter().map(|site| by_chance(site).1).collect();
        let mut at = 0;
        let mut questions = |many: usize| {
            let questions = (0..many).map(|_| {
                let question;
                (at, question) = by_chance(&sites[at]);
                question
            });
            questions.collect::<Vec<_>>()
        };
        let asked = questions(SITES * ZONES);
        let before = questions(20 * SITES * ZONES);
        let fields = |store: &Store, asked: &[(LogbookId, ThingId, Stamp)]| {
            let fields = asked.iter().map(|(logbook, valve, until)| {
                let then = store.fields_as_of(*logbook, *valve, *until);
                then.expect("it reads").len()
            });
            fields.sum::<usize>()
        };
        let [mut opened, mut open, mut long_open] = [
            "store just opened",
            "store open",
            "at a hub that was asked much before",
        ]
        .map(|when| {
            let name = format!("one valve as of any moment, {when}");
            Row::new(&name, asked.len(), "")
        });
        let mut then = Row::new(
            "one site's state as of any moment, store just opened",
            SITES,
            "",
        );
        let mut there = 0;
        for round in 0..3 {
            let fresh = || Store::open(&self.hub).expect("the hub opens");
            let store = fresh();
            let (found, taken) = timed(|| fields(&store, &asked));
            there = found;
            drop(store);
            let store = fresh();
            black_box(fields(&store, &one_a_site));
            let (again, taken_open) = timed(|| fields(&store, &asked));
            assert_eq!(again, found, "it says the same");
            drop(store);
            let store = Store::open_keeping(&self.hub, A_HUBS_PAGES).expect("the hub opens");
            black_box(fields(&store, &before));
            let (again, taken_long_open) = timed(|| fields(&store, &asked));
            assert_eq!(again, found, "it says the same");
            drop(store);
            let store = fresh();
            let taken_then = timed(|| {
                for (logbook, _, until) in &one_a_site {
                    black_box(store.state_as_of(*logbook, *until).expect("it reads"));
                }
            })
            .1;
            for (row, taken) in [
                (&mut opened, taken),
                (&mut open, taken_open),
                (&mut long_open, taken_long_open),
                (&mut then, taken_then),
            ] {
                row.ours = match round {
                    0 => taken,
                    _ => row.ours.less(taken),
                };
            }
        }
        #[cfg(feature = "bench-sqlite")]
        {
            self.sqlite.keep_past();
            let taken = least(3, || {
                for (logbook, valve, until) in &asked {
                    black_box(self.sqlite.fields_as_of(*logbook, *valve, *until));
                }
            });
            for row in [&mut opened, &mut open, &mut long_open] {
                *row.peer() = taken;
            }
        }
        open.target("10 us");
        long_open.target("10 us");
        [opened, open, long_open, then]
            .into_iter()
            .for_each(|row| self.table.add(row));
        let mean = there as f64 / asked.len() as f64;
        self.table
            .figure("fields of a valve then, mean", format!("{mean:.1}"), "");
    }

    /// State from the log, rebuild and verify.
    fn whole_log(&mut self) {
        let many = self.base.len();
        let floor = least(3, || drop(black_box(floors::fold(&self.base))));
        let path = self.folder.join("whole");
        std::fs::copy(&self.loose, &path).expect("there is room for a copy");
        let store = Store::open(&path).expect("the copy opens");
        let mut row = Row::new("state of all sites from the log", many, "fold in memory");
        row.floor = floor;
        let fold = |store: &Store, sites: &[season::Site]| {
            for site in sites {
                black_box(store.state(site.logbook).expect("it reads"));
            }
        };
        let fresh = || Store::open(&path).expect("the copy opens");
        drop(store);
        row.ours = least_on(2, fresh, |store| fold(store, &self.season.sites));
        row.target("1.0 of the fold");
        self.table.add(row);
        // As whoever goes through all of them does: those that came together lie together.
        let mut row = Row::new(
            "state of all sites from the log, in the store's order",
            many,
            "fold in memory",
        );
        row.floor = floor;
        row.ours = least_on(2, fresh, |store| {
            for site in store.logbooks().expect("it reads") {
                black_box(store.state(site).expect("it reads"));
            }
        });
        self.table.add(row);
        let open_hub = || Store::open(&self.hub).expect("the hub opens");
        let mut row = Row::new(
            "state of all sites as a hub keeps them",
            many,
            "fold in memory",
        );
        row.floor = floor;
        row.ours = least_on(2, open_hub, |store| fold(store, &self.season.sites));
        self.table.add(row);
        let two_threads = (0..2).map(|_| {
            let store = fresh();
            let halves = self.season.sites.split_at(self.season.sites.len() / 2);
            let (store, work) = (&store, &fold);
            timed(|| {
                std::thread::scope(|scope| {
                    scope.spawn(move || work(store, halves.0));
                    work(store, halves.1);
                });
            })
            .1
            .wall
        });
        let two_threads = two_threads.min().unwrap_or_default();
        self.table.figure(
            "state of all sites from the log, two threads, wall: times the fold's speed",
            format!(
                "{:.2}",
                floor.wall.as_secs_f64() / two_threads.as_secs_f64()
            ),
            "1.6",
        );
        let mut store = fresh();
        let mut row = Row::new("full rebuild", many, "fold in memory");
        row.floor = floor;
        row.ours = timed(|| store.rebuild().expect("it is rebuilt")).1;
        self.table.add(row);
        let mut row = Row::new("verify", many, "decode and chain every entry");
        row.floor = least(2, || {
            let (logbook, device) = (
                LogbookId::from_bytes([1; 16]),
                DeviceId::from_bytes([2; 16]),
            );
            let origin = Link::origin(logbook, device);
            let link = self.base.iter().fold(origin, |link, raw| {
                black_box(codec::decode(raw).expect("an entry"));
                link.after(raw)
            });
            black_box(link);
        });
        row.ours = timed(|| {
            let verified = store.verify().expect("it reads");
            assert_eq!(verified.faults, [], "nothing is wrong");
        })
        .1;
        self.table.add(row);
    }

    /// The end of a working day: twelve devices and a hub, until all hold the same. Days go on one after
    /// the other; each counts as the least of them.
    fn evening(&mut self) {
        let devices: Vec<Store> = (0..DEVICES)
            .map(|number| self.device(&format!("device-{number}"), number))
            .collect();
        let path = self.folder.join("evening-hub");
        std::fs::copy(&self.hub, &path).expect("there is room for a copy");
        let hub = Store::open(&path).expect("the copy opens");
        ours::evening(&devices, &hub, self.now); // they meet for the first time
        let mut stores: Vec<&Store> = devices.iter().collect();
        stores.push(&hub);
        let mut row = Row::new("day end, 12 devices and hub", 1, "raw appends, flushed");
        row.target("100 ms CPU, 150 ms wall");
        let mut together = Row::new("day end, two devices at a time", 1, "");
        together.target("150 ms wall");
        let (mut wire, mut bytes) = (Wire::default(), 0);
        let (mut ours, mut floor) = (Vec::new(), Vec::new());
        let mut of_two = Vec::new();
        #[cfg(feature = "bench-sqlite")]
        let (mut sqlites, mut peer) = (self.evening_sqlites(), Vec::new());
        for day in 0..EVENINGS {
            let now = self.a_day(&devices);
            // Entries of a day of the base, for those who do the job beside us.
            let first = day * DEVICES * ENTRIES_A_DAY;
            let raws = &self.base[first..first + DEVICES * ENTRIES_A_DAY];
            let raws: Vec<_> = raws.chunks(ENTRIES_A_DAY).collect();
            let taken;
            let before = written();
            (wire, taken) = timed(|| ours::evening(&devices, &hub, now));
            bytes = written() - before;
            ours.push(taken);
            ours::assert_equal(&stores);
            floor.push(self.evening_of_files(&raws));
            #[cfg(feature = "bench-sqlite")]
            peer.push(evening_of_sqlite(&mut sqlites, &raws));
            let now = self.a_day(&devices);
            let evening = || ours::evening_of_two(&devices, &hub, now);
            of_two.push(timed_together(evening).1);
            ours::assert_equal(&stores);
            for store in &stores {
                store.press().expect("it is packed when there is enough");
            }
        }
        let of_days = |days: Vec<Taken>| days.into_iter().reduce(Taken::less).expect("some days");
        (row.ours, row.floor, together.ours) = (of_days(ours), of_days(floor), of_days(of_two));
        #[cfg(feature = "bench-sqlite")]
        {
            *row.peer() = of_days(peer);
        }
        self.table.add(row);
        self.table.add(together);
        self.wire(wire);
        self.table.bytes(
            "day end: bytes written to files, an entry that a store takes in",
            bytes,
            wire.delivered as usize,
            "",
        );
        let now = self.season.morning();
        let mut nothing = Wire::default();
        let mut row = Row::new("exchange with nothing new", 1, "");
        row.ours = least(5, || {
            nothing = Wire::default();
            ours::exchange(&devices[0], &hub, now, &mut nothing);
        });
        self.table.add(row);
        let bytes = format!("{} bytes", nothing.bytes);
        self.table
            .figure("exchange with nothing new: on the wire", bytes, "");
    }

    /// A day on which each device records what it has to: returns when it ends.
    fn a_day(&mut self, devices: &[Store]) -> WallMs {
        let now = self.season.morning();
        for (device, drafts) in devices.iter().zip(self.season.day()) {
            device.record(&drafts, now).expect("it is recorded");
        }
        now
    }

    fn wire(&mut self, wire: Wire) {
        let each = wire.bytes as f64 / wire.delivered as f64;
        self.table.figure(
            "wire, bytes a delivered entry, causality and seals included",
            format!("{each:.1} ({} entries)", wire.delivered),
            "10.5",
        );
        let trips = f64::from(wire.round_trips) / (2 * DEVICES) as f64;
        self.table
            .figure("round trips of an exchange", format!("{trips:.2}"), "1");
    }

    /// The floor of a day's end: each device's entries into the hub's file, everyone's into everyone's.
    fn evening_of_files(&self, raws: &[&[Vec<u8>]]) -> Taken {
        let room: usize = raws.iter().flat_map(|raws| raws.iter()).map(Vec::len).sum();
        let mut files: Vec<_> = (0..=DEVICES)
            .map(|number| {
                let path = self.folder.join(format!("file-{number}"));
                Prepared::new(&path, room * 2)
            })
            .collect();
        let (hub, devices) = files.split_last_mut().expect("thirteen files");
        timed(|| {
            for raws in raws {
                hub.append(*raws);
            }
            for (number, device) in devices.iter_mut().enumerate() {
                let others = raws.iter().enumerate().filter(|(of, _)| *of != number);
                device.append(others.flat_map(|(_, raws)| raws.iter()));
            }
        })
        .1
    }

    /// Copies of the peer's database for twelve devices and, at the end, a hub.
    #[cfg(feature = "bench-sqlite")]
    fn evening_sqlites(&self) -> Vec<sqlite::Sqlite> {
        self.sqlite.checkpoint();
        let copy = |number| {
            let path = self.folder.join(format!("sqlite-{number}"));
            std::fs::copy(self.folder.join("sqlite"), &path).expect("there is room");
            sqlite::Sqlite::new(&path)
        };
        (0..=DEVICES).map(copy).collect()
    }

    /// The most memory of a new process for each of these.
    fn memory(&mut self) {
        let path = self.hub.display().to_string();
        let mut other = self.folder.join("memory-other");
        other = ours::copy_for(&self.hub, &other, 1, &self.season.keys[0]);
        let other = other.display().to_string();
        let site = self.season.sites[5].logbook.to_string();
        for (name, job) in [
            ("memory: nothing at all", vec!["child-nothing", &path]),
            ("memory: open", vec!["child-open", &path]),
            (
                "memory: one site's state",
                vec!["child-state", &path, &site],
            ),
            ("memory: verify", vec!["child-verify", &path]),
            ("memory: two stores, an exchange with nothing new", {
                vec!["child-exchange", &other, &path]
            }),
        ] {
            self.table.figure(name, in_new_process(&job).memory(), "");
        }
    }
}

/// The peer's day end: its devices bring a day's entries and fetch the others'.
#[cfg(feature = "bench-sqlite")]
fn evening_of_sqlite(stores: &mut [sqlite::Sqlite], raws: &[&[Vec<u8>]]) -> Taken {
    let (hub, devices) = stores.split_last_mut().expect("thirteen stores");
    let before = hub.last();
    for (device, raws) in devices.iter_mut().zip(raws) {
        device.append(*raws);
    }
    timed(|| {
        for raws in raws {
            hub.append(*raws);
        }
        for (number, device) in devices.iter_mut().enumerate() {
            let mut news = hub.after(before);
            news.drain(number * ENTRIES_A_DAY..(number + 1) * ENTRIES_A_DAY);
            device.append(&news);
        }
    })
    .1
}

/// One job in a process of its own.
fn child(job: &str, path: &Path, rest: &[String]) {
    measure::answer_as_child(|| {
        if job == "nothing" {
            return;
        }
        if let ("state", [site]) = (job, rest) {
            let store = Store::open_to_read(path).expect("the store opens");
            let site = site.parse().expect("a logbook");
            black_box(store.state(site).expect("it reads"));
            return;
        }
        let mut store = Store::open(path).expect("the store opens");
        match (job, rest) {
            ("open", _) => {}
            ("verify", _) => drop(black_box(store.verify().expect("it reads"))),
            ("exchange", [hub]) => {
                let hub = Store::open(Path::new(hub)).expect("the hub opens");
                let now = store.clock().expect("it reads").last().wall();
                ours::exchange(&store, &hub, now, &mut Wire::default());
                ours::exchange(&store, &hub, now, &mut Wire::default());
            }
            _ => panic!("no such job: {job}"),
        }
    });
}
