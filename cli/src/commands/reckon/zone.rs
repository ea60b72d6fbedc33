//! The whole chain for one zone.

use serde::Deserialize;

use headwalk_core::water::schedule::{self, DaysBetween};
use headwalk_core::water::units::{
    Fraction, Gallons, Gpm, Inches, InchesPerHour, InchesPerInch, Minutes, OutOfRange, SquareFeet,
};

use super::Formula;
use super::answer::Answer;
use super::minutes::{RESTRICTIONS, in_cycles};
use super::value::Wrong;

/// The whole chain for one zone: from soil and weather to cycles of whole minutes.
///
/// In:  area_sqft, rate_in_h, du_lq; eto_in (a day), coefficient, rain_in (that counts, between two
///      waterings); available_water_in_in, root_depth_in, allowed_depletion (share, 0 to 1);
///      intake_in_h, surface_storage_in; days_between (1 to 60; left out: as long as the allowed
///      depletion lasts); window_minutes, when water may run, a night (left out: a day).
/// Out: total_available_in, allowed_depletion_in, use_per_day_in, longest_interval_days,
///      days_between, net_in, minutes_lower, multiplier, minutes, limit_minutes, cycles,
///      minutes_per_cycle, soak_minutes, whole_cycles, whole_minutes, whole_soak_minutes, gross_in,
///      flow_gpm, gallons, gallons_as_set (null: no whole minute is safe).
///
/// Sources: FAO-56 eq. 82-83; the rest as in runtime and soak.
///
/// Example: headwalk reckon zone --set area_sqft=1500 --set rate_in_h=1.6 --set du_lq=0.62
/// --set eto_in=0.25 --set coefficient=0.8 --set rain_in=0 --set available_water_in_in=0.17
/// --set root_depth_in=6 --set allowed_depletion=0.5 --set intake_in_h=0.35
/// --set surface_storage_in=0.25
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Zone {}

/// Inputs of [`Zone`].
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct In {
    area_sqft: f64,
    rate_in_h: f64,
    du_lq: f64,
    eto_in: f64,
    coefficient: f64,
    rain_in: f64,
    available_water_in_in: f64,
    root_depth_in: f64,
    allowed_depletion: f64,
    intake_in_h: f64,
    surface_storage_in: f64,
    days_between: Option<u32>,
    window_minutes: Option<f64>,
}

impl In {
    fn zone(&self) -> schedule::Zone {
        schedule::Zone {
            area: SquareFeet::new(self.area_sqft),
            rate: InchesPerHour::new(self.rate_in_h),
            du_lq: Fraction::new(self.du_lq),
            eto_per_day: Inches::new(self.eto_in),
            coefficient: Fraction::new(self.coefficient),
            effective_rain: Inches::new(self.rain_in),
            available_water: InchesPerInch::new(self.available_water_in_in),
            root_depth: Inches::new(self.root_depth_in),
            allowed_depletion: Fraction::new(self.allowed_depletion),
            intake: InchesPerHour::new(self.intake_in_h),
            surface_storage: Inches::new(self.surface_storage_in),
            days: self
                .days_between
                .map_or(DaysBetween::ByDepletion, DaysBetween::Fixed),
            window: Minutes::new(self.window_minutes.unwrap_or(24.0 * 60.0)),
        }
    }
}

impl Formula for Zone {
    type In = In;

    fn reckon(given: In) -> Result<Answer, Wrong> {
        let plan = schedule::schedule(&given.zone()).map_err(named)?;
        let longest = plan.longest_interval.map(|days| days.get());
        let as_set = plan.gallons_as_set.map(Gallons::get);
        let inches = Inches::UNIT;
        let answer = Answer::default()
            .number(
                "total_available_in",
                "the root zone holds",
                plan.total_available.get(),
                inches,
            )
            .number(
                "allowed_depletion_in",
                "may be used",
                plan.allowed_depletion.get(),
                inches,
            )
            .number(
                "use_per_day_in",
                "used in a day",
                plan.use_per_day.get(),
                inches,
            )
            .maybe(
                "longest_interval_days",
                "lasts",
                longest,
                "d",
                "for ever: nothing is used",
            )
            .count("days_between", "days between waterings", plan.days_between)
            .number("net_in", "each puts back", plan.net_depth.get(), inches)
            .number(
                "minutes_lower",
                "were the zone even",
                plan.lower.get(),
                Minutes::UNIT,
            )
            .number(
                "multiplier",
                "run-time multiplier",
                plan.multiplier.get(),
                "",
            )
            .number("minutes", "run time", plan.upper.get(), Minutes::UNIT);
        Ok(in_cycles(answer, &plan.cycles)
            .number(
                "gross_in",
                "falls on the zone",
                plan.gross_depth.get(),
                inches,
            )
            .number("flow_gpm", "the zone draws", plan.flow.get(), Gpm::UNIT)
            .number("gallons", "water", plan.gallons.get(), Gallons::UNIT)
            .maybe(
                "gallons_as_set",
                "water as set",
                as_set,
                Gallons::UNIT,
                "none",
            )
            .warnings(distinct(&plan.warnings))
            .caution(RESTRICTIONS))
    }
}

/// A run time that is too long is no input: the rate that makes it so is.
fn named(error: OutOfRange) -> Wrong {
    if error.field == "minutes" {
        let minutes = error.got;
        return Wrong::new(format!(
            "so low that the run time is {minutes:.0} min, above a week"
        ))
        .at("rate_in_h");
    }
    error.into()
}

/// What [`in_cycles`] has warned of already is not said again.
fn distinct(warnings: &[schedule::Warning]) -> impl Iterator<Item = &schedule::Warning> {
    warnings
        .iter()
        .filter(|warning| !matches!(warning, schedule::Warning::RunsOffWithinAMinute))
}
