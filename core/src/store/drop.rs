//! A logbook off this store, when another holds all of it.

use redb::{ReadableTable, WriteTransaction};

use super::fold::Tables;
use super::tables::{self, ENTRIES, IDENTITY, PEERS};
use super::{Error, Store, rebuild};
use crate::log::codec;
use crate::log::id::{Arrival, ChainId, LogbookId};

impl Store {
    /// Takes a logbook's entries out of this store, in one transaction, and returns how many they
    /// were. Whoever asks has made sure that another store holds them to the last: nothing here
    /// brings them back.
    ///
    /// What remains keeps its arrival numbers, and those after the last of them are given again; so
    /// all bookmarks into this store are void, and nothing beyond the last counts as acknowledged.
    ///
    /// # Errors
    /// [`Error`] where the file fails, or an entry is not what was written; then nothing has
    /// changed.
    pub fn drop_logbook(&self, logbook: LogbookId) -> Result<u64, Error> {
        let txn = self.db.begin_write()?;
        let (mut dropped, own);
        {
            let mut tables = Tables::open(&txn)?;
            own = tables.head(logbook, ChainId::of(self.device()))?;
            dropped = 0;
            let mut next = 0;
            while let Some((arrival, row)) = tables.entry_from(next)? {
                next = arrival.0 + 1;
                let (_, raw) = tables::entry_parts(arrival, &row)?;
                if codec::peek(raw)?.0 == logbook {
                    tables.take_out(arrival)?;
                    dropped += 1;
                }
            }
        }
        if dropped == 0 {
            txn.abort()?;
            return Ok(0);
        }
        if let Some(own) = own {
            // Its own entries may come back from elsewhere, up to here, without anything being odd.
            let seq = own.seq.get().to_be_bytes();
            txn.open_table(IDENTITY)?
                .insert(tables::left_key(logbook).as_str(), seq.as_slice())?;
        }
        rebuild::refold(&txn)?;
        forget_acknowledged(&txn, logbook)?;
        txn.commit()?;
        Ok(dropped)
    }
}

/// Takes back to the last arrival what peers have acknowledged, or what is recorded under a number
/// that is given again would never be sent.
fn forget_acknowledged(txn: &WriteTransaction, logbook: LogbookId) -> Result<(), Error> {
    let entries = txn.open_table(ENTRIES)?;
    let not_beyond = entries.last()?.map_or(0, |(arrival, _)| arrival.value());
    let not_beyond = Arrival(not_beyond);
    let mut peers = txn.open_table(PEERS)?;
    let mut all = Vec::new();
    for row in peers.iter()? {
        let (peer, row) = row?;
        all.push((*peer.value(), tables::met(row.value())?));
    }
    for (peer, mut met) in all {
        met.told = met.told.min(not_beyond);
        met.covers.remove(&logbook);
        peers.insert(&peer, tables::met_row(&met).as_slice())?;
    }
    Ok(())
}
