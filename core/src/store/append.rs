//! Entries in: one's own, and a peer's.

use core::mem;
use std::collections::{BTreeMap, BTreeSet};

use super::ledger::Slot;
use super::seals::{self, Checked};
use super::tables::IDENTITY;
use super::writing::{Writing, left};
use super::{Came, Error, Meeting, Store, Writer};
use crate::log::codec::CodecError;
use crate::log::entry::{Change, Draft};
use crate::log::id::{Arrival, DeviceId, LogbookId, Place};
use crate::log::seal::Seal;
use crate::log::sheaf::Sheaf;
use crate::log::stamp::{BELIEVED_AHEAD_MS, Clock, Stamp, WallMs};
use crate::log::view::View;

/// One of the store's own entries, on disk.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Recorded {
    /// Which entry of its logbook it became.
    pub place: Place,
    /// The stamp it was given.
    pub stamp: Stamp,
    /// When it came to this store, in the store's own order.
    pub arrival: Arrival,
}

/// What became of a peer's batch, on disk.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Appended {
    /// Entries that the store did not have.
    pub new: usize,
    /// Entries that it had already.
    pub held: usize,
    /// Entries whose stamps could not be believed and got a receipt.
    pub receipts: usize,
    /// Entries that are held back.
    pub held_back: usize,
}

/// What to make of the stamps in a peer's batch.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Clocks {
    /// Take them as they are: this store judges nobody's clock.
    TakenAsTold,
    /// Judge them as a hub does: an entry whose stamp cannot be believed gets a receipt, which is
    /// an entry of this store's own device.
    Judged {
        /// The device that is sending, whose clock was just compared.
        sender: DeviceId,
        /// How far its clock stands behind this store's wall, in milliseconds; negative if ahead.
        behind_ms: i64,
    },
}

/// How a peer's entries are taken in.
#[derive(Debug, Clone)]
pub struct Taking {
    /// What to make of their stamps.
    pub clocks: Clocks,
    /// Whose word they need.
    pub sealing: Sealing,
    /// Devices whose access was taken back: their entries are held back, by an entry of this store's
    /// own device.
    pub held_back: BTreeSet<DeviceId>,
    /// Devices that have no say over others' entries: they neither order, hold back nor admit any.
    pub no_say: BTreeSet<DeviceId>,
}

impl Taking {
    /// Takes what comes, as one device does from another.
    pub const fn everything(clocks: Clocks) -> Self {
        Self {
            clocks,
            sealing: Sealing::Welcome,
            held_back: BTreeSet::new(),
            no_say: BTreeSet::new(),
        }
    }
}

/// Whose word a batch needs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sealing {
    /// Nobody's: seals that come with it are kept.
    Welcome,
    /// Each entry's own device's: it must come with a seal that reaches as far, so that nobody
    /// writes in another's name.
    Demanded,
}

impl Store {
    /// Appends actions of this store's own device: all of them or none. They are on disk when
    /// this returns. Each gets its place, its stamp and what the device had gained.
    ///
    /// # Errors
    /// [`Error::Codec`] where a draft cannot be an entry; [`Error::IdInUseElsewhere`] where the
    /// device needs a new id first; [`Error`] where the file fails. Then nothing was recorded.
    pub fn record(&self, drafts: &[Draft], now: WallMs) -> Result<Vec<Recorded>, Error> {
        let mut writing = Writing::begin(self, now)?;
        let recorded = writing.write_down(drafts, now)?;
        writing.commit(None)?;
        Ok(recorded)
    }

    /// Appends a peer's entries, of one logbook or several: all that are new, or none. They are on
    /// disk when this returns. Entries must come in an order in which each follows those that its
    /// writer had seen; one that is held already is passed over.
    ///
    /// # Errors
    /// [`Error::Gap`], [`Error::MissingCause`] or [`Error::Codec`] for a batch that does not fit what
    /// is held; [`Error`] where the file fails. Then nothing was taken.
    pub fn append<R: AsRef<[u8]>>(
        &self,
        batch: &[R],
        now: WallMs,
        clocks: Clocks,
    ) -> Result<Appended, Error> {
        self.append_sealed(batch, &[], &Taking::everything(clocks), now)
    }

    /// Appends a peer's entries as [`Self::append`] does, and with them the seals of their devices.
    /// A seal may reach farther than the batch, where that is cut off: the rest is to come.
    ///
    /// # Errors
    /// Those of [`Self::append`]; [`Error::ForgedSeal`], or [`Error::Unsealed`] where seals are
    /// demanded. Then nothing was taken.
    pub fn append_sealed<R: AsRef<[u8]>>(
        &self,
        batch: &[R],
        seals: &[Seal],
        taking: &Taking,
        now: WallMs,
    ) -> Result<Appended, Error> {
        let (sheaves, batch) = (Sheaf::gather(seals, |_| false), View::read_all(batch));
        let mut writing = Writing::begin(self, now)?;
        writing.expect(batch.len());
        let taken = self.take_in(&mut writing, batch, &sheaves, taking, now)?;
        if let Some(writer) = taken.writer {
            writing.commit(Some(writer))?;
        }
        Ok(taken.appended)
    }

    /// Appends what a peer told, and keeps its batches as they came, to be given on.
    ///
    /// # Errors
    /// Those of [`Self::append_sealed`].
    pub fn append_told(
        &self,
        mut came: Came,
        seals: &[Sheaf],
        taking: &Taking,
        now: WallMs,
    ) -> Result<Appended, Error> {
        let mut writing = Writing::begin(self, now)?;
        let taken = self.take_told(&mut writing, &mut came, seals, taking, now)?;
        if let Some(writer) = taken.writer {
            writing.commit(Some(writer))?;
        }
        Ok(taken.appended)
    }

    /// Appends what a peer told as [`Self::append_told`] does, and remembers the meeting with it; returns
    /// how much of this store's arrivals the peer was told.
    ///
    /// # Errors
    /// Those of [`Self::append_sealed`].
    pub fn append_met(
        &self,
        mut came: Came,
        seals: &[Sheaf],
        taking: &Taking,
        meeting: Meeting<'_>,
        now: WallMs,
    ) -> Result<Arrival, Error> {
        let mut writing = Writing::begin(self, now)?;
        let last = |writing: &Writing<'_>| Arrival(writing.next_arrival().0 - 1);
        let before = last(&writing);
        let taken = self.take_told(&mut writing, &mut came, seals, taking, now)?;
        let met = meeting.met(before, last(&writing));
        super::remember(&writing.txn, meeting.peer, &met)?;
        writing.commit(taken.writer)?;
        Ok(met.told)
    }

    fn take_told<'a>(
        &self,
        writing: &mut Writing<'a>,
        came: &'a mut Came,
        seals: &[Sheaf],
        taking: &Taking,
        now: WallMs,
    ) -> Result<TakenIn, Error> {
        let first = writing.next_arrival();
        let entries = &came.entries;
        writing.expect(entries.len());
        let views = entries.iter().map(Ok);
        let taken = self.take_in(writing, views, seals, taking, now)?;
        if taken.appended.new == entries.len() {
            let batches = mem::take(&mut came.batches);
            writing.keep_batches(first, batches, mem::take(&mut came.spans));
        }
        Ok(taken)
    }

    /// Takes a peer's entries and seals in within a write, and returns what came of it.
    pub(super) fn take_in<'a>(
        &self,
        writing: &mut Writing<'a>,
        batch: impl Iterator<Item = Result<View<'a>, CodecError>>,
        sheaves: &[Sheaf],
        taking: &Taking,
        now: WallMs,
    ) -> Result<TakenIn, Error> {
        let claimed = seals::Claimed::by(sheaves, writing.lend_keys())?;
        let mut appended = Appended::default();
        let mut writer = self.writer();
        let mut words: BTreeMap<LogbookId, Vec<Change>> = BTreeMap::new();
        for entry in batch {
            let entry = &entry?;
            let slot = writing.slot(entry)?;
            if matches!(slot, Slot::Same) {
                appended.held += 1;
                continue;
            }
            if taking.sealing == Sealing::Demanded && !claimed.reach(entry) {
                return Err(Error::Unsealed {
                    device: entry.device,
                    seq: entry.seq,
                });
            }
            if taking.no_say.contains(&entry.device) && entry.named().next().is_some() {
                return Err(Error::NoSay(entry.device));
            }
            if entry.device == writer.device()
                && !writer.in_use_elsewhere
                && left(&writing.txn, entry.logbook)?.is_none_or(|left| entry.seq > left)
            {
                // Somebody else writes under this id: what this store wrote so far is sealed, and
                // from now on it needs another.
                self.seal_own(writing)?;
                writer.in_use_elsewhere = true;
                let mut identity = writing.txn.open_table(IDENTITY)?;
                identity.insert("elsewhere", [1].as_slice())?;
            }
            appended.new += 1;
            writing.clock.witness(entry.stamp, now);
            if let Some(stamp) = taking.clocks.instead_of(entry, &mut writing.clock, now) {
                appended.receipts += 1;
                let of = entry.mark();
                let receipt = Change::Receipt { of, stamp };
                words.entry(entry.logbook).or_default().push(receipt);
            }
            if taking.held_back.contains(&entry.device) {
                appended.held_back += 1;
                let of = entry.mark();
                let word = Change::HoldBack { of };
                words.entry(entry.logbook).or_default().push(word);
            }
            writing.append(entry, &slot)?;
        }
        for (logbook, changes) in words {
            for changes in changes.chunks(WORDS_AN_ENTRY) {
                if writer.in_use_elsewhere {
                    return Err(Error::IdInUseElsewhere(writer.device()));
                }
                let (draft, stamp) = (
                    hubs_word(logbook, changes.to_vec()),
                    writing.clock.next(now),
                );
                writing.append_own(&draft, stamp)?;
            }
        }
        let new_seals = claimed.keep(writing)?;
        Ok(TakenIn {
            appended,
            writer: (appended.new > 0 || !new_seals.is_empty()).then_some(writer),
            new_seals,
        })
    }
}

/// What came of taking entries in, before it is kept.
pub(super) struct TakenIn {
    pub(super) appended: Appended,
    /// Who writes from then on; none where nothing is new.
    pub(super) writer: Option<Writer>,
    /// Those of the seals that were not kept before.
    pub(super) new_seals: Checked,
}

/// Keeps an entry of receipts and verdicts well under the size that an entry may have.
const WORDS_AN_ENTRY: usize = 500;

fn hubs_word(logbook: LogbookId, changes: Vec<Change>) -> Draft {
    Draft {
        logbook,
        by: "hub".to_owned(),
        utc_offset_min: 0,
        visit: None,
        changes,
    }
}

impl Clocks {
    /// Returns the stamp that must order an entry instead of its own, if its own cannot be
    /// believed. Order among one sender's entries stays as it was.
    fn instead_of(self, entry: &View<'_>, clock: &mut Clock, now: WallMs) -> Option<Stamp> {
        let Self::Judged { sender, behind_ms } = self else {
            return None;
        };
        let told = entry.stamp;
        let off = entry.device == sender && behind_ms.unsigned_abs() > BELIEVED_AHEAD_MS;
        if off {
            let wall = told.wall().shifted(behind_ms);
            if wall <= now {
                return Some(Stamp::new(wall, told.tick()));
            }
        }
        let ahead = told.wall().get() > now.get().saturating_add(BELIEVED_AHEAD_MS);
        (off || ahead).then(|| clock.next(now))
    }
}
