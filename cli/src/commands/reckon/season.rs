//! A season of one zone under a setting.

use chrono::NaiveDate;
use serde::Deserialize;
use serde_json::json;

use headwalk_core::water::balance::Ease;
use headwalk_core::water::season::{self, Day, Ground, Run, Start, Sum};
use headwalk_core::water::soak::RunOffLimit;
use headwalk_core::water::units::{Fraction, Gallons, Gpm, InchesPerHour, Millimetres, Minutes};

use super::Formula;
use super::answer::Answer;
use super::value::Wrong;

/// A season of one zone: stress, drainage, run-off and gallons of any setting, day by day.
///
/// In:  total_mm, what the root zone holds for plants; depletion_fraction, p, for 5 mm a day (each
///      day's use moves it); du_lq; rate_in_h; intake_in_h; run_off_minutes, how long a cycle may
///      be (left out: no limit); flow_gpm; days, a list of {date, eto_mm, coefficient, rain_mm,
///      minutes, cycle_minutes}; minutes are the day's, run early in it, 0 where left out, and in
///      one cycle where cycle_minutes is left out.
/// Out: days_counted, stress_days, need_mm, short_mm (of the drier half), drained_mm, run_off_mm,
///      applied_mm, counted_rain_mm, gallons; months, a list of the same by year and month.
///
/// Source: FAO-56 chapter 8 for each half of the zone; the drier half gets 0.4 + 0.6 DU of the
/// mean depth, the relation behind the run-time multiplier.
///
/// Example: headwalk reckon season --set total_mm=26 --set depletion_fraction=0.4 --set du_lq=0.6
/// --set rate_in_h=1.6 --set intake_in_h=0.35 --set run_off_minutes=14.4 --set flow_gpm=22.5
/// --set days='[{"date":"2026-07-14","eto_mm":6,"coefficient":0.94,"minutes":10}]'
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Season {}

/// Inputs of [`Season`].
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct In {
    total_mm: f64,
    depletion_fraction: f64,
    du_lq: f64,
    rate_in_h: f64,
    intake_in_h: f64,
    run_off_minutes: Option<f64>,
    flow_gpm: f64,
    days: Vec<DayIn>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct DayIn {
    date: String,
    eto_mm: f64,
    coefficient: f64,
    #[serde(default)]
    rain_mm: f64,
    #[serde(default)]
    minutes: f64,
    cycle_minutes: Option<f64>,
}

impl Formula for Season {
    type In = In;

    fn reckon(given: In) -> Result<Answer, Wrong> {
        if given.days.is_empty() {
            return Err(Wrong::new("a list of at least one day is needed").at("days"));
        }
        let ground = Ground {
            total: Millimetres::new(given.total_mm),
            ease: Ease::Adjusted(Fraction::new(given.depletion_fraction)),
            du_lq: Fraction::new(given.du_lq),
            rate: InchesPerHour::new(given.rate_in_h),
            intake: InchesPerHour::new(given.intake_in_h),
            run_off: match given.run_off_minutes {
                None => RunOffLimit::None,
                Some(minutes) => RunOffLimit::After(Minutes::new(minutes)),
            },
            flow: Gpm::new(given.flow_gpm),
        };
        let days: Vec<Day> = given
            .days
            .iter()
            .map(DayIn::day)
            .collect::<Result<_, _>>()?;
        let season = season::run(&ground, Start::FULL, &days)?;
        let months = season.months.iter();
        let objects = months.clone().map(|((year, month), sum)| {
            let mut object = object(sum);
            object["month"] = json!(format!("{year}-{month:02}"));
            object
        });
        let lines = months.map(|((year, month), sum)| {
            format!(
                "{year}-{month:02}  {} stress days, short {:.1}, drained {:.1}, applied {:.1}",
                sum.stress_days, sum.short, sum.drainage, sum.applied
            )
        });
        let (objects, lines) = (objects.collect(), lines.collect());
        let total = season.total;
        let depth = |answer: Answer, name, words, depth: Millimetres| {
            answer.number(name, words, depth.get(), Millimetres::UNIT)
        };
        let answer = Answer::default()
            .count("days_counted", "days", total.days)
            .count("stress_days", "days short of water", total.stress_days);
        let answer = depth(answer, "need_mm", "need", total.need);
        let answer = depth(answer, "short_mm", "short, in the drier half", total.short);
        let answer = depth(answer, "drained_mm", "drained", total.drainage);
        let answer = depth(answer, "run_off_mm", "irrigation run off", total.run_off);
        let answer = depth(answer, "applied_mm", "irrigation", total.applied);
        let answer = depth(answer, "counted_rain_mm", "rain that counts", total.rain);
        Ok(answer
            .number("gallons", "water", total.gallons.get(), Gallons::UNIT)
            .lines("months", "by month", objects, lines))
    }
}

impl DayIn {
    fn day(&self) -> Result<Day, Wrong> {
        let date: NaiveDate = self.date.parse().map_err(|_| {
            Wrong::new(format!("`{}` is not a date", self.date))
                .hint("write it like 2026-07-14.")
                .at("date")
        })?;
        Ok(Day {
            date,
            eto: Millimetres::new(self.eto_mm),
            coefficient: Fraction::new(self.coefficient),
            rain: Millimetres::new(self.rain_mm),
            run: Run {
                minutes: Minutes::new(self.minutes),
                cycle: Minutes::new(self.cycle_minutes.unwrap_or(self.minutes)),
            },
        })
    }
}

fn object(sum: &Sum) -> serde_json::Value {
    json!({
        "days_counted": sum.days,
        "stress_days": sum.stress_days,
        "need_mm": sum.need.get(),
        "short_mm": sum.short.get(),
        "drained_mm": sum.drainage.get(),
        "run_off_mm": sum.run_off.get(),
        "applied_mm": sum.applied.get(),
        "counted_rain_mm": sum.rain.get(),
        "gallons": sum.gallons.get(),
    })
}
