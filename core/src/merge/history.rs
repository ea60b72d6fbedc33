//! What the fields of one thing were at any moment: each write with the moment from which on it is not
//! open any more, so that nobody who asks need know who had seen what.
//!
//! A write is open as of a moment if it is ordered up to it, and no write of the field is whose writer had
//! it. So it ends with the earliest, by the stamps that order them, of the writes that saw it.

use super::balance::Chain;
use super::fold::{Field, Number, Open};
use super::lately::{Late, Lately};
use super::register::Register;
use super::stretch::{self, Room, Stretch};
use crate::log::codec::CodecError;
use crate::log::id::{FieldNumber, Seq, ThingId};
use crate::log::stamp::Stamp;

/// How many writes a stretch holds that are ordered within it, at least and about; tests have few.
const MANY: usize = if cfg!(test) { 3 } else { 32 };

/// A write of a field, and from when on it is not open; some never end.
#[derive(Debug, Clone)]
pub(super) struct Past {
    pub(super) field: FieldNumber,
    pub(super) write: Open,
    pub(super) ended: Option<Stamp>,
}

impl Past {
    pub(super) fn is_open_after(&self, moment: Stamp) -> bool {
        self.ended.is_none_or(|ended| ended > moment)
    }

    /// Whether it was open at any moment.
    fn was_open(&self) -> bool {
        self.is_open_after(self.write.stamp)
    }

    /// By which they are ordered.
    fn rank(&self) -> (Stamp, Number, Seq, FieldNumber) {
        let Open { at, stamp, .. } = self.write;
        (stamp, at.chain, at.seq, self.field)
    }
}

/// From one moment on, before another if one is named.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Span {
    pub(crate) from: Stamp,
    pub(crate) to: Option<Stamp>,
}

impl Span {
    fn ends_after(self, moment: Stamp) -> bool {
        self.to.is_none_or(|to| moment < to)
    }
}

/// A thing's writes from some moment on, and those that were open then.
#[derive(Debug, Default)]
pub(crate) struct History {
    // That moment; none if it goes back to the first write.
    from: Option<Stamp>,
    // In order. Writes that were never open are not there.
    pasts: Vec<Past>,
    // What the next stretch tells, while it is read.
    told: Vec<Past>,
    room: Room,
}

impl History {
    /// Begins with another thing, of which nothing is known yet.
    pub(crate) fn begin(&mut self) {
        self.from = None;
        self.pasts.clear();
    }

    /// From when on it is known.
    pub(crate) fn from(&self) -> Stamp {
        self.from.unwrap_or(Stamp::ZERO)
    }

    /// Goes on with the bytes of a stretch that begins where the one before it ends.
    ///
    /// # Errors
    /// [`CodecError`] where they are no stretch.
    pub(crate) fn resume(&mut self, from: Stamp, bytes: &[u8]) -> Result<(), CodecError> {
        self.told.clear();
        stretch::read(from, bytes, &mut self.room, &mut self.told)?;
        if self.from.is_none() {
            self.from = Some(from);
            core::mem::swap(&mut self.pasts, &mut self.told);
            return Ok(());
        }
        // What is open at its beginning, it tells itself; what else the one before left open ends there.
        for past in self.pasts.iter_mut().filter(|past| past.ended.is_none()) {
            past.ended = Some(from);
        }
        for past in self.told.drain(..) {
            let of = (past.field, past.write.at);
            let is_it = |known: &&mut Past| (known.field, known.write.at) == of;
            let known = match past.write.stamp < from {
                true => self.pasts.iter_mut().find(is_it),
                false => None,
            };
            match known {
                Some(known) => known.ended = past.ended,
                None => self.pasts.push(past),
            }
        }
        self.pasts.sort_by_key(Past::rank);
        Ok(())
    }

    /// Takes in what came of a thing since. It is ordered after that moment, or the stretches before
    /// would tell of it, too.
    pub(crate) fn go_on(&mut self, thing: ThingId, lately: &Lately) {
        for late in lately.of(thing) {
            self.take(late, lately);
        }
    }

    fn take(&mut self, late: &Late, lately: &Lately) {
        let Late { field, write, .. } = late;
        let concerns = |past: &Past| past.field == *field && past.is_open_after(write.stamp);
        // Of two changes of a field by one entry the first counts.
        let is_there = |past: &Past| concerns(past) && past.write.at == write.at;
        if self.pasts.iter().any(is_there) {
            return;
        }
        let mut is_never_open = false;
        for past in self.pasts.iter_mut().filter(|past| concerns(past)) {
            if lately.saw(late, past.write.at) {
                past.ended = Some(write.stamp);
                is_never_open |= !past.was_open();
            }
        }
        if is_never_open {
            self.pasts.retain(Past::was_open);
        }
        let new = Past {
            field: *field,
            write: write.clone(),
            ended: None,
        };
        let after = self.pasts.partition_point(|past| past.rank() < new.rank());
        self.pasts.insert(after, new);
    }

    /// Returns the spans of the stretches into which it falls.
    pub(crate) fn spans(&self) -> impl Iterator<Item = Span> {
        let mut next = Some(self.from());
        core::iter::from_fn(move || {
            let from = next?;
            next = self.end_of_stretch(from);
            Some(Span { from, to: next })
        })
    }

    /// Returns the fields as they are after all of it, in order.
    pub(crate) fn last(&self, chains: &[Chain]) -> impl Iterator<Item = (FieldNumber, Field)> {
        let open = self.pasts.iter().filter(|past| past.ended.is_none());
        let mut fields = Vec::new();
        for past in open {
            put(&mut fields, past.field, past.write.clone());
        }
        fields.sort_unstable_by_key(|(number, _)| *number);
        let fields = fields.into_iter();
        fields.map(|(number, field)| (number, field.in_order(chains)))
    }

    fn end_of_stretch(&self, from: Stamp) -> Option<Stamp> {
        let first = self.pasts.partition_point(|past| past.write.stamp < from);
        let before = self.pasts[..first].iter();
        let open = before.filter(|past| past.is_open_after(from)).count();
        // What is open at its beginning is never most of it.
        let next = first + MANY.max(open);
        let stamp = |past: &Past| past.write.stamp;
        // Writes of one stamp stay together.
        let last = self.pasts.get(next - 1).map(stamp);
        let after = self.pasts.get(next..).unwrap_or_default().iter();
        after.map(stamp).find(|stamp| Some(*stamp) != last)
    }

    /// Writes what is to be known within a span, but for its beginning.
    pub(crate) fn put(&mut self, span: Span, out: &mut Vec<u8>) {
        let all = self.pasts.iter();
        let within =
            all.filter(|past| span.ends_after(past.write.stamp) && past.is_open_after(span.from));
        // When one ends after that, the next stretch says.
        let within = within.map(|past| {
            let ended = past.ended.filter(|ended| span.ends_after(*ended));
            (past, ended)
        });
        stretch::put(span, within, &mut self.room, out);
    }
}

/// Puts an open write beside those of its field.
fn put(fields: &mut Vec<(FieldNumber, Field)>, number: FieldNumber, write: Open) {
    match fields.iter_mut().find(|(of, _)| *of == number) {
        Some((_, field)) => field.put(write),
        None => fields.push((number, Field::of(write))),
    }
}

/// Returns a thing's registers as of a moment, by field: what was open then by the stretch in which it
/// lies, and what came since.
pub(crate) fn registers(
    stretch: Option<Stretch>,
    thing: ThingId,
    lately: &Lately,
    until: Stamp,
) -> Vec<(FieldNumber, Register)> {
    let fields = fields(stretch, thing, lately, until).into_iter();
    let registers = fields.filter_map(|(number, field)| {
        let register = field.register(&lately.chains)?;
        Some((number, register))
    });
    registers.collect()
}

/// Returns the same as they are before they are registers.
pub(crate) fn fields(
    stretch: Option<Stretch>,
    thing: ThingId,
    lately: &Lately,
    until: Stamp,
) -> Vec<(FieldNumber, Field)> {
    let mut fields = Vec::new();
    let pasts = stretch.into_iter().flat_map(|stretch| stretch.pasts);
    let open = pasts.filter(|past| past.write.stamp <= until && past.is_open_after(until));
    for past in open {
        put(&mut fields, past.field, past.write);
    }
    for late in lately.of(thing) {
        if late.write.stamp > until {
            continue;
        }
        let write = late.write.clone();
        match fields.iter_mut().find(|(field, _)| *field == late.field) {
            Some((_, field)) => field.absorb(write, |of| lately.saw(late, of)),
            None => fields.push((late.field, Field::of(write))),
        }
    }
    fields.sort_unstable_by_key(|(field, _)| *field);
    fields
}

#[cfg(test)]
mod tests;
