//! Many entries in few bytes: column by column, then deflated.
//!
//! Entries of one logbook repeat themselves: the same devices, people and things, places that
//! count up, stamps that lie close together. Laid out by column, with a dictionary for ids and
//! names and differences for numbers, they shrink to a fraction; unpacking gives the exact bytes
//! that each author made. An entry that does not read, or that another version wrote in its own
//! way, travels as it is.

use miniz_oxide::deflate::compress_to_vec;
use miniz_oxide::inflate::decompress_to_vec_with_limit;

use super::codec::{self, CodecError};
use super::shapes::{number, sized_length};
use super::view::View;
use super::written::Written;

mod hear;
mod memory;
mod reader;
mod shortened;
mod table;
mod writer;
pub(crate) use hear::{Listener, Told, hear, tell};
use reader::{Reader, UNKNOWN_ID, UNKNOWN_SHAPE};
pub use shortened::{Found, Short, is_shortened, short, unpack_with};
use table::{AS_IT_IS, Columns, LAID_OUT, Left};
use writer::Writer;

/// The version that is written. Version 1 spells out every tip that a writer had gained, and every
/// amount in eight bytes.
const VERSION: u8 = 2;
/// Deflate's own scale of 1 to 10: past 6 it takes much longer for little.
const EFFORT: u8 = 6;

/// Packs the bytes of entries, which may be of any logbook, in their order.
pub fn pack<R: AsRef<[u8]>>(raws: &[R]) -> Vec<u8> {
    let mut columns = Writer::default();
    for raw in raws {
        let raw = raw.as_ref();
        match View::read(raw) {
            Ok(view) => columns.entry(&view),
            Err(_) => columns.as_it_is(raw),
        }
    }
    let mut packed = vec![VERSION];
    packed.extend(deflated(&columns.columns.laid_out()));
    packed
}

/// Lays entries out as [`LayingOut`] does.
#[cfg(test)]
pub(crate) fn lay_out(entries: &[Written]) -> Vec<u8> {
    LayingOut::default().lay_out(entries.iter().map(Written::view))
}

/// Lays entries out, one block after the other, in room that is kept from one to the next.
#[derive(Default)]
pub(crate) struct LayingOut(Writer);

impl LayingOut {
    /// Lays entries out by column and leaves it at that: three times the bytes of [`pack`], in a tenth
    /// of its time.
    pub(crate) fn lay_out<'a>(&mut self, entries: impl IntoIterator<Item = View<'a>>) -> Vec<u8> {
        self.take(entries).laid_out()
    }

    /// Lays entries out behind what is there already, with the length before it.
    pub(crate) fn put<'a>(
        &mut self,
        entries: impl IntoIterator<Item = View<'a>>,
        out: &mut Vec<u8>,
    ) {
        let columns = self.take(entries);
        let length = columns.length();
        out.reserve(sized_length(length));
        number(out, length as u64);
        columns.put(out);
    }

    fn take<'a>(&mut self, entries: impl IntoIterator<Item = View<'a>>) -> &Columns {
        self.0.clear();
        for view in entries {
            self.0.entry(&view);
        }
        &self.0.columns
    }
}

/// Reads what [`lay_out`] laid out.
///
/// # Errors
/// [`CodecError`] where the bytes are no such columns, or hold more than `max_bytes` of entries.
pub(crate) fn read(laid_out: &[u8], max_bytes: usize) -> Result<Vec<Written>, CodecError> {
    let (mut all, mut left) = (Vec::new(), max_bytes);
    let mut reader = Reader::of(laid_out)?;
    while let Some(shape) = reader.next_shape() {
        let written = match shape {
            AS_IT_IS => Written::read(reader.left.next_body()?.to_vec())?,
            LAID_OUT => reader.exact()?,
            _ => return Err(UNKNOWN_SHAPE),
        };
        left = left.checked_sub(written.raw.len()).ok_or(TOO_MUCH)?;
        all.push(written);
    }
    Ok(all)
}

const fn is_about_a_thing(kind: u8) -> bool {
    matches!(kind, codec::SET | codec::OBSERVE)
}

/// Returns the ids of devices, visits and things in columns that [`lay_out`] laid out, each with the
/// number of the entry that names it first. Reads no more columns than that takes.
///
/// # Errors
/// [`CodecError`] where the bytes are no such columns.
pub(crate) fn first_named(laid_out: &[u8]) -> Result<Vec<(usize, [u8; 16])>, CodecError> {
    let mut reader = Reader::of(laid_out)?;
    if reader.left.shape.rest().contains(&AS_IT_IS) {
        let mut named = Vec::new();
        for (nth, written) in read(laid_out, usize::MAX)?.iter().enumerate() {
            each_id(&written.view(), |id| named.push((nth, *id)));
        }
        return Ok(named);
    }
    let mut first: Vec<Option<usize>> = vec![None; reader.ids.len()];
    let mut nth = 0;
    while reader.next_shape().is_some() {
        let mut name = |number: u64| {
            let number = usize::try_from(number).ok();
            if let Some(first) = number.and_then(|number| first.get_mut(number)) {
                first.get_or_insert(nth);
            }
        };
        name(reader.left.device.number()?);
        let visit = reader.left.visit.number()?;
        visit.checked_sub(1).into_iter().for_each(&mut name);
        for _ in 0..reader.left.changes.count()? {
            if is_about_a_thing(reader.left.kind.byte()?) {
                name(reader.left.thing.number()?);
            }
        }
        nth += 1;
    }
    let named = first.into_iter().zip(reader.ids);
    Ok(named.filter_map(|(nth, id)| Some((nth?, id))).collect())
}

/// Does `with` the ids of an entry's device, visit and things.
pub(crate) fn each_id(entry: &View<'_>, mut with: impl FnMut(&[u8; 16])) {
    with(entry.device.bytes());
    entry.visit.iter().for_each(|visit| with(visit.bytes()));
    entry.things().for_each(|thing| with(thing.bytes()));
}

/// Deflates columns that were laid out.
pub(crate) fn deflated(laid_out: &[u8]) -> Vec<u8> {
    compress_to_vec(laid_out, EFFORT)
}

/// Inflates what [`deflated`] made, into at most `max_bytes`.
///
/// # Errors
/// [`CodecError`] where the bytes are nothing of that kind.
pub(crate) fn inflated(deflated: &[u8], max_bytes: usize) -> Result<Vec<u8>, CodecError> {
    decompress_to_vec_with_limit(deflated, max_bytes)
        .map_err(|_| CodecError::Shape("its columns do not unpack"))
}

/// Unpacks what [`pack`] packed, into at most `max_bytes`, so that a small batch cannot fill a
/// phone's memory.
///
/// # Errors
/// [`CodecError`] where the bytes are no such batch, or unpack to more than that.
pub fn unpack(packed: &[u8], max_bytes: usize) -> Result<Vec<Vec<u8>>, CodecError> {
    let (&version, deflated) = packed
        .split_first()
        .ok_or(CodecError::Shape("it is empty"))?;
    if !(1..=VERSION).contains(&version) {
        return Err(CodecError::Format(version));
    }
    let laid_out = inflated(deflated, max_bytes)?;
    Reader::of_version(version, &laid_out)?.raws(max_bytes)
}

pub(super) const TOO_MUCH: CodecError = CodecError::Shape("it unpacks to more than a batch may");

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use proptest::prelude::*;

    use super::super::codec::tests::entry;
    use super::*;

    const MAX: usize = 4 * 1024 * 1024;

    proptest! {
        #[test]
        fn unpacking_gives_the_exact_bytes(entries in prop::collection::vec(entry(), 0..12)) {
            let raws: Vec<_> = entries.iter().map(|entry| codec::encode(entry).unwrap()).collect();
            prop_assert_eq!(&unpack(&pack(&raws), MAX).unwrap(), &raws);
            let written: Vec<_> =
                raws.iter().map(|raw| Written::read(raw.clone()).unwrap()).collect();
            let laid_out = lay_out(&written);
            prop_assert_eq!(&read(&laid_out, MAX).unwrap(), &written);
            let mut named = BTreeMap::new();
            for (nth, one) in written.iter().enumerate() {
                each_id(&one.view(), |id| {
                    named.entry(*id).or_insert(nth);
                });
            }
            let mut told: BTreeMap<[u8; 16], usize> = BTreeMap::new();
            for (nth, id) in first_named(&laid_out).unwrap() {
                told.entry(id).or_insert(nth);
            }
            prop_assert_eq!(told, named);
        }

        #[test]
        fn what_is_no_entry_travels_as_it_is(raws in prop::collection::vec(any::<Vec<u8>>(), 0..6)) {
            prop_assert_eq!(unpack(&pack(&raws), MAX).unwrap(), raws);
        }

        #[test]
        fn no_bytes_make_the_unpacker_panic(bytes in any::<Vec<u8>>(), effort in 0_u8..3) {
            let mut batch = vec![VERSION];
            batch.extend(compress_to_vec(&bytes, effort));
            let _unread = unpack(&batch, MAX).is_ok();
            let _unread = unpack(&bytes, MAX).is_ok();
        }

        #[test]
        fn a_batch_with_one_byte_changed_never_makes_the_unpacker_panic(
            entries in prop::collection::vec(entry(), 1..6),
            at in any::<prop::sample::Index>(),
            to in any::<u8>(),
        ) {
            let raws: Vec<_> = entries.iter().map(|entry| codec::encode(entry).unwrap()).collect();
            let mut laid_out =
                decompress_to_vec_with_limit(&pack(&raws)[1..], MAX).unwrap();
            let at = at.index(laid_out.len());
            laid_out[at] = to;
            let mut batch = vec![VERSION];
            batch.extend(compress_to_vec(&laid_out, 1));
            let _unread = unpack(&batch, MAX).is_ok();
        }
    }

    #[test]
    fn a_small_batch_that_unpacks_to_a_large_one_is_refused() {
        let columns = Columns {
            body: vec![0; MAX + 1],
            ..Columns::default()
        };
        let mut batch = vec![VERSION];
        batch.extend(compress_to_vec(&columns.laid_out(), 1));
        assert!(batch.len() < MAX / 100);
        assert!(unpack(&batch, MAX).is_err());
    }
}
