//! Vapour, pressure and wind: the air's half of the equation.
//!
//! # Source
//! FAO-56, equations 7-19 and 47. Checks: `fixtures/tables/et_steps.csv`.

use super::super::units::{
    Allowed, Celsius, Kilopascals, KilopascalsPerCelsius, Metres, MetresPerSecond, OutOfRange,
    Percent,
};

/// Humidity in one of the forms it is measured in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Humidity {
    /// Mean vapour pressure itself.
    VapourPressure(Kilopascals),
    /// Dewpoint (eq. 14).
    Dewpoint(Celsius),
    /// A dry and a wet thermometer (eq. 15, 16).
    WetBulb {
        /// The dry one.
        dry: Celsius,
        /// The wet one.
        wet: Celsius,
        /// How the air moves past them.
        draught: Draught,
    },
    /// Highest and lowest relative humidity of the day (eq. 17).
    MaxAndMin {
        /// Highest.
        max: Percent,
        /// Lowest.
        min: Percent,
    },
    /// Highest alone (eq. 18), for when the lowest is missing or doubtful.
    Max(Percent),
    /// Lowest alone: that of the warmest hour (ASCE-EWRI 2005 eq. 13; FAO-56 has none).
    Min(Percent),
    /// Mean alone (eq. 19), the least desirable.
    Mean(Percent),
}

/// How air moves past a wet bulb; sets the psychrometer's constant (eq. 16).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Draught {
    /// Asmann type, about 5 m/s.
    Ventilated,
    /// About 1 m/s.
    Natural,
    /// Indoors, no draught.
    Indoors,
}

/// Everything that was read; [`Humidity::best`] takes the most reliable.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct HumidityReadings {
    /// Mean vapour pressure.
    pub vapour_pressure: Option<Kilopascals>,
    /// Mean dewpoint.
    pub dewpoint: Option<Celsius>,
    /// Highest relative humidity.
    pub rh_max: Option<Percent>,
    /// Lowest relative humidity.
    pub rh_min: Option<Percent>,
    /// Mean relative humidity.
    pub rh_mean: Option<Percent>,
}

impl Humidity {
    /// Returns the most reliable of several readings, in the order FAO-56 (p. 36) and ASCE-EWRI
    /// 2005 (table 3) give: vapour pressure, dewpoint, max and min, max, min, mean.
    ///
    /// Without any, there is none: the caller's `None` is then filled in from tmin.
    #[must_use]
    pub fn best(readings: &HumidityReadings) -> Option<Self> {
        let HumidityReadings {
            vapour_pressure,
            dewpoint,
            rh_max,
            rh_min,
            rh_mean,
        } = *readings;
        vapour_pressure
            .map(Self::VapourPressure)
            .or(dewpoint.map(Self::Dewpoint))
            .or(match (rh_max, rh_min) {
                (Some(max), Some(min)) => Some(Self::MaxAndMin { max, min }),
                (Some(max), None) => Some(Self::Max(max)),
                (None, Some(min)) => Some(Self::Min(min)),
                (None, None) => None,
            })
            .or(rh_mean.map(Self::Mean))
    }
}

/// A wind speed with the height of the instrument.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wind {
    /// Mean speed over the day, 0 to 100 m/s.
    pub speed: MetresPerSecond,
    /// Above the ground, 0.5 to 200 m; airports measure at 10 m. 2 m where not given.
    pub height: Option<Metres>,
}

/// How much vapour the air holds and could hold.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VapourPressure {
    /// Mean saturation vapour pressure.
    pub es: Kilopascals,
    /// Actual vapour pressure.
    pub ea: Kilopascals,
}

/// Returns the mean of the day's extremes, which is what the equations mean by mean temperature.
#[must_use]
pub fn mean(tmin: Celsius, tmax: Celsius) -> Celsius {
    Celsius::new((tmin.get() + tmax.get()) / 2.0)
}

/// Returns air pressure at a height above the sea (eq. 7).
#[must_use]
pub fn pressure(elevation: Metres) -> Kilopascals {
    Kilopascals::new(101.3 * ((293.0 - 0.0065 * elevation.get()) / 293.0).powf(5.26))
}

/// Returns the psychrometric constant (eq. 8).
#[must_use]
pub fn psychrometric(pressure: Kilopascals) -> KilopascalsPerCelsius {
    KilopascalsPerCelsius::new(0.000_665 * pressure.get())
}

/// Returns saturation vapour pressure at a temperature (eq. 11).
#[must_use]
pub fn saturation(temperature: Celsius) -> Kilopascals {
    let t = temperature.get();
    Kilopascals::new(0.6108 * (17.27 * t / (t + 237.3)).exp())
}

/// Returns mean saturation vapour pressure (eq. 12): the mean of that at the two extremes, never
/// that at the mean temperature, which would be too low.
#[must_use]
pub fn mean_saturation(tmin: Celsius, tmax: Celsius) -> Kilopascals {
    (saturation(tmin) + saturation(tmax)) / 2.0
}

/// Returns the slope of the saturation curve (eq. 13).
#[must_use]
pub fn slope(temperature: Celsius) -> KilopascalsPerCelsius {
    let t = temperature.get();
    KilopascalsPerCelsius::new(4_098.0 * saturation(temperature).get() / (t + 237.3).powi(2))
}

/// Returns actual and mean saturation vapour pressure of a day.
///
/// # Errors
/// [`OutOfRange`] naming `rh_max_pct`, `rh_min_pct` or `rh_mean_pct` outside 0 to 100 or crossed;
/// `dewpoint_c`, `wet_bulb_c` or `vapour_pressure_kpa` that the warmest air of the day cannot hold.
pub fn vapour_pressure(
    humidity: Humidity,
    tmin: Celsius,
    tmax: Celsius,
    elevation: Metres,
) -> Result<VapourPressure, OutOfRange> {
    let es = mean_saturation(tmin, tmax);
    let share = |field, rh: Percent| {
        Allowed::Between(0.0, 100.0)
            .check(field, rh.get())
            .map(|rh| rh / 100.0)
    };
    let ea = match humidity {
        Humidity::VapourPressure(ea) => {
            let ea_kpa = Allowed::ZeroOrMore.check("vapour_pressure_kpa", ea.get())?;
            if ea > saturation(tmax) {
                let rule = Allowed::Rule("no more than air at tmax_c can hold");
                return Err(rule.broken("vapour_pressure_kpa", ea_kpa));
            }
            ea
        }
        Humidity::Dewpoint(dewpoint) => saturation(no_warmer("dewpoint_c", dewpoint, tmax)?),
        Humidity::WetBulb { dry, wet, draught } => from_wet_bulb(dry, wet, draught, elevation)?,
        Humidity::MaxAndMin { max, min } => {
            let (high, low) = (share("rh_max_pct", max)?, share("rh_min_pct", min)?);
            if low > high {
                return Err(
                    Allowed::Rule("no higher than rh_max_pct").broken("rh_min_pct", min.get())
                );
            }
            (saturation(tmin) * high + saturation(tmax) * low) / 2.0
        }
        Humidity::Max(max) => saturation(tmin) * share("rh_max_pct", max)?,
        Humidity::Min(min) => saturation(tmax) * share("rh_min_pct", min)?,
        Humidity::Mean(mean) => es * share("rh_mean_pct", mean)?,
    };
    Ok(VapourPressure { es, ea })
}

/// Returns vapour pressure from a dry and a wet thermometer (eq. 15).
///
/// # Errors
/// [`OutOfRange`] naming `dry_bulb_c` or `wet_bulb_c` outside -60 to 60 °C, and `wet_bulb_c` warmer
/// than the dry one or so cold that the vapour pressure would be negative.
pub fn from_wet_bulb(
    dry: Celsius,
    wet: Celsius,
    draught: Draught,
    elevation: Metres,
) -> Result<Kilopascals, OutOfRange> {
    Allowed::Between(-60.0, 60.0).check("dry_bulb_c", dry.get())?;
    let wet = no_warmer("wet_bulb_c", wet, dry)?;
    let constant = match draught {
        Draught::Ventilated => 0.000_662,
        Draught::Natural => 0.000_800,
        Draught::Indoors => 0.001_200,
    };
    let cooling = constant * pressure(elevation).get() * (dry.get() - wet.get());
    let ea = saturation(wet) - Kilopascals::new(cooling);
    if ea < Kilopascals::ZERO {
        let rule = Allowed::Rule("nearer to dry_bulb_c: air drier than dry does not exist");
        return Err(rule.broken("wet_bulb_c", wet.get()));
    }
    Ok(ea)
}

/// Returns the wind at 2 m (eq. 47); what was measured at 2 m is kept as it is.
///
/// # Errors
/// [`OutOfRange`] naming `wind_m_s` outside 0 to 100 or `wind_height_m` outside 0.5 to 200.
pub fn wind_at_2m(speed: MetresPerSecond, height: Metres) -> Result<MetresPerSecond, OutOfRange> {
    Allowed::Between(0.0, 100.0).check("wind_m_s", speed.get())?;
    let height_m = Allowed::Between(0.5, 200.0).check("wind_height_m", height.get())?;
    // At exactly 2 m the rounded constants of eq. 47 would give 1.0002 times the wind.
    if height == Metres::new(2.0) {
        return Ok(speed);
    }
    Ok(speed * (4.87 / (67.8 * height_m - 5.42).ln()))
}

fn no_warmer(field: &'static str, cooler: Celsius, than: Celsius) -> Result<Celsius, OutOfRange> {
    Allowed::Between(-100.0, 60.0).check(field, cooler.get())?;
    if cooler > than {
        return Err(Allowed::Rule("no warmer than the air").broken(field, cooler.get()));
    }
    Ok(cooler)
}
