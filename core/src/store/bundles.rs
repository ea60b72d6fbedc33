//! Bundles of observations as they lie in the table of balances: in pieces, each cut to fill a page.

use redb::{AccessGuard, Range, ReadOnlyTable, ReadableTable};

use super::balances::damaged;
use super::{Error, block, tables};
use crate::log::id::{Arrival, LogbookId};
use crate::merge::bundle::Bundle;
use crate::merge::pieces::Piece;

/// A bundle has no so many pieces.
pub(super) const LAST_PIECE: u16 = u16::MAX;
/// How many bytes of a row its check takes, before the piece.
const CHECK: usize = 8;
/// What redb takes of a page for itself where one row fills it, and the check.
const TAKEN: usize = 42 + CHECK;
/// The smallest page, and the largest for which a bundle is cut.
const PAGES: core::ops::RangeInclusive<usize> = 4 * 1_024..=256 * 1_024;

/// The keys of the table: a logbook, an arrival, and which piece.
pub(super) type Rows = &'static [u8; 26];

/// What is known of a bundle without reading it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Bundled {
    /// When what is in it began to come.
    pub(super) from: Arrival,
    /// How many observations it holds,
    pub(super) many: u64,
    /// in how many bytes.
    pub(super) length: u64,
}

/// Whether what is told of a store keeps the pages that redb read from the file. Where somebody writes, a page
/// may be given another use, so redb wants it back before.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Pages {
    Kept,
    Copied,
}

/// A piece of a bundle in its page. It keeps the page and nothing else: the file can be closed.
struct Page(AccessGuard<'static, &'static [u8]>);

impl AsRef<[u8]> for Page {
    fn as_ref(&self) -> &[u8] {
        &self.0.value()[CHECK..]
    }
}

/// The pieces of a bundle, in their pages.
pub(super) fn kept(
    rows: &ReadOnlyTable<Rows, &'static [u8]>,
    logbook: LogbookId,
    from: Arrival,
) -> Result<impl Iterator<Item = Result<Piece, Error>>, Error> {
    let (first, last) = ends(logbook, from);
    let rows = rows.range::<&[u8; 26]>(&first..&last)?;
    Ok(each_piece(rows, |row| Box::new(Page(row))))
}

/// The same, copied.
pub(super) fn copied<'t>(
    rows: &'t impl ReadableTable<Rows, &'static [u8]>,
    logbook: LogbookId,
    from: Arrival,
) -> Result<impl Iterator<Item = Result<Piece, Error>> + 't, Error> {
    let (first, last) = ends(logbook, from);
    let rows = rows.range::<&[u8; 26]>(&first..&last)?;
    Ok(each_piece(rows, |row| {
        Box::new(row.value()[CHECK..].to_vec())
    }))
}

/// The key of a bundle's first piece, and one behind its last.
fn ends(logbook: LogbookId, from: Arrival) -> ([u8; 26], [u8; 26]) {
    (key(logbook, from, 0), key(logbook, from, LAST_PIECE))
}

/// Makes a piece of each row that fits its check.
fn each_piece<'t>(
    rows: Range<'t, Rows, &'static [u8]>,
    piece: fn(AccessGuard<'t, &'static [u8]>) -> Piece,
) -> impl Iterator<Item = Result<Piece, Error>> + 't {
    rows.map(move |row| {
        let (key, row) = row?;
        tables::behind_sum(key.value(), row.value(), "balances")?;
        Ok(piece(row))
    })
}

/// Reads a bundle from its pieces.
///
/// # Errors
/// [`Error::DamagedIndex`] where it is not what was written.
pub(super) fn bundle(
    Bundled { many, length, .. }: Bundled,
    mut rows: impl Iterator<Item = Result<Piece, Error>>,
) -> Result<Bundle, Error> {
    let mut missing = usize::try_from(length).map_err(|_| damaged())?;
    let mut pieces = Vec::new();
    // No further than that: looking whether there is more reads another page.
    while missing > 0 {
        let piece = rows.next().ok_or(damaged())??;
        let length = (*piece).as_ref().len();
        missing = missing.checked_sub(length).ok_or(damaged())?;
        pieces.push(piece);
    }
    let bundle = Bundle::read(pieces).map_err(|_| damaged())?;
    match bundle.len() as u64 == many {
        true => Ok(bundle),
        false => Err(damaged()),
    }
}

pub(super) fn key(logbook: LogbookId, from: Arrival, piece: u16) -> [u8; 26] {
    let mut key = [0; 26];
    key[..24].copy_from_slice(&block::key(logbook, from));
    key[24..].copy_from_slice(&piece.to_be_bytes());
    key
}

/// Cuts a bundle's bytes for pages of redb, which gives a row of more than 4 KiB a page of twice that or four
/// or eight times: into few pieces, since each is a page to read, but so that what is left over of the
/// last one's is at most a third of all bytes.
pub(super) fn pieces(bytes: &[u8]) -> impl Iterator<Item = &[u8]> {
    let mut left = bytes;
    core::iter::from_fn(move || {
        let mut page = *PAGES.start();
        while page < *PAGES.end() && page - TAKEN < left.len() {
            page *= 2;
        }
        let left_over = (page - TAKEN).saturating_sub(left.len());
        let fits = page == *PAGES.start() || left_over <= bytes.len() / 3;
        let filled = if fits { page } else { page / 2 } - TAKEN;
        let (piece, rest) = left.split_at(filled.min(left.len()));
        left = rest;
        (!piece.is_empty()).then_some(piece)
    })
}
