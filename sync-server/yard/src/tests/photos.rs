//! Pictures as a person takes them: one tap for the camera, which is the page's, and one that keeps it.

use headwalk_core::site::photo::{self, CHUNK_BYTES, Kept, Shows};

use super::*;
use crate::photo::{Answer, File, PhotoBlock, Tasks};

const PICTURE: &[u8] = include_bytes!("../../../../fixtures/photos/with-position.jpg");
const MUCH: u64 = 1 << 40;
const DAY_MS: u64 = 24 * 60 * 60 * 1_000;

impl Thumb {
    fn pictures(&self) -> &PhotoBlock {
        let blocks = self.view.blocks.iter();
        let mut blocks = blocks.filter_map(|block| match block {
            Block::Photos(photos) => Some(&**photos),
            _ => None,
        });
        blocks.next().expect("this screen has pictures")
    }

    /// What the page does once the camera gave a picture and a person said what it shows.
    fn keep(&mut self, room: u64) -> (String, Vec<u8>) {
        let thing = self.pictures().thing;
        let ready = self.phone.prepare_photo(PICTURE, room).unwrap();
        self.act(Act::Photo {
            thing,
            shows: "before".to_owned(),
            kept: ready.fits,
        });
        (ready.name, ready.bytes)
    }

    /// Asks the hub, which answers so to every question; returns what the page is then to do.
    fn asked(&mut self, room: u64, answer: &str) -> (usize, Tasks) {
        let questions = self.phone.photo_questions(WallMs::new(self.at), room);
        let told: Vec<(photo::PhotoDigest, bool)> = questions
            .iter()
            .map(|question| {
                let told = serde_json::to_value(question).unwrap();
                let digest = told["digest"].as_str().unwrap().parse().unwrap();
                (digest, told["sure"] == true)
            })
            .collect();
        let answers: Vec<Answer> = told
            .iter()
            .map(|_| serde_json::from_str(answer).unwrap())
            .collect();
        (told.len(), self.phone.photo_answers(&told, &answers))
    }

    fn at_a_finding() -> Self {
        let mut thumb = Self::at_zone_1();
        thumb
            .tap("1-04")
            .tap("Nozzle clogged")
            .tap("Head 1-04: nozzle clogged");
        thumb
    }
}

const LACKS: &str = r#"{"named":true,"held":0,"whole":false}"#;
const HAS: &str = r#"{"named":true,"held":0,"whole":true}"#;
const NOT_NAMED: &str = r#"{"named":false,"held":0,"whole":false}"#;

#[test]
fn a_picture_of_a_finding_is_one_entry_that_names_it_and_nothing_of_it_is_in_the_store() {
    let mut thumb = Thumb::at_a_finding();
    let (name, bytes) = thumb.keep(MUCH);
    assert_eq!(
        thumb.view.said.as_ref().unwrap().text,
        "Picture saved on this phone."
    );
    let named = thumb.with_site(|site| {
        let finding = site.find("finding-1-04-nozzle-clogged").unwrap();
        photo::photos(&finding)[0].value.clone()
    });
    assert_eq!(named.digest, photo::PhotoDigest::of(&bytes));
    assert_eq!(named.shows, Some(Shows::Before));
    assert_eq!(named.taken.as_deref(), Some("2026-07-15T08:00:07-05:00"));
    assert_eq!(
        (named.width, named.height, named.kept),
        (48, 64, Kept::Kept)
    );
    assert!(
        !bytes.windows(3).any(|window| window == b"GPS"),
        "its position is gone"
    );
    let tile = &thumb.pictures().photos[0];
    assert_eq!(tile.file.as_ref(), Some(&name));
    assert_eq!(tile.note, "on this phone, not yet at the office");
    let status = &thumb.view.status;
    assert_eq!(
        status.photos.as_deref(),
        Some("1 picture still on this phone")
    );
    assert_eq!(status.photos_waiting, 1);
}

#[test]
fn what_is_no_picture_is_told_so_and_nothing_is_recorded() {
    let mut thumb = Thumb::at_a_finding();
    let waiting = thumb.view.status.waiting;
    let thing = thumb.pictures().thing;
    assert!(thumb.phone.prepare_photo(b"words", MUCH).is_err());
    thumb.act(Act::Photo {
        thing,
        shows: "before".to_owned(),
        kept: true,
    });
    assert!(thumb.view.said.as_ref().unwrap().trouble);
    assert_eq!(thumb.view.status.waiting, waiting);
    assert_eq!(thumb.view.status.photos, None);
}

#[test]
fn on_a_full_phone_the_entry_is_kept_and_says_that_the_picture_was_not() {
    for language in [Language::En, Language::Es] {
        let mut thumb = Thumb::at_a_finding();
        thumb.act(Act::Prefer {
            choice: Preference::Language(language),
        });
        // One byte less than the picture and the room for entries.
        let bytes = thumb.phone.prepare_photo(PICTURE, 0).unwrap().bytes.len() as u64;
        let least = bytes + 50 * 1024 * 1024;
        assert!(thumb.phone.prepare_photo(PICTURE, least).unwrap().fits);
        let waiting = thumb.view.status.waiting;
        thumb.keep(least - 1);
        let (said, note) = match language {
            Language::En => ("this phone is full", "the phone was full"),
            Language::Es => ("este teléfono está lleno", "el teléfono estaba lleno"),
        };
        assert!(thumb.view.said.as_ref().unwrap().text.contains(said));
        assert_eq!(thumb.view.status.waiting, waiting + 1, "the entry is there");
        assert_eq!(thumb.view.status.photos_waiting, 0);
        let tile = &thumb.pictures().photos[0];
        assert!(tile.file.is_none() && tile.bring.is_none());
        assert!(tile.note.contains(note), "{}", tile.note);
    }
}

#[test]
fn a_picture_is_asked_about_until_it_is_there_and_sent_from_where_it_stopped() {
    let mut thumb = Thumb::at_a_finding();
    let (name, bytes) = thumb.keep(MUCH);
    // While its entry is not there yet nothing is sent, and nothing is lost.
    let (asked, tasks) = thumb.asked(MUCH, NOT_NAMED);
    assert_eq!((asked, tasks.send.len()), (1, 0));
    let half = format!(
        r#"{{"named":true,"held":{},"whole":false}}"#,
        bytes.len() / 2
    );
    let (_, tasks) = thumb.asked(MUCH, &half);
    let told = serde_json::to_value(&tasks.send[0]).unwrap();
    assert_eq!(told["name"], name);
    assert_eq!(told["held"], bytes.len() / 2);
    assert_eq!(told["bytes"], bytes.len());
    let (_, tasks) = thumb.asked(MUCH, HAS);
    assert_eq!(tasks.arrived, [name]);
    assert_eq!(
        thumb.asked(MUCH, HAS).0,
        0,
        "it is there: nothing more is asked"
    );
    thumb.act(Act::Show);
    assert_eq!(thumb.view.status.photos, None);
    assert_eq!(thumb.pictures().photos[0].note, "at the office");
}

#[test]
fn after_a_restart_the_files_say_what_is_still_to_be_sent() {
    let mut thumb = Thumb::at_a_finding();
    let (name, bytes) = thumb.keep(MUCH);
    let found = |arrived: bool| -> Vec<File> {
        let file = serde_json::json!({
            "name": name, "bytes": bytes.len(), "since": MORNING, "arrived": arrived,
        });
        let stranger = serde_json::json!({
            "name": "notes.txt", "bytes": 1, "since": 0, "arrived": false,
        });
        serde_json::from_value(serde_json::json!([file, stranger])).unwrap()
    };
    thumb.phone.found_photos(Vec::new()).unwrap();
    assert_eq!(thumb.phone.photos_waiting(), 0);
    thumb.phone.found_photos(found(false)).unwrap();
    assert_eq!(thumb.phone.photos_waiting(), 1);
    thumb.phone.found_photos(found(true)).unwrap();
    assert_eq!(thumb.phone.photos_waiting(), 0);
    // Once the hub is asked whether it still has it: what it lost goes there again.
    let (asked, tasks) = thumb.asked(MUCH, LACKS);
    assert_eq!((asked, tasks.send.len()), (1, 1));
    assert_eq!(thumb.phone.photos_waiting(), 1);
    thumb.phone.found_photos(found(true)).unwrap();
    assert_eq!(thumb.asked(MUCH, HAS).0, 1);
    assert_eq!(thumb.asked(MUCH, HAS).0, 0);
}

#[test]
fn a_picture_goes_from_the_phone_only_when_the_hub_just_looked_at_its_own() {
    let mut thumb = Thumb::at_a_finding();
    let (name, _) = thumb.keep(MUCH);
    // However old it is or full the phone: what is here alone stays.
    thumb.at += 400 * DAY_MS;
    let (_, tasks) = thumb.asked(0, LACKS);
    assert_eq!((tasks.let_go.len(), tasks.send.len()), (0, 1));
    thumb.at -= 400 * DAY_MS;
    thumb.asked(MUCH, HAS);
    thumb.at += 59 * DAY_MS;
    assert_eq!(
        thumb.asked(MUCH, HAS).0,
        0,
        "it is shown for two rounds of visits"
    );
    thumb.at += DAY_MS;
    // The hub's own turned out to be damaged: it goes there again.
    let (_, tasks) = thumb.asked(MUCH, LACKS);
    assert_eq!((tasks.let_go.len(), tasks.send.len()), (0, 1));
    assert_eq!(thumb.phone.photos_waiting(), 1);
    thumb.asked(MUCH, HAS);
    let (_, tasks) = thumb.asked(MUCH, HAS);
    assert_eq!(tasks.let_go, [name]);
    thumb.act(Act::Show);
    let tile = &thumb.pictures().photos[0];
    assert_eq!(tile.note, "at the office, not on this phone");
    assert!(tile.bring.is_some());
}

#[test]
fn where_room_is_short_what_the_office_has_goes_at_once() {
    let mut thumb = Thumb::at_a_finding();
    let (name, _) = thumb.keep(MUCH);
    thumb.asked(MUCH, HAS);
    let (_, tasks) = thumb.asked(60 * 1024 * 1024, HAS);
    assert_eq!(tasks.let_go, [name]);
}

#[test]
fn one_that_was_undone_is_not_sent_and_the_same_taken_again_is() {
    let mut thumb = Thumb::at_a_finding();
    thumb.keep(MUCH);
    thumb.act(Act::Undo);
    assert!(thumb.pictures().photos.is_empty());
    assert_eq!(thumb.view.status.photos, None);
    assert_eq!(thumb.asked(MUCH, LACKS).0, 0);
    thumb.keep(MUCH);
    assert_eq!(thumb.asked(MUCH, LACKS).1.send.len(), 1);
}

#[test]
fn a_colleagues_picture_is_brought_on_a_tap_or_said_to_be_on_their_phone() {
    let mut thumb = Thumb::at_a_finding();
    let (_, bytes) = thumb.keep(MUCH);
    thumb.phone.found_photos(Vec::new()).unwrap();
    thumb.act(Act::Show);
    let tile = &thumb.pictures().photos[0];
    assert_eq!(tile.note, "taken by Noor, not on this phone");
    let bring = tile.bring.clone().unwrap().act;
    thumb.act(bring);
    let errand = serde_json::to_value(&thumb.view.errands[0]).unwrap();
    assert_eq!(errand["errand"], "bring-photo");
    assert_eq!(errand["logbook"], BOOK.to_string());
    let digest = errand["digest"].as_str().unwrap().to_owned();
    thumb.act(Act::Brought {
        digest: digest.clone(),
        problem: Some("photo-not-here".to_owned()),
    });
    let note = &thumb.pictures().photos[0].note;
    assert_eq!(note, "on Noor's phone, not yet at the office");
    let of: photo::PhotoDigest = digest.parse().unwrap();
    assert!(!thumb.phone.photo_is(of, &bytes[1..]));
    assert!(thumb.phone.photo_is(of, &bytes));
    let now = WallMs::new(thumb.at);
    thumb.phone.photo_brought(of, BOOK, bytes.len() as u64, now);
    thumb.act(Act::Brought {
        digest,
        problem: None,
    });
    assert_eq!(thumb.pictures().photos[0].note, "at the office");
}

#[test]
fn a_file_that_reads_as_another_is_not_sent_and_its_screen_says_so() {
    let mut thumb = Thumb::at_a_finding();
    let (_, bytes) = thumb.keep(MUCH);
    let digest = photo::PhotoDigest::of(&bytes);
    assert!(!thumb.phone.photo_is(digest, b"other"));
    thumb.act(Act::Show);
    assert!(
        thumb.pictures().photos[0]
            .note
            .starts_with("damaged on this phone")
    );
    assert_eq!(thumb.view.status.photos_waiting, 0);
    // The same taken again mends it.
    thumb.keep(MUCH);
    assert_eq!(thumb.view.status.photos_waiting, 1);
}

#[test]
fn every_screen_of_a_thing_has_its_pictures() {
    let mut thumb = Thumb::at_zone_1();
    thumb.pictures();
    thumb.tap("1-04");
    thumb.pictures();
    thumb.tap("Back to the zone").tap("Wet spot");
    thumb.pictures();
    thumb
        .tap("Back to the zone")
        .tap("Back")
        .tap("Controller as found");
    thumb.pictures();
}

#[test]
fn a_piece_goes_over_a_weak_line_within_a_request() {
    // 50 kbit/s, and what a hub gives a request.
    let seconds = CHUNK_BYTES as f64 * 8.0 / 50_000.0;
    assert!(seconds < 30.0, "{seconds}");
}
