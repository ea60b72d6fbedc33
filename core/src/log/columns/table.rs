//! Which columns there are, in the order in which they are laid out.

use crate::log::codec::CodecError;
use crate::log::shapes::{Scan, sized, sized_length};

/// Most columns take a byte or two for each of a site's entries of a day.
const ROOM: usize = 128;

macro_rules! columns {
    (1: { $($(#[$doc:meta])* $column:ident,)* } 2: { $($(#[$doc_2:meta])* $column_2:ident,)* }) => {
        /// Each column as bytes; numbers are postcard's variable-length ones.
        #[derive(Debug)]
        pub(super) struct Columns {
            $($(#[$doc])* pub(super) $column: Vec<u8>,)*
            $($(#[$doc_2])* pub(super) $column_2: Vec<u8>,)*
        }

        impl Default for Columns {
            /// With room for what a site's day comes to.
            fn default() -> Self {
                Self {
                    $($column: Vec::with_capacity(ROOM),)*
                    $($column_2: Vec::with_capacity(ROOM),)*
                }
            }
        }

        impl Columns {
            /// Holds nothing again; the room stays.
            pub(super) fn clear(&mut self) {
                $(self.$column.clear();)*
                $(self.$column_2.clear();)*
            }

            /// One column after the other, each with its length before it.
            pub(super) fn laid_out(&self) -> Vec<u8> {
                let mut out = Vec::with_capacity(self.length());
                self.put(&mut out);
                out
            }

            pub(super) fn put(&self, out: &mut Vec<u8>) {
                $(sized(out, &self.$column);)*
                $(sized(out, &self.$column_2);)*
            }

            /// How many bytes they come to when they are laid out.
            pub(super) fn length(&self) -> usize {
                0 $(+ sized_length(self.$column.len()))* $(+ sized_length(self.$column_2.len()))*
            }
        }

        /// What is left of each column.
        pub(super) struct Left<'a> {
            $(pub(super) $column: Scan<'a>,)*
            $(pub(super) $column_2: Scan<'a>,)*
        }

        impl<'a> Left<'a> {
            pub(super) fn of(version: u8, laid_out: &'a [u8]) -> Result<Self, CodecError> {
                Self::split(version, laid_out)
                    .map_err(|_| CodecError::Shape("its columns are in another shape"))
            }

            fn split(version: u8, laid_out: &'a [u8]) -> Result<Self, CodecError> {
                let mut scan = Scan::of(laid_out);
                let left = Self {
                    $($column: Scan::of(scan.sized()?),)*
                    $($column_2: Scan::of(if version > 1 { scan.sized()? } else { &[] }),)*
                };
                scan.finish()?;
                Ok(left)
            }
        }
    };
}

columns! {
    1: {
        /// For each entry, whether it is laid out or travels as it is.
        shape,
        /// Ids and names, each at its first use; the other columns give their numbers.
        ids,
        names,
        logbook,
        device,
        by,
        visit,
        thing,
        /// Differences from what the same device's entry before would lead one to expect.
        seq,
        /// Whether the tip of the entry before is spelled out: not where that is the device's last one
        /// in the batch.
        prev,
        tips,
        wall,
        tick,
        offset,
        gained,
        /// How many changes, then each change's parts.
        changes,
        kind,
        field,
        how,
        tag,
        length,
        body,
    }
    2: {
        /// Whether the tip of an entry that was gained is spelled out: not where that entry is in the
        /// batch.
        known,
        /// For each number with or without a unit, how many decimals it has, and one more; zero where
        /// it is in eight bytes among the bodies.
        decimals,
        /// The number without its decimal point.
        amount,
        unit,
        /// For each id that is shortened: its number among the ids, that of the logbook in which the
        /// listener knows it, and what is told of it.
        short,
    }
}

/// An entry that travels as it is.
pub(super) const AS_IT_IS: u8 = 0;
/// One that is laid out.
pub(super) const LAID_OUT: u8 = 1;
