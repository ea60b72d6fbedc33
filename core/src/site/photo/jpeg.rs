//! Reads a JPEG file (ITU-T T.81) as far as it takes to leave out all that a camera wrote about
//! itself: where it was, when, whose it is, small copies of the picture, and whatever follows its
//! end. The picture itself is not decoded; its coded bytes stay as they are.

#[cfg(test)]
mod tests;

use super::MAX_BYTES;

/// A picture and nothing else.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Plain {
    /// The file: [`plain`] of it is the same again.
    pub bytes: Vec<u8>,
    /// How wide it shows, in pixels.
    pub width: u32,
    /// How high it shows, in pixels.
    pub height: u32,
}

/// Why a file is no picture that is taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Unfit {
    /// It does not begin as a JPEG does.
    #[error("it is not a JPEG picture")]
    NotJpeg,
    /// It ends before the picture does.
    #[error("the picture is cut off: its end is missing")]
    CutOff,
    /// Something stands where it cannot.
    #[error("the picture is damaged at byte {0}")]
    Damaged(usize),
    /// A coding that not every browser shows.
    #[error("the picture is coded in a way that not every browser shows")]
    Unusual,
    /// Without all that was left out it is still too large.
    #[error("the picture has {0} bytes, and at most {MAX_BYTES} are taken")]
    TooLarge(usize),
}

/// Returns the picture alone: without EXIF (and with it any position), XMP, IPTC, colour profiles,
/// small copies, comments, or anything after its end. Which way up it is stays, in 36 bytes of a
/// fixed form; colours count as sRGB.
///
/// # Errors
/// [`Unfit`] where it is no JPEG picture of a usual kind, or still larger than [`MAX_BYTES`].
pub fn plain(file: &[u8]) -> Result<Plain, Unfit> {
    let mut reader = Reader { file, at: 0 };
    if reader.take(2) != Ok(&[0xFF, SOI]) {
        return Err(Unfit::NotJpeg);
    }
    let mut told = Told::default();
    loop {
        let at = reader.at;
        match reader.marker()? {
            EOI => break,
            SOS => {
                let head = reader.segment()?;
                told.keep(SOS, head);
                told.body.extend_from_slice(reader.scan()?);
                told.scans += 1;
            }
            marker @ SOF0..=SOF2 => told.frame(marker, reader.segment()?, at)?,
            marker @ (DHT | DQT | DRI) => told.keep(marker, reader.segment()?),
            APP0 => told.jfif(reader.segment()?),
            APP1 => told.exif(reader.segment()?),
            APP14 => told.adobe(reader.segment()?),
            0xE2..=0xEF | COM => drop(reader.segment()?),
            0xC3..=0xCF | DNL => return Err(Unfit::Unusual),
            _ => return Err(Unfit::Damaged(at)),
        }
    }
    told.plain(reader.at)
}

const SOF0: u8 = 0xC0;
const SOF2: u8 = 0xC2;
const DHT: u8 = 0xC4;
const SOI: u8 = 0xD8;
const EOI: u8 = 0xD9;
const SOS: u8 = 0xDA;
const DQT: u8 = 0xDB;
const DNL: u8 = 0xDC;
const DRI: u8 = 0xDD;
const APP0: u8 = 0xE0;
const APP1: u8 = 0xE1;
const APP14: u8 = 0xEE;
const COM: u8 = 0xFE;

/// Goes through the file.
struct Reader<'f> {
    file: &'f [u8],
    at: usize,
}

impl<'f> Reader<'f> {
    fn take(&mut self, count: usize) -> Result<&'f [u8], Unfit> {
        let end = self.at.checked_add(count).ok_or(Unfit::CutOff)?;
        let taken = self.file.get(self.at..end).ok_or(Unfit::CutOff)?;
        self.at = end;
        Ok(taken)
    }

    fn byte(&mut self) -> Result<u8, Unfit> {
        self.take(1).map(|byte| byte.first().copied().unwrap_or(0))
    }

    /// Reads the next marker; any number of 0xFF may stand before it.
    fn marker(&mut self) -> Result<u8, Unfit> {
        let at = self.at;
        if self.byte()? != 0xFF {
            return Err(Unfit::Damaged(at));
        }
        loop {
            match self.byte()? {
                0xFF => {}
                marker => return Ok(marker),
            }
        }
    }

    /// Reads what a segment holds, without its length.
    fn segment(&mut self) -> Result<&'f [u8], Unfit> {
        let at = self.at;
        let length = u16::from_be_bytes([self.byte()?, self.byte()?]);
        let count = length.checked_sub(2).ok_or(Unfit::Damaged(at))?;
        self.take(usize::from(count))
    }

    /// Reads coded bytes up to the next marker that ends them: 0xFF before a zero is a coded byte,
    /// and restarts stand among them.
    fn scan(&mut self) -> Result<&'f [u8], Unfit> {
        let rest = self.file.get(self.at..).unwrap_or_default();
        let pairs = rest.windows(2);
        let end = pairs
            .enumerate()
            .find(|(_, pair)| matches!(pair, [0xFF, 0x01..=0xCF | 0xD8..=0xFF]));
        let (end, _) = end.ok_or(Unfit::CutOff)?;
        self.take(end)
    }
}

/// What was read of a picture so far.
#[derive(Default)]
struct Told {
    jfif: Option<[u8; 7]>,
    turn: Option<u8>,
    size: Option<(u32, u32)>,
    scans: usize,
    body: Vec<u8>,
}

impl Told {
    fn keep(&mut self, marker: u8, segment: &[u8]) {
        write_segment(&mut self.body, marker, segment);
    }

    fn frame(&mut self, marker: u8, segment: &[u8], at: usize) -> Result<(), Unfit> {
        let &[_, h1, h0, w1, w0, ..] = segment else {
            return Err(Unfit::Damaged(at));
        };
        let [height, width] = [[h1, h0], [w1, w0]].map(u16::from_be_bytes).map(u32::from);
        if self.size.is_some() || width == 0 || height == 0 {
            return Err(Unfit::Damaged(at));
        }
        self.size = Some((width, height));
        self.keep(marker, segment);
        Ok(())
    }

    /// Keeps version and density of the first, and no small copy.
    fn jfif(&mut self, segment: &[u8]) {
        if let (None, Some(rest)) = (self.jfif, segment.strip_prefix(b"JFIF\0")) {
            self.jfif = rest.first_chunk().copied();
        }
    }

    /// Keeps which way up it is, of the first that says so.
    fn exif(&mut self, segment: &[u8]) {
        if self.turn.is_none() {
            self.turn = segment.strip_prefix(b"Exif\0\0").and_then(orientation);
        }
    }

    /// Keeps how the colours are coded, without which they would show wrong.
    fn adobe(&mut self, segment: &[u8]) {
        if let Some(known) = segment.first_chunk::<12>()
            && known.starts_with(b"Adobe")
        {
            write_segment(&mut self.body, APP14, known);
        }
    }

    fn plain(self, end: usize) -> Result<Plain, Unfit> {
        let (width, height) = self.size.ok_or(Unfit::Damaged(end))?;
        if self.scans == 0 {
            return Err(Unfit::Damaged(end));
        }
        let mut bytes = vec![0xFF, SOI];
        if let Some(jfif) = self.jfif {
            let no_copy = [0, 0];
            write_segment(
                &mut bytes,
                APP0,
                &[&b"JFIF\0"[..], &jfif, &no_copy].concat(),
            );
        }
        if let Some(turn) = self.turn {
            write_segment(&mut bytes, APP1, &only_orientation(turn));
        }
        bytes.extend_from_slice(&self.body);
        bytes.extend_from_slice(&[0xFF, EOI]);
        if bytes.len() > MAX_BYTES {
            return Err(Unfit::TooLarge(bytes.len()));
        }
        // From 5 on it lies on its side.
        let (width, height) = match self.turn {
            Some(5..) => (height, width),
            _ => (width, height),
        };
        Ok(Plain {
            bytes,
            width,
            height,
        })
    }
}

fn write_segment(out: &mut Vec<u8>, marker: u8, segment: &[u8]) {
    let length = u16::try_from(segment.len() + 2).expect("it was read from a segment");
    out.extend_from_slice(&[0xFF, marker]);
    out.extend_from_slice(&length.to_be_bytes());
    out.extend_from_slice(segment);
}

/// Reads which way up a picture is from its EXIF: 2 to 8, where that is not as it lies.
///
/// # Source
/// Exif 2.3, tag 0x0112 in the first directory of a TIFF 6.0 structure; from memory.
fn orientation(tiff: &[u8]) -> Option<u8> {
    let little = match tiff.get(..4)? {
        b"II*\0" => true,
        b"MM\0*" => false,
        _ => return None,
    };
    let short = |at: usize| {
        let bytes = *tiff.get(at..)?.first_chunk::<2>()?;
        Some(match little {
            true => u16::from_le_bytes(bytes),
            false => u16::from_be_bytes(bytes),
        })
    };
    let directory = {
        let bytes = *tiff.get(4..)?.first_chunk::<4>()?;
        let at = match little {
            true => u32::from_le_bytes(bytes),
            false => u32::from_be_bytes(bytes),
        };
        usize::try_from(at).ok()?
    };
    let count = usize::from(short(directory)?);
    let entries = (0..count).map(|nth| directory.saturating_add(2 + nth * 12));
    let value = entries
        .take_while(|at| *at < tiff.len())
        .find(|at| short(*at) == Some(0x0112) && short(at + 2) == Some(3))
        .and_then(|at| short(at + 8))?;
    u8::try_from(value)
        .ok()
        .filter(|turn| (2..=8).contains(turn))
}

/// Returns an EXIF that says which way up a picture is, and nothing else.
const fn only_orientation(turn: u8) -> [u8; 32] {
    let mut exif = *b"Exif\0\0MM\0*\0\0\0\x08\0\x01\x01\x12\0\x03\0\0\0\x01\0\0\0\0\0\0\0\0";
    exif[25] = turn;
    exif
}
