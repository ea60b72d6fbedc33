//! Who may say what of whom.

use super::*;
use crate::log::chain::Tip;
use crate::log::id::Seq;
use crate::log::value::HowKnown;

use crate::merge::replay::{Placed, State};
use crate::site::fields::FieldDef;

const COMPANY: LogbookId = LogbookId::from_bytes([1; 16]);
const SITE: LogbookId = LogbookId::from_bytes([2; 16]);

const fn id(number: u8) -> DeviceId {
    DeviceId::from_bytes([number; 16])
}

fn let_in(number: u8, role: Role, at: u64) -> LetIn {
    LetIn {
        device: id(number),
        later: Vec::new(),
        role,
        at: WallMs::new(at),
    }
}

/// A dispatcher (1), a crew (2) and an auditor (3), all let in at 10 ms.
fn three() -> Vec<LetIn> {
    let roles = [Role::Dispatcher, Role::Crew, Role::Auditor];
    (1..)
        .zip(roles)
        .map(|(n, role)| let_in(n, role, 10))
        .collect()
}

/// What a device wrote at a moment of a device.
fn wrote(writer: u8, at: u64, of: ThingId, field: &FieldDef, value: Value) -> Entry {
    let change = Change::Set {
        thing: of,
        field: field.number,
        value,
        how: HowKnown::Unstated,
    };
    Entry {
        logbook: COMPANY,
        device: id(writer),
        seq: Seq::new(at).unwrap(),
        prev: Tip::NONE,
        stamp: Stamp::new(WallMs::new(at), 0),
        utc_offset_min: 0,
        by: "R. Ash".to_owned(),
        visit: None,
        gained: Vec::new(),
        changes: vec![change],
    }
}

fn after(let_in: &[LetIn], entries: &[Entry]) -> BTreeMap<DeviceId, Standing> {
    standings(let_in, entries.iter().map(|entry| (entry.stamp, entry)))
}

fn route(sites: &[LogbookId]) -> Route {
    Route::Sites(sites.iter().copied().collect())
}

#[test]
fn a_dispatcher_says_who_may_do_what_and_carries_which_sites() {
    let crew = thing_of(id(2));
    let entries = [
        wrote(1, 20, crew, &device::CARRIES, route(&[SITE]).value()),
        wrote(1, 30, crew, &device::ROLE, Role::Auditor.value()),
        wrote(1, 40, crew, &device::REVOKED, Value::Bool(true)),
    ];
    let stands = |entries: &[Entry]| after(&three(), entries)[&id(2)].clone();
    assert_eq!(stands(&entries[..0]).route, Route::Everything);
    assert_eq!(stands(&entries[..1]).route, route(&[SITE]));
    assert_eq!(stands(&entries[..1]).role, Role::Crew);
    assert_eq!(stands(&entries[..2]).role, Role::Auditor);
    assert_eq!(stands(&entries).revoked, Some(WallMs::new(40)));
    let mut backwards = entries.to_vec();
    backwards.reverse();
    assert_eq!(stands(&backwards), stands(&entries));
}

#[test]
fn nobody_makes_themselves_a_dispatcher_and_no_detour_through_a_list_helps() {
    let (own, theirs) = (thing_of(id(2)), ThingId::from_bytes([99; 16]));
    let entries = [
        wrote(2, 20, own, &device::ROLE, Role::Dispatcher.value()),
        wrote(3, 21, own, &device::REVOKED, Value::Bool(true)),
        // A crew puts itself in the place of a device that the dispatcher means to promote.
        wrote(
            2,
            22,
            theirs,
            &device::DEVICE_ID,
            Value::text(id(2).to_string()),
        ),
        wrote(1, 23, theirs, &device::ROLE, Role::Dispatcher.value()),
    ];
    let stands = after(&three(), &entries)[&id(2)].clone();
    assert_eq!((stands.role, stands.revoked), (Role::Crew, None));
    let listed = wrote(
        1,
        22,
        theirs,
        &device::DEVICE_ID,
        Value::text(id(2).to_string()),
    );
    let stands = after(&three(), &[listed, entries[3].clone()])[&id(2)].clone();
    assert_eq!(stands.role, Role::Dispatcher);
}

#[test]
fn who_was_a_dispatcher_is_believed_up_to_then_and_no_longer() {
    let (first, second) = (thing_of(id(1)), thing_of(id(4)));
    let people = [three(), vec![let_in(4, Role::Dispatcher, 10)]].concat();
    let entries = [
        wrote(
            1,
            20,
            thing_of(id(2)),
            &device::CARRIES,
            route(&[SITE]).value(),
        ),
        wrote(4, 30, first, &device::ROLE, Role::Crew.value()),
        wrote(1, 40, first, &device::ROLE, Role::Dispatcher.value()),
        wrote(1, 41, second, &device::REVOKED, Value::Bool(true)),
    ];
    let stands = after(&people, &entries);
    assert_eq!(stands[&id(1)].role, Role::Crew);
    assert_eq!(stands[&id(4)].revoked, None);
    assert_eq!(
        stands[&id(2)].route,
        route(&[SITE]),
        "what they had said stays"
    );
}

#[test]
fn a_new_code_lets_in_again_and_the_route_stays() {
    let crew = thing_of(id(2));
    let entries = [
        wrote(1, 20, crew, &device::CARRIES, route(&[SITE]).value()),
        wrote(1, 30, crew, &device::REVOKED, Value::Bool(true)),
    ];
    let mut people = three();
    people[1].at = WallMs::new(31);
    people[1].later = vec![id(22)];
    let stands = after(&people, &entries);
    assert_eq!(stands[&id(2)].revoked, None);
    assert_eq!(
        stands[&id(22)].route,
        route(&[SITE]),
        "a later id is the same device"
    );
}

#[test]
fn the_list_reads_as_people_see_it() {
    let thing = thing_of(id(2));
    let text = |text: &str| Value::text(text);
    let entries = [
        wrote(
            2,
            20,
            thing,
            &crate::site::fields::any::KIND,
            text("device"),
        ),
        wrote(2, 21, thing, &device::DEVICE_ID, text(&id(2).to_string())),
        wrote(2, 22, thing, &device::NAME, text("truck 2")),
        wrote(2, 23, thing, &device::CARRIES, route(&[SITE]).value()),
    ];
    let state = State::of(&entries.map(Placed::alone));
    let listed = devices(&Site::of(&state, COMPANY));
    assert_eq!(listed.len(), 1);
    assert_eq!(listed[0].name.as_deref(), Some("truck 2"));
    assert!(listed[0].route.includes(SITE) && !listed[0].route.includes(COMPANY));
    assert_eq!((listed[0].role, listed[0].revoked), (None, false));
}
