//! Ids that are the same in every run, so that the demonstration always writes the same entries.

use headwalk_core::log::id::{LogbookId, StoreId, ThingId};
use headwalk_core::log::seal::DeviceKey;
use headwalk_core::log::stamp::WallMs;

/// Counts the ids that were given.
#[derive(Debug, Default)]
pub struct Ids {
    given: u64,
}

/// What stands before the count in the place of chance.
const INVENTED: [u8; 2] = [0xde, 0x30];

impl Ids {
    /// Gives the next thing's id.
    pub fn thing(&mut self, at: WallMs) -> ThingId {
        ThingId::fresh(at.get(), self.chance())
    }

    /// Gives the next logbook's id.
    pub fn logbook(&mut self, at: WallMs) -> LogbookId {
        LogbookId::fresh(at.get(), self.chance())
    }

    /// Gives the next device's key.
    pub fn key(&mut self) -> DeviceKey {
        let mut secret = [0; 32];
        secret[..10].copy_from_slice(&self.chance());
        DeviceKey::from_bytes(secret)
    }

    /// Gives the next store's id.
    pub fn store(&mut self, at: WallMs) -> StoreId {
        StoreId::fresh(at.get(), self.chance())
    }

    fn chance(&mut self) -> [u8; 10] {
        self.given += 1;
        let mut bytes = [0; 10];
        let (mark, count) = bytes.split_at_mut(INVENTED.len());
        mark.copy_from_slice(&INVENTED);
        count.copy_from_slice(&self.given.to_be_bytes());
        bytes
    }
}
