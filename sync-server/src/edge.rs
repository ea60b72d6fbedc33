//! The edge of the machine: its clock and its chance. Nothing else in this crate asks for either.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant, SystemTime};

use chrono::DateTime;
use headwalk_core::log::stamp::WallMs;

use crate::error::Error;

/// The variable that sets the hub's clock, for tests and demonstrations.
pub const NOW: &str = "HEADWALK_NOW";

/// Where a hub gets the time and its random bytes from.
#[derive(Debug, Clone)]
pub struct Edge {
    wall: Wall,
    began: Instant,
}

#[derive(Debug, Clone)]
enum Wall {
    /// The machine's own clock.
    Machine,
    /// A moment from which time goes on.
    Since(WallMs),
    /// Whatever stands there: the tests' clock.
    Told(Arc<AtomicU64>),
}

impl Edge {
    /// Takes the machine's clock, or goes on from the moment that [`NOW`] names.
    ///
    /// # Errors
    /// [`Error::NotAMoment`] where [`NOW`] holds something else.
    pub fn of_environment() -> Result<Self, Error> {
        let wall = match std::env::var_os(NOW) {
            None => Wall::Machine,
            Some(text) => Wall::Since(moment(&text.to_string_lossy())?),
        };
        Ok(Self::with(wall))
    }

    /// Takes the time from a number of milliseconds that someone else moves on.
    pub fn told(wall_ms: Arc<AtomicU64>) -> Self {
        Self::with(Wall::Told(wall_ms))
    }

    #[expect(clippy::disallowed_methods, reason = "this is the edge")]
    fn with(wall: Wall) -> Self {
        let began = Instant::now();
        Self { wall, began }
    }

    /// Returns the wall time.
    #[expect(clippy::disallowed_methods, reason = "this is the edge")]
    pub fn now(&self) -> WallMs {
        match &self.wall {
            Wall::Machine => {
                let since = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH);
                WallMs::new(since.map_or(0, millis))
            }
            Wall::Since(moment) => WallMs::new(moment.get().saturating_add(millis(self.running()))),
            Wall::Told(wall_ms) => WallMs::new(wall_ms.load(Ordering::Relaxed)),
        }
    }

    /// Returns how long this has been running. Never goes back, whatever the wall does.
    #[expect(clippy::disallowed_methods, reason = "this is the edge")]
    pub fn running(&self) -> Duration {
        match &self.wall {
            Wall::Told(wall_ms) => Duration::from_millis(wall_ms.load(Ordering::Relaxed)),
            Wall::Machine | Wall::Since(_) => Instant::now().saturating_duration_since(self.began),
        }
    }

    /// Returns random bytes that nobody can guess.
    ///
    /// # Errors
    /// [`Error::NoChance`] where the machine gives none.
    #[expect(clippy::disallowed_methods, reason = "this is the edge")]
    pub fn chance<const N: usize>(&self) -> Result<[u8; N], Error> {
        let mut bytes = [0; N];
        getrandom::fill(&mut bytes).map_err(|error| Error::NoChance(error.to_string()))?;
        Ok(bytes)
    }
}

fn millis(duration: Duration) -> u64 {
    u64::try_from(duration.as_millis()).unwrap_or(u64::MAX)
}

fn moment(text: &str) -> Result<WallMs, Error> {
    let parsed = DateTime::parse_from_rfc3339(text).ok();
    let ms = parsed.and_then(|moment| u64::try_from(moment.timestamp_millis()).ok());
    ms.map(WallMs::new)
        .ok_or_else(|| Error::NotAMoment(text.to_owned()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_moment_in_the_environment_is_read_with_its_offset() {
        let ms = moment("2026-07-14T07:00:00-05:00").unwrap();
        assert_eq!(ms, WallMs::new(1_784_030_400_000));
        assert!(matches!(moment("noon"), Err(Error::NotAMoment(_))));
        assert!(matches!(
            moment("1900-01-01T00:00:00Z"),
            Err(Error::NotAMoment(_))
        ));
    }

    #[test]
    fn time_goes_on_from_a_named_moment() {
        let edge = Edge::with(Wall::Since(WallMs::new(1_000)));
        let first = edge.now();
        assert!(first >= WallMs::new(1_000));
        while edge.now() == first {
            std::hint::spin_loop();
        }
        assert!(edge.now() > first);
    }
}
