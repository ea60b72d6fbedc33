//! What the exchange needs of a store, and no more.

use std::collections::BTreeSet;

use crate::log::chain::{Held, Link};
use crate::log::id::{Arrival, DeviceId, LogbookId, Place, Seq, StoreId};
use crate::log::stamp::WallMs;
use crate::log::vector::VersionVector;
use crate::store::{Appended, Bookmark, Clocks, Error, Head, MadeWay, Met, News, Store};

/// Asks of a logbook and a device whether its entry is wanted.
pub type Wanted<'a> = &'a dyn Fn(LogbookId, DeviceId) -> bool;

macro_rules! shelf {
    ($(fn $name:ident(&self $(, $arg:ident: $kind:ty)*) -> $returned:ty;)*) => {
        /// A store as the exchange sees it. Each method means what the one of the same name of
        /// [`Store`] means; what [`Shelf::append`] returned from is on disk.
        #[expect(missing_docs, reason = "the methods are those of `Store`, documented there")]
        pub trait Shelf {
            $(fn $name(&self $(, $arg: $kind)*) -> $returned;)*
        }

        impl Shelf for Store {
            $(fn $name(&self $(, $arg: $kind)*) -> $returned {
                self.$name($($arg),*)
            })*
        }
    };
}

shelf! {
    fn id(&self) -> StoreId;
    fn device(&self) -> DeviceId;
    fn logbooks(&self) -> Result<Vec<LogbookId>, Error>;
    fn heads(&self, logbook: LogbookId) -> Result<Vec<(DeviceId, Head)>, Error>;
    fn link(&self, logbook: LogbookId, place: Place) -> Result<Option<Link>, Error>;
    fn chain(&self, logbook: LogbookId, device: DeviceId) -> Result<Vec<Link>, Error>;
    fn entries_beyond(
        &self, logbook: LogbookId, known: &VersionVector, max_bytes: usize
    ) -> Result<(Vec<Vec<u8>>, bool), Error>;
    fn news(
        &self, after: Arrival, wanted: Wanted<'_>, covered: &BTreeSet<LogbookId>, max_bytes: usize
    ) -> Result<News, Error>;
    fn held(&self, covered: &BTreeSet<LogbookId>) -> Result<Held, Error>;
    fn make_way(
        &self, logbook: LogbookId, device: DeviceId, last: Option<Seq>, now: WallMs
    ) -> Result<MadeWay, Error>;
    fn last_bookmark(&self) -> Result<Bookmark, Error>;
    fn made_bookmark(&self, bookmark: Bookmark) -> Result<bool, Error>;
    fn append(&self, batch: &[Vec<u8>], now: WallMs, clocks: Clocks) -> Result<Appended, Error>;
    fn met(&self, peer: StoreId) -> Result<Option<Met>, Error>;
    fn remember_met(&self, peer: StoreId, met: &Met) -> Result<(), Error>;
}
