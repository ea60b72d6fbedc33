//! Seals: a device signs how far its chain goes, so that nobody else can write in its name.
//!
//! A device's id follows from its public key, so that a seal can be held against the id alone:
//! offline, by another crew in the truck, or by an auditor years later. A seal covers the entry that
//! it names and, through the chain, every one before it.

use core::fmt;
use std::collections::BTreeMap;

use ed25519_dalek::{Signature, Signer, SigningKey, VerifyingKey};

use super::chain::Link;
use super::id::{DeviceId, LogbookId, Seq};

const DEVICE_CONTEXT: &str = "headwalk 2026 device of key v1";
const SEAL_CONTEXT: &[u8] = b"headwalk 2026 seal v1";

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
            signature: signature.to_bytes(),
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
    /// The signature over all of this.
    pub signature: [u8; 64],
}

impl Seal {
    /// Returns the device whose seal this is, if the signature is its own.
    pub fn device(&self) -> Option<DeviceId> {
        Keys::default().device_of(self)
    }
}

/// Checks seals, and reads each public key once: of a company's seals most are of few devices.
#[derive(Debug, Default)]
pub struct Keys(BTreeMap<[u8; 32], Option<(VerifyingKey, DeviceId)>>);

impl Keys {
    /// Returns the device whose seal this is, if the signature is its own.
    pub fn device_of(&mut self, seal: &Seal) -> Option<DeviceId> {
        let read = |bytes: &[u8; 32]| {
            let key = VerifyingKey::from_bytes(bytes).ok()?;
            Some((key, device_of(&key)))
        };
        let known = self.0.entry(seal.key).or_insert_with(|| read(&seal.key));
        let (key, device) = known.as_ref()?;
        let signature = Signature::from_bytes(&seal.signature);
        let message = message(seal.logbook, *device, seal.seq, seal.link);
        key.verify_strict(&message, &signature).ok()?;
        Some(*device)
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
    fn a_key_never_shows_its_secret() {
        let shown = format!("{:?}", DeviceKey::from_bytes([7; 32]));
        assert!(!shown.contains("7, 7"), "{shown}");
    }
}
