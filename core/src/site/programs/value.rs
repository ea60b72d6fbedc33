//! A set of programs as one stored value, both ways. The part numbers are stable for ever.

use std::collections::BTreeMap;

use chrono::{NaiveDate, WeekdaySet};

use super::{
    DayRule, EveryDays, LARGEST_PERCENT, LONGEST_RUN, Letter, Program, ProgramSet, Station,
    WEEKDAYS,
};
use crate::log::value::Value;
use crate::site::measure::Measure;
use crate::site::time_of_day;
use crate::water::units::{Minutes, Percent};

/// Of a set: its programs, a list.
const PROGRAMS: u16 = 1;

/// Of a program: its letter, a word.
const LETTER: u16 = 1;
/// Start times, a list of minutes since midnight.
const STARTS: u16 = 2;
/// The rule of its days, a word.
const RULE: u16 = 3;
/// Days of the week, a list of numbers from Monday = 1.
const DAYS: u16 = 4;
/// Days from one run to the next.
const EVERY: u16 = 5;
/// The day from which they are counted.
const FROM: u16 = 6;
/// The seasonal adjustment.
const PERCENT: u16 = 7;
/// Run times, a list.
const RUN: u16 = 8;

/// Of a run time: the station's number.
const STATION: u16 = 1;
/// Its minutes.
const MINUTES: u16 = 2;

impl ProgramSet {
    /// Returns the one value to store.
    #[must_use]
    pub fn value(&self) -> Value {
        let programs = self.programs.iter();
        let programs = programs.map(|(&letter, program)| program_value(letter, program));
        Value::Record(BTreeMap::from([(
            PROGRAMS,
            Value::List(programs.collect()),
        )]))
    }

    /// Reads a stored value; `None` where it is not a set of programs, or one that no controller
    /// could run. Parts that a later version added are passed over.
    #[must_use]
    pub fn read(value: &Value) -> Option<Self> {
        let mut programs = BTreeMap::new();
        for item in value.as_record()?.get(&PROGRAMS)?.as_list()? {
            let parts = item.as_record()?;
            let mut letter = parts.get(&LETTER)?.as_text()?.chars();
            let (Some(letter), None) = (letter.next(), letter.next()) else {
                return None;
            };
            programs.insert(Letter::new(letter)?, read_program(parts)?);
        }
        Some(Self { programs })
    }
}

fn program_value(letter: Letter, program: &Program) -> Value {
    let starts = program
        .starts
        .iter()
        .map(|start| time_of_day::value(*start))
        .collect();
    let run = program.run.iter().map(|(station, minutes)| {
        Value::Record(BTreeMap::from([
            (STATION, Value::Int(i64::from(station.get()))),
            (MINUTES, minutes.value()),
        ]))
    });
    let mut parts = BTreeMap::from([
        (LETTER, Value::text(letter.to_string())),
        (STARTS, Value::List(starts)),
        (PERCENT, program.percent.value()),
        (RUN, Value::List(run.collect())),
    ]);
    let rule = match program.days {
        DayRule::Weekdays(days) => {
            let chosen = WEEKDAYS.iter().filter(|(day, _)| days.contains(*day));
            let numbers = chosen.map(|(day, _)| i64::from(day.number_from_monday()));
            parts.insert(DAYS, Value::List(numbers.map(Value::Int).collect()));
            "weekdays"
        }
        DayRule::Every { days, from } => {
            parts.insert(EVERY, Value::Int(i64::from(days.get())));
            if let Some(from) = from {
                parts.insert(FROM, Value::Date(from.to_epoch_days()));
            }
            "every"
        }
        DayRule::Odd => "odd",
        DayRule::Even => "even",
    };
    parts.insert(RULE, Value::text(rule));
    Value::Record(parts)
}

fn read_program(parts: &BTreeMap<u16, Value>) -> Option<Program> {
    let starts = parts.get(&STARTS)?.as_list()?.iter();
    let percent = Percent::read(parts.get(&PERCENT)?)?;
    let run = parts.get(&RUN)?.as_list()?.iter();
    let possible = (0.0..=LARGEST_PERCENT.get()).contains(&percent.get());
    Some(Program {
        starts: starts.map(time_of_day::read).collect::<Option<_>>()?,
        days: read_days(parts)?,
        percent: possible.then_some(percent)?,
        run: run.map(read_run).collect::<Option<_>>()?,
    })
}

fn read_days(parts: &BTreeMap<u16, Value>) -> Option<DayRule> {
    match parts.get(&RULE)?.as_text()? {
        "weekdays" => {
            let mut days = WeekdaySet::EMPTY;
            for number in parts.get(&DAYS)?.as_list()? {
                let number = number.as_int()?;
                let (day, _) = WEEKDAYS
                    .into_iter()
                    .find(|(day, _)| i64::from(day.number_from_monday()) == number)?;
                days.insert(day);
            }
            Some(DayRule::Weekdays(days))
        }
        "every" => Some(DayRule::Every {
            days: EveryDays::new(u8::try_from(parts.get(&EVERY)?.as_int()?).ok()?)?,
            from: match parts.get(&FROM) {
                Some(Value::Date(days)) => NaiveDate::from_epoch_days(*days),
                _ => None,
            },
        }),
        "odd" => Some(DayRule::Odd),
        "even" => Some(DayRule::Even),
        _ => None,
    }
}

fn read_run(value: &Value) -> Option<(Station, Minutes)> {
    let parts = value.as_record()?;
    let station = u16::try_from(parts.get(&STATION)?.as_int()?).ok()?;
    let minutes = Minutes::read(parts.get(&MINUTES)?)?;
    let possible = (0.0..=LONGEST_RUN.get()).contains(&minutes.get());
    Some((Station::new(station)?, possible.then_some(minutes)?))
}
