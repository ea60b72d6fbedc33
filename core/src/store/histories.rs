//! What the fields of each thing were at any moment, in stretches: whoever asks of one thing reads one row or
//! two, however long its history has become.
//!
//! Histories go as far as the balance of their logbook, and are made and forgotten with it
//! (`entering.rs`).

use core::ops::Bound;

use redb::{AccessGuard, ReadOnlyTable, ReadTransaction, ReadableTable};

use super::Error;
use super::stretches::{self, Age, FIRST, Item, Key, LAST, NEVER, damaged, key};
use super::tables::{self, HISTORIES};
use crate::log::id::{LogbookId, ThingId};
use crate::log::stamp::Stamp;
use crate::merge::balance::{Balance, Chain};
use crate::merge::history::{self, History, Span};
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
        // Until something is balanced there is none.
        tables::if_there(txn, HISTORIES).map(Self)
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
        // Most of all time is over.
        if let Some(over) = self.over(logbook, thing, moment, chains)? {
            return Ok(Some(over));
        }
        let row = self.last_up_to(logbook, Age::Lasting, thing, NEVER)?;
        let is_its = |item: &Item<'_>| item.thing == thing;
        find(row, is_its, moment, chains)
    }

    /// Returns the same, where it is over.
    fn over(
        &self,
        logbook: LogbookId,
        thing: ThingId,
        moment: Stamp,
        chains: &[Chain],
    ) -> Result<Option<Stretch>, Error> {
        let row = self.last_up_to(logbook, Age::Over, thing, moment)?;
        let is_its = |item: &Item<'_>| item.thing == thing && item.holds(moment);
        find(row, is_its, moment, chains)
    }

    /// Returns a logbook's fields as of a moment, with the chains of its balance.
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
        let mut all = Vec::new();
        let mut next = self.first_after(logbook, Age::Lasting, None)?;
        while let Some((at, row)) = next {
            for item in stretches::items(at.value(), row.value())? {
                let item = item?;
                let over = match item.holds(moment) {
                    true => None,
                    false => self.over(logbook, item.thing, moment, &lately.chains)?,
                };
                let stretch = match over {
                    Some(over) => over,
                    None => read(&item, moment, &lately.chains)?,
                };
                let fields = history::fields(Some(stretch), item.thing, &lately, moment);
                let of = |(number, field)| ((item.thing, number), field);
                all.extend(fields.into_iter().map(of));
            }
            next = self.first_after(logbook, Age::Lasting, Some(at.value()))?;
        }
        Ok(Balance {
            chains: lately.chains,
            fields: all,
        })
    }

    /// The last row of a logbook that begins no later than a thing at a moment.
    fn last_up_to(
        &self,
        logbook: LogbookId,
        age: Age,
        thing: ThingId,
        moment: Stamp,
    ) -> Result<Option<Row>, Error> {
        let Some(rows) = &self.0 else { return Ok(None) };
        let to = key(logbook, age, thing, moment);
        // A beginning that is named would be looked up, too: another page.
        let row = rows.range::<&Key>(..=&to)?.next_back().transpose()?;
        Ok(row.filter(|(found, _)| stretches::are_together(found.value(), &to)))
    }

    /// The first row of a logbook, or the one after another.
    fn first_after(
        &self,
        logbook: LogbookId,
        age: Age,
        row: Option<&Key>,
    ) -> Result<Option<Row>, Error> {
        let Some(rows) = &self.0 else { return Ok(None) };
        let first = key(logbook, age, FIRST, Stamp::ZERO);
        let last = key(logbook, age, LAST, NEVER);
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
        let mut kept = Vec::new();
        for age in [Age::Over, Age::Lasting] {
            let mut next = self.first_after(logbook, age, None)?;
            while let Some((at, row)) = next {
                for (nth, item) in stretches::items(at.value(), row.value())?.enumerate() {
                    let item = item?;
                    let is_key = *at.value() == key(logbook, age, item.thing, item.from);
                    if nth == 0 && !is_key || item.to.is_none() != (age == Age::Lasting) {
                        return Ok(false);
                    }
                    kept.push((item.thing, item.from, item.to, item.bytes.to_vec()));
                }
                next = self.first_after(logbook, age, Some(at.value()))?;
            }
        }
        kept.sort_unstable();
        let mut kept = kept.into_iter();
        for thing in all.things() {
            let mut history = History::default();
            history.go_on(thing, all);
            let mut due = Some(Stamp::ZERO);
            while let Some(from) = due {
                let Some((of, begun, to, bytes)) = kept.next() else {
                    return Ok(false);
                };
                if (of, begun) != (thing, from) {
                    return Ok(false);
                }
                let mut right = Vec::new();
                history.put(Span { from, to }, &mut right);
                if right != bytes {
                    return Ok(false);
                }
                due = to;
            }
        }
        Ok(kept.next().is_none())
    }
}

/// Reads the stretch in which a moment should lie, with writes of these chains.
/// Reads the stretch of a row that is wanted, if there is one.
fn find(
    row: Option<Row>,
    is_wanted: impl Fn(&Item<'_>) -> bool,
    moment: Stamp,
    chains: &[Chain],
) -> Result<Option<Stretch>, Error> {
    let Some((key, row)) = row else {
        return Ok(None);
    };
    for item in stretches::items(key.value(), row.value())? {
        let item = item?;
        if is_wanted(&item) {
            return read(&item, moment, chains).map(Some);
        }
    }
    Ok(None)
}

fn read(item: &Item<'_>, moment: Stamp, chains: &[Chain]) -> Result<Stretch, Error> {
    let stretch = item.read_open(moment)?;
    match item.holds(moment) && stretch.is_of(chains) {
        true => Ok(stretch),
        // If it does not, a row is missing.
        false => Err(damaged()),
    }
}

#[cfg(test)]
mod tests;
