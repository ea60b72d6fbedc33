//! Pictures on the command line: into the store's folder, to the office, and to colleagues.

#![expect(
    clippy::unwrap_used,
    reason = "all of this is a test, though not every function says so"
)]

use std::fs;
use std::path::Path;

use expect_test::expect;
use headwalk_tests::{TestEnv, TestHub};
use serde_json::Value as Json;

use super::{check, maple_court};

/// A drawing with all that a phone's camera writes.
pub(super) const CAMERA: &[u8] = include_bytes!("../../../fixtures/photos/with-position.jpg");

fn json(env: &TestEnv, line: &str) -> Json {
    serde_json::from_str(&env.ok(&format!("{line} --json"))).unwrap()
}

/// Every file under a folder, by name.
fn files(folder: &Path) -> Vec<String> {
    let mut names = Vec::new();
    for item in fs::read_dir(folder).into_iter().flatten() {
        let path = item.unwrap().path();
        match path.is_dir() {
            true => names.extend(files(&path)),
            false => names.push(path.file_name().unwrap().to_string_lossy().into_owned()),
        }
    }
    names.sort();
    names
}

fn tells_where(bytes: &[u8]) -> bool {
    ["GPS", "PhoneCam", "ns.adobe.com", "gate code"]
        .iter()
        .any(|mark| bytes.windows(mark.len()).any(|at| at == mark.as_bytes()))
}

/// Maple Court with a finding and a picture beside it.
fn with_picture() -> TestEnv {
    let env = maple_court();
    env.write("head.jpg", CAMERA);
    env.ok("finding maple 3-02 head-tilted");
    env
}

#[test]
fn a_picture_is_put_in_listed_and_got_out_without_what_its_camera_wrote() {
    let env = with_picture();
    assert!(tells_where(CAMERA));
    check(
        &env,
        r#"photo add maple 3-02-head-tilted head.jpg --shows before --caption "leans to the drive" --taken 2026-07-14T07:10"#,
        &expect![[r#"
            finding-3-02-head-tilted at Maple Court: photo before, "leans to the drive", photo-6ec5fade, 2 kB.
            2959 bytes of the file are not the picture and were left out.
        "#]],
    );
    check(
        &env,
        "photo list",
        &expect![[r#"
        site         of                        picture         shows   caption             size  where
        Maple Court  finding-3-02-head-tilted  photo-6ec5fade  before  leans to the drive  2 kB  here
        1 picture.
    "#]],
    );
    check(
        &env,
        "finding maple",
        &expect![[r#"
        how soon  site         finding           status     remedy
        routine   Maple Court  3-02-head-tilted  described  straighten and firm the soil
        finding           picture
        3-02-head-tilted  before, "leans to the drive", photo-6ec5fade, 2 kB: here
        1 finding.
    "#]],
    );
    check(
        &env,
        "history maple 3-02-head-tilted photo",
        &expect![[r#"
            finding-3-02-head-tilted at Maple Court
            2026-07-14 07:30  Ana Ruiz  …<id>  photo before, "leans to the drive", photo-6ec5fade, 2 kB
                                                 here
        "#]],
    );
    let listed = json(&env, "photo list maple 3-02-head-tilted");
    let digest = listed["photos"][0]["digest"].as_str().unwrap().to_owned();
    assert_eq!(
        files(&env.path("headwalk.photos")),
        [format!("{digest}.jpg")]
    );
    env.ok(&format!("photo get maple {digest} --out out.jpg"));
    let out = fs::read(env.path("out.jpg")).unwrap();
    assert!(!tells_where(&out));
    // An export lists it by its digest, and has nothing else of it.
    let entries = env.ok("export entries --site maple");
    assert!(entries.contains(&digest));
    assert!(!tells_where(entries.as_bytes()));
}

#[test]
fn what_is_no_picture_is_refused_and_nothing_is_recorded() {
    let env = with_picture();
    env.write("words.jpg", "not a picture");
    env.write("cut.jpg", &CAMERA[..CAMERA.len() / 3]);
    let before = env.ok("export entries");
    check(
        &env,
        "photo add maple 3-02 words.jpg",
        &expect![[r#"
        ! Error: words.jpg cannot be taken: it is not a JPEG picture.
        ! Hint: save it as an ordinary JPEG, and name that file.
        [exit 2]
    "#]],
    );
    check(
        &env,
        "photo add maple 3-02 cut.jpg",
        &expect![[r#"
        ! Error: cut.jpg cannot be taken: the picture is cut off: its end is missing.
        ! Hint: save it as an ordinary JPEG, and name that file.
        [exit 2]
    "#]],
    );
    check(
        &env,
        "photo add maple 3-02 none.jpg",
        &expect![[r#"
        ! Error: none.jpg cannot be read: No such file or directory (os error 2).
        [exit 2]
    "#]],
    );
    check(
        &env,
        "photo add maple 3-02 head.jpg --shows beauty",
        &expect![[r#"
            ! Error: `beauty` is nothing that a picture shows.
            ! Hint: before, after or evidence.
            [exit 2]
        "#]],
    );
    check(
        &env,
        "photo get maple photo-00000000",
        &expect![[r#"
        ! Error: there is no one picture `photo-00000000` at Maple Court.
        ! Hint: `headwalk photo list "Maple Court"` lists them; where two have one name, give the digest.
        [exit 2]
    "#]],
    );
    assert_eq!(env.ok("export entries"), before);
    assert_eq!(files(&env.path("headwalk.photos")), Vec::<String>::new());
}

/// Ana's store as the dispatcher's and Ben's as a crew's, both let in and up to date.
fn let_in(env: &TestEnv) -> TestHub {
    let hub = TestHub::start(env);
    let first = hub.first_code.clone().unwrap();
    env.ok(&format!("enrol {} {first} --device Office", hub.url));
    env.ok("exchange");
    let code = json(env, "enrol --for Ben --role crew")["code"].clone();
    env.ok(r#"init --person "Ben Ode" --store ben.redb"#);
    let code = code.as_str().unwrap();
    env.ok(&format!(
        "enrol {} {code} --device Tablet --store ben.redb",
        hub.url
    ));
    env.ok("exchange --store ben.redb");
    hub
}

#[test]
fn a_picture_follows_its_entry_to_the_office_and_a_colleague_gets_it_from_there() {
    let env = with_picture();
    let hub = let_in(&env);
    env.ok("photo add maple 3-02-head-tilted head.jpg --shows after --store ben.redb");
    check(
        &env,
        "photo list --store ben.redb",
        &expect![[r#"
        site         of                        picture         shows  caption  size  where
        Maple Court  finding-3-02-head-tilted  photo-6ec5fade  after           2 kB  here, not yet at the
                                                                                     office
        1 picture.
    "#]],
    );
    let told = env.ok("exchange --store ben.redb");
    assert!(
        told.contains("\nSent 1 picture, received 0 pictures.\n"),
        "{told}"
    );
    let sent = json(&env, "exchange --store ben.redb");
    assert_eq!(sent["photos"], Json::Null, "nothing goes twice");
    let whereabouts = |line: &str| json(&env, line)["photos"][0]["whereabouts"].clone();
    assert_eq!(whereabouts("photo list --store ben.redb"), "here");
    env.ok("exchange");
    assert_eq!(whereabouts("photo list"), "at-office");
    let listed = json(&env, "photo list");
    let digest = listed["photos"][0]["digest"].as_str().unwrap();
    assert_eq!(files(&env.path("hub/photos")), [format!("{digest}.jpg")]);
    let got = json(&env, &format!("photo get maple {digest} --out got.jpg"));
    assert_eq!(got["from"], "office");
    let (got, own) = (
        "got.jpg",
        format!("ben.photos/{}/{digest}.jpg", &digest[..2]),
    );
    assert_eq!(
        fs::read(env.path(got)).unwrap(),
        fs::read(env.path(&own)).unwrap()
    );
    drop(hub);
    // From now on it is here, too, and the hub is not asked.
    let again = json(&env, &format!("photo get maple {digest} --out again.jpg"));
    assert_eq!(again["from"], "here");
}

#[test]
fn while_the_picture_has_not_come_its_finding_stands_and_says_on_whose_phone_it_is() {
    let env = with_picture();
    let mut hub = let_in(&env);
    env.ok("photo add maple 3-02-head-tilted head.jpg --store ben.redb");
    // Its file is out of reach, so the entry goes and the picture does not.
    fs::rename(env.path("ben.photos"), env.path("ben.away")).unwrap();
    let told = env.ok("exchange --store ben.redb");
    let waiting = "1 picture not yet at the office: exchange again.";
    assert!(told.contains(waiting), "{told}");
    env.ok("exchange");
    check(
        &env,
        "finding maple",
        &expect![[r#"
        how soon  site         finding           status     remedy
        routine   Maple Court  3-02-head-tilted  described  straighten and firm the soil
        finding           picture
        3-02-head-tilted  photo-6ec5fade, 2 kB: on Ben Ode's phone, not yet at the office
        1 finding.
    "#]],
    );
    let digest = json(&env, "photo list")["photos"][0]["digest"].clone();
    let digest = digest.as_str().unwrap();
    check(
        &env,
        &format!("photo get maple {digest}"),
        &expect![[r#"
            ! Error: that picture has not arrived at the office yet.
            ! Hint: it comes when the device that took it has signal.
            [exit 1]
        "#]],
    );
    // And the site stays on the tablet that has it.
    let dropped = env.run("drop maple --store ben.redb");
    assert!(
        dropped
            .stderr
            .contains("pictures of Maple Court are not at the office yet")
    );
    fs::rename(env.path("ben.away"), env.path("ben.photos")).unwrap();
    hub.kill_and_restart(&env);
    env.ok("exchange --store ben.redb");
    env.ok(&format!("photo get maple {digest} --out got.jpg"));
}

#[test]
fn a_stick_carries_pictures_with_the_entries() {
    let env = with_picture();
    env.ok("photo add maple 3-02-head-tilted head.jpg");
    env.ok(r#"init --person "Stick" --store stick.redb"#);
    let carried = json(&env, "exchange --with stick.redb");
    assert_eq!(carried["photos"]["sent"], 1);
    env.ok(r#"init --person "Cleo" --store cleo.redb"#);
    let carried = json(&env, "exchange --with stick.redb --store cleo.redb");
    assert_eq!(carried["photos"]["received"], 1);
    assert_eq!(
        files(&env.path("cleo.photos")),
        files(&env.path("headwalk.photos"))
    );
}
