//! Reference evapotranspiration: how much water a well-watered grass surface gives to the air.
//!
//! [`reference()`] is the entry point: a day's (or a month's) [`Weather`] in, millimetres a day out,
//! with every intermediate value and a list of what had to be [`Assumed`]. It never guesses in
//! silence, and never returns a number that is not finite.
//!
//! ```
//! use headwalk_core::water::et::{Climate, Method, Period, Weather, reference};
//! use headwalk_core::water::et::sun::{DayOfYear, Siting};
//! use headwalk_core::water::units::{Celsius, Degrees, Metres};
//!
//! let lyon_in_july = Weather {
//!     day: DayOfYear::new(196)?,
//!     latitude: Degrees::new(45.72),
//!     elevation: Metres::new(200.0),
//!     tmin: Celsius::new(14.8),
//!     tmax: Celsius::new(26.6),
//!     humidity: None,
//!     wind: None,
//!     sun: None,
//!     siting: Siting::Interior,
//!     climate: Climate::Humid,
//!     period: Period::Day,
//! };
//! let got = reference(&lyon_in_july, Method::PenmanMonteith)?;
//! assert_eq!(format!("{:.1}", got.eto), "4.6 mm");
//! assert_eq!(got.assumed.len(), 3);
//! # Ok::<(), headwalk_core::water::units::OutOfRange>(())
//! ```
//!
//! # Source
//! FAO-56: Allen, Pereira, Raes, Smith (1998), Crop evapotranspiration, FAO Irrigation and
//! Drainage Paper 56, chapters 3 and 4; equation numbers below are its own. ASCE-EWRI (2005), The
//! ASCE Standardized Reference Evapotranspiration Equation, for [`Method::AsceShort`].
//! Checks: `fixtures/tables/et_*.csv` and `eto_*.csv`.

pub mod air;
mod assumed;
pub mod hour;
mod penman;
pub mod sun;

pub use assumed::Assumed;

use self::{
    air::{Humidity, VapourPressure, Wind},
    penman::ClearSky,
    sun::{DayOfYear, Siting, Sun},
};
use super::units::{
    Allowed, Celsius, Degrees, Hours, Kilopascals, KilopascalsPerCelsius,
    MegajoulesPerSquareMetreDay, Metres, MetresPerSecond, Millimetres, OutOfRange,
};

/// What the weather was, as far as it is known.
///
/// The two temperatures, the place and the day are the least that will do; what else is missing
/// is filled in by the procedures of FAO-56, pp. 58-64, and listed in the result.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Weather {
    /// Day of the year; for a month, the day in its middle ([`DayOfYear::mid_month`]).
    pub day: DayOfYear,
    /// North positive, -90 to 90.
    pub latitude: Degrees,
    /// Height above the sea, -500 to 9,000 m.
    pub elevation: Metres,
    /// Lowest air temperature of the day, or the month's mean of those.
    pub tmin: Celsius,
    /// Highest air temperature of the day, or the month's mean of those.
    pub tmax: Celsius,
    /// Humidity in the best form there is.
    pub humidity: Option<Humidity>,
    /// Mean wind speed and the height of the instrument.
    pub wind: Option<Wind>,
    /// Solar radiation or sunshine.
    pub sun: Option<Sun>,
    /// Near the sea or not; used only where radiation is estimated from temperatures.
    pub siting: Siting,
    /// Dew forms at night or not; used only where humidity is missing.
    pub climate: Climate,
    /// A day, or a month with its neighbours.
    pub period: Period,
}

/// How damp the place is, where nobody measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Climate {
    /// Air cools to its dewpoint at night: dewpoint = tmin (FAO-56 eq. 48).
    #[default]
    Humid,
    /// It does not: dewpoint = tmin - 2.5 °C, the middle of the 2 to 3 °C of FAO-56 p. 58.
    Arid,
}

/// What stretch of time the temperatures are for; decides the soil's heat.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Period {
    /// One day, or up to ten: the soil gives back at night what it took (eq. 42).
    Day,
    /// A month, with the mean temperatures of the one before and the one after (eq. 43).
    Month {
        /// Mean of the month before.
        previous: Celsius,
        /// Mean of the month after.
        next: Celsius,
    },
    /// A month whose successor is not known (eq. 44).
    MonthAfter {
        /// Mean of the month before.
        previous: Celsius,
    },
    /// A month whose neighbours are not known: soil heat is taken as zero, and listed.
    MonthAlone,
}

/// Which equation.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Method {
    /// FAO Penman-Monteith (FAO-56 eq. 6).
    #[default]
    PenmanMonteith,
    /// Hargreaves, from temperatures alone (FAO-56 eq. 52). FAO-56 pp. 64-65 prefers Penman-Monteith
    /// with missing inputs filled in, and local calibration of this one.
    Hargreaves,
    /// ASCE standardized, short crop: the same equation for a day, with slightly different
    /// constants and limits on the cloud factor.
    AsceShort,
}

/// Reference evapotranspiration and how it came about.
#[derive(Debug, Clone, PartialEq)]
pub struct Reference {
    /// The equation.
    pub method: Method,
    /// Millimetres a day, for a month too; never below zero.
    pub eto: Millimetres,
    /// Radiation at the top of the air (eq. 21).
    pub ra: MegajoulesPerSquareMetreDay,
    /// Longest possible sunshine (eq. 34).
    pub daylight: Hours,
    /// The energy and vapour terms; Hargreaves has none.
    pub balance: Option<EnergyBalance>,
    /// What was not given and therefore filled in, and what was limited.
    pub assumed: Vec<Assumed>,
}

/// The terms of the Penman-Monteith equation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EnergyBalance {
    /// Solar radiation at the ground.
    pub rs: MegajoulesPerSquareMetreDay,
    /// The same under a clear sky (eq. 37).
    pub rso: MegajoulesPerSquareMetreDay,
    /// Net shortwave (eq. 38).
    pub rns: MegajoulesPerSquareMetreDay,
    /// Net longwave (eq. 39).
    pub rnl: MegajoulesPerSquareMetreDay,
    /// Net radiation (eq. 40).
    pub rn: MegajoulesPerSquareMetreDay,
    /// Heat that goes into the soil (eq. 42-44).
    pub g: MegajoulesPerSquareMetreDay,
    /// Mean saturation vapour pressure (eq. 12).
    pub es: Kilopascals,
    /// Actual vapour pressure.
    pub ea: Kilopascals,
    /// Slope of the saturation curve at the mean temperature (eq. 13).
    pub delta: KilopascalsPerCelsius,
    /// Psychrometric constant (eq. 8).
    pub gamma: KilopascalsPerCelsius,
    /// Air pressure (eq. 7).
    pub pressure: Kilopascals,
    /// Wind at 2 m (eq. 47).
    pub u2: MetresPerSecond,
}

/// Returns reference evapotranspiration, millimetres a day, with its intermediate values.
///
/// # Errors
/// [`OutOfRange`] naming the input that makes no physical sense: `latitude_deg`, `elevation_m`,
/// `tmin_c`, `tmax_c`, `tmean_previous_c`, `tmean_next_c`, and those of [`Humidity`], [`Wind`] and
/// [`Sun`].
///
/// # Source
/// FAO-56 eq. 6 and 52; ASCE-EWRI 2005 eq. 1 (equation number from memory).
pub fn reference(weather: &Weather, method: Method) -> Result<Reference, OutOfRange> {
    check_place_and_temperatures(weather)?;
    match method {
        Method::Hargreaves => Ok(hargreaves(weather)),
        Method::PenmanMonteith => {
            penman::reference(weather, method, &penman::FAO, ClearSky::Elevation)
        }
        Method::AsceShort => {
            penman::reference(weather, method, &penman::ASCE_SHORT, ClearSky::Elevation)
        }
    }
}

/// Returns [`Method::AsceShort`] with a clear sky told by the water vapour in the way, too, which
/// moves a day by less than a hundredth.
///
/// # Errors
/// Those of [`reference`].
pub fn asce_short_through_vapour(weather: &Weather) -> Result<Reference, OutOfRange> {
    check_place_and_temperatures(weather)?;
    let (method, standard) = (Method::AsceShort, &penman::ASCE_SHORT);
    penman::reference(weather, method, standard, ClearSky::Vapour)
}

fn check_place_and_temperatures(weather: &Weather) -> Result<(), OutOfRange> {
    Allowed::Between(-90.0, 90.0).check("latitude_deg", weather.latitude.get())?;
    Allowed::Between(-500.0, 9_000.0).check("elevation_m", weather.elevation.get())?;
    let on_earth = Allowed::Between(-90.0, 60.0);
    let tmax = on_earth.check("tmax_c", weather.tmax.get())?;
    let tmin = on_earth.check("tmin_c", weather.tmin.get())?;
    if tmin > tmax {
        return Err(Allowed::Rule("no higher than tmax_c").broken("tmin_c", tmin));
    }
    if let Period::Month { previous, .. } | Period::MonthAfter { previous } = weather.period {
        on_earth.check("tmean_previous_c", previous.get())?;
    }
    if let Period::Month { next, .. } = weather.period {
        on_earth.check("tmean_next_c", next.get())?;
    }
    Ok(())
}

/// FAO-56 eq. 52. Its 17.8 turns to Fahrenheit; below -17.8 °C it would be negative, so zero.
fn hargreaves(weather: &Weather) -> Reference {
    let ra = sun::extraterrestrial(weather.latitude, weather.day);
    let tmean = air::mean(weather.tmin, weather.tmax).get();
    let span = weather.tmax.get() - weather.tmin.get();
    let raw = 0.0023 * (tmean + 17.8) * span.sqrt() * MM_FOR_ONE_MJ * ra.get();
    let mut assumed = Vec::new();
    let eto = not_below_zero(raw, &mut assumed);
    Reference {
        method: Method::Hargreaves,
        eto,
        ra,
        daylight: sun::daylight(weather.latitude, weather.day),
        balance: None,
        assumed,
    }
}

/// Depth of water that one MJ/m² evaporates: 1 / 2.45 MJ/kg, rounded as FAO-56 eq. 20 has it.
const MM_FOR_ONE_MJ: f64 = 0.408;

/// Dew can make the equations negative on a cold, dark day; a plant's need stops at zero.
fn not_below_zero(raw: f64, assumed: &mut Vec<Assumed>) -> Millimetres {
    if raw < 0.0 {
        assumed.push(Assumed::NegativeTakenAsZero {
            raw: Millimetres::new(raw),
        });
    }
    Millimetres::new(raw.max(0.0))
}

/// The vapour pressure of the air, filled in from tmin where nothing is known.
fn vapour(weather: &Weather, assumed: &mut Vec<Assumed>) -> Result<VapourPressure, OutOfRange> {
    let known = weather.humidity.unwrap_or_else(|| {
        let dry = matches!(weather.climate, Climate::Arid);
        assumed.push(if dry {
            Assumed::DewpointBelowTmin
        } else {
            Assumed::DewpointIsTmin
        });
        Humidity::Dewpoint(Celsius::new(
            weather.tmin.get() - if dry { 2.5 } else { 0.0 },
        ))
    });
    air::vapour_pressure(known, weather.tmin, weather.tmax, weather.elevation)
}

#[cfg(test)]
mod tests;
