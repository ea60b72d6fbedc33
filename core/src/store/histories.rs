//! What the fields of each thing were at any moment, in stretches: whoever asks of one thing reads one row,
//! however long its history has become.
//!
//! Histories go as far as the balance of their logbook, and are made and forgotten with it
//! (`entering.rs`).

use core::ops::Bound;

use redb::{AccessGuard, ReadOnlyTable, ReadTransaction, ReadableTable, TableError};

use super::Error;
use super::stretches::{self, FIRST, Item, Key, LAST, NEVER, damaged, key};
use super::tables::HISTORIES;
use crate::log::id::{LogbookId, ThingId};
use crate::log::stamp::Stamp;
use crate::merge::balance::{Balance, Chain};
use crate::merge::history::{self, History};
use crate::merge::lately::Lately;
use crate::merge::stretch::Stretch;

/// The table, where the file has it.
pub(super) struct Histories(Option<ReadOnlyTable<&'static Key, &'static [u8]>>);

type Row = (
    AccessGuard<'static, &'static Key>,
    AccessGuard<'static, &'static [u8]>,
);

impl Histories {
    pub(super) fn open(txn: &ReadTransaction) -> Result<Self, Error> {
        match txn.open_table(HISTORIES) {
            Ok(table) => Ok(Self(Some(table))),
            // Nothing was balanced yet.
            Err(TableError::TableDoesNotExist(_)) => Ok(Self(None)),
            Err(other) => Err(other.into()),
        }
    }

    /// Returns the stretch of a thing's history in which a moment lies; none if nothing is known of the
    /// thing.
    ///
    /// # Errors
    /// [`Error::DamagedIndex`] where it is not what was written.
    pub(super) fn stretch(
        &self,
        logbook: LogbookId,
        thing: ThingId,
        moment: Stamp,
        chains: &[Chain],
    ) -> Result<Option<Stretch>, Error> {
        let Some((key, row)) = self.last_up_to(logbook, thing, moment)? else {
            return Ok(None);
        };
        let mut found = None;
        for item in stretches::items(key.value(), row.value())? {
            let item = item?;
            if item.thing == thing {
                found = Some(item);
                if item.holds(moment) {
                    break;
                }
            }
        }
        found.map(|item| read(&item, moment, chains)).transpose()
    }

    /// Returns a logbook's registers as of a moment, with the chains of its balance.
    ///
    /// # Errors
    /// Those of [`Self::stretch`].
    pub(super) fn as_of(
        &self,
        logbook: LogbookId,
        chains: Vec<Chain>,
        moment: Stamp,
    ) -> Result<Balance, Error> {
        let lately = Lately::none(chains);
        let mut registers = Vec::new();
        let mut next = self.first_after(logbook, None)?;
        let mut told = None;
        while let Some((at, row)) = next {
            let at = at.value();
            // A thing of which the moment is not in this row.
            let mut left = None;
            for item in stretches::items(at, row.value())? {
                let item = item?;
                if told == Some(item.thing) {
                    continue;
                }
                if left.is_some_and(|left| left != item.thing) {
                    return Err(damaged());
                }
                left = Some(item.thing);
                if item.holds(moment) {
                    let stretch = read(&item, moment, &lately.chains)?;
                    let fields = history::registers(Some(stretch), item.thing, &lately, moment);
                    let of = |(field, register)| ((item.thing, field), register);
                    registers.extend(fields.into_iter().map(of));
                    (told, left) = (left, None);
                }
            }
            // What is between there and what comes of that thing in between tells nothing.
            let beyond = match (left, told) {
                (Some(left), _) => self.last_up_to(logbook, left, moment)?,
                (None, Some(told)) => self.last_up_to(logbook, told, NEVER)?,
                (None, None) => None,
            };
            next = match beyond {
                Some(beyond) if beyond.0.value() > at => Some(beyond),
                _ if left.is_some() => return Err(damaged()),
                _ => self.first_after(logbook, Some(at))?,
            };
        }
        Ok(Balance {
            chains: lately.chains,
            registers,
        })
    }

    /// The last row of a logbook that begins no later than a thing at a moment.
    fn last_up_to(
        &self,
        logbook: LogbookId,
        thing: ThingId,
        moment: Stamp,
    ) -> Result<Option<Row>, Error> {
        let Some(rows) = &self.0 else { return Ok(None) };
        let (from, to) = (
            key(logbook, FIRST, Stamp::ZERO),
            key(logbook, thing, moment),
        );
        Ok(rows.range::<&Key>(&from..=&to)?.next_back().transpose()?)
    }

    /// The first row of a logbook, or the one after another.
    fn first_after(&self, logbook: LogbookId, row: Option<&Key>) -> Result<Option<Row>, Error> {
        let Some(rows) = &self.0 else { return Ok(None) };
        let (first, last) = (key(logbook, FIRST, Stamp::ZERO), key(logbook, LAST, NEVER));
        let from = row.map_or(Bound::Included(&first), Bound::Excluded);
        let mut rows = rows.range::<&Key>((from, Bound::Included(&last)))?;
        Ok(rows.next().transpose()?)
    }

    /// Whether every row is of a logbook that `is_kept` tells.
    pub(super) fn are_all_of(&self, is_kept: impl Fn(LogbookId) -> bool) -> Result<bool, Error> {
        let Some(rows) = &self.0 else { return Ok(true) };
        for row in rows.iter()? {
            if !is_kept(stretches::parts(row?.0.value()).0) {
                return Ok(false);
            }
        }
        Ok(true)
    }

    /// Whether what is kept of a logbook is what all writes of its balance come to.
    ///
    /// # Errors
    /// [`Error::DamagedIndex`] where a row is not what was written.
    pub(super) fn are_right(&self, logbook: LogbookId, all: &Lately) -> Result<bool, Error> {
        let mut things = all.things().into_iter();
        let (mut history, mut due) = (History::default(), None);
        let mut next = self.first_after(logbook, None)?;
        while let Some((at, row)) = next {
            for (nth, item) in stretches::items(at.value(), row.value())?.enumerate() {
                let Item {
                    thing,
                    from,
                    to,
                    bytes,
                } = item?;
                if due.is_none() {
                    let Some(thing) = things.next() else {
                        return Ok(false);
                    };
                    history = History::default();
                    history.go_on(thing, all);
                    due = Some((thing, Stamp::ZERO));
                }
                let mut right = Vec::new();
                history.within(from, to).put(&mut right);
                let is_key = nth > 0 || *at.value() == key(logbook, thing, from);
                if due != Some((thing, from)) || right != bytes || !is_key {
                    return Ok(false);
                }
                due = to.map(|to| (thing, to));
            }
            next = self.first_after(logbook, Some(at.value()))?;
        }
        Ok(due.is_none() && things.next().is_none())
    }
}

/// Reads the stretch in which a moment should lie.
fn read(item: &Item<'_>, moment: Stamp, chains: &[Chain]) -> Result<Stretch, Error> {
    let stretch = item.read()?;
    match item.holds(moment) && stretch.is_of(chains) {
        true => Ok(stretch),
        // A row is missing.
        false => Err(damaged()),
    }
}

#[cfg(test)]
mod tests;
