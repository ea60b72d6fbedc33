//! How much a leak loses: from the meter, from a caught volume, or from a hole and its pressure.
//!
//! ```
//! use headwalk_core::water::leak::caught;
//! use headwalk_core::water::units::{Millilitres, Seconds};
//!
//! let weeping = caught(Millilitres::new(250.0), Seconds::new(75.0))?;
//! assert_eq!(format!("{:.0}", weeping.per_month), "2282 gal");
//! # Ok::<(), headwalk_core::water::units::OutOfRange>(())
//! ```
//!
//! # Source
//! Meter and caught volume: definitions. Holes: the orifice equation, with a discharge coefficient
//! of 0.62 for a sharp edge. Checks: `fixtures/tables/leak_*.csv`.

use super::units::{
    Allowed, Fraction, Gallons, Gpm, Inches, Millilitres, Minutes, OutOfRange, Psi, Seconds,
    SquareInches,
};

/// What a steady leak loses.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Leak {
    /// Flow.
    pub flow: Gpm,
    /// In 24 hours.
    pub per_day: Gallons,
    /// In 30 days.
    pub per_month: Gallons,
}

impl Leak {
    /// Returns what a flow loses if it never stops.
    #[must_use]
    pub fn of(flow: Gpm) -> Self {
        let per_day = Gallons::new(flow.get() * 24.0 * 60.0);
        Self {
            flow,
            per_day,
            per_month: per_day * 30.0,
        }
    }
}

/// Returns the leak that moves a meter while every valve is shut.
///
/// # Errors
/// [`OutOfRange`] naming `meter_gal_start` below zero, `meter_gal_end` below the start (a meter
/// replaced or rolled over: record that instead), `minutes` unless above zero.
pub fn meter_test(start: Gallons, end: Gallons, minutes: Minutes) -> Result<Leak, OutOfRange> {
    Allowed::ZeroOrMore.check("meter_gal_start", start.get())?;
    let end_gal = Allowed::ZeroOrMore.check("meter_gal_end", end.get())?;
    let time_min = Allowed::AboveZero.check("minutes", minutes.get())?;
    if end < start {
        return Err(Allowed::Rule("no lower than meter_gal_start").broken("meter_gal_end", end_gal));
    }
    Ok(Leak::of(Gpm::new((end - start).get() / time_min)))
}

/// Returns the leak that was caught in a vessel; keep the millilitres and seconds as the record.
///
/// # Errors
/// [`OutOfRange`] naming `caught_ml` below zero or `seconds` unless above zero.
pub fn caught(volume: Millilitres, time: Seconds) -> Result<Leak, OutOfRange> {
    Allowed::ZeroOrMore.check("caught_ml", volume.get())?;
    Allowed::AboveZero.check("seconds", time.get())?;
    Ok(Leak::of(Gpm::new(
        Gallons::from(volume).get() / Minutes::from(time).get(),
    )))
}

/// Discharge coefficient of a sharp-edged hole.
pub const SHARP_EDGE: Fraction = Fraction::new(0.62);

/// gpm through one inch of diameter at one psi and coefficient 1: pi/4 in² x sqrt(2 g h) with
/// 2.3088 ft of water a psi = 29.838; the trade prints 29.84.
const GPM_OF_ONE_INCH_AT_ONE_PSI: f64 = 29.84;

/// Returns the leak through a round hole.
///
/// A crack in plastic opens with pressure, so its flow may rise faster than this.
///
/// # Errors
/// [`OutOfRange`] naming `hole_in` or `discharge` unless above zero (discharge at most 1),
/// `pressure_psi` below zero.
///
/// # Source
/// Orifice equation: Q = 29.84 Cd d² sqrt(P).
pub fn hole(diameter: Inches, pressure: Psi, discharge: Fraction) -> Result<Leak, OutOfRange> {
    let hole_in = Allowed::AboveZero.check("hole_in", diameter.get())?;
    orifice(hole_in * hole_in, pressure, discharge)
}

/// Returns the leak through a crack of an area.
///
/// # Errors
/// As [`hole`], naming `crack_in2`.
pub fn crack(area: SquareInches, pressure: Psi, discharge: Fraction) -> Result<Leak, OutOfRange> {
    let crack_in2 = Allowed::AboveZero.check("crack_in2", area.get())?;
    orifice(crack_in2 * 4.0 / std::f64::consts::PI, pressure, discharge)
}

fn orifice(diameter_squared: f64, pressure: Psi, discharge: Fraction) -> Result<Leak, OutOfRange> {
    let pressure_psi = Allowed::ZeroOrMore.check("pressure_psi", pressure.get())?;
    let coefficient = Allowed::AboveZeroTo(1.0).check("discharge", discharge.get())?;
    let flow = GPM_OF_ONE_INCH_AT_ONE_PSI * coefficient * diameter_squared * pressure_psi.sqrt();
    Ok(Leak::of(Gpm::new(flow)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::water::tables::{close, rows};

    #[test]
    fn holes_match_the_worked_examples() {
        for row in rows("leak_holes.csv") {
            let pressure = Psi::new(row.get("pressure_psi"));
            let leak = match row.find("hole_in") {
                Some(diameter) => hole(Inches::new(diameter), pressure, SHARP_EDGE),
                None => crack(
                    SquareInches::new(row.get("crack_in2")),
                    pressure,
                    SHARP_EDGE,
                ),
            }
            .unwrap();
            row.close("flow_gpm", leak.flow.get());
            row.close("gal_per_month", leak.per_month.get());
        }
    }

    #[test]
    fn a_weeping_valve_is_measured_with_a_cup_and_a_watch() {
        let leak = caught(Millilitres::new(250.0), Seconds::new(75.0)).unwrap();
        close("H-24", leak.flow.get(), 0.052834, 5e-7);
        close("H-24", leak.per_month.get(), 2282.4, 0.05);
    }

    #[test]
    fn a_meter_that_creeps_half_a_gallon_in_ten_minutes() {
        let leak = meter_test(Gallons::new(100.0), Gallons::new(100.5), Minutes::new(10.0));
        let leak = leak.unwrap();
        close("H-25", leak.flow.get(), 0.05, 1e-12);
        close("H-25 day", leak.per_day.get(), 72.0, 1e-9);
        close("H-25 month", leak.per_month.get(), 2160.0, 1e-9);
    }

    #[test]
    fn a_meter_that_ran_backwards_is_refused_by_name() {
        let error = meter_test(Gallons::new(100.0), Gallons::new(99.0), Minutes::new(10.0));
        assert_eq!(error.unwrap_err().field, "meter_gal_end");
    }
}
