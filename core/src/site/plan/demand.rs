//! What the air took and the sky gave in the week before.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{Days, Month, NaiveDate};

use super::{Figure, Unknown, Why};
use crate::site::things::Site;
use crate::site::weather::{
    EtFrom, Normals, Record, Standing, UsualDay, WeatherDay, standing_of_site,
};
use crate::site::words::Season;
use crate::water::rain;
use crate::water::units::Inches;

/// Days in a week.
pub(super) const WEEK: u64 = 7;
/// From so few days a week is not reckoned: three and a half are half of it.
const LEAST_DAYS: usize = 4;

/// A day of the week before.
#[derive(Debug, Clone, Copy)]
pub(super) struct DayBefore {
    /// Its rain, where that is more than a sprinkle.
    pub(super) rain: Inches,
    /// Its reference evapotranspiration, where that is known.
    pub(super) eto: Option<Inches>,
}

/// The week before the plan.
#[derive(Debug, Clone)]
pub(super) struct Week {
    /// Reference evapotranspiration of seven days.
    pub(super) eto: Figure<Inches>,
    /// All its rain.
    pub(super) rain: Figure<Inches>,
    /// Each of its recorded days, oldest first.
    pub(super) days: Vec<DayBefore>,
    /// The month that the plan is for.
    pub(super) month: Month,
    /// The day that the plan is for.
    pub(super) on: NaiveDate,
    /// The water is off, if it is.
    pub(super) off: Option<Season>,
}

impl Week {
    pub(super) fn of(site: &Site<'_>, weather: &Record, on: NaiveDate) -> Self {
        let from = on.checked_sub_days(Days::new(WEEK)).unwrap_or(on);
        let days: BTreeMap<NaiveDate, &WeatherDay> = weather
            .days
            .iter()
            .filter(|day| (from..on).contains(&day.date))
            .map(|day| (day.date, day))
            .collect();
        let elsewhere = standing_of_site(site.root());
        let (mut total, mut known, mut computed) = (Inches::ZERO, 0, 0);
        let (mut assumed, mut fault) = (BTreeSet::new(), None);
        let mut before = Vec::new();
        for day in days.values() {
            let eto = match day.eto(elsewhere) {
                Ok(eto) => eto,
                Err(reason) => {
                    fault.get_or_insert_with(|| reason.to_string());
                    let rain = day.rain.unwrap_or(Inches::ZERO);
                    before.push(DayBefore { rain, eto: None });
                    continue;
                }
            };
            total = total + eto.eto;
            known += 1;
            if let EtFrom::Computed {
                assumed: filled, ..
            } = &eto.from
            {
                computed += 1;
                assumed.extend(filled.iter().map(|assumed| assumed.field()));
            }
            // A rain gauge cannot hold less than nothing; the table refuses it on entry.
            let counted = day
                .rain
                .and_then(|rain| rain::above_a_fifth(rain, eto.eto).ok());
            before.push(DayBefore {
                rain: counted.unwrap_or(Inches::ZERO),
                eto: Some(eto.eto),
            });
        }
        let season = site.season().ok().map(|season| season.value);
        let mut week = Self {
            eto: eto_figure(total, known, computed, assumed, fault),
            rain: rain_figure(&days),
            days: before,
            month: month(on),
            on,
            off: season.filter(|season| *season != Season::Running),
        };
        week.take_normals(&weather.normals, from, elsewhere, known);
        week
    }

    /// A week of a month with so much evapotranspiration a day and no rain, the water on.
    pub(super) fn dry(on: NaiveDate, eto_a_day: Inches, why: Why) -> Self {
        Self {
            eto: Figure::known(eto_a_day * WEEK as f64, why),
            rain: Figure::known(Inches::ZERO, Why::NoRainCounted),
            days: Vec::new(),
            month: month(on),
            on,
            off: None,
        }
    }

    /// Puts the month's usual weather where the week has too little of its own, and says so.
    fn take_normals(
        &mut self,
        normals: &Normals,
        from: NaiveDate,
        elsewhere: Option<Standing>,
        known: usize,
    ) {
        let usual = |date: NaiveDate| normals.day(date, elsewhere);
        let week: Result<Vec<UsualDay>, _> = from
            .iter_days()
            .take_while(|date| *date < self.on)
            .map(usual)
            .collect();
        let Ok(week) = week else { return };
        if self.eto.get().is_err() {
            let assumed = week.iter().flat_map(|day| &day.assumed);
            let assumed: BTreeSet<&str> = assumed.map(|assumed| assumed.field()).collect();
            let figure = Figure::known(
                week.iter().map(|day| day.eto).sum(),
                Why::EtFromNormals { known },
            );
            self.eto = figure.and_all((!assumed.is_empty()).then(|| Why::EtMethod {
                assumed: assumed.into_iter().collect(),
            }));
        }
        let rain: Option<Vec<Inches>> = week.iter().map(|day| day.rain).collect();
        if let (Err(_), Some(rain)) = (self.rain.get(), rain) {
            let total = rain.iter().copied().sum();
            self.rain = Figure::known(total, Why::RainFromNormals);
            let days = rain.into_iter().zip(&week);
            self.days = days
                .map(|(rain, day)| DayBefore {
                    rain,
                    eto: Some(day.eto),
                })
                .collect();
        }
    }
}

pub(super) fn month(on: NaiveDate) -> Month {
    use chrono::Datelike;
    let number = u8::try_from(on.month()).ok();
    let month = number.and_then(|number| Month::try_from(number).ok());
    month.expect("a date has one of twelve months")
}

fn eto_figure(
    total: Inches,
    known: usize,
    computed: usize,
    assumed: BTreeSet<&'static str>,
    fault: Option<String>,
) -> Figure<Inches> {
    if known < LEAST_DAYS {
        return Figure::unknown(Unknown::TooLittleWeather { known, fault });
    }
    // Few enough days that the count is exact in a float.
    let week = total * (WEEK as f64 / known as f64);
    let station = known - computed;
    let mut figure = Figure::known(
        week,
        Why::EtOfWeek {
            total: week,
            station,
            computed,
        },
    );
    if computed > 0 {
        let assumed = assumed.into_iter().collect();
        figure = figure.and(Why::EtMethod { assumed });
    }
    if known < WEEK as usize {
        figure = figure.and(Why::DaysMissing { known });
    }
    figure
}

fn rain_figure(days: &BTreeMap<NaiveDate, &WeatherDay>) -> Figure<Inches> {
    let read: Vec<Inches> = days.values().filter_map(|day| day.rain).collect();
    if read.is_empty() {
        return Figure::unknown(Unknown::NoRainRecords);
    }
    let total = read.iter().copied().sum();
    let missing = WEEK as usize - read.len().min(WEEK as usize);
    let figure = Figure::known(
        total,
        Why::RainOfWeek {
            total,
            days: read.len(),
        },
    );
    if missing > 0 {
        figure.and(Why::RainMissing { days: missing })
    } else {
        figure
    }
}
