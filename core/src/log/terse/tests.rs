use std::collections::BTreeSet;

use proptest::prelude::*;

use super::*;
use crate::log::codec::{self, CodecError, tests::entry};
use crate::log::columns;
use crate::log::entry::Entry;
use crate::log::written::Written;

const MAX: usize = 4 * 1024 * 1024;

/// What both sides hold: entries, and so their logbooks, ids and tips.
#[derive(Debug, Default, Clone)]
struct Both {
    entries: Vec<Written>,
    /// Ids that are known beside those of the entries.
    ids: BTreeSet<[u8; 16]>,
}

impl Both {
    fn ids(&self, logbook: LogbookId) -> BTreeSet<[u8; 16]> {
        let mut ids = self.ids.clone();
        for written in &self.entries {
            if written.entry.logbook == logbook {
                columns::each_id(&written.view(), |id| {
                    ids.insert(*id);
                });
            }
        }
        ids
    }

    fn logbooks(&self) -> BTreeSet<LogbookId> {
        let entries = self.entries.iter();
        entries.map(|written| written.entry.logbook).collect()
    }
}

impl Listener for Both {
    fn holds(&self, logbook: LogbookId) -> bool {
        self.logbooks().contains(&logbook)
    }

    fn knows(&self, logbook: LogbookId, id: &[u8; 16]) -> bool {
        let ids = self.ids(logbook);
        ids.contains(id) && ids.iter().filter(|other| told(other) == told(id)).count() == 1
    }

    fn follows(&self, logbook: LogbookId) -> bool {
        self.holds(logbook)
    }
}

impl Holder<CodecError> for Both {
    fn logbook(&mut self, is_told: columns::Short) -> Result<Option<LogbookId>, CodecError> {
        let logbooks = self.logbooks().into_iter();
        Ok(logbooks
            .into_iter()
            .find(|held| columns::short(held.bytes()) == is_told))
    }

    fn id(&mut self, logbook: LogbookId, is_told: Told) -> Result<Option<[u8; 16]>, CodecError> {
        Ok(self.ids(logbook).into_iter().find(|id| told(id) == is_told))
    }

    fn tip(
        &mut self,
        logbook: LogbookId,
        device: DeviceId,
        seq: Seq,
    ) -> Result<Option<Tip>, CodecError> {
        let mut entries = self.entries.iter();
        let found = entries.find(|written| {
            let entry = &written.entry;
            (entry.logbook, entry.device, entry.seq) == (logbook, device, seq)
        });
        Ok(found.map(|written| written.tip))
    }
}

fn written(entries: &[Entry]) -> Vec<Written> {
    let raws = entries.iter().map(|entry| codec::encode(entry).unwrap());
    raws.map(|raw| Written::read(raw).unwrap()).collect()
}

fn entries_of(unpacking: &Unpacking) -> Vec<Written> {
    let entries = unpacking.entries.iter();
    entries.map(|entry| Written::of(&entry).unwrap()).collect()
}

fn packed(entries: &[Written], told: &impl Listener) -> Vec<u8> {
    pack(entries.iter().map(Written::view), told)
}

/// Packs for one who holds `told`, and unpacks as one who holds `held`.
fn passed_on(batches: &[&[Written]], told: &Both, held: &Both) -> Option<Vec<Written>> {
    let mut unpacking = Unpacking::into_at_most(MAX);
    for batch in batches {
        let packed = packed(batch, told);
        if !unpacking.unpack(&packed, &mut held.clone()).unwrap() {
            return None;
        }
    }
    Some(entries_of(&unpacking))
}

/// The same entry as another version might write it: its number takes a byte more.
fn otherwise(entry: &Entry) -> Written {
    let mut raw = codec::encode(entry).unwrap();
    let number = 1 + 2 * 16; // behind the format, the logbook and the device
    assert!(raw[number] < 0x80);
    raw[number] |= 0x80;
    raw.insert(number + 1, 0);
    Written::read(raw).unwrap()
}

/// Entries of few devices in few logbooks, each after the one before it of its chain, as nearly always;
/// some of them were gained by the next, and some are written in a way of their own.
fn season() -> impl Strategy<Value = Vec<Written>> {
    let plainly = prop::bool::weighted(0.9);
    let entry = (entry(), 0_u8..3, 0_u8..3, any::<bool>(), plainly);
    let entries = prop::collection::vec(entry, 0..32);
    entries.prop_map(|entries| {
        let mut season: Vec<Written> = Vec::new();
        for (mut entry, device, logbook, as_before, plainly) in entries {
            entry.device = DeviceId::from_bytes([device + 1; 16]);
            entry.logbook = LogbookId::from_bytes([logbook + 60; 16]);
            let here = season.iter().rev();
            let mut here = here.filter(|one| one.entry.logbook == entry.logbook);
            let own = here.clone().find(|one| one.entry.device == entry.device);
            if let Some(last) = own {
                (entry.seq, entry.prev) = (last.entry.seq.next(), last.tip);
                if as_before {
                    (entry.visit, entry.by) = (last.entry.visit, last.entry.by.clone());
                    entry.utc_offset_min = last.entry.utc_offset_min;
                }
            } else {
                (entry.seq, entry.prev) = (Seq::FIRST, Tip::NONE);
            }
            let other = here.find(|one| one.entry.device != entry.device);
            entry.gained = other
                .filter(|_| as_before)
                .map(Written::mark)
                .into_iter()
                .collect();
            match plainly {
                true => season.extend(written(&[entry])),
                false => season.push(otherwise(&entry)),
            }
        }
        season
    })
}

proptest! {
    #[test]
    fn whatever_entries_come_they_come_as_they_were(
        before in prop::collection::vec(entry(), 0..6),
        entries in prop::collection::vec(entry(), 0..12),
    ) {
        let (before, batch) = (written(&before), written(&entries));
        let nobody = Both::default();
        prop_assert_eq!(passed_on(&[&batch], &nobody, &nobody), Some(batch.clone()));
        let both = Both { entries: before, ids: BTreeSet::new() };
        let mut unpacking = Unpacking::into_at_most(MAX);
        let packed = packed(&batch, &Unfollowed(both.clone()));
        prop_assert_eq!(count(&packed), batch.len() as u64);
        prop_assert!(unpacking.unpack(&packed, &mut both.clone()).unwrap());
        prop_assert_eq!(entries_of(&unpacking), batch);
    }

    #[test]
    fn one_who_holds_what_came_before_gets_the_exact_bytes_and_one_who_does_not_knows_it(
        season in season(),
        parts in prop::array::uniform2(any::<prop::sample::Index>()),
        lacks in any::<prop::sample::Index>(),
    ) {
        let mut parts = parts.map(|part| part.index(season.len() + 1));
        parts.sort_unstable();
        let (before, rest) = season.split_at(parts[0]);
        let (first, second) = rest.split_at(parts[1] - parts[0]);
        let both = Both { entries: before.to_vec(), ids: BTreeSet::new() };
        // In one batch, and in two of which the second was packed for one who holds the first.
        prop_assert_eq!(passed_on(&[rest], &both, &both), Some(rest.to_vec()));
        let mut unpacking = Unpacking::into_at_most(MAX);
        let after_first = Both {
            entries: season[..parts[1]].to_vec(),
            ids: BTreeSet::new(),
        };
        let (one, other) = (packed(first, &both), packed(second, &after_first));
        if first.iter().all(|one| both.holds(one.entry.logbook)) {
            for packed in [&one, &other] {
                prop_assert!(unpacking.unpack(packed, &mut both.clone()).unwrap());
            }
            prop_assert_eq!(entries_of(&unpacking), rest);
            // The same where the first ones come spelled out.
            let mut unpacking = Unpacking::into_at_most(MAX);
            let raws: Vec<_> = first.iter().map(|written| written.raw.clone()).collect();
            unpacking.take(&raws).unwrap();
            prop_assert!(unpacking.unpack(&other, &mut both.clone()).unwrap());
            prop_assert_eq!(entries_of(&unpacking), rest);
        }
        // One who lacks an entry understands the same or nothing.
        if !before.is_empty() {
            let mut lacking = both.clone();
            lacking.entries.remove(lacks.index(before.len()));
            let understood = passed_on(&[rest], &both, &lacking);
            prop_assert!(understood.is_none_or(|understood| understood == rest));
        }
    }

    #[test]
    fn chains_of_which_some_entries_are_held_go_on_from_those(
        season in season(),
        is_held in prop::collection::vec(any::<bool>(), 32),
    ) {
        let mut both = Both::default();
        let mut batch = Vec::new();
        for (written, is_held) in season.into_iter().zip(is_held) {
            match is_held {
                true => both.entries.push(written),
                false => batch.push(written),
            }
        }
        prop_assert_eq!(passed_on(&[&batch], &both, &both), Some(batch));
    }

    #[test]
    fn a_batch_with_one_byte_changed_never_makes_the_unpacker_panic(
        season in season(),
        at in any::<prop::sample::Index>(),
        to in any::<u8>(),
    ) {
        let (before, rest) = season.split_at(season.len() / 2);
        let mut both = Both { entries: before.to_vec(), ids: BTreeSet::new() };
        let packed = packed(rest, &both);
        let told = header(&packed).unwrap();
        let mut laid_out = columns::inflated(told.deflated, MAX).unwrap();
        let at = at.index(laid_out.len());
        laid_out[at] = to;
        let mut batch = packed[..packed.len() - told.deflated.len()].to_vec();
        batch.extend(columns::deflated(&laid_out));
        let mut unpacking = Unpacking::into_at_most(MAX);
        if let Ok(true) = unpacking.unpack(&batch, &mut both) {
            prop_assert_eq!(entries_of(&unpacking), rest);
        }
    }

    #[test]
    fn no_bytes_make_the_unpacker_panic(bytes in any::<Vec<u8>>(), effort in 0_u8..3) {
        let mut batch = vec![VERSION];
        batch.extend([0; 10]);
        batch.extend(miniz_oxide::deflate::compress_to_vec(&bytes, effort));
        for batch in [&batch, &bytes] {
            let mut unpacking = Unpacking::into_at_most(MAX);
            let _unread = unpacking.unpack(batch, &mut Both::default()).is_ok();
        }
    }
}

/// Of what is held the ids are told short, and the tips spelled out.
struct Unfollowed(Both);

impl Listener for Unfollowed {
    fn holds(&self, logbook: LogbookId) -> bool {
        self.0.holds(logbook)
    }

    fn knows(&self, logbook: LogbookId, id: &[u8; 16]) -> bool {
        self.0.knows(logbook, id)
    }

    fn follows(&self, _: LogbookId) -> bool {
        false
    }
}
