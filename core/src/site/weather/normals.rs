//! What a month's weather usually is: for days that nobody recorded, and always said.

use std::collections::BTreeMap;

use chrono::{Datelike, NaiveDate};

use super::{NoEt, Standing, standing};
use crate::log::id::{LogbookId, ThingId};
use crate::merge::replay::State;
use crate::site::fields::seen;
use crate::site::things::{Parts, Site};
use crate::water::et::air::mean;
use crate::water::et::sun::DayOfYear;
use crate::water::et::{self, Assumed, Method, Period, Weather};
use crate::water::units::{Celsius, Inches};

/// The usual weather of one month.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Normal {
    /// Mean of its days' lowest temperatures.
    pub tmin: Option<Celsius>,
    /// Mean of their highest.
    pub tmax: Option<Celsius>,
    /// All its rain.
    pub rain: Option<Inches>,
    /// All its reference evapotranspiration.
    pub et: Option<Inches>,
}

/// The usual weather of the months that somebody entered.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Normals {
    months: BTreeMap<u32, Normal>,
    standing: Option<Standing>,
}

/// A usual day of a month.
#[derive(Debug, Clone, PartialEq)]
pub struct UsualDay {
    /// Reference evapotranspiration.
    pub eto: Inches,
    /// Its share of the month's rain; `None` where no rain was entered.
    pub rain: Option<Inches>,
    /// What was filled in to reckon it.
    pub assumed: Vec<Assumed>,
}

impl Normals {
    /// Reads a station's logbook; of two records of one month the later counts.
    #[must_use]
    pub fn of(state: &State, station: LogbookId) -> Self {
        let root = ThingId::root(station);
        let records = state.observations(root, seen::MONTHLY_NORMAL.number);
        let months = records.iter().filter_map(|record| {
            let parts = Parts::of(&seen::MONTHLY_NORMAL, &record.value);
            let month = u32::try_from(parts.get("month")?.as_int()?).ok()?;
            let normal = Normal {
                tmin: parts.measure("tmin"),
                tmax: parts.measure("tmax"),
                rain: parts.measure("rain"),
                et: parts.measure("et"),
            };
            (1..=12).contains(&month).then_some((month, normal))
        });
        Self {
            months: months.collect(),
            standing: standing(Site::of(state, station).root()),
        }
    }

    /// Makes normals of months that are known, counted from 1.
    #[must_use]
    pub fn new(months: BTreeMap<u32, Normal>, standing: Option<Standing>) -> Self {
        Self { months, standing }
    }

    /// Returns whether there are none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.months.is_empty()
    }

    /// Returns a usual day of a date's month: the month's evapotranspiration over its days, else
    /// Penman-Monteith for the month from its temperatures and its neighbours'. Normals that do not
    /// say where they hold are reckoned for `elsewhere`.
    ///
    /// # Errors
    /// [`NoEt`], saying what is missing.
    pub fn day(&self, date: NaiveDate, elsewhere: Option<Standing>) -> Result<UsualDay, NoEt> {
        let normal = self.months.get(&date.month());
        let normal = normal.ok_or(NoEt::NoTemperatures(date))?;
        let length = f64::from(date.num_days_in_month());
        let rain = normal.rain.map(|rain| rain / length);
        if let Some(month) = normal.et {
            return Ok(UsualDay {
                eto: month / length,
                rain,
                assumed: Vec::new(),
            });
        }
        let (Some(tmin), Some(tmax)) = (normal.tmin, normal.tmax) else {
            return Err(NoEt::NoTemperatures(date));
        };
        let standing = self.standing.or(elsewhere).ok_or(NoEt::NoPlace)?;
        let weather = Weather {
            day: DayOfYear::mid_month(date),
            latitude: standing.latitude,
            elevation: standing.elevation,
            tmin,
            tmax,
            humidity: None,
            wind: None,
            sun: None,
            siting: standing.siting,
            climate: standing.climate,
            period: self.period(date.month()),
        };
        let reference = et::reference(&weather, Method::default());
        let reference = reference.map_err(|fault| NoEt::Impossible { date, fault })?;
        Ok(UsualDay {
            eto: Inches::from(reference.eto),
            rain,
            assumed: reference.assumed,
        })
    }

    /// The soil's heat needs the months beside it.
    fn period(&self, month: u32) -> Period {
        let beside = |month: u32| {
            let normal = self.months.get(&month)?;
            Some(mean(normal.tmin?, normal.tmax?))
        };
        let (before, after) = ((month + 10) % 12 + 1, month % 12 + 1);
        match (beside(before), beside(after)) {
            (Some(previous), Some(next)) => Period::Month { previous, next },
            (Some(previous), None) => Period::MonthAfter { previous },
            (None, _) => Period::MonthAlone,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::water::et::Climate;
    use crate::water::et::sun::Siting;
    use crate::water::units::{Degrees, Metres, Millimetres};

    fn lyon() -> Standing {
        Standing {
            latitude: Degrees::new(45.0 + 43.0 / 60.0),
            elevation: Metres::new(200.0),
            wind_height: None,
            siting: Siting::Interior,
            climate: Climate::Humid,
        }
    }

    fn july(normal: Normal) -> Normals {
        Normals::new(BTreeMap::from([(7, normal)]), Some(lyon()))
    }

    const HOT: Normal = Normal {
        tmin: Some(Celsius::new(14.8)),
        tmax: Some(Celsius::new(26.6)),
        rain: None,
        et: None,
    };

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    #[test]
    fn a_month_of_temperatures_alone_matches_the_book() {
        // FAO-56 example 20, Lyon, July: 4.56 mm a day.
        let got = july(HOT).day(day("2026-07-14"), None).unwrap();
        let mm = Millimetres::from(got.eto).get();
        assert!((mm - 4.56).abs() < 0.005, "{mm}");
        assert!(got.assumed.contains(&Assumed::NoSoilHeat));
    }

    #[test]
    fn a_month_s_own_et_and_rain_are_shared_out_over_its_days() {
        let normals = july(Normal {
            et: Some(Inches::new(6.2)),
            rain: Some(Inches::new(3.1)),
            ..HOT
        });
        let got = normals.day(day("2026-07-31"), None).unwrap();
        assert!((got.eto.get() - 0.2).abs() < 1e-12);
        assert!((got.rain.unwrap().get() - 0.1).abs() < 1e-12);
    }

    #[test]
    fn a_month_that_nobody_entered_or_a_place_nobody_knows_is_said() {
        let missing = july(HOT).day(day("2026-08-01"), None);
        assert!(matches!(missing, Err(NoEt::NoTemperatures(_))));
        let nowhere = Normals::new(BTreeMap::from([(7, HOT)]), None);
        assert_eq!(nowhere.day(day("2026-07-01"), None), Err(NoEt::NoPlace));
        assert!(nowhere.day(day("2026-07-01"), Some(lyon())).is_ok());
    }

    #[test]
    fn the_months_beside_are_found_round_the_year() {
        let all: BTreeMap<u32, Normal> = (1..=12)
            .map(|month| {
                let mean = f64::from(month);
                let normal = Normal {
                    tmin: Some(Celsius::new(mean)),
                    tmax: Some(Celsius::new(mean)),
                    ..HOT
                };
                (month, normal)
            })
            .collect();
        let normals = Normals::new(all, Some(lyon()));
        let check = |month, previous, next| {
            let (previous, next) = (Celsius::new(previous), Celsius::new(next));
            assert_eq!(normals.period(month), Period::Month { previous, next });
        };
        check(1, 12.0, 2.0);
        check(7, 6.0, 8.0);
        check(12, 11.0, 1.0);
    }
}
