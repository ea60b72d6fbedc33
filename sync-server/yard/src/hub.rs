//! The office's hub as this phone knows it, under the same names as the command line keeps it.

use headwalk_core::log::id::{Arrival, StoreId};
use headwalk_core::store::Store;
use serde::{Deserialize, Serialize};

use crate::error::Error;
use crate::words::Word;

const URL: &str = "hub-url";
const TOKEN: &str = "hub-token";
const STORE: &str = "hub-store";
const ROLE: &str = "hub-role";
const NAME: &str = "hub-name";
const PERSON: &str = "person";
const LAST: &str = "yard-last-exchange";

/// What a phone says to be let in.
#[derive(Debug, Serialize)]
pub struct Applicant {
    /// The one-time code, as typed.
    pub code: String,
    /// The device's id.
    pub device: String,
    /// What people call the device.
    pub device_name: String,
    /// Who carries it.
    pub person: String,
}

/// What the hub answers to a good code.
#[derive(Debug, Deserialize)]
struct Welcome {
    token: String,
    store: String,
    role: String,
    hub_name: String,
}

#[derive(Debug, Deserialize)]
struct Refused {
    error: String,
    #[serde(default)]
    kind: String,
}

/// The hub that let this phone in.
#[derive(Debug, Clone)]
pub struct OwnHub {
    /// What lets this phone in.
    pub token: String,
    /// The id of the store that answers there.
    pub store: StoreId,
    /// What it is called.
    pub name: String,
}

impl OwnHub {
    /// Returns the hub that this phone joined, if it joined one.
    ///
    /// # Errors
    /// [`Error`] where the store cannot be read.
    pub fn of(store: &Store) -> Result<Option<Self>, Error> {
        let (Some(token), Some(id)) = (store.setting(TOKEN)?, store.setting(STORE)?) else {
            return Ok(None);
        };
        let name = store.setting(NAME)?.unwrap_or_default();
        let id = id.parse().ok();
        Ok(id.map(|store| Self { token, store, name }))
    }

    /// Keeps what the hub answered to a code.
    ///
    /// # Errors
    /// [`Error::HubSaid`] with the hub's sentence where it said no.
    pub fn let_in(store: &Store, url: &str, person: &str, body: &str) -> Result<(), Error> {
        let Ok(welcome) = serde_json::from_str::<Welcome>(body) else {
            let refused = serde_json::from_str::<Refused>(body);
            return Err(
                refused.map_or(Error::Ask(Word::NoHubThere), |refused| Error::HubSaid {
                    error: refused.error,
                    kind: refused.kind,
                }),
            );
        };
        store.keep_settings(&[
            (URL, url),
            (TOKEN, &welcome.token),
            (STORE, &welcome.store),
            (ROLE, &welcome.role),
            (NAME, &welcome.hub_name),
            (PERSON, person),
        ])?;
        Ok(())
    }
}

/// Returns who writes on this phone.
///
/// # Errors
/// [`Error::NoHub`] where nobody joined yet.
pub fn person(store: &Store) -> Result<String, Error> {
    store.setting(PERSON)?.ok_or(Error::NoHub)
}

/// Returns how many entries of this phone the hub has not acknowledged.
///
/// # Errors
/// [`Error`] where the store cannot be read.
pub fn not_at_the_office(store: &Store) -> Result<u64, Error> {
    let Some(hub) = OwnHub::of(store)? else {
        return Ok(store.last_bookmark()?.arrival.0);
    };
    let told = store.met(hub.store)?.map_or(Arrival(0), |met| met.told);
    Ok(store.last_bookmark()?.arrival.0.saturating_sub(told.0))
}

/// Keeps when this phone and the hub last held the same.
///
/// # Errors
/// [`Error`] where the store cannot be written.
pub fn keep_last_exchange(store: &Store, told: &str) -> Result<(), Error> {
    Ok(store.keep_settings(&[(LAST, told)])?)
}

/// Returns when this phone and the hub last held the same, as it was told.
///
/// # Errors
/// [`Error`] where the store cannot be read.
pub fn last_exchange(store: &Store) -> Result<Option<String>, Error> {
    Ok(store.setting(LAST)?)
}
