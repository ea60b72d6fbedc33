//! Pictures: which lie on this phone, which the office has, which are on their way, and what a screen
//! shows of them. The page keeps their files and carries their pieces; what is to be kept, sent, asked
//! and let go is said here. Their bytes never come into the store.

mod block;
#[cfg(target_arch = "wasm32")]
mod browser;
mod words;

use std::collections::BTreeMap;

use chrono::SecondsFormat;
use headwalk_core::log::id::LogbookId;
use headwalk_core::log::stamp::WallMs;
use headwalk_core::site::apart;
use headwalk_core::site::fields::seen;
use headwalk_core::site::photo::{self, Kept, Photo, PhotoDigest, Shows, jpeg};
use headwalk_core::site::things::observe;
use headwalk_core::site::words::Vocabulary;
use headwalk_core::store::Store;
use serde::{Deserialize, Serialize};

use crate::act::{Book, Id, Thing};
use crate::edge::Edge;
use crate::error::Error;
use crate::phone::{Done, Phone};
use crate::view::Errand;

pub use block::{PhotoBlock, PhotoTile, TakePhoto};
pub(crate) use block::{block, waiting};
pub(crate) use words::PhotoWord;

/// What a phone keeps free for entries, in bytes: a picture that would go below it is not kept.
const ROOM_FOR_ENTRIES: u64 = 50 * 1024 * 1024;
/// How long a picture stays on the phone once the office has it, in days: for two rounds of visits.
/// Common practice, no source. Where room is short it goes sooner.
const DAYS_KEPT: u64 = 60;
/// How many pictures the hub is asked about at once.
const ASKED_AT_ONCE: usize = 50;

/// The pictures of this phone, as far as it knows.
#[derive(Debug, Default)]
pub struct Pictures {
    here: BTreeMap<PhotoDigest, Here>,
    // What the hub said of those that are not here, while the page is open.
    elsewhere: BTreeMap<PhotoDigest, Elsewhere>,
    prepared: Option<Photo>,
    // Whether the hub was asked, since the page was opened, if it still has those that arrived.
    looked: bool,
}

/// A picture whose file is on this phone.
#[derive(Debug, Clone, Copy)]
struct Here {
    logbook: LogbookId,
    bytes: u64,
    since: WallMs,
    office: AtOffice,
    wanted: Wanted,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum AtOffice {
    NotYet,
    Arrived,
}

/// Whether a picture is to go to the office.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Wanted {
    /// It is.
    Yes,
    /// Not while its entry is taken back.
    TakenBack,
    /// It cannot: its file does not read as it any more.
    Damaged,
}

/// Where a picture is that is not on this phone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Elsewhere {
    AtOffice,
    NotYetThere,
}

/// A picture's file, as the page found it.
#[derive(Debug, Deserialize)]
pub struct File {
    name: String,
    bytes: u64,
    since: u64,
    arrived: bool,
}

/// A picture that is ready to be kept.
#[derive(Debug)]
pub struct Prepared {
    /// The file's name.
    pub name: String,
    /// The picture, and nothing else.
    pub bytes: Vec<u8>,
    /// Whether there is room for it, and for entries after it.
    pub fits: bool,
}

/// What the hub is asked about a picture.
#[derive(Debug, Serialize)]
pub struct Question {
    logbook: String,
    digest: String,
    /// Whether it must look at the bytes: this phone is about to let its own go.
    sure: bool,
}

/// What the hub answers.
#[derive(Debug, Deserialize)]
pub struct Answer {
    named: bool,
    held: u64,
    whole: bool,
}

/// What the page is then to do with files.
#[derive(Debug, Default, Serialize)]
pub struct Tasks {
    /// Send these, from where the hub has them to.
    pub send: Vec<ToSend>,
    /// Note of these that they arrived.
    pub arrived: Vec<String>,
    /// Remove these.
    pub let_go: Vec<String>,
}

/// A picture to send.
#[derive(Debug, Serialize)]
pub struct ToSend {
    /// Its file.
    pub name: String,
    logbook: String,
    digest: String,
    bytes: u64,
    held: u64,
}

fn name(digest: PhotoDigest, logbook: LogbookId) -> String {
    format!("{digest}.{logbook}.jpg")
}

fn read_name(name: &str) -> Option<(PhotoDigest, LogbookId)> {
    let (digest, logbook) = name.strip_suffix(".jpg")?.split_once('.')?;
    Some((digest.parse().ok()?, logbook.parse().ok()?))
}

impl Pictures {
    fn unsent(&self) -> impl Iterator<Item = (&PhotoDigest, &Here)> {
        let unsent = |(_, here): &(&PhotoDigest, &Here)| {
            here.office == AtOffice::NotYet && here.wanted == Wanted::Yes
        };
        self.here.iter().filter(unsent)
    }

    /// Says anew which of a logbook's pictures are wanted.
    fn look_again(&mut self, store: &Store, logbook: LogbookId) -> Result<(), Error> {
        let state = apart::without_taken_back(store.state(logbook)?);
        let named = photo::named(&state);
        for (digest, here) in &mut self.here {
            if here.logbook == logbook && here.wanted != Wanted::Damaged {
                here.wanted = match named.contains_key(digest) {
                    true => Wanted::Yes,
                    false => Wanted::TakenBack,
                };
            }
        }
        Ok(())
    }
}

impl Phone {
    /// Takes in which files of pictures the page found.
    ///
    /// # Errors
    /// [`Error`] where the store cannot be read.
    pub fn found_photos(&mut self, files: Vec<File>) -> Result<(), Error> {
        let files = files.into_iter();
        let here = files.filter_map(|file| {
            let (digest, logbook) = read_name(&file.name)?;
            let office = match file.arrived {
                true => AtOffice::Arrived,
                false => AtOffice::NotYet,
            };
            let here = Here {
                logbook,
                bytes: file.bytes,
                since: WallMs::new(file.since),
                office,
                wanted: Wanted::Yes,
            };
            Some((digest, here))
        });
        self.pictures.here = here.collect();
        self.pictures.looked = false;
        let mut unsent: Vec<_> = self
            .pictures
            .unsent()
            .map(|(_, here)| here.logbook)
            .collect();
        unsent.dedup();
        for logbook in unsent {
            self.pictures.look_again(&self.store, logbook)?;
        }
        Ok(())
    }

    /// Makes a picture ready: leaves out all but the picture. `room` is what the browser has left for
    /// this page, in bytes.
    ///
    /// # Errors
    /// [`Error::Photo`] where it is none.
    pub fn prepare_photo(&mut self, file: &[u8], room: u64) -> Result<Prepared, Error> {
        self.pictures.prepared = None;
        let logbook = self.site_at_hand()?;
        let plain = jpeg::plain(file)?;
        let photo = Photo::of(&plain);
        let prepared = Prepared {
            name: name(photo.digest, logbook),
            fits: room >= photo.bytes.saturating_add(ROOM_FOR_ENTRIES),
            bytes: plain.bytes,
        };
        self.pictures.prepared = Some(photo);
        Ok(prepared)
    }

    /// Returns what the hub is to be asked, the unsent ones first; once after the page was opened also
    /// whether it still has the others, so that what it lost goes there again.
    #[must_use]
    pub fn photo_questions(&self, now: WallMs, room: u64) -> Vec<Question> {
        let question = |digest: &PhotoDigest, logbook: LogbookId, sure| Question {
            logbook: logbook.to_string(),
            digest: digest.to_string(),
            sure,
        };
        let unsent = self.pictures.unsent();
        let unsent = unsent.map(|(digest, here)| question(digest, here.logbook, false));
        let mut old: Vec<_> = self.pictures.here.iter().collect();
        old.retain(|(_, here)| here.may_go(now, room));
        old.sort_by_key(|(_, here)| here.since);
        let old = old.into_iter();
        let old = old.map(|(digest, here)| question(digest, here.logbook, true));
        let arrived = self.pictures.here.iter().filter(|(_, here)| {
            !self.pictures.looked && here.office == AtOffice::Arrived && !here.may_go(now, room)
        });
        let arrived = arrived.map(|(digest, here)| question(digest, here.logbook, false));
        unsent
            .chain(old)
            .chain(arrived)
            .take(ASKED_AT_ONCE)
            .collect()
    }

    /// Takes in what the hub answered to these questions, in their order.
    #[must_use]
    pub fn photo_answers(
        &mut self,
        questions: &[(PhotoDigest, bool)],
        answers: &[Answer],
    ) -> Tasks {
        let mut tasks = Tasks::default();
        self.pictures.looked = true;
        for ((digest, sure), answer) in questions.iter().zip(answers) {
            let Some(here) = self.pictures.here.get_mut(digest) else {
                continue;
            };
            let file = name(*digest, here.logbook);
            match (answer.whole, *sure) {
                (true, true) => {
                    self.pictures.here.remove(digest);
                    self.pictures.elsewhere.insert(*digest, Elsewhere::AtOffice);
                    tasks.let_go.push(file);
                }
                (true, false) => {
                    here.office = AtOffice::Arrived;
                    tasks.arrived.push(file);
                }
                // Where it was there and is no more, it goes again.
                (false, _) if answer.named => {
                    here.office = AtOffice::NotYet;
                    tasks.send.push(ToSend {
                        name: file,
                        logbook: here.logbook.to_string(),
                        digest: digest.to_string(),
                        bytes: here.bytes,
                        held: answer.held,
                    });
                }
                // Its entry is not there yet, or does not count there.
                (false, _) => {}
            }
        }
        tasks
    }

    /// Takes in that the hub has a picture whole.
    pub fn photo_arrived(&mut self, digest: PhotoDigest) {
        if let Some(here) = self.pictures.here.get_mut(&digest) {
            here.office = AtOffice::Arrived;
        }
    }

    /// Returns how many pictures are still on this phone alone.
    #[must_use]
    pub fn photos_waiting(&self) -> usize {
        self.pictures.unsent().count()
    }

    /// Returns whether these bytes are that picture. Where its own file reads as another, it is not
    /// sent, and its screen says so.
    pub fn photo_is(&mut self, digest: PhotoDigest, bytes: &[u8]) -> bool {
        let is = PhotoDigest::of(bytes) == digest;
        if let (false, Some(here)) = (is, self.pictures.here.get_mut(&digest)) {
            here.wanted = Wanted::Damaged;
        }
        is
    }

    /// Takes in that a picture was brought from the office, and that its file is on disk.
    pub fn photo_brought(
        &mut self,
        digest: PhotoDigest,
        logbook: LogbookId,
        bytes: u64,
        now: WallMs,
    ) {
        self.pictures.elsewhere.remove(&digest);
        let here = Here {
            logbook,
            bytes,
            since: now,
            office: AtOffice::Arrived,
            wanted: Wanted::Yes,
        };
        self.pictures.here.insert(digest, here);
    }
}

impl Here {
    fn may_go(&self, now: WallMs, room: u64) -> bool {
        let old = now.get().saturating_sub(self.since.get()) >= DAYS_KEPT * 24 * 60 * 60 * 1_000;
        let short = room < 2 * ROOM_FOR_ENTRIES;
        self.office == AtOffice::Arrived && (old || short)
    }
}

/// Records a picture that was made ready; its file is on disk by now, or could not be kept.
pub(crate) fn record(
    phone: &mut Phone,
    edge: &Edge,
    thing: Thing,
    (shows, kept): (&str, bool),
) -> Result<Done, Error> {
    let photo = phone.pictures.prepared.take().ok_or(Error::NoPhoto)?;
    let here = edge.now.at_offset(edge.utc_offset_min);
    let photo = Photo {
        taken: Some(here.to_rfc3339_opts(SecondsFormat::Secs, false)),
        shows: Shows::of_word(shows),
        kept: if kept { Kept::Kept } else { Kept::NoRoom },
        ..photo
    };
    let book = phone.book()?;
    let site = book.site();
    site.thing(thing.0).ok_or(Error::Gone)?;
    phone.record(
        edge,
        &site,
        &[observe(thing.0, &seen::PHOTO, photo.value())],
    )?;
    let language = phone.prefs.language;
    let mut word = PhotoWord::NoRoom;
    if kept {
        let new = Here {
            logbook: phone.site_at_hand()?,
            bytes: photo.bytes,
            since: edge.now,
            office: AtOffice::NotYet,
            wanted: Wanted::Yes,
        };
        let here = phone.pictures.here.entry(photo.digest).or_insert(new);
        here.wanted = Wanted::Yes;
        word = PhotoWord::Saved;
    }
    Ok(Done {
        said: Some(word.said(language).to_owned()),
        errands: Vec::new(),
    })
}

/// Looks again at what an undo may have taken back.
pub(crate) fn after_undo(phone: &mut Phone) -> Result<(), Error> {
    let logbook = phone.site_at_hand()?;
    phone.pictures.look_again(&phone.store, logbook)
}

/// Asks the page to bring a picture from the office.
pub(crate) fn bring(phone: &Phone, digest: &str) -> Result<Done, Error> {
    let logbook = phone.site_at_hand()?;
    Ok(Done {
        said: Some(PhotoWord::Bringing.said(phone.prefs.language).to_owned()),
        errands: vec![Errand::BringPhoto {
            logbook: Id(logbook) as Book,
            digest: digest.to_owned(),
        }],
    })
}

/// Takes in how bringing one ended.
pub(crate) fn brought(
    phone: &mut Phone,
    digest: &str,
    problem: Option<&str>,
) -> Result<Done, Error> {
    let word = match problem {
        None => PhotoWord::Brought,
        Some("photo-not-here") => {
            let digest = digest.parse().map_err(|_| Error::Gone)?;
            let elsewhere = &mut phone.pictures.elsewhere;
            elsewhere.insert(digest, Elsewhere::NotYetThere);
            PhotoWord::NotThereYet
        }
        Some("away") => PhotoWord::Away,
        Some("full") => PhotoWord::NoRoomToBring,
        Some(why) => return Err(Error::Refused(why.to_owned())),
    };
    Ok(Done {
        said: Some(word.said(phone.prefs.language).to_owned()),
        errands: Vec::new(),
    })
}
