//! The phone: its store, where the person is on the page, and the acts that change either.

use std::fmt;

use headwalk_core::exchange::message::Parcel;
use headwalk_core::exchange::session::{Caller, Next};
use headwalk_core::log::entry::{Change, Draft};
use headwalk_core::log::id::{LogbookId, ThingId};
use headwalk_core::log::stamp::WallMs;
use headwalk_core::site::apart::joined;
use headwalk_core::site::fields::visit::STATE;
use headwalk_core::site::things::Site;
use headwalk_core::site::visit::VisitState;
use headwalk_core::site::words::Vocabulary;
use headwalk_core::store::{NewStore, Store};
use redb::StorageBackend;
use serde::{Deserialize, Serialize};

use crate::act::{Act, Id, Screen};
use crate::book::Book;
use crate::edge::Edge;
use crate::error::Error;
use crate::hub::{self, Applicant, OwnHub};
use crate::photo::{self, Pictures};
use crate::prefs::Prefs;
use crate::screens;
use crate::undo;
use crate::view::{Errand, Said, View};
use crate::words::{Word, errors};

/// The name under which a store keeps the open visit, as the command line does: logbook and visit.
const VISIT: &str = "visit";
/// The name under which it keeps where the person is on the page.
const PLACE: &str = "yard-place";

/// Where the person is on the page.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Place {
    /// The site at hand.
    pub site: Option<Id<LogbookId>>,
    /// The screen.
    pub screen: Screen,
    /// Since when the zone on the screen is looked at.
    #[serde(default)]
    pub timer: Option<Timer>,
    /// The visit of that site which was ended last, as long as that can be taken back.
    #[serde(default)]
    pub ended: Option<Id<ThingId>>,
}

/// Since when a zone is looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Timer {
    /// Which zone.
    pub zone: Id<ThingId>,
    /// Since when, in milliseconds of wall time.
    pub since: u64,
}

/// A visit that is open on this phone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct OpenVisit {
    /// Its site.
    pub site: LogbookId,
    /// Which.
    pub visit: ThingId,
}

/// What an act came to.
#[derive(Debug, Default)]
pub struct Done {
    /// What to say.
    pub said: Option<String>,
    /// What the page is asked to do.
    pub errands: Vec<Errand>,
}

/// The phone.
pub struct Phone {
    pub(crate) store: Store,
    pub(crate) prefs: Prefs,
    pub(crate) place: Place,
    pub(crate) visit: Option<OpenVisit>,
    pub(crate) pictures: Pictures,
    caller: Option<Caller>,
}

impl fmt::Debug for Phone {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Phone")
            .field("place", &self.place)
            .finish_non_exhaustive()
    }
}

impl Phone {
    /// Opens the store on this backend, or begins one where it holds nothing; the page is where it
    /// was.
    ///
    /// # Errors
    /// [`Error`] where the backend fails or holds something else.
    pub fn open(backend: impl StorageBackend, mut edge: Edge) -> Result<Self, Error> {
        let new = NewStore {
            id: edge.fresh_store()?,
            key: edge.fresh_key()?,
        };
        let store = Store::on_backend(backend, new)?;
        // A copy, or one that was put back, goes on under another id.
        if store.id_is_in_use_elsewhere() {
            store.write_as(edge.fresh_key()?)?;
        }
        let (place, visit) = where_one_was(&store)?;
        Ok(Self {
            prefs: Prefs::of(&store)?,
            place,
            visit,
            pictures: Pictures::default(),
            caller: None,
            store,
        })
    }

    /// Does an act, and returns what is then to be seen. What it recorded is on disk before this
    /// returns; where it was not done, nothing was recorded, and the view says why.
    pub fn act(&mut self, mut edge: Edge, act: Act) -> View {
        let before = (self.place.clone(), self.visit);
        let done = self.done(&mut edge, act);
        self.time_zone(&edge);
        let done = done.and_then(|done| {
            if (&self.place, self.visit) != (&before.0, before.1) {
                self.keep_where()?;
            }
            Ok(done)
        });
        let (said, errands) = match done {
            Ok(Done { said, errands }) => {
                let said = said.map(|text| Said {
                    text,
                    trouble: false,
                });
                (said, errands)
            }
            Err(error) => (Some(self.trouble(&error)), Vec::new()),
        };
        screens::view(self, &edge, said, errands)
    }

    /// Counts from when a zone comes on the screen until another does.
    fn time_zone(&mut self, edge: &Edge) {
        if self.visit_here().is_none() {
            self.place.timer = None;
        } else if let Screen::Zone { zone } = self.place.screen
            && self.place.timer.is_none_or(|timer| timer.zone != zone)
        {
            let since = edge.now.get();
            self.place.timer = Some(Timer { zone, since });
        }
    }

    fn trouble(&self, error: &Error) -> Said {
        let not = match error {
            Error::HubSaid { .. } | Error::Exchange(_) | Error::NoExchange => Word::NotExchanged,
            _ => Word::NotDone,
        };
        Said {
            text: format!(
                "{} {}",
                not.said(self.prefs.language),
                errors::error(self.prefs.language, error)
            ),
            trouble: true,
        }
    }

    fn done(&mut self, edge: &mut Edge, act: Act) -> Result<Done, Error> {
        match act {
            Act::Show => Ok(Done::default()),
            Act::Join { code, person } => self.join(code, person),
            Act::LetIn { url, person, body } => {
                OwnHub::let_in(&self.store, &url, &person, &body)?;
                self.say(Word::Joined)
            }
            Act::Exchange => Ok(Done {
                said: Some(Word::Exchanging.said(self.prefs.language).to_owned()),
                errands: vec![Errand::Exchange],
            }),
            Act::Exchanged { problem, kind } => self.exchanged(edge, problem, kind),
            Act::Go { to } => {
                self.place.screen = to;
                Ok(Done::default())
            }
            Act::Open { site } => {
                let same = self.place.site == Some(site);
                self.place = Place {
                    site: Some(site),
                    screen: Screen::Site,
                    ended: self.place.ended.filter(|_| same),
                    timer: self.place.timer.filter(|_| same),
                };
                Ok(Done::default())
            }
            Act::Prefer { choice } => {
                self.prefs.choose(&self.store, choice)?;
                Ok(Done::default())
            }
            Act::Undo => {
                let done = undo::undo(self, edge)?;
                photo::after_undo(self)?;
                Ok(done)
            }
            Act::Photo { thing, shows, kept } => photo::record(self, edge, thing, (&shows, kept)),
            Act::Bring { digest } => photo::bring(self, &digest),
            Act::Brought { digest, problem } => photo::brought(self, &digest, problem.as_deref()),
            other => crate::record::done(self, edge, other),
        }
    }

    pub(crate) fn say(&self, word: Word) -> Result<Done, Error> {
        Ok(Done {
            said: Some(word.said(self.prefs.language).to_owned()),
            errands: Vec::new(),
        })
    }

    fn join(&self, code: String, person: String) -> Result<Done, Error> {
        let language = self.prefs.language;
        let (code, person) = (code.trim().to_owned(), person.trim().to_owned());
        if code.is_empty() || person.is_empty() {
            return Err(Error::Ask(Word::CodeAndName));
        }
        let applicant = Applicant {
            code,
            device: self.store.device().to_string(),
            device_name: format!("{person}, {}", Word::Phone.said(language)),
            person: person.clone(),
        };
        let body = serde_json::to_string(&applicant).expect("words make JSON");
        Ok(Done {
            said: Some(Word::Joining.said(language).to_owned()),
            errands: vec![Errand::Enrol { body, person }],
        })
    }

    fn exchanged(
        &self,
        edge: &Edge,
        problem: Option<String>,
        kind: Option<String>,
    ) -> Result<Done, Error> {
        match problem.as_deref() {
            None => {
                let when = format!("{} {}", edge.today(), edge.clock());
                hub::keep_last_exchange(&self.store, &when)?;
                // What was said while it went on is over.
                Ok(Done {
                    said: Some(String::new()),
                    errands: Vec::new(),
                })
            }
            Some("away") => self.say(Word::OfficeAway),
            Some(why) => Err(Error::HubSaid {
                error: why.to_owned(),
                kind: kind.unwrap_or_default(),
            }),
        }
    }

    /// Returns what lets this phone in at the hub, if it joined one.
    ///
    /// # Errors
    /// [`Error`] where the store cannot be read.
    pub fn token(&self) -> Result<Option<String>, Error> {
        Ok(OwnHub::of(&self.store)?.map(|hub| hub.token))
    }

    /// Begins an exchange with the hub; returns the first parcel to send.
    ///
    /// # Errors
    /// [`Error::NoHub`], or [`Error`] where the store cannot be read.
    pub fn begin_exchange(&mut self, now: WallMs) -> Result<Vec<u8>, Error> {
        let hub = OwnHub::of(&self.store)?.ok_or(Error::NoHub)?;
        let (caller, parcel) = Caller::begin(&self.store, Some(hub.store), now)?;
        self.caller = Some(caller);
        Ok(parcel.to_bytes())
    }

    /// Takes the hub's answer in; returns the next parcel to send, if there is one. Entries that
    /// came are on disk when this returns.
    ///
    /// # Errors
    /// [`Error`] where the answer is none, or the store fails; what was exchanged before stays.
    pub fn receive(&mut self, answer: &[u8], now: WallMs) -> Result<Option<Vec<u8>>, Error> {
        let caller = self.caller.as_mut().ok_or(Error::NoExchange)?;
        let answer = Parcel::from_bytes(answer)?;
        Ok(match caller.receive(&self.store, &answer, now)? {
            Next::Send(parcel) => Some(parcel.to_bytes()),
            Next::Done(_) => None,
        })
    }

    /// Keeps where the person is and which visit is open, both or neither.
    fn keep_where(&self) -> Result<(), Error> {
        let place = serde_json::to_string(&self.place).expect("a place is words and ids");
        let visit = self
            .visit
            .map_or_else(String::new, |open| format!("{} {}", open.site, open.visit));
        Ok(self
            .store
            .keep_settings(&[(PLACE, &place), (VISIT, &visit)])?)
    }

    /// Returns the logbook of the site at hand.
    pub(crate) fn site_at_hand(&self) -> Result<LogbookId, Error> {
        self.place.site.map(|site| site.0).ok_or(Error::Gone)
    }

    /// Returns the visit of the site at hand that was ended last and can be opened again by undoing
    /// that.
    pub(crate) fn ended_here(&self) -> Option<ThingId> {
        let none_open = self.visit.is_none();
        self.place.ended.filter(|_| none_open).map(|ended| ended.0)
    }

    /// Returns the visit of the site at hand, if it is the one that is open.
    pub(crate) fn visit_here(&self) -> Option<ThingId> {
        let here = self.place.site?.0;
        self.visit
            .filter(|open| open.site == here)
            .map(|open| open.visit)
    }

    pub(crate) fn book(&self) -> Result<Book, Error> {
        Book::read(&self.store, self.site_at_hand()?)
    }

    /// Records changes of the site at hand as one entry.
    pub(crate) fn record(
        &self,
        edge: &Edge,
        site: &Site<'_>,
        changes: &[Change],
    ) -> Result<(), Error> {
        let draft = Draft {
            logbook: self.site_at_hand()?,
            by: hub::person(&self.store)?,
            utc_offset_min: edge.utc_offset_min,
            visit: self.visit_here(),
            changes: joined::of_every_record(site, changes),
        };
        self.store.record(&[draft], edge.now)?;
        Ok(())
    }
}

/// Returns where the person was, and the visit that was open. The battery may have been pulled after
/// the visit's last entry and before it was noted here that it ended: the entry counts.
pub(crate) fn where_one_was(store: &Store) -> Result<(Place, Option<OpenVisit>), Error> {
    let place = store.setting(PLACE)?;
    let place = place.and_then(|kept| serde_json::from_str(&kept).ok());
    let mut place: Place = place.unwrap_or_default();
    let visit = open_visit(store)?;
    if visit.is_none() && matches!(place.screen, Screen::Client | Screen::Close) {
        place.screen = Screen::Today;
    }
    if visit.is_some() {
        place.ended = None;
    }
    Ok((place, visit))
}

fn open_visit(store: &Store) -> Result<Option<OpenVisit>, Error> {
    let kept = store.setting(VISIT)?;
    let open = kept.and_then(|kept| {
        let (site, visit) = kept.split_once(' ')?;
        Some(OpenVisit {
            site: site.parse().ok()?,
            visit: visit.parse().ok()?,
        })
    });
    let Some(open) = open else {
        return Ok(None);
    };
    let state = store.register(open.site, open.visit, STATE.number)?;
    let state = state.and_then(|state| VisitState::read(&state.in_force().value));
    Ok((state == Some(VisitState::Open)).then_some(open))
}
