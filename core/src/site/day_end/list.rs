//! One day's list, put together from the digests of all logbooks.

use std::collections::BTreeMap;

use chrono::NaiveDate;

use super::office::{DeviceHeard, OfficeDigest};
use super::record::{Closing, Decided};
use super::site::SiteDigest;
use super::{Act, Line, LineKey};
use crate::log::id::DeviceId;
use crate::log::stamp::WallMs;

/// The moment at which the list is read, where the office is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Today {
    /// The moment.
    pub now: WallMs,
    /// Minutes east of UTC.
    pub utc_offset_min: i16,
}

impl Today {
    /// Returns the calendar day.
    #[must_use]
    pub fn date(self) -> NaiveDate {
        self.now.date_at(self.utc_offset_min)
    }

    /// Returns the day after.
    #[must_use]
    pub fn tomorrow(self) -> NaiveDate {
        let date = self.date();
        date.succ_opt().unwrap_or(date)
    }
}

/// What is left to decide, and what was decided today.
#[derive(Debug, Clone, PartialEq)]
pub struct DayEnd {
    /// The day.
    pub date: NaiveDate,
    /// What is left, the worst first. Empty: go home.
    pub lines: Vec<Listed>,
    /// What waits for another day, by that day.
    pub put_off: Vec<PutOff>,
    /// What was decided today and stands, the latest first.
    pub decided: Vec<Decided>,
    /// The closing of the day, if it is closed.
    pub closed: Option<Decided>,
}

/// A line that is left.
#[derive(Debug, Clone, PartialEq)]
pub struct Listed {
    /// The line.
    pub line: Line,
    /// Why it comes first: it was left open, or put off until today.
    pub hole: Option<Hole>,
}

/// How a line came over from a day before.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Hole {
    /// On which day it was left.
    pub left: NaiveDate,
    /// Who left it.
    pub by: String,
    /// Why, where that was said.
    pub why: Option<String>,
}

/// A line that comes back on another day.
#[derive(Debug, Clone, PartialEq)]
pub struct PutOff {
    /// The line.
    pub line: Line,
    /// When it comes back.
    pub until: NaiveDate,
    /// Who put it off.
    pub by: String,
    /// Why, where that was said.
    pub why: Option<String>,
}

impl DayEnd {
    /// Puts a day's list together.
    #[must_use]
    pub fn of(
        sites: &[&SiteDigest],
        offices: &[&OfficeDigest],
        heard: &BTreeMap<DeviceId, DeviceHeard>,
        today: Today,
    ) -> Self {
        let date = today.date();
        let before = Before::of(sites, offices, today);
        let mut day = Self {
            date,
            lines: Vec::new(),
            put_off: Vec::new(),
            decided: decided_on(sites, offices, date),
            closed: before
                .closing
                .filter(|closing| closing.date == date)
                .map(Closing::decided),
        };
        let of_office = offices.iter().flat_map(|office| {
            let mut lines = office.quiet(heard, sites, date, today.utc_offset_min);
            lines.extend(office.short(sites, today.tomorrow()));
            lines
        });
        let office_lines: Vec<Line> = of_office.collect();
        let of_sites = sites.iter().flat_map(|site| &site.lines);
        for line in of_sites.chain(&office_lines) {
            if line.from.is_none_or(|from| from <= date) {
                before.place(line, &mut day);
            }
        }
        day.lines.sort_by(|one, other| rank(one).cmp(&rank(other)));
        day.put_off
            .sort_by(|one, other| (one.until, &one.line.key).cmp(&(other.until, &other.line.key)));
        day
    }

    /// Returns the line with that key, listed or put off.
    #[must_use]
    pub fn line(&self, key: &LineKey) -> Option<&Line> {
        let listed = self.lines.iter().map(|listed| &listed.line);
        let put_off = self.put_off.iter().map(|put_off| &put_off.line);
        listed.chain(put_off).find(|line| line.key == *key)
    }

    /// Returns the latest decision of today about a line.
    #[must_use]
    pub fn decision(&self, key: &LineKey) -> Option<&Decided> {
        self.decided
            .iter()
            .find(|decided| decided.line.as_ref() == Some(key))
    }
}

/// Left from before first, then by what it is about, how soon it matters, and where.
fn rank(listed: &Listed) -> impl Ord + '_ {
    let line = &listed.line;
    let severity = line.severity.map_or(u8::MAX, |severity| severity as u8);
    (
        listed.hole.is_none(),
        line.key.matter,
        severity,
        &line.site,
        &line.place,
        &line.key,
    )
}

fn decided_on(sites: &[&SiteDigest], offices: &[&OfficeDigest], date: NaiveDate) -> Vec<Decided> {
    let of_sites = sites.iter().flat_map(|site| site.decided.iter().cloned());
    let of_offices = offices.iter().flat_map(|office| {
        let closings = office.closings.iter().map(Closing::decided);
        office.decided.iter().cloned().chain(closings)
    });
    let on_date = |decided: &Decided| {
        let day = decided.stamp.wall().date_at(decided.utc_offset_min);
        day == date && decided.act != Act::TakeBack
    };
    let mut decided: Vec<_> = of_sites.chain(of_offices).filter(on_date).collect();
    decided.sort_by_key(|decided| core::cmp::Reverse((decided.stamp, decided.place)));
    decided
}

/// What was decided so far, as far as it bears on what is listed.
struct Before<'a> {
    date: NaiveDate,
    latest: BTreeMap<&'a LineKey, &'a Decided>,
    closing: Option<&'a Closing>,
}

impl<'a> Before<'a> {
    fn of(sites: &[&'a SiteDigest], offices: &[&'a OfficeDigest], today: Today) -> Self {
        let of_sites = sites.iter().flat_map(|site| &site.decided);
        let of_offices = offices.iter().flat_map(|office| &office.decided);
        let mut latest: BTreeMap<&LineKey, &Decided> = BTreeMap::new();
        for decided in of_sites.chain(of_offices) {
            let holds = matches!(decided.act, Act::Later | Act::Leave);
            let Some(key) = decided.line.as_ref().filter(|_| holds) else {
                continue;
            };
            let kept = latest.entry(key).or_insert(decided);
            if (kept.stamp, kept.place) < (decided.stamp, decided.place) {
                *kept = decided;
            }
        }
        let closings = offices.iter().flat_map(|office| &office.closings);
        let date = today.date();
        let closings = closings.filter(|closing| closing.date <= date);
        Self {
            date,
            latest,
            closing: closings.max_by_key(|closing| (closing.date, closing.stamp)),
        }
    }

    /// Puts a line where it belongs today: on the list, with what waits, or nowhere.
    fn place(&self, line: &Line, day: &mut DayEnd) {
        let left = self
            .closing
            .filter(|closing| closing.holes.iter().any(|(key, _)| *key == line.key));
        let latest = self.latest.get(&line.key);
        if let Some(decided) = latest {
            match (decided.act, decided.until) {
                (Act::Leave, _) if decided.basis == line.basis => return,
                (Act::Later, Some(until)) if until > self.date => {
                    return day.put_off.push(PutOff {
                        line: line.clone(),
                        until,
                        by: decided.by.clone(),
                        why: decided.why.clone(),
                    });
                }
                _ => {}
            }
        }
        if let Some(closing) = left.filter(|closing| closing.date == self.date) {
            return day.put_off.push(PutOff {
                line: line.clone(),
                until: self.date.succ_opt().unwrap_or(self.date),
                by: closing.by.clone(),
                why: closing.why.clone(),
            });
        }
        let put_off = latest
            .filter(|decided| decided.act == Act::Later)
            .map(|decided| Hole {
                left: decided.stamp.wall().date_at(decided.utc_offset_min),
                by: decided.by.clone(),
                why: decided.why.clone(),
            });
        let left = left.map(|closing| Hole {
            left: closing.date,
            by: closing.by.clone(),
            why: closing.why.clone(),
        });
        day.lines.push(Listed {
            line: line.clone(),
            hole: left.or(put_off),
        });
    }
}
