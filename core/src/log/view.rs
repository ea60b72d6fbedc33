//! An entry read in place: its bytes are looked through once, and nothing of them is copied.
//!
//! Whoever takes in many entries asks little of each. An [`Entry`] for every one of them, with parts
//! of its own, would cost more than all that is asked of it. Start at [`View::read`].
//!
//! [`Entry`]: super::entry::Entry

use super::chain::{Mark, Tip};
use super::codec::{self, CodecError, FORMAT, MAX_BY_BYTES, MAX_ENTRY_BYTES};
use super::id::{DeviceId, LogbookId, Seq, ThingId};
use super::shapes::Scan;
use super::stamp::Stamp;

/// What an entry's bytes say.
#[derive(Debug, Clone, Copy)]
pub struct View<'a> {
    /// The bytes.
    pub raw: &'a [u8],
    /// The entry's tip.
    pub tip: Tip,
    /// Whether this version writes these very bytes of what they say: another version's may be others.
    pub is_plain: bool,
    /// The logbook it belongs to.
    pub logbook: LogbookId,
    /// The device that wrote it.
    pub device: DeviceId,
    /// Its number among that device's entries in this logbook.
    pub seq: Seq,
    /// The device's chain before it.
    pub prev: Tip,
    /// When, by that device's clock.
    pub stamp: Stamp,
    /// Minutes east of UTC where the device was.
    pub utc_offset_min: i16,
    /// The visit during which it was written.
    pub visit: Option<ThingId>,
    // The person's name, which is text.
    by: &'a [u8],
    gained: List<'a>,
    changes: List<'a>,
    // Where `prev` and `by` begin.
    prev_at: u8,
    by_at: u8,
}

/// What was found of an entry by looking through its bytes, so that it is seen again without that.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Outline {
    pub(crate) is_plain: bool,
    pub(super) seq: Seq,
    pub(super) stamp: Stamp,
    pub(super) utc_offset_min: i16,
    pub(super) has_visit: bool,
    pub(super) by_length: u8,
    /// Where parts begin, counted from the entry's first byte.
    pub(super) prev_at: u8,
    pub(super) by_at: u8,
    /// How many there are, and where the first one begins.
    pub(super) gained: (u32, u32),
    pub(super) changes: (u32, u32),
}

/// Where an entry's logbook and its device begin; what comes after them is of no fixed length.
const LOGBOOK_AT: usize = 1;
const DEVICE_AT: usize = LOGBOOK_AT + 16;

fn array_at<const N: usize>(raw: &[u8], at: usize) -> Option<[u8; N]> {
    raw.get(at..)?.first_chunk().copied()
}

const READ: &str = "it was read before";

/// How many there are, and where they stand.
#[derive(Debug, Clone, Copy)]
struct List<'a> {
    count: usize,
    items: Scan<'a>,
}

impl<'a> View<'a> {
    /// Reads an entry: what [`codec::decode`] takes is taken, and nothing else.
    ///
    /// # Errors
    /// [`CodecError`] where the bytes are none.
    pub fn read(raw: &'a [u8]) -> Result<Self, CodecError> {
        Ok(Self {
            tip: Tip::of(raw),
            ..Self::looked_through(raw)?
        })
    }

    /// Reads entries, whose tips are made side by side.
    pub(crate) fn read_all<R: AsRef<[u8]>>(
        raws: &'a [R],
    ) -> impl ExactSizeIterator<Item = Result<Self, CodecError>> + use<'a, R> {
        let tips = Tip::of_all(raws.iter().map(AsRef::as_ref));
        raws.iter().zip(tips).map(|(raw, tip)| {
            Ok(Self {
                tip,
                ..Self::looked_through(raw.as_ref())?
            })
        })
    }

    /// Reads all of an entry but for its tip.
    #[inline(always)]
    pub(super) fn looked_through(raw: &'a [u8]) -> Result<Self, CodecError> {
        let mut view = Self::head(raw)?;
        let mut look = Look::at(view.changes.items);
        let mut sets = Vec::new();
        for _ in 0..view.changes.count {
            let (kind, body) = (look.left.byte()?, look.sized()?);
            look.is_plain &= is_plain_change(kind, body)?;
            if kind == codec::SET && view.changes.count > 1 {
                let set = Part { kind, body }.about();
                sets.extend(set.map(|set| (set.thing, set.number)));
            }
        }
        look.left.finish()?;
        codec::each_once(&mut sets)?;
        view.is_plain &= look.is_plain;
        Ok(view)
    }

    /// Sees an entry whose bytes were read before, and found to be plain or not.
    #[inline(always)]
    pub(crate) fn again(raw: &'a [u8], tip: Tip, is_plain: bool) -> Self {
        let view = Self::head(raw).expect(READ);
        Self {
            tip,
            is_plain,
            ..view
        }
    }

    /// Sees an entry of which this was found before.
    #[inline]
    pub(crate) fn along(raw: &'a [u8], tip: Tip, outline: &Outline) -> Self {
        let prev_at = usize::from(outline.prev_at);
        let by_at = usize::from(outline.by_at);
        let by_end = by_at + usize::from(outline.by_length);
        let list = |(count, at): (u32, u32)| List {
            count: count as usize,
            items: Scan::of(&raw[at as usize..]),
        };
        let visit = outline.has_visit.then(|| array_at(raw, by_end + 1));
        Self {
            raw,
            tip,
            is_plain: outline.is_plain,
            logbook: LogbookId::from_bytes(array_at(raw, LOGBOOK_AT).expect(READ)),
            device: DeviceId::from_bytes(array_at(raw, DEVICE_AT).expect(READ)),
            seq: outline.seq,
            prev: Tip(array_at(raw, prev_at).expect(READ)),
            stamp: outline.stamp,
            utc_offset_min: outline.utc_offset_min,
            by: &raw[by_at..by_end],
            visit: visit.map(|visit| ThingId::from_bytes(visit.expect(READ))),
            gained: list(outline.gained),
            changes: list(outline.changes),
            prev_at: outline.prev_at,
            by_at: outline.by_at,
        }
    }

    /// Returns what was found of it.
    #[inline]
    pub(crate) fn outline(&self) -> Outline {
        // An entry has no more than [`MAX_ENTRY_BYTES`], and a name than [`MAX_BY_BYTES`].
        let list = |list: List<'_>| {
            let at = self.raw.len() - list.items.rest().len();
            (list.count as u32, at as u32)
        };
        Outline {
            is_plain: self.is_plain,
            seq: self.seq,
            stamp: self.stamp,
            utc_offset_min: self.utc_offset_min,
            has_visit: self.visit.is_some(),
            by_length: self.by.len() as u8,
            prev_at: self.prev_at,
            by_at: self.by_at,
            gained: list(self.gained),
            changes: list(self.changes),
        }
    }

    /// Reads what stands before the changes; says of that whether it is plain.
    #[inline(always)]
    fn head(raw: &'a [u8]) -> Result<Self, CodecError> {
        if raw.len() > MAX_ENTRY_BYTES {
            return Err(CodecError::TooLong(raw.len()));
        }
        let (&format, rest) = raw.split_first().ok_or(CodecError::Shape("it is empty"))?;
        if format != FORMAT {
            return Err(CodecError::Format(format));
        }
        let mut look = Look::at(Scan::of(rest));
        let logbook = LogbookId::from_bytes(look.left.array()?);
        let device = DeviceId::from_bytes(look.left.array()?);
        let seq = look.number()?;
        let prev_at = (raw.len() - look.left.rest().len()) as u8; // at most 43
        let prev = Tip(look.left.array()?);
        let stamp = Stamp::from_bits(look.number()?);
        let utc_offset_min = look.then(Scan::signed_i16)?;
        let by = look.text()?;
        // Its length may be any; that is looked at below.
        let by_at = (raw.len() - look.left.rest().len() - by.len()) as u8; // at most 74
        let visit = if look.left.is_there()? {
            Some(ThingId::from_bytes(look.left.array()?))
        } else {
            None
        };
        let count = look.then(Scan::count)?;
        let items = look.left;
        for _ in 0..count {
            look.mark()?;
        }
        let gained = List { count, items };
        let count = look.then(Scan::count)?;
        let items = look.left;
        if by.len() > MAX_BY_BYTES {
            return Err(CodecError::NameTooLong(by.len()));
        }
        Ok(Self {
            raw,
            tip: Tip::NONE,
            is_plain: look.is_plain,
            logbook,
            device,
            seq: Seq::new(seq).ok_or(CodecError::Shape("its place is zero"))?,
            prev,
            stamp,
            utc_offset_min,
            by: by.as_bytes(),
            visit,
            gained,
            changes: List { count, items },
            prev_at,
            by_at,
        })
    }

    /// Returns the mark by which everyone knows the entry.
    pub const fn mark(&self) -> Mark {
        Mark {
            device: self.device,
            seq: self.seq,
            tip: self.tip,
        }
    }

    /// Returns the person, as the crew calls them.
    pub fn by(&self) -> &'a str {
        core::str::from_utf8(self.by).expect(READ)
    }

    /// Returns whether this is the person's name, as the crew calls them.
    #[inline]
    pub(crate) fn is_by(&self, name: &str) -> bool {
        self.by == name.as_bytes()
    }

    /// Counts what the device came to hold of others' entries.
    pub const fn count_gained(&self) -> usize {
        self.gained.count
    }

    /// Returns what the device came to hold of others' entries, in order.
    pub fn gained(&self) -> impl Iterator<Item = Mark> + use<'a> {
        let mut left = self.gained.items;
        let marks = (0..self.gained.count).map_while(move |_| codec::scan_mark(&mut left).ok());
        marks.fuse()
    }

    /// Counts the changes.
    pub const fn count_changes(&self) -> usize {
        self.changes.count
    }

    /// Returns the changes, in order.
    pub fn changes(&self) -> impl Iterator<Item = Part<'a>> + use<'a> {
        let mut left = self.changes.items;
        let mut part = move || {
            Ok::<_, CodecError>(Part {
                kind: left.byte()?,
                body: left.sized()?,
            })
        };
        (0..self.changes.count)
            .map_while(move |_| part().ok())
            .fuse()
    }

    /// Returns the things that its changes are about.
    pub fn things(&self) -> impl Iterator<Item = ThingId> + use<'a> {
        self.changes().filter_map(|part| part.thing())
    }

    /// Returns whether it names other entries: its writer had gained some, or its changes are about some.
    pub fn names_others(&self) -> bool {
        self.gained.count > 0 || self.named().next().is_some()
    }

    /// Returns the entries that its changes are about.
    pub fn named(&self) -> impl Iterator<Item = Mark> + use<'a> {
        self.changes().filter_map(|part| part.of())
    }
}

/// One change.
#[derive(Debug, Clone, Copy)]
pub struct Part<'a> {
    /// Its kind's number.
    pub kind: u8,
    /// Its bytes.
    pub body: &'a [u8],
}

/// What a set field and an observation say.
#[derive(Debug, Clone, Copy)]
pub struct About<'a> {
    /// Of which thing.
    pub thing: ThingId,
    /// The number of the field, or of the kind of observation.
    pub number: u16,
    /// The number of the way in which that is known.
    pub how: u8,
    /// The kind of value,
    pub tag: u8,
    /// and its bytes.
    pub value: &'a [u8],
}

impl<'a> Part<'a> {
    /// Returns what it says, if it sets a field or is an observation.
    pub fn about(&self) -> Option<About<'a>> {
        let is_about = matches!(self.kind, codec::SET | codec::OBSERVE);
        let about = is_about.then(|| Look::at(Scan::of(self.body)).about());
        about?.ok()
    }

    /// Returns the thing that it is about, if it is about one.
    pub fn thing(&self) -> Option<ThingId> {
        let is_about = matches!(self.kind, codec::SET | codec::OBSERVE);
        let thing = is_about.then(|| Scan::of(self.body).array());
        Some(ThingId::from_bytes(thing?.ok()?))
    }

    /// Returns the entry that it is about, if it is about one.
    pub fn of(&self) -> Option<Mark> {
        let is_about = matches!(self.kind, codec::RECEIPT | codec::HOLD_BACK | codec::ADMIT);
        let mark = is_about.then(|| codec::scan_mark(&mut Scan::of(self.body)));
        mark?.ok()
    }
}

/// What is left to look through, and whether all so far was written as this version does.
struct Look<'a> {
    left: Scan<'a>,
    is_plain: bool,
}

impl<'a> Look<'a> {
    const fn at(left: Scan<'a>) -> Self {
        Self {
            left,
            is_plain: true,
        }
    }

    /// Reads what begins with a number and has nothing else of variable length before its end.
    #[inline]
    fn then<T>(
        &mut self,
        read: impl FnOnce(&mut Scan<'a>) -> Result<T, CodecError>,
    ) -> Result<T, CodecError> {
        let before = self.left.rest();
        let number = read(&mut self.left)?;
        // Written in the fewest bytes, a number of several does not end in one that adds nothing.
        let many = before.len() - self.left.rest().len();
        self.is_plain &= many < 2 || before[many - 1] != 0;
        Ok(number)
    }

    fn number(&mut self) -> Result<u64, CodecError> {
        self.then(Scan::number)
    }

    fn sized(&mut self) -> Result<&'a [u8], CodecError> {
        let length = self.then(Scan::count)?;
        self.left.bytes(length)
    }

    fn text(&mut self) -> Result<&'a str, CodecError> {
        let text = core::str::from_utf8(self.sized()?);
        text.map_err(|_| CodecError::Shape("it is cut short or garbled"))
    }

    fn mark(&mut self) -> Result<(), CodecError> {
        self.left.array::<16>()?;
        let seq = self.number()?;
        self.left.array::<8>()?;
        match seq {
            0 => Err(CodecError::Shape("it names an entry by the number zero")),
            _ => Ok(()),
        }
    }

    fn about(&mut self) -> Result<About<'a>, CodecError> {
        let about = About {
            thing: ThingId::from_bytes(self.left.array()?),
            number: self.then(Scan::number_u16)?,
            how: self.left.byte()?,
            tag: self.left.byte()?,
            value: self.sized()?,
        };
        self.left.finish()?;
        Ok(about)
    }
}

/// Whether this version writes a change of this kind in these bytes.
///
/// # Errors
/// [`CodecError`] where they are no such change.
pub(super) fn is_plain_change(kind: u8, body: &[u8]) -> Result<bool, CodecError> {
    let mut look = Look::at(Scan::of(body));
    match kind {
        codec::SET | codec::OBSERVE => {
            let about = look.about()?;
            // Whatever stands before it, what is no value makes it no entry.
            let is_plain_value = is_plain_value(about.tag, about.value)?;
            return Ok(look.is_plain && is_plain_value);
        }
        codec::RECEIPT => {
            look.mark()?;
            look.number()?;
        }
        codec::HOLD_BACK | codec::ADMIT => look.mark()?,
        _ => return Ok(true),
    }
    look.left.finish()?;
    Ok(look.is_plain)
}

/// Whether this version writes a value of this kind in these bytes.
///
/// # Errors
/// [`CodecError`] where they are no such value.
pub(super) fn is_plain_value(tag: u8, body: &[u8]) -> Result<bool, CodecError> {
    let mut look = Look::at(Scan::of(body));
    match tag {
        codec::INT => drop(look.number()?),
        codec::NUMBER => drop(look.left.array::<8>()?),
        codec::QUANTITY => {
            look.left.array::<8>()?;
            look.then(Scan::number_u16)?;
        }
        codec::TEXT => drop(look.text()?),
        _ => {
            let value = codec::frame_value(tag, body)?;
            let mut again = Vec::with_capacity(body.len());
            return Ok(codec::put_value(&value, &mut again) == tag && again == body);
        }
    }
    look.left.finish()?;
    Ok(look.is_plain)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::codec::tests::entry;
    use super::super::entry::{Change, Entry};
    use super::*;

    /// Sees to it that a view takes what the codec takes, and says the same of it.
    fn check(raw: &[u8]) {
        let (view, decoded) = (View::read(raw), codec::decode(raw));
        let (view, decoded): (View<'_>, Entry) = match (view, decoded) {
            (Ok(view), Ok(decoded)) => (view, decoded),
            (view, decoded) => {
                assert_eq!(view.is_ok(), decoded.is_ok(), "{raw:?}");
                return;
            }
        };
        assert_eq!(view.is_plain, codec::encode(&decoded).unwrap() == raw);
        let again = View::again(raw, view.tip, view.is_plain);
        let along = View::along(raw, view.tip, &view.outline());
        assert_eq!(along.outline(), view.outline());
        for view in [view, again, along] {
            let head = (view.logbook, view.device, view.seq, view.prev, view.stamp);
            let told = (decoded.logbook, decoded.device, decoded.seq, decoded.prev);
            assert_eq!(head, (told.0, told.1, told.2, told.3, decoded.stamp));
            assert_eq!((view.raw, view.tip), (raw, Tip::of(raw)));
            assert_eq!(
                (view.by(), view.visit),
                (decoded.by.as_str(), decoded.visit)
            );
            assert_eq!(view.utc_offset_min, decoded.utc_offset_min);
            assert_eq!(view.gained().collect::<Vec<_>>(), decoded.gained);
            assert_eq!(view.count_gained(), decoded.gained.len());
            assert_eq!(view.count_changes(), decoded.changes.len());
            let things = decoded.changes.iter().filter_map(Change::thing);
            assert!(view.things().eq(things));
            assert!(
                view.named()
                    .eq(decoded.changes.iter().filter_map(Change::of))
            );
            let changes = view
                .changes()
                .map(|part| codec::frame_change(part.kind, part.body));
            assert_eq!(
                changes.collect::<Result<Vec<_>, _>>(),
                Ok(decoded.changes.clone())
            );
        }
    }

    proptest! {
        #[test]
        fn what_is_no_value_is_refused_though_its_length_is_written_otherwise(
            mut entry in entry(),
            tag in any::<u8>(),
        ) {
            entry.changes.clear();
            let mut raw = codec::encode(&entry).unwrap();
            raw.pop();
            raw.extend([1, codec::SET, 21]);
            raw.extend([7; 16]);
            raw.extend([5, 0, tag, 0x80, 0]);
            check(&raw);
        }

        #[test]
        fn a_view_says_what_the_entry_says(entry in entry()) {
            let raw = codec::encode(&entry).unwrap();
            prop_assert!(View::read(&raw).unwrap().is_plain);
            check(&raw);
        }

        #[test]
        fn what_the_codec_refuses_is_refused_and_what_is_written_otherwise_is_known(
            entry in entry(),
            changed in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 0..3),
            longer in any::<prop::sample::Index>(),
        ) {
            let mut raw = codec::encode(&entry).unwrap();
            for (at, to) in changed {
                let at = at.index(raw.len());
                raw[at] = to;
            }
            check(&raw);
            // The byte of a short number, and one behind it that adds nothing.
            let at = longer.index(raw.len());
            raw[at] |= 0x80;
            raw.insert(at + 1, 0);
            check(&raw);
            raw.truncate(at);
            check(&raw);
        }

        #[test]
        fn no_bytes_make_it_panic(bytes in any::<Vec<u8>>()) {
            check(&bytes);
            check(&[&[FORMAT], bytes.as_slice()].concat());
        }
    }
}
