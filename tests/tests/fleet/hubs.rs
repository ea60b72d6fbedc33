//! Hubs as processes beside one log, and the devices that speak to them.

use std::io::{BufRead, BufReader};
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Mutex;
use std::time::Duration;

use headwalk_core::exchange::message::Parcel;
use headwalk_core::exchange::session::{Caller, Next, Summary};
use headwalk_core::log::entry::{Change, Draft};
use headwalk_core::log::id::{FieldNumber, LogbookId, StoreId, ThingId};
use headwalk_core::log::seal::DeviceKey;
use headwalk_core::log::stamp::WallMs;
use headwalk_core::log::value::{HowKnown, Value};
use headwalk_core::site::company::{self, Role, Route};
use headwalk_core::site::fields::{any, device};
use headwalk_core::store::{NewStore, Store};
use headwalk_sync_server::access::{Applicant, Name};
use headwalk_sync_server::edge::Edge;
use headwalk_sync_server::hub::{ACCESS_CACHE, Hub, LOG_CACHE};
use headwalk_sync_server::hub_log::LogId;
use headwalk_sync_server::hub_log::jetstream::JetStreamLog;
use headwalk_tests::{Cluster, binary};

use super::ground::access;

pub const COMPANY: LogbookId = LogbookId::from_bytes([1; 16]);

/// Returns the machine's time.
pub fn now() -> WallMs {
    Edge::of_environment().unwrap().now()
}

pub fn site(number: u16) -> LogbookId {
    LogbookId::from_bytes(headwalk_tests::id(2, number.into()))
}

/// The words that say where a cluster can be asked how it writes to disk.
pub fn monitored(cluster: &Cluster) -> [String; 2] {
    ["--log-monitor".to_owned(), cluster.monitors().join(",")]
}

/// A hub's process. It ends with this one.
pub struct Process {
    child: Mutex<Option<Child>>,
    pub folder: PathBuf,
    pub port: u16,
    // How it reaches the fleet's log, if it has none of its own.
    shared: Vec<String>,
}

impl Process {
    pub fn start(folder: PathBuf, cluster: &Cluster, name: &str) -> Self {
        let held = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = held.local_addr().unwrap().port();
        drop(held);
        Self::start_at(port, folder, Some((cluster, name)))
    }

    /// Starts a hub at a port of this machine, beside a fleet's log or on its own folder.
    pub fn start_at(port: u16, folder: PathBuf, log: Option<(&Cluster, &str)>) -> Self {
        let process = Self {
            child: Mutex::new(None),
            folder,
            port,
            shared: log.map_or_else(Vec::new, |(cluster, name)| {
                ["--log".to_owned(), cluster.address(name)]
                    .into_iter()
                    .chain(monitored(cluster))
                    .collect()
            }),
        };
        process.up();
        process
    }

    /// Starts it on its folder; tries again where the log gives no answer.
    pub fn up(&self) {
        for _ in 0..20 {
            let out = std::fs::File::options()
                .create(true)
                .append(true)
                .open(self.folder.with_extension("log"))
                .unwrap();
            let mut child = Command::new(binary("headwalk-server"))
                .arg("--folder")
                .arg(&self.folder)
                .args(["--listen", &format!("127.0.0.1:{}", self.port)])
                .args(&self.shared)
                .arg("--until-input-ends")
                .env_remove("HEADWALK_NOW")
                .stdin(Stdio::piped())
                .stdout(Stdio::piped())
                .stderr(out)
                .spawn()
                .unwrap();
            let lines = BufReader::new(child.stdout.take().unwrap()).lines();
            if lines
                .map_while(Result::ok)
                .any(|line| line.starts_with("http://"))
            {
                *self.child.lock().unwrap() = Some(child);
                return;
            }
            child.wait().unwrap();
        }
        let log = std::fs::read_to_string(self.folder.with_extension("log"));
        panic!("the hub does not come up: {}", log.unwrap_or_default());
    }

    /// Ends it without a warning (SIGKILL).
    pub fn kill(&self) {
        if let Some(mut child) = self.child.lock().unwrap().take() {
            // It may have ended by itself.
            let _gone = child.kill();
            child.wait().unwrap();
        }
    }

    /// Ends it as a person would: what it took in is on disk then.
    pub fn end(&self) {
        if let Some(mut child) = self.child.lock().unwrap().take() {
            drop(child.stdin.take());
            assert!(child.wait().unwrap().success());
        }
    }

    /// Throws away what it worked out from the log.
    pub fn forget(&self) {
        for file in [LOG_CACHE, ACCESS_CACHE] {
            std::fs::remove_file(self.folder.join(file)).unwrap();
        }
    }

    pub fn url(&self, path: &str) -> String {
        format!("http://127.0.0.1:{}{path}", self.port)
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        self.kill();
    }
}

/// A device that was let in, with a route of one site.
pub struct Tablet {
    pub store: Store,
    pub token: String,
    pub site: LogbookId,
}

/// Why an exchange was broken off.
#[derive(Debug)]
pub enum NotNow {
    /// The hub, or the log behind it, is away or has too much to do.
    Away(String),
    /// Something that must not happen.
    Wrong(String),
}

impl Tablet {
    pub fn record(&self, words: &str, count: usize) {
        let draft = |number| {
            set(
                self.site,
                ThingId::from_bytes(headwalk_tests::id(4, number as u64)),
                any::REMARK.number,
                Value::text(format!("{words}, {number}")),
            )
        };
        let drafts: Vec<_> = (0..count).map(draft).collect();
        self.store.record(&drafts, now()).unwrap();
    }

    /// Exchanges with a hub until both hold the same of this device's route.
    pub fn exchange(
        &self,
        agent: &ureq::Agent,
        hub: &Process,
        log: StoreId,
    ) -> Result<Summary, NotNow> {
        let (mut caller, mut parcel) = Caller::begin(&self.store, Some(log), now()).unwrap();
        loop {
            let request = agent
                .post(hub.url("/exchange"))
                .header("authorization", format!("Bearer {}", self.token));
            let away = |error: ureq::Error| NotNow::Away(error.to_string());
            let mut answer = request.send(&parcel.to_bytes()[..]).map_err(away)?;
            let bytes = answer.body_mut().read_to_vec().map_err(away)?;
            match answer.status().as_u16() {
                200 => {}
                status @ (429 | 503) => return Err(NotNow::Away(status.to_string())),
                status => {
                    let words = String::from_utf8_lossy(&bytes).into_owned();
                    return Err(NotNow::Wrong(format!("{status} {words}")));
                }
            }
            let answer = Parcel::from_bytes(&bytes).unwrap();
            match caller.receive(&self.store, &answer, now()) {
                Ok(Next::Send(next)) => parcel = next,
                Ok(Next::Done(summary)) => return Ok(summary),
                Err(error) => return Err(NotNow::Wrong(error.to_string())),
            }
        }
    }
}

fn set(logbook: LogbookId, thing: ThingId, field: FieldNumber, value: Value) -> Draft {
    let change = Change::Set {
        thing,
        field,
        value,
        how: HowKnown::Unstated,
    };
    Draft {
        logbook,
        by: "R. Ash".to_owned(),
        utc_offset_min: 0,
        visit: None,
        changes: vec![change],
    }
}

/// Begins a fleet's log, and lets a dispatcher and so many tablets in, by the hub's own functions: at
/// no person's pace. The first is the dispatcher's.
pub fn let_in(
    folder: &Path,
    cluster: &Cluster,
    name: &str,
    tablets: u16,
    sites: u16,
) -> (LogId, Vec<Tablet>) {
    let edge = Edge::of_environment().unwrap();
    let id = LogId::fresh(edge.now().get(), edge.chance().unwrap());
    let log = JetStreamLog::open(&access(&cluster.address(name), cluster), id, edge.clone());
    let office = Name::parse("name", "Office").unwrap();
    let log = std::sync::Arc::new(log.unwrap());
    let hub = Hub::beside(&folder.join("first"), log, &office, edge).unwrap();
    (id, let_in_at(&hub, folder, tablets, sites))
}

/// The same at a hub that is open here; the tablets' stores lie in a folder.
pub fn let_in_at(hub: &Hub, folder: &Path, tablets: u16, sites: u16) -> Vec<Tablet> {
    let edge = hub.edge();
    let tablets: Vec<_> = (0..=tablets)
        .map(|number| {
            let role = match number {
                0 => Role::Dispatcher,
                _ => Role::Crew,
            };
            let name = |text: &str| Name::parse("name", text).unwrap();
            let code = hub.issue(role, name("R. Ash"), 24).unwrap().code;
            let new = NewStore {
                id: StoreId::fresh(edge.now().get(), edge.chance().unwrap()),
                key: DeviceKey::from_bytes(edge.chance().unwrap()),
            };
            let store = Store::create(&folder.join(format!("tablet{number}.redb")), new).unwrap();
            let applicant = Applicant {
                device: store.device(),
                name: name(&format!("tablet {number}")),
                person: name("R. Ash"),
            };
            let welcome = hub.enrol(&code, applicant).unwrap();
            Tablet {
                store,
                token: welcome.token.to_string(),
                site: site(number % sites),
            }
        })
        .collect();
    let (dispatcher, crews) = tablets.split_first().unwrap();
    let kind = Value::text("company");
    let mut drafts = vec![set(COMPANY, ThingId::root(COMPANY), any::KIND.number, kind)];
    for crew in crews {
        let thing = company::thing_of(crew.store.device());
        let route = Route::Sites([crew.site].into());
        drafts.push(set(COMPANY, thing, device::CARRIES.number, route.value()));
    }
    dispatcher.store.record(&drafts, now()).unwrap();
    tablets
}

/// Returns what asks hubs, with the patience of a device.
pub fn agent() -> ureq::Agent {
    ureq::Agent::config_builder()
        .http_status_as_error(false)
        .timeout_connect(Some(Duration::from_secs(2)))
        .timeout_global(Some(Duration::from_secs(30)))
        .build()
        .into()
}
