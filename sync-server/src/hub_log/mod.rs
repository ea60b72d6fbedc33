//! The log behind one hub or many: a line of records that only ever grows.
//!
//! A [`HubLog`] keeps entries as the bytes that their devices made, the devices' seals, and what
//! every hub must know of who may come in. It knows nothing of what an entry means, and it is the
//! only place that has to be kept: a hub's own files beside it are worked out from it. What a method
//! returned from is durable. Every method blocks.
//!
//! There are three: [`memory`] for tests, [`files`] for one hub's folder, [`jetstream`] for a fleet.

pub mod appending;
pub mod files;
pub mod jetstream;
pub mod memory;

use std::fmt;
use std::time::Duration;

use headwalk_core::log::chain::Tip;
use headwalk_core::log::codec::CodecError;
use headwalk_core::log::id::{DeviceId, LogbookId, Seq, StoreId};
use headwalk_core::log::seal::Seal;
use headwalk_core::store::Followed;

/// Which log it is: the id by which devices know whoever answers from it. It stays the same when a
/// log is moved, because every record keeps its place.
pub type LogId = StoreId;

/// Where a record stands in a log. Marks compare within one log only.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct Position(pub u64);

impl Position {
    /// Before the first record.
    pub const START: Self = Self(0);
}

/// All that one device wrote in one logbook: its chain there and the branches of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Line {
    /// The logbook.
    pub logbook: LogbookId,
    /// The device.
    pub device: DeviceId,
}

/// One record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Record {
    /// An entry, and when it came to the hub that took it.
    Entry(Followed),
    /// A device's word on how far its chain goes.
    Seal(Seal),
    /// A change of who may come in, as [`crate::access`] writes it. One follows the other: see
    /// [`HubLog::append_access`].
    Access(Vec<u8>),
    /// What was measured of a device when it exchanged, as [`crate::access`] writes it. The latest
    /// counts, and nothing hangs on it.
    Heard(DeviceId, Vec<u8>),
    /// Something that no hub of this version wrote, and what is odd about it. Hubs pass it over, and
    /// count it.
    Strange(String),
}

/// What became of records.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Appended {
    /// Entries that the log did not have.
    pub new: usize,
    /// Entries that it had already.
    pub held: usize,
    /// New entries under whose number the log had another: a store was copied or put back. Both are
    /// kept.
    pub branched: usize,
    /// Everything that was handed over stands at or before this position.
    pub up_to: Position,
}

/// The entry of a line that was appended last.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Last {
    /// Its number in its chain.
    pub seq: Seq,
    /// Its tip.
    pub tip: Tip,
    /// Where it stands.
    pub at: Position,
}

/// A condition under which records are appended: nothing of that logbook stands after that position.
pub type OnlyIf = Option<(LogbookId, Position)>;

/// A log of records. Any number of hubs may use one at the same time.
pub trait HubLog: Send + Sync + fmt::Debug {
    /// Returns which log it is.
    fn log_id(&self) -> LogId;

    /// Appends entries and seals; they are durable when this returns. Each entry follows its
    /// predecessor, which is in the log or before it among the records. What the log has already is
    /// passed over, so whoever got no answer says it again. Another content under a number that is
    /// taken is a branch: it is appended, and nothing is lost. Records are appended in their order,
    /// and no reader sees half of 500 of them.
    ///
    /// # Errors
    /// [`LogError::Gap`] where an entry's predecessor is not there, and [`LogError::Moved`] where the
    /// condition does not hold: then nothing was appended. [`LogError::Unreachable`] where no answer
    /// came: the records may be there or come to be there yet, in part; say them again.
    fn append(&self, records: &[Record], only_if: OnlyIf) -> Result<Appended, LogError>;

    /// Appends a change of who may come in, if `last` is where the latest one stands; returns where
    /// this one does, or none where another came first.
    ///
    /// # Errors
    /// [`LogError::Unreachable`], as [`HubLog::append`]: who asks again reads what came meanwhile
    /// first.
    fn append_access(&self, change: &[u8], last: Position) -> Result<Option<Position>, LogError>;

    /// Appends what was heard of devices ([`Record::Heard`]), as often as it is said.
    ///
    /// # Errors
    /// [`LogError`] where it may not be there.
    fn append_heard(&self, heard: &[(DeviceId, Vec<u8>)]) -> Result<(), LogError>;

    /// Returns records after a position, in order, without gaps, at most `limit`. Where there are
    /// none it waits for one, up to `wait`; then it may return none.
    ///
    /// # Errors
    /// [`LogError`] where the log cannot be read.
    fn read(
        &self,
        after: Position,
        limit: usize,
        wait: Duration,
    ) -> Result<Vec<(Position, Record)>, LogError>;

    /// Returns where the last record stands. Whatever was acknowledged before this was called stands
    /// at or before it.
    ///
    /// # Errors
    /// [`LogError`] where the log cannot be read.
    fn end(&self) -> Result<Position, LogError>;

    /// Returns the entry of a line that was appended last.
    ///
    /// # Errors
    /// [`LogError`] where the log cannot be read.
    fn head(&self, line: Line) -> Result<Option<Last>, LogError>;
}

/// Why a log did not do what was asked.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum LogError {
    /// An entry came without the one before it.
    #[error("entry {seq} of device {device} came before the one that it follows")]
    Gap {
        /// Whose entry.
        device: DeviceId,
        /// Its number.
        seq: Seq,
    },
    /// Something came to the logbook first.
    #[error("something else came to that logbook first")]
    Moved,
    /// Bytes that are no entry.
    #[error("what should be appended is no entry: {0}")]
    NotAnEntry(#[from] CodecError),
    /// No answer, or no quorum.
    #[error("the log cannot be reached: {0}")]
    Unreachable(String),
    /// The log is not what it must be, or not as this hub needs it.
    #[error("the log cannot be used: {0}")]
    Unfit(String),
    /// The hub's own files, worked out from the log, failed.
    #[error("this hub's files beside the log failed: {0}")]
    Beside(String),
    /// The files of a log in a folder failed.
    #[error("the log's files: {0}")]
    Files(#[source] Box<crate::error::Error>),
}
