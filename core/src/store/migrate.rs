//! Older files brought up to this version's tables, once, as they are opened. Only what follows from the
//! entries is thrown away, so that a file in which an entry is damaged opens as before.

use redb::{Database, ReadableDatabase, ReadableTable, TableHandle, WriteTransaction};

use super::tables::{
    BALANCES_V4, BLOCKS, ENTRIES, GROUPS, IDENTITY, LEDGERS, PEERS, SEALS, SEALS_V1,
};
use super::{Error, FORMAT, make_tables};

/// Brings formats 1 and 2 up to 6. They had all entries by arrival and, beside them, a row in several
/// indexes for each; whoever opens the store puts the entries into blocks.
pub(super) fn from_2(db: &Database) -> Result<(), Error> {
    let kept = [
        ENTRIES.name(),
        SEALS.name(),
        SEALS_V1.name(),
        PEERS.name(),
        IDENTITY.name(),
        BLOCKS.name(),
        GROUPS.name(),
        LEDGERS.name(),
    ];
    let tables: Vec<_> = db.begin_read()?.list_tables()?.collect();
    let txn = db.begin_write()?;
    for table in tables {
        if !kept.contains(&table.name()) {
            txn.delete_table(table)?;
        }
    }
    make_tables(&txn)?;
    move_seals(&txn)?;
    Ok(txn.commit()?)
}

/// Brings format 3 up to 6; since 4 seals that were made at once have a path, and
/// ids a table.
pub(super) fn from_3(db: &Database) -> Result<(), Error> {
    let txn = db.begin_write()?;
    make_tables(&txn)?;
    move_seals(&txn)?;
    Ok(txn.commit()?)
}

/// Moves the seals to their new table.
fn move_seals(txn: &WriteTransaction) -> Result<(), Error> {
    {
        let (old, mut new) = (txn.open_table(SEALS_V1)?, txn.open_table(SEALS)?);
        for row in old.iter()? {
            let (key, seal) = row?;
            new.insert(key.value(), seal.value().as_slice())?;
        }
    }
    txn.delete_table(SEALS_V1)?;
    is_of_this_format(txn)
}

/// Brings format 4 up to 6; since 5 blocks that came together may lie in bunches, and balances have
/// histories: those are made with what is packed next.
pub(super) fn from_4(db: &Database) -> Result<(), Error> {
    let txn = db.begin_write()?;
    txn.delete_table(BALANCES_V4)?;
    make_tables(&txn)?;
    is_of_this_format(&txn)?;
    Ok(txn.commit()?)
}

/// Brings format 5 up to 6, in which seals that came lately lie as they came, and chains of
/// ledgers that moved have a row.
pub(super) fn from_5(db: &Database) -> Result<(), Error> {
    let txn = db.begin_write()?;
    make_tables(&txn)?;
    is_of_this_format(&txn)?;
    Ok(txn.commit()?)
}

fn is_of_this_format(txn: &WriteTransaction) -> Result<(), Error> {
    let mut identity = txn.open_table(IDENTITY)?;
    identity.insert("format", FORMAT.to_be_bytes().as_slice())?;
    Ok(())
}
