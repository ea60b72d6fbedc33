//! Which entry of the wrong logbook an entry of the right one repeats.

use std::collections::BTreeMap;

use crate::log::chain::Tip;
use crate::log::codec;
use crate::log::entry::{Change, Entry};
use crate::log::id::ThingId;
use crate::log::stamp::{Stamp, WallMs};
use crate::log::value::{HowKnown, Value};
use crate::site::fields::seen;

/// An entry of the visit as it was first written, wherever it has been carried since.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Origin {
    /// The id of the logbook.
    pub(super) logbook: String,
    /// Its device, number and tip.
    pub(super) entry: String,
    /// What the site is called.
    pub site: String,
    /// Who wrote it.
    pub by: String,
    /// When, in RFC 3339, by the stamp that orders it.
    pub at: String,
}

impl Origin {
    /// Reads what an entry repeats, if it was carried here from another logbook.
    #[must_use]
    pub fn repeated(entry: &Entry) -> Option<Self> {
        let parts = carried(entry)?.as_record()?;
        let text = |part: u16| Some(parts.get(&part)?.as_text()?.to_owned());
        Some(Self {
            site: text(1)?,
            by: text(2)?,
            at: text(3)?,
            logbook: text(4)?,
            entry: text(5)?,
        })
    }

    /// What an entry of the site of that name repeats, or the entry itself.
    pub(super) fn of(entry: &Entry, stamp: Stamp, site: &str) -> Self {
        Self::repeated(entry).unwrap_or_else(|| {
            let bytes = codec::encode(entry).expect("an entry was read from its bytes");
            Self {
                logbook: entry.logbook.to_string(),
                entry: format!("{}/{}/{}", entry.device, entry.seq, Tip::of(&bytes)),
                site: site.to_owned(),
                by: entry.by.clone(),
                at: stamp.wall().at_offset(entry.utc_offset_min).to_rfc3339(),
            }
        })
    }

    /// When it was first written.
    pub(super) fn wall(&self) -> Option<WallMs> {
        let at = chrono::DateTime::parse_from_rfc3339(&self.at).ok()?;
        let ms = u64::try_from(at.timestamp_millis()).ok()?;
        Some(WallMs::new(ms))
    }

    pub(super) fn key(&self) -> (&str, &str) {
        (&self.logbook, &self.entry)
    }

    /// The observation that says what an entry repeats.
    pub(super) fn change(&self, visit: ThingId, gives_way: &[String]) -> Change {
        let parts = [&self.site, &self.by, &self.at, &self.logbook, &self.entry];
        let mut parts: BTreeMap<u16, Value> = (1..).zip(parts.map(Value::text)).collect();
        if !gives_way.is_empty() {
            parts.insert(6, Value::text(gives_way.join("; ")));
        }
        Change::Observe {
            thing: visit,
            what: seen::CARRIED.number,
            value: Value::Record(parts),
            how: HowKnown::Unstated,
        }
    }
}

/// The record that says what an entry repeats.
fn carried(entry: &Entry) -> Option<&Value> {
    entry.changes.iter().find_map(|change| match change {
        Change::Observe { what, value, .. } if *what == seen::CARRIED.number => Some(value),
        _ => None,
    })
}
