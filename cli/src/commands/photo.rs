//! `headwalk photo`: pictures of things: put one in, list them, get one out.

use std::fs;
use std::path::{Path, PathBuf};

use serde::Serialize;

use headwalk_core::site::fields::seen;
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::photo::{self, MAX_BYTES, Photo, PhotoDigest, Shows, jpeg};
use headwalk_core::site::things::{Seen, Site, observe};
use headwalk_core::site::words::{Vocabulary, plain};
use headwalk_core::store::Store;

use crate::call::Call;
use crate::error::{Error, Kind};
use crate::hub::OwnHub;
use crate::logbook::state_of;
use crate::output::{Page, Report, counted};
use crate::photos::{Album, Whereabouts};
use crate::record::{Action, Recorded, record};
use crate::roots::{Root, Roots};
use crate::said::called;

/// Put a picture of a thing in, list pictures, or get one out.
///
/// An entry names the picture by its digest; the picture itself lies in a folder beside the store, and
/// goes to the office after the entries, with `headwalk exchange`. Of a JPEG file all is left out but
/// the picture: where and when it was taken, whose it is, small copies of it.
///
/// Example: headwalk photo list "Maple Court"
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    step: Step,
}

#[derive(Debug, clap::Subcommand)]
enum Step {
    /// Put a picture of a thing in: a JPEG file of at most 4 MiB.
    ///
    /// Example: headwalk photo add "Maple Court" 3-02-head-tilted head.jpg --shows before
    Add(Add),
    /// List pictures, and where each is.
    ///
    /// Example: headwalk photo list "Maple Court"
    List {
        /// The site; all sites without it.
        site: Option<String>,
        /// The thing: a head, a finding, a zone ...
        thing: Option<String>,
    },
    /// Write a picture to a file; one that is not here is brought from the office.
    ///
    /// Example: headwalk photo get "Maple Court" photo-6ec5fade --out head.jpg
    Get(Get),
}

#[derive(Debug, clap::Args)]
struct Add {
    /// The site, by its name or enough of it.
    site: String,
    /// The thing: a head, a finding, a zone, a valve, the controller, a spot.
    thing: String,
    /// The picture, a JPEG file.
    file: PathBuf,
    /// What it shows: before, after, evidence.
    #[arg(long, value_name = "WHAT")]
    shows: Option<String>,
    /// What it is, in a few words.
    #[arg(long, value_name = "TEXT")]
    caption: Option<String>,
    /// When it was taken: a moment such as 2026-07-14T07:30.
    #[arg(long, value_name = "WHEN")]
    taken: Option<String>,
}

#[derive(Debug, clap::Args)]
struct Get {
    /// The site, by its name or enough of it.
    site: String,
    /// The picture: its name, such as photo-6ec5fade, or its digest.
    photo: String,
    /// The file to write; else the picture's name with .jpg.
    #[arg(long, value_name = "PATH")]
    out: Option<PathBuf>,
}

/// How long a caption may be, in bytes: what its field takes.
const MOST_WORDS: usize = 200;

/// One picture.
#[derive(Debug, Clone, Serialize)]
pub struct PhotoLine {
    photo: String,
    digest: String,
    logbook: String,
    site: String,
    /// The thing that it is of.
    thing: String,
    /// What that is called.
    of: String,
    shows: Option<&'static str>,
    caption: Option<String>,
    /// When it was taken, in RFC 3339, as its device's clock said.
    taken: Option<String>,
    by: String,
    bytes: u64,
    width: u32,
    height: u32,
    /// here, at-office, on-phone, unknown (nobody asked the office yet), nowhere.
    whereabouts: &'static str,
    #[serde(skip)]
    words: String,
    #[serde(skip)]
    told: String,
}

impl PhotoLine {
    fn of(
        root: &Root,
        site: &Site<'_>,
        thing: headwalk_core::log::id::ThingId,
        seen: &Seen<'_, Photo>,
        whereabouts: &Whereabouts,
    ) -> Self {
        let photo = &seen.value;
        Self {
            photo: photo.digest.short(),
            digest: photo.digest.to_string(),
            logbook: root.id.to_string(),
            site: root.name.clone(),
            thing: thing.to_string(),
            of: called(site, thing),
            shows: photo.shows.map(Shows::word),
            caption: photo.caption.clone(),
            taken: photo.taken.clone(),
            by: seen.by.by.to_string(),
            bytes: photo.bytes,
            width: photo.width,
            height: photo.height,
            whereabouts: whereabouts.word(),
            words: photo.words(),
            told: whereabouts.words(),
        }
    }

    /// Returns it as one line: what it is, and where.
    pub fn line(&self) -> String {
        format!("{}: {}", self.words, self.told)
    }
}

/// Returns the pictures of a thing, oldest first.
pub fn lines_of(
    album: &Album<'_>,
    root: &Root,
    site: &Site<'_>,
    thing: headwalk_core::site::things::Thing<'_>,
) -> Result<Vec<PhotoLine>, Error> {
    let seen = photo::photos(&thing);
    let line = |seen: &Seen<'_, Photo>| {
        let whereabouts = album.whereabouts(&seen.value, &seen.by.by)?;
        Ok(PhotoLine::of(root, site, thing.id, seen, &whereabouts))
    };
    seen.iter().map(line).collect()
}

/// What was put in.
#[derive(Serialize)]
struct Added {
    #[serde(flatten)]
    recorded: Recorded,
    photo: String,
    digest: String,
    bytes: u64,
    /// How many bytes of the file were left out.
    left_out: u64,
}

/// `{"photos": [..]}`
#[derive(Serialize)]
struct Listed {
    photos: Vec<PhotoLine>,
}

/// `{"out": PATH, "photo": .., "digest": .., "bytes": N, "from": "here" or "office"}`
#[derive(Serialize)]
struct Written {
    out: String,
    photo: String,
    digest: String,
    bytes: usize,
    from: &'static str,
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    let store = call.store()?;
    let roots = Roots::of(&store)?;
    let album = Album::beside(&store, call.store_path());
    match args.step {
        Step::Add(add) => call.print(&added(&add, &store, &roots, &album, call)?),
        Step::List { site, thing } => {
            let photos = listed(&store, &roots, &album, (site.as_deref(), thing.as_deref()))?;
            call.print(&Listed { photos })
        }
        Step::Get(get) => call.print(&got(&get, &store, &roots, &album)?),
    }
}

fn added(
    add: &Add,
    store: &Store,
    roots: &Roots,
    album: &Album<'_>,
    call: &Call,
) -> Result<Added, Error> {
    let root = roots.find(&add.site)?;
    let state = state_of(store, root.id)?;
    let site = Site::of(&state, root.id);
    let thing = site.find(&add.thing)?.id;
    let shows = match add.shows.as_deref() {
        None => None,
        Some(word) => Some(Shows::of_word(word).ok_or_else(|| {
            Error::input(format!("`{word}` is nothing that a picture shows"))
                .field("shows")
                .hint("before, after or evidence.")
        })?),
    };
    let taken = match add.taken.as_deref() {
        None => None,
        Some(when) => {
            let at = call
                .now()
                .read(when)
                .map_err(|error| error.field("taken"))?;
            Some(crate::told::rfc3339(at, call.now().utc_offset_min))
        }
    };
    if add
        .caption
        .as_ref()
        .is_some_and(|words| words.len() > MOST_WORDS)
    {
        let message = format!("the caption has more than {MOST_WORDS} bytes");
        return Err(Error::input(message)
            .field("caption")
            .hint("make it shorter."));
    }
    let file = read(&add.file)?;
    let picture = jpeg::plain(&file).map_err(|why| {
        let path = add.file.display();
        let error = Error::input(format!("{path} cannot be taken: {why}")).field("file");
        error.hint(match why {
            jpeg::Unfit::TooLarge(_) => "make it smaller: a long edge of 1600 pixels is plenty.",
            _ => "save it as an ordinary JPEG, and name that file.",
        })
    })?;
    let photo = Photo {
        shows,
        taken,
        caption: add.caption.clone(),
        ..Photo::of(&picture)
    };
    album.keep(&picture.bytes, root.id)?;
    let action = Action {
        about: thing,
        changes: vec![observe(thing, &seen::PHOTO, photo.value())],
        ask: Vec::new(),
    };
    Ok(Added {
        recorded: record(call, store, root, action)?,
        photo: photo.digest.short(),
        digest: photo.digest.to_string(),
        bytes: photo.bytes,
        left_out: (file.len() as u64).saturating_sub(photo.bytes),
    })
}

/// Reads a file that may be a picture; one that is far too large is not read.
fn read(path: &Path) -> Result<Vec<u8>, Error> {
    let unreadable = |why: std::io::Error| {
        Error::input(format!("{} cannot be read: {why}", path.display())).field("file")
    };
    // What a camera adds can be several times the picture.
    let most = 16 * MAX_BYTES as u64;
    if fs::metadata(path).map_err(unreadable)?.len() > most {
        let message = format!("{} has more than {most} bytes", path.display());
        return Err(Error::input(message)
            .field("file")
            .hint("make it smaller: a long edge of 1600 pixels is plenty."));
    }
    fs::read(path).map_err(unreadable)
}

fn listed(
    store: &Store,
    roots: &Roots,
    album: &Album<'_>,
    (site, thing): (Option<&str>, Option<&str>),
) -> Result<Vec<PhotoLine>, Error> {
    let wanted = match site {
        Some(site) => vec![roots.find(site)?],
        None => roots.of_kind(ThingKind::Site).collect(),
    };
    let mut lines = Vec::new();
    for root in wanted {
        let state = state_of(store, root.id)?;
        let site = Site::of(&state, root.id);
        let things = match thing {
            Some(thing) => vec![site.find(thing)?],
            None => std::iter::once(site.root()).chain(site.things()).collect(),
        };
        let mut seen = std::collections::BTreeSet::new();
        for thing in things {
            if seen.insert(thing.id) {
                lines.extend(lines_of(album, root, &site, thing)?);
            }
        }
    }
    Ok(lines)
}

fn got(get: &Get, store: &Store, roots: &Roots, album: &Album<'_>) -> Result<Written, Error> {
    let root = roots.find(&get.site)?;
    let named = photo::named(state_of(store, root.id)?.as_ref());
    let mut fits = named
        .keys()
        .filter(|digest| digest.short() == get.photo || digest.to_string() == get.photo);
    let (Some(digest), None) = (fits.next().copied(), fits.next()) else {
        let message = format!("there is no one picture `{}` at {}", get.photo, root.name);
        return Err(Error::input(message).field("photo").hint(format!(
            "`headwalk photo list \"{}\"` lists them; where two have one name, give the digest.",
            root.name
        )));
    };
    let (bytes, from) = match album.read(digest)? {
        Some(bytes) => (bytes, "here"),
        None => {
            let hub = OwnHub::of_store(store)?;
            (album.bring(&hub, (root.id, digest))?, "office")
        }
    };
    let out = get.out.clone().unwrap_or_else(|| name_of(digest));
    fs::write(&out, &bytes).map_err(|why| {
        let message = format!("{} cannot be written: {why}", out.display());
        Error::new(Kind::Machine, message)
    })?;
    Ok(Written {
        out: out.display().to_string(),
        photo: digest.short(),
        digest: digest.to_string(),
        bytes: bytes.len(),
        from,
    })
}

fn name_of(digest: PhotoDigest) -> PathBuf {
    PathBuf::from(format!("{}.jpg", digest.short()))
}

impl Report for Added {
    fn write(&self, page: &mut Page) {
        self.recorded.write(page);
        if self.left_out > 0 {
            page.line(format!(
                "{} bytes of the file are not the picture and were left out.",
                self.left_out
            ));
        }
    }
}

impl Report for Listed {
    fn write(&self, page: &mut Page) {
        let row = |line: &PhotoLine| {
            let shows = line.shows.map(plain).unwrap_or_default();
            [
                line.site.clone(),
                line.of.clone(),
                line.photo.clone(),
                shows,
                line.caption.clone().unwrap_or_default(),
                photo::size(line.bytes),
                line.told.clone(),
            ]
        };
        let rows: Vec<_> = self.photos.iter().map(row).collect();
        if !rows.is_empty() {
            let heading = ["site", "of", "picture", "shows", "caption", "size", "where"];
            page.table(heading, &rows);
        }
        let pictures = counted(self.photos.len() as u64, "picture", "pictures");
        page.line(format!("{pictures}."));
    }
}

impl Report for Written {
    fn write(&self, page: &mut Page) {
        let from = match self.from {
            "here" => "",
            _ => ", brought from the office",
        };
        page.line(format!("{} is in {}{from}.", self.photo, self.out));
    }
}
