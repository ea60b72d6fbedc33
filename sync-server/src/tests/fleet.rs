//! Several hubs beside one log: whoever asks any of them is answered as by one.

use std::fs;
use std::path::Path;

use super::*;
use crate::hub::{ACCESS_CACHE, LOG_CACHE};
use crate::hub_log::memory::{Faults, MemoryLog};
use crate::hub_log::{HubLog, LogId, Position, Record};
use crate::moving;

struct Fleet {
    log: Arc<MemoryLog>,
    clock: Arc<AtomicU64>,
}

impl Fleet {
    fn begin() -> Self {
        Self::of(LogId::from_bytes([77; 16]))
    }

    fn of(id: LogId) -> Self {
        Self {
            log: Arc::new(MemoryLog::new(id)),
            clock: Arc::new(AtomicU64::new(BEGAN_MS)),
        }
    }

    fn hub(&self) -> Running {
        self.hub_in(tempfile::tempdir().unwrap())
    }

    fn hub_in(&self, folder: TempDir) -> Running {
        let edge = Edge::told(Arc::clone(&self.clock));
        let name = Name::parse("name", "Office").unwrap();
        let log = Arc::clone(&self.log) as Arc<dyn HubLog>;
        let hub = Hub::beside(folder.path(), log, &name, edge).unwrap();
        hub.catch_up().unwrap();
        Running::of(hub, folder, Arc::clone(&self.clock), Limits::USUAL)
    }
}

/// Exchanges by bookmark, and returns how many round trips it took and whether all is the same.
fn by_bookmark(hub: &Running, device: &Device, peer: StoreId) -> (u32, bool) {
    let (mut session, mut parcel) = Caller::begin(&device.store, Some(peer), hub.now()).unwrap();
    loop {
        let answer = hub.carry(&device.token, &parcel.to_bytes());
        assert_eq!(answer.status, 200, "{}", answer.words());
        let answer = Parcel::from_bytes(&answer.body).unwrap();
        match session.receive(&device.store, &answer, hub.now()).unwrap() {
            Next::Send(next) => parcel = next,
            Next::Done(summary) => return (summary.round_trips, summary.equal),
        }
    }
}

#[test]
fn who_may_come_in_is_the_same_at_every_hub() {
    let fleet = Fleet::begin();
    let (one, other) = (fleet.hub(), fleet.hub());
    assert!(one.first_code.is_some());
    assert_eq!(other.first_code, None, "one first code for all");
    let office = one.dispatcher();
    let code = other.code(&office.token, "crew");
    let tablet = store(2);
    let token = one.enrol(&code, tablet.device()).text("token");
    other
        .enrol(&code, store(3).device())
        .refuses(410, "used-code");
    let crew = Device {
        store: tablet,
        token,
    };
    write(&crew, 1, "half", one.now());
    assert!(other.exchange(&crew).equal);
    let devices = other
        .ask("GET", "/devices", Some(&office.token), b"")
        .json();
    assert_eq!(devices["devices"].as_array().unwrap().len(), 2);
    let device = json!({"device": crew.store.device().to_string()});
    assert_eq!(one.post("/revoke", Some(&office.token), device).status, 200);
    other
        .carry(&crew.token, &other.parcel(&crew))
        .refuses(401, "revoked");
    // A session that began at one hub is good at the other, and over there when it is over here.
    let hub_of = |_: &Running| {
        let edge = Edge::told(Arc::clone(&fleet.clock));
        let folder = tempfile::tempdir().unwrap();
        let log = Arc::clone(&fleet.log) as Arc<dyn HubLog>;
        let name = Name::parse("name", "Office").unwrap();
        (
            Hub::beside(folder.path(), log, &name, edge).unwrap(),
            folder,
        )
    };
    let ((third, _f3), (fourth, _f4)) = (hub_of(&one), hub_of(&other));
    let code = one.code(&office.token, "auditor");
    let code = crate::secret::Code::parse(&code).unwrap();
    let (secret, session) = third.sign_in(&code).unwrap();
    assert_eq!(fourth.session(&secret).unwrap(), session);
    fourth.sign_out(&secret).unwrap();
    third.be_current().unwrap();
    assert!(third.session(&secret).is_err());
}

#[test]
fn a_bookmark_is_good_at_every_hub() {
    let fleet = Fleet::begin();
    let hubs = [fleet.hub(), fleet.hub(), fleet.hub()];
    let office = hubs[0].dispatcher();
    let crew = hubs[1].device(&office, 2, "crew");
    let peer = fleet.log.log_id();
    for (hub, step) in hubs.iter().zip(1..) {
        write(&crew, step, "seen", hub.now());
        hub.exchange(&crew);
        assert!(hub.exchange(&office).equal);
    }
    for (hub, step) in hubs.iter().cycle().zip(10..19) {
        write(&crew, step, "seen", hub.now());
        write(&office, step + 100, "said", hub.now());
        assert_eq!(by_bookmark(hub, &crew, peer), (1, true), "step {step}");
        let next = &hubs[usize::from(step) % 3];
        assert_eq!(by_bookmark(next, &office, peer), (1, true), "step {step}");
    }
    assert_eq!(by_bookmark(&hubs[0], &crew, peer), (1, true));
    assert_eq!(
        crew.store.state(LOGBOOK).unwrap(),
        office.store.state(LOGBOOK).unwrap()
    );
}

#[test]
fn a_wrong_clock_gets_its_receipts_from_whichever_hub_and_all_order_alike() {
    let fleet = Fleet::begin();
    let hubs = [fleet.hub(), fleet.hub()];
    let office = hubs[0].dispatcher();
    let crew = hubs[1].device(&office, 2, "crew");
    let ahead = hubs[0].now().shifted(86_400_000);
    for (hub, step) in hubs.iter().cycle().zip(1..9) {
        write(&crew, step, "a day ahead", ahead);
        hub.exchange(&crew);
        write(&office, step, "of today", hub.now());
        hub.exchange(&office);
    }
    for hub in &hubs {
        hub.exchange(&crew);
        hub.exchange(&office);
    }
    assert_eq!(
        crew.store.state(LOGBOOK).unwrap(),
        office.store.state(LOGBOOK).unwrap()
    );
    let heads = |device: &Device| device.store.heads(LOGBOOK).unwrap();
    assert_eq!(heads(&crew), heads(&office));
    assert_eq!(heads(&crew).len(), 4, "two devices, and two hubs' receipts");
}

#[test]
fn a_hub_whose_files_were_thrown_away_answers_with_the_same_bytes() {
    let fleet = Fleet::begin();
    let (one, other) = (fleet.hub(), fleet.hub());
    let office = one.dispatcher();
    let crew = one.device(&office, 2, "crew");
    for step in 1..6 {
        write(&crew, step, "seen", one.now().shifted(86_400_000));
        write(&office, step, "said", one.now());
        other.exchange(&crew);
        one.exchange(&office);
    }
    one.exchange(&crew);
    let peer = fleet.log.log_id();
    let mut parcels = vec![one.parcel(&store_with(9, &crew.token))];
    for known in [None, Some(peer)] {
        let (_, parcel) = Caller::begin(&crew.store, known, one.now()).unwrap();
        parcels.push(parcel.to_bytes());
    }
    // As of the beginning, so that all of it comes back.
    let mut all = Parcel::from_bytes(parcels.last().unwrap()).unwrap();
    if let Says::News { since, .. } = &mut all.says {
        *since = headwalk_core::store::Bookmark::START;
    }
    parcels.push(all.to_bytes());
    let answers = |hub: &Running| -> Vec<_> {
        let answer = |parcel: &Vec<u8>| {
            let answer = hub.carry(&crew.token, parcel);
            (answer.status, answer.body)
        };
        parcels.iter().map(answer).collect()
    };
    let before = answers(&one);
    assert!(
        before.iter().any(|(_, body)| body.len() > 500),
        "it says something"
    );
    assert_eq!(answers(&other), before, "at the other hub");
    let (folder, _) = one.end();
    let cache = fs::read(folder.path().join(LOG_CACHE)).unwrap();
    for file in [LOG_CACHE, ACCESS_CACHE] {
        fs::remove_file(folder.path().join(file)).unwrap();
    }
    let anew = fleet.hub_in(folder);
    assert_eq!(answers(&anew), before, "from nothing");
    // Half of them gone, or damaged, is no different.
    let (folder, _) = anew.end();
    fs::remove_file(folder.path().join(ACCESS_CACHE)).unwrap();
    let anew = fleet.hub_in(folder);
    assert_eq!(answers(&anew), before, "from one of two");
    let (folder, _) = anew.end();
    fs::write(folder.path().join(LOG_CACHE), &cache[..cache.len() / 2]).unwrap();
    let anew = fleet.hub_in(folder);
    assert_eq!(answers(&anew), before, "from a half");
}

fn store_with(number: u8, token: &str) -> Device {
    Device {
        store: store(number),
        token: token.to_owned(),
    }
}

#[test]
fn whichever_of_a_hubs_files_is_of_an_earlier_moment_is_brought_up() {
    let fleet = Fleet::begin();
    let hub = fleet.hub();
    let office = hub.dispatcher();
    write(&office, 1, "half", hub.now());
    hub.exchange(&office);
    let (mut folder, _) = hub.end();
    let mut known = 1;
    for file in [ACCESS_CACHE, LOG_CACHE] {
        let path = folder.path().join(file);
        let earlier = fs::read(&path).unwrap();
        let hub = fleet.hub_in(folder);
        let crew = hub.device(&office, 1 + known, "crew");
        known += 1;
        write(&crew, u16::from(known), "seen", hub.now());
        hub.exchange(&crew);
        (folder, _) = hub.end();
        // As an end without warning leaves it, if the other came to the disk and this did not.
        fs::write(&path, earlier).unwrap();
        let hub = fleet.hub_in(folder);
        let devices = hub.ask("GET", "/devices", Some(&office.token), b"").json();
        let devices = devices["devices"].as_array().unwrap().len();
        assert_eq!(devices, usize::from(known), "with an earlier {file}");
        assert!(hub.exchange(&crew).equal);
        assert_eq!(by_bookmark(&hub, &crew, fleet.log.log_id()), (1, true));
        (folder, _) = hub.end();
    }
}

#[test]
fn without_the_log_nothing_is_acknowledged_and_the_hub_says_when_to_come_again() {
    let fleet = Fleet::begin();
    let hub = fleet.hub();
    let office = hub.dispatcher();
    assert_eq!(hub.ask("GET", "/healthz", None, b"").text("status"), "ok");
    write(&office, 1, "half", hub.now());
    fleet.log.fail(Faults {
        unreachable: true,
        ..Faults::default()
    });
    let answer = hub.carry(&office.token, &hub.parcel(&office));
    answer.refuses(503, "log-unreachable");
    assert_eq!(answer.retry_after.as_deref(), Some("15"));
    hub.ask("GET", "/healthz", None, b"")
        .refuses(503, "log-unreachable");
    let counts = hub.ask("GET", "/metrics", None, b"");
    assert_eq!(counts.status, 200);
    let counts = counts.words();
    let unreachable = counts
        .lines()
        .find(|line| line.starts_with("log_unreachable "));
    let number = unreachable.unwrap().split(' ').nth(1).unwrap();
    assert!(number.parse::<u64>().unwrap() >= 2, "{counts}");
    fleet.log.fail(Faults {
        lost_answers: 1,
        ..Faults::default()
    });
    assert!(hub.exchange(&office).equal);
    let records = fleet
        .log
        .read(Position::START, 100, Duration::ZERO)
        .unwrap();
    let entries = records
        .iter()
        .filter(|(_, record)| matches!(record, Record::Entry(_)));
    assert_eq!(entries.count(), 1, "though the answer was lost");
}

#[test]
fn a_log_that_was_put_back_is_noticed_and_devices_fill_it_again() {
    let fleet = Fleet::begin();
    let hub = fleet.hub();
    let office = hub.dispatcher();
    write(&office, 1, "half", hub.now());
    hub.exchange(&office);
    let copy = fleet
        .log
        .read(Position::START, 1_000, Duration::ZERO)
        .unwrap();
    write(&office, 2, "quarter", hub.now());
    hub.exchange(&office);
    let (folder, _) = hub.end();
    // The copy holds what had come by then.
    let earlier = Fleet {
        log: Arc::new(MemoryLog::new(fleet.log.log_id())),
        clock: Arc::clone(&fleet.clock),
    };
    let mut last = Position::START;
    for (_, record) in copy {
        match record {
            Record::Access(change) => {
                last = earlier.log.append_access(&change, last).unwrap().unwrap();
            }
            Record::Heard(device, bytes) => {
                earlier.log.append_heard(&[(device, bytes)]).unwrap();
            }
            other => drop(earlier.log.append(&[other], None).unwrap()),
        }
    }
    let hub = earlier.hub_in(folder);
    let peer = earlier.log.log_id();
    assert!(
        by_bookmark(&hub, &office, peer).1,
        "and both hold the same again"
    );
    let (_, state) = (0, office.store.state(LOGBOOK).unwrap());
    let fresh = hub.device(&office, 4, "crew");
    hub.exchange(&fresh);
    assert_eq!(fresh.store.state(LOGBOOK).unwrap(), state);
}

fn to_fleet(folder: &Path, fleet: &Fleet) -> Result<moving::Moved, Error> {
    let edge = Edge::told(Arc::clone(&fleet.clock));
    moving::to_fleet(
        folder,
        fleet.log.as_ref(),
        "nats://127.0.0.1:4222/west",
        &edge,
    )
}

#[test]
fn a_log_moves_to_a_fleet_and_back_and_devices_notice_nothing() {
    let hub = Running::begin();
    let office = hub.dispatcher();
    let crew = hub.device(&office, 2, "crew");
    for step in 1..30 {
        write(&crew, step, "seen", hub.now().shifted(86_400_000));
        write(&office, step, "said", hub.now());
        hub.exchange(&crew);
        hub.exchange(&office);
    }
    hub.exchange(&crew);
    let (folder, clock) = hub.end();
    let id = moving::log_of(folder.path()).unwrap();
    let fleet = Fleet {
        log: Arc::new(MemoryLog::new(id)),
        clock,
    };
    // Broken off after a piece of it, the same command goes on.
    let log = crate::hub_log::files::FilesLog::of(
        Store::open(&folder.path().join(crate::hub::LOG_FILE)).unwrap(),
    );
    let first: Vec<_> = log.read(Position::START, 25, Duration::ZERO).unwrap();
    drop(log);
    let first: Vec<_> = first.into_iter().map(|(_, record)| record).collect();
    fleet.log.append(&first, None).unwrap();
    let moved = to_fleet(folder.path(), &fleet).unwrap();
    assert_eq!((moved.before, moved.chains), (25, 3));
    assert!(moved.entries > 58, "{moved:?}");
    assert_eq!(
        to_fleet(folder.path(), &fleet).unwrap().before,
        moved.entries
    );
    let edge = Edge::told(Arc::clone(&fleet.clock));
    let refused = Hub::open(folder.path(), edge.clone()).unwrap_err();
    assert!(
        refused.to_string().contains("has moved to nats://"),
        "{refused}"
    );

    let hubs = [fleet.hub(), fleet.hub()];
    assert_eq!(hubs[0].first_code, None, "its devices are there");
    assert_eq!(by_bookmark(&hubs[0], &crew, id), (1, true));
    write(&crew, 50, "in the fleet", hubs[0].now());
    assert_eq!(by_bookmark(&hubs[1], &crew, id), (1, true));
    drop(hubs);

    let name = Name::parse("name", "Office").unwrap();
    let back = |to: &Path| moving::to_folder(fleet.log.as_ref(), to, &name, &edge);
    let home = back(folder.path()).unwrap();
    assert!(home.entries > moved.entries, "{home:?}");
    // It is in one place only: neither is it moved once more, nor does a hub go on with it there.
    let elsewhere = tempfile::tempdir().unwrap();
    for to in [folder.path(), elsewhere.path()] {
        let twice = back(to);
        assert!(matches!(&twice, Err(Error::Moved(_))), "{twice:?}");
    }
    let log = Arc::clone(&fleet.log) as Arc<dyn HubLog>;
    let late = Hub::beside(elsewhere.path(), log, &name, edge.clone());
    let late = late.and_then(|hub| hub.catch_up()).unwrap_err();
    assert!(late.to_string().contains("has moved to redb:"), "{late}");
    let hub = Running::in_folder(folder, Arc::clone(&fleet.clock), Limits::USUAL);
    assert_eq!(by_bookmark(&hub, &crew, id), (1, true));
    assert!(by_bookmark(&hub, &office, id).1);
}

#[test]
fn a_log_does_not_move_onto_another() {
    let hub = Running::begin();
    let office = hub.dispatcher();
    write(&office, 1, "half", hub.now());
    hub.exchange(&office);
    let (folder, _) = hub.end();
    let id = moving::log_of(folder.path()).unwrap();
    let refused = |fleet: &Fleet| match to_fleet(folder.path(), fleet) {
        Err(Error::NotMoved(why)) => why,
        other => panic!("{other:?}"),
    };
    assert!(refused(&Fleet::begin()).contains("another log"));
    let used = Fleet::of(id);
    let other = store_with(9, "");
    write(&other, 1, "somebody else's", WallMs::new(BEGAN_MS));
    let entries = other
        .store
        .arrivals(headwalk_core::log::id::Arrival(0), 1 << 20)
        .unwrap();
    let records: Vec<_> = entries
        .into_iter()
        .map(|(_, entry)| Record::Entry(entry))
        .collect();
    used.log.append(&records, None).unwrap();
    assert!(refused(&used).contains("entry 1"));
    let edge = Edge::told(Arc::new(AtomicU64::new(BEGAN_MS)));
    Hub::open(folder.path(), edge).unwrap(); // and the hub is as it was
}

#[test]
fn of_two_who_write_on_what_they_saw_at_two_hubs_the_second_is_told() {
    let fleet = Fleet::begin();
    let hub = || {
        let edge = Edge::told(Arc::clone(&fleet.clock));
        let folder = tempfile::tempdir().unwrap();
        let log = Arc::clone(&fleet.log) as Arc<dyn HubLog>;
        let name = Name::parse("name", "Office").unwrap();
        (
            Hub::beside(folder.path(), log, &name, edge).unwrap(),
            folder,
        )
    };
    let ((one, _f1), (other, _f2)) = (hub(), hub());
    let seen = [one.store().position(), other.store().position()];
    let draft = |words: &str| {
        let device = store_with(8, "");
        write(&device, 1, words, WallMs::new(BEGAN_MS));
        let kept = device.store.entries(LOGBOOK).unwrap();
        Draft {
            logbook: LOGBOOK,
            by: "R. Ash".to_owned(),
            utc_offset_min: 0,
            visit: None,
            changes: kept[0].entry.changes.clone(),
        }
    };
    let now = WallMs::new(BEGAN_MS);
    let only_if = |at| Some((LOGBOOK, at));
    one.store()
        .record(&[draft("mine")], now, only_if(seen[0]))
        .unwrap();
    let late = other
        .store()
        .record(&[draft("mine, too")], now, only_if(seen[1]));
    let moved = matches!(late, Err(Error::Shared(crate::hub_log::LogError::Moved)));
    assert!(moved, "{late:?}");
    other.be_current().unwrap();
    let at = other.store().position();
    other
        .store()
        .record(&[draft("then this")], now, only_if(at))
        .unwrap();
}

#[test]
fn a_logbook_that_a_crew_began_is_its_own_whichever_hub_gave_the_receipt() {
    let fleet = Fleet::begin();
    let hubs = [fleet.hub(), fleet.hub()];
    let office = hubs[0].dispatcher();
    let crew = hubs[0].device(&office, 2, "crew");
    // A route of nothing: what it carries is what it begins.
    let company = LogbookId::from_bytes([1; 16]);
    let set = |thing, field: FieldNumber, value| Change::Set {
        thing,
        field,
        value,
        how: HowKnown::Unstated,
    };
    use headwalk_core::site::company::{self, Route};
    use headwalk_core::site::fields::{any, device};
    let draft = Draft {
        logbook: company,
        by: "R. Ash".to_owned(),
        utc_offset_min: 0,
        visit: None,
        changes: vec![
            set(
                ThingId::root(company),
                any::KIND.number,
                Value::text("company"),
            ),
            set(
                company::thing_of(crew.store.device()),
                device::CARRIES.number,
                Route::Sites([LogbookId::from_bytes([9; 16])].into()).value(),
            ),
        ],
    };
    office.store.record(&[draft], hubs[0].now()).unwrap();
    hubs[0].exchange(&office);
    write(
        &crew,
        1,
        "a new site, a day ahead",
        hubs[0].now().shifted(86_400_000),
    );
    hubs[0].exchange(&crew);
    write(&crew, 2, "more of it", hubs[1].now().shifted(86_400_000));
    hubs[1].exchange(&crew);
    hubs[0].exchange(&crew); // what it brings and what it gets are two exchanges, off its route
    let receipts = |device: &Device| device.store.heads(LOGBOOK).unwrap().len();
    assert_eq!(
        receipts(&crew),
        3,
        "its own, and two hubs' receipts of its own site"
    );
    assert_eq!(by_bookmark(&hubs[0], &crew, fleet.log.log_id()), (1, true));
}
