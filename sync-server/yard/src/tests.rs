//! The page as a person uses it: a thumb that taps what a view shows, and a site of twelve zones.

mod board;
mod photos;
mod visit;
mod water;

use headwalk_core::log::entry::{Change, Draft};
use headwalk_core::log::id::{LogbookId, StoreId, ThingId};
use headwalk_core::log::stamp::WallMs;
use headwalk_core::log::value::{HowKnown, Value};
use headwalk_core::site::fields::{any, site as site_fields};
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::things::{NewThing, Site};
use headwalk_core::site::unit::UnitSystem;
use headwalk_core::site::visit::VisitState;
use redb::backends::InMemoryBackend;

use crate::act::Act;
use crate::book::Book;
use crate::edge::Edge;
use crate::hub::OwnHub;
use crate::phone::Phone;
use crate::prefs::{Hand, Language, Preference, Units};
use crate::view::{Block, Button, View};

const BOOK: LogbookId = LogbookId::from_bytes([55; 16]);
/// 2026-07-15 13:00 UTC.
const MORNING: u64 = 1_784_120_400_000;

/// A person with a phone.
struct Thumb {
    phone: Phone,
    view: View,
    taps: usize,
    at: u64,
}

fn edge(at: u64) -> Edge {
    let mut next = at;
    let chance = (0..1_024).map(|_| {
        next = next.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
        (next >> 56) as u8
    });
    Edge::new(WallMs::new(at), -300, chance.collect())
}

fn new(id: u8, nth: u8, kind: ThingKind) -> NewThing {
    let mut bytes = [id; 16];
    bytes[15] = nth;
    NewThing::new(ThingId::from_bytes(bytes), kind)
}

fn said(thing: NewThing, words: &[(&str, &str)]) -> NewThing {
    words.iter().fold(thing, |thing, (name, text)| {
        thing.say(name, text, UnitSystem::Us).unwrap()
    })
}

/// Twelve zones of twelve quarter sprays each, a controller, and the programs as they were left.
fn site() -> Vec<Change> {
    let root = ThingId::root(BOOK);
    let set = |thing, field: &headwalk_core::site::fields::FieldDef, value| Change::Set {
        thing,
        field: field.number,
        value,
        how: HowKnown::Unstated,
    };
    let mut changes = vec![
        set(root, &any::KIND, Value::text("site")),
        set(root, &site_fields::NAME, Value::text("Larch Court")),
        set(root, &site_fields::ACCESS, Value::text("gate 4711, dog")),
    ];
    let runs: Vec<_> = (1..=12).map(|n| format!("{n}=15")).collect();
    let programs = format!(
        "A: start 5:00; days mon wed fri; 100%; run {}",
        runs.join(" ")
    );
    let controller = new(90, 0, ThingKind::Controller).part_of(root);
    changes.extend(said(controller, &[("programs", &programs), ("place", "garage")]).changes());
    for zone in 1..=12_u8 {
        let this = new(100, zone, ThingKind::Zone).part_of(root);
        let number = zone.to_string();
        let this = said(
            this,
            &[
                ("number", &number),
                ("name", "lawn"),
                ("plants", "turf"),
                ("soil", "loam"),
                ("area", "1350 sqft"),
            ],
        );
        let id = this.id();
        changes.extend(this.changes());
        for head in 1..=12_u8 {
            let this = new(zone, head, ThingKind::Head).part_of(id);
            let this = this
                .label(&format!("{zone}-{head:02}"))
                .order(i64::from(head) * 10);
            let words = [
                ("head-kind", "spray"),
                ("arc", "90"),
                ("radius", "15 ft"),
                ("flow", "0.94 gpm"),
            ];
            changes.extend(said(this, &words).changes());
        }
    }
    changes
}

impl Thumb {
    /// Opens a phone that has joined an office and carries the site.
    fn new() -> Self {
        let mut phone = Phone::open(InMemoryBackend::new(), edge(MORNING)).unwrap();
        let hub = StoreId::from_bytes([9; 16]);
        let welcome =
            format!(r#"{{"token":"t","store":"{hub}","role":"crew","hub_name":"Office"}}"#);
        OwnHub::let_in(&phone.store, "http://127.0.0.1", "Noor", &welcome).unwrap();
        let draft = Draft {
            logbook: BOOK,
            by: "Ines".to_owned(),
            utc_offset_min: 0,
            visit: None,
            changes: site(),
        };
        phone
            .store
            .record(&[draft], WallMs::new(MORNING - 1))
            .unwrap();
        let view = phone.act(edge(MORNING), Act::Show);
        Self {
            phone,
            view,
            taps: 0,
            at: MORNING,
        }
    }

    /// One that stands at the first zone of a visit.
    fn at_zone_1() -> Self {
        let mut thumb = Self::new();
        thumb.tap("Larch Court").tap("Inspection").tap("Same");
        thumb.taps = 0;
        thumb
    }

    fn act(&mut self, act: Act) -> &mut Self {
        self.at += 1_000;
        self.view = self.phone.act(edge(self.at), act);
        self
    }

    /// Taps the first button whose words begin so.
    fn tap(&mut self, words: &str) -> &mut Self {
        let found = buttons(&self.view)
            .into_iter()
            .find(|(label, _)| label.starts_with(words));
        let (_, act) = found.unwrap_or_else(|| panic!("no `{words}` on {:#?}", self.labels()));
        self.taps += 1;
        self.act(act);
        let trouble = self.view.said.as_ref().filter(|said| said.trouble);
        assert_eq!(trouble, None, "{words}");
        self
    }

    fn labels(&self) -> Vec<String> {
        let buttons = buttons(&self.view).into_iter();
        buttons.map(|(label, _)| label).collect()
    }

    fn text(&self) -> String {
        serde_json::to_string(&self.view).unwrap()
    }

    fn book(&self) -> Book {
        Book::read(&self.phone.store, BOOK).unwrap()
    }

    /// A field of a thing, as the command line shows it.
    fn field(&self, address: &str, name: &str) -> Option<String> {
        let book = self.book();
        let site = book.site();
        let thing = site.find(address).unwrap();
        let field = headwalk_core::site::fields::known_field(thing.kind.unwrap(), name).unwrap();
        thing.show(field, UnitSystem::Us)
    }

    fn with_site<T>(&self, look: impl FnOnce(&Site<'_>) -> T) -> T {
        let book = self.book();
        look(&book.site())
    }
}

/// Everything that can be tapped, from top to bottom, then the dock.
fn buttons(view: &View) -> Vec<(String, Act)> {
    let one = |button: &Button| (button.label.clone(), button.act.clone());
    let mut all = Vec::new();
    for block in &view.blocks {
        match block {
            Block::List { items, .. } => all.extend(items.iter().map(one)),
            Block::Choices { options, .. } => all.extend(options.iter().map(one)),
            Block::Heads { heads } => {
                for head in heads {
                    all.push((head.number.clone(), head.open.clone()));
                    let flag = head.flag.as_ref();
                    all.extend(
                        flag.map(|flag| (format!("flag {}", head.number), flag.act.clone())),
                    );
                }
            }
            Block::Stepper(step) => {
                all.push((format!("less {}", step.label), step.less.act.clone()));
                all.push((format!("more {}", step.label), step.more.act.clone()));
                all.extend(step.to.iter().map(one));
            }
            Block::Facts { rows } => {
                all.extend(rows.iter().flat_map(|row| &row.versions).map(one));
            }
            Block::Form { button, .. } => all.push(one(button)),
            _ => {}
        }
    }
    all.extend(view.dock.iter().map(one));
    all.extend(view.undo.iter().map(one));
    all.extend(view.back.iter().map(one));
    all
}

#[test]
fn from_the_sites_to_the_first_zone_takes_three_taps() {
    let mut thumb = Thumb::new();
    thumb.tap("Larch Court").tap("Inspection").tap("Same");
    assert_eq!(thumb.taps, 3);
    assert_eq!(thumb.view.title, "Zone 1 lawn");
    assert!(thumb.field("visit-2026-07-15-noor", "state").is_some());
}

#[test]
fn twelve_good_heads_take_one_tap_and_say_so_of_each_head() {
    let mut thumb = Thumb::at_zone_1();
    thumb.tap("Rest are good");
    assert_eq!(thumb.taps, 1);
    assert_eq!(thumb.view.title, "Zone 2 lawn");
    let good = thumb.with_site(|site| {
        let heads = site.zones()[0].heads();
        let good = &headwalk_core::site::fields::seen::LOOKED_GOOD;
        heads
            .iter()
            .filter(|head| head.seen(good).len() == 1)
            .count()
    });
    assert_eq!(good, 12);
}

#[test]
fn a_flag_is_one_tap_and_is_not_called_good_afterwards() {
    let mut thumb = Thumb::at_zone_1();
    thumb.tap("flag 1-03").tap("Rest are good");
    assert_eq!(thumb.taps, 2);
    let good = thumb.with_site(|site| {
        let head = site.find("1-03").unwrap();
        head.seen(&headwalk_core::site::fields::seen::LOOKED_GOOD)
            .len()
    });
    assert_eq!(good, 0);
}

#[test]
fn an_adjusted_arc_takes_two_taps_and_a_full_finding_with_its_part_four_at_most() {
    let mut thumb = Thumb::at_zone_1();
    thumb.tap("1-02").tap("Arc off overspray");
    assert_eq!(thumb.taps, 2);
    assert_eq!(
        thumb
            .field("finding-1-02-arc-off-overspray", "status")
            .as_deref(),
        Some("fixed")
    );
    thumb.taps = 0;
    thumb
        .tap("1-04")
        .tap("Nozzle clogged")
        .tap("Head 1-04: nozzle clogged")
        .tap("Fixed now");
    assert_eq!(thumb.taps, 4);
    let finding = "finding-1-04-nozzle-clogged";
    assert_eq!(thumb.field(finding, "status").as_deref(), Some("fixed"));
    assert_eq!(thumb.field(finding, "parts").as_deref(), Some("screen"));
}

#[test]
fn the_same_again_on_another_head_takes_two_taps() {
    let mut thumb = Thumb::at_zone_1();
    thumb.tap("1-02").tap("Head tilted");
    thumb.taps = 0;
    thumb.tap("1-05").tap("Same as Head 1-02");
    assert_eq!(thumb.taps, 2);
    assert_eq!(
        thumb.field("finding-1-05-head-tilted", "status").as_deref(),
        Some("fixed")
    );
}

#[test]
fn quarter_to_half_takes_two_taps_and_adds_flow_zone_and_parts_up_again() {
    let mut thumb = Thumb::at_zone_1();
    thumb.tap("1-01");
    assert!(thumb.text().contains("11.28 gpm"), "{}", thumb.text());
    thumb.tap("180°");
    assert_eq!(thumb.taps, 2);
    assert_eq!(thumb.field("1-01", "arc").as_deref(), Some("180°"));
    assert_eq!(thumb.field("1-01", "flow").as_deref(), Some("1.88 gpm"));
    let parts = thumb.field("finding-1-01-nozzle-wrong", "parts");
    assert_eq!(parts.as_deref(), Some("nozzle 180° 15 ft"));
    // 11 x 0.94 + 1.88 gpm on 1350 square feet: 96.25 x 12.22 / 1350 in/h.
    assert!(
        thumb.text().contains("12.22 gpm · 0.87 in/h"),
        "{}",
        thumb.text()
    );
}

#[test]
fn undo_takes_back_any_depth_and_the_record_says_what_it_said_before() {
    let mut thumb = Thumb::at_zone_1();
    let before = thumb.text();
    thumb
        .tap("1-01")
        .tap("180°")
        .tap("Back")
        .tap("flag 1-07")
        .tap("Rest are good");
    assert_eq!(thumb.view.title, "Zone 2 lawn");
    for _ in 0..3 {
        thumb.tap("Undo");
    }
    assert_eq!(thumb.field("1-01", "arc").as_deref(), Some("90°"));
    assert_eq!(thumb.field("1-01", "flow").as_deref(), Some("0.94 gpm"));
    let (open, lacks) = thumb.with_site(|site| {
        let visit = site.visits().into_iter().next_back().unwrap();
        (site.findings().len(), visit.lacks(site).len())
    });
    // Twelve zones, and the programs as left; those as found still stand.
    assert_eq!((open, lacks), (0, 13));
    thumb.tap("Back").tap("Zone 1 lawn");
    let heads = |text: &str| text.matches("not yet").count();
    assert_eq!(heads(&thumb.text()), heads(&before));
    // The programs as found are the first entry of the visit that can be taken back; then no more.
    thumb.tap("Undo");
    assert_eq!(thumb.view.undo, None);
}

#[test]
fn undo_goes_back_through_every_value_that_one_field_had() {
    let mut thumb = Thumb::at_zone_1();
    thumb.tap("1-01").tap("180°").tap("270°").tap("360°");
    for arc in ["270°", "180°", "90°"] {
        thumb.tap("Undo");
        assert_eq!(thumb.field("1-01", "arc").as_deref(), Some(arc));
    }
    assert_eq!(thumb.field("1-01", "flow").as_deref(), Some("0.94 gpm"));
}

#[test]
fn as_left_takes_one_tap_for_the_same_and_three_for_another_time() {
    let mut thumb = Thumb::at_zone_1();
    thumb.act(Act::Go {
        to: crate::act::Screen::Left {
            controller: None,
            draft: None,
        },
    });
    thumb.tap("more Zone 3").tap("Record as left");
    assert_eq!(thumb.taps, 2);
    let left = thumb.field("controller", "programs").unwrap();
    assert!(left.contains("2=15 3=16 4=15"), "{left}");
    thumb.act(Act::Go {
        to: crate::act::Screen::Left {
            controller: None,
            draft: None,
        },
    });
    thumb.taps = 0;
    thumb.tap("Same as found");
    assert_eq!(thumb.taps, 1);
}

#[test]
fn twelve_new_heads_take_no_more_than_six_taps() {
    let mut thumb = Thumb::at_zone_1();
    let zone = thumb.with_site(|site| site.zones()[11].id);
    let made = thumb.with_site(|site| {
        site.add(
            ThingId::from_bytes([77; 16]),
            ThingKind::Zone,
            site.root().id,
        )
        .say("number", "13", UnitSystem::Us)
        .unwrap()
        .changes()
    });
    assert_ne!(zone, ThingId::from_bytes([77; 16]));
    let draft = Draft {
        logbook: BOOK,
        by: "Ines".to_owned(),
        utc_offset_min: 0,
        visit: None,
        changes: made,
    };
    thumb
        .phone
        .store
        .record(&[draft], WallMs::new(MORNING))
        .unwrap();
    thumb
        .tap("Back")
        .tap("Zone 13")
        .tap("Add heads")
        .tap("Gear rotor")
        .tap("Add 12");
    assert!(thumb.taps <= 6, "{}", thumb.taps);
    let heads = thumb.with_site(|site| site.zones()[12].heads().len());
    assert_eq!(heads, 12);
    assert_eq!(
        thumb.field("13-12", "head-kind").as_deref(),
        Some("gear rotor")
    );
}

#[test]
fn a_visit_left_open_is_taken_up_where_it_was_and_ends_when_nothing_is_missing() {
    let mut thumb = Thumb::at_zone_1();
    for _ in 0..5 {
        thumb.tap("Rest are good");
    }
    thumb.tap("Back").tap("Back").tap("Go on");
    thumb.act(Act::Leave);
    thumb.tap("Larch Court").tap("Take up").tap("Next zone");
    assert_eq!(thumb.view.title, "Zone 6 lawn");
    for _ in 0..7 {
        thumb.tap("Rest are good");
    }
    thumb
        .tap("Same as found")
        .tap("told what was done")
        .tap("End the visit");
    assert_eq!(thumb.view.title, "Client's letter");
    let state = thumb.with_site(|site| site.visits()[0].state());
    assert_eq!(state, VisitState::Finished);
}

#[test]
fn nothing_is_called_finished_while_something_is_missing() {
    let mut thumb = Thumb::at_zone_1();
    thumb.act(Act::Close { why: String::new() });
    assert!(thumb.view.said.as_ref().unwrap().trouble);
    thumb.act(Act::Go {
        to: crate::act::Screen::Close,
    });
    assert!(
        thumb
            .labels()
            .iter()
            .any(|label| label == "Zone 12: neither run nor skipped")
    );
    thumb.tap("rain");
    let state = thumb.with_site(|site| site.visits()[0].state());
    assert_eq!(state, VisitState::FinishedWithSkips);
}

#[test]
fn what_stays_as_it_is_warns_the_next_crew() {
    let mut thumb = Thumb::at_zone_1();
    thumb
        .tap("1-01")
        .tap("Everything")
        .tap("Radius short")
        .tap("Head 1-01");
    thumb.tap("Leave as is").tap("set short on purpose");
    thumb.tap("1-01");
    assert!(
        thumb
            .text()
            .contains("On purpose: set short on purpose: drive edge")
    );
}

#[test]
fn a_wet_spot_shows_what_points_where_and_the_next_test() {
    let mut thumb = Thumb::at_zone_1();
    thumb.tap("Wet spot");
    assert!(thumb.text().contains("Nothing is tested yet."));
    for _ in 0..6 {
        thumb.tap("Yes");
    }
    let answers = thumb.with_site(|site| {
        let spot = site.zones()[0].spots()[0];
        headwalk_core::site::evidence::answers_on(&spot).len()
    });
    assert_eq!(answers, 6);
}

#[test]
fn the_page_speaks_spanish_and_metric_and_stores_what_was_entered() {
    let mut thumb = Thumb::at_zone_1();
    for choice in [
        Preference::Language(Language::Es),
        Preference::Units(Units::Si),
        Preference::Hand(Hand::Left),
    ] {
        thumb.act(Act::Prefer { choice });
    }
    thumb.tap("1-01");
    let text = thumb.text();
    assert!(text.contains("4.572 m") && text.contains("L/min"), "{text}");
    assert!(text.contains("Con el agua abierta"), "{text}");
    assert_eq!(thumb.view.hand, Hand::Left);
    assert_eq!(thumb.field("1-01", "radius").as_deref(), Some("15 ft"));
}

#[test]
fn a_code_without_a_name_is_not_sent() {
    let mut phone = Phone::open(InMemoryBackend::new(), edge(MORNING)).unwrap();
    let view = phone.act(
        edge(MORNING),
        Act::Join {
            code: "x".into(),
            person: " ".into(),
        },
    );
    assert!(view.said.unwrap().trouble && view.errands.is_empty());
}

#[test]
fn the_page_is_where_it_was_when_it_is_opened_again() {
    let mut thumb = Thumb::at_zone_1();
    thumb.tap("1-05");
    let place = thumb.phone.place.clone();
    let kept = thumb.phone.store.setting("yard-place").unwrap().unwrap();
    assert_eq!(
        serde_json::from_str::<crate::phone::Place>(&kept).unwrap(),
        place
    );
    assert_eq!(thumb.view.key, kept);
}

/// A dry, hot week at the station from which the site's weather comes.
fn weather() -> Draft {
    let book = LogbookId::from_bytes([66; 16]);
    let station = NewThing::new(ThingId::root(book), ThingKind::Station);
    let mut changes = said(station, &[("name", "Osterwell station")]).changes();
    let day = &headwalk_core::site::fields::seen::WEATHER_DAY;
    for date in 8..=14 {
        let text = format!("date=2026-07-{date:02}; et=0.25in; rain=0in");
        changes.push(Change::Observe {
            thing: ThingId::root(book),
            what: day.number,
            value: day.parse(&text, UnitSystem::Us).unwrap().value,
            how: HowKnown::Unstated,
        });
    }
    Draft {
        logbook: book,
        by: "Ines".to_owned(),
        utc_offset_min: 0,
        visit: None,
        changes,
    }
}

#[test]
fn the_suggestion_is_reckoned_on_the_phone_and_taken_in_one_choice() {
    let mut thumb = Thumb::at_zone_1();
    let left = || Act::Go {
        to: crate::act::Screen::Left {
            controller: None,
            draft: None,
        },
    };
    thumb.act(left());
    assert!(thumb.text().contains("No suggestion:"), "{}", thumb.text());
    thumb
        .phone
        .store
        .record(&[weather()], WallMs::new(MORNING))
        .unwrap();
    thumb.act(left());
    // 7 x 0.25 in, turf in July: 1.75 x 0.94 = 1.645 in, x 1 / (0.4 + 0.6 x 0.55), at 0.804 in/h:
    // 168 min, and in whole minutes of its cycles 176.
    assert!(thumb.text().contains("suggested 176"), "{}", thumb.text());
    thumb.tap("Take the suggestion").tap("Record as left");
    let programs = thumb.field("controller", "programs").unwrap();
    assert!(!programs.contains("1=15"), "{programs}");
    assert_eq!(thumb.view.title, "Client");
}

#[test]
fn a_battery_pulled_right_after_the_last_entry_leaves_no_screen_without_a_way_on() {
    let mut thumb = Thumb::at_zone_1();
    thumb.act(Act::Go {
        to: crate::act::Screen::Close,
    });
    let kept = |thumb: &Thumb, name: &str| thumb.phone.store.setting(name).unwrap().unwrap();
    let before = [kept(&thumb, "yard-place"), kept(&thumb, "visit")];
    thumb.tap("rain");
    // As if what followed the entry had never reached the disk.
    let settings = [
        ("yard-place", before[0].as_str()),
        ("visit", before[1].as_str()),
    ];
    thumb.phone.store.keep_settings(&settings).unwrap();
    let (place, visit) = crate::phone::where_one_was(&thumb.phone.store).unwrap();
    assert_eq!((place.screen, visit), (crate::act::Screen::Today, None));
}

#[test]
fn spanish_says_why_not_and_what_is_picked_reads_in_both_languages() {
    let mut thumb = Thumb::at_zone_1();
    thumb.tap("Skip this zone").tap("dog in the yard");
    let choice = Preference::Language(Language::Es);
    thumb.act(Act::Prefer { choice });
    thumb.tap("Atrás");
    assert!(thumb.text().contains("omitida: perro en el patio"));
    thumb.act(Act::Go {
        to: crate::act::Screen::Left {
            controller: None,
            draft: None,
        },
    });
    let text = thumb.text();
    assert!(
        text.contains("sólo 0 de los últimos 7 días tienen clima"),
        "{text}"
    );
    // Nothing is added to what core says, in either language.
    let head = thumb.with_site(|site| crate::act::Id(site.find("2-01").unwrap().id));
    for (name, value, why) in [
        (
            "radius",
            "900 ft",
            "900 ft es imposible: va de 0.5 ft a 200 ft",
        ),
        ("radius", "far", "«far» no cabe aquí"),
        ("radius", "", "no se puso nada"),
        (
            "height-to-grade",
            "up",
            "«up» no es una de las opciones: bajo, a nivel, alto",
        ),
    ] {
        thumb.act(Act::Note {
            thing: head,
            name: name.to_owned(),
            value: value.to_owned(),
        });
        let said = thumb.view.said.clone().unwrap();
        assert!(said.trouble && said.text.contains(why), "{}", said.text);
    }
    thumb.act(Act::Exchanged {
        problem: Some("this device's access was taken back".to_owned()),
        kind: Some("revoked".to_owned()),
    });
    let said = thumb.view.said.clone().unwrap();
    assert_eq!(
        said.text,
        "Sin intercambio: a este teléfono se le quitó el acceso: hable con el despachador"
    );
}

#[test]
fn a_watering_rule_reads_in_spanish_and_in_english() {
    let mut thumb = Thumb::new();
    let rule = &site_fields::RESTRICTION;
    let text = "days=mon thu; not-from=10:00; not-to=18:00; cut=20%; source=water district";
    let changes = vec![Change::Set {
        thing: ThingId::root(BOOK),
        field: rule.number,
        value: rule.parse(text, UnitSystem::Us).unwrap().value,
        how: HowKnown::Unstated,
    }];
    let draft = Draft {
        logbook: BOOK,
        by: "Ines".to_owned(),
        utc_offset_min: 0,
        visit: None,
        changes,
    };
    thumb
        .phone
        .store
        .record(&[draft], WallMs::new(MORNING))
        .unwrap();
    thumb.tap("Larch Court");
    assert!(
        thumb.text().contains("days: mon, thu; not from: 10:00"),
        "{}",
        thumb.text()
    );
    let choice = Preference::Language(Language::Es);
    thumb.act(Act::Prefer { choice });
    let text = thumb.text();
    assert!(
        text.contains("días: lun, jue; no desde: 10:00; no hasta: 18:00; recorte: 20%"),
        "{text}"
    );
}
