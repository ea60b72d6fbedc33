//! What whoever lays entries out and whoever reads them remember between one and the next, both the same.

use std::collections::HashMap;

use foldhash::fast::RandomState;

use crate::log::chain::Tip;
use crate::log::entry::Entry;
use crate::log::id::{DeviceId, LogbookId, Seq};
use crate::log::stamp::Stamp;

/// What both sides remember between entries.
#[derive(Debug, Default)]
pub(super) struct Memory {
    // What each device wrote in each logbook in this batch, by when it began, and where that stands.
    runs: Vec<((LogbookId, DeviceId), Run)>,
    by_writer: HashMap<(LogbookId, DeviceId), usize, RandomState>,
    // Where that of the last entry stands: most entries come after one of the same device.
    latest: usize,
    wall: u64,
    pub(super) offset: i16,
    // Room for the tips of other runs.
    spare: Vec<Vec<Tip>>,
}

/// Entries of one device that follow each other.
#[derive(Debug, Default)]
struct Run {
    /// The first one's number.
    first: u64,
    tips: Vec<Tip>,
    /// When the last was written.
    wall: u64,
}

impl Memory {
    /// Remembers nothing again; the room stays.
    pub(super) fn clear(&mut self) {
        self.spare
            .extend(self.runs.drain(..).map(|(_, run)| run.tips));
        self.by_writer.clear();
        (self.latest, self.wall, self.offset) = (0, 0, 0);
    }

    fn run(&self, logbook: LogbookId, device: DeviceId) -> Option<usize> {
        let writer = (logbook, device);
        match self.runs.get(self.latest) {
            Some((of, _)) if *of == writer => Some(self.latest),
            _ => self.by_writer.get(&writer).copied(),
        }
    }

    /// What the next entry of this device is expected to follow.
    pub(super) fn last(&self, logbook: LogbookId, device: DeviceId) -> Last {
        match self.run(logbook, device) {
            Some(at) => {
                let run = &self.runs[at].1;
                Last {
                    seq: run.next().wrapping_sub(1),
                    tip: run.tips.last().copied().unwrap_or(Tip::NONE),
                    wall: run.wall,
                }
            }
            None => Last {
                seq: 0,
                tip: Tip::NONE,
                wall: self.wall,
            },
        }
    }

    /// The tip of an entry of this batch.
    pub(super) fn tip(&self, logbook: LogbookId, device: DeviceId, seq: Seq) -> Option<Tip> {
        let run = &self.runs[self.run(logbook, device)?].1;
        let nth = usize::try_from(seq.get().checked_sub(run.first)?).ok()?;
        run.tips.get(nth).copied()
    }

    pub(super) fn remember(&mut self, entry: &Entry, tip: Tip) {
        let told = (entry.seq, entry.stamp, entry.utc_offset_min);
        self.goes_on((entry.logbook, entry.device), told, tip);
    }

    pub(super) fn goes_on(
        &mut self,
        writer: (LogbookId, DeviceId),
        (seq, stamp, offset): (Seq, Stamp, i16),
        tip: Tip,
    ) {
        let (seq, wall) = (seq.get(), stamp.wall().get());
        self.latest = self.run(writer.0, writer.1).unwrap_or_else(|| {
            self.by_writer.insert(writer, self.runs.len());
            let mut run = Run {
                tips: self.spare.pop().unwrap_or_default(),
                ..Run::default()
            };
            run.begin(seq);
            self.runs.push((writer, run));
            self.runs.len() - 1
        });
        let run = &mut self.runs[self.latest].1;
        if seq != run.next() {
            run.begin(seq);
        }
        run.tips.push(tip);
        run.wall = wall;
        self.wall = wall;
        self.offset = offset;
    }
}

impl Run {
    /// Begins with an entry of this number.
    fn begin(&mut self, first: u64) {
        self.tips.clear();
        (self.first, self.wall) = (first, 0);
    }

    const fn next(&self) -> u64 {
        self.first.wrapping_add(self.tips.len() as u64)
    }
}

/// What an entry is expected to follow.
#[derive(Debug, Clone, Copy)]
pub(super) struct Last {
    pub(super) seq: u64,
    pub(super) tip: Tip,
    pub(super) wall: u64,
}
