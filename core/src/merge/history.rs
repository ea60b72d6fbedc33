//! What the fields of one thing were at any moment: each write with the moment from which on it is not
//! open any more, so that nobody who asks need know who had seen what.
//!
//! A write is open as of a moment if it is ordered up to it, and no write of the field is whose writer had
//! it. So it ends with the earliest, by the stamps that order them, of the writes that saw it.

use super::balance::{Chain, Fields};
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
    pub(super) fn ends_after(self, moment: Stamp) -> bool {
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
    // Which of them do not end, while what came since is taken in.
    open: Vec<usize>,
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
        self.find_open();
        for late in lately.of(thing) {
            self.take(late, lately);
        }
    }

    fn find_open(&mut self) {
        let all = self.pasts.iter().enumerate();
        let open = all.filter(|(_, past)| past.ended.is_none());
        self.open.clear();
        self.open.extend(open.map(|(nth, _)| nth));
    }

    fn take(&mut self, late: &Late, lately: &Lately) {
        let new = Past {
            field: late.field,
            write: late.write.clone(),
            ended: None,
        };
        let place = self.pasts.partition_point(|past| past.rank() < new.rank());
        if place < self.pasts.len() {
            return self.take_between(late, lately, new, place);
        }
        // Whatever has an end has it with one of those before.
        let Self { pasts, open, .. } = self;
        let mut were_open = true;
        open.retain(|nth| {
            let past = &mut pasts[*nth];
            let is_over = past.field == new.field && lately.saw(late, past.write.at);
            if is_over {
                past.ended = Some(new.write.stamp);
                were_open &= past.was_open();
            }
            !is_over
        });
        open.push(pasts.len());
        pasts.push(new);
        if !were_open {
            self.pasts.retain(Past::was_open);
            self.find_open();
        }
    }

    /// The same of one that is ordered before others.
    fn take_between(&mut self, late: &Late, lately: &Lately, new: Past, place: usize) {
        let of_field = self.pasts.iter_mut().filter(|past| past.field == new.field);
        for past in of_field.filter(|past| past.is_open_after(new.write.stamp)) {
            // Of two changes of a field by one entry the first counts, and has ended what the other would.
            if past.write.at == new.write.at {
                return;
            }
            if lately.saw(late, past.write.at) {
                past.ended = Some(new.write.stamp);
            }
        }
        self.pasts.insert(place, new);
        self.pasts.retain(Past::was_open);
        self.find_open();
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

    /// Puts the fields of its thing as they are after all of it behind others, in order.
    pub(crate) fn put_fields(&self, thing: ThingId, chains: &[Chain], all: &mut Fields) {
        let from = all.len();
        for past in self.pasts.iter().filter(|past| past.ended.is_none()) {
            let write = past.write.clone();
            let mut fields = all[from..].iter_mut();
            match fields.find(|((_, number), _)| *number == past.field) {
                Some((_, field)) => field.put(write),
                None => all.push(((thing, past.field), Field::of(write))),
            }
        }
        let fields = &mut all[from..];
        fields.sort_unstable_by_key(|(of, _)| *of);
        for (_, field) in fields {
            field.put_in_order(chains);
        }
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
        stretch::put(span, &self.pasts, &mut self.room, out);
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
    let mut fields: Vec<(FieldNumber, Field)> = Vec::new();
    let pasts = stretch.into_iter().flat_map(|stretch| stretch.pasts);
    let open = pasts.filter(|past| past.write.stamp <= until && past.is_open_after(until));
    for past in open {
        match fields.iter_mut().find(|(field, _)| *field == past.field) {
            Some((_, field)) => field.put(past.write),
            None => fields.push((past.field, Field::of(past.write))),
        }
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
