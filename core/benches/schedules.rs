//! How long 10,000 zones take: the schedule of every week of a year, and the year's daily account of
//! the soil under it, each with all its steps. The floor is the same account as bare arithmetic,
//! without checks, months or reasons.
//!
//! `cargo bench -p headwalk-core --bench schedules`

#![expect(
    clippy::disallowed_methods,
    reason = "a benchmark reads the clock; core itself never does"
)]

use std::hint::black_box;
use std::time::{Duration, Instant};

use chrono::{Days, NaiveDate};

use headwalk_core::water::balance::Ease;
use headwalk_core::water::schedule::{DaysBetween, Zone, schedule};
use headwalk_core::water::season::{Day, Ground, Run, Start, run};
use headwalk_core::water::soak::WholeMinutes;
use headwalk_core::water::units::{
    Fraction, Inches, InchesPerHour, InchesPerInch, Millimetres, Minutes, SquareFeet,
};

const ZONES: usize = 10_000;
const YEAR: usize = 365;

const ROUNDS: usize = 7;

fn main() {
    let (zones, weather) = (zones(), weather());
    let schedules = median(|| weekly_schedules(black_box(&zones), black_box(&weather)));
    let floor = median(|| bare_balance(black_box(&zones), black_box(&weather)));
    let each = |whole: Duration| whole.as_secs_f64() * 1e6 / ZONES as f64;
    println!(
        "{ZONES} zones, a year of weekly schedules and daily balance: {schedules:.2?} ({:.1} us a \
         zone)",
        each(schedules)
    );
    println!(
        "floor, the bare balance of both halves: {floor:.2?} ({:.1} us a zone); {:.1} times it",
        each(floor),
        schedules.as_secs_f64() / floor.as_secs_f64()
    );
}

/// The middle of a few rounds. What `work` reads must come through `black_box`, or the compiler does it
/// once for all rounds.
fn median(work: impl Fn() -> f64) -> Duration {
    let mut rounds: Vec<Duration> = (0..ROUNDS)
        .map(|_| {
            let begun = Instant::now();
            black_box(work());
            begun.elapsed()
        })
        .collect();
    rounds.sort_unstable();
    rounds.get(ROUNDS / 2).copied().unwrap_or_default()
}

/// Lawns that differ: area, rate, evenness, roots.
fn zones() -> Vec<Zone> {
    let zones = (0..ZONES).map(|nth| {
        let of = |many: usize| (nth % many) as f64;
        Zone {
            area: SquareFeet::new(600.0 + 37.0 * of(53)),
            rate: InchesPerHour::new(0.4 + 0.02 * of(61)),
            du_lq: Fraction::new(0.45 + 0.01 * of(37)),
            eto_per_day: Inches::ZERO,
            coefficient: Fraction::new(0.7 + 0.01 * of(31)),
            effective_rain: Inches::ZERO,
            available_water: InchesPerInch::new(0.12 + 0.01 * of(7)),
            root_depth: Inches::new(4.0 + of(5)),
            allowed_depletion: Fraction::new(0.5),
            intake: InchesPerHour::new(0.2 + 0.05 * of(5)),
            surface_storage: Inches::new(0.25),
            days: DaysBetween::ByDepletion,
            window: Minutes::new(480.0),
        }
    });
    zones.collect()
}

/// A year's reference evapotranspiration and rain, mm.
fn weather() -> Vec<(NaiveDate, f64, f64)> {
    let first = NaiveDate::from_ymd_opt(2026, 1, 1).expect("a day");
    let days = (0..YEAR).map(|nth| {
        let turn = (nth as f64 - 196.0) / 365.0 * std::f64::consts::TAU;
        let eto = 3.3 + 2.9 * turn.cos();
        let rain = if nth % 9 == 4 { 11.0 } else { 0.0 };
        (first + Days::new(nth as u64), eto, rain)
    });
    days.collect()
}

fn ground(zone: &Zone) -> Ground {
    let total = zone.available_water.get() * zone.root_depth.get();
    let limit =
        headwalk_core::water::soak::run_off_limit(zone.rate, zone.intake, zone.surface_storage);
    Ground {
        total: Millimetres::from(Inches::new(total)),
        ease: Ease::Adjusted(Fraction::new(0.4)),
        du_lq: zone.du_lq,
        rate: zone.rate,
        intake: zone.intake,
        run_off: limit.expect("a rate, an intake and a storage"),
        flow: headwalk_core::water::precipitation::zone_flow(zone.rate, zone.area)
            .expect("a rate and an area"),
    }
}

/// The runs of a week: as the schedule of the week before's weather says.
fn week(zone: &Zone, before: &[(NaiveDate, f64, f64)]) -> (u32, Run) {
    let inches = |mm: f64| Inches::from(Millimetres::new(mm));
    let days = before.len().max(1) as f64;
    let eto = before.iter().map(|(_, eto, _)| eto).sum::<f64>() / days;
    let rain = before.iter().map(|(.., rain)| rain).sum::<f64>() / days * 0.5;
    let got = schedule(&Zone {
        eto_per_day: inches(eto),
        effective_rain: inches(rain),
        ..*zone
    })
    .expect("a sound zone");
    let run = match got.cycles.whole {
        WholeMinutes::Program {
            cycles, minutes, ..
        } => Run {
            minutes: Minutes::new(f64::from(cycles * minutes)),
            cycle: Minutes::new(f64::from(minutes)),
        },
        WholeMinutes::RunsOffWithinAMinute => Run::OFF,
    };
    (got.days_between, run)
}

/// The gallons of all zones, each set anew every week.
fn weekly_schedules(zones: &[Zone], weather: &[(NaiveDate, f64, f64)]) -> f64 {
    let mut gallons = 0.0;
    for zone in zones {
        let mut days = Vec::with_capacity(YEAR);
        let mut setting = (1, Run::OFF);
        for (nth, (date, eto, rain)) in weather.iter().enumerate() {
            if nth.is_multiple_of(7) && nth > 0 {
                setting = week(zone, weather.get(nth - 7..nth).unwrap_or(&[]));
            }
            let (every, run) = setting;
            days.push(Day {
                date: *date,
                eto: Millimetres::new(*eto),
                coefficient: zone.coefficient,
                rain: Millimetres::new(*rain),
                run: if (nth as u32).is_multiple_of(every) {
                    run
                } else {
                    Run::OFF
                },
            });
        }
        gallons += run_year(&ground(zone), &days);
    }
    gallons
}

fn run_year(ground: &Ground, days: &[Day]) -> f64 {
    run(ground, Start::FULL, days)
        .expect("sound days")
        .total
        .gallons
        .get()
}

/// The floor: both halves of each zone, day by day, as plain numbers.
fn bare_balance(zones: &[Zone], weather: &[(NaiveDate, f64, f64)]) -> f64 {
    let mut drained = 0.0;
    for zone in zones {
        let total = zone.available_water.get() * zone.root_depth.get() * 25.4;
        let drier = 0.4 + 0.6 * zone.du_lq.get();
        for share in [drier, 2.0 - drier] {
            let mut depletion = 0.0f64;
            for (nth, (_, eto, rain)) in weather.iter().enumerate() {
                let use_mm = eto * zone.coefficient.get();
                let applied = if nth.is_multiple_of(2) {
                    2.0 * use_mm * share
                } else {
                    0.0
                };
                let after = depletion - rain - applied;
                drained += (-after).max(0.0);
                let found = after.max(0.0);
                let easy = total * (0.4 + 0.04 * (5.0 - use_mm)).clamp(0.1, 0.8);
                let stress = if found <= easy {
                    1.0
                } else {
                    (total - found) / (total - easy)
                };
                depletion = (found + stress * use_mm).min(total);
            }
        }
    }
    drained
}
