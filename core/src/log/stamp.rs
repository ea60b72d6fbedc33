//! Time as a device tells it: wall milliseconds, and stamps of a hybrid logical clock.
//!
//! Source of the clock: Kulkarni, Demirbas, Madappa, Avva, Leone, "Logical Physical Clocks",
//! OPODIS 2014. One difference: a stamp from another device is taken into the clock only when it
//! can be believed, so that one phone a day fast does not drag every other phone with it. That
//! is safe here because the merge never lets a write beat one that had seen it.

use core::fmt;

use chrono::{DateTime, FixedOffset, NaiveDate, Utc};

/// How far a stamp may run ahead before it is not believed.
pub const BELIEVED_AHEAD_MS: u64 = 60_000;

const TICK_BITS: u32 = 16;
const LAST_WALL_MS: u64 = (1 << 48) - 1;

/// Milliseconds since 1970-01-01T00:00Z, in 48 bits (until the year 10889).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct WallMs(u64);

impl WallMs {
    /// Makes a wall time; one beyond 48 bits becomes the last that fits.
    pub const fn new(ms: u64) -> Self {
        Self(if ms > LAST_WALL_MS { LAST_WALL_MS } else { ms })
    }

    /// Returns the milliseconds since 1970.
    pub const fn get(self) -> u64 {
        self.0
    }

    /// Returns this time moved by so many milliseconds, within what 48 bits hold.
    pub fn shifted(self, ms: i64) -> Self {
        Self::new(self.0.saturating_add_signed(ms))
    }

    /// Returns `self - earlier` in milliseconds.
    pub fn since(self, earlier: Self) -> i64 {
        // Both fit 48 bits, so neither cast nor difference can overflow.
        self.0 as i64 - earlier.0 as i64
    }

    /// Returns this moment as told at a place so many minutes east of UTC.
    pub fn at_offset(self, utc_offset_min: i16) -> DateTime<FixedOffset> {
        let utc = DateTime::<Utc>::from_timestamp_millis(self.0 as i64).unwrap_or_default();
        let offset = FixedOffset::east_opt(i32::from(utc_offset_min) * 60);
        utc.with_timezone(&offset.unwrap_or_else(|| FixedOffset::east_opt(0).expect("UTC exists")))
    }

    /// Returns the calendar day of this moment at a place so many minutes east of UTC.
    pub fn date_at(self, utc_offset_min: i16) -> NaiveDate {
        self.at_offset(utc_offset_min).date_naive()
    }
}

/// The order of writes: wall milliseconds, then a tick that counts within one of them.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Stamp(u64);

impl Stamp {
    /// Before every entry.
    pub const ZERO: Self = Self(0);

    /// Makes a stamp from its two parts.
    pub const fn new(wall: WallMs, tick: u16) -> Self {
        Self(wall.0 << TICK_BITS | tick as u64)
    }

    /// Makes a stamp from its 64 bits.
    pub const fn from_bits(bits: u64) -> Self {
        Self(bits)
    }

    /// Returns the 64 bits: wall time above, tick below.
    pub const fn bits(self) -> u64 {
        self.0
    }

    /// Returns the last stamp of that millisecond, for "everything up to then".
    pub const fn end_of(wall: WallMs) -> Self {
        Self::new(wall, u16::MAX)
    }

    /// Returns the wall time.
    pub const fn wall(self) -> WallMs {
        WallMs(self.0 >> TICK_BITS)
    }

    /// Returns the tick within the millisecond.
    pub const fn tick(self) -> u16 {
        self.0 as u16
    }
}

impl fmt::Debug for Stamp {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Stamp({}.{})", self.wall().get(), self.tick())
    }
}

/// A hybrid logical clock: never goes back, stays near the wall.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Clock {
    last: Stamp,
}

impl Clock {
    /// Goes on from the last stamp that was given out or taken in.
    pub const fn resume(last: Stamp) -> Self {
        Self { last }
    }

    /// Returns the last stamp.
    pub const fn last(self) -> Stamp {
        self.last
    }

    /// Gives the next stamp: the wall's, or one tick on where the wall has not moved on.
    pub fn next(&mut self, now: WallMs) -> Stamp {
        let wall = Stamp::new(now, 0);
        // A full tick carries into the millisecond: the packed number just counts on.
        self.last = if wall > self.last {
            wall
        } else {
            Stamp(self.last.0.saturating_add(1))
        };
        self.last
    }

    /// Takes in another device's stamp, unless it runs too far ahead of this wall to be believed.
    pub fn witness(&mut self, other: Stamp, now: WallMs) {
        if other > self.last && other.wall().get() <= now.get().saturating_add(BELIEVED_AHEAD_MS) {
            self.last = other;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stamps_never_go_back_though_the_wall_does() {
        let mut clock = Clock::resume(Stamp::ZERO);
        let walls = [1_000, 1_000, 400, 1_001];
        let stamps: Vec<_> = walls
            .iter()
            .map(|&ms| clock.next(WallMs::new(ms)))
            .collect();
        let told: Vec<_> = stamps.iter().map(|s| (s.wall().get(), s.tick())).collect();
        assert_eq!(told, [(1_000, 0), (1_000, 1), (1_000, 2), (1_001, 0)]);
    }

    #[test]
    fn a_full_tick_carries_into_the_millisecond() {
        let mut clock = Clock::resume(Stamp::new(WallMs::new(5), u16::MAX));
        assert_eq!(clock.next(WallMs::new(5)), Stamp::new(WallMs::new(6), 0));
    }

    #[test]
    fn a_phone_a_day_fast_does_not_drag_the_clock_along() {
        let now = WallMs::new(1_000_000);
        let mut clock = Clock::resume(Stamp::ZERO);
        clock.witness(Stamp::new(now.shifted(86_400_000), 0), now);
        assert_eq!(clock.next(now), Stamp::new(now, 0));
        clock.witness(Stamp::new(now.shifted(59_000), 3), now);
        assert_eq!(clock.next(now), Stamp::new(now.shifted(59_000), 4));
    }

    #[test]
    fn a_moment_is_told_in_the_place_where_it_was_written() {
        let noon_utc = WallMs::new(1_784_030_400_000); // 2026-07-14T12:00Z
        assert_eq!(
            noon_utc.at_offset(-300).to_rfc3339(),
            "2026-07-14T07:00:00-05:00"
        );
        assert_eq!(noon_utc.date_at(13 * 60).to_string(), "2026-07-15");
    }
}
