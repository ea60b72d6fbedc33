//! Pictures beside a store: a folder of the store's name that ends in `.photos`, what of it the office
//! has, and the way there and back.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use headwalk_core::log::id::LogbookId;
use headwalk_core::site::photo::{self, CHUNK_BYTES, Kept, Photo, PhotoDigest};
use headwalk_core::store::Store;
use headwalk_sync_server::photos::folder::{Folder, NotTaken};

use crate::error::{Error, Kind};
use crate::hub::{OwnHub, own_hub_store};

/// The name under which a store keeps which pictures the office has not said that it has: logbook and
/// digest of each.
const UNSENT: &str = "photos-unsent";
/// What stands before the digest in the name under which it keeps what the hub said of a picture.
const SAID: &str = "photo-";
/// What it keeps there.
const AT_OFFICE: &str = "office";
const ON_PHONE: &str = "phone";
/// How many pictures the hub is asked about at once, and about how many that are not here in one
/// exchange.
const ASKED_AT_ONCE: usize = 50;
const ASKED_IN_ALL: usize = 500;
/// How often a hub may say that it has no more than before.
const PATIENCE: u32 = 5;

/// The pictures beside a store.
pub struct Album<'s> {
    store: &'s Store,
    root: PathBuf,
    folder: Folder,
}

/// Where a picture is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Whereabouts {
    /// Beside this store, and whether the office has it, too.
    Here {
        /// None where this store belongs to no office.
        at_office: Option<bool>,
    },
    /// At the office, by what the hub said.
    AtOffice,
    /// On that person's phone, by what the hub said last.
    OnPhoneOf(String),
    /// Nobody asked yet.
    Unknown(String),
    /// Nowhere: the device that took it had no room.
    Nowhere,
}

impl Whereabouts {
    /// Returns the word for it.
    pub const fn word(&self) -> &'static str {
        match self {
            Self::Here { .. } => "here",
            Self::AtOffice => "at-office",
            Self::OnPhoneOf(_) => "on-phone",
            Self::Unknown(_) => "unknown",
            Self::Nowhere => "nowhere",
        }
    }

    /// Returns it for people.
    pub fn words(&self) -> String {
        match self {
            Self::Here { at_office } => match at_office {
                Some(true) => "here and at the office".to_owned(),
                Some(false) => "here, not yet at the office".to_owned(),
                None => "here".to_owned(),
            },
            Self::AtOffice => "at the office".to_owned(),
            Self::OnPhoneOf(by) => format!("on {by}'s phone, not yet at the office"),
            Self::Unknown(by) => format!("taken by {by}, not here"),
            Self::Nowhere => "kept nowhere".to_owned(),
        }
    }
}

/// What went to the office or another store, and came from it.
#[derive(Debug, Default, Serialize)]
pub struct Carried {
    /// Pictures that the other side came to hold.
    pub sent: u64,
    /// How many bytes of them went; what was there from before a cut is not among them.
    pub sent_bytes: u64,
    /// Pictures that came to lie beside this store.
    pub received: u64,
    /// Pictures that are still here alone.
    pub waiting: usize,
    /// Why they are, where something went wrong.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub trouble: Option<String>,
}

impl Carried {
    /// Returns it, if there is anything to tell.
    pub fn told(self) -> Option<Self> {
        let nothing = self.sent == 0 && self.received == 0 && self.waiting == 0;
        (!nothing || self.trouble.is_some()).then_some(self)
    }
}

#[derive(Serialize)]
struct Questions {
    photos: Vec<Question>,
}

#[derive(Serialize)]
struct Question {
    logbook: String,
    digest: String,
}

#[derive(Deserialize)]
struct Answers {
    photos: Vec<Answer>,
}

#[derive(Deserialize)]
struct Answer {
    named: bool,
    held: u64,
    whole: bool,
}

type Named = (LogbookId, PhotoDigest);

impl<'s> Album<'s> {
    /// Opens the pictures beside the store in this file.
    pub fn beside(store: &'s Store, path: &Path) -> Self {
        let root = path.with_extension("photos");
        Self {
            store,
            folder: Folder::at(root.clone()),
            root,
        }
    }

    /// Keeps a picture, to be sent to the office.
    pub fn keep(&self, bytes: &[u8], logbook: LogbookId) -> Result<PhotoDigest, Error> {
        let kept = self.folder.keep(bytes, self.store.device());
        let digest = kept.map_err(|why| self.not_kept(&why))?;
        let mut unsent = self.unsent()?;
        if self.said(digest)?.as_deref() != Some(AT_OFFICE) {
            unsent.insert((logbook, digest));
            self.keep_unsent(&unsent)?;
        }
        Ok(digest)
    }

    fn not_kept(&self, why: &NotTaken) -> Error {
        let message = format!(
            "the picture cannot be kept in {}: {why}",
            self.root.display()
        );
        Error::new(Kind::Machine, message).hint("see that the disk has room; nothing was recorded.")
    }

    /// Reads a picture; none where it is not here.
    pub fn read(&self, digest: PhotoDigest) -> Result<Option<Vec<u8>>, Error> {
        self.folder.read(digest).map_err(|why| {
            let message = format!("{} cannot be read: {why}", self.root.display());
            Error::new(Kind::Machine, message)
        })
    }

    /// Returns the pictures that are here and that the office has not said that it has.
    pub fn unsent(&self) -> Result<BTreeSet<Named>, Error> {
        let kept = self.store.setting(UNSENT)?.unwrap_or_default();
        let pairs = kept.lines().filter_map(|line| {
            let (logbook, digest) = line.split_once(' ')?;
            Some((logbook.parse().ok()?, digest.parse().ok()?))
        });
        Ok(pairs.collect())
    }

    fn keep_unsent(&self, unsent: &BTreeSet<Named>) -> Result<(), Error> {
        let lines = unsent.iter();
        let lines: Vec<_> = lines
            .map(|(logbook, digest)| format!("{logbook} {digest}"))
            .collect();
        Ok(self.store.keep_settings(&[(UNSENT, &lines.join("\n"))])?)
    }

    fn said(&self, digest: PhotoDigest) -> Result<Option<String>, Error> {
        Ok(self.store.setting(&format!("{SAID}{digest}"))?)
    }

    fn keep_said(&self, digest: PhotoDigest, said: &str) -> Result<(), Error> {
        Ok(self
            .store
            .keep_settings(&[(&format!("{SAID}{digest}"), said)])?)
    }

    /// Says where a picture is that somebody took.
    pub fn whereabouts(&self, photo: &Photo, by: &str) -> Result<Whereabouts, Error> {
        let said = self.said(photo.digest)?;
        let at_office = said.as_deref() == Some(AT_OFFICE);
        if self.folder.has(photo.digest) {
            let joined = own_hub_store(self.store)?.is_some();
            let at_office = joined.then_some(at_office);
            return Ok(Whereabouts::Here { at_office });
        }
        Ok(match (photo.kept, said.as_deref()) {
            _ if at_office => Whereabouts::AtOffice,
            (Kept::NoRoom, _) => Whereabouts::Nowhere,
            (Kept::Kept, Some(_)) => Whereabouts::OnPhoneOf(by.to_owned()),
            (Kept::Kept, None) => Whereabouts::Unknown(by.to_owned()),
        })
    }

    /// Sends the hub what it lacks, and asks about the pictures that these logbooks name. What goes
    /// wrong is told beside what went well: the entries are there by now.
    pub fn carry(&self, hub: &OwnHub, moved: impl Iterator<Item = LogbookId>) -> Carried {
        let mut carried = Carried::default();
        if let Err(why) = self.carried(hub, moved, &mut carried) {
            carried.trouble = Some(why.message().to_owned());
        }
        carried.waiting = self.unsent().map_or(0, |unsent| unsent.len());
        carried
    }

    fn carried(
        &self,
        hub: &OwnHub,
        moved: impl Iterator<Item = LogbookId>,
        carried: &mut Carried,
    ) -> Result<(), Error> {
        let mut unsent = self.unsent()?;
        let mut asked: Vec<Named> = unsent.iter().copied().collect();
        asked.extend(self.unknown(moved)?);
        for asked in asked.chunks(ASKED_AT_ONCE) {
            let answers = self.ask(hub, asked)?;
            for (one, answer) in asked.iter().zip(&answers) {
                let (logbook, digest) = *one;
                let mut arrived = answer.whole;
                if answer.named && !arrived && unsent.contains(one) {
                    arrived = self.send(hub, (logbook, digest), answer.held, carried)?;
                }
                if arrived {
                    self.keep_said(digest, AT_OFFICE)?;
                    if unsent.remove(one) {
                        self.keep_unsent(&unsent)?;
                    }
                } else if answer.named {
                    self.keep_said(digest, ON_PHONE)?;
                }
            }
        }
        Ok(())
    }

    /// The pictures of logbooks that moved on, of which nobody said yet that they arrived.
    fn unknown(&self, moved: impl Iterator<Item = LogbookId>) -> Result<Vec<Named>, Error> {
        let mut unknown = Vec::new();
        for logbook in moved {
            for digest in photo::named(self.store.state(logbook)?.as_ref()).into_keys() {
                let here = self.folder.has(digest);
                if !here && self.said(digest)?.as_deref() != Some(AT_OFFICE) {
                    unknown.push((logbook, digest));
                }
                if unknown.len() >= ASKED_IN_ALL {
                    return Ok(unknown);
                }
            }
        }
        Ok(unknown)
    }

    fn ask(&self, hub: &OwnHub, asked: &[Named]) -> Result<Vec<Answer>, Error> {
        let question = |(logbook, digest): &Named| Question {
            logbook: logbook.to_string(),
            digest: digest.to_string(),
        };
        let photos = asked.iter().map(question).collect();
        let answers: Answers = hub.ask_json("/photos/held", &Questions { photos })?;
        Ok(answers.photos)
    }

    /// Sends a picture from where the hub has it to; returns whether it is there. One that is not
    /// here whole any more stays among those to be sent.
    fn send(
        &self,
        hub: &OwnHub,
        (logbook, digest): Named,
        held: u64,
        carried: &mut Carried,
    ) -> Result<bool, Error> {
        let Some(bytes) = self.read(digest)? else {
            return Ok(false);
        };
        let (mut at, mut stuck) = (held, 0);
        while stuck < PATIENCE {
            let start = usize::try_from(at).unwrap_or(usize::MAX).min(bytes.len());
            let end = bytes.len().min(start + CHUNK_BYTES);
            let piece = bytes.get(start..end).unwrap_or_default();
            let path = format!("/photos/{logbook}/{digest}/{at}/{}", bytes.len());
            let answer: Answer = hub.send_bytes(&path, piece)?;
            carried.sent_bytes += piece.len() as u64;
            if answer.whole {
                carried.sent += 1;
                return Ok(true);
            }
            stuck = if answer.held > at { 0 } else { stuck + 1 };
            at = answer.held;
        }
        let message = format!("the office does not take {} to its end", digest.short());
        Err(Error::new(Kind::Machine, message))
    }

    /// Brings a picture from the office, and keeps it here.
    ///
    /// # Errors
    /// The hub's own, where it is not there yet; or where what comes is another picture.
    pub fn bring(&self, hub: &OwnHub, (logbook, digest): Named) -> Result<Vec<u8>, Error> {
        let mut bytes = Vec::new();
        loop {
            let path = format!("/photos/{logbook}/{digest}/{}", bytes.len());
            let piece = hub.get_bytes(&path, CHUNK_BYTES as u64)?;
            if piece.is_empty() {
                break;
            }
            bytes.extend(piece);
        }
        if PhotoDigest::of(&bytes) != digest {
            let message = "what the office sent is another picture".to_owned();
            return Err(Error::new(Kind::Machine, message).hint("try again."));
        }
        let kept = self.folder.keep(&bytes, self.store.device());
        kept.map_err(|why| self.not_kept(&why))?;
        self.keep_said(digest, AT_OFFICE)?;
        Ok(bytes)
    }

    /// Copies between two stores' folders what these logbooks name and one of them lacks.
    pub fn copy_with(
        &self,
        other: &Self,
        moved: impl Iterator<Item = LogbookId>,
    ) -> Result<Carried, Error> {
        let mut carried = Carried::default();
        let unsent = self.unsent()?.into_iter().map(|(logbook, _)| logbook);
        let logbooks: BTreeSet<_> = moved.chain(unsent).collect();
        for logbook in logbooks {
            for digest in photo::named(self.store.state(logbook)?.as_ref()).into_keys() {
                match (self.read(digest)?, other.read(digest)?) {
                    (Some(bytes), None) => {
                        other.keep(&bytes, logbook)?;
                        carried.sent += 1;
                        carried.sent_bytes += bytes.len() as u64;
                    }
                    (None, Some(bytes)) => {
                        self.keep(&bytes, logbook)?;
                        carried.received += 1;
                    }
                    _ => {}
                }
            }
        }
        Ok(carried)
    }
}
