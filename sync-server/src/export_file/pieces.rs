//! A file that was checked, read again for its entries: some at a time, and held against what was checked, so
//! that nothing is taken of a file that was changed meanwhile.

use std::io::{self, BufRead, Seek};
use std::vec;

use super::{bytes_of, parted, running};

/// How much one piece is.
#[derive(Debug, Clone, Copy)]
pub(super) struct AtMost {
    /// How many entries at most,
    pub(super) entries: usize,
    /// and of how many bytes, beyond which the last of them may go.
    pub(super) bytes: usize,
}

impl AtMost {
    /// Each piece is one write of a store, and each write costs the same again: fewer pieces take less time,
    /// and more memory.
    pub(super) const USUAL: Self = Self {
        entries: 32_768,
        bytes: 8 << 20,
    };
}

/// In which pieces the entries of a file come.
#[derive(Debug)]
pub(super) struct Pieces {
    at_most: AtMost,
    /// How many lines stand before the first entry.
    heading: usize,
    pieces: Vec<Piece>,
}

/// Some entries, one behind the other.
#[derive(Debug, Default)]
struct Piece {
    entries: usize,
    bytes: usize,
    /// What proves all lines up to the last of them.
    so_far: String,
}

impl Pieces {
    /// None yet.
    pub(super) const fn of(at_most: AtMost) -> Self {
        Self {
            at_most,
            heading: 0,
            pieces: Vec::new(),
        }
    }

    /// Counts a line that stands before the first entry.
    pub(super) const fn heading_line(&mut self) {
        self.heading += 1;
    }

    /// Counts the entry that comes next, and keeps what proves all lines up to it.
    pub(super) fn entry(&mut self, bytes: usize, so_far: &str) {
        let AtMost {
            entries: most,
            bytes: most_bytes,
        } = self.at_most;
        let is_full = |piece: &Piece| piece.entries >= most || piece.bytes >= most_bytes;
        if self.pieces.last().is_none_or(is_full) {
            self.pieces.push(Piece::default());
        }
        let piece = self.pieces.last_mut().expect("it was just pushed");
        piece.entries += 1;
        piece.bytes += bytes;
        so_far.clone_into(&mut piece.so_far);
    }
}

/// A file on its second reading.
pub(super) struct Again<F> {
    file: F,
    /// How many lines are still to come before the first entry.
    heading: usize,
    pieces: vec::IntoIter<Piece>,
    so_far: String,
    line: Vec<u8>,
}

impl<F: BufRead + Seek> Again<F> {
    /// Begins at the first line.
    ///
    /// # Errors
    /// Where the file cannot be read.
    pub(super) fn over(mut file: F, pieces: Pieces) -> io::Result<Self> {
        file.rewind()?;
        Ok(Self {
            file,
            heading: pieces.heading,
            pieces: pieces.pieces.into_iter(),
            so_far: String::new(),
            line: Vec::new(),
        })
    }

    /// Returns the entries of the next piece, and an empty list after the last. None where what stands there is
    /// not what was checked.
    ///
    /// # Errors
    /// Where the file cannot be read.
    pub(super) fn next(&mut self) -> io::Result<Option<Vec<Vec<u8>>>> {
        let Some(piece) = self.pieces.next() else {
            return Ok(Some(Vec::new()));
        };
        let mut entries = Vec::with_capacity(piece.entries);
        while entries.len() < piece.entries {
            self.line.clear();
            self.file.read_until(b'\n', &mut self.line)?;
            let line = str::from_utf8(&self.line).ok();
            let Some((body, _)) = line.and_then(parted) else {
                return Ok(None);
            };
            self.so_far = running(&self.so_far, body);
            if self.heading > 0 {
                self.heading -= 1;
                continue;
            }
            let Some(raw) = bytes_of(body) else {
                return Ok(None);
            };
            entries.push(raw);
        }
        Ok((self.so_far == piece.so_far).then_some(entries))
    }
}
