//! A visit from its first card to its letter: several controllers, the timer, its end and what comes
//! after that.

use headwalk_core::site::fields::{controller, seen};
use headwalk_core::site::things::Controller;

use super::*;
use crate::act::Screen;

const LEFT: Act = Act::Go {
    to: Screen::Left {
        controller: None,
        draft: None,
    },
};

impl Thumb {
    /// Goes through all that is left of a visit and stands before its end.
    fn up_to_the_end(&mut self) -> &mut Self {
        while self.view.title.starts_with("Zone") {
            self.tap("Rest are good");
        }
        self.tap("Same as found").tap("told what was done")
    }

    fn state(&self) -> VisitState {
        self.with_site(|site| site.visits()[0].state())
    }

    /// Puts zones 7 to 12 on a controller of their own, as stations 1 to 6.
    fn with_two_controllers(&mut self) -> &mut Self {
        let second = said(
            new(92, 0, ThingKind::Controller)
                .part_of(ThingId::root(BOOK))
                .label("barn"),
            &[(
                "programs",
                "A: start 6:00; days tue fri; 100%; run 1=8 2=8 3=8 4=8 5=8 6=8",
            )],
        );
        let mut changes = second.changes();
        self.with_site(|site| {
            let first = site.controllers()[0].id;
            for (nth, zone) in site.zones().iter().enumerate() {
                let of = if nth < 6 {
                    first
                } else {
                    ThingId::from_bytes([92; 16])
                };
                let of = if nth < 6 { of } else { second_id() };
                changes.push(Change::Set {
                    thing: zone.id,
                    field: headwalk_core::site::fields::zone::CONTROLLER.number,
                    value: Value::Thing(of),
                    how: HowKnown::Unstated,
                });
                if nth >= 6 {
                    let number = i64::try_from(nth - 5).unwrap();
                    changes.push(Change::Set {
                        thing: zone.id,
                        field: headwalk_core::site::fields::zone::NUMBER.number,
                        value: Value::Int(number),
                        how: HowKnown::Unstated,
                    });
                }
            }
        });
        let draft = Draft {
            logbook: BOOK,
            by: "Ines".to_owned(),
            utc_offset_min: 0,
            visit: None,
            changes,
        };
        let at = WallMs::new(MORNING);
        self.phone.store.record(&[draft], at).unwrap();
        self.act(Act::Show)
    }
}

fn second_id() -> ThingId {
    let mut bytes = [92; 16];
    bytes[15] = 0;
    ThingId::from_bytes(bytes)
}

#[test]
fn each_of_two_controllers_has_its_cards_with_its_own_zones() {
    let mut thumb = Thumb::new();
    thumb
        .with_two_controllers()
        .tap("Larch Court")
        .tap("Inspection");
    let first = thumb.view.title.clone();
    assert!(
        first.starts_with("Controller as found: Controller"),
        "{first}"
    );
    thumb.tap("Same");
    assert_eq!(thumb.view.title, "Controller as found: Controller barn");
    // Its six zones alone, from its own programs.
    assert_eq!(
        thumb.text().matches("\"8 min\"").count(),
        6,
        "{}",
        thumb.text()
    );
    thumb
        .tap("It was changed")
        .tap("more Zone 1")
        .tap("Record as found");
    assert!(
        thumb.view.title.starts_with("Zone 1"),
        "{}",
        thumb.view.title
    );
    let found = |thumb: &Thumb, id: ThingId| {
        thumb.with_site(|site| {
            let controller = Controller::of(site, site.thing(id).unwrap()).unwrap();
            assert_eq!(controller.seen(&seen::AS_FOUND).len(), 1);
            controller.as_found()[0].value.to_string()
        })
    };
    let first = thumb.with_site(|site| site.controllers()[0].id);
    assert!(found(&thumb, first).contains("1=15"));
    assert!(found(&thumb, second_id()).contains("1=9 2=8"));

    thumb.act(LEFT);
    assert_ne!(thumb.view.title, "Controller as left: Controller barn");
    thumb.tap("Same as found");
    assert_eq!(thumb.view.title, "Controller as left: Controller barn");
    thumb.tap("less Zone 1").tap("Record as left");
    assert_eq!(thumb.view.title, "Client");
    let left = thumb.with_site(|site| {
        let barn = Controller::of(site, site.thing(second_id()).unwrap()).unwrap();
        barn.show(&controller::PROGRAMS, UnitSystem::Us).unwrap()
    });
    assert!(left.contains("1=8 2=8"), "{left}");
    // None of the cards is missing now, only the zones.
    thumb.act(Act::Go { to: Screen::Close });
    assert!(
        !thumb.text().contains("The programs as"),
        "{}",
        thumb.text()
    );
}

#[test]
fn the_timer_of_a_zone_goes_on_after_a_restart_and_begins_anew_with_the_next_zone() {
    let since = |thumb: &Thumb| {
        let mut timers = thumb.view.blocks.iter();
        timers.find_map(|block| match block {
            Block::Timer { since, .. } => Some(*since),
            _ => None,
        })
    };
    let mut thumb = Thumb::at_zone_1();
    let began = since(&thumb).unwrap();
    thumb.tap("1-03").tap("Back");
    assert_eq!(since(&thumb), Some(began));
    let kept = thumb.phone.store.setting("yard-place").unwrap().unwrap();
    assert!(kept.contains(&began.to_string()), "{kept}");
    let (place, _) = crate::phone::where_one_was(&thumb.phone.store).unwrap();
    thumb.phone.place = place;
    thumb.act(Act::Show);
    assert_eq!(since(&thumb), Some(began));
    thumb.tap("Rest are good");
    assert!(since(&thumb).unwrap() > began);
}

#[test]
fn the_end_of_a_visit_can_be_undone_and_everything_before_it() {
    let mut thumb = Thumb::at_zone_1();
    thumb
        .tap("1-01")
        .tap("180°")
        .tap("Back")
        .up_to_the_end()
        .tap("End the visit");
    assert_eq!(
        (thumb.state(), thumb.phone.visit),
        (VisitState::Finished, None)
    );
    let undo = thumb.view.undo.clone().unwrap();
    assert_eq!(undo.note.as_deref(), Some("end of the visit"));
    // From the day's list as well, and after a look at the site.
    thumb.tap("Today").tap("Larch Court").tap("Undo");
    assert_eq!(
        (thumb.state(), thumb.view.title.as_str()),
        (VisitState::Open, "End the visit")
    );
    assert!(thumb.phone.visit.is_some());
    assert!(
        thumb
            .field("visit-2026-07-15-noor", "ended")
            .is_none_or(|it| it == "blank")
    );
    // What the client said, as left, twelve zones, an arc, as found.
    let mut undone = 0;
    while thumb.view.undo.is_some() {
        thumb.tap("Undo");
        undone += 1;
    }
    assert_eq!(undone, 1 + 1 + 12 + 1 + 1);
    assert_eq!(thumb.field("1-01", "arc").as_deref(), Some("90°"));
    assert_eq!(thumb.state(), VisitState::Open);
    // And it can be ended again.
    thumb.act(Act::Close {
        why: "rain".to_owned(),
    });
    assert_eq!(thumb.state(), VisitState::FinishedWithSkips);
    thumb.tap("Undo");
    assert_eq!(thumb.state(), VisitState::Open);
}

#[test]
fn a_visit_of_today_is_opened_again_by_whoever_comes_and_one_of_yesterday_is_not() {
    let mut thumb = Thumb::at_zone_1();
    thumb
        .up_to_the_end()
        .tap("End the visit")
        .tap("Today")
        .tap("Larch Court");
    // As another phone would find it.
    thumb.phone.place.ended = None;
    thumb.act(Act::Show);
    assert_eq!(thumb.view.undo, None);
    thumb.tap("Open today's visit again");
    assert_eq!(
        (thumb.state(), thumb.view.title.as_str()),
        (VisitState::Open, "The walk")
    );
    let good = thumb.with_site(|site| {
        let visit = site.visits().into_iter().next().unwrap();
        visit.lacks(site).len()
    });
    assert_eq!(good, 0, "everything that it holds stands");
    assert_eq!(thumb.view.undo, None, "what was before was closed over");
    thumb.tap("Zone 1 lawn").tap("flag 1-01").tap("Undo");
    thumb.act(Act::Close { why: String::new() });
    assert_eq!(thumb.state(), VisitState::Finished);
    thumb.at += 86_400_000;
    thumb.tap("Today").tap("Larch Court");
    assert!(
        !thumb.labels().iter().any(|it| it.starts_with("Open today")),
        "{:?}",
        thumb.labels()
    );
    let visit = thumb.with_site(|site| crate::act::Id(site.visits()[0].id));
    thumb.act(Act::Reopen { visit });
    assert!(thumb.view.said.clone().unwrap().trouble);
    assert_eq!(thumb.state(), VisitState::Finished);
}

#[test]
fn the_end_of_a_visit_shows_the_clients_letter_made_on_the_phone() {
    let mut thumb = Thumb::at_zone_1();
    thumb
        .tap("1-02")
        .tap("Head tilted")
        .up_to_the_end()
        .tap("End the visit");
    let paper = thumb.view.blocks.iter().find_map(|block| match block {
        Block::Paper { html, file, .. } => Some((html.clone(), file.clone())),
        _ => None,
    });
    let (html, file) = paper.unwrap();
    assert_eq!(file, "letter-2026-07-15.html");
    assert!(
        html.contains("Larch Court") && html.contains("<h1>"),
        "{html}"
    );
    thumb.tap("Back").tap("Controller card");
    assert_eq!(thumb.view.title, "Controller card");
    thumb.tap("Today");
    assert_eq!(thumb.view.title, "Today");
}
