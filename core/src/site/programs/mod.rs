//! A controller's whole set of programs: one value, found, left and merged as one.
//!
//! Half of one crew's programs with half of another's would water at noon, so the set is never
//! merged field by field. As-found is an observation of it; as-left is the controller's field.
//! As text it reads `A: start 05:00; days mon wed fri; 100%; run 1=15 2=20 | B: ...`.
//!
//! ```
//! use headwalk_core::site::programs::{Expected, ProgramSet, Station};
//! let set: ProgramSet = "A: start 5:00 5:10; days mon wed fri; 60%; run 7=20".parse()?;
//! let seven = Station::new(7).expect("a station's number");
//! // 20 min x 60 % x 2 starts x 3 days.
//! assert_eq!(format!("{:.0}", set.minutes_a_week(seven)), "72 min");
//! let faults = set.faults(&Expected::default());
//! let said = "program A starts at 05:10 while program A of 05:00 still runs";
//! assert_eq!(faults[0].to_string(), said);
//! # Ok::<(), headwalk_core::site::programs::ProgramTextError>(())
//! ```

mod check;
mod text;
mod value;

pub use check::{Expected, ProgramFault, usual_run};
pub use text::ProgramTextError;

use std::collections::BTreeMap;
use std::fmt;

use chrono::{Datelike, NaiveDate, Weekday, WeekdaySet};

use crate::water::units::{Minutes, Percent};
use crate::water::window::TimeOfDay;

/// The programs of one controller, by letter.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct ProgramSet {
    /// Each program; a letter that is not there does nothing.
    pub programs: BTreeMap<Letter, Program>,
}

/// What one program does.
#[derive(Debug, Clone, PartialEq)]
pub struct Program {
    /// When it begins, in the order of the dial; the same time twice is a finding, not an error.
    pub starts: Vec<TimeOfDay>,
    /// On which days.
    pub days: DayRule,
    /// The seasonal adjustment, applied to every run time.
    pub percent: Percent,
    /// Run minutes as set on the dial, by station, before the percent.
    pub run: BTreeMap<Station, Minutes>,
}

/// A program's letter on the dial, A to Z.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Letter(char);

impl Letter {
    /// Makes a letter, in capitals; `None` for anything but a letter of the alphabet.
    #[must_use]
    pub const fn new(letter: char) -> Option<Self> {
        if letter.is_ascii_alphabetic() {
            Some(Self(letter.to_ascii_uppercase()))
        } else {
            None
        }
    }
}

impl fmt::Display for Letter {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.0)
    }
}

/// A station's number at the controller, from 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Station(u16);

impl Station {
    /// Makes a station's number, 1 to 999.
    #[must_use]
    pub const fn new(number: u16) -> Option<Self> {
        if number >= 1 && number <= 999 {
            Some(Self(number))
        } else {
            None
        }
    }

    /// Returns the number.
    #[must_use]
    pub const fn get(self) -> u16 {
        self.0
    }
}

impl fmt::Display for Station {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

/// On which days a program runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DayRule {
    /// On these days of the week; none of them means off.
    Weekdays(WeekdaySet),
    /// Every so many days, from 1; counted from a day where one is known.
    Every {
        /// How many days from one run to the next.
        days: EveryDays,
        /// A day on which it ran or will run.
        from: Option<NaiveDate>,
    },
    /// On odd days of the month.
    Odd,
    /// On even days of the month.
    Even,
}

/// A number of days between runs, 1 to 99.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct EveryDays(u8);

impl EveryDays {
    /// Makes a number of days; `None` for zero or more than two digits.
    #[must_use]
    pub const fn new(days: u8) -> Option<Self> {
        if days >= 1 && days <= 99 {
            Some(Self(days))
        } else {
            None
        }
    }

    /// Returns the number.
    #[must_use]
    pub const fn get(self) -> u8 {
        self.0
    }
}

impl DayRule {
    /// Every day of the week.
    pub const DAILY: Self = Self::Weekdays(WeekdaySet::ALL);

    /// Returns how many days a week it comes to, on the average. Odd and even days count as
    /// three and a half, though the 31st and the 1st are both odd.
    #[must_use]
    pub fn days_a_week(self) -> f64 {
        match self {
            Self::Weekdays(days) => f64::from(days.len()),
            Self::Every { days, .. } => 7.0 / f64::from(days.get()),
            Self::Odd | Self::Even => 3.5,
        }
    }

    /// Returns whether it runs on that day; `None` where nobody knows the day it counts from.
    #[must_use]
    pub fn runs_on(self, date: NaiveDate) -> Option<bool> {
        match self {
            Self::Weekdays(days) => Some(days.contains(date.weekday())),
            Self::Every { days, .. } if days.get() == 1 => Some(true),
            Self::Every { days, from } => {
                let since = date.signed_duration_since(from?).num_days();
                Some(since.rem_euclid(i64::from(days.get())) == 0)
            }
            Self::Odd => Some(!date.day().is_multiple_of(2)),
            Self::Even => Some(date.day().is_multiple_of(2)),
        }
    }
}

/// The longest run that a station can be given: a day.
pub const LONGEST_RUN: Minutes = Minutes::new(1_440.0);
/// The largest seasonal adjustment that is taken.
pub const LARGEST_PERCENT: Percent = Percent::new(300.0);

impl ProgramSet {
    /// Returns what a person should be asked once before the set is taken; none if all is usual.
    #[must_use]
    pub fn ask(&self) -> Option<String> {
        for (letter, program) in &self.programs {
            let percent = program.percent.get();
            if !(10.0..=200.0).contains(&percent) {
                return Some(format!(
                    "program {letter}: {percent}% is outside the usual 10% to 200%: is it right?"
                ));
            }
            if program.starts.len() > 4 {
                let starts = program.starts.len();
                return Some(format!(
                    "program {letter}: {starts} start times repeat the whole program {starts} \
                     times: is it right?"
                ));
            }
            if let DayRule::Every { days, .. } = program.days
                && days.get() > 14
            {
                let days = days.get();
                return Some(format!("program {letter}: every {days} days: is it right?"));
            }
        }
        None
    }
}

/// Days of the week as the table of a controller writes them.
const WEEKDAYS: [(Weekday, &str); 7] = [
    (Weekday::Mon, "mon"),
    (Weekday::Tue, "tue"),
    (Weekday::Wed, "wed"),
    (Weekday::Thu, "thu"),
    (Weekday::Fri, "fri"),
    (Weekday::Sat, "sat"),
    (Weekday::Sun, "sun"),
];

#[cfg(test)]
pub(crate) mod tests;
