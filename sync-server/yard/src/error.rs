//! Why an act was not done: one sentence, and nothing of it was kept.

use headwalk_core::site::fields::FieldError;
use headwalk_core::site::kerb::NoChoice;
use headwalk_core::site::photo::jpeg;
use headwalk_core::site::programs::ProgramTextError;
use headwalk_core::site::things::AddressError;
use headwalk_core::water::units::OutOfRange;
use headwalk_core::{exchange, store};

use crate::prefs::Language;
use crate::words::Word;

/// Why an act was not done.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// The store failed.
    #[error(transparent)]
    Store(#[from] store::Error),
    /// The exchange failed.
    #[error(transparent)]
    Exchange(#[from] exchange::Error),
    /// What was typed does not fit its field.
    #[error(transparent)]
    Field(#[from] FieldError),
    /// What was typed names nothing.
    #[error(transparent)]
    Address(#[from] AddressError),
    /// The page brought too few random bytes.
    #[error("this page gave no random bytes: close it and open it again")]
    NoChance,
    /// A thing that was on the screen is not in the store.
    #[error("that is not on this phone any more: go back and open it again")]
    Gone,
    /// No visit is open.
    #[error("no visit is open on this phone: choose a site first")]
    NoVisit,
    /// No exchange is under way.
    #[error("no exchange is under way")]
    NoExchange,
    /// The phone belongs to no hub.
    #[error("this phone has not joined an office yet")]
    NoHub,
    /// A file is no picture that is taken.
    #[error(transparent)]
    Photo(#[from] jpeg::Unfit),
    /// No picture was made ready.
    #[error("the picture is not there any more: take it again")]
    NoPhoto,
    /// The hub said no.
    #[error("{0}")]
    Refused(String),
    /// The hub said no, with its word for why.
    #[error("{error}")]
    HubSaid {
        /// Its sentence.
        error: String,
        /// Its word for why.
        kind: String,
    },
    /// What the person gave is not enough.
    #[error("{}", .0.said(Language::En))]
    Ask(Word),
    /// Programs that do not read.
    #[error(transparent)]
    Programs(#[from] ProgramTextError),
    /// A number that cannot be.
    #[error(transparent)]
    OutOfRange(#[from] OutOfRange),
    /// There is no choice at a kerb.
    #[error("{0}")]
    Kerb(NoChoice),
}
