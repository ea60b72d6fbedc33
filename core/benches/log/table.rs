//! The table of results, as Markdown.

use std::fmt::Write as _;
use std::path::Path;
use std::process::Command;

use chrono::DateTime;

use crate::measure::Taken;

/// One job, done by us, by a floor and perhaps by a peer.
pub struct Row {
    name: String,
    pub count: usize,
    floor_name: &'static str,
    pub ours: Taken,
    pub floor: Taken,
    peer: Option<Taken>,
    target: &'static str,
}

impl Row {
    pub fn new(name: &str, count: usize, floor_name: &'static str) -> Self {
        Self {
            name: name.to_owned(),
            count,
            floor_name,
            ours: Taken::default(),
            floor: Taken::default(),
            peer: None,
            target: "",
        }
    }

    #[cfg(feature = "bench-sqlite")]
    pub fn peer(&mut self) -> &mut Taken {
        self.peer.get_or_insert_default()
    }

    pub fn target(&mut self, target: &'static str) {
        self.target = target;
    }
}

/// All results.
#[derive(Default)]
pub struct Table {
    rows: Vec<Row>,
    figures: Vec<(String, String, String)>,
}

impl Table {
    pub fn add(&mut self, row: Row) {
        eprintln!(
            "{}: {}, floor {}",
            row.name,
            each(row.ours, row.count),
            each(row.floor, row.count)
        );
        self.rows.push(row);
    }

    pub fn figure(&mut self, name: &str, figure: String, target: &str) {
        eprintln!("{name}: {figure}");
        self.figures
            .push((name.to_owned(), figure, target.to_owned()));
    }

    pub fn bytes(&mut self, name: &str, bytes: u64, entries: usize, target: &str) {
        let each = bytes as f64 / entries as f64;
        self.figure(name, format!("{each:.1}"), target);
    }

    /// The whole as Markdown, with the machine, the versions and the day.
    pub fn text(&self, entries: usize) -> String {
        let mut text = String::from("# The log, held against its floors and a peer\n\n");
        let _infallible = writeln!(
            text,
            "Made by `cargo bench -p headwalk-core --features bench-sqlite --bench log -- --write`, \
             and by\nnothing else; what is written is told in `core/benches/log/season.rs`. A base of \
             {entries} entries.\n{}.\n\nEach cell is CPU / wall, an item. The ratios say how many times \
             that of the floor ours takes; of an\n\"at least 0.8\" the ratio is to be at most 1.25.\n\n\
             | job | ours | floor | ratio | SQLite | ratio | to reach |\n|---|---|---|---|---|---|---|",
            machine()
        );
        for row in &self.rows {
            let floor = if row.floor_name.is_empty() {
                (String::new(), String::new())
            } else {
                let cell = format!("{}: {}", row.floor_name, each(row.floor, row.count));
                (cell, ratio(row.ours, row.floor))
            };
            let peer = row
                .peer
                .map(|peer| (each(peer, row.count), ratio(row.ours, peer)));
            let peer = peer.unwrap_or_default();
            let _infallible = writeln!(
                text,
                "| {} | {} | {} | {} | {} | {} | {} |",
                row.name,
                each(row.ours, row.count),
                floor.0,
                floor.1,
                peer.0,
                peer.1,
                row.target
            );
        }
        text.push_str("\n| figure | ours | to reach |\n|---|---|---|\n");
        for (name, figure, target) in &self.figures {
            let _infallible = writeln!(text, "| {name} | {figure} | {target} |");
        }
        text
    }
}

fn each(taken: Taken, count: usize) -> String {
    let one = |time: std::time::Duration| {
        let micros = time.as_secs_f64() * 1e6 / count as f64;
        if micros >= 10_000.0 {
            format!("{:.1} ms", micros / 1e3)
        } else {
            format!("{micros:.2} us")
        }
    };
    format!("{} / {}", one(taken.cpu), one(taken.wall))
}

fn ratio(ours: Taken, other: Taken) -> String {
    let times = |ours: std::time::Duration, other: std::time::Duration| {
        ours.as_secs_f64() / other.as_secs_f64().max(1e-12)
    };
    format!(
        "{:.2} / {:.2}",
        times(ours.cpu, other.cpu),
        times(ours.wall, other.wall)
    )
}

/// The machine, the versions and the day.
fn machine() -> String {
    let cpus = std::fs::read_to_string("/proc/cpuinfo").unwrap_or_default();
    let models = || {
        cpus.lines()
            .filter_map(|line| line.strip_prefix("model name"))
    };
    let model = models().next().unwrap_or("an unnamed processor");
    let kernel = std::fs::read_to_string("/proc/sys/kernel/osrelease").unwrap_or_default();
    let rustc = Command::new("rustc").arg("--version").output();
    let rustc = rustc.map(|output| String::from_utf8_lossy(&output.stdout).trim().to_owned());
    let lock = Path::new(env!("CARGO_MANIFEST_DIR")).join("../Cargo.lock");
    let lock = std::fs::read_to_string(lock).unwrap_or_default();
    let version = |name: &str| {
        let after = lock
            .split(&format!("name = \"{name}\"\nversion = \""))
            .nth(1);
        let version = after.and_then(|text| text.split('"').next());
        format!("{name} {}", version.unwrap_or("?"))
    };
    let now = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH);
    let now = now.map_or(0, |since| since.as_secs() as i64);
    let day = DateTime::from_timestamp(now, 0).map(|now| now.date_naive());
    format!(
        "{}: {} x{}, Linux {}, {}; {}, {}, {}",
        day.unwrap_or_default(),
        model.trim_start_matches([':', '\t', ' ']),
        models().count(),
        kernel.trim(),
        rustc.unwrap_or_default(),
        version("redb"),
        version("rusqlite"),
        version("blake3"),
    )
}
