//! What stands in a bundle before its lists.

use std::sync::Arc;

use super::{About, Author, ODD, Visit, Visits, Where};
use crate::log::brief;
use crate::log::codec::CodecError;
use crate::log::id::{ChainId, ObservationNumber, ThingId};
use crate::log::shapes::Scan;

/// What stands before the lists.
pub(super) struct Head {
    pub(super) authors: Vec<Author>,
    pub(super) visits: Visits,
    pub(super) values: Vec<usize>,
    pub(super) lists: Vec<(About, Where)>,
}

impl Head {
    /// Finds it in the first bytes of a bundle that has so many.
    pub(super) fn find(bytes: &[u8], length: usize) -> Result<Self, CodecError> {
        let mut left = Scan::of(bytes);
        let chains = left.items(|left| Ok(ChainId::from_bytes(left.array()?)))?;
        let people = left.items(|left| Ok(Arc::<str>::from(left.text()?)))?;
        let authors = left.items(|left| {
            let chain = *chains.get(left.count()?).ok_or(ODD)?;
            let by = Arc::clone(people.get(left.count()?).ok_or(ODD)?);
            let utc_offset_min = left.signed_i16()?;
            Ok(Author {
                chain,
                by,
                utc_offset_min,
            })
        })?;
        let at = |left: &Scan<'_>| bytes.len() - left.rest().len();
        let many = left.count()?;
        let visits = Visits {
            from: at(&left),
            many,
        };
        left.bytes(many.checked_mul(Visit::LENGTH).ok_or(ODD)?)?;
        let values = left.items(|left| {
            let at = at(left);
            brief::pass_over(left)?;
            Ok(at)
        })?;
        let (mut lists, bytes_of_lists) = lists(&mut left)?;
        let head = at(&left);
        if bytes_of_lists.checked_add(head) != Some(length) {
            return Err(ODD);
        }
        for (_, at) in &mut lists {
            at.from += head;
        }
        Ok(Self {
            authors,
            visits,
            values,
            lists,
        })
    }
}

/// Reads where the lists stand, one behind the other and the first at zero, and how many bytes they have.
fn lists(left: &mut Scan<'_>) -> Result<(Vec<(About, Where)>, usize), CodecError> {
    let mut lists: Vec<(About, Where)> = Vec::new();
    let mut bytes = 0_usize;
    for _ in 0..left.count()? {
        let thing = ThingId::from_bytes(left.array()?);
        for _ in 0..left.count()? {
            let what = ObservationNumber(left.number_u16()?);
            let (many, has_blanks) = (left.count()?, left.is_there()?);
            let length = left.count()?;
            // Each takes some bytes, so that there is room for no more than there can be.
            if many > length {
                return Err(ODD);
            }
            let at = Where {
                from: bytes,
                length,
                many,
                has_blanks,
            };
            lists.push(((thing, what), at));
            bytes = bytes.checked_add(length).ok_or(ODD)?;
        }
    }
    Ok((lists, bytes))
}
