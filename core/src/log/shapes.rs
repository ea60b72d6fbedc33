//! The few shapes of postcard of which entries are made, written and read without a detour: numbers of
//! variable length, bytes with their length before them, frames. The bytes are postcard's own; the
//! general reader and writer take ids byte by byte and lists item by item, and cost several times
//! as much.

use super::codec::CodecError;

const SHORT: CodecError = CodecError::Shape("it is cut short or garbled");

/// Writes a number, seven bits a byte, the lowest first.
#[inline]
pub(crate) fn number(out: &mut Vec<u8>, mut number: u64) {
    while number >= 0x80 {
        out.push(number as u8 | 0x80);
        number >>= 7;
    }
    out.push(number as u8);
}

/// Writes a number that may be negative: the small ones of either sign are short.
#[inline]
pub(crate) fn signed(out: &mut Vec<u8>, number: i64) {
    self::number(out, ((number << 1) ^ (number >> 63)) as u64);
}

/// Writes bytes and, before them, how many they are.
#[inline]
pub(crate) fn sized(out: &mut Vec<u8>, bytes: &[u8]) {
    number(out, bytes.len() as u64);
    out.extend_from_slice(bytes);
}

/// Returns how many bytes so many come to with their number before them.
pub(crate) const fn sized_length(bytes: usize) -> usize {
    // Seven bits of the number a byte, and one byte for zero.
    let bits = usize::BITS - (bytes | 1).leading_zeros();
    bits.div_ceil(7) as usize + bytes
}

/// Writes what `body` writes and, before it, how many bytes that is; returns what `body` returns.
pub(crate) fn sized_by<T>(out: &mut Vec<u8>, body: impl FnOnce(&mut Vec<u8>) -> T) -> T {
    let at = out.len();
    out.push(0);
    let done = body(out);
    let length = out.len() - at - 1;
    put_at(out, at, length as u64);
    done
}

/// Writes a number in the place of the byte that was left for it.
pub(crate) fn put_at(out: &mut Vec<u8>, at: usize, number: u64) {
    if number < 0x80 {
        out[at] = number as u8;
    } else {
        // Rare: one of two bytes or three moves what is behind it on.
        let mut long = Vec::with_capacity(3);
        self::number(&mut long, number);
        out.splice(at..=at, long);
    }
}

/// Writes a frame: the kind that `body` returns, the length of what it wrote, and that.
pub(crate) fn framed(out: &mut Vec<u8>, body: impl FnOnce(&mut Vec<u8>) -> u8) {
    let at = out.len();
    out.push(0);
    out[at] = sized_by(out, body);
}

/// What is left to read.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Scan<'a>(&'a [u8]);

impl<'a> Scan<'a> {
    pub(crate) const fn of(bytes: &'a [u8]) -> Self {
        Self(bytes)
    }

    /// Ends the reading; anything left over is an error.
    pub(crate) const fn finish(self) -> Result<(), CodecError> {
        if self.is_empty() {
            Ok(())
        } else {
            Err(CodecError::Shape("there is more after its end"))
        }
    }

    pub(crate) const fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// Returns all of it, and reads none.
    pub(crate) const fn rest(&self) -> &'a [u8] {
        self.0
    }

    #[inline]
    pub(crate) fn byte(&mut self) -> Result<u8, CodecError> {
        let (&byte, rest) = self.0.split_first().ok_or(SHORT)?;
        self.0 = rest;
        Ok(byte)
    }

    #[inline]
    pub(crate) fn array<const N: usize>(&mut self) -> Result<[u8; N], CodecError> {
        let (array, rest) = self.0.split_first_chunk().ok_or(SHORT)?;
        self.0 = rest;
        Ok(*array)
    }

    #[inline]
    pub(crate) fn number(&mut self) -> Result<u64, CodecError> {
        self.of_bits(64)
    }

    #[inline]
    pub(crate) fn number_u16(&mut self) -> Result<u16, CodecError> {
        Ok(self.of_bits(16)? as u16) // 16 bits are all that was read
    }

    #[inline]
    pub(crate) fn signed(&mut self) -> Result<i64, CodecError> {
        let zigzag = self.number()?;
        Ok((zigzag >> 1) as i64 ^ -((zigzag & 1) as i64))
    }

    #[inline]
    pub(crate) fn signed_i16(&mut self) -> Result<i16, CodecError> {
        let zigzag = self.number_u16()?;
        Ok((zigzag >> 1) as i16 ^ -((zigzag & 1) as i16))
    }

    /// Reads how many there are of what follows.
    #[inline]
    pub(crate) fn count(&mut self) -> Result<usize, CodecError> {
        usize::try_from(self.number()?).map_err(|_| SHORT)
    }

    /// Reads a list: how many items, then each. Room is made for no more than the bytes can hold.
    pub(crate) fn items<T>(
        &mut self,
        item: impl Fn(&mut Self) -> Result<T, CodecError>,
    ) -> Result<Vec<T>, CodecError> {
        let count = self.count()?;
        let mut items = Vec::with_capacity(count.min(self.0.len() / 8));
        for _ in 0..count {
            items.push(item(self)?);
        }
        Ok(items)
    }

    #[inline]
    pub(crate) fn sized(&mut self) -> Result<&'a [u8], CodecError> {
        let length = self.count()?;
        self.bytes(length)
    }

    #[inline]
    pub(crate) fn bytes(&mut self, length: usize) -> Result<&'a [u8], CodecError> {
        let (bytes, rest) = self.0.split_at_checked(length).ok_or(SHORT)?;
        self.0 = rest;
        Ok(bytes)
    }

    #[inline]
    pub(crate) fn text(&mut self) -> Result<&'a str, CodecError> {
        core::str::from_utf8(self.sized()?).map_err(|_| SHORT)
    }

    /// Reads whether something follows.
    #[inline]
    pub(crate) fn is_there(&mut self) -> Result<bool, CodecError> {
        match self.byte()? {
            0 => Ok(false),
            1 => Ok(true),
            _ => Err(SHORT),
        }
    }

    /// Reads a number that fits so many bits.
    #[inline]
    fn of_bits(&mut self, bits: u32) -> Result<u64, CodecError> {
        // Most are short.
        if let Some((&byte, rest)) = self.0.split_first()
            && byte < 0x80
        {
            self.0 = rest;
            return Ok(u64::from(byte));
        }
        self.long_of_bits(bits)
    }

    fn long_of_bits(&mut self, bits: u32) -> Result<u64, CodecError> {
        // Most of those that are not have two bytes.
        if let [first, second, rest @ ..] = self.0
            && *second < 0x80
        {
            self.0 = rest;
            return Ok(u64::from(*second) << 7 | u64::from(first & 0x7F));
        }
        let most = bits.div_ceil(7);
        let (mut number, mut read) = (0, 0);
        if bits == 64
            && let Some(eight) = self.0.first_chunk()
        {
            let eight = u64::from_le_bytes(*eight);
            // The first byte that is below 0x80 is the last.
            let last = !eight & 0x8080_8080_8080_8080;
            if last != 0 {
                let many = last.trailing_zeros() / 8 + 1;
                self.0 = &self.0[many as usize..];
                return Ok(sevens(eight & (u64::MAX >> (64 - 8 * many))));
            }
            (number, read) = (sevens(eight), 8);
            self.0 = &self.0[8..];
        }
        for nth in read..most {
            let byte = self.byte()?;
            number |= u64::from(byte & 0x7F) << (7 * nth);
            if byte < 0x80 {
                let fits = nth + 1 < most || u32::from(byte) < 1 << (bits % 7);
                return if fits { Ok(number) } else { Err(SHORT) };
            }
        }
        Err(SHORT)
    }
}

/// Puts together the lower seven bits of each of eight bytes, the first byte's lowest.
const fn sevens(bytes: u64) -> u64 {
    let by_one = bytes & 0x7F7F_7F7F_7F7F_7F7F;
    let by_two = (by_one & 0x007F_007F_007F_007F) | ((by_one & 0x7F00_7F00_7F00_7F00) >> 1);
    let by_four = (by_two & 0x0000_3FFF_0000_3FFF) | ((by_two & 0x3FFF_0000_3FFF_0000) >> 2);
    (by_four & 0x0FFF_FFFF) | ((by_four & 0x0FFF_FFFF_0000_0000) >> 4)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn numbers_are_those_of_postcard(unsigned in any::<u64>(), signed in any::<i64>(),
            shift in 0_u32..64, short in any::<i16>(), bytes in any::<Vec<u8>>()) {
            let unsigned = unsigned >> shift;
            let mut ours = Vec::new();
            number(&mut ours, unsigned);
            self::signed(&mut ours, signed >> shift);
            self::signed(&mut ours, i64::from(short));
            let before = ours.len();
            sized(&mut ours, &bytes);
            prop_assert_eq!(sized_length(bytes.len()), ours.len() - before);
            let mut length = Vec::new();
            let long = (unsigned >> 8) as usize;
            number(&mut length, long as u64);
            prop_assert_eq!(sized_length(long), length.len() + long);
            let theirs = (unsigned, signed >> shift, short, &bytes);
            prop_assert_eq!(&ours, &postcard::to_allocvec(&theirs).unwrap());
        }

        #[test]
        fn what_postcard_reads_is_read_alike_and_the_rest_is_refused(
            bytes in prop::collection::vec(prop_oneof![any::<u8>(), Just(0x80), Just(0xFF)], 0..13)
        ) {
            let mut scan = Scan::of(&bytes);
            let ours = scan.number().ok().map(|number| (number, scan.rest()));
            prop_assert_eq!(ours, postcard::take_from_bytes(&bytes).ok());
            let ours = Scan::of(&bytes).signed_i16().ok();
            prop_assert_eq!(ours, postcard::take_from_bytes(&bytes).ok().map(|(it, _)| it));
            let ours = Scan::of(&bytes).number_u16().ok();
            prop_assert_eq!(ours, postcard::take_from_bytes(&bytes).ok().map(|(it, _)| it));
            let ours = Scan::of(&bytes).text().ok();
            prop_assert_eq!(ours, postcard::take_from_bytes::<&str>(&bytes).ok().map(|(it, _)| it));
        }

        #[test]
        fn a_frame_tells_the_length_of_any_body(body in prop::collection::vec(any::<u8>(), 0..400)) {
            let mut out = vec![9];
            framed(&mut out, |out| {
                out.extend_from_slice(&body);
                7
            });
            let mut scan = Scan::of(&out);
            prop_assert_eq!((scan.byte().unwrap(), scan.byte().unwrap()), (9, 7));
            prop_assert_eq!(scan.sized().unwrap(), &body[..]);
            prop_assert!(scan.finish().is_ok());
        }
    }
}
