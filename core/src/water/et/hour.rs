//! Reference evapotranspiration of a single hour, for a station that reports by the hour.
//!
//! The same equation as for a day, with an hour's radiation, the soil's heat, and, in the ASCE
//! standard, another resistance of the crop by night. What it needs is measured; nothing is filled
//! in here.
//!
//! # Source
//! FAO-56, equations 28-33, 37-39, 45, 46 and 53; ASCE-EWRI 2005, table 1, for its crop constants.
//! Checks: FAO-56 example 19, and the same hour with the ASCE constants.

use std::f64::consts::PI;

use super::super::units::{
    Allowed, Celsius, Degrees, Fraction, Hours, MegajoulesPerSquareMetreHour, Metres,
    MetresPerSecond, MillimetresPerHour, OutOfRange, Percent,
};
use super::MM_FOR_ONE_MJ;
use super::air;
use super::sun::{self, DayOfYear};

/// An hour's weather at one place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hour {
    /// Height above the sea.
    pub elevation: Metres,
    /// Mean air temperature.
    pub temperature: Celsius,
    /// Mean relative humidity, 0 to 100 %.
    pub humidity: Percent,
    /// Mean wind two metres above the ground.
    pub u2: MetresPerSecond,
    /// The sun, or none.
    pub light: Light,
}

/// What the sun does in the hour.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Light {
    /// It shines on a clock's hour.
    Sun {
        /// Measured solar radiation.
        radiation: MegajoulesPerSquareMetreHour,
        /// Which day.
        day: DayOfYear,
        /// North positive.
        latitude: Degrees,
        /// Degrees west of Greenwich.
        west: Degrees,
        /// Degrees west of Greenwich of the meridian that the clock keeps.
        clock_west: Degrees,
        /// The middle of the hour on that clock, without daylight saving: 14.5 for 14:00 to 15:00.
        middle: Hours,
    },
    /// It is below the horizon; the sky is taken as clear as it was before sunset: Rs/Rso then.
    Night(Fraction),
}

/// Whose crop constants.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standard {
    /// FAO-56 eq. 53: Cd 0.34 at every hour.
    Fao,
    /// ASCE short crop: Cd 0.24 by day, 0.96 by night.
    AsceShort,
}

/// What an hour came to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HourlyReference {
    /// Reference evapotranspiration; never below zero.
    pub eto: MillimetresPerHour,
    /// Radiation at the top of the air; none by night.
    pub ra: MegajoulesPerSquareMetreHour,
    /// Radiation under a clear sky; none by night.
    pub rso: MegajoulesPerSquareMetreHour,
    /// Net outgoing longwave radiation.
    pub rnl: MegajoulesPerSquareMetreHour,
    /// Net radiation.
    pub rn: MegajoulesPerSquareMetreHour,
    /// Heat into the soil.
    pub g: MegajoulesPerSquareMetreHour,
}

/// Returns an hour's reference evapotranspiration.
///
/// # Errors
/// [`OutOfRange`] naming `rh_pct`, `clearness`, `solar_mj_m2_h` or `u2_m_s` outside what can be.
pub fn reference(hour: &Hour, standard: Standard) -> Result<HourlyReference, OutOfRange> {
    let rh = Allowed::Between(0.0, 100.0).check("rh_pct", hour.humidity.get())?;
    let u2 = Allowed::ZeroOrMore.check("u2_m_s", hour.u2.get())?;
    let es = air::saturation(hour.temperature).get();
    let ea = es * rh / 100.0;
    let (ra, rs, clearness, by_day) = match hour.light {
        Light::Sun { radiation, .. } => {
            let rs = Allowed::ZeroOrMore.check("solar_mj_m2_h", radiation.get())?;
            let ra = extraterrestrial(&hour.light);
            let rso = clear_sky(ra, hour.elevation);
            let clearness = if rso > 0.0 { (rs / rso).min(1.0) } else { 1.0 };
            (ra, rs, clearness, true)
        }
        Light::Night(clearness) => {
            let clearness = Allowed::Between(0.0, 1.0).check("clearness", clearness.get())?;
            (0.0, 0.0, clearness, false)
        }
    };
    // An hour's share of eq. 39: the constant over 24, one temperature instead of two.
    let body = sun::black_body(hour.temperature).get() / 24.0;
    let rnl = body * (0.34 - 0.14 * ea.sqrt()) * (1.35 * clearness - 0.35);
    let rn = (1.0 - 0.23) * rs - rnl;
    let g = rn * if by_day { 0.1 } else { 0.5 };
    let resistance = match (standard, by_day) {
        (Standard::Fao, _) => 0.34,
        (Standard::AsceShort, true) => 0.24,
        (Standard::AsceShort, false) => 0.96,
    };
    let delta = air::slope(hour.temperature).get();
    let gamma = air::psychrometric(air::pressure(hour.elevation)).get();
    let wind = gamma * 37.0 / (hour.temperature.get() + 273.0) * u2 * (es - ea);
    let eto = (MM_FOR_ONE_MJ * delta * (rn - g) + wind) / (delta + gamma * (1.0 + resistance * u2));
    let energy = MegajoulesPerSquareMetreHour::new;
    Ok(HourlyReference {
        eto: MillimetresPerHour::new(eto.max(0.0)),
        ra: energy(ra),
        rso: energy(clear_sky(ra, hour.elevation)),
        rnl: energy(rnl),
        rn: energy(rn),
        g: energy(g),
    })
}

fn clear_sky(ra: f64, elevation: Metres) -> f64 {
    ra * (0.75 + 2e-5 * elevation.get())
}

/// Radiation at the top of the air over the hour (eq. 28-33); the part of the hour before sunrise or
/// after sunset gives none.
fn extraterrestrial(light: &Light) -> f64 {
    let Light::Sun {
        day,
        latitude,
        west,
        clock_west,
        middle,
        ..
    } = *light
    else {
        return 0.0;
    };
    let sky = sun::geometry(latitude, day);
    let season = 2.0 * PI * (f64::from(day.get()) - 81.0) / 364.0;
    let seasonal_h = 0.1645 * (2.0 * season).sin() - 0.1255 * season.cos() - 0.025 * season.sin();
    // Eq. 31 prints four minutes a degree as 0.06667 h.
    let solar_h = middle.get() + 0.066_67 * (clock_west.get() - west.get()) + seasonal_h;
    let angle = PI / 12.0 * (solar_h - 12.0);
    let limit = |angle: f64| angle.clamp(-sky.sunset_rad, sky.sunset_rad);
    let (from, to) = (limit(angle - PI / 24.0), limit(angle + PI / 24.0));
    let phi = latitude.get().to_radians();
    let height = (to - from) * phi.sin() * sky.declination_rad.sin()
        + phi.cos() * sky.declination_rad.cos() * (to.sin() - from.sin());
    (12.0 * 60.0 / PI * 0.0820 * sky.distance_factor * height).max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::water::tables::close;

    /// FAO-56 example 19: N'Diaye, 1 October.
    fn hour(light: Light) -> Hour {
        let by_day = matches!(light, Light::Sun { .. });
        let (temperature, humidity, u2) = if by_day {
            (38.0, 52.0, 3.3)
        } else {
            (28.0, 90.0, 1.9)
        };
        Hour {
            elevation: Metres::new(8.0),
            temperature: Celsius::new(temperature),
            humidity: Percent::new(humidity),
            u2: MetresPerSecond::new(u2),
            light,
        }
    }

    fn afternoon() -> Light {
        Light::Sun {
            radiation: MegajoulesPerSquareMetreHour::new(2.450),
            day: DayOfYear::new(274).unwrap(),
            latitude: Degrees::new(16.22),
            west: Degrees::new(16.25),
            clock_west: Degrees::new(15.0),
            middle: Hours::new(14.5),
        }
    }

    #[test]
    fn the_book_s_hours_of_day_and_night_come_out_term_by_term() {
        // FAO-56 example 19 prints 3.543, 2.658, 0.137, 1.749, 0.175 and 0.63; the digits beyond
        // are the same equations carried through.
        let day = reference(&hour(afternoon()), Standard::Fao).unwrap();
        close("F-19 Ra", day.ra.get(), 3.543335, 1e-6);
        close("F-19 Rso", day.rso.get(), 2.658068, 1e-6);
        close("F-19 Rnl", day.rnl.get(), 0.137281, 1e-5);
        close("F-19 Rn", day.rn.get(), 1.749219, 1e-5);
        close("F-19 G", day.g.get(), 0.174922, 1e-6);
        close("F-19 ETo", day.eto.get(), 0.626925, 1e-5);
        let night = hour(Light::Night(Fraction::new(0.8)));
        let night = reference(&night, Standard::Fao).unwrap();
        close("F-19 night", night.eto.get(), 0.004344, 1e-6);
    }

    #[test]
    fn the_same_hours_with_the_crop_constants_of_asce() {
        let day = reference(&hour(afternoon()), Standard::AsceShort).unwrap();
        close("A-05 day", day.eto.get(), 0.656005, 1e-5);
        let night = hour(Light::Night(Fraction::new(0.8)));
        let night = reference(&night, Standard::AsceShort).unwrap();
        close("A-05 night", night.eto.get(), 0.003504, 1e-6);
    }

    #[test]
    fn an_hour_that_cannot_be_is_refused_by_name() {
        let check = |hour: Hour, field: &str| {
            let refused = reference(&hour, Standard::Fao).unwrap_err();
            assert_eq!(refused.field, field);
        };
        let right = hour(afternoon());
        check(
            Hour {
                humidity: Percent::new(101.0),
                ..right
            },
            "rh_pct",
        );
        check(
            Hour {
                u2: MetresPerSecond::new(-1.0),
                ..right
            },
            "u2_m_s",
        );
        let light = Light::Night(Fraction::new(f64::NAN));
        check(Hour { light, ..right }, "clearness");
    }
}
