//! Inputs that are nearly right, by seed, for readers of bytes that others made.
//!
//! A [`Target`] takes inputs that are right, spoils each a little, and hands them to a reader,
//! which may refuse them but must not panic, nor take more memory than [`MOST_BYTES`]. Every input
//! follows from the target's name and its number alone. `HEADWALK_FUZZ_RUNS=N` runs N inputs in
//! all, dealt out to the targets by their shares; `HEADWALK_FUZZ_FROM=N` begins at another number.
//! An input that fails is kept under `fixtures/fuzz/` and from then on is tried first.

use std::panic::{self, AssertUnwindSafe};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use std::{env, fs};

/// What one input may make a reader take, over what was taken before.
pub const MOST_BYTES: usize = 64 * 1024 * 1024;
/// Inputs in all where nobody asks for more: some seconds of an unoptimized build.
const RUNS_UNASKED: u64 = 20_000;

/// Numbers that look like chance and repeat by seed (xorshift64*).
#[derive(Debug, Clone)]
pub struct Chance(u64);

/// How the test binary counts its memory.
#[derive(Debug, Clone, Copy)]
pub struct Memory {
    /// Bytes that are taken now.
    pub taken: fn() -> usize,
    /// The most that were taken since the last reset.
    pub most: fn() -> usize,
    /// Forgets the most.
    pub reset: fn(),
}

/// One reader under test.
#[derive(Debug, Clone, Copy)]
pub struct Target {
    /// Its name, and that of its folder of kept inputs.
    pub name: &'static str,
    /// Its part of the inputs, in percent.
    pub share: u64,
    /// How its memory is counted.
    pub memory: Memory,
}

/// Memory is counted for the whole process, so targets take turns.
static TURN: Mutex<()> = Mutex::new(());

impl Target {
    /// Makes inputs and tries them: first those that are kept, then made ones.
    ///
    /// # Panics
    /// Where an input makes the reader panic or take too much memory; the input is kept.
    pub fn run(&self, mut make: impl FnMut(&mut Chance) -> Vec<u8>, mut read: impl FnMut(&[u8])) {
        let _turn = TURN.lock().unwrap_or_else(PoisonError::into_inner);
        let mut most = 0;
        let kept = self.kept();
        for (name, input) in &kept {
            most = most.max(self.one(name, input, &mut read));
        }
        let number = |name, unasked| {
            let asked = env::var(name).ok();
            asked.map_or(unasked, |asked| {
                asked.parse().expect("the environment gives a number")
            })
        };
        let from = number("HEADWALK_FUZZ_FROM", 0);
        let runs = number("HEADWALK_FUZZ_RUNS", RUNS_UNASKED) * self.share / 100;
        for number in from..from + runs {
            let mut chance = Chance::seeded(self.name, number);
            let input = make(&mut chance);
            most = most.max(self.one(&format!("failed-{number}"), &input, &mut read));
        }
        let (name, inputs) = (self.name, kept.len() as u64 + runs);
        println!("{name}: {inputs} inputs, at most {most} bytes taken by one");
    }

    fn one(&self, name: &str, input: &[u8], read: &mut impl FnMut(&[u8])) -> usize {
        (self.memory.reset)();
        let before = (self.memory.taken)();
        let ended = panic::catch_unwind(AssertUnwindSafe(|| read(input)));
        let most = (self.memory.most)().saturating_sub(before);
        if ended.is_err() || most > MOST_BYTES {
            let path = self.folder().join(name);
            let kept = fs::create_dir_all(self.folder()).and_then(|()| fs::write(&path, input));
            let how = if ended.is_err() { "panicked" } else { "grew" };
            panic!(
                "{} {how} ({most} bytes) on {name}, kept at {} ({kept:?})",
                self.name,
                path.display()
            );
        }
        most
    }

    fn folder(&self) -> PathBuf {
        Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("../fixtures/fuzz")
            .join(self.name)
    }

    /// The kept inputs, by name.
    fn kept(&self) -> Vec<(String, Vec<u8>)> {
        let Ok(folder) = fs::read_dir(self.folder()) else {
            return Vec::new();
        };
        let mut kept: Vec<_> = folder
            .map(|file| {
                let file = file.expect("the folder can be listed");
                let name = file.file_name().to_string_lossy().into_owned();
                (name, fs::read(file.path()).expect("a kept input is read"))
            })
            .collect();
        kept.sort();
        kept
    }
}

impl Chance {
    /// Begins anew for each number of each target.
    #[must_use]
    pub fn seeded(name: &str, number: u64) -> Self {
        let mix = |seed: u64, byte: u8| (seed ^ u64::from(byte)).wrapping_mul(0x0100_0000_01B3);
        let seed = name.bytes().fold(0xCBF2_9CE4_8422_2325, mix);
        let mut chance = Self((seed ^ number.wrapping_mul(0x9E37_79B9_7F4A_7C15)) | 1);
        chance.bits();
        chance
    }

    /// Returns 64 bits.
    pub fn bits(&mut self) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        self.0.wrapping_mul(0x2545_F491_4F6C_DD1D)
    }

    /// Returns a number from zero to one less than `below`.
    pub fn below(&mut self, below: usize) -> usize {
        (self.bits() >> 33) as usize % below.max(1)
    }

    /// Returns whether a thing that happens once in `times` happens.
    pub fn once_in(&mut self, times: usize) -> bool {
        self.below(times) == 0
    }

    /// Returns one of these.
    ///
    /// # Panics
    /// Where there are none.
    pub fn of<'t, T>(&mut self, several: &'t [T]) -> &'t T {
        &several[self.below(several.len())]
    }

    /// Returns so many bytes.
    pub fn bytes<const N: usize>(&mut self) -> [u8; N] {
        core::array::from_fn(|_| self.bits() as u8)
    }
}

/// Numbers at which readers of lengths and counts go wrong, as variable-length bytes.
const EDGES: [&[u8]; 8] = [
    &[0],
    &[0x7F],
    &[0x80, 0x01],
    &[0xFF, 0xFF, 0x03],
    &[0xFF, 0xFF, 0xFF, 0xFF, 0x0F],
    &[0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0x01],
    &[0xFE, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0x7F],
    &[
        0x80, 0x80, 0x80, 0x80, 0x80, 0x80, 0x80, 0x80, 0x80, 0x80, 0x00,
    ],
];

/// Spoils bytes in one to four ways: bits, edges, pieces left out, doubled, moved or taken from
/// `other`; rarely leaves nothing right.
pub fn spoil(bytes: &mut Vec<u8>, other: &[u8], chance: &mut Chance) {
    for _ in 0..=chance.below(4) {
        let at = chance.below(bytes.len() + 1);
        let end = (at + 1 + chance.below(24)).min(bytes.len());
        match chance.below(10) {
            0 | 1 if at < bytes.len() => bytes[at] ^= 1 << chance.below(8),
            2 if at < bytes.len() => bytes[at] = chance.bits() as u8,
            3 => {
                let edge = *chance.of(&EDGES);
                bytes.splice(at..(at + 1).min(bytes.len()), edge.iter().copied());
            }
            4 => bytes.truncate(at),
            5 if at < end => drop(bytes.drain(at..end)),
            6 if at < end => {
                let piece = bytes[at..end].to_vec();
                let to = chance.below(bytes.len() + 1);
                bytes.splice(to..to, piece);
            }
            7 if !other.is_empty() => {
                let from = chance.below(other.len());
                let length = chance.below(64).min(other.len() - from);
                bytes.splice(at..end.max(at), other[from..from + length].iter().copied());
            }
            8 => {
                let many = vec![chance.bits() as u8; chance.below(200)];
                bytes.splice(at..at, many);
            }
            _ if chance.once_in(50) => bytes.iter_mut().for_each(|b| *b = chance.bits() as u8),
            _ => {
                let byte = chance.bits() as u8;
                bytes.insert(at, byte);
            }
        }
    }
}
