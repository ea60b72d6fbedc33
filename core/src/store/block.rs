//! Blocks: entries of one logbook that came in one stretch of arrivals, column by column in one row.
//!
//! The row begins with a check over everything in it and its key. What stands before the columns
//! tells which entries are in it without unpacking them.

use std::collections::{BTreeMap, BTreeSet};

use super::filed::{self, Filed, Lying};
use super::{Error, tables};
use crate::log::chain;
use crate::log::codec::CodecError;
use crate::log::columns::{self, LayingOut, Listener};
use crate::log::id::{Arrival, DeviceId, LogbookId, Seq};
use crate::log::shapes::{Scan, number, signed, sized};
use crate::log::stamp::WallMs;

/// The most entries in a block of what came lately, so that reading one of them stays short.
const MOST_LOOSE: usize = 1_024;
/// The most entries in a block that is packed tight.
const MOST_TIGHT: usize = 8_192;
/// What a row of a block that is packed tight is to come to, about: redb gives a row that is longer
/// than a page of 4 KiB two, four or eight of them, and 40 bytes of those go to its own account.
const FULL: usize = 16 * 1_024 - 40;
/// How often another length is tried until a row is full.
const TRIES: usize = 4;
/// The most bytes of entries in a block beyond its first.
const MOST_BYTES: usize = 1 << 20;
/// What a block's entries may come to: the limit above and one entry that is as long as may be.
const UNPACKED: usize = MOST_BYTES + 2 * crate::log::codec::MAX_ENTRY_BYTES;

/// The bytes of a block's key,
const KEY: usize = 24;
/// and of a row's check.
const CHECK: usize = 8;

/// The columns as they were laid out: quick to write and to read.
const LAID_OUT: u8 = 1;
/// The same, deflated.
const DEFLATED: u8 = 2;

/// How a block's columns are kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Packing {
    /// What came lately.
    Loose,
    /// What lies in many small blocks no more.
    Tight,
}

/// The key of the block whose first entry came at this arrival.
pub(super) fn key(logbook: LogbookId, first: Arrival) -> [u8; 24] {
    let mut key = [0; 24];
    key[..16].copy_from_slice(logbook.bytes());
    key[16..].copy_from_slice(&first.0.to_be_bytes());
    key
}

/// The logbook and arrival within a block's key.
pub(super) fn ids(key: &[u8; 24]) -> (LogbookId, Arrival) {
    let (logbook, rest) = key.split_first_chunk::<16>().expect("24 bytes begin so");
    let first = rest.try_into().map(u64::from_be_bytes);
    let first = first.expect("8 bytes are left");
    (LogbookId::from_bytes(*logbook), Arrival(first))
}

/// Makes rows of blocks, one after the other, in room that is kept from one to the next.
#[derive(Default)]
pub(super) struct Making {
    laying_out: LayingOut,
    // The row's key and the row behind it, but for the check, which takes the place of the key's end.
    whole: Vec<u8>,
}

impl Making {
    /// Makes the row of entries of one logbook, in order of arrival and at least one.
    fn row(&mut self, logbook: LogbookId, entries: &[Lying<'_>], packing: Packing) -> &[u8] {
        let first = entries[0].arrival;
        let row = &mut self.whole;
        row.clear();
        row.extend_from_slice(&key(logbook, first));
        number(row, entries.len() as u64);
        let mut last = first.0;
        for filed in &entries[1..] {
            number(row, filed.arrival.0 - last - 1);
            last = filed.arrival.0;
        }
        // When they came: most came together.
        let mut arrived = 0;
        for together in entries.chunk_by(|one, next| one.arrived == next.arrived) {
            let now = together[0].arrived.get();
            signed(row, now.wrapping_sub(arrived) as i64);
            number(row, together.len() as u64);
            arrived = now;
        }
        let spans = spans(entries);
        number(row, spans.len() as u64);
        for (device, (from, to)) in spans {
            row.extend_from_slice(device.bytes());
            number(row, from.get());
            number(row, to.get() - from.get());
        }
        let views = entries.iter().map(Lying::view);
        match packing {
            Packing::Loose => {
                row.push(LAID_OUT);
                self.laying_out.put(views, row);
            }
            Packing::Tight => {
                row.push(DEFLATED);
                let laid_out = self.laying_out.lay_out(views);
                sized(row, &columns::deflated(&laid_out));
            }
        }
        let check = chain::check(&[row]);
        row[KEY - CHECK..KEY].copy_from_slice(&check);
        self.made()
    }

    /// The row that was made last.
    fn made(&self) -> &[u8] {
        &self.whole[KEY - CHECK..]
    }
}

/// Of each device, the first and the last of its numbers among these entries.
fn spans(entries: &[Lying<'_>]) -> BTreeMap<DeviceId, (Seq, Seq)> {
    let places = entries.iter().map(|entry| {
        let (_, device, seq) = entry.raw.place();
        (device, seq)
    });
    let mut spans = BTreeMap::new();
    filed::gather(
        &mut spans,
        places,
        |seq| (seq, seq),
        |(from, to), seq| (from.min(seq), to.max(seq)),
    );
    spans
}

/// Tells what the entries in the row at this key say, but not which entry each of them follows; returns
/// how many they are.
///
/// # Errors
/// [`Error::DamagedEntry`] where they are not what was written.
pub(super) fn tell(
    key: &[u8; 24],
    row: &[u8],
    listener: &mut impl Listener,
) -> Result<usize, Error> {
    let told = (|| {
        let parts = Parts::find(tables::held(key, row).ok_or(ODD)?)?;
        heard(parts.packing, parts.columns, parts.count, listener)
    })();
    let (_, arrival) = ids(key);
    told.map_err(|_| Error::DamagedEntry { arrival })
}

const ODD: CodecError = CodecError::Shape("the block is in another shape");

/// A row's parts, found and not read yet.
struct Parts<'a> {
    count: usize,
    arrivals: Scan<'a>,
    arrived: Scan<'a>,
    spans: Scan<'a>,
    packing: u8,
    columns: &'a [u8],
}

impl<'a> Parts<'a> {
    fn find(rest: &'a [u8]) -> Result<Self, CodecError> {
        let mut left = Scan::of(rest);
        let count = left.count()?;
        if count == 0 || count > rest.len() {
            return Err(ODD);
        }
        let arrivals = left;
        for _ in 1..count {
            left.number()?;
        }
        let arrived = left;
        let mut told = 0_usize;
        while told < count {
            left.number()?;
            let same = left.count()?;
            let these = told.checked_add(same);
            told = these.filter(|to| *to <= count && same > 0).ok_or(ODD)?;
        }
        let spans = left;
        for _ in 0..left.count()? {
            left.bytes(size_of::<DeviceId>())?;
            left.number()?;
            left.number()?;
        }
        let packing = left.byte()?;
        let columns = left.sized()?;
        left.finish()?;
        Ok(Self {
            count,
            arrivals,
            arrived,
            spans,
            packing,
            columns,
        })
    }

    /// Reads them.
    fn block(mut self, first: Arrival) -> Result<Block<'a>, CodecError> {
        let mut arrivals = Vec::with_capacity(self.count);
        arrivals.push((first, WallMs::new(0)));
        let mut last = first.0;
        for _ in 1..self.count {
            let step = self.arrivals.number()?.checked_add(1);
            last = step.and_then(|step| last.checked_add(step)).ok_or(ODD)?;
            arrivals.push((Arrival(last), WallMs::new(0)));
        }
        let (mut arrived, mut told) = (0_u64, 0);
        while told < self.count {
            arrived = arrived.wrapping_add_signed(self.arrived.signed()?);
            let these = told + self.arrived.count()?;
            for (_, at) in &mut arrivals[told..these] {
                *at = WallMs::new(arrived);
            }
            told = these;
        }
        let spans = self.spans.items(|left| {
            let device = DeviceId::from_bytes(left.array()?);
            let from = Seq::new(left.number()?).ok_or(ODD)?;
            let to = from.get().checked_add(left.number()?).and_then(Seq::new);
            Ok((device, from, to.ok_or(ODD)?))
        })?;
        Ok(Block {
            first,
            arrivals,
            spans,
            packing: self.packing,
            columns: self.columns,
        })
    }
}

/// A block whose check holds, not unpacked yet.
#[derive(Debug)]
pub(super) struct Block<'a> {
    pub(super) first: Arrival,
    /// When each of its entries came, in order.
    pub(super) arrivals: Vec<(Arrival, WallMs)>,
    /// Of each device, the first and the last of its numbers here.
    pub(super) spans: Vec<(DeviceId, Seq, Seq)>,
    packing: u8,
    columns: &'a [u8],
}

impl<'a> Block<'a> {
    /// Reads the row at this key.
    ///
    /// # Errors
    /// [`Error::DamagedEntry`] where it does not fit its check.
    pub(super) fn read(key: &[u8; 24], row: &'a [u8]) -> Result<Self, Error> {
        let (_, first) = ids(key);
        let parts = tables::held(key, row).ok_or(ODD).and_then(Parts::find);
        let block = parts.and_then(|parts| parts.block(first));
        block.map_err(|_| Error::DamagedEntry { arrival: first })
    }

    /// Returns the arrival of its last entry.
    pub(super) fn last(&self) -> Arrival {
        self.arrivals.last().map_or(self.first, |(last, _)| *last)
    }

    /// Returns whether an entry of this device under this number may be in it.
    pub(super) fn may_hold(&self, device: DeviceId, seq: Seq) -> bool {
        let mut spans = self.spans.iter();
        spans.any(|(of, from, to)| *of == device && *from <= seq && seq <= *to)
    }

    /// Unpacks its entries.
    ///
    /// # Errors
    /// [`Error::DamagedEntry`] where they are not what was written.
    pub(super) fn entries(&self) -> Result<Vec<Filed>, Error> {
        let written = self.unpacked(|columns| columns::read(columns, UNPACKED))?;
        if written.len() != self.arrivals.len() {
            return Err(self.damaged());
        }
        let arrivals = self.arrivals.iter();
        Ok(arrivals
            .zip(written)
            .map(|(&(arrival, arrived), written)| Filed {
                arrival,
                arrived,
                written,
            })
            .collect())
    }

    /// Tells what its entries say, as [`tell`] does.
    ///
    /// # Errors
    /// Those of [`Self::entries`].
    pub(super) fn tell(&self, listener: &mut impl Listener) -> Result<usize, Error> {
        let told = heard(self.packing, self.columns, self.arrivals.len(), listener);
        told.map_err(|_| self.damaged())
    }

    /// Returns the ids that its entries name, each with the arrival of the one that names it first.
    ///
    /// # Errors
    /// Those of [`Self::entries`].
    pub(super) fn first_named(&self) -> Result<Vec<(Arrival, [u8; 16])>, Error> {
        let named = self.unpacked(columns::first_named)?;
        let named = named.into_iter().map(|(nth, id)| {
            let (arrival, _) = *self.arrivals.get(nth)?;
            Some((arrival, id))
        });
        named.collect::<Option<_>>().ok_or(self.damaged())
    }

    fn unpacked<T>(&self, read: impl FnOnce(&[u8]) -> Result<T, CodecError>) -> Result<T, Error> {
        unpacked(self.packing, self.columns, read).map_err(|_| self.damaged())
    }

    const fn damaged(&self) -> Error {
        Error::DamagedEntry {
            arrival: self.first,
        }
    }
}

/// Tells what the columns of so many entries say; returns how many they are.
fn heard(
    packing: u8,
    columns: &[u8],
    count: usize,
    listener: &mut impl Listener,
) -> Result<usize, CodecError> {
    let told = unpacked(packing, columns, |columns| columns::hear(columns, listener))?;
    if told == count { Ok(told) } else { Err(ODD) }
}

fn unpacked<T>(
    packing: u8,
    columns: &[u8],
    read: impl FnOnce(&[u8]) -> Result<T, CodecError>,
) -> Result<T, CodecError> {
    match packing {
        LAID_OUT => read(columns),
        DEFLATED => read(&columns::inflated(columns, UNPACKED)?),
        other => Err(CodecError::Format(other)),
    }
}

/// Whether entries of one logbook are few enough for one block of what came lately, and far from filling it.
pub(super) fn are_few<'a>(entries: impl Iterator<Item = Lying<'a>>) -> bool {
    let (mut many, mut bytes) = (0, 0);
    for entry in entries {
        many += 1;
        bytes += entry.raw.bytes.len();
    }
    many <= MOST_LOOSE / 4 && bytes <= MOST_BYTES / 8
}

/// Does `with` each block that these entries of one logbook make, and its row: what came lately in
/// blocks that are quickly read, what is packed tight in rows that fill what the file gives them.
pub(super) fn each(
    logbook: LogbookId,
    entries: &[Lying<'_>],
    packing: Packing,
    making: &mut Making,
    mut with: impl FnMut(&[Lying<'_>], &[u8]) -> Result<(), Error>,
) -> Result<(), Error> {
    let mut left = entries;
    // As many as fill a row, as the one before tells.
    let mut expected = MOST_TIGHT;
    while !left.is_empty() {
        let most = within_bytes(left);
        let many = match packing {
            Packing::Loose => {
                let many = most.min(MOST_LOOSE);
                making.row(logbook, &left[..many], packing);
                many
            }
            Packing::Tight => full_row(logbook, &left[..most], expected, making),
        };
        expected = many;
        let (here, after) = left.split_at(many);
        with(here, making.made())?;
        left = after;
    }
    Ok(())
}

/// Makes a row of as many of these entries as fill it, or of all; `expected` says where to begin. Returns
/// how many are in it.
fn full_row(
    logbook: LogbookId,
    entries: &[Lying<'_>],
    expected: usize,
    making: &mut Making,
) -> usize {
    let mut of = |many: usize| making.row(logbook, &entries[..many], Packing::Tight).len();
    let mut many = entries.len().min(expected);
    let mut length = of(many);
    for _ in 0..TRIES {
        let fits = length <= FULL;
        let is_full = many == entries.len() || length >= FULL - FULL / 16;
        if many == 1 || fits && is_full {
            break;
        }
        let next = many * (FULL - FULL / 64) / length;
        many = next.clamp(1, entries.len());
        length = of(many);
    }
    many
}

/// How many of these entries, at least one, come to as many bytes as a block may.
fn within_bytes(entries: &[Lying<'_>]) -> usize {
    let mut bytes = 0;
    let within = entries.iter().take(MOST_TIGHT).take_while(|filed| {
        let before = bytes;
        bytes += filed.raw.bytes.len();
        before <= MOST_BYTES
    });
    within.count()
}

/// Which arrivals a block reaches over.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Reach {
    /// Where the stretch begins that came with it, or it itself does.
    pub(super) from: Arrival,
    pub(super) last: Arrival,
    /// Its first entry, and its logbook.
    pub(super) first: Arrival,
    pub(super) logbook: LogbookId,
}

impl Reach {
    /// That of the row at this key, which lies among others that came from an arrival on.
    ///
    /// # Errors
    /// Those of [`Block::read`].
    pub(super) fn read(from: Arrival, key: &[u8; 24], row: &[u8]) -> Result<Self, Error> {
        let block = Block::read(key, row)?;
        Ok(Self {
            from,
            last: block.last(),
            first: block.first,
            logbook: ids(key).0,
        })
    }
}

/// A stretch of arrivals that no block reaches beyond.
pub(super) struct Grouped {
    pub(super) end: Arrival,
    /// The first entry of the block that holds its last one, and that block's logbook.
    pub(super) first_of_last: Arrival,
    pub(super) of_last: LogbookId,
    pub(super) logbooks: BTreeSet<LogbookId>,
}

/// Returns the stretches of arrivals into which blocks fall. Other blocks beside them change nothing in a
/// stretch that they do not reach into.
pub(super) fn grouped(mut blocks: Vec<Reach>) -> Vec<Grouped> {
    blocks.sort_unstable();
    let mut stretches: Vec<Grouped> = Vec::new();
    for reach in blocks {
        let Reach {
            from,
            last,
            first,
            logbook,
        } = reach;
        match stretches.last_mut() {
            Some(stretch) if from <= stretch.end => {
                if last > stretch.end {
                    (stretch.end, stretch.first_of_last) = (last, first);
                    stretch.of_last = logbook;
                }
                stretch.logbooks.insert(logbook);
            }
            _ => stretches.push(Grouped {
                end: last,
                first_of_last: first,
                of_last: logbook,
                logbooks: BTreeSet::from([logbook]),
            }),
        }
    }
    stretches
}
