//! Observations of a logbook, packed: found by thing and kind, and made one kind at a time.
//!
//! Ids, authors and longer values are told once and named by their numbers. Each list tells of an
//! observation what is not as in the one before it or, where another visit begins, in that visit's first.

mod head;
mod packed;
mod packing;

use std::sync::Arc;

pub(crate) use packed::Packed;

use super::pieces::{Piece, Pieces};
use super::state::Observation;
use crate::log::codec::CodecError;
use crate::log::id::{ChainId, ObservationNumber, ThingId};
use crate::log::shapes::Scan;
use crate::log::stamp::Stamp;
use head::Head;
use packing::Packing;

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

impl Bundle {
    /// Packs lists of observations, by thing and kind and each in order, into bytes.
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

const ODD: CodecError = CodecError::Shape("the bundle is in another shape");

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use crate::log::codec;
    use crate::log::id::{Place, Seq};
    use crate::log::stamp::WallMs;
    use crate::log::value::Value;

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
