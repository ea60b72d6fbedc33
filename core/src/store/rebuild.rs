//! Derived tables made again from the entries.

use redb::{ReadableTableMetadata, WriteTransaction};

use super::fold::Tables;
use super::tables::{
    BRANCHES, HEADS, OBSERVATIONS, ORIGIN, PARTINGS, RECEIPTS, REGISTERS, TOUCHES, VERDICTS,
};
use super::{Error, Store};

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

impl Store {
    /// Throws every derived table away and makes it again from the entries, in one transaction.
    ///
    /// # Errors
    /// [`Error::DamagedEntry`] where an entry is not what was written; [`Error`] where the file
    /// fails. Then nothing has changed.
    pub fn rebuild(&self) -> Result<Rebuilt, Error> {
        let txn = self.db.begin_write()?;
        let entries = refold(&txn)?;
        let fields = txn.open_table(REGISTERS)?.len()?;
        let observations = txn.open_table(OBSERVATIONS)?.len()?;
        txn.commit()?;
        Ok(Rebuilt {
            entries,
            fields,
            observations,
        })
    }
}

/// Throws the derived tables of this transaction away and folds its entries again.
pub(super) fn refold(txn: &WriteTransaction) -> Result<u64, Error> {
    txn.delete_table(ORIGIN)?;
    txn.delete_table(HEADS)?;
    txn.delete_table(BRANCHES)?;
    txn.delete_table(PARTINGS)?;
    txn.delete_table(REGISTERS)?;
    txn.delete_table(OBSERVATIONS)?;
    txn.delete_table(TOUCHES)?;
    txn.delete_table(RECEIPTS)?;
    txn.delete_table(VERDICTS)?;
    let mut tables = Tables::open(txn)?;
    let folded = tables.fold_all()?;
    tables.finish()?;
    Ok(folded)
}
