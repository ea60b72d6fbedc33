//! The three kinds of log, as the contract meets them.

use std::path::PathBuf;
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Arc, LazyLock};
use std::time::Duration;

use headwalk_core::log::id::StoreId;
use headwalk_core::log::seal::DeviceKey;
use headwalk_core::store::{NewStore, Store};
use headwalk_sync_server::edge::Edge;
use headwalk_sync_server::hub_log::files::FilesLog;
use headwalk_sync_server::hub_log::jetstream::{Access, JetStreamLog};
use headwalk_sync_server::hub_log::memory::{Faults, MemoryLog};
use headwalk_sync_server::hub_log::{HubLog, LogId};
use headwalk_tests::Cluster;
use headwalk_tests::cut::{Cut, line_to};
use tempfile::TempDir;

/// Which kind of log.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    Memory,
    Files,
    JetStream,
}

impl Kind {
    pub const ALL: [Self; 3] = [Self::Memory, Self::Files, Self::JetStream];

    pub const fn word(self) -> &'static str {
        match self {
            Self::Memory => "memory",
            Self::Files => "redb",
            Self::JetStream => "jetstream",
        }
    }

    pub const fn needs_engine(self) -> bool {
        matches!(self, Self::JetStream)
    }

    /// Returns a log of this kind that holds nothing.
    pub fn ground(self) -> Ground {
        static LOGS: AtomicU32 = AtomicU32::new(0);
        let number = LOGS.fetch_add(1, Ordering::Relaxed);
        let mut id = [7; 16];
        id[..4].copy_from_slice(&number.to_be_bytes());
        let id = LogId::from_bytes(id);
        match self {
            Self::Memory => Ground::Memory(Arc::new(MemoryLog::new(id))),
            Self::Files => {
                let folder = tempfile::tempdir().unwrap();
                let new = NewStore {
                    id,
                    key: DeviceKey::from_bytes([7; 32]),
                };
                let store = Store::create(&folder.path().join("log.redb"), new).unwrap();
                Ground::Files(Arc::new(FilesLog::of(store)), folder)
            }
            Self::JetStream => Ground::JetStream(format!("c{number}"), id),
        }
    }
}

/// One cluster for all: a log is a name in it. It is ended by [`end`].
static CLUSTER: LazyLock<std::sync::Mutex<Option<Arc<Cluster>>>> =
    LazyLock::new(|| std::sync::Mutex::new(None));

/// Returns the cluster, which is started by whoever asks first.
pub fn cluster() -> Arc<Cluster> {
    let mut cluster = CLUSTER.lock().unwrap();
    let started = cluster.get_or_insert_with(|| Arc::new(Cluster::start().unwrap()));
    Arc::clone(started)
}

/// Ends the cluster.
pub fn end() {
    drop(CLUSTER.lock().unwrap().take());
}

/// How a log in a cluster is reached.
pub fn access(address: &str, cluster: &Cluster) -> Access {
    Access {
        address: address.parse().unwrap(),
        credentials: None,
        nkey: None,
        authority: None,
        certificate: None,
        monitors: cluster.monitors(),
        replicas: 3,
    }
}

/// One log.
pub enum Ground {
    Memory(Arc<MemoryLog>),
    Files(
        Arc<FilesLog>,
        #[expect(dead_code, reason = "the folder goes with it")] TempDir,
    ),
    JetStream(String, LogId),
}

impl Ground {
    /// Returns the log as another hub sees it: where hubs are processes, by a connection of its own.
    pub fn log(&self) -> Arc<dyn HubLog> {
        match self {
            Self::Memory(log) => Arc::clone(log) as _,
            Self::Files(log, _) => Arc::clone(log) as _,
            Self::JetStream(name, id) => {
                let cluster = cluster();
                self.open(&cluster.address(name), *id)
            }
        }
    }

    fn open(&self, address: &str, id: StoreId) -> Arc<dyn HubLog> {
        let access = access(address, &cluster());
        let edge = Edge::of_environment().unwrap();
        Arc::new(JetStreamLog::open(&access, id, edge).unwrap())
    }

    /// Whether a hub's line to the log can be cut in the middle of an append.
    pub const fn can_be_cut(&self) -> bool {
        !matches!(self, Self::Files(..))
    }

    /// Returns the log at the end of a line that is cut so; one that has no line loses the answer
    /// to a piece.
    pub fn log_to_be_cut(&self, cut: Cut) -> (Arc<dyn HubLog>, Box<dyn Fn() -> bool>) {
        match self {
            Self::Files(..) => unreachable!("a file has no line"),
            Self::Memory(log) => {
                let faults = Faults {
                    lost_answers: 1,
                    ..Faults::default()
                };
                log.fail(faults);
                (Arc::clone(log) as _, Box::new(|| true))
            }
            Self::JetStream(name, id) => {
                let cluster = cluster();
                let (port, been) = line_to(cluster.client_port(0), cut);
                let log = self.open(&format!("nats://127.0.0.1:{port}/{name}"), *id);
                (log, Box::new(move || been.load(Ordering::Acquire)))
            }
        }
    }

    /// Takes the log's leader away for a moment, as far as it has one: the process that leads it, or
    /// all of it.
    pub fn lose_leader(&self) {
        match self {
            Self::Memory(log) => {
                log.fail(Faults {
                    lost_answers: 2,
                    ..Faults::default()
                });
            }
            Self::Files(..) => {}
            Self::JetStream(name, _) => {
                let cluster = cluster();
                for _ in 0..200 {
                    if cluster.kill_leader(name, Duration::from_millis(300)) {
                        return cluster.wait_until_ready();
                    }
                    std::thread::sleep(Duration::from_millis(50));
                }
                panic!("{name} has no leader:\n{}", cluster.logs());
            }
        }
    }

    /// Returns a folder for stores that follow this log.
    pub fn scratch() -> (TempDir, PathBuf) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("follower.redb");
        (folder, path)
    }
}
