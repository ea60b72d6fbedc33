//! Quantities as types: an inch cannot be passed for a millimetre, nor a psi for a gpm.
//!
//! All of them come from the two tables below: one of quantities, one of exact conversions. A
//! quantity wraps one `f64` and says nothing about what is sensible; the functions that take it
//! do, and answer [`OutOfRange`].
//!
//! ```
//! use headwalk_core::water::units::{Inches, Millimetres};
//! let depth = Millimetres::from(Inches::new(1.5));
//! assert_eq!(format!("{depth:.1}"), "38.1 mm");
//! ```

use std::fmt;

/// Makes one type for each line: its name and the unit that is printed after the number.
macro_rules! quantities {
    ($($(#[$doc:meta])* $name:ident, $unit:literal;)+) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
        pub struct $name(f64);

        impl $name {
            /// The unit as printed after the number.
            pub const UNIT: &'static str = $unit;

            /// Wraps a number that is already in this unit.
            #[must_use]
            pub const fn new(value: f64) -> Self {
                Self(value)
            }

            /// Returns the bare number, in this unit.
            #[must_use]
            pub const fn get(self) -> f64 {
                self.0
            }
        }

        impl fmt::Display for $name {
            /// Writes the number, to the precision asked for, a space and the unit.
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                fmt::Display::fmt(&self.0, f)?;
                write!(f, " {}", Self::UNIT)
            }
        }
    )+};
}

/// Lets quantities that have a true zero be added, scaled and compared as a ratio.
macro_rules! amounts {
    ($($name:ident)+) => {$(
        impl $name {
            /// None of it.
            pub const ZERO: Self = Self(0.0);
        }

        impl std::ops::Add for $name {
            type Output = Self;
            fn add(self, other: Self) -> Self {
                Self(self.0 + other.0)
            }
        }

        impl std::ops::Sub for $name {
            type Output = Self;
            fn sub(self, other: Self) -> Self {
                Self(self.0 - other.0)
            }
        }

        impl std::ops::Mul<f64> for $name {
            type Output = Self;
            fn mul(self, factor: f64) -> Self {
                Self(self.0 * factor)
            }
        }

        impl std::ops::Div<f64> for $name {
            type Output = Self;
            fn div(self, divisor: f64) -> Self {
                Self(self.0 / divisor)
            }
        }

        impl std::ops::Div for $name {
            type Output = f64;
            fn div(self, other: Self) -> f64 {
                self.0 / other.0
            }
        }

        impl std::iter::Sum for $name {
            fn sum<I: Iterator<Item = Self>>(items: I) -> Self {
                items.fold(Self::ZERO, |total, item| total + item)
            }
        }
    )+};
}

/// Makes `From` both ways for each line: one of the left is so many of the right.
macro_rules! conversions {
    ($(1 $left:ident = $factor:expr, $right:ident;)+) => {$(
        impl From<$left> for $right {
            fn from(value: $left) -> Self {
                Self(value.0 * $factor)
            }
        }

        impl From<$right> for $left {
            fn from(value: $right) -> Self {
                Self(value.0 / $factor)
            }
        }
    )+};
}

quantities! {
    /// A depth of water, a pipe's diameter.
    Inches, "in";
    /// A rate at which water falls or soaks in.
    InchesPerHour, "in/h";
    /// Depth of water held in a depth of soil: available water capacity.
    InchesPerInch, "in/in";
    /// A distance, an elevation, a head of water.
    Feet, "ft";
    /// The ground a zone wets.
    SquareFeet, "ft²";
    /// The opening of a catch can, the area of a crack.
    SquareInches, "in²";
    /// A volume, US liquid gallons of 231 in³.
    Gallons, "gal";
    /// A flow, US gallons a minute.
    Gpm, "gpm";
    /// A drip emitter's flow, US gallons an hour.
    GallonsPerHour, "gal/h";
    /// A gauge pressure.
    Psi, "psi";
    /// The speed of water in a pipe.
    FeetPerSecond, "ft/s";
    /// A wind speed as weather reports give it.
    MilesPerHour, "mph";
    /// A temperature as weather reports give it.
    Fahrenheit, "°F";
    /// A depth of water.
    Millimetres, "mm";
    /// A rate at which water falls or soaks in.
    MillimetresPerHour, "mm/h";
    /// A distance, an elevation.
    Metres, "m";
    /// The ground a zone wets.
    SquareMetres, "m²";
    /// The opening of a catch can.
    SquareCentimetres, "cm²";
    /// A catch, a caught leak.
    Millilitres, "mL";
    /// A volume.
    Litres, "L";
    /// A flow.
    LitresPerMinute, "L/min";
    /// A pressure, of water or of vapour.
    Kilopascals, "kPa";
    /// The slope of the vapour pressure curve, the psychrometric constant.
    KilopascalsPerCelsius, "kPa/°C";
    /// A wind speed, the speed of water in a pipe.
    MetresPerSecond, "m/s";
    /// A temperature.
    Celsius, "°C";
    /// Energy that falls on a square metre in a day.
    MegajoulesPerSquareMetreDay, "MJ/m²/d";
    /// Energy that falls on a square metre in an hour.
    MegajoulesPerSquareMetreHour, "MJ/m²/h";
    /// A stretch of time.
    Seconds, "s";
    /// A run time, a soak.
    Minutes, "min";
    /// Sunshine, daylight.
    Hours, "h";
    /// An age, a lifetime.
    Years, "years";
    /// An arc, a latitude (north positive).
    Degrees, "°";
    /// A share of a hundred: a slope, a humidity, a seasonal setting.
    Percent, "%";
    /// A share of one: a uniformity, a depletion.
    Fraction, "of 1";
    /// A stretch of time between waterings.
    Days, "d";
    /// A count of failures, expected or bounded.
    Failures, "failures";
    /// How often valves of a kind fail.
    FailuresPerYear, "failures a valve-year";
    /// Hazen-Williams roughness coefficient C.
    HazenWilliams, "C";
}

amounts! {
    Inches InchesPerHour InchesPerInch Feet SquareFeet SquareInches Gallons Gpm GallonsPerHour Psi
    FeetPerSecond MilesPerHour Millimetres MillimetresPerHour Metres SquareMetres
    SquareCentimetres Millilitres Litres LitresPerMinute Kilopascals KilopascalsPerCelsius
    MetresPerSecond MegajoulesPerSquareMetreDay Seconds Minutes Hours Years Degrees Percent Fraction Days
    Failures
}

// All exact by definition: the inch is 25.4 mm, the gallon 231 in³, the pound 0.453 592 37 kg and
// standard gravity 9.806 65 m/s² (NIST SP 811, appendix B).
conversions! {
    1 Inches = 25.4, Millimetres;
    1 InchesPerHour = 25.4, MillimetresPerHour;
    1 Feet = 0.3048, Metres;
    1 Feet = 12.0, Inches;
    1 SquareFeet = 0.3048 * 0.3048, SquareMetres;
    1 SquareInches = 2.54 * 2.54, SquareCentimetres;
    1 Gallons = 3.785_411_784, Litres;
    1 Gallons = 3_785.411_784, Millilitres;
    1 Gpm = 3.785_411_784, LitresPerMinute;
    1 Gpm = 60.0, GallonsPerHour;
    1 Psi = 0.453_592_37 * 9.806_65 / (0.0254 * 0.0254) / 1_000.0, Kilopascals;
    1 FeetPerSecond = 0.3048, MetresPerSecond;
    1 MilesPerHour = 0.447_04, MetresPerSecond;
    1 Minutes = 60.0, Seconds;
    1 Hours = 60.0, Minutes;
    1 Fraction = 100.0, Percent;
}

impl From<Fahrenheit> for Celsius {
    fn from(value: Fahrenheit) -> Self {
        Self((value.0 - 32.0) / 1.8)
    }
}

impl From<Celsius> for Fahrenheit {
    fn from(value: Celsius) -> Self {
        Self(value.0 * 1.8 + 32.0)
    }
}

/// A number outside physical sense: which one, what it was, and what would do.
///
/// `field` is the name the number has in JSON, so that a caller can point at it.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{field} is {got}; it must be {allowed}")]
pub struct OutOfRange {
    /// The field's name with its unit, as in `tmin_c`.
    pub field: &'static str,
    /// What it was, in that unit; the count, where a list is too short.
    pub got: f64,
    /// What would have been taken.
    pub allowed: Allowed,
}

/// What a number may be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Allowed {
    /// From the first to the second, both included.
    Between(f64, f64),
    /// Above zero: 1e-9 to 1e9, so that no quotient or power of such numbers overflows.
    AboveZero,
    /// Above zero, at least 1e-9, up to this number.
    AboveZeroTo(f64),
    /// Zero or above, up to 1e9.
    ZeroOrMore,
    /// Something that needs words.
    Rule(&'static str),
}

/// Nothing in the trade is smaller and not zero, in any of its units.
const SMALLEST: f64 = 1e-9;
/// Nothing in the trade is larger, in any of its units.
const LARGEST: f64 = 1e9;

impl fmt::Display for Allowed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Between(low, high) => write!(f, "from {low} to {high}"),
            Self::AboveZero => write!(f, "above 0, up to {LARGEST:e}"),
            Self::AboveZeroTo(high) => write!(f, "above 0, up to {high}"),
            Self::ZeroOrMore => write!(f, "0 or more, up to {LARGEST:e}"),
            Self::Rule(words) => f.write_str(words),
        }
    }
}

impl Allowed {
    /// Returns `value` if it is allowed, or the error that names `field`.
    ///
    /// A [`Rule`](Self::Rule) cannot judge and lets every finite number pass.
    ///
    /// # Errors
    /// [`OutOfRange`] naming `field`; a number that is not finite is never allowed.
    pub fn check(self, field: &'static str, value: f64) -> Result<f64, OutOfRange> {
        let fits = match self {
            Self::Between(low, high) => (low..=high).contains(&value),
            Self::AboveZero => (SMALLEST..=LARGEST).contains(&value),
            Self::AboveZeroTo(high) => (SMALLEST..=high).contains(&value),
            Self::ZeroOrMore => (0.0..=LARGEST).contains(&value),
            Self::Rule(_) => value.is_finite(),
        };
        if fits {
            Ok(value)
        } else {
            Err(self.broken(field, value))
        }
    }

    /// Returns the error that says `field` broke this rule.
    #[must_use]
    pub const fn broken(self, field: &'static str, got: f64) -> OutOfRange {
        OutOfRange {
            field,
            got,
            allowed: self,
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn check(got: f64, expected: f64) {
        assert!(
            (got - expected).abs() <= 1e-12 * expected.abs(),
            "{got} is not {expected}"
        );
    }

    #[test]
    fn conversions_hold_the_published_constants() {
        check(Millimetres::from(Inches::new(1.0)).get(), 25.4);
        check(LitresPerMinute::from(Gpm::new(1.0)).get(), 3.785411784);
        check(Kilopascals::from(Psi::new(1.0)).get(), 6.894757293168361);
        check(SquareMetres::from(SquareFeet::new(1000.0)).get(), 92.90304);
        check(
            MetresPerSecond::from(MilesPerHour::new(4.8)).get(),
            2.145792,
        );
        check(Millilitres::from(Gallons::new(1.0)).get(), 3785.411784);
    }

    #[test]
    fn temperatures_move_their_zero() {
        check(Celsius::from(Fahrenheit::new(102.8)).get(), 70.8 / 1.8);
        check(Fahrenheit::from(Celsius::new(-40.0)).get(), -40.0);
    }

    #[test]
    fn display_keeps_the_precision_asked_for_and_adds_the_unit() {
        assert_eq!(format!("{:.2}", InchesPerHour::new(1.58278)), "1.58 in/h");
        assert_eq!(Gpm::new(3.7).to_string(), "3.7 gpm");
    }

    #[test]
    fn an_error_says_which_what_and_what_would_do() {
        let error = Allowed::Between(0.0, 100.0)
            .check("rh_max_pct", 120.0)
            .unwrap_err();
        assert_eq!(
            error.to_string(),
            "rh_max_pct is 120; it must be from 0 to 100"
        );
    }

    #[test]
    fn nothing_that_is_not_a_number_passes() {
        for rule in [
            Allowed::Between(f64::MIN, f64::MAX),
            Allowed::AboveZero,
            Allowed::AboveZeroTo(f64::MAX),
            Allowed::ZeroOrMore,
            Allowed::Rule("a number"),
        ] {
            for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
                assert!(rule.check("x", bad).is_err(), "{rule:?} let {bad} pass");
            }
        }
    }

    proptest! {
        #[test]
        fn inches_survive_the_trip_to_millimetres_and_back(inches in -1e6..1e6f64) {
            let back = Inches::from(Millimetres::from(Inches::new(inches)));
            prop_assert!((back.get() - inches).abs() <= 1e-12 * inches.abs());
        }
    }
}
