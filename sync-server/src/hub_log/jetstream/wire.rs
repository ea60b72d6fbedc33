//! How records stand in a stream: one subject a line, so that the engine itself holds a race for a
//! line to one winner, and the entry's own bytes as the payload.

use std::time::Duration;

use async_nats::HeaderMap;
use async_nats::header::NATS_EXPECTED_LAST_SUBJECT_SEQUENCE;
use async_nats::jetstream::message::StreamMessage;
use async_nats::jetstream::stream::{Config, DiscardPolicy, RetentionPolicy, StorageType};
use headwalk_core::log::chain::{Link, Tip};
use headwalk_core::log::id::{DeviceId, LogbookId, Seq};
use headwalk_core::log::seal::{Seal, Step};
use headwalk_core::log::stamp::WallMs;
use headwalk_core::store::Followed;

use crate::hub_log::appending::Topic;
use crate::hub_log::{Last, Line, LogError, LogId, Position, Record};

/// To which subjects the expected last sequence refers, where that is not the message's own.
const EXPECTED_OF: &str = "Nats-Expected-Last-Subject-Sequence-Subject";
/// The number of an entry in its chain.
const SEQ: &str = "Hw-Seq";
/// Its tip.
const TIP: &str = "Hw-Tip";
/// When it came to the hub that took it, in milliseconds since 1970.
const ARRIVED: &str = "Hw-Arrived";
/// The stream's metadata that says which log it is.
const LOG_ID: &str = "headwalk-log-id";
/// The stream's metadata that says how its records are laid out.
const LAYOUT: &str = "headwalk-layout";
/// The layout that this code reads and writes.
const LAYOUT_1: &str = "1";

/// The subjects of one log.
#[derive(Debug, Clone)]
pub(super) struct Subjects {
    name: String,
}

impl Subjects {
    pub(super) fn of(name: &str) -> Self {
        Self {
            name: name.to_owned(),
        }
    }

    pub(super) fn entries(&self, line: Line) -> String {
        format!("{}.e.{}.{}", self.name, line.logbook, line.device)
    }

    pub(super) fn logbook(&self, logbook: LogbookId) -> String {
        format!("{}.e.{logbook}.*", self.name)
    }

    pub(super) fn access(&self) -> String {
        format!("{}.a", self.name)
    }

    pub(super) fn heard(&self, device: DeviceId) -> String {
        format!("{}.h.{device}", self.name)
    }

    fn all(&self) -> String {
        format!("{}.>", self.name)
    }

    /// Returns a record as it is published.
    pub(super) fn outgoing(&self, topic: Topic, record: &Record) -> Outgoing {
        let mut headers = HeaderMap::new();
        let (subject, payload) = match (topic, record) {
            (Topic::Entry(line, seq, tip), Record::Entry(entry)) => {
                headers.insert(SEQ, seq.get().to_string());
                headers.insert(TIP, tip.to_string());
                headers.insert(ARRIVED, entry.arrived.get().to_string());
                (self.entries(line), entry.raw.clone())
            }
            (Topic::Seal(line), Record::Seal(seal)) => {
                let subject = format!("{}.s.{}.{}", self.name, line.logbook, line.device);
                (subject, seal_bytes(seal))
            }
            _ => unreachable!("a topic is worked out from its record"),
        };
        Outgoing {
            subject,
            headers,
            payload,
        }
    }

    /// Returns the record that a message is.
    pub(super) fn record(
        &self,
        subject: &str,
        headers: Option<&HeaderMap>,
        payload: &[u8],
    ) -> Result<Record, LogError> {
        let unfit = || LogError::Unfit(format!("a message on `{subject}` is no record of a hub"));
        let rest = subject.strip_prefix(&self.name).ok_or_else(unfit)?;
        let mut parts = rest.split('.').skip(1);
        match (parts.next(), parts.next()) {
            (Some("e"), _) => {
                let arrived = headers.and_then(|headers| number(headers, ARRIVED));
                Ok(Record::Entry(Followed {
                    arrived: WallMs::new(arrived.ok_or_else(unfit)?),
                    raw: payload.to_vec(),
                }))
            }
            (Some("s"), _) => seal(payload).map(Record::Seal).ok_or_else(unfit),
            (Some("a"), None) => Ok(Record::Access(payload.to_vec())),
            (Some("h"), Some(device)) => {
                let device = device.parse().map_err(|_| unfit())?;
                Ok(Record::Heard(device, payload.to_vec()))
            }
            _ => Err(unfit()),
        }
    }
}

/// A message on its way.
#[derive(Debug, Clone)]
pub(super) struct Outgoing {
    pub(super) subject: String,
    pub(super) headers: HeaderMap,
    pub(super) payload: Vec<u8>,
}

impl Outgoing {
    /// Publishes it only where the last message of its subject stands there.
    pub(super) fn expect(&mut self, last: u64) {
        self.headers
            .insert(NATS_EXPECTED_LAST_SUBJECT_SEQUENCE, last.to_string());
    }

    /// Publishes it only where the last message of these subjects stands there.
    pub(super) fn expect_of(&mut self, subjects: &str, last: u64) {
        self.expect(last);
        self.headers.insert(EXPECTED_OF, subjects);
    }
}

/// Returns which entry a stored message is.
pub(super) fn last(message: &StreamMessage) -> Result<Last, LogError> {
    let unfit = || {
        let subject = &message.subject;
        LogError::Unfit(format!(
            "a message on `{subject}` does not say which entry it is"
        ))
    };
    let seq = number(&message.headers, SEQ).and_then(Seq::new);
    let tip = message
        .headers
        .get(TIP)
        .map(|tip| tip.as_str().parse::<Tip>());
    Ok(Last {
        seq: seq.ok_or_else(unfit)?,
        tip: tip.and_then(Result::ok).ok_or_else(unfit)?,
        at: Position(message.sequence),
    })
}

fn number(headers: &HeaderMap, name: &str) -> Option<u64> {
    headers.get(name)?.as_str().parse().ok()
}

/// Logbook, key, number, link, signature: 152 bytes. Then, for each step of the seal's path, whether the
/// digest is the left one (1), and the digest.
fn seal_bytes(seal: &Seal) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(152 + 33 * seal.path.len());
    bytes.extend_from_slice(seal.logbook.bytes());
    bytes.extend_from_slice(&seal.key);
    bytes.extend_from_slice(&seal.seq.get().to_be_bytes());
    bytes.extend_from_slice(seal.link.bytes());
    bytes.extend_from_slice(&seal.signature);
    for step in &seal.path {
        bytes.push(u8::from(step.is_left));
        bytes.extend_from_slice(&step.digest);
    }
    bytes
}

fn seal(bytes: &[u8]) -> Option<Seal> {
    let (logbook, rest) = bytes.split_first_chunk::<16>()?;
    let (key, rest) = rest.split_first_chunk::<32>()?;
    let (seq, rest) = rest.split_first_chunk::<8>()?;
    let (link, rest) = rest.split_first_chunk::<32>()?;
    let (signature, rest) = rest.split_first_chunk::<64>()?;
    let (steps, []) = rest.as_chunks::<33>() else {
        return None;
    };
    let path = steps.iter().map(|step| match step.split_first()? {
        (0, digest) => Some(Step::right(digest.try_into().ok()?)),
        (1, digest) => Some(Step::left(digest.try_into().ok()?)),
        _ => None,
    });
    Some(Seal {
        logbook: LogbookId::from_bytes(*logbook),
        key: *key,
        seq: Seq::new(u64::from_be_bytes(*seq))?,
        link: Link::from_bytes(*link),
        path: path.collect::<Option<_>>()?,
        signature: *signature,
    })
}

/// Returns the stream of a log that is begun now.
pub(super) fn stream(name: &str, log_id: LogId, replicas: usize) -> Config {
    let metadata = [
        (LOG_ID.to_owned(), log_id.to_string()),
        (LAYOUT.to_owned(), LAYOUT_1.to_owned()),
    ];
    Config {
        name: name.to_owned(),
        subjects: vec![Subjects::of(name).all()],
        retention: RetentionPolicy::Limits,
        storage: StorageType::File,
        discard: DiscardPolicy::New,
        num_replicas: replicas,
        max_age: Duration::ZERO,
        deny_delete: true,
        deny_purge: true,
        allow_direct: false,
        allow_atomic_publish: true,
        metadata: metadata.into(),
        ..Config::default()
    }
}

/// Returns which log a stream is.
///
/// # Errors
/// [`LogError::Unfit`] where it is none, or is kept in a way by which records could go.
pub(super) fn log_id(config: &Config, replicas: usize) -> Result<LogId, LogError> {
    let name = &config.name;
    let unfit = |why: String| Err(LogError::Unfit(format!("the stream `{name}` {why}")));
    let id = config.metadata.get(LOG_ID).and_then(|id| id.parse().ok());
    let layout = config.metadata.get(LAYOUT).map(String::as_str);
    let (Some(id), Some(LAYOUT_1)) = (id, layout) else {
        return unfit("was not begun by a hub of this version".to_owned());
    };
    let must = stream(name, id, replicas);
    let limits = (
        config.max_bytes,
        config.max_messages,
        config.max_messages_per_subject,
    );
    let wrong = [
        (config.storage != must.storage, "is not on disk"),
        (
            config.retention != must.retention,
            "does not keep what was read",
        ),
        (
            config.discard != must.discard,
            "drops old records when it is full",
        ),
        (!config.max_age.is_zero(), "drops old records"),
        (!config.deny_delete, "lets records be deleted (deny_delete)"),
        (!config.deny_purge, "lets records be purged (deny_purge)"),
        (
            !config.allow_atomic_publish,
            "does not take batches whole (allow_atomic)",
        ),
        (
            config.allow_direct,
            "answers from copies that may lag (allow_direct)",
        ),
        (config.no_ack, "does not acknowledge"),
        (
            config.subjects != must.subjects,
            "takes other subjects than its own",
        ),
        (
            limits.1 > 0 || limits.2 > 0,
            "takes a limited number of messages",
        ),
    ];
    if let Some((_, why)) = wrong.into_iter().find(|(wrong, _)| *wrong) {
        return unfit(why.to_owned());
    }
    if config.num_replicas < replicas {
        let why = format!(
            "has {} copies, and {replicas} are asked for",
            config.num_replicas
        );
        return unfit(why);
    }
    Ok(id)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn id() -> LogId {
        LogId::from_bytes([8; 16])
    }

    #[test]
    fn a_stream_from_which_records_could_go_is_refused_by_name() {
        let check = |change: fn(&mut Config), why: &str| {
            let mut config = stream("west", id(), 3);
            assert_eq!(log_id(&config, 3).unwrap(), id());
            change(&mut config);
            let refused = log_id(&config, 3).unwrap_err().to_string();
            assert!(refused.contains(why), "{refused}");
        };
        check(|config| config.deny_delete = false, "deny_delete");
        check(|config| config.deny_purge = false, "deny_purge");
        check(|config| config.allow_atomic_publish = false, "allow_atomic");
        check(|config| config.allow_direct = true, "allow_direct");
        check(
            |config| config.max_age = Duration::from_secs(1),
            "drops old records",
        );
        check(
            |config| config.discard = DiscardPolicy::Old,
            "when it is full",
        );
        check(|config| config.storage = StorageType::Memory, "not on disk");
        check(
            |config| config.retention = RetentionPolicy::WorkQueue,
            "what was read",
        );
        check(
            |config| config.max_messages_per_subject = 1,
            "limited number",
        );
        check(|config| config.num_replicas = 1, "has 1 copies");
        check(|config| config.no_ack = true, "acknowledge");
        check(
            |config| config.subjects.push("other.>".to_owned()),
            "other subjects",
        );
        check(|config| config.metadata.clear(), "not begun by a hub");
    }

    #[test]
    fn a_seal_comes_back_as_it_went() {
        for path in [vec![], vec![Step::left([5; 32]), Step::right([6; 32])]] {
            let seal = Seal {
                logbook: LogbookId::from_bytes([1; 16]),
                key: [2; 32],
                seq: Seq::FIRST,
                link: Link::from_bytes([3; 32]),
                path,
                signature: [4; 64],
            };
            assert_eq!(super::seal(&seal_bytes(&seal)), Some(seal.clone()));
            assert_eq!(super::seal(&seal_bytes(&seal)[1..]), None);
        }
        assert_eq!(super::seal(&[]), None);
    }

    #[test]
    fn a_message_that_is_no_record_is_told_by_its_subject() {
        let subjects = Subjects::of("west");
        for subject in ["west.x.1", "east.a", "west.e.1.2", "west.h.none", "west"] {
            let read = subjects.record(subject, None, b"");
            assert!(
                matches!(read, Err(LogError::Unfit(_))),
                "{subject}: {read:?}"
            );
        }
        let access = subjects.record(&subjects.access(), None, b"it").unwrap();
        assert_eq!(access, Record::Access(b"it".to_vec()));
    }
}
