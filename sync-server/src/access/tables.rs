//! Every table of `access.redb`: its key, its value and its order. A table whose rows change shape
//! takes a new name.

use headwalk_core::log::id::DeviceId;
use headwalk_core::log::stamp::WallMs;
use redb::TableDefinition;
use serde::{Deserialize, Serialize};

use super::{Enrolled, Grant, Heard, Name, Role, Session};
use crate::error::Error;
use crate::secret::Digest;

/// Name -> value: the format, and the hub's name.
pub(super) const HUB: TableDefinition<'_, &str, &[u8]> = TableDefinition::new("hub_v1");
/// Digest of a one-time code -> what it grants, until when, and whether it was used.
pub(super) const CODES: TableDefinition<'_, &[u8; 32], &[u8]> = TableDefinition::new("codes_v1");
/// Device -> who it is. By device.
pub(super) const DEVICES: TableDefinition<'_, &[u8; 16], &[u8]> =
    TableDefinition::new("devices_v1");
/// A later id of a device -> the device as it was enrolled.
pub(super) const LATER_IDS: TableDefinition<'_, &[u8; 16], &[u8; 16]> =
    TableDefinition::new("later_ids_v1");
/// Digest of a token -> the device whose it is. A token that was taken back stays, so that its
/// holder can be told; one that a newer token replaced goes.
pub(super) const TOKENS: TableDefinition<'_, &[u8; 32], &[u8; 16]> =
    TableDefinition::new("tokens_v1");

/// Digest of a session's secret -> who signed in, as what, and until when. Made at the first
/// sign-in: a file of before has none.
pub(super) const SESSIONS: TableDefinition<'_, &[u8; 32], &[u8]> =
    TableDefinition::new("sessions_v1");

/// A row of [`SESSIONS`].
#[derive(Serialize, Deserialize)]
pub(super) struct SessionRow {
    person: String,
    role: u8,
    signed_in: u64,
    expires: u64,
}

impl SessionRow {
    pub(super) fn of(session: &Session) -> Self {
        Self {
            person: session.person.as_str().to_owned(),
            role: role_number(session.role),
            signed_in: session.signed_in.get(),
            expires: session.expires.get(),
        }
    }

    pub(super) fn session(&self) -> Result<Session, Error> {
        Ok(Session {
            person: name(&self.person)?,
            role: role(self.role)?,
            signed_in: WallMs::new(self.signed_in),
            expires: WallMs::new(self.expires),
        })
    }
}

/// A row of [`CODES`].
#[derive(Serialize, Deserialize)]
pub(super) struct CodeRow {
    role: u8,
    made_for: String,
    expires: u64,
    pub(super) used: bool,
}

impl CodeRow {
    pub(super) fn open(grant: &Grant) -> Self {
        Self {
            role: role_number(grant.role),
            made_for: grant.made_for.as_str().to_owned(),
            expires: grant.expires.get(),
            used: false,
        }
    }

    pub(super) fn grant(&self) -> Result<Grant, Error> {
        Ok(Grant {
            role: role(self.role)?,
            made_for: name(&self.made_for)?,
            expires: WallMs::new(self.expires),
        })
    }
}

/// A row of [`DEVICES`].
#[derive(Serialize, Deserialize)]
pub(super) struct DeviceRow {
    name: String,
    person: String,
    code_for: String,
    role: u8,
    enrolled: u64,
    revoked: Option<u64>,
    heard: Option<(u64, i64)>,
    later: Vec<[u8; 16]>,
    token: [u8; 32],
}

impl DeviceRow {
    pub(super) fn of(enrolled: &Enrolled, token: Digest) -> Self {
        Self {
            name: enrolled.name.as_str().to_owned(),
            person: enrolled.person.as_str().to_owned(),
            code_for: enrolled.code_for.as_str().to_owned(),
            role: role_number(enrolled.role),
            enrolled: enrolled.enrolled.get(),
            revoked: enrolled.revoked.map(WallMs::get),
            heard: enrolled
                .heard
                .map(|heard| (heard.at.get(), heard.behind_ms)),
            later: enrolled.later.iter().map(|id| *id.bytes()).collect(),
            token: *token.bytes(),
        }
    }

    pub(super) fn token(&self) -> Digest {
        Digest::from_bytes(self.token)
    }

    pub(super) fn enrolled(&self, device: DeviceId) -> Result<Enrolled, Error> {
        Ok(Enrolled {
            device,
            name: name(&self.name)?,
            person: name(&self.person)?,
            code_for: name(&self.code_for)?,
            role: role(self.role)?,
            enrolled: WallMs::new(self.enrolled),
            revoked: self.revoked.map(WallMs::new),
            heard: self.heard.map(|(at, behind_ms)| Heard {
                at: WallMs::new(at),
                behind_ms,
            }),
            later: self
                .later
                .iter()
                .map(|id| DeviceId::from_bytes(*id))
                .collect(),
        })
    }
}

pub(super) fn row_bytes(row: &impl Serialize) -> Vec<u8> {
    postcard::to_allocvec(row).expect("a vector takes any row")
}

pub(super) fn row<'a, R: Deserialize<'a>>(bytes: &'a [u8]) -> Result<R, Error> {
    match postcard::take_from_bytes(bytes) {
        Ok((row, [])) => Ok(row),
        _ => Err(Error::DamagedAccess),
    }
}

const fn role_number(role: Role) -> u8 {
    match role {
        Role::Crew => 1,
        Role::Dispatcher => 2,
        Role::Auditor => 3,
    }
}

const fn role(number: u8) -> Result<Role, Error> {
    match number {
        1 => Ok(Role::Crew),
        2 => Ok(Role::Dispatcher),
        3 => Ok(Role::Auditor),
        _ => Err(Error::DamagedAccess),
    }
}

fn name(text: &str) -> Result<Name, Error> {
    Name::parse("a name", text).map_err(|_| Error::DamagedAccess)
}
