//! The table of units: the number that is stored, the symbol that is shown, what may be typed,
//! and the twin in the other system. All conversions go through [`crate::water::units`].

use core::fmt;

use crate::log::value::UnitNumber;
use crate::water::units as water;

/// Which units a reader wants to see, and which a bare number is taken to be in.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum UnitSystem {
    /// US customary.
    #[default]
    Us,
    /// Metric.
    Si,
}

/// What a unit measures; two units convert exactly when they measure the same.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[expect(missing_docs, reason = "each name is the whole of its meaning")]
pub enum Dimension {
    Pressure,
    Flow,
    Length,
    Ground,
    Opening,
    Volume,
    Rate,
    Angle,
    Time,
    Days,
    Years,
    Share,
    Volts,
    Ohms,
    Speed,
    Temperature,
    Capacity,
    Radiation,
    Money,
    Turns,
    Air,
}

/// A conversion to and from the base of its dimension.
type Convert = (fn(f64) -> f64, fn(f64) -> f64);

/// Converts through the types of `water`: the unit's own, and the one of its dimension's base.
macro_rules! via {
    ($unit:ident, $base:ident) => {
        (
            |amount| water::$base::from(water::$unit::new(amount)).get(),
            |amount| water::$unit::from(water::$base::new(amount)).get(),
        )
    };
}

/// Converts by an exact factor: how many of `$base`'s unit one is.
macro_rules! times {
    ($factor:expr) => {
        (|amount| amount * $factor, |amount| amount / $factor)
    };
}

/// The base of its dimension, or the only unit in it.
const ITSELF: Convert = (|amount| amount, |amount| amount);

/// One cubic foot is 1,728 in³ and one gallon 231 in³.
const GALLONS_IN_A_CUBIC_FOOT: f64 = 1_728.0 / 231.0;

macro_rules! units {
    ($($(#[$doc:meta])* $number:literal $unit:ident, $symbol:literal, $dimension:ident,
       us $us:ident, si $si:ident, $convert:expr, [$($also:literal),*];)+) => {
        /// A unit that a quantity can be entered and shown in.
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub enum Unit {
            $($(#[$doc])* $unit,)+
        }

        impl Unit {
            /// Every unit, by number.
            pub const ALL: &'static [Self] = &[$(Self::$unit),+];

            /// Returns the number that is stored. Stable for ever.
            #[must_use]
            pub const fn number(self) -> UnitNumber {
                UnitNumber(match self { $(Self::$unit => $number,)+ })
            }

            /// Returns the symbol as printed.
            #[must_use]
            pub const fn symbol(self) -> &'static str {
                match self { $(Self::$unit => $symbol,)+ }
            }

            /// Returns what it measures.
            #[must_use]
            pub const fn dimension(self) -> Dimension {
                match self { $(Self::$unit => Dimension::$dimension,)+ }
            }

            /// Returns the unit for the same use in that system: itself if it belongs there.
            #[must_use]
            pub const fn in_system(self, system: UnitSystem) -> Self {
                match (self, system) {
                    $((Self::$unit, UnitSystem::Us) => Self::$us,
                      (Self::$unit, UnitSystem::Si) => Self::$si,)+
                }
            }

            const fn spellings(self) -> &'static [&'static str] {
                match self { $(Self::$unit => &[$symbol, $($also),*],)+ }
            }

            fn convert(self) -> Convert {
                match self { $(Self::$unit => $convert,)+ }
            }
        }
    };
}

units! {
    /// Pounds a square inch.
    1 Psi, "psi", Pressure, us Psi, si Kilopascal, ITSELF, ["lb/in2", "lbs/in2", "pounds"];
    /// Kilopascals.
    2 Kilopascal, "kPa", Pressure, us Psi, si Kilopascal, via!(Kilopascals, Psi), [];
    /// Bar: 100 kPa by definition.
    3 Bar, "bar", Pressure, us Psi, si Bar, (
        |amount| water::Psi::from(water::Kilopascals::new(amount * 100.0)).get(),
        |amount| water::Kilopascals::from(water::Psi::new(amount)).get() / 100.0,
    ), ["bars"];
    /// Gallons a minute.
    4 GallonPerMinute, "gpm", Flow, us GallonPerMinute, si LitrePerMinute, ITSELF,
        ["gal/min"];
    /// Litres a minute.
    5 LitrePerMinute, "L/min", Flow, us GallonPerMinute, si LitrePerMinute,
        via!(LitresPerMinute, Gpm), ["lpm"];
    /// Gallons an hour, of an emitter.
    6 GallonPerHour, "gph", Flow, us GallonPerHour, si LitrePerHour, via!(GallonsPerHour, Gpm),
        ["gal/h", "gal/hr"];
    /// Litres an hour, of an emitter.
    7 LitrePerHour, "L/h", Flow, us GallonPerHour, si LitrePerHour, (
        |amount| water::Gpm::from(water::LitresPerMinute::new(amount / 60.0)).get(),
        |amount| water::LitresPerMinute::from(water::Gpm::new(amount)).get() * 60.0,
    ), ["lph", "l/hr"];
    /// Inches.
    8 Inch, "in", Length, us Inch, si Millimetre, via!(Inches, Feet), ["inch", "inches", "\""];
    /// Feet.
    9 Foot, "ft", Length, us Foot, si Metre, ITSELF, ["foot", "feet", "'"];
    /// Millimetres.
    10 Millimetre, "mm", Length, us Inch, si Millimetre, (
        |amount| water::Feet::from(water::Metres::new(amount / 1_000.0)).get(),
        |amount| water::Metres::from(water::Feet::new(amount)).get() * 1_000.0,
    ), ["millimetre", "millimetres", "millimeter", "millimeters"];
    /// Centimetres.
    11 Centimetre, "cm", Length, us Inch, si Centimetre, (
        |amount| water::Feet::from(water::Metres::new(amount / 100.0)).get(),
        |amount| water::Metres::from(water::Feet::new(amount)).get() * 100.0,
    ), ["centimetre", "centimetres", "centimeter", "centimeters"];
    /// Metres.
    12 Metre, "m", Length, us Foot, si Metre, via!(Metres, Feet),
        ["metre", "metres", "meter", "meters"];
    /// Square feet of ground.
    13 SquareFoot, "ft²", Ground, us SquareFoot, si SquareMetre, ITSELF,
        ["sqft", "ft2", "sq ft", "square feet", "sf"];
    /// Square metres of ground.
    14 SquareMetre, "m²", Ground, us SquareFoot, si SquareMetre, via!(SquareMetres, SquareFeet),
        ["m2", "sqm", "sq m", "square metres", "square meters"];
    /// Square inches of a can's opening.
    15 SquareInch, "in²", Opening, us SquareInch, si SquareCentimetre, ITSELF,
        ["in2", "sqin", "sq in", "square inches"];
    /// Square centimetres of a can's opening.
    16 SquareCentimetre, "cm²", Opening, us SquareInch, si SquareCentimetre,
        via!(SquareCentimetres, SquareInches), ["cm2", "sqcm", "sq cm"];
    /// Gallons.
    17 Gallon, "gal", Volume, us Gallon, si Litre, ITSELF, ["gallon", "gallons"];
    /// A thousand gallons, as registers count.
    18 ThousandGallons, "kgal", Volume, us ThousandGallons, si CubicMetre, times!(1_000.0),
        ["1000gal", "1000 gal", "tgal"];
    /// Cubic feet.
    19 CubicFoot, "ft³", Volume, us CubicFoot, si CubicMetre, times!(GALLONS_IN_A_CUBIC_FOOT),
        ["ft3", "cuft", "cu ft", "cf"];
    /// A hundred cubic feet, as bills count.
    20 HundredCubicFeet, "ccf", Volume, us HundredCubicFeet, si CubicMetre,
        times!(100.0 * GALLONS_IN_A_CUBIC_FOOT), ["hcf", "100ft3", "100 ft3", "100 ft³"];
    /// Litres.
    21 Litre, "L", Volume, us Gallon, si Litre, via!(Litres, Gallons),
        ["litre", "litres", "liter", "liters"];
    /// Cubic metres.
    22 CubicMetre, "m³", Volume, us ThousandGallons, si CubicMetre, (
        |amount| water::Gallons::from(water::Litres::new(amount * 1_000.0)).get(),
        |amount| water::Litres::from(water::Gallons::new(amount)).get() / 1_000.0,
    ), ["m3", "cum", "cu m"];
    /// Millilitres in a catch can, in both systems.
    23 Millilitre, "mL", Volume, us Millilitre, si Millilitre, via!(Millilitres, Gallons), ["cc"];
    /// Inches an hour.
    24 InchPerHour, "in/h", Rate, us InchPerHour, si MillimetrePerHour, ITSELF, ["in/hr", "iph"];
    /// Millimetres an hour.
    25 MillimetrePerHour, "mm/h", Rate, us InchPerHour, si MillimetrePerHour,
        via!(MillimetresPerHour, InchesPerHour), ["mm/hr"];
    /// Degrees of arc, of latitude.
    26 Degree, "°", Angle, us Degree, si Degree, ITSELF, ["deg", "degree", "degrees"];
    /// Minutes.
    27 Minute, "min", Time, us Minute, si Minute, ITSELF, ["mins", "minute", "minutes"];
    /// Seconds.
    28 Second, "s", Time, us Second, si Second, via!(Seconds, Minutes),
        ["sec", "secs", "second", "seconds"];
    /// Hours.
    29 Hour, "h", Time, us Hour, si Hour, via!(Hours, Minutes), ["hr", "hrs", "hour", "hours"];
    /// Days.
    30 Day, "days", Days, us Day, si Day, ITSELF, ["day", "d"];
    /// Years.
    31 Year, "years", Years, us Year, si Year, ITSELF, ["year", "yr", "yrs"];
    /// Parts of a hundred.
    32 Percent, "%", Share, us Percent, si Percent, ITSELF, ["pct", "percent"];
    /// Volts.
    33 Volt, "V", Volts, us Volt, si Volt, ITSELF, ["volt", "volts", "vac", "v ac"];
    /// Ohms.
    34 Ohm, "Ω", Ohms, us Ohm, si Ohm, ITSELF, ["ohm", "ohms"];
    /// Miles an hour.
    35 MilePerHour, "mph", Speed, us MilePerHour, si MetrePerSecond, ITSELF, ["mi/h"];
    /// Metres a second.
    36 MetrePerSecond, "m/s", Speed, us MilePerHour, si MetrePerSecond,
        via!(MetresPerSecond, MilesPerHour), ["mps"];
    /// Degrees Fahrenheit.
    37 Fahrenheit, "°F", Temperature, us Fahrenheit, si Celsius, ITSELF, ["f", "degf"];
    /// Degrees Celsius.
    38 Celsius, "°C", Temperature, us Fahrenheit, si Celsius, via!(Celsius, Fahrenheit),
        ["c", "degc"];
    /// Depth of water that a depth of soil holds.
    39 InchPerInch, "in/in", Capacity, us InchPerInch, si MillimetrePerMetre, ITSELF, [];
    /// Millimetres of water that a metre of soil holds.
    40 MillimetrePerMetre, "mm/m", Capacity, us InchPerInch, si MillimetrePerMetre,
        times!(0.001), [];
    /// Energy on a square metre in a day, in both systems.
    41 MegajoulePerSquareMetre, "MJ/m²", Radiation, us MegajoulePerSquareMetre,
        si MegajoulePerSquareMetre, ITSELF, ["mj/m2", "mj"];
    /// Dollars.
    42 Dollar, "$", Money, us Dollar, si Dollar, ITSELF, ["usd", "dollar", "dollars"];
    /// Turns of a flow control or a radius screw.
    43 Turn, "turns", Turns, us Turn, si Turn, ITSELF, ["turn"];
    /// Cubic feet of air a minute, of a compressor, in both systems.
    44 CubicFootPerMinute, "cfm", Air, us CubicFootPerMinute, si CubicFootPerMinute, ITSELF, [];
}

impl Unit {
    /// Returns the unit with that number; `None` if this version knows none.
    #[must_use]
    pub fn of_number(number: UnitNumber) -> Option<Self> {
        Self::ALL
            .iter()
            .copied()
            .find(|unit| unit.number() == number)
    }

    /// Returns the unit that a person typed, in capitals or not.
    #[must_use]
    pub fn of_symbol(typed: &str) -> Option<Self> {
        // `to_lowercase` turns the ohm sign into a small omega on both sides alike.
        let typed = typed.trim().to_lowercase();
        let typed = typed.replace('º', "°");
        Self::ALL.iter().copied().find(|unit| {
            let spelled = |word: &&str| word.to_lowercase() == typed;
            unit.spellings().iter().any(spelled)
        })
    }

    /// Returns an amount of this unit in another; `None` if they measure different things.
    #[must_use]
    pub fn amount_in(self, amount: f64, other: Self) -> Option<f64> {
        if self == other {
            return Some(amount);
        }
        if self.dimension() != other.dimension() {
            return None;
        }
        let ((to_base, _), (_, from_base)) = (self.convert(), other.convert());
        Some(from_base(to_base(amount)))
    }

    /// Returns the amount with this unit behind it (a dollar sign before it), as people write it.
    #[must_use]
    pub fn write(self, amount: f64) -> String {
        // Adding zero turns a negative zero into a plain one.
        let amount = amount + 0.0;
        match self {
            Self::Dollar => {
                let cents = format!("{:.2}", amount.abs());
                let exact = cents.parse() == Ok(amount.abs());
                let digits = if exact {
                    cents
                } else {
                    format!("{}", amount.abs())
                };
                format!("{}${digits}", if amount < 0.0 { "-" } else { "" })
            }
            Self::Degree | Self::Percent => format!("{amount}{}", self.symbol()),
            _ => format!("{amount} {}", self.symbol()),
        }
    }
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.symbol())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_unit_has_its_own_number_and_spellings() {
        for (at, &unit) in Unit::ALL.iter().enumerate() {
            assert_eq!(Unit::of_number(unit.number()), Some(unit));
            for word in unit.spellings() {
                assert_eq!(Unit::of_symbol(word), Some(unit), "{word}");
            }
            for other in &Unit::ALL[at + 1..] {
                assert_ne!(unit.number(), other.number());
            }
        }
    }

    #[test]
    fn a_twin_measures_the_same_and_belongs_to_its_system() {
        for &unit in Unit::ALL {
            for system in [UnitSystem::Us, UnitSystem::Si] {
                let twin = unit.in_system(system);
                assert_eq!(twin.dimension(), unit.dimension(), "{unit}");
                assert_eq!(twin.in_system(system), twin, "{unit}");
            }
        }
    }

    #[test]
    fn every_conversion_comes_back() {
        for &unit in Unit::ALL {
            for &other in Unit::ALL {
                if let Some(there) = unit.amount_in(12.5, other) {
                    let back = other.amount_in(there, unit).unwrap();
                    assert!((back - 12.5).abs() < 1e-9, "{unit} to {other}: {back}");
                } else {
                    assert_ne!(unit.dimension(), other.dimension());
                }
            }
        }
    }

    #[test]
    fn conversions_hold_the_published_constants() {
        // NIST SP 811, appendix B: the gallon, the inch and the pound-force a square inch.
        let check = |amount: f64, unit: Unit, other: Unit, expected: f64| {
            let got = unit.amount_in(amount, other).unwrap();
            assert!((got - expected).abs() <= 1e-6 * expected, "{got}");
        };
        check(1.0, Unit::Psi, Unit::Kilopascal, 6.894757);
        check(1.0, Unit::Bar, Unit::Psi, 14.503774);
        check(1.0, Unit::Inch, Unit::Millimetre, 25.4);
        check(1.0, Unit::Foot, Unit::Inch, 12.0);
        check(1.0, Unit::CubicFoot, Unit::Gallon, 7.480519);
        check(1.0, Unit::CubicMetre, Unit::CubicFoot, 35.314667);
        check(1.0, Unit::GallonPerHour, Unit::LitrePerHour, 3.785412);
        check(1.0, Unit::SquareInch, Unit::SquareCentimetre, 6.4516);
    }

    #[test]
    fn amounts_are_written_as_people_write_them() {
        assert_eq!(Unit::Psi.write(38.0), "38 psi");
        assert_eq!(Unit::Degree.write(180.0), "180°");
        assert_eq!(Unit::Dollar.write(12.5), "$12.50");
        assert_eq!(Unit::Dollar.write(0.125), "$0.125");
        assert_eq!(Unit::Percent.write(-0.0), "0%");
    }
}
