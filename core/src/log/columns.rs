//! Many entries in few bytes: column by column, then deflated.
//!
//! Entries of one logbook repeat themselves: the same devices, people and things, places that
//! count up, stamps that lie close together. Laid out by column, with a dictionary for ids and
//! names and differences for numbers, they shrink to a fraction; unpacking gives the exact bytes
//! that each author made. An entry that does not read, or that another version wrote in its own
//! way, travels as it is.

use std::collections::{BTreeMap, HashMap};

use foldhash::fast::RandomState;
use miniz_oxide::deflate::compress_to_vec;
use miniz_oxide::inflate::decompress_to_vec_with_limit;

use super::chain::{Mark, Tip};
use super::codec::{self, CodecError, MAX_ENTRY_BYTES};
use super::entry::{Change, Entry};
use super::id::{DeviceId, FieldNumber, LogbookId, ObservationNumber, Seq, ThingId};
use super::shapes::{Scan, number, signed, sized, sized_length};
use super::stamp::{Stamp, WallMs};
use super::value::{UnitNumber, Value};
use super::view::{Part, View};
use super::written::Written;

mod hear;
mod shortened;
pub(crate) use hear::{Listener, Told, hear, tell};
pub use shortened::{Found, Short, is_shortened, short, unpack_with};

/// The version that is written. Version 1 spells out every tip that a writer had gained, and every
/// amount in eight bytes.
const VERSION: u8 = 2;
/// Deflate's own scale of 1 to 10: past 6 it takes much longer for little.
const EFFORT: u8 = 6;

/// Packs the bytes of entries, which may be of any logbook, in their order.
pub fn pack<R: AsRef<[u8]>>(raws: &[R]) -> Vec<u8> {
    let mut columns = Writer::default();
    for raw in raws {
        let raw = raw.as_ref();
        match View::read(raw) {
            Ok(view) => columns.entry(&view),
            Err(_) => columns.as_it_is(raw),
        }
    }
    let mut packed = vec![VERSION];
    packed.extend(deflated(&columns.columns.laid_out()));
    packed
}

/// Lays entries out as [`LayingOut`] does.
#[cfg(test)]
pub(crate) fn lay_out(entries: &[Written]) -> Vec<u8> {
    LayingOut::default().lay_out(entries.iter().map(Written::view))
}

/// Lays entries out, one block after the other, in room that is kept from one to the next.
#[derive(Default)]
pub(crate) struct LayingOut(Writer);

impl LayingOut {
    /// Lays entries out by column and leaves it at that: three times the bytes of [`pack`], in a tenth
    /// of its time.
    pub(crate) fn lay_out<'a>(&mut self, entries: impl IntoIterator<Item = View<'a>>) -> Vec<u8> {
        self.take(entries).laid_out()
    }

    /// Lays entries out behind what is there already, with the length before it.
    pub(crate) fn put<'a>(
        &mut self,
        entries: impl IntoIterator<Item = View<'a>>,
        out: &mut Vec<u8>,
    ) {
        let columns = self.take(entries);
        let length = columns.length();
        out.reserve(sized_length(length));
        number(out, length as u64);
        columns.put(out);
    }

    fn take<'a>(&mut self, entries: impl IntoIterator<Item = View<'a>>) -> &Columns {
        self.0.clear();
        for view in entries {
            self.0.entry(&view);
        }
        &self.0.columns
    }
}

/// Reads what [`lay_out`] laid out.
///
/// # Errors
/// [`CodecError`] where the bytes are no such columns, or hold more than `max_bytes` of entries.
pub(crate) fn read(laid_out: &[u8], max_bytes: usize) -> Result<Vec<Written>, CodecError> {
    let (mut all, mut left) = (Vec::new(), max_bytes);
    let mut reader = Reader::of(laid_out)?;
    while let Some(shape) = reader.next_shape() {
        let written = match shape {
            AS_IT_IS => Written::read(reader.left.next_body()?.to_vec())?,
            LAID_OUT => reader.exact()?,
            _ => return Err(UNKNOWN_SHAPE),
        };
        left = left.checked_sub(written.raw.len()).ok_or(TOO_MUCH)?;
        all.push(written);
    }
    Ok(all)
}

const fn is_about_a_thing(kind: u8) -> bool {
    matches!(kind, codec::SET | codec::OBSERVE)
}

/// Returns the ids of devices, visits and things in columns that [`lay_out`] laid out, each with the
/// number of the entry that names it first. Reads no more columns than that takes.
///
/// # Errors
/// [`CodecError`] where the bytes are no such columns.
pub(crate) fn first_named(laid_out: &[u8]) -> Result<Vec<(usize, [u8; 16])>, CodecError> {
    let mut reader = Reader::of(laid_out)?;
    if reader.left.shape.rest().contains(&AS_IT_IS) {
        let mut named = Vec::new();
        for (nth, written) in read(laid_out, usize::MAX)?.iter().enumerate() {
            each_id(&written.view(), |id| named.push((nth, *id)));
        }
        return Ok(named);
    }
    let mut first: Vec<Option<usize>> = vec![None; reader.ids.len()];
    let mut nth = 0;
    while reader.next_shape().is_some() {
        let mut name = |number: u64| {
            let number = usize::try_from(number).ok();
            if let Some(first) = number.and_then(|number| first.get_mut(number)) {
                first.get_or_insert(nth);
            }
        };
        name(reader.left.device.number()?);
        let visit = reader.left.visit.number()?;
        visit.checked_sub(1).into_iter().for_each(&mut name);
        for _ in 0..reader.left.changes.count()? {
            if is_about_a_thing(reader.left.kind.byte()?) {
                name(reader.left.thing.number()?);
            }
        }
        nth += 1;
    }
    let named = first.into_iter().zip(reader.ids);
    Ok(named.filter_map(|(nth, id)| Some((nth?, id))).collect())
}

/// Does `with` the ids of an entry's device, visit and things.
pub(crate) fn each_id(entry: &View<'_>, mut with: impl FnMut(&[u8; 16])) {
    with(entry.device.bytes());
    entry.visit.iter().for_each(|visit| with(visit.bytes()));
    entry.things().for_each(|thing| with(thing.bytes()));
}

/// Deflates columns that were laid out.
pub(crate) fn deflated(laid_out: &[u8]) -> Vec<u8> {
    compress_to_vec(laid_out, EFFORT)
}

/// Inflates what [`deflated`] made, into at most `max_bytes`.
///
/// # Errors
/// [`CodecError`] where the bytes are nothing of that kind.
pub(crate) fn inflated(deflated: &[u8], max_bytes: usize) -> Result<Vec<u8>, CodecError> {
    decompress_to_vec_with_limit(deflated, max_bytes)
        .map_err(|_| CodecError::Shape("its columns do not unpack"))
}

/// Unpacks what [`pack`] packed, into at most `max_bytes`, so that a small batch cannot fill a
/// phone's memory.
///
/// # Errors
/// [`CodecError`] where the bytes are no such batch, or unpack to more than that.
pub fn unpack(packed: &[u8], max_bytes: usize) -> Result<Vec<Vec<u8>>, CodecError> {
    let (&version, deflated) = packed
        .split_first()
        .ok_or(CodecError::Shape("it is empty"))?;
    if !(1..=VERSION).contains(&version) {
        return Err(CodecError::Format(version));
    }
    let laid_out = inflated(deflated, max_bytes)?;
    Reader::of_version(version, &laid_out)?.raws(max_bytes)
}

macro_rules! columns {
    (1: { $($(#[$doc:meta])* $column:ident,)* } 2: { $($(#[$doc_2:meta])* $column_2:ident,)* }) => {
        /// Each column as bytes; numbers are postcard's variable-length ones.
        #[derive(Debug, Default)]
        struct Columns {
            $($(#[$doc])* $column: Vec<u8>,)*
            $($(#[$doc_2])* $column_2: Vec<u8>,)*
        }

        impl Columns {
            /// Holds nothing again; the room stays.
            fn clear(&mut self) {
                $(self.$column.clear();)*
                $(self.$column_2.clear();)*
            }

            /// One column after the other, each with its length before it.
            fn laid_out(&self) -> Vec<u8> {
                let mut out = Vec::with_capacity(self.length());
                self.put(&mut out);
                out
            }

            fn put(&self, out: &mut Vec<u8>) {
                $(sized(out, &self.$column);)*
                $(sized(out, &self.$column_2);)*
            }

            /// How many bytes they come to when they are laid out.
            fn length(&self) -> usize {
                0 $(+ sized_length(self.$column.len()))* $(+ sized_length(self.$column_2.len()))*
            }
        }

        /// What is left of each column.
        struct Left<'a> {
            $($column: Scan<'a>,)*
            $($column_2: Scan<'a>,)*
        }

        impl<'a> Left<'a> {
            fn of(version: u8, laid_out: &'a [u8]) -> Result<Self, CodecError> {
                Self::split(version, laid_out)
                    .map_err(|_| CodecError::Shape("its columns are in another shape"))
            }

            fn split(version: u8, laid_out: &'a [u8]) -> Result<Self, CodecError> {
                let mut scan = Scan::of(laid_out);
                let left = Self {
                    $($column: Scan::of(scan.sized()?),)*
                    $($column_2: Scan::of(if version > 1 { scan.sized()? } else { &[] }),)*
                };
                scan.finish()?;
                Ok(left)
            }
        }
    };
}

columns! {
    1: {
        /// For each entry, whether it is laid out or travels as it is.
        shape,
        /// Ids and names, each at its first use; the other columns give their numbers.
        ids,
        names,
        logbook,
        device,
        by,
        visit,
        thing,
        /// Differences from what the same device's entry before would lead one to expect.
        seq,
        /// Whether the tip of the entry before is spelled out: not where that is the device's last one
        /// in the batch.
        prev,
        tips,
        wall,
        tick,
        offset,
        gained,
        /// How many changes, then each change's parts.
        changes,
        kind,
        field,
        how,
        tag,
        length,
        body,
    }
    2: {
        /// Whether the tip of an entry that was gained is spelled out: not where that entry is in the
        /// batch.
        known,
        /// For each number with or without a unit, how many decimals it has, and one more; zero where
        /// it is in eight bytes among the bodies.
        decimals,
        /// The number without its decimal point.
        amount,
        unit,
        /// For each id that is shortened: its number among the ids, that of the logbook in which the
        /// listener knows it, and what is told of it.
        short,
    }
}

const AS_IT_IS: u8 = 0;
const LAID_OUT: u8 = 1;

/// What both sides remember between entries.
#[derive(Debug, Default)]
struct Memory {
    // What each device wrote in each logbook in this batch, by when it began, and where that stands.
    runs: Vec<((LogbookId, DeviceId), Run)>,
    by_writer: BTreeMap<(LogbookId, DeviceId), usize>,
    // Where that of the last entry stands: most entries come after one of the same device.
    latest: usize,
    wall: u64,
    offset: i16,
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
    fn clear(&mut self) {
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
    fn last(&self, logbook: LogbookId, device: DeviceId) -> Last {
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
    fn tip(&self, logbook: LogbookId, device: DeviceId, seq: Seq) -> Option<Tip> {
        let run = &self.runs[self.run(logbook, device)?].1;
        let nth = usize::try_from(seq.get().checked_sub(run.first)?).ok()?;
        run.tips.get(nth).copied()
    }

    fn remember(&mut self, entry: &Entry, tip: Tip) {
        let told = (entry.seq, entry.stamp, entry.utc_offset_min);
        self.goes_on((entry.logbook, entry.device), told, tip);
    }

    fn goes_on(
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

#[derive(Debug, Clone, Copy)]
struct Last {
    seq: u64,
    tip: Tip,
    wall: u64,
}

#[derive(Default)]
struct Writer {
    columns: Columns,
    ids: HashMap<u128, u64, RandomState>,
    names: HashMap<String, u64>,
    // The last entry's, which are mostly the next one's, too: name, logbook, device and visit.
    last_name: (String, u64),
    last_ids: [Option<(u128, u64)>; 3],
    memory: Memory,
}

impl Writer {
    fn clear(&mut self) {
        self.columns.clear();
        self.ids.clear();
        self.names.clear();
        self.last_ids = [None; 3];
        self.memory.clear();
    }

    fn entry(&mut self, entry: &View<'_>) {
        if entry.is_plain {
            self.columns.shape.push(LAID_OUT);
            self.lay_out(entry);
            let told = (entry.seq, entry.stamp, entry.utc_offset_min);
            let writer = (entry.logbook, entry.device);
            self.memory.goes_on(writer, told, entry.tip);
        } else {
            self.as_it_is(entry.raw);
        }
    }

    fn as_it_is(&mut self, raw: &[u8]) {
        self.columns.shape.push(AS_IT_IS);
        self.body(raw);
    }

    fn lay_out(&mut self, entry: &View<'_>) {
        let book = entry.logbook.bytes();
        let logbook = self.again(0, book, |writer| writer.id(book));
        number(&mut self.columns.logbook, logbook);
        let device = entry.device.bytes();
        let device = self.again(1, device, |writer| writer.id(device));
        number(&mut self.columns.device, device);
        let last = self.memory.last(entry.logbook, entry.device);
        // One bit says whether the tip follows, since most entries come after the one before them.
        let follows = entry.prev == last.tip;
        let step = entry.seq.get().wrapping_sub(last.seq).wrapping_sub(1) as i64;
        signed(&mut self.columns.seq, step);
        self.columns.prev.push(u8::from(!follows));
        if !follows {
            self.columns.tips.extend_from_slice(&entry.prev.0);
        }
        signed(
            &mut self.columns.wall,
            entry.stamp.wall().get().wrapping_sub(last.wall) as i64,
        );
        number(&mut self.columns.tick, u64::from(entry.stamp.tick()));
        let offset = entry.utc_offset_min.wrapping_sub(self.memory.offset);
        signed(&mut self.columns.offset, i64::from(offset));
        let by = self.name(entry.by);
        number(&mut self.columns.by, by);
        // Zero is no visit; others are one up.
        let visit = entry.visit;
        let visit = visit.map_or(0, |visit| {
            let visit = visit.bytes();
            1 + self.again(2, visit, |writer| writer.id(visit))
        });
        number(&mut self.columns.visit, visit);
        number(&mut self.columns.gained, entry.count_gained() as u64);
        for mark in entry.gained() {
            let device = self.id(mark.device.bytes());
            number(&mut self.columns.gained, device);
            number(&mut self.columns.gained, mark.seq.get());
            let known = self.memory.tip(entry.logbook, mark.device, mark.seq) == Some(mark.tip);
            self.columns.known.push(u8::from(!known));
            if !known {
                self.columns.tips.extend_from_slice(&mark.tip.0);
            }
        }
        number(&mut self.columns.changes, entry.count_changes() as u64);
        for change in entry.changes() {
            self.change(change);
        }
    }

    fn change(&mut self, change: Part<'_>) {
        self.columns.kind.push(change.kind);
        let Some(about) = change.about() else {
            return self.body(change.body);
        };
        let thing = self.id(about.thing.bytes());
        number(&mut self.columns.thing, thing);
        number(&mut self.columns.field, u64::from(about.number));
        self.columns.how.push(about.how);
        self.columns.tag.push(about.tag);
        match (codec::is_amount(about.tag), about.value.split_first_chunk()) {
            (Some(_), Some((amount, unit))) => {
                self.amount(f64::from_le_bytes(*amount));
                // As it stands in the entry; a number without one has none.
                self.columns.unit.extend_from_slice(unit);
            }
            _ => self.body(about.value),
        }
    }

    fn amount(&mut self, amount: f64) {
        match decimals(amount) {
            Some((decimals, digits)) => {
                self.columns.decimals.push(decimals + 1);
                signed(&mut self.columns.amount, digits);
            }
            None => {
                self.columns.decimals.push(0);
                self.columns.body.extend_from_slice(&amount.to_le_bytes());
            }
        }
    }

    fn body(&mut self, body: &[u8]) {
        number(&mut self.columns.length, body.len() as u64);
        self.columns.body.extend_from_slice(body);
    }

    /// The number of the last entry's logbook, device or visit, if it is this; else what `find` finds.
    #[inline]
    fn again(&mut self, which: usize, id: &[u8; 16], find: impl FnOnce(&mut Self) -> u64) -> u64 {
        let id = u128::from_le_bytes(*id);
        match self.last_ids[which] {
            Some((last, number)) if last == id => number,
            _ => {
                let number = find(self);
                self.last_ids[which] = Some((id, number));
                number
            }
        }
    }

    fn id(&mut self, id: &[u8; 16]) -> u64 {
        let next = self.ids.len() as u64;
        let number = *self.ids.entry(u128::from_le_bytes(*id)).or_insert(next);
        if number == next {
            self.columns.ids.extend_from_slice(id);
        }
        number
    }

    fn name(&mut self, name: &str) -> u64 {
        if !self.names.is_empty() && self.last_name.0 == name {
            return self.last_name.1;
        }
        let next = self.names.len() as u64;
        let nth = match self.names.get(name) {
            Some(known) => *known,
            None => {
                sized(&mut self.columns.names, name.as_bytes());
                self.names.insert(name.to_owned(), next);
                next
            }
        };
        self.last_name.0.clear();
        self.last_name.0.push_str(name);
        self.last_name.1 = nth;
        nth
    }
}

/// What stands in an entry before its changes.
#[derive(Debug)]
struct Head<'a> {
    logbook: LogbookId,
    device: DeviceId,
    seq: Seq,
    prev: Tip,
    stamp: Stamp,
    utc_offset_min: i16,
    by: &'a str,
    visit: Option<ThingId>,
    gained: Vec<Mark>,
}

/// What reads the columns, entry by entry.
struct Reader<'a> {
    version: u8,
    left: Left<'a>,
    ids: Vec<[u8; 16]>,
    names: Vec<&'a str>,
    memory: Memory,
}

impl<'a> Reader<'a> {
    fn of(laid_out: &'a [u8]) -> Result<Self, CodecError> {
        Self::of_version(VERSION, laid_out)
    }

    fn of_version(version: u8, laid_out: &'a [u8]) -> Result<Self, CodecError> {
        let left = Left::of(version, laid_out)?;
        let (ids, names) = left.ids_and_names()?;
        Ok(Self {
            version,
            left,
            ids: ids.to_vec(),
            names,
            memory: Memory::default(),
        })
    }

    fn raws(mut self, max_bytes: usize) -> Result<Vec<Vec<u8>>, CodecError> {
        let (mut raws, mut left) = (Vec::new(), max_bytes);
        while let Some(shape) = self.next_shape() {
            let raw = match shape {
                AS_IT_IS => self.left.next_body()?.to_vec(),
                LAID_OUT => self.exact()?.raw,
                _ => return Err(UNKNOWN_SHAPE),
            };
            // Names and ids are told once and used often, so the columns do not bound the entries.
            left = left.checked_sub(raw.len()).ok_or(TOO_MUCH)?;
            raws.push(raw);
        }
        Ok(raws)
    }

    fn next_shape(&mut self) -> Option<u8> {
        self.left.shape.byte().ok()
    }

    /// Reads an entry that is laid out, makes its bytes, and remembers it.
    fn exact(&mut self) -> Result<Written, CodecError> {
        let head = self.head()?;
        let changes = self.left.changes.count()?;
        let changes = (0..changes)
            .map(|_| self.change())
            .collect::<Result<_, _>>()?;
        let entry = Entry {
            logbook: head.logbook,
            device: head.device,
            seq: head.seq,
            prev: head.prev,
            stamp: head.stamp,
            utc_offset_min: head.utc_offset_min,
            by: head.by.to_owned(),
            visit: head.visit,
            gained: head.gained,
            changes,
        };
        let written = Written::make(entry)?;
        self.memory.remember(&written.entry, written.tip);
        Ok(written)
    }

    fn head(&mut self) -> Result<Head<'a>, CodecError> {
        let left = &mut self.left;
        let logbook = id(&self.ids, left.logbook.number()?)?;
        let logbook = LogbookId::from_bytes(logbook);
        let device = DeviceId::from_bytes(id(&self.ids, left.device.number()?)?);
        let last = self.memory.last(logbook, device);
        let seq = last.seq.wrapping_add(1);
        let seq = seq.wrapping_add_signed(left.seq.signed()?);
        let prev = match left.prev.byte()? {
            0 => last.tip,
            _ => Tip(left.tips.array()?),
        };
        let wall = last.wall.wrapping_add_signed(left.wall.signed()?);
        let tick = left.tick.number_u16()?;
        let offset = self.memory.offset;
        let offset = offset.wrapping_add(left.offset.signed_i16()?);
        let by = self.names.get(left.by.count()?);
        let by = by.ok_or(CodecError::Shape("it names an unknown person"))?;
        let visit = left.visit.number()?.checked_sub(1);
        let visit = visit.map(|visit| id(&self.ids, visit)).transpose()?;
        Ok(Head {
            logbook,
            device,
            seq: Seq::new(seq).ok_or(CodecError::Shape("an entry's place in it is zero"))?,
            prev,
            stamp: Stamp::new(WallMs::new(wall), tick),
            utc_offset_min: offset,
            by,
            visit: visit.map(ThingId::from_bytes),
            gained: self.gained(logbook)?,
        })
    }

    fn gained(&mut self, logbook: LogbookId) -> Result<Vec<Mark>, CodecError> {
        let left = &mut self.left;
        let count = left.gained.count()?;
        let marks = (0..count).map(|_| {
            let device = DeviceId::from_bytes(id(&self.ids, left.gained.number()?)?);
            let seq = Seq::new(left.gained.number()?);
            let seq = seq.ok_or(CodecError::Shape("it gained a place that is zero"))?;
            let spelled_out = self.version == 1 || left.known.byte()? != 0;
            let tip = if spelled_out {
                Tip(left.tips.array()?)
            } else {
                let known = self.memory.tip(logbook, device, seq);
                known.ok_or(CodecError::Shape("it names an entry that is not in it"))?
            };
            Ok(Mark { device, seq, tip })
        });
        marks.collect()
    }

    fn change(&mut self) -> Result<Change, CodecError> {
        let left = &mut self.left;
        let kind = left.kind.byte()?;
        if !is_about_a_thing(kind) {
            return codec::frame_change(kind, left.next_body()?);
        }
        let thing = ThingId::from_bytes(id(&self.ids, left.thing.number()?)?);
        let number = left.field.number_u16()?;
        let how = codec::code_how(left.how.byte()?);
        let tag = left.tag.byte()?;
        let value = match codec::is_amount(tag) {
            Some(has_unit) if self.version > 1 => left.next_amount(has_unit)?,
            _ => codec::frame_value(tag, left.next_body()?)?,
        };
        Ok(if kind == codec::SET {
            Change::Set {
                thing,
                field: FieldNumber(number),
                value,
                how,
            }
        } else {
            Change::Observe {
                thing,
                what: ObservationNumber(number),
                value,
                how,
            }
        })
    }
}

impl<'a> Left<'a> {
    /// The ids and the names that the other columns give by their numbers.
    fn ids_and_names(&self) -> Result<(&'a [[u8; 16]], Vec<&'a str>), CodecError> {
        let (ids, []) = self.ids.rest().as_chunks::<16>() else {
            return Err(CodecError::Shape("an id in it is cut short"));
        };
        let (mut names, mut left) = (Vec::new(), self.names);
        while !left.is_empty() {
            let name = left.text();
            names.push(name.map_err(|_| CodecError::Shape("a name in it is no text"))?);
        }
        Ok((ids, names))
    }

    #[inline]
    fn next_amount(&mut self, has_unit: bool) -> Result<Value, CodecError> {
        let amount = match self.decimals.byte()? {
            0 => f64::from_le_bytes(self.body.array()?),
            more @ 1..=4 => self.amount.signed()? as f64 / POWERS[usize::from(more - 1)],
            _ => return Err(CodecError::Shape("a number in it has too many decimals")),
        };
        if !has_unit {
            return Ok(Value::Number(amount));
        }
        let unit = UnitNumber(self.unit.number_u16()?);
        Ok(Value::Quantity { amount, unit })
    }

    fn next_body(&mut self) -> Result<&'a [u8], CodecError> {
        let length = self.length.count()?;
        if length > MAX_ENTRY_BYTES {
            return Err(CodecError::TooLong(length));
        }
        self.body.bytes(length)
    }
}

fn id(ids: &[[u8; 16]], number: u64) -> Result<[u8; 16], CodecError> {
    let number = usize::try_from(number).ok();
    let id = number.and_then(|number| ids.get(number)).copied();
    id.ok_or(UNKNOWN_ID)
}

pub(super) const POWERS: [f64; 4] = [1.0, 10.0, 100.0, 1_000.0];

/// How many decimals a number has, and all its digits, if that gives the very same number again.
pub(super) fn decimals(amount: f64) -> Option<(u8, i64)> {
    let mut all = (0..).zip(POWERS);
    all.find_map(|(decimals, power)| Some((decimals, digits(amount, power)?)))
}

/// All digits of a number with so many decimals as this power of ten has, if that gives the very same
/// number again.
pub(super) fn digits(amount: f64, power: f64) -> Option<i64> {
    let digits = (amount * power).round();
    let whole = digits as i64; // which knows no negative zero
    let fits = digits.abs() < 9.0e15 && (whole as f64 / power).to_bits() == amount.to_bits();
    fits.then_some(whole)
}

const UNKNOWN_ID: CodecError =
    CodecError::Shape("it gives the number of an id that it does not hold");
const UNKNOWN_SHAPE: CodecError = CodecError::Shape("an entry in it has an unknown shape");
pub(super) const TOO_MUCH: CodecError = CodecError::Shape("it unpacks to more than a batch may");

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::codec::tests::entry;
    use super::*;

    const MAX: usize = 4 * 1024 * 1024;

    proptest! {
        #[test]
        fn unpacking_gives_the_exact_bytes(entries in prop::collection::vec(entry(), 0..12)) {
            let raws: Vec<_> = entries.iter().map(|entry| codec::encode(entry).unwrap()).collect();
            prop_assert_eq!(&unpack(&pack(&raws), MAX).unwrap(), &raws);
            let written: Vec<_> =
                raws.iter().map(|raw| Written::read(raw.clone()).unwrap()).collect();
            let laid_out = lay_out(&written);
            prop_assert_eq!(&read(&laid_out, MAX).unwrap(), &written);
            let mut named = BTreeMap::new();
            for (nth, one) in written.iter().enumerate() {
                each_id(&one.view(), |id| {
                    named.entry(*id).or_insert(nth);
                });
            }
            let mut told: BTreeMap<[u8; 16], usize> = BTreeMap::new();
            for (nth, id) in first_named(&laid_out).unwrap() {
                told.entry(id).or_insert(nth);
            }
            prop_assert_eq!(told, named);
        }

        #[test]
        fn what_is_no_entry_travels_as_it_is(raws in prop::collection::vec(any::<Vec<u8>>(), 0..6)) {
            prop_assert_eq!(unpack(&pack(&raws), MAX).unwrap(), raws);
        }

        #[test]
        fn no_bytes_make_the_unpacker_panic(bytes in any::<Vec<u8>>(), effort in 0_u8..3) {
            let mut batch = vec![VERSION];
            batch.extend(compress_to_vec(&bytes, effort));
            let _unread = unpack(&batch, MAX).is_ok();
            let _unread = unpack(&bytes, MAX).is_ok();
        }

        #[test]
        fn a_batch_with_one_byte_changed_never_makes_the_unpacker_panic(
            entries in prop::collection::vec(entry(), 1..6),
            at in any::<prop::sample::Index>(),
            to in any::<u8>(),
        ) {
            let raws: Vec<_> = entries.iter().map(|entry| codec::encode(entry).unwrap()).collect();
            let mut laid_out =
                decompress_to_vec_with_limit(&pack(&raws)[1..], MAX).unwrap();
            let at = at.index(laid_out.len());
            laid_out[at] = to;
            let mut batch = vec![VERSION];
            batch.extend(compress_to_vec(&laid_out, 1));
            let _unread = unpack(&batch, MAX).is_ok();
        }
    }

    #[test]
    fn every_zero_and_every_strange_number_comes_back_as_it_was() {
        let strange = [f64::MIN_POSITIVE, f64::INFINITY, f64::NAN, f64::MAX];
        for number in [0.0, -0.0, 0.1, -0.001, 1e15, 9e15]
            .into_iter()
            .chain(strange)
        {
            if let Some((decimals, digits)) = decimals(number) {
                let again = digits as f64 / POWERS[usize::from(decimals)];
                assert_eq!(again.to_bits(), number.to_bits(), "{number}");
            }
        }
        assert_eq!((decimals(0.0), decimals(-0.0)), (Some((0, 0)), None));
    }

    #[test]
    fn a_small_batch_that_unpacks_to_a_large_one_is_refused() {
        let columns = Columns {
            body: vec![0; MAX + 1],
            ..Columns::default()
        };
        let mut batch = vec![VERSION];
        batch.extend(compress_to_vec(&columns.laid_out(), 1));
        assert!(batch.len() < MAX / 100);
        assert!(unpack(&batch, MAX).is_err());
    }
}
