//! How histories go on: what came is entered where it is ordered. Rows are written again only where
//! something came.

use core::ops::Bound;

use redb::{ReadableTable, Table, WriteTransaction};

use super::Error;
use super::stretches::{self, FIRST, Item, Key, LAST, NEVER, Put, key};
use super::tables::{self, HISTORIES};
use crate::log::id::{LogbookId, ThingId};
use crate::log::stamp::Stamp;
use crate::merge::history::History;
use crate::merge::lately::Lately;
use crate::merge::stretch::Stretch;

/// Histories under way.
pub(super) struct Entering<'txn>(Table<'txn, &'static Key, &'static [u8]>);

/// Before all rows of a logbook.
fn begin_of(logbook: LogbookId) -> Key {
    key(logbook, FIRST, Stamp::ZERO)
}

/// Rows that follow each other, taken out.
struct Run {
    logbook: LogbookId,
    puts: Vec<Put>,
    /// The first row that is not among them.
    next: Option<Key>,
}

impl Run {
    /// Whether what begins so belongs among them.
    fn reaches(&self, thing: ThingId, from: Stamp) -> bool {
        let place = key(self.logbook, thing, from);
        self.next.is_none_or(|next| place < next)
    }

    /// Lets a thing's history go on.
    fn go_on(&mut self, thing: ThingId, least: Stamp, lately: &Lately) -> Result<(), Error> {
        let from = self.puts.partition_point(|put| put.thing < thing);
        let to = self.puts.partition_point(|put| put.thing <= thing);
        // Stretches that ended before stay as they are.
        let before = self.puts[from..to].partition_point(|put| put.from <= least);
        let from = from + before.saturating_sub(1);
        let read = |put: &Put| {
            let (thing, from, bytes) = (put.thing, put.from, put.bytes.as_slice());
            let to = None;
            Item {
                thing,
                from,
                to,
                bytes,
            }
            .read()
        };
        let kept: Vec<Stretch> = self.puts[from..to]
            .iter()
            .map(read)
            .collect::<Result<_, _>>()?;
        let begun = kept.first().map_or(Stamp::ZERO, |first| first.from);
        let mut history = History::resume(kept.into_iter());
        history.go_on(thing, lately);
        let stretches = history.stretches(begun);
        let puts = stretches.iter().map(|stretch| Put::of(thing, stretch));
        self.puts.splice(from..to, puts);
        Ok(())
    }
}

impl<'txn> Entering<'txn> {
    pub(super) fn begin(txn: &'txn WriteTransaction) -> Result<Self, Error> {
        Ok(Self(txn.open_table(HISTORIES)?))
    }

    /// Enters what came since the balance of a logbook, and is in the next one.
    pub(super) fn enter(&mut self, logbook: LogbookId, lately: &Lately) -> Result<(), Error> {
        let mut run = Run {
            logbook,
            puts: Vec::new(),
            next: self.first_after(logbook, Bound::Included(&begin_of(logbook)))?,
        };
        for thing in lately.things() {
            let least = lately.earliest(thing).unwrap_or(Stamp::ZERO);
            if !run.reaches(thing, least) {
                let row = self.row_of(logbook, thing, least)?;
                if row != run.next {
                    self.put_back(&mut run)?;
                    run.next = row;
                }
                self.take_next(&mut run)?;
            }
            while !run.reaches(thing, NEVER) {
                self.take_next(&mut run)?;
            }
            run.go_on(thing, least, lately)?;
        }
        self.put_back(&mut run)
    }

    /// The row in which a thing at a moment belongs.
    fn row_of(
        &self,
        logbook: LogbookId,
        thing: ThingId,
        moment: Stamp,
    ) -> Result<Option<Key>, Error> {
        let (first, to) = (begin_of(logbook), key(logbook, thing, moment));
        let row = self.0.range::<&Key>(&first..=&to)?.next_back();
        Ok(row.transpose()?.map(|(key, _)| *key.value()))
    }

    /// Takes out the row after those that are.
    fn take_next(&mut self, run: &mut Run) -> Result<(), Error> {
        let Some(at) = run.next else { return Ok(()) };
        if let Some(row) = self.0.remove(&at)? {
            for item in stretches::items(&at, row.value())? {
                let item = item?;
                run.puts.push(Put {
                    thing: item.thing,
                    from: item.from,
                    bytes: item.bytes.to_vec(),
                });
            }
        }
        run.next = self.first_after(run.logbook, Bound::Excluded(&at))?;
        Ok(())
    }

    fn first_after(&self, logbook: LogbookId, from: Bound<&Key>) -> Result<Option<Key>, Error> {
        let last = key(logbook, LAST, NEVER);
        let mut rows = self.0.range::<&Key>((from, Bound::Included(&last)))?;
        Ok(rows.next().transpose()?.map(|(key, _)| *key.value()))
    }

    /// Puts back what was taken out and what came to it.
    fn put_back(&mut self, run: &mut Run) -> Result<(), Error> {
        for (key, row) in stretches::rows(run.logbook, &run.puts) {
            self.0.insert(&key, row.as_slice())?;
        }
        run.puts.clear();
        Ok(())
    }

    /// Forgets the histories of a logbook.
    pub(super) fn forget(&mut self, logbook: LogbookId) -> Result<(), Error> {
        let (from, to) = tables::range::<40>(&[logbook.bytes()]);
        Ok(self.0.retain_in::<&Key, _>(&from..=&to, |_, _| false)?)
    }
}
