//! What is written about an estimate: each act is the changes of one entry.

use chrono::NaiveDate;

use super::{Answer, Decision, Draft, Estimate, Line};
use crate::log::entry::Change;
use crate::log::id::ThingId;
use crate::log::value::{Absence, HowKnown, Value};
use crate::site::fields::{any, estimate, finding, line, seen};
use crate::site::finding::Status;
use crate::site::kind::ThingKind;
use crate::site::things::{Site, set};
use crate::site::words::Vocabulary;

use std::collections::BTreeMap;

/// Why an answer or a day is not taken.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum AnswerRefused {
    /// The line has no price that adds up.
    #[error("{0} has no price that could be agreed to: {1}")]
    NoPrice(String, String),
    /// Nobody agreed to it.
    #[error("{0} is not approved; write the client's answer first")]
    NotApproved(String),
}

/// Returns the changes that give the client an estimate: it, its lines with their prices, and the
/// findings that are quoted now. `ids` are new ones: the estimate's, then one for each line.
#[must_use]
pub fn quote(
    site: &Site<'_>,
    lines: &[Draft],
    ids: &[ThingId],
    on: NaiveDate,
    valid_until: NaiveDate,
) -> Vec<Change> {
    let Some((&id, line_ids)) = ids.split_first() else {
        return Vec::new();
    };
    let name = next_name(site);
    let root = site.root().id;
    let new = site.add(id, ThingKind::Estimate, root).label(&name);
    let new = new.set(&estimate::QUOTED_ON, date(on), HowKnown::Unstated);
    let new = new.set(
        &estimate::VALID_UNTIL,
        date(valid_until),
        HowKnown::Unstated,
    );
    let mut changes = new.changes();
    for (nth, (draft, &line_id)) in (1_i64..).zip(lines.iter().zip(line_ids)) {
        let new = site.add(line_id, ThingKind::Line, id);
        let new = new.order(nth * 10).label(&format!("{name}-{nth}"));
        let new = new.set(
            &line::FINDING,
            Value::Thing(draft.finding),
            HowKnown::Unstated,
        );
        let new = new.set(&line::QUOTED, draft.quoted.value(), HowKnown::Computed);
        changes.extend(new.changes());
        let told = BTreeMap::from([
            (1, draft.quoted.total().value()),
            (2, date(valid_until)),
            (3, date(on)),
        ]);
        changes.push(set(draft.finding, &finding::QUOTE, Value::Record(told)));
        changes.push(set(draft.finding, &finding::STATUS, Status::Quoted.value()));
    }
    changes
}

/// Returns the changes that write down what the client said to a line: the answer in force, the
/// answer among all that were given, and the finding that moves with it.
///
/// # Errors
/// [`AnswerRefused`] where there is nothing to say yes to.
pub fn answer(of: &Line<'_>, said: &Answer) -> Result<Vec<Change>, AnswerRefused> {
    if let (Decision::Approved, Err(missing)) = (said.decision, &of.quoted) {
        let why = missing.to_string();
        return Err(AnswerRefused::NoPrice(of.name.clone(), why));
    }
    let value = said.value();
    let mut changes = vec![
        set(of.thing.id, &line::ANSWER, value.clone()),
        Change::Observe {
            thing: of.thing.id,
            what: seen::ANSWERED.number,
            value: value.clone(),
            how: HowKnown::Unstated,
        },
    ];
    if let Some(of) = &of.finding {
        let status = match said.decision {
            Decision::Approved => Status::Approved,
            Decision::Declined => Status::Declined,
        };
        changes.push(set(of.id, &finding::APPROVAL, value));
        changes.push(set(of.id, &finding::STATUS, status.value()));
    }
    Ok(changes)
}

/// Returns the changes that give an approved line its day.
///
/// # Errors
/// [`AnswerRefused`] where the client did not say yes.
pub fn schedule(of: &Line<'_>, on: NaiveDate) -> Result<Vec<Change>, AnswerRefused> {
    let approved = of
        .answer
        .as_ref()
        .is_ok_and(|answer| answer.value.decision == Decision::Approved);
    let (true, Some(of)) = (approved, &of.finding) else {
        return Err(AnswerRefused::NotApproved(of.name.clone()));
    };
    Ok(vec![
        set(of.id, &finding::SCHEDULED, date(on)),
        set(of.id, &finding::STATUS, Status::Scheduled.value()),
    ])
}

/// Returns the changes that take an estimate back, but for the lines that the client agreed to:
/// the findings of the others are to be quoted again where they have come no further.
#[must_use]
pub fn withdraw(of: &Estimate<'_>) -> Vec<Change> {
    let agreed = |line: &Line<'_>| {
        let answer = line.answer.as_ref();
        answer.is_ok_and(|answer| answer.value.decision == Decision::Approved)
    };
    let mut changes = Vec::new();
    for line in of.lines.iter().filter(|line| !agreed(line)) {
        changes.push(set(line.thing.id, &any::REMOVED, Value::Bool(true)));
        if let Some(found) = &line.finding
            && found.status() == Status::Quoted
        {
            let nothing = Value::Absent(Absence::Cleared);
            changes.push(set(found.id, &finding::QUOTE, nothing));
            changes.push(set(found.id, &finding::STATUS, Status::ToQuote.value()));
        }
    }
    if !of.lines.iter().any(agreed) {
        changes.push(set(of.thing.id, &any::REMOVED, Value::Bool(true)));
    }
    changes
}

impl Answer {
    /// Returns the one value to store.
    #[must_use]
    pub fn value(&self) -> Value {
        let mut parts = BTreeMap::from([(1, self.decision.value())]);
        let words = |words: &Option<String>| words.as_deref().map(Value::text);
        parts.extend(words(&self.who).map(|who| (2, who)));
        parts.extend(self.on.map(|on| (3, date(on))));
        parts.extend(words(&self.how).map(|how| (4, how)));
        Value::Record(parts)
    }
}

/// `E1`, `E2`: behind the highest that the site ever had, withdrawn or not.
fn next_name(site: &Site<'_>) -> String {
    let estimates = site.things();
    let estimates = estimates.filter(|thing| thing.kind == Some(ThingKind::Estimate));
    let taken = estimates.filter_map(|thing| thing.label()?.strip_prefix('E')?.parse::<u32>().ok());
    format!("E{}", taken.max().unwrap_or(0).saturating_add(1))
}

fn date(day: NaiveDate) -> Value {
    Value::Date(day.to_epoch_days())
}
