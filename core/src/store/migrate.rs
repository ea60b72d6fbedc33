//! Older files brought up to this version's tables, once, as they are opened. Only indexes change, and
//! they are made from the older ones, so that a file in which an entry is damaged opens as before.

use redb::{Database, ReadableTable, TableDefinition};

use super::tables::{self, IDENTITY, OBSERVATIONS, TOUCHES};
use super::touches::Touches;
use super::{Error, FORMAT};
use crate::log::id::{LogbookId, ThingId};

/// Format 1: logbook, thing, observation, arrival, index -> the observation.
const OBSERVATIONS_1: TableDefinition<'_, &[u8; 44], &[u8]> =
    TableDefinition::new("observations_v1");
/// Format 1: logbook, thing, arrival.
const TOUCHES_1: TableDefinition<'_, &[u8; 40], ()> = TableDefinition::new("touches_v1");

/// Brings format 1 up to 2: observations stand by arrival, and the entries that touch a thing in one
/// row for many. All of it or nothing.
pub(super) fn from_1(db: &Database) -> Result<(), Error> {
    let txn = db.begin_write()?;
    {
        let mut observations = txn.open_table(OBSERVATIONS)?;
        for row in txn.open_table(OBSERVATIONS_1)?.iter()? {
            let (key, row) = row?;
            let (key, about) = tables::observation_of_1(key.value());
            let row = [about.as_slice(), row.value()].concat();
            observations.insert(&key, row.as_slice())?;
        }
        let mut touches = txn.open_table(TOUCHES)?;
        let mut open: Option<((LogbookId, ThingId), Touches)> = None;
        for row in txn.open_table(TOUCHES_1)?.iter()? {
            let (logbook, thing, arrival) = tables::touch_ids(row?.0.value());
            let full = match &mut open {
                Some((of, row)) if *of == (logbook, thing) => row.add(arrival),
                _ => Some(Touches::begin(arrival)),
            };
            if let Some(next) = full
                && let Some(((of, its), row)) = open.replace(((logbook, thing), next))
            {
                row.write(&mut touches, of, its)?;
            }
        }
        if let Some(((logbook, thing), row)) = open {
            row.write(&mut touches, logbook, thing)?;
        }
        let mut identity = txn.open_table(IDENTITY)?;
        identity.insert("format", FORMAT.to_be_bytes().as_slice())?;
    }
    txn.delete_table(OBSERVATIONS_1)?;
    txn.delete_table(TOUCHES_1)?;
    Ok(txn.commit()?)
}
