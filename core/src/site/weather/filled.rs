//! A stretch of days without a gap: what was not recorded is filled, and says by what.

use std::collections::BTreeMap;

use chrono::{Days, NaiveDate};

use super::{EtFrom, Record, Standing, WeatherDay};
use crate::water::units::Inches;

/// One day of a stretch.
#[derive(Debug, Clone, PartialEq)]
pub struct FilledDay {
    /// The day.
    pub date: NaiveDate,
    /// Reference evapotranspiration.
    pub eto: Inches,
    /// Where it comes from.
    pub eto_from: Origin,
    /// Rain.
    pub rain: Inches,
    /// Where it comes from.
    pub rain_from: Origin,
}

/// Where a day's figure comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Origin {
    /// The station recorded it.
    Recorded,
    /// Computed from what the station recorded.
    Computed,
    /// Between the known days before and after.
    Between,
    /// The month's normals.
    Normals,
    /// Rain that nobody recorded: none.
    TakenAsNone,
}

/// A gap in evapotranspiration of at most so many days is bridged by the days beside it; common
/// practice, no source. A longer one needs normals.
const BRIDGED: u64 = 7;

/// Returns every day from one to another, both included; `None` for the first day of a gap that
/// nothing can fill.
///
/// # Errors
/// The first day that cannot be filled.
pub fn filled(
    record: &Record,
    from: NaiveDate,
    to: NaiveDate,
    elsewhere: Option<Standing>,
) -> Result<Vec<FilledDay>, NaiveDate> {
    let days: BTreeMap<NaiveDate, &WeatherDay> =
        record.days.iter().map(|day| (day.date, day)).collect();
    let known: BTreeMap<NaiveDate, (Inches, Origin)> = days
        .iter()
        .filter_map(|(date, day)| {
            let eto = day.eto(elsewhere).ok()?;
            let origin = match eto.from {
                EtFrom::Station => Origin::Recorded,
                EtFrom::Computed { .. } => Origin::Computed,
            };
            Some((*date, (eto.eto, origin)))
        })
        .collect();
    from.iter_days()
        .take_while(|date| *date <= to)
        .map(|date| {
            let usual = record.normals.day(date, elsewhere).ok();
            let between = || between(&known, date).map(|eto| (eto, Origin::Between));
            let of_normals = || Some((usual.as_ref()?.eto, Origin::Normals));
            let eto = known.get(&date).copied();
            let (eto, eto_from) = eto.or_else(between).or_else(of_normals).ok_or(date)?;
            let (rain, rain_from) = match days.get(&date).and_then(|day| day.rain) {
                Some(rain) => (rain, Origin::Recorded),
                None if days.contains_key(&date) => (Inches::ZERO, Origin::TakenAsNone),
                None => match usual.and_then(|usual| usual.rain) {
                    Some(rain) => (rain, Origin::Normals),
                    None => (Inches::ZERO, Origin::TakenAsNone),
                },
            };
            Ok(FilledDay {
                date,
                eto,
                eto_from,
                rain,
                rain_from,
            })
        })
        .collect()
}

/// The evapotranspiration of a day in a short gap, on the line between the days beside the gap.
fn between(known: &BTreeMap<NaiveDate, (Inches, Origin)>, date: NaiveDate) -> Option<Inches> {
    let (before, (first, _)) = known.range(..date).next_back()?;
    let (after, (last, _)) = known.range(date..).next()?;
    let gap = after.signed_duration_since(*before).num_days();
    let into = date.signed_duration_since(*before).num_days();
    let short = before.checked_add_days(Days::new(BRIDGED + 1))? >= *after;
    let share = into as f64 / gap as f64;
    short.then(|| *first + (*last - *first) * share)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::site::weather::{Normal, Normals};

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn record(known: &[(&str, f64, Option<f64>)]) -> Record {
        let days = known.iter().map(|(date, eto, rain)| WeatherDay {
            et: Some(Inches::new(*eto)),
            rain: rain.map(Inches::new),
            ..WeatherDay::on(day(date))
        });
        Record::of_days(days.collect())
    }

    #[test]
    fn a_short_gap_lies_between_its_days_and_says_so() {
        let record = record(&[("2026-07-01", 0.10, Some(0.5)), ("2026-07-05", 0.30, None)]);
        let got = filled(&record, day("2026-07-01"), day("2026-07-05"), None).unwrap();
        let eto: Vec<String> = got
            .iter()
            .map(|day| format!("{:.2}", day.eto.get()))
            .collect();
        assert_eq!(eto, ["0.10", "0.15", "0.20", "0.25", "0.30"]);
        assert_eq!(got[1].eto_from, Origin::Between);
        assert_eq!(got[0].rain_from, Origin::Recorded);
        assert_eq!(got[4].rain_from, Origin::TakenAsNone);
    }

    #[test]
    fn a_long_gap_takes_the_normals_or_is_refused_by_its_first_day() {
        let mut record = record(&[("2026-07-01", 0.10, None), ("2026-07-20", 0.30, None)]);
        let gap = |record: &Record| filled(record, day("2026-07-01"), day("2026-07-20"), None);
        assert_eq!(gap(&record), Err(day("2026-07-02")));
        let july = Normal {
            tmin: None,
            tmax: None,
            rain: Some(Inches::new(3.1)),
            et: Some(Inches::new(6.2)),
        };
        record.normals = Normals::new(BTreeMap::from([(7, july)]), None);
        let got = gap(&record).unwrap();
        assert_eq!(got[10].eto_from, Origin::Normals);
        assert_eq!(got[10].rain_from, Origin::Normals);
        assert!((got[10].eto.get() - 0.2).abs() < 1e-12);
        // What lies after the last known day is no gap between days.
        assert_eq!(
            filled(&record, day("2026-07-25"), day("2026-07-25"), None).unwrap()[0].eto_from,
            Origin::Normals
        );
    }
}
