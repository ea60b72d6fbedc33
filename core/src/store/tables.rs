//! Every table: its key, its value, its order, and who writes it.
//!
//! Numbers in keys are big-endian, so that byte order is number order and everything of one
//! logbook, and of one thing in it, is one short range. A table whose rows change shape takes a
//! new name.

use redb::{
    Key, ReadOnlyTable, ReadTransaction, ReadableTable, TableDefinition, TableError, Value,
};
use serde::{Deserialize, Serialize};
use twox_hash::XxHash3_64;

use super::{Bookmark, Error, Met};
use crate::log::chain::{self, Link};
use crate::log::codec::CodecError;
use crate::log::id::{Arrival, DeviceId, LogbookId, Seq};
use crate::log::seal::{Seal, Step};
use crate::log::shapes::{Scan, number};
use crate::log::stamp::{Clock, Stamp, WallMs};

/// Arrival -> arrival time (8), check (8), the entry's bytes. In order of arrival: what came last and
/// lies in no block yet. Irreplaceable.
pub(super) const ENTRIES: TableDefinition<'_, u64, &[u8]> = TableDefinition::new("entries_v1");
/// Logbook, first arrival -> a block of entries of that logbook. Irreplaceable.
pub(super) const BLOCKS: TableDefinition<'_, &[u8; 24], &[u8]> = TableDefinition::new("blocks_v3");
/// First arrival of a stretch, last logbook -> which blocks, with a check (8), and the blocks of several
/// logbooks, as [`BLOCKS`] has them. Irreplaceable.
pub(super) const BUNCHES: TableDefinition<'_, &[u8; 24], &[u8]> =
    TableDefinition::new("bunches_v5");
/// Last arrival -> check (8), the check of the entry there (8), when it came, and of which logbooks
/// blocks hold what came since the row before. Derived.
pub(super) const GROUPS: TableDefinition<'_, u64, &[u8]> = TableDefinition::new("groups_v3");
/// Logbook -> what the chains of its blocks come to. Derived.
pub(super) const LEDGERS: TableDefinition<'_, &[u8; 16], &[u8]> =
    TableDefinition::new("ledgers_v3");
/// Logbook -> check (8), and of the chains in its row of [`LEDGERS`] those that have moved on since that was
/// written, if they are few. Derived.
pub(super) const MOVED: TableDefinition<'_, &[u8; 16], &[u8]> = TableDefinition::new("moved_v6");
/// Logbook -> check (8), and the ids that its blocks name. Written when there are new ones; where a row is
/// not there, they are read from the blocks. Derived.
pub(super) const IDS: TableDefinition<'_, &[u8; 16], &[u8]> = TableDefinition::new("ids_v4");
/// Logbook, arrival, piece -> check (8), and what the logbook's blocks that are packed tight come to: at
/// arrival zero its head and, behind a check of their own, its registers; at others, cut in pieces, the
/// observations that came from there on. Where a logbook has no row, its blocks are folded. Derived.
pub(super) const BALANCES: TableDefinition<'_, &[u8; 26], &[u8]> =
    TableDefinition::new("balances_v5");
/// The same without histories, as format 4 had them.
pub(super) const BALANCES_V4: TableDefinition<'_, &[u8; 26], &[u8]> =
    TableDefinition::new("balances_v4");
/// Logbook, whether they are over, thing, stamp -> check (8), and stretches of histories, of that thing
/// from that stamp on, then of the things after it: the writes of their fields, with those that were open
/// at the stretch's beginning. They go as far as the balance does. Derived.
pub(super) const HISTORIES: TableDefinition<'_, &[u8; 41], &[u8]> =
    TableDefinition::new("histories_v5");
/// Logbook, device, seq, link -> public key (32), signature (64), and for each step from there to what
/// was signed: whether the digest beside it is the left one (1), the digest (32). How far a device says
/// that its chain goes. Irreplaceable, though whoever else holds the entries has one as well.
pub(super) const SEALS: TableDefinition<'_, &[u8; 72], &[u8]> = TableDefinition::new("seals_v4");
/// Running number -> check (8), and the sheaves of the seals that came in one write and are not among
/// [`SEALS`] yet. Each stands for those of its device and logbook there that reach less far. Irreplaceable as
/// those are.
pub(super) const SHEAVES: TableDefinition<'_, u64, &[u8]> = TableDefinition::new("sheaves_v6");
/// The same as [`SEALS`] without steps, as formats 1 to 3 had it.
pub(super) const SEALS_V1: TableDefinition<'_, &[u8; 72], &[u8; 96]> =
    TableDefinition::new("seals_v1");
/// Peer store -> what is remembered of the last meeting. Irreplaceable, though losing it costs
/// only bytes on the wire.
pub(super) const PEERS: TableDefinition<'_, &[u8; 16], &[u8]> = TableDefinition::new("peers_v1");
/// Name -> value: format, store id, device id and key, clock, which stretches lie in bunches, up to where
/// all is packed, and the settings of the program around.
pub(super) const IDENTITY: TableDefinition<'_, &str, &[u8]> = TableDefinition::new("identity_v1");

/// Opens a table, if the file has it.
pub(super) fn if_there<K: Key + 'static, V: Value + 'static>(
    txn: &ReadTransaction,
    table: TableDefinition<'_, K, V>,
) -> Result<Option<ReadOnlyTable<K, V>>, Error> {
    match txn.open_table(table) {
        Ok(table) => Ok(Some(table)),
        Err(TableError::TableDoesNotExist(_)) => Ok(None),
        Err(other) => Err(other.into()),
    }
}

/// Joins the parts of a key.
pub(super) fn joined<const N: usize>(parts: &[&[u8]]) -> [u8; N] {
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

pub(super) fn seal_key(device: DeviceId, seal: &Seal) -> [u8; 72] {
    let seq = seal.seq.get().to_be_bytes();
    joined(&[
        seal.logbook.bytes(),
        device.bytes(),
        &seq,
        seal.link.bytes(),
    ])
}

pub(super) fn seal_row(seal: &Seal) -> Vec<u8> {
    let mut row = Vec::with_capacity(96 + 33 * seal.path.len());
    row.extend_from_slice(&seal.key);
    row.extend_from_slice(&seal.signature);
    for step in &seal.path {
        row.push(u8::from(step.is_left));
        row.extend_from_slice(&step.digest);
    }
    row
}

pub(super) fn seal(key: &[u8; 72], row: &[u8]) -> Result<(DeviceId, Seal), Error> {
    let (logbook, rest) = first::<16>(key).expect("72 bytes begin with 16");
    let (device, rest) = first::<16>(rest).expect("56 bytes begin with 16");
    let (seq, rest) = first::<8>(rest).expect("40 bytes begin with 8");
    let (link, _) = first::<32>(rest).expect("32 bytes follow");
    let damaged = || Error::damaged_index("seals");
    let (public, rest) = first::<32>(row).ok_or_else(damaged)?;
    let (signature, rest) = first::<64>(rest).ok_or_else(damaged)?;
    let (steps, []) = rest.as_chunks::<33>() else {
        return Err(damaged());
    };
    let path = steps.iter().map(|step| {
        let (is_left, digest) = first::<1>(step)?;
        Some(Step {
            is_left: is_left == [1],
            digest: digest.try_into().ok()?,
        })
    });
    let seal = Seal {
        logbook: LogbookId::from_bytes(logbook),
        key: public,
        seq: Seq::new(u64::from_be_bytes(seq)).ok_or_else(damaged)?,
        link: Link::from_bytes(link),
        path: path.collect::<Option<_>>().ok_or_else(damaged)?,
        signature,
    };
    Ok((DeviceId::from_bytes(device), seal))
}

/// The end of the chain that the seal at this key is about, if its row is whole.
pub(super) fn seal_link(key: &[u8; 72], row: &[u8]) -> Option<Link> {
    let (_, link) = key.split_last_chunk().expect("72 bytes end with 32");
    let (_, steps) = first::<96>(row)?;
    steps
        .len()
        .is_multiple_of(33)
        .then(|| Link::from_bytes(*link))
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
    row.extend_from_slice(&entry_check(arrival, arrived, raw));
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
    if arrived_at.get() != arrived || entry_check(arrival, arrived_at, raw) != check {
        return Err(Error::DamagedEntry { arrival });
    }
    Ok((arrived_at, raw))
}

/// The check of an entry, by which a bookmark knows it.
pub(super) fn entry_check(arrival: Arrival, arrived: WallMs, raw: &[u8]) -> [u8; 8] {
    chain::check(&[&arrival.0.to_be_bytes(), &arrived.get().to_be_bytes(), raw])
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

/// What one stretch of arrivals holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Group {
    /// Its last entry, and when that came.
    pub(super) end: Bookmark,
    pub(super) arrived: WallMs,
    /// The logbooks of its blocks, in order.
    pub(super) logbooks: Vec<LogbookId>,
}

/// A row that begins with a check over its key and everything that `put` puts behind it.
pub(super) fn checked_row(key: &[u8], put: impl FnOnce(&mut Vec<u8>)) -> Vec<u8> {
    row_with(check, key, put)
}

/// The same with a quicker check, against accidents alone: for large rows that follow from the entries, which
/// `verify` holds against them.
pub(super) fn summed_row(key: &[u8], put: impl FnOnce(&mut Vec<u8>)) -> Vec<u8> {
    row_with(sum, key, put)
}

/// The same in room that was another's.
pub(super) fn sum_row(row: &mut Vec<u8>, key: &[u8], put: impl FnOnce(&mut Vec<u8>)) {
    fill_with(sum, row, key, put);
}

/// What many a row fits.
const ROW: usize = 1_000;

type Check = fn(&[u8], &[u8]) -> [u8; 8];

fn row_with(check: Check, key: &[u8], put: impl FnOnce(&mut Vec<u8>)) -> Vec<u8> {
    let mut row = Vec::with_capacity(ROW);
    fill_with(check, &mut row, key, put);
    row
}

fn fill_with(check: Check, row: &mut Vec<u8>, key: &[u8], put: impl FnOnce(&mut Vec<u8>)) {
    row.clear();
    row.extend_from_slice(&[0; 8]);
    put(row);
    let check = check(key, &row[8..]);
    row[..8].copy_from_slice(&check);
}

fn check(key: &[u8], rest: &[u8]) -> [u8; 8] {
    // In one piece, of which several stretches are hashed at once.
    let mut whole = Vec::with_capacity(key.len() + rest.len());
    whole.extend_from_slice(key);
    whole.extend_from_slice(rest);
    chain::check(&[&whole])
}

fn sum(key: &[u8], rest: &[u8]) -> [u8; 8] {
    XxHash3_64::oneshot_with_seed(XxHash3_64::oneshot(key), rest).to_be_bytes()
}

/// What stands behind the check in such a row, if the row fits it.
pub(super) fn held<'a>(key: &[u8], row: &'a [u8]) -> Option<&'a [u8]> {
    held_by(check, key, row)
}

fn held_by<'a>(check: Check, key: &[u8], row: &'a [u8]) -> Option<&'a [u8]> {
    let (told, rest) = row.split_first_chunk::<8>()?;
    (*told == check(key, rest)).then_some(rest)
}

/// Returns the same.
///
/// # Errors
/// [`Error::DamagedIndex`] of this table, where the row does not fit it.
pub(super) fn behind_check<'a>(
    key: &[u8],
    row: &'a [u8],
    table: &'static str,
) -> Result<&'a [u8], Error> {
    held(key, row).ok_or(Error::damaged_index(table))
}

/// Returns what stands behind the check in a row of [`summed_row`].
///
/// # Errors
/// [`Error::DamagedIndex`] of this table, where the row does not fit it.
pub(super) fn behind_sum<'a>(
    key: &[u8],
    row: &'a [u8],
    table: &'static str,
) -> Result<&'a [u8], Error> {
    held_by(sum, key, row).ok_or(Error::damaged_index(table))
}

pub(super) fn group_row(group: &Group) -> Vec<u8> {
    checked_row(&group.end.arrival.0.to_be_bytes(), |row| {
        row.extend_from_slice(&group.end.check);
        number(row, group.arrived.get());
        number(row, group.logbooks.len() as u64);
        for logbook in &group.logbooks {
            row.extend_from_slice(logbook.bytes());
        }
    })
}

pub(super) fn group(last: u64, row: &[u8]) -> Result<Group, Error> {
    let mut left = Scan::of(behind_check(&last.to_be_bytes(), row, "groups")?);
    let group = (|| {
        let end = Bookmark {
            arrival: Arrival(last),
            check: left.array()?,
        };
        let arrived = WallMs::new(left.number()?);
        let logbooks = left.items(|left| Ok(LogbookId::from_bytes(left.array()?)))?;
        Ok::<_, CodecError>(Group {
            end,
            arrived,
            logbooks,
        })
    })();
    group.map_err(|_| Error::damaged_index("groups"))
}
