use proptest::prelude::*;

use super::*;
use crate::water::tables::close;
use crate::water::units::Percent;

fn lawn() -> Ground {
    Ground {
        total: Millimetres::new(26.0),
        ease: Ease::Fixed(Fraction::new(0.5)),
        du_lq: Fraction::new(0.6),
        rate: InchesPerHour::new(1.6),
        intake: InchesPerHour::new(0.35),
        run_off: RunOffLimit::After(Minutes::new(14.4)),
        flow: Gpm::new(22.5),
    }
}

/// So many days from a date on, each alike.
fn days(from: &str, count: u64, eto: f64, rain: f64, run: Run) -> Vec<Day> {
    let from: NaiveDate = from.parse().unwrap();
    let days = (0..count).map(|nth| Day {
        date: from + chrono::Days::new(nth),
        eto: Millimetres::new(eto),
        coefficient: Fraction::new(1.0),
        rain: Millimetres::new(rain),
        run,
    });
    days.collect()
}

fn minutes(minutes: f64, cycle: f64) -> Run {
    Run {
        minutes: Minutes::new(minutes),
        cycle: Minutes::new(cycle),
    }
}

#[test]
fn minutes_with_the_multiplier_just_keep_the_drier_half_from_stress() {
    // 6 mm a day at 1.6 in/h with DU 0.60: x 1 / (0.4 + 0.6 x 0.6).
    let needed = 60.0 * 6.0 / 25.4 / 1.6 / 0.76;
    let kept = run(
        &lawn(),
        Start::FULL,
        &days("2026-07-01", 31, 6.0, 0.0, minutes(needed, needed / 2.0)),
    );
    let kept = kept.unwrap();
    assert_eq!(kept.total.stress_days, 0);
    close("short", kept.total.short.get(), 0.0, 1e-9);
    // The average is 1 / 0.76 of the need and the rest drains; so does the first night's water on
    // full soil, of which the first day's use is not put back before the end.
    let over = 31.0 * 6.0 * (1.0 / 0.76 - 1.0) + 6.0;
    close("drainage", kept.total.drainage.get(), over, 1e-9);
    close(
        "gallons",
        kept.total.gallons.get(),
        22.5 * needed * 31.0,
        1e-6,
    );
    let less = run(
        &lawn(),
        Start::FULL,
        &days(
            "2026-07-01",
            31,
            6.0,
            0.0,
            minutes(needed * 0.8, needed * 0.4),
        ),
    );
    assert!(less.unwrap().total.stress_days > 15);
}

#[test]
fn the_drier_half_s_account_is_the_balance_s_own() {
    let days = days("2026-07-01", 20, 5.0, 0.0, minutes(6.0, 6.0));
    let got = run(&lawn(), Start::FULL, &days).unwrap();
    let applied = 1.6 * 6.0 / 60.0 * 25.4;
    let alone: Vec<balance::Day> = days
        .iter()
        .map(|_| balance::Day {
            rain: Millimetres::ZERO,
            run_off: Millimetres::ZERO,
            irrigation: Millimetres::new(applied * 0.76),
            full_use: Millimetres::new(5.0),
        })
        .collect();
    let zone = RootZone {
        total: lawn().total,
        ease: lawn().ease,
    };
    let alone = balance::run(zone, Millimetres::ZERO, &alone, Order::EarlyInTheDay).unwrap();
    assert_eq!(alone.stress_days, got.total.stress_days as usize);
    close("end", got.end.drier.get(), alone.depletion.get(), 1e-9);
    let short = 20.0 * 5.0 - alone.used.get();
    close("short", got.total.short.get(), short, 1e-9);
}

#[test]
fn what_falls_past_the_run_off_limit_runs_off() {
    // 20 min at once: (1.6 - 0.35) in/h for the 5.6 min past 14.4.
    let at_once = run(
        &lawn(),
        Start::FULL,
        &days("2026-07-01", 1, 6.0, 0.0, minutes(20.0, 20.0)),
    );
    let expected = 1.25 * 5.6 / 60.0 * 25.4;
    close(
        "run-off",
        at_once.unwrap().total.run_off.get(),
        expected,
        1e-9,
    );
    let split = run(
        &lawn(),
        Start::FULL,
        &days("2026-07-01", 1, 6.0, 0.0, minutes(20.0, 10.0)),
    );
    close("split", split.unwrap().total.run_off.get(), 0.0, 1e-12);
}

#[test]
fn months_add_up_and_the_29_of_february_is_one_of_them() {
    let got = run(
        &lawn(),
        Start::FULL,
        &days("2028-02-01", 60, 2.0, 1.0, Run::OFF),
    );
    let got = got.unwrap();
    assert_eq!(got.months[&(2028, 2)].days, 29);
    assert_eq!(got.months.values().copied().sum::<Sum>(), got.total);
}

#[test]
fn the_dial_follows_the_months_and_says_when_it_ends_too_low() {
    let in_july = 60.0 * 6.0 / 25.4 / 1.6 / 0.76;
    let mut year = days("2026-05-01", 31, 3.0, 0.0, minutes(in_july, in_july / 2.0));
    year.extend(days(
        "2026-06-01",
        30,
        4.5,
        0.0,
        minutes(in_july, in_july / 2.0),
    ));
    year.extend(days(
        "2026-07-01",
        31,
        6.0,
        0.0,
        minutes(in_july, in_july / 2.0),
    ));
    let zone = Dialled {
        ground: lawn(),
        days: year.clone(),
    };
    let best = best_percents(&[zone], Fraction::new(0.02)).unwrap();
    let places: Vec<(u32, f64)> = best
        .iter()
        .map(|best| (best.month, best.percent.get()))
        .collect();
    // May: the soil gives up 13 of its 93 mm, so 43 of July's 186 percent; June: 4.5 of 6 mm;
    // July: 2 % may be short, which a dial with steps of 5 reaches below 100.
    assert_eq!(places, [(5, 45.0), (6, 75.0), (7, 95.0)]);
    assert!(best.iter().all(|best| !best.too_little));
    for day in &mut year {
        day.run = minutes(1.0, 1.0);
    }
    let zone = Dialled {
        ground: lawn(),
        days: year,
    };
    let best = best_percents(&[zone], Fraction::new(0.02)).unwrap();
    assert_eq!(best[2].percent, Percent::new(200.0));
    assert!(best[2].too_little);
}

#[test]
fn what_cannot_be_is_refused_by_name() {
    let field = |ground: Ground, day: Day| run(&ground, Start::FULL, &[day]).unwrap_err().field;
    let day = days("2026-07-01", 1, 6.0, 0.0, Run::OFF)[0];
    let rate = InchesPerHour::ZERO;
    assert_eq!(field(Ground { rate, ..lawn() }, day), "rate_in_h");
    let total = Millimetres::ZERO;
    assert_eq!(field(Ground { total, ..lawn() }, day), "total_mm");
    let long = Day {
        run: minutes(1_500.0, 10.0),
        ..day
    };
    assert_eq!(field(lawn(), long), "minutes");
    let nan = Day {
        eto: Millimetres::new(f64::NAN),
        ..day
    };
    assert!(run(&lawn(), Start::FULL, &[nan]).is_err());
}

proptest! {
    #[test]
    fn a_season_s_account_closes_and_more_rain_never_means_more_stress(
        weather in proptest::collection::vec((0.0..9.0f64, 0.0..20.0f64, 0.0..60.0f64), 1..120),
        du in 0.1..=1.0f64, more in 0.0..15.0f64,
    ) {
        let ground = Ground { du_lq: Fraction::new(du), ..lawn() };
        let mut days: Vec<Day> = days("2027-12-01", weather.len() as u64, 0.0, 0.0, Run::OFF);
        for (day, (eto, rain, run)) in days.iter_mut().zip(&weather) {
            day.eto = Millimetres::new(*eto);
            day.rain = Millimetres::new(*rain);
            day.run = minutes(*run, *run / 2.0);
        }
        let got = run(&ground, Start::FULL, &days).unwrap();
        // Start full: what came in, less what drained and ran off, less what both halves used,
        // is what they are short of full.
        let drier_used = got.total.need - got.total.short;
        prop_assert!(got.total.short.get() >= -1e-9);
        prop_assert!(drier_used.get() >= -1e-9);
        for end in [got.end.drier, got.end.wetter] {
            prop_assert!((0.0..=26.0).contains(&end.get()));
        }
        for day in &mut days {
            day.rain = day.rain + Millimetres::new(more);
        }
        let wetter = run(&ground, Start::FULL, &days).unwrap();
        prop_assert!(wetter.total.short.get() <= got.total.short.get() + 1e-9);
    }
}
