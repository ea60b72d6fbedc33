//! A logbook off this store, when another holds all of it.

use redb::{ReadableTable, WriteTransaction};

use super::balances::Balancing;
use super::tables::{self, BLOCKS, ENTRIES, IDENTITY, LEDGERS, PEERS};
use super::{Error, Store, bunch, ledger, rebuild};
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
        let ledger = self.reading()?.ledger(logbook)?;
        let dropped = ledger.entries();
        if dropped == 0 {
            return Ok(0);
        }
        let mut live = self.live();
        live.whole()?;
        let txn = self.db.begin_write()?;
        let (from, to) = tables::range::<24>(&[logbook.bytes()]);
        {
            bunch::scatter(&txn)?;
            let mut blocks = txn.open_table(BLOCKS)?;
            blocks.retain_in::<&[u8; 24], _>(&from..=&to, |_, _| false)?;
            rebuild::regroup(&txn, &blocks)?;
            ledger::Rows::open(&txn)?.forget(logbook)?;
            Balancing::begin(&txn)?.forget(logbook)?;
            let mut entries = txn.open_table(ENTRIES)?;
            for lying in live.tail.iter() {
                if lying.logbook() == logbook {
                    entries.remove(lying.arrival.0)?;
                }
            }
            let mut identity = txn.open_table(IDENTITY)?;
            // What the dropped entries had told of the time stays known.
            let clock = live.clock.last().bits().to_be_bytes();
            identity.insert("clock", clock.as_slice())?;
            if let Some(own) = ledger.head(ChainId::of(self.device())) {
                // Its own entries may come back from elsewhere, up to here, without anything being odd.
                let seq = own.seq.get().to_be_bytes();
                identity.insert(tables::left_key(logbook).as_str(), seq.as_slice())?;
            }
        }
        let not_beyond = last_arrival(&txn)?;
        pressed_up_to(&txn, not_beyond)?;
        forget_acknowledged(&txn, logbook, not_beyond)?;
        txn.commit()?;
        live.reload(&self.db, self.device())?;
        Ok(dropped)
    }
}

/// The last arrival that is left.
fn last_arrival(txn: &WriteTransaction) -> Result<Arrival, Error> {
    let last = txn.open_table(ENTRIES)?.last()?.map(|(key, _)| key.value());
    let groups = txn.open_table(tables::GROUPS)?;
    let settled = groups.last()?.map(|(key, _)| key.value());
    Ok(Arrival(last.or(settled).unwrap_or(0)))
}

/// Takes back to the last arrival what is packed tight and balanced, or entries whose numbers are given
/// again would never be.
fn pressed_up_to(txn: &WriteTransaction, last: Arrival) -> Result<(), Error> {
    let mut identity = txn.open_table(IDENTITY)?;
    if tables::word_if_any(&identity, "pressed")?.is_none_or(|pressed| pressed <= last.0) {
        return Ok(());
    }
    identity.insert("pressed", last.0.to_be_bytes().as_slice())?;
    let mut balancing = Balancing::begin(txn)?;
    for row in txn.open_table(LEDGERS)?.iter()? {
        let logbook = LogbookId::from_bytes(*row?.0.value());
        balancing.reach_no_further(logbook, last)?;
    }
    Ok(())
}

/// Takes back to the last arrival what peers have acknowledged, or what is recorded under a number
/// that is given again would never be sent.
fn forget_acknowledged(
    txn: &WriteTransaction,
    logbook: LogbookId,
    not_beyond: Arrival,
) -> Result<(), Error> {
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
