//! What a logbook's blocks that are packed tight come to: its registers, and its observations packed, so
//! that a logbook is told from there on however long it has become.
//!
//! Packing makes a balance, out of the one before and what is packed now. A logbook in which a
//! device's chain has branches has none, and is folded.

use std::collections::BTreeSet;

use redb::{ReadOnlyTable, ReadTransaction, ReadableTable, Table, TableError, WriteTransaction};

use super::Error;
use super::archive::Shelves;
use super::block;
use super::filed::Filed;
use super::said::{Heard, Hearing};
use super::tables::{self, BALANCES};
use crate::log::codec::CodecError;
use crate::log::columns;
use crate::log::id::{Arrival, LogbookId, ThingId};
use crate::log::shapes::{Scan, number};
use crate::merge::balance::Balance;
use crate::merge::bundle::Bundle;
use crate::merge::replay::State;

/// Where the registers stand; every entry came after it.
const REGISTERS: Arrival = Arrival(0);
/// What redb takes of a page for itself where one row fills it, and of a row for its check.
const TAKEN: usize = 42 + 8;
/// The smallest page, and the largest for which a bundle is cut.
const PAGES: core::ops::RangeInclusive<usize> = 4 * 1_024..=256 * 1_024;

/// What a logbook came to with one of its entries.
pub(super) struct Balanced {
    pub(super) title: Title,
    pub(super) balance: Balance,
    bundles: Vec<Bundle>,
}

impl Balanced {
    /// Puts its observations into a state; of one thing only, if one is named.
    pub(super) fn put_observations(&self, thing: Option<ThingId>, state: &mut State) {
        for bundle in &self.bundles {
            match thing {
                Some(thing) => state.put_bundle_of(thing, bundle),
                None => state.put_bundle(bundle),
            }
        }
    }
}

/// What stands at arrival zero before the registers.
#[derive(Debug)]
pub(super) struct Title {
    /// When the last entry came that is in the balance.
    pub(super) up_to: Arrival,
    /// How many are in it.
    pub(super) entries: u64,
    /// Of each bundle when what is in it began to come, and how many observations it holds.
    bundles: Vec<(Arrival, u64)>,
}

impl Title {
    /// Of no entry.
    const fn beginning() -> Self {
        Self {
            up_to: Arrival(0),
            entries: 0,
            bundles: Vec::new(),
        }
    }

    fn put(&self, out: &mut Vec<u8>) {
        number(out, self.up_to.0);
        number(out, self.entries);
        number(out, self.bundles.len() as u64);
        for (from, many) in &self.bundles {
            number(out, from.0);
            number(out, *many);
        }
    }

    fn read(left: &mut Scan<'_>) -> Result<Self, CodecError> {
        Ok(Self {
            up_to: Arrival(left.number()?),
            entries: left.number()?,
            bundles: left.items(|left| Ok((Arrival(left.number()?), left.number()?)))?,
        })
    }
}

type Rows = &'static [u8; 26];

/// The table, where the file has it.
pub(super) struct Balances(Option<ReadOnlyTable<Rows, &'static [u8]>>);

impl Balances {
    pub(super) fn open(txn: &ReadTransaction) -> Result<Self, Error> {
        match txn.open_table(BALANCES) {
            Ok(table) => Ok(Self(Some(table))),
            // A version that kept none made the file.
            Err(TableError::TableDoesNotExist(_)) => Ok(Self(None)),
            Err(other) => Err(other.into()),
        }
    }

    /// Whether every row is one of those that [`Self::of`] reads of these logbooks.
    pub(super) fn are_all_of(&self, logbooks: &BTreeSet<LogbookId>) -> Result<bool, Error> {
        let Some(rows) = &self.0 else { return Ok(true) };
        let mut title = None;
        for row in rows.iter()? {
            let (key, row) = row?;
            let (logbook, from) = block::ids(key.value().first_chunk().expect("24 of 26 bytes"));
            if from == REGISTERS {
                title = Title::read(&mut Scan::of(row.value().get(8..).unwrap_or_default())).ok();
            }
            let bundles = title.iter().flat_map(|title: &Title| &title.bundles);
            let is_named = from == REGISTERS || { bundles }.any(|(of, _)| *of == from);
            if !is_named || !logbooks.contains(&logbook) {
                return Ok(false);
            }
        }
        Ok(true)
    }

    /// Reads what is kept of a logbook.
    ///
    /// # Errors
    /// [`Error::DamagedIndex`] where it is not what was written.
    pub(super) fn of(&self, logbook: LogbookId) -> Result<Option<Balanced>, Error> {
        let Some(rows) = &self.0 else { return Ok(None) };
        read(rows, logbook)
    }
}

const fn damaged() -> Error {
    Error::damaged_index("balances")
}

fn read(
    rows: &impl ReadableTable<Rows, &'static [u8]>,
    logbook: LogbookId,
) -> Result<Option<Balanced>, Error> {
    let Some((title, balance)) = registers(rows, logbook)? else {
        return Ok(None);
    };
    let bundles = title.bundles.iter().map(|(from, many)| {
        let bundle = bundle(rows, logbook, *from)?;
        match bundle.len() as u64 == *many {
            true => Ok(bundle),
            false => Err(damaged()),
        }
    });
    Ok(Some(Balanced {
        bundles: bundles.collect::<Result<_, _>>()?,
        title,
        balance,
    }))
}

fn registers(
    rows: &impl ReadableTable<Rows, &'static [u8]>,
    logbook: LogbookId,
) -> Result<Option<(Title, Balance)>, Error> {
    let key = key(logbook, REGISTERS, 0);
    let Some(row) = rows.get(&key)? else {
        return Ok(None);
    };
    let mut left = Scan::of(tables::behind_check(&key, row.value(), "balances")?);
    let read = (|| {
        let read = (Title::read(&mut left)?, Balance::read(&mut left)?);
        left.finish()?;
        Ok::<_, CodecError>(read)
    })();
    read.map(Some).map_err(|_| damaged())
}

fn bundle(
    rows: &impl ReadableTable<Rows, &'static [u8]>,
    logbook: LogbookId,
    from: Arrival,
) -> Result<Bundle, Error> {
    let mut bytes = Vec::new();
    for row in rows.range::<&[u8; 26]>(&key(logbook, from, 0)..=&key(logbook, from, u16::MAX))? {
        let (key, row) = row?;
        bytes.extend_from_slice(tables::behind_check(key.value(), row.value(), "balances")?);
    }
    Bundle::read(bytes).map_err(|_| damaged())
}

fn key(logbook: LogbookId, from: Arrival, piece: u16) -> [u8; 26] {
    let mut key = [0; 26];
    key[..24].copy_from_slice(&block::key(logbook, from));
    key[24..].copy_from_slice(&piece.to_be_bytes());
    key
}

/// Cuts a bundle's bytes so that redb, which gives a row of more than 4 KiB a page of twice that or four or
/// eight times, has little left over.
fn pieces(bytes: &[u8]) -> impl Iterator<Item = &[u8]> {
    let mut left = bytes;
    core::iter::from_fn(move || {
        let mut page = *PAGES.end();
        while page >= *PAGES.start() && page - TAKEN > left.len() {
            page /= 2;
        }
        let many = match page < *PAGES.start() {
            true => left.len(),
            false => page - TAKEN,
        };
        let (piece, rest) = left.split_at(many);
        left = rest;
        (!piece.is_empty()).then_some(piece)
    })
}

/// Balances under way.
pub(super) struct Balancing<'txn>(Table<'txn, Rows, &'static [u8]>);

impl<'txn> Balancing<'txn> {
    pub(super) fn begin(txn: &'txn WriteTransaction) -> Result<Self, Error> {
        Ok(Self(txn.open_table(BALANCES)?))
    }

    /// Brings a logbook's balance up to an arrival where a group ends. `before` is what the file holds
    /// before the write.
    pub(super) fn bring_up(
        &mut self,
        logbook: LogbookId,
        before: &Shelves,
        has_branches: bool,
        to: Arrival,
    ) -> Result<(), Error> {
        if has_branches {
            return self.forget(logbook);
        }
        let archive = before.of(logbook);
        let told = |after| move |hearing: &mut Hearing| archive.tell_blocks((after, to), hearing);
        let kept = registers(&self.0, logbook)?;
        let since = kept.map(|(title, balance)| {
            let heard = Heard::since(&balance, None, told(title.up_to))?;
            Ok::<_, Error>(heard.map(|heard| (title, heard)))
        });
        let (mut title, heard) = match since.transpose()?.flatten() {
            Some(since) => since,
            // The first time, or hubs and dispatchers said something of what is in it.
            None => {
                self.forget(logbook)?;
                let title = Title::beginning();
                let heard = Heard::all(None, told(title.up_to))?;
                (title, heard)
            }
        };
        if heard.told == 0 {
            return Ok(());
        }
        let before = title.up_to;
        archive.each_block_within((before, to), |block| {
            title.up_to = block.last();
            Ok(())
        })?;
        title.entries += heard.told as u64;
        let (state, balance) = heard.fold.balanced();
        self.put_bundle(logbook, Arrival(before.0 + 1), state, &mut title)?;
        let key = key(logbook, REGISTERS, 0);
        let row = tables::checked_row(&key, |row| {
            title.put(row);
            balance.put(row);
        });
        self.0.insert(&key, row.as_slice())?;
        Ok(())
    }

    /// Writes observations that came from an arrival on. Bundles before that are not much larger become
    /// one with it, so that there are few, and an observation is written again a few times only.
    fn put_bundle(
        &mut self,
        logbook: LogbookId,
        from: Arrival,
        mut state: State,
        title: &mut Title,
    ) -> Result<(), Error> {
        let mut many = state.lists().map(|(_, _, list)| list.len() as u64).sum();
        if many == 0 {
            return Ok(());
        }
        let mut from = from;
        while let Some((before, of_these)) = title.bundles.last().copied()
            && of_these <= 2 * many
        {
            title.bundles.pop();
            state.put_bundle(&bundle(&self.0, logbook, before)?);
            self.remove((logbook, before), before)?;
            (from, many) = (before, many + of_these);
        }
        let lists = state
            .lists()
            .map(|(thing, what, list)| ((thing, what), list));
        let bytes = Bundle::pack(lists);
        for (nth, piece) in (0..=u16::MAX).zip(pieces(&bytes)) {
            let key = key(logbook, from, nth);
            let row = tables::checked_row(&key, |row| row.extend_from_slice(piece));
            self.0.insert(&key, row.as_slice())?;
        }
        title.bundles.push((from, many));
        Ok(())
    }

    /// Forgets what a logbook came to.
    pub(super) fn forget(&mut self, logbook: LogbookId) -> Result<(), Error> {
        self.remove((logbook, REGISTERS), Arrival(u64::MAX))
    }

    /// Removes a logbook's rows from one arrival up to another.
    fn remove(&mut self, (logbook, from): (LogbookId, Arrival), to: Arrival) -> Result<(), Error> {
        let rows = key(logbook, from, 0)..=key(logbook, to, u16::MAX);
        let (from, to) = rows.into_inner();
        Ok(self
            .0
            .retain_in::<&[u8; 26], _>(&from..=&to, |_, _| false)?)
    }
}

impl Balanced {
    /// Whether it is what these entries come to, all of the logbook's blocks in order.
    pub(super) fn is_right(&self, entries: &[Filed]) -> Result<bool, Error> {
        let within = entries.partition_point(|filed| filed.arrival <= self.title.up_to);
        let within = &entries[..within];
        let heard = Heard::all(None, |hearing| {
            for filed in within {
                columns::tell(&filed.written.entry, hearing);
            }
            Ok(within.len())
        })?;
        let (state, balance) = heard.fold.balanced();
        let same = self.title.entries == within.len() as u64 && self.balance == balance;
        let mut told = State::made_of(self.balance.registers.iter().cloned(), []);
        self.put_observations(None, &mut told);
        Ok(same && told == state)
    }
}
