//! Rows of histories: stretches one behind the other, by thing and time, as many as fill a page.
//!
//! The key names the first of them. Those that last, one a thing, stand together, so that what comes is
//! entered in few rows; those that are over stand apart. Of one thing each stretch begins where the one
//! before it ends, and the first at the beginning of time.

use super::{Error, tables};
use crate::log::codec::CodecError;
use crate::log::id::{LogbookId, ThingId};
use crate::log::shapes::{Scan, number};
use crate::log::stamp::Stamp;
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

/// A stretch that is to be put into a row.
#[derive(Debug)]
pub(super) struct Put {
    pub(super) thing: ThingId,
    pub(super) from: Stamp,
    pub(super) bytes: Vec<u8>,
}

impl Put {
    pub(super) fn of(thing: ThingId, stretch: &Stretch) -> Self {
        let mut bytes = Vec::new();
        stretch.put(&mut bytes);
        Self {
            thing,
            from: stretch.from,
            bytes,
        }
    }

    /// Reads it.
    ///
    /// # Errors
    /// [`Error::DamagedIndex`] where it is none.
    pub(super) fn read(&self) -> Result<Stretch, Error> {
        Stretch::read(self.from, &self.bytes).map_err(|_| damaged())
    }
}

/// Puts stretches, in order, into rows.
pub(super) fn rows(logbook: LogbookId, age: Age, puts: &[Put]) -> Vec<(Key, Vec<u8>)> {
    let mut rows = Vec::new();
    let mut left = puts;
    while let Some(first) = left.first() {
        let key = key(logbook, age, first.thing, first.from);
        let (mut many, mut thing) = (0, first.thing);
        let row = tables::summed_row(&key, |row| {
            for put in left {
                let before = row.len();
                let is_new = put.thing != thing;
                number(row, (put.bytes.len() as u64) << 1 | u64::from(is_new));
                if is_new {
                    row.extend_from_slice(put.thing.bytes());
                    number(row, put.from.bits());
                }
                row.extend_from_slice(&put.bytes);
                if many > 0 && row.len() - 8 > FULL {
                    row.truncate(before);
                    return;
                }
                (many, thing) = (many + 1, put.thing);
            }
        });
        rows.push((key, row));
        left = &left[many..];
    }
    rows
}
