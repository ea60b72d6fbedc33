//! Stored quantities as typed ones, and the few quantities that the maths of water has no use for.

use super::unit::Unit;
use crate::log::value::Value;
use crate::water::units as water;

/// A typed quantity that can be read out of a stored value.
pub trait Measure: Sized {
    /// The unit of the type.
    const UNIT: Unit;

    /// Wraps an amount of that unit.
    fn of(amount: f64) -> Self;

    /// Returns the bare number, in that unit.
    fn amount(self) -> f64;

    /// Reads a stored quantity, whatever unit it was entered in; `None` where the value is not a
    /// finite quantity of the same dimension.
    fn read(value: &Value) -> Option<Self> {
        let Value::Quantity { amount, unit } = value else {
            return None;
        };
        let amount = Unit::of_number(*unit)?.amount_in(*amount, Self::UNIT)?;
        amount.is_finite().then(|| Self::of(amount))
    }

    /// Returns the value to store.
    fn value(self) -> Value {
        Value::Quantity {
            amount: self.amount(),
            unit: Self::UNIT.number(),
        }
    }
}

macro_rules! measures {
    ($($name:ty, $unit:ident;)+) => {$(
        impl Measure for $name {
            const UNIT: Unit = Unit::$unit;

            fn of(amount: f64) -> Self {
                Self::new(amount)
            }

            fn amount(self) -> f64 {
                self.get()
            }
        }
    )+};
}

measures! {
    water::Psi, Psi;
    water::Gpm, GallonPerMinute;
    water::GallonsPerHour, GallonPerHour;
    water::Inches, Inch;
    water::Feet, Foot;
    water::Metres, Metre;
    water::SquareFeet, SquareFoot;
    water::SquareInches, SquareInch;
    water::Gallons, Gallon;
    water::Millilitres, Millilitre;
    water::InchesPerHour, InchPerHour;
    water::Degrees, Degree;
    water::Minutes, Minute;
    water::Seconds, Second;
    water::Years, Year;
    water::Days, Day;
    water::Percent, Percent;
    water::MilesPerHour, MilePerHour;
    water::MetresPerSecond, MetrePerSecond;
    water::Fahrenheit, Fahrenheit;
    water::Celsius, Celsius;
    water::InchesPerInch, InchPerInch;
    water::MegajoulesPerSquareMetreDay, MegajoulePerSquareMetre;
    Volts, Volt;
    Ohms, Ohm;
}

/// Makes the few quantities that the maths of water has no use for.
macro_rules! plain {
    ($($(#[$doc:meta])* $name:ident;)+) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
        pub struct $name(f64);

        impl $name {
            /// Wraps a number that is already in this unit.
            #[must_use]
            pub const fn new(amount: f64) -> Self {
                Self(amount)
            }

            /// Returns the bare number.
            #[must_use]
            pub const fn get(self) -> f64 {
                self.0
            }
        }
    )+};
}

plain! {
    /// A voltage at a station's terminals.
    Volts;
    /// The resistance of a solenoid and its wire.
    Ohms;
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_quantity_reads_in_the_type_that_is_asked_for() {
        let value = Value::Quantity {
            amount: 6.0,
            unit: Unit::Inch.number(),
        };
        assert_eq!(water::Feet::read(&value), Some(water::Feet::new(0.5)));
        assert_eq!(water::Psi::read(&value), None);
        assert_eq!(water::Feet::read(&Value::Int(3)), None);
    }
}
