//! What a screen shows of the pictures of a thing.

use headwalk_core::log::id::ThingId;
use headwalk_core::site::photo::{self, Kept, Photo, Shows};
use headwalk_core::site::things::{Seen, Site};
use headwalk_core::site::words::Vocabulary;
use serde::Serialize;

use super::{AtOffice, Elsewhere, PhotoWord, Wanted, name};
use crate::act::{Act, Id, Thing};
use crate::phone::Phone;
use crate::screens::Desk;
use crate::view::{Block, Button};

/// The pictures of a thing, and the way to take one.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PhotoBlock {
    /// Of what.
    pub thing: Thing,
    /// The heading.
    pub label: String,
    /// The pictures, newest first.
    pub photos: Vec<PhotoTile>,
    /// The way to take one.
    pub take: TakePhoto,
}

/// A picture, or where it is.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PhotoTile {
    /// Its file on this phone.
    pub file: Option<String>,
    /// What it is.
    pub words: String,
    /// Where it is.
    pub note: String,
    /// Brings it here.
    pub bring: Option<Button>,
}

/// The way to take a picture: the camera, then one tap that keeps it as something.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TakePhoto {
    /// Opens the camera.
    pub label: String,
    /// The long edge to which it is scaled, in pixels.
    pub long_edge: u32,
    /// What it is kept as: word and label, the usual first.
    pub keep: Vec<(&'static str, String)>,
    /// Does not keep it.
    pub throw_away: String,
    /// What is said of a file that is no picture.
    pub unreadable: String,
}

/// Returns the pictures of a thing and the way to take one.
pub(crate) fn block(desk: &Desk<'_>, site: &Site<'_>, id: ThingId, label: Option<String>) -> Block {
    let language = desk.language();
    let seen = site.thing(id).map(|thing| photo::photos(&thing));
    let mut photos: Vec<_> = seen
        .unwrap_or_default()
        .iter()
        .map(|seen| tile(desk, seen))
        .collect();
    photos.reverse();
    let label = label.unwrap_or_else(|| PhotoWord::Pictures.said(language).to_owned());
    let keep = [
        (Shows::Evidence, PhotoWord::AsEvidence),
        (Shows::Before, PhotoWord::AsBefore),
        (Shows::After, PhotoWord::AsAfter),
    ];
    let keep = keep.map(|(shows, word)| (shows.word(), word.said(language).to_owned()));
    Block::Photos(Box::new(PhotoBlock {
        thing: Id(id),
        label,
        photos,
        take: TakePhoto {
            label: PhotoWord::Take.said(language).to_owned(),
            long_edge: photo::LONG_EDGE_PX,
            keep: keep.to_vec(),
            throw_away: PhotoWord::ThrowAway.said(language).to_owned(),
            unreadable: PhotoWord::Unreadable.said(language).to_owned(),
        },
    }))
}

fn tile(desk: &Desk<'_>, seen: &Seen<'_, Photo>) -> PhotoTile {
    let (language, photo) = (desk.language(), &seen.value);
    let shows = match photo.shows {
        Some(Shows::Before) => PhotoWord::Before,
        Some(Shows::After) => PhotoWord::After,
        Some(Shows::Evidence) => PhotoWord::Evidence,
        None => PhotoWord::Picture,
    };
    let at = seen.by.stamp.wall().at_offset(seen.by.utc_offset_min);
    let mut words = vec![
        shows.said(language).to_owned(),
        at.format("%m-%d %H:%M").to_string(),
        seen.by.by.to_string(),
    ];
    words.extend(photo.caption.clone());
    words.push(photo::size(photo.bytes));
    let pictures = &desk.phone.pictures;
    let by = &seen.by.by;
    let (file, note, may_bring) = match pictures.here.get(&photo.digest) {
        Some(here) => {
            let word = match (here.wanted, here.office) {
                (Wanted::Damaged, _) => PhotoWord::Damaged,
                (_, AtOffice::Arrived) => PhotoWord::AtOffice,
                (_, AtOffice::NotYet) => PhotoWord::Here,
            };
            let file = name(photo.digest, here.logbook);
            (Some(file), word.said(language).to_owned(), false)
        }
        None if photo.kept == Kept::NoRoom => {
            (None, PhotoWord::Lost.said(language).to_owned(), false)
        }
        None => {
            let note = match pictures.elsewhere.get(&photo.digest) {
                Some(Elsewhere::AtOffice) => PhotoWord::AtOfficeOnly.said(language).to_owned(),
                Some(Elsewhere::NotYetThere) => PhotoWord::OnPhoneOf.filled(language, by),
                None => PhotoWord::TakenBy.filled(language, by),
            };
            (None, note, true)
        }
    };
    let digest = photo.digest.to_string();
    let bring = Button::new(PhotoWord::Bring.said(language), Act::Bring { digest });
    PhotoTile {
        file,
        words: words.join(" · "),
        note,
        bring: may_bring.then_some(bring),
    }
}

/// Returns how many pictures are still on this phone alone, in words, if any are.
pub(crate) fn waiting(phone: &Phone) -> (usize, Option<String>) {
    let language = phone.prefs.language;
    match phone.photos_waiting() {
        0 => (0, None),
        1 => (1, Some(PhotoWord::OneWaiting.said(language).to_owned())),
        count => {
            let words = PhotoWord::Waiting.filled(language, &count.to_string());
            (count, Some(words))
        }
    }
}
