//! The soil's account of water, day by day.

use serde::Deserialize;
use serde_json::json;

use headwalk_core::water::balance::{self, Account, Day, Ease, Order, RootZone};
use headwalk_core::water::units::{Fraction, Millimetres};

use super::Formula;
use super::answer::Answer;
use super::value::Wrong;

/// Water in a root zone, day by day: what plants take, what drains, how dry it gets.
///
/// In:  total_mm, what the root zone holds for plants; depletion_mm at the start, 0 is full;
///      depletion_fraction, p; ease: fixed (default) or adjusted, p moved by each day's use;
///      order: early (default), water comes before plants drink, or lump, the day as a whole;
///      days, a list of {full_use_mm, rain_mm, irrigation_mm, run_off_mm}, all but the first 0
///      where left out. full_use_mm is coefficient x ETo.
/// Out: depletion_mm at the end, used_mm, drainage_mm, stress_days; days, a list of {depletion_mm,
///      used_mm, drainage_mm, stress, depletion_fraction}; a stress of 1 is none.
///
/// Source: FAO-56 (1998) chapter 8, eq. 82-88; table 22 note 2.
///
/// Example: headwalk reckon balance --set total_mm=160 --set depletion_mm=55
/// --set depletion_fraction=0.4 --set days='[{"full_use_mm":6},{"full_use_mm":6,"rain_mm":20}]'
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Balance {}

/// Inputs of [`Balance`].
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct In {
    total_mm: f64,
    depletion_mm: f64,
    depletion_fraction: f64,
    #[serde(default)]
    ease: EaseWord,
    #[serde(default)]
    order: OrderWord,
    days: Vec<DayIn>,
}

#[derive(Debug, Clone, Copy, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum EaseWord {
    #[default]
    Fixed,
    Adjusted,
}

#[derive(Debug, Clone, Copy, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum OrderWord {
    #[default]
    Early,
    Lump,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct DayIn {
    full_use_mm: f64,
    #[serde(default)]
    rain_mm: f64,
    #[serde(default)]
    irrigation_mm: f64,
    #[serde(default)]
    run_off_mm: f64,
}

impl Formula for Balance {
    type In = In;

    fn reckon(given: In) -> Result<Answer, Wrong> {
        if given.days.is_empty() {
            return Err(Wrong::new("a list of at least one day is needed").at("days"));
        }
        let share = Fraction::new(given.depletion_fraction);
        let zone = RootZone {
            total: Millimetres::new(given.total_mm),
            ease: match given.ease {
                EaseWord::Fixed => Ease::Fixed(share),
                EaseWord::Adjusted => Ease::Adjusted(share),
            },
        };
        let order = match given.order {
            OrderWord::Early => Order::EarlyInTheDay,
            OrderWord::Lump => Order::Lump,
        };
        let days: Vec<Day> = given.days.iter().map(DayIn::day).collect();
        let start = Millimetres::new(given.depletion_mm);
        let account = balance::run(zone, start, &days, order)?;
        let (depletion, used) = (account.depletion.get(), account.used.get());
        let objects = account.days.iter().map(object).collect();
        let lines = (1..).zip(&account.days).map(line).collect();
        Ok(Answer::default()
            .number(
                "depletion_mm",
                "depletion at the end",
                depletion,
                Millimetres::UNIT,
            )
            .number("used_mm", "used by plants", used, Millimetres::UNIT)
            .number(
                "drainage_mm",
                "drained",
                account.drainage.get(),
                Millimetres::UNIT,
            )
            .count(
                "stress_days",
                "days short of water",
                account.stress_days as u64,
            )
            .lines("days", "day by day", objects, lines))
    }
}

impl DayIn {
    fn day(&self) -> Day {
        Day {
            rain: Millimetres::new(self.rain_mm),
            run_off: Millimetres::new(self.run_off_mm),
            irrigation: Millimetres::new(self.irrigation_mm),
            full_use: Millimetres::new(self.full_use_mm),
        }
    }
}

fn object(day: &Account) -> serde_json::Value {
    json!({
        "depletion_mm": day.depletion.get(),
        "used_mm": day.used.get(),
        "drainage_mm": day.drainage.get(),
        "stress": day.stress.get(),
        "depletion_fraction": day.ease.get(),
    })
}

fn line((number, day): (usize, &Account)) -> String {
    let (depletion, used, drained) = (day.depletion, day.used, day.drainage);
    let stress = day.stress.get();
    format!(
        "{number:>3}  depletion {depletion:.1}, used {used:.1}, drained {drained:.1}, stress \
         {stress:.2}"
    )
}
