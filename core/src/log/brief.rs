//! A value in few bytes that tell where they end: numbers as their digits, everything else with its length.

use super::codec::{self, CodecError};
use super::columns::{POWERS, decimals};
use super::shapes::{Scan, number, signed, sized};
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
            let mut body = Vec::new();
            let tag = codec::put_value(value, &mut body);
            number(out, u64::from(tag) << KIND_FROM | AS_IT_IS);
            sized(out, &body);
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
        fn no_bytes_make_the_reader_panic(bytes in any::<Vec<u8>>()) {
            let _unread = read(&mut Scan::of(&bytes)).is_ok();
            let _unread = pass_over(&mut Scan::of(&bytes)).is_ok();
        }
    }
}
