//! The list of devices by itself: what it keeps, what it forgets, and bad files.

use std::fs;

use super::*;

const HOUR_MS: u64 = 60 * 60 * 1_000;
const NOW: WallMs = WallMs::new(1_784_030_400_000);

fn name(text: &str) -> Name {
    Name::parse("a name", text).unwrap()
}

fn list() -> (tempfile::TempDir, Access) {
    let folder = tempfile::tempdir().unwrap();
    let list = Access::create(&folder.path().join("access.redb"), &name("Office")).unwrap();
    (folder, list)
}

fn applicant(number: u8) -> Applicant {
    Applicant {
        device: DeviceId::from_bytes([number; 16]),
        name: name("tablet"),
        person: name("R. Ash"),
    }
}

fn issue(list: &Access, number: u8, role: Role, now: WallMs) -> Code {
    let code = Code::from_chance([number; 10]);
    let grant = Grant {
        role,
        made_for: name("R. Ash"),
        expires: now.shifted(HOUR_MS as i64),
    };
    list.issue(&code, &grant, now).unwrap();
    code
}

#[test]
fn what_was_enrolled_is_there_after_the_file_was_closed() {
    let (folder, list) = list();
    let (code, token) = (
        issue(&list, 1, Role::Auditor, NOW),
        Token::from_chance([9; 32]),
    );
    let enrolled = list.enrol(&code, applicant(1), &token, NOW).unwrap();
    let heard = Heard {
        at: NOW.shifted(5),
        behind_ms: -7,
    };
    list.keep_heard(&BTreeMap::from([(enrolled.device, heard)]))
        .unwrap();
    drop(list);
    let list = Access::open(&folder.path().join("access.redb")).unwrap();
    let expected = Enrolled {
        heard: Some(heard),
        ..enrolled
    };
    assert_eq!(list.holder(&token).unwrap(), Some(expected.clone()));
    assert_eq!(list.devices().unwrap(), [expected]);
    assert_eq!(list.hub_name().unwrap(), name("Office"));
    assert_eq!(list.holder(&Token::from_chance([8; 32])).unwrap(), None);
}

#[test]
fn a_code_works_up_to_its_last_moment_and_not_at_its_end() {
    let (_folder, list) = list();
    let (early, late) = (
        issue(&list, 1, Role::Crew, NOW),
        issue(&list, 2, Role::Crew, NOW),
    );
    let end = NOW.shifted(HOUR_MS as i64);
    let token = Token::from_chance([9; 32]);
    assert!(
        list.enrol(&early, applicant(1), &token, end.shifted(-1))
            .is_ok()
    );
    let refused = list.enrol(&late, applicant(2), &token, end).unwrap_err();
    assert!(matches!(refused, Refused::ExpiredCode), "{refused}");
}

#[test]
fn a_refused_enrolment_does_not_use_the_code_up() {
    let (_folder, list) = list();
    let (first, second) = (
        issue(&list, 1, Role::Crew, NOW),
        issue(&list, 2, Role::Crew, NOW),
    );
    let (old, new) = (Token::from_chance([8; 32]), Token::from_chance([9; 32]));
    list.enrol(&first, applicant(1), &old, NOW).unwrap();
    let refused = list.enrol(&second, applicant(1), &new, NOW).unwrap_err();
    assert!(matches!(refused, Refused::AlreadyEnrolled(_)), "{refused}");
    assert!(list.holder(&old).unwrap().is_some());
    list.revoke(applicant(1).device, NOW).unwrap().unwrap();
    list.enrol(&second, applicant(1), &new, NOW).unwrap();
    assert_eq!(list.holder(&old).unwrap(), None);
    assert_eq!(list.holder(&new).unwrap().unwrap().revoked, None);
}

#[test]
fn taking_access_back_twice_keeps_the_first_time() {
    let (_folder, list) = list();
    let (code, token) = (
        issue(&list, 1, Role::Crew, NOW),
        Token::from_chance([9; 32]),
    );
    let device = list.enrol(&code, applicant(1), &token, NOW).unwrap().device;
    let first = list.revoke(device, NOW.shifted(1)).unwrap().unwrap();
    let second = list.revoke(device, NOW.shifted(2)).unwrap().unwrap();
    assert_eq!(first.revoked, Some(NOW.shifted(1)));
    assert_eq!(second, first);
    assert_eq!(
        list.revoke(DeviceId::from_bytes([7; 16]), NOW).unwrap(),
        None
    );
}

#[test]
fn a_code_is_forgotten_a_month_after_its_end() {
    let (_folder, list) = list();
    let code = issue(&list, 1, Role::Crew, NOW);
    let token = Token::from_chance([9; 32]);
    let month = (REMEMBERED_MS + HOUR_MS) as i64;
    for (later, expired) in [(month, true), (month + 1, false)] {
        let later = NOW.shifted(later);
        issue(&list, 2, Role::Crew, later);
        let refused = list.enrol(&code, applicant(1), &token, later).unwrap_err();
        assert_eq!(
            matches!(refused, Refused::ExpiredCode),
            expired,
            "{refused}"
        );
        assert_eq!(
            matches!(refused, Refused::UnknownCode),
            !expired,
            "{refused}"
        );
    }
}

#[test]
fn a_file_that_is_something_else_is_told_in_words() {
    let (folder, list) = list();
    drop(list);
    let path = folder.path().join("access.redb");
    let whole = fs::read(&path).unwrap();
    for damaged in [
        Vec::new(),
        vec![0; 4_096],
        whole[..whole.len() / 2].to_vec(),
    ] {
        fs::write(&path, &damaged).unwrap();
        let error = Access::open(&path).unwrap_err();
        let told = matches!(error, Error::DamagedAccess | Error::Access(_));
        assert!(told, "{error:?}");
    }
}

#[test]
fn names_are_one_line_of_at_most_64_bytes() {
    assert_eq!(name("  R. Ash ").as_str(), "R. Ash");
    assert_eq!(name(&"ü".repeat(32)).as_str().len(), 64);
    for text in ["", "   ", "two\nlines", &"ü".repeat(33)] {
        let error = Name::parse("person", text).unwrap_err();
        assert!(error.to_string().starts_with("person "), "{error}");
    }
}

#[test]
fn a_device_goes_on_under_ids_of_its_own_and_of_nobody_else() {
    let (_folder, list) = list();
    let id = |number| DeviceId::from_bytes([number; 16]);
    let token = |number| Token::from_chance([number; 32]);
    let enrol = |number| {
        let code = issue(&list, number, Role::Crew, NOW);
        list.enrol(&code, applicant(number), &token(number), NOW)
    };
    let go_on = |number, as_id| {
        let holder = list.holder(&token(number)).unwrap().unwrap();
        list.go_on_as(&holder, id(as_id))
    };
    let is_anothers = |refused: Result<bool, Refused>| {
        assert!(
            matches!(refused, Err(Refused::OtherDevice { .. })),
            "{refused:?}"
        );
    };
    enrol(1).unwrap();
    enrol(2).unwrap();
    for as_id in [1, 11, 12, 11] {
        go_on(1, as_id).unwrap();
    }
    let later = list.holder(&token(1)).unwrap().unwrap().later;
    assert_eq!(later, [id(11), id(12)]);
    is_anothers(go_on(2, 1));
    is_anothers(go_on(2, 12));
    let refused = enrol(12).unwrap_err();
    assert!(matches!(refused, Refused::AlreadyEnrolled(_)), "{refused}");

    let revoked = list.revoke(id(12), NOW).unwrap().unwrap();
    assert_eq!((revoked.device, revoked.revoked), (id(1), Some(NOW)));
    enrol(12).unwrap();
    is_anothers(go_on(2, 12));
}

#[test]
fn a_device_does_not_take_ids_without_end() {
    let (_folder, list) = list();
    let (code, token) = (
        issue(&list, 1, Role::Crew, NOW),
        Token::from_chance([1; 32]),
    );
    list.enrol(&code, applicant(1), &token, NOW).unwrap();
    let go_on = |number: usize| {
        let holder = list.holder(&token).unwrap().unwrap();
        list.go_on_as(&holder, DeviceId::from_bytes([number as u8 + 100; 16]))
    };
    for number in 0..MOST_LATER_IDS {
        go_on(number).unwrap();
    }
    let refused = go_on(MOST_LATER_IDS).unwrap_err();
    assert!(matches!(refused, Refused::TooManyIds(_)), "{refused}");
    go_on(0).unwrap();
}
