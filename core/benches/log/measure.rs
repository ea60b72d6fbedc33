//! What a job takes: wall time, CPU time of its threads, and memory at its highest.

use std::fs;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use rustix::fs::Advice;
use rustix::time::{ClockId, clock_gettime};

/// Time taken, summed over rounds.
#[derive(Debug, Clone, Copy, Default)]
pub struct Taken {
    pub wall: Duration,
    pub cpu: Duration,
}

impl Taken {
    pub fn add(&mut self, other: Self) {
        self.wall += other.wall;
        self.cpu += other.cpu;
    }

    /// The less of two, each by itself.
    pub fn less(self, other: Self) -> Self {
        Self {
            wall: self.wall.min(other.wall),
            cpu: self.cpu.min(other.cpu),
        }
    }

    /// Adds what `work` takes; returns what it returns.
    pub fn time<T>(&mut self, work: impl FnOnce() -> T) -> T {
        let (done, taken) = timed(work);
        self.add(taken);
        done
    }
}

/// Does the work and says what it took.
pub fn timed<T>(work: impl FnOnce() -> T) -> (T, Taken) {
    timed_by(ClockId::ThreadCPUTime, work)
}

/// The same of work that several threads do.
pub fn timed_together<T>(work: impl FnOnce() -> T) -> (T, Taken) {
    timed_by(ClockId::ProcessCPUTime, work)
}

fn timed_by<T>(clock: ClockId, work: impl FnOnce() -> T) -> (T, Taken) {
    let cpu = || {
        let now = clock_gettime(clock);
        Duration::new(now.tv_sec as u64, now.tv_nsec as u32)
    };
    let (begun, before) = (Instant::now(), cpu());
    let done = work();
    let taken = Taken {
        wall: begun.elapsed(),
        cpu: cpu().saturating_sub(before),
    };
    (done, taken)
}

/// How many bytes this process has written to files and elsewhere.
pub fn written() -> u64 {
    let io = fs::read_to_string("/proc/self/io").expect("Linux counts what processes write");
    let written = io.lines().find_map(|line| line.strip_prefix("wchar: "));
    written
        .and_then(|bytes| bytes.parse().ok())
        .expect("a number")
}

/// The least of a few rounds, which is what the work takes when nobody else is at work.
pub fn least(rounds: usize, mut work: impl FnMut()) -> Taken {
    let rounds = (0..rounds).map(|_| timed(&mut work).1);
    rounds.reduce(Taken::less).unwrap_or_default()
}

/// The same of work on something that is made anew for each round, which does not count.
pub fn least_on<T>(rounds: usize, make: impl Fn() -> T, work: impl Fn(&T)) -> Taken {
    let rounds = (0..rounds).map(|_| {
        let made = make();
        timed(|| work(&made)).1
    });
    rounds.reduce(Taken::less).unwrap_or_default()
}

/// Drops a file's pages from memory, so that the next reader reads the disk.
pub fn drop_pages(path: &Path) {
    let file = fs::File::open(path).expect("the file is there");
    file.sync_all().expect("the file can be flushed");
    rustix::fs::fadvise(&file, 0, None, Advice::DontNeed).expect("the pages can be dropped");
}

/// What a new process said that it took.
#[derive(Debug, Clone, Copy)]
pub struct Child {
    pub wall: Duration,
    pub peak_kib: u64,
    /// What was its own at its end; the rest are pages of programs and libraries, which all processes share
    /// and the system takes back when it wants.
    pub own_kib: u64,
}

impl Child {
    /// Its memory, for the table.
    pub fn memory(&self) -> String {
        let [peak, own] = [self.peak_kib, self.own_kib].map(|kib| kib as f64 / 1024.0);
        format!("{peak:.1} MiB, its own {own:.1}")
    }
}

/// Runs one job in a new process of this program; `job` names it and what it is to work on.
pub fn in_new_process(job: &[&str]) -> Child {
    let this = std::env::current_exe().expect("this program has a path");
    let output = Command::new(this).args(job).output();
    let output = output.expect("this program can be run again");
    assert!(output.status.success(), "{job:?}: {output:?}");
    let text = String::from_utf8_lossy(&output.stdout);
    let mut numbers = text.split_whitespace().map(|word| {
        let number: u64 = word.parse().expect("the child prints numbers");
        number
    });
    Child {
        wall: Duration::from_nanos(numbers.next().expect("nanoseconds")),
        peak_kib: numbers.next().expect("KiB"),
        own_kib: numbers.next().expect("KiB"),
    }
}

/// In the new process: does the job, and prints what [`in_new_process`] reads.
pub fn answer_as_child(work: impl FnOnce()) {
    let begun = Instant::now();
    work();
    let nanos = begun.elapsed().as_nanos();
    let status = fs::read_to_string("/proc/self/status").expect("Linux tells of its processes");
    let kib = |name: &str| {
        let line = status.lines().find_map(|line| line.strip_prefix(name));
        let kib = line.and_then(|line| line.trim().strip_suffix(" kB"));
        kib.expect("it is told in kB")
    };
    println!("{nanos} {} {}", kib("VmHWM:"), kib("RssAnon:"));
}
