//! Bytes in pieces that stay where they were read.

use std::borrow::Cow;

/// A piece of a bundle's bytes, kept where it was read.
pub(crate) type Piece = Box<dyn AsRef<[u8]> + Send + Sync>;

/// A bundle's bytes, piece by piece. What stands before the lists is in the first of them.
pub(super) struct Pieces(Vec<Piece>);

impl Pieces {
    pub(super) const fn of(pieces: Vec<Piece>) -> Self {
        Self(pieces)
    }

    /// Whether there is more than the first.
    pub(super) const fn are_many(&self) -> bool {
        self.0.len() > 1
    }

    pub(super) fn first(&self) -> &[u8] {
        self.0.first().map_or(&[], |piece| (**piece).as_ref())
    }

    pub(super) fn length(&self) -> usize {
        self.0.iter().map(|piece| (**piece).as_ref().len()).sum()
    }

    /// All of them as one.
    pub(super) fn joined(&self) -> Self {
        let mut all = Vec::with_capacity(self.length());
        for piece in &self.0 {
            all.extend_from_slice((**piece).as_ref());
        }
        Self(vec![Box::new(all)])
    }

    /// Returns the bytes from a place on, so many.
    pub(super) fn at(&self, from: usize, length: usize) -> Option<Cow<'_, [u8]>> {
        let (mut from, mut found) = (from, Vec::new());
        for piece in &self.0 {
            let bytes = (**piece).as_ref();
            let Some(rest) = bytes.get(from..) else {
                from -= bytes.len();
                continue;
            };
            let missing = length - found.len();
            if found.is_empty() && rest.len() >= missing {
                return Some(Cow::Borrowed(&rest[..missing]));
            }
            found.extend_from_slice(&rest[..rest.len().min(missing)]);
            from = 0;
        }
        (found.len() == length).then_some(Cow::Owned(found))
    }
}

impl core::fmt::Debug for Pieces {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        write!(f, "Pieces({} bytes)", self.length())
    }
}
