use proptest::prelude::*;

use super::*;

/// A drawn picture of a head in its sleeve, with what a phone's camera writes: position, time, maker,
/// a small copy, a description in XMP, a profile, a comment, and a second picture after its end.
const WITH_ALL: &[u8] = include_bytes!("../../../../../fixtures/photos/with-position.jpg");

fn segment(marker: u8, holds: &[u8]) -> Vec<u8> {
    let mut out = Vec::new();
    write_segment(&mut out, marker, holds);
    out
}

/// The smallest file that has the parts of a picture.
fn small(before: &[Vec<u8>], after: &[u8]) -> Vec<u8> {
    let mut file = vec![0xFF, SOI];
    file.extend(before.concat());
    file.extend(segment(SOF0, &[8, 0, 2, 0, 3, 1, 1, 0x11, 0]));
    file.extend(segment(SOS, &[1, 1, 0, 0, 63, 0]));
    file.extend([0x12, 0xFF, 0x00, 0x34, 0xFF, 0xD0, 0x56, 0xFF, EOI]);
    file.extend(after);
    file
}

fn exif(turn: u8) -> Vec<u8> {
    segment(APP1, &only_orientation(turn))
}

/// Every segment before the first scan, by its marker.
fn segments(file: &[u8]) -> Vec<(u8, Vec<u8>)> {
    let mut reader = Reader { file, at: 2 };
    let mut found = Vec::new();
    loop {
        let marker = reader.marker().unwrap();
        if marker == SOS {
            return found;
        }
        found.push((marker, reader.segment().unwrap().to_vec()));
    }
}

fn holds(file: &[u8], words: &[u8]) -> bool {
    file.windows(words.len()).any(|window| window == words)
}

#[test]
fn a_picture_with_a_position_loses_it_and_all_that_its_camera_wrote() {
    let marks: [&[u8]; 6] = [
        b"Exif\0\0",
        b"GPS",
        b"http://ns.adobe.com/xap",
        b"ICC_PROFILE",
        b"PhoneCam",
        b"gate code",
    ];
    for mark in marks {
        assert!(
            holds(WITH_ALL, mark),
            "the fixture lacks {:?}",
            String::from_utf8_lossy(mark)
        );
    }
    let plain = plain(WITH_ALL).unwrap();
    for mark in marks.iter().skip(1) {
        assert!(
            !holds(&plain.bytes, mark),
            "{:?}",
            String::from_utf8_lossy(mark)
        );
    }
    // Of its EXIF nothing is left but which way up it is.
    let apps: Vec<_> = segments(&plain.bytes)
        .into_iter()
        .filter(|(marker, _)| (APP0..=0xEF).contains(marker) || *marker == COM)
        .collect();
    assert_eq!(
        apps.iter().map(|(marker, _)| *marker).collect::<Vec<_>>(),
        [APP0, APP1]
    );
    assert_eq!(apps[1].1, only_orientation(6));
    assert_eq!(
        (plain.width, plain.height),
        (48, 64),
        "it stands on its side"
    );
    assert!(plain.bytes.ends_with(&[0xFF, EOI]));
    assert_eq!(
        plain
            .bytes
            .windows(2)
            .filter(|pair| *pair == [0xFF, SOI])
            .count(),
        1
    );
    let again = super::plain(&plain.bytes).unwrap();
    assert_eq!(again, plain);
}

#[test]
fn what_follows_the_end_is_left_out() {
    let file = small(&[], b"\xFF\xD8 another picture, with its position");
    let plain = plain(&file).unwrap();
    assert_eq!(plain.bytes, small(&[], b""));
    assert_eq!((plain.width, plain.height), (3, 2));
}

#[test]
fn which_way_up_it_is_stays_and_an_upright_one_says_nothing() {
    let jfif = segment(APP0, b"JFIF\0\x01\x02\0\0\x48\0\x48\0\0");
    for turn in 2..=8 {
        let file = small(&[exif(turn), jfif.clone()], b"");
        let told = plain(&file).unwrap();
        let expected = small(&[jfif.clone(), exif(turn)], b"");
        assert_eq!(told.bytes, expected, "{turn}");
        let lies = turn >= 5;
        assert_eq!(
            (told.width, told.height),
            if lies { (2, 3) } else { (3, 2) }
        );
    }
    for turn in [0, 1, 9] {
        assert_eq!(
            plain(&small(&[exif(turn)], b"")).unwrap().bytes,
            small(&[], b"")
        );
    }
}

#[test]
fn either_order_of_bytes_tells_which_way_up() {
    let little =
        b"II*\0\x08\0\0\0\x02\0\x0F\x01\x02\0\x01\0\0\0A\0\0\0\x12\x01\x03\0\x01\0\0\0\x08\0\0\0";
    assert_eq!(orientation(little), Some(8));
    for end in 0..little.len() {
        let _no_panic = orientation(&little[..end]);
    }
    assert_eq!(orientation(b"MM\0*\xFF\xFF\xFF\xFF"), None);
}

#[test]
fn how_the_colours_are_coded_stays_and_a_small_copy_does_not() {
    let adobe = segment(APP14, b"Adobe\0\x64\0\0\0\0\x01");
    let long = segment(APP14, b"Adobe\0\x64\0\0\0\0\x01 and more");
    assert_eq!(
        plain(&small(&[long], b"")).unwrap().bytes,
        small(&[adobe], b"")
    );
    let copy = segment(APP0, b"JFIF\0\x01\x02\0\0\x48\0\x48\x01\x01abc");
    let none = segment(APP0, b"JFIF\0\x01\x02\0\0\x48\0\x48\0\0");
    assert_eq!(
        plain(&small(&[copy.clone(), copy], b"")).unwrap().bytes,
        small(&[none], b"")
    );
}

#[test]
fn what_is_no_picture_is_told_apart() {
    assert_eq!(plain(b""), Err(Unfit::NotJpeg));
    assert_eq!(plain(b"\x89PNG\r\n"), Err(Unfit::NotJpeg));
    let whole = small(&[], b"");
    for end in 2..whole.len() {
        assert!(plain(&whole[..end]).is_err(), "cut at {end}");
    }
    let mut lossless = whole.clone();
    lossless[3] = 0xC3;
    assert_eq!(plain(&lossless), Err(Unfit::Unusual));
    let mut garbled = whole.clone();
    garbled[2] = 0;
    assert_eq!(plain(&garbled), Err(Unfit::Damaged(2)));
    let two_frames = small(&[segment(SOF0, &[8, 0, 2, 0, 3, 1, 1, 0x11, 0])], b"");
    assert!(matches!(plain(&two_frames), Err(Unfit::Damaged(_))));
    assert!(matches!(
        plain(&[0xFF, SOI, 0xFF, EOI]),
        Err(Unfit::Damaged(_))
    ));
}

#[test]
fn a_picture_that_is_too_large_is_refused_by_what_is_left_of_it() {
    let comment = segment(COM, &[b'x'; 60_000]);
    let wordy = small(&vec![comment; 80], b"");
    assert!(wordy.len() > MAX_BYTES);
    assert_eq!(plain(&wordy).unwrap().bytes, small(&[], b""));
    let table = segment(DQT, &[1; 60_000]);
    let large = small(&vec![table; 80], b"");
    assert!(matches!(plain(&large), Err(Unfit::TooLarge(bytes)) if bytes > MAX_BYTES));
}

/// Files that are nearly right: segments of any kind, in any order, or a real one with a change.
fn nearly() -> impl Strategy<Value = Vec<u8>> {
    let marker = prop_oneof![0xC0..=0xCFu8, 0xD8..=0xFEu8, any::<u8>()];
    let holds = prop_oneof![
        prop::collection::vec(any::<u8>(), 0..40),
        Just(only_orientation(6).to_vec()),
        Just(b"Exif\0\0II*\0\xF0\xFF\xFF\xFF".to_vec()),
    ];
    let segments = prop::collection::vec((marker, holds), 0..8);
    let made = segments.prop_map(|segments| {
        let segments: Vec<_> = segments
            .iter()
            .map(|(of, holds)| segment(*of, holds))
            .collect();
        small(&segments, b"tail")
    });
    let changed = (
        prop::collection::vec((0..WITH_ALL.len(), any::<u8>()), 0..6),
        0..WITH_ALL.len(),
    );
    let changed = changed.prop_map(|(changes, cut)| {
        let mut file = WITH_ALL.to_vec();
        for (at, byte) in changes {
            file[at] = byte;
        }
        if cut % 3 == 0 {
            file.truncate(cut);
        }
        file
    });
    prop_oneof![made, changed, prop::collection::vec(any::<u8>(), 0..200)]
}

proptest! {
    #[test]
    fn whatever_is_taken_has_nothing_of_its_camera_on_it(file in nearly()) {
        if let Ok(told) = plain(&file) {
            let again = plain(&told.bytes);
            prop_assert_eq!(again.as_ref(), Ok(&told));
            for (marker, holds) in segments(&told.bytes) {
                match marker {
                    APP1 => prop_assert!((2..=8).any(|turn| holds == only_orientation(turn))),
                    APP0 => prop_assert_eq!(holds.len(), 14),
                    APP14 => prop_assert_eq!(holds.len(), 12),
                    other => prop_assert!(!(0xE0..=0xFE).contains(&other)),
                }
            }
        }
    }
}
