//! Pictures of things: what an entry says of a picture. The picture's own bytes never stand in a
//! log; they lie beside it, on the device that took it and then at the office, under the digest that
//! the entry names. So a finding stands though its picture has not arrived, and whoever gets bytes
//! from anywhere can tell that they are the ones meant. [`jpeg::plain`] is the one way in: what it
//! returns carries no position and nothing else that the camera wrote about itself.

pub mod jpeg;

use std::collections::BTreeMap;
use std::fmt;
use std::str::FromStr;

use super::fields::seen;
use super::things::{Parts, Seen, Thing};
use super::words::{Vocabulary, plain, vocabularies};
use crate::log::id::{ChainId, ThingId};
use crate::log::value::Value;
use crate::merge::replay::{Observation, State};

/// The largest picture that is taken, in bytes. One of [`LONG_EDGE_PX`] at usual quality has a
/// tenth of that.
pub const MAX_BYTES: usize = 4 * 1024 * 1024;
/// How much of a picture travels at a time: what a weak line carries within a minute, so that a cut
/// costs no more than that.
pub const CHUNK_BYTES: usize = 64 * 1024;
/// The long edge to which a phone scales, in pixels: a nozzle is still told from its neighbour at an
/// arm's length, and a day's pictures go over a weak line. Common practice, no source.
pub const LONG_EDGE_PX: u32 = 1_600;

/// What a picture is known by everywhere: BLAKE3 of its bytes.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct PhotoDigest([u8; 32]);

impl PhotoDigest {
    /// Returns the digest of a picture's bytes.
    #[must_use]
    pub fn of(bytes: &[u8]) -> Self {
        Self(*blake3::hash(bytes).as_bytes())
    }

    /// Makes the digest from its 32 bytes.
    #[must_use]
    pub const fn from_bytes(bytes: [u8; 32]) -> Self {
        Self(bytes)
    }

    /// Returns the 32 bytes.
    #[must_use]
    pub const fn bytes(&self) -> &[u8; 32] {
        &self.0
    }

    /// Returns the short name by which people call the picture.
    #[must_use]
    pub fn short(&self) -> String {
        let [a, b, c, d, ..] = self.0;
        format!("photo-{a:02x}{b:02x}{c:02x}{d:02x}")
    }
}

impl fmt::Display for PhotoDigest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

impl fmt::Debug for PhotoDigest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "PhotoDigest({self})")
    }
}

/// Text that is no digest of a picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("a picture's digest has 64 hexadecimal digits")]
pub struct NotADigest;

impl FromStr for PhotoDigest {
    type Err = NotADigest;

    fn from_str(text: &str) -> Result<Self, NotADigest> {
        let mut bytes = [0; 32];
        if text.len() != 64 || !text.is_ascii() {
            return Err(NotADigest);
        }
        for (byte, pair) in bytes.iter_mut().zip(text.as_bytes().chunks(2)) {
            let pair = std::str::from_utf8(pair).map_err(|_| NotADigest)?;
            // `from_str_radix` would take a sign, too.
            if !pair.bytes().all(|digit| digit.is_ascii_hexdigit()) {
                return Err(NotADigest);
            }
            *byte = u8::from_str_radix(pair, 16).map_err(|_| NotADigest)?;
        }
        Ok(Self(bytes))
    }
}

vocabularies! {
    /// What a picture shows.
    Shows {
        /// How it was, before anybody touched it.
        Before = "before",
        /// How it is after the work.
        After = "after",
        /// What was found.
        Evidence = "evidence",
    }
}

/// Whether the device that took a picture could keep it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kept {
    /// It did, until the office has it.
    Kept,
    /// It had no room left: the entry tells of a picture that nobody has.
    NoRoom,
}

/// What an entry says of a picture.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Photo {
    /// Which picture.
    pub digest: PhotoDigest,
    /// How many bytes it has.
    pub bytes: u64,
    /// How wide it is, in pixels.
    pub width: u32,
    /// How high it is, in pixels.
    pub height: u32,
    /// When it was taken, in RFC 3339, as the device's clock said.
    pub taken: Option<String>,
    /// What it shows.
    pub shows: Option<Shows>,
    /// In somebody's words.
    pub caption: Option<String>,
    /// Whether its device could keep it.
    pub kept: Kept,
}

impl Photo {
    /// Describes a picture that has nothing on it but itself.
    #[must_use]
    pub fn of(picture: &jpeg::Plain) -> Self {
        Self {
            digest: PhotoDigest::of(&picture.bytes),
            bytes: picture.bytes.len() as u64,
            width: picture.width,
            height: picture.height,
            taken: None,
            shows: None,
            caption: None,
            kept: Kept::Kept,
        }
    }

    /// Reads a stored value; none where it names no digest, as a mere mention of a picture does.
    #[must_use]
    pub fn read(value: &Value) -> Option<Self> {
        let parts = Parts::of(&seen::PHOTO, value);
        let words = |name| parts.words(name).map(str::to_owned);
        let count = |name| parts.get(name).and_then(Value::as_int);
        let px = |name| count(name).and_then(|px| u32::try_from(px).ok());
        Some(Self {
            digest: parts.words("digest")?.parse().ok()?,
            bytes: u64::try_from(count("bytes")?).ok()?,
            width: px("width").unwrap_or(0),
            height: px("height").unwrap_or(0),
            taken: words("taken"),
            shows: parts.words("shows").and_then(Shows::of_word),
            caption: words("caption"),
            kept: match parts.get("kept").and_then(Value::as_bool) {
                Some(false) => Kept::NoRoom,
                _ => Kept::Kept,
            },
        })
    }

    /// Returns the value that is stored.
    #[must_use]
    pub fn value(&self) -> Value {
        let mut parts = BTreeMap::from([
            (1, Value::text(self.digest.short())),
            (3, Value::text(self.digest.to_string())),
            (4, Value::Int(self.bytes as i64)),
            (5, Value::Int(i64::from(self.width))),
            (6, Value::Int(i64::from(self.height))),
        ]);
        if let Some(caption) = &self.caption {
            parts.insert(2, Value::text(caption));
        }
        if let Some(taken) = &self.taken {
            parts.insert(7, Value::text(taken));
        }
        if let Some(shows) = self.shows {
            parts.insert(8, Value::text(shows.word()));
        }
        if self.kept == Kept::NoRoom {
            parts.insert(9, Value::Bool(false));
        }
        Value::Record(parts)
    }

    /// Returns what it is in a few words: `evidence, "split at the seam", photo-1a2b3c4d, 412 kB`.
    #[must_use]
    pub fn words(&self) -> String {
        let mut words = Vec::new();
        words.extend(self.shows.map(|shows| plain(shows.word())));
        words.extend(
            self.caption
                .as_ref()
                .map(|caption| format!("\"{caption}\"")),
        );
        words.push(self.digest.short());
        words.push(size(self.bytes));
        if self.kept == Kept::NoRoom {
            words.push("could not be kept: no room was left on the device".to_owned());
        }
        words.join(", ")
    }
}

/// Returns a picture's size for people, in kB of 1,000 bytes.
#[must_use]
pub fn size(bytes: u64) -> String {
    format!("{} kB", bytes.div_ceil(1_000))
}

/// Returns the pictures of a thing, oldest first.
#[must_use]
pub fn photos<'a>(thing: &Thing<'a>) -> Vec<Seen<'a, Photo>> {
    let seen = thing.seen(&seen::PHOTO).iter();
    seen.filter_map(|by| {
        let value = Photo::read(&by.value)?;
        Some(Seen { by, value })
    })
    .collect()
}

/// A picture that a logbook names.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Named {
    /// What its entry says.
    pub photo: Photo,
    /// Of what: one thing, or several.
    pub things: Vec<ThingId>,
    /// Who took it.
    pub by: String,
    /// Whose entries tell of it.
    pub chains: Vec<ChainId>,
}

/// Returns every picture that a logbook's entries name, each once; the first who named it counts as
/// the one who took it. A state that was not told to people also has those that were taken back.
#[must_use]
pub fn named(state: &State) -> BTreeMap<PhotoDigest, Named> {
    let mut named: BTreeMap<PhotoDigest, Named> = BTreeMap::new();
    let lists = state.lists_of(seen::PHOTO.number);
    let mut seen: Vec<(ThingId, &Observation)> = lists
        .flat_map(|(thing, list)| list.iter().map(move |seen| (thing, seen)))
        .collect();
    seen.sort_by_key(|(_, seen)| (seen.stamp, seen.place));
    for (thing, seen) in seen {
        let Some(photo) = Photo::read(&seen.value) else {
            continue;
        };
        let one = named.entry(photo.digest).or_insert_with(|| Named {
            photo: photo.clone(),
            things: Vec::new(),
            by: seen.by.to_string(),
            chains: Vec::new(),
        });
        if !one.things.contains(&thing) {
            one.things.push(thing);
        }
        one.chains.push(seen.place.chain);
        if photo.kept == Kept::Kept && one.photo.kept == Kept::NoRoom {
            one.photo = photo; // somebody else could keep it
            one.by = seen.by.to_string();
        }
    }
    named
}

#[cfg(test)]
mod tests;
