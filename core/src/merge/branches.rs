//! The branches of the chains in one logbook, and what each is called.
//!
//! A store that was copied or put back sooner or later writes another entry under a number that is
//! taken: from there on its device's chain has two branches. Nothing is rewritten for that. Where
//! entries follow the same one, that with the smallest tip goes on with the chain's id, and each
//! other one begins a branch, whose id follows from its mark. So names are a function of the
//! entries held, the same in every store, and a new branch may take the chain's id from an older
//! one. This module only keeps the names; who holds the entries calls it.

use std::collections::BTreeMap;

use crate::log::chain::{Mark, Tip, branch_id};
use crate::log::id::{ChainId, DeviceId, LogbookId, Place, Seq};
use crate::log::vector::VersionVector;

/// Where a branch begins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Branch {
    /// Whose entries it holds.
    pub device: DeviceId,
    /// Its first entry's number.
    pub from: Seq,
    /// The chain that it leaves.
    pub of: ChainId,
}

/// Where chains part: the device, the number, and the entry before it.
pub type Parting = (DeviceId, Seq, Tip);

/// What a new entry is to its chain.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// It goes on with the chain.
    GoesOn,
    /// It begins a branch.
    Begins(ChainId, Branch),
    /// It takes the chain's id from the entry that had it: every name after that one changes.
    TakesOver,
}

/// The branches of one logbook's chains.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Branches {
    begun: BTreeMap<ChainId, Branch>,
    // Where chains part, the tip that goes on with the id.
    chosen: BTreeMap<Parting, Tip>,
}

impl Branches {
    /// Returns whether every device has one chain, named after it.
    pub fn is_empty(&self) -> bool {
        self.begun.is_empty() && self.chosen.is_empty()
    }

    /// Returns the branches by their ids.
    pub fn begun(&self) -> impl Iterator<Item = (ChainId, Branch)> + '_ {
        self.begun.iter().map(|(&id, &branch)| (id, branch))
    }

    /// Counts the chains of each device that has more than one.
    pub fn branched(&self) -> BTreeMap<DeviceId, usize> {
        let mut chains = BTreeMap::new();
        for branch in self.begun.values() {
            *chains.entry(branch.device).or_insert(1) += 1;
        }
        chains
    }

    /// Files a branch.
    pub fn begin(&mut self, id: ChainId, branch: Branch) {
        self.begun.insert(id, branch);
    }

    /// Says which tip goes on with the chain's id at a parting.
    pub fn choose(&mut self, parting: Parting, tip: Tip) {
        self.chosen.insert(parting, tip);
    }

    /// Returns where chains part, and which tip goes on there.
    pub fn chosen(&self) -> impl Iterator<Item = (Parting, Tip)> + '_ {
        self.chosen.iter().map(|(&parting, &tip)| (parting, tip))
    }

    /// Returns a device's chains: its own, then its branches.
    pub fn chains_of(&self, device: DeviceId) -> impl Iterator<Item = ChainId> + '_ {
        let branches = self.begun.iter();
        let of_device = branches.filter(move |(_, branch)| branch.device == device);
        core::iter::once(ChainId::of(device)).chain(of_device.map(|(&id, _)| id))
    }

    /// Returns whose entries a chain holds.
    pub fn device_of(&self, chain: ChainId) -> DeviceId {
        let branch = self.begun.get(&chain);
        branch.map_or(DeviceId::from_bytes(*chain.bytes()), |branch| branch.device)
    }

    /// Returns the entry from which a chain's first one branches off; none for a device's own.
    pub fn leaves(&self, chain: ChainId) -> Option<Place> {
        let branch = self.begun.get(&chain)?;
        let seq = branch.from.previous()?;
        Some(Place {
            chain: branch.of,
            seq,
        })
    }

    /// Returns the number of a chain's first entry.
    pub fn first(&self, chain: ChainId) -> Seq {
        self.begun
            .get(&chain)
            .map_or(Seq::FIRST, |branch| branch.from)
    }

    /// Learns an entry and all before it, over every chain that it branches off from.
    pub fn learn(&self, vector: &mut VersionVector, place: Place) {
        let mut next = Some(place);
        while let Some(place) = next {
            vector.learn(place.chain, place.seq);
            next = self.leaves(place.chain);
        }
    }

    /// Says what a new entry is to the chain of the entry before it. `taken` is the tip of the entry
    /// that goes on with that chain already, if there is one.
    pub fn standing(
        &mut self,
        logbook: LogbookId,
        new: Mark,
        prev: Tip,
        chain: ChainId,
        taken: Option<Tip>,
    ) -> Standing {
        let parting = (new.device, new.seq, prev);
        let chosen = match (self.chosen.get(&parting).copied(), taken) {
            (None, None) => return Standing::GoesOn,
            (None, Some(taken)) => {
                self.chosen.insert(parting, taken.min(new.tip));
                taken
            }
            (Some(chosen), _) => chosen,
        };
        match new.tip.cmp(&chosen) {
            core::cmp::Ordering::Equal => Standing::GoesOn,
            core::cmp::Ordering::Less => {
                self.chosen.insert(parting, new.tip);
                Standing::TakesOver
            }
            core::cmp::Ordering::Greater => Standing::Begins(
                branch_id(logbook, new),
                Branch {
                    device: new.device,
                    from: new.seq,
                    of: chain,
                },
            ),
        }
    }

    /// Returns which tip goes on at a parting, if chains part there.
    pub fn chosen_at(&self, parting: Parting) -> Option<Tip> {
        self.chosen.get(&parting).copied()
    }
}
