//! The rows that keep ledgers. A row for all of a logbook's chains is long, and a day's entries go on with one
//! or two of them: those alone have another row beside it, until they are many.

use std::collections::BTreeSet;
use std::sync::Arc;

use redb::{
    ReadOnlyTable, ReadTransaction, ReadableTable, ReadableTableMetadata, Table, WriteTransaction,
};

use super::Ledger;
use crate::log::chain::{Link, Tip};
use crate::log::codec::CodecError;
use crate::log::id::{ChainId, DeviceId, LogbookId, Seq};
use crate::log::shapes::{Scan, number};
use crate::merge::branches::Branch;
use crate::store::Error;
use crate::store::archive::Late;
use crate::store::heads::HeadRow;
use crate::store::tables::{self, IDS, LEDGERS, MOVED};

type Key = &'static [u8; 16];
type Row = &'static [u8];

/// The rows of ledgers and of their ids, for writing.
pub(in crate::store) struct Rows<'txn> {
    ledgers: Table<'txn, Key, Row>,
    moved: Table<'txn, Key, Row>,
    ids: Table<'txn, Key, Row>,
}

impl<'txn> Rows<'txn> {
    pub(in crate::store) fn open(txn: &'txn WriteTransaction) -> Result<Self, Error> {
        Ok(Self {
            ledgers: txn.open_table(LEDGERS)?,
            moved: txn.open_table(MOVED)?,
            ids: txn.open_table(IDS)?,
        })
    }

    /// Keeps a logbook's ledger, and its ids if there are new ones.
    pub(in crate::store) fn keep(
        &mut self,
        logbook: LogbookId,
        ledger: &mut Ledger,
    ) -> Result<(), Error> {
        if ledger.has_moved_little() {
            let row = ledger.moved_row(logbook);
            self.moved.insert(logbook.bytes(), row.as_slice())?;
        } else {
            let row = ledger.row(logbook);
            self.ledgers.insert(logbook.bytes(), row.as_slice())?;
            self.moved.remove(logbook.bytes())?;
            ledger.heads.stay();
        }
        if let Some(row) = ledger.new_ids(logbook) {
            self.ids.insert(logbook.bytes(), row.as_slice())?;
        }
        Ok(())
    }

    /// Forgets a logbook's ledger, and its ids.
    pub(in crate::store) fn forget(&mut self, logbook: LogbookId) -> Result<(), Error> {
        self.ledgers.remove(logbook.bytes())?;
        self.moved.remove(logbook.bytes())?;
        self.ids.remove(logbook.bytes())?;
        Ok(())
    }

    /// Forgets all of them.
    pub(in crate::store) fn forget_all(txn: &WriteTransaction) -> Result<(), Error> {
        txn.delete_table(LEDGERS)?;
        txn.delete_table(MOVED)?;
        txn.delete_table(IDS)?;
        Ok(())
    }
}

/// The rows of ledgers, for reading.
pub(in crate::store) struct Kept {
    txn: Arc<ReadTransaction>,
    ledgers: Late<Key, Row>,
    moved: Late<Key, Row>,
}

impl Kept {
    pub(in crate::store) fn of(txn: &Arc<ReadTransaction>) -> Self {
        Self {
            txn: Arc::clone(txn),
            ledgers: Late::of(LEDGERS),
            moved: Late::of(MOVED),
        }
    }

    fn ledgers(&self) -> Result<&ReadOnlyTable<Key, Row>, Error> {
        self.ledgers.open(&self.txn)
    }

    fn moved(&self) -> Result<&ReadOnlyTable<Key, Row>, Error> {
        self.moved.open(&self.txn)
    }

    /// Returns the ledger of a logbook's blocks, if it has any.
    ///
    /// # Errors
    /// [`Error::DamagedIndex`] where a row is not what was written.
    pub(in crate::store) fn get(&self, logbook: LogbookId) -> Result<Option<Ledger>, Error> {
        let Some(row) = self.ledgers()?.get(logbook.bytes())? else {
            return Ok(None);
        };
        let mut ledger = Ledger::read(logbook, row.value())?;
        if let Some(row) = self.moved()?.get(logbook.bytes())? {
            ledger.read_moved(logbook, row.value())?;
        }
        Ok(Some(ledger))
    }

    /// Returns the logbooks that have a ledger.
    pub(in crate::store) fn logbooks(
        &self,
    ) -> Result<impl Iterator<Item = Result<LogbookId, Error>>, Error> {
        let rows = self.ledgers()?.iter()?;
        Ok(rows.map(|row| Ok(LogbookId::from_bytes(*row?.0.value()))))
    }

    /// Whether these logbooks have ledgers, and nobody else.
    pub(in crate::store) fn are_all_of(
        &self,
        logbooks: &BTreeSet<LogbookId>,
    ) -> Result<bool, Error> {
        for row in self.moved()?.iter()? {
            if !logbooks.contains(&LogbookId::from_bytes(*row?.0.value())) {
                return Ok(false);
            }
        }
        Ok(self.ledgers()?.len()? == logbooks.len() as u64)
    }

    /// Whether a logbook's ledger is this one.
    pub(in crate::store) fn is_right(
        &self,
        logbook: LogbookId,
        right: &Ledger,
    ) -> Result<bool, Error> {
        match self.get(logbook) {
            Ok(kept) => Ok(kept.is_some_and(|kept| kept.row(logbook) == right.row(logbook))),
            Err(Error::DamagedIndex { .. }) => Ok(false),
            Err(other) => Err(other),
        }
    }
}

impl Ledger {
    /// The row that keeps it.
    fn row(&self, logbook: LogbookId) -> Vec<u8> {
        tables::checked_row(logbook.bytes(), |row| self.put(row))
    }

    fn put(&self, row: &mut Vec<u8>) {
        self.put_heads(self.heads.iter(), row);
        number(row, self.branches.begun().count() as u64);
        for (chain, branch) in self.branches.begun() {
            row.extend_from_slice(chain.bytes());
            row.extend_from_slice(branch.device.bytes());
            number(row, branch.from.get());
            row.extend_from_slice(branch.of.bytes());
        }
        let partings: Vec<_> = self.branches.chosen().collect();
        number(row, partings.len() as u64);
        for ((device, seq, before), tip) in partings {
            row.extend_from_slice(device.bytes());
            number(row, seq.get());
            row.extend_from_slice(&before.0);
            row.extend_from_slice(&tip.0);
        }
    }

    fn put_heads<'a>(
        &self,
        heads: impl Iterator<Item = (ChainId, &'a HeadRow)> + Clone,
        row: &mut Vec<u8>,
    ) {
        let many = heads.clone().count();
        row.reserve(64 + 96 * many);
        number(row, many as u64);
        for (chain, head) in heads.clone() {
            row.extend_from_slice(chain.bytes());
            number(row, head.seq.get());
            row.extend_from_slice(&head.tip.0);
            row.extend_from_slice(head.link.bytes());
        }
        for (_, head) in heads {
            number(row, head.knew.len() as u64);
            for (nth, seq) in self.heads.before(head.knew.iter()) {
                number(row, nth as u64);
                number(row, seq.get());
            }
        }
    }

    /// Reads the row of a logbook. Where chains have branches, [`Self::walk`] must name the entries.
    ///
    /// # Errors
    /// [`Error::DamagedIndex`] where it does not fit its check.
    fn read(logbook: LogbookId, row: &[u8]) -> Result<Self, Error> {
        let rest = tables::behind_check(logbook.bytes(), row, "ledgers")?;
        Self::parts(rest).map_err(|_| Error::damaged_index("ledgers"))
    }

    fn parts(rest: &[u8]) -> Result<Self, CodecError> {
        let mut left = Scan::of(rest);
        let mut ledger = Self::default();
        ledger.take_heads(&mut left)?;
        ledger.heads.stay();
        for (chain, branch) in left.items(|left| {
            let chain = ChainId::from_bytes(left.array()?);
            let device = DeviceId::from_bytes(left.array()?);
            let from = seq(left)?;
            let of = ChainId::from_bytes(left.array()?);
            Ok((chain, Branch { device, from, of }))
        })? {
            ledger.branches.begin(chain, branch);
        }
        for (parting, tip) in left.items(|left| {
            let device = DeviceId::from_bytes(left.array()?);
            let parting = (device, seq(left)?, Tip(left.array()?));
            Ok((parting, Tip(left.array()?)))
        })? {
            ledger.branches.choose(parting, tip);
        }
        left.finish()?;
        Ok(ledger)
    }

    /// Takes heads instead of those that are there, and beside them.
    fn take_heads(&mut self, left: &mut Scan<'_>) -> Result<(), CodecError> {
        let ends = left.items(|left| {
            let chain = ChainId::from_bytes(left.array()?);
            let (seq, tip) = (seq(left)?, Tip(left.array()?));
            Ok((chain, seq, tip, Link::from_bytes(left.array()?)))
        })?;
        let here = self.heads.iter().map(|(chain, _)| chain);
        let mut chains: Vec<_> = here.chain(ends.iter().map(|end| end.0)).collect();
        chains.sort_unstable();
        chains.dedup();
        for (chain, end, tip, link) in ends {
            let knew = left.items(|left| {
                let of = chains.get(left.count()?).ok_or(ODD)?;
                Ok((*of, seq(left)?))
            })?;
            let head = HeadRow {
                seq: end,
                tip,
                link,
                knew: knew.into_iter().collect(),
            };
            self.heads.insert(chain, head);
        }
        Ok(())
    }

    /// Whether few chains moved since the row that keeps it was written.
    fn has_moved_little(&self) -> bool {
        self.branches.is_empty() && self.heads.moved().count() * 2 <= self.heads.len()
    }

    /// The row of the chains that moved since then.
    fn moved_row(&self, logbook: LogbookId) -> Vec<u8> {
        tables::summed_row(logbook.bytes(), |row| {
            self.put_heads(self.heads.moved(), row);
        })
    }

    /// Reads the row of the chains that moved.
    fn read_moved(&mut self, logbook: LogbookId, row: &[u8]) -> Result<(), Error> {
        let mut left = Scan::of(tables::behind_sum(logbook.bytes(), row, "ledgers")?);
        let taken = self.take_heads(&mut left).and_then(|()| left.finish());
        taken.map_err(|_| Error::damaged_index("ledgers"))
    }
}

const ODD: CodecError = CodecError::Shape("the ledger is in another shape");

fn seq(left: &mut Scan<'_>) -> Result<Seq, CodecError> {
    Seq::new(left.number()?).ok_or(ODD)
}
