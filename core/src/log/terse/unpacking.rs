//! Batches, one after the other, into entries.

use std::collections::HashMap;

use foldhash::fast::RandomState;

use super::read::Reader;
use super::{Holder, TOLD, check, column, header, told};
use crate::log::chain::Tip;
use crate::log::codec::CodecError;
use crate::log::columns::{self, TOO_MUCH};
use crate::log::id::{DeviceId, LogbookId, Seq, ThingId};
use crate::log::raws::Raws;
use crate::log::shapes::Scan;
use crate::log::view::View;

/// How many bytes an entry has, about,
pub(crate) const ABOUT: usize = 120;
/// and at least.
const LEAST: usize = 48;

/// Batches on their way to becoming entries, each told to one who holds those before it.
#[derive(Debug)]
pub struct Unpacking {
    /// The entries so far.
    pub entries: Raws,
    pub(super) left: usize,
    pub(super) runs: Runs,
    // Lists of a batch before, emptied: the next needs about as many.
    pub(super) spare: Vec<Vec<ThingId>>,
}

/// Entries of one device in one logbook that follow each other.
#[derive(Debug, Default)]
pub(super) struct Run {
    pub(super) first: u64,
    pub(super) tips: Vec<Tip>,
}

impl Run {
    /// How many entries of it come before the one of this number, unless it begins behind that.
    pub(super) fn before(&self, seq: u64) -> Option<usize> {
        usize::try_from(seq.checked_sub(self.first)?).ok()
    }

    pub(super) fn tip(&self, seq: u64) -> Option<Tip> {
        self.tips.get(self.before(seq)?).copied()
    }
}

/// The runs that were read before, of each device in a logbook the last one first.
#[derive(Debug, Default)]
pub(super) struct Runs {
    // Each with the one of the same writer before it.
    all: Vec<(Run, Option<usize>)>,
    last: HashMap<(LogbookId, DeviceId), usize, RandomState>,
}

impl Runs {
    pub(super) fn keep(&mut self, writer: (LogbookId, DeviceId), run: Run) {
        let before = self.last.insert(writer, self.all.len());
        self.all.push((run, before));
    }

    pub(super) fn tip(&self, logbook: LogbookId, device: DeviceId, seq: Seq) -> Option<Tip> {
        let last = self.last.get(&(logbook, device)).copied();
        let runs = core::iter::successors(last, |nth| self.all[*nth].1);
        runs.map(|nth| &self.all[nth].0)
            .find_map(|run| run.tip(seq.get()))
    }
}

impl Unpacking {
    /// Begins; all entries together may come to `max_bytes`.
    pub fn into_at_most(max_bytes: usize) -> Self {
        Self {
            entries: Raws::default(),
            left: max_bytes,
            runs: Runs::default(),
            spare: Vec::new(),
        }
    }

    /// Makes room for so many entries more, though for no more than there may be.
    pub fn expect(&mut self, entries: u64) {
        let entries = (entries as usize).min(self.left / LEAST);
        let bytes = self.left.min(entries * ABOUT);
        self.entries.reserve(entries, bytes);
    }

    /// Returns how many bytes of entries there is still room for.
    pub const fn left(&self) -> usize {
        self.left
    }

    /// Takes entries that were spelled out.
    ///
    /// # Errors
    /// [`CodecError`] where they are too many.
    pub fn take(&mut self, raws: &[Vec<u8>]) -> Result<(), CodecError> {
        let bytes = raws.iter().map(Vec::len).sum();
        self.left = self.left.checked_sub(bytes).ok_or(TOO_MUCH)?;
        for entry in View::read_all(raws) {
            self.put(&entry?);
        }
        Ok(())
    }

    /// Puts an entry that was spelled out behind the others, which may name it.
    pub(super) fn put(&mut self, entry: &View<'_>) {
        let run = Run {
            first: entry.seq.get(),
            tips: vec![entry.tip],
        };
        self.runs.keep((entry.logbook, entry.device), run);
        self.entries.push(entry);
    }

    /// Unpacks what [`super::pack`] packed; says whether it means the same here. Where it does not, or fails,
    /// entries of this batch may lack tips.
    ///
    /// # Errors
    /// [`CodecError`] where the bytes are no such batch, or too many; what `holder` returns.
    pub fn unpack<E: From<CodecError>>(
        &mut self,
        packed: &[u8],
        holder: &mut impl Holder<E>,
    ) -> Result<bool, E> {
        let header = header(packed)?;
        let laid_out = columns::inflated(header.deflated, self.left)?;
        let mut scan = Scan::of(&laid_out);
        let mut left: [Scan<'_>; column::COUNT] = core::array::from_fn(|_| Scan::of(&[]));
        for column in &mut left[..column::CHANCE] {
            *column = Scan::of(scan.sized()?);
        }
        scan.finish()?;
        left[column::CHANCE] = Scan::of(header.chance);
        let from = self.entries.len();
        let mut reader = Reader::over(left, holder, self);
        let all_known = reader.all()?;
        for (writer, run) in reader.into_runs() {
            self.runs.keep(writer, run);
        }
        let tips = self.entries.tips(from);
        let many = (self.entries.len() - from) as u64;
        Ok(all_known && many == header.entries && check(tips) == header.check)
    }

    /// The id of a thing that entries before name, and of which this is told.
    pub(super) fn id(&self, logbook: LogbookId, is_told: [u8; TOLD]) -> Option<[u8; 16]> {
        let mut found = None;
        let entries = self.entries.iter();
        for entry in entries.filter(|entry| entry.logbook == logbook) {
            columns::each_id(&entry, |id| {
                if found.is_none() && told(id) == is_told {
                    found = Some(*id);
                }
            });
        }
        found
    }
}
