//! Entries out of columns again.

use super::memory::Memory;
use super::table::{AS_IT_IS, LAID_OUT, Left};
use super::{TOO_MUCH, VERSION, is_about_a_thing};
use crate::log::chain::{Mark, Tip};
use crate::log::codec::{self, CodecError, MAX_ENTRY_BYTES};
use crate::log::decimals::POWERS;
use crate::log::entry::{Change, Entry};
use crate::log::id::{DeviceId, FieldNumber, LogbookId, ObservationNumber, Seq, ThingId};
use crate::log::stamp::{Stamp, WallMs};
use crate::log::value::{UnitNumber, Value};
use crate::log::written::Written;

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
pub(super) struct Reader<'a> {
    version: u8,
    pub(super) left: Left<'a>,
    pub(super) ids: Vec<[u8; 16]>,
    names: Vec<&'a str>,
    memory: Memory,
}

impl<'a> Reader<'a> {
    pub(super) fn of(laid_out: &'a [u8]) -> Result<Self, CodecError> {
        Self::of_version(VERSION, laid_out)
    }

    pub(super) fn of_version(version: u8, laid_out: &'a [u8]) -> Result<Self, CodecError> {
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

    pub(super) fn raws(mut self, max_bytes: usize) -> Result<Vec<Vec<u8>>, CodecError> {
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

    pub(super) fn next_shape(&mut self) -> Option<u8> {
        self.left.shape.byte().ok()
    }

    /// Reads an entry that is laid out, makes its bytes, and remembers it.
    pub(super) fn exact(&mut self) -> Result<Written, CodecError> {
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
    pub(super) fn ids_and_names(&self) -> Result<(&'a [[u8; 16]], Vec<&'a str>), CodecError> {
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
    pub(super) fn next_amount(&mut self, has_unit: bool) -> Result<Value, CodecError> {
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

    pub(super) fn next_body(&mut self) -> Result<&'a [u8], CodecError> {
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

pub(super) const UNKNOWN_ID: CodecError =
    CodecError::Shape("it gives the number of an id that it does not hold");
pub(super) const UNKNOWN_SHAPE: CodecError =
    CodecError::Shape("an entry in it has an unknown shape");
