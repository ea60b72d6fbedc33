//! The office at the hub: the day's end as the log has it, kept ready from one request to the next,
//! and the decisions that are taken in it.
//!
//! Decisions are taken one after the other: each looks at the log as it is at that moment, so of
//! two people who decide one line the second is told who was first, and what they decided. What a
//! person decides is an entry of the hub's own device in that person's name.

mod causes;
mod digests;
mod papers;
mod timeline;

pub use causes::has_page;
pub use digests::{Digests, Wearing, told, written};
pub use papers::{Beside, PaperDay, Shelf, pull_list_of};
pub use timeline::{Asked, Timeline, Told};

use std::collections::BTreeMap;
use std::sync::{Mutex, MutexGuard, PoisonError};

use chrono::NaiveDate;
use headwalk_core::log::chain::Mark;
use headwalk_core::log::entry::{Change, Draft};
use headwalk_core::log::id::{DeviceId, LogbookId, ThingId};
use headwalk_core::site::day_end::{
    Answer, CannotDecide, DayEnd, DeviceHeard, LineKey, Today, closing, decide, taking_back,
};
use headwalk_core::site::fields;
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::papers::{Options, Paper};
use headwalk_core::site::sight::visit_called;
use headwalk_core::site::things::Site;

use crate::access::{Role, Session};
use crate::error::Error;
use crate::export_file;
use crate::hub::Hub;
use crate::hub_log::LogError;
use crate::photos::office::DayPhotos;
use crate::refused::Refused;
use crate::secret::{Code, SessionSecret};

/// The office's own memory at a hub.
#[derive(Debug, Default)]
pub struct Office {
    // Held while a decision is written, so that the next one sees it.
    digests: Mutex<Digests>,
}

/// The day's end, and what can be done about what was decided.
#[derive(Debug)]
pub struct OfficeDay {
    /// The list.
    pub day: DayEnd,
    /// The firm's local time.
    pub today: Today,
    /// By which name each of today's decisions is taken back, in their order.
    pub marks: Vec<Option<Mark>>,
    /// How far the log has come.
    pub revision: u64,
    /// The pictures of what is listed, and those that have not arrived.
    pub photos: DayPhotos,
}

/// The firm, without what is to be decided in it.
#[derive(Debug)]
pub struct Firm {
    /// Its local time.
    pub today: Today,
    /// Its sites, by name.
    pub sites: Vec<(String, LogbookId)>,
}

/// What is at a site.
#[derive(Debug)]
pub struct SiteThings {
    /// Its logbook.
    pub logbook: LogbookId,
    /// Its name.
    pub name: String,
    /// The things by kind, in the order of the walk: what each is called.
    pub things: Vec<(&'static str, Vec<(String, ThingId)>)>,
}

impl Office {
    fn digests(&self) -> MutexGuard<'_, Digests> {
        // A refresh that was broken off begins anew: what it put in is true of its logbook.
        self.digests.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Hub {
    /// Signs a person in to the office's pages.
    ///
    /// # Errors
    /// [`Refused`], as [`crate::access::Access::sign_in`] does.
    pub fn sign_in(&self, code: &Code) -> Result<(SessionSecret, Session), Refused> {
        self.be_current()?;
        let secret = SessionSecret::from_chance(self.edge().chance()?);
        let session = self.access().sign_in(code, &secret, self.edge().now())?;
        Ok((secret, session))
    }

    /// Returns the session whose secret this is.
    ///
    /// # Errors
    /// [`Refused::SignedOut`] where it is over.
    pub fn session(&self, secret: &SessionSecret) -> Result<Session, Refused> {
        let now = self.edge().now();
        if let Some(session) = self.access().session(secret, now)? {
            return Ok(session);
        }
        // It may have begun a moment ago at another hub of the fleet.
        self.be_current()?;
        let session = self.access().session(secret, now)?;
        session.ok_or(Refused::SignedOut)
    }

    /// Ends a session.
    ///
    /// # Errors
    /// [`Error`] where it cannot be written.
    pub fn sign_out(&self, secret: &SessionSecret) -> Result<(), Error> {
        self.access().sign_out(secret)
    }

    /// Works out the digests of every logbook, so that the first who opens the day's end does not
    /// wait for it.
    ///
    /// # Errors
    /// [`Error`] where the log cannot be read.
    pub fn warm_up(&self) -> Result<(), Error> {
        self.office().digests().refresh(self.log())?;
        Ok(())
    }

    /// Returns the firm as it is now: its sites, and what day it is there.
    ///
    /// # Errors
    /// [`Error`] where the log cannot be read.
    pub fn firm(&self) -> Result<Firm, Error> {
        let mut digests = self.office().digests();
        digests.refresh(self.log())?;
        let sites = digests.sites().into_iter();
        Ok(Firm {
            today: self.today(&digests),
            sites: sites.map(|(name, book)| (name.to_owned(), book)).collect(),
        })
    }

    fn today(&self, digests: &Digests) -> Today {
        Today {
            now: self.edge().now(),
            utc_offset_min: digests.utc_offset_min(),
        }
    }

    /// Returns the day's end as it is now.
    ///
    /// # Errors
    /// [`Error`] where the log cannot be read.
    pub fn office_day(&self) -> Result<OfficeDay, Error> {
        let mut digests = self.office().digests();
        let day = self.day(&mut digests)?;
        Ok(OfficeDay {
            photos: self.day_photos(&digests),
            ..day
        })
    }

    fn day(&self, digests: &mut Digests) -> Result<OfficeDay, Error> {
        let revision = self.log().last_bookmark()?.arrival.0;
        digests.refresh(self.log())?;
        let today = self.today(digests);
        let day = digests.day(&self.heard_of(digests)?, today);
        let mut marks = Vec::new();
        for decided in &day.decided {
            let mark = self.log().marks(decided.logbook, &[decided.place])?;
            marks.push(mark.first().copied());
        }
        Ok(OfficeDay {
            day,
            today,
            marks,
            revision,
            photos: DayPhotos::default(),
        })
    }

    /// Returns what is at a site, or in another logbook.
    ///
    /// # Errors
    /// [`Refused::NoSuchPage`] where the hub holds no such logbook.
    pub fn things(&self, logbook: LogbookId) -> Result<SiteThings, Refused> {
        let held = self.log().logbooks().map_err(Error::from)?;
        if !held.contains(&logbook) {
            return Err(Refused::NoSuchPage);
        }
        let state = told(self.log(), logbook).map_err(Error::from)?;
        let site = Site::of(&state, logbook);
        let name = site.root().words(&fields::site::NAME);
        let mut things: BTreeMap<ThingKind, Vec<(String, ThingId)>> = BTreeMap::new();
        let all = std::iter::once(site.root()).chain(site.under(site.root().id));
        for thing in all.filter(|thing| site.kept(thing.id) == thing.id) {
            let kind = thing.kind.unwrap_or(ThingKind::Site);
            let removed = if thing.is_removed() { ", removed" } else { "" };
            let named = match kind {
                ThingKind::Visit => visit_called(&site, thing.id),
                _ => site.address(thing),
            };
            let of_kind = things.entry(kind).or_default();
            of_kind.push((format!("{named}{removed}"), thing.id));
        }
        let things = things.into_iter();
        Ok(SiteThings {
            logbook,
            name: name.map_or_else(|_| logbook.to_string(), |name| name.value),
            things: things.map(|(kind, things)| (kind.word(), things)).collect(),
        })
    }

    /// Returns a logbook as a file that proves itself. The hub's own entries in it are sealed up to
    /// this moment.
    ///
    /// # Errors
    /// [`Error`] where the log cannot be read.
    pub fn sealed_export(&self, logbook: LogbookId) -> Result<String, Error> {
        Ok(export_file::of_logbooks(self.log(), &[logbook])?)
    }

    /// Returns a paper about a site as the log has it now; none where it is no site of this hub.
    /// The day is the firm's, unless another is named.
    ///
    /// # Errors
    /// [`Error`] where the log cannot be read.
    pub fn paper(
        &self,
        kind: Paper,
        site: LogbookId,
        on: Option<NaiveDate>,
        change: impl FnOnce(&mut Options),
    ) -> Result<Option<String>, Error> {
        let utc_offset_min = {
            let mut digests = self.office().digests();
            digests.refresh(self.log())?;
            digests.utc_offset_min()
        };
        let on = on.unwrap_or_else(|| self.edge().now().date_at(utc_offset_min));
        let asked = PaperDay { on, utc_offset_min };
        let shelf = Shelf::of_site(self.log(), site)?;
        Ok(shelf.map(|shelf| shelf.html(kind, asked, change)))
    }

    /// When each device met this hub, by every id that it had; and its latest entry here.
    fn heard_of(&self, digests: &Digests) -> Result<BTreeMap<DeviceId, DeviceHeard>, Error> {
        let mut heard = digests.heard();
        for heard in heard.values_mut() {
            heard.at = None; // entries come by way of others, too
        }
        for device in self.devices()? {
            let at = device.heard.map(|heard| heard.at);
            let ids = device.later.iter().chain([&device.device]);
            let newest = ids.clone().filter_map(|id| heard.get(id)?.newest).max();
            for id in ids {
                heard.insert(*id, DeviceHeard { at, newest });
            }
        }
        Ok(heard)
    }

    /// Decides a line in a person's name, and says what was decided.
    ///
    /// # Errors
    /// [`Refused::CannotDecide`], which says who was first where somebody was;
    /// [`Refused::NotAllowed`] for an auditor.
    pub fn decide(&self, session: &Session, key: &LineKey, answer: &Answer) -> Result<(), Refused> {
        self.decided(session, |digests| {
            let OfficeDay { day, today, .. } = self.day(digests)?;
            let state = told(self.log(), key.logbook).map_err(Error::from)?;
            let site = Site::of(&state, key.logbook);
            let changes = decide(&day, &site, key, answer, today)?;
            Ok((key.logbook, today, changes, ()))
        })
    }

    /// Takes a decision of today back, in a person's name; returns its words.
    ///
    /// # Errors
    /// [`Refused::CannotDecide`] where it does not stand any more; [`Refused::NotAllowed`] for an
    /// auditor.
    pub fn take_back(&self, session: &Session, of: Mark) -> Result<String, Refused> {
        self.decided(session, |digests| {
            let OfficeDay {
                day, today, marks, ..
            } = self.day(digests)?;
            let mut decided = day.decided.iter().zip(&marks);
            let Some((decided, _)) = decided.find(|(_, mark)| **mark == Some(of)) else {
                return Err(CannotDecide::Gone.into());
            };
            let changes = taking_back(decided, of);
            Ok((decided.logbook, today, changes, decided.words.clone()))
        })
    }

    /// Closes the day in a person's name.
    ///
    /// # Errors
    /// [`Refused::CannotDecide`] where lines are left and nobody says why;
    /// [`Refused::NoCompany`]; [`Refused::NotAllowed`] for an auditor.
    pub fn close_day(&self, session: &Session, why: &str) -> Result<(), Refused> {
        self.decided(session, |digests| {
            let OfficeDay { day, today, .. } = self.day(digests)?;
            let office = digests.office().ok_or(Refused::NoCompany)?;
            let changes = closing(&day, office, why)?;
            Ok((office, today, changes, ()))
        })
    }

    /// Writes what a person decides on what they see now. At another hub of a fleet somebody may
    /// decide the same: where anything comes to the logbook first, it is all looked at again.
    fn decided<T>(
        &self,
        session: &Session,
        make: impl Fn(&mut Digests) -> Result<(LogbookId, Today, Vec<Change>, T), Refused>,
    ) -> Result<T, Refused> {
        may_decide(session)?;
        let mut digests = self.office().digests();
        let mut tries = MOST_TRIES;
        loop {
            self.be_current()?;
            let position = self.store().position();
            let (logbook, today, changes, made) = make(&mut digests)?;
            let draft = Draft {
                logbook,
                by: session.person.as_str().to_owned(),
                utc_offset_min: today.utc_offset_min,
                visit: None,
                changes,
            };
            let only_if = Some((logbook, position));
            match self.store().record(&[draft], today.now, only_if) {
                Err(Error::Shared(LogError::Moved)) if tries > 0 => tries -= 1,
                done => return done.map(|()| made).map_err(Refused::from),
            }
        }
    }
}

/// How often a decision is looked at again because its logbook moved on meanwhile.
const MOST_TRIES: u32 = 50;

fn may_decide(session: &Session) -> Result<(), Refused> {
    match session.role {
        Role::Dispatcher => Ok(()),
        other => Err(Refused::NotAllowed(other)),
    }
}
