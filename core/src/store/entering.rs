//! How histories go on: what came is entered where it is ordered. Rows are written again only where
//! something came, each in its place if its beginning stays.

use core::ops::Bound;

use redb::{ReadableTable, Table, WriteTransaction};

use super::Error;
use super::stretches::{Age, FIRST, Key, LAST, NEVER, Puts, damaged, key};
use super::tables::{self, HISTORIES};
use crate::log::id::{LogbookId, ThingId};
use crate::log::stamp::Stamp;
use crate::merge::balance::Fields;
use crate::merge::history::History;
use crate::merge::lately::Lately;

/// Histories under way.
pub(super) struct Entering<'txn> {
    rows: Table<'txn, &'static Key, &'static [u8]>,
    // Room that is kept from one thing to the next,
    history: History,
    // and from one row to the next.
    row: Vec<u8>,
}

/// Rows that follow each other, taken out.
struct Run {
    logbook: LogbookId,
    age: Age,
    puts: Puts,
    /// The keys of the rows in which they stand in the table, until they are put back.
    taken: Vec<Key>,
    /// The first row that is not among them.
    next: Option<Key>,
}

impl Run {
    /// Whether what begins so belongs among them.
    fn reaches(&self, thing: ThingId, from: Stamp) -> bool {
        let place = key(self.logbook, self.age, thing, from);
        self.next.is_none_or(|next| place < next)
    }
}

impl<'txn> Entering<'txn> {
    pub(super) fn begin(txn: &'txn WriteTransaction) -> Result<Self, Error> {
        Ok(Self {
            rows: txn.open_table(HISTORIES)?,
            history: History::default(),
            row: Vec::new(),
        })
    }

    /// Enters what came since the balance of a logbook, and is in the next one. Returns the fields of the
    /// things that it is of as they are then, in order.
    pub(super) fn enter(&mut self, logbook: LogbookId, lately: &Lately) -> Result<Fields, Error> {
        let mut lasting = self.begin_run(logbook, Age::Lasting)?;
        let mut over = self.begin_run(logbook, Age::Over)?;
        let (mut spans, mut fields) = (Vec::new(), Vec::new());
        for thing in lately.things() {
            let least = lately.earliest(thing).unwrap_or(Stamp::ZERO);
            self.reach(&mut lasting, thing, NEVER)?;
            let mut lasts = lasting.puts.of(thing, NEVER).peekable();
            let lasts_from = lasts.peek().map_or(Stamp::ZERO, |(from, _)| *from);
            self.history.begin();
            if least < lasts_from {
                // It is ordered into what is over.
                self.reach(&mut over, thing, least)?;
                self.resume(over.puts.of(thing, least))?;
            }
            self.resume(lasts)?;
            self.history.go_on(thing, lately);
            self.history.put_fields(thing, &lately.chains, &mut fields);
            let begun = self.history.from();
            spans.clear();
            spans.extend(self.history.spans());
            let last = spans.pop();
            if begun < lasts_from || !spans.is_empty() {
                self.reach(&mut over, thing, begun)?;
                over.puts.replace(thing, begun, &mut self.history, &spans);
            }
            let last = last.as_slice();
            lasting
                .puts
                .replace(thing, Stamp::ZERO, &mut self.history, last);
        }
        self.put_back(&mut lasting)?;
        self.put_back(&mut over)?;
        Ok(fields)
    }

    fn resume<'a>(
        &mut self,
        stretches: impl Iterator<Item = (Stamp, &'a [u8])>,
    ) -> Result<(), Error> {
        for (from, bytes) in stretches {
            self.history.resume(from, bytes).map_err(|_| damaged())?;
        }
        Ok(())
    }

    fn begin_run(&self, logbook: LogbookId, age: Age) -> Result<Run, Error> {
        let first = key(logbook, age, FIRST, Stamp::ZERO);
        Ok(Run {
            logbook,
            age,
            puts: Puts::default(),
            taken: Vec::new(),
            next: self.first_after(logbook, age, Bound::Included(&first))?,
        })
    }

    /// Takes out the rows in which a thing stands from a moment on, or belongs; those before them, if they
    /// do not touch, are put back.
    fn reach(&mut self, run: &mut Run, thing: ThingId, moment: Stamp) -> Result<(), Error> {
        if !run.reaches(thing, moment) {
            let first = key(run.logbook, run.age, FIRST, Stamp::ZERO);
            let to = key(run.logbook, run.age, thing, moment);
            let row = self.rows.range::<&Key>(&first..=&to)?.next_back();
            let row = row.transpose()?.map(|(key, _)| *key.value());
            if row != run.next {
                self.put_back(run)?;
                run.next = row;
            }
            self.take_next(run)?;
        }
        while !run.reaches(thing, NEVER) {
            self.take_next(run)?;
        }
        Ok(())
    }

    /// Takes out the row after those that are.
    fn take_next(&mut self, run: &mut Run) -> Result<(), Error> {
        let Some(at) = run.next else { return Ok(()) };
        if let Some(row) = self.rows.get(&at)? {
            run.puts.take(&at, row.value())?;
            run.taken.push(at);
        }
        run.next = self.first_after(run.logbook, run.age, Bound::Excluded(&at))?;
        Ok(())
    }

    fn first_after(
        &self,
        logbook: LogbookId,
        age: Age,
        from: Bound<&Key>,
    ) -> Result<Option<Key>, Error> {
        let last = key(logbook, age, LAST, NEVER);
        let mut rows = self.rows.range::<&Key>((from, Bound::Included(&last)))?;
        Ok(rows.next().transpose()?.map(|(key, _)| *key.value()))
    }

    /// Puts back what was taken out and what came to it.
    fn put_back(&mut self, run: &mut Run) -> Result<(), Error> {
        let Self { rows, row, .. } = self;
        let mut taken = run.taken.drain(..).peekable();
        run.puts.drain_rows(run.logbook, run.age, row, |key, row| {
            while let Some(before) = taken.next_if(|taken| taken < key) {
                rows.remove(&before)?;
            }
            taken.next_if_eq(key);
            rows.insert(key, row)?;
            Ok(())
        })?;
        for left in taken {
            rows.remove(&left)?;
        }
        Ok(())
    }

    /// Forgets the histories of a logbook.
    pub(super) fn forget(&mut self, logbook: LogbookId) -> Result<(), Error> {
        let (from, to) = tables::range::<41>(&[logbook.bytes()]);
        Ok(self.rows.retain_in::<&Key, _>(&from..=&to, |_, _| false)?)
    }
}
