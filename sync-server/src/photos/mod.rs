//! Pictures at the hub: who may bring one, who may have one, and whether it has arrived.
//!
//! A device brings and gets pictures that an entry names, in a logbook that it carries; it may also
//! bring what its own entries name, of a site that was taken off its route meanwhile, as it may with
//! the entries themselves. The pictures lie in a [`folder::Folder`] beside the log and never in it.

pub mod folder;
mod http;
pub mod office;

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use headwalk_core::log::id::{ChainId, LogbookId};
use headwalk_core::log::vector::VersionVector;
use headwalk_core::site::photo::{self, CHUNK_BYTES, Named, PhotoDigest};
use headwalk_core::store::Store;

use self::folder::{Folder, Held, NotTaken};
use crate::access::{Enrolled, Role};
use crate::error::Error;
use crate::hub::Hub;
use crate::refused::Refused;
use crate::secret::Token;

pub(crate) use http::router;

/// The folder of the pictures, in the hub's folder.
pub const PHOTO_FOLDER: &str = "photos";
/// How many logbooks' pictures are remembered by name.
const REMEMBERED: usize = 10_000;

/// The pictures, and which logbook names which.
#[derive(Debug)]
pub(crate) struct Photos {
    folder: Folder,
    // Worked out anew only when a logbook has moved on; never held while a picture is read.
    named: Mutex<BTreeMap<LogbookId, (VersionVector, Names)>>,
    // Those that were seen in the folder, so that a page of many asks the disk for few.
    arrived: Mutex<BTreeSet<PhotoDigest>>,
}

type Names = Arc<BTreeMap<PhotoDigest, Named>>;

/// What the hub says of a picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Standing {
    /// Whether an entry names it that the asking device may speak of.
    pub named: bool,
    /// What of it is here.
    pub held: Held,
}

/// How sure an answer must be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sure {
    /// By the picture's name in the folder.
    ByName,
    /// By its bytes: the device is about to let its own copy go.
    ByBytes,
}

impl Photos {
    pub(crate) fn in_folder(hub: &Path) -> Self {
        Self {
            folder: Folder::at(hub.join(PHOTO_FOLDER)),
            named: Mutex::default(),
            arrived: Mutex::default(),
        }
    }

    fn arrived(&self) -> MutexGuard<'_, BTreeSet<PhotoDigest>> {
        self.arrived.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn has(&self, digest: PhotoDigest) -> bool {
        if self.arrived().contains(&digest) {
            return true;
        }
        let has = self.folder.has(digest);
        if has {
            self.arrived().insert(digest);
        }
        has
    }

    /// Reads a picture; one that is gone or damaged counts as not arrived from then on.
    fn read(&self, digest: PhotoDigest) -> Result<Option<Vec<u8>>, Error> {
        let read = self.folder.read(digest).map_err(Error::Photos)?;
        if read.is_none() {
            self.arrived().remove(&digest);
        }
        Ok(read)
    }

    /// Returns the pictures that a logbook's entries name, those taken back among them.
    fn named_in(&self, log: &Store, logbook: LogbookId) -> Result<Names, Error> {
        let vector = log.vector(logbook)?;
        let mut named = self.named.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((_, names)) = named.get(&logbook).filter(|(at, _)| *at == vector) {
            return Ok(Arc::clone(names));
        }
        if named.len() >= REMEMBERED {
            named.clear();
        }
        let names = Arc::new(photo::named(log.state(logbook)?.as_ref()));
        named.insert(logbook, (vector, Arc::clone(&names)));
        Ok(names)
    }
}

/// What a device would like to do with a picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum To {
    Bring,
    Have,
}

impl Hub {
    /// Says how a picture stands, for a device that has it or would like to.
    ///
    /// # Errors
    /// [`Refused`] where the device may not come in, or the disk fails.
    pub fn photo_standing(
        &self,
        token: &Token,
        asked: &[(LogbookId, PhotoDigest, Sure)],
    ) -> Result<Vec<Standing>, Refused> {
        let holder = self.holder(token)?;
        let photos = self.photos();
        let standing = |(logbook, digest, sure): &(LogbookId, PhotoDigest, Sure)| {
            let named = self.may(&holder, *logbook, *digest, To::Bring)?;
            if !named {
                let held = Held::Part(0);
                return Ok(Standing { named, held });
            }
            if *sure == Sure::ByBytes {
                photos.read(*digest)?;
            }
            let held = photos.folder.held(*digest, holder.device);
            let held = held.map_err(Error::Photos)?;
            Ok(Standing { named, held })
        };
        asked.iter().map(standing).collect()
    }

    /// Takes one piece of a picture of `size` bytes, and says what is then here, on disk.
    ///
    /// # Errors
    /// [`Refused::NoSuchPhoto`] where no entry names it that the device may speak of;
    /// [`Refused::NotAllowed`] for an auditor; [`Refused::PhotoTooLarge`], [`Refused::OtherPhoto`],
    /// [`Refused::PhotoNotPlain`].
    pub fn take_photo(
        &self,
        token: &Token,
        (logbook, digest): (LogbookId, PhotoDigest),
        size: u64,
        piece: (u64, &[u8]),
    ) -> Result<Held, Refused> {
        let holder = self.holder(token)?;
        if holder.role == Role::Auditor {
            return Err(Refused::NotAllowed(holder.role));
        }
        if !self.may(&holder, logbook, digest, To::Bring)? {
            return Err(Refused::NoSuchPhoto);
        }
        let photos = self.photos();
        let held = photos.folder.take(digest, holder.device, size, piece);
        let held = held.map_err(|why| match why {
            NotTaken::Disk(cause) => Refused::Failed(Error::Photos(cause)),
            NotTaken::TooLarge(bytes) => Refused::PhotoTooLarge(bytes),
            NotTaken::Other => Refused::OtherPhoto,
            NotTaken::NotPlain(_) => Refused::PhotoNotPlain(why.to_string()),
        })?;
        Ok(held)
    }

    /// Returns a piece of a picture from `at` on, of at most [`CHUNK_BYTES`]; empty at its end.
    ///
    /// # Errors
    /// [`Refused::NoSuchPhoto`] where no entry names it in a logbook that the device carries;
    /// [`Refused::PhotoNotHere`].
    pub fn photo_piece(
        &self,
        token: &Token,
        (logbook, digest): (LogbookId, PhotoDigest),
        at: u64,
    ) -> Result<Vec<u8>, Refused> {
        let holder = self.holder(token)?;
        if !self.may(&holder, logbook, digest, To::Have)? {
            return Err(Refused::NoSuchPhoto);
        }
        let bytes = self.photo(digest)?.ok_or(Refused::PhotoNotHere)?;
        let at = usize::try_from(at).unwrap_or(usize::MAX).min(bytes.len());
        let end = bytes.len().min(at.saturating_add(CHUNK_BYTES));
        Ok(bytes.get(at..end).unwrap_or_default().to_vec())
    }

    /// Returns a picture for the office's pages, which show every logbook.
    ///
    /// # Errors
    /// [`Refused::NoSuchPhoto`] where no entry of the logbook names it; [`Refused::PhotoNotHere`].
    pub fn office_photo(
        &self,
        logbook: LogbookId,
        digest: PhotoDigest,
    ) -> Result<Vec<u8>, Refused> {
        let named = self.photos().named_in(self.log(), logbook)?;
        if !named.contains_key(&digest) {
            return Err(Refused::NoSuchPhoto);
        }
        self.photo(digest)?.ok_or(Refused::PhotoNotHere)
    }

    /// Returns whether a picture has arrived, by its name.
    pub(crate) fn has_photo(&self, digest: PhotoDigest) -> bool {
        self.photos().has(digest)
    }

    /// Returns a picture; none where it has not arrived.
    pub(crate) fn photo(&self, digest: PhotoDigest) -> Result<Option<Vec<u8>>, Refused> {
        Ok(self.photos().read(digest)?)
    }

    fn may(
        &self,
        holder: &Enrolled,
        logbook: LogbookId,
        digest: PhotoDigest,
        to: To,
    ) -> Result<bool, Error> {
        let named = self.photos().named_in(self.log(), logbook)?;
        let Some(named) = named.get(&digest) else {
            return Ok(false);
        };
        let mut ids = holder.later.iter().chain([&holder.device]);
        let own = to == To::Bring && ids.any(|id| named.chains.contains(&ChainId::of(*id)));
        Ok(own || self.carries(holder, logbook)?)
    }
}
