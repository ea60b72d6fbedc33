//! Devices in and out.

use std::fs;

use super::*;

const OTHER: DeviceId = DeviceId::from_bytes([9; 16]);

#[test]
fn a_code_lets_one_device_in_and_works_once() {
    let hub = Running::begin();
    let code = hub.first_code.clone().unwrap();
    let welcome = hub.enrol(&code, DeviceId::from_bytes([1; 16]));
    assert_eq!(welcome.status, 200, "{}", welcome.words());
    assert_eq!(welcome.text("role"), "dispatcher");
    assert_eq!(welcome.text("hub_name"), "Office");
    assert_eq!(welcome.text("token").len(), 64);
    hub.enrol(&code, OTHER).refuses(410, "used-code");
    hub.enrol(&code.to_lowercase().replace('-', " "), OTHER)
        .refuses(410, "used-code");
}

#[test]
fn an_expired_code_is_told_from_an_unknown_one_and_both_from_a_slip() {
    let hub = Running::begin();
    let code = hub.first_code.clone().unwrap();
    hub.enrol("00000-00000", OTHER).refuses(403, "unknown-code");
    hub.enrol("hello", OTHER).refuses(400, "not-a-code");
    hub.pass(Duration::from_secs(24 * 60 * 60));
    hub.enrol(&code, OTHER).refuses(410, "expired-code");
}

#[test]
fn of_many_who_use_one_code_at_once_one_comes_in() {
    let hub = Running::begin();
    let code = hub.first_code.clone().unwrap();
    let statuses: Vec<u16> = thread::scope(|scope| {
        let (hub, code) = (&hub, &code);
        let devices: Vec<_> = (10..18_u8)
            .map(|n| scope.spawn(move || hub.enrol(code, DeviceId::from_bytes([n; 16])).status))
            .collect();
        devices.into_iter().map(|d| d.join().unwrap()).collect()
    });
    let count = |status| statuses.iter().filter(|s| **s == status).count();
    assert_eq!((count(200), count(410)), (1, 7), "{statuses:?}");
}

#[test]
fn guesses_run_out_and_come_back_with_time() {
    let hub = Running::begin();
    let code = hub.first_code.clone().unwrap();
    for guess in 0..20 {
        let guess = format!("00000-000{guess:02}");
        hub.enrol(&guess, OTHER).refuses(403, "unknown-code");
    }
    let late = hub.enrol(&code, OTHER);
    late.refuses(429, "too-fast");
    assert_eq!(late.retry_after.as_deref(), Some("3"));
    hub.pass(Duration::from_secs(3));
    assert_eq!(hub.enrol(&code, OTHER).status, 200);
}

#[test]
fn dispatchers_alone_make_codes_list_devices_and_take_access_back() {
    let hub = Running::begin();
    let dispatcher = hub.dispatcher();
    for (number, role) in [(2, "crew"), (3, "auditor")] {
        let device = hub.device(&dispatcher, number, role);
        let token = Some(device.token.as_str());
        let code = json!({"role": "crew", "for": "a friend"});
        hub.post("/codes", token, code).refuses(403, "not-allowed");
        hub.ask("GET", "/devices", token, b"")
            .refuses(403, "not-allowed");
        let itself = json!({"device": device.store.device().to_string()});
        hub.post("/revoke", token, itself)
            .refuses(403, "not-allowed");
    }
    hub.ask("GET", "/devices", None, b"")
        .refuses(401, "no-token");
    let devices = hub
        .ask("GET", "/devices", Some(&dispatcher.token), b"")
        .json();
    let roles: Vec<_> = devices["devices"]
        .as_array()
        .unwrap()
        .iter()
        .map(|device| device["role"].as_str().unwrap())
        .collect();
    assert_eq!(roles, ["dispatcher", "crew", "auditor"]);
}

#[test]
fn what_cannot_be_a_request_is_named() {
    let hub = Running::begin();
    let dispatcher = hub.dispatcher();
    let token = Some(dispatcher.token.as_str());
    let check = |path: &str, body: Json, named: &str| {
        let answer = hub.post(path, token, body);
        answer.refuses(400, "bad-request");
        assert!(answer.text("error").contains(named), "{}", answer.words());
    };
    check("/codes", json!({"role": "boss", "for": "R. Ash"}), "`boss`");
    check(
        "/codes",
        json!({"role": "crew", "for": " "}),
        "for is empty",
    );
    check("/codes", json!({"role": "crew"}), "`for`");
    let week = json!({"role": "crew", "for": "R. Ash", "valid_hours": 169});
    check("/codes", week, "valid_hours is 169");
    check("/revoke", json!({"device": "tablet 4"}), "`tablet 4`");
    check("/enrol", json!({"code": "00000-00000"}), "`device`");
    hub.post("/revoke", token, json!({"device": OTHER.to_string()}))
        .refuses(404, "no-such-device");
    hub.ask("POST", "/codes", token, b"{")
        .refuses(400, "bad-request");
}

#[test]
fn no_secret_is_in_the_folder() {
    let hub = Running::begin();
    let code = hub.first_code.clone().unwrap();
    let token = hub.dispatcher().token;
    let (folder, _) = hub.end();
    let raw = blake3::Hash::from_hex(&token).unwrap();
    let bare = code.replace('-', "");
    let secrets = [
        token.as_bytes(),
        raw.as_bytes(),
        code.as_bytes(),
        bare.as_bytes(),
    ];
    let mut files = 0;
    for file in fs::read_dir(folder.path()).unwrap() {
        let bytes = fs::read(file.unwrap().path()).unwrap();
        files += 1;
        for secret in secrets {
            let found = bytes.windows(secret.len()).any(|window| window == secret);
            assert!(!found, "a secret of {} bytes is on disk", secret.len());
        }
    }
    assert_eq!(files, 2);
}

#[test]
fn a_hub_that_starts_again_knows_its_devices_and_makes_no_first_code() {
    let hub = Running::begin();
    let dispatcher = hub.dispatcher();
    let (folder, clock) = hub.end();
    let hub = Running::in_folder(folder, clock, Limits::USUAL);
    assert_eq!(hub.first_code, None);
    assert!(hub.exchange(&dispatcher).equal);
}
