//! All that was ever said of a thing and of what belongs to it, as it stood on a day or as the
//! office knew it on a day; and what nobody said.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{Days, NaiveDate, NaiveTime};
use headwalk_core::log::id::{DeviceId, LogbookId, Place, ThingId};
use headwalk_core::log::stamp::{Stamp, WallMs};
use headwalk_core::log::value::HowKnown;
use headwalk_core::merge::knowledge::Knowledge;
use headwalk_core::merge::replay::Placed;
use headwalk_core::site::apart;
use headwalk_core::site::fields::{any, observations_of, seen};
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::photo::Photo;
use headwalk_core::site::sight::{Book, Line, Said, Sight, What, Written, called, visit_called};
use headwalk_core::site::things::{Site, Thing};
use headwalk_core::site::unit::UnitSystem;
use headwalk_core::site::words::plain;
use headwalk_core::store::Store;

use super::{has_page, written};
use crate::error::Error;
use crate::hub::Hub;
use crate::photos::office::Shown;
use crate::refused::Refused;

/// A silence of so many days is told: common practice, no source. Crews come every four to eight
/// weeks in season.
const SILENT_DAYS: i64 = 45;
/// An entry that came later than this was on its device only until then.
const AT_ONCE_MS: i64 = 60_000;
/// Observations that anything can have, and whose lack says nothing.
const OF_ANYTHING: [&str; 3] = ["note", "photo", "phone-place"];

/// What is asked of a thing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Asked {
    /// In which logbook.
    pub logbook: LogbookId,
    /// Which thing.
    pub thing: ThingId,
    /// What was true at the end of that day.
    pub as_of: Option<NaiveDate>,
    /// What the office held at the end of that day.
    pub as_known: Option<NaiveDate>,
}

/// The answer.
#[derive(Debug)]
pub struct Timeline {
    /// What the site is called.
    pub site: String,
    /// What the thing is called.
    pub name: String,
    /// What was said, oldest first.
    pub told: Vec<Told>,
    /// What nobody said, a sentence each.
    pub gaps: Vec<String>,
    /// Whether there is a page that says why.
    pub has_page: bool,
}

/// One thing said.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Told {
    /// When, on the writer's clock as it counts.
    pub when: String,
    /// Who.
    pub by: String,
    /// On which device.
    pub device: String,
    /// Of what, where that is not the thing itself.
    pub of: Option<String>,
    /// What, with its value.
    pub words: String,
    /// How it stands to what others said, a phrase each.
    pub notes: Vec<String>,
    /// When its entry reached the office.
    pub reached: String,
    /// What else is to be known of its entry: the visit, a wrong clock, a phrase each.
    pub entry: Vec<String>,
    /// Whether it tells that the client was told.
    pub to_client: bool,
    /// The picture that it tells of.
    pub photo: Option<Shown>,
}

impl Hub {
    /// Returns a thing's timeline.
    ///
    /// # Errors
    /// [`Refused::NoSuchPage`] where no such thing was ever mentioned; [`Refused::Failed`] where
    /// the log cannot be read.
    pub fn timeline(&self, asked: &Asked) -> Result<Timeline, Refused> {
        let (offset, names) = {
            let mut digests = self.office().digests();
            digests.refresh(self.log()).map_err(Error::from)?;
            (digests.utc_offset_min(), digests.device_names())
        };
        let shown = |photo: &Photo, by: &str| self.shown(photo, by);
        read(self.log(), asked, offset, (&names, &shown))
    }
}

/// Returns the last moment of a day, so many minutes east of UTC.
fn end_of(day: NaiveDate, utc_offset_min: i16) -> WallMs {
    let next = day.checked_add_days(Days::new(1)).unwrap_or(day);
    let midnight = next.and_time(NaiveTime::MIN).and_utc().timestamp_millis();
    let ms = midnight - i64::from(utc_offset_min) * 60_000 - 1;
    WallMs::new(u64::try_from(ms).unwrap_or(0))
}

/// Says how a picture stands that somebody took.
type HowAPictureStands<'a> = dyn Fn(&Photo, &str) -> Shown + 'a;

fn read(
    store: &Store,
    asked: &Asked,
    offset: i16,
    (names, shown): (&BTreeMap<DeviceId, String>, &HowAPictureStands<'_>),
) -> Result<Timeline, Refused> {
    let mut kept = store.entries(asked.logbook).map_err(Error::from)?;
    let everything: Vec<Placed> = kept.iter().map(|kept| kept.placed.clone()).collect();
    let now = apart::told(&everything, None);
    let site_now = Site::of(&now, asked.logbook);
    let thing_now = site_now.thing(asked.thing).ok_or(Refused::NoSuchPage)?;
    let (site_name, name) = (site_named(&site_now), site_now.address(thing_now));

    let known = asked.as_known.map(|day| end_of(day, offset));
    kept.retain(|kept| known.is_none_or(|known| kept.arrived <= known));
    let placed: Vec<Placed> = kept.iter().map(|kept| kept.placed.clone()).collect();
    let until = asked.as_of.map(|day| Stamp::end_of(end_of(day, offset)));
    // A receipt counts for its entry whenever it was written: replay first, then choose.
    let state = apart::told(&placed, until);
    kept.retain(|kept| until.is_none_or(|until| kept.stamp <= until));
    let site = Site::of(&state, asked.logbook);
    let knowledge = Knowledge::of(&placed);
    let entries = kept.iter().map(|kept| (kept.place, written(kept)));
    let book = Book::of(&site, entries.collect(), &knowledge);
    let mut timeline = Timeline {
        site: site_name,
        name,
        told: Vec::new(),
        gaps: Vec::new(),
        has_page: has_page(thing_now.kind),
    };
    let Some(thing) = site.thing(asked.thing) else {
        timeline
            .gaps
            .push("Nothing was said of it by then.".to_owned());
        return Ok(timeline);
    };
    let teller = Teller {
        book: &book,
        names,
        shown,
        offset,
        about: asked.thing,
    };
    let lines = teller.lines(&site);
    timeline.gaps = teller.gaps(thing, &lines);
    timeline.told = lines.iter().map(|line| teller.told(line)).collect();
    Ok(timeline)
}

pub(super) fn site_named(site: &Site<'_>) -> String {
    let name = site.root().words(&headwalk_core::site::fields::site::NAME);
    name.map_or_else(|_| "The site".to_owned(), |name| name.value)
}

/// What tells the lines of one thing.
struct Teller<'a> {
    book: &'a Book<'a>,
    names: &'a BTreeMap<DeviceId, String>,
    shown: &'a HowAPictureStands<'a>,
    offset: i16,
    about: ThingId,
}

impl<'a> Teller<'a> {
    /// What was said of the thing and of what belongs to it, and what the client was told, oldest
    /// first.
    fn lines(&self, site: &'a Site<'a>) -> Vec<Line<'a>> {
        let whole: BTreeSet<ThingId> = site.under(self.about).map(|thing| thing.id).collect();
        let mut lines = Vec::new();
        for thing in whole.iter().copied().chain([self.about]) {
            lines.extend(Sight::of(self.book, thing).lines(None));
        }
        let sent = What::Seen(seen::SENT.number);
        let told = site.visits().into_iter().map(|visit| visit.id);
        for thing in told.chain([site.root().id]) {
            if thing != self.about && !whole.contains(&thing) {
                lines.extend(Sight::of(self.book, thing).lines(Some(sent)));
            }
        }
        lines.retain(|line| line.said.what != What::Field(any::ORDER.number));
        lines.sort_by_key(|line| (line.said.by.stamp, line.said.by.place, line.record));
        lines
    }

    fn told(&self, line: &Line<'_>) -> Told {
        let (said, site) = (&line.said, self.book.site);
        let by = said.by;
        let mut words = format!("{} {}", plain(&said.what.name()), shown(said, site));
        if let Some(how) = how(said.how) {
            words = format!("{words}, {how}");
        }
        let device = by.entry.device;
        let name = self.names.get(&device).cloned();
        Told {
            when: by.when(),
            by: by.entry.by.clone(),
            device: name.unwrap_or_else(|| {
                let id = device.to_string();
                format!("…{}", id.get(id.len() - 6..).unwrap_or(&id))
            }),
            of: (line.record != self.about).then(|| called(site, line.record)),
            words,
            notes: self.notes(line),
            reached: self.reached(by),
            entry: self.of_entry(line),
            to_client: said.what == What::Seen(seen::SENT.number),
            photo: match said.what {
                What::Seen(what) if what == seen::PHOTO.number => {
                    Photo::read(&said.value).map(|photo| (self.shown)(&photo, &by.entry.by))
                }
                _ => None,
            },
        }
    }

    /// How a value stands to those of others.
    fn notes(&self, line: &Line<'_>) -> Vec<String> {
        let site = self.book.site;
        let mut notes = Vec::new();
        notes.extend(line.replaced.iter().map(|other| {
            let (shown, by) = (shown(other, site), other.by_and_when());
            format!("in place of {shown} ({by}), which the writer had seen")
        }));
        notes.extend(line.unseen.iter().map(|other| {
            let (shown, by) = (shown(other, site), other.by_and_when());
            format!("beside {shown} ({by}), neither seen by the other")
        }));
        notes.extend(line.removed_unseen.iter().map(|removal| {
            let by = removal.by_and_when();
            format!(
                "beside its removal ({by}), neither seen by the other: it is there all the same"
            )
        }));
        notes
    }

    /// When an entry reached the office.
    fn reached(&self, by: Written<'_>) -> String {
        if by.arrived.since(by.stamp.wall()) < AT_ONCE_MS {
            return "at the office at once".to_owned();
        }
        let arrived = by.arrived.at_offset(self.offset);
        format!("at the office {}", arrived.format("%Y-%m-%d %H:%M"))
    }

    fn of_entry(&self, line: &Line<'_>) -> Vec<String> {
        let by = line.said.by;
        let mut notes = Vec::new();
        let visit = by
            .entry
            .visit
            .map(|visit| visit_called(self.book.site, visit));
        notes.extend(visit.map(|visit| format!("during {visit}")));
        if let Some(taken) = line.taken_back {
            notes.push(format!(
                "taken back by {}, {}",
                taken.entry.by,
                taken.when()
            ));
        } else if by.held_back {
            notes.push("held back: its device's access had been taken back".to_owned());
        }
        if by.stamp != by.entry.stamp {
            let clock = by.entry.stamp.wall().at_offset(by.entry.utc_offset_min);
            notes.push(format!(
                "the device's clock said {}",
                clock.format("%Y-%m-%d %H:%M")
            ));
        }
        notes
    }

    /// What nobody said: long silences, readings that were never taken, clocks that were wrong.
    fn gaps(&self, thing: Thing<'_>, lines: &[Line<'_>]) -> Vec<String> {
        let mut gaps = Vec::new();
        let own: Vec<_> = lines
            .iter()
            .filter(|line| line.record == self.about)
            .collect();
        let day = |line: &&Line<'_>| {
            let by = line.said.by;
            by.stamp.wall().date_at(by.entry.utc_offset_min)
        };
        let days: Vec<NaiveDate> = own.iter().map(day).collect();
        for pair in days.windows(2) {
            if let [from, to] = pair {
                let silent = (*to - *from).num_days();
                if silent >= SILENT_DAYS {
                    gaps.push(format!(
                        "Nothing was said of it from {from} to {to}: {silent} days."
                    ));
                }
            }
        }
        let made: BTreeSet<What> = own.iter().map(|line| line.said.what).collect();
        let kinds = observations_of(thing.kind.unwrap_or(ThingKind::Site));
        let never = kinds.filter(|kind| {
            !made.contains(&What::Seen(kind.number)) && !OF_ANYTHING.contains(&kind.name)
        });
        let never: Vec<_> = never.map(|kind| plain(kind.name)).collect();
        if !never.is_empty() {
            gaps.push(format!("Never recorded of it: {}.", never.join(", ")));
        }
        let wrong: BTreeSet<Place> = lines
            .iter()
            .map(|line| line.said.by)
            .filter(|by| by.stamp != by.entry.stamp)
            .map(|by| by.place)
            .collect();
        if !wrong.is_empty() {
            gaps.push(format!(
                "{} of the entries were written by a device whose clock was wrong; their times \
                 were put right by the hub's.",
                wrong.len()
            ));
        }
        gaps
    }
}

fn shown(said: &Said<'_>, site: &Site<'_>) -> String {
    said.shown(site, UnitSystem::Us)
}

const fn how(how: HowKnown) -> Option<&'static str> {
    match how {
        HowKnown::Measured => Some("measured"),
        HowKnown::Read => Some("read off"),
        HowKnown::Estimated => Some("estimated"),
        HowKnown::FromLastVisit => Some("from the visit before"),
        HowKnown::Computed => Some("computed"),
        HowKnown::Unstated | HowKnown::Other(_) => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_day_ends_with_its_last_millisecond_where_the_office_is() {
        let day = NaiveDate::from_ymd_opt(2026, 7, 14).unwrap();
        let end = end_of(day, -300);
        assert_eq!(end.date_at(-300), day);
        assert_eq!(end.shifted(1).date_at(-300), day.succ_opt().unwrap());
    }
}
