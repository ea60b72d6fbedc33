//! The hub as a process: its command line, its ending, and its being killed.

#![expect(
    clippy::unwrap_used,
    reason = "all of this is a test, though not every function says so"
)]

mod command_line;
mod full;
mod hostile;
mod killed;
mod line;
mod load;
mod photos;

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::Mutex;
use std::time::Duration;

use headwalk_core::exchange::message::Parcel;
use headwalk_core::exchange::session::{Caller, Next, Summary};
use headwalk_core::log::id::StoreId;
use headwalk_core::log::stamp::WallMs;
use headwalk_core::store::Store;
use headwalk_tests::binary;
use serde_json::{Value as Json, json};
use tempfile::NamedTempFile;

/// What stands before the first code on standard output.
const FIRST_CODE: &str = "first dispatcher code: ";
/// What the line with the hub's address begins with.
const ADDRESS: &str = "http://";
/// The hub's entries, in its folder.
const LOG_FILE: &str = "log.redb";
/// 2026-07-14T12:00Z.
const NOW: WallMs = WallMs::new(1_784_030_400_000);

/// Returns `headwalk-server` at a fixed moment.
fn server() -> Command {
    let mut command = Command::new(binary("headwalk-server"));
    command
        .env("HEADWALK_NOW", "2026-07-14T12:00:00Z")
        .env("COLUMNS", "100")
        .stdin(Stdio::null());
    command
}

/// A hub that runs; it is killed when this is dropped.
struct Hub {
    child: Mutex<Child>,
    address: String,
    first_code: Option<String>,
    agent: ureq::Agent,
    log: NamedTempFile,
}

impl Hub {
    fn start(folder: &Path) -> Self {
        Self::started(server().arg("--folder").arg(folder))
    }

    fn started(command: &mut Command) -> Self {
        let log = NamedTempFile::new().unwrap();
        let command = command.stdout(Stdio::piped()).stderr(log.reopen().unwrap());
        let mut child = command.spawn().unwrap();
        let (mut first_code, mut address) = (None, None);
        for line in BufReader::new(child.stdout.take().unwrap()).lines() {
            let line = line.unwrap();
            if let Some(code) = line.strip_prefix(FIRST_CODE) {
                first_code = code.split_whitespace().next().map(str::to_owned);
            } else if line.starts_with(ADDRESS) {
                address = Some(line);
                break;
            }
        }
        let config = ureq::Agent::config_builder().http_status_as_error(false);
        Self {
            child: Mutex::new(child),
            address: address.expect("a hub that starts prints its address"),
            first_code,
            agent: config.build().into(),
            log,
        }
    }

    /// Returns what it has written in its log.
    fn log(&self) -> String {
        String::from_utf8(std::fs::read(self.log.path()).unwrap()).unwrap()
    }

    /// Ends it without a warning.
    fn kill(self) {
        self.kill_under_way();
        drop(self); // waits until it is gone
    }

    /// Ends it without a warning while others still speak to it.
    fn kill_under_way(&self) {
        self.child.lock().unwrap().kill().unwrap();
    }

    /// Waits until it has ended by itself, and returns its exit code.
    fn ended(&self) -> Option<i32> {
        self.child.lock().unwrap().wait().unwrap().code()
    }

    fn input(&self) -> Option<ChildStdin> {
        self.child.lock().unwrap().stdin.take()
    }

    /// Posts a body, and again where the hub says that it has too much to do at this moment; an
    /// error is the hub's being gone.
    fn post(&self, path: &str, token: Option<&str>, body: &[u8]) -> Result<Vec<u8>, ureq::Error> {
        loop {
            let mut request = self.agent.post(format!("{}{path}", self.address));
            if let Some(token) = token {
                request = request.header("authorization", format!("Bearer {token}"));
            }
            let mut response = request.send(body)?;
            let bytes = response.body_mut().read_to_vec()?;
            if response.status() == 429 {
                let wait = response.headers()["retry-after"].to_str().unwrap();
                std::thread::sleep(Duration::from_secs(wait.parse().unwrap()));
                continue;
            }
            let words = String::from_utf8_lossy(&bytes);
            assert_eq!(response.status(), 200, "{path}: {words}");
            return Ok(bytes);
        }
    }

    fn post_json(&self, path: &str, token: Option<&str>, body: &Json) -> Json {
        let answer = self.post(path, token, body.to_string().as_bytes()).unwrap();
        serde_json::from_slice(&answer).unwrap()
    }

    /// Lets a store's device in, and returns its token and the hub's store.
    fn enrol(&self, code: &str, store: &Store) -> (String, StoreId) {
        let body = json!({
            "code": code,
            "device": store.device().to_string(),
            "device_name": "tablet",
            "person": "R. Ash",
        });
        let welcome = self.post_json("/enrol", None, &body);
        let hub = welcome["store"].as_str().unwrap().parse().unwrap();
        (welcome["token"].as_str().unwrap().to_owned(), hub)
    }

    fn code(&self, dispatcher: &str) -> String {
        let body = json!({"role": "crew", "for": "R. Ash"});
        let made = self.post_json("/codes", Some(dispatcher), &body);
        made["code"].as_str().unwrap().to_owned()
    }

    /// Exchanges until both sides hold the same; an error is the hub's being gone.
    fn exchange(&self, store: &Store, hub: StoreId, token: &str) -> Result<Summary, ureq::Error> {
        let (mut caller, mut parcel) = Caller::begin(store, Some(hub), NOW).unwrap();
        loop {
            let answer = self.post("/exchange", Some(token), &parcel.to_bytes())?;
            let answer = Parcel::from_bytes(&answer).unwrap();
            match caller.receive(store, &answer, NOW).unwrap() {
                Next::Send(next) => parcel = next,
                Next::Done(summary) => return Ok(summary),
            }
        }
    }
}

impl Drop for Hub {
    fn drop(&mut self) {
        // It may have ended already; either way it is gone then.
        if let Ok(child) = self.child.get_mut() {
            let _gone = (child.kill(), child.wait());
        }
    }
}
