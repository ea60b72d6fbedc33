//! A log in memory, for tests: it forgets everything with the process, and fails when it is told to.

use std::collections::BTreeMap;
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use headwalk_core::log::id::DeviceId;

use super::appending::{Appending, Ask, Expect, Message, Topic};
use super::{Appended, HubLog, Last, Line, LogError, LogId, OnlyIf, Position, Record};

/// A log in memory. Hubs that share one behave as a fleet does.
#[derive(Debug)]
pub struct MemoryLog {
    id: LogId,
    kept: Mutex<Kept>,
    moved: Condvar,
}

#[derive(Debug, Default)]
struct Kept {
    records: Vec<Record>,
    lines: BTreeMap<Line, Vec<Last>>,
    access: Position,
    faults: Faults,
}

/// What goes wrong, until it is told otherwise.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Faults {
    /// Nothing is answered, and nothing is done.
    pub unreachable: bool,
    /// So many pieces are taken from now on whose answers are lost.
    pub lost_answers: u32,
}

impl MemoryLog {
    /// Begins an empty log.
    pub fn new(id: LogId) -> Self {
        Self {
            id,
            kept: Mutex::default(),
            moved: Condvar::new(),
        }
    }

    /// Makes it fail so from now on.
    pub fn fail(&self, faults: Faults) {
        self.kept().faults = faults;
        self.moved.notify_all();
    }

    fn kept(&self) -> MutexGuard<'_, Kept> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn reached(&self) -> Result<MutexGuard<'_, Kept>, LogError> {
        let kept = self.kept();
        match kept.faults.unreachable {
            true => Err(LogError::Unreachable("the log was told so".to_owned())),
            false => Ok(kept),
        }
    }
}

impl Kept {
    fn end(&self) -> Position {
        Position(self.records.len() as u64)
    }

    fn meets(&self, message: &Message) -> bool {
        match (message.expect, message.topic) {
            (Some(Expect::LineAt(at)), Topic::Entry(line, ..)) => {
                let last = self.lines.get(&line).and_then(|line| line.last());
                last.map_or(Position::START, |last| last.at) == at
            }
            (Some(Expect::LogbookAt(logbook, at)), _) => {
                let lines = self.lines.iter();
                let of_logbook = lines.filter(|(line, _)| line.logbook == logbook);
                of_logbook
                    .filter_map(|(_, line)| line.last())
                    .all(|last| last.at <= at)
            }
            _ => true,
        }
    }

    fn publish(
        &mut self,
        appending: &Appending<'_>,
        messages: &[Message],
    ) -> Result<Position, LostRace> {
        if !messages.iter().all(|message| self.meets(message)) {
            return Err(LostRace);
        }
        for message in messages {
            self.records.push(appending.message(message).clone());
            let at = self.end();
            if let Topic::Entry(line, seq, tip) = message.topic {
                self.lines
                    .entry(line)
                    .or_default()
                    .push(Last { seq, tip, at });
            }
        }
        Ok(self.end())
    }
}

struct LostRace;

impl HubLog for MemoryLog {
    fn log_id(&self) -> LogId {
        self.id
    }

    fn append(&self, records: &[Record], only_if: OnlyIf) -> Result<Appended, LogError> {
        let mut appending = Appending::new(records, only_if)?;
        loop {
            let asked = appending.ask()?;
            let mut kept = self.reached()?;
            match asked {
                Ask::Done(appended) => return Ok(appended),
                Ask::Last(line) => {
                    let last = kept.lines.get(&line).and_then(|line| line.last().copied());
                    appending.heard_last(line, last);
                }
                Ask::Whole(line) => {
                    let whole = kept.lines.get(&line).cloned().unwrap_or_default();
                    appending.heard_whole(line, &whole);
                }
                Ask::Publish(messages) => match kept.publish(&appending, &messages) {
                    Ok(_) if kept.faults.lost_answers > 0 => {
                        kept.faults.lost_answers -= 1;
                        appending.no_answer();
                    }
                    Ok(at) => appending.published(at),
                    Err(LostRace) => appending.lost_race(),
                },
            }
            drop(kept);
            self.moved.notify_all();
        }
    }

    fn append_access(&self, change: &[u8], last: Position) -> Result<Option<Position>, LogError> {
        let mut kept = self.reached()?;
        if kept.access != last {
            return Ok(None);
        }
        kept.records.push(Record::Access(change.to_vec()));
        kept.access = kept.end();
        self.moved.notify_all();
        Ok(Some(kept.access))
    }

    fn append_heard(&self, heard: &[(DeviceId, Vec<u8>)]) -> Result<(), LogError> {
        let heard = heard.iter().cloned();
        let records = heard.map(|(device, bytes)| Record::Heard(device, bytes));
        self.reached()?.records.extend(records);
        self.moved.notify_all();
        Ok(())
    }

    fn read(
        &self,
        after: Position,
        limit: usize,
        wait: Duration,
    ) -> Result<Vec<(Position, Record)>, LogError> {
        let nothing_new = |kept: &mut Kept| kept.end() <= after && !kept.faults.unreachable;
        let waited = self
            .moved
            .wait_timeout_while(self.kept(), wait, nothing_new);
        drop(waited.unwrap_or_else(PoisonError::into_inner));
        let kept = self.reached()?;
        let records = kept.records.iter().enumerate().skip(after.0 as usize);
        let records = records.map(|(at, record)| (Position(at as u64 + 1), record.clone()));
        Ok(records.take(limit).collect())
    }

    fn end(&self) -> Result<Position, LogError> {
        Ok(self.reached()?.end())
    }

    fn head(&self, line: Line) -> Result<Option<Last>, LogError> {
        let kept = self.reached()?;
        Ok(kept.lines.get(&line).and_then(|line| line.last().copied()))
    }
}
