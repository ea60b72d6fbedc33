//! The table of results, as Markdown.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use crate::machine::machine;
use crate::taken::Taken;

/// All results: a row a command, columns for each size of log.
#[derive(Default)]
pub struct Table {
    sizes: Vec<u64>,
    /// By row, and among those of one name by which of them it is; in the order in which they came first.
    rows: Vec<(String, usize)>,
    cells: BTreeMap<(String, usize, usize), (Option<Taken>, u64)>,
    /// How often each row came in this column.
    times: BTreeMap<String, usize>,
}

impl Table {
    /// Begins the columns of a log of so many entries.
    pub fn column(&mut self, entries: u64) {
        self.sizes.push(entries);
        self.times.clear();
    }

    /// Adds what a command took.
    pub fn add(&mut self, line: &str, taken: Taken) {
        self.put(line, Some(taken), taken.peak_kib);
    }

    /// Adds the memory of a process that runs, in KiB.
    pub fn memory(&mut self, name: &str, peak_kib: u64) {
        self.put(name, None, peak_kib);
    }

    fn put(&mut self, line: &str, taken: Option<Taken>, peak_kib: u64) {
        eprintln!("{line}: {}", cell(taken, peak_kib));
        let times = self.times.entry(line.to_owned()).or_default();
        let row = (line.to_owned(), *times);
        *times += 1;
        self.cells.insert(
            (row.0.clone(), row.1, self.sizes.len() - 1),
            (taken, peak_kib),
        );
        if !self.rows.contains(&row) {
            self.rows.push(row);
        }
    }

    /// The whole as Markdown, with the machine, the versions and the day.
    pub fn text(&self) -> String {
        let mut text = format!(
            "# What each command takes\n\n\
             Made by `HEADWALK_BENCH_ENTRIES={} cargo bench -p headwalk-tests --bench commands -- --write`, \
             and\nby nothing else. A company of 96 sites, told in `tests/benches/commands/company.rs`; `@` is \
             one of them,\n`THEN` the middle of the log's time. Each cell: the most memory of the process, \
             CPU / wall.\n`--version` reads no store. {}.\n\n| command |",
            self.sizes
                .iter()
                .map(u64::to_string)
                .collect::<Vec<_>>()
                .join(","),
            machine(&["redb"]),
        );
        for size in &self.sizes {
            let _infallible = write!(text, " {size} entries |");
        }
        let _infallible = writeln!(text, "\n|---|{}", "---|".repeat(self.sizes.len()));
        for (line, nth) in &self.rows {
            let again = if *nth == 0 { "" } else { ", again" };
            let line_and = match line.starts_with("the hub") {
                true => format!("{line}{again}"),
                false => format!("`{line}`{again}"),
            };
            let _infallible = write!(text, "| {} |", line_and.replace('|', "\\|"));
            for at in 0..self.sizes.len() {
                let found = self.cells.get(&(line.clone(), *nth, at));
                let found = found.map_or_else(String::new, |(taken, peak)| cell(*taken, *peak));
                let _infallible = write!(text, " {found} |");
            }
            text.push('\n');
        }
        text
    }
}

fn cell(taken: Option<Taken>, peak_kib: u64) -> String {
    let mib = peak_kib as f64 / 1024.0;
    match taken {
        None => format!("{mib:.1} MiB"),
        Some(taken) => {
            let ms = |time: std::time::Duration| {
                let ms = time.as_secs_f64() * 1e3;
                if ms < 100.0 {
                    format!("{ms:.1} ms")
                } else {
                    format!("{ms:.0} ms")
                }
            };
            format!("{mib:.1} MiB, {} / {}", ms(taken.cpu), ms(taken.wall))
        }
    }
}
