//! What the exchange needs of a store, and no more.

use std::collections::BTreeSet;

use crate::log::chain::{Held, Mark, Tip};
use crate::log::id::{Arrival, DeviceId, LogbookId, Place, Seq, StoreId};
use crate::log::seal::Seal;
use crate::log::sheaf::Sheaf;
use crate::log::stamp::WallMs;
use crate::log::vector::VersionVector;
use crate::store::{
    Appended, Bookmark, Came, Count, Error, Head, Meeting, Met, Store, Taking, Telling, Wanted,
};

macro_rules! shelf {
    ($(fn $name:ident(&self $(, $arg:ident: $kind:ty)*) -> $returned:ty;)*) => {
        /// A store as the exchange sees it. Each method means what the one of the same name of
        /// [`Store`] means, and asks the store where nothing else is said; what
        /// [`Shelf::append_told`] returned from is on disk.
        #[expect(missing_docs, reason = "the methods are those of `Store`, documented there")]
        pub trait Shelf {
            /// Asks the store that lies behind.
            fn ask<T>(&self, question: impl FnOnce(&Store) -> T) -> T;

            $(fn $name(&self $(, $arg: $kind)*) -> $returned {
                self.ask(|store| store.$name($($arg),*))
            })*

            /// Appends as [`Self::append_told`] does, and then remembers the meeting, or at once if the
            /// shelf is a store.
            fn append_met(
                &self,
                came: Came,
                seals: &[Sheaf],
                taking: &Taking,
                meeting: Meeting<'_>,
                now: WallMs,
            ) -> Result<Arrival, Error> {
                let before = self.last_bookmark()?.arrival;
                self.append_told(came, seals, taking, now)?;
                let met = meeting.met(before, self.last_bookmark()?.arrival);
                self.remember_met(meeting.peer, &met)?;
                Ok(met.told)
            }
        }
    };
}

impl Shelf for Store {
    fn ask<T>(&self, question: impl FnOnce(&Store) -> T) -> T {
        question(self)
    }

    fn append_met(
        &self,
        came: Came,
        seals: &[Sheaf],
        taking: &Taking,
        meeting: Meeting<'_>,
        now: WallMs,
    ) -> Result<Arrival, Error> {
        Self::append_met(self, came, seals, taking, meeting, now)
    }
}

shelf! {
    fn id(&self) -> StoreId;
    fn device(&self) -> DeviceId;
    fn logbooks(&self) -> Result<Vec<LogbookId>, Error>;
    fn heads(&self, logbook: LogbookId) -> Result<Vec<Head>, Error>;
    fn ancestors(&self, logbook: LogbookId, head: Head) -> Result<Vec<(Seq, Tip)>, Error>;
    fn known(
        &self, logbook: LogbookId, marks: &[Mark]
    ) -> Result<(VersionVector, Vec<Mark>), Error>;
    fn places(&self, logbook: LogbookId, marks: &[Mark]) -> Result<Vec<Place>, Error>;
    fn seals(&self, batch: &[Vec<u8>]) -> Result<Vec<Seal>, Error>;
    fn entries_beyond(
        &self, logbook: LogbookId, known: &VersionVector, max_bytes: usize
    ) -> Result<(Vec<Vec<u8>>, bool), Error>;
    fn tell(
        &self, after: Arrival, shared: &BTreeSet<LogbookId>, wanted: Wanted<'_>,
        covered: &BTreeSet<LogbookId>, max_bytes: usize
    ) -> Result<Telling, Error>;
    fn counts(&self, logbooks: &BTreeSet<LogbookId>) -> Result<Vec<(LogbookId, Count)>, Error>;
    fn understand(&self, batches: &[Vec<u8>], max_bytes: usize) -> Result<Option<Came>, Error>;
    fn held(&self, covered: &BTreeSet<LogbookId>) -> Result<Held, Error>;
    fn entries_of(
        &self, logbook: LogbookId, marks: &[Mark], max_bytes: usize
    ) -> Result<Vec<Vec<u8>>, Error>;
    fn mend(&self, logbook: LogbookId, raws: &[Vec<u8>]) -> Result<usize, Error>;
    fn last_bookmark(&self) -> Result<Bookmark, Error>;
    fn made_bookmark(&self, bookmark: Bookmark) -> Result<bool, Error>;
    fn append_told(
        &self, came: Came, seals: &[Sheaf], taking: &Taking, now: WallMs
    ) -> Result<Appended, Error>;
    fn met(&self, peer: StoreId) -> Result<Option<Met>, Error>;
    fn remember_met(&self, peer: StoreId, met: &Met) -> Result<(), Error>;
}
