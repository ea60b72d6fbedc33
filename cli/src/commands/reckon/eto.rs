//! Reference evapotranspiration.

use std::fmt;

use chrono::NaiveDate;
use serde::Deserialize;
use serde::de::{self, Deserializer, Visitor};

use headwalk_core::water::et::air::{self, Humidity, HumidityReadings, Wind};
use headwalk_core::water::et::sun::{DayOfYear, Siting, Sun};
use headwalk_core::water::et::{self, Assumed, Climate, Method, Period, Reference, Weather};
use headwalk_core::water::units::{
    Allowed, Celsius, Degrees, Hours, Inches, Kilopascals, KilopascalsPerCelsius,
    MegajoulesPerSquareMetreDay, Metres, MetresPerSecond, OutOfRange, Percent,
};

use super::Formula;
use super::answer::Answer;
use super::value::Wrong;

/// Reference evapotranspiration: what well-watered grass gives to the air, mm a day.
///
/// In:  date, latitude_deg (north positive), elevation_m, tmin_c, tmax_c;
///      any of vapour_pressure_kpa, dewpoint_c, rh_max_pct, rh_min_pct, rh_mean_pct (the most
///      reliable is used, in this order; both of rh_max_pct and rh_min_pct where given);
///      wind_m_s, wind_height_m; solar_mj_m2 or sunshine_h;
///      siting: interior (default) or coastal; climate: humid (default) or arid;
///      period: day (default) or month, with tmean_previous_c and tmean_next_c: the figures are
///      then the month's means and date any day of it; its 15th is used;
///      method: penman-monteith (default), hargreaves, asce-short.
/// Out: eto_mm (for a month, too, mm a day), eto_in, method, the intermediate values of the method,
///      and assumed: the inputs that were filled in, explained in notes.
///
/// Sources: FAO-56 (1998) eq. 6 and 52; ASCE-EWRI (2005).
///
/// Example: headwalk reckon eto --set date=2015-07-06 --set latitude_deg=50.8
/// --set elevation_m=100 --set tmin_c=12.3 --set tmax_c=21.5
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Eto {}

/// Inputs of [`Eto`].
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct In {
    date: IsoDate,
    latitude_deg: f64,
    elevation_m: f64,
    tmin_c: f64,
    tmax_c: f64,
    vapour_pressure_kpa: Option<f64>,
    dewpoint_c: Option<f64>,
    rh_max_pct: Option<f64>,
    rh_min_pct: Option<f64>,
    rh_mean_pct: Option<f64>,
    wind_m_s: Option<f64>,
    wind_height_m: Option<f64>,
    solar_mj_m2: Option<f64>,
    sunshine_h: Option<f64>,
    #[serde(default)]
    siting: SitingWord,
    #[serde(default)]
    climate: ClimateWord,
    #[serde(default)]
    period: PeriodWord,
    tmean_previous_c: Option<f64>,
    tmean_next_c: Option<f64>,
    #[serde(default)]
    method: MethodWord,
}

#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum SitingWord {
    #[default]
    Interior,
    Coastal,
}

#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum ClimateWord {
    #[default]
    Humid,
    Arid,
}

#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum PeriodWord {
    #[default]
    Day,
    Month,
}

#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum MethodWord {
    #[default]
    PenmanMonteith,
    Hargreaves,
    AsceShort,
}

/// A date as ISO 8601 writes it.
#[derive(Debug, Clone, Copy)]
struct IsoDate(NaiveDate);

impl<'de> Deserialize<'de> for IsoDate {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Text;
        impl Visitor<'_> for Text {
            type Value = IsoDate;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a date like 2026-07-14")
            }
            fn visit_str<E: de::Error>(self, text: &str) -> Result<IsoDate, E> {
                let wrong = || E::custom(format!("`{text}` is not a date like 2026-07-14"));
                let date = NaiveDate::parse_from_str(text, "%Y-%m-%d").map_err(|_| wrong())?;
                Ok(IsoDate(date))
            }
        }
        deserializer.deserialize_str(Text)
    }
}

impl Formula for Eto {
    type In = In;

    fn reckon(given: In) -> Result<Answer, Wrong> {
        let weather = given.weather();
        let method = match given.method {
            MethodWord::PenmanMonteith => Method::PenmanMonteith,
            MethodWord::Hargreaves => Method::Hargreaves,
            MethodWord::AsceShort => Method::AsceShort,
        };
        let reference = et::reference(&weather, method)?;
        given.check_the_unused()?;
        Ok(answer(&reference).warnings(given.unused(&reference)))
    }
}

impl In {
    fn weather(&self) -> Weather {
        let monthly = self.period == PeriodWord::Month;
        Weather {
            day: if monthly {
                DayOfYear::mid_month(self.date.0)
            } else {
                DayOfYear::of(self.date.0)
            },
            latitude: Degrees::new(self.latitude_deg),
            elevation: Metres::new(self.elevation_m),
            tmin: Celsius::new(self.tmin_c),
            tmax: Celsius::new(self.tmax_c),
            humidity: Humidity::best(&self.readings()),
            wind: self.wind(),
            sun: self.sun(),
            siting: match self.siting {
                SitingWord::Interior => Siting::Interior,
                SitingWord::Coastal => Siting::Coastal,
            },
            climate: match self.climate {
                ClimateWord::Humid => Climate::Humid,
                ClimateWord::Arid => Climate::Arid,
            },
            period: self.period(),
        }
    }

    fn readings(&self) -> HumidityReadings {
        HumidityReadings {
            vapour_pressure: self.vapour_pressure_kpa.map(Kilopascals::new),
            dewpoint: self.dewpoint_c.map(Celsius::new),
            rh_max: self.rh_max_pct.map(Percent::new),
            rh_min: self.rh_min_pct.map(Percent::new),
            rh_mean: self.rh_mean_pct.map(Percent::new),
        }
    }

    fn wind(&self) -> Option<Wind> {
        self.wind_m_s.map(|speed| Wind {
            speed: MetresPerSecond::new(speed),
            height: self.wind_height_m.map(Metres::new),
        })
    }

    /// Measured radiation before radiation worked out from sunshine.
    fn sun(&self) -> Option<Sun> {
        let radiation = self.solar_mj_m2.map(MegajoulesPerSquareMetreDay::new);
        radiation.map(Sun::Radiation).or_else(|| {
            let sunshine = self.sunshine_h.map(Hours::new);
            sunshine.map(Sun::Sunshine)
        })
    }

    fn period(&self) -> Period {
        let previous = self.tmean_previous_c.map(Celsius::new);
        let next = self.tmean_next_c.map(Celsius::new);
        match (self.period, previous, next) {
            (PeriodWord::Day, ..) => Period::Day,
            (PeriodWord::Month, Some(previous), Some(next)) => Period::Month { previous, next },
            (PeriodWord::Month, Some(previous), None) => Period::MonthAfter { previous },
            (PeriodWord::Month, None, _) => Period::MonthAlone,
        }
    }

    /// An input that this method has no use for is checked all the same: whoever sent 120 % of
    /// humidity has a fault to find.
    fn check_the_unused(&self) -> Result<(), OutOfRange> {
        let (tmin, tmax) = (Celsius::new(self.tmin_c), Celsius::new(self.tmax_c));
        let HumidityReadings {
            vapour_pressure,
            dewpoint,
            rh_max,
            rh_min,
            rh_mean,
        } = self.readings();
        let alone = [
            vapour_pressure.map(Humidity::VapourPressure),
            dewpoint.map(Humidity::Dewpoint),
            rh_max.map(Humidity::Max),
            rh_min.map(Humidity::Min),
            rh_mean.map(Humidity::Mean),
            rh_max
                .zip(rh_min)
                .map(|(max, min)| Humidity::MaxAndMin { max, min }),
        ];
        for humidity in alone.into_iter().flatten() {
            air::vapour_pressure(humidity, tmin, tmax, Metres::new(self.elevation_m))?;
        }
        let speed = MetresPerSecond::new(self.wind_m_s.unwrap_or(0.0));
        air::wind_at_2m(speed, Metres::new(self.wind_height_m.unwrap_or(2.0)))?;
        Allowed::Between(0.0, 50.0).check("solar_mj_m2", self.solar_mj_m2.unwrap_or(0.0))?;
        Allowed::Between(0.0, 24.0).check("sunshine_h", self.sunshine_h.unwrap_or(0.0))?;
        let mean = Allowed::Between(-90.0, 60.0);
        mean.check("tmean_previous_c", self.tmean_previous_c.unwrap_or(0.0))?;
        mean.check("tmean_next_c", self.tmean_next_c.unwrap_or(0.0))?;
        Ok(())
    }

    /// What was given and has no part in the result, or cannot be believed.
    fn unused(&self, reference: &Reference) -> Vec<String> {
        let mut unused = Vec::new();
        let mut say = |name: &str, why: &str| unused.push(format!("{name}: not used, {why}"));
        if self.wind_height_m.is_some() && self.wind_m_s.is_none() {
            say("wind_height_m", "there is no wind_m_s");
        }
        if self.sunshine_h.is_some() && self.solar_mj_m2.is_some() {
            say("sunshine_h", "solar_mj_m2 is measured");
        }
        let neighbours = self.tmean_previous_c.or(self.tmean_next_c);
        if neighbours.is_some() && self.period == PeriodWord::Day {
            say("tmean_previous_c, tmean_next_c", "the period is a day");
        }
        if self.tmean_next_c.is_some() && self.tmean_previous_c.is_none() {
            say("tmean_next_c", "there is no tmean_previous_c");
        }
        if let Some(balance) = reference.balance {
            let measured = self.solar_mj_m2.unwrap_or(0.0);
            let clear = balance.rso.get();
            if measured > CLEAR_SKY_EXCESS * clear && clear > 1.0 {
                unused.push(format!(
                    "solar_mj_m2 is {measured:.1} where a clear sky gives {clear:.1}: check the \
                     sensor"
                ));
            }
        }
        unused
    }
}

/// A measured radiation so far above a clear sky's is a sensor's fault: common practice, no source.
const CLEAR_SKY_EXCESS: f64 = 1.1;

fn answer(reference: &Reference) -> Answer {
    const MJ: &str = MegajoulesPerSquareMetreDay::UNIT;
    const KPA: &str = Kilopascals::UNIT;
    const SLOPE: &str = KilopascalsPerCelsius::UNIT;
    let eto = reference.eto;
    let answer = Answer::default()
        .number("eto_mm", "reference evapotranspiration", eto.get(), "mm/d")
        .number("eto_in", "the same", Inches::from(eto).get(), "in/d")
        .word("method", "method", word(reference.method))
        .number(
            "ra_mj_m2",
            "radiation above the air",
            reference.ra.get(),
            MJ,
        )
        .number(
            "daylight_h",
            "daylight",
            reference.daylight.get(),
            Hours::UNIT,
        );
    let answer = match reference.balance {
        None => answer,
        Some(terms) => answer
            .number("rs_mj_m2", "solar radiation", terms.rs.get(), MJ)
            .number(
                "rso_mj_m2",
                "the same under a clear sky",
                terms.rso.get(),
                MJ,
            )
            .number("rns_mj_m2", "net shortwave radiation", terms.rns.get(), MJ)
            .number("rnl_mj_m2", "net longwave radiation", terms.rnl.get(), MJ)
            .number("rn_mj_m2", "net radiation", terms.rn.get(), MJ)
            .number("g_mj_m2", "heat into the soil", terms.g.get(), MJ)
            .number("es_kpa", "saturation vapour pressure", terms.es.get(), KPA)
            .number("ea_kpa", "actual vapour pressure", terms.ea.get(), KPA)
            .number(
                "delta_kpa_c",
                "slope of the vapour pressure",
                terms.delta.get(),
                SLOPE,
            )
            .number(
                "gamma_kpa_c",
                "psychrometric constant",
                terms.gamma.get(),
                SLOPE,
            )
            .number("pressure_kpa", "air pressure", terms.pressure.get(), KPA)
            .number(
                "u2_m_s",
                "wind at 2 m",
                terms.u2.get(),
                MetresPerSecond::UNIT,
            ),
    };
    let (filled, limited): (Vec<Assumed>, Vec<Assumed>) = reference
        .assumed
        .iter()
        .copied()
        .partition(|assumed| is_filled_in(*assumed));
    answer
        .assumed(
            filled.iter().map(|assumed| assumed.field()).collect(),
            filled.iter().map(ToString::to_string).collect(),
        )
        .warnings(limited)
}

const fn word(method: Method) -> &'static str {
    match method {
        Method::PenmanMonteith => "penman-monteith",
        Method::Hargreaves => "hargreaves",
        Method::AsceShort => "asce-short",
    }
}

/// Whether an input was not there, rather than there and limited.
const fn is_filled_in(assumed: Assumed) -> bool {
    match assumed {
        Assumed::DewpointIsTmin
        | Assumed::DewpointBelowTmin
        | Assumed::WindTwo
        | Assumed::WindAtTwoMetres
        | Assumed::SolarFromTemperaturesInterior
        | Assumed::SolarFromTemperaturesCoastal
        | Assumed::NoSoilHeat => true,
        Assumed::DeficitTakenAsZero
        | Assumed::WindRaised { .. }
        | Assumed::SolarLimitedToClearSky
        | Assumed::SunshineLimited { .. }
        | Assumed::ClearPolarNight
        | Assumed::NegativeTakenAsZero { .. } => false,
    }
}
