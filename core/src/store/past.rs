//! What the fields of one thing were at a moment.

use std::sync::Arc;

use super::histories::Histories;
use super::live::MOST_LATELY;
use super::reading::Reading;
use super::{Error, Store};
use crate::log::id::{FieldNumber, LogbookId, ThingId};
use crate::log::stamp::Stamp;
use crate::merge::history;
use crate::merge::lately::Lately;
use crate::merge::register::Register;

impl Store {
    /// Returns what the fields of one thing were at a moment, by field: what was written up to it, by the
    /// stamps that order it. It reads what is kept of that thing and what came last, so it takes as long
    /// in a log of any length. What was observed of it, [`Self::state_as_of`] tells.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn fields_as_of(
        &self,
        logbook: LogbookId,
        thing: ThingId,
        until: Stamp,
    ) -> Result<Vec<(FieldNumber, Register)>, Error> {
        let Some((lately, histories)) = self.histories(logbook)? else {
            let then = self.state_as_of(logbook, until)?;
            let fields = then.registers_of(thing);
            return Ok(fields
                .map(|(of, register)| (of, register.clone()))
                .collect());
        };
        let stretch = histories.stretch(logbook, thing, until, &lately.chains)?;
        Ok(history::registers(stretch, thing, &lately, until))
    }

    /// Returns what is kept of a logbook's things, and what was written since, both as of one moment; none
    /// where its entries have to be folded.
    fn histories(&self, logbook: LogbookId) -> Result<Option<(Arc<Lately>, Histories)>, Error> {
        let live = self.live();
        live.whole()?;
        if let Some(lately) = live.lately.get(&logbook).map(Arc::clone) {
            let txn = self.db.begin_read()?;
            return Ok(Some((lately, Histories::open(&txn)?)));
        }
        drop(live);
        let reading = self.reading()?;
        let Some(lately) = reading.lately(logbook)?.map(Arc::new) else {
            return Ok(None);
        };
        let mut live = self.live();
        if live.last.bookmark == reading.last
            && Arc::ptr_eq(&live.balances, &reading.balances)
            && lately.len() < MOST_LATELY
        {
            live.lately.keep(logbook, Arc::clone(&lately));
        }
        drop(live);
        Ok(Some((lately, Histories::open(&reading.txn)?)))
    }
}

impl Reading<'_> {
    fn lately(&self, logbook: LogbookId) -> Result<Option<Lately>, Error> {
        let ledger = self.ledger(logbook)?;
        if !ledger.branches().is_empty() {
            return Ok(None);
        }
        let Some((lately, found)) = self.shelves.lately(logbook, ledger.entries())? else {
            return Ok(None);
        };
        self.all_there(logbook, found)?;
        Ok(Some(lately))
    }
}
