//! What the exchange needs of a store, and no more.

use crate::log::chain::Link;
use crate::log::id::{DeviceId, LogbookId, Place, StoreId};
use crate::log::stamp::WallMs;
use crate::log::vector::VersionVector;
use crate::store::{Appended, Clocks, Error, Head, Store};

/// A store as the exchange sees it. Each method means what the one of the same name of [`Store`]
/// means; what [`Shelf::append`] returned from is on disk.
#[expect(
    missing_docs,
    reason = "the methods are those of `Store`, documented there"
)]
#[expect(clippy::missing_errors_doc, reason = "the errors are those of `Store`")]
pub trait Shelf {
    fn id(&self) -> StoreId;
    fn device(&self) -> DeviceId;
    fn logbooks(&self) -> Result<Vec<LogbookId>, Error>;
    fn heads(&self, logbook: LogbookId) -> Result<Vec<(DeviceId, Head)>, Error>;
    fn link(&self, logbook: LogbookId, place: Place) -> Result<Option<Link>, Error>;
    fn entries_beyond(
        &self,
        logbook: LogbookId,
        known: &VersionVector,
        max_bytes: usize,
    ) -> Result<(Vec<Vec<u8>>, bool), Error>;
    fn append(
        &self,
        logbook: LogbookId,
        batch: &[Vec<u8>],
        now: WallMs,
        clocks: Clocks,
    ) -> Result<Appended, Error>;
    fn acknowledged(&self, peer: StoreId, logbook: LogbookId) -> Result<VersionVector, Error>;
    fn remember_acknowledged(
        &self,
        peer: StoreId,
        acknowledged: &[(LogbookId, VersionVector)],
    ) -> Result<(), Error>;
}

impl Shelf for Store {
    fn id(&self) -> StoreId {
        self.id()
    }

    fn device(&self) -> DeviceId {
        self.device()
    }

    fn logbooks(&self) -> Result<Vec<LogbookId>, Error> {
        self.logbooks()
    }

    fn heads(&self, logbook: LogbookId) -> Result<Vec<(DeviceId, Head)>, Error> {
        self.heads(logbook)
    }

    fn link(&self, logbook: LogbookId, place: Place) -> Result<Option<Link>, Error> {
        self.link(logbook, place)
    }

    fn entries_beyond(
        &self,
        logbook: LogbookId,
        known: &VersionVector,
        max_bytes: usize,
    ) -> Result<(Vec<Vec<u8>>, bool), Error> {
        self.entries_beyond(logbook, known, max_bytes)
    }

    fn append(
        &self,
        logbook: LogbookId,
        batch: &[Vec<u8>],
        now: WallMs,
        clocks: Clocks,
    ) -> Result<Appended, Error> {
        self.append(logbook, batch, now, clocks)
    }

    fn acknowledged(&self, peer: StoreId, logbook: LogbookId) -> Result<VersionVector, Error> {
        self.acknowledged(peer, logbook)
    }

    fn remember_acknowledged(
        &self,
        peer: StoreId,
        acknowledged: &[(LogbookId, VersionVector)],
    ) -> Result<(), Error> {
        self.remember_acknowledged(peer, acknowledged)
    }
}
