//! Older files brought up to this version's tables, once, as they are opened. Only what follows from the
//! entries is thrown away, so that a file in which an entry is damaged opens as before.

use redb::{Database, ReadableDatabase, TableHandle};

use super::tables::{BLOCKS, ENTRIES, GROUPS, IDENTITY, LEDGERS, PEERS, SEALS};
use super::{Error, FORMAT, make_tables};

/// Brings formats 1 and 2 up to 3. They had all entries by arrival and, beside them, a row in several
/// indexes for each; whoever opens the store puts the entries into blocks.
pub(super) fn from_2(db: &Database) -> Result<(), Error> {
    let kept = [
        ENTRIES.name(),
        SEALS.name(),
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
    txn.open_table(IDENTITY)?
        .insert("format", FORMAT.to_be_bytes().as_slice())?;
    Ok(txn.commit()?)
}
