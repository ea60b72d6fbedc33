//! What the company's logbook says counts at the hub: roles, routes and revocation.

use headwalk_core::exchange::message::Refusal;
use headwalk_core::exchange::session::{self, Answering};
use headwalk_core::log::id::ChainId;
use headwalk_core::site::company::{self, Route};
use headwalk_core::site::fields::{FieldDef, any, device};
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::words::Vocabulary;

use super::*;
use crate::access::Role;

pub(super) const COMPANY: LogbookId = LogbookId::from_bytes([40; 16]);
pub(super) const ELM: LogbookId = LogbookId::from_bytes([41; 16]);
pub(super) const BIRCH: LogbookId = LogbookId::from_bytes([42; 16]);

fn set(device: &Device, logbook: LogbookId, thing: ThingId, of: &FieldDef, value: Value) -> u64 {
    let change = Change::Set {
        thing,
        field: of.number,
        value,
        how: HowKnown::Unstated,
    };
    let draft = Draft {
        logbook,
        by: "R. Ash".to_owned(),
        utc_offset_min: 0,
        visit: None,
        changes: vec![change],
    };
    let now = WallMs::new(BEGAN_MS + 60_000);
    device.store.record(&[draft], now).unwrap()[0]
        .place
        .seq
        .get()
}

fn begin(device: &Device, logbook: LogbookId, kind: ThingKind) {
    let word = Value::text(kind.word());
    set(device, logbook, ThingId::root(logbook), &any::KIND, word);
}

fn note(device: &Device, logbook: LogbookId, words: &str) -> u64 {
    set(
        device,
        logbook,
        ThingId::root(logbook),
        &any::REMARK,
        Value::text(words),
    )
}

/// A dispatcher with the company's logbook and two sites at the hub, and a crew; a minute later.
pub(super) fn firm() -> (Running, Device, Device) {
    let hub = Running::begin();
    let office = hub.dispatcher();
    let crew = hub.device(&office, 2, "crew");
    hub.pass(Duration::from_secs(60));
    begin(&office, COMPANY, ThingKind::Company);
    begin(&office, ELM, ThingKind::Site);
    begin(&office, BIRCH, ThingKind::Site);
    assert!(hub.exchange(&office).equal);
    assert!(hub.exchange(&office).equal);
    (hub, office, crew)
}

pub(super) fn says(office: &Device, of: &Device, field: &FieldDef, value: Value) {
    set(
        office,
        COMPANY,
        company::thing_of(of.store.device()),
        field,
        value,
    );
}

pub(super) fn carries(sites: &[LogbookId]) -> Value {
    Route::Sites(sites.iter().copied().collect()).value()
}

fn remark(device: &Device, logbook: LogbookId) -> Option<String> {
    let state = device.store.state(logbook).unwrap();
    let value = state.value(ThingId::root(logbook), any::REMARK.number)?;
    value.as_text().map(str::to_owned)
}

#[test]
fn the_hub_enters_its_devices_in_the_companys_logbook() {
    let (hub, office, crew) = firm();
    assert!(hub.exchange(&office).equal);
    let state = office.store.state(COMPANY).unwrap();
    let listed = company::devices(&headwalk_core::site::things::Site::of(&state, COMPANY));
    let mut ids: Vec<_> = listed
        .iter()
        .map(|listed| (listed.device, listed.role))
        .collect();
    ids.sort();
    let expected = [
        (office.store.device(), Some(Role::Dispatcher)),
        (crew.store.device(), Some(Role::Crew)),
    ];
    assert_eq!(ids[..1], expected[..1]);
    hub.exchange(&crew);
    hub.exchange(&office);
    let state = office.store.state(COMPANY).unwrap();
    let listed = company::devices(&headwalk_core::site::things::Site::of(&state, COMPANY));
    let mut ids: Vec<_> = listed
        .iter()
        .map(|listed| (listed.device, listed.role))
        .collect();
    ids.sort();
    assert_eq!(ids, expected);
}

#[test]
fn a_device_carries_its_route_and_no_other_site() {
    let (hub, office, crew) = firm();
    says(&office, &crew, &device::CARRIES, carries(&[ELM]));
    hub.exchange(&office);
    assert!(hub.exchange(&crew).equal);
    assert_eq!(crew.store.logbooks().unwrap(), [COMPANY, ELM]);

    // A site that is added arrives whole at the next exchange.
    for step in 0..5 {
        note(&office, BIRCH, &format!("before it came {step}"));
    }
    says(&office, &crew, &device::CARRIES, carries(&[ELM, BIRCH]));
    hub.exchange(&office);
    assert!(hub.exchange(&crew).equal);
    assert_eq!(
        crew.store.heads(BIRCH).unwrap(),
        office.store.heads(BIRCH).unwrap()
    );

    // One that is taken off stops growing; what the crew still had of it arrives all the same.
    says(&office, &crew, &device::CARRIES, carries(&[BIRCH]));
    note(&office, ELM, "the office's own");
    hub.exchange(&office);
    let last = note(&crew, ELM, "from the yard, unsent");
    hub.exchange(&crew);
    assert!(hub.exchange(&crew).equal);
    assert_eq!(remark(&crew, ELM).as_deref(), Some("from the yard, unsent"));
    let grown = crew.store.vector(ELM).unwrap();
    let before = office.store.vector(ELM).unwrap();
    assert!(
        grown.last(ChainId::of(office.store.device()))
            < before.last(ChainId::of(office.store.device()))
    );
    assert!(hub.exchange(&office).equal);
    let held = office.store.vector(ELM).unwrap();
    assert_eq!(
        held.last(ChainId::of(crew.store.device()))
            .map(|seq| seq.get()),
        Some(last)
    );
    assert_eq!(
        office.store.heads(BIRCH).unwrap(),
        crew.store.heads(BIRCH).unwrap()
    );
}

#[test]
fn roles_and_revocation_in_the_logbook_count_from_the_next_parcel_on() {
    let (hub, office, crew) = firm();
    hub.exchange(&crew);
    says(&office, &crew, &device::ROLE, Role::Auditor.value());
    hub.exchange(&office);
    note(&crew, ELM, "an auditor writes nothing");
    let summary = hub.exchange(&crew);
    assert_eq!(summary.logbooks[&ELM].refused, Some(Refusal::NotAllowed));

    says(&office, &crew, &device::REVOKED, Value::Bool(true));
    hub.exchange(&office);
    hub.carry(&crew.token, &hub.parcel(&crew))
        .refuses(401, "revoked");
    let roll = hub.ask("GET", "/devices", Some(&office.token), b"").json();
    assert!(roll["devices"][1]["revoked"].is_string(), "{roll}");

    // A code that is given afterwards lets it in again, as what the code says.
    hub.pass(Duration::from_secs(60));
    let code = hub.code(&office.token, "crew");
    let token = hub.enrol(&code, crew.store.device()).text("token");
    let crew = Device { token, ..crew };
    assert!(hub.exchange(&crew).equal);
    hub.exchange(&office);
    assert_eq!(
        remark(&office, ELM).as_deref(),
        Some("an auditor writes nothing")
    );
}

#[test]
fn what_a_colleague_brings_of_a_device_without_access_is_held_back_until_a_dispatcher_admits_it() {
    let (hub, office, crew) = firm();
    let colleague = hub.device(&office, 3, "crew");
    hub.exchange(&crew);
    hub.exchange(&colleague);
    says(&office, &crew, &device::REVOKED, Value::Bool(true));
    hub.exchange(&office);
    note(&crew, ELM, "written after that");
    meet(&crew.store, &colleague.store, hub.now());
    hub.exchange(&colleague);
    hub.exchange(&office);
    assert_eq!(remark(&office, ELM), None);
    let held = |device: &Device| {
        let kept = device.store.entries(ELM).unwrap().into_iter();
        let held: Vec<_> = kept.filter(|kept| kept.held_back).collect();
        let places: Vec<_> = held.iter().map(|kept| kept.place).collect();
        device.store.marks(ELM, &places).unwrap()
    };
    assert_eq!(held(&office).len(), 1);
    let admits = |device: &Device| {
        let changes = held(device).into_iter().map(|of| Change::Admit { of });
        let draft = Draft {
            logbook: ELM,
            by: "R. Ash".to_owned(),
            utc_offset_min: 0,
            visit: None,
            changes: changes.collect(),
        };
        device.store.record(&[draft], hub.now()).unwrap();
    };
    // A crew has no say in it.
    hub.exchange(&colleague);
    admits(&colleague);
    let summary = hub.exchange(&colleague);
    assert_eq!(summary.logbooks[&ELM].refused, Some(Refusal::NotAllowed));
    hub.exchange(&office);
    assert_eq!(remark(&office, ELM), None);
    admits(&office);
    assert!(hub.exchange(&office).equal);
    assert_eq!(remark(&office, ELM).as_deref(), Some("written after that"));
    assert_eq!(held(&office), []);
}

/// Two devices in the truck.
fn meet(one: &Store, other: &Store, now: WallMs) {
    let (mut caller, mut parcel) = Caller::begin(one, Some(other.id()), now).unwrap();
    loop {
        let reply = session::answer(other, &parcel, &Answering::as_peer(), now).unwrap();
        match caller.receive(one, &reply, now).unwrap() {
            Next::Send(next) => parcel = next,
            Next::Done(summary) => return assert!(summary.equal),
        }
    }
}

#[test]
fn a_crew_that_writes_itself_a_better_role_keeps_its_own() {
    let (hub, office, crew) = firm();
    says(&office, &crew, &device::CARRIES, carries(&[ELM]));
    hub.exchange(&office);
    hub.exchange(&crew);
    says(&crew, &crew, &device::ROLE, Role::Dispatcher.value());
    says(&crew, &crew, &device::CARRIES, carries(&[ELM, BIRCH]));
    says(&crew, &office, &device::REVOKED, Value::Bool(true));
    hub.exchange(&crew);
    hub.exchange(&crew);
    assert_eq!(crew.store.logbooks().unwrap(), [COMPANY, ELM]);
    hub.ask("GET", "/devices", Some(&crew.token), b"")
        .refuses(403, "not-allowed");
    assert!(hub.exchange(&office).equal);
}

#[test]
fn the_hub_says_whether_it_holds_all_of_a_logbook() {
    let (hub, office, crew) = firm();
    hub.exchange(&crew);
    let ask = |crew: &Device| {
        let heads = crew.store.heads(ELM).unwrap();
        let ends: Vec<_> = heads
            .iter()
            .map(|head| {
                json!([
                    head.device.to_string(),
                    head.seq.get(),
                    head.tip.to_string()
                ])
            })
            .collect();
        let body = json!({"logbook": ELM.to_string(), "ends": ends});
        hub.post("/holds", Some(&crew.token), body).json()
    };
    assert_eq!(ask(&crew), json!({"chains_lacking": 0, "on_route": true}));
    note(&crew, ELM, "unsent");
    assert_eq!(ask(&crew), json!({"chains_lacking": 1, "on_route": true}));
    says(&office, &crew, &device::CARRIES, carries(&[BIRCH]));
    hub.exchange(&office);
    hub.exchange(&crew);
    assert_eq!(ask(&crew), json!({"chains_lacking": 0, "on_route": false}));
    let garbled = json!({"logbook": "elm", "ends": []});
    hub.post("/holds", Some(&crew.token), garbled)
        .refuses(400, "bad-request");
}

#[test]
fn a_site_that_a_crew_began_stays_its_own_when_the_hub_begins_anew() {
    let (hub, office, crew) = firm();
    says(&office, &crew, &device::CARRIES, carries(&[ELM]));
    hub.exchange(&office);
    // A day ahead, so that the hub writes receipts beside the crew's entries, each time as another.
    let site = LogbookId::from_bytes([43; 16]);
    let note_ahead = |hub: &Running, words: &str| {
        let change = Change::Observe {
            thing: ThingId::root(site),
            what: headwalk_core::log::id::ObservationNumber(1),
            value: Value::text(words),
            how: HowKnown::Unstated,
        };
        let draft = Draft {
            logbook: site,
            by: "R. Ash".to_owned(),
            utc_offset_min: 0,
            visit: None,
            changes: vec![change],
        };
        let ahead = hub.now().shifted(86_400_000);
        crew.store.record(&[draft], ahead).unwrap();
    };
    note_ahead(&hub, "a new site");
    hub.exchange(&crew);
    let (folder, clock) = hub.end();
    let hub = Running::in_folder(folder, clock, Limits::USUAL);
    note_ahead(&hub, "more of it");
    hub.exchange(&crew);
    assert!(hub.exchange(&crew).equal); // what it brings and what it gets are two, off its route
    let writers = crew.store.heads(site).unwrap().len();
    assert_eq!(writers, 3, "its own, and the receipts of before and after");
}
