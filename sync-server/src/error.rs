//! What stops the hub, or a command about it. What is told to one caller, while the hub goes on,
//! is [`crate::refused`].

use std::io;
use std::net::SocketAddr;
use std::path::PathBuf;

use headwalk_core::store;

use crate::hub_log::LogError;

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
    Log(#[source] store::Error),
    /// The file of the devices and codes failed.
    #[error("the hub's list of devices cannot be used: {0}")]
    Access(#[source] Box<redb::Error>),
    /// The file of the devices and codes is not what was written.
    #[error("the hub's list of devices is damaged, or of another version")]
    DamagedAccess,
    /// A picture cannot be read or written.
    #[error("the hub's pictures cannot be used: {0}")]
    Photos(#[source] io::Error),
    /// Another hub has the folder.
    #[error("another hub has this folder open")]
    InUse,
    /// The log that the fleet shares cannot be used.
    #[error("the fleet's log: {0}")]
    Shared(#[source] LogError),
    /// A folder holds something else than what was asked for.
    #[error("{} {why}", .folder.display())]
    OtherFolder {
        /// Which folder.
        folder: PathBuf,
        /// What it holds.
        why: String,
    },
    /// The log is elsewhere.
    #[error("the log has moved to {0}")]
    Moved(String),
    /// A log was being moved to a folder, and is not all there.
    #[error("the log is not all in {} yet", .0.display())]
    MovingHere(PathBuf),
    /// A moved log is not what it was.
    #[error("the moved log is not what it was: {0}")]
    NotMoved(String),
    /// A file failed while the hub was serving.
    #[error("the hub ended because its files failed")]
    FilesFailed,
    /// An address that others than this machine can reach.
    #[error(
        "{0} can be reached from the network, and this hub was given no certificate: tokens and \
         records would pass in the clear"
    )]
    OpenToNetwork(SocketAddr),
    /// A certificate or key that cannot be used.
    #[error("{} cannot be used for TLS: {why}", .file.display())]
    Certificate {
        /// Which file.
        file: PathBuf,
        /// What is wrong with it.
        why: String,
    },
    /// The address cannot be had.
    #[error("{address} cannot be listened on: {cause}")]
    Listen {
        /// Which address.
        address: SocketAddr,
        /// What the machine said.
        #[source]
        cause: io::Error,
    },
    /// The folder that was named holds no yard page.
    #[error("there is no yard page in {}: {cause}", folder.display())]
    Yard {
        /// The folder.
        folder: PathBuf,
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
            Self::Shared(LogError::Unreachable(_)) => {
                "see that most of the engine's nodes run and can be reached from here; nothing that \
                 was acknowledged is lost meanwhile."
            }
            Self::Shared(_) => {
                "mend what is named, and start again; sync-server/FLEET.md says how."
            }
            Self::OtherFolder { .. } => "name another folder, or move the hub first.",
            Self::Moved(_) => {
                "use it there; what is left here is what it was when it moved, and takes nothing more."
            }
            Self::MovingHere(_) => "give the same `headwalk-server move` again: it goes on there.",
            Self::NotMoved(_) => "leave the old log as it is, and move to an empty place again.",
            Self::InUse => "ask the hub that is running, or stop it first.",
            Self::FilesFailed => {
                "its log says what failed; see that the disk has room, and start it again: what \
                 was acknowledged is there."
            }
            Self::DamagedAccess => {
                "move access.redb away and start: the records stay, and every device enrols again."
            }
            Self::OpenToNetwork(_) => {
                "give it a certificate with --certificate and --key, listen on 127.0.0.1, or say \
                 --open-to-network on a network where you trust everyone."
            }
            Self::Certificate { .. } => {
                "--certificate takes the hub's certificate in PEM, with those that vouch for it \
                 after it; --key takes the key that belongs to it."
            }
            Self::Listen { .. } => "is another program on that port? Name another with --listen.",
            Self::Yard { .. } => {
                "sync-server/yard/build.sh makes the page; name the folder that it says with --yard."
            }
            Self::Folder { .. } | Self::Log(_) | Self::Access(_) | Self::Photos(_) => {
                "see that the disk has room, and that the hub may write in its folder."
            }
            Self::NoChance(_) | Self::Machine(_) => "see what the machine's own log says.",
        }
    }

    /// Returns whether a file failed so that nothing can be read or written until it is opened
    /// anew.
    pub fn takes_a_new_start(&self) -> bool {
        if matches!(self, Self::Shared(LogError::Beside(_))) {
            return true;
        }
        let (Self::Log(store::Error::Engine(cause)) | Self::Access(cause)) = self else {
            return false;
        };
        matches!(**cause, redb::Error::Io(_) | redb::Error::PreviousIo)
    }

    /// Returns whether what was typed cannot be used, rather than something having failed.
    pub const fn is_input(&self) -> bool {
        matches!(
            self,
            Self::NotAMoment(_)
                | Self::NotAName { .. }
                | Self::NoHub(_)
                | Self::OpenToNetwork(_)
                | Self::OtherFolder { .. }
                | Self::Moved(_)
                | Self::MovingHere(_)
                | Self::Certificate { .. }
        )
    }
}

impl From<LogError> for Error {
    fn from(error: LogError) -> Self {
        match error {
            LogError::Files(error) => *error,
            other => Self::Shared(other),
        }
    }
}

impl From<LogError> for store::Error {
    fn from(error: LogError) -> Self {
        Self::Elsewhere(Box::new(error))
    }
}

impl From<store::Error> for Error {
    fn from(error: store::Error) -> Self {
        match error {
            store::Error::InUse => Self::InUse,
            store::Error::Elsewhere(error) => match error.downcast::<LogError>() {
                Ok(error) => (*error).into(),
                Err(other) => Self::Log(store::Error::Elsewhere(other)),
            },
            other => Self::Log(other),
        }
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
