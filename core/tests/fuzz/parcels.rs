//! Parcels: spoiled in their bytes, and spoiled in what they say with all their parts in shape.

use std::cell::RefCell;

use crate::target::{Chance, Target, spoil};
use headwalk_core::exchange::message::{Batch, Parcel, Says};
use headwalk_core::exchange::session::{Answering, Caller, answer};
use headwalk_core::log::chain::{Link, Tip};
use headwalk_core::log::codec;
use headwalk_core::log::id::{Seq, StoreId};
use headwalk_core::log::stamp::WallMs;
use headwalk_core::log::vector::VersionVector;
use headwalk_core::store::{Bookmark, Store};

use super::{COUNTED, made};

const NOW: WallMs = WallMs::new(1_000_000);
/// Parcels that one set of stores gets before it is looked over and another takes its place.
const PARCELS_A_WORLD: u32 = 200;

/// A hub and two phones that have met, one of them with news, and what went between them.
struct World {
    hub: Store,
    phone: Store,
    parcels: Vec<Vec<u8>>,
}

impl World {
    fn new(chance: &mut Chance) -> Self {
        let (hub, phone, other) = (made::store(0), made::store(1), made::store(2));
        let mut parcels = Vec::new();
        for _ in 0..2 {
            for store in [&phone, &other] {
                let drafts: Vec<_> = (0..3).map(|_| made::draft(chance)).collect();
                store.record(&drafts, NOW).expect("it is right");
                parcels.extend(made::meet(store, &hub, NOW));
            }
        }
        let news = [made::draft(chance), made::draft(chance)];
        phone.record(&news, NOW).expect("it is right");
        let (_, parcel) = Caller::begin(&phone, Some(hub.id()), NOW).expect("it begins");
        parcels.push(parcel.to_bytes());
        let (_, parcel) = Caller::begin(&phone, None, NOW).expect("it begins");
        parcels.push(parcel.to_bytes());
        let raws = phone.entries_beyond(made::logbook(0), &VersionVector::new(), usize::MAX);
        let entries = raws.expect("it can be read").0;
        let marks = entries
            .iter()
            .map(|raw| codec::mark(raw).expect("it is right"));
        let damaged = Says::Damaged {
            logbook: made::logbook(0),
            marks: marks.collect(),
        };
        for says in [damaged, Says::Again { entries }] {
            let parcel = Parcel {
                from: parcel.from,
                says,
            };
            parcels.push(parcel.to_bytes());
        }
        Self {
            hub,
            phone,
            parcels,
        }
    }

    /// Whether both stores still are what they say.
    fn look_over(self) {
        for mut store in [self.hub, self.phone] {
            let verified = store.verify().expect("it can be read");
            assert_eq!(verified.faults, []);
        }
    }
}

#[test]
fn no_bytes_make_the_reader_of_parcels_panic_or_grow() {
    let target = Target {
        name: "parcel",
        share: 15,
        memory: COUNTED,
    };
    let world = World::new(&mut Chance::seeded("world", 0));
    let mut read = 0_u64;
    target.run(
        |chance| {
            let mut one = chance.of(&world.parcels).clone();
            let other = chance.of(&world.parcels);
            spoil(&mut one, other, chance);
            one
        },
        |bytes| {
            if let Ok(parcel) = Parcel::from_bytes(bytes) {
                read += 1;
                let again = Parcel::from_bytes(&parcel.to_bytes()).expect("it was just made");
                assert_eq!(again.from, parcel.from);
            }
        },
    );
    assert!(
        read > 0,
        "spoiling that leaves nothing readable tries too little"
    );
}

#[test]
fn no_parcel_makes_either_side_of_an_exchange_panic_or_grow_or_damages_a_store() {
    let target = Target {
        name: "exchange",
        share: 4,
        memory: COUNTED,
    };
    // Both closures look at the world; the maker changes it between two parcels.
    let world = RefCell::new((World::new(&mut Chance::seeded("world", 1)), 0));
    target.run(
        |chance| {
            let mut world = world.borrow_mut();
            world.1 += 1;
            if world.1 == PARCELS_A_WORLD {
                let used = core::mem::replace(&mut *world, (World::new(chance), 0));
                used.0.look_over();
            }
            said_otherwise(&world.0, chance)
        },
        |bytes| {
            let world = &world.borrow().0;
            let Ok(parcel) = Parcel::from_bytes(bytes) else {
                return;
            };
            for answering in [Answering::as_hub(), Answering::as_peer()] {
                // A refusal is as good as an answer.
                drop(answer(&world.hub, &parcel, &answering, NOW));
            }
            for peer in [None, Some(world.hub.id())] {
                let (mut call, _) = Caller::begin(&world.phone, peer, NOW).expect("it begins");
                drop(call.receive(&world.phone, &parcel, NOW));
            }
        },
    );
    world.into_inner().0.look_over();
}

/// A parcel of which one part says something else.
fn said_otherwise(world: &World, chance: &mut Chance) -> Vec<u8> {
    let parcels = &world.parcels;
    let mut bytes = chance.of(parcels).clone();
    if chance.once_in(4) {
        let other = chance.of(parcels);
        spoil(&mut bytes, other, chance);
        return bytes;
    }
    let mut parcel = Parcel::from_bytes(&bytes).expect("it went between two stores");
    if chance.once_in(6) {
        parcel.from.store = StoreId::from_bytes([chance.below(6) as u8; 16]);
    }
    if chance.once_in(8) {
        parcel.from.at = WallMs::new(chance.bits() >> chance.below(64));
    }
    match &mut parcel.says {
        Says::News { since, batch, .. } => {
            bookmark(since, chance);
            spell_out(batch, &world.hub, chance);
            batch_otherwise(batch, chance);
        }
        Says::Taken { read, batch, .. } => {
            bookmark(read, chance);
            spell_out(batch, &world.phone, chance);
            batch_otherwise(batch, chance);
        }
        Says::Compare => {}
        Says::Damaged { logbook, marks } => {
            *logbook = made::logbook(chance.below(3));
            marks.extend(made::entry(chance).gained);
        }
        Says::Again { entries } => {
            for raw in entries {
                if chance.once_in(2) {
                    spoil(raw, &[], chance);
                }
            }
        }
        Says::Holdings { parts, end } => {
            bookmark(end, chance);
            for part in parts.iter_mut() {
                batch_otherwise(&mut part.batch, chance);
                if chance.once_in(8) {
                    part.logbook = made::logbook(chance.below(4));
                }
                for end in &mut part.ends {
                    match chance.below(8) {
                        0 => end.last.seq = seq(chance),
                        1 => end.last.tip = Tip(chance.bytes()),
                        2 => end.link = Link::from_bytes(chance.bytes()),
                        3 => end.before.push((seq(chance), Tip(chance.bytes()))),
                        4 => end.last.device = made::key(chance.below(4)).device(),
                        _ => {}
                    }
                }
            }
            if chance.once_in(8)
                && let Some(part) = parts.first().cloned()
            {
                parts.push(part);
            }
        }
    }
    parcel.to_bytes()
}

fn seq(chance: &mut Chance) -> Seq {
    let edges = [1, 2, 3, 7, u64::MAX - 1, u64::MAX];
    Seq::new(*chance.of(&edges)).expect("counted from one")
}

fn bookmark(bookmark: &mut Bookmark, chance: &mut Chance) {
    match chance.below(6) {
        0 => bookmark.arrival.0 = *chance.of(&[0, 1, 5, u64::MAX - 1, u64::MAX]),
        1 => bookmark.check = chance.bytes(),
        _ => {}
    }
}

/// Spells out a batch as a store understands it, or spoils it as it is.
fn spell_out(batch: &mut Batch, store: &Store, chance: &mut Chance) {
    if chance.once_in(4) {
        for told in &mut batch.told {
            spoil(told, &[], chance);
        }
        spoil(&mut batch.told_seals, &[], chance);
    } else if let Ok(Some(came)) = store.understand(&batch.told, 1 << 20) {
        let entries = came.entries.iter();
        batch.entries = entries.map(|entry| entry.raw.to_vec()).collect();
        batch.seals = store.seals(&batch.entries).expect("it can be read");
        batch.told.clear();
    }
}

/// Entries that say something else, in shape, and seals that vouch for them or do not.
fn batch_otherwise(batch: &mut Batch, chance: &mut Chance) {
    for raw in &mut batch.entries {
        if !chance.once_in(3) {
            continue;
        }
        if chance.once_in(5) {
            spoil(raw, &[], chance);
            continue;
        }
        let mut entry = codec::decode(raw).expect("it went between two stores");
        match chance.below(9) {
            0 => entry.seq = seq(chance),
            1 => entry.prev = Tip(chance.bytes()),
            2 => entry.device = made::key(chance.below(4)).device(),
            3 => entry.logbook = made::logbook(chance.below(4)),
            4 => entry.gained = made::entry(chance).gained,
            5 => entry.stamp = made::entry(chance).stamp,
            6 => entry.gained.clear(),
            7 => drop(entry.gained.pop()),
            _ => entry.changes = made::changes(chance),
        }
        *raw = codec::encode(&entry).expect("every part is in bounds");
    }
    if batch.entries.len() > 1 && chance.once_in(6) {
        let (one, other) = (
            chance.below(batch.entries.len()),
            chance.below(batch.entries.len()),
        );
        batch.entries.swap(one, other);
    }
    if !batch.entries.is_empty() && chance.once_in(6) {
        batch.entries.remove(chance.below(batch.entries.len()));
    }
    if chance.once_in(6) {
        let logbook = made::logbook(chance.below(3));
        let link = Link::from_bytes(chance.bytes());
        let seal = made::key(chance.below(4)).seal(logbook, seq(chance), link);
        batch.seals.push(seal);
    }
    if !batch.seals.is_empty() && chance.once_in(6) {
        let at = chance.below(batch.seals.len());
        batch.seals[at].signature[chance.below(64)] ^= 1;
        batch.seals[at].path.truncate(chance.below(3));
    }
}
