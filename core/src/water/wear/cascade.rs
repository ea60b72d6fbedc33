//! Do failures follow repairs? Crews say that after the first valve of a site the others go. Old
//! valves of one age fail together anyway, and whatever failed since the last visit is found on one
//! day; [`cascade`] asks whether there is more to it than that.
//!
//! The test holds fixed how many failures each site had and on which days anybody looked. Where
//! repairs do nothing, each failure was as likely to be found on any of those days as the stretch
//! that the day looked back on is long, and as the valves were old. Dealing the failures out anew,
//! many times, says how often chance alone brings as many within a while of a repair. What it
//! cannot tell: whether the repair brought the failure on, or somebody looked harder after it.
//!
//! # Source
//! A permutation test within strata; the p-value counts the record itself (Davison and Hinkley
//! 1997, from memory). Checks: a thousand simulated firms without a cascade, and some with one.

use std::fmt;

use super::Interval;
use crate::water::units::{Allowed, Days, Failures, Fraction, OutOfRange, Years};

/// A day on which somebody looked at a site's valves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Look {
    /// Since the record began.
    pub day: Days,
    /// How likely a failure was to be found then and not on another day, as a weight:
    /// [`weight`] makes one.
    pub weight: Fraction,
    /// How many valves were found failed, and mended then or soon after: a whole number.
    pub found: Failures,
}

/// Returns the weight of a look: the days it looked back on, times how fast valves of that age
/// fail beside those of twenty years.
///
/// A shape above [`STEEPEST`] counts as that: a fit to a few failures of one age gives shapes that
/// no record supports.
#[must_use]
pub fn weight(covers: Days, age: Years, shape: Fraction) -> Fraction {
    let steep = shape.get().clamp(1.0, STEEPEST.get()) - 1.0;
    let pace = (age.get().max(0.1) / 20.0).powf(steep);
    Fraction::new(covers.get().max(0.0) * pace)
}

/// The steepest wear that a weight takes: our choice.
pub const STEEPEST: Fraction = Fraction::new(10.0);

/// What the record says of failures that follow a repair.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cascade {
    /// Failures in all.
    pub failures: Failures,
    /// Of them, those found within the while after an earlier look that found one.
    pub followed: Failures,
    /// How many chance brings on average.
    pub by_chance: Failures,
    /// How many chance brings in 95 of 100 records.
    pub chance_range: Interval<Failures>,
    /// How often chance brings at least as many as the record has.
    pub p: Fraction,
    /// The while.
    pub within: Days,
    /// What that comes to.
    pub verdict: Verdict,
}

/// What it comes to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// Fewer than two failures at every site, or all on the same days: nothing could follow.
    CannotTell,
    /// Chance brings as many often enough.
    NoMoreThanChance,
    /// Chance brings as many in one record of twenty or fewer.
    MoreThanChance,
}

/// Chance this low counts as more than chance: convention.
pub const ALARM: Fraction = Fraction::new(0.05);

impl fmt::Display for Cascade {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (failures, followed) = (self.failures.get(), self.followed.get());
        let (low, high) = (self.chance_range.low.get(), self.chance_range.high.get());
        let within = self.within.get();
        let counts = |f: &mut fmt::Formatter<'_>| {
            write!(
                f,
                "{followed:.0} of {failures:.0} failures were found within {within:.0} days of an \
                 earlier one at the same site; by chance alone it would be about {:.1} ({low:.0} to \
                 {high:.0} in 95 of 100 such records; p = {:.2})",
                self.by_chance.get(),
                self.p.get(),
            )
        };
        match self.verdict {
            Verdict::CannotTell => write!(
                f,
                "{failures:.0} failures leave nothing to tell whether failures follow repairs"
            ),
            Verdict::NoMoreThanChance => {
                counts(f)?;
                f.write_str(": no more than parts of one age and the days of visits explain")
            }
            Verdict::MoreThanChance => {
                counts(f)?;
                f.write_str(
                    ": more than that explains, which does not say that repairs bring it on",
                )
            }
        }
    }
}

/// How many times the failures are dealt out anew; more makes p finer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Deals {
    /// How many times: 99 or more.
    pub count: u32,
    /// Where the chance begins; the same seed gives the same answer.
    pub seed: u64,
}

impl Default for Deals {
    fn default() -> Self {
        Self {
            count: 1_999,
            seed: 1907,
        }
    }
}

/// Returns whether failures follow repairs more than chance explains; each site is a list of looks.
///
/// # Errors
/// [`OutOfRange`] naming `within_days` unless above zero; `count` outside 99 to 1,000,000; `day`,
/// `weight` or `found` of a look outside sense, or a failure found on a day of no weight.
pub fn cascade(sites: &[Vec<Look>], within: Days, deals: Deals) -> Result<Cascade, OutOfRange> {
    Allowed::AboveZeroTo(36_500.0).check("within_days", within.get())?;
    Allowed::Between(99.0, 1e6).check("count", f64::from(deals.count))?;
    let mut records = Vec::with_capacity(sites.len());
    for looks in sites {
        records.push(Record::of(looks)?);
    }
    let found: Vec<Vec<u32>> = records.iter().map(|record| record.found.clone()).collect();
    let followed = |found: &[Vec<u32>]| -> u32 {
        let sites = records.iter().zip(found);
        sites
            .map(|(record, found)| record.followed(found, within.get()))
            .sum()
    };
    let seen = followed(&found);
    let failures: u32 = found.iter().flatten().sum();
    let mut chance = Chance(deals.seed);
    let mut dealt: Vec<u32> = (0..deals.count)
        .map(|_| {
            let found: Vec<Vec<u32>> = records.iter().map(|it| it.dealt(&mut chance)).collect();
            followed(&found)
        })
        .collect();
    dealt.sort_unstable();
    let as_many = dealt.iter().filter(|other| **other >= seen).count();
    let p = (as_many as f64 + 1.0) / (f64::from(deals.count) + 1.0);
    let at = |share: f64| {
        let place = (share * (dealt.len() as f64 - 1.0)).round() as usize;
        Failures::new(dealt.get(place).copied().map_or(0.0, f64::from))
    };
    let sum: f64 = dealt.iter().copied().map(f64::from).sum();
    let could = dealt.last().copied().unwrap_or(0) > 0;
    Ok(Cascade {
        failures: Failures::new(f64::from(failures)),
        followed: Failures::new(f64::from(seen)),
        by_chance: Failures::new(sum / f64::from(deals.count)),
        chance_range: Interval {
            low: at(0.025),
            high: at(0.975),
        },
        p: Fraction::new(p),
        within,
        verdict: if !could && seen == 0 {
            Verdict::CannotTell
        } else if p <= ALARM.get() {
            Verdict::MoreThanChance
        } else {
            Verdict::NoMoreThanChance
        },
    })
}

/// One site's looks, by day.
struct Record {
    days: Vec<f64>,
    /// Weights summed up to and with each look.
    summed: Vec<f64>,
    found: Vec<u32>,
    failures: u32,
}

impl Record {
    fn of(looks: &[Look]) -> Result<Self, OutOfRange> {
        let mut looks = looks.to_vec();
        looks.sort_by(|a, b| a.day.get().total_cmp(&b.day.get()));
        let (mut days, mut summed, mut found) = (Vec::new(), Vec::new(), Vec::new());
        let mut sum = 0.0;
        for look in looks {
            days.push(Allowed::Between(-1e5, 1e5).check("day", look.day.get())?);
            let weight = Allowed::Between(0.0, 1e15).check("weight", look.weight.get())?;
            let count = Allowed::Between(0.0, 1_000.0).check("found", look.found.get())?;
            if count.fract() > 0.0 {
                return Err(Allowed::Rule("a whole number").broken("found", count));
            }
            if count > 0.0 && weight <= 0.0 {
                let rule = Allowed::Rule("above 0 on a day on which a failure was found");
                return Err(rule.broken("weight", weight));
            }
            sum += weight;
            summed.push(sum);
            found.push(count as u32);
        }
        Ok(Self {
            days,
            summed,
            failures: found.iter().sum(),
            found,
        })
    }

    /// Failures found within a while after an earlier look that found one.
    fn followed(&self, found: &[u32], within_days: f64) -> u32 {
        let mut last: Option<f64> = None;
        let mut followed = 0;
        for (day, found) in self.days.iter().zip(found) {
            if *found == 0 {
                continue;
            }
            if last.is_some_and(|last| day - last <= within_days && *day > last) {
                followed += found;
            }
            last = Some(*day);
        }
        followed
    }

    /// Deals the failures out to the looks anew.
    fn dealt(&self, chance: &mut Chance) -> Vec<u32> {
        let mut found = vec![0; self.days.len()];
        let total = self.summed.last().copied().unwrap_or(0.0);
        for _ in 0..self.failures {
            let at = chance.share() * total;
            let look = self.summed.partition_point(|sum| *sum <= at);
            if let Some(count) = found.get_mut(look.min(self.days.len().saturating_sub(1))) {
                *count += 1;
            }
        }
        found
    }
}

/// Numbers that look like chance and are the same for the same seed: splitmix64 (Steele, Lea and
/// Flood 2014, constants from memory; any well-mixed sequence would do).
struct Chance(u64);

impl Chance {
    /// From 0 to just below 1.
    fn share(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut bits = self.0;
        bits = (bits ^ (bits >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        bits = (bits ^ (bits >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        bits ^= bits >> 31;
        (bits >> 11) as f64 / (1u64 << 53) as f64
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What repairs do to the other valves of a simulated site.
    #[derive(Clone, Copy, PartialEq)]
    enum Repairs {
        DoNothing,
        /// For 60 days the others fail so many times as fast.
        Hurt(f64),
    }

    const SHAPE: f64 = 4.0;
    const SCALE_YEARS: f64 = 21.0;

    /// A firm of twelve sites with eight valves each, all of one age at a site, three seasons of
    /// visits from April to October.
    fn firm(seed: u64, repairs: Repairs) -> Vec<Vec<Look>> {
        let mut chance = Chance(seed.wrapping_mul(0x5851_f42d_4c95_7f2d));
        (0..12).map(|_| site(&mut chance, repairs)).collect()
    }

    fn site(chance: &mut Chance, repairs: Repairs) -> Vec<Look> {
        let age_first = 12.0 + 8.0 * chance.share();
        let mut working = vec![true; 8];
        let mut looks = Vec::new();
        let (mut before, mut last_repair) = (-30.0, None::<f64>);
        for season in 0..3 {
            let mut day = 365.0 * f64::from(season) + 10.0 * chance.share();
            let end = 365.0 * f64::from(season) + 200.0;
            while day < end {
                // Water runs in season only: a winter covers no more than a month of wear.
                let covers = f64::min(day - before, 45.0);
                let age = age_first + day / 365.0;
                let pace = match (repairs, last_repair) {
                    (Repairs::Hurt(times), Some(last)) if day - last <= 60.0 => times,
                    _ => 1.0,
                };
                let hazard = SHAPE / SCALE_YEARS * (age / SCALE_YEARS).powf(SHAPE - 1.0);
                let fails = 1.0 - (-hazard * pace * covers / 200.0).exp();
                let mut found = 0.0;
                for valve in &mut working {
                    if *valve && chance.share() < fails {
                        *valve = false;
                        found += 1.0;
                    }
                }
                if found > 0.0 {
                    last_repair = Some(day);
                }
                looks.push(Look {
                    day: Days::new(day),
                    weight: weight(Days::new(covers), Years::new(age), Fraction::new(SHAPE)),
                    found: Failures::new(found),
                });
                before = day;
                day += 25.0 + 20.0 * chance.share();
            }
        }
        looks
    }

    fn tested(firm: &[Vec<Look>], seed: u64) -> Cascade {
        cascade(firm, Days::new(60.0), Deals { count: 399, seed }).unwrap()
    }

    #[test]
    fn false_alarms_come_at_the_stated_rate_over_a_thousand_firms() {
        let (mut alarms, mut failures) = (0, 0.0);
        for seed in 0..1_000 {
            let found = tested(&firm(seed, Repairs::DoNothing), seed);
            alarms += usize::from(found.verdict == Verdict::MoreThanChance);
            failures += found.failures.get() / 1_000.0;
        }
        println!("cascade: {alarms} false alarms in 1,000 firms of {failures:.1} failures");
        // 5 % of 1,000 is 50; three standard deviations of such a count are 21. Counts are whole,
        // so that fewer than 50 are to be expected.
        assert!((10..=71).contains(&alarms), "{alarms}");
    }

    #[test]
    fn a_planted_cascade_is_found() {
        let firms = 100;
        for (times, least) in [(4.0, 60), (8.0, 90)] {
            let found = (0..firms)
                .filter(|seed| {
                    let firm = firm(10_000 + seed, Repairs::Hurt(times));
                    tested(&firm, *seed).verdict == Verdict::MoreThanChance
                })
                .count();
            println!("cascade: {found} of {firms} planted at {times} times are found");
            assert!(found >= least, "{found} at {times} times");
        }
    }

    fn looks(found: &[(f64, f64)]) -> Vec<Look> {
        let looks = found.iter().map(|(day, found)| Look {
            day: Days::new(*day),
            weight: Fraction::new(30.0),
            found: Failures::new(*found),
        });
        looks.collect()
    }

    #[test]
    fn what_is_found_on_one_day_does_not_follow_itself() {
        let site = looks(&[
            (0.0, 0.0),
            (30.0, 2.0),
            (60.0, 0.0),
            (150.0, 0.0),
            (200.0, 1.0),
        ]);
        let got = tested(&[site], 1);
        assert_eq!((got.failures.get(), got.followed.get()), (3.0, 0.0));
        assert_eq!(got.verdict, Verdict::NoMoreThanChance);
        assert!(got.p.get() > 0.9);
    }

    #[test]
    fn one_failure_or_none_tells_nothing_and_says_so() {
        for found in [0.0, 1.0] {
            let got = tested(&[looks(&[(0.0, 0.0), (30.0, found), (60.0, 0.0)])], 1);
            assert_eq!(got.verdict, Verdict::CannotTell);
            assert!(got.to_string().contains("leave nothing to tell"), "{got}");
        }
        assert_eq!(tested(&[], 1).verdict, Verdict::CannotTell);
    }

    #[test]
    fn the_same_seed_gives_the_same_answer() {
        let firm = firm(3, Repairs::DoNothing);
        assert_eq!(tested(&firm, 5), tested(&firm, 5));
    }

    #[test]
    fn what_is_no_record_is_refused_by_name() {
        let refused = |look: Look| {
            let deals = Deals::default();
            cascade(&[vec![look]], Days::new(60.0), deals)
                .unwrap_err()
                .field
        };
        let look = looks(&[(0.0, 1.0)])[0];
        let weight = Fraction::ZERO;
        assert_eq!(refused(Look { weight, ..look }), "weight");
        let found = Failures::new(0.5);
        assert_eq!(refused(Look { found, ..look }), "found");
        let error = cascade(&[], Days::ZERO, Deals::default()).unwrap_err();
        assert_eq!(error.field, "within_days");
    }
}
