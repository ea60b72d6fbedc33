use headwalk_core::log::entry::Draft;
use headwalk_core::log::id::FieldNumber;
use headwalk_core::log::stamp::WallMs;
use headwalk_core::log::value::HowKnown;
use headwalk_core::site::fields::{any, device, site, station};
use headwalk_core::store::Clocks;

use super::*;
use crate::access::{Applicant, Grant, Name};
use crate::secret::{Code, Token};
use crate::tests::store;

const NOW: WallMs = WallMs::new(1_784_030_400_000);
const COMPANY: LogbookId = LogbookId::from_bytes([1; 16]);
const SITE: LogbookId = LogbookId::from_bytes([2; 16]);
const STATION: LogbookId = LogbookId::from_bytes([3; 16]);

fn set(logbook: LogbookId, thing: ThingId, field: FieldNumber, value: Value) -> Draft {
    let how = HowKnown::Unstated;
    draft(
        logbook,
        Change::Set {
            thing,
            field,
            value,
            how,
        },
    )
}

fn draft(logbook: LogbookId, change: Change) -> Draft {
    Draft {
        logbook,
        by: "R. Ash".to_owned(),
        utc_offset_min: 0,
        visit: None,
        changes: vec![change],
    }
}

/// A hub's log and list, and a roster that is asked after every step.
struct World {
    log: Store,
    access: Access,
    roster: Roster,
    _folder: tempfile::TempDir,
}

impl World {
    fn begin() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let name = Name::parse("name", "Office").unwrap();
        Self {
            log: store(100),
            access: Access::create(&folder.path().join("access.redb"), &name).unwrap(),
            roster: Roster::default(),
            _folder: folder,
        }
    }

    /// Lets a device in.
    fn let_in(&self, device: &Store, number: u8, role: Role) {
        let name = |text: &str| Name::parse("name", text).unwrap();
        let code = Code::from_chance([number; 10]);
        let grant = Grant {
            role,
            made_for: name("R. Ash"),
            expires: NOW.shifted(1_000),
        };
        self.access.issue(&code, &grant, NOW).unwrap();
        let applicant = Applicant {
            device: device.device(),
            name: name("tablet"),
            person: name("R. Ash"),
        };
        let token = Token::from_chance([number; 32]);
        self.access.enrol(&code, applicant, &token, NOW).unwrap();
        self.is_as_if_read_anew();
    }

    /// Has a device record something, and the hub take it in.
    fn says(&self, device: &Store, drafts: &[Draft]) {
        device.record(drafts, NOW).unwrap();
        for logbook in device.logbooks().unwrap() {
            let known = self.log.vector(logbook).unwrap();
            let batch = device.entries_beyond(logbook, &known, usize::MAX);
            let batch = batch.unwrap().0;
            self.log.append(&batch, NOW, Clocks::TakenAsTold).unwrap();
        }
        self.is_as_if_read_anew();
    }

    #[track_caller]
    fn is_as_if_read_anew(&self) {
        let now = self.roster.now(&self.log, &self.access).unwrap();
        let anew = Listed::read(&self.log, &self.access, self.access.revision()).unwrap();
        assert_eq!(*now, anew);
    }

    fn carries(&self, device: &Store) -> Option<BTreeSet<LogbookId>> {
        let now = self.roster.now(&self.log, &self.access).unwrap();
        let route = now.stood().standing(device.device())?.route.clone();
        now.logbooks(&route)
    }
}

#[test]
fn what_came_is_taken_in_as_if_everything_had_been_read_anew() {
    let (office, crew, other) = (store(1), store(2), store(3));
    let world = World::begin();
    world.let_in(&office, 1, Role::Dispatcher);
    world.let_in(&crew, 2, Role::Crew);
    let root = ThingId::root;
    let head = ThingId::from_bytes([9; 16]);
    world.says(
        &crew,
        &[set(SITE, head, any::REMARK.number, Value::text("leans"))],
    );
    let kind =
        |logbook, word: &str| set(logbook, root(logbook), any::KIND.number, Value::text(word));
    let carried = |sites: &[LogbookId]| {
        let route = Route::Sites(sites.iter().copied().collect());
        let thing = company::thing_of(crew.device());
        set(COMPANY, thing, device::CARRIES.number, route.value())
    };
    world.says(&office, &[kind(COMPANY, "company"), carried(&[SITE])]);
    assert_eq!(world.carries(&crew), Some([COMPANY, SITE].into()));
    world.says(&office, &[kind(STATION, "station")]);
    let named = |words: &str| {
        set(
            STATION,
            root(STATION),
            station::NAME.number,
            Value::text(words),
        )
    };
    world.says(&office, &[named("the yard")]);
    let asks = |words: &str| {
        let field = site::WEATHER_STATION.number;
        set(SITE, root(SITE), field, Value::text(words))
    };
    world.says(&crew, &[asks("the hill")]);
    assert_eq!(world.carries(&crew), Some([COMPANY, SITE].into()));
    world.says(&office, &[named("the hill")]);
    let with_station = Some([COMPANY, SITE, STATION].into());
    assert_eq!(world.carries(&crew), with_station);
    world.let_in(&other, 3, Role::Crew);
    world.says(
        &other,
        &[set(
            SITE,
            head,
            any::REMARK.number,
            Value::text("is mended"),
        )],
    );
    // What made it a station is held back, and admitted.
    let entries = world.log.entries(STATION).unwrap();
    let mark = world.log.marks(STATION, &[entries[0].place]).unwrap()[0];
    let verdict = |change| {
        world.log.record(&[draft(STATION, change)], NOW).unwrap();
        world.is_as_if_read_anew();
    };
    verdict(Change::HoldBack { of: mark });
    assert_eq!(world.carries(&crew), Some([COMPANY, SITE].into()));
    verdict(Change::Admit { of: mark });
    assert_eq!(world.carries(&crew), with_station);
    world.says(&office, &[carried(&[])]);
    world.access.revoke(other.device(), NOW).unwrap();
    world.is_as_if_read_anew();
    let now = world.roster.now(&world.log, &world.access).unwrap();
    assert!(now.stood().gone().contains(&other.device()));
    assert_eq!(now.written_by(other.device()).collect::<Vec<_>>(), [SITE]);
}
