//! A log on NATS JetStream: one stream, replicated by the engine, that any number of hubs share.
//!
//! The engine does what is hard: it puts records in one order, on the disks of most of its nodes,
//! before it acknowledges them, and lets one of several who write to a line at once win. Nothing
//! here elects, replicates or repairs. Start at [`JetStreamLog::open`].

mod engine;
mod reading;
mod wire;

use std::future::Future;
use std::sync::mpsc::sync_channel;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use async_nats::header::NATS_BATCH_SEQUENCE;
use async_nats::header::{NATS_BATCH_COMMIT, NATS_BATCH_COMMIT_FINAL, NATS_BATCH_ID};
use async_nats::jetstream::message::StreamMessage;
use async_nats::jetstream::stream::{LastRawMessageErrorKind, RawMessageErrorKind};
use async_nats::jetstream::{self, Context};
use async_nats::{Client, Request};
use headwalk_core::log::id::{DeviceId, LogbookId};
use serde::Deserialize;
use tokio::runtime::Runtime;

use engine::ANSWER;
pub use engine::{Access, Address, NotAnAddress};
use reading::Reading;
use wire::{Outgoing, Subjects};

use super::appending::{Appending, Ask, Expect, Message};
use super::{Appended, HubLog, Last, Line, LogError, LogId, OnlyIf, Position, Record};
use crate::edge::Edge;

/// How long an append goes on asking before whoever waits is told that the log is out of reach.
const PATIENCE: Duration = Duration::from_secs(10);
/// How long to wait before the engine is asked again.
const PAUSE: Duration = Duration::from_millis(50);
/// How often a reading is opened anew before that is an error.
const READ_TRIES: u32 = 4;
/// How long a new hub waits for the engine.
const BEGINNING: Duration = Duration::from_secs(20);

/// The engine's word for: another message stands last. Twice, by how the condition was put.
const WRONG_LAST: [u64; 2] = [10_071, 10_164];
/// Its words for messages that it will never take: too large; batches not allowed; no such header in
/// a batch; the stream is sealed.
const NEVER: [u64; 5] = [10_054, 10_174, 10_177, 10_109, 10_052];

/// An open log.
#[derive(Debug)]
pub struct JetStreamLog {
    // First to go: what it runs holds the rest.
    runtime: Option<Runtime>,
    shared: Arc<Shared>,
    log_id: LogId,
    edge: Edge,
    reading: Mutex<Option<Reading>>,
}

impl std::fmt::Debug for Reading {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Reading").finish_non_exhaustive()
    }
}

#[derive(Debug)]
struct Shared {
    client: Client,
    context: Context,
    subjects: Subjects,
    name: String,
}

/// What the engine said to messages.
enum Said {
    Published(u64),
    LostRace,
    Nothing(String),
}

impl JetStreamLog {
    /// Opens the log at an address, or begins it there as `new`.
    ///
    /// # Errors
    /// [`LogError::Unfit`] where the engine is too old, would acknowledge what is not on disk, or
    /// keeps the stream in a way by which records could go; [`LogError::Unreachable`].
    pub fn open(access: &Access, new: LogId, edge: Edge) -> Result<Self, LogError> {
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .worker_threads(1)
            .thread_name("log")
            .enable_all()
            .build()
            .map_err(|cause| LogError::Unfit(format!("no threads can be had: {cause}")))?;
        let began = edge.running();
        let (shared, log_id, nodes) = loop {
            let (asked, replicas) = (access.clone(), access.replicas);
            match wait(&runtime, async move { begin(&asked, new, replicas).await }) {
                Err(LogError::Unreachable(_))
                    if edge.running().saturating_sub(began) < BEGINNING =>
                {
                    std::thread::sleep(PAUSE * 4);
                }
                other => break other?,
            }
        };
        engine::check_disks(&access.monitors, &nodes)?;
        Ok(Self {
            runtime: Some(runtime),
            shared: Arc::new(shared),
            log_id,
            edge,
            reading: Mutex::new(None),
        })
    }

    fn ask<T: Send + 'static>(&self, work: impl Future<Output = T> + Send + 'static) -> T {
        wait(self.runtime.as_ref().expect("it is open"), work)
    }

    fn last(&self, line: Line) -> Result<Option<Last>, LogError> {
        let shared = Arc::clone(&self.shared);
        let subject = shared.subjects.entries(line);
        let found = self.ask(async move { shared.last_of(&subject).await })?;
        found.as_ref().map(wire::last).transpose()
    }

    fn whole(&self, line: Line) -> Result<Vec<Last>, LogError> {
        let shared = Arc::clone(&self.shared);
        let subject = shared.subjects.entries(line);
        let found = self.ask(async move { shared.whole(&subject).await })?;
        found.iter().map(wire::last).collect()
    }

    fn publish(&self, appending: &Appending<'_>, asked: &[Message]) -> Result<Said, LogError> {
        let subjects = &self.shared.subjects;
        let mut messages = Vec::with_capacity(asked.len());
        for message in asked {
            let mut out = subjects.outgoing(message.topic, appending.message(message));
            match message.expect {
                None => {}
                Some(Expect::LineAt(at)) => out.expect(at.0),
                Some(Expect::LogbookAt(logbook, at)) => {
                    match self.last_in(logbook)? {
                        last if last > at => return Ok(Said::LostRace),
                        last => out.expect_of(&subjects.logbook(logbook), last.0),
                    };
                }
            }
            messages.push(out);
        }
        let shared = Arc::clone(&self.shared);
        self.ask(async move { shared.publish(messages).await })
    }

    fn last_in(&self, logbook: LogbookId) -> Result<Position, LogError> {
        let shared = Arc::clone(&self.shared);
        let subjects = shared.subjects.logbook(logbook);
        let last = self.ask(async move { shared.last_of(&subjects).await })?;
        Ok(Position(last.map_or(0, |last| last.sequence)))
    }
}

impl Drop for JetStreamLog {
    fn drop(&mut self) {
        if let Some(runtime) = self.runtime.take() {
            runtime.shutdown_background(); // whatever it still waits for is nobody's any more
        }
    }
}

impl HubLog for JetStreamLog {
    fn log_id(&self) -> LogId {
        self.log_id
    }

    fn append(&self, records: &[Record], only_if: OnlyIf) -> Result<Appended, LogError> {
        let mut appending = Appending::new(records, only_if)?;
        let began = self.edge.running();
        loop {
            let said = match appending.ask()? {
                Ask::Done(appended) => return Ok(appended),
                Ask::Last(line) => self.last(line).map(|last| {
                    appending.heard_last(line, last);
                    None
                }),
                Ask::Whole(line) => self.whole(line).map(|whole| {
                    appending.heard_whole(line, &whole);
                    None
                }),
                Ask::Publish(messages) => self.publish(&appending, &messages).map(Some),
            };
            let why = match said {
                Ok(None) => continue,
                Ok(Some(Said::Published(at))) => {
                    appending.published(Position(at));
                    continue;
                }
                Ok(Some(Said::LostRace)) => {
                    appending.lost_race();
                    "others write to the same lines without end".to_owned()
                }
                Ok(Some(Said::Nothing(why))) | Err(LogError::Unreachable(why)) => {
                    appending.no_answer();
                    std::thread::sleep(PAUSE);
                    why
                }
                Err(other) => return Err(other),
            };
            if self.edge.running().saturating_sub(began) > PATIENCE {
                return Err(LogError::Unreachable(why));
            }
        }
    }

    fn append_access(&self, change: &[u8], last: Position) -> Result<Option<Position>, LogError> {
        let mut out = Outgoing {
            subject: self.shared.subjects.access(),
            headers: async_nats::HeaderMap::new(),
            payload: change.to_vec(),
        };
        out.expect(last.0);
        let began = self.edge.running();
        let mut said_before = false;
        loop {
            let (shared, message) = (Arc::clone(&self.shared), out.clone());
            let why = match self.ask(async move { shared.publish(vec![message]).await })? {
                Said::Published(at) => return Ok(Some(Position(at))),
                // Unless it was this very change, whose answer was lost: it holds a secret's digest
                // or a moment that no other has.
                Said::LostRace if said_before => {
                    let (shared, subject) = (Arc::clone(&self.shared), out.subject.clone());
                    let next = async move { shared.next_of(&subject, last.0 + 1).await };
                    match self.ask(next) {
                        Ok(Some(next)) if next.payload == change => {
                            return Ok(Some(Position(next.sequence)));
                        }
                        Ok(_) => return Ok(None),
                        Err(LogError::Unreachable(why)) => why,
                        Err(error) => return Err(error),
                    }
                }
                Said::LostRace => return Ok(None),
                Said::Nothing(why) => {
                    said_before = true;
                    why
                }
            };
            if self.edge.running().saturating_sub(began) > PATIENCE {
                return Err(LogError::Unreachable(why));
            }
            std::thread::sleep(PAUSE);
        }
    }

    fn append_heard(&self, heard: &[(DeviceId, Vec<u8>)]) -> Result<(), LogError> {
        let out = |(device, bytes): &(DeviceId, Vec<u8>)| Outgoing {
            subject: self.shared.subjects.heard(*device),
            headers: async_nats::HeaderMap::new(),
            payload: bytes.clone(),
        };
        for some in heard.chunks(super::appending::MOST_AT_ONCE) {
            let (shared, out) = (Arc::clone(&self.shared), some.iter().map(out).collect());
            match self.ask(async move { shared.publish(out).await })? {
                Said::Published(_) => {}
                Said::LostRace => unreachable!("there is no condition on it"),
                Said::Nothing(why) => return Err(LogError::Unreachable(why)),
            }
        }
        Ok(())
    }

    fn read(
        &self,
        after: Position,
        limit: usize,
        wait: Duration,
    ) -> Result<Vec<(Position, Record)>, LogError> {
        // One reader at a time; the one that a hub has reads on from where it stands.
        let mut kept = self.reading.lock().unwrap_or_else(PoisonError::into_inner);
        let mut open = kept.take().filter(|reading| reading.stands_at(after));
        let mut tries = READ_TRIES;
        loop {
            let (shared, reading) = (Arc::clone(&self.shared), open.take());
            let read = self.ask(async move {
                let mut reading = match reading {
                    Some(reading) => reading,
                    None => Reading::open(&shared.context, &shared.name, after).await?,
                };
                let read = reading.next(&shared.subjects, limit, wait).await?;
                Ok::<_, LogError>((reading, read))
            });
            match read {
                Ok((reading, read)) => {
                    // A node that died may have taken along what it had begun to give; the one after
                    // it holds that for given, and says nothing more until something new comes.
                    let silent = read.is_empty() && self.end().is_ok_and(|end| end > after);
                    *kept = Some(reading).filter(|_| !silent);
                    return Ok(read);
                }
                // A reading that was just opened, or whose node has gone, is known to the others
                // a moment later.
                Err(LogError::Unreachable(_)) if tries > 0 => {
                    tries -= 1;
                    std::thread::sleep(PAUSE);
                }
                Err(error) => return Err(error),
            }
        }
    }

    fn end(&self) -> Result<Position, LogError> {
        let shared = Arc::clone(&self.shared);
        self.ask(async move {
            let stream = shared.context.get_stream(&shared.name).await;
            let stream = stream.map_err(|error| LogError::Unreachable(error.to_string()))?;
            Ok(Position(stream.cached_info().state.last_sequence))
        })
    }

    fn head(&self, line: Line) -> Result<Option<Last>, LogError> {
        self.last(line)
    }
}

/// Waits for work on the runtime. The thread that waits may be a thread of another runtime.
fn wait<T: Send + 'static>(runtime: &Runtime, work: impl Future<Output = T> + Send + 'static) -> T {
    let (sender, done) = sync_channel(1);
    runtime.spawn(async move {
        // Whoever waited is there until it is sent.
        let _received = sender.send(work.await);
    });
    done.recv()
        .expect("the runtime is open, and work does not panic")
}

async fn begin(
    access: &Access,
    new: LogId,
    replicas: usize,
) -> Result<(Shared, LogId, std::collections::BTreeSet<String>), LogError> {
    let client = access.connect().await?;
    let server = client.server_info();
    engine::check_version("the engine", &server.version)?;
    let mut context = jetstream::new(client.clone());
    context.set_timeout(ANSWER);
    let name = access.address.name.clone();
    let unreachable = |why: String| LogError::Unreachable(why);
    let info = match context.get_stream(&name).await {
        Ok(stream) => stream.cached_info().clone(),
        Err(_) => {
            // Of two hubs that begin it at once one is told that it is there.
            let made = context
                .create_stream(wire::stream(&name, new, replicas))
                .await;
            match made {
                Ok(stream) => stream.cached_info().clone(),
                Err(error) => {
                    let there = context.get_stream(&name).await;
                    let there = there.map_err(|_| unreachable(error.to_string()))?;
                    there.cached_info().clone()
                }
            }
        }
    };
    let log_id = wire::log_id(&info.config, replicas)?;
    if info
        .cluster
        .as_ref()
        .is_some_and(|cluster| cluster.leader.is_none())
    {
        return Err(unreachable("the stream has no leader yet".to_owned()));
    }
    let nodes = engine::nodes_of(&context, &info);
    let shared = Shared {
        client,
        context,
        subjects: Subjects::of(&name),
        name,
    };
    Ok((shared, log_id, nodes))
}

/// What the engine answers to a message or a batch.
#[derive(Deserialize)]
struct Acknowledged {
    seq: Option<u64>,
    error: Option<Complaint>,
}

#[derive(Deserialize)]
struct Complaint {
    #[serde(default)]
    err_code: u64,
    #[serde(default)]
    description: String,
}

impl Shared {
    /// Publishes messages, all or none.
    async fn publish(&self, mut messages: Vec<Outgoing>) -> Result<Said, LogError> {
        let count = messages.len();
        let Some(mut last) = messages.pop() else {
            return Err(LogError::Unfit("nothing was to be published".to_owned()));
        };
        if count > 1 {
            let batch = self.client.new_inbox();
            let batch = batch.rsplit('.').next().unwrap_or_default().to_owned();
            for (message, number) in messages.into_iter().zip(1_usize..) {
                let mut headers = message.headers;
                headers.insert(NATS_BATCH_ID, batch.as_str());
                headers.insert(NATS_BATCH_SEQUENCE, number.to_string());
                let (subject, payload) = (message.subject, message.payload.into());
                let sent = self
                    .client
                    .publish_with_headers(subject, headers, payload)
                    .await;
                if let Err(error) = sent {
                    return Ok(Said::Nothing(error.to_string()));
                }
            }
            last.headers.insert(NATS_BATCH_ID, batch.as_str());
            last.headers.insert(NATS_BATCH_SEQUENCE, count.to_string());
            last.headers
                .insert(NATS_BATCH_COMMIT, NATS_BATCH_COMMIT_FINAL);
        }
        let request = Request::new()
            .headers(last.headers)
            .payload(last.payload.into());
        let answer = match self.client.send_request(last.subject, request).await {
            Ok(answer) => answer,
            Err(error) => return Ok(Said::Nothing(error.to_string())),
        };
        let Ok(said) = serde_json::from_slice::<Acknowledged>(&answer.payload) else {
            return Ok(Said::Nothing("its answer cannot be read".to_owned()));
        };
        match (said.seq, said.error) {
            (_, Some(error)) if WRONG_LAST.contains(&error.err_code) => Ok(Said::LostRace),
            (_, Some(error)) if NEVER.contains(&error.err_code) => {
                Err(LogError::Unfit(error.description))
            }
            (_, Some(error)) => Ok(Said::Nothing(error.description)),
            (Some(seq), None) if seq > 0 => Ok(Said::Published(seq)),
            _ => Ok(Said::Nothing("its answer says nothing".to_owned())),
        }
    }

    /// Returns the last message of these subjects, from the stream's leader.
    async fn last_of(&self, subjects: &str) -> Result<Option<StreamMessage>, LogError> {
        let unreachable = |why: String| LogError::Unreachable(why);
        let stream = self.context.get_stream_no_info(&self.name).await;
        let stream = stream.map_err(|error| unreachable(error.to_string()))?;
        match stream.get_last_raw_message_by_subject(subjects).await {
            Ok(message) => Ok(Some(message)),
            Err(error) if error.kind() == LastRawMessageErrorKind::NoMessageFound => Ok(None),
            Err(error) => Err(unreachable(error.to_string())),
        }
    }

    /// Returns the first message of a subject from a sequence on, from the stream's leader.
    async fn next_of(&self, subject: &str, from: u64) -> Result<Option<StreamMessage>, LogError> {
        let unreachable = |why: String| LogError::Unreachable(why);
        let stream = self.context.get_stream_no_info(&self.name).await;
        let stream = stream.map_err(|error| unreachable(error.to_string()))?;
        match stream.get_first_raw_message_by_subject(subject, from).await {
            Ok(message) => Ok(Some(message)),
            Err(error) if error.kind() == RawMessageErrorKind::NoMessageFound => Ok(None),
            Err(error) => Err(unreachable(error.to_string())),
        }
    }

    /// Returns all messages of a subject, one by one: it is seldom asked.
    async fn whole(&self, subject: &str) -> Result<Vec<StreamMessage>, LogError> {
        let (mut found, mut from) = (Vec::new(), 1);
        while let Some(message) = self.next_of(subject, from).await? {
            from = message.sequence + 1;
            found.push(message);
        }
        Ok(found)
    }
}
