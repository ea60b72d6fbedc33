//! What a leak loses.

use serde::Deserialize;

use headwalk_core::site::finding::Caution;
use headwalk_core::water::leak::{self, SHARP_EDGE};
use headwalk_core::water::units::{
    Fraction, Gallons, Gpm, Inches, Millilitres, Minutes, Psi, Seconds, SquareInches,
};

use super::Formula;
use super::answer::Answer;
use super::value::{Wrong, all};

/// What a leak loses, from the meter with every valve shut, or from a catch.
///
/// In:  meter_gal_start, meter_gal_end and minutes between the readings;
///      or caught_ml in seconds.
/// Out: gpm, gal_per_day, gal_per_month (30 days).
///
/// Example: headwalk reckon leak --set meter_gal_start=48210.0 --set meter_gal_end=48211.5
/// --set minutes=30
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Leak {}

/// Inputs of [`Leak`].
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LeakIn {
    meter_gal_start: Option<f64>,
    meter_gal_end: Option<f64>,
    minutes: Option<f64>,
    caught_ml: Option<f64>,
    seconds: Option<f64>,
}

impl Formula for Leak {
    type In = LeakIn;

    fn reckon(given: LeakIn) -> Result<Answer, Wrong> {
        let meter = [
            ("meter_gal_start", given.meter_gal_start),
            ("meter_gal_end", given.meter_gal_end),
            ("minutes", given.minutes),
        ];
        let caught = [("caught_ml", given.caught_ml), ("seconds", given.seconds)];
        let leak = if caught.iter().any(|(_, value)| value.is_some()) {
            if let Some((name, _)) = meter.iter().find(|(_, value)| value.is_some()) {
                return Err(Wrong::beside(name, "caught_ml and seconds"));
            }
            let [volume, time] = all(caught)?;
            leak::caught(Millilitres::new(volume), Seconds::new(time))?
        } else {
            let [start, end, minutes] = all(meter)?;
            leak::meter_test(
                Gallons::new(start),
                Gallons::new(end),
                Minutes::new(minutes),
            )?
        };
        let still = (leak.flow == Gpm::ZERO).then_some(
            "nothing moved: a leak slower than the meter or the vessel shows is not ruled out",
        );
        Ok(lost(&leak).warnings(still))
    }
}

fn lost(leak: &leak::Leak) -> Answer {
    let gallons = Gallons::UNIT;
    Answer::default()
        .number("gpm", "loses", leak.flow.get(), Gpm::UNIT)
        .number("gal_per_day", "in a day", leak.per_day.get(), gallons)
        .number("gal_per_month", "in 30 days", leak.per_month.get(), gallons)
        .caution(Caution::DiggingOnPressure.sentence())
}

/// What a hole or crack loses under pressure.
///
/// In:  hole_in, its diameter, or crack_in2, its area; pressure_psi; discharge, the coefficient
///      (left out: 0.62, a sharp edge).
/// Out: gpm, gal_per_day, gal_per_month (30 days).
///
/// Source: orifice equation, Q = 29.84 Cd d² sqrt(P). A crack in plastic opens with pressure and may
/// lose more.
///
/// Example: headwalk reckon orifice --set hole_in=0.0625 --set pressure_psi=60
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Orifice {}

/// Inputs of [`Orifice`].
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OrificeIn {
    hole_in: Option<f64>,
    crack_in2: Option<f64>,
    pressure_psi: f64,
    discharge: Option<f64>,
}

impl Formula for Orifice {
    type In = OrificeIn;

    fn reckon(given: OrificeIn) -> Result<Answer, Wrong> {
        let pressure = Psi::new(given.pressure_psi);
        let discharge = given.discharge.map_or(SHARP_EDGE, Fraction::new);
        let leak = match (given.hole_in, given.crack_in2) {
            (Some(_), Some(_)) => return Err(Wrong::beside("crack_in2", "hole_in")),
            (Some(hole), None) => leak::hole(Inches::new(hole), pressure, discharge)?,
            (None, Some(crack)) => leak::crack(SquareInches::new(crack), pressure, discharge)?,
            (None, None) => return Err(Wrong::missing("hole_in", "or give crack_in2")),
        };
        Ok(lost(&leak))
    }
}
