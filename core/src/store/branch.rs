//! Two branches of one device's chain, made one log again.
//!
//! A store that was copied or put back sooner or later writes another entry in a place that is
//! taken. Of the two branches one stays as it is: that whose first link is smaller, so that every
//! store decides alike. The other is entered again, entry by entry, under a device id that follows
//! from its own first entry; with it whatever had seen it. The result is a function of the branch
//! alone: whoever holds it makes the same entries, so nothing is lost and nothing is there twice.
//! Each keeps its time, its person and what its writer had seen, so that what two people wrote
//! without seeing each other still stands in two versions.

use std::collections::BTreeMap;

use redb::{ReadableDatabase, ReadableTable};

use super::fold::{Slot, Tables};
use super::tables::{self, IDENTITY, PEERS, SET_ASIDE};
use super::{Error, Store, rebuild};
use crate::log::chain;
use crate::log::codec;
use crate::log::entry::{Change, Entry};
use crate::log::id::{Arrival, DeviceId, LogbookId, Place, Seq};
use crate::log::stamp::WallMs;
use crate::log::vector::VersionVector;

/// What became of a branch that made way.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct MadeWay {
    /// Entries that were entered again.
    pub entries: usize,
    /// The device that writes from now on, where the store's own had to be given up.
    pub new_device: Option<DeviceId>,
}

impl Store {
    /// Lets the branch of `device` after `last` make way for the other, in one transaction. The
    /// entries as they were written are kept aside.
    ///
    /// # Errors
    /// [`Error`] where the file fails, or an entry is not what was written; then nothing has
    /// changed.
    pub fn make_way(
        &self,
        logbook: LogbookId,
        device: DeviceId,
        last: Option<Seq>,
        now: WallMs,
    ) -> Result<MadeWay, Error> {
        let txn = self.db.begin_write()?;
        let from = last.map_or(Seq::FIRST, Seq::next);
        let mut branch = Branch {
            logbook,
            chains: BTreeMap::from([(device, Chain::of(from))]),
        };
        let mut moved = Vec::new();
        {
            let mut tables = Tables::open(&txn)?;
            let mut aside = txn.open_table(SET_ASIDE)?;
            let mut number = aside.last()?.map_or(0, |(key, _)| key.value());
            let mut next = 0;
            while let Some((arrival, row)) = tables.entry_from(next)? {
                next = arrival.0 + 1;
                let (arrived, raw) = tables::entry_parts(arrival, &row)?;
                let entry = codec::decode(raw)?;
                if !branch.takes(&entry, raw, &tables)? {
                    continue;
                }
                number += 1;
                let row = tables::entry_row(Arrival(number), arrived, raw);
                aside.insert(number, row.as_slice())?;
                tables.take_out(arrival)?;
                moved.push(raw.to_vec());
            }
        }
        rebuild::refold(&txn)?;
        let entries = branch.enter_again(&moved, Tables::open(&txn)?, now)?;
        let mut writer = self.writer();
        writer.epoch += 1;
        let epoch = writer.epoch.to_be_bytes();
        txn.open_table(IDENTITY)?
            .insert("epoch", epoch.as_slice())?;
        // Arrivals have moved, so no mark of a peer stands any more.
        txn.delete_table(PEERS)?;
        txn.open_table(PEERS)?;
        let mut made_way = MadeWay {
            entries,
            new_device: None,
        };
        if let Some(own) = branch.chains.get(&writer.device) {
            let parts: [&[u8]; 4] = [
                self.id.bytes(),
                own.becomes.bytes(),
                &epoch,
                &now.get().to_be_bytes(),
            ];
            writer.device = DeviceId::from_bytes(chain::derived_id(&parts));
            txn.open_table(IDENTITY)?
                .insert("device", writer.device.bytes().as_slice())?;
            made_way.new_device = Some(writer.device);
        }
        self.commit_as(txn, writer)?;
        Ok(made_way)
    }

    /// Returns the entries that made way, as they were written.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read, or an entry is not what was written.
    pub fn set_aside(&self) -> Result<Vec<Entry>, Error> {
        let aside = self.db.begin_read()?.open_table(SET_ASIDE)?;
        aside
            .iter()?
            .map(|row| {
                let (number, row) = row?;
                let (_, raw) = tables::entry_parts(Arrival(number.value()), row.value())?;
                Ok(codec::decode(raw)?)
            })
            .collect()
    }
}

/// A branch that makes way: the chains in it, each from where it begins.
struct Branch {
    logbook: LogbookId,
    chains: BTreeMap<DeviceId, Chain>,
}

struct Chain {
    from: Seq,
    /// The device under which it is entered again; known when its first entry is.
    becomes: DeviceId,
    /// What the device knew before that, its own earlier entries among it.
    knew: VersionVector,
}

impl Chain {
    fn of(from: Seq) -> Self {
        Self {
            from,
            becomes: DeviceId::from_bytes([0; 16]),
            knew: VersionVector::new(),
        }
    }
}

impl Branch {
    /// Whether an entry is in the branch, or had seen an entry that is. Entries come in the order
    /// in which they arrived, so what they had seen came before.
    fn takes(&mut self, entry: &Entry, raw: &[u8], tables: &Tables<'_>) -> Result<bool, Error> {
        if entry.logbook != self.logbook {
            return Ok(false);
        }
        let saw_it = entry.gained.iter().any(|(device, seq)| {
            self.chains
                .get(&device)
                .is_some_and(|chain| seq >= chain.from)
        });
        if saw_it && !self.chains.contains_key(&entry.device) {
            self.chains.insert(entry.device, Chain::of(entry.seq));
        }
        let Some(chain) = self.chains.get_mut(&entry.device) else {
            return Ok(false);
        };
        if entry.seq == chain.from {
            chain.becomes = DeviceId::from_bytes(origin_of(entry, raw).id(self.logbook));
            if let Some(seq) = entry.seq.previous() {
                let place = Place {
                    device: entry.device,
                    seq,
                };
                chain.knew = tables.knowledge_at(self.logbook, place)?;
                chain.knew.learn(entry.device, seq);
            }
        }
        Ok(entry.seq >= chain.from)
    }

    fn enter_again(
        &mut self,
        moved: &[Vec<u8>],
        mut tables: Tables<'_>,
        now: WallMs,
    ) -> Result<usize, Error> {
        let mut again = self.all_again(moved)?;
        // Where somebody entered another branch again that begins alike, this one takes an id of
        // its own.
        while let Some(place) = first_clash(&tables, &again)? {
            let chain = self
                .chains
                .values_mut()
                .find(|chain| chain.becomes == place.device);
            let chain = chain.expect("each entry is of a chain of the branch");
            let (old, seq) = (chain.becomes, place.seq.get().to_be_bytes());
            chain.becomes = DeviceId::from_bytes(chain::derived_id(&[old.bytes(), &seq]));
            again = self.all_again(moved)?;
        }
        let mut entered = 0;
        for (entry, raw) in &again {
            // The same entry is there where someone else who held the branch entered it again.
            if matches!(tables.slot(entry, raw)?, Slot::Next) {
                let (arrival, not_before) = tables.next_arrival()?;
                tables.append(arrival, now.max(not_before), entry, raw)?;
                entered += 1;
            }
        }
        tables.finish()?;
        Ok(entered)
    }

    fn all_again(&self, moved: &[Vec<u8>]) -> Result<Vec<(Entry, Vec<u8>)>, Error> {
        moved
            .iter()
            .map(|raw| {
                let again = self.again(&codec::decode(raw)?, raw);
                let raw = codec::encode(&again)?;
                Ok((again, raw))
            })
            .collect()
    }

    /// The entry under its new id: all else as it was, with other entries of the branch named by
    /// their new places.
    fn again(&self, entry: &Entry, raw: &[u8]) -> Entry {
        let place = self.renamed(entry.place());
        let mut gained = self.renamed_all(&entry.gained);
        if let Some(chain) = self.chains.get(&entry.device)
            && chain.from == entry.seq
        {
            gained.learn_all(&self.renamed_all(&chain.knew));
        }
        let gained = gained.without(place.device);
        let mut changes: Vec<_> = entry
            .changes
            .iter()
            .map(|change| self.renamed_in(change))
            .collect();
        if !changes
            .iter()
            .any(|change| matches!(change, Change::Reentered { .. }))
        {
            let Origin { place, check } = origin_of(entry, raw);
            changes.push(Change::Reentered { place, check });
        }
        Entry {
            device: place.device,
            seq: place.seq,
            gained,
            changes,
            ..entry.clone()
        }
    }

    fn renamed(&self, place: Place) -> Place {
        match self.chains.get(&place.device) {
            Some(chain) if place.seq >= chain.from => {
                let number = place.seq.get() - chain.from.get() + 1;
                let seq = Seq::new(number).expect("it counts from one");
                Place {
                    device: chain.becomes,
                    seq,
                }
            }
            _ => place,
        }
    }

    fn renamed_all(&self, vector: &VersionVector) -> VersionVector {
        let mut renamed = VersionVector::new();
        for (device, seq) in vector.iter() {
            let place = self.renamed(Place { device, seq });
            renamed.learn(place.device, place.seq);
            // Whoever had seen the branch had seen what was there before it parted.
            if place.device != device
                && let Some(before) = self.chains.get(&device).and_then(|c| c.from.previous())
            {
                renamed.learn(device, before);
            }
        }
        renamed
    }

    fn renamed_in(&self, change: &Change) -> Change {
        match change {
            Change::Receipt { place, stamp } => Change::Receipt {
                place: self.renamed(*place),
                stamp: *stamp,
            },
            other => other.clone(),
        }
    }
}

/// The first of these entries whose place holds something else.
fn first_clash(tables: &Tables<'_>, entries: &[(Entry, Vec<u8>)]) -> Result<Option<Place>, Error> {
    for (entry, raw) in entries {
        let head = tables.head(entry.logbook, entry.device)?;
        if head.is_some_and(|head| head.seq >= entry.seq)
            && matches!(tables.slot(entry, raw), Err(Error::Fork { .. }))
        {
            return Ok(Some(entry.place()));
        }
    }
    Ok(None)
}

/// Where an entry first stood, and what it was: the same however often it was entered again.
struct Origin {
    place: Place,
    check: [u8; 8],
}

impl Origin {
    fn id(&self, logbook: LogbookId) -> [u8; 16] {
        let seq = self.place.seq.get().to_be_bytes();
        chain::derived_id(&[
            logbook.bytes(),
            self.place.device.bytes(),
            &seq,
            &self.check,
        ])
    }
}

fn origin_of(entry: &Entry, raw: &[u8]) -> Origin {
    entry
        .changes
        .iter()
        .find_map(|change| match change {
            Change::Reentered { place, check } => Some(Origin {
                place: *place,
                check: *check,
            }),
            _ => None,
        })
        .unwrap_or_else(|| Origin {
            place: entry.place(),
            check: chain::check(&[raw]),
        })
}
