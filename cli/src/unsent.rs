//! What this store recorded that is not yet at the office.

use std::collections::{BTreeMap, BTreeSet};

use headwalk_core::log::codec;
use headwalk_core::log::id::{Arrival, LogbookId};
use headwalk_core::store::Store;

use crate::error::Error;
use crate::hub::own_hub_store;

/// How much is read of the entries at once.
const BATCH_BYTES: usize = 1024 * 1024;

/// Entries that came to this store since the hub last acknowledged what it holds.
pub struct Unsent(BTreeMap<LogbookId, u64>);

impl Unsent {
    /// Counts them; none where this store has no hub.
    pub fn of(store: &Store) -> Result<Option<Self>, Error> {
        let Some(hub) = own_hub_store(store)? else {
            return Ok(None);
        };
        let mut after = store.met(hub)?.map_or(Arrival(0), |met| met.told);
        let mut counts = BTreeMap::new();
        loop {
            let news = store.news(after, &|_, _| true, &BTreeSet::new(), BATCH_BYTES)?;
            for raw in &news.batch {
                let (logbook, _) = codec::peek(raw).map_err(headwalk_core::store::Error::from)?;
                *counts.entry(logbook).or_insert(0) += 1;
            }
            after = news.read.arrival;
            if !news.more {
                return Ok(Some(Self(counts)));
            }
        }
    }

    /// Returns how many entries of a logbook there are.
    pub fn of_logbook(&self, logbook: LogbookId) -> u64 {
        self.0.get(&logbook).copied().unwrap_or(0)
    }
}
