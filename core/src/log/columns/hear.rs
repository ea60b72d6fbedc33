//! What entries say, told straight from their columns: no entry is made, and nobody learns which entry
//! follows which, since that takes the bytes of all of them.

use super::{AS_IT_IS, CodecError, LAID_OUT, Left, UNKNOWN_SHAPE, VERSION, is_about_a_thing};
use crate::log::codec;
use crate::log::entry::{Change, Entry};
use crate::log::id::{FieldNumber, ObservationNumber, Seq};
use crate::log::stamp::{Stamp, WallMs};
use crate::log::value::{HowKnown, Value};

/// One who is told what entries of one logbook say, one after the other.
pub(crate) trait Listener {
    /// What follows gives ids and people's names by where they stand in these lists.
    fn begin(&mut self, _ids: &[[u8; 16]], _names: &[&str]) {}
    /// An entry begins.
    fn entry(&mut self, _told: Told) {}
    /// Its writer came to hold this device's entries up to this one.
    fn gained(&mut self, _device: usize, _seq: Seq) {}
    /// Whether changes about this thing are to be told.
    fn wants(&self, _thing: usize) -> bool {
        false
    }
    /// The entry sets a field.
    fn set(&mut self, _thing: usize, _field: FieldNumber, _value: Value, _how: HowKnown) {}
    /// The entry's change of this number, from zero, is an observation.
    fn observe(
        &mut self,
        _nth: usize,
        _thing: usize,
        _what: ObservationNumber,
        _value: Value,
        _how: HowKnown,
    ) {
    }
    /// The entry has a change that is about no thing.
    fn other(&mut self, _change: &Change) {}
}

/// What stands in an entry before its changes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Told {
    pub(crate) device: usize,
    pub(crate) seq: Seq,
    pub(crate) stamp: Stamp,
    pub(crate) utc_offset_min: i16,
    pub(crate) by: usize,
    pub(crate) visit: Option<usize>,
}

/// Tells what an entry says.
pub(crate) fn tell(entry: &Entry, listener: &mut impl Listener) {
    let things = entry.changes.iter().filter_map(Change::thing);
    let ids: Vec<[u8; 16]> = [*entry.device.bytes()]
        .into_iter()
        .chain(entry.visit.iter().map(|visit| *visit.bytes()))
        .chain(entry.gained.iter().map(|mark| *mark.device.bytes()))
        .chain(things.map(|thing| *thing.bytes()))
        .collect();
    listener.begin(&ids, &[&entry.by]);
    listener.entry(Told {
        device: 0,
        seq: entry.seq,
        stamp: entry.stamp,
        utc_offset_min: entry.utc_offset_min,
        by: 0,
        visit: entry.visit.map(|_| 1),
    });
    let mut next = 1 + usize::from(entry.visit.is_some());
    for mark in &entry.gained {
        listener.gained(next, mark.seq);
        next += 1;
    }
    for (nth, change) in entry.changes.iter().enumerate() {
        if change.thing().is_none() {
            listener.other(change);
            continue;
        }
        let thing = next;
        next += 1;
        if !listener.wants(thing) {
            continue;
        }
        match change {
            Change::Set {
                field, value, how, ..
            } => listener.set(thing, *field, value.clone(), *how),
            Change::Observe {
                what, value, how, ..
            } => listener.observe(nth, thing, *what, value.clone(), *how),
            _ => {}
        }
    }
}

/// Tells what the entries that [`super::lay_out`] laid out say; returns how many they are.
///
/// # Errors
/// Those of [`super::read`].
pub(crate) fn hear(laid_out: &[u8], listener: &mut impl Listener) -> Result<usize, CodecError> {
    let left = Left::of(VERSION, laid_out)?;
    let (ids, names) = left.ids_and_names()?;
    listener.begin(ids, &names);
    let shapes = left.shape.rest();
    let mut hearer = Hearer {
        left,
        ids: ids.len(),
        names: names.len(),
        runs: Vec::new(),
        latest: 0,
        wall: 0,
        offset: 0,
    };
    for shape in shapes {
        match *shape {
            LAID_OUT => hearer.entry(listener)?,
            AS_IT_IS => {
                tell(&codec::decode(hearer.left.next_body()?)?, listener);
                listener.begin(ids, &names);
            }
            _ => return Err(UNKNOWN_SHAPE),
        }
    }
    Ok(shapes.len())
}

/// What hears entries, one after the other, and what it remembers between them: of [`super::Memory`] all
/// but the tips.
struct Hearer<'a> {
    left: Left<'a>,
    ids: usize,
    names: usize,
    // By when they began; few devices write in one stretch.
    runs: Vec<Run>,
    // Where that of the last entry stands: most entries come after one of the same device.
    latest: usize,
    wall: u64,
    offset: i16,
}

/// Entries of one device that follow each other.
struct Run {
    logbook: usize,
    device: usize,
    /// The first one's number,
    first: u64,
    /// and the one after the last.
    next: u64,
    /// When the last was written.
    wall: u64,
}

impl Run {
    fn holds(&self, seq: Seq) -> bool {
        let nth = seq.get().checked_sub(self.first);
        nth.is_some_and(|nth| nth < self.next.wrapping_sub(self.first))
    }
}

impl Hearer<'_> {
    #[inline]
    fn entry(&mut self, listener: &mut impl Listener) -> Result<(), CodecError> {
        let left = &mut self.left;
        let logbook = listed(left.logbook.count()?, self.ids)?;
        let device = listed(left.device.count()?, self.ids)?;
        let step = left.seq.signed()?;
        if left.prev.byte()? != 0 {
            left.tips.bytes(8)?;
        }
        let later = left.wall.signed()?;
        let tick = left.tick.number_u16()?;
        self.offset = self.offset.wrapping_add(left.offset.signed_i16()?);
        let by = left.by.count()?;
        if by >= self.names {
            return Err(CodecError::Shape("it names an unknown person"));
        }
        let visit = left.visit.count()?.checked_sub(1);
        let visit = visit.map(|visit| listed(visit, self.ids)).transpose()?;
        let run = self.run(logbook, device);
        let (next, before) = match run {
            Some(run) => (self.runs[run].next, self.runs[run].wall),
            None => (1, self.wall),
        };
        let seq = next.wrapping_add_signed(step);
        let seq = Seq::new(seq).ok_or(CodecError::Shape("an entry's place in it is zero"))?;
        let stamp = Stamp::new(WallMs::new(before.wrapping_add_signed(later)), tick);
        listener.entry(Told {
            device,
            seq,
            stamp,
            utc_offset_min: self.offset,
            by,
            visit,
        });
        self.gained(logbook, listener)?;
        self.wall = stamp.wall().get();
        self.latest = run.unwrap_or_else(|| {
            self.runs.push(Run {
                logbook,
                device,
                first: seq.get(),
                next: seq.get(),
                wall: 0,
            });
            self.runs.len() - 1
        });
        let run = &mut self.runs[self.latest];
        if seq.get() != run.next {
            run.first = seq.get();
        }
        run.next = seq.get().wrapping_add(1);
        run.wall = self.wall;
        let changes = self.left.changes.count()?;
        (0..changes).try_for_each(|nth| self.change(nth, listener))
    }

    #[inline]
    fn run(&self, logbook: usize, device: usize) -> Option<usize> {
        let is_it = |run: &Run| run.device == device && run.logbook == logbook;
        match self.runs.get(self.latest) {
            Some(run) if is_it(run) => Some(self.latest),
            _ => self.runs.iter().position(is_it),
        }
    }

    fn gained(&mut self, logbook: usize, listener: &mut impl Listener) -> Result<(), CodecError> {
        for _ in 0..self.left.gained.count()? {
            let device = listed(self.left.gained.count()?, self.ids)?;
            let seq = Seq::new(self.left.gained.number()?);
            let seq = seq.ok_or(CodecError::Shape("it gained a place that is zero"))?;
            if self.left.known.byte()? != 0 {
                self.left.tips.bytes(8)?;
            } else {
                let run = self.run(logbook, device).map(|run| &self.runs[run]);
                if !run.is_some_and(|run| run.holds(seq)) {
                    return Err(CodecError::Shape("it names an entry that is not in it"));
                }
            }
            listener.gained(device, seq);
        }
        Ok(())
    }

    #[inline]
    fn change(&mut self, nth: usize, listener: &mut impl Listener) -> Result<(), CodecError> {
        let left = &mut self.left;
        let kind = left.kind.byte()?;
        if !is_about_a_thing(kind) {
            listener.other(&codec::frame_change(kind, left.next_body()?)?);
            return Ok(());
        }
        let thing = listed(left.thing.count()?, self.ids)?;
        let number = left.field.number_u16()?;
        let how = left.how.byte()?;
        let tag = left.tag.byte()?;
        let amount = codec::is_amount(tag);
        if !listener.wants(thing) {
            return match amount {
                Some(has_unit) => left.next_amount(has_unit).map(drop),
                None => left.next_body().map(drop),
            };
        }
        let value = match amount {
            Some(has_unit) => left.next_amount(has_unit)?,
            None => codec::frame_value(tag, left.next_body()?)?,
        };
        let how = codec::code_how(how);
        if kind == codec::SET {
            listener.set(thing, FieldNumber(number), value, how);
        } else {
            listener.observe(nth, thing, ObservationNumber(number), value, how);
        }
        Ok(())
    }
}

/// A number, if a list of this length has it.
#[inline]
fn listed(number: usize, many: usize) -> Result<usize, CodecError> {
    if number < many {
        Ok(number)
    } else {
        Err(super::UNKNOWN_ID)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::super::codec::tests::entry;
    use super::super::lay_out;
    use super::*;
    use crate::log::id::{DeviceId, ThingId};
    use crate::log::written::Written;

    /// Writes down what it is told.
    #[derive(Default)]
    struct Heard {
        only: Option<ThingId>,
        ids: Vec<[u8; 16]>,
        names: Vec<String>,
        entries: Vec<Whole>,
    }

    #[derive(Debug, PartialEq)]
    struct Whole {
        device: DeviceId,
        seq: Seq,
        stamp: Stamp,
        offset: i16,
        by: String,
        visit: Option<ThingId>,
        gained: Vec<(DeviceId, Seq)>,
        // With its number, where that is told.
        changes: Vec<(Option<usize>, Change)>,
    }

    impl Heard {
        fn thing(&self, number: usize) -> ThingId {
            ThingId::from_bytes(self.ids[number])
        }

        fn changes(&mut self) -> &mut Vec<(Option<usize>, Change)> {
            &mut self.entries.last_mut().unwrap().changes
        }
    }

    impl Listener for Heard {
        fn begin(&mut self, ids: &[[u8; 16]], names: &[&str]) {
            self.ids = ids.to_vec();
            self.names = names.iter().map(|name| (*name).to_owned()).collect();
        }

        fn entry(&mut self, told: Told) {
            self.entries.push(Whole {
                device: DeviceId::from_bytes(self.ids[told.device]),
                seq: told.seq,
                stamp: told.stamp,
                offset: told.utc_offset_min,
                by: self.names[told.by].clone(),
                visit: told.visit.map(|visit| self.thing(visit)),
                gained: Vec::new(),
                changes: Vec::new(),
            });
        }

        fn gained(&mut self, device: usize, seq: Seq) {
            let device = DeviceId::from_bytes(self.ids[device]);
            self.entries.last_mut().unwrap().gained.push((device, seq));
        }

        fn wants(&self, thing: usize) -> bool {
            self.only.is_none_or(|only| only == self.thing(thing))
        }

        fn set(&mut self, thing: usize, field: FieldNumber, value: Value, how: HowKnown) {
            let thing = self.thing(thing);
            let change = Change::Set {
                thing,
                field,
                value,
                how,
            };
            self.changes().push((None, change));
        }

        fn observe(
            &mut self,
            nth: usize,
            thing: usize,
            what: ObservationNumber,
            value: Value,
            how: HowKnown,
        ) {
            let thing = self.thing(thing);
            let change = Change::Observe {
                thing,
                what,
                value,
                how,
            };
            self.changes().push((Some(nth), change));
        }

        fn other(&mut self, change: &Change) {
            self.changes().push((None, change.clone()));
        }
    }

    /// What is to be told of an entry.
    fn right(entry: &Entry, only: Option<ThingId>) -> Whole {
        let gained = entry.gained.iter().map(|mark| (mark.device, mark.seq));
        let changes = entry.changes.iter().cloned().enumerate();
        let changes = changes.filter(|(_, change)| {
            let thing = change.thing();
            only.is_none() || thing.is_none() || thing == only
        });
        let changes = changes.map(|(nth, change)| {
            let is_seen = matches!(change, Change::Observe { .. });
            (is_seen.then_some(nth), change)
        });
        Whole {
            device: entry.device,
            seq: entry.seq,
            stamp: entry.stamp,
            offset: entry.utc_offset_min,
            by: entry.by.clone(),
            visit: entry.visit,
            gained: gained.collect(),
            changes: changes.collect(),
        }
    }

    proptest! {
        #[test]
        fn what_is_heard_is_what_the_entries_say(entries in prop::collection::vec(entry(), 0..12)) {
            let written: Vec<_> = entries
                .iter()
                .map(|entry| Written::read(codec::encode(entry).unwrap()).unwrap())
                .collect();
            let laid_out = lay_out(&written);
            let things = entries.iter().flat_map(|entry| &entry.changes);
            let things: Vec<_> = things.filter_map(Change::thing).collect();
            for only in things.into_iter().map(Some).chain([None]) {
                let right: Vec<_> = entries.iter().map(|entry| right(entry, only)).collect();
                let mut heard = Heard { only, ..Heard::default() };
                prop_assert_eq!(hear(&laid_out, &mut heard), Ok(entries.len()));
                prop_assert_eq!(&heard.entries, &right);
                let mut heard = Heard { only, ..Heard::default() };
                entries.iter().for_each(|entry| tell(entry, &mut heard));
                prop_assert_eq!(&heard.entries, &right);
            }
        }

        #[test]
        fn columns_with_one_byte_changed_are_heard_as_they_are_read_or_refused(
            entries in prop::collection::vec(entry(), 1..6),
            at in any::<prop::sample::Index>(),
            to in any::<u8>(),
        ) {
            let written: Vec<_> = entries
                .iter()
                .map(|entry| Written::read(codec::encode(entry).unwrap()).unwrap())
                .collect();
            let mut laid_out = lay_out(&written);
            let at = at.index(laid_out.len());
            laid_out[at] = to;
            let mut heard = Heard::default();
            let told = hear(&laid_out, &mut heard);
            if let Ok(read) = super::super::read(&laid_out, usize::MAX) {
                let right: Vec<_> = read.iter().map(|one| right(&one.entry, None)).collect();
                prop_assert_eq!(told, Ok(read.len()));
                prop_assert_eq!(heard.entries, right);
            }
        }
    }
}
