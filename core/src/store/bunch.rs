//! Bunches: blocks of several logbooks that came in one write, one behind the other in one row. Whoever takes
//! in many entries of many logbooks adds a few rows behind all others, instead of one among those of each
//! logbook.
//!
//! A bunch holds blocks as they are, with their own checks; what stands before them tells which they are.
//! Packing puts them into blocks of their own, logbook by logbook.

use std::collections::BTreeSet;

use redb::{ReadOnlyTable, ReadableTable, Table, WriteTransaction};

use super::Error;
use super::block;
use super::tables::{self, BLOCKS, BUNCHES, GROUPS, IDENTITY};
use crate::log::codec::CodecError;
use crate::log::id::{Arrival, LogbookId};
use crate::log::shapes::{Scan, number, sized};

/// At how many bytes of blocks a row is full: with what stands before them four pages of 4 KiB hold it.
const FULL: usize = 15 * 1_024;
/// Under which name it is kept which stretches lie in bunches.
const BUNCHED: &str = "bunched";

type Key = &'static [u8; 24];

/// The stretches of arrivals whose blocks lie in bunches, in order. No other block reaches into one.
#[derive(Debug, Default, Clone, PartialEq, Eq)]
pub(super) struct Bunched(Vec<Arrivals>);

/// One of them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Arrivals {
    first: Arrival,
    last: Arrival,
    /// A bit for each of its logbooks, which several may share.
    logbooks: u64,
}

impl Arrivals {
    /// From one arrival to another, with no logbook in it yet.
    pub(super) const fn between(first: Arrival, last: Arrival) -> Self {
        Self {
            first,
            last,
            logbooks: 0,
        }
    }

    const fn may_hold(&self, logbook: LogbookId) -> bool {
        self.logbooks & bit(logbook) != 0
    }
}

/// Ids end in bytes that are chance.
const fn bit(logbook: LogbookId) -> u64 {
    1 << (logbook.bytes()[15] % 64)
}

/// Where a logbook's blocks of some arrivals lie.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Lie {
    /// Among its other blocks, from one arrival to another.
    Blocks(u64, u64),
    /// In bunches, of a stretch with this first arrival.
    Bunch(Arrival),
}

impl Bunched {
    pub(super) const fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// Where blocks of a logbook lie that begin within these arrivals, in order.
    pub(super) fn lie(&self, logbook: LogbookId, (from, to): (u64, u64)) -> Vec<Lie> {
        let mut lie = Vec::new();
        let mut from = from;
        for stretch in &self.0 {
            if stretch.last.0 < from || stretch.first.0 > to {
                continue;
            }
            if from < stretch.first.0 {
                lie.push(Lie::Blocks(from, stretch.first.0 - 1));
            }
            if stretch.may_hold(logbook) {
                lie.push(Lie::Bunch(stretch.first));
            }
            from = stretch.last.0 + 1;
        }
        if from <= to {
            lie.push(Lie::Blocks(from, to));
        }
        lie
    }

    /// Those of the stretches that end after an arrival.
    fn beyond(&self, arrival: Arrival) -> Self {
        let stretches = self.0.iter().filter(|stretch| stretch.last > arrival);
        Self(stretches.copied().collect())
    }

    fn row(&self) -> Vec<u8> {
        tables::checked_row(BUNCHED.as_bytes(), |row| {
            number(row, self.0.len() as u64);
            for stretch in &self.0 {
                number(row, stretch.first.0);
                number(row, stretch.last.0 - stretch.first.0);
                row.extend_from_slice(&stretch.logbooks.to_be_bytes());
            }
        })
    }

    fn of_row(row: &[u8]) -> Option<Self> {
        let mut left = Scan::of(tables::held(BUNCHED.as_bytes(), row)?);
        let stretches = left.items(|left| {
            let first = left.number()?;
            let last = first.checked_add(left.number()?).ok_or(ODD)?;
            Ok(Arrivals {
                first: Arrival(first),
                last: Arrival(last),
                logbooks: u64::from_be_bytes(left.array()?),
            })
        });
        let all = Self(stretches.ok()?);
        left.finish().ok()?;
        Some(all)
    }

    /// Reads which they are.
    pub(super) fn read(txn: &redb::ReadTransaction) -> Result<Self, Error> {
        match Self::kept(txn)? {
            Some(kept) => Ok(kept),
            None => Self::found(txn),
        }
    }

    /// Whether those are kept of which bunches are there.
    pub(super) fn is_kept_right(txn: &redb::ReadTransaction) -> Result<bool, Error> {
        Ok(Self::kept(txn)? == Some(Self::found(txn)?))
    }

    /// Those that are written down; none where that is damaged.
    fn kept(txn: &redb::ReadTransaction) -> Result<Option<Self>, Error> {
        let kept = txn.open_table(IDENTITY)?;
        let row = kept.get(BUNCHED)?;
        Ok(row.map_or(Some(Self::default()), |row| Self::of_row(row.value())))
    }

    /// Finds which they are from what lies in bunches.
    fn found(txn: &redb::ReadTransaction) -> Result<Self, Error> {
        let (bunches, groups) = (txn.open_table(BUNCHES)?, txn.open_table(GROUPS)?);
        let mut all: Vec<Arrivals> = Vec::new();
        for row in bunches.iter()? {
            let first = stretch_of(row?.0.value());
            if all.last().is_none_or(|before| before.first != first) {
                let end = groups.range(first.0..)?.next().transpose()?;
                let (end, row) = end.ok_or(Error::damaged_index("groups"))?;
                let group = tables::group(end.value(), row.value())?;
                let bits = group.logbooks.iter().map(|logbook| bit(*logbook));
                all.push(Arrivals {
                    first,
                    last: group.end.arrival,
                    logbooks: bits.fold(0, |all, bit| all | bit),
                });
            }
        }
        Ok(Self(all))
    }

    /// Adds a stretch that comes after all others, if there is one.
    pub(super) fn extend(&mut self, stretch: Option<Arrivals>) {
        self.0.extend(stretch);
    }

    /// Writes down which they are.
    pub(super) fn keep(&self, txn: &WriteTransaction) -> Result<(), Error> {
        let mut identity = txn.open_table(IDENTITY)?;
        if self.is_empty() {
            identity.remove(BUNCHED)?;
        } else {
            identity.insert(BUNCHED, self.row().as_slice())?;
        }
        Ok(())
    }
}

const ODD: CodecError = CodecError::Shape("the bunch is in another shape");

/// A stretch's first arrival and a bunch's last logbook: whoever looks for one from there on reads no other row.
fn key(stretch: Arrival, last: LogbookId) -> [u8; 24] {
    let mut key = [0; 24];
    key[..8].copy_from_slice(&stretch.0.to_be_bytes());
    key[8..].copy_from_slice(last.bytes());
    key
}

/// The stretch's first arrival within a key.
fn stretch_of(key: &[u8; 24]) -> Arrival {
    let (stretch, _) = key.split_first_chunk::<8>().expect("24 bytes begin so");
    Arrival(u64::from_be_bytes(*stretch))
}

/// One block of a bunch: what stands at its key in the table of blocks otherwise, and its row.
struct One<'a> {
    logbook: LogbookId,
    first: Arrival,
    row: &'a [u8],
}

impl One<'_> {
    fn key(&self) -> [u8; 24] {
        block::key(self.logbook, self.first)
    }
}

/// A bunch's blocks, in the order of their logbooks.
struct Blocks<'a> {
    stretch: Arrival,
    many: usize,
    listed: Scan<'a>,
    rows: Scan<'a>,
}

impl<'a> Blocks<'a> {
    /// Finds them in the row at this key.
    fn of(at: &[u8; 24], row: &'a [u8]) -> Result<Self, CodecError> {
        let mut rows = Scan::of(row);
        let mut listed = Scan::of(tables::held(at, rows.sized()?).ok_or(ODD)?);
        Ok(Self {
            stretch: stretch_of(at),
            many: listed.count()?,
            listed,
            rows,
        })
    }

    fn read(&mut self) -> Result<One<'a>, CodecError> {
        let logbook = LogbookId::from_bytes(self.listed.array()?);
        let first = self.stretch.0.checked_add(self.listed.number()?);
        Ok(One {
            logbook,
            first: Arrival(first.ok_or(ODD)?),
            row: self.rows.bytes(self.listed.count()?)?,
        })
    }
}

impl<'a> Iterator for Blocks<'a> {
    type Item = Result<One<'a>, CodecError>;

    fn next(&mut self) -> Option<Self::Item> {
        self.many = self.many.checked_sub(1)?;
        let one = self.read();
        if one.is_err() {
            // Nor is anything after it to be found.
            self.many = 0;
        }
        Some(one)
    }
}

/// Does `with` a logbook's block of a stretch that lies in bunches, if there is one. Where nobody can tell,
/// that is a block that is not whole.
pub(super) fn find<T>(
    bunches: &ReadOnlyTable<Key, &'static [u8]>,
    stretch: Arrival,
    logbook: LogbookId,
    with: impl FnOnce(&[u8; 24], &[u8]) -> Result<Option<T>, Error>,
) -> Result<Option<T>, Error> {
    let lowest = key(stretch, logbook);
    let highest = key(stretch, LogbookId::from_bytes([u8::MAX; 16]));
    let mut bunches = bunches.range::<&[u8; 24]>(&lowest..=&highest)?;
    let Some(bunch) = bunches.next() else {
        return Ok(None);
    };
    let (at, row) = bunch?;
    let found = Blocks::of(at.value(), row.value()).and_then(|mut blocks| {
        let is_it =
            |one: &Result<One<'_>, _>| one.as_ref().map_or(true, |one| one.logbook == logbook);
        blocks.find(is_it).transpose()
    });
    match found {
        Ok(None) => Ok(None),
        Ok(Some(one)) => with(&one.key(), one.row),
        Err(_) => with(&block::key(logbook, stretch), &[]),
    }
}

/// Does `with` every block that lies in bunches, with the first arrival of its stretch.
///
/// # Errors
/// [`Error::DamagedEntry`] where it cannot be told what is in one.
pub(super) fn each(
    bunches: &impl ReadableTable<Key, &'static [u8]>,
    mut with: impl FnMut(Arrival, &[u8; 24], &[u8]) -> Result<(), Error>,
) -> Result<(), Error> {
    for row in bunches.iter()? {
        let (at, row) = row?;
        let arrival = stretch_of(at.value());
        let damaged = |_| Error::DamagedEntry { arrival };
        for one in Blocks::of(at.value(), row.value()).map_err(damaged)? {
            let one = one.map_err(damaged)?;
            with(arrival, &one.key(), one.row)?;
        }
    }
    Ok(())
}

/// The bunches of one stretch under way.
pub(super) struct Bunching<'txn> {
    bunches: Table<'txn, Key, &'static [u8]>,
    stretch: Arrivals,
    // What stands before the blocks, but for how many they are, and the blocks.
    many: u64,
    last: LogbookId,
    listed: Vec<u8>,
    rows: Vec<u8>,
}

impl<'txn> Bunching<'txn> {
    /// Begins those of a stretch.
    pub(super) fn begin(txn: &'txn WriteTransaction, stretch: Arrivals) -> Result<Self, Error> {
        Ok(Self {
            bunches: txn.open_table(BUNCHES)?,
            stretch,
            many: 0,
            last: LogbookId::from_bytes([0; 16]),
            listed: Vec::new(),
            rows: Vec::new(),
        })
    }

    /// Returns the stretch's first arrival.
    pub(super) const fn from(&self) -> Arrival {
        self.stretch.first
    }

    /// Puts the block of a logbook behind those of logbooks before it.
    pub(super) fn put(
        &mut self,
        logbook: LogbookId,
        first: Arrival,
        row: &[u8],
    ) -> Result<(), Error> {
        if self.rows.len() + row.len() > FULL {
            self.write()?;
        }
        self.last = logbook;
        self.many += 1;
        self.stretch.logbooks |= bit(logbook);
        self.listed.extend_from_slice(logbook.bytes());
        number(&mut self.listed, first.0 - self.stretch.first.0);
        number(&mut self.listed, row.len() as u64);
        self.rows.extend_from_slice(row);
        Ok(())
    }

    fn write(&mut self) -> Result<(), Error> {
        if self.many == 0 {
            return Ok(());
        }
        let key = key(self.stretch.first, self.last);
        let listed = tables::checked_row(&key, |row| {
            number(row, self.many);
            row.extend_from_slice(&self.listed);
        });
        let mut row = Vec::with_capacity(4 + listed.len() + self.rows.len());
        sized(&mut row, &listed);
        row.extend_from_slice(&self.rows);
        self.bunches.insert(&key, row.as_slice())?;
        self.many = 0;
        self.listed.clear();
        self.rows.clear();
        Ok(())
    }

    /// Writes the last of them; returns the stretch with its logbooks.
    pub(super) fn finish(mut self) -> Result<Arrivals, Error> {
        self.write()?;
        Ok(self.stretch)
    }
}

/// Throws away the bunches of the stretches up to an arrival, whose blocks were put elsewhere; returns which
/// are left.
pub(super) fn forget(
    txn: &WriteTransaction,
    bunched: &Bunched,
    up_to: Arrival,
) -> Result<Bunched, Error> {
    let left = bunched.beyond(up_to);
    if left.is_empty() {
        txn.delete_table(BUNCHES)?;
        txn.open_table(BUNCHES)?;
    } else {
        let lowest = key(Arrival(0), LogbookId::from_bytes([0; 16]));
        let highest = key(up_to, LogbookId::from_bytes([u8::MAX; 16]));
        let mut bunches = txn.open_table(BUNCHES)?;
        bunches.retain_in::<&[u8; 24], _>(&lowest..=&highest, |_, _| false)?;
    }
    left.keep(txn)?;
    Ok(left)
}

/// Puts all that lies in bunches among the other blocks of its logbook, as it is. Of each logbook whose block
/// is in a bunch of which nobody can tell what is in it, an empty row stands for it.
pub(super) fn scatter(txn: &WriteTransaction) -> Result<(), Error> {
    {
        let bunches = txn.open_table(BUNCHES)?;
        let groups = txn.open_table(GROUPS)?;
        let mut blocks = txn.open_table(BLOCKS)?;
        let (mut there, mut damaged) = (BTreeSet::new(), BTreeSet::new());
        for row in bunches.iter()? {
            let (at, row) = row?;
            let stretch = stretch_of(at.value());
            match Blocks::of(at.value(), row.value()) {
                Ok(bunch) => {
                    for one in bunch {
                        let Ok(one) = one else {
                            damaged.insert(stretch);
                            break;
                        };
                        there.insert((stretch, one.logbook));
                        blocks.insert(&one.key(), one.row)?;
                    }
                }
                Err(_) => drop(damaged.insert(stretch)),
            }
        }
        for stretch in damaged {
            let group = groups.range(stretch.0..)?.next().transpose()?;
            let (last, row) = group.ok_or(Error::damaged_index("groups"))?;
            for logbook in tables::group(last.value(), row.value())?.logbooks {
                if !there.contains(&(stretch, logbook)) {
                    blocks.insert(&block::key(logbook, stretch), &[][..])?;
                }
            }
        }
    }
    forget(txn, &Bunched::default(), Arrival(u64::MAX))?;
    Ok(())
}

#[cfg(test)]
mod tests;
