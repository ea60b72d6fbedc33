//! Pictures as the office's pages show them: the picture, or on whose phone it still is.

use std::collections::BTreeMap;

use headwalk_core::log::id::{LogbookId, ThingId};
use headwalk_core::site::photo::{Kept, Named, Photo, PhotoDigest};

use crate::hub::Hub;
use crate::office::Digests;

/// A picture, and how it stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Shown {
    /// Which.
    pub digest: PhotoDigest,
    /// What it is, in a few words.
    pub words: String,
    /// How large it is, in pixels.
    pub size: (u32, u32),
    /// Where it is.
    pub whereabouts: Whereabouts,
}

/// Where a picture is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Whereabouts {
    /// Here.
    Here,
    /// On that person's phone.
    OnPhoneOf(String),
    /// Nowhere: the device that took it had no room.
    Nowhere,
}

/// The pictures of a day's end.
#[derive(Debug, Default)]
pub struct DayPhotos {
    /// Those of each thing.
    pub of: BTreeMap<(LogbookId, ThingId), Vec<Shown>>,
    /// How many have not arrived, by whose phone and of which site.
    pub on_phones: BTreeMap<String, BTreeMap<String, usize>>,
}

impl Hub {
    /// Says how a picture stands.
    pub(crate) fn shown(&self, photo: &Photo, by: &str) -> Shown {
        let whereabouts = match photo.kept {
            _ if self.has_photo(photo.digest) => Whereabouts::Here,
            Kept::NoRoom => Whereabouts::Nowhere,
            Kept::Kept => Whereabouts::OnPhoneOf(by.to_owned()),
        };
        Shown {
            digest: photo.digest,
            words: photo.words(),
            size: (photo.width, photo.height),
            whereabouts,
        }
    }

    /// Returns the pictures that these logbooks name.
    pub(crate) fn day_photos(&self, digests: &Digests) -> DayPhotos {
        let mut day = DayPhotos::default();
        for (logbook, site, named) in digests.photos() {
            let shown = self.shown(&named.photo, &named.by);
            if let Whereabouts::OnPhoneOf(by) = &shown.whereabouts {
                let of_phone = day.on_phones.entry(by.clone()).or_default();
                *of_phone.entry(site.to_owned()).or_default() += 1;
            }
            let Named { things, .. } = named;
            for thing in things {
                let of_thing = day.of.entry((logbook, *thing)).or_default();
                of_thing.push(shown.clone());
            }
        }
        day
    }
}
