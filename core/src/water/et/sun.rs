//! Radiation and daylight: the sun's half of the equation.
//!
//! # Source
//! FAO-56, equations 21-25, 34-40, 50, 51. Checks: `fixtures/tables/et_steps.csv`.

use std::f64::consts::PI;

use chrono::{Datelike, NaiveDate};

use super::super::units::{
    Allowed, Celsius, Degrees, Hours, Kilopascals, MegajoulesPerSquareMetreDay, Metres, OutOfRange,
};

/// What is known of the sun at the ground.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Sun {
    /// Measured solar radiation, 0 to 50 MJ/m²/d.
    Radiation(MegajoulesPerSquareMetreDay),
    /// Hours of bright sunshine (eq. 35, with 0.25 and 0.50).
    Sunshine(Hours),
}

/// Near the sea or not: temperatures swing less there for the same sun.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Siting {
    /// Land mass dominates: kRs 0.16.
    #[default]
    Interior,
    /// On or near the coast of a large water body: kRs 0.19.
    Coastal,
}

/// A day of the year, 1 to 366.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct DayOfYear(u16);

impl DayOfYear {
    /// Takes 1 (1 January) to 366 (31 December of a leap year).
    ///
    /// # Errors
    /// [`OutOfRange`] naming `day_of_year`.
    pub fn new(day: u16) -> Result<Self, OutOfRange> {
        Allowed::Between(1.0, 366.0).check("day_of_year", f64::from(day))?;
        Ok(Self(day))
    }

    /// Returns the day of the year of a date; 29 February is the 60th.
    #[must_use]
    pub fn of(date: NaiveDate) -> Self {
        Self::from_ordinal(date.ordinal())
    }

    /// Returns the day that stands for a whole month: its 15th, as FAO-56's monthly examples do.
    #[must_use]
    pub fn mid_month(date: NaiveDate) -> Self {
        let fifteenth = date.with_day(15).expect("every month has a 15th");
        Self::from_ordinal(fifteenth.ordinal())
    }

    /// Returns the number, 1 to 366.
    #[must_use]
    pub const fn get(self) -> u16 {
        self.0
    }

    fn from_ordinal(ordinal: u32) -> Self {
        Self(u16::try_from(ordinal).expect("a year has at most 366 days"))
    }

    fn angle(self) -> f64 {
        2.0 * PI * f64::from(self.0) / 365.0
    }
}

/// Where the sun stands on a day, seen from a latitude.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Geometry {
    /// Inverse relative distance to the sun, as a ratio (eq. 23).
    pub distance_factor: f64,
    /// Declination, radians (eq. 24).
    pub declination_rad: f64,
    /// Sunset hour angle, radians (eq. 25); 0 in polar night, pi under the midnight sun.
    pub sunset_rad: f64,
}

/// Returns the sun's geometry (eq. 23-25).
///
/// Poleward of the polar circles the cosine of the sunset angle passes 1; it is limited there, so
/// that the night lasts 24 hours or none.
#[must_use]
pub fn geometry(latitude: Degrees, day: DayOfYear) -> Geometry {
    let declination_rad = 0.409 * (day.angle() - 1.39).sin();
    let cosine = -latitude.get().to_radians().tan() * declination_rad.tan();
    Geometry {
        distance_factor: 1.0 + 0.033 * day.angle().cos(),
        declination_rad,
        sunset_rad: cosine.clamp(-1.0, 1.0).acos(),
    }
}

/// Returns radiation at the top of the air, in FAO-56's constants (eq. 21).
#[must_use]
pub fn extraterrestrial(latitude: Degrees, day: DayOfYear) -> MegajoulesPerSquareMetreDay {
    let sky = geometry(latitude, day);
    let phi = latitude.get().to_radians();
    let height = sky.sunset_rad * phi.sin() * sky.declination_rad.sin()
        + phi.cos() * sky.declination_rad.cos() * sky.sunset_rad.sin();
    let ra = 24.0 * 60.0 / PI * 0.0820 * sky.distance_factor * height;
    MegajoulesPerSquareMetreDay::new(ra.max(0.0))
}

/// Returns the longest possible sunshine (eq. 34).
#[must_use]
pub fn daylight(latitude: Degrees, day: DayOfYear) -> Hours {
    Hours::new(24.0 / PI * geometry(latitude, day).sunset_rad)
}

/// Returns radiation under a clear sky (eq. 37).
#[must_use]
pub fn clear_sky(
    ra: MegajoulesPerSquareMetreDay,
    elevation: Metres,
) -> MegajoulesPerSquareMetreDay {
    ra * (0.75 + 2e-5 * elevation.get())
}

/// Returns radiation under a clear sky by the water vapour and dust in the way, for clean air
/// (ASCE-EWRI 2005, appendix D: beam and diffuse transmissivity, turbidity 1.0).
#[must_use]
pub fn clear_sky_through_vapour(
    ra: MegajoulesPerSquareMetreDay,
    ea: Kilopascals,
    pressure: Kilopascals,
    latitude: Degrees,
    day: DayOfYear,
) -> MegajoulesPerSquareMetreDay {
    let phi = latitude.get().to_radians();
    let season = (day.angle() - 1.39).sin();
    // The sun's mean height over the day, weighted by its radiation.
    let height = (0.85 + 0.3 * phi * season - 0.42 * phi * phi)
        .sin()
        .max(0.1);
    let vapour_mm = 0.14 * ea.get() * pressure.get() + 2.1;
    let beam =
        0.98 * (-0.00146 * pressure.get() / height - 0.075 * (vapour_mm / height).powf(0.4)).exp();
    let diffuse = if beam >= 0.15 {
        0.35 - 0.36 * beam
    } else {
        0.18 + 0.82 * beam
    };
    ra * (beam + diffuse)
}

/// Returns solar radiation from hours of sunshine (eq. 35); none where the sun does not rise.
#[must_use]
pub fn from_sunshine(
    sunshine: Hours,
    daylight: Hours,
    ra: MegajoulesPerSquareMetreDay,
) -> MegajoulesPerSquareMetreDay {
    if daylight <= Hours::ZERO {
        return MegajoulesPerSquareMetreDay::ZERO;
    }
    ra * (0.25 + 0.50 * (sunshine / daylight))
}

/// Returns solar radiation from the span of temperatures (eq. 50), not yet limited to clear sky.
#[must_use]
pub fn from_temperatures(
    tmin: Celsius,
    tmax: Celsius,
    siting: Siting,
    ra: MegajoulesPerSquareMetreDay,
) -> MegajoulesPerSquareMetreDay {
    let krs = match siting {
        Siting::Interior => 0.16,
        Siting::Coastal => 0.19,
    };
    ra * (krs * (tmax.get() - tmin.get()).max(0.0).sqrt())
}

/// Returns solar radiation from a station nearby, in proportion to each place's Ra (eq. 49).
///
/// For stations of one climate and relief; FAO-56 would rather average several days.
///
/// # Errors
/// [`OutOfRange`] naming `ra_there_mj_m2` unless the sun rises at the station.
pub fn from_nearby(
    rs_there: MegajoulesPerSquareMetreDay,
    ra_there: MegajoulesPerSquareMetreDay,
    ra: MegajoulesPerSquareMetreDay,
) -> Result<MegajoulesPerSquareMetreDay, OutOfRange> {
    Allowed::AboveZero.check("ra_there_mj_m2", ra_there.get())?;
    Ok(ra * (rs_there / ra_there))
}

/// Returns a month's solar radiation on an island up to 20 km wide and 100 m high (eq. 51).
#[must_use]
pub fn on_island(ra: MegajoulesPerSquareMetreDay) -> MegajoulesPerSquareMetreDay {
    MegajoulesPerSquareMetreDay::new((0.7 * ra.get() - 4.0).max(0.0))
}

/// Returns what grass keeps of solar radiation, albedo 0.23 (eq. 38).
#[must_use]
pub fn net_shortwave(rs: MegajoulesPerSquareMetreDay) -> MegajoulesPerSquareMetreDay {
    rs * (1.0 - 0.23)
}

/// Returns what a black body would radiate, in FAO-56's constant: sigma T⁴ at one temperature.
#[must_use]
pub fn black_body(temperature: Celsius) -> MegajoulesPerSquareMetreDay {
    MegajoulesPerSquareMetreDay::new(4.903e-9 * (temperature.get() + 273.16).powi(4))
}

/// Returns net outgoing longwave radiation in FAO-56's constants (eq. 39).
///
/// `cloud_factor` is 1.35 Rs/Rso - 0.35, with Rs/Rso no more than 1.
pub(super) fn net_longwave(
    tmin: Celsius,
    tmax: Celsius,
    ea: Kilopascals,
    cloud_factor: f64,
) -> MegajoulesPerSquareMetreDay {
    let body = (black_body(tmin) + black_body(tmax)) / 2.0;
    body * ((0.34 - 0.14 * ea.get().sqrt()) * cloud_factor)
}
