//! The soil's account: what comes in, what plants take, what is left, day by day.
//!
//! [`day`] moves one day on; [`run`] a stretch of days, with totals. Depletion counts down from
//! field capacity: 0 is full, `total` is as dry as plants can make it.
//!
//! ```
//! use headwalk_core::water::balance::{Day, Ease, Order, RootZone, day};
//! use headwalk_core::water::units::{Fraction, Millimetres};
//!
//! let mm = Millimetres::new;
//! let zone = RootZone { total: mm(160.0), ease: Ease::Fixed(Fraction::new(0.4)) };
//! let night = Day { rain: mm(0.0), run_off: mm(0.0), irrigation: mm(40.0), full_use: mm(5.5) };
//! let account = day(zone, mm(23.0), night, Order::EarlyInTheDay)?;
//! assert_eq!((account.drainage, account.depletion), (mm(17.0), mm(5.5)));
//! # Ok::<(), headwalk_core::water::units::OutOfRange>(())
//! ```
//!
//! # Source
//! FAO-56 chapter 8: eq. 82-88, table 22 note 2, examples 37 and 38.
//! Checks: `fixtures/tables/balance_*.csv`.

use super::{
    soil,
    units::{Allowed, Fraction, Gallons, Inches, Millimetres, OutOfRange, SquareFeet},
};

/// A root zone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RootZone {
    /// Total available water (eq. 82).
    pub total: Millimetres,
    /// Share of it that plants take without stress.
    pub ease: Ease,
}

/// The share of the total that is easily taken, p.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Ease {
    /// The same every day, as FAO-56's example 37 has it.
    Fixed(Fraction),
    /// A table value for 5 mm a day, moved each day by its evapotranspiration (table 22, note 2).
    Adjusted(Fraction),
}

/// In which order a day's water comes and goes. FAO-56 uses both; they differ by what drains.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Order {
    /// Water early in the day, before the plants take theirs (example 38): the default, since
    /// irrigation runs at night.
    #[default]
    EarlyInTheDay,
    /// The whole day taken together (eq. 85 and 88).
    Lump,
}

/// What happened on one day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Day {
    /// All rain.
    pub rain: Millimetres,
    /// Rain that ran off; no more than the rain.
    pub run_off: Millimetres,
    /// Irrigation that reached the soil.
    pub irrigation: Millimetres,
    /// What the planting would use with plenty of water: coefficient x ETo.
    pub full_use: Millimetres,
}

/// The account of one day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Account {
    /// p of the day.
    pub ease: Fraction,
    /// Water easily taken, p x total (eq. 83).
    pub easy: Millimetres,
    /// Stress coefficient (eq. 84): 1 is none.
    pub stress: Fraction,
    /// What the planting used.
    pub used: Millimetres,
    /// What went below the roots (eq. 88).
    pub drainage: Millimetres,
    /// Depletion at the end of the day (eq. 85, 86).
    pub depletion: Millimetres,
}

impl Account {
    /// Whether the planting got less than it would have used.
    #[must_use]
    pub fn is_stressed(&self) -> bool {
        self.stress < Fraction::new(1.0)
    }
}

/// A stretch of days.
#[derive(Debug, Clone, PartialEq)]
pub struct Balance {
    /// Each day's account.
    pub days: Vec<Account>,
    /// Days on which the planting got less than it would have used.
    pub stress_days: usize,
    /// All that the planting used.
    pub used: Millimetres,
    /// All that drained below the roots.
    pub drainage: Millimetres,
    /// All rain that ran off.
    pub run_off: Millimetres,
    /// All irrigation.
    pub irrigation: Millimetres,
    /// All rain.
    pub rain: Millimetres,
    /// Depletion at the end.
    pub depletion: Millimetres,
}

/// Returns the account of one day, from the depletion at its start.
///
/// # Errors
/// [`OutOfRange`] naming `total_mm` unless above zero, `depletion_mm` outside 0 to the total,
/// `depletion_fraction`, `rain_mm`, `run_off_mm`, `irrigation_mm` or `full_use_mm`.
pub fn day(
    zone: RootZone,
    depletion: Millimetres,
    today: Day,
    order: Order,
) -> Result<Account, OutOfRange> {
    let total = Allowed::AboveZero.check("total_mm", zone.total.get())?;
    let before = Allowed::Between(0.0, total).check("depletion_mm", depletion.get())?;
    let (water, full_use) = flows(today)?;
    let ease = match zone.ease {
        Ease::Fixed(share) => {
            Fraction::new(Allowed::AboveZeroTo(1.0).check("depletion_fraction", share.get())?)
        }
        Ease::Adjusted(table) => soil::depletion_fraction(table, today.full_use)?,
    };
    let easy = total * ease.get();
    // What the plants find when they start to drink.
    let found = match order {
        Order::EarlyInTheDay => (before - water).max(0.0),
        Order::Lump => before,
    };
    let stress = stress(found, total, easy);
    let after_water = before - water;
    let (used, drainage, end) = match order {
        Order::EarlyInTheDay => {
            let used = (stress * full_use).min(total - found);
            (used, (-after_water).max(0.0), found + used)
        }
        Order::Lump => {
            let used = (stress * full_use).min(total - after_water);
            let raw = after_water + used;
            (used, (-raw).max(0.0), raw.max(0.0))
        }
    };
    Ok(Account {
        ease,
        easy: Millimetres::new(easy),
        stress: Fraction::new(stress),
        used: Millimetres::new(used),
        drainage: Millimetres::new(drainage),
        // A last bit of rounding must not push tomorrow's start out of range.
        depletion: Millimetres::new(end.clamp(0.0, total)),
    })
}

/// What comes in, less what runs off; and what the plants would take.
fn flows(today: Day) -> Result<(f64, f64), OutOfRange> {
    let depth = |field, value: Millimetres| Allowed::ZeroOrMore.check(field, value.get());
    let rain = depth("rain_mm", today.rain)?;
    let run_off = depth("run_off_mm", today.run_off)?;
    let irrigation = depth("irrigation_mm", today.irrigation)?;
    let full_use = depth("full_use_mm", today.full_use)?;
    if run_off > rain {
        return Err(Allowed::Rule("no more than rain_mm").broken("run_off_mm", run_off));
    }
    Ok((rain - run_off + irrigation, full_use))
}

/// FAO-56 eq. 84. With p = 1 there is no stress until nothing is left.
fn stress(depletion: f64, total: f64, easy: f64) -> f64 {
    if depletion <= easy {
        return 1.0;
    }
    ((total - depletion) / (total - easy)).clamp(0.0, 1.0)
}

/// Returns the accounts of a stretch of days, oldest first.
///
/// # Errors
/// Those of [`day`].
pub fn run(
    zone: RootZone,
    depletion: Millimetres,
    days: &[Day],
    order: Order,
) -> Result<Balance, OutOfRange> {
    let mut accounts = Vec::with_capacity(days.len());
    let mut now = depletion;
    for today in days {
        let account = day(zone, now, *today, order)?;
        now = account.depletion;
        accounts.push(account);
    }
    Ok(Balance {
        stress_days: accounts
            .iter()
            .filter(|account| account.is_stressed())
            .count(),
        used: accounts.iter().map(|account| account.used).sum(),
        drainage: accounts.iter().map(|account| account.drainage).sum(),
        run_off: days.iter().map(|today| today.run_off).sum(),
        irrigation: days.iter().map(|today| today.irrigation).sum(),
        rain: days.iter().map(|today| today.rain).sum(),
        depletion: now,
        days: accounts,
    })
}

/// Returns the gallons of a depth on an area: 1 in on 1 ft² is 144 / 231 = 0.623377 gal.
///
/// # Errors
/// [`OutOfRange`] naming `depth_in` or `area_sqft` below zero.
pub fn gallons(depth: Inches, area: SquareFeet) -> Result<Gallons, OutOfRange> {
    let depth_in = Allowed::ZeroOrMore.check("depth_in", depth.get())?;
    let area_sqft = Allowed::ZeroOrMore.check("area_sqft", area.get())?;
    Ok(Gallons::new(144.0 / 231.0 * depth_in * area_sqft))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::water::tables::{close, rows};

    fn dry(full_use: f64) -> Day {
        wet(0.0, 0.0, full_use)
    }

    fn wet(rain: f64, irrigation: f64, full_use: f64) -> Day {
        let [rain, irrigation, full_use] = [rain, irrigation, full_use].map(Millimetres::new);
        Day {
            rain,
            run_off: Millimetres::ZERO,
            irrigation,
            full_use,
        }
    }

    fn fixed(total: f64, share: f64) -> RootZone {
        RootZone {
            total: Millimetres::new(total),
            ease: Ease::Fixed(Fraction::new(share)),
        }
    }

    #[test]
    fn ten_dry_days_match_the_book() {
        let got = run(
            fixed(160.0, 0.40),
            Millimetres::new(55.0),
            &[dry(6.0); 10],
            Order::Lump,
        );
        let got = got.unwrap();
        let expected = rows("balance_drying.csv");
        assert_eq!(expected.len(), got.days.len());
        for (account, row) in got.days.iter().zip(&expected) {
            row.close("depletion_book", account.depletion.get());
            row.close("depletion_exact", account.depletion.get());
            row.close("stress", account.stress.get());
        }
        assert_eq!(got.stress_days, 8);
    }

    #[test]
    fn water_early_in_the_day_drains_more_than_water_in_a_lump() {
        // W-38: FAO-56 example 38, day 1.
        let zone = fixed(160.0, 0.40);
        let at = |order| day(zone, Millimetres::new(23.0), wet(0.0, 40.0, 5.5), order).unwrap();
        assert_eq!(Order::default(), Order::EarlyInTheDay);
        let early = at(Order::EarlyInTheDay);
        close("drainage", early.drainage.get(), 17.0, 1e-12);
        close("end", early.depletion.get(), 5.5, 1e-12);
        close("end, book", early.depletion.get(), 5.0, 0.5);
        let lump = at(Order::Lump);
        close("lump drainage", lump.drainage.get(), 11.5, 1e-12);
        close("lump end", lump.depletion.get(), 0.0, 1e-12);
    }

    #[test]
    fn a_little_rain_is_kept() {
        // W-38: FAO-56 example 38, day 6.
        let got = day(
            fixed(160.0, 0.40),
            Millimetres::new(21.0),
            wet(6.0, 0.0, 2.7),
            Order::default(),
        );
        let end = got.unwrap().depletion.get();
        close("book", end, 18.0, 0.5);
        close("exact", end, 17.7, 1e-12);
    }

    #[test]
    fn five_days_in_a_lump_match_by_hand() {
        // W-40.
        let days = [
            dry(5.0),
            dry(5.0),
            wet(22.0, 0.0, 3.0),
            dry(5.0),
            wet(0.0, 8.0, 5.0),
        ];
        let got = run(fixed(25.5, 0.5), Millimetres::new(10.0), &days, Order::Lump).unwrap();
        let ends: Vec<f64> = got
            .days
            .iter()
            .map(|account| account.depletion.get())
            .collect();
        for (end, expected) in ends.iter().zip([15.0, 19.1176, 0.0, 5.0, 2.0]) {
            close("W-40", *end, expected, 5e-5);
        }
        close("W-40 stress 2", got.days[1].stress.get(), 0.8235, 5e-5);
        close("W-40 stress 3", got.days[2].stress.get(), 0.5006, 5e-5);
        close("W-40 used 3", got.days[2].used.get(), 1.5017, 5e-5);
        close("W-40 drainage 3", got.days[2].drainage.get(), 1.3806, 5e-5);
    }

    #[test]
    fn three_years_of_days_agree_with_pyfao56() {
        let rows = rows("balance_pyfao56.csv");
        assert!(rows.len() >= 1_000, "only {} days", rows.len());
        let (mut depletion, mut furthest) = (Millimetres::ZERO, 0f64);
        let mut run = "";
        for row in &rows {
            if row.text("run") != run {
                run = row.text("run");
                depletion = Millimetres::new(row.get("start_mm"));
            }
            let share = Fraction::new(row.get("share"));
            let adjusted = row.text("adjusted") == "yes";
            let zone = RootZone {
                total: Millimetres::new(row.get("total_mm")),
                ease: if adjusted {
                    Ease::Adjusted(share)
                } else {
                    Ease::Fixed(share)
                },
            };
            let [rain, irrigation, full_use] =
                ["rain_mm", "irrigation_mm", "full_use_mm"].map(|column| row.get(column));
            let got = day(
                zone,
                depletion,
                wet(rain, irrigation, full_use),
                Order::Lump,
            )
            .unwrap();
            row.close("stress", got.stress.get());
            row.close("used_mm", got.used.get());
            row.close("drainage_mm", got.drainage.get());
            row.close("depletion_mm", got.depletion.get());
            furthest = furthest.max((got.depletion.get() - row.get("depletion_mm")).abs());
            depletion = got.depletion;
        }
        println!("balance: {} days, furthest {furthest:.2e} mm", rows.len());
    }

    #[test]
    fn an_inch_on_a_square_foot_is_gallons() {
        let got = gallons(Inches::new(1.0), SquareFeet::new(1.0)).unwrap();
        close("definition", got.get(), 0.623377, 5e-7);
        close("on a lawn", got.get() * 1350.0 * 2.0, 1683.1, 0.05);
    }

    #[test]
    fn what_cannot_be_is_refused_by_name() {
        let zone = fixed(100.0, 0.5);
        let field = |depletion, today| {
            day(zone, Millimetres::new(depletion), today, Order::Lump)
                .unwrap_err()
                .field
        };
        assert_eq!(field(101.0, dry(5.0)), "depletion_mm");
        assert_eq!(field(10.0, dry(f64::NAN)), "full_use_mm");
        let run_off = Millimetres::new(3.0);
        assert_eq!(
            field(
                10.0,
                Day {
                    run_off,
                    ..wet(2.0, 0.0, 5.0)
                }
            ),
            "run_off_mm"
        );
    }

    proptest! {
        #[test]
        fn the_account_closes_and_stays_within_the_soil(
            total in 5.0..200.0f64, share in 0.2..1.0f64, start in 0.0..=1.0f64,
            days in proptest::collection::vec((0.0..60.0f64, 0.0..1.0f64, 0.0..40.0f64, 0.0..12.0f64), 1..40),
            early in any::<bool>(), adjusted in any::<bool>(),
        ) {
            let days: Vec<Day> = days
                .iter()
                .map(|(rain, off, irrigation, full_use)| Day {
                    run_off: Millimetres::new(rain * off),
                    ..wet(*rain, *irrigation, *full_use)
                })
                .collect();
            let share = Fraction::new(share);
            let zone = RootZone {
                total: Millimetres::new(total),
                ease: if adjusted { Ease::Adjusted(share) } else { Ease::Fixed(share) },
            };
            let order = if early { Order::EarlyInTheDay } else { Order::Lump };
            let start = Millimetres::new(total * start);
            let got = run(zone, start, &days, order).unwrap();
            let closed = start - (got.rain - got.run_off) - got.irrigation + got.used + got.drainage;
            prop_assert!((closed - got.depletion).get().abs() < 1e-9, "{closed} {}", got.depletion);
            for account in &got.days {
                prop_assert!((0.0..=total).contains(&account.depletion.get()));
                prop_assert!(account.drainage >= Millimetres::ZERO);
                prop_assert!(account.used >= Millimetres::ZERO);
                prop_assert!((0.0..=1.0).contains(&account.stress.get()));
            }
        }
    }
}
