//! Many entries in few bytes: column by column, then deflated.
//!
//! Entries of one logbook repeat themselves: the same devices, people and things, places that
//! count up, stamps that lie close together. Laid out by column, with a dictionary for ids and
//! names and differences for numbers, they shrink to a fraction; unpacking gives the exact bytes
//! that each author made. An entry that does not read, or that another version wrote in its own
//! way, travels as it is.

use std::collections::BTreeMap;

use miniz_oxide::deflate::compress_to_vec;
use miniz_oxide::inflate::decompress_to_vec_with_limit;
use serde::Deserialize;

use super::chain::{Mark, Tip};
use super::codec::{self, CodecError, MAX_ENTRY_BYTES};
use super::entry::{Change, Entry};
use super::id::{DeviceId, FieldNumber, LogbookId, ObservationNumber, Seq, ThingId};
use super::shapes::{Scan, number, signed, sized};
use super::stamp::{Stamp, WallMs};
use super::value::HowKnown;

const VERSION: u8 = 1;
/// Deflate's own scale of 1 to 10: past 6 it takes much longer for little.
const EFFORT: u8 = 6;

/// Packs the bytes of entries, which may be of any logbook, in their order.
pub fn pack<R: AsRef<[u8]>>(raws: &[R]) -> Vec<u8> {
    let mut columns = Writer::default();
    for raw in raws {
        columns.entry(raw.as_ref());
    }
    let laid_out = columns.columns.laid_out();
    let mut packed = vec![VERSION];
    packed.extend(compress_to_vec(&laid_out, EFFORT));
    packed
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
    if version != VERSION {
        return Err(CodecError::Format(version));
    }
    let laid_out = decompress_to_vec_with_limit(deflated, max_bytes)
        .map_err(|_| CodecError::Shape("its columns do not unpack"))?;
    let left =
        Left::of(&laid_out).map_err(|_| CodecError::Shape("its columns are in another shape"))?;
    Reader::over(left)?.entries(max_bytes)
}

macro_rules! columns {
    ($($(#[$doc:meta])* $column:ident,)*) => {
        /// Each column as bytes; numbers are postcard's variable-length ones.
        #[derive(Debug, Default)]
        struct Columns {
            $($(#[$doc])* $column: Vec<u8>,)*
        }

        impl Columns {
            /// One column after the other, each with its length before it.
            fn laid_out(&self) -> Vec<u8> {
                let mut out = Vec::new();
                $(sized(&mut out, &self.$column);)*
                out
            }
        }

        /// What is left of each column.
        struct Left<'a> {
            $($column: &'a [u8],)*
        }

        impl<'a> Left<'a> {
            fn of(laid_out: &'a [u8]) -> Result<Self, CodecError> {
                let mut scan = Scan::of(laid_out);
                let left = Self { $($column: scan.sized()?,)* };
                scan.finish()?;
                Ok(left)
            }
        }
    };
}

columns! {
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

const AS_IT_IS: u8 = 0;
const LAID_OUT: u8 = 1;

/// What both sides remember between entries.
#[derive(Debug, Default)]
struct Memory {
    // Of each device in each logbook: its last entry's number, tip and wall time.
    last: BTreeMap<(LogbookId, DeviceId), Last>,
    wall: u64,
    offset: i16,
}

impl Memory {
    /// What the next entry of this device is expected to follow.
    fn last(&self, logbook: LogbookId, device: DeviceId) -> Last {
        let last = self.last.get(&(logbook, device)).copied();
        last.unwrap_or(Last {
            seq: 0,
            tip: Tip::NONE,
            wall: self.wall,
        })
    }

    fn remember(&mut self, entry: &Entry, raw: &[u8]) {
        let wall = entry.stamp.wall().get();
        let last = Last {
            seq: entry.seq.get(),
            tip: Tip::of(raw),
            wall,
        };
        self.last.insert((entry.logbook, entry.device), last);
        self.wall = wall;
        self.offset = entry.utc_offset_min;
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
    ids: BTreeMap<[u8; 16], u64>,
    names: BTreeMap<String, u64>,
    memory: Memory,
}

impl Writer {
    fn entry(&mut self, raw: &[u8]) {
        match codec::decode(raw) {
            Ok(entry) if codec::encode(&entry).is_ok_and(|again| again == raw) => {
                self.columns.shape.push(LAID_OUT);
                self.lay_out(&entry, raw);
            }
            _ => {
                self.columns.shape.push(AS_IT_IS);
                self.body(raw);
            }
        }
    }

    fn lay_out(&mut self, entry: &Entry, raw: &[u8]) {
        let logbook = self.id(entry.logbook.bytes());
        number(&mut self.columns.logbook, logbook);
        let device = self.id(entry.device.bytes());
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
        let by = self.name(&entry.by);
        number(&mut self.columns.by, by);
        // Zero is no visit; others are one up.
        let visit = entry.visit.map_or(0, |visit| self.id(visit.bytes()) + 1);
        number(&mut self.columns.visit, visit);
        number(&mut self.columns.gained, entry.gained.len() as u64);
        for mark in &entry.gained {
            let device = self.id(mark.device.bytes());
            number(&mut self.columns.gained, device);
            number(&mut self.columns.gained, mark.seq.get());
            self.columns.tips.extend_from_slice(&mark.tip.0);
        }
        number(&mut self.columns.changes, entry.changes.len() as u64);
        for change in &entry.changes {
            self.change(change);
        }
        self.memory.remember(entry, raw);
    }

    fn change(&mut self, change: &Change) {
        let value = match change {
            Change::Set {
                thing,
                field,
                value,
                how,
            } => {
                self.about(codec::SET, *thing, field.0, *how);
                value
            }
            Change::Observe {
                thing,
                what,
                value,
                how,
            } => {
                self.about(codec::OBSERVE, *thing, what.0, *how);
                value
            }
            other => {
                let kind = self.body_of(|body| codec::put_change(other, body));
                return self.columns.kind.push(kind);
            }
        };
        let tag = self.body_of(|body| codec::put_value(value, body));
        self.columns.tag.push(tag);
    }

    /// Writes a body and its length; returns its kind.
    fn body_of(&mut self, put: impl FnOnce(&mut Vec<u8>) -> u8) -> u8 {
        let from = self.columns.body.len();
        let kind = put(&mut self.columns.body);
        let length = self.columns.body.len() - from;
        number(&mut self.columns.length, length as u64);
        kind
    }

    fn about(&mut self, kind: u8, thing: ThingId, field: u16, how: HowKnown) {
        self.columns.kind.push(kind);
        let thing = self.id(thing.bytes());
        number(&mut self.columns.thing, thing);
        number(&mut self.columns.field, u64::from(field));
        self.columns.how.push(codec::how_code(how));
    }

    fn body(&mut self, body: &[u8]) {
        number(&mut self.columns.length, body.len() as u64);
        self.columns.body.extend_from_slice(body);
    }

    fn id(&mut self, id: &[u8; 16]) -> u64 {
        let next = self.ids.len() as u64;
        *self.ids.entry(*id).or_insert_with(|| {
            self.columns.ids.extend_from_slice(id);
            next
        })
    }

    fn name(&mut self, name: &str) -> u64 {
        if let Some(known) = self.names.get(name) {
            return *known;
        }
        let next = self.names.len() as u64;
        number(&mut self.columns.names, name.len() as u64);
        self.columns.names.extend_from_slice(name.as_bytes());
        self.names.insert(name.to_owned(), next);
        next
    }
}

/// What reads the columns, entry by entry.
struct Reader<'a> {
    left: Left<'a>,
    ids: Vec<[u8; 16]>,
    names: Vec<&'a str>,
    memory: Memory,
}

impl<'a> Reader<'a> {
    fn over(columns: Left<'a>) -> Result<Self, CodecError> {
        let (ids, []) = columns.ids.as_chunks::<16>() else {
            return Err(CodecError::Shape("an id in it is cut short"));
        };
        let (mut names, mut left) = (Vec::new(), columns.names);
        while !left.is_empty() {
            let length = take(&mut left)?;
            let name = core::str::from_utf8(bytes(&mut left, length)?);
            names.push(name.map_err(|_| CodecError::Shape("a name in it is no text"))?);
        }
        Ok(Self {
            left: columns,
            ids: ids.to_vec(),
            names,
            memory: Memory::default(),
        })
    }

    fn entries(mut self, max_bytes: usize) -> Result<Vec<Vec<u8>>, CodecError> {
        let (mut raws, mut unpacked) = (Vec::new(), 0);
        while let Some((&shape, rest)) = self.left.shape.split_first() {
            self.left.shape = rest;
            let raw = match shape {
                AS_IT_IS => self.body()?.to_vec(),
                LAID_OUT => {
                    let entry = self.laid_out()?;
                    let raw = codec::encode(&entry)?;
                    self.memory.remember(&entry, &raw);
                    raw
                }
                _ => return Err(CodecError::Shape("an entry in it has an unknown shape")),
            };
            // Names and ids are told once and used often, so the columns do not bound the entries.
            unpacked += raw.len();
            if unpacked > max_bytes {
                return Err(CodecError::Shape("it unpacks to more than a batch may"));
            }
            raws.push(raw);
        }
        Ok(raws)
    }

    fn laid_out(&mut self) -> Result<Entry, CodecError> {
        let logbook = take(&mut self.left.logbook)?;
        let logbook = LogbookId::from_bytes(self.id(logbook)?);
        let device = take(&mut self.left.device)?;
        let device = DeviceId::from_bytes(self.id(device)?);
        let last = self.memory.last(logbook, device);
        let seq = last.seq.wrapping_add(1);
        let seq = seq.wrapping_add_signed(take(&mut self.left.seq)?);
        let prev = match byte(&mut self.left.prev)? {
            0 => last.tip,
            _ => self.tip()?,
        };
        let wall = last.wall.wrapping_add_signed(take(&mut self.left.wall)?);
        let tick: u16 = take(&mut self.left.tick)?;
        let offset = self
            .memory
            .offset
            .wrapping_add(take(&mut self.left.offset)?);
        let by: usize = take(&mut self.left.by)?;
        let by = *self
            .names
            .get(by)
            .ok_or(CodecError::Shape("it names an unknown person"))?;
        let visit: u64 = take(&mut self.left.visit)?;
        let visit = visit
            .checked_sub(1)
            .map(|visit| self.id(visit))
            .transpose()?;
        let gained = self.gained()?;
        let changes: usize = take(&mut self.left.changes)?;
        let changes = (0..changes)
            .map(|_| self.change())
            .collect::<Result<_, _>>()?;
        Ok(Entry {
            logbook,
            device,
            seq: Seq::new(seq).ok_or(CodecError::Shape("an entry's place in it is zero"))?,
            prev,
            stamp: Stamp::new(WallMs::new(wall), tick),
            utc_offset_min: offset,
            by: by.to_owned(),
            visit: visit.map(ThingId::from_bytes),
            gained,
            changes,
        })
    }

    fn tip(&mut self) -> Result<Tip, CodecError> {
        let tip = bytes(&mut self.left.tips, 8)?;
        Ok(Tip(tip.try_into().expect("eight bytes were taken")))
    }

    fn gained(&mut self) -> Result<Vec<Mark>, CodecError> {
        let count: usize = take(&mut self.left.gained)?;
        (0..count)
            .map(|_| {
                let device = take(&mut self.left.gained)?;
                let device = DeviceId::from_bytes(self.id(device)?);
                let seq = Seq::new(take(&mut self.left.gained)?);
                Ok(Mark {
                    device,
                    seq: seq.ok_or(CodecError::Shape("it gained a place that is zero"))?,
                    tip: self.tip()?,
                })
            })
            .collect()
    }

    fn change(&mut self) -> Result<Change, CodecError> {
        let kind = byte(&mut self.left.kind)?;
        if !matches!(kind, codec::SET | codec::OBSERVE) {
            return codec::frame_change(kind, self.body()?);
        }
        let thing = take(&mut self.left.thing)?;
        let thing = ThingId::from_bytes(self.id(thing)?);
        let number = take(&mut self.left.field)?;
        let how = codec::code_how(byte(&mut self.left.how)?);
        let tag = byte(&mut self.left.tag)?;
        let value = codec::frame_value(tag, self.body()?)?;
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

    fn body(&mut self) -> Result<&'a [u8], CodecError> {
        let length = take(&mut self.left.length)?;
        if length > MAX_ENTRY_BYTES {
            return Err(CodecError::TooLong(length));
        }
        bytes(&mut self.left.body, length)
    }

    fn id(&self, number: u64) -> Result<[u8; 16], CodecError> {
        usize::try_from(number)
            .ok()
            .and_then(|number| self.ids.get(number))
            .copied()
            .ok_or(CodecError::Shape(
                "it gives the number of an id that it does not hold",
            ))
    }
}

fn take<'a, T: Deserialize<'a>>(column: &mut &'a [u8]) -> Result<T, CodecError> {
    let (value, rest) = postcard::take_from_bytes(column).map_err(|_| SHORT)?;
    *column = rest;
    Ok(value)
}

fn byte(column: &mut &[u8]) -> Result<u8, CodecError> {
    let (&byte, rest) = column.split_first().ok_or(SHORT)?;
    *column = rest;
    Ok(byte)
}

fn bytes<'a>(column: &mut &'a [u8], length: usize) -> Result<&'a [u8], CodecError> {
    let (bytes, rest) = column.split_at_checked(length).ok_or(SHORT)?;
    *column = rest;
    Ok(bytes)
}

const SHORT: CodecError = CodecError::Shape("one of its columns is cut short");

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
            prop_assert_eq!(unpack(&pack(&raws), MAX).unwrap(), raws);
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
