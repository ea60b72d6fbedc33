//! The hub as a child process: this same program, on a free port of this machine only.

use std::fs::File;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};

use serde::Deserialize;
use serde_json::json;

use headwalk_core::exchange::message::{MAX_PARCEL_BYTES, Parcel};
use headwalk_core::exchange::session::{Caller, Next, Summary};
use headwalk_core::log::id::StoreId;
use headwalk_core::log::stamp::WallMs;
use headwalk_core::store::Store;
use headwalk_sync_server::command::{ADDRESS, FIRST_CODE};

use super::scenario::{DeviceName, UTC_OFFSET_MIN};
use crate::edge::NOW;
use crate::error::{Error, Kind};
use crate::told::rfc3339;

/// The folder of the hub's files, in that of the demonstration.
pub const HUB_FOLDER: &str = "hub";

/// A hub that runs, and what reaches it.
pub struct HubProcess {
    child: Child,
    address: String,
    since: WallMs,
    agent: ureq::Agent,
    first_code: Option<String>,
    dispatcher: Option<String>,
}

/// What a device was given when it was enrolled.
pub struct Pass {
    token: String,
    hub: StoreId,
}

#[derive(Deserialize)]
struct Welcome {
    token: String,
    store: String,
}

#[derive(Deserialize)]
struct CodeMade {
    code: String,
}

#[derive(Deserialize)]
struct RefusedBy {
    error: String,
}

impl HubProcess {
    /// Starts the hub of this folder at a moment, from which its clock goes on.
    pub fn start(folder: &Path, at: WallMs) -> Result<Self, Error> {
        let log = folder.join("hub.log");
        let log = File::options().create(true).append(true).open(log);
        let mut child = Command::new(std::env::current_exe().map_err(cannot_start)?)
            .arg("hub")
            .arg("--folder")
            .arg(folder.join(HUB_FOLDER))
            .args(["--name", "Office", "--until-input-ends"])
            .env(NOW, rfc3339(at, UTC_OFFSET_MIN))
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(log.map_err(cannot_start)?)
            .spawn()
            .map_err(cannot_start)?;
        let out = child.stdout.take().expect("it was asked for");
        let (mut first_code, mut address) = (None, None);
        for line in BufReader::new(out).lines() {
            let line = line.map_err(cannot_start)?;
            if let Some(code) = line.strip_prefix(FIRST_CODE) {
                first_code = code.split_whitespace().next().map(str::to_owned);
            } else if line.starts_with(ADDRESS) {
                address = Some(line);
                break;
            }
        }
        let Some(address) = address else {
            let _reaped = child.wait();
            return Err(
                Error::new(Kind::Machine, "the hub ended before it listened").hint(format!(
                    "it may have said why in {}",
                    folder.join("hub.log").display()
                )),
            );
        };
        let config = ureq::Agent::config_builder().http_status_as_error(false);
        Ok(Self {
            child,
            address,
            since: at,
            agent: config.build().new_agent(),
            first_code,
            dispatcher: None,
        })
    }

    /// Returns the moment at which its clock began.
    pub const fn since(&self) -> WallMs {
        self.since
    }

    /// Ends the hub and waits until its files are closed.
    pub fn end(mut self) -> Result<(), Error> {
        drop(self.child.stdin.take());
        let ended = self.child.wait().map_err(cannot_start)?;
        if ended.success() {
            return Ok(());
        }
        Err(Error::new(
            Kind::Machine,
            format!("the hub did not end well: {ended}"),
        ))
    }

    /// Enrols a device by a one-time code: the first device by the code
    /// that the hub printed, each other one by a code that the first asks for.
    pub fn enrol(&mut self, store: &Store, name: DeviceName, by: &str) -> Result<Pass, Error> {
        let (code, role) = match (self.first_code.take(), &self.dispatcher) {
            (Some(code), _) => (code, "dispatcher"),
            (None, Some(token)) => {
                let asked = json!({"role": "crew", "for": by}).to_string();
                let made = self.post("/codes", Some(token), asked.as_bytes())?;
                (read::<CodeMade>(&made)?.code, "crew")
            }
            (None, None) => return Err(garbled("there is no first code")),
        };
        let asked = json!({
            "code": code,
            "device": store.device().to_string(),
            "device_name": name.word(),
            "person": by,
        });
        let welcome = self.post("/enrol", None, asked.to_string().as_bytes())?;
        let Welcome { token, store } = read(&welcome)?;
        let hub = store.parse().map_err(|_| garbled("it gives no store id"))?;
        if role == "dispatcher" {
            self.dispatcher = Some(token.clone());
        }
        Ok(Pass { token, hub })
    }

    /// Exchanges a device's store with the hub.
    pub fn exchange(&self, store: &Store, pass: &Pass, now: WallMs) -> Result<Summary, Error> {
        let (mut caller, mut parcel) = Caller::begin(store, Some(pass.hub), now)?;
        loop {
            let answer = self.post("/exchange", Some(&pass.token), &parcel.to_bytes())?;
            match caller.receive(store, &Parcel::from_bytes(&answer)?, now)? {
                Next::Send(next) => parcel = next,
                Next::Done(summary) => return Ok(summary),
            }
        }
    }

    fn post(&self, path: &str, token: Option<&str>, body: &[u8]) -> Result<Vec<u8>, Error> {
        let mut request = self.agent.post(format!("{}{path}", self.address));
        if let Some(token) = token {
            request = request.header("authorization", format!("Bearer {token}"));
        }
        let unreachable = |why: ureq::Error| {
            Error::new(Kind::Machine, format!("the hub cannot be reached: {why}"))
        };
        let mut answer = request.send(body).map_err(unreachable)?;
        let limit = MAX_PARCEL_BYTES as u64 + 1;
        let bytes = answer.body_mut().with_config().limit(limit).read_to_vec();
        let bytes = bytes.map_err(unreachable)?;
        if answer.status().is_success() {
            return Ok(bytes);
        }
        let why = read::<RefusedBy>(&bytes).map(|refused| refused.error);
        Err(Error::new(
            Kind::Refused,
            format!(
                "the hub says: {}",
                why.unwrap_or_else(|_| answer.status().to_string())
            ),
        ))
    }
}

impl Drop for HubProcess {
    fn drop(&mut self) {
        // Where it has ended already there is nobody to tell.
        drop(self.child.stdin.take());
        let _reaped = self.child.wait();
    }
}

fn read<'b, T: Deserialize<'b>>(bytes: &'b [u8]) -> Result<T, Error> {
    serde_json::from_slice(bytes).map_err(|why| garbled(&why.to_string()))
}

fn garbled(why: &str) -> Error {
    Error::new(
        Kind::Machine,
        format!("the hub answers in a way that cannot be read: {why}"),
    )
}

fn cannot_start(why: std::io::Error) -> Error {
    Error::new(Kind::Machine, format!("the hub cannot be started: {why}"))
        .hint("the demonstration starts it as a child of its own, on this machine only.")
}
