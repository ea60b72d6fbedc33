//! People who signed in to the office's pages with a one-time code: until when, and as what.

use headwalk_core::log::stamp::WallMs;
use redb::{ReadableDatabase, ReadableTable, TableError};

use super::changes::{Change, In};
use super::tables::{self, SESSIONS, SessionRow};
use super::{Access, Name, Role, use_up};
use crate::error::Error;
use crate::refused::Refused;
use crate::secret::{Code, SessionSecret};

/// How long a person stays signed in: a working day.
const SESSION_MS: u64 = 12 * 60 * 60 * 1_000;

/// A person who signed in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Session {
    /// Who, as the dispatcher said who made their code: what they decide is written in that name.
    pub person: Name,
    /// As what.
    pub role: Role,
    /// Since when.
    pub signed_in: WallMs,
    /// Until when.
    pub expires: WallMs,
}

impl Access {
    /// Signs a person in: uses the code up and makes the session good, both or neither. Sessions
    /// that are over are forgotten.
    ///
    /// # Errors
    /// [`Refused::UnknownCode`], [`Refused::UsedCode`] or [`Refused::ExpiredCode`];
    /// [`Refused::NotAllowed`] for a crew's code, which stays good for their device. Then nothing
    /// has changed.
    pub fn sign_in(
        &self,
        code: &Code,
        secret: &SessionSecret,
        now: WallMs,
    ) -> Result<Session, Refused> {
        self.change(|change| {
            let grant = use_up(change, code, now)?;
            if grant.role == Role::Crew {
                return Err(Refused::NotAllowed(grant.role));
            }
            let session = Session {
                person: grant.made_for,
                role: grant.role,
                signed_in: now,
                expires: WallMs::new(now.get().saturating_add(SESSION_MS)),
            };
            for digest in over(change, now)? {
                change.remove(In::Sessions, &digest)?;
            }
            let row = tables::row_bytes(&SessionRow::of(&session));
            change.put(In::Sessions, secret.digest().bytes(), row)?;
            Ok(session)
        })
    }

    /// Returns the session whose secret this is, if it is still good.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn session(&self, secret: &SessionSecret, now: WallMs) -> Result<Option<Session>, Error> {
        let sessions = match self.db.begin_read()?.open_table(SESSIONS) {
            Err(TableError::TableDoesNotExist(_)) => return Ok(None), // nobody ever signed in
            opened => opened?,
        };
        let Some(row) = sessions.get(secret.digest().bytes())? else {
            return Ok(None);
        };
        let session = tables::row::<SessionRow>(row.value())?.session()?;
        Ok(Some(session).filter(|session| now < session.expires))
    }

    /// Ends a session; one that is over or was never there is no fault.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be written.
    pub fn sign_out(&self, secret: &SessionSecret) -> Result<(), Error> {
        let digest = secret.digest();
        self.change(|change| change.remove(In::Sessions, digest.bytes()))
    }
}

/// Returns the sessions that are over.
fn over(change: &Change, now: WallMs) -> Result<Vec<[u8; 32]>, Error> {
    let mut over = Vec::new();
    for row in change.reading().open_table(SESSIONS)?.iter()? {
        let (digest, row) = row?;
        if tables::row::<SessionRow>(row.value())?.session()?.expires <= now {
            over.push(*digest.value());
        }
    }
    Ok(over)
}
