//! What a result had to take for granted, in words an auditor can follow.

use std::fmt;

use super::super::units::{Hours, MetresPerSecond, Millimetres};

/// One thing that was not measured, or not believed as measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Assumed {
    /// No humidity: dewpoint taken as tmin (FAO-56 eq. 48).
    DewpointIsTmin,
    /// No humidity, arid place: dewpoint taken 2.5 °C below tmin (FAO-56 p. 58: 2 to 3 °C).
    DewpointBelowTmin,
    /// The air would hold more vapour than it can: the deficit is taken as zero.
    DeficitTakenAsZero,
    /// No wind: 2 m/s at 2 m (FAO-56 p. 63).
    WindTwo,
    /// No height given with the wind: 2 m.
    WindAtTwoMetres,
    /// Less wind than the equation can use: 0.5 m/s (FAO-56 p. 63).
    WindRaised {
        /// What it was, at 2 m.
        from: MetresPerSecond,
    },
    /// No radiation: from the span of temperatures, interior (FAO-56 eq. 50, kRs 0.16).
    SolarFromTemperaturesInterior,
    /// No radiation: from the span of temperatures, coastal (FAO-56 eq. 50, kRs 0.19).
    SolarFromTemperaturesCoastal,
    /// The radiation estimated from temperatures passed the clear sky's, and was limited to it.
    SolarLimitedToClearSky,
    /// A little more sunshine than daylight, and limited to it.
    SunshineLimited {
        /// Longest possible.
        to: Hours,
    },
    /// The sun does not rise: cloudiness cannot be told from radiation, a clear sky is assumed.
    ClearPolarNight,
    /// Mean temperatures of the neighbouring months are not known: soil heat taken as zero.
    NoSoilHeat,
    /// The equation gave less than nothing; the result is zero.
    NegativeTakenAsZero {
        /// What it gave, mm a day.
        raw: Millimetres,
    },
}

impl Assumed {
    /// Returns the name of the input that was filled in or limited.
    #[must_use]
    pub const fn field(self) -> &'static str {
        match self {
            Self::DewpointIsTmin | Self::DewpointBelowTmin => "dewpoint_c",
            Self::DeficitTakenAsZero => "vapour_pressure_kpa",
            Self::WindTwo | Self::WindRaised { .. } => "wind_m_s",
            Self::WindAtTwoMetres => "wind_height_m",
            Self::SolarFromTemperaturesInterior
            | Self::SolarFromTemperaturesCoastal
            | Self::SolarLimitedToClearSky
            | Self::ClearPolarNight => "solar_mj_m2",
            Self::SunshineLimited { .. } => "sunshine_h",
            Self::NoSoilHeat => "tmean_previous_c",
            Self::NegativeTakenAsZero { .. } => "eto_mm",
        }
    }
}

impl fmt::Display for Assumed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: ", self.field())?;
        match self {
            Self::DewpointIsTmin => f.write_str("not given, taken as tmin_c"),
            Self::DewpointBelowTmin => f.write_str("not given, taken as tmin_c - 2.5 (arid)"),
            Self::DeficitTakenAsZero => f.write_str("above saturation, deficit taken as 0"),
            Self::WindTwo => f.write_str("not given, taken as 2 m/s at 2 m"),
            Self::WindAtTwoMetres => f.write_str("not given, taken as 2 m"),
            Self::WindRaised { from } => write!(f, "{from:.2} at 2 m raised to 0.5 m/s"),
            Self::SolarFromTemperaturesInterior => {
                f.write_str("not given, estimated from tmin_c and tmax_c (kRs 0.16, interior)")
            }
            Self::SolarFromTemperaturesCoastal => {
                f.write_str("not given, estimated from tmin_c and tmax_c (kRs 0.19, coastal)")
            }
            Self::SolarLimitedToClearSky => {
                f.write_str("estimate above clear-sky radiation, limited to it")
            }
            Self::SunshineLimited { to } => write!(f, "above daylight, limited to {to:.2}"),
            Self::ClearPolarNight => f.write_str("the sun does not rise, clear sky assumed"),
            Self::NoSoilHeat => f.write_str("not given, soil heat taken as 0"),
            Self::NegativeTakenAsZero { raw } => write!(f, "computed {raw:.3}, taken as 0"),
        }
    }
}
