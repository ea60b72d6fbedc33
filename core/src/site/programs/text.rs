//! A set of programs as text, both ways.

use std::fmt;
use std::str::FromStr;

use chrono::WeekdaySet;

use super::{
    DayRule, EveryDays, LARGEST_PERCENT, LONGEST_RUN, Letter, Program, ProgramSet, Station,
    WEEKDAYS,
};
use crate::site::time_of_day;
use crate::water::units::{Minutes, Percent};

/// Text that is not a set of programs: where, and what would do.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum ProgramTextError {
    /// A program without its letter.
    #[error(
        "`{0}` does not begin with a program's letter; write `A: start 5:00; days mon wed \
             fri; 100%; run 1=15 2=20`, programs apart by `|`"
    )]
    NoLetter(String),
    /// One letter twice.
    #[error("program {0} is given twice; say it once")]
    LetterTwice(Letter),
    /// A part of a program that does not read.
    #[error("program {letter}: `{got}` does not read; write {wanted}")]
    Clause {
        /// Which program.
        letter: Letter,
        /// What was typed.
        got: String,
        /// What would do.
        wanted: &'static str,
    },
    /// One station twice in one program.
    #[error("program {letter}: station {station} is given twice; say it once")]
    StationTwice {
        /// Which program.
        letter: Letter,
        /// Which station.
        station: Station,
    },
}

const CLAUSES: &str = "`start 5:00`, `days mon wed fri`, `100%` or `run 1=15 2=20`";
const STARTS: &str = "start times such as `start 5:00 6:30`";
const DAYS: &str = "`days mon wed fri`, `days daily`, `days every 3`, `days odd` or `days even`";
const PERCENT: &str = "a percent from 0 to 300, such as `80%`";
const RUN: &str = "stations and minutes from 0 to 1440, such as `run 1=15 2=20`";

impl FromStr for ProgramSet {
    type Err = ProgramTextError;

    fn from_str(text: &str) -> Result<Self, ProgramTextError> {
        let mut set = Self::default();
        if text.trim() == NONE {
            return Ok(set);
        }
        for part in text.split('|') {
            let (letter, clauses) = letter_and_rest(part)
                .ok_or_else(|| ProgramTextError::NoLetter(part.trim().to_owned()))?;
            let program = program(letter, clauses)?;
            if set.programs.insert(letter, program).is_some() {
                return Err(ProgramTextError::LetterTwice(letter));
            }
        }
        Ok(set)
    }
}

/// How a set without programs is written.
const NONE: &str = "no programs";

fn letter_and_rest(part: &str) -> Option<(Letter, &str)> {
    let (letter, clauses) = part.split_once(':')?;
    let mut letters = letter.trim().chars();
    match (letters.next(), letters.next()) {
        (Some(letter), None) => Some((Letter::new(letter)?, clauses)),
        _ => None,
    }
}

fn program(letter: Letter, clauses: &str) -> Result<Program, ProgramTextError> {
    let mut program = Program {
        starts: Vec::new(),
        days: DayRule::Weekdays(WeekdaySet::EMPTY),
        percent: Percent::new(100.0),
        run: std::collections::BTreeMap::new(),
    };
    let wrong = |got: &str, wanted| ProgramTextError::Clause {
        letter,
        got: got.trim().to_owned(),
        wanted,
    };
    for clause in clauses.split(';').map(str::trim) {
        let (word, rest) = clause.split_once(' ').unwrap_or((clause, ""));
        match word.to_ascii_lowercase().as_str() {
            "" => {}
            "start" | "starts" => {
                program.starts = words(rest)
                    .map(|time| time_of_day::parse(time).ok_or_else(|| wrong(time, STARTS)))
                    .collect::<Result<_, _>>()?;
            }
            "days" => program.days = day_rule(rest).ok_or_else(|| wrong(clause, DAYS))?,
            "percent" => program.percent = percent(rest).ok_or_else(|| wrong(clause, PERCENT))?,
            _ if clause.ends_with('%') => {
                program.percent = percent(clause).ok_or_else(|| wrong(clause, PERCENT))?;
            }
            "run" => {
                for setting in words(rest) {
                    let (station, minutes) = run(setting).ok_or_else(|| wrong(setting, RUN))?;
                    if program.run.insert(station, minutes).is_some() {
                        return Err(ProgramTextError::StationTwice { letter, station });
                    }
                }
            }
            _ => return Err(wrong(clause, CLAUSES)),
        }
    }
    Ok(program)
}

fn words(text: &str) -> impl Iterator<Item = &str> {
    text.split([' ', ',']).filter(|word| !word.is_empty())
}

fn day_rule(text: &str) -> Option<DayRule> {
    let lower = text.to_ascii_lowercase();
    let mut all = words(&lower);
    match all.next()? {
        "daily" => all.next().is_none().then_some(DayRule::DAILY),
        "odd" => all.next().is_none().then_some(DayRule::Odd),
        "even" => all.next().is_none().then_some(DayRule::Even),
        "off" => all
            .next()
            .is_none()
            .then_some(DayRule::Weekdays(WeekdaySet::EMPTY)),
        "every" => {
            let days = EveryDays::new(all.next()?.parse().ok()?)?;
            let mut next = all.next();
            if matches!(next, Some("day" | "days")) {
                next = all.next();
            }
            let from = match next {
                None => None,
                Some("from") => Some(all.next()?.parse().ok()?),
                Some(_) => return None,
            };
            all.next()
                .is_none()
                .then_some(DayRule::Every { days, from })
        }
        _ => {
            let mut set = WeekdaySet::EMPTY;
            for word in words(&lower) {
                let (day, _) = WEEKDAYS
                    .into_iter()
                    .find(|(day, short)| word == *short || word == long_name(*day))?;
                set.insert(day);
            }
            Some(DayRule::Weekdays(set))
        }
    }
}

fn long_name(day: chrono::Weekday) -> &'static str {
    use chrono::Weekday::{Fri, Mon, Sat, Sun, Thu, Tue, Wed};
    match day {
        Mon => "monday",
        Tue => "tuesday",
        Wed => "wednesday",
        Thu => "thursday",
        Fri => "friday",
        Sat => "saturday",
        Sun => "sunday",
    }
}

fn percent(text: &str) -> Option<Percent> {
    let number = text.trim().trim_end_matches('%').trim_end();
    let share = bounded(number, LARGEST_PERCENT.get())?;
    Some(Percent::new(share))
}

fn run(setting: &str) -> Option<(Station, Minutes)> {
    let (station, minutes) = setting.split_once('=')?;
    let minutes = minutes.trim_end_matches("min");
    Some((
        Station::new(station.parse().ok()?)?,
        Minutes::new(bounded(minutes, LONGEST_RUN.get())?),
    ))
}

fn bounded(text: &str, most: f64) -> Option<f64> {
    let plain = text.starts_with(|first: char| first.is_ascii_digit());
    let number: f64 = plain.then(|| text.parse().ok())??;
    (number <= most).then_some(number)
}

impl fmt::Display for ProgramSet {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.programs.is_empty() {
            return f.write_str(NONE);
        }
        for (at, (letter, program)) in self.programs.iter().enumerate() {
            let apart = if at == 0 { "" } else { " | " };
            write!(f, "{apart}{letter}: {program}")?;
        }
        Ok(())
    }
}

impl fmt::Display for Program {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if !self.starts.is_empty() {
            f.write_str("start")?;
            for start in &self.starts {
                write!(f, " {start}")?;
            }
            f.write_str("; ")?;
        }
        write!(f, "days {}; {}%", self.days, self.percent.get())?;
        if !self.run.is_empty() {
            f.write_str("; run")?;
            for (station, minutes) in &self.run {
                write!(f, " {station}={}", minutes.get())?;
            }
        }
        Ok(())
    }
}

impl fmt::Display for DayRule {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Weekdays(WeekdaySet::ALL) => f.write_str("daily"),
            Self::Weekdays(WeekdaySet::EMPTY) => f.write_str("off"),
            Self::Weekdays(days) => {
                let chosen = WEEKDAYS.iter().filter(|(day, _)| days.contains(*day));
                let chosen: Vec<&str> = chosen.map(|(_, short)| *short).collect();
                f.write_str(&chosen.join(" "))
            }
            Self::Every { days, from } => {
                write!(f, "every {}", days.get())?;
                match from {
                    Some(from) => write!(f, " from {from}"),
                    None => Ok(()),
                }
            }
            Self::Odd => f.write_str("odd"),
            Self::Even => f.write_str("even"),
        }
    }
}
