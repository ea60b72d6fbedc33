//! The ids that a logbook's entries name, by the bytes by which one who holds them is told of them.

use core::ops::Range;

use super::{Error, tables};
use crate::log::codec::CodecError;
use crate::log::id::{Arrival, LogbookId, Seq};
use crate::log::shapes::{Scan, number};
use crate::log::terse::{self, Told};
use crate::log::view::View;

/// The ids of devices and things, each with the arrival of the entry that names it first. Visits are not
/// among them: there are ever more, and an old one is hardly named again.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct KnownIds {
    // Read from their last byte to their first, in order, so that those that are told alike stand together;
    ids: Vec<u128>,
    // and the arrival of each, which is seldom asked for.
    first: Vec<Arrival>,
}

impl KnownIds {
    /// Learns the ids of an entry that came after all those learned before.
    pub(super) fn learn(&mut self, entry: &View<'_>, arrival: Arrival) {
        self.learn_id(entry.device.bytes(), arrival);
        for thing in entry.things() {
            self.learn_id(thing.bytes(), arrival);
        }
    }

    /// Whether an entry names ids that are not known, beside its device's if that has written before.
    pub(super) fn lack(&self, entry: &View<'_>) -> bool {
        let mut things = entry.things();
        let lacks_a_thing = things.any(|thing| self.at(thing.bytes()).is_err());
        lacks_a_thing || entry.seq == Seq::FIRST && self.at(entry.device.bytes()).is_err()
    }

    fn at(&self, id: &[u8; 16]) -> Result<usize, usize> {
        self.ids.binary_search(&u128::from_le_bytes(*id))
    }

    fn learn_id(&mut self, id: &[u8; 16], arrival: Arrival) {
        if let Err(at) = self.at(id) {
            self.ids.insert(at, u128::from_le_bytes(*id));
            self.first.insert(at, arrival);
        }
    }

    /// Where the ids stand that are told alike.
    fn told_alike(&self, told: Told) -> Range<usize> {
        let mut first = [0; 16];
        first[16 - terse::TOLD..].copy_from_slice(&told);
        let first = u128::from_le_bytes(first);
        let from = self.ids.partition_point(|id| *id < first);
        let alike = self.ids[from..].iter();
        let alike = alike.take_while(|id| terse::told(&id.to_le_bytes()) == told);
        from..from + alike.count()
    }

    /// Whether an id occurs in entries that came up to an arrival, and no other that is told alike.
    pub(super) fn know(&self, id: &[u8; 16], up_to: Arrival) -> bool {
        let alike = self.told_alike(terse::told(id));
        let wanted = u128::from_le_bytes(*id);
        alike.len() == 1 && self.ids[alike.start] == wanted && self.first[alike.start] <= up_to
    }

    /// Finds the id of which this is told: of several the one that came first, since whoever tells of it
    /// has known it for some time.
    pub(super) fn find(&self, told: Told) -> Option<[u8; 16]> {
        let mut alike = self.told_alike(told);
        let first = match alike.len() {
            // As nearly always: when it came nobody asks.
            1 => alike.next(),
            _ => alike.min_by_key(|at| self.first[*at]),
        };
        first.map(|at| self.ids[at].to_le_bytes())
    }

    /// The row that keeps them.
    pub(super) fn row(&self, logbook: LogbookId) -> Vec<u8> {
        tables::checked_row(logbook.bytes(), |row| {
            number(row, self.ids.len() as u64);
            for (id, first) in self.ids.iter().zip(&self.first) {
                row.extend_from_slice(&id.to_le_bytes());
                number(row, first.0);
            }
        })
    }

    /// Reads the row of a logbook.
    ///
    /// # Errors
    /// [`Error::DamagedIndex`] where it does not fit its check.
    pub(super) fn read(logbook: LogbookId, row: &[u8]) -> Result<Self, Error> {
        let damaged = || Error::damaged_index("ids");
        let mut left = Scan::of(tables::behind_check(logbook.bytes(), row, "ids")?);
        let ids = Self::scan(&mut left).map_err(|_| damaged())?;
        left.finish().map_err(|_| damaged())?;
        Ok(ids)
    }

    /// Reads what stands in a row behind its check.
    fn scan(left: &mut Scan<'_>) -> Result<Self, CodecError> {
        let ids = left.items(|left| {
            let id = u128::from_le_bytes(left.array()?);
            Ok((id, Arrival(left.number()?)))
        })?;
        let (ids, first) = ids.into_iter().unzip();
        Ok(Self { ids, first })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn id(first: u8, last: [u8; 2]) -> [u8; 16] {
        let mut id = [first; 16];
        id[14..].copy_from_slice(&last);
        id
    }

    #[test]
    fn of_ids_that_are_told_alike_none_is_told_and_the_oldest_is_meant() {
        let mut known = KnownIds::default();
        for (nth, (first, last)) in [(9, [1, 7]), (3, [1, 7]), (4, [2, 7]), (5, [1, 8])]
            .into_iter()
            .enumerate()
        {
            known.learn_id(&id(first, last), Arrival(nth as u64 + 1));
        }
        let all = Arrival(9);
        assert!(!known.know(&id(9, [1, 7]), all) && !known.know(&id(3, [1, 7]), all));
        assert!(known.know(&id(4, [2, 7]), all) && !known.know(&id(4, [2, 7]), Arrival(2)));
        assert!(!known.know(&id(8, [2, 7]), all), "another id is told so");
        assert_eq!(known.find([1, 7]), Some(id(9, [1, 7])));
        assert_eq!(known.find([1, 8]), Some(id(5, [1, 8])));
        assert_eq!(known.find([1, 9]), None);
        let logbook = LogbookId::from_bytes([1; 16]);
        let mut row = known.row(logbook);
        assert_eq!(KnownIds::read(logbook, &row).unwrap(), known);
        row[20] ^= 1;
        assert!(KnownIds::read(logbook, &row).is_err());
    }
}
