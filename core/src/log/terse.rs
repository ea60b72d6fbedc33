//! Entries as one store tells them to another that holds those before them: in few bytes, and quick to
//! read.
//!
//! Most of an entry follows from what both sides know. Its device, logbook, visit and person are mostly
//! those of the entry before it, its stamp comes next, its number counts on; things and logbooks that
//! both hold are told by two or three bytes of their ids, and of an entry that the listener holds as well
//! no tip is told. A check over the tips of all entries tells whether both meant the same. What was
//! packed so means the same to everyone who holds what the first listener held, so it can be given on
//! as it is. Start at [`pack`] and [`Unpacking`].

mod read;
mod unpacking;
mod write;

pub(crate) use unpacking::ABOUT;
pub use unpacking::Unpacking;
pub use write::pack;

use super::chain::Tip;
use super::codec::{self, CodecError};
use super::columns::Short;
use super::id::{DeviceId, LogbookId, Seq};
use super::shapes::Scan;

/// The first byte of what is packed so.
pub const VERSION: u8 = 4;
/// How many bytes of the id of a thing or a device are told: its last ones, which are chance.
pub const TOLD: usize = 2;
/// What is told of such an id.
pub type Told = [u8; TOLD];

/// What the one who is told holds, as far as the one who tells knows.
pub trait Listener {
    /// Whether it holds this logbook, and holds no other that is told alike.
    fn holds(&self, logbook: LogbookId) -> bool;
    /// Whether it holds entries of this logbook that name this id, and none that names another that is
    /// told alike.
    fn knows(&self, logbook: LogbookId, id: &[u8; 16]) -> bool;
    /// Whether it holds whatever entries of this logbook one that it is told now can name, each number
    /// of a device once.
    fn follows(&self, logbook: LogbookId) -> bool;
}

/// What the one who is told holds, as it knows itself. An error says that it could not look.
pub trait Holder<E> {
    /// The logbook of which this is told.
    fn logbook(&mut self, told: Short) -> Result<Option<LogbookId>, E>;
    /// The id in a logbook's entries of which this is told.
    fn id(&mut self, logbook: LogbookId, told: Told) -> Result<Option<[u8; 16]>, E>;
    /// The tip of an entry of a logbook.
    fn tip(&mut self, logbook: LogbookId, device: DeviceId, seq: Seq) -> Result<Option<Tip>, E>;
}

/// What is told of an id.
pub fn told(id: &[u8; 16]) -> Told {
    let (_, told) = id.split_last_chunk().expect("an id is longer");
    *told
}

/// Which of an entry's parts are those to be expected, each a bit of its first byte.
mod expected {
    /// The device of the entry before.
    pub(super) const DEVICE: u8 = 1;
    /// The logbook of this device's entry before.
    pub(super) const LOGBOOK: u8 = 2;
    /// The number and tip that follow this device's entry before in this logbook.
    pub(super) const NEXT: u8 = 4;
    /// This device's wall time before, and the tick after it.
    pub(super) const STAMP: u8 = 8;
    /// The visit of this device's entry before in this logbook.
    pub(super) const VISIT: u8 = 16;
    /// The person and the UTC offset of this device's entry before.
    pub(super) const PERSON: u8 = 32;
    /// Nothing was gained.
    pub(super) const SAW: u8 = 64;
    /// There is one change.
    pub(super) const ONE: u8 = 128;
}

/// How the tip of an entry is told.
mod tip {
    /// There is no entry before.
    pub(super) const NONE: u64 = 0;
    /// The listener has it.
    pub(super) const HELD: u64 = 1;
    /// Spelled out.
    pub(super) const SPELLED: u64 = 2;
}

/// The columns, by their places. Numbers in them are of variable length.
mod column {
    /// One byte an entry: what of it is as expected.
    pub(super) const EXPECTED: usize = 0;
    /// Which entries travel as they are, each as the distance from the one before it.
    pub(super) const AS_IT_IS: usize = 1;
    pub(super) const DEVICE: usize = 2;
    pub(super) const LOGBOOK: usize = 3;
    pub(super) const SEQ: usize = 4;
    pub(super) const WALL: usize = 5;
    pub(super) const TICK: usize = 6;
    pub(super) const VISIT: usize = 7;
    pub(super) const PERSON: usize = 8;
    pub(super) const OFFSET: usize = 9;
    pub(super) const GAINED: usize = 10;
    pub(super) const CHANGES: usize = 11;
    /// Of each change its form: kind, field, how it is known, kind of value, unit and decimals.
    pub(super) const FORM: usize = 12;
    /// Each form at its first use.
    pub(super) const FORMS: usize = 13;
    pub(super) const THING: usize = 14;
    /// Of each id at its first use, whether it is told or spelled out.
    pub(super) const SPELLED: usize = 15;
    pub(super) const NAMES: usize = 16;
    pub(super) const LENGTH: usize = 17;
    pub(super) const BODY: usize = 18;
    /// Amounts without their decimal point, and whole numbers.
    pub(super) const AMOUNT: usize = 19;
    /// Ids, what is told of them, tips, and amounts in eight bytes: chance, which packs no further.
    pub(super) const CHANCE: usize = 20;
    pub(super) const COUNT: usize = 21;
}

/// What the changes of many entries have in common.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
struct Form {
    kind: u8,
    field: u16,
    how: u8,
    tag: u8,
    unit: u16,
    /// How many decimals the amount has, and one more; zero where it is in eight bytes.
    decimals: u8,
}

impl Form {
    const fn of_kind(kind: u8) -> Self {
        Self {
            kind,
            field: 0,
            how: 0,
            tag: 0,
            unit: 0,
            decimals: 0,
        }
    }

    /// Whether a change of this form is about a thing: it sets a field, or tells what was seen.
    const fn is_about_a_thing(&self) -> bool {
        matches!(self.kind, codec::SET | codec::OBSERVE)
    }
}

/// Returns how many entries a batch says that it holds; zero for what is none.
pub fn count(packed: &[u8]) -> u64 {
    header(packed).map_or(0, |header| header.entries)
}

/// What stands before the columns.
struct Header<'a> {
    check: [u8; 8],
    entries: u64,
    chance: &'a [u8],
    deflated: &'a [u8],
}

fn header(packed: &[u8]) -> Result<Header<'_>, CodecError> {
    let mut left = Scan::of(packed);
    if left.byte()? != VERSION {
        return Err(CodecError::Shape("it is of another version"));
    }
    Ok(Header {
        check: left.array()?,
        entries: left.number()?,
        chance: left.sized()?,
        deflated: left.rest(),
    })
}

/// The check of entries that follow each other.
fn check(tips: impl Iterator<Item = Tip>) -> [u8; 8] {
    let mut hasher = blake3::Hasher::new_derive_key("headwalk 2026 terse batch v1");
    // All at once: BLAKE3 takes long bytes many times as fast as short ones.
    let tips: Vec<u8> = tips.flat_map(|tip| tip.0).collect();
    hasher.update(&tips);
    let mut check = [0; 8];
    hasher.finalize_xof().fill(&mut check);
    check
}

#[cfg(test)]
mod tests;
