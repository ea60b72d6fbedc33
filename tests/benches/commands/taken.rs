//! What one command takes in a new process: time, and memory at its highest.

use std::fs;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use nix::sys::resource::{UsageWho, getrusage};
use nix::sys::time::TimeValLike;

/// As what this program runs one command and tells what it took.
pub const CHILD: &str = "child-run";

/// What a process took.
#[derive(Debug, Clone, Copy)]
pub struct Taken {
    pub wall: Duration,
    pub cpu: Duration,
    pub peak_kib: u64,
}

impl Taken {
    /// The least time of two, and the most memory.
    pub fn with(self, other: Self) -> Self {
        Self {
            wall: self.wall.min(other.wall),
            cpu: self.cpu.min(other.cpu),
            peak_kib: self.peak_kib.max(other.peak_kib),
        }
    }
}

/// Runs a command that must succeed, in a process between it and this one: the system counts to a process
/// the memory of the one that started it until it is another program, and this one holds a base.
pub fn run(command: &Command) -> Taken {
    let this = std::env::current_exe().expect("this program has a path");
    let mut outer = Command::new(this);
    outer.arg(CHILD).arg(command.get_program());
    outer.args(command.get_args()).stdin(Stdio::null());
    for (name, value) in command.get_envs() {
        match value {
            Some(value) => outer.env(name, value),
            None => outer.env_remove(name),
        };
    }
    outer.current_dir(command.get_current_dir().expect("it runs in a folder"));
    let output = outer.output().expect("this program can be run again");
    let told = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{command:?}: {told}");
    let text = String::from_utf8_lossy(&output.stdout);
    let mut numbers = text.split_whitespace().map(|word| {
        let number: u64 = word.parse().expect("the child prints numbers");
        number
    });
    let mut next = || numbers.next().expect("three numbers");
    Taken {
        wall: Duration::from_nanos(next()),
        cpu: Duration::from_micros(next()),
        peak_kib: next(),
    }
}

/// In the process between: runs the command, and prints what [`run`] reads.
pub fn as_child(words: &[String]) {
    let [program, words @ ..] = words else {
        panic!("no command is named");
    };
    let begun = Instant::now();
    let output = Command::new(program)
        .args(words)
        .stdout(Stdio::null())
        .output();
    let wall = begun.elapsed();
    let output = output.expect("the command was built");
    if !output.status.success() {
        eprint!("{}", String::from_utf8_lossy(&output.stderr));
        std::process::exit(1);
    }
    let usage = getrusage(UsageWho::RUSAGE_CHILDREN).expect("Linux counts for its processes");
    let cpu = usage.user_time() + usage.system_time();
    println!(
        "{} {} {}",
        wall.as_nanos(),
        cpu.num_microseconds(),
        usage.max_rss()
    );
}

/// The most memory of a process that runs, since it was last forgotten, in KiB.
pub fn peak_of(pid: u32) -> u64 {
    let status = fs::read_to_string(format!("/proc/{pid}/status")).expect("it runs");
    let peak = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    let peak = peak.and_then(|line| line.trim().strip_suffix(" kB"));
    let peak = peak.expect("Linux tells of its processes");
    peak.parse().expect("a number of kB")
}

/// Forgets the most memory that a process had, so that what it has now is the most.
pub fn forget_peak_of(pid: u32) {
    fs::write(format!("/proc/{pid}/clear_refs"), "5").expect("Linux forgets a peak");
}
