//! Seals: a device signs how far its chain goes, so that nobody else can write in its name.
//!
//! A device's id follows from its public key, so that a seal can be held against the id alone:
//! offline, by another crew in the truck, or by an auditor years later. A seal covers the entry that
//! it names and, through the chain, every one before it.
//!
//! A device that seals many chains at once signs once: the ends of the chains are the leaves of a tree
//! of digests, and it signs the root. Each seal then brings the digests beside its way to the root, and
//! so stands by itself as before.

use core::fmt;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::LazyLock;

use blake3::hazmat::{ContextKey, HasherExt, hash_derive_key_context};
use ed25519_dalek::{Signature, Signer, SigningKey, VerifyingKey};

use super::chain::Link;
use super::id::{DeviceId, LogbookId, Seq};

const DEVICE_CONTEXT: &str = "headwalk 2026 device of key v1";
const SEAL_CONTEXT: &[u8] = b"headwalk 2026 seal v1";
const ROOT_CONTEXT: &[u8] = b"headwalk 2026 seal v2";
/// How many keys are kept from one check to the next.
const MOST_KEYS: usize = 1_024;
/// The longest way from an end to a root: a tree of more chains than anyone has.
pub const MOST_STEPS: usize = 32;

static END: LazyLock<ContextKey> =
    LazyLock::new(|| hash_derive_key_context("headwalk 2026 sealed chain v1"));
static FORK: LazyLock<ContextKey> =
    LazyLock::new(|| hash_derive_key_context("headwalk 2026 sealed chains v1"));

/// A device's secret: whoever has it can write in the device's name.
#[derive(Clone)]
pub struct DeviceKey(SigningKey);

impl DeviceKey {
    /// Makes the key from 32 bytes of chance, or from those that were kept.
    pub fn from_bytes(secret: [u8; 32]) -> Self {
        Self(SigningKey::from_bytes(&secret))
    }

    /// Returns the 32 bytes, to be kept in the device's own store and nowhere else.
    pub fn to_bytes(&self) -> [u8; 32] {
        self.0.to_bytes()
    }

    /// Returns the device whose key this is.
    pub fn device(&self) -> DeviceId {
        device_of(&self.0.verifying_key())
    }

    /// Signs that the device's chain in this logbook goes as far as this entry.
    pub fn seal(&self, logbook: LogbookId, seq: Seq, link: Link) -> Seal {
        let key = self.0.verifying_key();
        let signature = self.0.sign(&message(logbook, device_of(&key), seq, link));
        Seal {
            logbook,
            key: key.to_bytes(),
            seq,
            link,
            path: Vec::new(),
            signature: signature.to_bytes(),
        }
    }

    /// Signs how far the device's chains in these logbooks go, all with one signature. The seals come
    /// in the order of the ends.
    pub fn seal_all(&self, ends: &[(LogbookId, Seq, Link)]) -> Vec<Seal> {
        if let [(logbook, seq, link)] = ends {
            return vec![self.seal(*logbook, *seq, *link)];
        }
        let key = self.0.verifying_key();
        let device = device_of(&key);
        let mut seals: Vec<_> = ends
            .iter()
            .map(|&(logbook, seq, link)| Seal {
                logbook,
                key: key.to_bytes(),
                seq,
                link,
                path: Vec::new(),
                signature: [0; 64],
            })
            .collect();
        if seals.is_empty() {
            return seals;
        }
        let root = grow(&mut seals, device);
        let signature = self.0.sign(&root_message(device, root)).to_bytes();
        seals.iter_mut().for_each(|seal| seal.signature = signature);
        seals
    }
}

/// Makes the tree over the ends of these seals, at least one; returns its root.
fn grow(seals: &mut [Seal], device: DeviceId) -> Digest {
    if let [seal] = seals {
        return end_digest(seal.logbook, device, seal.seq, seal.link);
    }
    let (left, right) = seals.split_at_mut(seals.len() / 2);
    let (left_root, right_root) = (grow(left, device), grow(right, device));
    left.iter_mut()
        .for_each(|seal| seal.path.push(Step::right(right_root)));
    right
        .iter_mut()
        .for_each(|seal| seal.path.push(Step::left(left_root)));
    fork_digest(left_root, right_root)
}

/// A digest in the tree over the ends of chains.
pub type Digest = [u8; 32];

/// Returns the leaf that the end of a chain is.
pub(super) fn end_digest(logbook: LogbookId, device: DeviceId, seq: Seq, link: Link) -> Digest {
    let mut hasher = blake3::Hasher::new_from_context_key(&END);
    hasher.update(logbook.bytes()).update(device.bytes());
    hasher.update(&seq.get().to_be_bytes()).update(link.bytes());
    *hasher.finalize().as_bytes()
}

/// Returns the digest of two.
pub(super) fn fork_digest(left: Digest, right: Digest) -> Digest {
    let mut hasher = blake3::Hasher::new_from_context_key(&FORK);
    hasher.update(&left).update(&right);
    *hasher.finalize().as_bytes()
}

/// One step towards the root: the digest beside the way.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Step {
    /// Whether that is the left one of the two.
    pub is_left: bool,
    /// The digest.
    pub digest: Digest,
}

impl Step {
    /// A step from the right one: the digest on the left.
    pub const fn left(digest: Digest) -> Self {
        Self {
            is_left: true,
            digest,
        }
    }

    /// A step from the left one: the digest on the right.
    pub const fn right(digest: Digest) -> Self {
        Self {
            is_left: false,
            digest,
        }
    }
}

impl fmt::Debug for DeviceKey {
    /// Names the device; never the secret.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "DeviceKey(of {})", self.device())
    }
}

/// One device's word on how far its chain in a logbook goes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Seal {
    /// The logbook.
    pub logbook: LogbookId,
    /// The device's public key.
    pub key: [u8; 32],
    /// The last entry that it covers.
    pub seq: Seq,
    /// The chain up to that entry.
    pub link: Link,
    /// From the end of the chain to the root of a tree, where the device sealed several chains at once.
    pub path: Vec<Step>,
    /// The signature over all of this.
    pub signature: [u8; 64],
}

impl Seal {
    /// Returns the device whose seal this is, if the signature is its own.
    pub fn device(&self) -> Option<DeviceId> {
        Keys::default().device_of(self)
    }
}

/// Checks seals. It reads each public key once, and checks each signature once: of a company's seals
/// most are of few devices, and of one device's many were made at once.
#[derive(Debug, Default)]
pub struct Keys {
    keys: BTreeMap<[u8; 32], Option<(VerifyingKey, DeviceId)>>,
    roots: BTreeSet<([u8; 32], Digest, [u8; 64])>,
}

impl Keys {
    /// Returns the device whose public key this is, if it is one.
    pub fn device(&mut self, key: &[u8; 32]) -> Option<DeviceId> {
        self.key(key).map(|(_, device)| device)
    }

    fn key(&mut self, bytes: &[u8; 32]) -> Option<(VerifyingKey, DeviceId)> {
        let read = || {
            let key = VerifyingKey::from_bytes(bytes).ok()?;
            Some((key, device_of(&key)))
        };
        *self.keys.entry(*bytes).or_insert_with(read)
    }

    /// Returns the device whose seal this is, if the signature is its own.
    pub fn device_of(&mut self, seal: &Seal) -> Option<DeviceId> {
        let (key, device) = self.key(&seal.key)?;
        if seal.path.is_empty() {
            let message = message(seal.logbook, device, seal.seq, seal.link);
            let signature = Signature::from_bytes(&seal.signature);
            key.verify_strict(&message, &signature).ok()?;
            return Some(device);
        }
        if seal.path.len() > MOST_STEPS {
            return None;
        }
        let end = end_digest(seal.logbook, device, seal.seq, seal.link);
        let root = seal.path.iter().fold(end, |below, step| {
            if step.is_left {
                fork_digest(step.digest, below)
            } else {
                fork_digest(below, step.digest)
            }
        });
        self.device_of_root(&seal.key, root, &seal.signature)
    }

    /// Returns the device that signed this root of a tree, if the signature is its own.
    pub(super) fn device_of_root(
        &mut self,
        key: &[u8; 32],
        root: Digest,
        signature: &[u8; 64],
    ) -> Option<DeviceId> {
        let signed = (*key, root, *signature);
        let (key, device) = self.key(key)?;
        if !self.roots.contains(&signed) {
            let message = root_message(device, root);
            let signature = Signature::from_bytes(signature);
            key.verify_strict(&message, &signature).ok()?;
            self.roots.insert(signed);
        }
        Some(device)
    }

    /// Forgets signatures, and keys if they are many, and may be kept for the next seals.
    pub(crate) fn forget(&mut self) {
        self.roots.clear();
        if self.keys.len() > MOST_KEYS {
            self.keys.clear();
        }
    }
}

fn device_of(key: &VerifyingKey) -> DeviceId {
    let mut hasher = blake3::Hasher::new_derive_key(DEVICE_CONTEXT);
    let mut id = [0; 16];
    hasher.update(key.as_bytes()).finalize_xof().fill(&mut id);
    DeviceId::from_bytes(id)
}

fn message(logbook: LogbookId, device: DeviceId, seq: Seq, link: Link) -> Vec<u8> {
    let mut message = SEAL_CONTEXT.to_vec();
    message.extend_from_slice(logbook.bytes());
    message.extend_from_slice(device.bytes());
    message.extend_from_slice(&seq.get().to_be_bytes());
    message.extend_from_slice(link.bytes());
    message
}

fn root_message(device: DeviceId, root: Digest) -> Vec<u8> {
    [ROOT_CONTEXT, device.bytes(), &root].concat()
}

#[cfg(test)]
mod tests {
    use super::*;

    const LOGBOOK: LogbookId = LogbookId::from_bytes([1; 16]);
    const LINK: Link = Link::from_bytes([2; 32]);

    #[test]
    fn a_seal_names_the_device_that_made_it() {
        let key = DeviceKey::from_bytes([7; 32]);
        let seal = key.seal(LOGBOOK, Seq::FIRST, LINK);
        assert_eq!(seal.device(), Some(key.device()));
        assert_ne!(key.device(), DeviceKey::from_bytes([8; 32]).device());
    }

    #[test]
    fn a_seal_that_was_changed_in_any_part_is_nobodys() {
        let seal = DeviceKey::from_bytes([7; 32]).seal(LOGBOOK, Seq::FIRST, LINK);
        let another = DeviceKey::from_bytes([8; 32]).seal(LOGBOOK, Seq::FIRST, LINK);
        let mut signature = seal.signature;
        signature[10] ^= 1;
        let logbook = LogbookId::from_bytes([9; 16]);
        let link = Link::from_bytes([3; 32]);
        for changed in [
            Seal {
                logbook,
                ..seal.clone()
            },
            Seal {
                link,
                ..seal.clone()
            },
            Seal {
                seq: Seq::FIRST.next(),
                ..seal.clone()
            },
            Seal {
                key: another.key,
                ..seal.clone()
            },
            Seal { signature, ..seal },
        ] {
            assert_eq!(changed.device(), None, "{changed:?}");
        }
    }

    #[test]
    fn seals_that_were_made_at_once_stand_each_by_itself_and_change_in_no_part() {
        let key = DeviceKey::from_bytes([7; 32]);
        for many in 1..10_u8 {
            let ends: Vec<_> = (0..many)
                .map(|n| {
                    let logbook = LogbookId::from_bytes([n; 16]);
                    (logbook, Seq::FIRST, Link::from_bytes([n + 1; 32]))
                })
                .collect();
            let seals = key.seal_all(&ends);
            for (seal, end) in seals.iter().zip(&ends) {
                assert_eq!((seal.logbook, seal.seq, seal.link), *end);
                assert_eq!(seal.device(), Some(key.device()));
                let mut changed: Vec<_> = (0..seal.path.len())
                    .flat_map(|step| {
                        let (mut one, mut other) = (seal.clone(), seal.clone());
                        one.path[step].digest[5] ^= 1;
                        other.path[step].is_left ^= true;
                        [one, other]
                    })
                    .collect();
                let mut at = |change: &dyn Fn(&mut Seal)| {
                    let mut seal = seal.clone();
                    change(&mut seal);
                    changed.push(seal);
                };
                at(&|seal| seal.logbook = LogbookId::from_bytes([99; 16]));
                at(&|seal| seal.seq = seal.seq.next());
                at(&|seal| seal.link = Link::from_bytes([99; 32]));
                at(&|seal| seal.signature[9] ^= 1);
                at(&|seal| seal.path.push(Step::left([0; 32])));
                if many > 1 {
                    at(&|seal| seal.path.truncate(seal.path.len() - 1));
                    at(&|seal| seal.path.clear());
                }
                let mut keys = Keys::default();
                assert_eq!(keys.device_of(seal), Some(key.device()));
                for changed in changed {
                    assert_eq!(keys.device_of(&changed), None, "{changed:?}");
                }
            }
        }
        assert!(key.seal_all(&[]).is_empty());
    }

    #[test]
    fn a_key_never_shows_its_secret() {
        let shown = format!("{:?}", DeviceKey::from_bytes([7; 32]));
        assert!(!shown.contains("7, 7"), "{shown}");
    }
}
