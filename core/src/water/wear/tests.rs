use proptest::prelude::*;

use super::*;
use crate::water::tables::{close, rows};

fn life(age: f64, end: End) -> Life {
    Life::whole(Years::new(age), end)
}

fn sample(failed: &[f64], working: &[f64]) -> Vec<Life> {
    let failed = failed.iter().map(|age| life(*age, End::Failed));
    failed
        .chain(working.iter().map(|age| life(*age, End::Working)))
        .collect()
}

#[test]
fn samples_match_the_published_fits() {
    for row in rows("lifetimes.csv") {
        let got = lifetimes(&sample(&row.list("failed"), &row.list("working"))).unwrap();
        let law = got.weibull.unwrap();
        row.close("shape", law.shape.get());
        row.close("scale", law.scale.get());
        row.close("log_likelihood", law.log_likelihood);
        row.close("mean", law.mean().unwrap().get());
        row.close("median", law.median().get());
        row.close("b10", law.b10().get());
        row.close("shape_low", law.shape_interval.low.get());
        row.close("shape_high", law.shape_interval.high.get());
        row.close("scale_low", law.scale_interval.low.get());
        row.close("scale_high", law.scale_interval.high.get());
    }
}

#[test]
fn fits_and_survival_agree_with_lifelines() {
    let samples = rows("lifetimes_lifelines.csv");
    assert!(samples.len() > 50, "only {} samples", samples.len());
    let mut furthest = 0f64;
    for row in &samples {
        let got = lifetimes(&sample(&row.list("failed"), &row.list("working"))).unwrap();
        let law = got.weibull.unwrap();
        for (column, value, relative) in [
            ("shape", law.shape.get(), 1e-4),
            ("scale", law.scale.get(), 1e-4),
            ("log_likelihood", law.log_likelihood, 1e-7),
        ] {
            let expected = row.get(column);
            close(
                &format!("{} {column}", row.text("id")),
                value,
                expected,
                relative * expected.abs(),
            );
            furthest = furthest.max((value / expected - 1.0).abs());
        }
        let survival = row.list("survival");
        assert_eq!(got.survival.len(), survival.len(), "{}", row.text("id"));
        for (step, expected) in got.survival.iter().zip(survival) {
            close(row.text("id"), step.survival.get(), expected, 5e-9);
        }
    }
    println!(
        "lifetimes: {} samples, furthest {furthest:.2e} relative",
        samples.len()
    );
}

#[test]
fn survival_steps_match_the_published_ones() {
    let samples = rows("lifetimes.csv");
    for (id, steps) in [("V-01", 7), ("V-03", 10)] {
        let row = samples.iter().find(|row| row.text("id") == id).unwrap();
        let got = lifetimes(&sample(&row.list("failed"), &row.list("working"))).unwrap();
        let expected: Vec<_> = rows("lifetimes_survival.csv")
            .into_iter()
            .filter(|row| row.text("sample") == id)
            .collect();
        assert_eq!((got.survival.len(), expected.len()), (steps, steps));
        for (step, row) in got.survival.iter().zip(&expected) {
            row.close("age", step.age.get());
            assert_eq!(
                step.at_risk,
                row.count("at_risk") as usize,
                "{}",
                row.text("id")
            );
            row.close("survival", step.survival.get());
            row.close("standard_error", step.standard_error.unwrap().get());
        }
    }
}

#[test]
fn old_valves_fail_more_often_than_young_ones() {
    let row = &rows("lifetimes.csv")[1];
    assert_eq!(row.text("id"), "V-03");
    let law = lifetimes(&sample(&row.list("failed"), &row.list("working")))
        .unwrap()
        .weibull;
    let law = law.unwrap();
    close(
        "V-03 h(20)",
        law.hazard_per_year(Years::new(20.0)),
        0.218487,
        5e-7,
    );
    let next_year = law.failure_between(Years::new(20.0), Years::new(21.0));
    close("V-03 20 to 21", next_year.get(), 0.214972, 5e-7);
    assert!(law.hazard_per_year(Years::new(10.0)) < law.hazard_per_year(Years::new(20.0)));
}

#[test]
fn without_a_failure_no_life_is_invented() {
    let got = lifetimes(&sample(&[], &[10.0, 12.0, 20.5])).unwrap();
    assert_eq!(
        got.weibull,
        Err(NoFit::NoFailures {
            service: Years::new(42.5)
        })
    );
    assert_eq!(
        got.weibull.unwrap_err().to_string(),
        "no failures in 42.5 years of service"
    );
    assert_eq!(got.survival, []);
}

#[test]
fn failures_all_at_the_greatest_age_fit_no_law() {
    let got = lifetimes(&sample(&[20.0, 20.0], &[10.0])).unwrap();
    assert_eq!(got.weibull, Err(NoFit::NoSpread));
    let one = lifetimes(&sample(&[20.0], &[])).unwrap();
    assert_eq!(one.weibull, Err(NoFit::NoSpread));
    assert_eq!(one.survival[0].survival, Fraction::ZERO);
    assert_eq!(one.survival[0].standard_error, None);
}

#[test]
fn what_cannot_be_is_refused_by_name() {
    assert_eq!(lifetimes(&[]).unwrap_err().field, "lives");
    assert_eq!(lifetimes(&sample(&[0.0], &[])).unwrap_err().field, "years");
    assert_eq!(lifetimes(&sample(&[], &[-1.0])).unwrap_err().field, "years");
}

#[test]
fn lives_seen_only_from_an_age_on_agree_with_lifelines() {
    let samples = rows("lifetimes_entered.csv");
    assert!(samples.len() >= 20, "only {} samples", samples.len());
    let mut furthest = 0f64;
    for row in &samples {
        let id = row.text("id");
        let lives: Vec<Life> = row
            .list("ages")
            .into_iter()
            .zip(row.list("failed"))
            .zip(row.list("entered"))
            .map(|((age, failed), entered)| Life {
                entered: Years::new(entered),
                ..life(
                    age,
                    if failed > 0.0 {
                        End::Failed
                    } else {
                        End::Working
                    },
                )
            })
            .collect();
        let got = lifetimes(&lives).unwrap();
        let law = got.weibull.unwrap();
        for (column, value) in [
            ("shape", law.shape.get()),
            ("scale", law.scale.get()),
            ("log_likelihood", law.log_likelihood),
        ] {
            let expected = row.get(column);
            close(
                &format!("{id} {column}"),
                value,
                expected,
                2e-4 * expected.abs(),
            );
            furthest = furthest.max((value / expected - 1.0).abs());
        }
        let survival = row.list("survival");
        assert_eq!(got.survival.len(), survival.len(), "{id}");
        for (step, expected) in got.survival.iter().zip(survival) {
            close(id, step.survival.get(), expected, 5e-9);
        }
    }
    println!(
        "entered lives: {} samples, furthest {furthest:.2e} relative",
        samples.len()
    );
}

#[test]
fn bounds_of_survival_agree_with_lifelines_and_fits_with_reliability() {
    let (mut bounds, mut fits) = (0f64, 0f64);
    for row in rows("lifetimes_bounds.csv") {
        let id = row.text("id");
        let got = lifetimes(&sample(&row.list("failed"), &row.list("working"))).unwrap();
        let (low, high) = (row.list("low"), row.list("high"));
        assert_eq!(got.survival.len(), low.len(), "{id}");
        for ((step, low), high) in got.survival.iter().zip(low).zip(high) {
            let Some(interval) = step.interval else {
                assert_eq!(step.survival, Fraction::ZERO, "{id}");
                continue;
            };
            close(id, interval.low.get(), low, 1e-6);
            close(id, interval.high.get(), high, 1e-6);
            bounds = bounds.max((interval.low.get() - low).abs());
            assert!(interval.low < step.survival && step.survival < interval.high);
        }
        let law = got.weibull.unwrap();
        for (column, value) in [
            ("reliability_shape", law.shape.get()),
            ("reliability_scale", law.scale.get()),
        ] {
            let expected = row.get(column);
            close(&format!("{id} {column}"), value, expected, 1e-3 * expected);
            fits = fits.max((value / expected - 1.0).abs());
        }
    }
    println!("bounds: furthest {bounds:.1e}; reliability's fits: furthest {fits:.1e} relative");
}

#[test]
fn a_life_cannot_fail_before_it_is_watched() {
    let early = Life {
        entered: Years::new(12.0),
        ..life(12.0, End::Failed)
    };
    assert_eq!(lifetimes(&[early]).unwrap_err().field, "entered_years");
}

fn samples() -> impl Strategy<Value = (Vec<f64>, Vec<f64>)> {
    let ages = |count| proptest::collection::vec(1.0..40.0f64, count);
    (ages(2..20), ages(0..20))
}

proptest! {
    #[test]
    fn a_longer_year_stretches_the_scale_and_keeps_the_shape(
        (failed, working) in samples(), factor in 0.5..4.0f64,
    ) {
        let fit = |factor: f64| {
            let stretch = |ages: &[f64]| ages.iter().map(|age| age * factor).collect::<Vec<_>>();
            lifetimes(&sample(&stretch(&failed), &stretch(&working))).unwrap().weibull
        };
        if let (Ok(one), Ok(other)) = (fit(1.0), fit(factor)) {
            prop_assert!((other.shape / one.shape - 1.0).abs() < 1e-6);
            prop_assert!((other.scale / one.scale / factor - 1.0).abs() < 1e-6);
            let numbers = [one.log_likelihood, one.median().get(), one.b10().get()];
            prop_assert!(numbers.iter().all(|number| number.is_finite()), "{numbers:?}");
        }
    }

    #[test]
    fn survival_never_rises(( failed, working) in samples()) {
        let got = lifetimes(&sample(&failed, &working)).unwrap();
        let shares: Vec<f64> = got.survival.iter().map(|step| step.survival.get()).collect();
        prop_assert!(shares.is_sorted_by(|before, after| before >= after));
        prop_assert!(shares.iter().all(|share| (0.0..=1.0).contains(share)));
    }

    #[test]
    fn one_more_valve_at_work_never_lowers_survival((failed, working) in samples()) {
        let before = lifetimes(&sample(&failed, &working)).unwrap();
        let mut more = working.clone();
        more.push(50.0);
        let after = lifetimes(&sample(&failed, &more)).unwrap();
        for (old, new) in before.survival.iter().zip(&after.survival) {
            prop_assert!(new.survival.get() >= old.survival.get() - 1e-12);
        }
    }
}
