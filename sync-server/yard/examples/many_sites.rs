//! Writes a phone's store with many sites and a season's history of each, for measuring how the page
//! opens on it: `many_sites FILE SITES`.

use std::path::Path;
use std::process::ExitCode;

use headwalk_core::log::entry::{Change, Draft};
use headwalk_core::log::id::{LogbookId, StoreId, ThingId};
use headwalk_core::log::seal::DeviceKey;
use headwalk_core::log::stamp::WallMs;
use headwalk_core::log::value::{HowKnown, Value};
use headwalk_core::site::fields::{any, finding, seen, site, visit};
use headwalk_core::site::finding::Status;
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::things::NewThing;
use headwalk_core::site::unit::UnitSystem;
use headwalk_core::site::visit::VisitState;
use headwalk_core::site::words::Vocabulary;
use headwalk_core::store::{NewStore, Store};
use headwalk_yard::hub::OwnHub;

/// 2026-04-01 12:00 UTC.
const SPRING: u64 = 1_775_044_800_000;
const WEEK: u64 = 7 * 24 * 3_600_000;
const ZONES: u8 = 8;
const HEADS: u8 = 8;
const VISITS: u8 = 6;

fn main() -> ExitCode {
    let mut args = std::env::args().skip(1);
    let (Some(file), Some(Ok(sites))) = (args.next(), args.next().map(|text| text.parse())) else {
        eprintln!("many_sites FILE SITES");
        return ExitCode::from(2);
    };
    match write(Path::new(&file), sites) {
        Ok(entries) => {
            println!("{entries} entries of {sites} sites");
            ExitCode::SUCCESS
        }
        Err(error) => {
            eprintln!("{error}");
            ExitCode::FAILURE
        }
    }
}

fn write(file: &Path, sites: u16) -> Result<usize, Box<dyn std::error::Error>> {
    let new = NewStore {
        id: StoreId::from_bytes([1; 16]),
        key: DeviceKey::from_bytes([2; 32]),
    };
    let store = Store::create(file, new)?;
    let hub = StoreId::from_bytes([3; 16]);
    let welcome =
        format!(r#"{{"token":"none","store":"{hub}","role":"crew","hub_name":"Office"}}"#);
    OwnHub::let_in(&store, "http://127.0.0.1", "Noor", &welcome)?;
    let mut entries = 0;
    for nth in 0..sites {
        let book = Book::new(nth);
        let mut drafts = vec![book.draft(None, book.site()?)];
        for visit in 0..VISITS {
            drafts.extend(book.visit(visit)?);
        }
        entries += drafts.len();
        store.record(&drafts, WallMs::new(SPRING + WEEK * u64::from(VISITS) * 4))?;
    }
    Ok(entries)
}

struct Book {
    nth: u16,
    id: LogbookId,
}

impl Book {
    fn new(nth: u16) -> Self {
        let [high, low] = nth.to_be_bytes();
        let mut bytes = [7; 16];
        bytes[..2].copy_from_slice(&[high, low]);
        Self {
            nth,
            id: LogbookId::from_bytes(bytes),
        }
    }

    fn thing(&self, kind: ThingKind, numbers: [u8; 3]) -> NewThing {
        let [high, low] = self.nth.to_be_bytes();
        let mut bytes = [9; 16];
        bytes[..2].copy_from_slice(&[high, low]);
        bytes[12..15].copy_from_slice(&numbers);
        bytes[15] = ThingKind::ALL
            .iter()
            .position(|one| *one == kind)
            .map_or(0, |at| at as u8);
        NewThing::new(ThingId::from_bytes(bytes), kind)
    }

    fn draft(&self, visit: Option<ThingId>, changes: Vec<Change>) -> Draft {
        Draft {
            logbook: self.id,
            by: "Noor".to_owned(),
            utc_offset_min: -300,
            visit,
            changes,
        }
    }

    fn site(&self) -> Result<Vec<Change>, Box<dyn std::error::Error>> {
        let root = ThingId::root(self.id);
        let set = |field: &headwalk_core::site::fields::FieldDef, value| Change::Set {
            thing: root,
            field: field.number,
            value,
            how: HowKnown::Unstated,
        };
        let mut changes = vec![
            set(&any::KIND, Value::text("site")),
            set(&site::NAME, Value::text(format!("Site {:03}", self.nth))),
            set(
                &site::ADDRESS,
                Value::text(format!("{} Long Row", self.nth)),
            ),
            set(&site::ACCESS, Value::text("side gate, dog indoors")),
        ];
        for zone in 1..=ZONES {
            let this = self.thing(ThingKind::Zone, [zone, 0, 0]).part_of(root);
            let this = this.say("number", &zone.to_string(), UnitSystem::Us)?;
            let id = this.id();
            changes.extend(this.say("area", "900 sqft", UnitSystem::Us)?.changes());
            for head in 1..=HEADS {
                let this = self.thing(ThingKind::Head, [zone, head, 0]).part_of(id);
                let this = this
                    .label(&format!("{zone}-{head:02}"))
                    .order(i64::from(head) * 10);
                let this = this.say("head-kind", "spray", UnitSystem::Us)?;
                let this = this.say("arc", "180", UnitSystem::Us)?;
                changes.extend(this.say("flow", "1.85 gpm", UnitSystem::Us)?.changes());
            }
        }
        Ok(changes)
    }

    /// A visit in which every zone ran and one head of each was mended.
    fn visit(&self, nth: u8) -> Result<Vec<Draft>, Box<dyn std::error::Error>> {
        let this = self
            .thing(ThingKind::Visit, [nth, 0, 0])
            .part_of(ThingId::root(self.id));
        let visit = this.id();
        let this = this.label(&format!("visit {nth}"));
        let this = this.set(
            &visit::STATE,
            VisitState::Finished.value(),
            HowKnown::Unstated,
        );
        let mut drafts = vec![self.draft(None, this.changes())];
        for zone in 1..=ZONES {
            let head = self
                .thing(ThingKind::Head, [zone, 1 + (nth + zone) % HEADS, 0])
                .id();
            let found = self.thing(ThingKind::Finding, [nth, zone, 0]).part_of(head);
            let found = found.set(
                &finding::WHAT,
                Value::text("head-tilted"),
                HowKnown::Unstated,
            );
            let found = found.set(&finding::STATUS, Status::Fixed.value(), HowKnown::Unstated);
            let mut changes = found.changes();
            changes.push(Change::Observe {
                thing: self.thing(ThingKind::Zone, [zone, 0, 0]).id(),
                what: seen::HEADS_GOOD.number,
                value: Value::Bool(true),
                how: HowKnown::Unstated,
            });
            drafts.push(self.draft(Some(visit), changes));
        }
        Ok(drafts)
    }
}
