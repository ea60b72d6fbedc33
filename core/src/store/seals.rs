//! The seals of devices: kept with the entries that they cover, and given on with them.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

use foldhash::fast::RandomState;
use redb::{ReadTransaction, ReadableTable};

use super::archive::Late;
use super::reading::Reading;
use super::tables::{self, SEALS};
use super::unsorted::{Of, Unsorted};
use super::writing::Writing;
use super::{Error, Store};
use crate::log::chain::Link;
use crate::log::codec;
use crate::log::id::{ChainId, DeviceId, LogbookId, Seq};
use crate::log::seal::{Keys, Seal};
use crate::log::sheaf::{End, Sheaf};
use crate::log::view::View;

/// Seals that were checked, each with the chains that it is one of.
pub(super) type Checked = Vec<(Of, Arc<Seal>)>;

/// Returns the seals alone.
pub(super) fn alone(seals: Checked) -> Vec<Seal> {
    let seals = seals.into_iter();
    seals.map(|(_, seal)| Arc::unwrap_or_clone(seal)).collect()
}

/// How far devices say that their chains go, not checked yet.
pub(super) struct Claimed<'a> {
    up_to: HashMap<Of, Seq, RandomState>,
    keys: Keys,
    checked: Checked,
    // Their sheaves, written whole.
    whole: Vec<u8>,
    /// Those that can be checked when the entries are there.
    open: Vec<(DeviceId, &'a Sheaf)>,
}

impl<'a> Claimed<'a> {
    /// Reads whose seals these are, with keys that may know some, and checks those that tell all that they
    /// cover.
    ///
    /// # Errors
    /// [`Error::ForgedSeal`].
    pub(super) fn by(sheaves: &'a [Sheaf], keys: Keys) -> Result<Self, Error> {
        let mut claimed = Self {
            up_to: HashMap::default(),
            keys,
            checked: Checked::new(),
            whole: Vec::new(),
            open: Vec::new(),
        };
        for sheaf in sheaves {
            let device = claimed.keys.device(&sheaf.key);
            let device = device.ok_or_else(|| forged(sheaf))?;
            for end in sheaf.ends() {
                let up_to = claimed.up_to.entry((end.logbook, device));
                let up_to = up_to.or_insert(end.seq);
                *up_to = end.seq.max(*up_to);
            }
            if sheaf.ends().any(|end| end.link.is_none()) {
                claimed.open.push((device, sheaf));
            } else {
                claimed.take(device, sheaf, |end| {
                    end.link.ok_or(Error::damaged_index("seals"))
                })?;
            }
        }
        Ok(claimed)
    }

    fn take(
        &mut self,
        device: DeviceId,
        sheaf: &Sheaf,
        link: impl FnMut(&End) -> Result<Link, Error>,
    ) -> Result<(), Error> {
        let seals = sheaf.checked(device, &mut self.keys, link)?;
        let seals = seals.ok_or_else(|| forged(sheaf))?;
        sheaf.write_whole(&seals, &mut self.whole);
        let seals = seals.into_iter();
        let seals = seals.map(|seal| ((seal.logbook, device), Arc::new(seal)));
        self.checked.extend(seals);
        Ok(())
    }

    /// Whether an entry's device says of itself that its chain goes at least that far.
    pub(super) fn reach(&self, entry: &View<'_>) -> bool {
        let up_to = self.up_to.get(&(entry.logbook, entry.device));
        up_to.is_some_and(|up_to| *up_to >= entry.seq)
    }

    /// Checks the other seals, now that the entries that came with them are there, and keeps all, each
    /// instead of those that reach less far on its chain; returns those that are new.
    ///
    /// # Errors
    /// [`Error::ForgedSeal`]; [`Error::Gap`] where a chain does not end here as the device says.
    pub(super) fn keep(mut self, writing: &mut Writing<'_>) -> Result<Checked, Error> {
        for (device, sheaf) in core::mem::take(&mut self.open) {
            self.take(device, sheaf, |end| link_at(writing, device, end))?;
        }
        // Those that reach farther take the place of those that do not, in whatever order they came.
        self.checked.sort_by_key(|(of, seal)| (*of, seal.seq));
        writing.give_back(self.keys);
        keep(writing, self.checked, &self.whole)
    }
}

fn forged(sheaf: &Sheaf) -> Error {
    let seq = sheaf.ends().next().map_or(Seq::FIRST, |end| end.seq);
    Error::ForgedSeal { seq }
}

/// The link at the end of a device's chain, where that follows from the entries.
fn link_at(writing: &mut Writing<'_>, device: DeviceId, end: &End) -> Result<Link, Error> {
    let ledger = writing.look(end.logbook)?;
    let chains = ledger.branches().chains_of(device);
    let mut heads = chains.filter_map(|chain| ledger.head(chain));
    let found = heads.find(|head| head.seq == end.seq);
    found.map(|head| head.link).ok_or(Error::Gap {
        device,
        seq: end.seq,
    })
}

/// Keeps seals, of which these are the sheaves.
fn keep(writing: &mut Writing<'_>, seals: Checked, whole: &[u8]) -> Result<Checked, Error> {
    let many = seals.len();
    let (new, are_last) = new(writing, seals)?;
    if !new.is_empty() {
        let are_ends = are_last && all_are_ends(writing, &new)?;
        let (unsorted, txn) = writing.unsorted()?;
        if are_ends && unsorted.has_room_for(&new) {
            if new.len() == many {
                unsorted.keep(txn, &new, whole)?;
            } else {
                let seals = new.iter().map(|(_, seal)| &**seal);
                let sheaves = Sheaf::gather(seals, |_| false);
                unsorted.keep(txn, &new, &Sheaf::write(&sheaves, &[]))?;
            }
        } else {
            unsorted.sort(txn)?;
            sort_in(writing, &new)?;
        }
    }
    Ok(new)
}

/// Those of the seals that are not kept yet, and whether none of them lies behind one that is sorted.
fn new(writing: &mut Writing<'_>, seals: Checked) -> Result<(Checked, bool), Error> {
    let (unsorted, txn) = writing.look_at_unsorted()?;
    let (mut sorted, mut are_last) = (None, true);
    let mut new = Checked::with_capacity(seals.len());
    for (of, seal) in seals {
        let is_kept = match unsorted.keeps(of, &seal) {
            Some(is_kept) => is_kept,
            None => {
                let sorted = match &mut sorted {
                    Some(sorted) => sorted,
                    none => none.insert(txn.open_table(SEALS)?),
                };
                let key = tables::seal_key(of.1, &seal);
                let (_, end) = tables::range::<72>(&[of.0.bytes(), of.1.bytes()]);
                let next = sorted.range::<&[u8; 72]>(&key..=&end)?.next();
                let next = next.transpose()?.map(|(next, _)| *next.value());
                are_last &= next.is_none_or(|next| next == key);
                next == Some(key)
            }
        };
        if !is_kept {
            new.push((of, seal));
        }
    }
    Ok((new, are_last))
}

/// Whether each is the end of a device's only chain in its logbook.
fn all_are_ends(writing: &mut Writing<'_>, seals: &Checked) -> Result<bool, Error> {
    for ((_, device), seal) in seals {
        let ledger = writing.look(seal.logbook)?;
        let head = ledger.head(ChainId::of(*device));
        let is_end = head.is_some_and(|head| head.link == seal.link);
        if !is_end || !ledger.branches().is_empty() {
            return Ok(false);
        }
    }
    Ok(true)
}

/// Keeps seals among those that are sorted, which all others are.
fn sort_in(writing: &mut Writing<'_>, seals: &Checked) -> Result<(), Error> {
    let mut ends = Vec::with_capacity(seals.len());
    for ((_, device), seal) in seals {
        ends.push(self::ends(writing, seal.logbook, *device)?);
    }
    let mut table = writing.txn.open_table(SEALS)?;
    for (((_, device), seal), ends) in seals.iter().zip(ends) {
        let key = tables::seal_key(*device, seal);
        table.insert(&key, tables::seal_row(seal).as_slice())?;
        if ends.contains(&seal.link) {
            let (from, _) = tables::range::<72>(&[seal.logbook.bytes(), device.bytes()]);
            table.retain_in::<&[u8; 72], _>(&from..&key, |key, row| {
                tables::seal_link(key, row).is_some_and(|link| ends.contains(&link))
            })?;
        } // else it reaches beyond what has come so far
    }
    Ok(())
}

/// The links at the ends of a device's chains.
fn ends(
    writing: &mut Writing<'_>,
    logbook: LogbookId,
    device: DeviceId,
) -> Result<Vec<Link>, Error> {
    let ledger = writing.look(logbook)?;
    let heads = ledger.branches().chains_of(device);
    let heads = heads.filter_map(|chain| ledger.head(chain));
    Ok(heads.map(|head| head.link).collect())
}

/// Returns all seals that are kept, by logbook and device.
pub(super) fn all(
    txn: &ReadTransaction,
    unsorted: &Unsorted,
) -> Result<BTreeMap<Of, Vec<Seal>>, Error> {
    let mut all: BTreeMap<_, Vec<_>> = BTreeMap::new();
    for row in txn.open_table(SEALS)?.iter()? {
        let (key, row) = row?;
        let (device, seal) = tables::seal(key.value(), row.value())?;
        all.entry((seal.logbook, device)).or_default().push(seal);
    }
    for (of, last) in unsorted.in_order() {
        all.insert(of, vec![last.clone()]);
    }
    Ok(all)
}

impl Store {
    /// Returns the seals of the devices whose entries these are; this store's own device seals its
    /// chains as they stand.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn seals(&self, batch: &[Vec<u8>]) -> Result<Vec<Seal>, Error> {
        let writers: BTreeSet<_> = batch
            .iter()
            .map(|raw| codec::peek(raw))
            .collect::<Result<_, _>>()?;
        Ok(alone(self.seals_of(&self.reading()?, writers)?))
    }

    /// Returns the seals of these devices in these logbooks.
    pub(super) fn seals_of(
        &self,
        reading: &Reading<'_>,
        writers: impl IntoIterator<Item = Of>,
    ) -> Result<Checked, Error> {
        let writer = self.writer();
        let (sorted, mut unsorted) = (Late::of(SEALS), None);
        let (mut seals, mut own) = (Checked::new(), Vec::new());
        for (logbook, device) in writers {
            if device == writer.device() && !writer.in_use_elsewhere {
                let ledger = reading.ledger(logbook)?;
                if let Some(head) = ledger.head(ChainId::of(device)) {
                    own.push((seals.len(), (logbook, head.seq, head.link)));
                }
                continue;
            }
            let of = (logbook, device);
            let unsorted = match &mut unsorted {
                Some(unsorted) => unsorted,
                none => none.insert(reading.unsorted()?),
            };
            if let Some(last) = unsorted.last(of) {
                seals.push((of, Arc::clone(last)));
                continue;
            }
            let sorted = sorted.open(&reading.txn)?;
            let (from, to) = tables::range::<72>(&[logbook.bytes(), device.bytes()]);
            for row in sorted.range::<&[u8; 72]>(&from..=&to)? {
                let (key, row) = row?;
                let (_, seal) = tables::seal(key.value(), row.value())?;
                seals.push((of, Arc::new(seal)));
            }
        }
        // Each stands where it would if it were kept, so that all stores tell them in one order.
        let (places, ends): (Vec<_>, Vec<_>) = own.into_iter().unzip();
        let own = places.into_iter().zip(writer.key().seal_all(&ends));
        for (place, seal) in own.rev() {
            seals.insert(place, ((seal.logbook, writer.device()), Arc::new(seal)));
        }
        Ok(seals)
    }

    /// Seals every chain of the store's own device, before its key is given up.
    pub(super) fn seal_own(&self, writing: &mut Writing<'_>) -> Result<(), Error> {
        let writer = self.writer();
        let chain = ChainId::of(writer.device());
        let mut own = Vec::new();
        for logbook in writing.logbooks()? {
            if let Some(head) = writing.look(logbook)?.head(chain) {
                own.push((logbook, head.seq, head.link));
            }
        }
        let seals = writer.key().seal_all(&own);
        let whole = Sheaf::write(&Sheaf::gather(&seals, |_| false), &[]);
        let seals = seals.into_iter();
        let seals = seals.map(|seal| ((seal.logbook, writer.device()), Arc::new(seal)));
        keep(writing, seals.collect(), &whole)?;
        Ok(())
    }
}
