//! What a hub counts of its work with the log, as lines that a person can read.

use std::fmt::Write;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use crate::edge::Edge;
use crate::hub_log::{Appended, LogError};

/// How many of the latest waits are kept to tell what is usual.
const WAITS: usize = 1_024;

/// The counts, from the hub's start.
#[derive(Debug)]
pub struct Meter {
    edge: Edge,
    counts: Mutex<Counts>,
}

#[derive(Debug, Default)]
struct Counts {
    appends: u64,
    entries_new: u64,
    entries_held: u64,
    branches: u64,
    unreachable: u64,
    records_followed: u64,
    left_out: u64,
    last_left_out: Option<String>,
    reads_failed: u64,
    last_read_failure: Option<String>,
    followed_at: Option<Duration>,
    answered_at: Option<Duration>,
    longest: Duration,
    waits: Vec<Duration>,
    next_wait: usize,
}

/// An append that is under way.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Begun(Duration);

impl Meter {
    pub(crate) fn new(edge: Edge) -> Self {
        Self {
            edge,
            counts: Mutex::default(),
        }
    }

    fn counts(&self) -> MutexGuard<'_, Counts> {
        self.counts.lock().unwrap_or_else(PoisonError::into_inner)
    }

    pub(crate) fn begin_append(&self) -> Begun {
        Begun(self.edge.running())
    }

    pub(crate) fn end_append(&self, Begun(began): Begun, appended: &Result<Appended, LogError>) {
        let now = self.edge.running();
        let took = now.saturating_sub(began);
        let mut counts = self.counts();
        match appended {
            Ok(appended) => {
                counts.appends += 1;
                counts.entries_new += appended.new as u64;
                counts.entries_held += appended.held as u64;
                counts.branches += appended.branched as u64;
                counts.answered_at = Some(now);
                counts.longest = counts.longest.max(took);
                let at = counts.next_wait;
                match counts.waits.get_mut(at) {
                    Some(wait) => *wait = took,
                    None => counts.waits.push(took),
                }
                counts.next_wait = (at + 1) % WAITS;
            }
            Err(LogError::Unreachable(_)) => counts.unreachable += 1,
            Err(_) => {}
        }
    }

    pub(crate) fn unreachable(&self) {
        self.counts().unreachable += 1;
    }

    pub(crate) fn followed(&self, records: usize, now: Duration) {
        let mut counts = self.counts();
        counts.records_followed += records as u64;
        counts.followed_at = Some(now);
    }

    pub(crate) fn left_out(&self, why: &str) {
        let mut counts = self.counts();
        counts.left_out += 1;
        counts.last_left_out = Some(why.to_owned());
    }

    pub(crate) fn read_failed(&self, why: &str) {
        let mut counts = self.counts();
        counts.reads_failed += 1;
        counts.last_read_failure = Some(why.to_owned());
    }

    /// Returns the counts, one a line: a name, a number, and what it means after a `#`.
    pub(crate) fn text(&self) -> String {
        let now = self.edge.running();
        let counts = self.counts();
        let mut waits = counts.waits.clone();
        waits.sort_unstable();
        let part = |hundredths: usize| {
            let at = (waits.len() * hundredths / 100).min(waits.len().saturating_sub(1));
            waits.get(at).map_or(0, |wait| wait.as_millis() as u64)
        };
        let since = |at: Option<Duration>| at.map_or(-1, |at| (now - at).as_secs() as i64);
        let lines: [(&str, i64, &str); 13] = [
            (
                "log_appends",
                counts.appends as i64,
                "times something was appended",
            ),
            (
                "log_entries_new",
                counts.entries_new as i64,
                "entries appended",
            ),
            (
                "log_entries_held",
                counts.entries_held as i64,
                "entries that the log had already",
            ),
            (
                "log_branches",
                counts.branches as i64,
                "entries of a store that was copied or put back",
            ),
            (
                "log_unreachable",
                counts.unreachable as i64,
                "times the log gave no answer in time",
            ),
            (
                "log_wait_p50_ms",
                part(50) as i64,
                "usual wait for an append, of the latest 1,024",
            ),
            (
                "log_wait_p99_ms",
                part(99) as i64,
                "one in a hundred waits longer",
            ),
            (
                "log_wait_longest_ms",
                counts.longest.as_millis() as i64,
                "longest wait since the start",
            ),
            (
                "log_answered_s_ago",
                since(counts.answered_at),
                "seconds since an append was acknowledged; -1: never",
            ),
            (
                "followed_records",
                counts.records_followed as i64,
                "records taken in from the log",
            ),
            (
                "followed_s_ago",
                since(counts.followed_at),
                "seconds since the last of them; -1: none",
            ),
            (
                "follow_reads_failed",
                counts.reads_failed as i64,
                "times the log could not be read",
            ),
            (
                "follow_left_out",
                counts.left_out as i64,
                "records that this version could not take in; must be 0",
            ),
        ];
        let mut text = String::new();
        for (name, value, what) in lines {
            writeln!(text, "{name} {value} # {what}").expect("text takes any line");
        }
        for (name, why) in [
            ("follow_last_failure", &counts.last_read_failure),
            ("follow_last_left_out", &counts.last_left_out),
        ] {
            if let Some(why) = why {
                writeln!(text, "# {name}: {why}").expect("text takes any line");
            }
        }
        text
    }
}
