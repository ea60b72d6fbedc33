//! A folder of pictures, each once, under its digest: at the hub, and beside a store on a computer.
//! It knows files and digests, and neither entries nor who may have what.
//!
//! A picture lies in `ab/DIGEST.jpg`, where `ab` begins its digest, and has that name only when it is
//! whole, right and on disk. What has arrived of one so far lies beside it, a file for each sender, so
//! that nobody can spoil another's. A picture that does not read as its digest any more is put aside
//! under another name, and counts as not here until somebody brings it again.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use headwalk_core::log::id::DeviceId;
use headwalk_core::site::photo::jpeg::{self, Unfit};
use headwalk_core::site::photo::{MAX_BYTES, PhotoDigest};

/// A folder of pictures. It comes into being with its first picture.
#[derive(Debug, Clone)]
pub struct Folder {
    root: PathBuf,
    // Held while a piece is written, each for the digests that begin so: a sender that was cut off may
    // send a piece again while the first is still being written.
    writing: Arc<[Mutex<()>; LOCKS]>,
}

/// So many pictures can be written at once.
const LOCKS: usize = 64;

/// What of a picture is here.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Held {
    /// So many of its first bytes, from that sender.
    Part(u64),
    /// All of it.
    Whole,
}

/// Why a piece of a picture was not taken.
#[derive(Debug, thiserror::Error)]
pub enum NotTaken {
    /// The disk said no.
    #[error(transparent)]
    Disk(#[from] io::Error),
    /// It is larger than a picture may be.
    #[error("a picture of {0} bytes: at most {MAX_BYTES} are taken")]
    TooLarge(u64),
    /// Whole, it is another picture; what had come of it is gone.
    #[error("what came is not that picture")]
    Other,
    /// Whole, it is no picture, or has more on it than the picture; what had come of it is gone.
    #[error("{}", .0.map_or_else(|| "it carries more than the picture".to_owned(), |why| why.to_string()))]
    NotPlain(Option<Unfit>),
}

impl Folder {
    /// Names the folder.
    #[must_use]
    pub fn at(root: PathBuf) -> Self {
        let writing = Arc::new([const { Mutex::new(()) }; LOCKS]);
        Self { root, writing }
    }

    fn shelf(&self, digest: PhotoDigest) -> PathBuf {
        let [first, ..] = digest.bytes();
        self.root.join(format!("{first:02x}"))
    }

    fn whole(&self, digest: PhotoDigest) -> PathBuf {
        self.shelf(digest).join(format!("{digest}.jpg"))
    }

    fn part(&self, digest: PhotoDigest, from: DeviceId) -> PathBuf {
        self.shelf(digest).join(format!("{digest}.{from}.part"))
    }

    /// Returns whether a picture is here, by its name alone.
    #[must_use]
    pub fn has(&self, digest: PhotoDigest) -> bool {
        self.whole(digest).exists()
    }

    /// Returns what of a picture is here, for one who would send it.
    ///
    /// # Errors
    /// Where the disk fails.
    pub fn held(&self, digest: PhotoDigest, from: DeviceId) -> io::Result<Held> {
        if self.has(digest) {
            return Ok(Held::Whole);
        }
        match fs::metadata(self.part(digest, from)) {
            Ok(part) => Ok(Held::Part(part.len())),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(Held::Part(0)),
            Err(error) => Err(error),
        }
    }

    /// Reads a picture; none where it is not here. One that is damaged is put aside, and is not here.
    ///
    /// # Errors
    /// Where the disk fails.
    pub fn read(&self, digest: PhotoDigest) -> io::Result<Option<Vec<u8>>> {
        let path = self.whole(digest);
        let bytes = match fs::read(&path) {
            Ok(bytes) => bytes,
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
            Err(error) => return Err(error),
        };
        if PhotoDigest::of(&bytes) == digest {
            return Ok(Some(bytes));
        }
        fs::rename(&path, path.with_extension("damaged"))?;
        Ok(None)
    }

    /// Takes one piece of a picture of `size` bytes, if it begins where the pieces before it end;
    /// what it returns is on disk. A piece that is here already, or that comes too early, changes
    /// nothing. With the last one the picture is held against its digest and gets its name.
    ///
    /// # Errors
    /// [`NotTaken`].
    pub fn take(
        &self,
        digest: PhotoDigest,
        from: DeviceId,
        size: u64,
        (at, piece): (u64, &[u8]),
    ) -> Result<Held, NotTaken> {
        if size > MAX_BYTES as u64 {
            return Err(NotTaken::TooLarge(size));
        }
        let [first, ..] = digest.bytes();
        let lock = self.writing.get(usize::from(*first) % LOCKS);
        let lock = lock.expect("a remainder is less than what divides");
        // What it guards is on disk, and is looked at anew each time.
        let _writing = lock.lock().unwrap_or_else(PoisonError::into_inner);
        let part = self.part(digest, from);
        let held = match self.held(digest, from)? {
            Held::Whole => {
                // Somebody else brought it meanwhile.
                remove(&part)?;
                return Ok(Held::Whole);
            }
            Held::Part(held) => held,
        };
        if held > size {
            remove(&part)?; // begun as something else
            return Ok(Held::Part(0));
        }
        if at == held && !piece.is_empty() {
            let end = at.saturating_add(piece.len() as u64);
            if end > size {
                remove(&part)?;
                return Err(NotTaken::Other);
            }
            self.append(digest, &part, piece)?;
            if end < size {
                return Ok(Held::Part(end));
            }
        } else if held < size || size == 0 {
            return Ok(Held::Part(held));
        }
        // Also where the last piece was here and the name was not: an end between the two.
        let bytes = fs::read(&part)?;
        if let Err(why) = fits(digest, &bytes) {
            remove(&part)?;
            return Err(why);
        }
        fs::rename(&part, self.whole(digest))?;
        self.names_are_kept(digest)?;
        Ok(Held::Whole)
    }

    /// Keeps a whole picture; it is on disk when this returns.
    ///
    /// # Errors
    /// [`NotTaken`].
    pub fn keep(&self, bytes: &[u8], from: DeviceId) -> Result<PhotoDigest, NotTaken> {
        let digest = PhotoDigest::of(bytes);
        remove(&self.part(digest, from))?;
        self.take(digest, from, bytes.len() as u64, (0, bytes))?;
        Ok(digest)
    }

    fn append(&self, digest: PhotoDigest, part: &Path, piece: &[u8]) -> io::Result<()> {
        fs::create_dir_all(self.shelf(digest))?;
        let mut file = File::options().create(true).append(true).open(part)?;
        file.write_all(piece)?;
        file.sync_data()
    }

    /// Returns when the names in the folder are on disk.
    fn names_are_kept(&self, digest: PhotoDigest) -> io::Result<()> {
        // Elsewhere a folder cannot be opened to be flushed; there a rename is kept by itself.
        if cfg!(unix) {
            for folder in [self.shelf(digest), self.root.clone()] {
                File::open(folder)?.sync_all()?;
            }
            if let Some(above) = self.root.parent().filter(|above| above.is_dir()) {
                File::open(above)?.sync_all()?;
            }
        }
        Ok(())
    }
}

/// Holds bytes against their digest, and sees that they are a picture and nothing else.
fn fits(digest: PhotoDigest, bytes: &[u8]) -> Result<(), NotTaken> {
    if PhotoDigest::of(bytes) != digest {
        return Err(NotTaken::Other);
    }
    match jpeg::plain(bytes) {
        Ok(plain) if plain.bytes == bytes => Ok(()),
        Ok(_) => Err(NotTaken::NotPlain(None)),
        Err(why) => Err(NotTaken::NotPlain(Some(why))),
    }
}

fn remove(path: &Path) -> io::Result<()> {
    match fs::remove_file(path) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => Err(error),
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PICTURE: &[u8] = include_bytes!("../../../fixtures/photos/with-position.jpg");

    fn plain() -> Vec<u8> {
        jpeg::plain(PICTURE).unwrap().bytes
    }

    fn device(number: u8) -> DeviceId {
        DeviceId::from_bytes([number; 16])
    }

    fn files(folder: &Path) -> Vec<String> {
        let mut names = Vec::new();
        for shelf in fs::read_dir(folder).unwrap() {
            for file in fs::read_dir(shelf.unwrap().path()).unwrap() {
                names.push(file.unwrap().file_name().into_string().unwrap());
            }
        }
        names.sort();
        names
    }

    #[test]
    fn a_picture_that_comes_in_pieces_of_any_size_is_kept_once_and_whole() {
        let (bytes, from) = (plain(), device(1));
        let (digest, size) = (PhotoDigest::of(&bytes), bytes.len() as u64);
        for piece in [1_000, 1_777, bytes.len()] {
            let scratch = tempfile::tempdir().unwrap();
            let folder = Folder::at(scratch.path().join("photos"));
            let mut at = 0;
            while let Held::Part(held) = folder.held(digest, from).unwrap() {
                assert_eq!(held, at);
                let start = usize::try_from(held).unwrap();
                let end = bytes.len().min(start + piece);
                let piece = &bytes[start..end];
                // Each comes twice, and one comes too early.
                folder.take(digest, from, size, (held + 1, piece)).unwrap();
                let first = folder.take(digest, from, size, (held, piece)).unwrap();
                assert_eq!(
                    folder.take(digest, from, size, (held, piece)).unwrap(),
                    first
                );
                at = end as u64;
            }
            assert_eq!(folder.read(digest).unwrap().as_deref(), Some(&bytes[..]));
            assert_eq!(
                files(&scratch.path().join("photos")),
                [format!("{digest}.jpg")]
            );
        }
    }

    #[test]
    fn a_sender_that_says_everything_several_times_at_once_spoils_nothing() {
        let (bytes, from) = (plain(), device(1));
        let (digest, size) = (PhotoDigest::of(&bytes), bytes.len() as u64);
        for _ in 0..20 {
            let scratch = tempfile::tempdir().unwrap();
            let folder = Folder::at(scratch.path().to_owned());
            for (nth, piece) in bytes.chunks(150).enumerate() {
                std::thread::scope(|scope| {
                    for _ in 0..4 {
                        let (folder, at) = (&folder, nth as u64 * 150);
                        scope.spawn(move || folder.take(digest, from, size, (at, piece)));
                    }
                });
            }
            assert_eq!(folder.read(digest).unwrap().as_deref(), Some(&bytes[..]));
        }
    }

    #[test]
    fn an_end_between_the_last_piece_and_its_name_is_made_good_by_the_next_word() {
        let scratch = tempfile::tempdir().unwrap();
        let folder = Folder::at(scratch.path().to_owned());
        let (bytes, from) = (plain(), device(1));
        let (digest, size) = (PhotoDigest::of(&bytes), bytes.len() as u64);
        folder
            .append(digest, &folder.part(digest, from), &bytes)
            .unwrap();
        assert_eq!(folder.held(digest, from).unwrap(), Held::Part(size));
        assert_eq!(
            folder.take(digest, from, size, (size, &[])).unwrap(),
            Held::Whole
        );
    }

    #[test]
    fn two_senders_do_not_meddle_and_the_second_finds_it_here() {
        let scratch = tempfile::tempdir().unwrap();
        let folder = Folder::at(scratch.path().to_owned());
        let bytes = plain();
        let (digest, size) = (PhotoDigest::of(&bytes), bytes.len() as u64);
        folder
            .take(digest, device(1), size, (0, &bytes[..900]))
            .unwrap();
        folder
            .take(digest, device(2), size, (0, b"spoiled"))
            .unwrap();
        let whole = folder.take(digest, device(1), size, (900, &bytes[900..]));
        assert_eq!(whole.unwrap(), Held::Whole);
        let second = folder.take(digest, device(2), size, (7, &bytes[7..]));
        assert_eq!(second.unwrap(), Held::Whole);
        assert_eq!(files(scratch.path()), [format!("{digest}.jpg")]);
    }

    #[test]
    fn what_is_another_picture_or_none_is_refused_and_leaves_nothing() {
        let scratch = tempfile::tempdir().unwrap();
        let folder = Folder::at(scratch.path().to_owned());
        let (bytes, from) = (plain(), device(1));
        let (digest, size) = (PhotoDigest::of(&bytes), bytes.len() as u64);
        let mut other = bytes.clone();
        other[700] ^= 1;
        let told = folder.take(digest, from, size, (0, &other));
        assert!(matches!(told, Err(NotTaken::Other)), "{told:?}");
        let told = folder.take(digest, from, size - 1, (0, &bytes));
        assert!(matches!(told, Err(NotTaken::Other)), "{told:?}");
        let with_position = PhotoDigest::of(PICTURE);
        let told = folder.take(with_position, from, PICTURE.len() as u64, (0, PICTURE));
        assert!(matches!(told, Err(NotTaken::NotPlain(None))), "{told:?}");
        let told = folder.keep(b"words", from);
        assert!(
            matches!(told, Err(NotTaken::NotPlain(Some(Unfit::NotJpeg)))),
            "{told:?}"
        );
        let told = folder.take(digest, from, 1 << 40, (0, &bytes));
        assert!(matches!(told, Err(NotTaken::TooLarge(_))), "{told:?}");
        assert_eq!(files(scratch.path()), Vec::<String>::new());
        assert_eq!(folder.held(digest, from).unwrap(), Held::Part(0));
    }

    #[test]
    fn a_picture_that_is_damaged_on_disk_is_not_here_until_it_comes_again() {
        let scratch = tempfile::tempdir().unwrap();
        let folder = Folder::at(scratch.path().to_owned());
        let bytes = plain();
        let digest = folder.keep(&bytes, device(1)).unwrap();
        for at in [0, bytes.len() / 2, bytes.len() - 1] {
            let mut damaged = bytes.clone();
            damaged[at] ^= 4;
            fs::write(folder.whole(digest), damaged).unwrap();
            assert_eq!(folder.read(digest).unwrap(), None, "{at}");
            assert!(!folder.has(digest));
            folder.keep(&bytes, device(2)).unwrap();
            assert_eq!(folder.read(digest).unwrap().as_deref(), Some(&bytes[..]));
        }
    }
}
