//! Derived tables made again from the entries.

use redb::{ReadableDatabase, ReadableTable, ReadableTableMetadata};

use super::fold::Tables;
use super::tables::{self, ENTRIES, HEADS, OBSERVATIONS, ORIGIN, RECEIPTS, REGISTERS, TOUCHES};
use super::{Error, Store};
use crate::log::codec;
use crate::log::id::Arrival;

/// What a rebuild went through.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Rebuilt {
    /// Entries replayed.
    pub entries: u64,
    /// Fields that hold a value afterwards.
    pub fields: u64,
    /// Observations kept afterwards.
    pub observations: u64,
}

/// Whether the tables that are folded into hold the entries already.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Rows {
    /// They do: only the derived tables are made anew.
    AreThere,
    /// They are empty: the entries are copied, too.
    AreCopied,
}

impl Store {
    /// Throws every derived table away and makes it again from the entries, in one transaction.
    ///
    /// # Errors
    /// [`Error::DamagedEntry`] where an entry is not what was written; [`Error`] where the file
    /// fails. Then nothing has changed.
    pub fn rebuild(&self) -> Result<Rebuilt, Error> {
        let txn = self.db.begin_write()?;
        txn.delete_table(ORIGIN)?;
        txn.delete_table(HEADS)?;
        txn.delete_table(REGISTERS)?;
        txn.delete_table(OBSERVATIONS)?;
        txn.delete_table(TOUCHES)?;
        txn.delete_table(RECEIPTS)?;
        let entries = self.replay_into(Tables::open(&txn)?, Rows::AreThere)?;
        let fields = txn.open_table(REGISTERS)?.len()?;
        let observations = txn.open_table(OBSERVATIONS)?.len()?;
        txn.commit()?;
        Ok(Rebuilt {
            entries,
            fields,
            observations,
        })
    }

    /// Folds every entry of this store, as last committed, into these tables.
    pub(super) fn replay_into(&self, mut tables: Tables<'_>, rows: Rows) -> Result<u64, Error> {
        let entries = self.db.begin_read()?.open_table(ENTRIES)?;
        for row in entries.iter()? {
            let (key, row) = row?;
            let arrival = Arrival(key.value());
            let (arrived, raw) = tables::entry_parts(arrival, row.value())?;
            let entry = codec::decode(raw)?;
            match rows {
                Rows::AreThere => tables.fold(arrival, &entry, raw)?,
                Rows::AreCopied => tables.append(arrival, arrived, &entry, raw)?,
            }
        }
        tables.finish()?;
        Ok(entries.len()?)
    }
}
