//! Reading a stream in order, from where the reader stands, whoever of its nodes is there.

use std::time::Duration;

use async_nats::jetstream::Context;
use async_nats::jetstream::consumer::{AckPolicy, DeliverPolicy, pull};
use futures_util::StreamExt;
use tokio::time::timeout;

use super::wire::Subjects;
use crate::hub_log::{LogError, Position, Record};

/// How much is asked for at a time.
const AT_A_TIME: usize = 1_000;
/// How long records that are on their way are waited for, once there is one.
const MORE: Duration = Duration::from_millis(1);
/// Without a sign of life for twice as long, the engine is asked by another way.
const HEARTBEAT: Duration = Duration::from_millis(500);

/// An open reading. It keeps nothing that the engine could not give again.
pub(super) struct Reading {
    messages: pull::Stream,
    read: u64,
}

impl Reading {
    pub(super) async fn open(
        context: &Context,
        name: &str,
        after: Position,
    ) -> Result<Self, LogError> {
        let unreachable = |why: String| LogError::Unreachable(why);
        let stream = context.get_stream_no_info(name).await;
        let stream = stream.map_err(|error| unreachable(error.to_string()))?;
        let config = pull::Config {
            deliver_policy: DeliverPolicy::ByStartSequence {
                start_sequence: after.0 + 1,
            },
            ack_policy: AckPolicy::None,
            inactive_threshold: Duration::from_secs(60),
            num_replicas: 1,
            memory_storage: true,
            ..pull::Config::default()
        };
        let consumer = stream.create_consumer(config).await;
        let consumer = consumer.map_err(|error| unreachable(error.to_string()))?;
        let messages = consumer
            .stream()
            .max_messages_per_batch(AT_A_TIME)
            .expires(Duration::from_secs(5))
            .heartbeat(HEARTBEAT)
            .messages()
            .await;
        Ok(Self {
            messages: messages.map_err(|error| unreachable(error.to_string()))?,
            read: after.0,
        })
    }

    pub(super) const fn stands_at(&self, position: Position) -> bool {
        self.read == position.0
    }

    /// Returns what comes next; nothing where nothing comes in time.
    pub(super) async fn next(
        &mut self,
        subjects: &Subjects,
        limit: usize,
        wait: Duration,
    ) -> Result<Vec<(Position, Record)>, LogError> {
        let mut records = Vec::new();
        while records.len() < limit {
            let wait = if records.is_empty() { wait } else { MORE };
            let message = match timeout(wait, self.messages.next()).await {
                Err(_) => break,
                Ok(None) => return Err(LogError::Unreachable("the reading ended".to_owned())),
                Ok(Some(Err(error))) => return Err(LogError::Unreachable(error.to_string())),
                Ok(Some(Ok(message))) => message,
            };
            let at = message.info().map(|info| info.stream_sequence);
            let at = at.map_err(|error| LogError::Unreachable(error.to_string()))?;
            if at != self.read + 1 {
                return Err(LogError::Unreachable(format!(
                    "record {at} came after record {}",
                    self.read
                )));
            }
            let (headers, payload) = (message.headers.as_ref(), &message.payload);
            let record = subjects.record(&message.subject, headers, payload);
            let record = record.unwrap_or_else(|error| Record::Strange(error.to_string()));
            self.read = at;
            records.push((Position(at), record));
        }
        Ok(records)
    }
}
