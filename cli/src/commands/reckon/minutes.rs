//! From need to minutes, and from minutes to what a soil can take.

use serde::Deserialize;

use headwalk_core::water::runtime;
use headwalk_core::water::soak::{self, Cycles, RunOffLimit, WholeMinutes};
use headwalk_core::water::soil::{self, Slope, Texture};
use headwalk_core::water::units::{Fraction, Inches, InchesPerHour, Minutes, Percent};

use super::Formula;
use super::answer::Answer;
use super::value::Wrong;

/// Run time that makes up what a planting is short of.
///
/// In:  eto_in, reference evapotranspiration of the period; coefficient, the planting's share;
///      rain_in, the rain that counts; rate_in_h, precipitation rate; du_lq, uniformity, 0 to 1.
/// Out: need_in; minutes, with the multiplier (the time to set); minutes_lower, without it;
///      multiplier, 1 / (0.4 + 0.6 DU).
///
/// Source: after Mecham (2010), ASABE IRR10-10040.
///
/// Example: headwalk reckon runtime --set eto_in=1.5 --set coefficient=0.94 --set rain_in=0.4
/// --set rate_in_h=1.6 --set du_lq=0.6
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Runtime {}

/// Inputs of [`Runtime`].
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RuntimeIn {
    eto_in: f64,
    coefficient: f64,
    rain_in: f64,
    rate_in_h: f64,
    du_lq: f64,
}

impl Formula for Runtime {
    type In = RuntimeIn;

    fn reckon(given: RuntimeIn) -> Result<Answer, Wrong> {
        let need = runtime::need(
            Inches::new(given.eto_in),
            Fraction::new(given.coefficient),
            Inches::new(given.rain_in),
        )?;
        let time = runtime::run_time(
            need,
            InchesPerHour::new(given.rate_in_h),
            Fraction::new(given.du_lq),
        )?;
        Ok(Answer::default()
            .number("need_in", "need", time.need.get(), Inches::UNIT)
            .number(
                "minutes",
                "run time to set",
                time.upper.get(),
                Minutes::UNIT,
            )
            .number(
                "minutes_lower",
                "were the zone even",
                time.lower.get(),
                Minutes::UNIT,
            )
            .number(
                "multiplier",
                "run-time multiplier",
                time.multiplier.get(),
                "",
            )
            .caution(RESTRICTIONS))
    }
}

/// A month's setting of a controller's seasonal adjustment.
///
/// In:  need_in, the month's need; peak_need_in, that of the month the minutes are set for.
/// Out: percent.
///
/// Source: ratio of the two needs.
///
/// Example: headwalk reckon seasonal --set need_in=0.21 --set peak_need_in=0.30
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Seasonal {}

/// Inputs of [`Seasonal`].
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SeasonalIn {
    need_in: f64,
    peak_need_in: f64,
}

impl Formula for Seasonal {
    type In = SeasonalIn;

    fn reckon(given: SeasonalIn) -> Result<Answer, Wrong> {
        let (need, peak) = (Inches::new(given.need_in), Inches::new(given.peak_need_in));
        let percent = runtime::seasonal_percent(need, peak)?;
        Ok(Answer::default()
            .number("percent", "seasonal setting", percent.get(), Percent::UNIT)
            .caution(RESTRICTIONS))
    }
}

/// What wins over any computed time.
pub const RESTRICTIONS: &str =
    "Local watering days, hours and drought stages win over computed times.";

/// A run time in cycles that do not run off, with the soak between them.
///
/// In:  minutes, the run time; rate_in_h; soil, a texture such as "clay loam"; slope_pct;
///      intake_in_h and surface_storage_in, measured, in place of the soil's published figures
///      (soil and slope_pct can be left out where both are given).
/// Out: cycles, minutes_per_cycle and soak_minutes, exact; whole_cycles, whole_minutes and
///      whole_soak_minutes, as a controller takes them; limit_minutes before run-off (null: none);
///      intake_in_h, surface_storage_in.
///
/// Source: longest cycle = 60 x storage / (rate - intake); the soak drains what stands.
///
/// Example: headwalk reckon soak --set minutes=19.43 --set rate_in_h=1.6 --set soil=loam
/// --set slope_pct=5
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Soak {}

/// Inputs of [`Soak`].
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SoakIn {
    minutes: f64,
    rate_in_h: f64,
    soil: Option<String>,
    slope_pct: Option<f64>,
    intake_in_h: Option<f64>,
    surface_storage_in: Option<f64>,
}

impl Formula for Soak {
    type In = SoakIn;

    fn reckon(given: SoakIn) -> Result<Answer, Wrong> {
        let (intake, storage) = given.ground()?;
        let rate = InchesPerHour::new(given.rate_in_h);
        let split = soak::cycles(Minutes::new(given.minutes), rate, intake, storage)?;
        Ok(in_cycles(Answer::default(), &split)
            .number(
                "intake_in_h",
                "intake of the soil",
                intake.get(),
                InchesPerHour::UNIT,
            )
            .number(
                "surface_storage_in",
                "can stand on it",
                storage.get(),
                Inches::UNIT,
            ))
    }
}

impl SoakIn {
    fn ground(&self) -> Result<(InchesPerHour, Inches), Wrong> {
        let texture = self.soil.as_deref().map(texture).transpose()?;
        let slope = self.slope_pct.map(|slope| Slope::of(Percent::new(slope)));
        let slope = slope.transpose()?;
        let measured = (
            self.intake_in_h.map(InchesPerHour::new),
            self.surface_storage_in.map(Inches::new),
        );
        if let (Some(intake), Some(storage)) = measured {
            return Ok((intake, storage));
        }
        let why = "or give both intake_in_h and surface_storage_in";
        let texture = texture.ok_or_else(|| Wrong::missing("soil", why))?;
        let slope = slope.ok_or_else(|| Wrong::missing("slope_pct", why))?;
        let facts = soil::facts(texture, slope);
        Ok((
            measured.0.unwrap_or(facts.intake),
            measured.1.unwrap_or(facts.surface_storage),
        ))
    }
}

fn texture(name: &str) -> Result<Texture, Wrong> {
    Texture::named(name).ok_or_else(|| {
        let known: Vec<_> = Texture::ALL.into_iter().map(Texture::name).collect();
        Wrong::new(format!("`{name}` is no soil texture known here"))
            .hint(format!("it is one of: {}.", known.join(", ")))
            .at("soil")
    })
}

/// Adds a run time in cycles: how long one may be, exactly, and as a controller takes them.
pub fn in_cycles(answer: Answer, split: &Cycles) -> Answer {
    let answer = limit(answer, split.limit)
        .count("cycles", "cycles", split.cycles)
        .number(
            "minutes_per_cycle",
            "each",
            split.minutes_per_cycle.get(),
            Minutes::UNIT,
        )
        .number(
            "soak_minutes",
            "soak between",
            split.soak.get(),
            Minutes::UNIT,
        );
    whole(answer, split.whole)
}

fn limit(answer: Answer, limit: RunOffLimit) -> Answer {
    let longest = match limit {
        RunOffLimit::None => None,
        RunOffLimit::After(longest) => Some(longest.get()),
    };
    let none = "none: the soil takes water as fast as it falls";
    answer.maybe(
        "limit_minutes",
        "runs off after",
        longest,
        Minutes::UNIT,
        none,
    )
}

fn whole(answer: Answer, whole: WholeMinutes) -> Answer {
    let (set, warning) = match whole {
        WholeMinutes::Program {
            cycles,
            minutes,
            soak,
        } => (Some((cycles, minutes, soak)), None),
        WholeMinutes::RunsOffWithinAMinute => {
            let words = "water runs off within a minute: use nozzles of a lower rate, or drip";
            (None, Some(words))
        }
    };
    let (cycles, minutes) = (set.map(|set| set.0), set.map(|set| set.1));
    let soak = set.map(|set| set.2);
    let none = "no whole minute is safe";
    answer
        .maybe_count("whole_cycles", "to set: cycles", cycles, "", none)
        .maybe_count(
            "whole_minutes",
            "to set: each",
            minutes,
            Minutes::UNIT,
            none,
        )
        .maybe_count(
            "whole_soak_minutes",
            "to set: soak",
            soak,
            Minutes::UNIT,
            none,
        )
        .warnings(warning)
}
