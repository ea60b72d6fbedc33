//! What a hub asks of the engine before it believes it, and how it shows who it is.

use std::fs;
use std::net::TcpListener;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use headwalk_sync_server::edge::Edge;
use headwalk_sync_server::hub_log::jetstream::{Access, JetStreamLog};
use headwalk_sync_server::hub_log::{HubLog, LogError, LogId, Position};

/// An nkey of tests: its public half, and the seed that signs.
const PUBLIC: &str = "UB43KVROR7TFJ6KAPCYRF2FJROTZAH4FHLTJLPWX4DRZCC5NASLGJBFE";
const SEED: &str = "SUAACAQDAQCQMBYIBEFAWDANBYHRAEISCMKBKFQXDAMRUGY4DUPB6IC5CQ";

/// One node by itself.
struct Node {
    child: Child,
    client: u16,
    monitor: u16,
}

impl Node {
    /// Starts a node with these words about its disk, and more of its configuration.
    fn start(folder: &Path, disk: &str, more: &str) -> Self {
        let held = [0; 2].map(|_| TcpListener::bind("127.0.0.1:0").unwrap());
        let [client, monitor] = held.each_ref().map(|one| one.local_addr().unwrap().port());
        drop(held);
        let config = folder.join("node.conf");
        let text = format!(
            "server_name: alone\nlisten: 127.0.0.1:{client}\nhttp: 127.0.0.1:{monitor}\n\
             jetstream {{ store_dir: {:?}, max_file_store: 1GB, {disk} }}\n{more}\n",
            folder.join("data").display().to_string()
        );
        fs::write(&config, text).unwrap();
        let child = Command::new(headwalk_tests::engine().unwrap())
            .arg("-c")
            .arg(&config)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        Self {
            child,
            client,
            monitor,
        }
    }

    fn access(&self, scheme: &str) -> Access {
        Access {
            address: format!("{scheme}://localhost:{}/alone", self.client)
                .parse()
                .unwrap(),
            credentials: None,
            nkey: None,
            authority: None,
            certificate: None,
            monitors: vec![format!("http://127.0.0.1:{}", self.monitor)],
            replicas: 1,
        }
    }
}

impl Drop for Node {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _gone = (self.child.kill(), self.child.wait());
    }
}

fn open(access: &Access) -> Result<JetStreamLog, LogError> {
    let edge = Edge::of_environment().unwrap();
    JetStreamLog::open(access, LogId::from_bytes([9; 16]), edge)
}

#[track_caller]
fn refused(access: &Access, why: &str) {
    match open(access) {
        Err(LogError::Unfit(told)) => assert!(told.contains(why), "{told}"),
        Err(other) => panic!("{other}"),
        Ok(_) => panic!("it was believed"),
    }
}

pub fn one_that_acknowledges_before_its_disk_has_it_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let node = Node::start(folder.path(), "sync_interval: 2m", "");
    refused(&node.access("nats"), "set `sync_interval: always`");
    let unheard = Access {
        monitors: Vec::new(),
        ..node.access("nats")
    };
    refused(&unheard, "name its monitoring address with --log-monitor");
    let elsewhere = Access {
        address: "nats://192.0.2.1:4222".parse().unwrap(),
        ..node.access("nats")
    };
    refused(&elsewhere, "write tls://");
    drop(node);
    let node = Node::start(folder.path(), "sync_interval: always", "");
    drop(open(&node.access("nats")).unwrap());
    let more_copies = Access {
        replicas: 3,
        ..node.access("nats")
    };
    refused(&more_copies, "has 1 copies, and 3 are asked for");
}

pub fn a_hub_shows_who_it_is_and_knows_who_answers() {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &str| {
        let path = folder.path().join(name);
        fs::write(&path, text).unwrap();
        path
    };
    let node_made = rcgen::generate_simple_self_signed(["localhost".to_owned()]).unwrap();
    let hub_made = rcgen::generate_simple_self_signed(["hub.example".to_owned()]).unwrap();
    let node_certificate = write("node.pem", &node_made.cert.pem());
    let node_key = write("node.key", &node_made.signing_key.serialize_pem());
    let hub_certificate = write("hub.pem", &hub_made.cert.pem());
    let hub_key = write("hub.key", &hub_made.signing_key.serialize_pem());
    let nkey = write("hub.nk", SEED);
    let more = format!(
        "tls {{ cert_file: {:?}, key_file: {:?}, ca_file: {:?}, verify: true }}\n\
         authorization {{ users: [ {{ nkey: {PUBLIC} }} ] }}",
        node_certificate, node_key, hub_certificate
    );
    let node = Node::start(folder.path(), "sync_interval: always", &more);
    let known = Access {
        authority: Some(node_certificate),
        certificate: Some((hub_certificate, hub_key)),
        nkey: Some(nkey),
        ..node.access("tls")
    };
    let log = open(&known).unwrap();
    assert_eq!(
        log.append_access(b"a change", Position::START).unwrap(),
        Some(Position(1))
    );
    assert_eq!(
        log.append_access(b"another", Position::START).unwrap(),
        None
    );
    let read = log
        .read(Position::START, 10, Duration::from_secs(2))
        .unwrap();
    assert_eq!(read.len(), 1);
    let stranger = Access {
        nkey: None,
        ..known.clone()
    };
    refused(&stranger, "do not know each other");
    let unvouched = Access {
        authority: None,
        ..known
    };
    match open(&unvouched) {
        Err(LogError::Unfit(_) | LogError::Unreachable(_)) => {}
        other => panic!("without an authority: {other:?}"),
    }
}
