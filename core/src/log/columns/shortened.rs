//! Batches in which ids that the listener holds are shortened, as exchange version 1 sent them: they are
//! read, and no longer written.

use std::collections::{BTreeMap, BTreeSet};

use super::{Reader, VERSION, inflated};
use crate::log::codec::CodecError;
use crate::log::id::LogbookId;

/// What such a batch begins with.
const SHORTENED: u8 = 3;
/// How many bytes of a shortened id are told.
const SHORT: usize = size_of::<Short>();

/// What is told of an id when it is shortened: its last bytes, which are chance.
pub type Short = [u8; 3];
/// Ids by that.
pub type Found = BTreeMap<Short, [u8; 16]>;
/// What is told of an id when it is shortened.
pub fn short(id: &[u8; 16]) -> Short {
    let (_, told) = id.split_last_chunk().expect("an id is longer");
    *told
}

/// Returns whether whoever unpacks this needs the ids that occur in entries held already.
pub fn is_shortened(packed: &[u8]) -> bool {
    packed.first() == Some(&SHORTENED)
}

/// Unpacks a batch in which they are; `find` gives whole ids that occur in a logbook's entries here, by
/// what is told of them. None where they are not found, or are others.
///
/// # Errors
/// [`CodecError`] where the bytes are no such batch, or unpack to more than `max_bytes`.
pub fn unpack_with<E: From<CodecError>>(
    packed: &[u8],
    max_bytes: usize,
    find: impl FnMut(LogbookId, &BTreeSet<Short>) -> Result<Found, E>,
) -> Result<Option<Vec<Vec<u8>>>, E> {
    let rest = packed.strip_prefix(&[SHORTENED]);
    let parts = rest.and_then(|rest| rest.split_first_chunk::<8>());
    let (told, deflated) = parts.ok_or(CodecError::Shape("it is cut short"))?;
    let laid_out = inflated(deflated, max_bytes)?;
    let mut reader = Reader::of_version(VERSION, &laid_out)?;
    if !reader.lengthen(find)? {
        return Ok(None);
    }
    let raws = reader.raws(max_bytes)?;
    Ok((check(&raws) == *told).then_some(raws))
}

/// The check over all entries.
fn check(raws: &[Vec<u8>]) -> [u8; 8] {
    let mut hasher = blake3::Hasher::new_derive_key("headwalk 2026 shortened batch v1");
    for raw in raws {
        hasher.update(&(raw.len() as u64).to_be_bytes()).update(raw);
    }
    let mut check = [0; 8];
    hasher.finalize_xof().fill(&mut check);
    check
}

impl Reader<'_> {
    /// Puts whole ids in the places of those that were shortened; says whether it could.
    fn lengthen<E: From<CodecError>>(
        &mut self,
        mut find: impl FnMut(LogbookId, &BTreeSet<Short>) -> Result<Found, E>,
    ) -> Result<bool, E> {
        const ODD: CodecError = CodecError::Shape("a shortened id in it is in another shape");
        let mut told = Vec::new();
        let mut left = self.left.short;
        while !left.is_empty() {
            let (number, home) = (left.count()?, left.count()?);
            told.push((number, home, left.array::<SHORT>()?));
        }
        // The spelled out ids stand in the order of their numbers, with gaps for the others.
        let mut spelled = core::mem::take(&mut self.ids).into_iter();
        let mut all: Vec<Option<[u8; 16]>> = Vec::new();
        for &(number, ..) in &told {
            if number < all.len() {
                return Err(ODD.into());
            }
            while all.len() < number {
                all.push(Some(spelled.next().ok_or(ODD)?));
            }
            all.push(None);
        }
        all.extend(spelled.map(Some));
        let mut wanted: BTreeMap<LogbookId, Vec<(usize, Short)>> = BTreeMap::new();
        for (number, home, short) in told {
            let home = all.get(home).copied().flatten().ok_or(ODD)?;
            let home = LogbookId::from_bytes(home);
            wanted.entry(home).or_default().push((number, short));
        }
        for (home, wanted) in wanted {
            let shorts = wanted.iter().map(|(_, short)| *short).collect();
            let found = find(home, &shorts)?;
            for (number, short) in wanted {
                match found.get(&short) {
                    Some(id) => all[number] = Some(*id),
                    None => return Ok(false),
                }
            }
        }
        self.ids = all.into_iter().flatten().collect();
        Ok(true)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::deflated;
    use super::*;

    proptest! {
        #[test]
        fn no_bytes_make_the_unpacker_panic(bytes in any::<Vec<u8>>()) {
            let mut batch = vec![SHORTENED];
            batch.extend([0; 8]);
            batch.extend(deflated(&bytes));
            let find = |_: LogbookId, wanted: &BTreeSet<Short>| {
                Ok::<_, CodecError>(wanted.iter().map(|told| (*told, [7; 16])).collect())
            };
            prop_assert!(is_shortened(&batch));
            let _unread = unpack_with(&batch, 1 << 20, find).is_ok();
            let _unread = unpack_with(&bytes, 1 << 20, find).is_ok();
        }
    }
}
