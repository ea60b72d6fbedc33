//! The hash chain of each device's entries in a logbook, and the check of a single entry.
//!
//! Links are computed, not sent. A changed, dropped or reordered entry gives another link. Each
//! entry names the one before it by its [`Tip`], so that two contents under one number are two
//! branches of the device's chain, and everyone can tell which entry follows which.

use core::fmt;
use core::str::FromStr;
use std::cell::RefCell;
use std::thread::LocalKey;

use super::id::{ChainId, DeviceId, LogbookId, Seq};
use super::lanes::Lanes;

thread_local! {
    static LINK: Kept = kept("headwalk 2026 entry chain v1");
    static HELD: Kept = kept("headwalk 2026 held chains v1");
    static TIP: Kept = kept("headwalk 2026 entry tip v1");
    static BRANCH: Kept = kept("headwalk 2026 branch id v1");
    static CHECK: Kept = kept("headwalk 2026 entry check v1");
}

/// A hasher for one context, used again and again. Entries are so short that deriving the context's key
/// for each of them would take a third of the work, and a hasher of its own a tenth.
type Kept = RefCell<Lanes>;

fn kept(context: &str) -> Kept {
    RefCell::new(Lanes::of(context))
}

fn hash(context: &'static LocalKey<Kept>, parts: &[&[u8]]) -> [u8; 32] {
    context.with_borrow_mut(|lanes| lanes.hash(parts))
}

fn leading<const N: usize>(hash: &[u8; 32]) -> [u8; N] {
    let (bytes, _) = hash.split_first_chunk().expect("N is below 32");
    *bytes
}

/// At most so many bytes are hashed in one piece with the link before them.
const SHORT: usize = 256;

/// The chain up to and including one entry.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Link([u8; 32]);

impl Link {
    /// Returns the link before a device's first entry in a logbook.
    pub fn origin(logbook: LogbookId, device: DeviceId) -> Self {
        Self(hash(&LINK, &[logbook.bytes(), device.bytes()]))
    }

    /// Returns the link after the entry with these exact bytes.
    pub fn after(&self, entry: &[u8]) -> Self {
        // In one piece if it is short, as most are: BLAKE3 then has no part of a block to keep.
        let mut both = [0; SHORT];
        let (before, rest) = both.split_at_mut(self.0.len());
        match rest.get_mut(..entry.len()) {
            Some(rest) => {
                before.copy_from_slice(&self.0);
                rest.copy_from_slice(entry);
                Self(hash(&LINK, &[&both[..self.0.len() + entry.len()]]))
            }
            None => Self(hash(&LINK, &[&self.0, entry])),
        }
    }

    /// Goes on with chains of entries, many side by side: each from its link on.
    pub(crate) fn all_after<'a, E: Iterator<Item = &'a [u8]>>(
        chains: impl Iterator<Item = (&'a mut Self, E)>,
    ) {
        LINK.with_borrow_mut(|lanes| {
            lanes.chains(chains, |(link, entries), hash, input| {
                if let Some(hash) = hash {
                    link.0 = *hash;
                }
                let Some(entry) = entries.next() else {
                    return false;
                };
                input.extend_from_slice(&link.0);
                input.extend_from_slice(entry);
                true
            });
        });
    }

    /// Makes a link from its 32 bytes.
    pub const fn from_bytes(bytes: [u8; 32]) -> Self {
        Self(bytes)
    }

    /// Returns the 32 bytes.
    pub const fn bytes(&self) -> &[u8; 32] {
        &self.0
    }
}

impl fmt::Display for Link {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        blake3::Hash::from_bytes(self.0).to_hex().fmt(f)
    }
}

impl fmt::Debug for Link {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Link({self})")
    }
}

/// Eight bytes that tell one entry from another of the same device and number. Enough to tell
/// branches apart; what must withstand an attacker compares or signs whole links.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Tip(pub [u8; 8]);

impl Tip {
    /// What a device's first entry names as the one before it.
    pub const NONE: Self = Self([0; 8]);

    /// Returns the tip of the entry with these exact bytes.
    pub fn of(entry: &[u8]) -> Self {
        Self(leading(&hash(&TIP, &[entry])))
    }

    /// Returns the tips of entries of which none waits for another, many side by side.
    pub(crate) fn of_all<'a>(entries: impl ExactSizeIterator<Item = &'a [u8]>) -> Vec<Self> {
        let mut tips = vec![Self::NONE; entries.len()];
        Self::of_chains(entries.zip(&mut tips), |(entry, tip), hashed, input| {
            match hashed {
                Some(hashed) => **tip = hashed,
                None => input.extend_from_slice(entry),
            }
            hashed.is_none()
        });
        tips
    }

    /// Makes the tips of entries each of which waits for the one before it on its chain, many chains side
    /// by side: `next` is given the tip of the entry whose bytes it put before, if it put some, and puts
    /// those of the next one, or says that there is none.
    pub(crate) fn of_chains<C>(
        chains: impl Iterator<Item = C>,
        mut next: impl FnMut(&mut C, Option<Self>, &mut Vec<u8>) -> bool,
    ) {
        TIP.with_borrow_mut(|lanes| {
            lanes.chains(chains, |chain, hash, input| {
                next(chain, hash.map(|hash| Self(leading(hash))), input)
            });
        });
    }
}

impl fmt::Display for Tip {
    /// As 16 hexadecimal digits.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:016x}", u64::from_be_bytes(self.0))
    }
}

impl FromStr for Tip {
    type Err = NotATip;

    fn from_str(text: &str) -> Result<Self, NotATip> {
        let number = (text.len() == 16).then(|| u64::from_str_radix(text, 16).ok());
        number
            .flatten()
            .map(|tip| Self(tip.to_be_bytes()))
            .ok_or(NotATip)
    }
}

/// Text that is not a tip.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("a tip is 16 hexadecimal digits")]
pub struct NotATip;

/// Names one entry of a logbook, whatever branches there are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Mark {
    /// The device that wrote it.
    pub device: DeviceId,
    /// Its number among that device's entries.
    pub seq: Seq,
    /// Which of the entries that bear this number.
    pub tip: Tip,
}

/// A digest of chains: equal exactly when the same chains end in the same links.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Held(pub [u8; 32]);

/// Returns the digest of these chains, each told by its logbook, its id and its last link. They must
/// be in the order of their ids.
pub fn held(chains: &[([u8; 32], Link)]) -> Held {
    // All at once: BLAKE3 takes long bytes many times as fast as short ones.
    let mut bytes = Vec::with_capacity(64 * chains.len());
    for (ids, link) in chains {
        bytes.extend_from_slice(ids);
        bytes.extend_from_slice(&link.0);
    }
    Held(hash(&HELD, &[&bytes]))
}

/// Returns the id of the branch that begins with this entry: every store files it alike.
pub fn branch_id(logbook: LogbookId, first: Mark) -> ChainId {
    let seq = first.seq.get().to_be_bytes();
    let (logbook, device) = (logbook.bytes(), first.device.bytes());
    let hash = hash(&BRANCH, &[logbook, device, &seq, &first.tip.0]);
    ChainId::from_bytes(leading(&hash))
}

/// Returns eight bytes that betray damage to any of these parts on an ordinary read, without the
/// entry before it. Parts but the last must be of fixed length.
pub fn check(parts: &[&[u8]]) -> [u8; 8] {
    leading(&hash(&CHECK, parts))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn chain(entries: &[&[u8]]) -> Link {
        let origin = Link::origin(
            LogbookId::from_bytes([1; 16]),
            DeviceId::from_bytes([2; 16]),
        );
        entries.iter().fold(origin, |link, entry| link.after(entry))
    }

    #[test]
    fn a_changed_dropped_or_reordered_entry_gives_another_link() {
        let whole = chain(&[b"one", b"two", b"three"]);
        assert_ne!(whole, chain(&[b"one", b"twO", b"three"]));
        assert_ne!(whole, chain(&[b"one", b"three"]));
        assert_ne!(whole, chain(&[b"two", b"one", b"three"]));
    }

    #[test]
    fn a_link_is_the_hash_of_the_one_before_and_the_entry_however_long_that_is() {
        let before = Link::from_bytes([7; 32]);
        for length in [
            0,
            1,
            31,
            32,
            33,
            SHORT - 33,
            SHORT - 32,
            SHORT - 31,
            SHORT,
            5_000,
        ] {
            let entry = vec![length as u8; length];
            let mut hasher = blake3::Hasher::new_derive_key("headwalk 2026 entry chain v1");
            hasher.update(before.bytes()).update(&entry);
            assert_eq!(before.after(&entry).bytes(), hasher.finalize().as_bytes());
        }
    }

    #[test]
    fn many_entries_come_to_the_same_as_one_by_one() {
        let entries: Vec<_> = (0..100_usize)
            .map(|nth| vec![nth as u8; 50 + 7 * nth])
            .collect();
        let raws = || entries.iter().map(Vec::as_slice);
        let tips: Vec<_> = raws().map(Tip::of).collect();
        assert_eq!(Tip::of_all(raws()), tips);
        // Chains of no entry, of one, of two and so on.
        let begin = |chain: usize| Link::from_bytes([chain as u8; 32]);
        let of = |chain: usize| raws().skip(chain * (chain - 1) / 2).take(chain);
        let mut links: Vec<_> = (0..14).map(begin).collect();
        let chains = links.iter_mut().enumerate();
        Link::all_after(chains.map(|(chain, link)| (link, of(chain.max(1)).take(chain))));
        for (chain, link) in links.into_iter().enumerate() {
            let entries = of(chain.max(1)).take(chain);
            assert_eq!(
                link,
                entries.fold(begin(chain), |link, entry| link.after(entry))
            );
        }
    }

    #[test]
    fn a_chain_is_not_another_devices() {
        let logbook = LogbookId::from_bytes([1; 16]);
        let one = Link::origin(logbook, DeviceId::from_bytes([2; 16]));
        assert_ne!(one, Link::origin(logbook, DeviceId::from_bytes([3; 16])));
    }
}
