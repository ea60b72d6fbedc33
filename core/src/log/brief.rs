//! A value in few bytes that tell where they end: numbers as their digits, everything else with its length.

use super::codec::{self, CodecError};
use super::decimals::{POWERS, decimals, digits};
use super::shapes::{Scan, number, put_at, signed, sized_by};
use super::value::{UnitNumber, Value};

/// What a value never begins with, for whoever writes something else in its place.
pub(crate) const NO_VALUE: u8 = 7;

const KIND_FROM: u32 = 3;
/// A number in eight bytes, or a value that is no number; else one more than its decimals.
const AS_IT_IS: u64 = 0;

/// Writes a value.
pub(crate) fn put(value: &Value, out: &mut Vec<u8>) {
    match (codec::amount(value), value) {
        (Some((tag, amount)), _) => {
            let tag = u64::from(tag) << KIND_FROM;
            match decimals(amount) {
                Some((decimals, digits)) => {
                    number(out, tag | u64::from(decimals + 1));
                    signed(out, digits);
                }
                None => {
                    number(out, tag | AS_IT_IS);
                    out.extend_from_slice(&amount.to_le_bytes());
                }
            }
            if let Value::Quantity { unit, .. } = value {
                number(out, u64::from(unit.0));
            }
        }
        (None, value) => {
            let at = out.len();
            out.push(0);
            let tag = sized_by(out, |out| codec::put_value(value, out));
            put_at(out, at, u64::from(tag) << KIND_FROM | AS_IT_IS);
        }
    }
}

/// Reads what [`put`] wrote.
///
/// # Errors
/// [`CodecError`] where the bytes are no such value.
pub(crate) fn read(left: &mut Scan<'_>) -> Result<Value, CodecError> {
    const ODD: CodecError = CodecError::Shape("a value in it is in another shape");
    let kind = left.number()?;
    let tag = u8::try_from(kind >> KIND_FROM).map_err(|_| ODD)?;
    let form = kind & ((1 << KIND_FROM) - 1);
    let Some(has_unit) = codec::is_amount(tag) else {
        return match form {
            AS_IT_IS => codec::frame_value(tag, left.sized()?),
            _ => Err(ODD),
        };
    };
    let amount = match form {
        AS_IT_IS => f64::from_le_bytes(left.array()?),
        more => {
            let power = usize::try_from(more - 1).ok();
            let power = power.and_then(|at| POWERS.get(at)).ok_or(ODD)?;
            left.signed()? as f64 / power
        }
    };
    Ok(match has_unit {
        false => Value::Number(amount),
        true => Value::Quantity {
            amount,
            unit: UnitNumber(left.number_u16()?),
        },
    })
}

/// What numbers that are alike have in common; what else there is to each are its digits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Form {
    Int,
    Amount {
        /// One of [`POWERS`].
        power: f64,
        unit: Option<UnitNumber>,
    },
}

impl Form {
    /// Returns that of a value, if it is a number of few digits.
    pub(crate) fn of(value: &Value) -> Option<Self> {
        if let Value::Int(_) = value {
            return Some(Self::Int);
        }
        let (_, amount) = codec::amount(value)?;
        let (decimals, _) = decimals(amount)?;
        Some(Self::Amount {
            power: *POWERS.get(usize::from(decimals))?,
            unit: unit(value),
        })
    }

    /// Returns the digits of a value of this form; of another, none.
    pub(crate) fn digits(self, value: &Value) -> Option<i64> {
        match (self, value) {
            (Self::Int, Value::Int(digits)) => Some(*digits),
            (Self::Amount { power, unit: of }, value) if unit(value) == of => {
                digits(codec::amount(value)?.1, power)
            }
            _ => None,
        }
    }

    /// Returns the value of these digits.
    pub(crate) fn value(self, digits: i64) -> Value {
        match self {
            Self::Int => Value::Int(digits),
            Self::Amount { power, unit } => {
                let amount = digits as f64 / power;
                match unit {
                    Some(unit) => Value::Quantity { amount, unit },
                    None => Value::Number(amount),
                }
            }
        }
    }
}

fn unit(value: &Value) -> Option<UnitNumber> {
    match value {
        Value::Quantity { unit, .. } => Some(*unit),
        _ => None,
    }
}

/// Passes over what [`put`] wrote.
///
/// # Errors
/// [`CodecError`] where the bytes are no such value; what is in one with a length is not looked at.
pub(crate) fn pass_over(left: &mut Scan<'_>) -> Result<(), CodecError> {
    let mut ahead = *left;
    let tag = u8::try_from(ahead.number()? >> KIND_FROM).ok();
    match tag.and_then(codec::is_amount) {
        Some(_) => read(left).map(drop),
        None => {
            ahead.sized()?;
            *left = ahead;
            Ok(())
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::codec::tests::value;
    use super::*;

    proptest! {
        #[test]
        fn values_come_back_the_same_and_tell_where_they_end(
            values in prop::collection::vec(value(), 0..6),
        ) {
            let mut out = Vec::new();
            for value in &values {
                let from = out.len();
                put(value, &mut out);
                prop_assert_ne!(out[from], NO_VALUE);
            }
            let (mut left, mut over) = (Scan::of(&out), Scan::of(&out));
            for value in &values {
                pass_over(&mut over).unwrap();
                prop_assert_eq!(&codec::encode_value(&read(&mut left).unwrap()), &codec::encode_value(value));
            }
            prop_assert!(left.is_empty() && over.is_empty());
        }

        #[test]
        fn a_number_is_its_digits_and_what_others_have_in_common_with_it(
            one in prop_oneof![value(), (0_u8..4, -5_000_i64..5_000).prop_map(|(decimals, digits)| {
                Value::Number(digits as f64 / POWERS[usize::from(decimals)])
            })],
            other in value(),
        ) {
            for (like, value) in [(&one, &one), (&one, &other), (&other, &one)] {
                let Some(form) = Form::of(like) else { continue };
                let digits = form.digits(value);
                prop_assert!(like != value || digits.is_some());
                if let Some(digits) = digits {
                    let again = codec::encode_value(&form.value(digits));
                    prop_assert_eq!(again, codec::encode_value(value));
                }
            }
        }

        #[test]
        fn no_bytes_make_the_reader_panic(bytes in any::<Vec<u8>>()) {
            let _unread = read(&mut Scan::of(&bytes)).is_ok();
            let _unread = pass_over(&mut Scan::of(&bytes)).is_ok();
        }
    }
}
