//! The hub, over HTTP: carries bytes, and turns whatever comes back instead into one sentence.
//! What is said to it, and what its answers mean, is core's exchange.

use std::io::ErrorKind;
use std::time::Duration;

use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use ureq::http::{Response, StatusCode};
use ureq::{Agent, Body};

use headwalk_core::exchange::message::{MAX_PARCEL_BYTES, Parcel};
use headwalk_core::log::id::{LogbookId, StoreId};
use headwalk_core::store::{Head, Store};

use crate::error::{Error, Kind};
use crate::trust::{self, Authority};

/// The names under which a store keeps its hub.
const URL: &str = "hub-url";
const TOKEN: &str = "hub-token";
const STORE: &str = "hub-store";
const CA: &str = "hub-ca";
const ROLE: &str = "hub-role";

/// How long to wait for a connection, and for one answer, bodies included.
const CONNECT: Duration = Duration::from_secs(10);
const ANSWER: Duration = Duration::from_secs(60);
/// How long a hub that has too much to do is waited for, all in all.
const PATIENCE: Duration = Duration::from_secs(60);
const NO_SUCH_MACHINE: &str = "there is no machine of that name";
/// The longest answer that is not a parcel.
const MAX_JSON_BYTES: u64 = 1024 * 1024;

/// A hub at an address.
pub struct Hub {
    url: String,
    authority: Option<Authority>,
    agent: Agent,
}

/// A hub that knows this device.
pub struct OwnHub {
    hub: Hub,
    token: String,
    store: StoreId,
}

/// What a device says to be let in.
#[derive(Serialize)]
pub struct Applicant<'a> {
    /// The one-time code, as typed.
    pub code: &'a str,
    /// The device's id.
    pub device: String,
    /// What people call the device.
    pub device_name: &'a str,
    /// Who carries it.
    pub person: &'a str,
}

/// What the hub answers to a good code.
#[derive(Deserialize)]
pub struct Welcome {
    token: String,
    store: String,
    /// What the device may do: crew, dispatcher or auditor.
    pub role: String,
    /// What the hub is called.
    pub hub_name: String,
}

/// A one-time code.
#[derive(Deserialize)]
pub struct IssuedCode {
    /// The code.
    pub code: String,
    /// What it lets a device do.
    pub role: String,
    /// Whom it is for.
    #[serde(rename = "for")]
    pub made_for: String,
    /// When it stops working, in RFC 3339.
    pub expires: String,
}

/// A device as a dispatcher sees it.
#[derive(Deserialize)]
pub struct DeviceLine {
    pub device: String,
    pub name: String,
    pub person: String,
    pub role: String,
    pub enrolled: String,
    pub revoked: Option<String>,
    pub last_heard: Option<String>,
    pub clock_behind_ms: Option<i64>,
}

#[derive(Deserialize)]
struct DeviceLines {
    devices: Vec<DeviceLine>,
}

/// What the hub says of a logbook that this device would like to drop.
#[derive(Deserialize)]
pub struct Holds {
    /// How many of this store's chains it does not hold to their end.
    pub chains_lacking: usize,
    /// Whether this device is to carry the logbook.
    pub on_route: bool,
}

/// What the hub says instead of an answer.
#[derive(Deserialize)]
struct Refused {
    error: String,
    kind: String,
    hint: Option<String>,
}

impl Hub {
    /// Takes a hub's address as typed, and who vouches for it beside the ordinary roots.
    pub fn at(url: &str, authority: Option<Authority>) -> Result<Self, Error> {
        let url = url.trim_end_matches('/');
        if !(url.starts_with("http://") || url.starts_with("https://")) {
            return Err(Error::input(format!("`{url}` is not the address of a hub"))
                .field("url")
                .hint("write it like https://hub.example.net or http://127.0.0.1:8080."));
        }
        let agent = Agent::config_builder()
            .http_status_as_error(false)
            .timeout_connect(Some(CONNECT))
            .timeout_global(Some(ANSWER))
            .tls_config(trust::tls(authority.as_ref()))
            .build()
            .into();
        Ok(Self {
            url: url.to_owned(),
            authority,
            agent,
        })
    }

    /// Asks to be let in, and keeps in the store what lets it in from now on.
    pub fn enrol(&self, store: &Store, applicant: &Applicant<'_>) -> Result<Welcome, Error> {
        let welcome: Welcome = self.ask("/enrol", None, Some(applicant))?;
        let hub: StoreId = welcome.store.parse().map_err(|_| self.garbled())?;
        store.keep_settings(&[
            (URL, &self.url),
            (TOKEN, &welcome.token),
            (STORE, &hub.to_string()),
            (CA, self.authority.as_ref().map_or("", Authority::kept)),
            (ROLE, &welcome.role),
        ])?;
        Ok(welcome)
    }

    /// Sends JSON, or asks for a page without a body, and reads JSON.
    fn ask<T: DeserializeOwned>(
        &self,
        path: &str,
        token: Option<&str>,
        body: Option<&impl Serialize>,
    ) -> Result<T, Error> {
        let json = body.map(serde_json::to_vec).transpose();
        let json = json.map_err(|error| Error::new(Kind::Bug, error.to_string()))?;
        let mut response = self.call(path, token, "application/json", json.as_deref())?;
        let body = response
            .body_mut()
            .with_config()
            .limit(MAX_JSON_BYTES)
            .read_to_vec();
        let body = body.map_err(|error| self.away(&error))?;
        serde_json::from_slice(&body).map_err(|_| self.garbled())
    }

    /// Sends a body, or asks without one; only a good answer is returned. A hub that has too much to
    /// do says how long to wait: that is done here, and then it is asked again.
    fn call(
        &self,
        path: &str,
        token: Option<&str>,
        content: &str,
        body: Option<&[u8]>,
    ) -> Result<Response<Body>, Error> {
        let mut waited = Duration::ZERO;
        loop {
            let sent = self.send(path, token, content, body);
            let mut answer = sent.map_err(|error| self.away(&error))?;
            let status = answer.status();
            if status == StatusCode::OK {
                return Ok(answer);
            }
            if let Some(wait) = asked_to_wait(&answer).filter(|wait| waited + *wait <= PATIENCE) {
                std::thread::sleep(wait);
                waited += wait;
                continue;
            }
            let told = answer
                .body_mut()
                .with_config()
                .limit(MAX_JSON_BYTES)
                .read_to_vec();
            let told = told
                .ok()
                .and_then(|told| serde_json::from_slice::<Refused>(&told).ok());
            return Err(match told {
                Some(told) => told.into_error(status),
                None => self.garbled(),
            });
        }
    }

    fn send(
        &self,
        path: &str,
        token: Option<&str>,
        content: &str,
        body: Option<&[u8]>,
    ) -> Result<Response<Body>, ureq::Error> {
        let url = format!("{}{path}", self.url);
        let bearer = token.map(|token| format!("Bearer {token}"));
        match body {
            Some(body) => {
                let mut request = self.agent.post(&url).content_type(content);
                if let Some(bearer) = &bearer {
                    request = request.header("authorization", bearer);
                }
                request.send(body)
            }
            None => {
                let mut request = self.agent.get(&url);
                if let Some(bearer) = &bearer {
                    request = request.header("authorization", bearer);
                }
                request.call()
            }
        }
    }

    /// Reads at most so many bytes of an answer.
    fn read(&self, mut answer: Response<Body>, most: u64) -> Result<Vec<u8>, Error> {
        let body = answer.body_mut().with_config().limit(most).read_to_vec();
        body.map_err(|error| self.away(&error))
    }

    /// Nobody answered.
    fn away(&self, error: &ureq::Error) -> Error {
        if let Some(not_trusted) = trust::not_trusted(&self.url, error) {
            return not_trusted;
        }
        let why = match error {
            ureq::Error::Io(error) => match error.kind() {
                ErrorKind::ConnectionRefused => "nothing listens there".to_owned(),
                // The standard library has no kind of its own for a name that nobody knows.
                _ if error.to_string().contains("lookup") => NO_SUCH_MACHINE.to_owned(),
                _ => error.to_string(),
            },
            ureq::Error::HostNotFound => NO_SUCH_MACHINE.to_owned(),
            ureq::Error::Timeout(_) => "it took too long".to_owned(),
            ureq::Error::Protocol(_) if self.url.starts_with("http://") => {
                "what comes back is not HTTP; with a certificate its address begins with https://"
                    .to_owned()
            }
            other => other.to_string(),
        };
        let message = format!("the hub at {} does not answer: {why}", self.url);
        Error::new(Kind::Machine, message)
            .hint("nothing is lost: what is not there yet goes with the next exchange.")
    }

    /// Somebody answered, but not as a hub does.
    fn garbled(&self) -> Error {
        let message = format!("what answers at {} does not speak like a hub", self.url);
        Error::new(Kind::Machine, message)
            .hint("see that the address is right, and that hub and headwalk are of one version.")
    }
}

impl OwnHub {
    /// Returns the hub that this store joined.
    pub fn of_store(store: &Store) -> Result<Self, Error> {
        let kept = |name| store.setting(name);
        let (Some(url), Some(token), Some(id)) = (kept(URL)?, kept(TOKEN)?, kept(STORE)?) else {
            return Err(Error::input("this store belongs to no hub yet")
                .hint("`headwalk enrol URL CODE` joins one; the dispatcher gives you both."));
        };
        let authority = kept(CA)?.filter(|text| !text.is_empty());
        let hub = Hub::at(&url, authority.map(Authority::of_kept))?;
        let store = id.parse().map_err(|_| hub.garbled())?;
        Ok(Self { hub, token, store })
    }

    /// Believes this authority, too, for the hub that a store joined.
    pub fn believe(store: &Store, authority: &Authority) -> Result<(), Error> {
        Ok(store.keep_settings(&[(CA, authority.kept())])?)
    }

    /// Keeps the address to which the hub that a store joined has moved.
    pub fn moved(store: &Store, url: &str) -> Result<(), Error> {
        Ok(store.keep_settings(&[(URL, url)])?)
    }

    /// Returns the id of the store that will answer.
    pub const fn store_id(&self) -> StoreId {
        self.store
    }

    /// Returns its address.
    pub fn url(&self) -> &str {
        &self.hub.url
    }

    /// Brings a parcel there and the answer back.
    pub fn exchange(&self, parcel: &Parcel) -> Result<Parcel, Error> {
        let (content, bytes) = ("application/octet-stream", parcel.to_bytes());
        let mut answer = self
            .hub
            .call("/exchange", Some(&self.token), content, Some(&bytes))?;
        let body = answer
            .body_mut()
            .with_config()
            .limit(MAX_PARCEL_BYTES as u64)
            .read_to_vec();
        let body = body.map_err(|error| self.hub.away(&error))?;
        Ok(Parcel::from_bytes(&body)?)
    }

    /// Sends JSON to one of the hub's addresses, and reads JSON.
    pub fn ask_json<T: DeserializeOwned>(
        &self,
        path: &str,
        body: &impl Serialize,
    ) -> Result<T, Error> {
        self.hub.ask(path, Some(&self.token), Some(body))
    }

    /// Sends bytes to one of the hub's addresses, and reads JSON.
    pub fn send_bytes<T: DeserializeOwned>(&self, path: &str, bytes: &[u8]) -> Result<T, Error> {
        let content = "application/octet-stream";
        let answer = self
            .hub
            .call(path, Some(&self.token), content, Some(bytes))?;
        let body = self.hub.read(answer, MAX_JSON_BYTES)?;
        serde_json::from_slice(&body).map_err(|_| self.hub.garbled())
    }

    /// Gets at most so many bytes from one of the hub's addresses.
    pub fn get_bytes(&self, path: &str, most: u64) -> Result<Vec<u8>, Error> {
        let answer = self.hub.call(path, Some(&self.token), "", None)?;
        self.hub.read(answer, most)
    }

    /// Asks for a one-time code for another device; only a dispatcher's device may.
    pub fn issue(&self, role: &str, made_for: &str, hours: u32) -> Result<IssuedCode, Error> {
        #[derive(Serialize)]
        struct CodeRequest<'a> {
            role: &'a str,
            #[serde(rename = "for")]
            made_for: &'a str,
            valid_hours: u32,
        }
        let asked = CodeRequest {
            role,
            made_for,
            valid_hours: hours,
        };
        self.hub.ask("/codes", Some(&self.token), Some(&asked))
    }

    /// Returns the devices that were ever let in; only a dispatcher's device may ask.
    pub fn devices(&self) -> Result<Vec<DeviceLine>, Error> {
        let lines: DeviceLines = self.hub.ask("/devices", Some(&self.token), None::<&()>)?;
        Ok(lines.devices)
    }

    /// Asks whether the hub holds all that this store holds of a logbook.
    pub fn holds(&self, logbook: LogbookId, heads: &[Head]) -> Result<Holds, Error> {
        #[derive(Serialize)]
        struct HoldsRequest {
            logbook: String,
            ends: Vec<(String, u64, String)>,
        }
        let mut told = Holds {
            chains_lacking: 0,
            on_route: false,
        };
        // The hub reads a question of a few kilobytes.
        for heads in heads.chunks(64) {
            let end = |head: &Head| {
                let writer = head.device.to_string();
                (writer, head.seq.get(), head.tip.to_string())
            };
            let asked = HoldsRequest {
                logbook: logbook.to_string(),
                ends: heads.iter().map(end).collect(),
            };
            let answer: Holds = self.hub.ask("/holds", Some(&self.token), Some(&asked))?;
            told.chains_lacking += answer.chains_lacking;
            told.on_route |= answer.on_route;
        }
        Ok(told)
    }

    /// Takes a device's access back; only a dispatcher's device may.
    pub fn revoke(&self, device: &str) -> Result<DeviceLine, Error> {
        #[derive(Serialize)]
        struct RevokeRequest<'a> {
            device: &'a str,
        }
        let asked = RevokeRequest { device };
        self.hub.ask("/revoke", Some(&self.token), Some(&asked))
    }
}

/// Returns how long a hub that has too much to do asks to wait, at least a moment.
fn asked_to_wait(answer: &Response<Body>) -> Option<Duration> {
    if answer.status() != StatusCode::TOO_MANY_REQUESTS {
        return None;
    }
    let seconds = answer.headers().get("retry-after")?.to_str().ok()?;
    Some(Duration::from_secs(seconds.parse::<u64>().ok()?.max(1)))
}

/// Returns the store id of the hub that this store joined, if it joined one.
pub fn own_hub_store(store: &Store) -> Result<Option<StoreId>, Error> {
    Ok(store.setting(STORE)?.and_then(|id| id.parse().ok()))
}

/// Returns as what the hub let this device in, if it joined one.
pub fn own_role(store: &Store) -> Result<Option<String>, Error> {
    Ok(store.setting(ROLE)?)
}

impl Refused {
    /// Whose fault it is goes by the hub's word for it, which never changes.
    fn into_error(self, status: StatusCode) -> Error {
        let code = matches!(
            self.kind.as_str(),
            "not-a-code" | "unknown-code" | "used-code" | "expired-code"
        );
        let kind = match self.kind.as_str() {
            _ if code => Kind::Input,
            "no-such-device" | "bad-request" => Kind::Input,
            _ if status.is_server_error() => Kind::Machine,
            _ => Kind::Refused,
        };
        let mut error = Error::new(kind, self.error);
        if code {
            error = error.field("code");
        }
        match self.hint {
            Some(hint) => error.hint(hint),
            None => error,
        }
    }
}
