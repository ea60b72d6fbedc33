//! What a logbook's blocks that are packed tight come to: its registers, and its observations packed, so
//! that a logbook is told from there on however long it has become.
//!
//! Packing makes a balance, out of the one before and what is packed now. A logbook in which a
//! device's chain has branches has none, and is folded.

use core::ops::Range;
use std::collections::BTreeSet;

use redb::{ReadOnlyTable, ReadTransaction, ReadableTable, Table, TableError, WriteTransaction};

use super::Error;
use super::archive::{Archive, Shelves};
use super::block;
use super::filed::Filed;
use super::said::{Asked, Heard, Hearing, HowMuch, Span};
use super::tables::{self, BALANCES};
use crate::log::codec::CodecError;
use crate::log::columns;
use crate::log::id::{Arrival, LogbookId};
use crate::log::shapes::{Scan, number};
use crate::log::stamp::Stamp;
use crate::merge::balance::{Balance, Chain};
use crate::merge::bundle::Bundle;
use crate::merge::fold::Fold;
use crate::merge::replay::State;

/// Where the registers stand; every entry came after it.
const REGISTERS: Arrival = Arrival(0);
/// Where the balance stands that was kept of an arrival; a bundle has no so many pieces.
const CHECKPOINT: u16 = u16::MAX;
/// How many entries come, to each field that holds something, before another checkpoint is made: a field
/// takes about twenty bytes in one. Tests have short logs.
const A_FIELD: u64 = if cfg!(test) { 1 } else { 16 };
/// How many times as large a bundle may be to become one with the one after it.
const MERGED: u64 = 4;
/// What redb takes of a page for itself where one row fills it, and of a row for its check.
const TAKEN: usize = 42 + 8;
/// The smallest page, and the largest for which a bundle is cut.
const PAGES: core::ops::RangeInclusive<usize> = 4 * 1_024..=256 * 1_024;

/// What a logbook came to with one of its entries: now, or with one that is asked for.
pub(super) struct Balanced {
    title: Title,
    now: Balance,
    // One before the moment that is asked for, if going on from now does not do.
    before: Option<Balance>,
    // What lies between the two.
    gap: Vec<Part>,
    bundles: Vec<Bundle>,
}

/// One of the parts of a gap, in order.
enum Part {
    /// A stretch of arrivals in which something may count.
    Told(Arrival, Arrival),
    /// One in which nothing does; what the writers of chains had after it.
    LeftOut(Vec<Chain>),
}

impl Balanced {
    /// Counts the entries that are in the balance of now.
    pub(super) const fn entries(&self) -> u64 {
        self.title.now.entries
    }

    /// From where to go on.
    pub(super) fn base(&self) -> &Balance {
        self.before.as_ref().unwrap_or(&self.now)
    }

    /// Tells what came after the base and may count; returns how many entries came after the balance of
    /// now, of which so many are expected. None where hubs or dispatchers said something since of an entry
    /// that is in it: what they said before, it knows.
    pub(super) fn tell_since(
        &self,
        archive: &Archive<'_>,
        expected: u64,
        hearing: &mut Hearing,
    ) -> Result<Option<u64>, Error> {
        // The observations of the balance have those of the gap, too.
        hearing.observes = false;
        for part in &self.gap {
            match part {
                Part::Told(after, to) => archive.tell_blocks((*after, *to), hearing)?,
                Part::LeftOut(chains) => hearing.fold.know(chains),
            }
        }
        hearing.observes = true;
        let known = hearing.said();
        let told = archive.tell(self.title.now.up_to, expected, hearing)?;
        let is_late = hearing
            .spoken_of_since(known)
            .any(|of| self.now.includes(of));
        Ok((!is_late).then_some(told))
    }

    /// Puts the observations of the balance into a state.
    pub(super) fn put_observations(&self, asked: Asked, state: &mut State) {
        for bundle in &self.bundles {
            state.put_bundle(bundle, asked.thing, asked.until);
        }
    }
}

/// What stands at arrival zero before the registers.
#[derive(Debug, Clone)]
struct Title {
    /// The balance of now.
    now: Point,
    /// Balances of before that are kept, in order.
    checkpoints: Vec<Point>,
    bundles: Vec<Bundled>,
}

/// What is known of a bundle without reading it.
#[derive(Debug, Clone, Copy)]
struct Bundled {
    /// When what is in it began to come.
    from: Arrival,
    /// How many observations it holds,
    many: u64,
    /// in how many bytes.
    length: u64,
}

/// Up to where a balance goes.
#[derive(Debug, Clone, Copy)]
struct Point {
    /// When the last entry came that is in it.
    up_to: Arrival,
    /// How many are in it.
    entries: u64,
    /// Between which stamps those are ordered that came since the checkpoint before; but the latest is
    /// that of all.
    span: Span,
}

impl Point {
    fn put(&self, out: &mut Vec<u8>) {
        number(out, self.up_to.0);
        number(out, self.entries);
        number(out, self.span.earliest.bits());
        number(out, self.span.latest.bits());
        out.push(u8::from(self.span.has_words));
    }

    fn read(left: &mut Scan<'_>) -> Result<Self, CodecError> {
        Ok(Self {
            up_to: Arrival(left.number()?),
            entries: left.number()?,
            span: Span {
                earliest: Stamp::from_bits(left.number()?),
                latest: Stamp::from_bits(left.number()?),
                has_words: left.is_there()?,
            },
        })
    }
}

impl Title {
    /// Of no entry.
    const BEGINNING: Self = Self {
        now: Point {
            up_to: Arrival(0),
            entries: 0,
            span: Span::NONE,
        },
        checkpoints: Vec::new(),
        bundles: Vec::new(),
    };

    fn put(&self, out: &mut Vec<u8>) {
        self.now.put(out);
        number(out, self.checkpoints.len() as u64);
        self.checkpoints.iter().for_each(|point| point.put(out));
        number(out, self.bundles.len() as u64);
        for bundled in &self.bundles {
            number(out, bundled.from.0);
            number(out, bundled.many);
            number(out, bundled.length);
        }
    }

    fn read(left: &mut Scan<'_>) -> Result<Self, CodecError> {
        Ok(Self {
            now: Point::read(left)?,
            checkpoints: left.items(Point::read)?,
            bundles: left.items(|left| {
                Ok(Bundled {
                    from: Arrival(left.number()?),
                    many: left.number()?,
                    length: left.number()?,
                })
            })?,
        })
    }

    /// How many entries came since the last checkpoint.
    fn since_checkpoint(&self) -> u64 {
        let before = self.checkpoints.last().map_or(0, |point| point.entries);
        self.now.entries - before
    }

    /// Makes a checkpoint of now.
    fn check(&mut self) {
        self.checkpoints.push(self.now);
        let latest = self.now.span.latest;
        self.now.span = Span {
            latest,
            ..Span::NONE
        };
    }

    /// The checkpoint from which to go on to a moment, and those after it, with that of now; none where
    /// the balance of now does.
    fn base(&self, until: Stamp) -> Option<(Option<Point>, Vec<Point>)> {
        if self.now.span.latest <= until {
            return None;
        }
        let is_before = |point: &Point| point.span.latest <= until;
        let after = self.checkpoints.partition_point(is_before);
        let base = after.checked_sub(1).map(|at| self.checkpoints[at]);
        let points = self.checkpoints[after..].iter().chain([&self.now]);
        Some((base, points.copied().collect()))
    }
}

type Rows = &'static [u8; 26];

/// The table, where the file has it.
pub(super) struct Balances(Option<ReadOnlyTable<Rows, &'static [u8]>>);

impl Balances {
    pub(super) fn open(txn: &ReadTransaction) -> Result<Self, Error> {
        match txn.open_table(BALANCES) {
            Ok(table) => Ok(Self(Some(table))),
            // A version that kept none made the file.
            Err(TableError::TableDoesNotExist(_)) => Ok(Self(None)),
            Err(other) => Err(other.into()),
        }
    }

    /// Whether every row is one of those that [`Self::of`] reads of these logbooks.
    pub(super) fn are_all_of(&self, logbooks: &BTreeSet<LogbookId>) -> Result<bool, Error> {
        let Some(rows) = &self.0 else { return Ok(true) };
        let mut title = None;
        for row in rows.iter()? {
            let (key, row) = row?;
            let (logbook, from) = block::ids(key.value().first_chunk().expect("24 of 26 bytes"));
            if from == REGISTERS {
                title = Title::read(&mut Scan::of(row.value().get(8..).unwrap_or_default())).ok();
            }
            let is_checkpoint = key.value().ends_with(&CHECKPOINT.to_be_bytes());
            let is_named = title
                .as_ref()
                .is_some_and(|title: &Title| match is_checkpoint {
                    true => title.checkpoints.iter().any(|point| point.up_to == from),
                    false => from == REGISTERS || title.bundles.iter().any(|one| one.from == from),
                });
            if !is_named || !logbooks.contains(&logbook) {
                return Ok(false);
            }
        }
        Ok(true)
    }

    /// Reads what is kept of a logbook, to tell what it said at a moment if one is named.
    ///
    /// # Errors
    /// [`Error::DamagedIndex`] where it is not what was written.
    pub(super) fn of(
        &self,
        logbook: LogbookId,
        until: Option<Stamp>,
    ) -> Result<Option<Balanced>, Error> {
        let Some(rows) = &self.0 else { return Ok(None) };
        let Some((title, now)) = registers(rows, logbook)? else {
            return Ok(None);
        };
        let (mut before, mut gap) = (None, Vec::new());
        if let Some(until) = until
            && let Some((base, points)) = title.base(until)
        {
            before = Some(match base {
                Some(point) => checkpoint(rows, logbook, point.up_to)?,
                None => Balance::default(),
            });
            let counts = |point: &Point| point.span.earliest <= until || point.span.has_words;
            let mut from = base.map_or(Arrival(0), |base| base.up_to);
            let mut points = points.iter().peekable();
            while let Some(point) = points.next() {
                if counts(point) {
                    gap.push(Part::Told(from, point.up_to));
                } else if points.peek().is_none() {
                    gap.push(Part::LeftOut(now.chains.clone()));
                } else if points.peek().is_some_and(|next| counts(next)) {
                    let balance = checkpoint(rows, logbook, point.up_to)?;
                    gap.push(Part::LeftOut(balance.chains));
                }
                from = point.up_to;
            }
        }
        let bundles = title.bundles.iter();
        let bundles = bundles.map(|bundled| bundle(rows, logbook, *bundled));
        Ok(Some(Balanced {
            bundles: bundles.collect::<Result<_, _>>()?,
            title,
            now,
            before,
            gap,
        }))
    }

    /// Whether what is kept of a logbook is what all entries of its blocks, in order, come to.
    ///
    /// # Errors
    /// Those of [`Self::of`].
    pub(super) fn are_right(&self, logbook: LogbookId, entries: &[Filed]) -> Result<bool, Error> {
        let (Some(rows), Some(kept)) = (&self.0, self.of(logbook, None)?) else {
            return Ok(true);
        };
        let title = &kept.title;
        let within = entries.partition_point(|filed| filed.arrival <= title.now.up_to);
        let within = &entries[..within];
        let mut checkpoints = Vec::new();
        let heard = Heard::all(Asked::default(), |hearing| {
            checkpoints.clear();
            let mut points = title.checkpoints.iter().peekable();
            for filed in within {
                columns::tell(&filed.written.entry, hearing);
                if points
                    .next_if(|point| point.up_to == filed.arrival)
                    .is_some()
                {
                    checkpoints.push(hearing.fold.balance());
                }
            }
            Ok(within.len() as u64)
        })?;
        let mut same = kept.entries() == within.len() as u64 && kept.now == heard.fold.balance();
        same &= checkpoints.len() == title.checkpoints.len();
        for (point, right) in title.checkpoints.iter().zip(checkpoints) {
            same &= checkpoint(rows, logbook, point.up_to)? == right;
        }
        let mut told = State::made_of(kept.now.registers.iter().cloned(), []);
        kept.put_observations(Asked::default(), &mut told);
        Ok(same && told == heard.fold.done())
    }
}

const fn damaged() -> Error {
    Error::damaged_index("balances")
}

fn registers(
    rows: &impl ReadableTable<Rows, &'static [u8]>,
    logbook: LogbookId,
) -> Result<Option<(Title, Balance)>, Error> {
    let key = key(logbook, REGISTERS, 0);
    let Some(row) = rows.get(&key)? else {
        return Ok(None);
    };
    let mut left = Scan::of(tables::behind_check(&key, row.value(), "balances")?);
    let read = (|| {
        let read = (Title::read(&mut left)?, Balance::read(&mut left)?);
        left.finish()?;
        Ok::<_, CodecError>(read)
    })();
    read.map(Some).map_err(|_| damaged())
}

/// The balance that was kept of an arrival.
fn checkpoint(
    rows: &impl ReadableTable<Rows, &'static [u8]>,
    logbook: LogbookId,
    up_to: Arrival,
) -> Result<Balance, Error> {
    let key = key(logbook, up_to, CHECKPOINT);
    let row = rows.get(&key)?.ok_or(damaged())?;
    let mut left = Scan::of(tables::behind_check(&key, row.value(), "balances")?);
    let balance = Balance::read(&mut left).map_err(|_| damaged())?;
    left.finish().map_err(|_| damaged())?;
    Ok(balance)
}

fn bundle(
    rows: &impl ReadableTable<Rows, &'static [u8]>,
    logbook: LogbookId,
    Bundled { from, many, length }: Bundled,
) -> Result<Bundle, Error> {
    let mut bytes = Vec::new();
    let mut pieces =
        rows.range::<&[u8; 26]>(&key(logbook, from, 0)..&key(logbook, from, CHECKPOINT))?;
    // No further than that: looking whether there is more reads another page.
    while (bytes.len() as u64) < length {
        let (key, row) = pieces.next().ok_or(damaged())??;
        bytes.extend_from_slice(tables::behind_check(key.value(), row.value(), "balances")?);
    }
    let bundle = Bundle::read(bytes).map_err(|_| damaged())?;
    match bundle.len() as u64 == many {
        true => Ok(bundle),
        false => Err(damaged()),
    }
}

fn key(logbook: LogbookId, from: Arrival, piece: u16) -> [u8; 26] {
    let mut key = [0; 26];
    key[..24].copy_from_slice(&block::key(logbook, from));
    key[24..].copy_from_slice(&piece.to_be_bytes());
    key
}

/// Cuts a bundle's bytes so that redb, which gives a row of more than 4 KiB a page of twice that or four or
/// eight times, has little left over.
fn pieces(bytes: &[u8]) -> impl Iterator<Item = &[u8]> {
    let mut left = bytes;
    core::iter::from_fn(move || {
        let mut page = *PAGES.end();
        while page >= *PAGES.start() && page - TAKEN > left.len() {
            page /= 2;
        }
        let many = match page < *PAGES.start() {
            true => left.len(),
            false => page - TAKEN,
        };
        let (piece, rest) = left.split_at(many);
        left = rest;
        (!piece.is_empty()).then_some(piece)
    })
}

/// Balances under way.
pub(super) struct Balancing<'txn>(Table<'txn, Rows, &'static [u8]>);

impl<'txn> Balancing<'txn> {
    pub(super) fn begin(txn: &'txn WriteTransaction) -> Result<Self, Error> {
        Ok(Self(txn.open_table(BALANCES)?))
    }

    /// Brings a logbook's balance up to an arrival up to which all is packed tight. `before` is what the
    /// file holds before the write, which leaves the blocks as they are.
    pub(super) fn bring_up(
        &mut self,
        logbook: LogbookId,
        before: &Shelves,
        to: Arrival,
    ) -> Result<(), Error> {
        let archive = before.of(logbook);
        let kept = registers(&self.0, logbook)?;
        let mut course = Course::default();
        let since = kept.map(|(title, balance)| {
            let tell = |hearing: &mut Hearing| {
                let told = course.tell(&title, &archive, to, hearing)?;
                let mut about = hearing.spoken_of_since(HowMuch::default());
                let is_late = about.any(|of| balance.includes(of));
                Ok((!is_late).then_some(told))
            };
            let heard = Heard::since(&balance, Asked::default(), tell)?;
            Ok::<_, Error>(heard.map(|heard| (title.now.up_to, heard)))
        });
        let (after, heard) = match since.transpose()?.flatten() {
            Some(since) => since,
            // The first time, or hubs and dispatchers said something of what is in it.
            None => {
                self.forget(logbook)?;
                let (title, asked) = (Title::BEGINNING, Asked::default());
                let tell = |hearing: &mut Hearing| course.tell(&title, &archive, to, hearing);
                (title.now.up_to, Heard::all(asked, tell)?)
            }
        };
        let Some(mut title) = course.title.filter(|_| heard.told > 0) else {
            return Ok(());
        };
        for (up_to, balance) in course.checkpoints {
            let key = key(logbook, up_to, CHECKPOINT);
            let row = tables::checked_row(&key, |row| balance.put(row));
            self.0.insert(&key, row.as_slice())?;
        }
        let balance = heard.fold.balance();
        self.put_bundle(logbook, Arrival(after.0 + 1), heard.fold.done(), &mut title)?;
        let key = key(logbook, REGISTERS, 0);
        let row = tables::checked_row(&key, |row| {
            title.put(row);
            balance.put(row);
        });
        self.0.insert(&key, row.as_slice())?;
        Ok(())
    }

    /// Writes observations that came from an arrival on. Bundles before that are not much larger become
    /// one with it, so that there are few, and an observation is written again a few times only.
    fn put_bundle(
        &mut self,
        logbook: LogbookId,
        from: Arrival,
        mut state: State,
        title: &mut Title,
    ) -> Result<(), Error> {
        let mut many = state.lists().map(|(_, _, list)| list.len() as u64).sum();
        if many == 0 {
            return Ok(());
        }
        let mut from = from;
        while let Some(bundled) = title.bundles.last().copied()
            && bundled.many <= MERGED * many
        {
            let before = bundled.from;
            title.bundles.pop();
            state.put_bundle(&bundle(&self.0, logbook, bundled)?, None, None);
            self.remove(key(logbook, before, 0)..key(logbook, before, CHECKPOINT))?;
            (from, many) = (before, many + bundled.many);
        }
        let lists = state
            .lists()
            .map(|(thing, what, list)| ((thing, what), list));
        let bytes = Bundle::pack(lists);
        for (nth, piece) in (0..=u16::MAX).zip(pieces(&bytes)) {
            let key = key(logbook, from, nth);
            let row = tables::checked_row(&key, |row| row.extend_from_slice(piece));
            self.0.insert(&key, row.as_slice())?;
        }
        title.bundles.push(Bundled {
            from,
            many,
            length: bytes.len() as u64,
        });
        Ok(())
    }

    /// Forgets what a logbook came to.
    pub(super) fn forget(&mut self, logbook: LogbookId) -> Result<(), Error> {
        let last = key(logbook, Arrival(u64::MAX), CHECKPOINT);
        self.remove(key(logbook, REGISTERS, 0)..last)
    }

    fn remove(&mut self, keys: Range<[u8; 26]>) -> Result<(), Error> {
        let keys = &keys.start..&keys.end;
        Ok(self.0.retain_in::<&[u8; 26], _>(keys, |_, _| false)?)
    }
}

/// A balance on its way from one arrival to another, and the checkpoints that it leaves.
#[derive(Default)]
struct Course {
    title: Option<Title>,
    checkpoints: Vec<(Arrival, Balance)>,
}

impl Course {
    /// Tells what came after a balance, and where it leads; whatever was told before is forgotten.
    fn tell(
        &mut self,
        begun: &Title,
        archive: &Archive<'_>,
        to: Arrival,
        hearing: &mut Hearing,
    ) -> Result<u64, Error> {
        self.checkpoints.clear();
        let mut title = begun.clone();
        archive.each_block_within((begun.now.up_to, to), |block| {
            let told = block.tell(hearing)? as u64;
            let span = core::mem::replace(&mut hearing.span, Span::NONE);
            let now = &mut title.now;
            now.span = Span {
                earliest: now.span.earliest.min(span.earliest),
                latest: now.span.latest.max(span.latest),
                has_words: now.span.has_words | span.has_words,
            };
            (now.up_to, now.entries) = (block.last(), now.entries + told);
            self.check(&mut title, &hearing.fold);
            Ok(())
        })?;
        let told = title.now.entries - begun.now.entries;
        self.title = Some(title);
        Ok(told)
    }

    /// Leaves a checkpoint, if enough came since the one before.
    fn check(&mut self, title: &mut Title, fold: &Fold) {
        if title.since_checkpoint() >= A_FIELD * fold.fields().max(1) as u64 {
            self.checkpoints.push((title.now.up_to, fold.balance()));
            title.check();
        }
    }
}
