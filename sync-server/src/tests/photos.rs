//! Pictures at the hub: who may bring and have them, and what a cut, a kill or a lie comes to.

use headwalk_core::site::fields::{device, seen};
use headwalk_core::site::photo::{CHUNK_BYTES, Kept, MAX_BYTES, Photo, PhotoDigest, jpeg};

use super::office::Browser;
use super::routes::{BIRCH, ELM, carries, firm, says};
use super::*;
use crate::photos::PHOTO_FOLDER;

/// A picture of that many bytes, as far as anybody looks who does not draw it.
fn picture(size: usize, seed: u8) -> Vec<u8> {
    let mut file = b"\xFF\xD8\xFF\xC0\x00\x0B\x08\x04\xB0\x06\x40\x01\x01\x11\x00".to_vec();
    file.extend(b"\xFF\xDA\x00\x08\x01\x01\x00\x00\x3F\x00");
    let coded = (0..).scan(seed, |state, _| {
        *state = state.wrapping_mul(5).wrapping_add(seed | 1);
        Some(*state & 0x7F)
    });
    let coded = coded.take(size - file.len() - 2);
    file.extend(coded);
    file.extend(b"\xFF\xD9");
    assert_eq!(jpeg::plain(&file).unwrap().bytes, file);
    file
}

fn photo(bytes: &[u8]) -> Photo {
    Photo::of(&jpeg::plain(bytes).unwrap())
}

/// Writes the entry that names a picture.
fn name(device: &Device, logbook: LogbookId, photo: &Photo, now: WallMs) {
    let change = Change::Observe {
        thing: ThingId::root(logbook),
        what: seen::PHOTO.number,
        value: photo.value(),
        how: HowKnown::Unstated,
    };
    let draft = Draft {
        logbook,
        by: "R. Ash".to_owned(),
        utc_offset_min: 0,
        visit: None,
        changes: vec![change],
    };
    device.store.record(&[draft], now).unwrap();
}

impl Running {
    fn named(&self, device: &Device, logbook: LogbookId, bytes: &[u8]) -> PhotoDigest {
        let photo = photo(bytes);
        name(device, logbook, &photo, self.now());
        self.exchange(device);
        photo.digest
    }

    fn stands(&self, device: &Device, logbook: LogbookId, digest: PhotoDigest, sure: bool) -> Json {
        let one =
            json!({"logbook": logbook.to_string(), "digest": digest.to_string(), "sure": sure});
        let answer = self.post(
            "/photos/held",
            Some(&device.token),
            json!({"photos": [one]}),
        );
        answer.json()["photos"][0].clone()
    }

    fn put(
        &self,
        device: &Device,
        (logbook, digest): (LogbookId, PhotoDigest),
        (at, size): (usize, usize),
        piece: &[u8],
    ) -> Answer {
        let path = format!("/photos/{logbook}/{digest}/{at}/{size}");
        self.ask("POST", &path, Some(&device.token), piece)
    }

    /// Sends what the hub lacks, a piece at a time, and returns how many bytes went.
    fn send(&self, device: &Device, logbook: LogbookId, bytes: &[u8], most: usize) -> usize {
        let digest = PhotoDigest::of(bytes);
        let mut stands = self.stands(device, logbook, digest, false);
        let mut sent = 0;
        for _ in 0..most {
            if stands["whole"] == true {
                break;
            }
            let at = stands["held"].as_u64().unwrap() as usize;
            let piece = &bytes[at..bytes.len().min(at + CHUNK_BYTES)];
            let answer = self.put(device, (logbook, digest), (at, bytes.len()), piece);
            assert_eq!(answer.status, 200, "{}", answer.words());
            sent += piece.len();
            stands = answer.json();
        }
        sent
    }

    fn fetch(&self, device: &Device, logbook: LogbookId, digest: PhotoDigest) -> Vec<u8> {
        let mut bytes = Vec::new();
        loop {
            let path = format!("/photos/{logbook}/{digest}/{}", bytes.len());
            let answer = self.ask("GET", &path, Some(&device.token), b"");
            assert_eq!(answer.status, 200, "{}", answer.words());
            if answer.body.is_empty() {
                return bytes;
            }
            assert!(answer.body.len() <= CHUNK_BYTES);
            bytes.extend(answer.body);
        }
    }

    fn ask_as(&self, cookie: &str, path: &str) -> Answer {
        let url = format!("http://{}{path}", self.address);
        let mut response = ureq::get(url).header("cookie", cookie).call().unwrap();
        Answer {
            status: response.status().as_u16(),
            retry_after: None,
            allow: None,
            body: response.body_mut().read_to_vec().unwrap(),
        }
    }

    /// The files of the pictures, by name.
    fn photo_files(&self) -> Vec<String> {
        let root = self.folder.path().join(PHOTO_FOLDER);
        let mut names = Vec::new();
        for shelf in std::fs::read_dir(root).into_iter().flatten() {
            for file in std::fs::read_dir(shelf.unwrap().path()).unwrap() {
                names.push(file.unwrap().file_name().into_string().unwrap());
            }
        }
        names.sort();
        names
    }
}

#[test]
fn a_picture_goes_after_its_entry_and_whoever_carries_the_site_can_have_it() {
    let (hub, office, crew) = firm();
    let bytes = picture(3 * CHUNK_BYTES + 17, 1);
    let photo = photo(&bytes);
    // Before its entry there is no place for it.
    hub.put(&crew, (ELM, photo.digest), (0, bytes.len()), &bytes[..9])
        .refuses(404, "no-such-photo");
    let digest = hub.named(&crew, ELM, &bytes);
    let path = format!("/photos/{ELM}/{digest}/0");
    hub.ask("GET", &path, Some(&office.token), b"")
        .refuses(404, "photo-not-here");
    assert_eq!(hub.send(&crew, ELM, &bytes, 100), bytes.len());
    assert_eq!(hub.fetch(&office, ELM, digest), bytes);
    assert_eq!(hub.photo_files(), [format!("{digest}.jpg")]);
    // Sent again, nothing goes; pieces that come doubled change nothing.
    assert_eq!(hub.send(&crew, ELM, &bytes, 100), 0);
    let again = hub.put(
        &crew,
        (ELM, digest),
        (0, bytes.len()),
        &bytes[..CHUNK_BYTES],
    );
    assert_eq!(
        again.json(),
        json!({"named": true, "held": 0, "whole": true})
    );
    assert_eq!(hub.photo_files(), [format!("{digest}.jpg")]);
}

#[test]
fn after_an_end_at_every_boundary_it_goes_on_from_there_and_nothing_is_sent_twice() {
    let (mut hub, _office, crew) = firm();
    let bytes = picture(4 * CHUNK_BYTES + 1_000, 2);
    let digest = hub.named(&crew, ELM, &bytes);
    let mut sent = 0;
    for pieces in 0..5 {
        let stands = hub.stands(&crew, ELM, digest, false);
        assert_eq!(stands["held"], pieces * CHUNK_BYTES, "{stands}");
        sent += hub.send(&crew, ELM, &bytes, 1);
        let (folder, clock) = hub.end();
        hub = Running::in_folder(folder, clock, Limits::USUAL);
    }
    assert_eq!(sent, bytes.len());
    assert_eq!(hub.stands(&crew, ELM, digest, true)["whole"], true);
    assert_eq!(hub.fetch(&crew, ELM, digest), bytes);
}

#[test]
fn two_phones_that_bring_one_picture_make_one_file() {
    let (hub, office, crew) = firm();
    let colleague = hub.device(&office, 3, "crew");
    let bytes = picture(2 * CHUNK_BYTES + 5, 3);
    let digest = hub.named(&crew, ELM, &bytes);
    hub.exchange(&colleague);
    hub.named(&colleague, ELM, &bytes);
    hub.send(&crew, ELM, &bytes, 1);
    hub.send(&colleague, ELM, &bytes, 2);
    hub.send(&crew, ELM, &bytes, 9);
    assert_eq!(hub.stands(&colleague, ELM, digest, true)["whole"], true);
    hub.put(&colleague, (ELM, digest), (0, bytes.len()), b"");
    assert_eq!(hub.photo_files(), [format!("{digest}.jpg")]);
}

#[test]
fn another_picture_than_the_entry_names_is_refused_and_the_right_one_taken_after() {
    let (hub, _office, crew) = firm();
    let bytes = picture(CHUNK_BYTES + 5, 4);
    let digest = hub.named(&crew, ELM, &bytes);
    let mut other = bytes.clone();
    other[CHUNK_BYTES / 2] ^= 1;
    let size = bytes.len();
    hub.put(&crew, (ELM, digest), (0, size), &other[..CHUNK_BYTES]);
    hub.put(
        &crew,
        (ELM, digest),
        (CHUNK_BYTES, size),
        &other[CHUNK_BYTES..],
    )
    .refuses(422, "other-photo");
    assert_eq!(hub.photo_files(), Vec::<String>::new());
    assert_eq!(hub.send(&crew, ELM, &bytes, 9), size);
}

#[test]
fn one_that_says_where_it_was_taken_is_refused() {
    let (hub, _office, crew) = firm();
    let told = include_bytes!("../../../fixtures/photos/with-position.jpg");
    let mut named = photo(told);
    (named.digest, named.bytes) = (PhotoDigest::of(told), told.len() as u64);
    name(&crew, ELM, &named, hub.now());
    hub.exchange(&crew);
    hub.put(&crew, (ELM, named.digest), (0, told.len()), told)
        .refuses(422, "photo-not-plain");
    assert_eq!(hub.photo_files(), Vec::<String>::new());
}

#[test]
fn sizes_are_bounded_in_one_sentence_each() {
    let (hub, _office, crew) = firm();
    let bytes = picture(CHUNK_BYTES * 2, 5);
    let digest = hub.named(&crew, ELM, &bytes);
    hub.put(&crew, (ELM, digest), (0, MAX_BYTES + 1), b"x")
        .refuses(413, "photo-too-large");
    hub.put(
        &crew,
        (ELM, digest),
        (0, bytes.len()),
        &bytes[..CHUNK_BYTES + 1],
    )
    .refuses(413, "too-large");
    let one = json!({"logbook": ELM.to_string(), "digest": digest.to_string()});
    let many = json!({"photos": vec![one; 51]});
    hub.post("/photos/held", Some(&crew.token), many)
        .refuses(400, "bad-request");
    for path in [
        format!("/photos/{ELM}/0123/0"),
        format!("/photos/elm/{digest}/0"),
        format!("/photos/{ELM}/{digest}/-1"),
    ] {
        hub.ask("GET", &path, Some(&crew.token), b"")
            .refuses(400, "bad-request");
    }
    assert_eq!(hub.photo_files(), Vec::<String>::new());
}

#[test]
fn off_its_route_a_device_brings_its_own_and_gets_none() {
    let (hub, office, crew) = firm();
    let (own, others) = (picture(900, 6), picture(900, 7));
    let own_digest = hub.named(&crew, ELM, &own);
    let others_digest = hub.named(&office, ELM, &others);
    hub.send(&office, ELM, &others, 9);
    says(&office, &crew, &device::CARRIES, carries(&[BIRCH]));
    hub.exchange(&office);
    assert_eq!(hub.stands(&crew, ELM, others_digest, false)["named"], false);
    let path = format!("/photos/{ELM}/{others_digest}/0");
    hub.ask("GET", &path, Some(&crew.token), b"")
        .refuses(404, "no-such-photo");
    hub.put(&crew, (ELM, others_digest), (0, 900), &others)
        .refuses(404, "no-such-photo");
    // Nor under the name of a site that it does carry.
    hub.put(&crew, (BIRCH, others_digest), (0, 900), &others)
        .refuses(404, "no-such-photo");
    assert_eq!(hub.send(&crew, ELM, &own, 9), 900);
    assert_eq!(hub.fetch(&office, ELM, own_digest), own);
}

#[test]
fn nobody_but_a_device_that_may_write_brings_a_picture() {
    let (hub, office, crew) = firm();
    let auditor = hub.device(&office, 3, "auditor");
    let bytes = picture(900, 8);
    let digest = hub.named(&crew, ELM, &bytes);
    hub.put(&auditor, (ELM, digest), (0, 900), &bytes)
        .refuses(403, "not-allowed");
    let path = format!("/photos/{ELM}/{digest}/0/900");
    hub.ask("POST", &path, None, &bytes)
        .refuses(401, "no-token");
    hub.ask("GET", &format!("/photos/{ELM}/{digest}/0"), None, b"")
        .refuses(401, "no-token");
    hub.post("/photos/held", None, json!({"photos": []}))
        .refuses(401, "no-token");
    hub.send(&crew, ELM, &bytes, 9);
    assert_eq!(hub.fetch(&auditor, ELM, digest), bytes);
    let device = json!({"device": crew.store.device().to_string()});
    hub.post("/revoke", Some(&office.token), device);
    hub.put(&crew, (ELM, digest), (0, 900), &bytes)
        .refuses(401, "revoked");
}

#[test]
fn one_that_is_damaged_at_the_hub_is_asked_for_again() {
    let (hub, office, crew) = firm();
    let bytes = picture(CHUNK_BYTES + 900, 9);
    let digest = hub.named(&crew, ELM, &bytes);
    hub.send(&crew, ELM, &bytes, 9);
    let shelf = hub
        .folder
        .path()
        .join(PHOTO_FOLDER)
        .join(&digest.to_string()[..2]);
    let file = shelf.join(format!("{digest}.jpg"));
    let mut damaged = bytes.clone();
    damaged[700] ^= 1;
    std::fs::write(&file, damaged).unwrap();
    // By name it is there; before a phone lets its own go the bytes are looked at.
    assert_eq!(hub.stands(&crew, ELM, digest, false)["whole"], true);
    assert_eq!(
        hub.stands(&crew, ELM, digest, true),
        json!({"named": true, "held": 0, "whole": false})
    );
    let path = format!("/photos/{ELM}/{digest}/0");
    hub.ask("GET", &path, Some(&office.token), b"")
        .refuses(404, "photo-not-here");
    assert_eq!(hub.send(&crew, ELM, &bytes, 9), bytes.len());
    assert_eq!(hub.fetch(&office, ELM, digest), bytes);
}

#[test]
fn pictures_in_haste_hold_no_entry_up() {
    let (hub, _office, crew) = firm();
    let bytes = picture(900, 10);
    let digest = hub.named(&crew, ELM, &bytes);
    let hasty = (0..120).map(|_| hub.put(&crew, (ELM, digest), (1, 900), b"x"));
    let last = hasty.last().unwrap();
    last.refuses(429, "too-fast");
    assert!(last.retry_after.is_some());
    assert!(hub.exchange(&crew).equal);
}

#[test]
fn the_office_shows_the_picture_or_on_whose_phone_it_is_and_strangers_neither() {
    let (hub, office, crew) = firm();
    let bytes = picture(CHUNK_BYTES + 900, 11);
    let digest = hub.named(&crew, ELM, &bytes);
    let code = hub.code(&office.token, "auditor");
    let browser = Browser::signed_in(&hub, &code);
    let history = format!("/office/history?logbook={ELM}&thing={}", ThingId::root(ELM));
    let address = format!("/office/photo?logbook={ELM}&digest={digest}");
    let on_phone = "on R. Ash&#39;s phone, not yet at the office";
    let page = browser.open(&history).page;
    assert!(page.contains(on_phone), "{page}");
    assert!(!page.contains("<img"), "{page}");
    let day = browser.open("/office").page;
    assert!(day.contains("1 picture on R. Ash&#39;s phone"), "{day}");
    assert_eq!(browser.open(&address).status, 404);

    hub.send(&crew, ELM, &bytes, 9);
    let page = browser.open(&history).page;
    assert!(!page.contains(on_phone), "{page}");
    assert!(page.contains(&address.replace('&', "&amp;")), "{page}");
    assert!(
        !browser
            .open("/office")
            .page
            .contains("not yet at the office")
    );
    let cookie = browser.cookie();
    let whole = hub.ask_as(&cookie, &address);
    assert_eq!((whole.status, whole.body), (200, bytes));
    // Not of another site, and to nobody who is not signed in.
    let elsewhere = format!("/office/photo?logbook={BIRCH}&digest={digest}");
    assert_eq!(browser.open(&elsewhere).status, 404);
    assert_eq!(Browser::new(&hub).open(&address).status, 303);
}

#[test]
fn a_picture_that_no_phone_could_keep_is_said_to_be_nowhere() {
    let (hub, office, crew) = firm();
    let lost = Photo {
        kept: Kept::NoRoom,
        ..photo(&picture(900, 12))
    };
    name(&crew, ELM, &lost, hub.now());
    hub.exchange(&crew);
    let code = hub.code(&office.token, "auditor");
    let browser = Browser::signed_in(&hub, &code);
    let history = format!("/office/history?logbook={ELM}&thing={}", ThingId::root(ELM));
    let page = browser.open(&history).page;
    assert!(
        page.contains("could not be kept: no room was left"),
        "{page}"
    );
    assert!(!page.contains("not yet at the office"), "{page}");
    assert!(
        !browser
            .open("/office")
            .page
            .contains("not yet at the office")
    );
}
