//! What a day's list must say of a firm with one site, a desk and two crews' phones.

use std::collections::BTreeMap;

use super::*;
use crate::log::chain::{Mark, Tip};
use crate::log::entry::Change;
use crate::log::id::DeviceId;
use crate::log::stamp::{Stamp, WallMs};
use crate::merge::knowledge::Knowledge;
use crate::merge::replay::{Placed, Verdict};
use crate::site::apart;
use crate::site::kind::ThingKind;
use crate::site::sight::{Book, Written};
use crate::site::things::Site;
use crate::site::things::tests::{Scene, corner_lot};

/// The firm's logbooks, as the office holds them.
struct Firm {
    site: Scene,
    company: Scene,
    heard: BTreeMap<DeviceId, DeviceHeard>,
}

/// Milliseconds of a minute of July 2026, five hours west of UTC.
fn july(day: u64, hour: u64, minute: u64) -> WallMs {
    // 2026-07-01T00:00:00-05:00
    WallMs::new(1_782_882_000_000 + (((day - 1) * 24 + hour) * 60 + minute) * 60_000)
}

const DESK: u8 = 7;
const CREW_2: u8 = 8;

impl Firm {
    fn new() -> Self {
        let mut site = corner_lot();
        let at = july(1, 8, 0);
        for placed in &mut site.entries {
            placed.entry.stamp = Stamp::new(at, placed.entry.seq.get() as u16);
        }
        let mut company = Scene::new();
        company.logbook = LogbookId::from_bytes([9; 16]);
        Self {
            site,
            company,
            heard: BTreeMap::new(),
        }
    }

    /// Notes something of the site at a moment, on the desk.
    fn note(&mut self, at: WallMs, thing: &str, name: &str, text: &str) {
        self.site.note(thing, name, text);
        self.stamp(at, DESK);
    }

    fn add(&mut self, at: WallMs, id: u8, kind: ThingKind, said: &[(&str, &str)]) {
        self.site.add(id, kind, self.site.root(), said);
        self.stamp(at, DESK);
    }

    /// Gives the last entry of the site its moment and its device.
    fn stamp(&mut self, at: WallMs, device: u8) {
        let seq = self.site.entries.len() as u16;
        let last = self.site.entries.last_mut().unwrap();
        last.entry.stamp = Stamp::new(at, seq);
        if device != DESK {
            last.entry.device = DeviceId::from_bytes([device; 16]);
            last.place.chain = crate::log::id::ChainId::from_bytes([device; 16]);
        }
    }

    fn company(&mut self, at: WallMs, id: u8, kind: ThingKind, said: &[(&str, &str)]) {
        self.company.add(id, kind, self.company.root(), said);
        let last = self.company.entries.last_mut().unwrap();
        last.entry.stamp = Stamp::new(at, 0);
    }

    fn today(at: WallMs) -> Today {
        Today {
            now: at,
            utc_offset_min: -300,
        }
    }

    fn day(&self, at: WallMs) -> DayEnd {
        let state = apart::told(&self.site.entries, None);
        let site = Site::of(&state, self.site.logbook);
        let knowledge = Knowledge::of(&self.site.entries);
        let held_back = crate::merge::replay::held_back(&self.site.entries);
        let written = |placed| {
            let placed: &Placed = placed;
            let written = Written {
                placed,
                stamp: placed.entry.stamp,
                arrived: placed.entry.stamp.wall(),
                held_back: held_back.contains(&placed.place),
            };
            (placed.place, written)
        };
        let entries = self.site.entries.iter().map(written).collect();
        let book = Book::of(&site, entries, &knowledge);
        let named = BTreeMap::from([(DeviceId::from_bytes([CREW_2; 16]), "crew 2's phone")]);
        let book = asks_for_entries(&site).then_some(&book);
        let digest = SiteDigest::of(&site, "Corner lot", book, &named);
        let state = self.company.state();
        let company = Site::of(&state, self.company.logbook);
        let office = OfficeDigest::of(&company, "The firm");
        DayEnd::of(&[&digest], &[&office], &self.heard, Self::today(at))
    }

    /// Decides the first line of a matter, and writes the entry.
    fn decide(
        &mut self,
        at: WallMs,
        matter: Matter,
        act: Act,
        words: &str,
    ) -> Result<(), CannotDecide> {
        let day = self.day(at);
        let line = day
            .lines
            .iter()
            .find(|listed| listed.line.key.matter == matter);
        let line = line.unwrap().line.clone();
        let version = line.offers.iter().find(|offer| offer.act == act);
        let answer = Answer {
            act,
            version: version.and_then(|offer| offer.version),
            words: words.to_owned(),
            basis: line.basis.clone(),
        };
        self.answer(at, &line.key, &answer)
    }

    fn answer(&mut self, at: WallMs, key: &LineKey, answer: &Answer) -> Result<(), CannotDecide> {
        let day = self.day(at);
        let of_site = key.logbook == self.site.logbook;
        let scene = if of_site {
            &mut self.site
        } else {
            &mut self.company
        };
        let state = apart::told(&scene.entries, None);
        let site = Site::of(&state, scene.logbook);
        let changes = decide(&day, &site, key, answer, Self::today(at))?;
        self.write(at, of_site, changes);
        Ok(())
    }

    /// Writes an entry of the desk, which has seen everything.
    fn write(&mut self, at: WallMs, of_site: bool, changes: Vec<Change>) {
        let scene = if of_site {
            &mut self.site
        } else {
            &mut self.company
        };
        let seen: Vec<_> = scene.entries.iter().map(|placed| placed.place).collect();
        scene.write(changes);
        let last = scene.entries.last_mut().unwrap();
        last.entry.by = "Ines".to_owned();
        last.entry.stamp = Stamp::new(at, last.entry.seq.get() as u16);
        for place in seen {
            if place.chain != last.place.chain {
                last.gained.learn(place.chain, place.seq);
            }
        }
    }

    /// What is listed, as `matter place: head`.
    fn told(&self, at: WallMs) -> Vec<String> {
        let day = self.day(at);
        let told = day.lines.iter().map(|listed| {
            let line = &listed.line;
            let left = listed
                .hole
                .as_ref()
                .map(|hole| format!(", left by {}", hole.by));
            let matter = line.key.matter.word();
            format!(
                "{matter} {}: {}{}",
                line.place,
                line.head,
                left.unwrap_or_default()
            )
        });
        told.collect()
    }

    /// A firm with a leaking valve.
    fn leaking() -> Self {
        let mut firm = Self::new();
        firm.site.add(
            20,
            ThingKind::Finding,
            Scene::id(5),
            &[("what", "valve-weeping"), ("status", "to-quote")],
        );
        firm.stamp(july(14, 9, 0), DESK);
        firm
    }

    /// A firm of which two crews set one head's arc and radius without having seen each other.
    fn in_two_versions() -> Self {
        let mut firm = Self::new();
        firm.note(july(14, 9, 0), "head-3-01", "arc", "180deg");
        firm.note(july(14, 9, 5), "head-3-01", "radius", "12 ft");
        firm.note(july(14, 8, 0), "head-3-01", "arc", "90deg");
        firm.stamp(july(14, 8, 0), CREW_2);
        firm.note(july(14, 8, 5), "head-3-01", "radius", "15 ft");
        firm.stamp(july(14, 8, 5), CREW_2);
        firm
    }
}

const EVENING: (u64, u64) = (17, 30);

fn evening(day: u64) -> WallMs {
    july(day, EVENING.0, EVENING.1)
}

#[test]
fn a_key_reads_back() {
    let key = LineKey::of(Matter::MaybeOne, LogbookId::from_bytes([3; 16]), "a-b-205");
    assert_eq!(key.to_string().parse(), Ok(key));
    assert!("water.x.y".parse::<LineKey>().is_err());
}

#[test]
fn a_firm_without_trouble_goes_home() {
    assert_eq!(Firm::new().told(evening(14)), [""; 0]);
}

#[test]
fn a_leak_is_one_line_until_it_has_a_day_and_comes_back_when_that_has_passed() {
    let mut firm = Firm::leaking();
    let listed = ["water valve-3: valve weeping, to quote"];
    assert_eq!(firm.told(evening(14)), listed);
    let no_day = firm.decide(evening(14), Matter::WaterRunning, Act::Schedule, "soon");
    assert!(matches!(no_day, Err(CannotDecide::NotSaid(_))));
    firm.decide(
        evening(14),
        Matter::WaterRunning,
        Act::Schedule,
        "2026-07-16",
    )
    .unwrap();
    assert_eq!(firm.told(evening(14)), [""; 0]);
    assert_eq!(firm.told(evening(16)), [""; 0]);
    let late = ["water valve-3: valve weeping, was to be done on 2026-07-16"];
    assert_eq!(firm.told(evening(17)), late);
    firm.decide(evening(17), Matter::WaterRunning, Act::Fixed, "Dana")
        .unwrap();
    assert_eq!(firm.told(evening(18)), [""; 0]);
}

#[test]
fn the_worst_stands_first() {
    let mut firm = Firm::in_two_versions();
    let of = Scene::id(4);
    for (id, what, status) in [
        (20, "not-turning", "to-quote"),
        (21, "valve-weeping", "described"),
        (22, "head-missing", "flagged"),
    ] {
        let said = [("what", what), ("status", status)];
        firm.site.add(id, ThingKind::Finding, of, &said);
        firm.stamp(july(14, 10, 0), DESK);
    }
    let told = firm.told(evening(14));
    let first: Vec<_> = told
        .iter()
        .filter_map(|line| line.split(',').next())
        .collect();
    assert_eq!(
        first,
        [
            "water zone-1: head missing",
            "water zone-1: valve weeping",
            "versions head-3-01: arc",
            "quote zone-1: not turning",
        ]
    );
}

#[test]
fn two_versions_show_both_sides_and_are_chosen_whole() {
    let mut firm = Firm::in_two_versions();
    let day = firm.day(evening(14));
    let [Listed { line, .. }] = &day.lines[..] else {
        panic!("one line: {:?}", firm.told(evening(14)));
    };
    let side = |nth: usize| {
        let side: &Side = &line.sides[nth];
        let values: Vec<_> = side.rows.iter().map(|row| row.value.as_str()).collect();
        (
            side.letter,
            values.join(" "),
            side.when.clone(),
            side.device.clone(),
        )
    };
    let crew_2 = Some("crew 2's phone".to_owned());
    assert_eq!(
        side(0),
        (
            'A',
            "180° 12 ft".to_owned(),
            "2026-07-14 09:05".to_owned(),
            None
        )
    );
    assert_eq!(
        side(1),
        (
            'B',
            "90° 15 ft".to_owned(),
            "2026-07-14 08:05".to_owned(),
            crew_2
        )
    );
    assert_eq!(
        line.sides[0].rows[0].had_seen,
        ["90° (R. Ash, 2026-07-01 08:00)"]
    );
    firm.decide(evening(14), Matter::TwoVersions, Act::Choose, "")
        .unwrap();
    assert_eq!(firm.told(evening(14)), [""; 0]);
    let decided = &firm.day(evening(14)).decided;
    assert_eq!(decided[0].words, "head-3-01 arc, radius: A counts");
    assert_eq!(
        (decided[0].by.as_str(), decided[0].time().as_str()),
        ("Ines", "17:30")
    );
}

#[test]
fn a_decision_that_is_taken_back_leaves_everything_as_it_stood() {
    let mut firm = Firm::in_two_versions();
    let before = firm.told(evening(14));
    firm.decide(evening(14), Matter::TwoVersions, Act::Choose, "")
        .unwrap();
    let decided = firm.day(evening(14)).decided[0].clone();
    let of = Mark {
        device: DeviceId::from_bytes([DESK; 16]),
        seq: decided.place.seq,
        tip: Tip::NONE,
    };
    firm.write(evening(14), true, taking_back(&decided, of));
    let last = firm.site.entries.last_mut().unwrap();
    last.verdicts.push((decided.place, Verdict::HeldBack)); // what a store makes of the mark
    assert!(is_taken_back(&last.entry));
    assert_eq!(firm.told(evening(14)), before);
    assert_eq!(firm.day(evening(14)).decided, []);
}

#[test]
fn the_second_of_two_is_told_who_decided_what() {
    let mut firm = Firm::in_two_versions();
    let line = firm.day(evening(14)).lines[0].line.clone();
    let answer = |nth| Answer {
        act: Act::Choose,
        version: Some(nth),
        words: String::new(),
        basis: line.basis.clone(),
    };
    firm.answer(evening(14), &line.key, &answer(1)).unwrap();
    let entries = firm.site.entries.len();
    let told = firm.answer(evening(14), &line.key, &answer(0)).unwrap_err();
    assert_eq!(
        told.to_string(),
        "Ines decided this at 17:30: head-3-01 arc, radius: B counts"
    );
    assert_eq!(firm.site.entries.len(), entries);
}

#[test]
fn news_about_a_line_asks_for_a_second_look() {
    let mut firm = Firm::leaking();
    let line = firm.day(evening(14)).lines[0].line.clone();
    firm.note(
        july(14, 17, 0),
        &Scene::id(20).to_string(),
        "severity",
        "urgent",
    );
    let answer = Answer {
        act: Act::Later,
        version: None,
        words: String::new(),
        basis: line.basis.clone(),
    };
    let told = firm.answer(evening(14), &line.key, &answer);
    assert_eq!(told, Err(CannotDecide::Changed));
}

#[test]
fn what_is_put_off_is_first_on_its_day() {
    let mut firm = Firm::leaking();
    firm.decide(evening(14), Matter::WaterRunning, Act::Later, "")
        .unwrap();
    let day = firm.day(evening(14));
    assert_eq!((day.lines.len(), day.put_off.len()), (0, 1));
    let left = ["water valve-3: valve weeping, to quote, left by Ines"];
    assert_eq!(firm.told(evening(15)), left);
}

#[test]
fn a_day_is_closed_with_known_holes_and_they_are_first_tomorrow() {
    let mut firm = Firm::leaking();
    let office = firm.company.logbook;
    let day = firm.day(evening(14));
    assert_eq!(closing(&day, office, " "), Err(CannotDecide::StillOpen(1)));
    let changes = closing(&day, office, "the client rings at 8").unwrap();
    firm.write(evening(14), false, changes);
    let day = firm.day(evening(14));
    assert_eq!((day.lines.len(), day.put_off.len()), (0, 1));
    assert_eq!(
        day.closed.unwrap().words,
        "the day is closed with 1 known hole"
    );
    // What comes in after is new.
    firm.site.add(
        21,
        ThingKind::Finding,
        Scene::id(4),
        &[("what", "head-missing")],
    );
    firm.stamp(july(14, 18, 0), DESK);
    assert_eq!(
        firm.told(july(14, 18, 1)),
        ["water zone-1: head missing, flagged"]
    );
    assert_eq!(
        firm.told(evening(15)),
        [
            "water valve-3: valve weeping, to quote, left by Ines",
            "water zone-1: head missing, flagged",
        ]
    );
}

#[test]
fn a_closed_day_without_holes_needs_no_reason() {
    let mut firm = Firm::new();
    let office = firm.company.logbook;
    let changes = closing(&firm.day(evening(14)), office, "").unwrap();
    firm.write(evening(14), false, changes);
    let day = firm.day(evening(14));
    assert!(matches!(
        closing(&day, office, ""),
        Err(CannotDecide::Already(_))
    ));
}

#[test]
fn a_visit_ends_by_a_person_with_what_it_lacks() {
    let mut firm = Firm::new();
    let said = [
        ("purpose", "inspection"),
        ("date", "2026-07-14"),
        ("state", "open"),
    ];
    firm.add(july(14, 8, 0), 30, ThingKind::Visit, &said);
    let day = firm.day(evening(14));
    let line = &day.lines[0].line;
    assert_eq!(line.key.matter, Matter::VisitOpen);
    assert!(
        line.more
            .iter()
            .any(|more| more.starts_with("zone-3 was neither run nor skipped"))
    );
    firm.decide(evening(14), Matter::VisitOpen, Act::EndVisit, "rain")
        .unwrap();
    assert_eq!(firm.told(evening(14)), [""; 0]);
}

#[test]
fn a_silent_phone_is_asked_after_with_the_visits_expected_of_it() {
    let mut firm = Firm::new();
    let phone = DeviceId::from_bytes([CREW_2; 16]);
    let said = [
        ("name", "crew 2's phone"),
        ("device-id", &phone.to_string()),
        ("crew", "Crew 2"),
    ];
    firm.company(july(1, 8, 0), 40, ThingKind::Device, &said);
    let route = [
        ("date", "2026-07-14"),
        ("crew", "Crew 2"),
        ("stops", "Corner lot, Mill house"),
    ];
    firm.company(july(13, 16, 0), 41, ThingKind::Route, &route);
    let heard = |at| DeviceHeard {
        at: Some(at),
        newest: Some(july(13, 16, 30)),
    };
    firm.heard.insert(phone, heard(july(13, 17, 0)));
    let silent = "device crew 2's phone: not heard from since 2026-07-13 17:00";
    assert_eq!(firm.told(evening(14)), [silent]);
    let day = firm.day(evening(14));
    let more = &day.lines[0].line.more;
    assert_eq!(
        more[0],
        "Expected today, and nothing came: Corner lot, Mill house."
    );
    assert!(
        more[1].starts_with("Its last entry here is of 2026-07-13 16:30"),
        "{}",
        more[1]
    );

    // It comes with one of the two visits.
    firm.heard.insert(phone, heard(july(14, 17, 0)));
    let visit = [
        ("date", "2026-07-14"),
        ("crew", "Crew 2"),
        ("state", "finished"),
    ];
    firm.add(july(14, 9, 0), 30, ThingKind::Visit, &visit);
    let missing = "device crew 2's phone: heard from at 2026-07-14 17:00, and a visit is missing";
    assert_eq!(firm.told(evening(14)), [missing]);
    firm.decide(evening(14), Matter::DeviceQuiet, Act::Retire, "")
        .unwrap();
    assert_eq!(firm.told(evening(14)), [""; 0]);
}

#[test]
fn a_counted_part_that_tomorrow_lacks_is_listed_until_it_comes_in() {
    let mut firm = Firm::new();
    firm.company(
        july(1, 8, 0),
        50,
        ThingKind::Part,
        &[("description", "diaphragm kit 1 in")],
    );
    let part = Scene::id(50).to_string();
    firm.company
        .note(&part, "stock-counted", "count=1; at=yard");
    for id in [20, 21] {
        let said = [
            ("what", "not-turning"),
            ("status", "scheduled"),
            ("scheduled", "2026-07-15"),
            ("parts", "Diaphragm kit 1 in"),
        ];
        firm.site.add(id, ThingKind::Finding, Scene::id(4), &said);
        firm.stamp(july(14, 10, 0), DESK);
    }
    let short = "part diaphragm kit 1 in: tomorrow takes 2, and 1 are there";
    assert_eq!(firm.told(evening(14)), [short]);
    firm.decide(evening(14), Matter::PartShort, Act::CountIn, "1")
        .unwrap();
    assert_eq!(firm.told(evening(14)), [""; 0]);
}

#[test]
fn the_third_time_in_a_year_asks_for_the_cause() {
    let mut firm = Firm::new();
    for (nth, id) in [20, 21, 22].into_iter().enumerate() {
        assert_eq!(firm.told(evening(14)), [""; 0]);
        let said = [("what", "head-tilted"), ("status", "fixed")];
        firm.site.add(id, ThingKind::Finding, Scene::id(6), &said);
        firm.stamp(july(2 + nth as u64, 9, 0), DESK);
    }
    let told = ["repeated head-3-01: head tilted, 3 times within a year"];
    assert_eq!(firm.told(evening(14)), told);
    firm.decide(
        evening(14),
        Matter::Repeated,
        Act::Leave,
        "the mower's line, by contract",
    )
    .unwrap();
    assert_eq!(firm.told(evening(15)), [""; 0]);
}

#[test]
fn what_is_due_is_listed_from_its_notice_on() {
    let mut firm = Firm::new();
    firm.add(
        july(1, 9, 0),
        60,
        ThingKind::Supply,
        &[("backflow-due", "2026-08-13")],
    );
    assert_eq!(firm.told(evening(13)), [""; 0]);
    let due = ["due supply: the backflow test is due on 2026-08-13"];
    assert_eq!(firm.told(evening(14)), due);
    firm.decide(evening(14), Matter::Due, Act::Later, "2026-07-20")
        .unwrap();
    assert_eq!(firm.told(evening(19)), [""; 0]);
    assert_eq!(firm.told(evening(20)).len(), 1);
}

#[test]
fn programs_that_somebody_else_changed_are_listed_until_they_are_set_again() {
    let mut firm = Firm::new();
    let july_set = "A: start 5:00; days mon wed fri; 100%; run 1=15 3=20";
    firm.note(july(1, 9, 0), "controller", "programs", july_set);
    firm.note(
        july(14, 9, 0),
        "controller",
        "as-found",
        "A: start 5:00; days daily; 100%; run 1=15",
    );
    let changed = "due controller: the programs were changed since we left, and not set again";
    assert_eq!(firm.told(evening(14)), [changed]);
    firm.note(july(14, 9, 30), "controller", "programs", july_set);
    assert_eq!(firm.told(evening(14)), [""; 0]);
    // And from mid-September on the July programs are too much.
    let autumn = WallMs::new(july(1, 12, 0).get() + 77 * 24 * 60 * 60_000);
    assert_eq!(
        firm.told(autumn),
        ["due controller: the programs still stand as they were set on 2026-07-14"]
    );
}

#[test]
fn two_records_of_one_head_are_one_line_with_both_ways_out() {
    for (act, joined) in [(Act::Join, true), (Act::ToldApart, false)] {
        let mut firm = Firm::new();
        firm.site
            .add(70, ThingKind::Head, Scene::id(3), &[("label", "3-11")]);
        firm.stamp(july(14, 9, 0), DESK);
        firm.site
            .add(71, ThingKind::Head, Scene::id(3), &[("label", "3-11")]);
        firm.stamp(july(14, 9, 0), CREW_2);
        let told = firm.told(evening(14));
        assert_eq!(
            told,
            ["maybe-one head-3-11: and head-3-11: the same number or label"]
        );
        firm.decide(evening(14), Matter::MaybeOne, act, "").unwrap();
        assert_eq!(firm.told(evening(14)), [""; 0]);
        let state = apart::told(&firm.site.entries, None);
        let site = Site::of(&state, firm.site.logbook);
        assert_eq!(site.kept(Scene::id(71)) == Scene::id(70), joined);
    }
}
