use super::*;
use crate::site::fields::Shape;

fn photo() -> Photo {
    Photo {
        digest: PhotoDigest::of(b"a picture"),
        bytes: 412_345,
        width: 1_600,
        height: 1_200,
        taken: Some("2026-07-14T08:10:00-05:00".to_owned()),
        shows: Some(Shows::Before),
        caption: Some("split at the seam".to_owned()),
        kept: Kept::Kept,
    }
}

#[test]
fn what_is_stored_is_read_back_and_fits_its_field() {
    for kept in [Kept::Kept, Kept::NoRoom] {
        let photo = Photo { kept, ..photo() };
        let value = photo.value();
        assert_eq!(Photo::read(&value), Some(photo));
        let Shape::Record(parts) = seen::PHOTO.shape else {
            panic!("a record");
        };
        let stored = value.as_record().unwrap();
        assert!(
            stored
                .keys()
                .all(|at| parts.iter().any(|part| part.number == *at))
        );
    }
}

#[test]
fn a_mere_mention_of_a_picture_names_none() {
    let mention = Value::Record(BTreeMap::from([(1, Value::text("IMG 4"))]));
    assert_eq!(Photo::read(&mention), None);
}

#[test]
fn a_digest_is_read_as_it_is_written_and_nothing_else_is() {
    let digest = PhotoDigest::of(b"x");
    let text = digest.to_string();
    assert_eq!(text.parse(), Ok(digest));
    let signed = format!("+1{}", text.get(2..).unwrap());
    for unfit in [
        &text[1..],
        "",
        &format!("{text}0"),
        &signed,
        &"ü".repeat(32),
    ] {
        assert_eq!(unfit.parse::<PhotoDigest>(), Err(NotADigest), "{unfit}");
    }
}

#[test]
fn a_picture_that_could_not_be_kept_says_so_in_words() {
    let words = photo().words();
    let short = photo().digest.short();
    assert_eq!(
        words,
        format!("before, \"split at the seam\", {short}, 413 kB")
    );
    let lost = Photo {
        kept: Kept::NoRoom,
        ..photo()
    };
    assert!(lost.words().ends_with("no room was left on the device"));
}
