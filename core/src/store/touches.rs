//! Which entries touch a thing, as rows: a row begins with one arrival, in its key, and goes on with how
//! far each next one lies from the one before. Entries of one thing arrive far apart, so that a row
//! each would spread every batch over the whole table.

use redb::{ReadableTable, Table};

use super::Error;
use super::tables;
use crate::log::id::{Arrival, LogbookId, ThingId};
use crate::log::shapes::{Scan, number};

/// How many arrivals a row holds at most, so that what is written anew for one more stays small.
const A_ROW: usize = 64;

/// The last row of one thing.
#[derive(Debug, Clone)]
pub(super) struct Touches {
    first: Arrival,
    last: Arrival,
    count: usize,
    steps: Vec<u8>,
}

impl Touches {
    pub(super) const fn begin(first: Arrival) -> Self {
        Self {
            first,
            last: first,
            count: 1,
            steps: Vec::new(),
        }
    }

    /// Returns the last row of a thing, if anything has touched it.
    pub(super) fn last(
        table: &impl ReadableTable<&'static [u8; 40], &'static [u8]>,
        logbook: LogbookId,
        thing: ThingId,
    ) -> Result<Option<Self>, Error> {
        let (from, to) = tables::range(&[logbook.bytes(), thing.bytes()]);
        let row = table.range::<&[u8; 40]>(&from..=&to)?.next_back();
        row.transpose()?
            .map(|(key, row)| {
                let (first, steps) = (tables::touch_arrival(key.value()), row.value().to_vec());
                let arrivals = arrivals(first, &steps)?;
                Ok(Self {
                    first,
                    last: arrivals.last().copied().unwrap_or(first),
                    count: arrivals.len(),
                    steps,
                })
            })
            .transpose()
    }

    /// Adds an arrival, which is none before the last; says whether the row is full and this one
    /// begins the next.
    pub(super) fn add(&mut self, arrival: Arrival) -> Option<Self> {
        if arrival == self.last {
            return None; // one entry may touch a thing several times
        }
        if self.count == A_ROW {
            return Some(Self::begin(arrival));
        }
        number(&mut self.steps, arrival.0 - self.last.0);
        self.last = arrival;
        self.count += 1;
        None
    }

    pub(super) fn write(
        &self,
        table: &mut Table<'_, &'static [u8; 40], &'static [u8]>,
        logbook: LogbookId,
        thing: ThingId,
    ) -> Result<(), Error> {
        let key = tables::touch_key(logbook, thing, self.first);
        table.insert(&key, self.steps.as_slice())?;
        Ok(())
    }
}

/// Returns the arrivals of all entries that touch a thing, in order.
pub(super) fn of_thing(
    table: &impl ReadableTable<&'static [u8; 40], &'static [u8]>,
    logbook: LogbookId,
    thing: ThingId,
) -> Result<Vec<Arrival>, Error> {
    let (from, to) = tables::range(&[logbook.bytes(), thing.bytes()]);
    let mut all = Vec::new();
    for row in table.range::<&[u8; 40]>(&from..=&to)? {
        let (key, row) = row?;
        all.extend(arrivals(tables::touch_arrival(key.value()), row.value())?);
    }
    Ok(all)
}

fn arrivals(first: Arrival, steps: &[u8]) -> Result<Vec<Arrival>, Error> {
    let damaged = || Error::damaged_index("touches");
    let (mut arrivals, mut last, mut left) = (vec![first], first.0, Scan::of(steps));
    while !left.is_empty() {
        let step = left.number().map_err(|_| damaged())?;
        last = last.checked_add(step).ok_or_else(damaged)?;
        arrivals.push(Arrival(last));
    }
    Ok(arrivals)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use redb::backends::InMemoryBackend;
    use redb::{Database, TableDefinition};

    use super::*;

    const TABLE: TableDefinition<'_, &[u8; 40], &[u8]> = TableDefinition::new("touches");
    const LOGBOOK: LogbookId = LogbookId::from_bytes([1; 16]);
    const THING: ThingId = ThingId::from_bytes([2; 16]);

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(32))]

        #[test]
        fn all_arrivals_are_read_that_were_added_and_rows_stay_short(
            steps in prop::collection::vec(0_u64..100_000, 1..300), flush_each in 1_usize..40
        ) {
            let db = Database::builder().create_with_backend(InMemoryBackend::new()).unwrap();
            let txn = db.begin_write().unwrap();
            let mut table = txn.open_table(TABLE).unwrap();
            let (mut arrival, mut wanted, mut row) = (7, Vec::new(), None::<Touches>);
            for (nth, step) in steps.into_iter().enumerate() {
                arrival += step;
                if wanted.last() != Some(&Arrival(arrival)) {
                    wanted.push(Arrival(arrival));
                }
                row = Some(match row.take() {
                    None => Touches::begin(Arrival(arrival)),
                    Some(mut row) => match row.add(Arrival(arrival)) {
                        None => row,
                        Some(next) => {
                            row.write(&mut table, LOGBOOK, THING).unwrap();
                            next
                        }
                    },
                });
                if nth % flush_each == 0 {
                    row.take().unwrap().write(&mut table, LOGBOOK, THING).unwrap();
                    row = Touches::last(&table, LOGBOOK, THING).unwrap();
                }
            }
            row.unwrap().write(&mut table, LOGBOOK, THING).unwrap();
            prop_assert_eq!(of_thing(&table, LOGBOOK, THING).unwrap(), wanted);
            for row in table.iter().unwrap() {
                prop_assert!(arrivals(Arrival(1), row.unwrap().1.value()).unwrap().len() <= A_ROW);
            }
        }
    }

    #[test]
    fn steps_that_are_cut_or_lead_past_every_number_are_damage() {
        assert!(arrivals(Arrival(1), &[0x80]).is_err());
        let mut far = Vec::new();
        number(&mut far, u64::MAX);
        assert!(arrivals(Arrival(1), &far).is_err());
    }
}
