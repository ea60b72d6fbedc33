//! The exchange: two stores bring each other up to date, over anything that carries bytes.
//!
//! Sans-IO: parcels in, parcels out; no socket, clock, task or lock. One side calls, the other
//! answers; the answerer keeps nothing between parcels, so a hub may forget a caller at any
//! moment. An acknowledgement tells what the answerer holds, read after its commit, so that it
//! cannot be sent early. Sending twice, half, late or never changes nothing. Start at
//! [`session::Caller`] and [`session::answer`].
//!
//! ```
//! # use headwalk_core::exchange::session::{Answering, Caller, Next, answer};
//! # use headwalk_core::log::stamp::WallMs;
//! # use headwalk_core::store::{NewStore, Store};
//! # use headwalk_core::log::{id::StoreId, seal::DeviceKey};
//! # fn store(n: u8) -> Store {
//! #     let new = NewStore { id: StoreId::from_bytes([n; 16]), key: DeviceKey::from_bytes([n; 32]) };
//! #     Store::on_backend(redb::backends::InMemoryBackend::new(), new).expect("memory holds it")
//! # }
//! # let (tablet, hub, now) = (store(1), store(2), WallMs::new(1_000));
//! let (mut caller, mut parcel) = Caller::begin(&tablet, None, now)?;
//! loop {
//!     let reply = answer(&hub, &parcel, &Answering::as_peer(), now)?;
//!     match caller.receive(&tablet, &reply, now)? {
//!         Next::Send(next) => parcel = next,
//!         Next::Done(summary) => break assert!(summary.equal),
//!     }
//! }
//! # Ok::<(), headwalk_core::exchange::Error>(())
//! ```

mod answer;
pub mod mend;
pub mod message;
mod parts;
pub mod session;
mod shelf;

pub use shelf::Shelf;

use crate::store;

/// Why an exchange could not go on. What was acknowledged before stays.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// Bytes that are not a parcel.
    #[error("what came is not a parcel of this exchange: {0}")]
    Garbled(&'static str),
    /// A parcel of another version of the exchange.
    #[error(
        "the other side speaks version {theirs} of the exchange, and this one speaks {}: update \
         the older of the two",
        message::PROTOCOL
    )]
    OtherVersion {
        /// The other side's version.
        theirs: u8,
    },
    /// A parcel from the store itself.
    #[error("the other side is this very store, or a copy of it: {0}")]
    Itself(crate::log::id::StoreId),
    /// The answers do not get any further.
    #[error("the exchange made no progress in {0} round trips: try again later")]
    Stuck(u32),
    /// The own store failed.
    #[error(transparent)]
    Store(#[from] store::Error),
}
