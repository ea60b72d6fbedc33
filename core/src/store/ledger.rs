//! What the chains of one logbook come to: enough to say whether an entry is new and where it goes,
//! without reading those before it.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use super::Error;
use super::archive::Archive;
use super::filed::Filed;
use super::heads::{HeadRow, Heads};
use super::known::KnownIds;
use crate::log::chain::{Link, Mark, Tip};
use crate::log::codec::CodecError;
use crate::log::entry::Entry;
use crate::log::id::{Arrival, ChainId, DeviceId, LogbookId, Place, Seq};
use crate::log::vector::VersionVector;
use crate::log::view::View;
use crate::log::written::Written;
use crate::merge::branches::{Branch, Branches, Parting, Standing};

mod rows;

pub(super) use rows::{Kept, Rows};

/// How many tips are remembered of entries that are no chain's last,
const MOST_TIPS: usize = 512;
/// and how many of each chain that went on lately when they were more: what a device wrote there today and
/// the day before, which others name when they go on.
const TIPS_OF_EACH: usize = 128;

/// One logbook's chains.
#[derive(Debug, Clone, Default)]
pub(super) struct Ledger {
    // With tips of entries that others may name soon; the archive has all of them.
    heads: Heads,
    branches: Branches,
    // What every entry is called, where a device's chain has branches.
    names: Option<Names>,
    /// The ids that its entries name, once they are known; they have a row of their own,
    ids: Option<Arc<KnownIds>>,
    /// which lacks some of them.
    ids_are_new: bool,
}

#[derive(Debug, Clone, Default)]
struct Names {
    chains: BTreeMap<Mark, ChainId>,
    tips: BTreeMap<Place, Tip>,
}

/// Where an entry goes.
pub(super) enum Slot {
    /// One of the same mark is here.
    Same,
    /// It goes on with a chain; with it, what its writer gained.
    Next(Place, VersionVector),
    /// It makes a branch, so that the logbook's entries may get new names.
    Branches,
}

/// Every entry of a logbook with its place and what its writer gained, and what they come to.
pub(super) struct Walk {
    pub(super) ledger: Ledger,
    pub(super) placed: Vec<(Place, VersionVector)>,
}

impl Ledger {
    /// Of a logbook of which nothing is held.
    pub(super) fn beginning() -> Self {
        Self {
            ids: Some(Arc::default()),
            ..Self::default()
        }
    }

    pub(super) const fn branches(&self) -> &Branches {
        &self.branches
    }

    /// The ids that its entries name.
    pub(super) fn ids(&self) -> Option<&KnownIds> {
        self.ids.as_deref()
    }

    /// Whether it is known which ids its entries name.
    pub(super) const fn tells_ids(&self) -> bool {
        self.ids.is_some()
    }

    /// Learns which ids its entries name, from their row.
    pub(super) fn tell_ids(&mut self, ids: KnownIds) {
        self.ids = Some(Arc::new(ids));
    }

    /// Learns which ids these entries name, all of the logbook's in order.
    pub(super) fn learn_ids<'a>(&mut self, entries: impl Iterator<Item = &'a Filed>) {
        let ids = Arc::make_mut(self.ids.get_or_insert_default());
        entries.for_each(|filed| ids.learn(&filed.written.view(), filed.arrival));
        self.ids_are_new = true;
    }

    /// Learns which ids an entry names that came after all those learned before, if those are known.
    pub(super) fn learn_ids_of(&mut self, entry: &View<'_>, arrival: Arrival) {
        if let Some(ids) = &mut self.ids
            && ids.lack(entry)
        {
            Arc::make_mut(ids).learn(entry, arrival);
            self.ids_are_new = true;
        }
    }

    /// Returns the row of its ids, if the one that keeps them lacks some; says that it is kept now.
    pub(super) fn new_ids(&mut self, logbook: LogbookId) -> Option<Vec<u8>> {
        let is_new = core::mem::take(&mut self.ids_are_new);
        let ids = self.ids.as_ref().filter(|_| is_new)?;
        Some(ids.row(logbook))
    }

    pub(super) fn head(&self, chain: ChainId) -> Option<&HeadRow> {
        self.heads.get(chain)
    }

    pub(super) fn heads(&self) -> impl ExactSizeIterator<Item = (ChainId, &HeadRow)> {
        self.heads.iter()
    }

    /// Returns everything that is held.
    pub(super) fn vector(&self) -> VersionVector {
        let heads = self.heads.iter();
        heads.map(|(chain, head)| (chain, head.seq)).collect()
    }

    /// Counts the entries.
    pub(super) fn entries(&self) -> u64 {
        self.lengths().map(|(_, entries)| entries).sum()
    }

    /// Returns, of each chain, whose it is and how many entries it has.
    pub(super) fn lengths(&self) -> impl Iterator<Item = (DeviceId, u64)> {
        self.heads.iter().map(|(chain, head)| {
            let entries = head.seq.get() + 1 - self.branches.first(chain).get();
            (self.branches.device_of(chain), entries)
        })
    }

    /// Returns the place of the entry that a mark names, if it is here.
    pub(super) fn find(&self, mark: Mark, archive: &Archive<'_>) -> Result<Option<Place>, Error> {
        if let Some(names) = &self.names {
            let chain = names.chains.get(&mark).copied();
            return Ok(chain.map(|chain| Place {
                chain,
                seq: mark.seq,
            }));
        }
        let place = Place::on_only_chain(mark.device, mark.seq);
        Ok((self.tip_at(place, archive)? == Some(mark.tip)).then_some(place))
    }

    /// Returns the tip of the entry at a place, if one is here.
    pub(super) fn tip_at(&self, place: Place, archive: &Archive<'_>) -> Result<Option<Tip>, Error> {
        let Some(head) = self.heads.get(place.chain) else {
            return Ok(None);
        };
        if place.seq >= head.seq {
            return Ok((place.seq == head.seq).then_some(head.tip));
        }
        if let Some(names) = &self.names {
            return Ok(names.tips.get(&place).copied());
        }
        if let Some(tip) = self.heads.tip(place.chain, place.seq) {
            return Ok(Some(tip));
        }
        archive.tip_under(self.branches.device_of(place.chain), place.seq)
    }

    /// Returns the mark of an entry that is here.
    pub(super) fn mark(&self, place: Place, archive: &Archive<'_>) -> Result<Mark, Error> {
        let tip = self.tip_at(place, archive)?;
        Ok(Mark {
            device: self.branches.device_of(place.chain),
            seq: place.seq,
            tip: tip.ok_or(Error::damaged_index("ledgers"))?,
        })
    }

    /// Returns the place of an entry that is here.
    pub(super) fn place_of(&self, written: &Written) -> Result<Place, Error> {
        let mark = written.mark();
        let chain = match &self.names {
            Some(names) => names.chains.get(&mark).copied(),
            None => Some(ChainId::of(mark.device)),
        };
        Ok(Place {
            chain: chain.ok_or(Error::damaged_index("ledgers"))?,
            seq: mark.seq,
        })
    }

    /// Finds the place of an entry that is just its device's next, as nearly always, in a logbook where
    /// nobody's store was copied.
    pub(super) fn next(&self, entry: &View<'_>) -> Option<Place> {
        let chain = ChainId::of(entry.device);
        let next = match self.heads.get(chain) {
            Some(head) => (head.seq.next(), head.tip),
            None => (Seq::FIRST, Tip::NONE),
        };
        let is_next = self.branches.is_empty() && (entry.seq, entry.prev) == next;
        is_next.then_some(Place {
            chain,
            seq: entry.seq,
        })
    }

    /// Finds where an entry goes: it must follow one that is here, and all that its writer had seen
    /// must be here, too.
    pub(super) fn slot(&self, entry: &View<'_>, archive: &Archive<'_>) -> Result<Slot, Error> {
        if let Some(place) = self.next(entry) {
            return Ok(Slot::Next(place, self.causes(entry, archive)?));
        }
        let trunk = ChainId::of(entry.device);
        if self.find(entry.mark(), archive)?.is_some() {
            return Ok(Slot::Same);
        }
        let chain = match entry.seq.previous() {
            Some(seq) => {
                let before = Mark {
                    device: entry.device,
                    seq,
                    tip: entry.prev,
                };
                let gap = Error::Gap {
                    device: entry.device,
                    seq: entry.seq,
                };
                self.find(before, archive)?.ok_or(gap)?.chain
            }
            None if entry.prev == Tip::NONE => trunk,
            None => return Err(CodecError::Shape("a first entry follows another").into()),
        };
        let here = Place {
            chain,
            seq: entry.seq,
        };
        let gained = self.causes(entry, archive)?;
        let taken = self.tip_at(here, archive)?;
        let parting = (entry.device, entry.seq, entry.prev);
        let parting = self.branches.chosen_at(parting);
        Ok(match (parting, taken) {
            (None, None) => Slot::Next(here, gained),
            (Some(chosen), _) if chosen == entry.tip => Slot::Next(here, gained),
            _ => Slot::Branches,
        })
    }

    /// Returns what an entry's writer had gained; all that it had seen must be here, and all that it
    /// names.
    pub(super) fn causes(
        &self,
        entry: &View<'_>,
        archive: &Archive<'_>,
    ) -> Result<VersionVector, Error> {
        let mut gained = VersionVector::with_capacity(entry.count_gained());
        for mark in entry.gained() {
            let place = self.find(mark, archive)?;
            let place = place.ok_or_else(|| missing(entry, mark))?;
            self.branches.learn(&mut gained, place);
        }
        for mark in entry.named() {
            if self.find(mark, archive)?.is_none() {
                return Err(missing(entry, mark));
            }
        }
        Ok(gained)
    }

    /// Returns whether each of these entries just follows its device's last one, as nearly always.
    pub(super) fn is_gone_on_with<'a>(
        &self,
        mut entries: impl Iterator<Item = &'a Written>,
    ) -> bool {
        let mut last: BTreeMap<DeviceId, (Seq, Tip)> = BTreeMap::new();
        let follows = |written: &Written| {
            let entry = &written.entry;
            let before = last.insert(entry.device, (entry.seq, written.tip));
            let head = || {
                let head = self.heads.get(ChainId::of(entry.device))?;
                Some((head.seq, head.tip))
            };
            match before.or_else(head) {
                Some((seq, tip)) => entry.seq == seq.next() && entry.prev == tip,
                None => entry.seq == Seq::FIRST && entry.prev == Tip::NONE,
            }
        };
        self.branches.is_empty() && entries.all(follows)
    }

    /// Takes in an entry where [`Self::slot`] said that it goes on with a chain.
    pub(super) fn go_on(
        &mut self,
        entry: &View<'_>,
        place: Place,
        gained: &VersionVector,
        arrival: Arrival,
    ) {
        self.go_on_with(entry, place, gained, arrival, |before| {
            before.after(entry.raw)
        });
    }

    /// Takes in such an entry as [`Self::go_on`] does, but leaves its chain's link open: `nth` is its number
    /// in a write, which must see to [`Self::open_links`] before anybody reads the link. Returns the
    /// number of the entry before it over which the link does not lead yet.
    pub(super) fn go_on_open(
        &mut self,
        entry: &View<'_>,
        place: Place,
        gained: &VersionVector,
        arrival: Arrival,
        nth: usize,
    ) -> Option<usize> {
        self.go_on_with(entry, place, gained, arrival, |before| before);
        self.heads.leave_open(place.chain, nth)
    }

    /// Whether no link is left open.
    pub(super) fn is_linked(&self) -> bool {
        self.heads.are_closed()
    }

    /// Returns the links that were left open, each with the number of the first entry over which it is to
    /// be led.
    pub(super) fn open_links(&mut self) -> impl Iterator<Item = (&mut Link, usize)> {
        self.heads.close()
    }

    /// Goes on with an entry after which the chain's link is what `link` makes of the one before.
    fn go_on_with(
        &mut self,
        entry: &View<'_>,
        place: Place,
        gained: &VersionVector,
        arrival: Arrival,
        link: impl FnOnce(Link) -> Link,
    ) {
        self.learn_ids_of(entry, arrival);
        if let Some(names) = &mut self.names {
            names.chains.insert(entry.mark(), place.chain);
            names.tips.insert(place, entry.tip);
        }
        match self.heads.move_on(place.chain) {
            Some(head) => {
                head.seq = place.seq;
                head.tip = entry.tip;
                head.link = link(head.link);
                head.knew.learn_all(gained);
            }
            None => {
                let head = HeadRow {
                    seq: place.seq,
                    tip: entry.tip,
                    link: link(Link::origin(entry.logbook, entry.device)),
                    knew: gained.clone(),
                };
                self.heads.insert(place.chain, head);
            }
        }
    }

    /// Forgets tips that the archive has as well.
    pub(super) fn forget_tips(&mut self) {
        self.heads.forget_tips(MOST_TIPS, TIPS_OF_EACH);
    }

    /// Takes in an entry that just goes on with its device's one chain, whose link after it this is; says
    /// whether it does. The tips of all entries taken in are remembered, so that none is looked up.
    ///
    /// # Errors
    /// [`Error::MissingCause`] where its writer had one that was not taken in.
    pub(super) fn take_next(
        &mut self,
        entry: &View<'_>,
        arrival: Arrival,
        link: Link,
    ) -> Result<bool, Error> {
        match self.slot(entry, &Archive::empty(entry.logbook))? {
            Slot::Next(place, gained) => {
                self.go_on_with(entry, place, &gained, arrival, |_| link);
                Ok(true)
            }
            Slot::Same | Slot::Branches => Ok(false),
        }
    }

    /// Walks all entries of a logbook, in order of arrival.
    ///
    /// # Errors
    /// [`Error::Gap`] or [`Error::MissingCause`] where one does not follow those before it.
    pub(super) fn walk<'a>(
        logbook: LogbookId,
        entries: impl Iterator<Item = &'a Filed> + Clone,
    ) -> Result<Walk, Error> {
        Self::walk_linked(logbook, entries.map(|filed| (filed, None)))
    }

    /// Walks the same, each with its chain's link after it, where that is known.
    ///
    /// # Errors
    /// Those of [`Self::walk`].
    pub(super) fn walk_linked<'a>(
        logbook: LogbookId,
        entries: impl Iterator<Item = (&'a Filed, Option<Link>)> + Clone,
    ) -> Result<Walk, Error> {
        let partings = partings(entries.clone().map(|(filed, _)| &filed.written));
        let mut walk = Walk {
            ledger: Self::beginning(),
            placed: Vec::new(),
        };
        if !partings.is_empty() {
            for (parting, tip) in partings {
                walk.ledger.branches.choose(parting, tip);
            }
            walk.ledger.names = Some(Names::default());
        }
        let archive = Archive::empty(logbook);
        let mut knew: BTreeMap<Place, (Link, VersionVector)> = BTreeMap::new();
        for (filed, link) in entries {
            let (ledger, written) = (&mut walk.ledger, &filed.written);
            let view = written.view();
            let (place, mut gained) = match ledger.slot(&view, &archive)? {
                Slot::Same => return Err(Error::damaged_index("ledgers")),
                Slot::Next(place, gained) => (place, gained),
                Slot::Branches => {
                    let (id, branch) = ledger.branch(logbook, written)?;
                    let mut gained = ledger.causes(&view, &archive)?;
                    let before = branch.from.previous().map(|seq| Place {
                        chain: branch.of,
                        seq,
                    });
                    ledger.branches.begin(id, branch);
                    if let Some((link, known)) = before.and_then(|before| knew.get(&before)) {
                        gained.learn_all(known);
                        before.iter().for_each(|before| {
                            ledger.branches.learn(&mut gained, *before);
                        });
                        // As if its first entry followed there, and nothing of its own were known.
                        let head = HeadRow {
                            seq: branch.from,
                            tip: written.tip,
                            link: *link,
                            knew: VersionVector::new(),
                        };
                        ledger.heads.insert(id, head);
                    }
                    let place = Place {
                        chain: id,
                        seq: branch.from,
                    };
                    (place, gained)
                }
            };
            ledger.go_on_with(&view, place, &gained, filed.arrival, |before| {
                link.unwrap_or_else(|| before.after(view.raw))
            });
            if ledger.names.is_some()
                && let Some(head) = ledger.heads.get(place.chain)
            {
                knew.insert(place, (head.link, head.knew.clone()));
            }
            walk.placed.push((place, core::mem::take(&mut gained)));
        }
        Ok(walk)
    }

    /// The branch that an entry begins.
    fn branch(
        &mut self,
        logbook: LogbookId,
        written: &Written,
    ) -> Result<(ChainId, Branch), Error> {
        let entry = &written.entry;
        let chain = match entry.seq.previous() {
            Some(seq) => {
                let before = Mark {
                    device: entry.device,
                    seq,
                    tip: entry.prev,
                };
                let names = self.names.as_ref();
                names.and_then(|names| names.chains.get(&before)).copied()
            }
            None => Some(ChainId::of(entry.device)),
        };
        let chain = chain.ok_or(Error::damaged_index("ledgers"))?;
        let standing = &mut self.branches;
        match standing.standing(logbook, written.mark(), entry.prev, chain, None) {
            Standing::Begins(id, branch) => Ok((id, branch)),
            Standing::GoesOn | Standing::TakesOver => Err(Error::damaged_index("ledgers")),
        }
    }
}

/// Where chains part, and the smallest tip there, which goes on with the chain's id.
fn partings<'a>(entries: impl Iterator<Item = &'a Written> + Clone) -> BTreeMap<Parting, Tip> {
    if Ledger::default().is_gone_on_with(entries.clone()) {
        return BTreeMap::new();
    }
    let mut following: BTreeMap<Parting, BTreeSet<Tip>> = BTreeMap::new();
    for written in entries {
        let tips = following.entry(parting(&written.entry)).or_default();
        tips.insert(written.tip);
    }
    following.retain(|_, tips| tips.len() > 1);
    following
        .into_iter()
        .filter_map(|(parting, tips)| Some((parting, tips.first().copied()?)))
        .collect()
}

fn parting(entry: &Entry) -> Parting {
    (entry.device, entry.seq, entry.prev)
}

fn missing(by: &View<'_>, mark: Mark) -> Error {
    Error::MissingCause {
        by: by.device,
        device: mark.device,
        seq: mark.seq,
    }
}
