//! Observations of a logbook, packed: found by thing and kind, and made one kind at a time.
//!
//! Ids, authors and longer values are told once and named by their numbers. Each list tells of an
//! observation what is not as in the one before it or, where another visit begins, in that visit's first.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use foldhash::fast::RandomState;

use super::pieces::{Piece, Pieces};
use super::state::Observation;
use crate::log::brief;
use crate::log::codec::{self, CodecError};
use crate::log::id::{ChainId, ObservationNumber, Place, Seq, ThingId};
use crate::log::shapes::{Scan, number, signed, sized};
use crate::log::stamp::{Stamp, WallMs};
use crate::log::value::Value;

/// The observations of one kind of one thing.
type About = (ThingId, ObservationNumber);

/// A value whose bytes are as many is told once.
const LONG: usize = 6;

// What an observation tells that is not as in the one before it.
const AUTHOR: u8 = 1;
const VISIT: u8 = 1 << 1;
const HOW: u8 = 1 << 2;
const TICK: u8 = 1 << 3;
const INDEX: u8 = 1 << 4;
const WALL: u8 = 1 << 5;

/// Packed observations, with what they name.
#[derive(Debug)]
pub(crate) struct Bundle(Arc<Inner>, Vec<(About, Where)>);

#[derive(Debug)]
struct Inner {
    pieces: Pieces,
    authors: Vec<Author>,
    visits: Visits,
    // Where each longer value stands.
    values: Vec<usize>,
}

/// Who observed, on which chain, and how far east of UTC.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
struct Author {
    chain: ChainId,
    by: Arc<str>,
    utc_offset_min: i16,
}

/// A visit, with what its first observation tells, as far as it fits: the others tell what is not so.
#[derive(Debug, Clone, Copy)]
struct Visit {
    id: ThingId,
    author: u32,
    seq: u32,
    stamp: Stamp,
}

impl Visit {
    /// How many bytes each takes, so that one is found without reading those before it.
    const LENGTH: usize = 16 + 4 + 4 + 8;

    fn put(&self, out: &mut Vec<u8>) {
        out.extend_from_slice(self.id.bytes());
        out.extend_from_slice(&self.author.to_le_bytes());
        out.extend_from_slice(&self.seq.to_le_bytes());
        out.extend_from_slice(&self.stamp.bits().to_le_bytes());
    }

    fn read(left: &mut Scan<'_>) -> Result<Self, CodecError> {
        Ok(Self {
            id: ThingId::from_bytes(left.array()?),
            author: u32::from_le_bytes(left.array()?),
            seq: u32::from_le_bytes(left.array()?),
            stamp: Stamp::from_bits(u64::from_le_bytes(left.array()?)),
        })
    }
}

/// Where the visits stand, and how many they are.
#[derive(Debug)]
struct Visits {
    from: usize,
    many: usize,
}

#[derive(Debug, Clone, Copy)]
struct Where {
    from: usize,
    length: usize,
    many: usize,
    has_blanks: bool,
}

/// The observations of one list in a bundle.
#[derive(Debug, Clone)]
pub(crate) struct Packed {
    bundle: Arc<Inner>,
    at: Where,
    // Those after it do not count.
    until: Option<Stamp>,
}

impl Bundle {
    /// Packs lists of observations, each in order, into bytes.
    pub(crate) fn pack<'a>(lists: impl Iterator<Item = (About, &'a [Observation])>) -> Vec<u8> {
        let lists: Vec<_> = lists.collect();
        let mut packing = Packing::default();
        packing.visits(lists.iter().flat_map(|(_, list)| *list));
        for (about, list) in lists {
            packing.list(about, list);
        }
        packing.finish()
    }

    /// Reads what [`Self::pack`] wrote, cut into pieces anywhere: what the lists name, and where each of them
    /// is.
    ///
    /// # Errors
    /// [`CodecError`] where the bytes are no bundle. Lists are read when somebody asks, so whoever reads
    /// bytes that others may have changed holds them against a check before.
    pub(crate) fn read(pieces: Vec<Piece>) -> Result<Self, CodecError> {
        let mut pieces = Pieces::of(pieces);
        let mut head = Head::find(pieces.first(), pieces.length());
        if head.is_err() && pieces.are_many() {
            // It may go on in the second piece.
            pieces = pieces.joined();
            head = Head::find(pieces.first(), pieces.length());
        }
        let Head {
            authors,
            visits,
            values,
            lists,
        } = head?;
        let inner = Inner {
            pieces,
            authors,
            visits,
            values,
        };
        Ok(Self(Arc::new(inner), lists))
    }

    /// Counts its observations.
    pub(crate) fn len(&self) -> usize {
        self.1.iter().map(|(_, at)| at.many).sum()
    }

    /// Returns its lists, by thing and kind.
    pub(crate) fn lists(&self) -> impl Iterator<Item = (About, Packed)> {
        self.1.iter().map(|(about, at)| {
            let bundle = Arc::clone(&self.0);
            let packed = Packed {
                bundle,
                at: *at,
                until: None,
            };
            (*about, packed)
        })
    }
}

const ODD: CodecError = CodecError::Shape("the bundle is in another shape");

/// What stands before the lists.
struct Head {
    authors: Vec<Author>,
    visits: Visits,
    values: Vec<usize>,
    lists: Vec<(About, Where)>,
}

impl Head {
    /// Finds it in the first bytes of a bundle that has so many.
    fn find(bytes: &[u8], length: usize) -> Result<Self, CodecError> {
        let mut left = Scan::of(bytes);
        let chains = left.items(|left| Ok(ChainId::from_bytes(left.array()?)))?;
        let people = left.items(|left| Ok(Arc::<str>::from(left.text()?)))?;
        let authors = left.items(|left| {
            let chain = *chains.get(left.count()?).ok_or(ODD)?;
            let by = Arc::clone(people.get(left.count()?).ok_or(ODD)?);
            let utc_offset_min = left.signed_i16()?;
            Ok(Author {
                chain,
                by,
                utc_offset_min,
            })
        })?;
        let at = |left: &Scan<'_>| bytes.len() - left.rest().len();
        let many = left.count()?;
        let visits = Visits {
            from: at(&left),
            many,
        };
        left.bytes(many.checked_mul(Visit::LENGTH).ok_or(ODD)?)?;
        let values = left.items(|left| {
            let at = at(left);
            brief::pass_over(left)?;
            Ok(at)
        })?;
        let lists = left.items(|left| {
            let thing = ThingId::from_bytes(left.array()?);
            let kinds = left.items(|left| {
                let what = ObservationNumber(left.number_u16()?);
                let (many, has_blanks) = (left.count()?, left.is_there()?);
                Ok((what, many, has_blanks, left.count()?))
            })?;
            Ok((thing, kinds))
        })?;
        let mut from = at(&left);
        let mut wheres = Vec::new();
        for (thing, kinds) in lists {
            for (what, many, has_blanks, length) in kinds {
                // Each takes some bytes, so that there is room for no more than there can be.
                if many > length {
                    return Err(ODD);
                }
                let at = Where {
                    from,
                    length,
                    many,
                    has_blanks,
                };
                wheres.push(((thing, what), at));
                from = from.checked_add(length).ok_or(ODD)?;
            }
        }
        if from != length {
            return Err(ODD);
        }
        Ok(Self {
            authors,
            visits,
            values,
            lists: wheres,
        })
    }
}

impl Packed {
    /// Lets its observations count up to a moment; none if no such one is in it.
    pub(crate) fn up_to(mut self, until: Option<Stamp>) -> Option<Self> {
        self.until = until;
        if until.is_some() && self.first(1).is_empty() {
            return None;
        }
        Some(self)
    }

    /// Counts its observations: no fewer than count.
    pub(crate) const fn len(&self) -> usize {
        self.at.many
    }

    /// Whether the value of one of them is absent.
    pub(crate) const fn has_blanks(&self) -> bool {
        self.at.has_blanks
    }

    /// Makes its observations.
    pub(crate) fn unpacked(&self) -> Vec<Observation> {
        self.first(self.at.many)
    }

    /// Makes the first of its observations, at most so many.
    fn first(&self, most: usize) -> Vec<Observation> {
        let mut list = Vec::with_capacity(most.min(self.at.many));
        // Bytes that fit their check and are no list hold what can be read of them: whoever writes such
        // could as well write a list that lacks the rest.
        let _ended_early = self.make(most, &mut list).is_err();
        list
    }

    fn make(&self, most: usize, list: &mut Vec<Observation>) -> Result<(), CodecError> {
        let bundle = &self.bundle;
        let body = bundle.pieces.at(self.at.from, self.at.length);
        let body = body.ok_or(ODD)?;
        let mut left = Scan::of(&body);
        let mut last = Last::default();
        let mut during = None;
        for _ in 0..most {
            let flags = left.byte()?;
            if flags & VISIT != 0 {
                last.visit = last.visit.wrapping_add_signed(left.signed()?);
                during = bundle.visit(last.visit)?;
                if let Some(visit) = &during {
                    last.begin(visit);
                }
            }
            if flags & WALL != 0 {
                last.wall = last.wall.wrapping_add_signed(left.signed()?);
            }
            last.seq = last.seq.wrapping_add_signed(left.signed()?);
            if flags & AUTHOR != 0 {
                last.author = left.count()?;
            }
            if flags & HOW != 0 {
                last.how = left.byte()?;
            }
            if flags & TICK != 0 {
                last.tick = last.tick.wrapping_add_signed(left.signed_i16()?);
            }
            let index = match flags & INDEX {
                0 => 0,
                _ => left.number_u16()?,
            };
            let stamp = Stamp::new(WallMs::new(last.wall), last.tick);
            if self.until.is_some_and(|until| stamp > until) {
                break;
            }
            let author = bundle.authors.get(last.author).ok_or(ODD)?;
            list.push(Observation {
                place: Place {
                    chain: author.chain,
                    seq: Seq::new(last.seq).ok_or(ODD)?,
                },
                index,
                stamp,
                utc_offset_min: author.utc_offset_min,
                by: Arc::clone(&author.by),
                visit: during.map(|visit| visit.id),
                value: self.value(&mut left)?,
                how: codec::code_how(last.how),
            });
        }
        Ok(())
    }

    fn value(&self, left: &mut Scan<'_>) -> Result<Value, CodecError> {
        if left.rest().first() != Some(&brief::NO_VALUE) {
            return brief::read(left);
        }
        left.byte()?;
        let at = self.bundle.values.get(left.count()?).ok_or(ODD)?;
        let head = self.bundle.pieces.first();
        brief::read(&mut Scan::of(head.get(*at..).ok_or(ODD)?))
    }
}

impl Inner {
    /// The visit of which this is one more than its number; zero is none.
    fn visit(&self, number: u64) -> Result<Option<Visit>, CodecError> {
        let Some(number) = number.checked_sub(1) else {
            return Ok(None);
        };
        let number = usize::try_from(number).map_err(|_| ODD)?;
        if number >= self.visits.many {
            return Err(ODD);
        }
        let at = self.visits.from + number * Visit::LENGTH;
        let mut left = Scan::of(self.pieces.first().get(at..).ok_or(ODD)?);
        Visit::read(&mut left).map(Some)
    }
}

/// What the observation before told.
#[derive(Default)]
struct Last {
    wall: u64,
    tick: u16,
    seq: u64,
    author: usize,
    // One more than its number; zero is none.
    visit: u64,
    how: u8,
}

impl Last {
    /// Another visit is under way.
    fn begin(&mut self, visit: &Visit) {
        (self.wall, self.tick) = (visit.stamp.wall().get(), visit.stamp.tick());
        (self.seq, self.author) = (visit.seq.into(), visit.author as usize);
    }
}

/// Numbers, in the order of their first use.
struct Numbered<T>(HashMap<T, usize, RandomState>, Vec<T>);

impl<T: Clone + Eq + std::hash::Hash> Numbered<T> {
    fn number(&mut self, of: &T) -> usize {
        if let Some(number) = self.0.get(of) {
            return *number;
        }
        self.0.insert(of.clone(), self.1.len());
        self.1.push(of.clone());
        self.1.len() - 1
    }
}

impl<T> Default for Numbered<T> {
    fn default() -> Self {
        Self(HashMap::default(), Vec::new())
    }
}

/// A bundle under way.
#[derive(Default)]
struct Packing {
    chains: Numbered<ChainId>,
    people: Numbered<Arc<str>>,
    authors: Numbered<Author>,
    visits: Numbered<ThingId>,
    // What the first observation of each tells.
    begun: Vec<Visit>,
    values: Numbered<Vec<u8>>,
    // Of each kind its number, how many, whether any is absent, and its bytes' length.
    lists: BTreeMap<ThingId, Vec<(ObservationNumber, usize, bool, usize)>>,
    bodies: BTreeMap<About, Vec<u8>>,
}

impl Packing {
    fn list(&mut self, (thing, what): About, list: &[Observation]) {
        if list.is_empty() {
            return;
        }
        let mut body = Vec::with_capacity(14 * list.len());
        let mut last = Last::default();
        for seen in list {
            self.observation(seen, &mut last, &mut body);
        }
        let is_blank = |seen: &Observation| matches!(seen.value, Value::Absent(_));
        let has_blanks = list.iter().any(is_blank);
        let kinds = self.lists.entry(thing).or_default();
        kinds.push((what, list.len(), has_blanks, body.len()));
        self.bodies.insert((thing, what), body);
    }

    /// Numbers the visits of all observations as they began, so that those of a list are near each other.
    fn visits<'a>(&mut self, all: impl Iterator<Item = &'a Observation>) {
        let mut first = HashMap::<_, &Observation, RandomState>::default();
        for seen in all {
            if let Some(visit) = seen.visit {
                let known = first.entry(visit).or_insert(seen);
                if seen.rank() < known.rank() {
                    *known = seen;
                }
            }
        }
        let mut first: Vec<_> = first.into_iter().collect();
        first.sort_unstable_by_key(|(visit, seen)| (seen.rank(), *visit));
        for (id, seen) in first {
            self.visits.number(&id);
            let author = self.author(seen);
            self.begun.push(Visit {
                id,
                author: author as u32,
                seq: seen.place.seq.get() as u32,
                stamp: seen.stamp,
            });
        }
    }

    fn author(&mut self, seen: &Observation) -> usize {
        self.authors.number(&Author {
            chain: seen.place.chain,
            by: Arc::clone(&seen.by),
            utc_offset_min: seen.utc_offset_min,
        })
    }

    fn observation(&mut self, seen: &Observation, last: &mut Last, body: &mut Vec<u8>) {
        let author = self.author(seen);
        let begun = seen.visit.map(|visit| self.visits.number(&visit));
        let visit = begun.map_or(0, |begun| begun as u64 + 1);
        let visit_before = last.visit;
        if visit != visit_before
            && let Some(begun) = begun
        {
            last.begin(&self.begun[begun]);
        }
        let (wall, tick) = (seen.stamp.wall().get(), seen.stamp.tick());
        let (seq, how) = (seen.place.seq.get(), codec::how_code(seen.how));
        let flag = |is: bool, flag: u8| if is { flag } else { 0 };
        body.push(
            flag(author != last.author, AUTHOR)
                | flag(visit != visit_before, VISIT)
                | flag(wall != last.wall, WALL)
                | flag(how != last.how, HOW)
                | flag(tick != last.tick, TICK)
                | flag(seen.index != 0, INDEX),
        );
        if visit != visit_before {
            signed(body, visit.wrapping_sub(visit_before) as i64);
        }
        if wall != last.wall {
            signed(body, wall.wrapping_sub(last.wall) as i64);
        }
        signed(body, seq.wrapping_sub(last.seq) as i64);
        if author != last.author {
            number(body, author as u64);
        }
        if how != last.how {
            body.push(how);
        }
        if tick != last.tick {
            signed(body, i64::from(tick.wrapping_sub(last.tick) as i16));
        }
        if seen.index != 0 {
            number(body, u64::from(seen.index));
        }
        let from = body.len();
        brief::put(&seen.value, body);
        if body.len() - from >= LONG {
            let long = body.split_off(from);
            body.push(brief::NO_VALUE);
            number(body, self.values.number(&long) as u64);
        }
        *last = Last {
            wall,
            tick,
            seq,
            author,
            visit,
            how,
        };
    }

    fn finish(mut self) -> Vec<u8> {
        let mut all = Vec::new();
        let out = &mut all;
        let authors = core::mem::take(&mut self.authors.1).into_iter();
        let authors: Vec<_> = authors
            .map(|author| {
                let chain = self.chains.number(&author.chain);
                (chain, self.people.number(&author.by), author.utc_offset_min)
            })
            .collect();
        number(out, self.chains.1.len() as u64);
        for chain in &self.chains.1 {
            out.extend_from_slice(chain.bytes());
        }
        number(out, self.people.1.len() as u64);
        for by in &self.people.1 {
            sized(out, by.as_bytes());
        }
        number(out, authors.len() as u64);
        for (chain, by, utc_offset_min) in authors {
            number(out, chain as u64);
            number(out, by as u64);
            signed(out, i64::from(utc_offset_min));
        }
        number(out, self.begun.len() as u64);
        self.begun.iter().for_each(|visit| visit.put(out));
        number(out, self.values.1.len() as u64);
        for value in &self.values.1 {
            out.extend_from_slice(value);
        }
        number(out, self.lists.len() as u64);
        for (thing, kinds) in &self.lists {
            out.extend_from_slice(thing.bytes());
            number(out, kinds.len() as u64);
            for (what, many, has_blanks, length) in kinds {
                number(out, u64::from(what.0));
                number(out, *many as u64);
                out.push(u8::from(*has_blanks));
                number(out, *length as u64);
            }
        }
        for body in self.bodies.values() {
            out.extend_from_slice(body);
        }
        all
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::crews;
    use super::super::replay::State;
    use super::*;

    /// Reads a bundle that was cut into about so many pieces, each of them shorter than the one before.
    fn read(bytes: Vec<u8>, cuts: usize) -> Result<Bundle, CodecError> {
        let (mut pieces, mut left) = (Vec::<Piece>::new(), bytes.as_slice());
        for nth in 0..cuts {
            let (piece, rest) = left.split_at(left.len() * (cuts - nth) / (cuts + 1));
            pieces.push(Box::new(piece.to_vec()));
            left = rest;
        }
        pieces.push(Box::new(left.to_vec()));
        Bundle::read(pieces)
    }

    proptest! {
        #[test]
        fn what_was_packed_is_the_same_and_goes_on_with_what_came_since(
            steps in crews::steps(),
            cuts in prop::array::uniform2(any::<prop::sample::Index>()),
        ) {
            let played = crews::play(&steps);
            let all = State::of(&played.placed);
            let lists: Vec<_> = all.lists().map(|(thing, what, list)| ((thing, what), list)).collect();
            let mut parts = vec![State::default(), State::default(), State::default()];
            for (about, list) in &lists {
                for (at, seen) in list.iter().enumerate() {
                    // Not in order, as they come from several devices.
                    let part = (at * 7 + cuts[at % 2].index(3)) % 3;
                    parts[part].observe(about.0, about.1, seen.clone());
                }
            }
            let since = parts.pop().unwrap();
            let mut told = State::made_of(
                all.registers().map(|(thing, field, register)| ((thing, field), register.clone())),
                since.lists().map(|(thing, what, list)| ((thing, what), list.to_vec())),
            );
            for part in parts {
                let lists = part.lists().map(|(thing, what, list)| ((thing, what), list));
                let bundle = read(Bundle::pack(lists), cuts[0].index(9)).unwrap();
                prop_assert_eq!(bundle.len(), part.all_observations().count());
                told.put_bundle(&bundle, None, None);
            }
            prop_assert!(told.weight() <= all.weight());
            prop_assert_eq!(told, all);
        }

        #[test]
        fn no_bytes_make_the_reader_panic(bytes in any::<Vec<u8>>()) {
            let _unread = read(bytes, 1).is_ok();
        }

        #[test]
        fn a_list_that_is_none_ends_there(
            steps in crews::steps(),
            at in any::<prop::sample::Index>(),
            byte in any::<u8>(),
        ) {
            let all = State::of(&crews::play(&steps).placed);
            let lists = all.lists().map(|(thing, what, list)| ((thing, what), list));
            let mut bytes = Bundle::pack(lists);
            let at = at.index(bytes.len());
            bytes[at] = byte;
            if let Ok(bundle) = read(bytes, byte.into()) {
                for (_, packed) in bundle.lists() {
                    prop_assert!(packed.unpacked().len() <= packed.len());
                }
            }
        }
    }

    #[test]
    fn every_part_of_an_observation_comes_back() {
        let long = "the seal weeps where the screw was forced".to_owned();
        let seen = |nth: u16| Observation {
            place: Place {
                chain: ChainId::from_bytes([(nth / 3) as u8; 16]),
                seq: Seq::new(900 - u64::from(nth)).unwrap(),
            },
            index: nth % 2 * 700,
            stamp: Stamp::new(
                WallMs::new(1_000_000 + u64::from(nth) * 40_000),
                nth % 4 * 9_000,
            ),
            utc_offset_min: -60 * (nth as i16 % 3),
            by: ["R. Ash", "T. Birch"][usize::from(nth % 2)].into(),
            visit: (!nth.is_multiple_of(3)).then(|| ThingId::from_bytes([nth as u8; 16])),
            value: match nth % 4 {
                0 => Value::Text(long.clone()),
                1 => Value::Absent(crate::log::value::Absence::Cleared),
                2 => Value::Number(f64::from(nth) / 3.0),
                _ => Value::Number(f64::from(nth) / 4.0),
            },
            how: codec::code_how((nth % 7) as u8),
        };
        let list: Vec<_> = (0..40).map(seen).collect();
        let (one, other) = (list.as_slice(), &list[2..3]);
        let about = |thing, what| (ThingId::from_bytes([thing; 16]), ObservationNumber(what));
        let lists = [(about(1, 7), one), (about(1, 9), &[]), (about(2, 7), other)];
        let bytes = Bundle::pack(lists.into_iter());
        let bundle = read(bytes.clone(), 5).unwrap();
        let made: Vec<_> = bundle
            .lists()
            .map(|(about, packed)| (about, packed.unpacked()))
            .collect();
        assert_eq!(
            made,
            [(about(1, 7), list.clone()), (about(2, 7), other.to_vec())]
        );
        let blanks: Vec<_> = bundle
            .lists()
            .map(|(_, packed)| packed.has_blanks())
            .collect();
        assert_eq!(blanks, [true, false]);
        let times = |bytes: &[u8], text: &str| {
            bytes
                .windows(text.len())
                .filter(|at| *at == text.as_bytes())
                .count()
        };
        assert_eq!(times(&bytes, &long), 1);
    }
}
