//! A decision as the changes of one entry.

use std::collections::BTreeMap;

use chrono::NaiveDate;

use super::record::{Saying, closed, date};
use super::{Act, Asks, DayEnd, Decided, Line, LineKey, Listed, Offer, Subject, Today};
use crate::log::chain::Mark;
use crate::log::entry::Change;
use crate::log::id::{LogbookId, ThingId};
use crate::log::value::{HowKnown, Value};
use crate::site::apart::joined;
use crate::site::fields::{any, device, finding, seen, visit};
use crate::site::finding::Status;
use crate::site::money::Money;
use crate::site::things::{Site, observe, set};
use crate::site::visit::VisitState;
use crate::site::words::Vocabulary;

/// How long an offer lasts where the price book says nothing is for the estimate to say; what is
/// written down here is that the client was told, and what.
const TOLD: &str = "told";
/// What the table of fields takes as a quote.
const MOST_QUOTED: Money = Money::cents(1_000_000_000);
/// How many lines a day can be closed with: as many as fit an entry.
const MOST_HOLES: usize = 200;

/// What a person decides about a line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answer {
    /// What.
    pub act: Act,
    /// Which version, where one is chosen.
    pub version: Option<usize>,
    /// What was said with it: why, who, a day, a price, how many. What the offer asks for.
    pub words: String,
    /// What the line rested on when they read it.
    pub basis: String,
}

/// Why a decision was not taken.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CannotDecide {
    /// Somebody decided it before.
    #[error("{} decided this at {}: {}", .0.by, .0.time(), .0.words)]
    Already(Box<Decided>),
    /// The line is not what it was, and nobody decided it here.
    #[error("this line has changed since you read it: read it again")]
    Changed,
    /// There is no such line, and nobody decided one today.
    #[error("there is no such line any more")]
    Gone,
    /// The line cannot be decided in that way.
    #[error("a line like this cannot be decided so")]
    NotOffered,
    /// What has to be said with it was not.
    #[error("say {0}")]
    NotSaid(&'static str),
    /// A day is closed when nothing is left, or the reason is said.
    #[error("{0} still to decide: say why the day is closed with them")]
    StillOpen(usize),
    /// Too many lines are left.
    #[error("{0} are left, and a day is closed with {MOST_HOLES} at most: decide the others first")]
    TooManyOpen(usize),
}

/// Returns the changes that decide a line: one entry of the line's logbook.
///
/// # Errors
/// [`CannotDecide`], which says who decided it where somebody was faster. Nothing is to be written
/// then.
pub fn decide(
    day: &DayEnd,
    site: &Site<'_>,
    key: &LineKey,
    answer: &Answer,
    today: Today,
) -> Result<Vec<Change>, CannotDecide> {
    let listed = day.lines.iter().find(|listed| listed.line.key == *key);
    let line = match listed.map(|listed| &listed.line) {
        Some(line) if line.basis == answer.basis => line,
        // Decided by somebody else since it was read; or it changed.
        other => return Err(faster(day, key, other.is_some())),
    };
    let offers = |offer: &&Offer| {
        offer.act == answer.act && offer.version == answer.version && {
            // Two offers of one act differ in what they ask.
            offer.asks == Asks::Nothing || !answer.words.trim().is_empty()
        }
    };
    let mut fits: Vec<_> = line.offers.iter().filter(offers).collect();
    // The one that takes what was said, where one takes it and another asks nothing.
    fits.sort_by_key(|offer| (offer.asks == Asks::Nothing) != answer.words.trim().is_empty());
    let Some(offer) = fits.first() else {
        let same_act = line.offers.iter().find(|offer| offer.act == answer.act);
        return Err(same_act.map_or(CannotDecide::NotOffered, |offer| {
            CannotDecide::NotSaid(asked(offer.asks))
        }));
    };
    let said = Said::read(offer, answer.words.trim())?;
    let mut changes = joined::of_every_record(site, &changes(line, offer, &said, today));
    let until = match (offer.act, said.day) {
        (Act::Later, None) => Some(today.tomorrow()),
        (Act::Later | Act::Schedule, day) => day,
        _ => None,
    };
    let words = format!("{} {}: {}", line.place, line.head, offer.told(&said.words));
    let saying = Saying {
        line: key,
        basis: &line.basis,
        act: offer.act,
        words: &words,
        until,
        why: (offer.asks == Asks::Why).then_some(said.words.as_str()),
    };
    changes.push(saying.change());
    Ok(changes)
}

fn faster(day: &DayEnd, key: &LineKey, is_listed: bool) -> CannotDecide {
    match day.decision(key) {
        Some(decided) => CannotDecide::Already(Box::new(decided.clone())),
        None if is_listed => CannotDecide::Changed,
        None => CannotDecide::Gone,
    }
}

/// What was said with a decision, read.
struct Said {
    words: String,
    day: Option<NaiveDate>,
    price: Option<Money>,
    count: Option<i64>,
}

impl Said {
    fn read(offer: &Offer, words: &str) -> Result<Self, CannotDecide> {
        let mut said = Self {
            words: words.to_owned(),
            day: None,
            price: None,
            count: None,
        };
        let missing = CannotDecide::NotSaid(asked(offer.asks));
        match offer.asks {
            Asks::Nothing => said.words = String::new(),
            Asks::Why | Asks::Who if words.is_empty() => return Err(missing),
            Asks::Why | Asks::Who => {}
            Asks::Day => said.day = Some(words.parse().map_err(|_| missing)?),
            Asks::Price => {
                let price = Money::of_text(words).ok_or_else(|| missing.clone())?;
                if !(Money::ZERO..MOST_QUOTED).contains(&price) {
                    return Err(missing);
                }
                said.price = Some(price);
            }
            Asks::Count => {
                let count: i64 = words.parse().map_err(|_| missing.clone())?;
                if !(1..=100_000).contains(&count) {
                    return Err(missing);
                }
                said.count = Some(count);
            }
        }
        Ok(said)
    }
}

const fn asked(asks: Asks) -> &'static str {
    match asks {
        Asks::Nothing => "nothing else",
        Asks::Why => "why, in a few words",
        Asks::Who => "who did it",
        Asks::Day => "on which day, such as 2026-07-15",
        Asks::Price => "the price in dollars, such as 145.50",
        Asks::Count => "how many",
    }
}

fn changes(line: &Line, offer: &Offer, said: &Said, today: Today) -> Vec<Change> {
    let words = || Value::text(said.words.as_str());
    match (&line.subject, offer.act) {
        (Subject::Versions(thing, versions), Act::Choose) => {
            let chosen = offer.version.and_then(|nth| versions.get(nth));
            let chosen = chosen.into_iter().flatten();
            chosen
                .map(|(field, value)| Change::Set {
                    thing: *thing,
                    field: *field,
                    value: value.clone(),
                    how: HowKnown::Unstated,
                })
                .collect()
        }
        (Subject::Pair { first, second, .. }, Act::Join) => {
            vec![set(*second, &any::SAME_AS, Value::Thing(*first))]
        }
        (
            Subject::Pair {
                first,
                second,
                told_apart,
            },
            Act::ToldApart,
        ) => {
            let mut others = told_apart.clone();
            others.push(Value::Thing(*first));
            vec![set(*second, &any::TOLD_APART, Value::List(others))]
        }
        (Subject::Finding(thing), Act::Schedule) => {
            let mut changes = vec![set(*thing, &finding::STATUS, Status::Scheduled.value())];
            let day = said
                .day
                .map(|day| set(*thing, &finding::SCHEDULED, date(day)));
            changes.extend(day);
            changes
        }
        (Subject::Finding(thing), Act::Fixed) => vec![
            set(*thing, &finding::STATUS, Status::Fixed.value()),
            set(*thing, &finding::FIXED_BY, words()),
        ],
        (Subject::Finding(thing), Act::Accept) => vec![
            set(*thing, &finding::STATUS, Status::Accepted.value()),
            set(
                *thing,
                &finding::ACCEPTED,
                Value::Record(BTreeMap::from([(1, words())])),
            ),
        ],
        (Subject::Finding(thing), Act::Quoted) => quoted(*thing, said, today),
        (Subject::Visit(thing), Act::EndVisit) => vec![
            set(*thing, &visit::STATE, VisitState::FinishedWithSkips.value()),
            set(*thing, &visit::STATE_WHY, words()),
        ],
        (Subject::Device(thing), Act::Retire) => {
            vec![set(*thing, &device::RETIRED, date(today.date()))]
        }
        (Subject::Part(thing), Act::CountIn) => {
            let count = Value::Int(said.count.unwrap_or_default());
            let moved = BTreeMap::from([(1, count), (3, Value::text("came in"))]);
            vec![observe(*thing, &seen::STOCK_MOVED, Value::Record(moved))]
        }
        // Said in the observation, and nowhere else.
        _ => Vec::new(),
    }
}

/// The price, and that the client was told: the auditor asks when.
fn quoted(thing: ThingId, said: &Said, today: Today) -> Vec<Change> {
    let price = said.price.map(|price| (1, price.value()));
    let quote = price.into_iter().chain([(3, date(today.date()))]);
    let sent = BTreeMap::from([(1, Value::text("estimate")), (3, Value::text(TOLD))]);
    vec![
        set(thing, &finding::STATUS, Status::Quoted.value()),
        set(thing, &finding::QUOTE, Value::Record(quote.collect())),
        observe(thing, &seen::SENT, Value::Record(sent)),
    ]
}

/// Returns the changes that take a decision back: its entry counts for nothing any more, and the
/// line stands as it stood. An entry of the decision's logbook, for a device that has a say.
#[must_use]
pub fn taking_back(decided: &Decided, of: Mark) -> Vec<Change> {
    let none = LineKey {
        matter: super::Matter::Due,
        logbook: decided.logbook,
        subject: "day".to_owned(),
    };
    let saying = Saying {
        line: decided.line.as_ref().unwrap_or(&none),
        basis: "",
        act: Act::TakeBack,
        words: &format!("taken back: {}", decided.words),
        until: None,
        why: None,
    };
    vec![Change::HoldBack { of }, saying.change()]
}

/// Returns the change that closes the day, with what is left as known holes: an entry of the
/// company's logbook.
///
/// # Errors
/// [`CannotDecide::StillOpen`] where lines are left and nobody says why.
pub fn closing(day: &DayEnd, office: LogbookId, why: &str) -> Result<Vec<Change>, CannotDecide> {
    let why = why.trim();
    if let Some(closed) = &day.closed
        && day.lines.is_empty()
    {
        return Err(CannotDecide::Already(Box::new(closed.clone())));
    }
    if !day.lines.is_empty() && why.is_empty() {
        return Err(CannotDecide::StillOpen(day.lines.len()));
    }
    let put_off = day.put_off.iter().map(|put_off| &put_off.line);
    let lines = day.lines.iter().map(|Listed { line, .. }| line);
    let open: Vec<_> = lines.chain(put_off).collect();
    if open.len() > MOST_HOLES {
        return Err(CannotDecide::TooManyOpen(open.len()));
    }
    let words: Vec<String> = open
        .iter()
        .map(|line| format!("{} {}: {}", line.site, line.place, line.head))
        .collect();
    let keys = open.iter().map(|line| line.key.clone());
    let open: Vec<_> = keys.zip(words.iter().map(String::as_str)).collect();
    Ok(vec![closed(
        office,
        day.date,
        &open,
        (!why.is_empty()).then_some(why),
    )])
}
