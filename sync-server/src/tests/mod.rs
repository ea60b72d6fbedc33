//! A real hub on a real socket, asked by a small HTTP client.

mod disk;
mod enrolment;
mod exchanges;
mod fleet;
mod limits;
mod office;
mod photos;
mod routes;

use std::net::{SocketAddr, TcpListener};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::thread::{self, JoinHandle};
use std::time::Duration;

use headwalk_core::exchange::message::{Batch, Parcel, Says};
use headwalk_core::exchange::session::{Caller, Next, Summary};
use headwalk_core::log::entry::{Change, Draft};
use headwalk_core::log::id::{DeviceId, FieldNumber, LogbookId, StoreId, ThingId};
use headwalk_core::log::seal::DeviceKey;
use headwalk_core::log::stamp::WallMs;
use headwalk_core::log::value::{HowKnown, Value};
use headwalk_core::log::vector::VersionVector;
use headwalk_core::store::{NewStore, Store};
use redb::backends::InMemoryBackend;
use serde_json::{Value as Json, json};
use tempfile::TempDir;
use tokio::sync::oneshot;

use crate::access::Name;
use crate::edge::Edge;
use crate::error::Error;
use crate::hub::Hub;
use crate::serve::{self, Limits};
use crate::tls::Wire;

/// 2026-07-14T12:00Z.
const BEGAN_MS: u64 = 1_784_030_400_000;

/// A hub that serves, its folder and its clock.
struct Running {
    folder: TempDir,
    address: SocketAddr,
    clock: Arc<AtomicU64>,
    first_code: Option<String>,
    // Dropping the sender ends the hub; the thread then closes its files.
    end: Option<oneshot::Sender<()>>,
    hub: Option<JoinHandle<Result<(), Error>>>,
}

impl Running {
    fn begin() -> Self {
        Self::within(Limits::USUAL)
    }

    fn within(limits: Limits) -> Self {
        let clock = Arc::new(AtomicU64::new(BEGAN_MS));
        Self::in_folder(tempfile::tempdir().unwrap(), clock, limits)
    }

    fn in_folder(folder: TempDir, clock: Arc<AtomicU64>, limits: Limits) -> Self {
        let edge = Edge::told(Arc::clone(&clock));
        let hub = Hub::open(folder.path(), edge.clone()).unwrap_or_else(|_| {
            Hub::create(folder.path(), &Name::parse("name", "Office").unwrap(), edge).unwrap()
        });
        Self::of(hub, folder, clock, limits)
    }

    fn of(hub: Hub, folder: TempDir, clock: Arc<AtomicU64>, limits: Limits) -> Self {
        let first_code = hub.first_code().unwrap();
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        listener.set_nonblocking(true).unwrap();
        let address = listener.local_addr().unwrap();
        let (end, ended) = oneshot::channel::<()>();
        let serving = thread::spawn(move || {
            let runtime = tokio::runtime::Builder::new_multi_thread()
                .worker_threads(2)
                .enable_all()
                .build()
                .unwrap();
            runtime.block_on(async {
                let listener = tokio::net::TcpListener::from_std(listener).unwrap();
                let ended = async { drop(ended.await) };
                serve::run(listener, Wire::Clear, hub, limits, ended).await
            })
        });
        Self {
            folder,
            address,
            clock,
            first_code: first_code.map(|issued| issued.code.to_string()),
            end: Some(end),
            hub: Some(serving),
        }
    }

    fn end(mut self) -> (TempDir, Arc<AtomicU64>) {
        self.ending();
        let folder = std::mem::replace(&mut self.folder, tempfile::tempdir().unwrap());
        (folder, Arc::clone(&self.clock))
    }

    fn ending(&mut self) {
        drop(self.end.take());
        if let Some(hub) = self.hub.take() {
            hub.join().unwrap().unwrap();
        }
    }

    fn now(&self) -> WallMs {
        WallMs::new(self.clock.load(Ordering::Relaxed))
    }

    fn pass(&self, duration: Duration) {
        let ms = duration.as_millis() as u64;
        self.clock.fetch_add(ms, Ordering::Relaxed);
    }

    fn ask(&self, method: &str, path: &str, token: Option<&str>, body: &[u8]) -> Answer {
        let agent: ureq::Agent = ureq::Agent::config_builder()
            .http_status_as_error(false)
            .timeout_global(Some(Duration::from_secs(20)))
            .build()
            .into();
        let mut request = ureq::http::Request::builder()
            .method(method)
            .uri(format!("http://{}{path}", self.address));
        if let Some(token) = token {
            request = request.header("authorization", format!("Bearer {token}"));
        }
        let mut response = agent.run(request.body(body).unwrap()).unwrap();
        let header = |name: &str| {
            let value = response.headers().get(name)?;
            Some(value.to_str().unwrap().to_owned())
        };
        Answer {
            status: response.status().as_u16(),
            retry_after: header("retry-after"),
            allow: header("allow"),
            body: response.body_mut().read_to_vec().unwrap(),
        }
    }

    fn post(&self, path: &str, token: Option<&str>, body: Json) -> Answer {
        self.ask("POST", path, token, body.to_string().as_bytes())
    }

    fn enrol(&self, code: &str, device: DeviceId) -> Answer {
        let body = json!({
            "code": code,
            "device": device.to_string(),
            "device_name": "tablet",
            "person": "R. Ash",
        });
        self.post("/enrol", None, body)
    }

    fn code(&self, dispatcher: &str, role: &str) -> String {
        let body = json!({"role": role, "for": "R. Ash"});
        self.post("/codes", Some(dispatcher), body).text("code")
    }

    /// Lets the first device in.
    fn dispatcher(&self) -> Device {
        let device = store(1);
        let code = self.first_code.as_deref().unwrap();
        let token = self.enrol(code, device.device()).text("token");
        Device {
            store: device,
            token,
        }
    }

    /// Lets one more device in.
    fn device(&self, dispatcher: &Device, number: u8, role: &str) -> Device {
        let device = store(number);
        let code = self.code(&dispatcher.token, role);
        let token = self.enrol(&code, device.device()).text("token");
        Device {
            store: device,
            token,
        }
    }

    /// One parcel there and back; what is refused comes as it is.
    fn carry(&self, token: &str, parcel: &[u8]) -> Answer {
        self.ask("POST", "/exchange", Some(token), parcel)
    }

    fn exchange(&self, device: &Device) -> Summary {
        let (mut session, mut parcel) = Caller::begin(&device.store, None, self.now()).unwrap();
        loop {
            let answer = self.carry(&device.token, &parcel.to_bytes());
            assert_eq!(answer.status, 200, "{}", answer.words());
            let answer = Parcel::from_bytes(&answer.body).unwrap();
            match session.receive(&device.store, &answer, self.now()).unwrap() {
                Next::Send(next) => parcel = next,
                Next::Done(summary) => return summary,
            }
        }
    }

    /// A parcel with all that a device wrote.
    fn parcel(&self, device: &Device) -> Vec<u8> {
        let (_, mut parcel) = Caller::begin(&device.store, None, self.now()).unwrap();
        let Says::Holdings { parts, .. } = &mut parcel.says else {
            panic!("a caller that does not know its peer tells what it holds: {parcel:?}");
        };
        for part in parts {
            let all = device
                .store
                .entries_beyond(part.logbook, &VersionVector::new(), usize::MAX);
            let entries = all.unwrap().0;
            let seals = device.store.seals(&entries).unwrap();
            part.batch = Batch {
                entries,
                seals,
                ..Batch::default()
            };
        }
        parcel.to_bytes()
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        if !thread::panicking() {
            self.ending();
        }
    }
}

/// What the hub said.
struct Answer {
    status: u16,
    retry_after: Option<String>,
    allow: Option<String>,
    body: Vec<u8>,
}

impl Answer {
    fn json(&self) -> Json {
        serde_json::from_slice(&self.body).unwrap_or_else(|_| panic!("{}", self.words()))
    }

    fn words(&self) -> String {
        format!("{} {}", self.status, String::from_utf8_lossy(&self.body))
    }

    fn text(&self, name: &str) -> String {
        let json = self.json();
        let text = json[name].as_str();
        text.unwrap_or_else(|| panic!("no {name}: {json}"))
            .to_owned()
    }

    /// Holds a refusal against its status and kind; it must have a sentence and a hint.
    #[track_caller]
    fn refuses(&self, status: u16, kind: &str) {
        assert_eq!(self.status, status, "{}", self.words());
        assert_eq!(self.text("kind"), kind);
        assert!(self.text("error").len() > 10, "{}", self.words());
        assert!(self.text("hint").ends_with('.'), "{}", self.words());
    }
}

/// A device that was let in.
struct Device {
    store: Store,
    token: String,
}

fn key(number: u8) -> DeviceKey {
    DeviceKey::from_bytes([number; 32])
}

/// A new store in memory, of the device with this number.
pub(crate) fn store(number: u8) -> Store {
    let new = NewStore {
        id: StoreId::from_bytes([number; 16]),
        key: key(number),
    };
    Store::on_backend(InMemoryBackend::new(), new).unwrap()
}

const LOGBOOK: LogbookId = LogbookId::from_bytes([5; 16]);

fn write(device: &Device, field: u16, words: &str, now: WallMs) {
    let change = Change::Set {
        thing: ThingId::from_bytes([7; 16]),
        field: FieldNumber(field),
        value: Value::text(words),
        how: HowKnown::Unstated,
    };
    let draft = Draft {
        logbook: LOGBOOK,
        by: "R. Ash".to_owned(),
        utc_offset_min: 0,
        visit: None,
        changes: vec![change],
    };
    device.store.record(&[draft], now).unwrap();
}
