//! A time of day as people type it and as it is stored; the type is that of the water window.

use crate::log::value::Value;
use crate::water::window::TimeOfDay;

/// Reads `5:30`, `05:30`, `17:30`, `5pm` or `5:30 am`; `None` for anything else.
#[must_use]
pub fn parse(text: &str) -> Option<TimeOfDay> {
    let text = text.trim().to_ascii_lowercase();
    let (clock, half) = match (text.strip_suffix("am"), text.strip_suffix("pm")) {
        (Some(clock), _) => (clock.trim_end(), Some(0)),
        (_, Some(clock)) => (clock.trim_end(), Some(12)),
        _ => (text.as_str(), None),
    };
    let (hour, minute) = match clock.split_once(':') {
        Some((hour, minute)) if minute.len() == 2 => (digits(hour)?, digits(minute)?),
        None if half.is_some() => (digits(clock)?, 0),
        _ => return None,
    };
    let hour = match half {
        None => hour,
        Some(half) if (1..=12).contains(&hour) => hour % 12 + half,
        Some(_) => return None,
    };
    let shown = hour < 24 && minute < 60;
    shown.then(|| TimeOfDay::new(hour * 60 + minute).ok())?
}

/// Returns the value to store.
#[must_use]
pub fn value(time: TimeOfDay) -> Value {
    Value::Int(i64::from(time.minute_of_day()))
}

/// Reads a stored value; `None` where it is not a time of day.
#[must_use]
pub fn read(value: &Value) -> Option<TimeOfDay> {
    TimeOfDay::new(u16::try_from(value.as_int()?).ok()?).ok()
}

fn digits(text: &str) -> Option<u16> {
    let plain = (1..=2).contains(&text.len()) && text.bytes().all(|byte| byte.is_ascii_digit());
    plain.then(|| text.parse().ok())?
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_time_reads_in_the_ways_people_write_it() {
        let check = |text, expected| {
            let read = parse(text).map(|time| time.to_string());
            assert_eq!(read.as_deref(), expected, "{text}");
        };
        check("5:30", Some("05:30"));
        check("05:30 AM", Some("05:30"));
        check("12am", Some("00:00"));
        check("12:15pm", Some("12:15"));
        check("11pm", Some("23:00"));
        check("24:00", None);
        check("13pm", None);
        check("0am", None);
        check("5", None);
        check("5:3", None);
        check("5:60", None);
        check("+5:30", None);
        check("", None);
    }

    #[test]
    fn every_minute_of_the_day_reads_back() {
        for minutes in 0..1_440 {
            let time = TimeOfDay::new(minutes).unwrap();
            assert_eq!(parse(&time.to_string()), Some(time));
            assert_eq!(read(&value(time)), Some(time));
        }
        assert_eq!(read(&Value::Int(1_440)), None);
        assert_eq!(read(&Value::Int(-1)), None);
    }
}
