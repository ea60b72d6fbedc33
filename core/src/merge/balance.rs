//! What a logbook's entries up to some moment come to, in bytes, so that whoever goes on from there need
//! not fold them again.

use super::register::{Register, Write};
use crate::log::brief;
use crate::log::codec::{self, CodecError};
use crate::log::id::{ChainId, FieldNumber, Place, Seq, ThingId};
use crate::log::shapes::{Scan, number, signed};
use crate::log::stamp::{Stamp, WallMs};

/// The registers of a logbook, and what the writers of its chains had.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Balance {
    pub(crate) chains: Vec<Chain>,
    /// By thing and field, in order.
    pub(crate) registers: Vec<((ThingId, FieldNumber), Register)>,
}

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
        let from = self.registers.partition_point(|((of, _), _)| *of < thing);
        let registers = self.registers[from..].iter();
        let registers = registers.take_while(|((of, _), _)| *of == thing);
        Self {
            chains: self.chains.clone(),
            registers: registers.cloned().collect(),
        }
    }

    /// Writes the registers, for whoever has the chains.
    pub(crate) fn put_registers(&self, out: &mut Vec<u8>) {
        let mut wall = 0;
        let of_one_thing =
            |one: &((ThingId, _), _), other: &((ThingId, _), _)| one.0.0 == other.0.0;
        number(out, self.registers.chunk_by(of_one_thing).count() as u64);
        for fields in self.registers.chunk_by(of_one_thing) {
            out.extend_from_slice(fields[0].0.0.bytes());
            number(out, fields.len() as u64);
            for ((_, field), register) in fields {
                number(out, u64::from(field.0));
                number(out, register.open().len() as u64);
                for write in register.open() {
                    wall = self.put_write(write, wall, out);
                }
            }
        }
    }

    fn put_write(&self, write: &Write, before: u64, out: &mut Vec<u8>) -> u64 {
        let of = |chain: &Chain| chain.id == write.place.chain;
        let chain = self.chains.iter().position(of);
        number(out, chain.expect("whoever wrote has a chain") as u64);
        number(out, write.place.seq.get());
        let wall = write.stamp.wall().get();
        signed(out, wall.wrapping_sub(before) as i64);
        number(out, u64::from(write.stamp.tick()));
        out.push(codec::how_code(write.how));
        brief::put(&write.value, out);
        wall
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

    /// Reads what [`Self::put_registers`] wrote, of these chains.
    ///
    /// # Errors
    /// [`CodecError`] where the bytes are no registers.
    pub(crate) fn read(chains: Vec<Chain>, left: &mut Scan<'_>) -> Result<Self, CodecError> {
        let mut registers = Vec::new();
        let mut wall = 0_u64;
        for _ in 0..left.count()? {
            let thing = ThingId::from_bytes(left.array()?);
            for _ in 0..left.count()? {
                let field = FieldNumber(left.number_u16()?);
                let mut open = Vec::with_capacity(1);
                for _ in 0..left.count()? {
                    let chain = chains.get(left.count()?).ok_or(ODD)?.id;
                    let seq = Seq::new(left.number()?).ok_or(ODD)?;
                    wall = wall.wrapping_add_signed(left.signed()?);
                    let stamp = Stamp::new(WallMs::new(wall), left.number_u16()?);
                    let how = codec::code_how(left.byte()?);
                    open.push(Write {
                        place: Place { chain, seq },
                        stamp,
                        value: brief::read(left)?,
                        how,
                    });
                }
                let register = Register::of_open(open).ok_or(ODD)?;
                registers.push(((thing, field), register));
            }
        }
        Ok(Self { chains, registers })
    }
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
            balance.put_registers(&mut bytes);
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
            let things = balance.registers.iter().map(|((thing, _), _)| *thing);
            prop_assert_eq!(of_thing.registers.len(), things.filter(|of| *of == THING).count());
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
