//! What the page brings along with every act: the moment, and random bytes.

use chrono::NaiveDate;
use headwalk_core::log::id::{LogbookId, StoreId, ThingId};
use headwalk_core::log::seal::DeviceKey;
use headwalk_core::log::stamp::WallMs;

use crate::error::Error;

/// A moment and some chance, for one act.
#[derive(Debug, Clone)]
pub struct Edge {
    /// Wall time.
    pub now: WallMs,
    /// Minutes east of UTC here.
    pub utc_offset_min: i16,
    chance: Vec<u8>,
}

impl Edge {
    /// Takes the moment and random bytes in; each byte is used once.
    #[must_use]
    pub const fn new(now: WallMs, utc_offset_min: i16, chance: Vec<u8>) -> Self {
        Self {
            now,
            utc_offset_min,
            chance,
        }
    }

    /// Returns the calendar day here.
    #[must_use]
    pub fn today(&self) -> NaiveDate {
        self.now.date_at(self.utc_offset_min)
    }

    /// Returns the time of day here, as `07:30`.
    #[must_use]
    pub fn clock(&self) -> String {
        let here = self.now.at_offset(self.utc_offset_min);
        here.format("%H:%M").to_string()
    }

    fn take<const N: usize>(&mut self) -> Result<[u8; N], Error> {
        let from = self.chance.len().checked_sub(N).ok_or(Error::NoChance)?;
        let taken = self.chance.split_off(from);
        taken.try_into().map_err(|_| Error::NoChance)
    }

    /// Makes a fresh id for a thing.
    ///
    /// # Errors
    /// [`Error::NoChance`] where the page brought too few random bytes.
    pub fn fresh_thing(&mut self) -> Result<ThingId, Error> {
        Ok(ThingId::fresh(self.now.get(), self.take()?))
    }

    /// Makes a fresh id for a logbook.
    ///
    /// # Errors
    /// [`Error::NoChance`].
    pub fn fresh_logbook(&mut self) -> Result<LogbookId, Error> {
        Ok(LogbookId::fresh(self.now.get(), self.take()?))
    }

    /// Makes a fresh id for a store.
    ///
    /// # Errors
    /// [`Error::NoChance`].
    pub fn fresh_store(&mut self) -> Result<StoreId, Error> {
        Ok(StoreId::fresh(self.now.get(), self.take()?))
    }

    /// Makes a fresh key for a device.
    ///
    /// # Errors
    /// [`Error::NoChance`].
    pub fn fresh_key(&mut self) -> Result<DeviceKey, Error> {
        Ok(DeviceKey::from_bytes(self.take()?))
    }
}
