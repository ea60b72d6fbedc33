//! What a set of programs really does, and what is wrong with it before the crew leaves.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

use chrono::{Weekday, WeekdaySet};

use super::{DayRule, Letter, Program, ProgramSet, Station, WEEKDAYS};
use crate::site::words::Emission;
use crate::water::units::{Gpm, Minutes, Percent};
use crate::water::window::{TimeOfDay, Window};

/// What a set of programs is held against.
#[derive(Debug, Clone, Default)]
pub struct Expected {
    /// When water may run.
    pub window: Option<Window>,
    /// Days that must stay dry.
    pub dry_days: Option<WeekdaySet>,
    /// The only dates of the month on which water may run, odd or even.
    pub dates: Option<DayRule>,
    /// What each program's seasonal percent should be about, where somebody knows.
    pub percent: BTreeMap<Letter, Percent>,
    /// The most that the supply gives.
    pub flow_limit: Option<Gpm>,
    /// What each station draws.
    pub flow: BTreeMap<Station, Gpm>,
    /// How each station's water comes out, for what is a usual run.
    pub emission: BTreeMap<Station, Emission>,
}

/// Something in a set of programs that a crew should look at before it leaves.
#[derive(Debug, Clone, PartialEq)]
pub enum ProgramFault {
    /// One start time twice: the whole program runs twice.
    StartTwice {
        /// Which program.
        letter: Letter,
        /// Which time.
        at: TimeOfDay,
    },
    /// A start comes while another is still running.
    Overlap {
        /// The program that is running, and its start.
        first: (Letter, TimeOfDay),
        /// The one that starts into it.
        second: (Letter, TimeOfDay),
    },
    /// Water runs outside the window.
    OutsideWindow {
        /// Which program and start.
        start: (Letter, TimeOfDay),
        /// Its minutes outside.
        minutes: Minutes,
    },
    /// Water on a day that must stay dry.
    DryDay {
        /// Which program.
        letter: Letter,
        /// The first such day.
        day: Weekday,
    },
    /// The seasonal percent is far from what the month needs.
    PercentForgotten {
        /// Which program.
        letter: Letter,
        /// What it is.
        percent: Percent,
        /// What it should be about.
        expected: Percent,
    },
    /// A station runs in several programs.
    StationInSeveral {
        /// Which station.
        station: Station,
        /// In which programs.
        letters: Vec<Letter>,
    },
    /// A run that is long or short for that kind of head.
    UnusualRun {
        /// Which program and station.
        run: (Letter, Station),
        /// Minutes of one run, the percent included.
        minutes: Minutes,
        /// From and to, for that kind of head.
        usual: (Minutes, Minutes),
    },
    /// Water on dates on which none is allowed.
    WrongDates {
        /// Which program.
        letter: Letter,
        /// The dates that are allowed, odd or even.
        allowed: DayRule,
    },
    /// A station draws more than the supply gives.
    BeyondSupply {
        /// Which station.
        station: Station,
        /// What it draws.
        flow: Gpm,
        /// What the supply gives.
        limit: Gpm,
    },
    /// Every station alike, every day, at a round hour: what many clocks fall back to when their
    /// power was gone.
    LooksLikeDefault {
        /// Which program.
        letter: Letter,
        /// Minutes of each station.
        minutes: Minutes,
        /// How many stations.
        stations: usize,
    },
    /// Run times without a start, or starts without run times: it never waters.
    NeverRuns {
        /// Which program.
        letter: Letter,
    },
}

impl fmt::Display for ProgramFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::StartTwice { letter, at } => {
                write!(
                    f,
                    "program {letter} starts twice at {at}: all of it runs twice"
                )
            }
            Self::Overlap { first, second } => write!(
                f,
                "program {} starts at {} while program {} of {} still runs",
                second.0, second.1, first.0, first.1
            ),
            Self::OutsideWindow { start, minutes } => write!(
                f,
                "program {} of {} runs {:.0} min outside the water window",
                start.0,
                start.1,
                minutes.get()
            ),
            Self::DryDay { letter, day } => {
                write!(f, "program {letter} waters on {day}, which must stay dry")
            }
            Self::PercentForgotten {
                letter,
                percent,
                expected,
            } => write!(
                f,
                "program {letter} stands at {:.0}%; this month needs about {:.0}%",
                percent.get(),
                expected.get()
            ),
            Self::StationInSeveral { station, letters } => {
                let letters: Vec<_> = letters.iter().map(Letter::to_string).collect();
                write!(
                    f,
                    "station {station} runs in programs {}",
                    letters.join(" and ")
                )
            }
            Self::UnusualRun {
                run,
                minutes,
                usual,
            } => write!(
                f,
                "program {} runs station {} for {:.0} min; {:.0} to {:.0} is usual there",
                run.0,
                run.1,
                minutes.get(),
                usual.0.get(),
                usual.1.get()
            ),
            Self::WrongDates { letter, allowed } => write!(
                f,
                "program {letter} does not keep to {allowed} dates, the only ones allowed"
            ),
            Self::BeyondSupply {
                station,
                flow,
                limit,
            } => write!(
                f,
                "station {station} draws {:.1} gpm; the supply gives {:.1} gpm",
                flow.get(),
                limit.get()
            ),
            Self::LooksLikeDefault {
                letter,
                minutes,
                stations,
            } => write!(
                f,
                "program {letter} runs all {stations} stations {:.0} min every day: a clock whose \
                 power was gone falls back to that",
                minutes.get()
            ),
            Self::NeverRuns { letter } => write!(
                f,
                "program {letter} never waters: it lacks a start time, a day, or a percent"
            ),
        }
    }
}

/// So many stations of the same minutes are no accident, and so many minutes are what clocks fall
/// back to; common practice, no source.
const DEFAULT_STATIONS: usize = 4;
const DEFAULT_MINUTES: f64 = 10.0;

/// How far the percent may be off before it looks forgotten; common practice, no source.
const PERCENT_OFF: f64 = 25.0;

/// Returns the minutes of one run that are usual for a kind of head, from and to; common
/// practice, no source. `None` where the heads are mixed.
#[must_use]
pub const fn usual_run(emission: Emission) -> Option<(Minutes, Minutes)> {
    let (least, most) = match emission {
        Emission::FixedSpray | Emission::Bubbler => (3.0, 20.0),
        Emission::RotaryStream | Emission::GearRotor | Emission::Impact => (10.0, 45.0),
        Emission::Drip => (20.0, 120.0),
        Emission::Mixed => return None,
    };
    Some((Minutes::new(least), Minutes::new(most)))
}

impl Program {
    /// Returns the minutes of one run of a station: run time x percent.
    #[must_use]
    pub fn minutes_a_run(&self, station: Station) -> Minutes {
        let set = self.run.get(&station).copied().unwrap_or(Minutes::ZERO);
        set * (self.percent.get() / 100.0)
    }

    /// Returns the minutes that one start of the program takes, one station after the other.
    #[must_use]
    pub fn minutes_a_start(&self) -> Minutes {
        self.run
            .keys()
            .map(|station| self.minutes_a_run(*station))
            .sum()
    }

    /// Returns a station's minutes in a week: run time x percent x starts x days.
    #[must_use]
    pub fn minutes_a_week(&self, station: Station) -> Minutes {
        let runs = self.starts.len() as f64 * self.days.days_a_week();
        self.minutes_a_run(station) * runs
    }
}

impl ProgramSet {
    /// Returns a station's minutes in a week, over all programs.
    #[must_use]
    pub fn minutes_a_week(&self, station: Station) -> Minutes {
        let programs = self.programs.values();
        programs
            .map(|program| program.minutes_a_week(station))
            .sum()
    }

    /// Returns every station that is given a run time, by number.
    #[must_use]
    pub fn stations(&self) -> BTreeSet<Station> {
        let runs = self.programs.values().flat_map(|program| &program.run);
        let set = runs.filter(|(_, minutes)| **minutes > Minutes::ZERO);
        set.map(|(station, _)| *station).collect()
    }

    /// Returns what a crew should look at before it leaves, program by program.
    #[must_use]
    pub fn faults(&self, expected: &Expected) -> Vec<ProgramFault> {
        let mut faults = Vec::new();
        for (&letter, program) in &self.programs {
            faults.extend(program.faults(letter, expected));
        }
        faults.extend(self.overlaps());
        for station in self.stations() {
            let runs = |program: &Program| program.minutes_a_run(station) > Minutes::ZERO;
            let letters = self.programs.iter().filter(|(_, program)| runs(program));
            let letters: Vec<Letter> = letters.map(|(letter, _)| *letter).collect();
            if letters.len() > 1 {
                faults.push(ProgramFault::StationInSeveral { station, letters });
            }
        }
        faults
    }

    /// Every pair of starts of which the second comes while the first still runs.
    fn overlaps(&self) -> Vec<ProgramFault> {
        let mut faults = Vec::new();
        for (&one, first) in &self.programs {
            let lasts = first.minutes_a_start().get();
            for &begin in &BTreeSet::from_iter(first.starts.iter().copied()) {
                for (&other, second) in &self.programs {
                    for &start in &BTreeSet::from_iter(second.starts.iter().copied()) {
                        let waters = second.minutes_a_start() > Minutes::ZERO;
                        if (one, begin) != (other, start)
                            && waters
                            && meets(first.days, second.days, begin, start, lasts)
                        {
                            faults.push(ProgramFault::Overlap {
                                first: (one, begin),
                                second: (other, start),
                            });
                        }
                    }
                }
            }
        }
        faults
    }
}

/// Whether a start falls into what began earlier on the same day, or on the evening before.
fn meets(first: DayRule, second: DayRule, begin: TimeOfDay, start: TimeOfDay, lasts: f64) -> bool {
    let apart = f64::from(start.minute_of_day()) - f64::from(begin.minute_of_day());
    let same_day = (0.0..lasts).contains(&apart) && share_a_day(first, second, 0);
    let next_day = apart + DAY < lasts && share_a_day(first, second, 1);
    same_day || next_day
}

const DAY: f64 = 1_440.0;

/// Whether the second can run so many days after the first; rules other than days of the week
/// drift against each other, so sooner or later they do.
fn share_a_day(first: DayRule, second: DayRule, later: usize) -> bool {
    let (DayRule::Weekdays(one), DayRule::Weekdays(other)) = (first, second) else {
        return !matches!(
            (first, second, later),
            (DayRule::Odd, DayRule::Even, 0) | (DayRule::Even, DayRule::Odd, 0)
        );
    };
    let days = WEEKDAYS.iter().map(|(day, _)| *day);
    days.zip(WEEKDAYS.iter().map(|(day, _)| *day).cycle().skip(later))
        .any(|(day, after)| one.contains(day) && other.contains(after))
}

impl Program {
    fn faults(&self, letter: Letter, expected: &Expected) -> Vec<ProgramFault> {
        let mut faults = Vec::new();
        let set = self.run.values().any(|minutes| *minutes > Minutes::ZERO);
        let times = !self.starts.is_empty() && self.days.days_a_week() > 0.0;
        let waters = set && times && self.percent > Percent::ZERO;
        if set && !waters {
            faults.push(ProgramFault::NeverRuns { letter });
        }
        let mut seen = BTreeSet::new();
        for &at in &self.starts {
            if !seen.insert(at) {
                faults.push(ProgramFault::StartTwice { letter, at });
            }
        }
        if !waters {
            return faults;
        }
        faults.extend(self.outside(letter, expected));
        if let (Some(dry), DayRule::Weekdays(days)) = (expected.dry_days, self.days)
            && let Some(day) = days.intersection(dry).first()
        {
            faults.push(ProgramFault::DryDay { letter, day });
        }
        if let Some(allowed) = expected.dates
            && self.days != allowed
        {
            faults.push(ProgramFault::WrongDates { letter, allowed });
        }
        if let Some(&expected) = expected.percent.get(&letter)
            && (self.percent - expected).get().abs() > PERCENT_OFF
        {
            let percent = self.percent;
            faults.push(ProgramFault::PercentForgotten {
                letter,
                percent,
                expected,
            });
        }
        faults.extend(self.default_after_power_loss(letter));
        for &station in self.run.keys() {
            let minutes = self.minutes_a_run(station);
            if let (Some(limit), Some(&flow)) = (expected.flow_limit, expected.flow.get(&station))
                && flow > limit
                && minutes > Minutes::ZERO
            {
                faults.push(ProgramFault::BeyondSupply {
                    station,
                    flow,
                    limit,
                });
            }
            let emission = expected.emission.get(&station);
            if let Some(usual) = emission.and_then(|emission| usual_run(*emission))
                && minutes > Minutes::ZERO
                && !(usual.0..=usual.1).contains(&minutes)
            {
                let run = (letter, station);
                faults.push(ProgramFault::UnusualRun {
                    run,
                    minutes,
                    usual,
                });
            }
        }
        faults
    }

    /// What many clocks fall back to without a battery: ten minutes for every station, every day,
    /// at a full hour, at 100 %. Common practice, no source.
    fn default_after_power_loss(&self, letter: Letter) -> Option<ProgramFault> {
        let runs = self.run.values().copied();
        let mut runs = runs.filter(|minutes| *minutes > Minutes::ZERO);
        let minutes = runs.next()?;
        let stations = 1 + runs.clone().count();
        let alike = runs.all(|other| other == minutes);
        let full_hours = self.starts.iter().all(|at| at.minute_of_day() % 60 == 0);
        let every_day = self.days == DayRule::DAILY;
        let looks = alike
            && stations >= DEFAULT_STATIONS
            && minutes.get() == DEFAULT_MINUTES
            && full_hours
            && every_day
            && self.percent == Percent::new(100.0);
        looks.then_some(ProgramFault::LooksLikeDefault {
            letter,
            minutes,
            stations,
        })
    }

    fn outside(&self, letter: Letter, expected: &Expected) -> Vec<ProgramFault> {
        let Some(window) = expected.window else {
            return Vec::new();
        };
        let open = f64::from(window.minutes());
        let lasts = self.minutes_a_start().get();
        let starts = BTreeSet::from_iter(self.starts.iter().copied());
        let late = starts.into_iter().filter_map(|at| {
            let opens = f64::from(window.opens.minute_of_day());
            let after_opening = (f64::from(at.minute_of_day()) - opens).rem_euclid(DAY);
            let inside = (open - after_opening).clamp(0.0, lasts);
            // A program that runs into the next day's window is counted as outside all the same.
            let minutes = Minutes::new(lasts - inside);
            let start = (letter, at);
            (minutes > Minutes::ZERO).then_some(ProgramFault::OutsideWindow { start, minutes })
        });
        late.collect()
    }
}

#[cfg(test)]
mod tests;
