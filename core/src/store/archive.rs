//! The entries themselves, as they lie in blocks and after them: read in order, or found one by one.

use std::cell::{OnceCell, RefCell};
use std::collections::BTreeMap;
use std::sync::Arc;

use redb::{Key, ReadOnlyTable, ReadTransaction, TableDefinition, Value};

use super::Error;
use super::balances::{Balanced, Balances};
use super::block::{self, Block};
use super::bunch::{self, Bunched, Lie};
use super::bundles::Pages;
use super::filed::Filed;
use super::found::Spoken;
use super::histories::Histories;
use super::known::KnownIds;
use super::stretches::NEVER;
use super::tables::{self, BLOCKS, BUNCHES, IDS};
use super::tail::Tail;
use crate::log::chain::Tip;
use crate::log::columns::{self, Listener};
use crate::log::id::{Arrival, DeviceId, LogbookId, Seq, ThingId};
use crate::log::stamp::Stamp;
use crate::log::view::View;
use crate::merge::lately::Lately;

/// All that is held, at one moment.
pub(super) struct Shelves {
    txn: Arc<ReadTransaction>,
    blocks: Late<&'static [u8; 24], &'static [u8]>,
    bunches: Late<&'static [u8; 24], &'static [u8]>,
    bunched: Arc<Bunched>,
    ids: Late<&'static [u8; 16], &'static [u8]>,
    pages: Pages,
    balances: OnceCell<Balances>,
    tail: Arc<Tail>,
    // Those of entries that were looked up.
    tips: RefCell<BTreeMap<(LogbookId, DeviceId, Seq), Tip>>,
}

impl Shelves {
    pub(super) fn open(
        txn: &Arc<ReadTransaction>,
        tail: Arc<Tail>,
        bunched: Arc<Bunched>,
        pages: Pages,
    ) -> Self {
        Self {
            txn: Arc::clone(txn),
            blocks: Late::of(BLOCKS),
            bunches: Late::of(BUNCHES),
            bunched,
            ids: Late::of(IDS),
            pages,
            balances: OnceCell::new(),
            tail,
            tips: RefCell::default(),
        }
    }

    /// Returns one logbook's part.
    pub(super) const fn of(&self, logbook: LogbookId) -> Archive<'_> {
        Archive {
            logbook,
            shelves: Some(self),
        }
    }

    /// Returns the ids that a logbook's blocks name, if that is kept.
    pub(super) fn ids(&self, logbook: LogbookId) -> Result<Option<KnownIds>, Error> {
        let row = self.ids.open(&self.txn)?.get(logbook.bytes())?;
        row.map(|row| KnownIds::read(logbook, row.value()))
            .transpose()
    }

    /// Returns what a logbook's blocks of long ago come to, if that is kept.
    pub(super) fn balanced(
        &self,
        logbook: LogbookId,
        then: Option<(&Histories, Stamp)>,
    ) -> Result<Option<Balanced>, Error> {
        self.balances()?.of(logbook, then)
    }

    /// Returns the same of the fields of one thing alone.
    pub(super) fn balanced_thing(
        &self,
        logbook: LogbookId,
        thing: ThingId,
        until: Option<Stamp>,
    ) -> Result<Option<Balanced>, Error> {
        let then = (&Histories::open(&self.txn)?, until.unwrap_or(NEVER));
        self.balances()?.of_thing(logbook, thing, then)
    }

    /// Returns what was written of a logbook since, if that is enough to go on from there; and counts the
    /// entries of both.
    pub(super) fn lately(
        &self,
        logbook: LogbookId,
        entries: u64,
    ) -> Result<Option<(Lately, u64)>, Error> {
        self.balances()?.lately(logbook, &self.of(logbook), entries)
    }

    /// What the blocks of long ago come to.
    pub(super) fn balances(&self) -> Result<&Balances, Error> {
        if let Some(open) = self.balances.get() {
            return Ok(open);
        }
        let open = Balances::open(&self.txn, self.pages)?;
        Ok(self.balances.get_or_init(|| open))
    }

    pub(super) fn tail(&self) -> &Tail {
        &self.tail
    }
}

/// A table that is opened by who first reads in it: that reads a page.
pub(super) struct Late<K: Key + 'static, V: Value + 'static> {
    of: TableDefinition<'static, K, V>,
    open: OnceCell<ReadOnlyTable<K, V>>,
}

impl<K: Key + 'static, V: Value + 'static> Late<K, V> {
    pub(super) const fn of(of: TableDefinition<'static, K, V>) -> Self {
        Self {
            of,
            open: OnceCell::new(),
        }
    }

    pub(super) fn open(&self, txn: &ReadTransaction) -> Result<&ReadOnlyTable<K, V>, Error> {
        if let Some(open) = self.open.get() {
            return Ok(open);
        }
        let open = txn.open_table(self.of)?;
        Ok(self.open.get_or_init(|| open))
    }
}

/// One logbook's entries.
#[derive(Clone, Copy)]
pub(super) struct Archive<'a> {
    logbook: LogbookId,
    shelves: Option<&'a Shelves>,
}

impl<'a> Archive<'a> {
    /// Holds nothing, for a walk that goes through all entries itself.
    pub(super) const fn empty(logbook: LogbookId) -> Self {
        Self {
            logbook,
            shelves: None,
        }
    }

    /// Does `with` each block's row whose first entry came within a range of arrivals, from the last to
    /// the first or the other way, until it returns something.
    fn search<T>(
        &self,
        (from, to): (u64, u64),
        backwards: bool,
        mut with: impl FnMut(&[u8; 24], &[u8]) -> Result<Option<T>, Error>,
    ) -> Result<Option<T>, Error> {
        let Some(shelves) = self.shelves else {
            return Ok(None);
        };
        let mut places = shelves.bunched.lie(self.logbook, (from, to));
        if backwards {
            places.reverse();
        }
        for place in places {
            let found = match place {
                Lie::Blocks(from, to) => {
                    let blocks = shelves.blocks.open(&shelves.txn)?;
                    self.search_blocks(blocks, (from, to), backwards, &mut with)?
                }
                Lie::Bunch(stretch) => {
                    let bunches = shelves.bunches.open(&shelves.txn)?;
                    bunch::find(bunches, stretch, self.logbook, |key, row| {
                        let (_, first) = block::ids(key);
                        match (from..=to).contains(&first.0) {
                            true => with(key, row),
                            false => Ok(None),
                        }
                    })?
                }
            };
            if found.is_some() {
                return Ok(found);
            }
        }
        Ok(None)
    }

    /// The same among those that lie in no bunch.
    fn search_blocks<T>(
        &self,
        blocks: &ReadOnlyTable<&'static [u8; 24], &'static [u8]>,
        (from, to): (u64, u64),
        backwards: bool,
        with: &mut impl FnMut(&[u8; 24], &[u8]) -> Result<Option<T>, Error>,
    ) -> Result<Option<T>, Error> {
        let key = |arrival| block::key(self.logbook, Arrival(arrival));
        let (from, to) = (key(from), key(to));
        let mut rows = blocks.range::<&[u8; 24]>(&from..=&to)?;
        loop {
            let row = if backwards {
                rows.next_back()
            } else {
                rows.next()
            };
            let Some(row) = row else { return Ok(None) };
            let (key, row) = row?;
            let found = with(key.value(), row.value())?;
            if found.is_some() {
                return Ok(found);
            }
        }
    }

    /// Does `with` each block, whole or not, in order.
    pub(super) fn each_block(
        &self,
        mut with: impl FnMut(Result<Block<'_>, Error>) -> Result<(), Error>,
    ) -> Result<(), Error> {
        let all = (0, u64::MAX);
        self.search(all, false, |key, row| {
            with(Block::read(key, row)).map(|()| None::<()>)
        })?;
        Ok(())
    }

    /// Does `with` each block from the last to the first, until it says that this was enough.
    ///
    /// # Errors
    /// [`Error::DamagedEntry`] where a block is not what was written, and those of `with`.
    pub(super) fn each_block_backwards(
        &self,
        mut with: impl FnMut(Block<'_>) -> Result<bool, Error>,
    ) -> Result<(), Error> {
        self.search((0, u64::MAX), true, |key, row| {
            let is_enough = with(Block::read(key, row)?)?;
            Ok(is_enough.then_some(()))
        })?;
        Ok(())
    }

    /// Does `with` the blocks of this logbook in a stretch of arrivals that groups bound.
    pub(super) fn each_block_within(
        &self,
        (after, to): (Arrival, Arrival),
        mut with: impl FnMut(Block<'_>) -> Result<(), Error>,
    ) -> Result<(), Error> {
        self.search((after.0 + 1, to.0), false, |key, row| {
            with(Block::read(key, row)?).map(|()| None::<()>)
        })?;
        Ok(())
    }

    /// Returns the entries of the first block that begins at an arrival or after it, and where it begins.
    ///
    /// # Errors
    /// [`Error::DamagedEntry`] where one is not what was written.
    pub(super) fn first_from(&self, from: Arrival) -> Result<Option<(Arrival, Vec<Filed>)>, Error> {
        self.search((from.0, u64::MAX), false, |key, row| {
            let block = Block::read(key, row)?;
            Ok(Some((block.first, block.entries()?)))
        })
    }

    /// Returns those entries that lie in no block.
    pub(super) fn tail(&self) -> impl Iterator<Item = &'a Arc<Filed>> + use<'a> {
        let shelves = self.shelves.into_iter();
        let logbook = self.logbook;
        shelves.flat_map(move |shelves| shelves.tail.of(logbook))
    }

    /// Returns the entries in blocks, in order of arrival.
    ///
    /// # Errors
    /// [`Error::DamagedEntry`] where one is not what was written.
    pub(super) fn settled(&self) -> Result<Vec<Filed>, Error> {
        let mut all = Vec::new();
        self.each_block(|block| {
            all.append(&mut block?.entries()?);
            Ok(())
        })?;
        Ok(all)
    }

    /// Returns all entries, in order of arrival.
    ///
    /// # Errors
    /// [`Error::DamagedEntry`] where one is not what was written.
    pub(super) fn entries(&self) -> Result<Vec<Filed>, Error> {
        let mut all = self.settled()?;
        all.extend(self.tail().map(|filed| Filed::clone(filed)));
        Ok(all)
    }

    /// Tells what entries say that came after an arrival, in order, but not which entry each of them
    /// follows; returns how many they are. No block reaches from before that arrival to after it. Where
    /// they are as many as `expected`, no further page is read to see that there are no more.
    ///
    /// # Errors
    /// [`Error::DamagedEntry`] where one is not what was written.
    pub(super) fn tell(
        &self,
        after: Arrival,
        expected: u64,
        listener: &mut impl Listener,
    ) -> Result<u64, Error> {
        let tail = || self.tail().filter(|filed| filed.arrival > after);
        let in_blocks = expected.saturating_sub(tail().count() as u64);
        let mut told = 0;
        if in_blocks > 0 {
            self.search((after.0 + 1, u64::MAX), false, |key, row| {
                told += block::tell(key, row, listener)? as u64;
                Ok((told >= in_blocks).then_some(()))
            })?;
        }
        for filed in tail() {
            columns::tell(&filed.written.entry, listener);
            told += 1;
        }
        Ok(told)
    }

    /// Returns the entries of a device under a number: one, or several where its chain has branches.
    ///
    /// # Errors
    /// [`Error::DamagedEntry`] where one is not what was written.
    pub(super) fn entries_under(&self, device: DeviceId, seq: Seq) -> Result<Vec<Filed>, Error> {
        let is_it = |filed: &Filed| {
            let entry = &filed.written.entry;
            (entry.device, entry.seq) == (device, seq)
        };
        let mut all = Vec::new();
        self.each_block(|block| {
            let block = block?;
            if block.may_hold(device, seq) {
                all.extend(block.entries()?.into_iter().filter(is_it));
            }
            Ok(())
        })?;
        let tail = self.tail().filter(|filed| is_it(filed));
        all.extend(tail.map(|filed| Filed::clone(filed)));
        Ok(all)
    }

    /// Returns the entry of a device under a number, where no chain has branches; lets `spoken` hear what is
    /// said of entries from it on, and perhaps before.
    ///
    /// # Errors
    /// [`Error::DamagedEntry`] where an entry from it on is not what was written.
    pub(super) fn entry_and_since(
        &self,
        device: DeviceId,
        seq: Seq,
        spoken: &mut Spoken,
    ) -> Result<Option<Filed>, Error> {
        let is_it = |filed: &Filed| {
            let entry = &filed.written.entry;
            (entry.device, entry.seq) == (device, seq)
        };
        for filed in self.tail() {
            spoken.hear(&filed.written.entry.changes);
        }
        if let Some(found) = self.tail().find(|filed| is_it(filed)) {
            return Ok(Some(Filed::clone(found)));
        }
        self.search((0, u64::MAX), true, |key, row| {
            let block = Block::read(key, row)?;
            if !block.may_hold(device, seq) {
                block.tell(spoken)?;
                return Ok(None);
            }
            let entries = block.entries()?;
            for filed in &entries {
                spoken.hear(&filed.written.entry.changes);
            }
            Ok(entries.into_iter().find(is_it))
        })
    }

    /// Returns the tip of the entry of a device under a number, where no chain has branches. Whoever
    /// asks for one mostly asks for its neighbours next, so a block is unpacked once.
    ///
    /// # Errors
    /// [`Error::DamagedEntry`] where an entry near it is not what was written.
    pub(super) fn tip_under(&self, device: DeviceId, seq: Seq) -> Result<Option<Tip>, Error> {
        let Some(shelves) = self.shelves else {
            return Ok(None);
        };
        let key = (self.logbook, device, seq);
        if let Some(tip) = shelves.tips.borrow().get(&key) {
            return Ok(Some(*tip));
        }
        let mut tips = shelves.tips.borrow_mut();
        let mut learn = |filed: &Filed| {
            let entry = &filed.written.entry;
            tips.insert((entry.logbook, entry.device, entry.seq), filed.written.tip);
        };
        let is_it = |filed: &&Arc<Filed>| {
            let entry = &filed.written.entry;
            (entry.device, entry.seq) == (device, seq)
        };
        if self.tail().any(|filed| is_it(&filed)) {
            self.tail().for_each(|filed| learn(filed));
        } else {
            // What others name lies near the end.
            self.search((0, u64::MAX), true, |key, row| {
                let block = Block::read(key, row)?;
                if !block.may_hold(device, seq) {
                    return Ok(None);
                }
                block.entries()?.iter().for_each(&mut learn);
                Ok(Some(()))
            })?;
        }
        Ok(tips.get(&key).copied())
    }
}

/// Returns the entries of a table's rows that are whole, and the arrivals of those that are not.
pub(super) fn tail_of(
    rows: &impl redb::ReadableTable<u64, &'static [u8]>,
) -> Result<(Tail, Vec<Arrival>), Error> {
    let (mut tail, mut damaged) = (Tail::default(), Vec::new());
    for row in rows.iter()? {
        let (key, row) = row?;
        let arrival = Arrival(key.value());
        let entry = tables::entry_parts(arrival, row.value())
            .and_then(|(arrived, raw)| Ok((arrived, View::read(raw)?)));
        match entry {
            Ok((arrived, entry)) => tail.push(&entry, arrival, arrived),
            Err(_) => damaged.push(arrival),
        }
    }
    Ok((tail, damaged))
}
