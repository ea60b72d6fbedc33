//! What one caller is told when a request is not done: one status, one sentence, what to do next.
//! The hub goes on.

use std::time::Duration;

use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use headwalk_core::exchange;
use headwalk_core::log::id::DeviceId;
use headwalk_core::site::day_end::CannotDecide;
use headwalk_core::site::photo::MAX_BYTES;
use serde::Serialize;

use crate::access::Role;
use crate::error::Error;
use crate::hub_log::LogError;

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
    /// More parcels at once than the hub answers.
    #[error("the hub has as much to do as it can at this moment")]
    TooBusy(Duration),
    /// Nothing is at that address.
    #[error("there is nothing at that address of the hub")]
    NoSuchPage,
    /// The address takes other methods.
    #[error("this address does not take that method")]
    WrongMethod,
    /// A page that takes a person who signed in.
    #[error("nobody is signed in here, or the session is over")]
    SignedOut,
    /// A form that was not sent from the session's own page.
    #[error("that form was not sent from this office's own page")]
    NotOurForm,
    /// A line of the day's end that cannot be decided so, or is decided.
    #[error(transparent)]
    CannotDecide(#[from] CannotDecide),
    /// There is no company's logbook to write in.
    #[error("a day is closed in the company's logbook, and this hub holds none")]
    NoCompany,
    /// No entry that the device may speak of names the picture.
    #[error("no entry that this device carries names that picture")]
    NoSuchPhoto,
    /// The picture's entry is here, and the picture is not.
    #[error("that picture has not arrived at the office yet")]
    PhotoNotHere,
    /// A picture of more bytes than may be.
    #[error("the picture has {0} bytes, and at most {MAX_BYTES} are taken")]
    PhotoTooLarge(u64),
    /// What came is another picture than was said.
    #[error("what came is not the picture that its entry names: nothing of it was kept")]
    OtherPhoto,
    /// What came has more on it than a picture, or is none.
    #[error("the picture was not kept: {0}")]
    PhotoNotPlain(String),
    /// The log that the fleet's hubs share gave no answer.
    #[error(
        "the hub is up, and the log behind it cannot be reached: nothing of this request is \
         acknowledged"
    )]
    LogUnreachable(String),
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
            Self::Bug(cause) | Self::LogUnreachable(cause) => Some(cause.clone()),
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
            Self::TooBusy(_) => (
                S::TOO_MANY_REQUESTS,
                "too-busy",
                "wait as long as Retry-After says; what was acknowledged before is kept.",
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
            Self::SignedOut => (
                S::UNAUTHORIZED,
                "signed-out",
                "sign in again; a dispatcher makes the code.",
            ),
            Self::NotOurForm => (
                S::FORBIDDEN,
                "not-our-form",
                "open the office's page again, and decide there.",
            ),
            Self::CannotDecide(_) => (
                S::CONFLICT,
                "cannot-decide",
                "read the line again as it is now.",
            ),
            Self::NoCompany => (
                S::CONFLICT,
                "no-company",
                "`headwalk add company NAME` on the dispatcher's device begins one; then exchange.",
            ),
            Self::NoSuchPhoto => (
                S::NOT_FOUND,
                "no-such-photo",
                "exchange first: an entry goes before its picture.",
            ),
            Self::PhotoNotHere => (
                S::NOT_FOUND,
                "photo-not-here",
                "it comes when the device that took it has signal.",
            ),
            Self::PhotoTooLarge(_) => (
                S::PAYLOAD_TOO_LARGE,
                "photo-too-large",
                "make it smaller on the device: a long edge of 1,600 pixels is plenty.",
            ),
            Self::OtherPhoto => (
                S::UNPROCESSABLE_ENTITY,
                "other-photo",
                "send it again from its beginning; if that fails, the device's own copy is damaged.",
            ),
            Self::PhotoNotPlain(_) => (
                S::UNPROCESSABLE_ENTITY,
                "photo-not-plain",
                "update this device: it leaves out all but the picture before it sends.",
            ),
            Self::LogUnreachable(_) => (
                S::SERVICE_UNAVAILABLE,
                "log-unreachable",
                "keep what you have and try again later; what was acknowledged before is kept.",
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
            Self::TooFast(wait) | Self::TooBusy(wait) => {
                Some(wait.as_millis().div_ceil(1_000).max(1) as u64)
            }
            Self::LogUnreachable(_) => Some(LOG_COME_AGAIN.as_secs()),
            _ => None,
        }
    }
}

/// When to come again where the log gave no answer: the engine chooses another leader within some
/// seconds.
const LOG_COME_AGAIN: Duration = Duration::from_secs(15);

impl From<Error> for Refused {
    fn from(error: Error) -> Self {
        match error {
            Error::Shared(LogError::Unreachable(why)) => Self::LogUnreachable(why),
            other => Self::Failed(other),
        }
    }
}

impl From<exchange::Error> for Refused {
    fn from(error: exchange::Error) -> Self {
        match error {
            exchange::Error::Store(error) => Error::from(error).into(),
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
