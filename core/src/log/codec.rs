//! Bytes of an entry: a version byte, a header in postcard, then changes in frames.
//!
//! Each change and each value carries its kind and its length, so that a version which does not
//! know the kind can skip it, keep its exact bytes and pass them on. The header never grows:
//! whatever is new comes as a new kind of change. An entry is stored, hashed and forwarded as the
//! bytes its author made, so nothing here ever needs to write an entry twice.

use std::collections::BTreeMap;

use serde::Deserialize;

use super::chain::{Mark, Tip};
use super::entry::{Change, Entry};
use super::id::{DeviceId, FieldNumber, LogbookId, ObservationNumber, Seq, ThingId};
use super::shapes::{Scan, framed, number, signed, sized};
use super::stamp::Stamp;
use super::value::{Absence, HowKnown, UnitNumber, Value};

/// The version of the bytes that this code writes.
pub const FORMAT: u8 = 1;
/// The longest entry.
pub const MAX_ENTRY_BYTES: usize = 64 * 1024;
/// The longest name of a person.
pub const MAX_BY_BYTES: usize = 64;
/// How deep lists and records may nest.
const MAX_DEPTH: usize = 8;

/// Bytes that are not an entry, or an entry that cannot be bytes.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum CodecError {
    /// A version from the future, or no entry at all.
    #[error("the entry has format {0}, and this version reads format {FORMAT}: update this device")]
    Format(u8),
    /// Cut short, or not in the shape of an entry.
    #[error("the bytes are not an entry: {0}")]
    Shape(&'static str),
    /// Larger than an entry may be.
    #[error("the entry has {0} bytes, and {MAX_ENTRY_BYTES} is the most: record it in parts")]
    TooLong(usize),
    /// A name longer than a name may be.
    #[error("the person's name has {0} bytes, and {MAX_BY_BYTES} is the most: use a shorter one")]
    NameTooLong(usize),
    /// One entry sets one field twice.
    #[error("the entry sets one field of one thing twice: say it once")]
    SetTwice,
}

/// A kind and the bytes that follow it, in postcard's shape.
#[derive(Deserialize)]
struct Frame<'a> {
    kind: u8,
    #[serde(borrow)]
    body: &'a [u8],
}

/// Returns the bytes of an entry.
///
/// # Errors
/// [`CodecError`] where the entry is too long, names too long a person, or sets a field twice.
pub fn encode(entry: &Entry) -> Result<Vec<u8>, CodecError> {
    let mut bytes = Vec::with_capacity(128);
    encode_into(entry, &mut bytes)?;
    Ok(bytes)
}

/// Writes what [`encode`] returns behind nothing else.
pub(super) fn encode_into(entry: &Entry, bytes: &mut Vec<u8>) -> Result<(), CodecError> {
    if entry.by.len() > MAX_BY_BYTES {
        return Err(CodecError::NameTooLong(entry.by.len()));
    }
    refuse_double_sets(&entry.changes)?;
    bytes.push(FORMAT);
    bytes.extend_from_slice(entry.logbook.bytes());
    bytes.extend_from_slice(entry.device.bytes());
    number(bytes, entry.seq.get());
    bytes.extend_from_slice(&entry.prev.0);
    number(bytes, entry.stamp.bits());
    signed(bytes, i64::from(entry.utc_offset_min));
    sized(bytes, entry.by.as_bytes());
    match entry.visit {
        None => bytes.push(0),
        Some(visit) => {
            bytes.push(1);
            bytes.extend_from_slice(visit.bytes());
        }
    }
    number(bytes, entry.gained.len() as u64);
    for mark in &entry.gained {
        put_mark(mark, bytes);
    }
    if entry.changes.iter().any(is_known_after_all) {
        return Err(CodecError::Shape(
            "what is told as unknown bears a known kind",
        ));
    }
    number(bytes, entry.changes.len() as u64);
    for change in &entry.changes {
        framed(bytes, |bytes| put_change(change, bytes));
    }
    if bytes.len() > MAX_ENTRY_BYTES {
        return Err(CodecError::TooLong(bytes.len()));
    }
    Ok(())
}

/// Returns the entry that these bytes are.
///
/// # Errors
/// [`CodecError`] where they are too many, of another format, cut short or followed by more.
pub fn decode(bytes: &[u8]) -> Result<Entry, CodecError> {
    if bytes.len() > MAX_ENTRY_BYTES {
        return Err(CodecError::TooLong(bytes.len()));
    }
    let (&format, rest) = bytes
        .split_first()
        .ok_or(CodecError::Shape("it is empty"))?;
    if format != FORMAT {
        return Err(CodecError::Format(format));
    }
    let mut left = Scan::of(rest);
    let logbook = LogbookId::from_bytes(left.array()?);
    let device = DeviceId::from_bytes(left.array()?);
    let seq = left.number()?;
    let prev = Tip(left.array()?);
    let stamp = Stamp::from_bits(left.number()?);
    let utc_offset_min = left.signed_i16()?;
    let by = left.text()?;
    let visit = if left.is_there()? {
        Some(ThingId::from_bytes(left.array()?))
    } else {
        None
    };
    let gained = left.items(scan_mark)?;
    let changes = left.items(|left| frame_change(left.byte()?, left.sized()?))?;
    left.finish()?;
    if by.len() > MAX_BY_BYTES {
        return Err(CodecError::NameTooLong(by.len()));
    }
    refuse_double_sets(&changes)?;
    Ok(Entry {
        logbook,
        device,
        seq: Seq::new(seq).ok_or(CodecError::Shape("its place is zero"))?,
        prev,
        stamp,
        utc_offset_min,
        by: by.to_owned(),
        visit,
        gained,
        changes,
    })
}

/// Returns whose an entry is without reading the rest of it: its logbook and its device.
///
/// # Errors
/// [`CodecError`] where the bytes are too few, or of another format.
#[inline]
pub fn peek(bytes: &[u8]) -> Result<(LogbookId, DeviceId), CodecError> {
    let (&format, rest) = bytes
        .split_first()
        .ok_or(CodecError::Shape("it is empty"))?;
    if format != FORMAT {
        return Err(CodecError::Format(format));
    }
    // Arrays of fixed length stand in postcard as they are, so these two are the header's start.
    let ids = rest.split_first_chunk::<16>().and_then(|(logbook, rest)| {
        let (device, _) = rest.split_first_chunk::<16>()?;
        Some((
            LogbookId::from_bytes(*logbook),
            DeviceId::from_bytes(*device),
        ))
    });
    ids.ok_or(CodecError::Shape("it is cut short"))
}

/// Returns by which mark an entry is known, without reading its changes.
///
/// # Errors
/// [`CodecError`] where the bytes are too few, or of another format.
pub fn mark(bytes: &[u8]) -> Result<Mark, CodecError> {
    let (_, device, seq) = place(bytes)?;
    let tip = Tip::of(bytes);
    Ok(Mark { device, seq, tip })
}

/// Returns an entry's logbook, its device and its number, without reading the rest of it.
///
/// # Errors
/// [`CodecError`] where the bytes are too few, or of another format.
#[inline]
pub(crate) fn place(bytes: &[u8]) -> Result<(LogbookId, DeviceId, Seq), CodecError> {
    let (logbook, device) = peek(bytes)?;
    let short = CodecError::Shape("it is cut short");
    let rest = bytes.get(1 + 16 + 16..).ok_or(short.clone())?;
    let seq = Scan::of(rest).number().map_err(|_| short)?;
    let seq = Seq::new(seq).ok_or(CodecError::Shape("its place is zero"))?;
    Ok((logbook, device, seq))
}

/// Returns the bytes of one value, as they stand within an entry.
pub fn encode_value(value: &Value) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(16);
    put_framed(value, &mut bytes);
    bytes
}

/// Writes what [`encode_value`] returns.
pub(crate) fn put_framed(value: &Value, out: &mut Vec<u8>) {
    framed(out, |out| put_value(value, out));
}

/// Returns the value that these bytes are.
///
/// # Errors
/// [`CodecError::Shape`] where they are no value.
pub fn decode_value(bytes: &[u8]) -> Result<Value, CodecError> {
    let frame: Frame<'_> = whole(bytes)?;
    frame_value(frame.kind, frame.body)
}

/// Whether a change or its value says of itself that its kind is unknown, and it is not: its bytes would
/// be read as something else.
fn is_known_after_all(change: &Change) -> bool {
    match change {
        Change::Set { value, .. } | Change::Observe { value, .. } => {
            matches!(value, Value::Unknown { tag, .. } if (BOOL..=RECORD).contains(tag))
        }
        Change::Unknown { kind, .. } => (SET..=ADMIT).contains(kind),
        Change::Receipt { .. } | Change::HoldBack { .. } | Change::Admit { .. } => false,
    }
}

fn refuse_double_sets(changes: &[Change]) -> Result<(), CodecError> {
    if changes.len() < 2 {
        return Ok(());
    }
    let mut fields: Vec<_> = changes
        .iter()
        .filter_map(|change| match change {
            Change::Set { thing, field, .. } => Some((*thing, *field)),
            _ => None,
        })
        .collect();
    each_once(&mut fields)
}

/// Sees to it that an entry sets each of these fields once.
///
/// # Errors
/// [`CodecError::SetTwice`].
pub(super) fn each_once<F: Ord>(fields: &mut [F]) -> Result<(), CodecError> {
    fields.sort_unstable();
    match fields.windows(2).any(|pair| pair[0] == pair[1]) {
        true => Err(CodecError::SetTwice),
        false => Ok(()),
    }
}

/// The kind of a set field.
pub(super) const SET: u8 = 1;
/// The kind of an observation.
pub(super) const OBSERVE: u8 = 2;
/// The kind of a receipt.
pub(super) const RECEIPT: u8 = 3;
/// The kind of the word that an entry does not count.
pub(super) const HOLD_BACK: u8 = 4;
/// The kind of the word that it counts after all.
pub(super) const ADMIT: u8 = 5;

pub(super) fn put_mark(mark: &Mark, out: &mut Vec<u8>) {
    out.extend_from_slice(mark.device.bytes());
    number(out, mark.seq.get());
    out.extend_from_slice(&mark.tip.0);
}

pub(super) fn scan_mark(left: &mut Scan<'_>) -> Result<Mark, CodecError> {
    let (device, seq, tip) = (left.array()?, left.number()?, left.array()?);
    Ok(Mark {
        device: DeviceId::from_bytes(device),
        seq: Seq::new(seq).ok_or(CodecError::Shape("it names an entry by the number zero"))?,
        tip: Tip(tip),
    })
}

/// Writes a change's bytes; returns its kind.
pub(super) fn put_change(change: &Change, out: &mut Vec<u8>) -> u8 {
    match change {
        Change::Set {
            thing,
            field,
            value,
            how,
        } => {
            put_about((*thing, field.0, *how), value, out);
            SET
        }
        Change::Observe {
            thing,
            what,
            value,
            how,
        } => {
            put_about((*thing, what.0, *how), value, out);
            OBSERVE
        }
        Change::Receipt { of, stamp } => {
            put_mark(of, out);
            number(out, stamp.bits());
            RECEIPT
        }
        Change::HoldBack { of } => {
            put_mark(of, out);
            HOLD_BACK
        }
        Change::Admit { of } => {
            put_mark(of, out);
            ADMIT
        }
        Change::Unknown { kind, body } => {
            out.extend_from_slice(body);
            *kind
        }
    }
}

/// Writes what a set field and an observation share: thing, number, how known, value.
fn put_about(about: (ThingId, u16, HowKnown), value: &Value, out: &mut Vec<u8>) {
    let (thing, field, how) = about;
    out.extend_from_slice(thing.bytes());
    number(out, u64::from(field));
    out.push(how_code(how));
    framed(out, |out| put_value(value, out));
}

/// Reads what a set field and an observation share.
fn scan_about(left: &mut Scan<'_>) -> Result<(ThingId, u16, HowKnown, Value), CodecError> {
    let thing = ThingId::from_bytes(left.array()?);
    let (number, how) = (left.number_u16()?, code_how(left.byte()?));
    let value = frame_value(left.byte()?, left.sized()?)?;
    Ok((thing, number, how, value))
}

/// Returns the change of this kind that these bytes are.
pub(super) fn frame_change(kind: u8, body: &[u8]) -> Result<Change, CodecError> {
    let mut left = Scan::of(body);
    let change = match kind {
        SET => {
            let (thing, field, how, value) = scan_about(&mut left)?;
            Change::Set {
                thing,
                field: FieldNumber(field),
                value,
                how,
            }
        }
        OBSERVE => {
            let (thing, what, how, value) = scan_about(&mut left)?;
            Change::Observe {
                thing,
                what: ObservationNumber(what),
                value,
                how,
            }
        }
        RECEIPT => Change::Receipt {
            of: scan_mark(&mut left)?,
            stamp: Stamp::from_bits(left.number()?),
        },
        HOLD_BACK => Change::HoldBack {
            of: scan_mark(&mut left)?,
        },
        ADMIT => Change::Admit {
            of: scan_mark(&mut left)?,
        },
        kind => {
            let body = body.to_vec();
            return Ok(Change::Unknown { kind, body });
        }
    };
    left.finish()?;
    Ok(change)
}

const ABSENT: u8 = 0;
const BOOL: u8 = 1;
/// The kind of a whole number.
pub(super) const INT: u8 = 2;
/// The kind of a number.
pub(super) const NUMBER: u8 = 3;
/// The kind of a number with its unit.
pub(super) const QUANTITY: u8 = 4;
/// The kind of a text.
pub(super) const TEXT: u8 = 5;
const THING: u8 = 6;
const DATE: u8 = 7;
const LIST: u8 = 8;
const RECORD: u8 = 9;

/// Returns the kind of a number, with or without a unit, and the number.
pub(super) fn amount(value: &Value) -> Option<(u8, f64)> {
    match value {
        Value::Number(amount) => Some((NUMBER, *amount)),
        Value::Quantity { amount, .. } => Some((QUANTITY, *amount)),
        _ => None,
    }
}

/// Returns whether a number of this kind has a unit, if it is a number's kind.
pub(super) const fn is_amount(kind: u8) -> Option<bool> {
    match kind {
        NUMBER => Some(false),
        QUANTITY => Some(true),
        _ => None,
    }
}

/// Writes a value's bytes; returns its kind.
pub(super) fn put_value(value: &Value, out: &mut Vec<u8>) -> u8 {
    match value {
        Value::Absent(absence) => {
            let (code, why) = match absence {
                Absence::Cleared => (0, ""),
                Absence::NotChecked => (1, ""),
                Absence::CouldNotCheck(why) => (2, why.as_str()),
            };
            out.push(code);
            sized(out, why.as_bytes());
            ABSENT
        }
        Value::Bool(yes) => {
            out.push(u8::from(*yes));
            BOOL
        }
        Value::Int(count) => {
            signed(out, *count);
            INT
        }
        Value::Number(number) => {
            out.extend_from_slice(&number.to_le_bytes());
            NUMBER
        }
        Value::Quantity { amount, unit } => {
            out.extend_from_slice(&amount.to_le_bytes());
            number(out, u64::from(unit.0));
            QUANTITY
        }
        Value::Text(words) => {
            sized(out, words.as_bytes());
            TEXT
        }
        Value::Thing(thing) => {
            out.extend_from_slice(thing.bytes());
            THING
        }
        Value::Date(days) => {
            signed(out, i64::from(*days));
            DATE
        }
        Value::List(items) => {
            number(out, items.len() as u64);
            for item in items {
                framed(out, |out| put_value(item, out));
            }
            LIST
        }
        Value::Record(parts) => {
            number(out, parts.len() as u64);
            for (part, value) in parts {
                number(out, u64::from(*part));
                framed(out, |out| put_value(value, out));
            }
            RECORD
        }
        Value::Unknown { tag, body } => {
            out.extend_from_slice(body);
            *tag
        }
    }
}

/// Returns the value of this kind that these bytes are.
pub(super) fn frame_value(kind: u8, body: &[u8]) -> Result<Value, CodecError> {
    nested_value(&Frame { kind, body }, MAX_DEPTH)
}

fn nested_value(frame: &Frame<'_>, depth: usize) -> Result<Value, CodecError> {
    let deeper = depth
        .checked_sub(1)
        .ok_or(CodecError::Shape("its values nest too deep"))?;
    Ok(match frame.kind {
        ABSENT => match whole(frame.body)? {
            (0_u8, "") => Value::Absent(Absence::Cleared),
            (1, "") => Value::Absent(Absence::NotChecked),
            (2, why) => Value::Absent(Absence::CouldNotCheck(why.to_owned())),
            _ => Value::Unknown {
                tag: frame.kind,
                body: frame.body.to_vec(),
            },
        },
        BOOL => Value::Bool(whole(frame.body)?),
        INT => Value::Int(whole(frame.body)?),
        NUMBER => Value::Number(whole(frame.body)?),
        QUANTITY => {
            let (amount, unit) = whole(frame.body)?;
            Value::Quantity {
                amount,
                unit: UnitNumber(unit),
            }
        }
        TEXT => Value::Text(whole::<&str>(frame.body)?.to_owned()),
        THING => Value::Thing(ThingId::from_bytes(whole(frame.body)?)),
        DATE => Value::Date(whole(frame.body)?),
        LIST => {
            let frames: Vec<Frame<'_>> = whole(frame.body)?;
            Value::List(
                frames
                    .iter()
                    .map(|item| nested_value(item, deeper))
                    .collect::<Result<_, _>>()?,
            )
        }
        RECORD => {
            let frames: Vec<(u16, Frame<'_>)> = whole(frame.body)?;
            let mut parts = BTreeMap::new();
            for (part, value) in &frames {
                if parts.insert(*part, nested_value(value, deeper)?).is_some() {
                    return Err(CodecError::Shape("a record names one part twice"));
                }
            }
            Value::Record(parts)
        }
        tag => Value::Unknown {
            tag,
            body: frame.body.to_vec(),
        },
    })
}

/// Returns the number that stands for a way of knowing.
pub(crate) fn how_code(how: HowKnown) -> u8 {
    match how {
        HowKnown::Unstated => 0,
        HowKnown::Measured => 1,
        HowKnown::Read => 2,
        HowKnown::Estimated => 3,
        HowKnown::FromLastVisit => 4,
        HowKnown::Computed => 5,
        HowKnown::Other(code) => code,
    }
}

/// Returns the way of knowing that a number stands for.
pub(crate) fn code_how(code: u8) -> HowKnown {
    match code {
        0 => HowKnown::Unstated,
        1 => HowKnown::Measured,
        2 => HowKnown::Read,
        3 => HowKnown::Estimated,
        4 => HowKnown::FromLastVisit,
        5 => HowKnown::Computed,
        other => HowKnown::Other(other),
    }
}

/// Reads all of `bytes`; anything left over is an error.
fn whole<'a, T: Deserialize<'a>>(bytes: &'a [u8]) -> Result<T, CodecError> {
    match postcard::take_from_bytes(bytes) {
        Ok((parts, [])) => Ok(parts),
        Ok(_) => Err(CodecError::Shape("there is more after its end")),
        Err(_) => Err(CodecError::Shape("it is cut short or garbled")),
    }
}

#[cfg(test)]
pub(crate) mod tests;
