//! Rows of histories: stretches one behind the other, by thing and time, as many as fill a page.
//!
//! The key names the first of them. Those that last, one a thing, stand together, so that what comes is
//! entered in few rows; those that are over stand apart. Of one thing each stretch begins where the one
//! before it ends, and the first at the beginning of time.

use core::ops::Range;

use super::{Error, tables};
use crate::log::codec::CodecError;
use crate::log::id::{LogbookId, ThingId};
use crate::log::shapes::{Scan, number};
use crate::log::stamp::Stamp;
use crate::merge::history::{History, Span};
use crate::merge::stretch::Stretch;

pub(super) type Key = [u8; 41];

/// Whether more may come to stretches at their end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Age {
    Lasting,
    Over,
}

/// What redb leaves of a page of 4 KiB to a row beside its key and its own account, without the check; tests
/// have less.
const FULL: usize = if cfg!(test) { 200 } else { 4 * 1_024 - 57 - 8 };

/// The least of all things,
pub(super) const FIRST: ThingId = ThingId::from_bytes([0; 16]);
/// the greatest,
pub(super) const LAST: ThingId = ThingId::from_bytes([u8::MAX; 16]);
/// and what comes after all time.
pub(super) const NEVER: Stamp = Stamp::from_bits(u64::MAX);

pub(super) fn key(logbook: LogbookId, age: Age, thing: ThingId, from: Stamp) -> Key {
    let age = match age {
        Age::Lasting => [0],
        Age::Over => [1],
    };
    let from = from.bits().to_be_bytes();
    tables::joined(&[logbook.bytes(), &age, thing.bytes(), &from])
}

/// Whether two keys are of one logbook and age.
pub(super) fn are_together(one: &Key, other: &Key) -> bool {
    one.first_chunk::<17>() == other.first_chunk()
}

/// The logbook, thing and stamp within a key.
pub(super) fn parts(key: &Key) -> (LogbookId, ThingId, Stamp) {
    let (logbook, rest) = key.split_first_chunk().expect("41 bytes begin with 16");
    let (_, rest) = rest.split_first().expect("25 bytes begin with one");
    let (thing, rest) = rest.split_first_chunk().expect("24 bytes begin with 16");
    let from = rest.try_into().map(u64::from_be_bytes);
    (
        LogbookId::from_bytes(*logbook),
        ThingId::from_bytes(*thing),
        Stamp::from_bits(from.expect("8 bytes are left")),
    )
}

pub(super) const fn damaged() -> Error {
    Error::damaged_index("histories")
}

/// A stretch in a row, which is not read yet.
#[derive(Debug, Clone, Copy)]
pub(super) struct Item<'a> {
    pub(super) thing: ThingId,
    pub(super) from: Stamp,
    pub(super) to: Option<Stamp>,
    pub(super) bytes: &'a [u8],
}

impl Item<'_> {
    /// Whether a moment lies in it.
    pub(super) fn holds(&self, moment: Stamp) -> bool {
        self.from <= moment && self.to.is_none_or(|to| moment < to)
    }

    /// Reads those of its writes that are open at a moment.
    ///
    /// # Errors
    /// [`Error::DamagedIndex`] where it is none.
    pub(super) fn read_open(&self, moment: Stamp) -> Result<Stretch, Error> {
        Stretch::read_open(self.from, self.bytes, moment).map_err(|_| damaged())
    }
}

/// Finds the stretches in a row.
///
/// # Errors
/// [`Error::DamagedIndex`] where the row is not what was written.
pub(super) fn items<'a>(
    key: &Key,
    row: &'a [u8],
) -> Result<impl Iterator<Item = Result<Item<'a>, Error>>, Error> {
    let mut left = Scan::of(tables::behind_sum(key, row, "histories")?);
    let (_, mut thing, mut from) = parts(key);
    Ok(core::iter::from_fn(move || {
        if left.is_empty() {
            return None;
        }
        let item = next(&mut left, &mut thing, &mut from);
        if item.is_err() {
            left = Scan::of(&[]);
        }
        Some(item.map_err(|_| damaged()))
    }))
}

fn next<'a>(
    left: &mut Scan<'a>,
    thing: &mut ThingId,
    from: &mut Stamp,
) -> Result<Item<'a>, CodecError> {
    let head = left.count()?;
    if head & 1 == 1 {
        *thing = ThingId::from_bytes(left.array()?);
        *from = Stamp::from_bits(left.number()?);
    }
    let bytes = left.bytes(head >> 1)?;
    let to = Stretch::end(*from, bytes)?;
    let item = Item {
        thing: *thing,
        from: *from,
        to,
        bytes,
    };
    *from = to.unwrap_or(NEVER);
    Ok(item)
}

/// Stretches on their way into rows, in order.
#[derive(Debug, Default)]
pub(super) struct Puts {
    all: Vec<Put>,
    // In which the bytes of each stand somewhere.
    bytes: Vec<u8>,
}

/// One of them, and where its bytes stand.
#[derive(Debug)]
struct Put {
    thing: ThingId,
    from: Stamp,
    at: Range<usize>,
}

impl Puts {
    /// Puts what stands in a row behind the others.
    ///
    /// # Errors
    /// Those of [`items`].
    pub(super) fn take(&mut self, key: &Key, row: &[u8]) -> Result<(), Error> {
        for item in items(key, row)? {
            let Item {
                thing, from, bytes, ..
            } = item?;
            let at = self.bytes.len()..self.bytes.len() + bytes.len();
            self.bytes.extend_from_slice(bytes);
            self.all.push(Put { thing, from, at });
        }
        Ok(())
    }

    /// Returns those of a thing, each with its beginning, from the one on in which a moment lies.
    pub(super) fn of(&self, thing: ThingId, moment: Stamp) -> impl Iterator<Item = (Stamp, &[u8])> {
        let from = self.all.partition_point(|put| put.thing < thing);
        let to = self.all.partition_point(|put| put.thing <= thing);
        let of_thing = &self.all[from..to];
        let before = of_thing.partition_point(|put| put.from <= moment);
        let those = of_thing[before.saturating_sub(1)..].iter();
        those.map(|put| (put.from, &self.bytes[put.at.clone()]))
    }

    /// Puts parts of a thing's history in the place of those that begin at a moment or after it.
    pub(super) fn replace(
        &mut self,
        thing: ThingId,
        moment: Stamp,
        history: &mut History,
        spans: &[Span],
    ) {
        let is_before = |put: &Put| (put.thing, put.from) < (thing, moment);
        let from = self.all.partition_point(is_before);
        let to = self.all.partition_point(|put| put.thing <= thing);
        let bytes = &mut self.bytes;
        let puts = spans.iter().map(|span| {
            let begun = bytes.len();
            history.put(*span, bytes);
            Put {
                thing,
                from: span.from,
                at: begun..bytes.len(),
            }
        });
        self.all.splice(from..to, puts);
    }

    /// Does `with` each of the rows that they make, made in the same room, and forgets them.
    pub(super) fn drain_rows(
        &mut self,
        logbook: LogbookId,
        age: Age,
        room: &mut Vec<u8>,
        mut with: impl FnMut(&Key, &[u8]) -> Result<(), Error>,
    ) -> Result<(), Error> {
        let mut left = self.all.as_slice();
        while let Some(first) = left.first() {
            let key = key(logbook, age, first.thing, first.from);
            let (mut many, mut thing) = (0, first.thing);
            tables::sum_row(room, &key, |row| {
                for put in left {
                    let before = row.len();
                    let is_new = put.thing != thing;
                    number(row, (put.at.len() as u64) << 1 | u64::from(is_new));
                    if is_new {
                        row.extend_from_slice(put.thing.bytes());
                        number(row, put.from.bits());
                    }
                    row.extend_from_slice(&self.bytes[put.at.clone()]);
                    if many > 0 && row.len() - 8 > FULL {
                        row.truncate(before);
                        return;
                    }
                    (many, thing) = (many + 1, put.thing);
                }
            });
            with(&key, room)?;
            left = &left[many..];
        }
        self.all.clear();
        self.bytes.clear();
        Ok(())
    }
}
