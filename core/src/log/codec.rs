//! Bytes of an entry: a version byte, a header in postcard, then changes in frames.
//!
//! Each change and each value carries its kind and its length, so that a version which does not
//! know the kind can skip it, keep its exact bytes and pass them on. The header never grows:
//! whatever is new comes as a new kind of change. An entry is stored, hashed and forwarded as the
//! bytes its author made, so nothing here ever needs to write an entry twice.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::chain::{Mark, Tip};
use super::entry::{Change, Entry};
use super::id::{DeviceId, FieldNumber, LogbookId, ObservationNumber, Seq, ThingId};
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

#[derive(Serialize, Deserialize)]
struct Header<'a> {
    logbook: [u8; 16],
    device: [u8; 16],
    seq: u64,
    prev: [u8; 8],
    stamp: u64,
    utc_offset_min: i16,
    by: &'a str,
    visit: Option<[u8; 16]>,
    gained: Vec<MarkParts>,
    #[serde(borrow)]
    changes: Vec<Frame<'a>>,
}

#[derive(Serialize, Deserialize)]
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
    if entry.by.len() > MAX_BY_BYTES {
        return Err(CodecError::NameTooLong(entry.by.len()));
    }
    refuse_double_sets(&entry.changes)?;
    let frames: Vec<(u8, Vec<u8>)> = entry.changes.iter().map(change_frame).collect();
    let header = Header {
        logbook: *entry.logbook.bytes(),
        device: *entry.device.bytes(),
        seq: entry.seq.get(),
        prev: entry.prev.0,
        stamp: entry.stamp.bits(),
        utc_offset_min: entry.utc_offset_min,
        by: &entry.by,
        visit: entry.visit.map(|visit| *visit.bytes()),
        gained: entry.gained.iter().map(mark_parts).collect(),
        changes: frames
            .iter()
            .map(|(kind, body)| Frame { kind: *kind, body })
            .collect(),
    };
    let bytes = postcard::to_extend(&header, vec![FORMAT]).expect("a vector takes any header");
    if bytes.len() > MAX_ENTRY_BYTES {
        return Err(CodecError::TooLong(bytes.len()));
    }
    Ok(bytes)
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
    let header: Header<'_> = whole(rest)?;
    if header.by.len() > MAX_BY_BYTES {
        return Err(CodecError::NameTooLong(header.by.len()));
    }
    let seq = Seq::new(header.seq).ok_or(CodecError::Shape("its place is zero"))?;
    let gained = header
        .gained
        .into_iter()
        .map(parts_mark)
        .collect::<Result<_, _>>()?;
    let changes = header
        .changes
        .iter()
        .map(|frame| frame_change(frame.kind, frame.body))
        .collect::<Result<Vec<_>, _>>()?;
    refuse_double_sets(&changes)?;
    Ok(Entry {
        logbook: LogbookId::from_bytes(header.logbook),
        device: DeviceId::from_bytes(header.device),
        seq,
        prev: Tip(header.prev),
        stamp: Stamp::from_bits(header.stamp),
        utc_offset_min: header.utc_offset_min,
        by: header.by.to_owned(),
        visit: header.visit.map(ThingId::from_bytes),
        gained,
        changes,
    })
}

/// Returns whose an entry is without reading the rest of it: its logbook and its device.
///
/// # Errors
/// [`CodecError`] where the bytes are too few, or of another format.
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
    let (_, device) = peek(bytes)?;
    let short = CodecError::Shape("it is cut short");
    let rest = bytes.get(1 + 16 + 16..).ok_or(short.clone())?;
    let (seq, _) = postcard::take_from_bytes(rest).map_err(|_| short)?;
    Ok(Mark {
        device,
        seq: Seq::new(seq).ok_or(CodecError::Shape("its place is zero"))?,
        tip: Tip::of(bytes),
    })
}

/// Returns the bytes of one value, as they stand within an entry.
pub fn encode_value(value: &Value) -> Vec<u8> {
    let (tag, body) = value_frame(value);
    packed(&Frame {
        kind: tag,
        body: &body,
    })
}

/// Returns the value that these bytes are.
///
/// # Errors
/// [`CodecError::Shape`] where they are no value.
pub fn decode_value(bytes: &[u8]) -> Result<Value, CodecError> {
    let frame: Frame<'_> = whole(bytes)?;
    frame_value(frame.kind, frame.body)
}

fn refuse_double_sets(changes: &[Change]) -> Result<(), CodecError> {
    let mut fields: Vec<_> = changes
        .iter()
        .filter_map(|change| match change {
            Change::Set { thing, field, .. } => Some((*thing, *field)),
            _ => None,
        })
        .collect();
    fields.sort_unstable();
    if fields.windows(2).any(|pair| pair[0] == pair[1]) {
        return Err(CodecError::SetTwice);
    }
    Ok(())
}

/// The kind of a set field.
pub(super) const SET: u8 = 1;
/// The kind of an observation.
pub(super) const OBSERVE: u8 = 2;
const RECEIPT: u8 = 3;
const HOLD_BACK: u8 = 4;
const ADMIT: u8 = 5;

/// A mark's shape: device, number, tip.
type MarkParts = ([u8; 16], u64, [u8; 8]);

fn mark_parts(mark: &Mark) -> MarkParts {
    (*mark.device.bytes(), mark.seq.get(), mark.tip.0)
}

fn parts_mark((device, seq, tip): MarkParts) -> Result<Mark, CodecError> {
    Ok(Mark {
        device: DeviceId::from_bytes(device),
        seq: Seq::new(seq).ok_or(CodecError::Shape("it names an entry by the number zero"))?,
        tip: Tip(tip),
    })
}

/// The shape shared by a set field and an observation: thing, number, how known, value.
type About<'a> = ([u8; 16], u16, u8, Frame<'a>);

/// Returns a change's kind and bytes.
pub(super) fn change_frame(change: &Change) -> (u8, Vec<u8>) {
    match change {
        Change::Set {
            thing,
            field,
            value,
            how,
        } => (SET, about(*thing, field.0, *how, value)),
        Change::Observe {
            thing,
            what,
            value,
            how,
        } => (OBSERVE, about(*thing, what.0, *how, value)),
        Change::Receipt { of, stamp } => (RECEIPT, packed(&(mark_parts(of), stamp.bits()))),
        Change::HoldBack { of } => (HOLD_BACK, packed(&mark_parts(of))),
        Change::Admit { of } => (ADMIT, packed(&mark_parts(of))),
        Change::Unknown { kind, body } => (*kind, body.clone()),
    }
}

fn about(thing: ThingId, number: u16, how: HowKnown, value: &Value) -> Vec<u8> {
    let (tag, body) = value_frame(value);
    let about: About<'_> = (
        *thing.bytes(),
        number,
        how_code(how),
        Frame {
            kind: tag,
            body: &body,
        },
    );
    packed(&about)
}

/// Returns the change of this kind that these bytes are.
pub(super) fn frame_change(kind: u8, body: &[u8]) -> Result<Change, CodecError> {
    Ok(match kind {
        SET => {
            let (thing, field, how, value): About<'_> = whole(body)?;
            Change::Set {
                thing: ThingId::from_bytes(thing),
                field: FieldNumber(field),
                value: frame_value(value.kind, value.body)?,
                how: code_how(how),
            }
        }
        OBSERVE => {
            let (thing, what, how, value): About<'_> = whole(body)?;
            Change::Observe {
                thing: ThingId::from_bytes(thing),
                what: ObservationNumber(what),
                value: frame_value(value.kind, value.body)?,
                how: code_how(how),
            }
        }
        RECEIPT => {
            let (of, stamp): (MarkParts, u64) = whole(body)?;
            Change::Receipt {
                of: parts_mark(of)?,
                stamp: Stamp::from_bits(stamp),
            }
        }
        HOLD_BACK => Change::HoldBack {
            of: parts_mark(whole(body)?)?,
        },
        ADMIT => Change::Admit {
            of: parts_mark(whole(body)?)?,
        },
        kind => Change::Unknown {
            kind,
            body: body.to_vec(),
        },
    })
}

const ABSENT: u8 = 0;
const BOOL: u8 = 1;
const INT: u8 = 2;
const NUMBER: u8 = 3;
const QUANTITY: u8 = 4;
const TEXT: u8 = 5;
const THING: u8 = 6;
const DATE: u8 = 7;
const LIST: u8 = 8;
const RECORD: u8 = 9;

/// Returns a value's kind and bytes.
pub(super) fn value_frame(value: &Value) -> (u8, Vec<u8>) {
    match value {
        Value::Absent(Absence::Cleared) => (ABSENT, packed(&(0_u8, ""))),
        Value::Absent(Absence::NotChecked) => (ABSENT, packed(&(1_u8, ""))),
        Value::Absent(Absence::CouldNotCheck(why)) => (ABSENT, packed(&(2_u8, why))),
        Value::Bool(yes) => (BOOL, packed(yes)),
        Value::Int(count) => (INT, packed(count)),
        Value::Number(number) => (NUMBER, packed(number)),
        Value::Quantity { amount, unit } => (QUANTITY, packed(&(amount, unit.0))),
        Value::Text(words) => (TEXT, packed(words)),
        Value::Thing(thing) => (THING, thing.bytes().to_vec()),
        Value::Date(days) => (DATE, packed(days)),
        Value::List(items) => {
            let frames: Vec<_> = items.iter().map(value_frame).collect();
            let frames: Vec<_> = frames
                .iter()
                .map(|(kind, body)| Frame { kind: *kind, body })
                .collect();
            (LIST, packed(&frames))
        }
        Value::Record(parts) => {
            let frames: Vec<_> = parts
                .iter()
                .map(|(part, value)| (*part, value_frame(value)))
                .collect();
            let frames: Vec<_> = frames
                .iter()
                .map(|(part, (kind, body))| (*part, Frame { kind: *kind, body }))
                .collect();
            (RECORD, packed(&frames))
        }
        Value::Unknown { tag, body } => (*tag, body.clone()),
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

fn packed<T: Serialize + ?Sized>(parts: &T) -> Vec<u8> {
    postcard::to_allocvec(parts).expect("a vector takes any parts")
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
pub(super) mod tests;
