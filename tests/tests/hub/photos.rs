//! A hub that is killed again and again while a picture comes in.

use std::fs;
use std::sync::mpsc;
use std::thread;

use headwalk_core::log::entry::{Change, Draft};
use headwalk_core::log::id::ThingId;
use headwalk_core::log::value::HowKnown;
use headwalk_core::site::fields::seen;
use headwalk_core::site::photo::{CHUNK_BYTES, Photo, PhotoDigest, jpeg};

use super::killed::{LOGBOOK, Tablet, tablets};
use super::*;

/// A picture of many pieces, as far as anybody looks who does not draw it.
fn picture(pieces: usize) -> Vec<u8> {
    let mut file = b"\xFF\xD8\xFF\xC0\x00\x0B\x08\x04\xB0\x06\x40\x01\x01\x11\x00".to_vec();
    file.extend(b"\xFF\xDA\x00\x08\x01\x01\x00\x00\x3F\x00");
    file.extend((0..pieces * CHUNK_BYTES).map(|at| (at * 7 % 251 % 128) as u8));
    file.extend(b"\xFF\xD9");
    file
}

fn name(tablet: &Tablet, hub: &Hub, bytes: &[u8]) -> PhotoDigest {
    let photo = Photo::of(&jpeg::plain(bytes).unwrap());
    let change = Change::Observe {
        thing: ThingId::root(LOGBOOK),
        what: seen::PHOTO.number,
        value: photo.value(),
        how: HowKnown::Unstated,
    };
    let draft = Draft {
        logbook: LOGBOOK,
        by: "R. Ash".to_owned(),
        utc_offset_min: 0,
        visit: None,
        changes: vec![change],
    };
    tablet.store.record(&[draft], NOW).unwrap();
    let exchanged = hub.exchange(&tablet.store, tablet.hub, &tablet.token);
    assert!(exchanged.unwrap().equal);
    photo.digest
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Held {
    held: usize,
    whole: bool,
}

fn read(answer: &Json) -> Held {
    Held {
        held: answer["held"].as_u64().unwrap() as usize,
        whole: answer["whole"] == true,
    }
}

fn held(hub: &Hub, tablet: &Tablet, digest: PhotoDigest) -> Held {
    let one = json!({"logbook": LOGBOOK.to_string(), "digest": digest.to_string(), "sure": true});
    let body = json!({"photos": [one]});
    let answer = hub.post_json("/photos/held", Some(&tablet.token), &body);
    read(&answer["photos"][0])
}

/// Sends pieces until the hub is gone or has it all, and tells of each that was acknowledged; returns
/// what was last.
fn send(hub: &Hub, tablet: &Tablet, bytes: &[u8], from: usize, tell: &mpsc::Sender<()>) -> Held {
    let digest = PhotoDigest::of(bytes);
    let mut told = Held {
        held: from,
        whole: false,
    };
    while !told.whole {
        let piece = &bytes[told.held..bytes.len().min(told.held + CHUNK_BYTES)];
        let path = format!("/photos/{LOGBOOK}/{digest}/{}/{}", told.held, bytes.len());
        match hub.post(&path, Some(&tablet.token), piece) {
            Ok(answer) => {
                told = read(&serde_json::from_slice(&answer).unwrap());
                // The listener has heard enough, and kills the hub by now.
                let _heard_enough = tell.send(());
            }
            Err(_) => return told,
        }
    }
    told
}

#[test]
fn what_a_hub_acknowledged_of_a_picture_outlives_its_being_killed() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("hub");
    let mut hub = Hub::start(&data);
    let tablets = tablets(folder.path(), &hub, 1);
    let tablet = &tablets[0];
    let bytes = picture(40);
    let digest = name(tablet, &hub, &bytes);
    let (mut kills, mut acknowledged) = (0, 0);
    loop {
        let stands = held(&hub, tablet, digest);
        assert!(stands.whole || stands.held >= acknowledged, "{stands:?}");
        if stands.whole {
            break;
        }
        let told = thread::scope(|scope| {
            let (tell, heard) = mpsc::channel();
            let (hub, bytes) = (&hub, &bytes);
            let sending = scope.spawn(move || send(hub, tablet, bytes, stands.held, &tell));
            // The kill falls anywhere in what follows a piece that was acknowledged.
            let first = heard.recv();
            assert!(first.is_ok() || sending.is_finished(), "nothing was taken");
            thread::sleep(Duration::from_micros(kills % 8 * 900));
            hub.kill_under_way();
            sending.join().unwrap()
        });
        acknowledged = told.held;
        if told.whole {
            acknowledged = bytes.len();
        }
        kills += 1;
        hub.kill();
        hub = Hub::start(&data);
    }
    println!("{kills} kills in a picture of {} bytes", bytes.len());
    assert!(kills >= 3, "{kills}");
    let shelf = data.join("photos").join(&digest.to_string()[..2]);
    let names: Vec<_> = fs::read_dir(&shelf)
        .unwrap()
        .map(|file| file.unwrap().file_name().into_string().unwrap())
        .collect();
    assert_eq!(names, [format!("{digest}.jpg")]);
    assert_eq!(fs::read(shelf.join(&names[0])).unwrap(), bytes);
}
