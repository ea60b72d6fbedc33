//! Every table: its key, its value, its order, and who writes it.
//!
//! Numbers in keys are big-endian, so that byte order is number order and everything of one
//! logbook, and of one thing in it, is one short range. A table whose rows change shape takes a
//! new name.

use redb::{ReadableTable, TableDefinition};
use serde::{Deserialize, Serialize};

use super::{Bookmark, Error, Met};
use crate::log::chain::{self, Link, Tip};
use crate::log::codec::{self, CodecError};
use crate::log::id::{
    Arrival, ChainId, DeviceId, FieldNumber, LogbookId, ObservationNumber, Place, Seq, ThingId,
};
use crate::log::seal::Seal;
use crate::log::shapes::{Scan, number, signed, sized, sized_by};
use crate::log::stamp::{Clock, Stamp, WallMs};
use crate::log::vector::VersionVector;
use crate::merge::branches::{Branch, Parting};
use crate::merge::register::{Register, Write};
use crate::merge::replay::{Observation, Verdict};

/// Arrival -> arrival time (8), check (8), the entry's bytes. In order of arrival. Irreplaceable.
pub(super) const ENTRIES: TableDefinition<'_, u64, &[u8]> = TableDefinition::new("entries_v1");
/// Logbook, chain, seq -> arrival (8), tip (8). By logbook, chain, place. Derived.
pub(super) const ORIGIN: TableDefinition<'_, &[u8; 40], &[u8; 16]> =
    TableDefinition::new("origin_v1");
/// Logbook, chain -> last seq, its tip, link, what its writer knew of other chains. Derived.
pub(super) const HEADS: TableDefinition<'_, &[u8; 32], &[u8]> = TableDefinition::new("heads_v1");
/// Logbook, branch -> device (16), first seq (8), the chain that it leaves (16). Derived.
pub(super) const BRANCHES: TableDefinition<'_, &[u8; 32], &[u8; 40]> =
    TableDefinition::new("branches_v1");
/// Logbook, device, seq, tip of the entry before: where chains part -> the tip that goes on with
/// the chain's id. Derived.
pub(super) const PARTINGS: TableDefinition<'_, &[u8; 48], &[u8; 8]> =
    TableDefinition::new("partings_v1");
/// Logbook, thing, field -> the field's open writes. Derived.
pub(super) const REGISTERS: TableDefinition<'_, &[u8; 34], &[u8]> =
    TableDefinition::new("registers_v1");
/// Logbook, arrival, index -> thing (16), kind (2), the observation. Derived. By arrival, so that what
/// comes in a day lies together.
pub(super) const OBSERVATIONS: TableDefinition<'_, &[u8; 26], &[u8]> =
    TableDefinition::new("observations_v2");
/// Logbook, thing, arrival -> how far the next arrivals of entries that touch the thing lie from each
/// other, up to 64 a row. Derived.
pub(super) const TOUCHES: TableDefinition<'_, &[u8; 40], &[u8]> =
    TableDefinition::new("touches_v2");
/// Logbook, chain, seq -> the stamp of the earliest receipt for that entry. Derived.
pub(super) const RECEIPTS: TableDefinition<'_, &[u8; 40], u64> =
    TableDefinition::new("receipts_v1");
/// Logbook, chain, seq -> 1 where that entry is held back, 2 where it was admitted. Derived.
pub(super) const VERDICTS: TableDefinition<'_, &[u8; 40], u8> = TableDefinition::new("verdicts_v1");
/// Logbook, device, seq, link -> public key (32), signature (64): how far a device says that its
/// chain goes. Irreplaceable, though whoever else holds the entries has one as well.
pub(super) const SEALS: TableDefinition<'_, &[u8; 72], &[u8; 96]> =
    TableDefinition::new("seals_v1");
/// Peer store -> what is remembered of the last meeting. Irreplaceable, though losing it costs
/// only bytes on the wire.
pub(super) const PEERS: TableDefinition<'_, &[u8; 16], &[u8]> = TableDefinition::new("peers_v1");
/// Name -> value: format, store id, device id and key, clock, and the settings of the program
/// around.
pub(super) const IDENTITY: TableDefinition<'_, &str, &[u8]> = TableDefinition::new("identity_v1");

/// Joins the parts of a key.
fn joined<const N: usize>(parts: &[&[u8]]) -> [u8; N] {
    let mut key = [0; N];
    let mut rest = key.as_mut_slice();
    for part in parts {
        let (here, after) = rest.split_at_mut(part.len());
        here.copy_from_slice(part);
        rest = after;
    }
    debug_assert!(rest.is_empty(), "the parts of a key fill it");
    key
}

fn first<const N: usize>(bytes: &[u8]) -> Option<([u8; N], &[u8])> {
    let (first, rest) = bytes.split_first_chunk::<N>()?;
    Some((*first, rest))
}

pub(super) fn origin_key(logbook: LogbookId, place: Place) -> [u8; 40] {
    joined(&[
        logbook.bytes(),
        place.chain.bytes(),
        &place.seq.get().to_be_bytes(),
    ])
}

/// The logbook and place within an origin's key.
///
/// # Errors
/// [`Error::DamagedIndex`] where it is none.
pub(super) fn origin_ids(key: &[u8; 40]) -> Result<(LogbookId, Place), Error> {
    let (logbook, rest) = first::<16>(key).expect("40 bytes begin with 16");
    let (chain, rest) = first::<16>(rest).expect("24 bytes begin with 16");
    let (seq, _) = first::<8>(rest).expect("8 bytes follow");
    let place = Place {
        chain: ChainId::from_bytes(chain),
        seq: Seq::new(u64::from_be_bytes(seq)).ok_or(Error::damaged_index("origin"))?,
    };
    Ok((LogbookId::from_bytes(logbook), place))
}

pub(super) fn origin_row(arrival: Arrival, tip: Tip) -> [u8; 16] {
    joined(&[&arrival.0.to_be_bytes(), &tip.0])
}

pub(super) fn origin_parts(row: &[u8; 16]) -> (Arrival, Tip) {
    let (arrival, rest) = first::<8>(row).expect("16 bytes begin with 8");
    let (tip, _) = first::<8>(rest).expect("8 bytes follow");
    (Arrival(u64::from_be_bytes(arrival)), Tip(tip))
}

/// The key of a chain's head, or of a branch.
pub(super) fn chain_key(logbook: LogbookId, chain: ChainId) -> [u8; 32] {
    joined(&[logbook.bytes(), chain.bytes()])
}

pub(super) fn chain_ids(key: &[u8; 32]) -> (LogbookId, ChainId) {
    let (logbook, rest) = first::<16>(key).expect("32 bytes begin with 16");
    let (chain, _) = first::<16>(rest).expect("16 bytes follow");
    (LogbookId::from_bytes(logbook), ChainId::from_bytes(chain))
}

pub(super) fn branch_row(branch: &Branch) -> [u8; 40] {
    let from = branch.from.get().to_be_bytes();
    joined(&[branch.device.bytes(), &from, branch.of.bytes()])
}

pub(super) fn branch(row: &[u8; 40]) -> Result<Branch, Error> {
    let (device, rest) = first::<16>(row).expect("40 bytes begin with 16");
    let (from, rest) = first::<8>(rest).expect("24 bytes begin with 8");
    let (of, _) = first::<16>(rest).expect("16 bytes follow");
    Ok(Branch {
        device: DeviceId::from_bytes(device),
        from: Seq::new(u64::from_be_bytes(from)).ok_or(Error::damaged_index("branches"))?,
        of: ChainId::from_bytes(of),
    })
}

pub(super) fn parting_key(logbook: LogbookId, (device, seq, before): Parting) -> [u8; 48] {
    let seq = seq.get().to_be_bytes();
    joined(&[logbook.bytes(), device.bytes(), &seq, &before.0])
}

pub(super) fn parting(key: &[u8; 48]) -> Result<Parting, Error> {
    let (device, rest) = first::<16>(&key[16..]).expect("32 bytes begin with 16");
    let (seq, rest) = first::<8>(rest).expect("16 bytes begin with 8");
    let (before, _) = first::<8>(rest).expect("8 bytes follow");
    let seq = Seq::new(u64::from_be_bytes(seq)).ok_or(Error::damaged_index("partings"))?;
    Ok((DeviceId::from_bytes(device), seq, Tip(before)))
}

pub(super) fn seal_key(device: DeviceId, seal: &Seal) -> [u8; 72] {
    let seq = seal.seq.get().to_be_bytes();
    joined(&[
        seal.logbook.bytes(),
        device.bytes(),
        &seq,
        seal.link.bytes(),
    ])
}

pub(super) fn seal_row(seal: &Seal) -> [u8; 96] {
    joined(&[&seal.key, &seal.signature])
}

pub(super) fn seal(key: &[u8; 72], row: &[u8; 96]) -> Result<(DeviceId, Seal), Error> {
    let (logbook, rest) = first::<16>(key).expect("72 bytes begin with 16");
    let (device, rest) = first::<16>(rest).expect("56 bytes begin with 16");
    let (seq, rest) = first::<8>(rest).expect("40 bytes begin with 8");
    let (link, _) = first::<32>(rest).expect("32 bytes follow");
    let (public, rest) = first::<32>(row).expect("96 bytes begin with 32");
    let (signature, _) = first::<64>(rest).expect("64 bytes follow");
    let seal = Seal {
        logbook: LogbookId::from_bytes(logbook),
        key: public,
        seq: Seq::new(u64::from_be_bytes(seq)).ok_or(Error::damaged_index("seals"))?,
        link: Link::from_bytes(link),
        signature,
    };
    Ok((DeviceId::from_bytes(device), seal))
}

pub(super) fn register_key(logbook: LogbookId, thing: ThingId, field: FieldNumber) -> [u8; 34] {
    joined(&[logbook.bytes(), thing.bytes(), &field.0.to_be_bytes()])
}

/// The thing and field within a register's key.
pub(super) fn register_ids(key: &[u8; 34]) -> (ThingId, FieldNumber) {
    let (thing, rest) = first::<16>(&key[16..]).expect("18 bytes begin with 16");
    let (field, _) = first::<2>(rest).expect("2 bytes follow");
    (
        ThingId::from_bytes(thing),
        FieldNumber(u16::from_be_bytes(field)),
    )
}

pub(super) fn observation_key(logbook: LogbookId, arrival: Arrival, index: u16) -> [u8; 26] {
    joined(&[
        logbook.bytes(),
        &arrival.0.to_be_bytes(),
        &index.to_be_bytes(),
    ])
}

/// The key that an observation has now, and what its row begins with now, by its key in format 1:
/// logbook, thing, kind, arrival, index.
pub(super) fn observation_of_1(key: &[u8; 44]) -> ([u8; 26], [u8; 18]) {
    let (logbook, rest) = first::<16>(key).expect("44 bytes begin with 16");
    let (about, rest) = first::<18>(rest).expect("28 bytes begin with 18");
    (joined(&[&logbook, rest]), about)
}

pub(super) fn touch_key(logbook: LogbookId, thing: ThingId, arrival: Arrival) -> [u8; 40] {
    joined(&[logbook.bytes(), thing.bytes(), &arrival.0.to_be_bytes()])
}

/// What a touch's key consists of.
pub(super) fn touch_ids(key: &[u8; 40]) -> (LogbookId, ThingId, Arrival) {
    let (logbook, rest) = first::<16>(key).expect("40 bytes begin with 16");
    let (thing, _) = first::<16>(rest).expect("24 bytes begin with 16");
    (
        LogbookId::from_bytes(logbook),
        ThingId::from_bytes(thing),
        touch_arrival(key),
    )
}

/// The arrival within a touch's key.
pub(super) fn touch_arrival(key: &[u8; 40]) -> Arrival {
    let (arrival, _) = first::<8>(&key[32..]).expect("8 bytes are left");
    Arrival(u64::from_be_bytes(arrival))
}

/// Under which name it is kept how far the store's own device wrote in a logbook that was dropped.
pub(super) fn left_key(logbook: LogbookId) -> String {
    format!("left/{logbook}")
}

pub(super) fn setting_key(name: &str) -> String {
    format!("setting/{name}")
}

/// The whole range of keys that begin with these parts.
pub(super) fn range<const N: usize>(parts: &[&[u8]]) -> ([u8; N], [u8; N]) {
    let filled = |with: u8| {
        let mut key = [with; N];
        let mut rest = key.as_mut_slice();
        for part in parts {
            let (here, after) = rest.split_at_mut(part.len());
            here.copy_from_slice(part);
            rest = after;
        }
        key
    };
    (filled(0), filled(u8::MAX))
}

/// An entry's row; its check covers where and when it arrived, too.
pub(super) fn entry_row(arrival: Arrival, arrived: WallMs, raw: &[u8]) -> Vec<u8> {
    let mut row = Vec::with_capacity(16 + raw.len());
    row.extend_from_slice(&arrived.get().to_be_bytes());
    row.extend_from_slice(&row_check(arrival, arrived, raw));
    row.extend_from_slice(raw);
    row
}

/// The arrival time and the bytes of an entry.
///
/// # Errors
/// [`Error::DamagedEntry`] where the row does not fit its check.
pub(super) fn entry_parts(arrival: Arrival, row: &[u8]) -> Result<(WallMs, &[u8]), Error> {
    let parts = || {
        let (arrived, rest) = first::<8>(row)?;
        let (check, raw) = first::<8>(rest)?;
        Some((u64::from_be_bytes(arrived), check, raw))
    };
    let (arrived, check, raw) = parts().ok_or(Error::DamagedEntry { arrival })?;
    let arrived_at = WallMs::new(arrived);
    if arrived_at.get() != arrived || row_check(arrival, arrived_at, raw) != check {
        return Err(Error::DamagedEntry { arrival });
    }
    Ok((arrived_at, raw))
}

/// The same of an entry to which an index of a logbook led. The entry may be whole and the index
/// not, so that it is another logbook's: it is given to nobody.
///
/// # Errors
/// Those of [`entry_parts`]; [`Error::DamagedIndex`] where the entry is of another logbook.
pub(super) fn entry_of(
    logbook: LogbookId,
    arrival: Arrival,
    row: &[u8],
) -> Result<(WallMs, &[u8]), Error> {
    let (arrived, raw) = entry_parts(arrival, row)?;
    match codec::peek(raw)?.0 == logbook {
        true => Ok((arrived, raw)),
        false => Err(Error::damaged_index("origin")),
    }
}

/// The bookmark at an entry's row, and the entry's bytes.
///
/// # Errors
/// [`Error::DamagedEntry`] where the row does not fit its check.
pub(super) fn marked(arrival: Arrival, row: &[u8]) -> Result<(Bookmark, &[u8]), Error> {
    let (_, raw) = entry_parts(arrival, row)?;
    let (check, _) = first::<8>(&row[8..]).expect("the row holds its check");
    Ok((Bookmark { arrival, check }, raw))
}

/// The bookmark at an entry's row.
///
/// # Errors
/// [`Error::DamagedEntry`] where the row does not fit its check.
pub(super) fn bookmark(arrival: Arrival, row: &[u8]) -> Result<Bookmark, Error> {
    Ok(marked(arrival, row)?.0)
}

fn row_check(arrival: Arrival, arrived: WallMs, raw: &[u8]) -> [u8; 8] {
    chain::check(&[&arrival.0.to_be_bytes(), &arrived.get().to_be_bytes(), raw])
}

/// What is kept of a chain, as a row.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct HeadRow {
    pub(super) seq: Seq,
    pub(super) tip: Tip,
    pub(super) link: Link,
    pub(super) knew: VersionVector,
}

pub(super) fn head_row(head: &HeadRow) -> Vec<u8> {
    let mut row = Vec::with_capacity(44 + 18 * head.knew.len());
    number(&mut row, head.seq.get());
    row.extend_from_slice(&head.tip.0);
    row.extend_from_slice(head.link.bytes());
    number(&mut row, head.knew.len() as u64);
    for (chain, seq) in head.knew.iter() {
        row.extend_from_slice(chain.bytes());
        number(&mut row, seq.get());
    }
    row
}

pub(super) fn head_parts(row: &[u8]) -> Result<HeadRow, Error> {
    let mut left = Scan::of(row);
    let parts = (|| {
        let (seq, tip, link) = end(&mut left)?;
        let knew = left.items(|left| Ok((ChainId::from_bytes(left.array()?), place(left)?)))?;
        Ok(HeadRow {
            seq,
            tip,
            link,
            knew: knew.into_iter().collect(),
        })
    })();
    whole(parts, left, "heads")
}

/// A chain's end, without what its writer knew: last seq, its tip, the link there.
pub(super) fn head_end(row: &[u8]) -> Result<(Seq, Tip, Link), Error> {
    end(&mut Scan::of(row)).map_err(|_| Error::damaged_index("heads"))
}

fn end(left: &mut Scan<'_>) -> Result<(Seq, Tip, Link), CodecError> {
    let (seq, tip) = (place(left)?, Tip(left.array()?));
    Ok((seq, tip, Link::from_bytes(left.array()?)))
}

fn place(left: &mut Scan<'_>) -> Result<Seq, CodecError> {
    Seq::new(left.number()?).ok_or(CodecError::Shape("its place is zero"))
}

/// What was read of a row, if that was all of it.
fn whole<T>(parts: Result<T, CodecError>, left: Scan<'_>, table: &'static str) -> Result<T, Error> {
    parts
        .and_then(|parts| left.finish().map(|()| parts))
        .map_err(|_| Error::damaged_index(table))
}

type MetParts = (u64, [u8; 8], u64, Vec<[u8; 16]>);

pub(super) fn met_row(met: &Met) -> Vec<u8> {
    let covers = met.covers.iter().map(|logbook| *logbook.bytes()).collect();
    let parts: MetParts = (met.read.arrival.0, met.read.check, met.told.0, covers);
    packed(&parts)
}

pub(super) fn met(row: &[u8]) -> Result<Met, Error> {
    let (arrival, check, told, covers): MetParts = unpacked(row, "peers")?;
    Ok(Met {
        read: Bookmark {
            arrival: Arrival(arrival),
            check,
        },
        told: Arrival(told),
        covers: covers.into_iter().map(LogbookId::from_bytes).collect(),
    })
}

pub(super) fn register_row(register: &Register) -> Vec<u8> {
    let open = register.open();
    let mut row = Vec::with_capacity(1 + 48 * open.len());
    number(&mut row, open.len() as u64);
    for write in open {
        row.extend_from_slice(write.place.chain.bytes());
        number(&mut row, write.place.seq.get());
        number(&mut row, write.stamp.bits());
        row.push(codec::how_code(write.how));
        sized_by(&mut row, |row| codec::put_framed(&write.value, row));
    }
    row
}

pub(super) fn register(row: &[u8]) -> Result<Register, Error> {
    let mut left = Scan::of(row);
    let open = left.items(|left| {
        Ok(Write {
            place: Place {
                chain: ChainId::from_bytes(left.array()?),
                seq: place(left)?,
            },
            stamp: Stamp::from_bits(left.number()?),
            how: codec::code_how(left.byte()?),
            value: codec::decode_value(left.sized()?)?,
        })
    });
    let open = whole(open, left, "registers")?;
    Register::of_open(open).ok_or_else(|| Error::damaged_index("registers"))
}

pub(super) fn observation_row(
    thing: ThingId,
    what: ObservationNumber,
    seen: &Observation,
) -> Vec<u8> {
    let mut row = Vec::with_capacity(112);
    row.extend_from_slice(thing.bytes());
    row.extend_from_slice(&what.0.to_be_bytes());
    row.extend_from_slice(seen.place.chain.bytes());
    number(&mut row, seen.place.seq.get());
    number(&mut row, u64::from(seen.index));
    number(&mut row, seen.stamp.bits());
    signed(&mut row, i64::from(seen.utc_offset_min));
    sized(&mut row, seen.by.as_bytes());
    match seen.visit {
        None => row.push(0),
        Some(visit) => {
            row.push(1);
            row.extend_from_slice(visit.bytes());
        }
    }
    row.push(codec::how_code(seen.how));
    sized_by(&mut row, |row| codec::put_framed(&seen.value, row));
    row
}

pub(super) fn observation(row: &[u8]) -> Result<(ThingId, ObservationNumber, Observation), Error> {
    let mut left = Scan::of(row);
    let parts = (|| {
        let thing = ThingId::from_bytes(left.array()?);
        let what = ObservationNumber(u16::from_be_bytes(left.array()?));
        let chain = ChainId::from_bytes(left.array()?);
        let seq = place(&mut left)?;
        let seen = Observation {
            place: Place { chain, seq },
            index: left.number_u16()?,
            stamp: Stamp::from_bits(left.number()?),
            utc_offset_min: left.signed_i16()?,
            by: left.text()?.to_owned(),
            visit: if left.is_there()? {
                Some(ThingId::from_bytes(left.array()?))
            } else {
                None
            },
            how: codec::code_how(left.byte()?),
            value: codec::decode_value(left.sized()?)?,
        };
        Ok((thing, what, seen))
    })();
    whole(parts, left, "observations")
}

/// A verdict as a row; of two the larger stands.
pub(super) const fn verdict(verdict: Verdict) -> u8 {
    match verdict {
        Verdict::HeldBack => 1,
        Verdict::Admitted => 2,
    }
}

pub(super) const fn is_held_back(row: u8) -> bool {
    row == verdict(Verdict::HeldBack)
}

fn packed<T: Serialize>(parts: &T) -> Vec<u8> {
    postcard::to_allocvec(parts).expect("a vector takes any parts")
}

fn unpacked<'a, T: Deserialize<'a>>(row: &'a [u8], table: &'static str) -> Result<T, Error> {
    match postcard::take_from_bytes(row) {
        Ok((parts, [])) => Ok(parts),
        _ => Err(Error::damaged_index(table)),
    }
}

fn fixed(row: &[u8]) -> Result<u64, Error> {
    row.try_into()
        .map(u64::from_be_bytes)
        .map_err(|_| Error::NotAStore)
}

pub(super) fn word(
    identity: &impl ReadableTable<&'static str, &'static [u8]>,
    name: &str,
) -> Result<u64, Error> {
    word_if_any(identity, name)?.ok_or(Error::NotAStore)
}

pub(super) fn word_if_any(
    identity: &impl ReadableTable<&'static str, &'static [u8]>,
    name: &str,
) -> Result<Option<u64>, Error> {
    let row = identity.get(name)?;
    row.map(|row| fixed(row.value())).transpose()
}

/// The store's clock, as it stood after the last write.
pub(super) fn clock(
    identity: &impl ReadableTable<&'static str, &'static [u8]>,
) -> Result<Clock, Error> {
    let last = word_if_any(identity, "clock")?;
    Ok(Clock::resume(last.map_or(Stamp::ZERO, Stamp::from_bits)))
}

pub(super) fn bytes<const N: usize>(
    identity: &impl ReadableTable<&'static str, &'static [u8]>,
    name: &str,
) -> Result<[u8; N], Error> {
    let row = identity.get(name)?.ok_or(Error::NotAStore)?;
    row.value().try_into().map_err(|_| Error::NotAStore)
}
