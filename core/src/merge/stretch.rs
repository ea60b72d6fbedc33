//! A stretch of one thing's history in bytes: from one moment on, before another, each write that is ordered
//! before its end and open after its beginning. One that has no end in it is open as long as it lasts.

use super::balance::Chain;
use super::fold::{At, Number, Open};
use super::history::{Past, Span};
use crate::log::brief::{self, Form};
use crate::log::codec::{self, CodecError};
use crate::log::id::{FieldNumber, Seq};
use crate::log::shapes::{Scan, number, signed};
use crate::log::stamp::{Stamp, WallMs};
use crate::log::value::Value;

/// The writes of a stretch that are open at a moment, as of those that do not end. In the order of their
/// stamps.
#[derive(Debug)]
pub(crate) struct Stretch {
    pub(super) pasts: Vec<Past>,
}

// What a write tells in its first byte: the number of its field among those of the stretch, or that this
// follows;
const FIELD: u8 = 7;
// whether its chain is not that of the write before it, its value and how that is known are not like those
// of the write of the field before it, and it has a tick;
const CHAIN: u8 = 1 << 3;
const UNLIKE: u8 = 1 << 4;
const TICK: u8 = 1 << 5;
// and when it ends: never, when the field is written next, or as it says.
const END_FROM: u32 = 6;
const NEVER: u8 = 0;
const WITH_NEXT: u8 = 1;
const SAID: u8 = 2;

const ODD: CodecError = CodecError::Shape("the history is in another shape");

/// Room for reading and writing stretches, kept from one to the next.
#[derive(Debug, Default)]
pub(super) struct Room {
    fields: Vec<FieldNumber>,
    last: Last,
    lines: Vec<Line>,
    // Of each field the last write, or the one that ends with the next.
    ending: Vec<Option<usize>>,
}

/// What is to be written of a write.
#[derive(Debug)]
struct Line {
    nth: usize,
    /// The number of its field among those of the stretch.
    field: usize,
    end: End,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum End {
    Never,
    WithNext,
    Said(Stamp),
}

/// Writes the stretch of a span, but for its beginning; these are the writes of its thing, in order.
pub(super) fn put(span: Span, pasts: &[Past], room: &mut Room, out: &mut Vec<u8>) {
    let Room {
        fields,
        last,
        lines,
        ending,
    } = room;
    fields.clear();
    lines.clear();
    ending.clear();
    for (nth, past) in pasts.iter().enumerate() {
        if !span.ends_after(past.write.stamp) || !past.is_open_after(span.from) {
            continue;
        }
        let field = fields.iter().position(|field| *field == past.field);
        let field = field.unwrap_or_else(|| {
            fields.push(past.field);
            ending.push(None);
            fields.len() - 1
        });
        if let Some(before) = ending[field].replace(lines.len()) {
            let end = &mut lines[before].end;
            if *end == End::Said(past.write.stamp) {
                *end = End::WithNext;
            }
        }
        // When it ends after that, the next stretch says.
        let ended = past.ended.filter(|ended| span.ends_after(*ended));
        let end = ended.map_or(End::Never, End::Said);
        lines.push(Line { nth, field, end });
    }
    let length = span.to.map_or(0, |to| to.bits() - span.from.bits());
    number(out, length);
    number(out, fields.len() as u64);
    for field in &*fields {
        number(out, u64::from(field.0));
    }
    number(out, lines.len() as u64);
    last.begin(fields.len());
    for line in &*lines {
        last.put(&pasts[line.nth].write, line, out);
    }
}

/// Reads what [`put`] wrote of a stretch that begins at a moment, and puts its writes behind others; returns
/// where it ends.
///
/// # Errors
/// [`CodecError`] where the bytes are no stretch. Then some of the writes may be there.
pub(super) fn read(
    from: Stamp,
    bytes: &[u8],
    room: &mut Room,
    pasts: &mut Vec<Past>,
) -> Result<Option<Stamp>, CodecError> {
    let mut reading = Reading::begin(from, bytes, room)?;
    let Room { fields, ending, .. } = &mut *reading.room;
    ending.clear();
    ending.resize(fields.len(), None);
    pasts.reserve(reading.many);
    while let Some(told) = reading.next()? {
        let (field, end, write) = (told.field, told.end, told.write());
        let ended = reading.end(end, write.stamp)?;
        let Room { fields, ending, .. } = &mut *reading.room;
        if let Some(before) = ending[field].take() {
            pasts[before].ended = Some(write.stamp);
        }
        if end == WITH_NEXT {
            ending[field] = Some(pasts.len());
        }
        pasts.push(Past {
            field: fields[field],
            ended,
            write,
        });
    }
    if reading.room.ending.iter().any(Option::is_some) {
        return Err(ODD);
    }
    reading.left.finish()?;
    Ok(reading.to)
}

impl Stretch {
    /// Reads what [`put`] wrote of one that begins at a moment, as of another. What is ordered after that is
    /// not looked at.
    ///
    /// # Errors
    /// [`CodecError`] where the bytes are no stretch, as far as they are read.
    pub(crate) fn read_open(from: Stamp, bytes: &[u8], moment: Stamp) -> Result<Self, CodecError> {
        let mut room = Room::default();
        let mut reading = Reading::begin(from, bytes, &mut room)?;
        // Of each field the write that ends with the next; and those that end otherwise. With each, which
        // of all writes it is.
        let mut ending: Vec<Option<(usize, Told)>> = Vec::new();
        ending.resize_with(reading.room.fields.len(), || None);
        let mut open = Vec::new();
        for nth in 0.. {
            let Some(told) = reading.next()? else {
                if ending.iter().any(Option::is_some) {
                    return Err(ODD);
                }
                break;
            };
            if told.stamp > moment {
                break;
            }
            let before = &mut ending[told.field];
            *before = None;
            if told.end == WITH_NEXT {
                *before = Some((nth, told));
            } else if reading
                .end(told.end, told.stamp)?
                .is_none_or(|ended| ended > moment)
            {
                open.push((nth, told));
            }
        }
        open.extend(ending.into_iter().flatten());
        open.sort_unstable_by_key(|(nth, _)| *nth);
        let pasts = open.into_iter().map(|(_, told)| Past {
            field: reading.room.fields[told.field],
            write: told.write(),
            ended: None,
        });
        Ok(Self {
            pasts: pasts.collect(),
        })
    }

    /// Reads only where one that begins at a moment ends, from its bytes.
    ///
    /// # Errors
    /// [`CodecError`] where they are no stretch.
    pub(crate) fn end(from: Stamp, bytes: &[u8]) -> Result<Option<Stamp>, CodecError> {
        Self::read_end(from, &mut Scan::of(bytes))
    }

    fn read_end(from: Stamp, left: &mut Scan<'_>) -> Result<Option<Stamp>, CodecError> {
        Ok(match left.number()? {
            0 => None,
            length => Some(Stamp::from_bits(
                from.bits().checked_add(length).ok_or(ODD)?,
            )),
        })
    }

    /// Whether its writes are of these chains.
    pub(crate) fn is_of(&self, chains: &[Chain]) -> bool {
        let mut pasts = self.pasts.iter();
        pasts.all(|past| (past.write.at.chain as usize) < chains.len())
    }
}

/// A stretch that is being read.
struct Reading<'a, 'r> {
    left: Scan<'a>,
    to: Option<Stamp>,
    // How many writes come.
    many: usize,
    room: &'r mut Room,
}

impl<'a, 'r> Reading<'a, 'r> {
    fn begin(from: Stamp, bytes: &'a [u8], room: &'r mut Room) -> Result<Self, CodecError> {
        let mut left = Scan::of(bytes);
        let to = Stretch::read_end(from, &mut left)?;
        room.fields.clear();
        for _ in 0..left.count()? {
            room.fields.push(FieldNumber(left.number_u16()?));
        }
        room.last.begin(room.fields.len());
        let many = left.count()?;
        if many > left.rest().len() {
            return Err(ODD);
        }
        Ok(Self {
            left,
            to,
            many,
            room,
        })
    }

    /// Reads the next write, if there is one, of one of the fields.
    fn next(&mut self) -> Result<Option<Told>, CodecError> {
        let Some(after) = self.many.checked_sub(1) else {
            return Ok(None);
        };
        self.many = after;
        self.room.last.read(&mut self.left).map(Some)
    }

    /// Reads when the write before, of this stamp, ends, if that does not follow from the next.
    fn end(&mut self, end: u8, stamp: Stamp) -> Result<Option<Stamp>, CodecError> {
        match end {
            NEVER | WITH_NEXT => Ok(None),
            SAID => {
                let wall = stamp.wall().get();
                let wall = wall.wrapping_add_signed(self.left.signed()?);
                let tick = self.left.number_u16()?;
                Ok(Some(Stamp::new(WallMs::new(wall), tick)))
            }
            _ => Err(ODD),
        }
    }
}

/// A write as it was read, whose value is not made yet.
struct Told {
    /// The number of its field among those of the stretch.
    field: usize,
    at: At,
    stamp: Stamp,
    worth: Worth,
    how: u8,
    /// How its end is told.
    end: u8,
}

enum Worth {
    Digits(Form, i64),
    Said(Value),
}

impl Told {
    fn write(self) -> Open {
        Open {
            at: self.at,
            stamp: self.stamp,
            value: match self.worth {
                Worth::Digits(form, digits) => form.value(digits),
                Worth::Said(value) => value,
            },
            how: codec::code_how(self.how),
        }
    }
}

/// What the writes before told.
#[derive(Debug, Default)]
struct Last {
    wall: u64,
    chain: Number,
    // Of each chain.
    seqs: Vec<(Number, u64)>,
    // Of each field: the form of its value, and how that was known.
    forms: Vec<Option<(Form, u8)>>,
}

impl Last {
    /// Nothing, in a stretch of so many fields.
    fn begin(&mut self, fields: usize) {
        (self.wall, self.chain) = (0, 0);
        self.seqs.clear();
        self.forms.clear();
        self.forms.resize(fields, None);
    }

    fn put(&mut self, write: &Open, line: &Line, out: &mut Vec<u8>) {
        let Open {
            at,
            stamp,
            value,
            how,
        } = write;
        let field = line.field;
        let end = match line.end {
            End::Never => NEVER,
            End::WithNext => WITH_NEXT,
            End::Said(_) => SAID,
        };
        let flag = |is: bool, flag: u8| if is { flag } else { 0 };
        let how = codec::how_code(*how);
        let form = self.forms[field].filter(|(_, before)| *before == how);
        let digits = form.and_then(|(form, _)| form.digits(value));
        let short = u8::try_from(field).map_or(FIELD, |field| field.min(FIELD));
        out.push(
            short
                | flag(at.chain != self.chain, CHAIN)
                | flag(digits.is_none(), UNLIKE)
                | flag(stamp.tick() != 0, TICK)
                | end << END_FROM,
        );
        if short == FIELD {
            number(out, field as u64);
        }
        let wall = stamp.wall().get();
        number(out, wall - self.wall);
        if at.chain != self.chain {
            number(out, u64::from(at.chain));
        }
        let seq = self.seq(at.chain);
        signed(out, at.seq.get().wrapping_sub(*seq) as i64);
        *seq = at.seq.get();
        if stamp.tick() != 0 {
            number(out, u64::from(stamp.tick()));
        }
        match digits {
            Some(digits) => signed(out, digits),
            None => {
                out.push(how);
                brief::put(value, out);
                self.forms[field] = Form::of(value).map(|form| (form, how));
            }
        }
        if let End::Said(ended) = line.end {
            signed(out, ended.wall().get().wrapping_sub(wall) as i64);
            number(out, u64::from(ended.tick()));
        }
        (self.wall, self.chain) = (wall, at.chain);
    }

    /// Reads a write.
    fn read(&mut self, left: &mut Scan<'_>) -> Result<Told, CodecError> {
        let flags = left.byte()?;
        let field = match flags & FIELD {
            FIELD => left.count()?,
            short => usize::from(short),
        };
        self.wall = self.wall.checked_add(left.number()?).ok_or(ODD)?;
        if flags & CHAIN != 0 {
            self.chain = Number::try_from(left.number()?).map_err(|_| ODD)?;
        }
        let more = left.signed()?;
        let seq = self.seq(self.chain);
        *seq = seq.wrapping_add_signed(more);
        let seq = Seq::new(*seq).ok_or(ODD)?;
        let tick = match flags & TICK {
            0 => 0,
            _ => left.number_u16()?,
        };
        let before = self.forms.get_mut(field).ok_or(ODD)?;
        let (worth, how) = match flags & UNLIKE {
            0 => {
                let (form, how) = before.ok_or(ODD)?;
                (Worth::Digits(form, left.signed()?), how)
            }
            _ => {
                let (how, value) = (left.byte()?, brief::read(left)?);
                *before = Form::of(&value).map(|form| (form, how));
                (Worth::Said(value), how)
            }
        };
        let chain = self.chain;
        Ok(Told {
            field,
            at: At { chain, seq },
            stamp: Stamp::new(WallMs::new(self.wall), tick),
            worth,
            how,
            end: flags >> END_FROM,
        })
    }

    /// The last number of a chain.
    fn seq(&mut self, chain: Number) -> &mut u64 {
        let at = self.seqs.iter().position(|(of, _)| *of == chain);
        let at = at.unwrap_or_else(|| {
            self.seqs.push((chain, 0));
            self.seqs.len() - 1
        });
        &mut self.seqs[at].1
    }
}
