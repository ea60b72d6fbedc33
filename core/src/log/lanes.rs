//! BLAKE3 of many short inputs side by side, for chains of entries.
//!
//! What is short is hashed block after block, each waiting for the one before it, and most of a
//! processor stands idle. Entries come by the thousand, of many chains at once: here eight of them go
//! through the same steps together, a lane each, and whoever is done goes on with its chain's next one.
//! The hash is BLAKE3's in its key derivation mode (O'Connor, Aumasson, Neves, Wilcox-O'Hearn, "BLAKE3:
//! one function, fast everywhere", 2020), and is tested against the `blake3` crate, which hashes inputs
//! side by side only where all are of one length and none waits for another. That crate takes what is
//! longer than a chunk, the last few chains, and everything where the processor has no lanes.

use blake3::hazmat::{ContextKey, HasherExt, hash_derive_key_context};
use blake3::{BLOCK_LEN, CHUNK_LEN, Hasher};
use fearless_simd::{Level, Simd, SimdBase, dispatch, u32x8};

/// How many go side by side.
const LANES: usize = 8;
/// Where so many or fewer are left, each goes by itself sooner: of vectors that hold all lanes,
const FEW: usize = 3;
/// and of those that hold half of them.
const FEW_OF_HALVES: usize = 6;
/// For how many bytes there is room at first: nearly every entry behind a hash.
const ROOM: usize = 4 * BLOCK_LEN;

/// One 32-bit word of each lane.
type Words = [u32; LANES];

const IV: [u32; 8] = [
    0x6A09_E667,
    0xBB67_AE85,
    0x3C6E_F372,
    0xA54F_F53A,
    0x510E_527F,
    0x9B05_688C,
    0x1F83_D9AB,
    0x5BE0_CD19,
];
const CHUNK_START: u32 = 1 << 0;
const CHUNK_END: u32 = 1 << 1;
const ROOT: u32 = 1 << 3;
const DERIVE_KEY_MATERIAL: u32 = 1 << 6;
const ROUNDS: usize = 7;
/// Which words of a block each round mixes in.
const SCHEDULE: [[usize; 16]; ROUNDS] = schedule();

const fn schedule() -> [[usize; 16]; ROUNDS] {
    const PERMUTED: [usize; 16] = [2, 6, 3, 10, 7, 0, 4, 13, 1, 11, 12, 5, 9, 14, 15, 8];
    let mut rounds = [[0; 16]; ROUNDS];
    let mut word = 0;
    while word < 16 {
        rounds[0][word] = word;
        word += 1;
    }
    let mut round = 1;
    while round < ROUNDS {
        word = 0;
        while word < 16 {
            rounds[round][word] = rounds[round - 1][PERMUTED[word]];
            word += 1;
        }
        round += 1;
    }
    rounds
}

/// Hashes in one context.
#[derive(Debug)]
pub(super) struct Lanes {
    key: ContextKey,
    alone: Hasher,
}

/// A chain of inputs in a lane, the one that is hashed now, and how much of it was.
struct Lane<C> {
    chain: Option<C>,
    /// With zeros up to a whole block, at least one.
    bytes: Vec<u8>,
    length: usize,
    at: usize,
}

impl Lanes {
    pub(super) fn of(context: &str) -> Self {
        let key = hash_derive_key_context(context);
        Self {
            key,
            alone: Hasher::new_from_context_key(&key),
        }
    }

    /// Hashes one input of these parts.
    pub(super) fn hash(&mut self, parts: &[&[u8]]) -> [u8; 32] {
        self.alone.reset();
        for part in parts {
            self.alone.update(part);
        }
        *self.alone.finalize().as_bytes()
    }

    /// Hashes chains of inputs: `next` is given the hash of the input that it put for a chain before, if
    /// it put one, and puts the chain's next one, or says that there is none.
    pub(super) fn chains<C>(
        &mut self,
        chains: impl Iterator<Item = C>,
        next: impl FnMut(&mut C, Option<&[u8; 32]>, &mut Vec<u8>) -> bool,
    ) {
        let level = Level::new();
        let few = match dispatch!(level, simd => width(simd)) {
            _ if level.is_fallback() => LANES,
            LANES.. => FEW,
            _ => FEW_OF_HALVES,
        };
        self.chains_at(level, few, chains, next);
    }

    /// Does the same with what a level has; where so many chains or fewer are left, each by itself.
    fn chains_at<C>(
        &mut self,
        level: Level,
        few: usize,
        mut chains: impl Iterator<Item = C>,
        mut next: impl FnMut(&mut C, Option<&[u8; 32]>, &mut Vec<u8>) -> bool,
    ) {
        let mut lanes: [Lane<C>; LANES] = core::array::from_fn(|_| Lane {
            chain: None,
            bytes: Vec::new(),
            length: 0,
            at: 0,
        });
        let mut values = [[0; LANES]; 8];
        let mut block = Block {
            bytes: [[0; BLOCK_LEN]; LANES],
            lengths: [0; LANES],
            flags: [0; LANES],
        };
        for (nth, lane) in lanes.iter_mut().enumerate() {
            self.go_on(lane, None, &mut chains, &mut next);
            put(&self.key, &mut values, nth);
        }
        while lanes.iter().filter(|lane| lane.chain.is_some()).count() > few {
            for (nth, lane) in lanes.iter_mut().enumerate() {
                lane.put_block(nth, &mut block);
            }
            values = compress_at(level, &values, &block);
            for (nth, lane) in lanes.iter_mut().enumerate() {
                if lane.chain.is_some() && lane.at == lane.bytes.len() {
                    let hash = taken(&values, nth);
                    self.go_on(lane, Some(hash), &mut chains, &mut next);
                    put(&self.key, &mut values, nth);
                }
            }
        }
        // What was hashed in part begins again.
        for mut lane in lanes {
            while lane.chain.is_some() {
                let hash = self.hash(&[lane.input()]);
                self.go_on(&mut lane, Some(hash), &mut chains, &mut next);
            }
        }
    }

    /// Goes on in a lane with what comes next on its chain, or with the next chain; what is too long for a
    /// lane is hashed at once.
    #[inline]
    fn go_on<C>(
        &mut self,
        lane: &mut Lane<C>,
        mut hash: Option<[u8; 32]>,
        chains: &mut impl Iterator<Item = C>,
        next: &mut impl FnMut(&mut C, Option<&[u8; 32]>, &mut Vec<u8>) -> bool,
    ) {
        lane.at = 0;
        loop {
            let Some(chain) = &mut lane.chain else {
                lane.chain = chains.next();
                if lane.chain.is_none() {
                    return;
                }
                lane.bytes.reserve(ROOM);
                continue;
            };
            lane.bytes.clear();
            if !next(chain, hash.take().as_ref(), &mut lane.bytes) {
                lane.chain = None;
                continue;
            }
            lane.length = lane.bytes.len();
            if lane.length <= CHUNK_LEN {
                // Nothing at all is hashed as a block of zeros, too.
                let blocks = lane.length.div_ceil(BLOCK_LEN).max(1);
                lane.bytes.resize(blocks * BLOCK_LEN, 0);
                return;
            }
            hash = Some(self.hash(&[&lane.bytes]));
        }
    }
}

impl<C> Lane<C> {
    fn input(&self) -> &[u8] {
        &self.bytes[..self.length]
    }

    /// Puts the block that comes next into a lane, if there is one.
    #[inline(always)]
    fn put_block(&mut self, nth: usize, to: &mut Block) {
        let Some((block, rest)) = self.bytes[self.at..].split_first_chunk() else {
            return;
        };
        to.bytes[nth] = *block;
        to.flags[nth] = DERIVE_KEY_MATERIAL;
        if self.at == 0 {
            to.flags[nth] |= CHUNK_START;
        }
        to.lengths[nth] = BLOCK_LEN as u32;
        if rest.is_empty() {
            to.flags[nth] |= CHUNK_END | ROOT;
            to.lengths[nth] = (self.length - self.at) as u32;
        }
        self.at += BLOCK_LEN;
    }
}

/// Puts the words of a key into a lane.
fn put(key: &ContextKey, values: &mut [Words; 8], nth: usize) {
    let (words, _) = key.as_chunks();
    for (value, word) in values.iter_mut().zip(words) {
        value[nth] = u32::from_le_bytes(*word);
    }
}

/// Takes the hash out of a lane.
fn taken(values: &[Words; 8], nth: usize) -> [u8; 32] {
    let mut hash = [0; 32];
    let (words, _) = hash.as_chunks_mut();
    for (word, value) in words.iter_mut().zip(values) {
        *word = value[nth].to_le_bytes();
    }
    hash
}

/// A block of each lane.
struct Block {
    bytes: [[u8; BLOCK_LEN]; LANES],
    lengths: Words,
    flags: Words,
}

/// How many words the vectors of a level hold.
#[inline(always)]
fn width<S: Simd>(_: S) -> usize {
    S::u32s::LEN
}

/// [`compress`] at a level, once in the program for each.
#[inline(never)]
fn compress_at(level: Level, values: &[Words; 8], block: &Block) -> [Words; 8] {
    dispatch!(level, simd => compress(simd, values, block))
}

/// The compression function, for the only chunk of an input.
#[inline(always)]
fn compress<S: Simd>(simd: S, values: &[Words; 8], block: &Block) -> [Words; 8] {
    let some = |words| u32x8::load_array(simd, words);
    let half = |half: usize| {
        across(core::array::from_fn(|lane| {
            let (words, _) = block.bytes[lane].as_chunks();
            let word = |nth: usize| u32::from_le_bytes(words[8 * half + nth]);
            some(core::array::from_fn(word))
        }))
    };
    let halves = [half(0), half(1)];
    let words: [u32x8<S>; 16] = core::array::from_fn(|word| halves[word / 8][word % 8]);
    let mut state: [u32x8<S>; 16] = core::array::from_fn(|word| match word {
        0..8 => some(values[word]),
        8..12 => u32x8::splat(simd, IV[word - 8]),
        12 | 13 => u32x8::splat(simd, 0), // the number of the chunk
        14 => some(block.lengths),
        _ => some(block.flags),
    });
    for order in &SCHEDULE {
        round(&mut state, &words, order);
    }
    core::array::from_fn(|word| *(state[word] ^ state[word + 8]))
}

/// Turns what stands lane by lane into what stands word by word: eight words of each of eight lanes.
#[inline(always)]
fn across<S: Simd>(mut words: [u32x8<S>; LANES]) -> [u32x8<S>; LANES] {
    for _ in 0..LANES.ilog2() {
        let both: [_; LANES / 2] =
            core::array::from_fn(|nth| words[nth].interleave(words[nth + LANES / 2]));
        words = core::array::from_fn(|nth| match both[nth / 2] {
            (even, _) if nth % 2 == 0 => even,
            (_, odd) => odd,
        });
    }
    words
}

/// Mixes the words of a block into the state, in the order of a round: down its columns, then along its
/// diagonals.
#[inline(always)]
fn round<S: Simd>(state: &mut [u32x8<S>; 16], words: &[u32x8<S>; 16], order: &[usize; 16]) {
    mix(state, [0, 4, 8, 12], words[order[0]], words[order[1]]);
    mix(state, [1, 5, 9, 13], words[order[2]], words[order[3]]);
    mix(state, [2, 6, 10, 14], words[order[4]], words[order[5]]);
    mix(state, [3, 7, 11, 15], words[order[6]], words[order[7]]);
    mix(state, [0, 5, 10, 15], words[order[8]], words[order[9]]);
    mix(state, [1, 6, 11, 12], words[order[10]], words[order[11]]);
    mix(state, [2, 7, 8, 13], words[order[12]], words[order[13]]);
    mix(state, [3, 4, 9, 14], words[order[14]], words[order[15]]);
}

#[inline(always)]
fn mix<S: Simd>(
    state: &mut [u32x8<S>; 16],
    [a, b, c, d]: [usize; 4],
    first: u32x8<S>,
    second: u32x8<S>,
) {
    let turned = |words: u32x8<S>, by: u32| (words >> by) | (words << (u32::BITS - by));
    state[a] = state[a] + state[b] + first;
    state[d] = turned(state[d] ^ state[a], 16);
    state[c] += state[d];
    state[b] = turned(state[b] ^ state[c], 12);
    state[a] = state[a] + state[b] + second;
    state[d] = turned(state[d] ^ state[a], 8);
    state[c] += state[d];
    state[b] = turned(state[b] ^ state[c], 7);
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const CONTEXT: &str = "headwalk 2026 a test v1";

    /// Hashes chains of inputs, each input behind the hash before it.
    fn chains(level: Level, few: usize, chains: &[Vec<Vec<u8>>]) -> Vec<Vec<[u8; 32]>> {
        let mut hashes: Vec<Vec<_>> = vec![Vec::new(); chains.len()];
        let all = chains.iter().zip(&mut hashes);
        Lanes::of(CONTEXT).chains_at(level, few, all, |(inputs, hashes), hash, input| {
            hashes.extend(hash);
            let Some(next) = inputs.get(hashes.len()) else {
                return false;
            };
            input.extend(hash.into_iter().flatten());
            input.extend(next);
            true
        });
        hashes
    }

    /// Sees to it that chains hash as each by itself: with what this processor has and with what every one
    /// of its kind has, down to few chains and to the last, and all alone.
    fn check(all: &[Vec<Vec<u8>>]) {
        let expected: Vec<_> = all.iter().map(|inputs| one_by_one(inputs)).collect();
        for level in [Level::new(), Level::baseline()] {
            for few in [0, FEW, LANES] {
                assert_eq!(chains(level, few, all), expected, "{level:?}, {few}");
            }
        }
    }

    fn one_by_one(inputs: &[Vec<u8>]) -> Vec<[u8; 32]> {
        let mut hashes: Vec<[u8; 32]> = Vec::new();
        for input in inputs {
            let mut hasher = Hasher::new_derive_key(CONTEXT);
            if let Some(before) = hashes.last() {
                hasher.update(before);
            }
            hashes.push(*hasher.update(input).finalize().as_bytes());
        }
        hashes
    }

    #[test]
    fn every_length_about_a_block_and_a_chunk_hashes_as_by_itself() {
        let lengths = (0..=200).chain(900..=1_100).chain([2_048, 5_000]);
        let inputs = lengths.map(|length| vec![vec![length as u8; length]]);
        check(&inputs.collect::<Vec<_>>());
    }

    proptest! {
        #[test]
        fn chains_hash_as_each_by_itself(
            all in prop::collection::vec(
                prop::collection::vec(
                    prop_oneof![
                        9 => prop::collection::vec(any::<u8>(), 0..300),
                        1 => prop::collection::vec(any::<u8>(), 900..1_100),
                    ],
                    0..6,
                ),
                0..20,
            ),
        ) {
            check(&all);
        }
    }
}
