//! Which boxes to open first: valves by box, so that one dig serves several.
//!
//! [`plan`] takes the firm's own rates by age band, never a law beyond them: where valves of an age
//! have not failed yet, it says so and ranks by age, and states no number.
//!
//! # Source
//! Rates as in [`rate`](super::rate); the ranking is ours.

use super::Interval;
use super::rate::Band;
use crate::water::units::{Allowed, Failures, OutOfRange, Years};

/// Valves that one dig reaches.
#[derive(Debug, Clone, PartialEq)]
pub struct Dug {
    /// The age of each valve.
    pub ages: Vec<Years>,
}

/// What to expect of the valves of one box.
#[derive(Debug, Clone, PartialEq)]
pub struct Expected {
    /// Its place among the boxes given.
    pub at: usize,
    /// How many valves a dig there reaches.
    pub parts: usize,
    /// The age of the oldest.
    pub oldest: Years,
    /// Failures to expect within the horizon; none where no valve of these ages has failed yet.
    pub failures: Option<Failures>,
    /// 95 % bounds of that, from the rates' own: as far as the record goes.
    pub interval: Interval<Failures>,
    /// Valves of an age that the record has never seen.
    pub beyond_record: usize,
}

/// Returns the boxes in the order in which to open them: most failures to expect first, then the
/// oldest.
///
/// # Errors
/// [`OutOfRange`] naming `horizon_years` outside 0.1 to 50; `ages` where a box has no valve;
/// `years` of a valve outside 0 to 200.
pub fn plan(boxes: &[Dug], bands: &[Band], horizon: Years) -> Result<Vec<Expected>, OutOfRange> {
    Allowed::Between(0.1, 50.0).check("horizon_years", horizon.get())?;
    let mut plan = Vec::with_capacity(boxes.len());
    for (at, dug) in boxes.iter().enumerate() {
        if dug.ages.is_empty() {
            return Err(Allowed::Rule("a list of at least one valve").broken("ages", 0.0));
        }
        plan.push(expected(at, dug, bands, horizon)?);
    }
    plan.sort_by(|a, b| {
        let failures = |it: &Expected| it.failures.map_or(0.0, Failures::get);
        let by_failures = failures(b).total_cmp(&failures(a));
        by_failures.then(b.oldest.get().total_cmp(&a.oldest.get()))
    });
    Ok(plan)
}

fn expected(at: usize, dug: &Dug, bands: &[Band], horizon: Years) -> Result<Expected, OutOfRange> {
    let (mut sum, mut low, mut high) = (0.0, 0.0, 0.0);
    let (mut any_failed, mut beyond_record, mut oldest) = (false, 0, 0f64);
    for age in &dug.ages {
        let years = Allowed::Between(0.0, 200.0).check("years", age.get())?;
        oldest = oldest.max(years);
        let band = bands
            .iter()
            .find(|band| years >= band.from.get() && years < band.to.get());
        let Some(band) = band else {
            beyond_record += 1;
            continue;
        };
        // A valve fails once at most: the chance that it does within the horizon.
        let within = |per_year: f64| -(-per_year * horizon.get()).exp_m1();
        if let Some(rate) = band.rate.per_year {
            any_failed = true;
            sum += within(rate.get());
        }
        low += within(band.rate.interval.low.get());
        high += within(band.rate.interval.high.get());
    }
    Ok(Expected {
        at,
        parts: dug.ages.len(),
        oldest: Years::new(oldest),
        failures: any_failed.then(|| Failures::new(sum)),
        interval: Interval {
            low: Failures::new(low),
            high: Failures::new(high + beyond_record as f64),
        },
        beyond_record,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::water::tables::close;
    use crate::water::wear::rate::by_age;
    use crate::water::wear::{End, Life};

    fn dug(ages: &[f64]) -> Dug {
        Dug {
            ages: ages.iter().copied().map(Years::new).collect(),
        }
    }

    fn bands() -> Vec<Band> {
        // Four of eight valves failed between 15 and 20; none of the young ones did.
        let old = (0..8).map(|at| Life {
            entered: Years::new(15.0),
            age: Years::new(if at < 4 { 17.0 } else { 19.0 }),
            end: if at < 4 { End::Failed } else { End::Working },
        });
        let young = (0..6).map(|_| Life::whole(Years::new(4.0), End::Working));
        by_age(&old.chain(young).collect::<Vec<_>>(), Years::new(5.0)).unwrap()
    }

    #[test]
    fn the_box_with_most_to_fail_is_dug_first_and_one_dig_serves_all_its_valves() {
        let boxes = [
            dug(&[3.0, 3.0]),
            dug(&[16.0]),
            dug(&[18.0, 18.0, 18.0, 3.0]),
        ];
        let got = plan(&boxes, &bands(), Years::new(1.0)).unwrap();
        let order: Vec<usize> = got.iter().map(|it| it.at).collect();
        assert_eq!(order, [2, 1, 0]);
        assert_eq!(got[0].parts, 4);
        // 4 failures in 24 valve-years, three valves: 3 (1 - e^(-1/6)).
        close(
            "three old",
            got[0].failures.unwrap().get(),
            3.0 * 0.153_518,
            1e-5,
        );
        assert!(got[0].interval.low < got[0].failures.unwrap());
        assert!(got[0].interval.high > got[0].failures.unwrap());
    }

    #[test]
    fn where_none_of_that_age_has_failed_no_number_is_stated() {
        let got = plan(&[dug(&[3.0, 3.0])], &bands(), Years::new(1.0)).unwrap();
        assert_eq!(got[0].failures, None);
        assert_eq!(got[0].interval.low, Failures::ZERO);
        assert!(got[0].interval.high > Failures::ZERO);
        let got = plan(&[dug(&[40.0])], &bands(), Years::new(1.0)).unwrap();
        assert_eq!((got[0].failures, got[0].beyond_record), (None, 1));
        assert_eq!(got[0].interval.high, Failures::new(1.0));
    }

    #[test]
    fn a_box_without_valves_is_refused() {
        let error = plan(&[dug(&[])], &bands(), Years::new(1.0)).unwrap_err();
        assert_eq!(error.field, "ages");
    }
}
