//! How records are appended to a log that any number of hubs write to at once, without a word
//! between them. Sans-IO: it says what to ask of the log, and is told what the log said.
//!
//! Of each line that is to go on, the last entry is asked for; what stands there already is left out;
//! the rest is published in pieces, each whole or not at all, on the condition that those entries
//! are still the last of their lines. Where they are not, or where no answer came, it begins again
//! with the same questions, so that a lost answer and a lost race take one path. Start at
//! [`Appending::new`].

use std::collections::{BTreeMap, BTreeSet};

use headwalk_core::log::chain::{Mark, Tip};
use headwalk_core::log::codec;
use headwalk_core::log::id::{DeviceId, LogbookId, Seq};

use super::{Appended, Last, Line, LogError, OnlyIf, Position, Record};

/// How many records are appended whole or not at all, at most.
pub const MOST_AT_ONCE: usize = 500;
/// How many bytes of them, at most.
pub const MOST_BYTES_AT_ONCE: usize = 4 * 1024 * 1024;

/// What to ask of the log next.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Ask {
    /// Which entry of this line is its last.
    Last(Line),
    /// All entries of this line.
    Whole(Line),
    /// Publish these records, all or none: see [`Appending::message`].
    Publish(Vec<Message>),
    /// Nothing: it is done.
    Done(Appended),
}

/// One record on its way.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Message {
    /// Which of the records.
    pub record: usize,
    /// What it is about: a line's entry, or a seal of that line.
    pub topic: Topic,
    /// Where the last entry of that topic must stand; a line's later entries in one piece follow
    /// from its first.
    pub expect: Option<Expect>,
}

/// What a record is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Topic {
    /// An entry of a line, known by its number and tip.
    Entry(Line, Seq, Tip),
    /// A seal of a line.
    Seal(Line),
}

/// A condition on where things stand.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Expect {
    /// The line's last entry stands there; at the start there is none.
    LineAt(Position),
    /// The logbook's last entry, of whatever line, stands there or before.
    LogbookAt(LogbookId, Position),
}

/// Records on their way into a log.
#[derive(Debug)]
pub struct Appending<'a> {
    records: &'a [Record],
    topics: Vec<Topic>,
    before: Vec<Option<Mark>>,
    only_if: OnlyIf,
    only_if_failed: bool,
    // What is known of each line; gone when somebody else may have moved it.
    lines: BTreeMap<Line, Known>,
    // The records that are not known to be in the log.
    open: Vec<usize>,
    sent: Vec<usize>,
    appended: Appended,
}

#[derive(Debug, Clone)]
struct Known {
    last: Option<Last>,
    whole: Option<BTreeSet<(Seq, Tip)>>,
}

/// An entry of the batch.
#[derive(Debug, Clone, Copy)]
struct Named {
    seq: Seq,
    prev: Tip,
    tip: Tip,
}

impl<'a> Appending<'a> {
    /// Begins with entries and seals.
    ///
    /// # Errors
    /// [`LogError::NotAnEntry`] for bytes that are no entry; [`LogError::Unfit`] for a seal that its
    /// device did not make, and for any other record.
    pub fn new(records: &'a [Record], only_if: OnlyIf) -> Result<Self, LogError> {
        let (mut topics, mut before) = (Vec::new(), Vec::new());
        for record in records {
            let (topic, prev) = match record {
                Record::Entry(entry) => {
                    let read = codec::decode(&entry.raw)?;
                    let line = Line {
                        logbook: read.logbook,
                        device: read.device,
                    };
                    let prev = read.seq.previous().map(|seq| Mark {
                        device: read.device,
                        seq,
                        tip: read.prev,
                    });
                    (Topic::Entry(line, read.seq, Tip::of(&entry.raw)), prev)
                }
                Record::Seal(seal) => {
                    let forged = || LogError::Unfit("a seal is not its device's own".to_owned());
                    let line = Line {
                        logbook: seal.logbook,
                        device: seal.device().ok_or_else(forged)?,
                    };
                    (Topic::Seal(line), None)
                }
                Record::Access(_) | Record::Heard(..) | Record::Strange(_) => {
                    let why = "only entries and seals are appended so";
                    return Err(LogError::Unfit(why.to_owned()));
                }
            };
            topics.push(topic);
            before.push(prev);
        }
        Ok(Self {
            records,
            topics,
            before,
            only_if,
            only_if_failed: false,
            lines: BTreeMap::new(),
            open: (0..records.len()).collect(),
            sent: Vec::new(),
            appended: Appended::default(),
        })
    }

    /// Returns what to ask now.
    ///
    /// # Errors
    /// [`LogError::Gap`] where an entry's predecessor is nowhere; [`LogError::Moved`] where the
    /// caller's condition did not hold.
    pub fn ask(&mut self) -> Result<Ask, LogError> {
        let mut by_line: BTreeMap<Line, Vec<usize>> = BTreeMap::new();
        for &record in &self.open {
            if let Topic::Entry(line, ..) = self.topics[record] {
                by_line.entry(line).or_default().push(record);
            }
        }
        for (line, records) in &by_line {
            let Some(known) = self.lines.get(line).cloned() else {
                return Ok(Ask::Last(*line));
            };
            match self.missing(records, &known)? {
                None => return Ok(Ask::Whole(*line)),
                Some(missing) => {
                    let held: BTreeSet<_> = records
                        .iter()
                        .filter(|one| !missing.contains(one))
                        .collect();
                    self.appended.held += held.len();
                    self.open.retain(|one| !held.contains(one));
                    if let Some(last) = known.last {
                        self.appended.up_to = self.appended.up_to.max(last.at);
                    }
                }
            }
        }
        if self.open.is_empty() {
            return Ok(Ask::Done(self.appended));
        }
        if self.only_if_failed {
            return Err(LogError::Moved); // and it was not by these very records
        }
        Ok(Ask::Publish(self.piece()))
    }

    /// Returns which of a line's records the log lacks; none where that takes the whole line.
    fn missing(&self, records: &[usize], known: &Known) -> Result<Option<Vec<usize>>, LogError> {
        let named = |record: usize| match self.topics[record] {
            Topic::Entry(line, seq, tip) => {
                let prev = self.before[record].map_or(Tip::NONE, |mark| mark.tip);
                (line.device, Named { seq, prev, tip })
            }
            Topic::Seal(_) => unreachable!("a line's records are entries"),
        };
        if let Some(whole) = &known.whole {
            let (mut there, mut missing) = (whole.clone(), Vec::new());
            for &record in records {
                let (device, Named { seq, prev, tip }) = named(record);
                if there.contains(&(seq, tip)) {
                    continue;
                }
                let follows = seq
                    .previous()
                    .is_none_or(|seq| there.contains(&(seq, prev)));
                if !follows {
                    return Err(LogError::Gap { device, seq });
                }
                there.insert((seq, tip));
                missing.push(record);
            }
            return Ok(Some(missing));
        }
        let one_chain = records.windows(2).all(|pair| {
            let (Named { seq, tip, .. }, next) = (named(pair[0]).1, named(pair[1]).1);
            (next.seq, next.prev) == (seq.next(), tip)
        });
        let Some(first) = records.first().map(|first| named(*first).1) else {
            return Ok(Some(Vec::new()));
        };
        let Some(last) = known.last else {
            return match first.seq == Seq::FIRST && one_chain {
                true => Ok(Some(records.to_vec())),
                false if one_chain => Err(LogError::Gap {
                    device: named(records[0]).0,
                    seq: first.seq,
                }),
                false => Ok(None),
            };
        };
        if !one_chain {
            return Ok(None);
        }
        if (first.seq, first.prev) == (last.seq.next(), last.tip) {
            return Ok(Some(records.to_vec()));
        }
        // The last is among them, so all before it are there as well: each names its predecessor.
        let is_last = |record: &&usize| {
            let Named { seq, tip, .. } = named(**record).1;
            (seq, tip) == (last.seq, last.tip)
        };
        let found = records.iter().position(|record| is_last(&record));
        Ok(found.map(|at| records[at + 1..].to_vec()))
    }

    /// The next records that go together.
    fn piece(&mut self) -> Vec<Message> {
        let (mut messages, mut bytes) = (Vec::new(), 0);
        let mut begun = BTreeSet::new();
        let mut only_if = self.only_if;
        for &record in &self.open {
            if let Record::Entry(entry) = &self.records[record] {
                bytes += entry.raw.len();
            }
            let full = messages.len() >= MOST_AT_ONCE || bytes > MOST_BYTES_AT_ONCE;
            if full && !messages.is_empty() {
                break;
            }
            let topic = self.topics[record];
            let expect = match topic {
                Topic::Entry(line, ..) if begun.insert(line) => match only_if {
                    // It says all that the line's own would, and more.
                    Some((logbook, at)) if logbook == line.logbook => {
                        only_if = None;
                        Some(Expect::LogbookAt(logbook, at))
                    }
                    _ => {
                        let last = self.lines.get(&line).and_then(|known| known.last);
                        Some(Expect::LineAt(last.map_or(Position::START, |last| last.at)))
                    }
                },
                _ => None,
            };
            messages.push(Message {
                record,
                topic,
                expect,
            });
        }
        self.sent = messages.iter().map(|message| message.record).collect();
        messages
    }

    /// Returns the record of a message.
    pub fn message(&self, message: &Message) -> &'a Record {
        &self.records[message.record]
    }

    /// Hears which entry of a line is its last.
    pub fn heard_last(&mut self, line: Line, last: Option<Last>) {
        self.lines.insert(line, Known { last, whole: None });
    }

    /// Hears all entries of a line, in their order.
    pub fn heard_whole(&mut self, line: Line, entries: &[Last]) {
        let whole = entries.iter().map(|entry| (entry.seq, entry.tip)).collect();
        let known = Known {
            last: entries.last().copied(),
            whole: Some(whole),
        };
        self.lines.insert(line, known);
    }

    /// Hears that what was published stands in the log, the last of it at `at`.
    pub fn published(&mut self, at: Position) {
        let sent = std::mem::take(&mut self.sent);
        for &record in &sent {
            if let Topic::Entry(line, seq, tip) = self.topics[record] {
                self.appended.new += 1;
                let branches = self.lines.get(&line).is_some_and(|known| {
                    let taken = |whole: &BTreeSet<(Seq, Tip)>| {
                        whole
                            .iter()
                            .any(|(taken, other)| *taken == seq && *other != tip)
                    };
                    known.whole.as_ref().is_some_and(taken)
                });
                self.appended.branched += usize::from(branches);
            }
        }
        self.open.retain(|record| !sent.contains(record));
        self.appended.up_to = self.appended.up_to.max(at);
        // The condition was on the first piece: by the next, its own entries stand there.
        self.only_if = None;
        self.lines.clear();
    }

    /// Hears that something stands elsewhere than was expected.
    pub fn lost_race(&mut self) {
        self.only_if_failed = self.only_if.is_some();
        self.begin_again();
    }

    /// Hears nothing: what was asked may have been done or not, or be done yet.
    pub fn no_answer(&mut self) {
        self.begin_again();
    }

    fn begin_again(&mut self) {
        self.sent.clear();
        self.lines.clear();
    }
}

/// Returns the line of an entry.
///
/// # Errors
/// [`LogError::NotAnEntry`] for bytes that are no entry.
pub fn line_of(raw: &[u8]) -> Result<Line, LogError> {
    let (logbook, device): (LogbookId, DeviceId) = codec::peek(raw)?;
    Ok(Line { logbook, device })
}
