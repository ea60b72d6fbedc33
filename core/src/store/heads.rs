//! The last entry of each chain of a logbook. Most entries go on with the chain of the one before them,
//! so that one is found first.

use crate::log::chain::{Link, Tip};
use crate::log::id::{ChainId, Seq};
use crate::log::vector::VersionVector;

/// For how many tips of a chain there is room at first: some days' at one site.
const FIRST_ROOM: usize = 64;

/// What is kept of a chain.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct HeadRow {
    pub(super) seq: Seq,
    pub(super) tip: Tip,
    pub(super) link: Link,
    pub(super) knew: VersionVector,
}

/// The heads of chains, in the order of their ids.
#[derive(Debug, Clone, Default)]
pub(super) struct Heads {
    chains: Vec<(ChainId, Head)>,
    // Where the one stands that was changed last.
    latest: usize,
    // How many tips are remembered of entries that are no chain's last,
    tips: usize,
    // and how many were when some were forgotten.
    tips_left: usize,
}

#[derive(Debug, Clone)]
struct Head {
    row: HeadRow,
    // The tips of the entries just before, up to it: others may name them soon.
    before: Vec<Tip>,
    has_moved: bool,
    // Whether it has since tips were forgotten.
    has_moved_lately: bool,
    // The first and the last of the entries that the link does not lead over yet, by the numbers that a
    // write gave them.
    open: Option<(usize, usize)>,
}

impl Heads {
    fn at(&self, chain: ChainId) -> Result<usize, usize> {
        match self.chains.get(self.latest) {
            Some((latest, _)) if *latest == chain => Ok(self.latest),
            _ => self.chains.binary_search_by_key(&chain, |(of, _)| *of),
        }
    }

    fn head(&self, chain: ChainId) -> Option<&Head> {
        self.at(chain).ok().map(|at| &self.chains[at].1)
    }

    pub(super) fn get(&self, chain: ChainId) -> Option<&HeadRow> {
        self.head(chain).map(|head| &head.row)
    }

    pub(super) const fn len(&self) -> usize {
        self.chains.len()
    }

    pub(super) fn iter(&self) -> impl ExactSizeIterator<Item = (ChainId, &HeadRow)> + Clone {
        self.chains.iter().map(|(chain, head)| (*chain, &head.row))
    }

    /// Those that were put or moved on since [`Self::stay`].
    pub(super) fn moved(&self) -> impl Iterator<Item = (ChainId, &HeadRow)> + Clone {
        let moved = self.chains.iter().filter(|(_, head)| head.has_moved);
        moved.map(|(chain, head)| (*chain, &head.row))
    }

    /// Says that none has moved since now.
    pub(super) fn stay(&mut self) {
        for (_, head) in &mut self.chains {
            head.has_moved = false;
        }
    }

    /// Counts, for each of some chains in order, those before it here.
    pub(super) fn before<T>(
        &self,
        chains: impl Iterator<Item = (ChainId, T)>,
    ) -> impl Iterator<Item = (usize, T)> {
        let mut before = 0;
        chains.map(move |(chain, with)| {
            let left = self.chains[before..].iter();
            before += left.take_while(|(of, _)| *of < chain).count();
            (before, with)
        })
    }

    /// Puts a chain's head, whatever was there.
    pub(super) fn insert(&mut self, chain: ChainId, row: HeadRow) {
        let head = Head {
            row,
            before: Vec::new(),
            has_moved: true,
            has_moved_lately: true,
            open: None,
        };
        match self.at(chain) {
            Ok(at) => self.chains[at].1 = head,
            Err(at) => {
                self.chains.insert(at, (chain, head));
                self.latest = at;
            }
        }
    }

    /// Returns a chain's head to be moved on by one entry; its tip is remembered.
    pub(super) fn move_on(&mut self, chain: ChainId) -> Option<&mut HeadRow> {
        self.latest = self.at(chain).ok()?;
        let head = &mut self.chains[self.latest].1;
        if head.before.len() == head.before.capacity() {
            head.before.reserve_exact(head.before.len().max(FIRST_ROOM));
        }
        head.before.push(head.row.tip);
        (head.has_moved, head.has_moved_lately) = (true, true);
        self.tips += 1;
        Some(&mut head.row)
    }

    /// Says that a chain's link does not lead over its last entry yet, to which a write gave this number;
    /// returns the one before it of which the same was said.
    pub(super) fn leave_open(&mut self, chain: ChainId, nth: usize) -> Option<usize> {
        let at = self.at(chain).expect("its last entry was just put");
        match &mut self.chains[at].1.open {
            Some((_, last)) => Some(core::mem::replace(last, nth)),
            none => {
                *none = Some((nth, nth));
                None
            }
        }
    }

    /// Returns the links of which that was said, each with the number of the first such entry, to be led
    /// over all of them.
    pub(super) fn close(&mut self) -> impl Iterator<Item = (&mut Link, usize)> {
        self.chains.iter_mut().filter_map(|(_, head)| {
            let (first, _) = head.open.take()?;
            Some((&mut head.row.link, first))
        })
    }

    /// Whether every link leads over all entries of its chain.
    pub(super) fn are_closed(&self) -> bool {
        self.chains.iter().all(|(_, head)| head.open.is_none())
    }

    /// Returns the tip of an entry of a chain that is its last, or remembered.
    pub(super) fn tip(&self, chain: ChainId, seq: Seq) -> Option<Tip> {
        let head = self.head(chain)?;
        let back = usize::try_from(head.row.seq.get().checked_sub(seq.get())?).ok()?;
        match back {
            0 => Some(head.row.tip),
            _ => head
                .before
                .get(head.before.len().checked_sub(back)?)
                .copied(),
        }
    }

    /// Forgets tips that are remembered of entries that are no chain's last, if they are more than so many,
    /// and twice as many as were left the last time: all but some of the last of each chain that has moved
    /// since then.
    pub(super) fn forget_tips(&mut self, most: usize, but_of_each: usize) {
        if self.tips > most.max(2 * self.tips_left) {
            self.tips = 0;
            for (_, head) in &mut self.chains {
                let but = match core::mem::take(&mut head.has_moved_lately) {
                    true => but_of_each,
                    false => 0,
                };
                let forgotten = head.before.len().saturating_sub(but);
                head.before.drain(..forgotten);
                head.before.shrink_to(2 * but);
                self.tips += head.before.len();
            }
            self.tips_left = self.tips;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const fn chain(number: u8) -> ChainId {
        ChainId::from_bytes([number; 16])
    }

    fn head(tip: u8) -> HeadRow {
        HeadRow {
            seq: Seq::FIRST,
            tip: Tip([tip; 8]),
            link: Link::from_bytes([0; 32]),
            knew: VersionVector::new(),
        }
    }

    #[test]
    fn tips_are_remembered_up_to_a_number_and_chains_stand_in_order() {
        let mut heads = Heads::default();
        heads.insert(chain(5), head(50));
        heads.insert(chain(2), head(20));
        for tip in 51..54 {
            let moved = heads.move_on(chain(5)).unwrap();
            (moved.seq, moved.tip) = (moved.seq.next(), Tip([tip; 8]));
        }
        heads.insert(chain(3), head(30));
        assert!(heads.move_on(chain(4)).is_none());
        let seq = |number| Seq::new(number).unwrap();
        let tip = |heads: &Heads, number| heads.tip(chain(5), seq(number)).map(|tip| tip.0[0]);
        let tips = |heads: &Heads| (1..6).map(|number| tip(heads, number)).collect::<Vec<_>>();
        assert_eq!(tips(&heads), [Some(50), Some(51), Some(52), Some(53), None]);
        let order: Vec<_> = heads.iter().map(|(chain, _)| chain).collect();
        assert_eq!(order, [chain(2), chain(3), chain(5)]);
        let of = [2, 3, 4, 5].map(|number| (chain(number), number));
        let before: Vec<_> = heads.before(of.into_iter()).collect();
        assert_eq!(before, [(0, 2), (1, 3), (2, 4), (2, 5)]);
        assert_eq!(heads.len(), 3);
        heads.forget_tips(3, 1);
        assert_eq!(tip(&heads, 2), Some(51));
        heads.forget_tips(2, 1);
        assert_eq!(tips(&heads), [None, None, Some(52), Some(53), None]);
        heads.forget_tips(0, 1);
        assert_eq!(
            tips(&heads),
            [None, None, Some(52), Some(53), None],
            "it is not twice as many"
        );
        for (of, tip) in [(2, 21), (2, 22), (3, 31)] {
            let moved = heads.move_on(chain(of)).unwrap();
            (moved.seq, moved.tip) = (moved.seq.next(), Tip([tip; 8]));
        }
        heads.forget_tips(3, 1);
        assert_eq!(
            tips(&heads),
            [None, None, None, Some(53), None],
            "it has not moved since"
        );
        let two = |number| heads.tip(chain(2), seq(number)).map(|tip| tip.0[0]);
        assert_eq!([1, 2, 3].map(two), [None, Some(21), Some(22)]);
        heads.insert(chain(5), head(99));
        assert_eq!(tips(&heads), [Some(99), None, None, None, None]);
    }

    #[test]
    fn links_that_were_left_open_are_handed_out_once_from_the_first_entry_on() {
        let mut heads = Heads::default();
        for number in [2, 5] {
            heads.insert(chain(number), head(number));
        }
        assert_eq!(heads.leave_open(chain(5), 7), None);
        assert_eq!(heads.leave_open(chain(5), 9), Some(7));
        assert_eq!(heads.leave_open(chain(5), 12), Some(9));
        assert!(!heads.are_closed());
        let link = Link::from_bytes([1; 32]);
        let firsts = heads.close().map(|(open, first)| {
            *open = link;
            first
        });
        assert_eq!(firsts.collect::<Vec<_>>(), [7]);
        assert!(heads.are_closed());
        assert_eq!(heads.close().count(), 0);
        let links = heads.iter().map(|(_, row)| row.link);
        assert_eq!(links.collect::<Vec<_>>(), [head(2).link, link]);
    }
}
