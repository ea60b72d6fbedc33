//! Reaching the engine, and refusing one that would not keep what it acknowledges.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::str::FromStr;
use std::time::Duration;

use async_nats::jetstream::Context;
use async_nats::jetstream::stream::Info;
use async_nats::{Client, ConnectErrorKind, ConnectOptions};
use serde::Deserialize;

use crate::hub_log::LogError;

/// The oldest engine that takes batches whole and holds to its word on disk.
const OLDEST: (u32, u32) = (2, 12);
/// How long an answer of the engine may take before it is asked again.
pub(super) const ANSWER: Duration = Duration::from_secs(3);
/// How long its monitoring pages may take.
const MONITOR: Duration = Duration::from_secs(3);

/// Where a log is: `nats://HOST:PORT[,HOST:PORT...]/NAME`, or `tls://...`; without a name it is
/// `headwalk`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Address {
    pub(super) servers: Vec<String>,
    pub(super) encrypted: bool,
    pub(super) name: String,
}

/// Text that is no address of a log.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "`{0}` is not the address of a log: write it like nats://127.0.0.1:4222/headwalk or \
     tls://n1.example.net:4222,n2.example.net:4222/headwalk"
)]
pub struct NotAnAddress(String);

impl FromStr for Address {
    type Err = NotAnAddress;

    fn from_str(text: &str) -> Result<Self, NotAnAddress> {
        let wrong = || NotAnAddress(text.to_owned());
        let (scheme, rest) = text.split_once("://").ok_or_else(wrong)?;
        let encrypted = match scheme {
            "nats" => false,
            "tls" => true,
            _ => return Err(wrong()),
        };
        let (servers, name) = rest.split_once('/').unwrap_or((rest, "headwalk"));
        let name = if name.is_empty() { "headwalk" } else { name };
        let plain = |sign: char| sign.is_ascii_alphanumeric() || sign == '-';
        if servers.is_empty() || servers.contains('@') || !name.chars().all(plain) {
            return Err(wrong());
        }
        let server = |host: &str| match host.rsplit_once(':') {
            Some((host, port)) if !host.is_empty() && port.parse::<u16>().is_ok() => Ok(()),
            _ => Err(wrong()),
        };
        let hosts: Vec<_> = servers.split(',').collect();
        hosts.iter().try_for_each(|host| server(host))?;
        Ok(Self {
            servers: hosts
                .iter()
                .map(|host| format!("{scheme}://{host}"))
                .collect(),
            encrypted,
            name: name.to_owned(),
        })
    }
}

impl Address {
    /// Whether every server is this machine.
    fn stays_here(&self) -> bool {
        let here = |server: &String| {
            let host = server.split("://").last().unwrap_or_default();
            let host = host.rsplit_once(':').map_or(host, |(host, _)| host);
            host == "localhost" || host == "[::1]" || host.starts_with("127.")
        };
        self.servers.iter().all(here)
    }
}

/// How the engine is reached, and how it is known that it keeps its word.
#[derive(Debug, Clone)]
pub struct Access {
    /// The log.
    pub address: Address,
    /// A file with the hub's credentials (a JWT and its key).
    pub credentials: Option<PathBuf>,
    /// A file with the hub's key (an nkey's seed).
    pub nkey: Option<PathBuf>,
    /// Who vouches for the engine beside the ordinary roots, in PEM.
    pub authority: Option<PathBuf>,
    /// The hub's own certificate and its key, in PEM.
    pub certificate: Option<(PathBuf, PathBuf)>,
    /// The monitoring addresses of the engine's nodes, `http://HOST:PORT`.
    pub monitors: Vec<String>,
    /// On how many nodes every record must stand.
    pub replicas: usize,
}

impl Access {
    /// Connects.
    pub(super) async fn connect(&self) -> Result<Client, LogError> {
        if !self.address.encrypted && !self.address.stays_here() {
            return Err(LogError::Unfit(
                "its address is not on this machine, and nats:// encrypts nothing: write tls://"
                    .to_owned(),
            ));
        }
        let unreadable = |file: &PathBuf, cause: std::io::Error| {
            LogError::Unfit(format!("{} cannot be read: {cause}", file.display()))
        };
        let mut options = ConnectOptions::new()
            .name("headwalk-server")
            .require_tls(self.address.encrypted)
            .connection_timeout(Duration::from_secs(2))
            .request_timeout(Some(ANSWER))
            .ping_interval(Duration::from_secs(5))
            .max_reconnects(None)
            .reconnect_delay_callback(|tries| {
                Duration::from_millis((50 * tries as u64).min(1_000))
            });
        if let Some(file) = &self.credentials {
            let read = options.credentials_file(file).await;
            options = read.map_err(|cause| unreadable(file, cause))?;
        }
        if let Some(file) = &self.nkey {
            let seed = std::fs::read_to_string(file).map_err(|cause| unreadable(file, cause))?;
            options = options.nkey(seed.trim().to_owned());
        }
        if let Some(file) = &self.authority {
            options = options.add_root_certificates(file.clone());
        }
        if let Some((certificate, key)) = &self.certificate {
            options = options.add_client_certificate(certificate.clone(), key.clone());
        }
        let connected = options.connect(self.address.servers.as_slice()).await;
        connected.map_err(|error| match error.kind() {
            ConnectErrorKind::Authentication
            | ConnectErrorKind::AuthorizationViolation
            | ConnectErrorKind::Tls => LogError::Unfit(format!(
                "the engine and this hub do not know each other: {error}"
            )),
            _ => LogError::Unreachable(error.to_string()),
        })
    }
}

/// Refuses an engine that is too old.
pub(super) fn check_version(what: &str, version: &str) -> Result<(), LogError> {
    let mut parts = version.split(['.', '-']);
    let mut number = || parts.next().and_then(|part| part.parse::<u32>().ok());
    match (number(), number()) {
        (Some(major), Some(minor)) if (major, minor) >= OLDEST => Ok(()),
        _ => Err(LogError::Unfit(format!(
            "{what} is version {version}, and it takes {}.{} or later",
            OLDEST.0, OLDEST.1
        ))),
    }
}

#[derive(Debug, Deserialize)]
struct Varz {
    server_name: String,
    version: String,
    jetstream: Option<JetStreamVarz>,
}

#[derive(Debug, Deserialize)]
struct JetStreamVarz {
    config: Option<JetStreamConfig>,
}

#[derive(Debug, Deserialize)]
struct JetStreamConfig {
    #[serde(default)]
    sync_always: bool,
}

/// Refuses nodes that acknowledge before the disk has it. Each node's running configuration is
/// asked, at its monitoring address: files say what the next start would do. Blocks.
pub(super) fn check_disks(monitors: &[String], nodes: &BTreeSet<String>) -> Result<(), LogError> {
    let agent: ureq::Agent = ureq::Agent::config_builder()
        .timeout_global(Some(MONITOR))
        .build()
        .into();
    let (mut seen, mut silent) = (BTreeMap::new(), Vec::new());
    for monitor in monitors {
        let address = format!("{}/varz", monitor.trim_end_matches('/'));
        let read = agent.get(&address).call();
        let read = read.and_then(|mut answer| answer.body_mut().read_to_string());
        let varz = read
            .ok()
            .and_then(|text| serde_json::from_str::<Varz>(&text).ok());
        match varz {
            Some(varz) => {
                check_version(&format!("node {}", varz.server_name), &varz.version)?;
                let config = varz.jetstream.and_then(|jetstream| jetstream.config);
                let synced = config.is_some_and(|config| config.sync_always);
                seen.insert(varz.server_name, synced);
            }
            None => silent.push(monitor.as_str()),
        }
    }
    for node in nodes {
        match seen.get(node) {
            Some(true) => {}
            Some(false) => {
                return Err(LogError::Unfit(format!(
                    "node {node} acknowledges what is not on its disk yet: set `sync_interval: \
                     always` in its jetstream block and start it again"
                )));
            }
            None if !silent.is_empty() => {
                return Err(LogError::Unreachable(format!(
                    "node {node} did not say how it writes to disk, and {} did not answer",
                    silent.join(", ")
                )));
            }
            None => {
                return Err(LogError::Unfit(format!(
                    "nobody can say how node {node} writes to disk: name its monitoring address \
                     with --log-monitor"
                )));
            }
        }
    }
    Ok(())
}

/// Returns the nodes that hold a stream.
pub(super) fn nodes_of(context: &Context, info: &Info) -> BTreeSet<String> {
    let alone = || context.client().server_info().server_name;
    match &info.cluster {
        Some(cluster) if cluster.leader.is_some() => {
            let others = cluster.replicas.iter().map(|peer| peer.name.clone());
            others.chain(cluster.leader.clone()).collect()
        }
        _ => BTreeSet::from([alone()]),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_names_servers_and_a_log() {
        let one: Address = "nats://127.0.0.1:4222".parse().unwrap();
        assert_eq!((one.name.as_str(), one.stays_here()), ("headwalk", true));
        let three: Address = "tls://a.example:1,b.example:2/west".parse().unwrap();
        assert_eq!(three.servers, ["tls://a.example:1", "tls://b.example:2"]);
        assert_eq!((three.name.as_str(), three.stays_here()), ("west", false));
        for text in [
            "",
            "nats://",
            "http://a:1",
            "nats://a",
            "nats://a:1/b.c",
            "nats://u@a:1",
        ] {
            assert!(text.parse::<Address>().is_err(), "{text}");
        }
    }

    #[test]
    fn an_old_engine_is_refused_by_its_version() {
        for version in ["2.12.0", "2.15.1", "3.0.0", "2.12.0-RC.1"] {
            assert!(check_version("it", version).is_ok(), "{version}");
        }
        for version in ["2.9.10", "2.11.9", "1.20.0", "", "dev"] {
            assert!(check_version("it", version).is_err(), "{version}");
        }
    }
}
