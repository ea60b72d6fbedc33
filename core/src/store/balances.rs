//! What a logbook's blocks that are packed tight come to: its registers, and its observations packed, so
//! that a logbook is told from there on however long it has become.
//!
//! Packing makes a balance, out of the one before and what is packed now. A logbook in which a
//! device's chain has branches has none, and is folded.

use core::ops::Range;
use std::collections::{BTreeMap, BTreeSet};

use redb::{ReadOnlyTable, ReadTransaction, ReadableTable, Table, WriteTransaction};

use super::Error;
use super::archive::{Archive, Shelves};
use super::block;
use super::bundles::{Bundled, LAST_PIECE, Pages, Rows, bundle, copied, kept, key, pieces};
use super::entering::Entering;
use super::histories::Histories;
use super::said::{Asked, Heard, Hearing};
use super::tables::{self, BALANCES};
use crate::log::codec::CodecError;
use crate::log::id::{Arrival, LogbookId, ThingId};
use crate::log::shapes::{Scan, number, sized};
use crate::log::stamp::Stamp;
use crate::merge::balance::{self, Balance, Chain};
use crate::merge::bundle::Bundle;
use crate::merge::fold::Fold;
use crate::merge::history;
use crate::merge::lately::Lately;
use crate::merge::replay::State;

/// Where the registers stand; every entry came after it.
const REGISTERS: Arrival = Arrival(0);
/// How many times as large a bundle may be to become one with the one after it.
const MERGED: u64 = 4;

/// What a logbook came to.
pub(super) struct Balanced {
    title: Title,
    /// From where to go on: now, or at a moment that is asked for.
    pub(super) base: Balance,
    bundles: Vec<Bundle>,
}

impl Balanced {
    /// Counts the entries that are in it.
    pub(super) const fn entries(&self) -> u64 {
        self.title.entries
    }

    /// Tells what came after it; returns how many entries that is, of which so many are expected. None
    /// where hubs or dispatchers said something since of an entry that is in it: what they said before, it
    /// knows.
    pub(super) fn tell_since(
        &self,
        archive: &Archive<'_>,
        expected: u64,
        hearing: &mut Hearing,
    ) -> Result<Option<u64>, Error> {
        tell_since(&self.title, &self.base.chains, archive, expected, hearing)
    }

    /// Puts the observations of the balance into a state.
    pub(super) fn put_observations(&self, asked: Asked, state: &mut State) {
        for bundle in &self.bundles {
            state.put_bundle(bundle, asked.thing, asked.until);
        }
    }
}

fn tell_since(
    title: &Title,
    chains: &[Chain],
    archive: &Archive<'_>,
    expected: u64,
    hearing: &mut Hearing,
) -> Result<Option<u64>, Error> {
    let told = archive.tell(title.up_to, expected, hearing)?;
    let is_late = hearing.spoken_of().any(|of| balance::includes(chains, of));
    Ok((!is_late).then_some(told))
}

/// What stands at arrival zero before the registers, and with the chains is the head of a balance.
#[derive(Debug, Clone)]
struct Title {
    /// Up to when all that came is in it, so that nobody looks for more there.
    up_to: Arrival,
    /// How many are in it.
    entries: u64,
    bundles: Vec<Bundled>,
}

impl Title {
    /// Of no entry.
    const BEGINNING: Self = Self {
        up_to: Arrival(0),
        entries: 0,
        bundles: Vec::new(),
    };

    fn put(&self, out: &mut Vec<u8>) {
        number(out, self.up_to.0);
        number(out, self.entries);
        number(out, self.bundles.len() as u64);
        for bundled in &self.bundles {
            number(out, bundled.from.0);
            number(out, bundled.many);
            number(out, bundled.length);
        }
    }

    fn read(left: &mut Scan<'_>) -> Result<Self, CodecError> {
        Ok(Self {
            up_to: Arrival(left.number()?),
            entries: left.number()?,
            bundles: left.items(|left| {
                Ok(Bundled {
                    from: Arrival(left.number()?),
                    many: left.number()?,
                    length: left.number()?,
                })
            })?,
        })
    }
}

/// The table, where the file has it.
pub(super) struct Balances(Option<ReadOnlyTable<Rows, &'static [u8]>>, Pages);

impl Balances {
    pub(super) fn open(txn: &ReadTransaction, pages: Pages) -> Result<Self, Error> {
        // Where a version made the file that kept none, there is none.
        Ok(Self(tables::if_there(txn, BALANCES)?, pages))
    }

    /// Whether every row, also of histories, is one of those that [`Self::of`] reads of these logbooks.
    pub(super) fn are_all_of(
        &self,
        histories: &Histories,
        logbooks: &BTreeSet<LogbookId>,
    ) -> Result<bool, Error> {
        let mut titles = BTreeMap::new();
        for row in self.0.iter().map(ReadableTable::iter) {
            for row in row? {
                let (key, row) = row?;
                let of = key.value().first_chunk().expect("24 of 26 bytes");
                let (logbook, from) = block::ids(of);
                if from == REGISTERS {
                    let Ok(head) = head(key.value(), row.value()) else {
                        return Ok(false);
                    };
                    titles.insert(logbook, head.parts.0);
                }
                let is_named = titles.get(&logbook).is_some_and(|title: &Title| {
                    from == REGISTERS || title.bundles.iter().any(|one| one.from == from)
                });
                if !is_named || !logbooks.contains(&logbook) {
                    return Ok(false);
                }
            }
        }
        histories.are_all_of(|logbook| titles.contains_key(&logbook))
    }

    /// Reads what is kept of a logbook, to tell what it said at a moment if one is named.
    ///
    /// # Errors
    /// [`Error::DamagedIndex`] where it is not what was written.
    pub(super) fn of(
        &self,
        logbook: LogbookId,
        then: Option<(&Histories, Stamp)>,
    ) -> Result<Option<Balanced>, Error> {
        let Some(rows) = &self.0 else { return Ok(None) };
        let key = key(logbook, REGISTERS, 0);
        let Some(row) = rows.get(&key)? else {
            return Ok(None);
        };
        let (title, base) = match then {
            None => registers(&key, row.value())?,
            Some((histories, until)) => {
                let (title, chains) = head(&key, row.value())?.parts;
                (title, histories.as_of(logbook, chains, until)?)
            }
        };
        let bundles = title.bundles.iter();
        let bundles = bundles.map(|&bundled| match self.1 {
            Pages::Kept => bundle(bundled, kept(rows, logbook, bundled.from)?),
            Pages::Copied => bundle(bundled, copied(rows, logbook, bundled.from)?),
        });
        Ok(Some(Balanced {
            bundles: bundles.collect::<Result<_, _>>()?,
            title,
            base,
        }))
    }

    /// Reads what is kept of the fields of one thing up to a moment, and no more: it takes as long however much is said of
    /// others.
    ///
    /// # Errors
    /// Those of [`Self::of`].
    pub(super) fn of_thing(
        &self,
        logbook: LogbookId,
        thing: ThingId,
        (histories, until): (&Histories, Stamp),
    ) -> Result<Option<Balanced>, Error> {
        let Some(rows) = &self.0 else { return Ok(None) };
        let key = key(logbook, REGISTERS, 0);
        let Some(row) = rows.get(&key)? else {
            return Ok(None);
        };
        let (title, chains) = head(&key, row.value())?.parts;
        let stretch = histories.stretch(logbook, thing, until, &chains)?;
        let nothing_since = Lately::none(chains);
        let fields = history::fields(stretch, thing, &nothing_since, until).into_iter();
        let fields = fields.map(|(number, field)| ((thing, number), field));
        Ok(Some(Balanced {
            title,
            base: Balance {
                fields: fields.collect(),
                chains: nothing_since.chains,
            },
            bundles: Vec::new(),
        }))
    }

    /// Returns what was written since a logbook's balance, and from the first entry on where it has none;
    /// and how many entries are in it and came since. None where the balance does not do.
    ///
    /// # Errors
    /// [`Error::DamagedIndex`] where it is not what was written; [`Error::DamagedEntry`] where an entry
    /// is not.
    pub(super) fn lately(
        &self,
        logbook: LogbookId,
        archive: &Archive<'_>,
        entries: u64,
    ) -> Result<Option<(Lately, u64)>, Error> {
        let key = key(logbook, REGISTERS, 0);
        let row = self.0.as_ref().map(|rows| rows.get(&key)).transpose()?;
        let (title, chains) = match row.flatten() {
            Some(row) => head(&key, row.value())?.parts,
            None => (Title::BEGINNING, Vec::new()),
        };
        let since = entries.saturating_sub(title.entries);
        let balance = Balance {
            chains,
            fields: Vec::new(),
        };
        let heard = Heard::since(&balance, Asked::default(), |hearing| {
            hearing.keep_only_lately();
            tell_since(&title, &balance.chains, archive, since, hearing)
        })?;
        Ok(heard.map(|Heard { told, mut fold }| (fold.take_lately(), title.entries + told)))
    }

    /// Whether what is kept of a logbook is what the entries of its blocks come to.
    ///
    /// # Errors
    /// Those of [`Self::of`].
    pub(super) fn are_right(
        &self,
        histories: &Histories,
        logbook: LogbookId,
        archive: &Archive<'_>,
    ) -> Result<bool, Error> {
        let Some(kept) = self.of(logbook, None)? else {
            return Ok(true);
        };
        let mut heard = Heard::all(Asked::default(), |hearing| {
            hearing.fold.keep_lately();
            let (all, mut told) = ((Arrival(0), kept.title.up_to), 0);
            archive.each_block_within(all, |block| {
                told += block.tell(hearing)? as u64;
                Ok(())
            })?;
            Ok(told)
        })?;
        let same = kept.entries() == heard.told && kept.base == heard.fold.balance();
        let lately = heard.fold.take_lately();
        let mut told = Fold::resume(kept.base.clone()).done();
        kept.put_observations(Asked::default(), &mut told);
        Ok(same && told == heard.fold.done() && histories.are_right(logbook, &lately)?)
    }
}

pub(super) const fn damaged() -> Error {
    Error::damaged_index("balances")
}

/// The head of a balance, and the rest of its row.
struct Head<'a> {
    parts: (Title, Vec<Chain>),
    rest: &'a [u8],
}

/// Reads the head of a balance: it has a check of its own, so that who needs no registers reads none.
fn head<'a>(key: &[u8; 26], row: &'a [u8]) -> Result<Head<'a>, Error> {
    let mut row = Scan::of(row);
    let head = row.sized().map_err(|_| damaged())?;
    let mut left = Scan::of(tables::behind_sum(key, head, "balances")?);
    let read = (|| {
        let parts = (Title::read(&mut left)?, Balance::read_chains(&mut left)?);
        left.finish()?;
        Ok::<_, CodecError>(parts)
    })();
    Ok(Head {
        parts: read.map_err(|_| damaged())?,
        rest: row.rest(),
    })
}

fn registers(key: &[u8; 26], row: &[u8]) -> Result<(Title, Balance), Error> {
    let Head {
        parts: (title, chains),
        rest,
    } = head(key, row)?;
    let mut left = Scan::of(tables::behind_sum(key, rest, "balances")?);
    let balance = Balance::read(chains, &mut left).map_err(|_| damaged())?;
    left.finish().map_err(|_| damaged())?;
    Ok((title, balance))
}

/// Balances under way.
pub(super) struct Balancing<'txn>(Table<'txn, Rows, &'static [u8]>, Entering<'txn>);

impl<'txn> Balancing<'txn> {
    pub(super) fn begin(txn: &'txn WriteTransaction) -> Result<Self, Error> {
        Ok(Self(txn.open_table(BALANCES)?, Entering::begin(txn)?))
    }

    /// Brings a logbook's balance up to an arrival up to which all is packed tight. `before` is what the
    /// file holds before the write, which leaves the blocks as they are.
    pub(super) fn bring_up(
        &mut self,
        logbook: LogbookId,
        before: &Shelves,
        to: Arrival,
    ) -> Result<(), Error> {
        let archive = before.of(logbook);
        let key = key(logbook, REGISTERS, 0);
        let kept = self.0.get(&key)?;
        let kept = kept.map(|row| registers(&key, row.value())).transpose()?;
        let tell = |after: Arrival, hearing: &mut Hearing| {
            hearing.fold.keep_only_lately();
            let mut told = 0;
            archive.each_block_within((after, to), |block| {
                told += block.tell(hearing)? as u64;
                Ok(())
            })?;
            Ok(told)
        };
        let since = kept.map(|(title, balance)| {
            // What the fields come to, their histories tell.
            let chains = Balance {
                chains: balance.chains.clone(),
                fields: Vec::new(),
            };
            let heard = Heard::since(&chains, Asked::default(), |hearing| {
                let told = tell(title.up_to, hearing)?;
                let mut about = hearing.spoken_of();
                let is_late = about.any(|of| balance::includes(&balance.chains, of));
                Ok((!is_late).then_some(told))
            })?;
            Ok::<_, Error>(heard.map(|heard| (title, balance, heard)))
        });
        let (mut title, mut balance, mut heard) = match since.transpose()?.flatten() {
            Some(since) => since,
            // The first time, or hubs and dispatchers said something of what is in it.
            None => {
                self.forget(logbook)?;
                let tell = |hearing: &mut Hearing| tell(Arrival(0), hearing);
                let heard = Heard::all(Asked::default(), tell)?;
                (Title::BEGINNING, Balance::default(), heard)
            }
        };
        if heard.told == 0 {
            return Ok(());
        }
        let after = Arrival(title.up_to.0 + 1);
        (title.up_to, title.entries) = (to, title.entries + heard.told);
        let lately = heard.fold.take_lately();
        let fields = self.1.enter(logbook, &lately)?;
        balance.go_on(lately, fields);
        self.put_bundle(logbook, after, heard.fold.done(), &mut title)?;
        let fields = tables::summed_row(&key, |row| balance.put_fields(row));
        self.put(&key, &title, &balance.chains, &fields)
    }

    /// Writes the head of a balance, and behind it its registers with their check.
    fn put(
        &mut self,
        key: &[u8; 26],
        title: &Title,
        chains: &[Chain],
        registers: &[u8],
    ) -> Result<(), Error> {
        let head = tables::summed_row(key, |head| {
            title.put(head);
            balance::put_chains(chains, head);
        });
        let mut row = Vec::new();
        sized(&mut row, &head);
        row.extend_from_slice(registers);
        self.0.insert(key, row.as_slice())?;
        Ok(())
    }

    /// Lets a logbook's balance reach no further than an arrival after which the numbers are given again:
    /// it holds nothing from there on.
    pub(super) fn reach_no_further(
        &mut self,
        logbook: LogbookId,
        last: Arrival,
    ) -> Result<(), Error> {
        let key = key(logbook, REGISTERS, 0);
        let Some(row) = self.0.get(&key)?.map(|row| row.value().to_vec()) else {
            return Ok(());
        };
        let Head {
            parts: (mut title, chains),
            rest,
        } = head(&key, &row)?;
        if title.up_to <= last {
            return Ok(());
        }
        title.up_to = last;
        self.put(&key, &title, &chains, rest)
    }

    /// Writes observations that came from an arrival on. Bundles before that are not much larger become
    /// one with it, so that there are few, and an observation is written again a few times only.
    fn put_bundle(
        &mut self,
        logbook: LogbookId,
        from: Arrival,
        mut state: State,
        title: &mut Title,
    ) -> Result<(), Error> {
        let mut many = state.lists().map(|(_, _, list)| list.len() as u64).sum();
        if many == 0 {
            return Ok(());
        }
        let mut from = from;
        while let Some(bundled) = title.bundles.last().copied()
            && bundled.many <= MERGED * many
        {
            let before = bundled.from;
            title.bundles.pop();
            let pieces = copied(&self.0, logbook, before)?;
            state.put_bundle(&bundle(bundled, pieces)?, None, None);
            self.remove(key(logbook, before, 0)..key(logbook, before, LAST_PIECE))?;
            (from, many) = (before, many + bundled.many);
        }
        let lists = state
            .lists()
            .map(|(thing, what, list)| ((thing, what), list));
        let bytes = Bundle::pack(lists);
        for (nth, piece) in (0..=u16::MAX).zip(pieces(&bytes)) {
            let key = key(logbook, from, nth);
            let row = tables::summed_row(&key, |row| row.extend_from_slice(piece));
            self.0.insert(&key, row.as_slice())?;
        }
        title.bundles.push(Bundled {
            from,
            many,
            length: bytes.len() as u64,
        });
        Ok(())
    }

    /// Forgets what a logbook came to.
    pub(super) fn forget(&mut self, logbook: LogbookId) -> Result<(), Error> {
        let last = key(logbook, Arrival(u64::MAX), LAST_PIECE);
        self.remove(key(logbook, REGISTERS, 0)..last)?;
        self.1.forget(logbook)
    }

    fn remove(&mut self, keys: Range<[u8; 26]>) -> Result<(), Error> {
        let keys = &keys.start..&keys.end;
        Ok(self.0.retain_in::<&[u8; 26], _>(keys, |_, _| false)?)
    }
}
