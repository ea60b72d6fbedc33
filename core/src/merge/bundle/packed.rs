//! One list of a bundle, and its observations when somebody asks.

use std::sync::Arc;

use super::{AUTHOR, HOW, INDEX, Inner, Last, ODD, TICK, VISIT, WALL, Where};
use crate::log::brief;
use crate::log::codec::{self, CodecError};
use crate::log::id::{Place, Seq};
use crate::log::shapes::Scan;
use crate::log::stamp::{Stamp, WallMs};
use crate::log::value::Value;
use crate::merge::state::Observation;

/// The observations of one list in a bundle.
#[derive(Debug, Clone)]
pub(crate) struct Packed {
    pub(super) bundle: Arc<Inner>,
    pub(super) at: Where,
    // Those after it do not count.
    pub(super) until: Option<Stamp>,
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
