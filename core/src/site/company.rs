//! Who belongs to the firm: its devices, what each may do, and which logbooks it carries, as the
//! company's logbook lists them.
//!
//! [`devices`] reads the list as it stands, for people to see. [`standings`] is what a hub goes by:
//! anyone who carries the company's logbook can write in it, so there only a dispatcher's word
//! counts, and only while they are one. A new code given at a hub counts as a word of that moment.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::str::FromStr;

use super::fields::device;
use super::kind::ThingKind;
use super::things::Site;
use super::words::{Vocabulary, vocabularies};
use crate::log::entry::{Change, Entry};
use crate::log::id::{DeviceId, LogbookId, ThingId};
use crate::log::stamp::{Stamp, WallMs};
use crate::log::value::{Absence, Value};

vocabularies! {
    /// What a device may do.
    Role {
        /// Records and reads.
        Crew = "crew",
        /// Records, reads, and says who may come in and what they carry.
        Dispatcher = "dispatcher",
        /// Reads.
        Auditor = "auditor",
    }
}

impl Role {
    /// Returns the word for one who has it, with its article.
    #[must_use]
    pub const fn with_article(self) -> &'static str {
        match self {
            Self::Crew => "a crew",
            Self::Dispatcher => "a dispatcher",
            Self::Auditor => "an auditor",
        }
    }
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// A word that is no role.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{0}` is not a role: crew, dispatcher or auditor")]
pub struct NotARole(String);

impl FromStr for Role {
    type Err = NotARole;

    fn from_str(word: &str) -> Result<Self, NotARole> {
        Self::of_word(word).ok_or_else(|| NotARole(word.to_owned()))
    }
}

/// Which logbooks a device carries; the company's own and weather stations come with either.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Route {
    /// All of them, as nobody said otherwise.
    Everything,
    /// These sites.
    Sites(BTreeSet<LogbookId>),
}

impl Route {
    /// Returns whether it includes a site.
    #[must_use]
    pub fn includes(&self, site: LogbookId) -> bool {
        match self {
            Self::Everything => true,
            Self::Sites(sites) => sites.contains(&site),
        }
    }

    /// Reads a stored value; what is blank, or of a later version, is everything: better a logbook
    /// too many than a crew without one.
    #[must_use]
    pub fn read(value: &Value) -> Self {
        let Value::List(sites) = value else {
            return Self::Everything;
        };
        let id = |site: &Value| site.as_text().and_then(|text| text.parse().ok());
        Self::Sites(sites.iter().filter_map(id).collect())
    }

    /// Returns the value to store.
    #[must_use]
    pub fn value(&self) -> Value {
        match self {
            Self::Everything => Value::Absent(Absence::Cleared),
            Self::Sites(sites) => {
                let text = |site: &LogbookId| Value::text(site.to_string());
                Value::List(sites.iter().map(text).collect())
            }
        }
    }
}

/// A device as the company's logbook lists it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Listed {
    /// The thing that stands for it.
    pub thing: ThingId,
    /// Under which id it writes.
    pub device: DeviceId,
    /// What it is called.
    pub name: Option<String>,
    /// Who carries it.
    pub crew: Option<String>,
    /// What it may do, if that is written there.
    pub role: Option<Role>,
    /// What it carries.
    pub route: Route,
    /// Whether its access was taken back.
    pub revoked: bool,
}

/// Returns the devices that a company's logbook lists, by name.
#[must_use]
pub fn devices(company: &Site<'_>) -> Vec<Listed> {
    let things = company.things().filter(|thing| {
        thing.kind == Some(ThingKind::Device)
            && !thing.is_removed()
            && company.kept(thing.id) == thing.id
    });
    let mut listed: Vec<_> = things
        .filter_map(|thing| {
            let words = |field| thing.words(field).ok().map(|fact| fact.value);
            Some(Listed {
                thing: thing.id,
                device: words(&device::DEVICE_ID)?.parse().ok()?,
                name: words(&device::NAME),
                crew: words(&device::CREW),
                role: thing.choice(&device::ROLE).ok().map(|fact| fact.value),
                route: thing
                    .raw(&device::CARRIES)
                    .map_or(Route::Everything, Route::read),
                revoked: thing.yes(&device::REVOKED).is_ok_and(|fact| fact.value),
            })
        })
        .collect();
    listed.sort_by(|one, other| (&one.name, one.device).cmp(&(&other.name, other.device)));
    listed
}

/// Returns the thing under which a device is listed unless another was there before: the same
/// wherever it is entered, so that two who enter one device enter one thing.
#[must_use]
pub const fn thing_of(device: DeviceId) -> ThingId {
    ThingId::from_bytes(*device.bytes())
}

/// Returns the weather stations that sites ask for by name or logbook; `stations` are all that
/// there are, with their names. A site that names none may need any of them.
#[must_use]
pub fn stations_needed(
    asked: impl IntoIterator<Item = Option<String>>,
    stations: &BTreeMap<LogbookId, String>,
) -> BTreeSet<LogbookId> {
    let mut needed = BTreeSet::new();
    for asked in asked {
        let is_asked = |(id, name): &(&LogbookId, &String)| {
            asked
                .as_ref()
                .is_none_or(|asked| asked.eq_ignore_ascii_case(name) || asked.parse() == Ok(**id))
        };
        needed.extend(stations.iter().filter(is_asked).map(|(id, _)| *id));
    }
    needed
}

/// A device that a hub let in by a code.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LetIn {
    /// Which.
    pub device: DeviceId,
    /// The ids as which it went on after its store was copied or put back.
    pub later: Vec<DeviceId>,
    /// What the code granted.
    pub role: Role,
    /// When.
    pub at: WallMs,
}

/// What a device may do, and what it carries.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Standing {
    /// What it may do.
    pub role: Role,
    /// What it carries.
    pub route: Route,
    /// When its access was taken back in the company's logbook, if it was, and no code came after.
    pub revoked: Option<WallMs>,
}

/// Returns how each device that was let in stands, after all that dispatchers wrote in the
/// company's logbook; by every id that it ever had here. Entries come with the stamp that orders
/// them, in any order.
#[must_use]
pub fn standings<'a>(
    let_in: &[LetIn],
    entries: impl IntoIterator<Item = (Stamp, &'a Entry)>,
) -> BTreeMap<DeviceId, Standing> {
    let mut fold = Fold::of(let_in);
    let mut codes: Vec<_> = let_in.iter().collect();
    codes.sort_by_key(|one| (one.at, one.device));
    let mut codes = codes.into_iter().peekable();
    let mut entries: Vec<_> = entries.into_iter().collect();
    entries.sort_by_key(|(stamp, entry)| (*stamp, entry.device, entry.seq));
    for (stamp, entry) in entries {
        while let Some(code) = codes.next_if(|code| Stamp::new(code.at, 0) <= stamp) {
            fold.let_in(code);
        }
        fold.take(stamp, entry);
    }
    codes.for_each(|code| fold.let_in(code));
    fold.standings()
}

struct Fold {
    first_ids: BTreeMap<DeviceId, DeviceId>,
    standing: BTreeMap<DeviceId, Standing>,
    listed: BTreeMap<ThingId, DeviceId>,
}

impl Fold {
    /// Until a word is said otherwise, every device is what its code made it: a dispatcher's
    /// entries count from the first, also at a hub that let them in late.
    fn of(let_in: &[LetIn]) -> Self {
        let (mut first_ids, mut standing) = (BTreeMap::new(), BTreeMap::new());
        for one in let_in {
            for id in one.later.iter().chain([&one.device]) {
                first_ids.insert(*id, one.device);
            }
            let stands = Standing {
                role: one.role,
                route: Route::Everything,
                revoked: None,
            };
            standing.insert(one.device, stands);
        }
        let listed = first_ids.iter().map(|(id, first)| (thing_of(*id), *first));
        Self {
            listed: listed.collect(),
            first_ids,
            standing,
        }
    }

    fn let_in(&mut self, code: &LetIn) {
        if let Some(standing) = self.standing.get_mut(&code.device) {
            standing.role = code.role;
            standing.revoked = None;
        }
    }

    fn take(&mut self, stamp: Stamp, entry: &Entry) {
        let writer = self.first_ids.get(&entry.device);
        let writer = writer.and_then(|first| self.standing.get(first));
        if !writer.is_some_and(|one| one.role == Role::Dispatcher && one.revoked.is_none()) {
            return;
        }
        for change in &entry.changes {
            let Change::Set {
                thing,
                field,
                value,
                ..
            } = change
            else {
                continue;
            };
            if *field == device::DEVICE_ID.number {
                let id = value.as_text().and_then(|text| text.parse().ok());
                if let Some(first) = id.and_then(|id: DeviceId| self.first_ids.get(&id)) {
                    self.listed.insert(*thing, *first);
                }
            }
            let about = self.listed.get(thing);
            let Some(standing) = about.and_then(|first| self.standing.get_mut(first)) else {
                continue;
            };
            if *field == device::ROLE.number {
                standing.role = Role::read(value).unwrap_or(standing.role);
            } else if *field == device::CARRIES.number {
                standing.route = Route::read(value);
            } else if *field == device::REVOKED.number {
                let revoked = value.as_bool() == Some(true);
                standing.revoked = revoked.then(|| stamp.wall());
            }
        }
    }

    fn standings(self) -> BTreeMap<DeviceId, Standing> {
        let ids = self.first_ids.iter();
        ids.filter_map(|(id, first)| Some((*id, self.standing.get(first)?.clone())))
            .collect()
    }
}

#[cfg(test)]
mod tests;
