//! Money, exactly: whole cents for what somebody pays, ten-thousandths of a dollar for what one of
//! something costs. No float takes part.
//!
//! Whole numbers of the smallest part, and not a decimal library: nothing here divides but a rate
//! by its hour and a tax by its hundred, both in one place with one stated rule, half a cent up; and
//! a sum of whole numbers is the same in every order. All arithmetic is checked: what does not fit
//! is `None`, never a wrong amount.
//!
//! A stored amount is its decimal as text with its sign, `$12.50`: exact, the same for every reader,
//! and readable by one that knows no money. Versions before wrote it as a quantity in dollars;
//! that reads as the decimal that was typed.
//!
//! ```
//! use headwalk_core::site::money::{Minutes, Money, TaxRate, UnitPrice};
//! let rate = UnitPrice::of_text("78").expect("a price");
//! let labour = rate.for_time(Minutes::of_text("25").expect("a time")).expect("it fits");
//! assert_eq!(labour.to_string(), "$32.50");
//! let tax = TaxRate::of_text("7.25").expect("a rate").on(labour).expect("it fits");
//! assert_eq!(tax.to_string(), "$2.36"); // 2.35625, half a cent up from the third place on
//! ```

use std::fmt;

use super::unit::Unit;
use crate::log::value::Value;

/// Places behind the point of a unit price, a time and a tax rate.
const FINE_PLACES: u32 = 4;
/// A dollar in ten-thousandths.
const FINE: i128 = 10_000;
/// A cent in ten-thousandths.
const FINE_IN_A_CENT: i128 = 100;

/// An amount in whole cents.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Money(i64);

/// What one of something costs, or an hour: to a ten-thousandth of a dollar, since a foot of wire
/// costs parts of a cent.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct UnitPrice(i64);

/// A time that is paid for, to a ten-thousandth of a minute.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Minutes(i64);

/// A tax in percent, to a ten-thousandth of a percent.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct TaxRate(i64);

impl Money {
    /// Nothing.
    pub const ZERO: Self = Self(0);

    /// Makes an amount of so many cents.
    #[must_use]
    pub const fn cents(cents: i64) -> Self {
        Self(cents)
    }

    /// Returns the cents.
    #[must_use]
    pub const fn in_cents(self) -> i64 {
        self.0
    }

    /// Reads `12`, `12.5` or `12.50`, with or without a dollar sign and thousands; `None` for
    /// anything else, and for parts of a cent.
    #[must_use]
    pub fn of_text(text: &str) -> Option<Self> {
        decimal(text, 2).map(Self)
    }

    /// Reads a stored amount.
    #[must_use]
    pub fn read(value: &Value) -> Option<Self> {
        stored(value, Unit::Dollar, 2).map(Self)
    }

    /// Returns the value to store.
    #[must_use]
    pub fn value(self) -> Value {
        Value::text(self.to_string())
    }

    /// Returns it as a letter writes it, with a comma between thousands.
    #[must_use]
    pub fn grouped(self) -> String {
        let (sign, cents) = sign_and_size(self.0);
        format!("{sign}${}.{:02}", thousands(cents / 100), cents % 100)
    }

    /// Adds.
    #[must_use]
    pub fn plus(self, other: Self) -> Option<Self> {
        self.0.checked_add(other.0).map(Self)
    }

    /// Adds all of them; the same in every order.
    #[must_use]
    pub fn sum(amounts: impl IntoIterator<Item = Self>) -> Option<Self> {
        // Wide enough that no order of adding can leave it while the sum itself fits.
        let sum: i128 = amounts.into_iter().map(|money| i128::from(money.0)).sum();
        i64::try_from(sum).ok().map(Self)
    }
}

impl UnitPrice {
    /// Makes a price of whole dollars; the largest where it does not fit.
    #[must_use]
    pub const fn dollars(dollars: i64) -> Self {
        Self(dollars.saturating_mul(FINE as i64))
    }

    /// Makes a price of an amount, where it fits.
    #[must_use]
    pub fn of_money(money: Money) -> Option<Self> {
        money.0.checked_mul(FINE_IN_A_CENT as i64).map(Self)
    }

    /// Reads a price as [`Money::of_text`] does, with up to four places.
    #[must_use]
    pub fn of_text(text: &str) -> Option<Self> {
        decimal(text, FINE_PLACES).map(Self)
    }

    /// Reads a stored price.
    #[must_use]
    pub fn read(value: &Value) -> Option<Self> {
        stored(value, Unit::Dollar, FINE_PLACES).map(Self)
    }

    /// Returns the value to store.
    #[must_use]
    pub fn value(self) -> Value {
        Value::text(self.to_string())
    }

    /// Returns what so many cost, to the cent, half a cent up.
    #[must_use]
    pub fn times(self, count: u32) -> Option<Money> {
        to_cents(i128::from(self.0) * i128::from(count), FINE_IN_A_CENT)
    }

    /// Returns what so much time costs at this price for an hour, to the cent, half a cent up.
    #[must_use]
    pub fn for_time(self, time: Minutes) -> Option<Money> {
        let parts = i128::from(self.0) * i128::from(time.0);
        to_cents(parts, FINE_IN_A_CENT * FINE * 60)
    }
}

impl Minutes {
    /// Reads a number of minutes.
    #[must_use]
    pub fn of_text(text: &str) -> Option<Self> {
        decimal(text, FINE_PLACES).map(Self)
    }

    /// Makes whole minutes.
    #[must_use]
    pub fn whole(minutes: u32) -> Self {
        Self(i64::from(minutes) * FINE as i64)
    }

    /// Reads a stored time as it was entered; one in other units to the nearest ten-thousandth.
    #[must_use]
    pub fn read(value: &Value) -> Option<Self> {
        stored(value, Unit::Minute, FINE_PLACES).map(Self)
    }

    /// Adds all of them.
    #[must_use]
    pub fn sum(times: impl IntoIterator<Item = Self>) -> Option<Self> {
        let sum: i128 = times.into_iter().map(|time| i128::from(time.0)).sum();
        i64::try_from(sum).ok().map(Self)
    }

    /// Returns the value to store.
    #[must_use]
    pub fn value(self) -> Value {
        Value::Quantity {
            amount: self.0 as f64 / FINE as f64,
            unit: Unit::Minute.number(),
        }
    }
}

impl TaxRate {
    /// Reads a percentage.
    #[must_use]
    pub fn of_text(text: &str) -> Option<Self> {
        decimal(text.trim().trim_end_matches('%'), FINE_PLACES).map(Self)
    }

    /// Reads a stored percentage as it was entered.
    #[must_use]
    pub fn read(value: &Value) -> Option<Self> {
        stored(value, Unit::Percent, FINE_PLACES).map(Self)
    }

    /// Returns the value to store.
    #[must_use]
    pub fn value(self) -> Value {
        Value::Quantity {
            amount: self.0 as f64 / FINE as f64,
            unit: Unit::Percent.number(),
        }
    }

    /// Returns the tax on an amount, to the cent, half a cent up.
    #[must_use]
    pub fn on(self, amount: Money) -> Option<Money> {
        to_cents(i128::from(self.0) * i128::from(amount.0), FINE * 100)
    }
}

/// Divides and rounds to whole cents, halves away from zero.
fn to_cents(parts: i128, of_a_cent: i128) -> Option<Money> {
    let half = of_a_cent / 2 * parts.signum();
    i64::try_from((parts + half) / of_a_cent).ok().map(Money)
}

/// Reads a decimal as a whole number of its last place; `None` where it has more places.
fn decimal(text: &str, places: u32) -> Option<i64> {
    let text = text.trim();
    let (negative, text) = match text.strip_prefix('-') {
        Some(rest) => (true, rest.trim_start()),
        None => (false, text),
    };
    let text = text.strip_prefix('$').unwrap_or(text).trim();
    let (whole, parts) = text.split_once('.').unwrap_or((text, ""));
    let parts = parts.trim_end_matches('0');
    if whole.is_empty() && parts.is_empty() || parts.len() > places as usize {
        return None;
    }
    let digits = |text: &str| text.bytes().all(|byte| byte.is_ascii_digit());
    let mut groups = whole.split(',');
    let first = groups.next().unwrap_or("");
    let groups: Vec<&str> = groups.collect();
    let thousands = groups.iter().all(|group| group.len() == 3 && digits(group))
        && (groups.is_empty() || (1..=3).contains(&first.len()));
    if !digits(first) || !digits(parts) || !thousands {
        return None;
    }
    let whole: i64 = match whole.replace(',', "").as_str() {
        "" => 0,
        digits => digits.parse().ok()?,
    };
    let one = 10_i64.checked_pow(places)?;
    let parts: i64 = format!("{parts:0<width$}", width = places as usize)
        .parse()
        .unwrap_or(0);
    let amount = whole.checked_mul(one)?.checked_add(parts)?;
    Some(if negative { -amount } else { amount })
}

/// Reads a stored value: its decimal as text, or an amount of that unit. The shortest decimal that
/// means a stored float is the one that was typed.
fn stored(value: &Value, unit: Unit, places: u32) -> Option<i64> {
    match value {
        Value::Text(text) => decimal(text, places),
        Value::Quantity { amount, unit: of } => {
            let of = Unit::of_number(*of)?;
            if of == unit {
                return decimal(&amount.to_string(), places);
            }
            let amount = of.amount_in(*amount, unit)?;
            decimal(
                &format!("{amount:.places$}", places = places as usize),
                places,
            )
        }
        _ => None,
    }
}

impl fmt::Display for Money {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (sign, cents) = sign_and_size(self.0);
        write!(f, "{sign}${}.{:02}", cents / 100, cents % 100)
    }
}

impl fmt::Display for UnitPrice {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (sign, parts) = sign_and_size(self.0);
        let (whole, parts) = (parts / 10_000, parts % 10_000);
        if parts.is_multiple_of(100) {
            return write!(f, "{sign}${whole}.{:02}", parts / 100);
        }
        let parts = format!("{parts:04}");
        write!(f, "{sign}${whole}.{}", parts.trim_end_matches('0'))
    }
}

impl fmt::Display for Minutes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        plain(self.0).fmt(f)
    }
}

impl fmt::Display for TaxRate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}%", plain(self.0))
    }
}

/// Ten-thousandths as a decimal without needless places.
fn plain(parts: i64) -> String {
    let (sign, parts) = sign_and_size(parts);
    let (whole, parts) = (parts / 10_000, format!("{:04}", parts % 10_000));
    match parts.trim_end_matches('0') {
        "" => format!("{sign}{whole}"),
        parts => format!("{sign}{whole}.{parts}"),
    }
}

fn sign_and_size(amount: i64) -> (&'static str, u64) {
    (if amount < 0 { "-" } else { "" }, amount.unsigned_abs())
}

/// Digits with a comma between thousands.
fn thousands(number: u64) -> String {
    let digits = number.to_string();
    let mut grouped = String::new();
    for (at, digit) in digits.chars().enumerate() {
        if at > 0 && (digits.len() - at).is_multiple_of(3) {
            grouped.push(',');
        }
        grouped.push(digit);
    }
    grouped
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn check(text: &str, expected: Option<i64>) {
        assert_eq!(
            Money::of_text(text).map(Money::in_cents),
            expected,
            "{text}"
        );
    }

    #[test]
    fn an_amount_reads_as_it_is_written_and_parts_of_a_cent_are_refused() {
        check("12", Some(1_200));
        check("$1,234.5", Some(123_450));
        check(".05", Some(5));
        check("-$3.10", Some(-310));
        check("12.500", Some(1_250));
        for wrong in [
            "12.505",
            "",
            "$",
            ".",
            "1,2",
            "12,34",
            "1e3",
            "inf",
            "9223372036854775807",
        ] {
            check(wrong, None);
        }
    }

    #[test]
    fn halves_of_a_cent_go_up() {
        let price = |text| UnitPrice::of_text(text).unwrap();
        assert_eq!(price("0.085").times(1), Some(Money::cents(9)));
        assert_eq!(price("0.085").times(3), Some(Money::cents(26)));
        assert_eq!(price("0.0849").times(1), Some(Money::cents(8)));
        let tax = TaxRate::of_text("5%").unwrap();
        assert_eq!(tax.on(Money::cents(10)), Some(Money::cents(1)));
        assert_eq!(tax.on(Money::cents(9)), Some(Money::cents(0)));
    }

    #[test]
    fn what_an_older_version_stored_reads_as_it_was_typed() {
        let old = |amount| Value::Quantity {
            amount,
            unit: Unit::Dollar.number(),
        };
        assert_eq!(Money::read(&old(78.0)), Some(Money::cents(7_800)));
        assert_eq!(Money::read(&old(0.1)), Some(Money::cents(10)));
        assert_eq!(Money::read(&old(19.99)), Some(Money::cents(1_999)));
        assert_eq!(Money::read(&old(0.125)), None);
        assert_eq!(UnitPrice::read(&old(0.125)), UnitPrice::of_text("0.125"));
        assert_eq!(Money::read(&old(f64::INFINITY)), None);
        let minutes = Value::Quantity {
            amount: 0.5,
            unit: Unit::Hour.number(),
        };
        assert_eq!(Minutes::read(&minutes), Some(Minutes::whole(30)));
    }

    proptest! {
        #[test]
        fn what_is_shown_reads_back(cents in any::<i64>().prop_map(|cents| cents / 1_000)) {
            let money = Money::cents(cents);
            prop_assert_eq!(Money::of_text(&money.to_string()), Some(money));
            prop_assert_eq!(Money::of_text(&money.grouped()), Some(money));
            prop_assert_eq!(Money::read(&money.value()), Some(money));
            let price = UnitPrice(cents);
            prop_assert_eq!(UnitPrice::of_text(&price.to_string()), Some(price));
            let time = Minutes(cents.abs() % 100_000_000);
            prop_assert_eq!(Minutes::read(&time.value()), Some(time));
        }

        #[test]
        fn a_sum_is_the_same_in_every_order(
            cents in prop::collection::vec(any::<i64>(), 0..20),
        ) {
            let sum = Money::sum(cents.iter().copied().map(Money));
            prop_assert_eq!(sum, Money::sum(cents.iter().rev().copied().map(Money)));
        }

        #[test]
        fn rounding_is_never_more_than_half_a_cent(price in 0_i64..1_000_000, minutes in 0_u32..600) {
            let labour = UnitPrice(price).for_time(Minutes::whole(minutes)).unwrap();
            // In six-thousandths of a cent the exact amount is a whole number.
            let exact = i128::from(price) * i128::from(minutes);
            let off = exact - i128::from(labour.in_cents()) * 6_000;
            prop_assert!((-3_000..3_000).contains(&off), "{off}");
        }
    }
}
