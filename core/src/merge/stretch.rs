//! A stretch of one thing's history in bytes: what was open at its beginning and what was written in it.

use super::balance::Chain;
use super::fold::{At, Number, Open};
use super::history::Past;
use crate::log::brief::{self, Form};
use crate::log::codec::{self, CodecError};
use crate::log::id::{FieldNumber, Seq};
use crate::log::shapes::{Scan, number, signed};
use crate::log::stamp::{Stamp, WallMs};
use crate::log::value::Value;

/// From one moment on, before another: each write that is ordered before its end and open after its
/// beginning. One that has no end in it is open as long as it lasts.
#[derive(Debug)]
pub(crate) struct Stretch {
    pub(crate) from: Stamp,
    /// None if it lasts.
    pub(crate) to: Option<Stamp>,
    // In the order of their stamps.
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

impl Stretch {
    /// Writes it, but for its beginning.
    pub(crate) fn put(&self, out: &mut Vec<u8>) {
        number(out, self.to.map_or(0, |to| to.bits() - self.from.bits()));
        let mut fields: Vec<FieldNumber> = Vec::new();
        for past in &self.pasts {
            if !fields.contains(&past.field) {
                fields.push(past.field);
            }
        }
        number(out, fields.len() as u64);
        for field in &fields {
            number(out, u64::from(field.0));
        }
        number(out, self.pasts.len() as u64);
        let mut last = Last::of(fields.len());
        for (nth, past) in self.pasts.iter().enumerate() {
            let field = fields.iter().position(|field| *field == past.field);
            let mut after = self.pasts[nth + 1..].iter();
            let next = after.find(|next| next.field == past.field);
            let end = match past.ended {
                None => NEVER,
                ended if ended == next.map(|next| next.write.stamp) => WITH_NEXT,
                Some(_) => SAID,
            };
            last.put(past, field.expect("all are listed"), end, out);
        }
    }

    /// Reads what [`Self::put`] wrote of one that begins at a moment.
    ///
    /// # Errors
    /// [`CodecError`] where the bytes are no stretch.
    pub(crate) fn read(from: Stamp, bytes: &[u8]) -> Result<Self, CodecError> {
        let mut reading = Reading::begin(from, bytes)?;
        let mut pasts: Vec<Past> = Vec::with_capacity(reading.many);
        // Of each field the write that ends with the next.
        let mut ending: Vec<Option<usize>> = vec![None; reading.fields.len()];
        while let Some(told) = reading.next()? {
            let (field, end, write) = (told.field, told.end, told.write());
            if let Some(before) = ending[field].take() {
                pasts[before].ended = Some(write.stamp);
            }
            if end == WITH_NEXT {
                ending[field] = Some(pasts.len());
            }
            pasts.push(Past {
                field: reading.fields[field],
                ended: reading.end(end, write.stamp)?,
                write,
            });
        }
        if ending.iter().any(Option::is_some) {
            return Err(ODD);
        }
        reading.left.finish()?;
        let to = reading.to;
        Ok(Self { from, to, pasts })
    }

    /// Reads those of its writes that are open at a moment, each as one that does not end. What is ordered
    /// after that is not looked at.
    ///
    /// # Errors
    /// Those of [`Self::read`], as far as it is read.
    pub(crate) fn read_open(from: Stamp, bytes: &[u8], moment: Stamp) -> Result<Self, CodecError> {
        let mut reading = Reading::begin(from, bytes)?;
        // Of each field the write that ends with the next; and those that end otherwise. With each, which
        // of all writes it is.
        let mut ending: Vec<Option<(usize, Told)>> = Vec::new();
        ending.resize_with(reading.fields.len(), || None);
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
            field: reading.fields[told.field],
            write: told.write(),
            ended: None,
        });
        Ok(Self {
            from,
            to: reading.to,
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
struct Reading<'a> {
    left: Scan<'a>,
    to: Option<Stamp>,
    // How many writes come.
    many: usize,
    fields: Vec<FieldNumber>,
    last: Last,
}

impl<'a> Reading<'a> {
    fn begin(from: Stamp, bytes: &'a [u8]) -> Result<Self, CodecError> {
        let mut left = Scan::of(bytes);
        let to = Stretch::read_end(from, &mut left)?;
        let fields = left.items(|left| Ok(FieldNumber(left.number_u16()?)))?;
        let many = left.count()?;
        if many > left.rest().len() {
            return Err(ODD);
        }
        Ok(Self {
            left,
            to,
            many,
            last: Last::of(fields.len()),
            fields,
        })
    }

    /// Reads the next write, if there is one, of one of the fields.
    fn next(&mut self) -> Result<Option<Told>, CodecError> {
        let Some(after) = self.many.checked_sub(1) else {
            return Ok(None);
        };
        self.many = after;
        self.last.read(&mut self.left).map(Some)
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
struct Last {
    wall: u64,
    chain: Number,
    // Of each chain.
    seqs: Vec<(Number, u64)>,
    // Of each field: the form of its value, and how that was known.
    forms: Vec<Option<(Form, u8)>>,
}

impl Last {
    fn of(fields: usize) -> Self {
        Self {
            wall: 0,
            chain: 0,
            seqs: Vec::new(),
            forms: vec![None; fields],
        }
    }

    fn put(&mut self, past: &Past, field: usize, end: u8, out: &mut Vec<u8>) {
        let Open {
            at,
            stamp,
            value,
            how,
        } = &past.write;
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
        if let (SAID, Some(ended)) = (end, past.ended) {
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
