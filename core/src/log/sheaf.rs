//! Sheaves: seals that a device made at once, with what they share told once.
//!
//! A sheaf is the part of the device's tree of digests that leads to some chains' ends. Where the
//! entries come with it, the link at the end of a chain follows from them and is not told.

use core::slice;
use std::collections::BTreeMap;

use super::chain::Link;
use super::codec::CodecError;
use super::id::{DeviceId, LogbookId, Seq};
use super::seal::{self, Digest, Keys, MOST_STEPS, Seal, Step};
use super::shapes::{Scan, number};

/// Seals of one device that share a signature.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sheaf {
    /// The device's public key.
    pub key: [u8; 32],
    /// Its signature.
    pub signature: [u8; 64],
    // From the root down, each fork before its two branches.
    tree: Vec<Node>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
enum Node {
    /// Chains of which nothing is told here.
    Other(Digest),
    End(End),
    /// The two that follow, each with what it leads to.
    Fork,
}

/// The end of a chain.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct End {
    /// The logbook.
    pub logbook: LogbookId,
    /// The last entry.
    pub seq: Seq,
    /// The chain up to it, unless it follows from entries that come with the sheaf.
    pub link: Option<Link>,
}

impl Sheaf {
    /// Gathers seals that share a signature; `follows` says of which the link follows from what the
    /// listener has then.
    pub fn gather<'a>(
        seals: impl IntoIterator<Item = &'a Seal>,
        follows: impl Fn(&Seal) -> bool,
    ) -> Vec<Self> {
        let mut shared: BTreeMap<([u8; 32], [u8; 64]), Vec<&Seal>> = BTreeMap::new();
        for seal in seals {
            let of_signature = shared.entry((seal.key, seal.signature)).or_default();
            of_signature.push(seal);
        }
        let mut sheaves = Vec::new();
        for ((key, signature), mut seals) in shared {
            let sheaf = |seals: &mut [&Seal]| {
                // A fork for each but one, and those on whose side nothing is told.
                let mut tree = Vec::with_capacity(2 * seals.len() + ROOM);
                let are_of_one = grow(&mut tree, seals, 0, &follows).is_some();
                are_of_one.then_some(Self {
                    key,
                    signature,
                    tree,
                })
            };
            match sheaf(&mut seals) {
                Some(sheaf) => sheaves.push(sheaf),
                // They are not from one tree: each tells its own way.
                None => sheaves.extend(seals.iter().filter_map(|seal| sheaf(&mut [*seal]))),
            }
        }
        sheaves
    }

    /// Returns the ends that it is about.
    pub fn ends(&self) -> impl Iterator<Item = &End> {
        self.tree.iter().filter_map(|node| match node {
            Node::End(end) => Some(end),
            Node::Other(_) | Node::Fork => None,
        })
    }

    /// Returns the seals, not checked yet; `link` tells the link at an end where that is not told, and
    /// an error where it cannot.
    ///
    /// # Errors
    /// What `link` returns.
    pub fn seals<E>(
        &self,
        device: DeviceId,
        mut link: impl FnMut(&End) -> Result<Link, E>,
    ) -> Result<Vec<Seal>, E> {
        Ok(self.with_root(device, &mut link)?.0)
    }

    /// Returns the seals if the signature is this device's own: it is checked once for all of them, since by
    /// the way they are made they lead to one root.
    ///
    /// # Errors
    /// What `link` returns.
    pub fn checked<E>(
        &self,
        device: DeviceId,
        keys: &mut Keys,
        mut link: impl FnMut(&End) -> Result<Link, E>,
    ) -> Result<Option<Vec<Seal>>, E> {
        let (seals, root) = self.with_root(device, &mut link)?;
        let signed_by = match seals.as_slice() {
            [] => return Ok(Some(seals)),
            [seal] => keys.device_of(seal),
            several if several.iter().any(|seal| seal.path.len() > MOST_STEPS) => None,
            _ => keys.device_of_root(&self.key, root, &self.signature),
        };
        Ok(Some(seals).filter(|_| signed_by == Some(device)))
    }

    /// Returns the seals, and the digest at the root.
    fn with_root<E>(
        &self,
        device: DeviceId,
        link: &mut impl FnMut(&End) -> Result<Link, E>,
    ) -> Result<(Vec<Seal>, Digest), E> {
        let mut seals = Vec::with_capacity(self.ends().count());
        let root = self.seals_of(&mut self.tree.iter(), (device, 0), link, &mut seals)?;
        Ok((seals, root))
    }

    /// Adds the seals of the next node, so many steps below the root, with the part of their way that lies
    /// in it; returns its digest.
    fn seals_of<E>(
        &self,
        nodes: &mut slice::Iter<'_, Node>,
        (device, depth): (DeviceId, usize),
        link: &mut impl FnMut(&End) -> Result<Link, E>,
        seals: &mut Vec<Seal>,
    ) -> Result<Digest, E> {
        Ok(
            match nodes.next().expect("each fork has its two branches") {
                Node::Other(digest) => *digest,
                Node::End(end) => {
                    let link = match end.link {
                        Some(link) => link,
                        None => link(end)?,
                    };
                    seals.push(Seal {
                        logbook: end.logbook,
                        key: self.key,
                        seq: end.seq,
                        link,
                        path: Vec::with_capacity(depth),
                        signature: self.signature,
                    });
                    seal::end_digest(end.logbook, device, end.seq, link)
                }
                Node::Fork => {
                    let from = seals.len();
                    let below = (device, depth + 1);
                    let left = self.seals_of(nodes, below, link, seals)?;
                    let middle = seals.len();
                    let right = self.seals_of(nodes, below, link, seals)?;
                    for seal in &mut seals[from..middle] {
                        seal.path.push(Step::right(right));
                    }
                    for seal in &mut seals[middle..] {
                        seal.path.push(Step::left(left));
                    }
                    seal::fork_digest(left, right)
                }
            },
        )
    }

    /// Writes sheaves; the logbooks that the listener finds in the entries are told by their numbers.
    pub fn write(sheaves: &[Self], logbooks: &[LogbookId]) -> Vec<u8> {
        let mut out = Vec::new();
        for sheaf in sheaves {
            sheaf.put(logbooks, |end| end.link, &mut out);
        }
        out
    }

    /// Writes it with the links at all ends, those of its seals in their order.
    pub(crate) fn write_whole(&self, seals: &[Seal], out: &mut Vec<u8>) {
        let mut links = seals.iter().map(|seal| seal.link);
        self.put(&[], |_| links.next(), out);
    }

    fn put(
        &self,
        logbooks: &[LogbookId],
        mut link: impl FnMut(&End) -> Option<Link>,
        out: &mut Vec<u8>,
    ) {
        out.extend_from_slice(&self.key);
        out.extend_from_slice(&self.signature);
        for node in &self.tree {
            node.put(logbooks, &mut link, out);
        }
    }

    /// Reads what [`Self::write`] wrote.
    ///
    /// # Errors
    /// [`CodecError`] where these are no sheaves.
    pub fn read(bytes: &[u8], logbooks: &[LogbookId]) -> Result<Vec<Self>, CodecError> {
        let (mut left, mut sheaves) = (Scan::of(bytes), Vec::new());
        while !left.is_empty() {
            let (key, signature, mut tree) = (left.array()?, left.array()?, Vec::new());
            read(&mut tree, &mut left, logbooks, 0)?;
            sheaves.push(Self {
                key,
                signature,
                tree,
            });
        }
        Ok(sheaves)
    }
}

/// For how many more nodes than the ends and their forks there is room at first.
const ROOM: usize = 4;

const OTHER: u8 = 0;
const FORK: u8 = 1;
const END: u8 = 2;
const END_FOLLOWS: u8 = 3;

/// Adds the tree so many steps below the root that leads to these seals. None where they are not from one
/// tree.
fn grow(
    tree: &mut Vec<Node>,
    seals: &mut [&Seal],
    depth: usize,
    follows: &impl Fn(&Seal) -> bool,
) -> Option<()> {
    if let [seal] = seals
        && seal.path.len() == depth
    {
        tree.push(Node::End(End {
            logbook: seal.logbook,
            seq: seal.seq,
            link: (!follows(seal)).then_some(seal.link),
        }));
        return Some(());
    }
    let step = |seal: &Seal| {
        let nth = seal.path.len().checked_sub(depth + 1)?;
        seal.path.get(nth).copied()
    };
    if seals.iter().any(|seal| step(seal).is_none()) {
        return None;
    }
    // Those beside whose way the left one stands are on the right.
    seals.sort_by_key(|seal| step(seal).is_some_and(|step| step.is_left));
    let is_on_left = |seal: &&Seal| step(seal).is_some_and(|step| !step.is_left);
    let (left, right) = seals.split_at_mut(seals.partition_point(is_on_left));
    let beside = |seals: &[&Seal]| seals.last().and_then(|seal| step(seal));
    let (on_left, on_right) = (beside(right), beside(left));
    tree.push(Node::Fork);
    for (seals, other) in [(left, on_left), (right, on_right)] {
        if seals.is_empty() {
            tree.push(Node::Other(other?.digest));
        } else {
            grow(tree, seals, depth + 1, follows)?;
        }
    }
    Some(())
}

impl Node {
    fn put(
        &self,
        logbooks: &[LogbookId],
        link: &mut impl FnMut(&End) -> Option<Link>,
        out: &mut Vec<u8>,
    ) {
        match self {
            Self::Other(digest) => {
                out.push(OTHER);
                out.extend_from_slice(digest);
            }
            Self::Fork => out.push(FORK),
            Self::End(end) => {
                let link = link(end);
                out.push(if link.is_some() { END } else { END_FOLLOWS });
                match logbooks.binary_search(&end.logbook) {
                    Ok(nth) => number(out, nth as u64 + 1),
                    Err(_) => {
                        out.push(0);
                        out.extend_from_slice(end.logbook.bytes());
                    }
                }
                number(out, end.seq.get());
                if let Some(link) = link {
                    out.extend_from_slice(link.bytes());
                }
            }
        }
    }
}

/// Reads the tree so many steps below the root.
fn read(
    tree: &mut Vec<Node>,
    left: &mut Scan<'_>,
    logbooks: &[LogbookId],
    depth: usize,
) -> Result<(), CodecError> {
    const ODD: CodecError = CodecError::Shape("a sheaf in it is in another shape");
    match left.byte()? {
        OTHER => tree.push(Node::Other(left.array()?)),
        FORK if depth < MOST_STEPS => {
            tree.push(Node::Fork);
            read(tree, left, logbooks, depth + 1)?;
            read(tree, left, logbooks, depth + 1)?;
        }
        kind @ (END | END_FOLLOWS) => {
            let logbook = match left.count()?.checked_sub(1) {
                None => LogbookId::from_bytes(left.array()?),
                Some(nth) => *logbooks.get(nth).ok_or(ODD)?,
            };
            let seq = Seq::new(left.number()?).ok_or(ODD)?;
            let link = match kind {
                END => Some(Link::from_bytes(left.array()?)),
                _ => None,
            };
            tree.push(Node::End(End { logbook, seq, link }));
        }
        _ => return Err(ODD),
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::log::seal::DeviceKey;

    fn logbook(number: u8) -> LogbookId {
        LogbookId::from_bytes([number; 16])
    }

    fn link(number: u8) -> Link {
        Link::from_bytes([number; 32])
    }

    proptest! {
        #[test]
        fn any_of_the_seals_that_were_made_at_once_come_back_as_they_were(
            many in 1_u8..20,
            told in any::<u32>(),
            follows in any::<u32>(),
            numbered in any::<bool>(),
            changed in 0_usize..64,
        ) {
            let another = DeviceKey::from_bytes([9; 32]).device();
            let key = DeviceKey::from_bytes([7; 32]);
            let ends: Vec<_> = (0..many).map(|n| (logbook(n), Seq::FIRST, link(n))).collect();
            let is_in = |set: u32, seal: &Seal| set >> seal.logbook.bytes()[0] & 1 == 1;
            let mut seals = key.seal_all(&ends);
            seals.retain(|seal| is_in(told, seal));
            // One that was made by itself, of another device.
            seals.push(DeviceKey::from_bytes([8; 32]).seal(logbook(3), Seq::FIRST, link(99)));
            let sheaves = Sheaf::gather(&seals, |seal| is_in(follows, seal));
            prop_assert_eq!(sheaves.len(), if seals.len() > 1 { 2 } else { 1 });
            let logbooks: Vec<_> = (0..if numbered { 10 } else { 0 }).map(logbook).collect();
            let bytes = Sheaf::write(&sheaves, &logbooks);
            let read = Sheaf::read(&bytes, &logbooks).unwrap();
            prop_assert_eq!(&read, &sheaves);
            let mut again = Vec::new();
            for sheaf in &read {
                let mut keys = Keys::default();
                let device = keys.device(&sheaf.key).unwrap();
                let at = |end: &End| {
                    let of = |seal: &&Seal| seal.key == sheaf.key && seal.logbook == end.logbook;
                    Ok::<_, ()>(seals.iter().find(of).unwrap().link)
                };
                let made = sheaf.seals(device, at).unwrap();
                prop_assert_eq!(sheaf.checked(device, &mut keys, at).unwrap(), Some(made.clone()));
                prop_assert_eq!(sheaf.checked(another, &mut keys, at).unwrap(), None);
                let otherwise = |end: &End| Ok::<_, ()>(end.link.unwrap_or(link(98)));
                let follows = sheaf.ends().any(|end| end.link.is_none());
                let checked = sheaf.checked(device, &mut keys, otherwise).unwrap();
                prop_assert_eq!(checked.is_none(), follows);
                let mut forged = sheaf.clone();
                forged.signature[changed] ^= 1;
                prop_assert_eq!(forged.checked(device, &mut keys, at).unwrap(), None);
                let mut whole = Vec::new();
                sheaf.write_whole(&made, &mut whole);
                let whole = Sheaf::read(&whole, &[]).unwrap();
                prop_assert_eq!(&whole, &Sheaf::gather(&made, |_| false));
                again.extend(made);
            }
            prop_assert!(again.iter().all(|seal| seal.device().is_some()));
            let by_key = |seals: &mut Vec<Seal>| seals.sort_by_key(|seal| (seal.key, seal.logbook));
            by_key(&mut again);
            by_key(&mut seals);
            prop_assert_eq!(again, seals);
        }

        #[test]
        fn no_bytes_make_the_reader_panic(mut bytes in any::<Vec<u8>>(), forks in 0_usize..60) {
            let _unread = Sheaf::read(&bytes, &[logbook(1)]).is_ok();
            bytes.splice(0..0, [vec![0; 96], vec![FORK; forks]].concat());
            let _unread = Sheaf::read(&bytes, &[logbook(1)]).is_ok();
        }
    }

    #[test]
    fn seals_that_say_they_share_a_signature_and_do_not_are_told_one_by_one() {
        let key = DeviceKey::from_bytes([7; 32]);
        let ends: Vec<_> = (0..4).map(|n| (logbook(n), Seq::FIRST, link(n))).collect();
        let mut seals = key.seal_all(&ends);
        seals[1].path.pop();
        let sheaves = Sheaf::gather(&seals, |_| false);
        assert_eq!(sheaves.len(), 4);
        let ends = sheaves.iter().flat_map(Sheaf::ends);
        assert_eq!(ends.count(), 4);
    }
}
