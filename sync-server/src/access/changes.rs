//! What a change of the list comes to, row by row, so that every hub of a fleet makes the same one.

use redb::{ReadableTable, TableError, WriteTransaction};
use serde::{Deserialize, Serialize};

use super::tables::{self, CODES, DEVICES, HUB, LATER_IDS, SESSIONS, TOKENS};
use crate::error::Error;

/// Where the last change of the fleet's log stands that is in this file.
pub(super) const APPLIED: &str = "applied";
/// Up to where of the fleet's log this file had everything when it was last put on disk.
pub(super) const FOLLOWED: &str = "followed";
/// Where the fleet's log has moved.
pub(super) const MOVED_TO: &str = "moved-to";

/// Which table a row is of. The numbers are in logs and stay as they are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub(super) enum In {
    Hub,
    Codes,
    Devices,
    LaterIds,
    Tokens,
    Sessions,
}

/// One row as it is to be; none where it is to go.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
struct Row {
    table: In,
    key: Vec<u8>,
    value: Option<Vec<u8>>,
}

/// A change under way: one transaction, and the rows that it has changed.
pub(super) struct Change {
    txn: WriteTransaction,
    rows: Vec<Row>,
}

impl Change {
    pub(super) const fn begin(txn: WriteTransaction) -> Self {
        Self {
            txn,
            rows: Vec::new(),
        }
    }

    /// Returns the transaction, to read from.
    pub(super) const fn reading(&self) -> &WriteTransaction {
        &self.txn
    }

    pub(super) fn put(&mut self, table: In, key: &[u8], value: Vec<u8>) -> Result<(), Error> {
        self.set(Row {
            table,
            key: key.to_vec(),
            value: Some(value),
        })
    }

    pub(super) fn remove(&mut self, table: In, key: &[u8]) -> Result<(), Error> {
        self.set(Row {
            table,
            key: key.to_vec(),
            value: None,
        })
    }

    fn set(&mut self, row: Row) -> Result<(), Error> {
        write(&self.txn, &row)?;
        self.rows.push(row);
        Ok(())
    }

    pub(super) const fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }

    /// Returns the change as every hub reads it.
    pub(super) fn bytes(&self) -> Vec<u8> {
        tables::row_bytes(&self.rows)
    }

    pub(super) fn applied(&self) -> Result<u64, Error> {
        position(&self.txn.open_table(HUB)?, APPLIED)
    }

    /// Puts it on disk, with where it stands in the fleet's log.
    pub(super) fn commit(self, at: Option<u64>) -> Result<(), Error> {
        if let Some(at) = at {
            let mut hub = self.txn.open_table(HUB)?;
            hub.insert(APPLIED, at.to_be_bytes().as_slice())?;
        }
        Ok(self.txn.commit()?)
    }

    pub(super) fn abort(self) -> Result<(), Error> {
        self.txn
            .abort()
            .map_err(|error| redb::Error::from(error).into())
    }
}

/// Makes a change that another hub made, where it is not made yet.
pub(super) fn apply(txn: WriteTransaction, at: u64, bytes: &[u8]) -> Result<(), Error> {
    if position(&txn.open_table(HUB)?, APPLIED)? >= at {
        return txn.abort().map_err(|error| redb::Error::from(error).into());
    }
    let rows: Vec<Row> = tables::row(bytes)?;
    for row in &rows {
        write(&txn, row)?;
    }
    Change::begin(txn).commit(Some(at))
}

/// Returns the change by which a fleet's log says where it has moved.
pub(crate) fn moved(address: &str) -> Vec<u8> {
    tables::row_bytes(&vec![Row {
        table: In::Hub,
        key: MOVED_TO.into(),
        value: Some(address.into()),
    }])
}

/// Forgets up to where a log's changes are made here, and where that has moved.
pub(super) fn leave_log(txn: WriteTransaction) -> Result<(), Error> {
    {
        let mut hub = txn.open_table(HUB)?;
        hub.remove(APPLIED)?;
        hub.remove(FOLLOWED)?;
        hub.remove(MOVED_TO)?;
    }
    Ok(txn.commit()?)
}

/// Reads the change of a log as [`moved`] writes it; none where it is another.
pub(crate) fn moved_to(change: &[u8]) -> Option<String> {
    let rows: Vec<Row> = tables::row(change).ok()?;
    let moved = rows
        .into_iter()
        .find(|row| (row.table, row.key.as_slice()) == (In::Hub, MOVED_TO.as_bytes()))?;
    String::from_utf8(moved.value?).ok()
}

/// Reads one of the positions that are kept among the words about the hub.
pub(super) fn position(
    hub: &impl ReadableTable<&'static str, &'static [u8]>,
    which: &str,
) -> Result<u64, Error> {
    let Some(row) = hub.get(which)? else {
        return Ok(0);
    };
    let bytes = row.value().try_into().map_err(|_| Error::DamagedAccess)?;
    Ok(u64::from_be_bytes(bytes))
}

fn write(txn: &WriteTransaction, row: &Row) -> Result<(), Error> {
    fn key<const N: usize>(row: &Row) -> Result<&[u8; N], Error> {
        row.key
            .as_slice()
            .try_into()
            .map_err(|_| Error::DamagedAccess)
    }
    let value = row.value.as_deref();
    macro_rules! set {
        ($table:expr, $key:expr, $value:expr) => {{
            let mut table = txn.open_table($table)?;
            match value {
                Some(value) => table.insert($key, $value(value)?)?.map(drop),
                None => table.remove($key)?.map(drop),
            };
        }};
    }
    fn bytes(value: &[u8]) -> Result<&[u8], Error> {
        Ok(value)
    }
    fn id(value: &[u8]) -> Result<&[u8; 16], Error> {
        value.try_into().map_err(|_| Error::DamagedAccess)
    }
    match row.table {
        In::Hub => {
            let name = core::str::from_utf8(&row.key).map_err(|_| Error::DamagedAccess)?;
            set!(HUB, name, bytes);
        }
        In::Codes => set!(CODES, key::<32>(row)?, bytes),
        In::Devices => set!(DEVICES, key::<16>(row)?, bytes),
        In::LaterIds => set!(LATER_IDS, key::<16>(row)?, id),
        In::Tokens => set!(TOKENS, key::<32>(row)?, id),
        In::Sessions => set!(SESSIONS, key::<32>(row)?, bytes),
    }
    Ok(())
}

/// How many rows go into one change of the whole list.
const ROWS_A_CHANGE: usize = 500;

/// Returns the whole list as changes, for a log that is begun from it.
pub(super) fn whole(txn: &redb::ReadTransaction) -> Result<Vec<Vec<u8>>, Error> {
    let mut rows = Vec::new();
    macro_rules! all {
        ($table:expr, $in:expr, $key:expr, $value:expr) => {
            match txn.open_table($table) {
                Err(TableError::TableDoesNotExist(_)) => {}
                opened => {
                    for row in opened?.iter()? {
                        let (key, value) = row?;
                        rows.push(Row {
                            table: $in,
                            key: $key(key.value()),
                            value: Some($value(value.value())),
                        });
                    }
                }
            }
        };
    }
    let name = |name: &str| name.as_bytes().to_vec();
    all!(HUB, In::Hub, name, <[u8]>::to_vec);
    rows.retain(|row| row.key == b"name" || row.key.starts_with(super::HUB_WRITES_AS.as_bytes()));
    all!(
        CODES,
        In::Codes,
        |key: &[u8; 32]| key.to_vec(),
        <[u8]>::to_vec
    );
    all!(
        DEVICES,
        In::Devices,
        |key: &[u8; 16]| key.to_vec(),
        <[u8]>::to_vec
    );
    all!(
        LATER_IDS,
        In::LaterIds,
        |key: &[u8; 16]| key.to_vec(),
        |id: &[u8; 16]| id.to_vec()
    );
    all!(
        TOKENS,
        In::Tokens,
        |key: &[u8; 32]| key.to_vec(),
        |id: &[u8; 16]| id.to_vec()
    );
    all!(
        SESSIONS,
        In::Sessions,
        |key: &[u8; 32]| key.to_vec(),
        <[u8]>::to_vec
    );
    Ok(rows
        .chunks(ROWS_A_CHANGE)
        .map(|rows| tables::row_bytes(&rows))
        .collect())
}
