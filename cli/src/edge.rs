//! The edge of the machine: its clock, its chance, and panics. Nothing else in this program asks
//! the machine for any of these.

use std::env;
use std::panic::{self, AssertUnwindSafe};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::SystemTime;

use chrono::{DateTime, FixedOffset, Local, NaiveDate, NaiveDateTime, NaiveTime, Offset};
use headwalk_core::log::id::{LogbookId, StoreId, ThingId};
use headwalk_core::log::seal::DeviceKey;
use headwalk_core::log::stamp::WallMs;

use crate::error::{Error, Kind};

/// The variable that fixes the clock and the UTC offset, for tests and demonstrations.
pub const NOW: &str = "HEADWALK_NOW";

/// A moment as this machine tells it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Now {
    /// Wall time.
    pub wall: WallMs,
    /// Minutes east of UTC here.
    pub utc_offset_min: i16,
}

/// Where the time comes from.
#[derive(Debug, Clone, Copy)]
pub enum Clock {
    /// The machine's own.
    Machine,
    /// A moment that `HEADWALK_NOW` names.
    Fixed(DateTime<FixedOffset>),
}

impl Clock {
    /// Returns the clock that the environment asks for.
    pub fn of_environment() -> Result<Self, Error> {
        let Some(text) = env::var_os(NOW) else {
            return Ok(Self::Machine);
        };
        let text = text.to_string_lossy();
        DateTime::parse_from_rfc3339(&text)
            .map(Self::Fixed)
            .map_err(|_| {
                Error::input(format!("{NOW} is `{text}`, which is not a moment"))
                    .field(NOW)
                    .hint("write it like 2026-07-14T07:30:00-05:00, or unset it.")
            })
    }

    /// Returns the moment.
    pub fn now(self) -> Now {
        match self {
            Self::Fixed(moment) => Now::of(moment.timestamp_millis(), moment.offset().fix()),
            Self::Machine => {
                let since = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH);
                let ms = since.map_or(0, |since| {
                    i64::try_from(since.as_millis()).unwrap_or(i64::MAX)
                });
                Now::of(ms, Local::now().offset().fix())
            }
        }
    }
}

impl Now {
    fn of(ms: i64, offset: FixedOffset) -> Self {
        let minutes = offset.local_minus_utc() / 60;
        Self {
            wall: WallMs::new(u64::try_from(ms).unwrap_or(0)),
            utc_offset_min: i16::try_from(minutes).expect("an offset is less than a day"),
        }
    }

    /// Returns the calendar day here.
    pub fn today(self) -> NaiveDate {
        self.wall.date_at(self.utc_offset_min)
    }

    /// Reads a moment as people write it: in RFC 3339; without an offset, as told here; a day
    /// alone is the end of that day.
    pub fn read(self, text: &str) -> Result<WallMs, Error> {
        let here = |local: NaiveDateTime| {
            let utc = local.and_utc().timestamp_millis() - i64::from(self.utc_offset_min) * 60_000;
            u64::try_from(utc).ok().map(WallMs::new)
        };
        let moment = DateTime::parse_from_rfc3339(text)
            .ok()
            .and_then(|moment| u64::try_from(moment.timestamp_millis()).ok())
            .map(WallMs::new)
            .or_else(|| {
                let formats = ["%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M:%S"];
                let read = |format| NaiveDateTime::parse_from_str(text, format).ok();
                here(formats.into_iter().find_map(read)?)
            })
            .or_else(|| {
                let day: NaiveDate = text.parse().ok()?;
                here(day.succ_opt()?.and_time(NaiveTime::MIN)).map(|end| end.shifted(-1))
            });
        moment.ok_or_else(|| {
            Error::input(format!("`{text}` is not a moment"))
                .hint("write a day such as 2026-07-14, or a moment such as 2026-07-14T07:30.")
        })
    }

    /// Makes a fresh id for a thing.
    pub fn fresh_thing(self) -> Result<ThingId, Error> {
        Ok(ThingId::fresh(self.wall.get(), chance()?))
    }

    /// Makes a fresh id for a logbook.
    pub fn fresh_logbook(self) -> Result<LogbookId, Error> {
        Ok(LogbookId::fresh(self.wall.get(), chance()?))
    }

    /// Makes a fresh key for a device.
    pub fn fresh_key(self) -> Result<DeviceKey, Error> {
        Ok(DeviceKey::from_bytes(chance()?))
    }

    /// Makes a fresh id for a store.
    pub fn fresh_store(self) -> Result<StoreId, Error> {
        Ok(StoreId::fresh(self.wall.get(), chance()?))
    }
}

/// Returns random bytes that nobody can guess.
pub fn chance<const N: usize>() -> Result<[u8; N], Error> {
    let mut bytes = [0; N];
    getrandom::fill(&mut bytes).map_err(|error| {
        Error::new(
            Kind::Machine,
            format!("the machine gives no random numbers: {error}"),
        )
    })?;
    Ok(bytes)
}

/// Keeps panics off the screen. The engine under the store panics on some damaged files: that is
/// an error like any other, which core tells where it opens a file, and this where one is read
/// later. Any other panic is our bug and is told as one.
pub struct Bugs {
    last: Arc<Mutex<Option<Panic>>>,
}

/// The last panic.
struct Panic {
    words: String,
    whose: Whose,
}

/// Whose code panicked.
enum Whose {
    Engine,
    Ours,
}

/// Begins to catch panics.
pub fn catch_bugs() -> Bugs {
    let last = Arc::new(Mutex::new(None));
    let seen = Arc::clone(&last);
    panic::set_hook(Box::new(move |panic| {
        let payload = panic.payload();
        let words = payload.downcast_ref::<String>().map(String::as_str);
        let words = words.or_else(|| payload.downcast_ref::<&str>().copied());
        let words = words.unwrap_or("no reason was given");
        let place = panic
            .location()
            .map(ToString::to_string)
            .unwrap_or_default();
        let whose = match place.contains("/redb-") {
            true => Whose::Engine,
            false => Whose::Ours,
        };
        *seen.lock().unwrap_or_else(PoisonError::into_inner) = Some(Panic {
            words: format!("{words} ({place})"),
            whose,
        });
    }));
    Bugs { last }
}

impl Bugs {
    /// Does some work; a panic in it becomes an error.
    pub fn guard(&self, work: impl FnOnce() -> Result<(), Error>) -> Result<(), Error> {
        panic::catch_unwind(AssertUnwindSafe(work)).unwrap_or_else(|_| {
            let mut last = self.last.lock().unwrap_or_else(PoisonError::into_inner);
            Err(last
                .take()
                .map_or_else(|| Self::told("no reason was given"), Panic::told))
        })
    }

    fn told(words: &str) -> Error {
        let message = format!("headwalk itself made a mistake: {words}");
        Error::new(Kind::Bug, message).hint(
            "nothing half done was kept. Please report this sentence, and run `headwalk verify`.",
        )
    }
}

impl Panic {
    fn told(self) -> Error {
        match self.whose {
            Whose::Engine => headwalk_core::store::Error::NotAStore.into(),
            Whose::Ours => Bugs::told(&self.words),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_moment_reads_in_the_ways_people_write_it() {
        let moment = DateTime::parse_from_rfc3339("2026-07-14T07:30:00-05:00").unwrap();
        let now = Clock::Fixed(moment).now();
        let check = |text: &str, expected: &str| {
            let read = now.read(text).map(|at| at.at_offset(-300).to_rfc3339());
            assert_eq!(read.unwrap(), expected, "{text}");
        };
        check("2026-07-14", "2026-07-14T23:59:59.999-05:00");
        check("2026-07-14T06:00", "2026-07-14T06:00:00-05:00");
        check("2026-07-14 06:00", "2026-07-14T06:00:00-05:00");
        check("2026-07-14T12:00:00Z", "2026-07-14T07:00:00-05:00");
        assert!(now.read("yesterday").is_err());
        assert!(now.read("2026-02-30").is_err());
    }
}
