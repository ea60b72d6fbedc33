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

#[cfg(test)]
mod tests {
    use redb::backends::InMemoryBackend;

    use super::*;
    use crate::exchange::session::{Answering, Caller, Next, answer};
    use crate::log::entry::{Change, Draft};
    use crate::log::id::{FieldNumber, StoreId, ThingId};
    use crate::log::seal::DeviceKey;
    use crate::log::stamp::WallMs;
    use crate::log::value::{HowKnown, Value};
    use crate::store::NewStore;

    const GOES: LogbookId = LogbookId::from_bytes([1; 16]);
    const STAYS: LogbookId = LogbookId::from_bytes([2; 16]);
    const NOW: WallMs = WallMs::new(1_000_000);

    fn store(number: u8) -> Store {
        let new = NewStore {
            id: StoreId::from_bytes([number; 16]),
            key: DeviceKey::from_bytes([number; 32]),
        };
        Store::on_backend(InMemoryBackend::new(), new).unwrap()
    }

    fn write(store: &Store, logbook: LogbookId, number: i64) {
        store.record(&[draft(logbook, number)], NOW).unwrap();
    }

    fn draft(logbook: LogbookId, number: i64) -> Draft {
        let change = Change::Set {
            thing: ThingId::from_bytes([7; 16]),
            field: FieldNumber(1),
            value: Value::Int(number),
            how: HowKnown::Unstated,
        };
        Draft {
            logbook,
            by: "R. Ash".to_owned(),
            utc_offset_min: 0,
            visit: None,
            changes: vec![change],
        }
    }

    fn exchange(store: &Store, hub: &Store) -> bool {
        let (mut caller, mut parcel) = Caller::begin(store, Some(hub.id()), NOW).unwrap();
        loop {
            let reply = answer(hub, &parcel, &Answering::as_peer(), NOW).unwrap();
            match caller.receive(store, &reply, NOW).unwrap() {
                Next::Send(next) => parcel = next,
                Next::Done(summary) => return summary.equal,
            }
        }
    }

    #[test]
    fn what_stays_is_whole_and_what_went_comes_back_from_where_it_is_held() {
        let (mut tablet, hub) = (store(1), store(2));
        for number in 0..3 {
            write(&tablet, STAYS, number);
            write(&tablet, GOES, number);
            write(&hub, GOES, 10 + number);
        }
        assert!(exchange(&tablet, &hub));
        let (gone, kept) = (tablet.heads(GOES).unwrap(), tablet.state(STAYS).unwrap());
        assert_eq!(tablet.drop_logbook(GOES).unwrap(), 6);
        assert_eq!(tablet.logbooks().unwrap(), [STAYS]);
        assert_eq!(tablet.state(STAYS).unwrap(), kept);
        assert_eq!(tablet.verify().unwrap().faults, []);
        assert_eq!(tablet.drop_logbook(GOES).unwrap(), 0);
        // Its next number there is taken, so it writes nothing there until it has the site again.
        let change = draft(GOES, 98);
        let refused = tablet.record(&[change], NOW);
        assert!(matches!(refused, Err(Error::Dropped(_))), "{refused:?}");
        // Arrival numbers are given again: what is recorded now must not count as acknowledged.
        write(&tablet, STAYS, 99);
        assert!(exchange(&tablet, &hub));
        assert_eq!(hub.heads(STAYS).unwrap(), tablet.heads(STAYS).unwrap());
        assert_eq!(tablet.heads(GOES).unwrap(), gone);
        assert!(!tablet.id_is_in_use_elsewhere());
        write(&tablet, GOES, 100);
        assert!(exchange(&tablet, &hub));
    }
}
