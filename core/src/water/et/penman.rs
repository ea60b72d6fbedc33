//! The Penman-Monteith equation, once, with the constants of either standard.

use super::{
    super::units::{
        Allowed, Hours, MegajoulesPerSquareMetreDay, Metres, MetresPerSecond, OutOfRange,
    },
    Assumed, EnergyBalance, MM_FOR_ONE_MJ, Method, Period, Reference, Weather, air,
    sun::{self, Siting, Sun},
};

/// Where the two standards differ for a day and a short crop. Their solar constants do not: ASCE's
/// 4.92 MJ/m²/h is FAO-56's 0.0820 a minute.
pub(super) struct Standard {
    /// Stefan-Boltzmann constant against FAO-56's 4.903e-9.
    longwave: f64,
    /// Slope constant against FAO-56's 4098 x 0.6108.
    slope: f64,
    /// Lowest Rs/Rso, where the standard has one; the highest is 1 in both.
    clouds_min: f64,
    /// Lowest wind at 2 m, m/s.
    wind_min: f64,
}

/// FAO-56. Rs/Rso has no lower limit in eq. 39.
pub(super) const FAO: Standard = Standard {
    longwave: 1.0,
    slope: 1.0,
    clouds_min: 0.0,
    wind_min: 0.5,
};

/// ASCE-EWRI 2005. Rs/Rso >= 0.3 keeps the cloud factor at 0.055, above its own limit of 0.05.
pub(super) const ASCE_SHORT: Standard = Standard {
    longwave: 4.901 / 4.903,
    slope: 2_503.0 / (4_098.0 * 0.6108),
    clouds_min: 0.3,
    wind_min: 0.0,
};

/// How radiation under a clear sky is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum ClearSky {
    /// From the elevation alone (FAO-56 eq. 37).
    Elevation,
    /// From the water vapour in the way, too (ASCE-EWRI 2005, appendix D).
    Vapour,
}

pub(super) fn reference(
    weather: &Weather,
    method: Method,
    standard: &Standard,
    sky: ClearSky,
) -> Result<Reference, OutOfRange> {
    let mut assumed = Vec::new();
    let vapour = super::vapour(weather, &mut assumed)?;
    let u2 = wind(weather, standard, &mut assumed)?;
    let ra = sun::extraterrestrial(weather.latitude, weather.day);
    let daylight = sun::daylight(weather.latitude, weather.day);
    let pressure = air::pressure(weather.elevation);
    let rso = match sky {
        ClearSky::Elevation => sun::clear_sky(ra, weather.elevation),
        ClearSky::Vapour => {
            let (place, day) = (weather.latitude, weather.day);
            sun::clear_sky_through_vapour(ra, vapour.ea, pressure, place, day)
        }
    };
    let rs = solar(weather, ra, rso, daylight, &mut assumed)?;
    let rnl = longwave(weather, standard, rs, rso, vapour.ea, &mut assumed);
    let rns = sun::net_shortwave(rs);
    let tmean = air::mean(weather.tmin, weather.tmax);
    let balance = EnergyBalance {
        rs,
        rso,
        rns,
        rnl,
        rn: rns - rnl,
        g: soil_heat(weather, &mut assumed),
        es: vapour.es,
        ea: vapour.ea,
        delta: air::slope(tmean) * standard.slope,
        gamma: air::psychrometric(pressure),
        pressure,
        u2,
    };
    let raw = equation(&balance, tmean.get(), &mut assumed);
    let eto = super::not_below_zero(raw, &mut assumed);
    Ok(Reference {
        method,
        eto,
        ra,
        daylight,
        balance: Some(balance),
        assumed,
    })
}

/// FAO-56 eq. 6 = ASCE eq. 1 with Cn 900 and Cd 0.34, millimetres a day.
fn equation(balance: &EnergyBalance, tmean_c: f64, assumed: &mut Vec<Assumed>) -> f64 {
    let deficit_kpa = (balance.es - balance.ea).get();
    if deficit_kpa < 0.0 {
        assumed.push(Assumed::DeficitTakenAsZero);
    }
    let (delta, gamma, u2) = (balance.delta.get(), balance.gamma.get(), balance.u2.get());
    let radiation = MM_FOR_ONE_MJ * delta * (balance.rn - balance.g).get();
    let wind = gamma * 900.0 / (tmean_c + 273.0) * u2 * deficit_kpa.max(0.0);
    (radiation + wind) / (delta + gamma * (1.0 + 0.34 * u2))
}

fn wind(
    weather: &Weather,
    standard: &Standard,
    assumed: &mut Vec<Assumed>,
) -> Result<MetresPerSecond, OutOfRange> {
    let Some(wind) = weather.wind else {
        assumed.push(Assumed::WindTwo);
        return Ok(MetresPerSecond::new(2.0));
    };
    let height = wind.height.unwrap_or_else(|| {
        assumed.push(Assumed::WindAtTwoMetres);
        Metres::new(2.0)
    });
    let u2 = air::wind_at_2m(wind.speed, height)?;
    if u2.get() >= standard.wind_min {
        return Ok(u2);
    }
    assumed.push(Assumed::WindRaised { from: u2 });
    Ok(MetresPerSecond::new(standard.wind_min))
}

/// An instrument may see a few minutes more than the geometry allows: refraction, rounding.
const SUNSHINE_OVER_DAYLIGHT_H: f64 = 0.5;

fn solar(
    weather: &Weather,
    ra: MegajoulesPerSquareMetreDay,
    rso: MegajoulesPerSquareMetreDay,
    daylight: Hours,
    assumed: &mut Vec<Assumed>,
) -> Result<MegajoulesPerSquareMetreDay, OutOfRange> {
    match weather.sun {
        Some(Sun::Radiation(rs)) => {
            Allowed::Between(0.0, 50.0).check("solar_mj_m2", rs.get())?;
            Ok(rs)
        }
        Some(Sun::Sunshine(hours)) => {
            let given_h = Allowed::Between(0.0, 24.0).check("sunshine_h", hours.get())?;
            if given_h > daylight.get() + SUNSHINE_OVER_DAYLIGHT_H {
                let rule = Allowed::Rule("no longer than daylight at that latitude and date");
                return Err(rule.broken("sunshine_h", given_h));
            }
            if hours > daylight {
                assumed.push(Assumed::SunshineLimited { to: daylight });
                return Ok(sun::from_sunshine(daylight, daylight, ra));
            }
            Ok(sun::from_sunshine(hours, daylight, ra))
        }
        None => {
            assumed.push(match weather.siting {
                Siting::Interior => Assumed::SolarFromTemperaturesInterior,
                Siting::Coastal => Assumed::SolarFromTemperaturesCoastal,
            });
            let rs = sun::from_temperatures(weather.tmin, weather.tmax, weather.siting, ra);
            if rs <= rso {
                return Ok(rs);
            }
            assumed.push(Assumed::SolarLimitedToClearSky);
            Ok(rso)
        }
    }
}

/// Below this there is no night to compare with day: Rs/Rso would be noise over noise.
const NO_SUN_MJ: f64 = 1e-9;

fn longwave(
    weather: &Weather,
    standard: &Standard,
    rs: MegajoulesPerSquareMetreDay,
    rso: MegajoulesPerSquareMetreDay,
    ea: super::Kilopascals,
    assumed: &mut Vec<Assumed>,
) -> MegajoulesPerSquareMetreDay {
    let ratio = if rso.get() < NO_SUN_MJ {
        assumed.push(Assumed::ClearPolarNight);
        1.0
    } else {
        (rs / rso).clamp(standard.clouds_min, 1.0)
    };
    let cloud_factor = 1.35 * ratio - 0.35;
    sun::net_longwave(weather.tmin, weather.tmax, ea, cloud_factor) * standard.longwave
}

/// FAO-56 eq. 42-44: MJ/m²/d.
fn soil_heat(weather: &Weather, assumed: &mut Vec<Assumed>) -> MegajoulesPerSquareMetreDay {
    let this = air::mean(weather.tmin, weather.tmax).get();
    MegajoulesPerSquareMetreDay::new(match weather.period {
        Period::Day => 0.0,
        Period::Month { previous, next } => 0.07 * (next.get() - previous.get()),
        Period::MonthAfter { previous } => 0.14 * (this - previous.get()),
        Period::MonthAlone => {
            assumed.push(Assumed::NoSoilHeat);
            0.0
        }
    })
}
