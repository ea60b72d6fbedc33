//! What each command takes of memory and time that reads or writes a store, on a company's log.
//!
//!     cargo bench -p headwalk-tests --bench commands
//!
//! `HEADWALK_BENCH_ENTRIES=200000,1000000` says how many entries there are, `HEADWALK_BENCH_ONLY` which
//! commands, by parts of their lines with `|` between. What is in the log is told in `company.rs`. With
//! `HEADWALK_BENCH_BASE=FOLDER` what was made is kept there, and taken from there another time. With `--
//! --write` the table goes into `tests/benches/COMMANDS.md`. Each command is a process of its own; those that
//! only read run three times, of which the least time and the most memory counts.

#![expect(
    clippy::unwrap_used,
    reason = "a benchmark has nobody to hand an error to"
)]

mod company;
#[path = "../../../core/benches/log/machine.rs"]
mod machine;
#[expect(dead_code, reason = "the log's benchmark uses the rest")]
#[path = "../../../core/benches/log/season.rs"]
mod season;
mod table;
mod taken;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use headwalk_core::log::stamp::WallMs;
use headwalk_core::store::{Clocks, Store};
use headwalk_sync_server::access::{Name, Role};
use headwalk_sync_server::edge::Edge;
use headwalk_sync_server::hub::{Hub, LOG_FILE};
use headwalk_tests::{TestEnv, TestHub, binary};

use company::Company;
use table::Table;
use taken::Taken;

const ROUNDS: usize = 3;
/// From how many entries on one round is enough.
const LARGE: usize = 5_000_000;
/// As what this program makes a code for a device, with the clock that its environment sets.
const CODE: &str = "child-code";
const SITE: &str = "Maple Court";

/// Commands that only read, but those about a hub.
const READING: &[&str] = &[
    "sites",
    "site @",
    "state @",
    "state @ zone-3",
    "state @ --as-of THEN",
    "state",
    "versions @",
    "versions",
    "history @ 3-01 arc",
    "history @ 3-01 arc --as-of THEN",
    "history @ zone-3",
    "held-back",
    "join @",
    "join",
    "day",
    "schedule @",
    "schedule @ --season",
    "why @ spot-1",
    "coverage @ zone-3",
    "kerb @ 3-01",
    "pressure @ zone-3",
    "wear",
    "wear --heads",
    "page @ valve-3 --out page.html",
    "paper letter @ --out letter.html",
    "paper card @ --out card.html",
    "paper head-map @ --out map.html",
    "paper work-order @ --out order.html",
    "paper estimate @ --out estimate.html",
    "paper season-chart @ --out chart.html",
    "paper pull-list --out list.html",
    "price",
    "estimate show @",
    "photo list @",
    "weather list \"Osterwell station\"",
    "export zones --out zones.csv",
    "export heads --out heads.csv",
    "export geojson --site @ --out map.geojson",
    "export entries --site @ --out site.jsonl",
    "export entries --out all.jsonl",
    "verify --export all.jsonl",
    "verify",
    "mend",
];

/// Commands that write, in an order that makes one story.
const WRITING: &[&str] = &[
    "visit start @ --purpose inspection",
    "note @ 3-02 arc 180",
    "note @ zone-3 pressure-reading \"pressure=31 psi; at=last-head\"",
    "finding @ 3-03 head-low status to-quote",
    "visit show",
    "visit ran zone-1 zone-2 --good",
    "visit skip zone-12 --why rain",
    "visit finish --why rain",
    "add @ spot-2 moisture dry",
    "import zones.csv",
    "price work head-high 30min",
    "estimate draft @",
    "weather add \"Osterwell station\" TODAY rain 0.2in",
    "choose @ CONTESTED A",
];

/// Commands about a hub or another store, the first of them with the season's end before it.
const MEETING: &[&str] = &[
    "devices",
    "route",
    "exchange",
    "exchange",
    "export entries --out all.jsonl",
    "import all.jsonl --store fresh.redb",
    "verify --store fresh.redb",
    "exchange --store new.redb",
    "exchange --with stick.redb",
    "exchange --with stick.redb",
];

const WHOLE: &[&str] = &["rebuild", "pack", "pack"];

fn main() {
    let args: Vec<String> = std::env::args().skip(1).collect();
    match args.as_slice() {
        [job, words @ ..] if job == taken::CHILD => return taken::as_child(words),
        [job, folder] if job == CODE => return code(Path::new(folder)),
        _ => {}
    }
    let sizes = std::env::var("HEADWALK_BENCH_ENTRIES").unwrap_or_else(|_| "200000".to_owned());
    let mut table = Table::default();
    for size in sizes.split(',') {
        let entries = size.trim().parse().unwrap();
        let mut bench = Bench::prepare(entries, &mut table);
        bench.all();
    }
    let text = table.text();
    println!("{text}");
    if args.iter().any(|arg| arg == "--write") {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("benches/COMMANDS.md");
        fs::write(path, text).unwrap();
    }
}

/// Prints a code that makes a device a dispatcher's.
fn code(folder: &Path) {
    let hub = Hub::open(folder, Edge::of_environment().unwrap()).unwrap();
    let issued = hub.issue(Role::Dispatcher, Name::parse("name", "Ines").unwrap(), 24);
    println!("{}", issued.unwrap().code);
}

struct Bench<'t> {
    env: TestEnv,
    /// What stands for words of the lines.
    words: Vec<(&'static str, String)>,
    rounds: usize,
    only: String,
    table: &'t mut Table,
}

impl<'t> Bench<'t> {
    /// Makes a hub and a desk that hold so many entries, or takes those that were made before.
    fn prepare(entries: usize, table: &'t mut Table) -> Self {
        let mut env = TestEnv::new();
        let kept = std::env::var_os("HEADWALK_BENCH_BASE")
            .map(|folder| PathBuf::from(folder).join(entries.to_string()));
        let base = kept.clone().unwrap_or_else(|| env.path("base"));
        if !base.is_dir() {
            make_base(&base, entries, &env);
        }
        let copied = |from: &Path, to: &str| {
            fs::copy(from, env.path(to)).unwrap();
        };
        copied(&base.join("desk.redb"), "headwalk.redb");
        fs::create_dir(env.path("hub")).unwrap();
        for file in fs::read_dir(base.join("hub")).unwrap() {
            let file = file.unwrap();
            copied(&file.path(), &format!("hub/{}", file.file_name().display()));
        }
        if kept.is_none() {
            fs::remove_dir_all(&base).unwrap();
        }
        let store = Store::open_to_read(&env.path("headwalk.redb")).unwrap();
        let last = store.clock().unwrap().last().wall();
        let held = store.logbooks().unwrap().into_iter();
        let held: u64 = held
            .map(|logbook| store.vector(logbook).unwrap().entries())
            .sum();
        drop(store);
        let day = |days: i64| {
            last.shifted(days * 24 * 3_600_000)
                .at_offset(0)
                .date_naive()
        };
        let begun = Company::new(7).morning().get();
        let half = ((last.get() - begun) / 2 / (24 * 3_600_000)) as i64;
        env.set_now(&format!("{}T15:00:00-07:00", day(1)));
        let words = vec![
            ("@", format!("\"{SITE}\"")),
            ("THEN", day(-half).to_string()),
            ("TODAY", day(1).to_string()),
        ];
        table.column(held);
        Self {
            env,
            words,
            rounds: if entries >= LARGE { 1 } else { ROUNDS },
            only: std::env::var("HEADWALK_BENCH_ONLY").unwrap_or_default(),
            table,
        }
    }

    fn all(&mut self) {
        self.reading("--version");
        for line in READING {
            self.reading(line);
        }
        self.meetings();
        self.words.push(("CONTESTED", self.contested()));
        for line in WRITING {
            self.run(line, 1);
        }
        for line in WHOLE {
            self.run(line, 1);
        }
    }

    fn wants(&self, line: &str) -> bool {
        let mut parts = self.only.split('|');
        self.only.is_empty() || parts.any(|part| line.contains(part))
    }

    fn reading(&mut self, line: &'static str) {
        self.run(line, self.rounds);
    }

    /// Runs a line so many times and adds its row.
    fn run(&mut self, line: &'static str, rounds: usize) {
        if !self.wants(line) {
            return;
        }
        let taken = self.taken(line, rounds);
        self.table.add(line, taken);
    }

    fn taken(&self, line: &str, rounds: usize) -> Taken {
        let line = self.line(line);
        let rounds = (0..rounds).map(|_| taken::run(&self.env.command(&line)));
        rounds.reduce(Taken::with).unwrap()
    }

    /// The line as it is typed.
    fn line(&self, line: &str) -> String {
        let mut typed = line.to_owned();
        for (word, meant) in &self.words {
            typed = typed.replace(word, meant);
        }
        typed
    }

    /// A thing and a field of the site that stand in two versions.
    fn contested(&self) -> String {
        let told = self.env.ok(&self.line("versions @ --json"));
        let told: serde_json::Value = serde_json::from_str(&told).unwrap();
        let word = |name: &str| told["fields"][0][name].as_str().unwrap().to_owned();
        format!("{} {}", word("name"), word("field"))
    }

    /// What goes over a wire, and what the hub takes meanwhile.
    fn meetings(&mut self) {
        if !MEETING.iter().any(|line| self.wants(line)) {
            return;
        }
        let codes = [(); 2].map(|()| self.code());
        let hub = TestHub::start(&self.env);
        self.table
            .memory("the hub, just started", taken::peak_of(hub.pid()));
        for (name, code) in ["headwalk.redb", "new.redb"].into_iter().zip(codes) {
            if name != "headwalk.redb" {
                self.env.ok(&format!("init --person Ben --store {name}"));
            }
            let store = format!("--store {name}");
            self.env
                .ok(&format!("enrol {} {code} --device {name} {store}", hub.url));
        }
        for name in ["fresh.redb", "stick.redb"] {
            self.env.ok(&format!("init --person Ben --store {name}"));
        }
        for line in MEETING {
            if !self.wants(line) {
                continue;
            }
            taken::forget_peak_of(hub.pid());
            let taken = self.taken(line, 1);
            self.table.add(line, taken);
            if line.starts_with("exchange") && !line.contains("--with") {
                let peak = taken::peak_of(hub.pid());
                self.table
                    .memory(&format!("the hub, meanwhile: {line}"), peak);
            }
        }
    }

    /// A code with which a device joins the hub.
    fn code(&self) -> String {
        let this = std::env::current_exe().unwrap();
        let output = Command::new(this)
            .arg(CODE)
            .arg(self.env.path("hub"))
            .env("HEADWALK_NOW", self.env.now())
            .output()
            .unwrap();
        assert!(output.status.success(), "{output:?}");
        String::from_utf8(output.stdout).unwrap().trim().to_owned()
    }
}

/// Makes a hub's folder and a desk's store with so many entries of the company's in both, packed as the
/// season went on.
fn make_base(base: &Path, entries: usize, env: &TestEnv) {
    let making = base.with_extension("making");
    fs::create_dir_all(&making).unwrap();
    let (hub, desk) = (making.join("hub"), making.join("desk.redb"));
    let name = Name::parse("name", "Harrowick").unwrap();
    drop(Hub::create(&hub, &name, Edge::of_environment().unwrap()).unwrap());
    env.ok(&format!(
        "init --person Ines --store \"{}\"",
        desk.display()
    ));
    let stores = [hub.join(LOG_FILE), desk].map(|path| Store::open(&path).unwrap());
    let mut company = Company::new(7);
    let take = |raws: &[Vec<u8>], now: WallMs| {
        for store in &stores {
            let taken = store.append(raws, now, Clocks::TakenAsTold).unwrap();
            assert_eq!(taken.new, raws.len());
            store.press().unwrap();
        }
    };
    let raws = company.furnished();
    let mut many = raws.len();
    take(&raws, company.morning());
    while many < entries {
        let raws = company.day();
        many += raws.len();
        take(&raws, company.morning());
    }
    drop(stores);
    fs::rename(making, base).unwrap();
    // Built before anything is timed.
    let _built = binary("headwalk-server");
}
