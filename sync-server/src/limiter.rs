//! How often one caller may ask: a bucket of turns for each, which fills again with time.

use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

/// How many turns a caller has.
#[derive(Debug, Clone, Copy)]
pub struct Pace {
    /// Turns that a caller may take at once.
    pub at_once: u32,
    /// How long it takes to gain one turn.
    pub one_more_each: Duration,
}

/// Buckets of turns, one a caller. Callers that have not asked for long are forgotten; while
/// [`Limiter::MOST_CALLERS`] are remembered, new ones wait.
#[derive(Debug)]
pub struct Limiter<K> {
    pace: Pace,
    // The moment at which each caller's bucket will be full again: that one number is the bucket.
    full_at: Mutex<BTreeMap<K, Duration>>,
}

impl<K: Ord> Limiter<K> {
    /// How many callers are remembered at once.
    pub const MOST_CALLERS: usize = 10_000;

    /// Makes full buckets.
    pub const fn new(pace: Pace) -> Self {
        Self {
            pace,
            full_at: Mutex::new(BTreeMap::new()),
        }
    }

    /// Takes one of the caller's turns; `now` counts from any fixed moment.
    ///
    /// # Errors
    /// How long to wait, where none is left.
    pub fn take(&self, caller: K, now: Duration) -> Result<(), Duration> {
        // A panic while this is held cannot leave a bucket half changed: one insert is all there is.
        let mut full_at = self.full_at.lock().unwrap_or_else(PoisonError::into_inner);
        if full_at.len() >= Self::MOST_CALLERS && !full_at.contains_key(&caller) {
            full_at.retain(|_, full| *full > now);
            if full_at.len() >= Self::MOST_CALLERS {
                return Err(self.pace.one_more_each);
            }
        }
        let full = full_at.get(&caller).map_or(now, |&full| full.max(now));
        let after = full + self.pace.one_more_each;
        let empty = now + self.pace.one_more_each * self.pace.at_once;
        if after > empty {
            return Err(after - empty);
        }
        full_at.insert(caller, after);
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PACE: Pace = Pace {
        at_once: 3,
        one_more_each: Duration::from_millis(100),
    };

    fn ms(ms: u64) -> Duration {
        Duration::from_millis(ms)
    }

    #[test]
    fn turns_run_out_and_come_back() {
        let limiter = Limiter::new(PACE);
        for _ in 0..3 {
            assert_eq!(limiter.take("a", ms(0)), Ok(()));
        }
        assert_eq!(limiter.take("a", ms(0)), Err(ms(100)));
        assert_eq!(limiter.take("a", ms(60)), Err(ms(40)));
        assert_eq!(limiter.take("a", ms(100)), Ok(()));
        assert_eq!(limiter.take("a", ms(100)), Err(ms(100)));
    }

    #[test]
    fn one_callers_haste_is_not_anothers() {
        let limiter = Limiter::new(PACE);
        for _ in 0..9 {
            let _spent = limiter.take("a", ms(0));
        }
        assert_eq!(limiter.take("b", ms(0)), Ok(()));
    }

    #[test]
    fn waiting_gains_no_more_than_a_full_bucket() {
        let limiter = Limiter::new(PACE);
        assert_eq!(limiter.take("a", ms(0)), Ok(()));
        for _ in 0..3 {
            assert_eq!(limiter.take("a", ms(60_000)), Ok(()));
        }
        assert!(limiter.take("a", ms(60_000)).is_err());
    }

    #[test]
    fn a_crowd_of_callers_is_bounded_and_forgotten() {
        let limiter = Limiter::new(PACE);
        for caller in 0..Limiter::<usize>::MOST_CALLERS {
            assert_eq!(limiter.take(caller, ms(0)), Ok(()));
        }
        assert!(limiter.take(usize::MAX, ms(0)).is_err());
        assert_eq!(limiter.take(usize::MAX, ms(200)), Ok(()));
    }
}
