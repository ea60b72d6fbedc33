//! Numbers as people type them: with thousands, with fractions, with a unit behind.

/// Splits `1-1/2 in` into one and a half, and `in`; a dollar sign may stand first.
pub(super) fn amount_and_unit(text: &str) -> Option<(f64, &str)> {
    if let Some(rest) = text.strip_prefix('$') {
        return Some((plain_number(rest)?, "$"));
    }
    if let Some(rest) = text.strip_prefix("-$") {
        return Some((-plain_number(rest)?, "$"));
    }
    // A fraction may stand apart from its whole number, so the unit begins at the first
    // character that can be in no number; "1e3 psi" is read as the number that it is.
    let exponent = |at: usize| {
        let after = text.get(at + 1..).unwrap_or("");
        let digits = after.strip_prefix(['-', '+']).unwrap_or(after);
        at > 0 && digits.starts_with(|first: char| first.is_ascii_digit())
    };
    let end = text
        .char_indices()
        .find(|&(at, c)| {
            let number = c.is_ascii_digit() || ".,/+- ".contains(c);
            !(number || matches!(c, 'e' | 'E') && exponent(at))
        })
        .map_or(text.len(), |(at, _)| at);
    let (number, unit) = text.split_at(end);
    Some((plain_number(number.trim())?, unit.trim()))
}

/// Reads `35`, `-2.5`, `1,685`, `3/4`, `1 1/2` or `1-1/2`.
pub(super) fn plain_number(text: &str) -> Option<f64> {
    let text = text.trim();
    let (sign, digits) = match text.strip_prefix('-') {
        Some(rest) => (-1.0, rest.trim_start()),
        None => (1.0, text.strip_prefix('+').unwrap_or(text)),
    };
    let number = match digits.split_once('/') {
        Some((above, below)) => {
            let (whole, above) = above.rsplit_once([' ', '-']).unwrap_or(("0", above));
            whole_number(whole)? + whole_number(above)? / whole_number(below)?
        }
        None => decimal(digits)?,
    };
    (number.is_finite()).then_some(sign * number)
}

fn whole_number(text: &str) -> Option<f64> {
    let text = text.trim();
    let digits = !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
    digits.then(|| text.parse().ok())?
}

fn decimal(text: &str) -> Option<f64> {
    // Only digits may begin it: Rust would also read `inf` and `NaN`, and a second sign.
    if !text.starts_with(|first: char| first.is_ascii_digit() || first == '.') {
        return None;
    }
    if !text.contains(',') {
        return text.parse().ok();
    }
    // A comma may only part thousands: elsewhere it may be meant as a decimal point.
    let (whole, _) = text.split_once('.').unwrap_or((text, ""));
    let mut groups = whole.split(',');
    let first = groups
        .next()
        .is_some_and(|first| (1..=3).contains(&first.len()));
    let thousands = first && groups.all(|group| group.len() == 3);
    thousands.then(|| text.replace(',', "").parse().ok())?
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_ends_where_its_unit_begins() {
        let check = |text, expected| assert_eq!(amount_and_unit(text), expected, "{text}");
        check("35psi", Some((35.0, "psi")));
        check("1 1/2 in", Some((1.5, "in")));
        check("-0.5 ft", Some((-0.5, "ft")));
        check("8.5e2 ft2", Some((850.0, "ft2")));
        check("3 each", Some((3.0, "each")));
        check("$1,200.50", Some((1_200.5, "$")));
        check("psi", None);
        check("1,5 psi", None);
        check("1/0", None);
    }
}
