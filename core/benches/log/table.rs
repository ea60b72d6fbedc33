//! The table of results, as Markdown.

use std::fmt::Write as _;

use crate::machine::machine;
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
            machine(&["redb", "rusqlite", "blake3"])
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
