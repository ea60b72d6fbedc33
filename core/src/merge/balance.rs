//! What a logbook's entries up to some moment come to, in bytes, so that whoever goes on from there need
//! not fold them again.

use super::fold::{At, Field, Number, Open};
use super::lately::Lately;
use crate::log::brief;
use crate::log::codec::{self, CodecError};
use crate::log::id::{ChainId, FieldNumber, Place, Seq, ThingId};
use crate::log::shapes::{self, Scan, number, signed};
use crate::log::stamp::{Stamp, WallMs};

/// The open writes of a logbook's fields, and what the writers of its chains had.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Balance {
    pub(crate) chains: Vec<Chain>,
    pub(crate) fields: Fields,
}

/// Fields of things, by both and in order.
pub(crate) type Fields = Vec<((ThingId, FieldNumber), Field)>;

/// One chain, and how far its writer has each of the others.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Chain {
    pub(crate) id: ChainId,
    /// Its last entry.
    pub(crate) last: Option<Seq>,
    /// By where the other stands; zero is nothing.
    pub(crate) knows: Vec<u64>,
}

const ODD: CodecError = CodecError::Shape("the balance is in another shape");

/// Whether an entry is among those of these chains.
pub(crate) fn includes(chains: &[Chain], place: Place) -> bool {
    let mut chains = chains.iter();
    let chain = chains.find(|chain| chain.id == place.chain);
    chain.is_some_and(|chain| chain.last >= Some(place.seq))
}

/// Writes the chains of a balance.
pub(crate) fn put_chains(chains: &[Chain], out: &mut Vec<u8>) {
    number(out, chains.len() as u64);
    for chain in chains {
        out.extend_from_slice(chain.id.bytes());
        number(out, chain.last.map_or(0, Seq::get));
        number(out, chain.knows.len() as u64);
        for known in &chain.knows {
            number(out, *known);
        }
    }
}

impl Balance {
    /// The same of one thing alone.
    pub(crate) fn of_thing(&self, thing: ThingId) -> Self {
        let from = self.fields.partition_point(|((of, _), _)| *of < thing);
        let fields = self.fields[from..].iter();
        let fields = fields.take_while(|((of, _), _)| *of == thing);
        Self {
            chains: self.chains.clone(),
            fields: fields.cloned().collect(),
        }
    }

    /// Goes on with what was written since; `fields` are those of the things that it is of, in order.
    pub(crate) fn go_on(&mut self, lately: Lately, mut fields: Fields) {
        self.fields.retain(|((thing, _), _)| !lately.is_of(*thing));
        self.fields.append(&mut fields);
        self.fields.sort_by_key(|(of, _)| *of);
        self.chains = lately.chains;
    }

    /// Writes the fields, for whoever has the chains.
    pub(crate) fn put_fields(&self, out: &mut Vec<u8>) {
        let mut wall = 0;
        let of_one_thing =
            |one: &((ThingId, _), _), other: &((ThingId, _), _)| one.0.0 == other.0.0;
        number(out, self.fields.chunk_by(of_one_thing).count() as u64);
        for fields in self.fields.chunk_by(of_one_thing) {
            out.extend_from_slice(fields[0].0.0.bytes());
            number(out, fields.len() as u64);
            for ((_, number), field) in fields {
                shapes::number(out, u64::from(number.0));
                shapes::number(out, field.open().count() as u64);
                for write in field.open() {
                    put_write(write, wall, out);
                    wall = write.stamp.wall().get();
                }
            }
        }
    }

    /// Reads what [`put_chains`] wrote.
    ///
    /// # Errors
    /// [`CodecError`] where the bytes are no chains.
    pub(crate) fn read_chains(left: &mut Scan<'_>) -> Result<Vec<Chain>, CodecError> {
        left.items(|left| {
            Ok(Chain {
                id: ChainId::from_bytes(left.array()?),
                last: Seq::new(left.number()?),
                knows: left.items(Scan::number)?,
            })
        })
    }

    /// Reads what [`Self::put_fields`] wrote, of these chains.
    ///
    /// # Errors
    /// [`CodecError`] where the bytes are no fields.
    pub(crate) fn read(chains: Vec<Chain>, left: &mut Scan<'_>) -> Result<Self, CodecError> {
        let mut fields = Vec::new();
        let mut wall = 0_u64;
        for _ in 0..left.count()? {
            let thing = ThingId::from_bytes(left.array()?);
            for _ in 0..left.count()? {
                let number = FieldNumber(left.number_u16()?);
                let others = left.count()?.checked_sub(1).ok_or(ODD)?;
                let mut field = Field::of(read_write(left, &mut wall, chains.len())?);
                for _ in 0..others {
                    field.put(read_write(left, &mut wall, chains.len())?);
                }
                fields.push(((thing, number), field));
            }
        }
        Ok(Self { chains, fields })
    }
}

/// Writes a write; the one before it was made at this time.
fn put_write(write: &Open, before: u64, out: &mut Vec<u8>) {
    number(out, u64::from(write.at.chain));
    number(out, write.at.seq.get());
    let wall = write.stamp.wall().get();
    signed(out, wall.wrapping_sub(before) as i64);
    number(out, u64::from(write.stamp.tick()));
    out.push(codec::how_code(write.how));
    brief::put(&write.value, out);
}

/// Reads a write of one of so many chains.
fn read_write(left: &mut Scan<'_>, wall: &mut u64, chains: usize) -> Result<Open, CodecError> {
    let chain = left.count()?;
    let is_there = chain < chains;
    let seq = Seq::new(left.number()?).ok_or(ODD)?;
    *wall = wall.wrapping_add_signed(left.signed()?);
    let stamp = Stamp::new(WallMs::new(*wall), left.number_u16()?);
    let how = codec::code_how(left.byte()?);
    let value = brief::read(left)?;
    let chain = Number::try_from(chain).ok().filter(|_| is_there);
    Ok(Open {
        at: At {
            chain: chain.ok_or(ODD)?,
            seq,
        },
        stamp,
        value,
        how,
    })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::crews::{self, THING};
    use super::super::fold::Fold;
    use super::super::replay::Placed;
    use super::*;

    fn fold(mut fold: Fold, entries: &[Placed]) -> Fold {
        fold.take(entries.to_vec());
        fold
    }

    proptest! {
        #[test]
        fn whoever_goes_on_from_a_balance_comes_to_the_same(
            steps in crews::steps(),
            cut in any::<prop::sample::Index>(),
        ) {
            let placed = crews::play(&steps).told();
            let (before, after) = placed.split_at(cut.index(placed.len() + 1));
            let balance = fold(Fold::default(), before).balance();
            let mut bytes = Vec::new();
            put_chains(&balance.chains, &mut bytes);
            balance.put_fields(&mut bytes);
            let mut left = Scan::of(&bytes);
            let chains = Balance::read_chains(&mut left).unwrap();
            let read = Balance::read(chains, &mut left).unwrap();
            prop_assert!(left.is_empty());
            prop_assert_eq!(&read, &balance);
            for Placed { place, .. } in &placed {
                let is_before = before.iter().any(|placed| placed.place == *place);
                prop_assert_eq!(includes(&read.chains, *place), is_before);
            }
            let of_thing = read.of_thing(THING);
            let went_on = fold(Fold::resume(read), after).balance();
            let all = fold(Fold::default(), &placed).balance();
            prop_assert_eq!(went_on, all);
            let things = balance.fields.iter().map(|((thing, _), _)| *thing);
            prop_assert_eq!(of_thing.fields.len(), things.filter(|of| *of == THING).count());
        }

        #[test]
        fn no_bytes_make_the_reader_panic(bytes in any::<Vec<u8>>()) {
            let mut left = Scan::of(&bytes);
            if let Ok(chains) = Balance::read_chains(&mut left) {
                let _unread = Balance::read(chains, &mut left).is_ok();
            }
        }
    }
}
