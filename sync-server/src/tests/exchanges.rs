//! Parcels through the hub: those that are taken, and those that are not.

use headwalk_core::exchange::message::{MAX_PARCEL_BYTES, Refusal};

use super::*;

#[test]
fn two_devices_hold_the_same_through_the_hub() {
    let hub = Running::begin();
    let office = hub.dispatcher();
    let crew = hub.device(&office, 2, "crew");
    write(&office, 1, "half", hub.now());
    write(&crew, 1, "quarter", hub.now());
    write(&crew, 2, "note", hub.now());
    hub.exchange(&office);
    hub.exchange(&crew);
    assert!(hub.exchange(&office).equal);
    let heads = |device: &Device| device.store.heads(LOGBOOK).unwrap();
    assert_eq!(heads(&office), heads(&crew));
    assert_eq!(
        office.store.state(LOGBOOK).unwrap(),
        crew.store.state(LOGBOOK).unwrap()
    );
}

#[test]
fn what_is_refused_is_told_in_words_and_the_hub_goes_on() {
    let hub = Running::begin();
    let office = hub.dispatcher();
    let crew = hub.device(&office, 2, "crew");
    let other = hub.device(&office, 3, "crew");
    let parcel = hub.parcel(&crew);
    let goes_on = |step: u16| {
        write(&crew, step, "goes on", hub.now());
        let summary = hub.exchange(&crew);
        let sent = summary.logbooks[&LOGBOOK].sent;
        assert_eq!((sent, summary.equal), (1, true), "{summary:?}");
    };
    goes_on(1);
    hub.carry(&other.token, &parcel)
        .refuses(403, "other-device");
    goes_on(2);
    hub.carry(&"0".repeat(64), &parcel)
        .refuses(401, "unknown-token");
    hub.carry("short", &parcel).refuses(401, "unknown-token");
    goes_on(3);
    hub.ask("POST", "/exchange", None, &parcel)
        .refuses(401, "no-token");
    goes_on(4);
    hub.carry(&crew.token, b"\x01garbage")
        .refuses(400, "garbled");
    hub.carry(&crew.token, b"").refuses(400, "garbled");
    hub.carry(&crew.token, &[&[99], parcel.as_slice()].concat())
        .refuses(400, "other-version");
    goes_on(5);
    hub.carry(&crew.token, &vec![1; MAX_PARCEL_BYTES + 1])
        .refuses(413, "too-large");
    goes_on(6);
    let answer = hub.ask("GET", "/exchange", Some(&crew.token), b"");
    answer.refuses(405, "wrong-method");
    assert_eq!(answer.allow.as_deref(), Some("POST"));
    goes_on(7);
    hub.ask("GET", "/elsewhere", None, b"")
        .refuses(404, "no-such-page");
    goes_on(8);
    assert_eq!(hub.ask("GET", "/healthz", None, b"").text("status"), "ok");
}

#[test]
fn a_body_of_exactly_the_limit_is_read_and_one_byte_more_is_not() {
    let hub = Running::begin();
    let office = hub.dispatcher();
    let check = |bytes, kind, status| {
        hub.carry(&office.token, &vec![1; bytes])
            .refuses(status, kind);
    };
    check(MAX_PARCEL_BYTES, "garbled", 400);
    check(MAX_PARCEL_BYTES + 1, "too-large", 413);
    check(4 * MAX_PARCEL_BYTES, "too-large", 413);
}

#[test]
fn access_that_was_taken_back_counts_at_once_and_a_new_code_gives_it_again() {
    let hub = Running::begin();
    let office = hub.dispatcher();
    let mut crew = hub.device(&office, 2, "crew");
    write(&crew, 1, "before", hub.now());
    hub.exchange(&crew);
    let body = json!({"device": crew.store.device().to_string()});
    let revoked = hub.post("/revoke", Some(&office.token), body);
    assert_eq!(revoked.text("revoked"), "2026-07-14T12:00:00.000Z");
    write(&crew, 2, "after", hub.now());
    hub.carry(&crew.token, &hub.parcel(&crew))
        .refuses(401, "revoked");
    hub.exchange(&office);
    assert_eq!(office.store.entries(LOGBOOK).unwrap().len(), 1);

    let code = hub.code(&office.token, "crew");
    crew.token = hub.enrol(&code, crew.store.device()).text("token");
    assert!(hub.exchange(&crew).equal);
    hub.exchange(&office);
    assert_eq!(office.store.entries(LOGBOOK).unwrap().len(), 2);
}

#[test]
fn an_auditor_reads_and_what_they_write_is_not_taken() {
    let hub = Running::begin();
    let office = hub.dispatcher();
    let auditor = hub.device(&office, 2, "auditor");
    write(&office, 1, "half", hub.now());
    hub.exchange(&office);
    assert!(hub.exchange(&auditor).equal);
    write(&auditor, 1, "mine", hub.now());
    let summary = hub.exchange(&auditor);
    let refused = summary.logbooks[&LOGBOOK].refused.clone();
    assert_eq!(refused, Some(Refusal::NotAllowed));
    hub.exchange(&office);
    assert_eq!(office.store.entries(LOGBOOK).unwrap().len(), 1);
}

#[test]
fn a_copy_of_the_hubs_own_store_is_told_so() {
    let hub = Running::begin();
    let office = hub.dispatcher();
    let (_, mut parcel) = Caller::begin(&office.store, None, hub.now()).unwrap();
    let answer = hub.carry(&office.token, &parcel.to_bytes());
    parcel.from.store = Parcel::from_bytes(&answer.body).unwrap().from.store;
    hub.carry(&office.token, &parcel.to_bytes())
        .refuses(409, "itself");
}

#[test]
fn a_copied_tablet_goes_on_under_an_id_of_its_own_and_nothing_is_lost() {
    let hub = Running::begin();
    let office = hub.dispatcher();
    let crew = hub.device(&office, 2, "crew");
    write(&crew, 1, "both have it", hub.now());
    hub.exchange(&crew);
    let new = NewStore {
        id: StoreId::from_bytes([22; 16]),
        key: key(2),
    };
    let copy = Device {
        store: Store::on_backend(InMemoryBackend::new(), new).unwrap(),
        token: crew.token.clone(),
    };
    write(&copy, 1, "both have it", hub.now()); // to the letter what was copied
    write(&crew, 2, "the one", hub.now());
    write(&copy, 3, "the other", hub.now());
    hub.exchange(&crew);
    for device in [&copy, &crew] {
        assert!(hub.exchange(device).equal);
    }
    for (number, device) in [(31, &copy), (32, &crew), (31, &copy)] {
        // As the program around the store does before it writes.
        if device.store.id_is_in_use_elsewhere() {
            device.store.write_as(key(number)).unwrap();
            write(device, u16::from(number), "and on", hub.now());
        }
        assert!(hub.exchange(device).equal);
    }
    let state = |device: &Device| device.store.state(LOGBOOK).unwrap();
    assert_eq!(state(&copy), state(&crew));
    for field in 1..=3 {
        let value = state(&crew);
        let value = value.value(ThingId::from_bytes([7; 16]), FieldNumber(field));
        assert!(value.is_some(), "field {field}");
    }
    assert_ne!(crew.store.device(), copy.store.device());
    let devices = hub.ask("GET", "/devices", Some(&office.token), b"").json();
    let later = &devices["devices"][1]["later_ids"];
    let changed = [copy.store.device(), crew.store.device()].map(|id| id.to_string());
    assert_eq!(later, &json!(changed));
}

#[test]
fn the_dispatcher_sees_when_a_device_was_heard_and_how_its_clock_stood() {
    let hub = Running::begin();
    let office = hub.dispatcher();
    let crew = hub.device(&office, 2, "crew");
    let heard = |hub: &Running| {
        let devices = hub.ask("GET", "/devices", Some(&office.token), b"").json();
        let crew = devices["devices"][1].clone();
        (crew["last_heard"].clone(), crew["clock_behind_ms"].clone())
    };
    assert_eq!(heard(&hub), (Json::Null, Json::Null));
    for (passed, slow_ms) in [(0, 90_000), (30, -2_000)] {
        hub.pass(Duration::from_secs(passed));
        let told = hub.now().shifted(-slow_ms);
        let (_, parcel) = Caller::begin(&crew.store, None, told).unwrap();
        assert_eq!(hub.carry(&crew.token, &parcel.to_bytes()).status, 200);
    }
    let last = (json!("2026-07-14T12:00:30.000Z"), json!(-2_000));
    assert_eq!(heard(&hub), last);
    let (folder, clock) = hub.end();
    assert_eq!(
        heard(&Running::in_folder(folder, clock, Limits::USUAL)),
        last
    );
}
