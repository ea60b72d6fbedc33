//! What the fields of one thing were at any moment: each write with the moment from which on it is not
//! open any more, so that nobody who asks need know who had seen what.
//!
//! A write is open as of a moment if it is ordered up to it, and no write of the field is whose writer had
//! it. So it ends with the earliest, by the stamps that order them, of the writes that saw it.

use std::collections::BTreeMap;

use super::fold::{Field, Open};
use super::lately::{Late, Lately};
use super::register::Register;
use super::stretch::Stretch;
use crate::log::id::{FieldNumber, ThingId};
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

    /// By their ends; those without one are last.
    fn by_end(&self) -> (bool, Option<Stamp>) {
        (self.ended.is_none(), self.ended)
    }
}

/// A thing's writes from some moment on, and those that were open then.
#[derive(Debug, Default)]
pub(crate) struct History {
    // Of each field by their ends. Writes that were never open are not there.
    fields: BTreeMap<FieldNumber, Vec<Past>>,
}

impl History {
    /// Goes on from stretches that follow each other.
    pub(crate) fn resume(stretches: impl Iterator<Item = Stretch>) -> Self {
        let mut fields: BTreeMap<FieldNumber, Vec<Past>> = BTreeMap::new();
        for stretch in stretches {
            let from = stretch.from;
            // What is open at its beginning, it tells itself; what else the one before left open ends there.
            let left_open = fields.values_mut().flatten();
            for past in left_open.filter(|past| past.ended.is_none()) {
                past.ended = Some(from);
            }
            for past in stretch.pasts {
                let list = fields.entry(past.field).or_default();
                let known = match past.write.stamp < from {
                    true => list
                        .iter_mut()
                        .find(|known| known.write.at == past.write.at),
                    false => None,
                };
                match known {
                    Some(known) => known.ended = past.ended,
                    None => list.push(past),
                }
            }
        }
        fields
            .values_mut()
            .for_each(|list| list.sort_by_key(Past::by_end));
        Self { fields }
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
        let list = self.fields.entry(*field).or_default();
        let ended = list.partition_point(|past| !past.is_open_after(write.stamp));
        let mut after = list.split_off(ended);
        // Of two changes of a field by one entry the first counts.
        let is_there = after.iter().any(|past| past.write.at == write.at);
        if !is_there {
            for past in &mut after {
                if lately.saw(late, past.write.at) {
                    past.ended = Some(write.stamp);
                }
            }
            after.retain(|past| past.is_open_after(past.write.stamp));
            after.sort_by_key(Past::by_end);
            after.push(Past {
                field: *field,
                write: write.clone(),
                ended: None,
            });
        }
        list.append(&mut after);
    }

    /// Returns what is to be known from a moment on, before another if one is named.
    pub(crate) fn within(&self, from: Stamp, to: Option<Stamp>) -> Stretch {
        let is_before = |moment: Stamp| to.is_none_or(|to| moment < to);
        let all = self.fields.values().flatten();
        let within = all.filter(|past| is_before(past.write.stamp) && past.is_open_after(from));
        let mut pasts: Vec<_> = within.cloned().collect();
        for past in &mut pasts {
            // When it ends after that, the next stretch says.
            past.ended = past.ended.filter(|ended| is_before(*ended));
        }
        pasts.sort_unstable_by_key(|past| {
            let Open { at, stamp, .. } = past.write;
            (stamp, at.chain, at.seq, past.field)
        });
        Stretch { from, to, pasts }
    }

    /// Returns the stretches into which it falls that begins at a moment.
    pub(crate) fn stretches(&self, mut from: Stamp) -> Vec<Stretch> {
        let all = || self.fields.values().flatten();
        let mut stamps: Vec<_> = all().map(|past| past.write.stamp).collect();
        stamps.sort_unstable();
        let mut stretches = Vec::new();
        loop {
            let first = stamps.partition_point(|stamp| *stamp < from);
            let is_open = |past: &&Past| past.write.stamp < from && past.is_open_after(from);
            let open = all().filter(is_open).count();
            // What is open at its beginning is never most of it.
            let next = first + MANY.max(open);
            // Writes of one stamp stay together.
            let last = stamps.get(next - 1);
            let after = stamps.get(next..).unwrap_or_default();
            let to = after.iter().find(|stamp| Some(*stamp) != last).copied();
            stretches.push(self.within(from, to));
            match to {
                Some(to) => from = to,
                None => return stretches,
            }
        }
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
    let registers = fields.into_iter().filter_map(|(number, field)| {
        let register = field.register(&lately.chains)?;
        Some((number, register))
    });
    registers.collect()
}

#[cfg(test)]
mod tests;
