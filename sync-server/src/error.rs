//! What can go wrong: [`Error`] stops the hub or a command; [`Refused`] is told to one caller,
//! with one status, one sentence and what to do next, while the hub goes on.

use std::io;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use headwalk_core::exchange;
use headwalk_core::log::id::DeviceId;
use headwalk_core::store;
use serde::Serialize;

use crate::access::Role;

/// Why the hub, or a command about it, cannot go on.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// The clock was set to something that is no moment.
    #[error("{variable} is `{0}`, which is not a moment", variable = crate::edge::NOW)]
    NotAMoment(String),
    /// The machine has no random numbers.
    #[error("the machine gives no random numbers: {0}")]
    NoChance(String),
    /// A name that cannot be one.
    #[error("{what} {why}")]
    NotAName {
        /// Which name.
        what: &'static str,
        /// What is wrong with it.
        why: &'static str,
    },
    /// The data folder cannot be made or written.
    #[error("the folder {} cannot be used: {cause}", .folder.display())]
    Folder {
        /// Which folder.
        folder: PathBuf,
        /// What the machine said.
        #[source]
        cause: io::Error,
    },
    /// No hub has its data there.
    #[error("there is no hub in {}", .0.display())]
    NoHub(PathBuf),
    /// The file of the devices is there, and that of the entries is not.
    #[error("{} is gone, though the hub's devices are still beside it", .0.display())]
    LogIsGone(PathBuf),
    /// The entries' file failed.
    #[error("the hub's log: {0}")]
    Log(#[from] store::Error),
    /// The file of the devices and codes failed.
    #[error("the hub's list of devices cannot be used: {0}")]
    Access(#[source] Box<redb::Error>),
    /// The file of the devices and codes is not what was written.
    #[error("the hub's list of devices is damaged, or of another version")]
    DamagedAccess,
    /// Another hub has the folder.
    #[error("another hub has this folder open")]
    InUse,
    /// A file failed while the hub was serving.
    #[error("the hub ended because its files failed")]
    FilesFailed,
    /// An address that others than this machine can reach.
    #[error(
        "{0} can be reached from the network, and this hub has no encryption of its own yet: \
         tokens and records would pass in the clear"
    )]
    OpenToNetwork(SocketAddr),
    /// The address cannot be had.
    #[error("{address} cannot be listened on: {cause}")]
    Listen {
        /// Which address.
        address: SocketAddr,
        /// What the machine said.
        #[source]
        cause: io::Error,
    },
    /// The machine gives no threads, signals or standard output.
    #[error("the machine does not let the hub work: {0}")]
    Machine(#[source] io::Error),
}

impl Error {
    /// Returns what to do next.
    pub const fn hint(&self) -> &'static str {
        match self {
            Self::NotAMoment(_) => "write it like 2026-07-14T07:30:00-05:00, or unset it.",
            Self::NotAName { .. } => "give 1 to 64 bytes on one line.",
            Self::NoHub(_) => "headwalk-server --folder DIR begins one there.",
            Self::LogIsGone(_) => {
                "put log.redb back from a copy; without one, move access.redb away and begin \
                 anew: every device that enrols again brings its records back."
            }
            Self::InUse => "ask the hub that is running, or stop it first.",
            Self::FilesFailed => {
                "its log says what failed; see that the disk has room, and start it again: what \
                 was acknowledged is there."
            }
            Self::DamagedAccess => {
                "move access.redb away and start: the records stay, and every device enrols again."
            }
            Self::OpenToNetwork(_) => {
                "listen on 127.0.0.1 behind something that encrypts, or say --open-to-network on \
                 a network where you trust everyone."
            }
            Self::Listen { .. } => "is another program on that port? Name another with --listen.",
            Self::Folder { .. } | Self::Log(_) | Self::Access(_) => {
                "see that the disk has room, and that the hub may write in its folder."
            }
            Self::NoChance(_) | Self::Machine(_) => "see what the machine's own log says.",
        }
    }

    /// Returns whether a file failed so that nothing can be read or written until it is opened
    /// anew.
    pub fn takes_a_new_start(&self) -> bool {
        let (Self::Log(store::Error::Engine(cause)) | Self::Access(cause)) = self else {
            return false;
        };
        matches!(**cause, redb::Error::Io(_) | redb::Error::PreviousIo)
    }

    /// Returns whether what was typed cannot be used, rather than something having failed.
    pub const fn is_input(&self) -> bool {
        matches!(
            self,
            Self::NotAMoment(_) | Self::NotAName { .. } | Self::NoHub(_) | Self::OpenToNetwork(_)
        )
    }
}

impl From<redb::Error> for Error {
    fn from(error: redb::Error) -> Self {
        match error {
            redb::Error::DatabaseAlreadyOpen => Self::InUse,
            redb::Error::Corrupted(_)
            | redb::Error::TableDoesNotExist(_)
            | redb::Error::TableTypeMismatch { .. } => Self::DamagedAccess,
            other => Self::Access(Box::new(other)),
        }
    }
}

macro_rules! from_redb {
    ($($error:ident)*) => {$(
        impl From<redb::$error> for Error {
            fn from(error: redb::$error) -> Self {
                redb::Error::from(error).into()
            }
        }
    )*};
}

from_redb! { CommitError DatabaseError StorageError TableError TransactionError }

/// Why one request was not done. Nothing of it was kept.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Refused {
    /// No token came.
    #[error("this hub answers enrolled devices only, and no token came with the request")]
    NoToken,
    /// A token that this hub never gave.
    #[error("this hub did not give that token")]
    UnknownToken,
    /// A token that was taken back.
    #[error("this device's access was taken back")]
    Revoked,
    /// A role that may not ask for this.
    #[error("{} may not do this: it takes a dispatcher", .0.with_article())]
    NotAllowed(Role),
    /// A device sent another one's parcel.
    #[error("the token belongs to device {enrolled}, and the parcel comes from {sender}")]
    OtherDevice {
        /// Whose the token is.
        enrolled: DeviceId,
        /// Who the parcel says that it is from.
        sender: DeviceId,
    },
    /// Text that cannot be a code.
    #[error("that is not a code: a code has ten letters and digits")]
    NotACode,
    /// A code that this hub never gave, or has long forgotten.
    #[error("this hub does not know that code")]
    UnknownCode,
    /// A code that has been used.
    #[error("that code has been used already: each works once")]
    UsedCode,
    /// A code whose time is over.
    #[error("that code is no longer valid")]
    ExpiredCode,
    /// A device that has a token.
    #[error("device {0} is enrolled already")]
    AlreadyEnrolled(DeviceId),
    /// A device that has gone on under another id too often.
    #[error("device {0} has gone on under another id too often")]
    TooManyIds(DeviceId),
    /// A device that this hub does not know.
    #[error("no device {0} is enrolled here")]
    NoSuchDevice(DeviceId),
    /// A parcel that cannot be read, or that is the hub's own.
    #[error(transparent)]
    Parcel(exchange::Error),
    /// A request that cannot be read.
    #[error("the request cannot be read: {0}")]
    BadRequest(String),
    /// A body larger than it may be.
    #[error("the request's body is larger than {0} bytes")]
    TooLarge(usize),
    /// A body that ended early.
    #[error("the request was cut short")]
    CutShort,
    /// A request that took too long.
    #[error("the request was not done within {} s", .0.as_secs())]
    TooSlow(Duration),
    /// Too many requests from one caller.
    #[error("too many requests from here in a short time")]
    TooFast(Duration),
    /// Nothing is at that address.
    #[error("there is nothing at that address of the hub")]
    NoSuchPage,
    /// The address takes other methods.
    #[error("this address does not take that method")]
    WrongMethod,
    /// The hub's files or machine failed.
    #[error("the hub could not use its files: nothing of this request was kept")]
    Failed(#[source] Error),
    /// Our own mistake.
    #[error("the hub itself made a mistake: nothing of this request was acknowledged")]
    Bug(String),
}

impl Refused {
    /// Returns the word for it. Programs go by this; it never changes.
    pub const fn kind(&self) -> &'static str {
        self.told().1
    }

    /// Returns the status of the answer.
    pub const fn status(&self) -> StatusCode {
        self.told().0
    }

    /// Returns what to do next.
    pub const fn hint(&self) -> &'static str {
        self.told().2
    }

    /// Returns what the hub's own log should know beyond the sentence.
    pub fn cause(&self) -> Option<String> {
        match self {
            Self::Failed(cause) => Some(cause.to_string()),
            Self::Bug(cause) => Some(cause.clone()),
            _ => None,
        }
    }

    /// The one table: status, kind and hint of every failure.
    const fn told(&self) -> (StatusCode, &'static str, &'static str) {
        use StatusCode as S;
        const ENROL: &str = "ask the dispatcher for a code, and enrol this device.";
        const NEW_CODE: &str = "ask the dispatcher for a new code.";
        match self {
            Self::NoToken => (S::UNAUTHORIZED, "no-token", ENROL),
            Self::UnknownToken => (S::UNAUTHORIZED, "unknown-token", ENROL),
            Self::Revoked => (
                S::UNAUTHORIZED,
                "revoked",
                "ask the dispatcher; a new code lets the device in again, with all it recorded.",
            ),
            Self::NotAllowed(_) => (S::FORBIDDEN, "not-allowed", "ask the dispatcher to do it."),
            Self::OtherDevice { .. } => (
                S::FORBIDDEN,
                "other-device",
                "use the token that this device was given, or enrol it.",
            ),
            Self::NotACode => (
                S::BAD_REQUEST,
                "not-a-code",
                "type it again, like 4H7QX-2MK9R.",
            ),
            Self::UnknownCode => (
                S::FORBIDDEN,
                "unknown-code",
                "type it again; if it is right, ask the dispatcher for a new code.",
            ),
            Self::UsedCode => (S::GONE, "used-code", NEW_CODE),
            Self::ExpiredCode => (S::GONE, "expired-code", NEW_CODE),
            Self::AlreadyEnrolled(_) => (
                S::CONFLICT,
                "already-enrolled",
                "go on with its token; if that is lost, ask the dispatcher to take this device's \
                 access back, then use the same code.",
            ),
            Self::TooManyIds(_) => (
                S::FORBIDDEN,
                "too-many-ids",
                "ask the dispatcher for a code, and enrol this device anew.",
            ),
            Self::NoSuchDevice(_) => (
                S::NOT_FOUND,
                "no-such-device",
                "the list of devices says which there are.",
            ),
            Self::Parcel(exchange::Error::OtherVersion { .. }) => (
                S::BAD_REQUEST,
                "other-version",
                "update the older of the two; nothing is lost meanwhile.",
            ),
            Self::Parcel(exchange::Error::Itself(_)) => (
                S::CONFLICT,
                "itself",
                "exchange from a device's own store, not from a copy of the hub's.",
            ),
            Self::Parcel(_) => (
                S::BAD_REQUEST,
                "garbled",
                "send it again; if it comes back again, update this device.",
            ),
            Self::BadRequest(_) => (S::BAD_REQUEST, "bad-request", "mend what is named."),
            Self::TooLarge(_) => (S::PAYLOAD_TOO_LARGE, "too-large", "send it in parts."),
            Self::CutShort => (S::BAD_REQUEST, "cut-short", "send it again."),
            Self::TooSlow(_) => (
                S::REQUEST_TIMEOUT,
                "too-slow",
                "try again; what was acknowledged before is kept.",
            ),
            Self::TooFast(_) => (
                S::TOO_MANY_REQUESTS,
                "too-fast",
                "wait as long as Retry-After says.",
            ),
            Self::NoSuchPage => (
                S::NOT_FOUND,
                "no-such-page",
                "see that the device and the hub are of the same version.",
            ),
            Self::WrongMethod => (
                S::METHOD_NOT_ALLOWED,
                "wrong-method",
                "the Allow header names those it takes.",
            ),
            Self::Failed(_) => (
                S::INTERNAL_SERVER_ERROR,
                "hub-failed",
                "try again later; whoever runs the hub finds the cause in its log.",
            ),
            Self::Bug(_) => (
                S::INTERNAL_SERVER_ERROR,
                "bug",
                "try again; if it happens again, report the line in the hub's log.",
            ),
        }
    }

    fn retry_after(&self) -> Option<u64> {
        match self {
            Self::TooFast(wait) => Some(wait.as_millis().div_ceil(1_000).max(1) as u64),
            _ => None,
        }
    }
}

impl From<Error> for Refused {
    fn from(error: Error) -> Self {
        Self::Failed(error)
    }
}

impl From<exchange::Error> for Refused {
    fn from(error: exchange::Error) -> Self {
        match error {
            exchange::Error::Store(error) => Self::Failed(Error::Log(error)),
            other => Self::Parcel(other),
        }
    }
}

/// The body of a refusal.
#[derive(Debug, Clone, Serialize)]
struct Told {
    error: String,
    kind: &'static str,
    hint: &'static str,
}

/// What the request log takes from a refusal; it travels with the answer inside the hub only.
#[derive(Debug, Clone)]
pub(crate) struct Why {
    pub(crate) kind: &'static str,
    pub(crate) cause: Option<String>,
}

impl IntoResponse for Refused {
    fn into_response(self) -> Response {
        let told = Told {
            error: self.to_string(),
            kind: self.kind(),
            hint: self.hint(),
        };
        let mut response = (self.status(), axum::Json(told)).into_response();
        if let Some(seconds) = self.retry_after() {
            let value = HeaderValue::from(seconds);
            response.headers_mut().insert(header::RETRY_AFTER, value);
        }
        if self.status() == StatusCode::UNAUTHORIZED {
            let value = HeaderValue::from_static("Bearer");
            response
                .headers_mut()
                .insert(header::WWW_AUTHENTICATE, value);
        }
        response.extensions_mut().insert(Why {
            kind: self.kind(),
            cause: self.cause(),
        });
        response
    }
}
