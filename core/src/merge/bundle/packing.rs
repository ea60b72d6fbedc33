//! Observations into a bundle.

use std::borrow::Borrow;
use std::collections::HashMap;
use std::hash::Hash;
use std::sync::Arc;

use foldhash::fast::RandomState;

use super::{AUTHOR, About, Author, HOW, INDEX, LONG, Last, TICK, VISIT, Visit, WALL};
use crate::log::brief;
use crate::log::codec;
use crate::log::id::{ChainId, ObservationNumber, ThingId};
use crate::log::shapes::{number, signed, sized};
use crate::log::value::Value;
use crate::merge::state::Observation;

/// Of observations of one kind its number, how many they are, whether any is absent, and their bytes' length.
type Kind = (ObservationNumber, usize, bool, usize);

/// A bundle under way.
#[derive(Default)]
pub(super) struct Packing {
    chains: Numbered<ChainId>,
    people: Numbered<Arc<str>>,
    authors: Numbered<Author>,
    visits: Numbered<ThingId>,
    // What the first observation of each tells.
    begun: Vec<Visit>,
    values: Numbered<Vec<u8>>,
    lists: Vec<(ThingId, Kind)>,
    bodies: Vec<u8>,
}

impl Packing {
    /// Packs a list, which comes after those so far by thing and kind.
    pub(super) fn list(&mut self, (thing, what): About, list: &[Observation]) {
        if list.is_empty() {
            return;
        }
        let mut bodies = core::mem::take(&mut self.bodies);
        let from = bodies.len();
        let mut last = Last::default();
        for seen in list {
            self.observation(seen, &mut last, &mut bodies);
        }
        let is_blank = |seen: &Observation| matches!(seen.value, Value::Absent(_));
        let has_blanks = list.iter().any(is_blank);
        let kind = (what, list.len(), has_blanks, bodies.len() - from);
        self.bodies = bodies;
        self.lists.push((thing, kind));
    }

    /// Numbers the visits of all observations as they began, so that those of a list are near each other.
    pub(super) fn visits<'a>(&mut self, all: impl Iterator<Item = &'a Observation>) {
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
            let author = self.author(seen, 0);
            self.begun.push(Visit {
                id,
                author: author as u32,
                seq: seen.place.seq.get() as u32,
                stamp: seen.stamp,
            });
        }
    }

    /// The number of its author, who mostly is that of the one before.
    fn author(&mut self, seen: &Observation, before: usize) -> usize {
        if let Some(Author {
            chain,
            by,
            utc_offset_min,
        }) = self.authors.1.get(before)
            && (*chain, *utc_offset_min) == (seen.place.chain, seen.utc_offset_min)
            && *by == seen.by
        {
            return before;
        }
        self.authors.number(&Author {
            chain: seen.place.chain,
            by: Arc::clone(&seen.by),
            utc_offset_min: seen.utc_offset_min,
        })
    }

    fn observation(&mut self, seen: &Observation, last: &mut Last, body: &mut Vec<u8>) {
        let author = self.author(seen, last.author);
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
            let value = self.values.number(&body[from..]);
            body.truncate(from);
            body.push(brief::NO_VALUE);
            number(body, value as u64);
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

    pub(super) fn finish(mut self) -> Vec<u8> {
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
        let of_one_thing = |one: &(ThingId, Kind), next: &(ThingId, Kind)| one.0 == next.0;
        let things = self.lists.chunk_by(of_one_thing);
        number(out, things.clone().count() as u64);
        for lists in things {
            out.extend_from_slice(lists[0].0.bytes());
            number(out, lists.len() as u64);
            for (_, (what, many, has_blanks, length)) in lists {
                number(out, u64::from(what.0));
                number(out, *many as u64);
                out.push(u8::from(*has_blanks));
                number(out, *length as u64);
            }
        }
        out.extend_from_slice(&self.bodies);
        all
    }
}

/// Numbers, in the order of their first use.
struct Numbered<T>(HashMap<T, usize, RandomState>, Vec<T>);

impl<T: Clone + Eq + Hash> Numbered<T> {
    fn number<Q: ToOwned<Owned = T> + Eq + Hash + ?Sized>(&mut self, of: &Q) -> usize
    where
        T: Borrow<Q>,
    {
        if let Some(number) = self.0.get(of) {
            return *number;
        }
        self.0.insert(of.to_owned(), self.1.len());
        self.1.push(of.to_owned());
        self.1.len() - 1
    }
}

impl<T> Default for Numbered<T> {
    fn default() -> Self {
        Self(HashMap::default(), Vec::new())
    }
}
