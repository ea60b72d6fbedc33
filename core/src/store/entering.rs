//! How histories go on: what came is entered where it is ordered. Rows are written again only where
//! something came.

use core::ops::Bound;

use redb::{ReadableTable, Table, WriteTransaction};

use super::Error;
use super::stretches::{self, Age, FIRST, Key, LAST, NEVER, Put, key};
use super::tables::{self, HISTORIES};
use crate::log::id::{LogbookId, ThingId};
use crate::log::stamp::Stamp;
use crate::merge::history::History;
use crate::merge::lately::Lately;
use crate::merge::stretch::Stretch;

/// Histories under way.
pub(super) struct Entering<'txn>(Table<'txn, &'static Key, &'static [u8]>);

/// Rows that follow each other, taken out.
struct Run {
    logbook: LogbookId,
    age: Age,
    puts: Vec<Put>,
    /// The first row that is not among them.
    next: Option<Key>,
}

impl Run {
    /// Whether what begins so belongs among them.
    fn reaches(&self, thing: ThingId, from: Stamp) -> bool {
        let place = key(self.logbook, self.age, thing, from);
        self.next.is_none_or(|next| place < next)
    }

    /// Those of a thing, from the one on in which a moment lies.
    fn of(&self, thing: ThingId, moment: Stamp) -> &[Put] {
        let from = self.puts.partition_point(|put| put.thing < thing);
        let to = self.puts.partition_point(|put| put.thing <= thing);
        let of_thing = &self.puts[from..to];
        let before = of_thing.partition_point(|put| put.from <= moment);
        &of_thing[before.saturating_sub(1)..]
    }

    /// Puts others in the place of those of a thing that begin at a moment or after it.
    fn replace(&mut self, thing: ThingId, moment: Stamp, others: impl Iterator<Item = Stretch>) {
        let is_before = |put: &Put| (put.thing, put.from) < (thing, moment);
        let from = self.puts.partition_point(is_before);
        let to = self.puts.partition_point(|put| put.thing <= thing);
        let others = others.map(|stretch| Put::of(thing, &stretch));
        self.puts.splice(from..to, others);
    }
}

impl<'txn> Entering<'txn> {
    pub(super) fn begin(txn: &'txn WriteTransaction) -> Result<Self, Error> {
        Ok(Self(txn.open_table(HISTORIES)?))
    }

    /// Enters what came since the balance of a logbook, and is in the next one.
    pub(super) fn enter(&mut self, logbook: LogbookId, lately: &Lately) -> Result<(), Error> {
        let mut lasting = self.begin_run(logbook, Age::Lasting)?;
        let mut over = self.begin_run(logbook, Age::Over)?;
        for thing in lately.things() {
            let least = lately.earliest(thing).unwrap_or(Stamp::ZERO);
            self.reach(&mut lasting, thing, NEVER)?;
            let last = lasting.of(thing, NEVER);
            let lasts_from = last.first().map_or(Stamp::ZERO, |last| last.from);
            let mut kept = Vec::new();
            if least < lasts_from {
                // It is ordered into what is over.
                self.reach(&mut over, thing, least)?;
                kept.extend(over.of(thing, least).iter().map(Put::read));
            }
            kept.extend(last.iter().map(Put::read));
            let kept = kept.into_iter().collect::<Result<Vec<Stretch>, _>>()?;
            let begun = kept.first().map_or(Stamp::ZERO, |first| first.from);
            let mut history = History::resume(kept.into_iter());
            history.go_on(thing, lately);
            let mut stretches = history.stretches(begun);
            let last = stretches.pop();
            if begun < lasts_from || !stretches.is_empty() {
                self.reach(&mut over, thing, begun)?;
                over.replace(thing, begun, stretches.into_iter());
            }
            lasting.replace(thing, Stamp::ZERO, last.into_iter());
        }
        self.put_back(&mut lasting)?;
        self.put_back(&mut over)
    }

    fn begin_run(&self, logbook: LogbookId, age: Age) -> Result<Run, Error> {
        let first = key(logbook, age, FIRST, Stamp::ZERO);
        Ok(Run {
            logbook,
            age,
            puts: Vec::new(),
            next: self.first_after(logbook, age, Bound::Included(&first))?,
        })
    }

    /// Takes out the rows in which a thing stands from a moment on, or belongs; those before them, if they
    /// do not touch, are put back.
    fn reach(&mut self, run: &mut Run, thing: ThingId, moment: Stamp) -> Result<(), Error> {
        if !run.reaches(thing, moment) {
            let first = key(run.logbook, run.age, FIRST, Stamp::ZERO);
            let to = key(run.logbook, run.age, thing, moment);
            let row = self.0.range::<&Key>(&first..=&to)?.next_back();
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
        let mut rows = self.0.range::<&Key>((from, Bound::Included(&last)))?;
        Ok(rows.next().transpose()?.map(|(key, _)| *key.value()))
    }

    /// Puts back what was taken out and what came to it.
    fn put_back(&mut self, run: &mut Run) -> Result<(), Error> {
        for (key, row) in stretches::rows(run.logbook, run.age, &run.puts) {
            self.0.insert(&key, row.as_slice())?;
        }
        run.puts.clear();
        Ok(())
    }

    /// Forgets the histories of a logbook.
    pub(super) fn forget(&mut self, logbook: LogbookId) -> Result<(), Error> {
        let (from, to) = tables::range::<41>(&[logbook.bytes()]);
        Ok(self.0.retain_in::<&Key, _>(&from..=&to, |_, _| false)?)
    }
}
