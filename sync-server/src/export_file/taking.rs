//! A file taken into a store, piece by piece, so that no more is held of it than a piece.
//!
//! All of it was checked before anything is taken, so only a disk or whoever changes the file meanwhile can
//! come between. What was taken by then is whole, with all on which it builds, and whoever takes the file
//! again goes on from there.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{self, BufRead, Seek};

use headwalk_core::log::codec;
use headwalk_core::log::id::{DeviceId, LogbookId};
use headwalk_core::log::seal::{Keys, Seal};
use headwalk_core::log::stamp::WallMs;
use headwalk_core::store::{self, Appended, Clocks, Store, Taking};

use super::pieces::{Again, AtMost};
use super::{Sound, Unsound, Whole, check, straight};

/// A file in which nothing is wrong.
pub struct Checked<F> {
    /// What is in it.
    pub sound: Sound,
    entries: Entries<F>,
}

/// Where its entries are, each behind those that its writer had seen.
enum Entries<F> {
    /// All here, to be taken as one piece.
    Here(Vec<Vec<u8>>),
    /// In the file.
    There(Again<F>),
}

/// Why not all of a file was taken.
#[derive(Debug)]
pub struct CutShort {
    /// How many of its entries are in the store, from the first on.
    pub there: u64,
    /// What came between.
    pub why: Why,
}

/// What can come between while a file is taken.
#[derive(Debug, thiserror::Error)]
pub enum Why {
    /// The store did not take a piece.
    #[error(transparent)]
    Store(#[from] store::Error),
    /// The file cannot be read any more.
    #[error("the file cannot be read: {0}")]
    Unreadable(#[from] io::Error),
    /// The file is another than the one that was checked.
    #[error("the file was changed while it was read")]
    Changed,
}

impl<F: BufRead + Seek> Checked<F> {
    /// Reads a file and holds everything in it against everything else. Where nothing is wrong with it, it is
    /// nearly always read line by line, and eight bytes are held of each entry; of any other all is.
    ///
    /// # Errors
    /// [`Unsound`].
    pub fn read(file: F) -> Result<Self, Unsound> {
        Self::read_for(file, AtMost::USUAL)
    }

    /// Reads a file that is to be taken in such pieces.
    pub(super) fn read_for(mut file: F, at_most: AtMost) -> Result<Self, Unsound> {
        if let Some((sound, pieces)) = straight::read(&mut file, at_most)? {
            let entries = Entries::There(Again::over(file, pieces)?);
            return Ok(Self { sound, entries });
        }
        file.rewind()?;
        let mut text = String::new();
        file.read_to_string(&mut text)?;
        let Whole { sound, entries } = check(&text).map_err(Unsound::Wrong)?;
        let entries = Entries::Here(entries);
        Ok(Self { sound, entries })
    }

    /// Takes what a store does not have into it, entries with their seals; each piece is on disk before the
    /// next is read.
    ///
    /// # Errors
    /// [`CutShort`].
    pub fn take_into(mut self, store: &Store, now: WallMs) -> Result<Appended, CutShort> {
        let mut seals = by_chain(core::mem::take(&mut self.sound.seals));
        let mut all = Appended::default();
        loop {
            let taken = match self.entries.next() {
                Ok(piece) if piece.is_empty() => return Ok(all),
                Ok(piece) => take(&piece, &mut seals, store, now),
                Err(why) => Err(why),
            };
            match taken {
                Ok(taken) => {
                    all.new += taken.new;
                    all.held += taken.held;
                }
                Err(why) => {
                    let there = (all.new + all.held) as u64;
                    return Err(CutShort { there, why });
                }
            }
        }
    }
}

impl<F: BufRead + Seek> Entries<F> {
    /// The next piece, and an empty one after the last.
    fn next(&mut self) -> Result<Vec<Vec<u8>>, Why> {
        match self {
            Self::Here(entries) => Ok(core::mem::take(entries)),
            Self::There(again) => again.next()?.ok_or(Why::Changed),
        }
    }
}

type Seals = BTreeMap<(LogbookId, DeviceId), Vec<Seal>>;

fn by_chain(seals: Vec<Seal>) -> Seals {
    let (mut keys, mut by_chain) = (Keys::default(), Seals::new());
    for seal in seals {
        if let Some(device) = keys.device_of(&seal) {
            let of_chain = by_chain.entry((seal.logbook, device)).or_default();
            of_chain.push(seal);
        }
    }
    by_chain
}

/// Takes a piece, and with the first entries of a chain its seals, though they reach farther: whoever has some
/// of its entries, and is cut off, can then give these on.
fn take(piece: &[Vec<u8>], seals: &mut Seals, store: &Store, now: WallMs) -> Result<Appended, Why> {
    let chains = piece.iter().map(|raw| codec::peek(raw));
    let chains: Result<BTreeSet<_>, _> = chains.collect();
    let chains = chains.map_err(store::Error::from)?.into_iter();
    let theirs: Vec<_> = chains
        .filter_map(|chain| seals.remove(&chain))
        .flatten()
        .collect();
    let taking = Taking::everything(Clocks::TakenAsTold);
    Ok(store.append_sealed(piece, &theirs, &taking, now)?)
}

#[cfg(test)]
mod tests;
