//! Batches of entries as they came: a hub gives them on to everyone else as they are.
//!
//! They are in memory only and up to a size, and whatever is in them lies in the file as well. What a
//! batch leaves out its listener holds; and whoever is told of all that came here before it holds that,
//! too.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::sync::Arc;

use super::Bookmark;
use super::filed::{self, Lying};
use crate::log::id::{Arrival, DeviceId, LogbookId, Seq};
use crate::log::raws::Raw;
use crate::log::terse;

/// How many bytes of batches are kept at most.
const MOST_BYTES: usize = 4 << 20;

/// A batch as it came.
#[derive(Debug)]
pub(super) struct Batch {
    pub(super) bytes: Vec<u8>,
    /// Its entries are those from this arrival on, without a gap,
    pub(super) first: Arrival,
    /// up to this one.
    pub(super) end: Bookmark,
    /// How many bytes its entries have by themselves.
    pub(super) entry_bytes: usize,
    pub(super) spans: Spans,
}

/// Of each device in a logbook: how many of its entries, and the number of the last.
pub(super) type Spans = BTreeMap<(LogbookId, DeviceId), (u64, Seq)>;

impl Batch {
    /// Keeps the bytes in which these entries came. None where there are none, or where the bytes are
    /// spelled out, and packing them again is shorter. Their spans may be known.
    pub(super) fn of<'a>(
        bytes: Vec<u8>,
        entries: impl DoubleEndedIterator<Item = Lying<'a>> + Clone,
        spans: Option<Spans>,
    ) -> Option<Self> {
        if bytes.first() != Some(&terse::VERSION) {
            return None;
        }
        let (first, last) = (entries.clone().next()?, entries.clone().next_back()?);
        let spans = spans.unwrap_or_else(|| {
            let mut spans = Spans::new();
            note(&mut spans, entries.clone().map(|entry| entry.raw));
            spans
        });
        Some(Self {
            bytes,
            first: first.arrival,
            end: last.bookmark(),
            entry_bytes: entries.map(|entry| entry.raw.bytes.len()).sum(),
            spans,
        })
    }

    /// Counts its entries.
    pub(super) const fn entries(&self) -> u64 {
        self.end.arrival.0 + 1 - self.first.0
    }

    /// Whether it is all of one device's entries.
    pub(super) fn is_all_of(&self, device: DeviceId) -> bool {
        self.spans.keys().all(|(_, of)| *of == device)
    }

    /// Whether one who holds these logbooks may be told it as it is: all of it is of them, and nothing
    /// of it is of this device.
    pub(super) fn is_for(&self, shared: &BTreeSet<LogbookId>, not_of: Option<DeviceId>) -> bool {
        let mut spans = self.spans.keys();
        spans.all(|(logbook, device)| shared.contains(logbook) && Some(*device) != not_of)
    }
}

/// Counts entries.
pub(super) fn note<'a>(spans: &mut Spans, entries: impl Iterator<Item = Raw<'a>>) {
    let places = entries.map(|entry| {
        let (logbook, device, seq) = entry.place();
        ((logbook, device), seq)
    });
    filed::gather(
        spans,
        places,
        |seq| (0, seq),
        |(many, last), seq| (many + 1, last.max(seq)),
    );
}

/// The last batches, in order of arrival.
#[derive(Debug, Default)]
pub(super) struct Batches {
    kept: VecDeque<Arc<Batch>>,
    bytes: usize,
}

impl Batches {
    pub(super) fn keep(&mut self, batch: Batch) {
        self.bytes += batch.bytes.len();
        self.kept.push_back(Arc::new(batch));
        while self.bytes > MOST_BYTES {
            match self.kept.pop_front() {
                Some(first) => self.bytes -= first.bytes.len(),
                None => return,
            }
        }
    }

    /// Those that lie between two arrivals.
    pub(super) fn within(&self, after: Arrival, to: Arrival) -> Vec<Arc<Batch>> {
        let from = self.kept.partition_point(|batch| batch.first <= after);
        let within = self.kept.range(from..);
        let within = within.take_while(|batch| batch.end.arrival <= to);
        within.map(Arc::clone).collect()
    }
}
