//! A real cluster of the log engine for a test: three processes on free ports of this machine, with
//! their data in a scratch folder, ended with the test.

use std::fs;
use std::net::TcpListener;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use serde_json::Value as Json;
use tempfile::TempDir;

/// How many nodes there are.
pub const NODES: usize = 3;
/// How long a node is waited for.
const TRIES: u32 = 300;
const PAUSE: Duration = Duration::from_millis(100);

/// A cluster that runs.
#[derive(Debug)]
pub struct Cluster {
    folder: TempDir,
    ports: [Ports; NODES],
    nodes: Mutex<[Option<Child>; NODES]>,
    agent: ureq::Agent,
}

#[derive(Debug, Clone, Copy)]
struct Ports {
    client: u16,
    route: u16,
    monitor: u16,
}

/// Returns the engine's program, where `tests/engine.sh` has brought it, or `HEADWALK_NATS_SERVER`
/// names it.
#[must_use]
pub fn engine() -> Option<PathBuf> {
    let named = std::env::var_os("HEADWALK_NATS_SERVER").map(PathBuf::from);
    let brought = || {
        let here = PathBuf::from(env!("CARGO_MANIFEST_DIR"));
        here.join("../target/engine/bin/nats-server")
    };
    Some(named.unwrap_or_else(brought)).filter(|program| program.is_file())
}

impl Cluster {
    /// Starts a cluster whose disks are written before anything is acknowledged; none where the
    /// engine cannot be had.
    ///
    /// # Panics
    /// Where it does not come up.
    #[must_use]
    pub fn start() -> Option<Self> {
        Self::start_with("sync_interval: always")
    }

    /// Starts a cluster with these words about when its disks are written.
    ///
    /// # Panics
    /// Where it does not come up.
    #[must_use]
    pub fn start_with(disks: &str) -> Option<Self> {
        engine()?;
        let held: Vec<_> = (0..NODES * 3)
            .map(|_| TcpListener::bind("127.0.0.1:0").expect("a free port"))
            .collect();
        let free: Vec<_> = held
            .iter()
            .map(|one| one.local_addr().expect("it is bound").port())
            .collect();
        drop(held);
        let ports = std::array::from_fn(|node| Ports {
            client: free[node * 3],
            route: free[node * 3 + 1],
            monitor: free[node * 3 + 2],
        });
        let config = ureq::Agent::config_builder()
            .http_status_as_error(false)
            .timeout_global(Some(Duration::from_secs(2)));
        let cluster = Self {
            folder: tempfile::tempdir().expect("the machine has a scratch folder"),
            ports,
            nodes: Mutex::new([None, None, None]),
            agent: config.build().into(),
        };
        let routes: Vec<_> = ports
            .iter()
            .map(|ports| format!("nats://127.0.0.1:{}", ports.route))
            .collect();
        for (node, ports) in ports.iter().enumerate() {
            let folder = cluster.folder.path().join(format!("d{node}"));
            let config = format!(
                "server_name: n{node}\nlisten: 127.0.0.1:{}\nhttp: 127.0.0.1:{}\n\
                 jetstream {{ store_dir: {:?}, max_mem_store: 64MB, max_file_store: 8GB, {disks} }}\n\
                 cluster {{ name: hw, listen: 127.0.0.1:{}, routes: [ {} ] }}\n",
                ports.client,
                ports.monitor,
                folder.display().to_string(),
                ports.route,
                routes.join(", ")
            );
            fs::write(cluster.config(node), config).expect("the scratch folder takes files");
        }
        for node in 0..NODES {
            cluster.start_node(node);
        }
        cluster.wait_until_ready();
        Some(cluster)
    }

    fn config(&self, node: usize) -> PathBuf {
        self.folder.path().join(format!("n{node}.conf"))
    }

    /// Returns the log's address: all nodes, and a name.
    #[must_use]
    pub fn address(&self, name: &str) -> String {
        let hosts = self.ports.iter();
        let hosts: Vec<_> = hosts
            .map(|ports| format!("127.0.0.1:{}", ports.client))
            .collect();
        format!("nats://{}/{name}", hosts.join(","))
    }

    /// Returns the port at which a node takes clients.
    #[must_use]
    pub fn client_port(&self, node: usize) -> u16 {
        self.ports[node].client
    }

    /// Returns the monitoring addresses of all nodes.
    #[must_use]
    pub fn monitors(&self) -> Vec<String> {
        let ports = self.ports.iter();
        ports
            .map(|ports| format!("http://127.0.0.1:{}", ports.monitor))
            .collect()
    }

    /// Starts a node that does not run.
    ///
    /// # Panics
    /// Where it cannot be started.
    pub fn start_node(&self, node: usize) {
        let log = fs::File::options()
            .create(true)
            .append(true)
            .open(self.folder.path().join(format!("n{node}.log")))
            .expect("the scratch folder takes files");
        let child = Command::new(engine().expect("it was there a moment ago"))
            .arg("-c")
            .arg(self.config(node))
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(log)
            .spawn()
            .expect("the engine starts");
        self.nodes()[node] = Some(child);
    }

    /// Ends a node without a warning (SIGKILL).
    ///
    /// # Panics
    /// Where it cannot be waited for.
    pub fn kill_node(&self, node: usize) {
        if let Some(mut child) = self.nodes()[node].take() {
            // It may have ended already; then there is nothing to kill.
            let _gone = child.kill();
            child.wait().expect("a child can be waited for");
        }
    }

    /// Returns which node leads a log's stream, if one does.
    #[must_use]
    pub fn leader(&self, name: &str) -> Option<usize> {
        (0..NODES).find_map(|node| {
            let stream = self.stream(node, name)?;
            let leader = stream["cluster"]["leader"].as_str()?;
            leader.strip_prefix('n')?.parse().ok()
        })
    }

    /// Kills the node that leads a log's stream, starts it again after `down`, and says whether
    /// there was one.
    pub fn kill_leader(&self, name: &str, down: Duration) -> bool {
        let Some(leader) = self.leader(name) else {
            return false;
        };
        self.kill_node(leader);
        std::thread::sleep(down);
        self.start_node(leader);
        true
    }

    /// Returns the processor time that the nodes that run have taken.
    #[must_use]
    pub fn cpu(&self) -> Duration {
        let nodes = self.nodes();
        let running = nodes.iter().flatten();
        running.filter_map(|child| cpu_of(child.id())).sum()
    }

    /// Returns how many bytes a log's stream has on one node.
    #[must_use]
    pub fn stream_bytes(&self, name: &str) -> Option<u64> {
        self.stream(0, name)?["state"]["bytes"].as_u64()
    }

    /// Returns how many records a log's stream has on one node.
    #[must_use]
    pub fn stream_records(&self, name: &str) -> Option<u64> {
        self.stream(0, name)?["state"]["messages"].as_u64()
    }

    /// What a node tells of a log's stream.
    fn stream(&self, node: usize, name: &str) -> Option<Json> {
        let told = self.ask(node, "jsz?streams=true")?;
        let streams = told["account_details"][0]["stream_detail"].as_array()?;
        streams
            .iter()
            .find(|stream| stream["name"] == name)
            .cloned()
    }

    /// Waits until every node that runs is in the cluster and up to date.
    ///
    /// # Panics
    /// Where that takes too long.
    pub fn wait_until_ready(&self) {
        for _ in 0..TRIES {
            let healthy = |node| {
                let told = self.ask(node, "healthz");
                told.is_some_and(|told| told["status"] == "ok")
            };
            let led = |node| {
                let told = self.ask(node, "jsz");
                told.is_some_and(|told| {
                    let meta = &told["meta_cluster"];
                    meta["leader"]
                        .as_str()
                        .is_some_and(|leader| !leader.is_empty())
                        && meta["cluster_size"] == NODES
                })
            };
            if (0..NODES).all(|node| healthy(node) && led(node)) {
                return;
            }
            std::thread::sleep(PAUSE);
        }
        panic!("the cluster did not come up; its logs:\n{}", self.logs());
    }

    /// Returns the nodes' own logs.
    #[must_use]
    pub fn logs(&self) -> String {
        let log = |node| {
            let path = self.folder.path().join(format!("n{node}.log"));
            let text = fs::read_to_string(path).unwrap_or_default();
            let lines: Vec<_> = text.lines().rev().take(15).collect();
            format!(
                "n{node}:\n{}\n",
                lines.into_iter().rev().collect::<Vec<_>>().join("\n")
            )
        };
        (0..NODES).map(log).collect()
    }

    fn ask(&self, node: usize, what: &str) -> Option<Json> {
        let address = format!("http://127.0.0.1:{}/{what}", self.ports[node].monitor);
        let mut answer = self.agent.get(&address).call().ok()?;
        serde_json::from_str(&answer.body_mut().read_to_string().ok()?).ok()
    }

    fn nodes(&self) -> std::sync::MutexGuard<'_, [Option<Child>; NODES]> {
        self.nodes.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Returns the processor time that a process has taken, where the machine tells.
#[must_use]
pub fn cpu_of(pid: u32) -> Option<Duration> {
    const TICK: Duration = Duration::from_millis(10); // what every Linux counts in
    let stat = fs::read_to_string(format!("/proc/{pid}/stat")).ok()?;
    let (_, rest) = stat.rsplit_once(')')?;
    let fields: Vec<_> = rest.split_whitespace().collect();
    let ticks = |field: usize| fields.get(field)?.parse::<u32>().ok();
    Some(TICK * (ticks(11)? + ticks(12)?))
}

/// Returns how much memory a process has now, where the machine tells.
#[must_use]
pub fn memory_of(pid: u32) -> Option<u64> {
    let status = fs::read_to_string(format!("/proc/{pid}/status")).ok()?;
    let line = status
        .lines()
        .find_map(|line| line.strip_prefix("VmRSS:"))?;
    let kilobytes: u64 = line.split_whitespace().next()?.parse().ok()?;
    Some(kilobytes * 1024)
}

impl Drop for Cluster {
    fn drop(&mut self) {
        for node in 0..NODES {
            self.kill_node(node);
        }
    }
}
