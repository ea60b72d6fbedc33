//! Numbers as their decimal digits: what people measure has few, and takes fewer bytes so than in eight.

/// What a number with so many decimals is multiplied by to be whole.
pub(super) const POWERS: [f64; 4] = [1.0, 10.0, 100.0, 1_000.0];

/// How many decimals a number has, and all its digits, if that gives the very same number again.
pub(super) fn decimals(amount: f64) -> Option<(u8, i64)> {
    let mut all = (0..).zip(POWERS);
    all.find_map(|(decimals, power)| Some((decimals, digits(amount, power)?)))
}

/// All digits of a number with so many decimals as this power of ten has, if that gives the very same
/// number again.
pub(super) fn digits(amount: f64, power: f64) -> Option<i64> {
    let digits = (amount * power).round();
    let whole = digits as i64; // which knows no negative zero
    let fits = digits.abs() < 9.0e15 && (whole as f64 / power).to_bits() == amount.to_bits();
    fits.then_some(whole)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_zero_and_every_strange_number_comes_back_as_it_was() {
        let strange = [f64::MIN_POSITIVE, f64::INFINITY, f64::NAN, f64::MAX];
        for number in [0.0, -0.0, 0.1, -0.001, 1e15, 9e15]
            .into_iter()
            .chain(strange)
        {
            if let Some((decimals, digits)) = decimals(number) {
                let again = digits as f64 / POWERS[usize::from(decimals)];
                assert_eq!(again.to_bits(), number.to_bits(), "{number}");
            }
        }
        assert_eq!((decimals(0.0), decimals(-0.0)), (Some((0, 0)), None));
    }
}
